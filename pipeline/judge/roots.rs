//! Likely roots of a fault, each named only where its evidence is outside its error.

use super::verdicts::probability_over;
use crate::measure::Quantities;
use crate::report::types::*;
use crate::settings::Settings;
use std::collections::BTreeMap;

/// Evidence counts where the value is on the bad side with at least this probability.
const SURE: f64 = 0.80;
/// Of the four signs of a level set-up, this many must be sure.
const SIGNS_NEEDED: usize = 2;

/// A sign of a set-up without tilt: its metric, the words where it is positive, where it is negative, and after the number wanted.
struct Sign {
    name: &'static str,
    over: &'static str,
    under: &'static str,
    wanted: &'static str,
}

const LEVEL: [Sign; 4] = [
    Sign { name: "shoulder_tilt_address_deg", over: "trail shoulder lower by", under: "trail shoulder higher by", wanted: "lower" },
    Sign {
        name: "spine_tilt_address_deg",
        over: "trunk tilts away from the target by",
        under: "trunk tilts toward the target by",
        wanted: "away",
    },
    Sign {
        name: "head_behind_centre_address_cm",
        over: "head behind the middle of the stance by",
        under: "head ahead of the middle of the stance by",
        wanted: "behind",
    },
    Sign {
        name: "trail_knee_inside_address_cm",
        over: "trail knee inside the line from ankle to hip by",
        under: "trail knee outside the line from ankle to hip by",
        wanted: "inside",
    },
];

impl Sign {
    fn failed(&self, value: f64, limit: f64) -> String {
        let unit = if self.name.ends_with("_deg") { "°" } else { " cm" };
        let words = if value.round() < 0.0 { self.under } else { self.over };
        format!("{words} {:.0}{unit}, wanted at least {limit:.0}{unit} {}", value.round().abs(), self.wanted)
    }
}

/// Roots of the faults that were found.
pub fn roots(quantities: &Quantities, faults: &BTreeMap<FaultName, Fault>, settings: &Settings) -> Vec<Root> {
    let found = |f: FaultName| faults.get(&f).is_some_and(|f| matches!(f.verdict, Verdict::Flagged | Verdict::Borderline));
    let reading = |name: &str| quantities.get(name).and_then(|q| q.as_ref().ok());
    let under = |name: &'static str, limit: f64| {
        reading(name).is_some_and(|r| 1.0 - probability_over(r.value, r.sd, limit) >= SURE).then_some(name)
    };
    let over =
        |name: &'static str, limit: f64| reading(name).is_some_and(|r| probability_over(r.value, r.sd, limit) >= SURE).then_some(name);
    let s = &settings.setup;
    let mut all = Vec::new();
    if found(FaultName::Sway) {
        // only the signs that failed, each with its number and what is wanted
        let limits = [s.min_shoulder_tilt_deg, s.min_spine_tilt_deg, s.min_head_behind_cm, s.min_trail_knee_inside_cm];
        let failed: Vec<(&str, String)> = LEVEL
            .iter()
            .zip(limits)
            .filter_map(|(sign, l)| Some((sign.name, sign.failed(reading(under(sign.name, l)?)?.value, l))))
            .collect();
        if failed.len() >= SIGNS_NEEDED {
            let numbers: Vec<&str> = failed.iter().map(|f| f.1.as_str()).collect();
            all.push(Root {
                fault: FaultName::Sway,
                finding: Finding::SetupTooLevel,
                metrics: failed.iter().map(|f| f.0.to_string()).collect(),
                text: format!("a level set-up: {}", numbers.join("; ")),
                practice: "Common practice: at address stand with the trail shoulder a little lower, the pelvis slightly ahead, the head slightly behind the ball and the trail knee inside the line from ankle to hip; then slow backswings beside an upright stick at the outer edge of the trail foot, which the hip does not touch.".into(),
            });
        }
    }
    if found(FaultName::ChickenWing) {
        if let Some(name) = over("pelvis_shift_impact_cm", -s.min_pelvis_shift_impact_cm) {
            all.push(Root {
                fault: FaultName::ChickenWing,
                finding: Finding::HipsStall,
                metrics: vec![name.into()],
                text: {
                    let moved = -reading(name).map_or(0.0, |r| r.value.round());
                    let way = if moved < 0.0 { "away from" } else { "toward" };
                    format!(
                        "hips that stall: at impact {:.0} cm {way} the target from where they were at address, wanted at least {:.0} cm toward it",
                        moved.abs(),
                        s.min_pelvis_shift_impact_cm
                    )
                },
                practice: "Common practice: slow half swings that begin the way down with the pelvis moving toward the target, the chest following through.".into(),
            });
        }
        if let Some(name) = over("lead_elbow_separation_impact_cm", s.max_separation_impact_cm) {
            all.push(Root {
                fault: FaultName::ChickenWing,
                finding: Finding::SeparatedAtImpact,
                metrics: vec![name.into()],
                text: format!(
                    "an arm that leaves the trunk early: elbow {:.0} cm off the trunk's line at impact, wanted at most {:.0} cm",
                    reading(name).map_or(0.0, |r| r.value),
                    s.max_separation_impact_cm
                ),
                practice: "Common practice: a slow swing to a half follow-through, and stop: the lead elbow in front of the body, the arm long, the lead hand higher than the elbow.".into(),
            });
        }
    }
    if found(FaultName::EarlyExtension)
        && let Some(r) = under("spine_bend_change_impact_deg", -s.max_trunk_rise_deg).and_then(reading)
    {
        all.push(Root {
            fault: FaultName::EarlyExtension,
            finding: Finding::TrunkRises,
            metrics: vec!["spine_bend_change_impact_deg".into()],
            text: format!("the trunk has come up by {:.0}° at impact, at most {:.0} wanted", -r.value, s.max_trunk_rise_deg),
            practice: "Common practice: slow swings with the seat against a wall or a bag; it keeps touch, first with one side, then with the other, until after impact.".into(),
        });
    }
    all
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sign_says_its_number_its_side_and_what_is_wanted() {
        assert_eq!(LEVEL[0].failed(1.2, 4.0), "trail shoulder lower by 1°, wanted at least 4° lower");
        assert_eq!(LEVEL[2].failed(-1.8, 2.0), "head ahead of the middle of the stance by 2 cm, wanted at least 2 cm behind");
        assert_eq!(LEVEL[1].failed(-0.3, 3.0), "trunk tilts away from the target by 0°, wanted at least 3° away");
    }
}
