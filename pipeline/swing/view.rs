//! Where the camera stands and which side leads, from how the golfer looks at address and which way the hands go.

use crate::report::types::{Side, ViewKind};
use crate::seen::keypoints::{Keypoint, Look};
use crate::track::signal::median;

/// View of a swing.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ViewSeen {
    pub kind: ViewKind,
    pub confidence: f64,
    /// How far off square the camera stands by the shoulders' width alone, degrees, positive toward the golfer's left: coarse, and
    /// nothing near square (see [`super::yaw`]).
    pub off_square_deg: f64,
    /// The model took the golfer's front for the back: left and right are exchanged throughout.
    pub sides_exchanged: bool,
}

/// Shoulder width ÷ leg length (hip to ankle) in the picture of a golfer at address: 0.32–0.50 within 12° of square on
/// rendered golfers, under 0.03 down the line.
const SQUARE_SHOULDERS: f64 = 0.45;
const FACE_ON_SHOULDERS: f64 = 0.28;
const DOWN_THE_LINE_SHOULDERS: f64 = 0.15;
/// Judges the view from looks at address (or, where there are none, from any looks).
pub fn view(looks: &[&Look]) -> ViewSeen {
    use Keypoint::*;
    let of = |f: &dyn Fn(&Look) -> f64| median(&looks.iter().map(|l| f(l)).collect::<Vec<_>>());
    let leg = of(&|l| {
        let (hip, ankle) = (l.mid(LeftHip, RightHip), l.mid(LeftAnkle, RightAnkle));
        (hip[0] - ankle[0]).hypot(hip[1] - ankle[1])
    });
    let shoulders = of(&|l| l.at(LeftShoulder)[0] - l.at(RightShoulder)[0]) / leg.max(1.0);
    let width = shoulders.abs();
    let depth_yaw = |a: Keypoint, b: Keypoint| {
        of(&|l| {
            let (p, q) = (l.points[a as usize], l.points[b as usize]);
            f64::from(p.z - q.z).atan2(f64::from((p.x - q.x).abs())).to_degrees()
        })
    };
    let turned = (depth_yaw(LeftShoulder, RightShoulder) + depth_yaw(LeftHip, RightHip)) / 2.0;
    let by_width = (width / SQUARE_SHOULDERS).min(1.0).acos().to_degrees();
    let (kind, margin) = if width >= FACE_ON_SHOULDERS {
        (ViewKind::FaceOn, (width - FACE_ON_SHOULDERS) / (SQUARE_SHOULDERS - FACE_ON_SHOULDERS))
    } else if width <= DOWN_THE_LINE_SHOULDERS {
        (ViewKind::DownTheLine, (DOWN_THE_LINE_SHOULDERS - width) / DOWN_THE_LINE_SHOULDERS)
    } else {
        (ViewKind::Other, 0.5)
    };
    ViewSeen {
        kind,
        confidence: (0.5 + 0.5 * margin).clamp(0.0, 1.0),
        off_square_deg: by_width.copysign(-turned),
        sides_exchanged: kind == ViewKind::FaceOn && shoulders < 0.0,
    }
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
