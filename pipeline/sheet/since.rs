//! What changed against the student's own last clip of the same view and club class.

use super::words;
use crate::history::store::Stored;
use crate::history::trend::{ClubClass, TRACKED, Tracked, day_of, standard_error, value};
use crate::report::Report;
use crate::report::types::ViewKind;
use std::collections::BTreeMap;

/// A tracked metric then and now.
#[derive(Debug, Clone, PartialEq)]
pub struct Change {
    pub metric: Tracked,
    pub before: f64,
    pub now: f64,
    pub unit: String,
    /// When the last clip was filmed, ISO 8601.
    pub when: String,
    /// 1.96·√(se² + se²) of the two values, in the metric's unit.
    pub error: f64,
}

impl Change {
    /// Whether it is more than the error.
    pub fn is_beyond_error(&self) -> bool {
        (self.now - self.before).abs() > self.error
    }

    /// Worse, and more than the error.
    pub fn is_worse(&self) -> bool {
        self.metric.lower_is_better && self.now > self.before && self.is_beyond_error()
    }

    /// "within the error", "better, beyond the error"…
    pub fn judgement(&self) -> &'static str {
        match (self.is_beyond_error(), self.metric.lower_is_better, self.now < self.before) {
            (false, ..) => "within the error",
            (true, true, true) => "better, beyond the error",
            (true, true, false) => "worse, beyond the error",
            (true, false, _) => "changed, beyond the error",
        }
    }

    /// One sentence.
    pub fn sentence(&self) -> String {
        let d = self.metric.digits;
        let unit = if self.unit == "ratio" { String::new() } else { format!(" {}", self.unit) };
        format!(
            "{}: last time {} ({}), now {}{unit}: {}.",
            words::sentence(self.metric.words),
            words::number(self.before, d),
            words::day(&self.when),
            words::number(self.now, d),
            self.judgement()
        )
    }
}

/// Clips that may be compared: owner, view, club class.
type Alike<'a> = (&'a str, ViewKind, ClubClass);

/// For each result the changes of every tracked metric against the newest earlier one; empty for the first and the undated.
pub fn changes(all: &[&Stored]) -> Vec<Vec<Change>> {
    let mut series: BTreeMap<Alike, Vec<(f64, usize)>> = BTreeMap::new();
    for (i, s) in all.iter().enumerate() {
        if let (Some(view), Some(day)) = (&s.report.view, s.report.clip.captured.as_deref().and_then(day_of)) {
            series.entry((&s.owner, view.kind, ClubClass::of(s.report.clip.club.as_deref()))).or_default().push((day, i));
        }
    }
    let mut found = vec![Vec::new(); all.len()];
    for mut clips in series.into_values() {
        clips.sort_by(|a, b| a.0.total_cmp(&b.0));
        for (place, &(day, i)) in clips.iter().enumerate() {
            let earlier = || clips[..place].iter().rev().filter(|(d, _)| *d < day).map(|(_, j)| &all[*j].report);
            found[i] = TRACKED.iter().filter_map(|t| earlier().find_map(|before| change(t, before, &all[i].report))).collect();
        }
    }
    found
}

fn change(metric: &Tracked, before: &Report, now: &Report) -> Option<Change> {
    let (a, b) = (value(before, metric.metric)?, value(now, metric.metric)?);
    Some(Change {
        metric: *metric,
        before: a.value,
        now: b.value,
        unit: b.unit.clone(),
        when: before.clip.captured.clone()?,
        error: 1.96 * standard_error(a).hypot(standard_error(b)),
    })
}
