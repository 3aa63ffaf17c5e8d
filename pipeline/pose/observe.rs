//! One clip's file → everything the models see of it: the scout pass, then the measuring pass, then closer looks at the
//! outline in the backswing and at the arms after impact.

use super::close::{Cut, look_closely, window_region};
use super::detector::Detector;
use super::landmarker::{Landmarker, environment};
use super::models::{ModelChoice, Models};
use super::region::Region;
use super::scout::scout;
use super::seen::{About, ArmLooks, Seen};
use crate::error::Result;
use crate::pose::keypoints::{Keypoint, Look};
use crate::report::{Reason, ReasonCode};
use crate::swing::{SwingRead, find_windows, read_swings};
use crate::video::{Footage, Probe};
use std::path::Path;
use std::time::Instant;

/// Frames with an outline: at address, on the way from lead arm level to the top, and just before the top.
const ADDRESS_OUTLINES: usize = 6;
const BACKSWING_OUTLINES: usize = 10;
const TOP_OUTLINES: usize = 5;
/// Seconds before the top (real time) that count as "just before".
const BEFORE_TOP: f64 = 0.12;
/// Frames between impact and chest high whose arms get several looks.
const ARM_FRAMES: usize = 14;

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
    let mut small = Landmarker::load(&environment, &models.checked("landmark_full")?)?;
    lap("load");
    let Some(mut footage) = Footage::open(path, probe)? else { return Ok(Err(ReasonCode::Unreadable.because("the decoder refuses it"))) };
    let chosen = scout(&mut footage, probe, &mut detector, &mut small)?;
    let decoded = footage.decoded();
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
    let windows = find_windows(&chosen.golfer);
    let mut seen = Seen { about, scout: chosen.golfer, body: Default::default(), camera: vec![], outlines: vec![], arms: vec![] };
    if windows.is_empty() {
        return Ok(Ok(Observed { seen, cuts: Vec::new(), timings }));
    }
    let [landmark, outline] = choice.files();
    let mut landmarker = match choice {
        ModelChoice::Fast => small,
        _ => Landmarker::load(&environment, &models.checked(landmark)?)?,
    };
    let Some(mut footage) = Footage::open(path, probe)? else { return Ok(Err(ReasonCode::Unreadable.reason())) };
    let close = look_closely(&mut footage, probe, &seen.scout, &windows, &mut landmarker, choice == ModelChoice::Exhaustive)?;
    drop(footage);
    seen.body = close.body;
    seen.camera = close.camera;
    lap("measure");
    let swings = read_swings(&seen, 175.0, None);
    let mut outliner = Landmarker::load(&environment, &models.checked(outline)?)?;
    for swing in &swings {
        let Some(region) = window_region(&seen.scout, &swing.window) else { continue };
        for cut in outline_frames(swing).iter().filter_map(|f| close.cuts.iter().find(|c| c.frame == *f)) {
            seen.outlines.push((cut.frame, cut.outline(&mut outliner, &region)?.as_kept()));
        }
    }
    drop(outliner);
    lap("outline");
    for swing in &swings {
        let Some(region) = window_region(&seen.scout, &swing.window) else { continue };
        for frame in arm_frames(swing) {
            let Some(cut) = close.cuts.iter().find(|c| c.frame == frame) else { continue };
            let Some(i) = seen.body.frames.iter().position(|f| *f == frame) else { continue };
            let body = seen.body.looks[i].clone();
            seen.arms.push(ArmLooks { frame, looks: arm_looks(cut, &region, body, &mut landmarker)? });
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

fn outline_frames(swing: &SwingRead) -> Vec<usize> {
    let track = &swing.track;
    let mut chosen = spread(&swing.still, ADDRESS_OUTLINES);
    if let Some(top) = swing.moments.top {
        let level = swing.moments.lead_arm_level_back.map_or(top.time - 0.3 * swing.slowness, |m| m.time);
        chosen.extend(spread(&track.within(level, top.time), BACKSWING_OUTLINES));
        chosen.extend(spread(&track.within(top.time - BEFORE_TOP * swing.slowness, top.time), TOP_OUTLINES));
    }
    chosen.sort_unstable();
    chosen.dedup();
    chosen.into_iter().map(|i| track.frames[i]).collect()
}

fn arm_frames(swing: &SwingRead) -> Vec<usize> {
    let (Some(impact), Some(chest)) = (swing.moments.impact, swing.moments.chest_high_follow_through) else { return Vec::new() };
    let margin = 0.012 * swing.slowness;
    let inside = swing.track.within(impact.time - margin, chest.time + margin);
    spread(&inside, ARM_FRAMES).into_iter().map(|i| swing.track.frames[i]).collect()
}

/// Seven looks at the arms: the body look itself, regions of 0.65 and 0.8 of the body's about the middle of the trunk,
/// turned with the trunk and upright, and two of them mirrored.
fn arm_looks(cut: &Cut, region: &Region, body: Look, landmarker: &mut Landmarker) -> Result<Vec<Look>> {
    let (hip, shoulder) = (body.mid(Keypoint::LeftHip, Keypoint::RightHip), body.mid(Keypoint::LeftShoulder, Keypoint::RightShoulder));
    let centre = [(hip[0] + shoulder[0]) / 2.0, (hip[1] + shoulder[1]) / 2.0];
    let tilt = (shoulder[0] - hip[0]).atan2(hip[1] - shoulder[1]);
    let view = |scale: f64, rotation: f64| Region { rotation, ..region.moved(centre, scale) };
    let mut looks = vec![body];
    for (scale, rotation, mirrored) in
        [(0.65, tilt, false), (0.65, 0.0, false), (0.8, tilt, false), (0.8, 0.0, false), (0.65, tilt, true), (0.8, 0.0, true)]
    {
        looks.push(cut.look(landmarker, &view(scale, rotation), mirrored)?);
    }
    Ok(looks)
}
