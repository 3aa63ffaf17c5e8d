//! Where the camera stands and which side leads, from how the golfer looks at address and which way the hands go.

use crate::pose::keypoints::{Keypoint, Look};
use crate::report::types::{Side, ViewKind};
use crate::track::signal::median;

/// View of a swing.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ViewSeen {
    pub kind: ViewKind,
    pub confidence: f64,
    /// About how far the camera is off square, degrees.
    pub off_square_deg: f64,
}

/// Shoulder width ÷ trunk length in the picture of a golfer at address seen square from the front: about
/// 0.224..0.259 of stature (checks F1, F3 of the published proportions) over a trunk of 0.29 bent forward by 35°.
const SQUARE_RATIO: f64 = 0.88;

/// Judges the view from looks at address (or, where there are none, from any looks).
pub fn view(looks: &[&Look]) -> ViewSeen {
    let ratio = |a, b| median(&looks.iter().map(|l| (l.at(a)[0] - l.at(b)[0]).abs() / l.trunk().max(1.0)).collect::<Vec<_>>());
    let shoulders = ratio(Keypoint::LeftShoulder, Keypoint::RightShoulder);
    let hips = ratio(Keypoint::LeftHip, Keypoint::RightHip);
    let share = (shoulders / SQUARE_RATIO).clamp(0.0, 1.0);
    let angle = share.acos().to_degrees();
    let faces = faces_camera(looks);
    let (kind, margin) = if angle < 35.0 && hips > 0.22 && faces {
        (ViewKind::FaceOn, (35.0 - angle) / 35.0)
    } else if angle > 55.0 {
        (ViewKind::DownTheLine, (angle - 55.0) / 35.0)
    } else {
        (ViewKind::Other, 0.5)
    };
    ViewSeen { kind, confidence: (0.5 + margin).clamp(0.0, 1.0), off_square_deg: angle }
}

/// The person's left side is at the right of the picture.
fn faces_camera(looks: &[&Look]) -> bool {
    left_minus_right(looks) > 0.0
}

fn left_minus_right(looks: &[&Look]) -> f64 {
    median(
        &looks
            .iter()
            .map(|l| {
                let d = |a, b| l.at(a)[0] - l.at(b)[0];
                d(Keypoint::LeftShoulder, Keypoint::RightShoulder) + d(Keypoint::LeftHip, Keypoint::RightHip)
            })
            .collect::<Vec<_>>(),
    )
}

/// The lead side by the motion. Face-on: the side away from which the hands go in the backswing (`hands_go`, signed
/// picture x). Down the line, with the camera behind the hands: a right-handed golfer faces the right of the picture.
pub fn lead_side(kind: ViewKind, address: &[&Look], hands_go: f64) -> Side {
    match kind {
        ViewKind::DownTheLine => {
            let facing = median(
                &address
                    .iter()
                    .map(|l| {
                        let toes = l.mid(Keypoint::LeftFootIndex, Keypoint::RightFootIndex)[0];
                        let heels = l.mid(Keypoint::LeftHeel, Keypoint::RightHeel)[0];
                        let hands = l.mid(Keypoint::LeftWrist, Keypoint::RightWrist)[0];
                        let hips = l.mid(Keypoint::LeftHip, Keypoint::RightHip)[0];
                        (toes - heels) + (hands - hips)
                    })
                    .collect::<Vec<_>>(),
            );
            if facing >= 0.0 { Side::Left } else { Side::Right }
        }
        _ => {
            let left_is_right_of = left_minus_right(address) > 0.0;
            // hands going toward the picture's left are going toward the right side of a golfer who faces the camera
            let toward_left_side = (hands_go > 0.0) == left_is_right_of;
            if toward_left_side { Side::Right } else { Side::Left }
        }
    }
}
