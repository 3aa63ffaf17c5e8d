//! One JSON file a picture, 25 body points.
//!
//! Source: OpenPose documentation, "Output" (doc/02_output.md), sections "JSON Output Format" and "Keypoint Ordering in
//! C++/Python" (BODY_25): pose_keypoints_2d is x, y, confidence of each point in pixels of the picture; a point that was not
//! found is 0, 0, 0.

use super::{Source, each, point, rounded};
use crate::seen::Seen;
use crate::seen::keypoints::{Keypoint as K, Look};
use serde_json::json;
use std::collections::BTreeMap;

/// Neck and middle of the hips are midpoints of ours; our model has no small toe.
const BODY_25: [Source; 25] = [
    Source::One(K::Nose),
    Source::Middle(K::LeftShoulder, K::RightShoulder),
    Source::One(K::RightShoulder),
    Source::One(K::RightElbow),
    Source::One(K::RightWrist),
    Source::One(K::LeftShoulder),
    Source::One(K::LeftElbow),
    Source::One(K::LeftWrist),
    Source::Middle(K::LeftHip, K::RightHip),
    Source::One(K::RightHip),
    Source::One(K::RightKnee),
    Source::One(K::RightAnkle),
    Source::One(K::LeftHip),
    Source::One(K::LeftKnee),
    Source::One(K::LeftAnkle),
    Source::One(K::RightEye),
    Source::One(K::LeftEye),
    Source::One(K::RightEar),
    Source::One(K::LeftEar),
    Source::One(K::LeftFootIndex),
    Source::None,
    Source::One(K::LeftHeel),
    Source::One(K::RightFootIndex),
    Source::None,
    Source::One(K::RightHeel),
];

/// Frame and document of every picture from the first to the last of the measuring pass. Readers take the files for consecutive
/// pictures: one that was not looked at has its file too, with nobody in it, as the format has it for a picture in which nobody
/// was found.
pub fn frames(seen: &Seen) -> Vec<(usize, String)> {
    let looks: BTreeMap<usize, &Look> = each(&seen.body).map(|(frame, _, look)| (frame, look)).collect();
    let (Some((first, _)), Some((last, _))) = (looks.first_key_value(), looks.last_key_value()) else { return Vec::new() };
    (*first..=*last).map(|frame| (frame, looks.get(&frame).map_or_else(nobody, |look| document(look)))).collect()
}

fn nobody() -> String {
    json!({ "version": 1.3, "people": [] }).to_string()
}

fn document(look: &Look) -> String {
    let points: Vec<f64> =
        BODY_25.iter().flat_map(|source| point(look, *source).map_or([0.0; 3], |(p, sure)| [p[0], p[1], sure].map(rounded))).collect();
    let none: [f64; 0] = [];
    let person = json!({
        "person_id": [-1],
        "pose_keypoints_2d": points,
        "face_keypoints_2d": none,
        "hand_left_keypoints_2d": none,
        "hand_right_keypoints_2d": none,
        "pose_keypoints_3d": none,
        "face_keypoints_3d": none,
        "hand_left_keypoints_3d": none,
        "hand_right_keypoints_3d": none,
    });
    json!({ "version": 1.3, "people": [person] }).to_string()
}
