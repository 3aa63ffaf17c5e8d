//! Clips that the coach's own measurement decides, where the coach says so.

use super::marks::{Marks, main};
use super::values::{ByHand, MARK_SD_PX, points_of};
use crate::error::{Error, Result};
use crate::history::marked::{Kind, Marked};
use crate::intake::Brief;
use crate::judge;
use crate::measure::{interval, names};
use crate::report::Report;
use crate::report::types::{self, HandMark, Swing};
use crate::settings::Settings;
use std::collections::BTreeMap;

/// What was measured by hand, of the clips that it decides.
#[derive(Debug, Default)]
pub struct Decided(BTreeMap<(String, String), (Marks, BTreeMap<String, ByHand>)>);

impl Decided {
    /// Of these rows, oldest first: of each clip the last word on whether it does, and what was marked last. Error: what is stored
    /// cannot be read.
    pub fn of(marked: &[Marked]) -> Result<Decided> {
        let read = |e: serde_json::Error| Error::Internal(format!("stored marks are broken: {e}"));
        let mut all = BTreeMap::new();
        for m in marked.iter().filter(|m| m.kind == Kind::Decides) {
            let own = || marked.iter().rev().filter(|o| o.owner == m.owner && o.clip == m.clip);
            let stands = own().find(|o| matches!(o.kind, Kind::Decides | Kind::DecidesNot)).is_some_and(|o| o.kind == Kind::Decides);
            if let Some(last) = own().find(|o| matches!(o.kind, Kind::Marked | Kind::Again)).filter(|_| stands) {
                let values = (serde_json::from_str(&last.marks).map_err(read)?, serde_json::from_str(&last.by_hand).map_err(read)?);
                all.insert((m.owner.clone(), m.clip.clone()), values);
            }
        }
        Ok(Decided(all))
    }

    /// Whether this clip is decided by hand.
    pub fn holds(&self, owner: &str, clip: &str) -> bool {
        self.0.contains_key(&(owner.to_string(), clip.to_string()))
    }

    /// Lets what was measured by hand decide a report as the program judged it, where it is to.
    pub fn decide(&self, owner: &str, report: &mut Report, brief: &Brief, settings: &Settings) {
        let of_clip = self.0.get(&(owner.to_string(), report.clip.id.clone()));
        if let Some((marks, hand)) = of_clip
            && let Some(swing) = main(report)
        {
            let hand = reported(hand, marks, MARK_SD_PX, swing);
            judge::decide(report, brief, settings, hand);
        }
    }
}

/// Values by hand as a report has them; the share of the stance follows the slide.
pub fn reported(hand: &BTreeMap<String, ByHand>, marks: &Marks, mark_sd_px: f64, swing: &Swing) -> BTreeMap<String, types::ByHand> {
    const SHARE: (&str, &str) = ("trail_hip_travel_cm", "trail_hip_travel_pct_stance");
    let mut all = hand.clone();
    if let (Some(slide), Some(stance)) = (hand.get(SHARE.0), swing.metrics.get("stance_width_cm").and_then(|m| m.measured())) {
        let by = 100.0 / stance.value.max(1.0);
        let share = ByHand { value: by * slide.value, per_mark_px: by * slide.per_mark_px, other_sd: by * slide.other_sd };
        all.insert(SHARE.1.into(), share);
    }
    let point = |p: &super::Place| {
        let m = marks.get(p)?;
        Some((serde_json::to_value(p).ok()?.as_str()?.to_string(), HandMark { time_s: m.time, x: m.x, y: m.y }))
    };
    let one = |(name, v): (String, ByHand)| {
        let name = names::find(&name)?.name;
        let (low, high) = interval(name, v.value, v.sd(mark_sd_px));
        let [value, low, high] = [v.value, low, high].map(|x| judge::round(x, 3));
        let marks = points_of(name).iter().filter_map(point).collect();
        Some((name.to_string(), types::ByHand { value, low, high, marks }))
    };
    all.into_iter().filter_map(one).collect()
}
