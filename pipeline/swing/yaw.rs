//! How far off square a face-on camera stands, from how the golfer looks at address.

use super::body::{Body, Part, keypoint};
use crate::seen::{Keypoint, Look};
use crate::track::signal::median;

/// Degrees, positive where the camera stands toward the golfer's lead side, with one standard deviation.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Yaw {
    pub to_lead_deg: f64,
    pub sd_deg: f64,
}

/// One line through four worlds of rendered golfers, each weighing the same: the shoulders' depth in the model's eyes (degrees),
/// and how far the nose stands ahead of the ears and the hands ahead of the hips (leg lengths, toward the target). A real head
/// turns more than those golfers' do: 6° of that were allowed for, which halves what the nose may say. Feet would tell more where
/// all are turned out alike, and mislead by 5° where they are not.
const BY_SHOULDERS: f64 = 0.136;
const BY_NOSE: f64 = -71.3;
const BY_HANDS: f64 = -24.4;
const USUAL: f64 = -0.3;
/// Root mean square error in the worst world left out of the fit: 3.5° (2.0, 3.0, 3.4 in the others).
const SD_DEG: f64 = 3.4;

/// The yaw from the scout's looks at address and the best looks' places at rest (rows of `body`'s track).
pub fn yaw(scout: &[&Look], body: &Body, rest: &[usize]) -> Yaw {
    use Keypoint::*;
    let of = |f: &dyn Fn(&Look) -> f64| median(&scout.iter().map(|l| f(l)).collect::<Vec<_>>());
    let (lead, trail) = (body.lead, body.lead.other());
    let nearer = |l: &Look| {
        let (a, b) = (l.points[keypoint(Part::Shoulder, lead) as usize], l.points[keypoint(Part::Shoulder, trail) as usize]);
        f64::from(b.z - a.z).atan2(f64::from((a.x - b.x).abs())).to_degrees()
    };
    let leg = of(&|l| {
        let (hip, ankle) = (l.mid(LeftHip, RightHip), l.mid(LeftAnkle, RightAnkle));
        (hip[0] - ankle[0]).hypot(hip[1] - ankle[1])
    });
    let hands = of(&|l| body.toward * (l.mid(LeftWrist, RightWrist)[0] - l.mid(LeftHip, RightHip)[0])) / leg.max(1.0);
    let still = |f: &dyn Fn(usize) -> f64| median(&rest.iter().map(|&i| f(i)).collect::<Vec<_>>());
    let own_leg = still(&|i| {
        let (hip, ankle) = (body.mid(i, Part::Hip), body.mid(i, Part::Ankle));
        (hip[0] - ankle[0]).hypot(hip[1] - ankle[1])
    });
    let nose = still(&|i| body.at(i, Nose)[0] - body.mid(i, Part::Ear)[0]) / own_leg.max(1.0);
    let told = USUAL + BY_SHOULDERS * of(&nearer) + BY_NOSE * nose + BY_HANDS * hands;
    Yaw { to_lead_deg: if told.is_finite() { told } else { 0.0 }, sd_deg: if told.is_finite() { SD_DEG } else { UNSEEN_SD_DEG } }
}

/// Where nothing tells: most cameras stand within 10° of square (common practice, no source).
const UNSEEN_SD_DEG: f64 = 6.0;

impl Yaw {
    /// The 95 % interval, degrees.
    pub fn interval(&self) -> (f64, f64) {
        (self.to_lead_deg - 1.96 * self.sd_deg, self.to_lead_deg + 1.96 * self.sd_deg)
    }
}
