//! One clip's file → everything the models see of it: the scout pass over all of it, the measuring pass over its swings,
//! then the best model on the frames whose places are measured, and closer looks at the arms after impact.

use super::ball::look_for_balls;
use super::choose::Chosen;
use super::close::{look_closely, window_region};
use super::cuts::Cuts;
use super::key;
use super::listen::listen;
use super::lying::quarters_to_upright;
use super::scout::scout;
use super::stir::look_for_stir;
use crate::error::Result;
use crate::pose::models::ModelChoice;
use crate::pose::sessions::Sessions;
use crate::report::{Reason, ReasonCode};
use crate::seen::{About, ArmLooks, Seen};
use crate::swing::{Window, find_windows, read_swings};
use crate::video::decode::{Account, Spent};
use crate::video::{Footage, Probe, sound};
use std::borrow::Cow;
use std::collections::BTreeMap;
use std::collections::btree_map::Entry;
use std::path::Path;
use std::time::Instant;

/// What was seen, and the kept cuts for key pictures.
pub struct Observed {
    pub seen: Seen,
    pub cuts: Cuts,
    /// Seconds spent by stage, for the ledger; after those, seconds by work within the stages.
    pub timings: Vec<(&'static str, f64)>,
}

/// Seconds by work, whatever the stage.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Work {
    decoding: f64,
    converting: f64,
    detecting: f64,
    landmarks: f64,
    landmarks_measuring: f64,
}

impl Work {
    pub(super) fn add(&mut self, spent: Spent) {
        self.decoding += spent.decoding;
        self.converting += spent.converting;
    }

