//! One clip's file → everything the models see of it: the scout pass over all of it, the measuring pass over its swings,
//! then the best model on the frames whose places are measured, and closer looks at the arms after impact.

use super::close::{Cut, look_closely, window_region};
use super::detector::Detector;
use super::landmarker::{Landmarker, environment};
use super::models::{ModelChoice, Models};
use super::region::Region;
use super::scout::scout;
use super::seen::{About, ArmLooks, Seen};
use crate::error::Result;
use crate::pose::keypoints::{Keypoint, Look};
use crate::report::types::Side;
use crate::report::{Reason, ReasonCode};
use crate::swing::body::{keypoint, middle};
use crate::swing::{Part, SwingRead, find_windows, read_swings};
use crate::video::{Footage, Probe};
use std::path::Path;
use std::time::Instant;

/// Key frames: at address, on the way to lead arm level, from there to the top, and about the top and impact.
const ADDRESS_FRAMES: usize = 5;
const EARLY_FRAMES: usize = 3;
const BACKSWING_FRAMES: usize = 9;
const MOMENT_FRAMES: usize = 3;
/// Seconds (real time) about the top and impact.
const ABOUT_MOMENT: f64 = 0.045;
/// Frames between impact and chest high whose arms get several looks.
const ARM_FRAMES: usize = 7;

/// What was seen, and the kept cuts for key pictures.
pub struct Observed {
    pub seen: Seen,
    pub cuts: Vec<Cut>,
    /// Seconds spent by stage, for the ledger.
    pub timings: Vec<(&'static str, f64)>,
}

/// Looks at the clip. `Ok(Err(reason))` where the file cannot be decoded at all.
pub fn observe(path: &Path, probe: &Probe, models: &Models, choice: ModelChoice) -> Result<std::result::Result<Observed, Reason>> {
    let mut timings = Vec::new();
    let mut clock = Instant::now();
    let mut lap = |name: &'static str| {
        let spent = clock.elapsed().as_secs_f64();
        clock = Instant::now();
        timings.push((name, spent));
    };
    let environment = environment(&models.runtime()?)?;
    let mut detector = Detector::load(&environment, &models.checked("detector")?)?;
    let [landmark, outline] = choice.files();
    let mut small = Landmarker::load(&environment, &models.checked("landmark_lite")?)?;
    lap("load");
    let Some(mut footage) = Footage::open(path, probe)? else { return Ok(Err(ReasonCode::Unreadable.because("the decoder refuses it"))) };
    let chosen = scout(&mut footage, probe, &mut detector, &mut small)?;
    let (decoded, clock) = (footage.decoded(), footage.clock());
    drop(footage);
    lap("scout");
    if decoded == 0 {
        return Ok(Err(ReasonCode::NoFrames.reason()));
    }
    let (width, height) = probe.upright_size();
    let steps: Vec<f64> = probe.times.windows(2).map(|w| w[1] - w[0]).collect();
    let about = About {
        width,
        height,
        rotation_deg: probe.rotation_deg,
        frames: decoded,
        frames_expected: probe.times.len(),
        duration_s: probe.duration(),
        interval_min_s: steps.iter().copied().fold(f64::INFINITY, f64::min).min(probe.duration()),
        interval_median_s: probe.interval(),
        interval_max_s: steps.iter().copied().fold(0.0, f64::max),
        decoder_complaints: 0,
        created: probe.created.clone(),
        people_seen: chosen.people_seen,
        chosen_because: chosen.because,
        person_doubtful: chosen.doubtful,
        person_share: chosen.share,
    };
    let mut seen = Seen { about, scout: chosen.golfer, ..Seen::default() };
    let windows = find_windows(&seen.scout);
    if windows.is_empty() {
        return Ok(Ok(Observed { seen, cuts: Vec::new(), timings }));
    }
    let first = probe.times.partition_point(|&t| t < windows[0].start);
    let Some(mut footage) = Footage::open_near(path, probe, clock, first)? else { return Ok(Err(ReasonCode::Unreadable.reason())) };
    let every = choice == ModelChoice::Exhaustive;
    let mut dense = match every {
        true => Landmarker::load(&environment, &models.checked(landmark)?)?,
        false => small,
    };
    let close = look_closely(&mut footage, probe, &seen.scout, &windows, &mut dense, every)?;
    drop((footage, dense));
    seen.body = close.body;
    seen.camera = close.camera;
    lap("measure");
    let swings = read_swings(&seen, 175.0, None);
    let mut outliner = Landmarker::load(&environment, &models.checked(outline)?)?;
    for swing in &swings {
        let Some(region) = window_region(&seen.scout, &swing.window) else { continue };
        for (frame, time) in key_frames(swing) {
            let Some(cut) = close.cuts.iter().find(|c| c.frame == frame) else { continue };
            let (look, outline) = cut.look_with_outline(&mut outliner, &region)?;
            seen.key.push(frame, time, look);
            if swing.moments.top.is_some_and(|top| time <= top.time + 1e-6) {
                seen.outlines.push((frame, outline.as_kept()));
            }
        }
    }
    drop(outliner);
    lap("outline");
    let mut landmarker = Landmarker::load(&environment, &models.checked(landmark)?)?.with_arm_peaks();
    for swing in &swings {
        let Some(region) = window_region(&seen.scout, &swing.window) else { continue };
        // the model's own left and right, which may be exchanged throughout
        let lead = if swing.view.sides_exchanged { swing.lead.other() } else { swing.lead };
        for frame in arm_frames(swing) {
            let Some(cut) = close.cuts.iter().find(|c| c.frame == frame) else { continue };
            let Some(i) = seen.body.frames.iter().position(|f| *f == frame) else { continue };
            seen.arms.push(ArmLooks { frame, looks: arm_looks(cut, &region, &seen.body.looks[i], lead, &mut landmarker)? });
        }
    }
    lap("arms");
    Ok(Ok(Observed { seen, cuts: close.cuts, timings }))
}

