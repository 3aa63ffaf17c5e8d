//! Pixels to centimetres, from the body at address.

use super::body::{Body, Part, distance};
use crate::track::signal::median;

/// Thigh and shank as shares of stature, joint centre to joint centre (de Leva 1996, men: .2425, .2493).
pub const LEG_SHARE: f64 = 0.2425 + 0.2493;
/// The picture of a golfer's legs at address is shorter than the legs: knees bent, hips back. Set by hand;
/// with it the stance width of 53 rendered `calibrate` clips has a bias of -0.1 cm.
pub const LEG_FORESHORTENING: f64 = 0.90;

/// Shoulder to elbow as a share of stature, joint centre to joint centre (de Leva 1996, men: .162; from memory).
const ARM_SHARE: f64 = 0.162;

/// The golfer's upper arm, cm, by the stature by which all lengths are scaled. What single clips show of it would differ from clip to
/// clip of one golfer (kept clips of the demo: 21 to 31 cm at impact, 22 to 31 by the elbow's distance in both units), and an arm does
/// not grow between two swings.
pub fn upper_arm_cm(stature_cm: f64) -> f64 {
    ARM_SHARE * stature_cm
}

/// Length of hip–knee–ankle in the picture over the still frames, mean of both legs, pixels.
pub fn leg_px(body: &Body, still: &[usize]) -> f64 {
    let leg = |i: usize, lead: bool| {
        let k = |p| if lead { body.lead(p) } else { body.trail(p) };
        let (hip, knee, ankle) = (body.at(i, k(Part::Hip)), body.at(i, k(Part::Knee)), body.at(i, k(Part::Ankle)));
        distance(hip, knee) + distance(knee, ankle)
    };
    median(&still.iter().map(|&i| (leg(i, true) + leg(i, false)) / 2.0).collect::<Vec<_>>())
}

/// Centimetres for one pixel, from the legs at address and the stature.
pub fn cm_per_px(body: &Body, still: &[usize], stature_cm: f64) -> f64 {
    stature_cm * LEG_SHARE * LEG_FORESHORTENING / leg_px(body, still).max(1.0)
}
