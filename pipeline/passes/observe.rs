//! One clip's file → everything the models see of it: the scout pass over all of it, the measuring pass over its swings,
//! then the best model on the frames whose places are measured, and closer looks at the arms after impact.

use super::ball::look_for_balls;
use super::close::{look_closely, window_region};
use super::cuts::Cuts;
use super::key;
use super::scout::scout;
use crate::error::Result;
use crate::pose::models::ModelChoice;
use crate::pose::sessions::Sessions;
use crate::report::{Reason, ReasonCode};
use crate::seen::{About, ArmLooks, Seen};
use crate::swing::{Window, find_windows, read_swings};
use crate::video::decode::Spent;
use crate::video::{Footage, Probe};
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
struct Work {
    decoding: f64,
    converting: f64,
    detecting: f64,
    landmarks: f64,
    landmarks_measuring: f64,
}

impl Work {
    fn add(&mut self, spent: Spent) {
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
    let (mut scouted, mut windows) = (None, Vec::new());
    for &model in choice.scouts() {
        let Some(mut footage) = Footage::open(path, probe) else {
            return Ok(Err(ReasonCode::Unreadable.because("the decoder refuses it")));
        };
        let (detector, scouting) = sessions.scouting(model)?;
        let chosen = scout(&mut footage, probe, detector, scouting)?;
        work.add(footage.spent());
        windows = find_windows(&chosen.golfer);
        scouted = Some((model, chosen, footage.account()));
        if windows.iter().any(Window::is_whole) {
            break;
        }
    }
    work.detecting = sessions.detector()?.spent();
    let scouting = sessions.spent();
    sessions.keep_only(&[choice.dense(), outline, landmark]);
    let (model, chosen, account) = scouted.expect("invariant: there is a scout");
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
    seen.about.balls = look_for_balls(&cuts, &seen, &read_swings(&seen, 175.0, None))?;
    lap("ball");
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
    work.landmarks_measuring = work.landmarks - scouting;
    timings.extend(work.timings());
    Ok(Ok(Observed { seen, cuts, timings }))
}
