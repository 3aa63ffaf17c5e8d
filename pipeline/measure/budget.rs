//! The error budget: what each metric's reading is known to be off by, and how much is left. `budget.toml` says where the
//! figures come from; its version goes into the report's provenance.

use crate::report::types::From;
use crate::settings::Own;
use serde::Deserialize;
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::sync::OnceLock;

const BUDGET: &str = include_str!("budget.toml");

/// One metric's error: reading ≈ `gain` × true + `bias` − `depth` × sin(camera's yaw toward the lead side), with standard deviation
/// `sd` left, so wide that 1.96 of it hold 95 % of readings in a world that nothing was fitted in. `depth`: by how much what is
/// measured lies nearer the camera than what it is measured against (cm of a length; of an angle, degrees a radian), as the
/// model places the points.
#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Entry {
    #[serde(default)]
    pub bias: f64,
    #[serde(default = "one")]
    pub gain: f64,
    #[serde(default)]
    pub depth: f64,
    pub sd: f64,
    /// Standard deviation of the worlds' own biases about what is taken off: what another kind of footage may be off by on average.
    #[serde(default)]
    pub between: f64,
}

/// Metrics that are another one told otherwise: theirs is its error.
const FORMS: [(&str, &str); 1] = [("trail_hip_move_at_furthest_cm", "trail_hip_travel_cm")];

fn yes() -> bool {
    true
}

fn one() -> f64 {
    1.0
}

/// sha256 of all that judges in this program: sources of everything from what was seen to the report, the built-in budget among
/// them; of the budget that takes its place, if one does; and of what the coach adopted, if anything.
pub fn judging_sha256(own: &Own) -> String {
    let built = env!("JUDGING_SHA256").to_string();
    let others = [Budget::elsewhere(), (!own.is_empty()).then(|| own.sha256())];
    others.into_iter().flatten().fold(built, |hash, other| crate::pose::models::hex(&Sha256::digest([hash, other].concat())))
}

/// The whole budget.
#[derive(Debug, Clone, PartialEq, Deserialize)]
pub struct Budget {
    pub version: String,
    /// False only while the key points' own error is fitted.
    #[serde(default = "yes")]
    pub use_outline: bool,
    /// By metric name; `<name>.key_point` where the entry holds for that source only.
    metric: BTreeMap<String, Entry>,
}

impl Budget {
    /// The budget in force: the one built into the program, or the file that `DAWNSHEET_BUDGET` names (for
    /// `scripts/calibrate`, which needs readings as they are).
    pub fn in_force() -> &'static Budget {
        static BUDGET_IN_FORCE: OnceLock<Budget> = OnceLock::new();
        BUDGET_IN_FORCE.get_or_init(|| {
            let other = Budget::elsewhere().and_then(|text| toml::from_str(&text).ok());
            other.unwrap_or_else(|| toml::from_str(BUDGET).expect("invariant: the built-in budget parses (a test reads it)"))
        })
    }

    /// Text of the budget that stands in place of the built-in one.
    fn elsewhere() -> Option<String> {
        std::env::var_os("DAWNSHEET_BUDGET").and_then(|p| std::fs::read_to_string(p).ok())
    }

    /// Error of a metric read from a source. Every metric has an entry (a test checks it), or that of the one it is a form of.
    pub fn of(&self, name: &str, from: From) -> Entry {
        let name = FORMS.iter().find(|f| f.0 == name).map_or(name, |f| f.1);
        let special = (from == From::KeyPoint).then(|| self.metric.get(&format!("{name}.key_point"))).flatten();
        special.or_else(|| self.metric.get(name)).copied().unwrap_or(Entry {
            bias: 0.0,
            gain: 1.0,
            depth: 0.0,
            sd: f64::INFINITY,
            between: 0.0,
        })
    }
}

impl Entry {
    /// What stands nearer the camera is shifted whoever reads it; bias and gain are those of who read.
    pub fn of_another_reader(self) -> Entry {
        Entry { bias: 0.0, gain: 1.0, ..self }
    }

    /// The reading with its known error taken off; `yaw` of the camera toward the lead side, radians.
    pub fn correct(&self, reading: f64, yaw: f64) -> f64 {
        (reading - self.bias + self.depth * yaw.sin()) / self.gain
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Worked by hand: a head 45 cm in front of the ankles is shifted by 45 · sin 8° = 6.26 cm away from the target where the camera
    /// stands 8° toward the lead side; the correction brings it back.
    #[test]
    fn what_lies_nearer_a_camera_on_the_lead_side_looks_further_from_the_target() {
        let head = Entry { bias: 0.0, gain: 1.0, depth: -45.0, sd: 1.0, between: 0.0 };
        assert!((head.correct(2.0 + 6.263, 8f64.to_radians()) - 2.0).abs() < 0.001);
        // the built-in depths have that sign: head, shoulders and bent trunk lie in front of what they are measured against
        for name in ["head_behind_centre_address_cm", "spine_tilt_address_deg", "hip_edge_inside_foot_cm"] {
            assert!(Budget::in_force().of(name, From::Outline).depth < -5.0, "{name}");
        }
    }

    #[test]
    fn every_metric_has_an_error() {
        let budget = Budget::in_force();
        for m in crate::measure::names::ALL {
            for from in [From::KeyPoint, From::Outline] {
                let e = budget.of(m.name, from);
                assert!(e.sd.is_finite() && e.sd > 0.0 && e.gain > 0.5, "{}", m.name);
            }
        }
    }
}
