//! What changed against the student's own last clip of the same view, club class and side in front.

use super::{told, words};
use crate::history::golfers::lead_side;
use crate::history::statistics::{normal_quantile, student_quantile, theil_sen};
use crate::history::store::Stored;
use crate::history::trend::{ClubClass, TRACKED, Tracked, filmed, standard_error, value};
use crate::intake::date;
use crate::intake::names::UNASSIGNED;
use crate::report::Report;
use crate::report::types::{Side, ViewKind};
use std::collections::{BTreeMap, BTreeSet};

/// A tracked metric then and now.
#[derive(Debug, Clone, PartialEq)]
pub struct Change {
    pub metric: Tracked,
    pub before: f64,
    pub now: f64,
    pub unit: String,
    /// When the last clip was filmed, ISO 8601.
    pub when: String,
    /// That is the day of this clip too.
    pub same_day: bool,
    /// The least difference that is more than error and the golfer's own coming and going, in the metric's unit: of all
    /// tracked metrics together, one in twenty pairs of clips of an unchanged golfer shows more in any of them.
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
        // a slide that is none is no number
        let told = |v: f64| match words::number(v, d) {
            none if self.metric.metric.contains("_travel_") && none.chars().all(|c| matches!(c, '0' | '.')) => "none".into(),
            number => number,
        };
        let (before, now) = (told(self.before), told(self.now));
        let unit = if now == "none" { String::new() } else { unit };
        format!(
            "{}: {before} {}, now {now}{unit}: {}.",
            words::sentence(self.metric.words),
            if self.same_day { "in the clip before, of the same day".into() } else { format!("on {}", words::day(&self.when)) },
            self.judgement()
        )
    }
}

/// What the student's earlier clips say of one clip.
#[derive(Debug, Clone, Default)]
pub struct Past {
    /// Of every tracked metric against the newest earlier clip that has it.
    pub changes: Vec<Change>,
    /// Whether it is known to be the first of its view, kind of club and side in front.
    pub first: bool,
    /// Whether the student has clips of that view and kind of club with the other side in front.
    pub other_way: bool,
}

/// Clips that may be compared: owner, view, club class, side in front.
type Alike<'a> = (&'a str, ViewKind, ClubClass, Option<Side>);

/// The past of each result. Of which nobody knows when it was filmed has none, and is none to others.
pub fn pasts(all: &[&Stored]) -> Vec<Past> {
    let mut series: BTreeMap<Alike, Vec<(Option<jiff::Timestamp>, usize)>> = BTreeMap::new();
    for (i, s) in all.iter().enumerate().filter(|(_, s)| s.owner != UNASSIGNED) {
        if let Some(view) = &s.report.view {
            let when = filmed(&s.report).and_then(date::instant);
            let club = ClubClass::of(&s.report.clip);
            series.entry((&s.owner, view.kind, club, lead_side(&s.report))).or_default().push((when, i));
        }
    }
    let mut found = vec![Past::default(); all.len()];
    let keys: BTreeSet<Alike> = series.keys().copied().collect();
    for ((owner, view, club, lead), mut clips) in series {
        let other_way = lead.is_some_and(|l| keys.contains(&(owner, view, club, Some(l.other()))));
        // the undated come first: each of them may be earlier than any other
        clips.sort();
        for (place, &(when, i)) in clips.iter().enumerate() {
            let earlier: Vec<&Report> =
                clips[..place].iter().filter(|(w, _)| w.is_some() && *w < when).map(|(_, j)| &all[*j].report).collect();
            found[i] = Past {
                changes: TRACKED.iter().filter_map(|t| change(t, &earlier, &all[i].report)).collect(),
                first: clips.len() == 1 || when.is_some() && clips.iter().all(|(w, j)| *j == i || *w > when),
                other_way,
            };
        }
    }
    found
}

/// Earlier clips than these say too little of how far a golfer's swings lie apart.
const ENOUGH: usize = 6;

/// Against the newest of the `earlier` clips (oldest first) that has the metric.
fn change(metric: &Tracked, earlier: &[&Report], now: &Report) -> Option<Change> {
    let measured: Vec<_> = earlier.iter().filter_map(|r| Some((*r, value(r, metric.metric)?))).collect();
    let (before, a) = measured.last()?.clone();
    let b = value(now, metric.metric)?;
    // a swing differs from its day's, and the day from the golfer's, in each of the two
    let assumed = standard_error(&a).hypot(standard_error(&b)).hypot(2.0 * metric.natural);
    let values: Vec<f64> = measured.iter().map(|(_, m)| m.value).collect();
    let order: Vec<f64> = (0..values.len()).map(|i| i as f64).collect();
    let line = theil_sen(&order, &values, 0.95).filter(|_| values.len() >= ENOUGH);
    let freedom = values.len() as f64 - 2.0;
    let squares = line.map_or(0.0, |l| order.iter().zip(&values).map(|(t, v)| (v - l.at(*t)).powi(2)).sum::<f64>());
    let shown = (2.0 * squares / freedom.max(1.0)).sqrt();
    // one in twenty pairs of clips, over all the metrics (Bonferroni) and both directions
    let p = 1.0 - 0.05 / 2.0 / TRACKED.len() as f64;
    let of_own = if line.is_some() { student_quantile(p, freedom) * shown } else { 0.0 };
    let (factor, unit, _) = told::unit(now, metric.metric, &b.unit);
    Some(Change {
        metric: if factor == 1.0 { *metric } else { Tracked { digits: words::digits(&unit), ..*metric } },
        before: factor * a.value,
        now: factor * b.value,
        unit,
        same_day: filmed(before).and_then(date::local_day) == filmed(now).and_then(date::local_day),
        when: before.clip.captured.clone()?,
        error: factor * of_own.max(normal_quantile(p) * assumed),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_clip_before_is_told_by_its_day_and_one_of_the_same_day_as_such() {
        let change = |before: f64, same_day: bool| {
            let when = "2026-04-01T10:00:00".to_string();
            Change { metric: TRACKED[0], before, now: 5.2, unit: "cm".into(), when, same_day, error: 4.0 }.sentence()
        };
        assert_eq!(change(7.1, false), "Trail hip slide: 7.1 on 1 Apr 2026, now 5.2 cm: within the error.");
        assert_eq!(change(0.0, true), "Trail hip slide: none in the clip before, of the same day, now 5.2 cm: worse, beyond the error.");
    }
}
