//! A clip that the coach's own measurement decides.

use super::verdicts::{conclude, rests_on};
use super::{faults_with, roots};
use crate::intake::Brief;
use crate::measure::{Quantities, Reading, names};
use crate::report::types::*;
use crate::settings::Settings;
use std::collections::BTreeMap;

/// Lets these values by metric decide a report's main swing: they stand beside the program's, and the faults that rest on them go by
/// them alone, with the program's own verdict beside theirs.
pub fn decide(report: &mut Report, brief: &Brief, settings: &Settings, hand: BTreeMap<String, ByHand>) {
    let view = report.view.as_ref().map_or(ViewKind::Other, |v| v.kind);
    let Some(main) = report.swings.iter_mut().find(|s| s.main) else { return };
    for (name, value) in hand {
        match main.metrics.get_mut(&name) {
            Some(Metric::Value(m)) => m.by_hand = Some(value),
            Some(Metric::Missing { by_hand, .. }) => *by_hand = Some(value),
            None => {}
        }
    }
    let other = readings(main);
    for (name, fault) in faults_with(main, view, brief, settings, &other) {
        if let Some(is) = main.faults.get_mut(&name)
            && rests_on(name, brief, settings).any(|m| other.contains_key(m))
        {
            let by_program = ByProgram { verdict: is.verdict, probability: is.probability };
            *is = Fault { by_program: Some(by_program), ..fault };
        }
    }
    let own: Quantities = names::ALL.iter().filter_map(|n| Some((n.name, super::reading(main.metrics.get(n.name)?)))).collect();
    main.roots = roots::roots(&own, &main.faults, settings);
    conclude(report);
}

/// What the coach measured of a swing, as it is judged; nothing where that does not decide it.
pub fn readings(swing: &Swing) -> Quantities {
    let by_hand = |n: &names::MetricName| {
        let hand = swing.metrics.get(n.name)?.by_hand()?;
        let sd = (hand.high - hand.value) / 1.96;
        Some((n.name, Ok(Reading { value: hand.value, sd, frames: Vec::new(), from: From::Outline, built_in: None })))
    };
    names::ALL.iter().filter_map(by_hand).collect()
}