    fn timings(self) -> [(&'static str, f64); 5] {
        [
            ("in decoder", self.decoding),
            ("in conversion", self.converting),
            ("in detector", self.detecting),
            ("in landmark models", self.landmarks),
            ("in landmark models, measuring", self.landmarks_measuring),
        ]
    }
}

/// What the scout found.
struct Scouted {
    model: &'static str,
    chosen: Chosen,
    windows: Vec<Window>,
    account: Account,
}

impl Scouted {
    fn found_whole(&self) -> bool {
        self.windows.iter().any(Window::is_whole)
    }
}

/// Scouts with one model after the other until one finds a whole swing; `None` where the decoder refuses the file.
fn scout_with(path: &Path, probe: &Probe, sessions: &mut Sessions, choice: ModelChoice, work: &mut Work) -> Result<Option<Scouted>> {
    let mut scouted = None;
    for &model in choice.scouts() {
        let Some(mut footage) = Footage::open(path, probe) else { return Ok(None) };
        let (detector, scouting) = sessions.scouting(model)?;
        let chosen = scout(&mut footage, probe, detector, scouting)?;
        work.add(footage.spent());
        let found = Scouted { model, windows: find_windows(&chosen.golfer), chosen, account: footage.account() };
        let whole = found.found_whole();
        scouted = Some(found);
        if whole {
            break;
        }
    }
    Ok(scouted)
}

/// Looks at the clip with the models of `choice`, which must be loaded; each is let go after its last look. Writes into
/// `folder` what need not stay in memory. `Ok(Err(reason))` where the file cannot be decoded at all.
pub fn observe(
    path: &Path,
    probe: &Probe,
    sessions: &mut Sessions,
    choice: ModelChoice,
    folder: &Path,
) -> Result<std::result::Result<Observed, Reason>> {
    let mut timings = Vec::new();
    let mut clock = Instant::now();
    let mut lap = |name: &'static str| {
        let spent = clock.elapsed().as_secs_f64();
        clock = Instant::now();
        timings.push((name, spent));
    };
    let [landmark, outline] = choice.files();
    let mut work = Work::default();
    let unreadable = || Ok(Err(ReasonCode::Unreadable.because("the decoder refuses it")));
    let mut turned = Cow::Borrowed(probe);
    let mut scouting = scout_with(path, &turned, sessions, choice, &mut work)?;
    if scouting.as_ref().is_some_and(|s| !s.found_whole())
        && let Some(quarters) = quarters_to_upright(path, probe, sessions.scouting(choice.scouts()[0])?.0, &mut work)?
    {
        turned.to_mut().turn = probe.turn.then_quarters(quarters);
        let again = scout_with(path, &turned, sessions, choice, &mut work)?;
        if again.as_ref().is_some_and(Scouted::found_whole) {
            scouting = again;
        } else {
            turned = Cow::Borrowed(probe);
        }
    }
    let turned_by_sight = (4 + turned.turn.rotation_deg() / 90 - probe.turn.rotation_deg() / 90) % 4 * 90;
    let probe = turned.as_ref();
    let Some(Scouted { model, chosen, windows, account }) = scouting else { return unreadable() };
    work.detecting = sessions.detector()?.spent();
    let spent_scouting = sessions.spent();
    sessions.keep_only(&[choice.dense(), outline, landmark]);
    lap("scout");
    if account.decoded == 0 {
        return Ok(Err(ReasonCode::NoFrames.reason()));
    }
    let (width, height) = probe.upright_size();
    let steps: Vec<f64> = probe.times.windows(2).map(|w| w[1] - w[0]).collect();
    let about = About {
        width,
        height,
        rotation_deg: probe.turn.rotation_deg(),
        turned_by_sight,
        mirrored_by_container: probe.turn.mirrored(),
        pixel_aspect: probe.pixel_aspect,
        frames: account.decoded,
        frames_expected: probe.times.len(),
        duration_s: probe.duration(),
        interval_min_s: steps.iter().copied().fold(f64::INFINITY, f64::min).min(probe.duration()),
        interval_median_s: probe.interval(),
        interval_max_s: steps.iter().copied().fold(0.0, f64::max),
        unlisted: account.unlisted,
        torn: account.torn(probe),
        balls: Vec::new(),
        stirs: Vec::new(),
        sound: None,
        decoder_complaints: 0,
        worker: String::new(),
        scouted_by: model.into(),
        created: probe.created.clone(),
        people_seen: chosen.people_seen,
        chosen_because: chosen.because,
        person_doubtful: chosen.doubtful,
        person_share: chosen.share,
        seen_by: None,
    };
    let mut seen = Seen { about, scout: chosen.golfer, ..Seen::default() };
    let mut cuts = Cuts::begin(folder)?;
    if windows.is_empty() {
        return Ok(Ok(Observed { seen, cuts, timings }));
    }
    let first = probe.times.partition_point(|&t| t < windows[0].start);
    let Some(mut footage) = Footage::open_near(path, probe, &account, first) else { return Ok(Err(ReasonCode::Unreadable.reason())) };
    let every = choice == ModelChoice::Exhaustive;
    let close = look_closely(&mut footage, probe, &seen.scout, &windows, sessions.landmarker(choice.dense())?, every, &mut cuts)?;
    work.add(footage.spent());
    drop(footage);
    sessions.keep_only(&[outline, landmark]);
    seen.body = close.body;
    seen.camera = close.camera;
    lap("measure");
    let mut looks = BTreeMap::new();
    let swings = read_swings(&seen, 175.0, None);
    seen.about.balls = look_for_balls(&cuts, &seen, &swings)?;
    for swing in &swings {
        seen.about.stirs.extend(look_for_stir(&cuts, swing)?);
    }
    seen.about.sound = sound::levels(path, probe).map(|levels| listen(&levels));
    lap("ball and club");
    let swings = read_swings(&seen, 175.0, None);
    let outliner = sessions.landmarker(outline)?;
    for swing in &swings {
        let Some(region) = window_region(&seen.scout, &swing.window) else { continue };
        for frame in key::outline_frames(swing) {
            let Some(cut) = cuts.of(frame)? else { continue };
            let (look, outline) = cut.look_with_outline(outliner, &region)?;
            looks.insert(frame, look);
            seen.outlines.push((frame, outline));
        }
    }
    sessions.keep_only(&[landmark]);
    lap("outline");
    let landmarker = sessions.landmarker(landmark)?;
    for swing in &swings {
        let Some(region) = window_region(&seen.scout, &swing.window) else { continue };
        for frame in key::moment_frames(swing) {
            if let Entry::Vacant(place) = looks.entry(frame)
                && let Some(cut) = cuts.of(frame)?
            {
                place.insert(cut.look(landmarker, &region)?);
            }
        }
    }
    for (frame, look) in looks {
        seen.key.push(frame, probe.times[frame], look);
    }
    lap("key");
    landmarker.read_arm_peaks();
    for swing in &read_swings(&seen, 175.0, None) {
        let Some(region) = window_region(&seen.scout, &swing.window) else { continue };
        // the model's own left and right, which may be exchanged throughout
        let lead = if swing.view.sides_exchanged { swing.lead.other() } else { swing.lead };
        for frame in key::arm_frames(swing) {
            let (Some(cut), Ok(i)) = (cuts.of(frame)?, seen.body.frames.binary_search(&frame)) else { continue };
            seen.arms.push(ArmLooks { frame, looks: key::arm_looks(&cut, &region, &seen.body.looks[i], lead, landmarker)? });
        }
    }
    lap("arms");
    work.landmarks = sessions.spent();
    work.landmarks_measuring = work.landmarks - spent_scouting;
    timings.extend(work.timings());
    Ok(Ok(Observed { seen, cuts, timings }))
}
