//! Which frames deserve the best model, once the measuring pass has told the moments, and what is done there.

use super::cuts::Cut;
use crate::error::Result;
use crate::pose::landmarker::Landmarker;
use crate::report::types::Side;
use crate::seen::Region;
use crate::seen::{Keypoint, Look};
use crate::swing::body::{keypoint, middle};
use crate::swing::{Moment, Part, SwingRead};

/// Frames with an outline: at address, and from lead arm level to the top.
const ADDRESS_FRAMES: usize = 5;
const BACKSWING_FRAMES: usize = 11;
/// Frames of the backswing before that, whose outline hands may cover.
const EARLY_FRAMES: usize = 5;
/// Frames about each moment: so many at most, within so many seconds (real time).
const TAKEAWAY_FRAMES: usize = 9;
const TAKEAWAY_REACH: [f64; 2] = [0.05, 0.28];
const TOP_FRAMES: usize = 7;
const TOP_REACH: f64 = 0.065;
const FAST_FRAMES: usize = 3;
const FAST_REACH: f64 = 0.036;
/// Frames between impact and chest high whose arms get several looks.
const ARM_FRAMES: usize = 7;

/// At most `count` of `all`, evenly spread, the first and last among them.
pub(super) fn spread(all: &[usize], count: usize) -> Vec<usize> {
    if all.len() <= count {
        return all.to_vec();
    }
    (0..count).map(|i| all[i * (all.len() - 1) / (count - 1)]).collect()
}

/// Frame numbers of the track's rows, each once, ascending.
fn numbers(swing: &SwingRead, mut rows: Vec<usize>) -> Vec<usize> {
    rows.sort_unstable();
    rows.dedup();
    rows.into_iter().map(|i| swing.track.frames[i]).collect()
}

/// Frames whose outline tells how far the hip goes.
pub fn outline_frames(swing: &SwingRead) -> Vec<usize> {
    let mut rows = spread(&swing.still, ADDRESS_FRAMES);
    if let (Some(top), Some(past)) = (swing.moments.top, swing.hands_past_hip()) {
        rows.extend(spread(&swing.track.within(past, top.time), BACKSWING_FRAMES));
    }
    numbers(swing, rows)
}

/// Frames about the moments, which the best model then tells to a part of a frame.
pub fn moment_frames(swing: &SwingRead) -> Vec<usize> {
    let (m, k) = (&swing.moments, swing.slowness);
    let about = |moment: Option<Moment>, [before, after]: [f64; 2], count: usize| {
        moment.map_or(Vec::new(), |m| spread(&swing.track.within(m.time - before * k, m.time + after * k), count))
    };
    let mut rows = about(m.takeaway, TAKEAWAY_REACH, TAKEAWAY_FRAMES);
    if let (Some(takeaway), Some(past)) = (m.takeaway, swing.hands_past_hip()) {
        rows.extend(spread(&swing.track.within(takeaway.time, past), EARLY_FRAMES));
    }
    rows.extend(about(m.top, [TOP_REACH; 2], TOP_FRAMES));
    for fast in [m.lead_arm_level_back, m.lead_arm_level_down, m.impact, m.half_follow_through, m.chest_high_follow_through] {
        rows.extend(about(fast, [FAST_REACH; 2], FAST_FRAMES));
    }
    numbers(swing, rows)
}

/// Frames whose arms get several looks.
pub fn arm_frames(swing: &SwingRead) -> Vec<usize> {
    let (Some(impact), Some(chest)) = (swing.moments.impact, swing.moments.chest_high_follow_through) else { return Vec::new() };
    let margin = 0.012 * swing.slowness;
    let inside = swing.track.within(impact.time - margin, chest.time + margin);
    spread(&inside, ARM_FRAMES).into_iter().map(|i| swing.track.frames[i]).collect()
}

/// Five looks at the arms: regions of 0.65 and 0.8 of the body's about the middle of the trunk, upright and turned with the
/// trunk, and one of 0.5 about the lead arm. (Mirrored looks and the body's own region brought nothing beside these.)
pub fn arm_looks(cut: &Cut, region: &Region, body: &Look, lead: Side, landmarker: &mut Landmarker) -> Result<Vec<Look>> {
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
