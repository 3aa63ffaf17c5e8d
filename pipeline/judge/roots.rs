//! Likely roots of a fault, each named only where its evidence is outside its error.

use super::verdicts::probability_over;
use crate::measure::{Quantities, names};
use crate::report::types::*;
use crate::settings::Settings;
use std::collections::BTreeMap;

/// Evidence counts where the value is on the bad side with at least this probability.
const SURE: f64 = 0.80;
/// Of the four signs of a level set-up, this many must be sure.
const SIGNS_NEEDED: usize = 2;

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
        let four = ["shoulder_tilt_address_deg", "spine_tilt_address_deg", "head_behind_centre_address_cm", "trail_knee_inside_address_cm"];
        let limits = [s.min_shoulder_tilt_deg, s.min_spine_tilt_deg, s.min_head_behind_cm, s.min_trail_knee_inside_cm];
        // only the signs that failed, each with its number and what is wanted
        let failed: Vec<(&str, String)> = four
            .iter()
            .zip(limits)
            .filter_map(|(n, l)| {
                let r = reading(under(n, l)?)?;
                let metric = names::find(n)?;
                let unit = if metric.unit == "deg" { "°" } else { " cm" };
                Some((*n, format!("{} by {:.0}{unit}, at least {l:.0} wanted", metric.words, r.value)))
            })
            .collect();
        if failed.len() >= SIGNS_NEEDED {
            let numbers: Vec<&str> = failed.iter().map(|f| f.1.as_str()).collect();
            all.push(Root {
                fault: FaultName::Sway,
                finding: Finding::SetupTooLevel,
                metrics: failed.iter().map(|f| f.0.to_string()).collect(),
                text: format!("the set-up is symmetrical, without tilt ({})", numbers.join("; ")),
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
                text: "the hips have hardly moved toward the target by impact".into(),
                practice: "Common practice: slow half swings that begin the way down with the pelvis moving toward the target, the chest following through.".into(),
            });
        }
        if let Some(name) = over("lead_elbow_separation_impact_cm", s.max_separation_impact_cm) {
            all.push(Root {
                fault: FaultName::ChickenWing,
                finding: Finding::SeparatedAtImpact,
                metrics: vec![name.into()],
                text: "the lead elbow is already away from the trunk at impact".into(),
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
