//! What a student's last swings say together, where none of them says it alone.

use super::limits::{self, Bad};
use super::{told, words};
use crate::history::store::Stored;
use crate::history::trend::{ClubClass, filmed};
use crate::intake::date;
use crate::intake::names::UNASSIGNED;
use crate::judge::probability_over;
use crate::report::Report;
use crate::report::types::{Fault, FaultName, Measured, SwingKind, Verdict};
use crate::settings::VerdictBands;
use std::collections::BTreeMap;

/// So many clips of one view and kind of club count, the newest among them.
const CLIPS: usize = 3;
/// How much the errors of two readings of one golfer go together: the body that is misread once is misread again. By four rendered
/// golfers filmed two or three times (`make-clips --split again`; intraclass correlation): bow .85, hip .80, head .44, pelvis .45.
const ALIKE: f64 = 0.75;

/// Faults with the quantity that is looked at together.
const FAULTS: [(FaultName, &str); 4] = [
    (FaultName::Sway, "trail_hip_travel_cm"),
    (FaultName::ChickenWing, super::told::BOW),
    (FaultName::HeadDrift, "head_lateral_max_back_cm"),
    (FaultName::EarlyExtension, "pelvis_toward_ball_impact_cm"),
];

/// Of every clip, what it and those before it say together of a fault that is borderline in it and flagged in none of them.
pub fn together(all: &[&Stored]) -> Vec<Vec<String>> {
    let mut comparable: BTreeMap<_, Vec<usize>> = BTreeMap::new();
    for (i, s) in all.iter().enumerate().filter(|(_, s)| s.owner != UNASSIGNED && s.report.usable) {
        let (Some(view), Some(golfer)) = (&s.report.view, &s.report.golfer) else { continue };
        comparable.entry((&s.owner, view.kind, golfer.lead_side, ClubClass::of(&s.report.clip))).or_default().push(i);
    }
    let mut found = vec![Vec::new(); all.len()];
    for mut clips in comparable.into_values() {
        clips.sort_by_cached_key(|&i| (filmed(&all[i].report).and_then(date::instant), all[i].report.clip.id.clone()));
        for newest in 0..clips.len() {
            let last: Vec<&Report> = clips[..=newest].iter().rev().take(CLIPS).map(|&i| &all[i].report).collect();
            found[clips[newest]] = FAULTS.iter().filter_map(|&(fault, metric)| one(&last, fault, metric)).collect();
        }
    }
    found
}

/// The newest clip comes first.
fn one(last: &[&Report], fault: FaultName, metric: &str) -> Option<String> {
    let verdict = |r: &Report| r.swings.iter().find(|s| s.main).and_then(|m| m.faults.get(&fault)).map(|f| f.verdict);
    if verdict(last[0]) != Some(Verdict::Borderline) || last.iter().any(|r| verdict(r) == Some(Verdict::Flagged)) {
        return None;
    }
    let limit = limits::limit(last[0], metric).filter(|l| l.bad == Bad::Over)?;
    if last.iter().any(|r| limits::limit(r, metric).map(|l| l.value) != Some(limit.value)) {
        return None;
    }
    let readings: Vec<&Measured> = last
        .iter()
        .flat_map(|r| &r.swings)
        .filter(|s| s.main || s.kind == SwingKind::Full)
        .filter_map(|s| s.metrics.get(metric)?.measured())
        .collect();
    let (value, sd) = mean(&readings)?;
    let probability = probability_over(value, sd, limit.value);
    if probability < bands(last[0]).flagged_probability {
        return None;
    }
    let (factor, unit, digits) = told::unit(last[0], metric, &readings[0].unit);
    let number = |v: f64| words::number(v * factor, digits);
    let as_found = Fault {
        verdict: Verdict::Flagged,
        probability: Some(probability),
        drivers: Vec::new(),
        text: String::new(),
        why: None,
        by_program: None,
    };
    Some(format!(
        "Together with {}: {} {} ({} {} {unit}, {} to {}; limit {}). No clip alone says so.",
        if last.len() > 1 { format!("the {} before it", words::count(last.len() - 1, "clip", "clips")) } else { "its other swings".into() },
        fault.words(),
        as_found.in_words(),
        words::metric(metric),
        number(value),
        number(value - 1.96 * sd),
        number(value + 1.96 * sd),
        number(limit.value),
    ))
}

/// Mean of at least two readings and its standard error, their errors going together by [`ALIKE`].
fn mean(readings: &[&Measured]) -> Option<(f64, f64)> {
    let n = readings.len() as f64;
    if readings.len() < 2 {
        return None;
    }
    let of = |f: &dyn Fn(&Measured) -> f64| readings.iter().map(|r| f(r)).sum::<f64>() / n;
    // an interval that ends at 0 tells its width upward
    let variance = of(&|m| ((m.high - m.value) / 1.96).powi(2));
    Some((of(&|m| m.value), (variance * (ALIKE + (1.0 - ALIKE) / n)).sqrt()))
}

/// From where on the report's settings flag; the usual ones where it does not say.
fn bands(report: &Report) -> VerdictBands {
    let carried = report.provenance.iter().find(|s| s.step == "verdict");
    let usual = || crate::settings::Settings::default().verdict;
    carried.and_then(|s| serde_json::from_value(s.parameters.clone()).ok()).unwrap_or_else(usual)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::types::From;

    #[test]
    fn errors_that_go_together_are_never_averaged_away() {
        let m = |value: f64| Measured {
            value,
            low: value - 1.96,
            high: value + 1.96,
            unit: "cm".into(),
            frames: Vec::new(),
            from: From::KeyPoint,
            built_in: None,
            by_hand: None,
        };
        let (three, many) = (vec![m(5.0), m(6.0), m(7.0)], vec![m(6.0); 1000]);
        let of = |all: &[Measured]| mean(&all.iter().collect::<Vec<_>>());
        // by hand: the variance of a mean of n with correlation r is r + (1 - r) / n of one's
        let (value, sd) = of(&three).unwrap();
        assert!((value - 6.0).abs() < 1e-9 && (sd - (0.75f64 + 0.25 / 3.0).sqrt()).abs() < 1e-9, "{sd}");
        assert!((of(&many).unwrap().1 - 0.75f64.sqrt()).abs() < 1e-3);
        assert!(of(&three[..1]).is_none());
    }
}
