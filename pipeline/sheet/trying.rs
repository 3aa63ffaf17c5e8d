//! What other limits would flag, as command and desk tell it.

use super::words;
use crate::error::Result;
use crate::history::Store;
use crate::history::at_limits::{self, Count};
use crate::history::store::Stored;
use crate::history::trend::{ClubClass, filmed, view_words};
use crate::intake::date;
use crate::judge::Identity;
use crate::measure::budget::judging_sha256;
use crate::report::printable;
use crate::report::types::FaultName;
use crate::settings::Settings;
use std::collections::BTreeMap;

/// Of today's limits.
const TIMES: [f64; 6] = [0.6, 0.8, 1.0, 1.25, 1.5, 2.0];

/// Days of which clips are counted, unless others are asked for.
pub const DAYS: u16 = 30;

/// The quantity by which a clip is placed among others.
fn leading(fault: FaultName) -> &'static str {
    match fault {
        FaultName::Sway => "trail_hip_travel_cm",
        FaultName::ChickenWing => "lead_elbow_bow_late_upper_arms",
        FaultName::HeadDrift => "head_lateral_max_back_cm",
        FaultName::EarlyExtension => "pelvis_toward_ball_impact_cm",
    }
}

/// Verdicts at several limits.
pub struct Trying {
    /// Clips worked through in so many days.
    pub days: u16,
    pub clips: usize,
    /// Of these, judged otherwise than today.
    pub earlier: usize,
    /// Limits in words, and what they come to by fault.
    pub rows: Vec<(String, BTreeMap<FaultName, Count>)>,
    /// The newest clip, and where it stands among the coach's own students by each quantity; `None` without a usable clip.
    pub newest: Option<(String, Vec<String>)>,
}

/// Counts the verdicts of the stored clips of the last `days` at limits around those of `now`, and at those of `tried`.
pub fn trying(store: &Store, now: &Settings, tried: Option<&Settings>, days: u16) -> Result<Trying> {
    let all: Vec<(Stored, Identity)> =
        store.results()?.into_iter().filter_map(|(s, text)| Some((s, serde_json::from_str(&text).ok()?))).collect();
    let since = jiff::Zoned::now().date().saturating_sub(jiff::Span::new().days(i64::from(days)));
    let recent: Vec<(Stored, Identity)> =
        all.iter().filter(|(s, _)| date::local_day(&s.judged_at).is_none_or(|d| d >= since)).cloned().collect();
    let name = |t: f64| if t == 1.0 { "as now".to_string() } else { format!("{t} times") };
    let mut rows: Vec<_> = TIMES.iter().map(|&t| (name(t), at_limits::at(&recent, &at_limits::scaled(now, t)))).collect();
    if let Some(tried) = tried {
        let mut with = now.clone();
        with.limits = tried.limits.clone();
        rows.push(("as set".into(), at_limits::at(&recent, &with)));
    }
    let judging = judging_sha256(&now.own);
    let earlier = recent.iter().filter(|(s, _)| s.report.engine.judging_sha256 != judging).count();
    let stored: Vec<Stored> = all.into_iter().map(|(s, _)| s).collect();
    Ok(Trying { days, clips: recent.len(), earlier, rows, newest: newest(&stored) })
}

impl Trying {
    /// The faults that a clip's view shows.
    pub fn faults(&self) -> impl Iterator<Item = FaultName> {
        FaultName::ALL.into_iter().filter(|f| self.rows.iter().any(|r| r.1.contains_key(f)))
    }

    /// How many were judged otherwise than today; nothing where none was.
    pub fn judged_otherwise(&self) -> Option<String> {
        (self.earlier > 0).then(|| {
            format!(
                "{} of them were judged otherwise than today, by an earlier version or before something was adopted or dropped: dawnsheet rejudge judges them anew",
                self.earlier
            )
        })
    }
}

fn newest(stored: &[Stored]) -> Option<(String, Vec<String>)> {
    let s = stored.iter().filter(|s| s.report.usable).max_by(|a, b| filmed(&a.report).cmp(&filmed(&b.report)))?;
    let r = &s.report;
    let who = r.clip.student.as_deref().map_or_else(|| "no student".into(), printable);
    let view = r.view.as_ref().map_or("", |v| view_words(v.kind));
    let head =
        format!("The newest clip, {who}, {}, among your students ({view}, {})", words::day_of(&r.clip), ClubClass::of(&r.clip).words());
    let mut places = Vec::new();
    for metric in FaultName::ALL.map(leading) {
        if let Some(at) = at_limits::standing(stored, &s.owner, r, metric) {
            let name = words::metric(metric);
            places.push(format!("{name}: higher than {:.0} % of {} ({:.0} to {:.0})", at.percent, at.of, at.low, at.high));
        }
    }
    if places.is_empty() {
        places.push("fewer than five students with such a clip: too few to tell".into());
    }
    Some((head, places))
}
