//! A track in golf's terms: lead and trail instead of left and right, x toward the target, y up.

use crate::report::types::Side;
use crate::seen::keypoints::{Keypoint, Look};
use crate::track::Track;

/// Parts that exist on both sides.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Part {
    Ear,
    Shoulder,
    Elbow,
    Wrist,
    Hip,
    Knee,
    Ankle,
    Heel,
    Toe,
}

/// A swing's track with its lead side. Places are pixels, x across the picture toward the target, y up, from the picture's upper left
/// corner.
#[derive(Debug, Clone, Copy)]
pub struct Body<'a> {
    pub track: &'a Track,
    pub lead: Side,
    /// +1 where the target is at the right of the picture, −1 at the left.
    pub toward: f64,
}

/// Keypoint of a part on a side.
pub fn keypoint(part: Part, side: Side) -> Keypoint {
    use Keypoint::*;
    let (left, right) = match part {
        Part::Ear => (LeftEar, RightEar),
        Part::Shoulder => (LeftShoulder, RightShoulder),
        Part::Elbow => (LeftElbow, RightElbow),
        Part::Wrist => (LeftWrist, RightWrist),
        Part::Hip => (LeftHip, RightHip),
        Part::Knee => (LeftKnee, RightKnee),
        Part::Ankle => (LeftAnkle, RightAnkle),
        Part::Heel => (LeftHeel, RightHeel),
        Part::Toe => (LeftFootIndex, RightFootIndex),
    };
    if side == Side::Left { left } else { right }
}

impl Side {
    /// The opposite side.
    pub fn other(self) -> Side {
        if self == Side::Left { Side::Right } else { Side::Left }
    }
}

impl<'a> Body<'a> {
    /// The lead side's keypoint.
    pub fn lead(&self, part: Part) -> Keypoint {
        keypoint(part, self.lead)
    }

    /// The trail side's keypoint.
    pub fn trail(&self, part: Part) -> Keypoint {
        keypoint(part, self.lead.other())
    }

    /// Picture place to golf's axes.
    pub fn turn(&self, p: [f64; 2]) -> [f64; 2] {
        [self.toward * p[0], -p[1]]
    }

    /// Inverse of [`Body::turn`].
    pub fn picture(&self, p: [f64; 2]) -> [f64; 2] {
        [self.toward * p[0], -p[1]]
    }

    /// Place of a keypoint in a frame of the track.
    pub fn at(&self, frame: usize, k: Keypoint) -> [f64; 2] {
        self.turn(self.track.at(frame, k))
    }

    /// Midpoint of a part's two sides.
    pub fn mid(&self, frame: usize, part: Part) -> [f64; 2] {
        middle(self.at(frame, self.lead(part)), self.at(frame, self.trail(part)))
    }

    /// The grip: midpoint of the wrists; where they are further apart than hands on one club can be (a third of the
    /// trunk), the wrist that is seen better.
    pub fn grip(&self, frame: usize) -> [f64; 2] {
        let (l, t) = (self.lead(Part::Wrist), self.trail(Part::Wrist));
        let (a, b) = (self.at(frame, l), self.at(frame, t));
        if distance(a, b) < 0.33 * self.track.trunk {
            return middle(a, b);
        }
        let v = |k: Keypoint| self.track.visibility[[frame, k as usize]];
        if v(l) >= v(t) { a } else { b }
    }

    /// Places over time of a function of the frame.
    pub fn over_time(&self, f: impl Fn(usize) -> f64) -> Vec<f64> {
        (0..self.track.len()).map(f).collect()
    }
}

/// Which way the target lies at address: +1 right of the picture, −1 left.
pub fn toward_target(looks: &[&Look], lead: Side) -> f64 {
    let d: f64 = looks
        .iter()
        .map(|l| {
            [Part::Shoulder, Part::Hip, Part::Ankle]
                .iter()
                .map(|&p| l.at(keypoint(p, lead))[0] - l.at(keypoint(p, lead.other()))[0])
                .sum::<f64>()
        })
        .sum();
    if d >= 0.0 { 1.0 } else { -1.0 }
}

/// Midpoint.
pub fn middle(a: [f64; 2], b: [f64; 2]) -> [f64; 2] {
    [(a[0] + b[0]) / 2.0, (a[1] + b[1]) / 2.0]
}

/// Distance.
pub fn distance(a: [f64; 2], b: [f64; 2]) -> f64 {
    (a[0] - b[0]).hypot(a[1] - b[1])
}

/// 180° minus the angle at `b` between `a` and `c`: 0 for a straight limb.
pub fn flexion_deg(a: [f64; 2], b: [f64; 2], c: [f64; 2]) -> f64 {
    let (u, v) = ([b[0] - a[0], b[1] - a[1]], [c[0] - b[0], c[1] - b[1]]);
    (u[0] * v[1] - u[1] * v[0]).atan2(u[0] * v[0] + u[1] * v[1]).abs().to_degrees()
}

/// Signed distance of `p` from the line `from`→`to`, positive to the left of the direction of travel in golf's axes
/// (for a line going down or out: on the target side, up).
pub fn signed_distance(p: [f64; 2], from: [f64; 2], to: [f64; 2]) -> f64 {
    let (u, e) = ([to[0] - from[0], to[1] - from[1]], [p[0] - from[0], p[1] - from[1]]);
    (u[0] * e[1] - u[1] * e[0]) / u[0].hypot(u[1]).max(1e-9)
}
