//! How many of the clips would be flagged, borderline or clear at other limits: from the values and intervals that the store has,
//! by the judging's own rules, so that a choice of limits can be looked at before it is made.

use super::golfers::lead_side;
use super::store::Stored;
use super::trend::{ClubClass, filmed, value};
use crate::judge::{Identity, verdicts_at};
use crate::report::Report;
use crate::report::types::{FaultName, Verdict};
use crate::settings::Settings;
use std::collections::{BTreeMap, BTreeSet};

/// What a fault's verdicts come to.
#[derive(Debug, Clone, Default, PartialEq, Eq, serde::Serialize)]
pub struct Count {
    pub flagged: usize,
    pub borderline: usize,
    pub clear: usize,
    pub cannot_measure: usize,
    /// With a flagged clip.
    pub students_flagged: usize,
    /// With a clip that was measured.
    pub students: usize,
}

/// The verdicts on these clips at these limits, by fault. Faults that no clip's view shows are left out.
pub fn at(clips: &[(Stored, Identity)], settings: &Settings) -> BTreeMap<FaultName, Count> {
    let mut all: BTreeMap<FaultName, Count> = BTreeMap::new();
    let mut students: BTreeMap<(FaultName, bool), BTreeSet<&str>> = BTreeMap::new();
    for (stored, identity) in clips {
        for (name, fault) in verdicts_at(&stored.report, &identity.brief, settings) {
            let count = all.entry(name).or_default();
            match fault.verdict {
                Verdict::Flagged => count.flagged += 1,
                Verdict::Borderline => count.borderline += 1,
                Verdict::Clear => count.clear += 1,
                Verdict::CannotMeasure => count.cannot_measure += 1,
            }
            if fault.verdict != Verdict::CannotMeasure {
                students.entry((name, false)).or_default().insert(&stored.owner);
            }
            if fault.verdict == Verdict::Flagged {
                students.entry((name, true)).or_default().insert(&stored.owner);
            }
        }
    }
    for (name, count) in &mut all {
        let of = |flagged| students.get(&(*name, flagged)).map_or(0, BTreeSet::len);
        (count.students_flagged, count.students) = (of(true), of(false));
    }
    all
}

/// Limits that let a fault be so many times as large. The hip's edge, which is held against the foot's, may go as much further as
/// the hip's slide.
pub fn scaled(settings: &Settings, factor: f64) -> Settings {
    let mut other = settings.clone();
    let l = &mut other.limits;
    l.hip_edge_inside_foot_cm -= (factor - 1.0) * l.trail_hip_travel_cm;
    for limit in [
        &mut l.trail_hip_travel_cm,
        &mut l.trail_hip_travel_pct_stance,
        &mut l.pelvis_travel_cm,
        &mut l.lead_elbow_bow_late_upper_arms,
        &mut l.head_lateral_cm,
        &mut l.head_vertical_cm,
        &mut l.pelvis_toward_ball_cm,
    ] {
        *limit *= factor;
    }
    other
}

/// Where a value stands among others, percent: half of those equal to it count as below. With the places of the ends of its
/// interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Standing {
    pub percent: f64,
    pub low: f64,
    pub high: f64,
    pub of: usize,
}

/// Fewer students are no company.
const COMPANY: usize = 5;

/// Where a clip's metric stands among the coach's students: of each the newest clip of the same view, kind of club and side in front,
/// the clip's own student with this clip. `None` where it was not measured, or where there are fewer than five students.
pub fn standing(all: &[Stored], owner: &str, clip: &Report, metric: &str) -> Option<Standing> {
    let class = |r: &Report| (r.view.as_ref().map(|v| v.kind), ClubClass::of(&r.clip), lead_side(r));
    let own = value(clip, metric)?;
    let mut newest: BTreeMap<&str, &Report> = BTreeMap::new();
    for s in all.iter().filter(|s| s.owner != owner && class(&s.report) == class(clip) && value(&s.report, metric).is_some()) {
        let kept = newest.entry(&s.owner).or_insert(&s.report);
        if filmed(&s.report) > filmed(kept) {
            *kept = &s.report;
        }
    }
    let values: Vec<f64> = newest.values().filter_map(|r| Some(value(r, metric)?.value)).chain([own.value]).collect();
    let place = |v: f64| {
        let below = values.iter().filter(|o| **o < v).count() as f64;
        let equal = values.iter().filter(|o| **o == v).count() as f64;
        100.0 * (below + equal / 2.0) / values.len() as f64
    };
    (values.len() >= COMPANY).then(|| Standing { percent: place(own.value), low: place(own.low), high: place(own.high), of: values.len() })
}