/// At most `count` of `all`, evenly spread, the first and last among them.
fn spread(all: &[usize], count: usize) -> Vec<usize> {
    if all.len() <= count {
        return all.to_vec();
    }
    (0..count).map(|i| all[i * (all.len() - 1) / (count - 1)]).collect()
}

/// Frames (and times) whose places are measured.
fn key_frames(swing: &SwingRead) -> Vec<(usize, f64)> {
    let (track, moments, k) = (&swing.track, &swing.moments, swing.slowness);
    let mut chosen = spread(&swing.still, ADDRESS_FRAMES);
    let about = |time: f64| spread(&track.within(time - ABOUT_MOMENT * k, time + ABOUT_MOMENT * k), MOMENT_FRAMES);
    if let Some(top) = moments.top {
        let level = moments.lead_arm_level_back.map_or(top.time - 0.3 * k, |m| m.time);
        if let Some(takeaway) = moments.takeaway {
            chosen.extend(spread(&track.within(takeaway.time, level), EARLY_FRAMES));
        }
        chosen.extend(spread(&track.within(level, top.time), BACKSWING_FRAMES));
        chosen.extend(about(top.time));
    }
    if let Some(impact) = moments.impact {
        chosen.extend(about(impact.time));
    }
    chosen.sort_unstable();
    chosen.dedup();
    chosen.into_iter().map(|i| (track.frames[i], track.times[i])).collect()
}

fn arm_frames(swing: &SwingRead) -> Vec<usize> {
    let (Some(impact), Some(chest)) = (swing.moments.impact, swing.moments.chest_high_follow_through) else { return Vec::new() };
    let margin = 0.012 * swing.slowness;
    let inside = swing.track.within(impact.time - margin, chest.time + margin);
    spread(&inside, ARM_FRAMES).into_iter().map(|i| swing.track.frames[i]).collect()
}

/// Five looks at the arms: regions of 0.65 and 0.8 of the body's about the middle of the trunk, upright and turned with the
/// trunk, and one of 0.5 about the lead arm. (Mirrored looks and the body's own region brought nothing beside these.)
fn arm_looks(cut: &Cut, region: &Region, body: &Look, lead: Side, landmarker: &mut Landmarker) -> Result<Vec<Look>> {
    use Keypoint::*;
    let (hip, shoulder) = (body.mid(LeftHip, RightHip), body.mid(LeftShoulder, RightShoulder));
    let arm = middle(body.at(keypoint(Part::Shoulder, lead)), body.mid(LeftWrist, RightWrist));
    let trunk = middle(hip, shoulder);
    let tilt = (shoulder[0] - hip[0]).atan2(hip[1] - shoulder[1]);
    [(trunk, 0.65, 0.0), (trunk, 0.65, tilt), (trunk, 0.8, 0.0), (trunk, 0.8, tilt), (arm, 0.5, tilt)]
        .into_iter()
        .map(|(centre, scale, rotation)| cut.look(landmarker, &Region { rotation, ..region.moved(centre, scale) }))
        .collect()
}
