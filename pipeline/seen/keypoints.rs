//! Names and order of the pose model's landmarks. Left and right are the person's own.

use serde::{Deserialize, Serialize};

/// Landmarks kept for each look: 33 body points and the model's two auxiliary points (region centre and scale).
pub const POINTS: usize = 35;
/// The body's own; the last two only say where to look next.
pub const BODY_POINTS: usize = 33;

/// One landmark: pixels of the upright picture (pixel centres at whole numbers); `z` pixels toward (negative) or away from
/// the camera against mid-hip, a rough guess of the model; `visibility` and `presence` 0..1.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct Point {
    pub x: f32,
    pub y: f32,
    pub z: f32,
    pub visibility: f32,
    pub presence: f32,
}

/// What one run of the landmark model saw: the model's own probability that a person is there, and `points` [keypoint].
#[derive(Debug, Clone, PartialEq)]
pub struct Look {
    pub flag: f32,
    pub points: [Point; POINTS],
}

impl Look {
    /// Place of a keypoint, pixels.
    pub fn at(&self, k: Keypoint) -> [f64; 2] {
        let p = self.points[k as usize];
        [f64::from(p.x), f64::from(p.y)]
    }

    /// Midpoint of two keypoints, pixels.
    pub fn mid(&self, a: Keypoint, b: Keypoint) -> [f64; 2] {
        let (a, b) = (self.at(a), self.at(b));
        [(a[0] + b[0]) / 2.0, (a[1] + b[1]) / 2.0]
    }

    /// The model's region for the next look at the same person.
    pub fn next_region(&self) -> super::Region {
        super::Region::from_body(self.at(Keypoint::RegionCentre), self.at(Keypoint::RegionScale))
    }

    /// The same look with left and right exchanged.
    pub fn with_sides_exchanged(&self) -> Look {
        let mut points = self.points;
        for (k, p) in points.iter_mut().enumerate() {
            *p = self.points[other_side(k)];
        }
        Look { flag: self.flag, points }
    }

    /// Length of the trunk (mid-hip to mid-shoulder), pixels.
    pub fn trunk(&self) -> f64 {
        let hip = self.mid(Keypoint::LeftHip, Keypoint::RightHip);
        let shoulder = self.mid(Keypoint::LeftShoulder, Keypoint::RightShoulder);
        (hip[0] - shoulder[0]).hypot(hip[1] - shoulder[1])
    }
}

macro_rules! keypoints {
    ($($name:ident $text:literal),* $(,)?) => {
        /// The model's landmarks in output order.
        #[derive(Debug, Clone, Copy, PartialEq, Eq)]
        #[repr(usize)]
        pub enum Keypoint { $($name),* }
        /// Names in the same order, snake case.
        pub const NAMES: [&str; POINTS] = [$($text),*];
    };
}

keypoints! {
    Nose "nose", LeftEyeInner "left_eye_inner", LeftEye "left_eye", LeftEyeOuter "left_eye_outer",
    RightEyeInner "right_eye_inner", RightEye "right_eye", RightEyeOuter "right_eye_outer",
    LeftEar "left_ear", RightEar "right_ear", MouthLeft "mouth_left", MouthRight "mouth_right",
    LeftShoulder "left_shoulder", RightShoulder "right_shoulder", LeftElbow "left_elbow", RightElbow "right_elbow",
    LeftWrist "left_wrist", RightWrist "right_wrist", LeftPinky "left_pinky", RightPinky "right_pinky",
    LeftIndex "left_index", RightIndex "right_index", LeftThumb "left_thumb", RightThumb "right_thumb",
    LeftHip "left_hip", RightHip "right_hip", LeftKnee "left_knee", RightKnee "right_knee",
    LeftAnkle "left_ankle", RightAnkle "right_ankle", LeftHeel "left_heel", RightHeel "right_heel",
    LeftFootIndex "left_foot_index", RightFootIndex "right_foot_index",
    RegionCentre "region_centre", RegionScale "region_scale",
}

/// Index of the same point on the other side of the body; the point itself where there is none.
pub fn other_side(k: usize) -> usize {
    match k {
        1..=3 => k + 3,
        4..=6 => k - 3,
        7 | 9 | 11 | 13 | 15 | 17 | 19 | 21 | 23 | 25 | 27 | 29 | 31 => k + 1,
        8 | 10 | 12 | 14 | 16 | 18 | 20 | 22 | 24 | 26 | 28 | 30 | 32 => k - 1,
        _ => k,
    }
}
