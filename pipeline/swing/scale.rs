//! Pixels to centimetres, from the body at address.

use super::body::{Body, Part, distance};
use crate::track::signal::median;

/// Thigh and shank as shares of stature, joint centre to joint centre (de Leva 1996, men: .2425, .2493).
pub const LEG_SHARE: f64 = 0.2425 + 0.2493;
/// The picture of a golfer's legs at address is shorter than the legs: knees bent, hips back. Set by hand;
/// with it the stance width of 53 rendered `calibrate` clips has a bias of -0.1 cm.
pub const LEG_FORESHORTENING: f64 = 0.90;

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
