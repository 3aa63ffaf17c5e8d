//! Whether the clips of one student show one golfer: the side in front and the body's proportions, against each other.

use super::statistics::normal_quantile;
use super::store::Stored;
use crate::intake::date;
use crate::report::Report;
use crate::report::types::{Estimate, LeadSideSource, Proportions, Side};
use crate::track::signal::median;
use std::collections::BTreeMap;

/// The one question about a student whose clips disagree.
#[derive(Debug, Clone, PartialEq)]
pub struct Question {
    pub owner: String,
    pub student: Option<String>,
    /// Ids of the clips that differ from the student's others.
    pub odd: Vec<String>,
    pub text: String,
}

/// Of students of whom nothing differs, at most this share is asked about for their proportions, however many clips they have.
const FALSE_ALARMS: f64 = 0.01;

/// Side in front of the clip's main swing, where one was read.
pub fn lead_side(report: &Report) -> Option<Side> {
    report.golfer.as_ref().map(|g| g.lead_side)
}

/// The questions, one a student at most.
pub fn questions<'a>(stored: impl IntoIterator<Item = &'a Stored>) -> Vec<Question> {
    let mut by_owner: BTreeMap<&str, Vec<&Report>> = BTreeMap::new();
    for s in stored.into_iter().filter(|s| s.report.clip.student.is_some() && s.report.golfer.is_some()) {
        by_owner.entry(&s.owner).or_default().push(&s.report);
    }
    by_owner.into_iter().filter_map(|(owner, clips)| of_student(owner, clips)).collect()
}

fn of_student(owner: &str, mut clips: Vec<&Report>) -> Option<Question> {
    clips.sort_by_cached_key(|r| (r.clip.captured.as_deref().and_then(date::instant), r.clip.id.clone()));
    let (odd, what) = other_side(&clips).or_else(|| other_body(&clips))?;
    let names: Vec<&str> = odd.iter().map(|r| r.clip.file.rsplit('/').next().unwrap_or(&r.clip.file)).collect();
    let more = if names.len() > 3 { format!(" and {} more", names.len() - 3) } else { String::new() };
    let student = clips[0].clip.student.clone();
    let text = format!(
        "{} ({}{more}). Another golfer, or mirrored? Answer by lead_side, in roster.toml for all or in a sidecar for one clip; where it \
         is somebody else, by student in the sidecar.",
        first_large(&what),
        names[..names.len().min(3)].join(", "),
    );
    Some(Question { owner: owner.into(), student, odd: odd.iter().map(|r| r.clip.id.clone()).collect(), text })
}

fn first_large(text: &str) -> String {
    let mut rest = text.chars();
    rest.next().map_or_else(String::new, |first| first.to_uppercase().collect::<String>() + rest.as_str())
}

/// Whether a person has said which side this golfer has in front; where the motion contradicts the roster, the clip's own
/// reason says so.
fn is_told(report: &Report) -> bool {
    report.golfer.as_ref().is_some_and(|g| g.agrees_with_motion.is_some())
}

/// The rarer side's clips (of equally many, the side that came second), unless a person has spoken of each of them.
fn other_side<'a>(clips: &[&'a Report]) -> Option<(Vec<&'a Report>, String)> {
    let of = |side: Side| -> Vec<&Report> { clips.iter().copied().filter(|r| lead_side(r) == Some(side)).collect() };
    let first = lead_side(clips[0])?;
    let (same, other) = (of(first), of(first.other()));
    let odd = if same.len() < other.len() { same } else { other };
    if odd.is_empty() || odd.iter().all(|r| is_told(r)) {
        return None;
    }
    let what = match odd.len() {
        1 => format!("one of {} clips swings the other way round, and is compared with none of the others", clips.len()),
        n => format!("{n} of {} clips swing the other way round, and are compared with none of the others", clips.len()),
    };
    Some((odd, what))
}

/// The clips whose proportions lie further from the student's others than their errors allow, unless a sidecar says who it is.
fn other_body<'a>(clips: &[&'a Report]) -> Option<(Vec<&'a Report>, String)> {
    let of: Vec<(&Report, &Proportions)> = clips.iter().filter_map(|r| Some((*r, r.golfer.as_ref()?.proportions.as_ref()?))).collect();
    type Ratio = fn(&Proportions) -> &Estimate;
    let ratios: [(&str, Ratio); 2] = [("legs", |p| &p.leg_to_trunk), ("arms", |p| &p.arm_to_trunk)];
    // over both ratios, every clip and both directions (Bonferroni)
    let limit = normal_quantile(1.0 - FALSE_ALARMS / (4.0 * of.len().max(1) as f64));
    let sd = |e: &Estimate| (e.high - e.low) / 2.0 / 1.96;
    for (words, ratio) in ratios {
        let far = |i: usize| {
            let of_others = |what: &dyn Fn(&Estimate) -> f64| -> Vec<f64> {
                of.iter().enumerate().filter(|(j, _)| *j != i).map(|(_, (_, p))| what(ratio(p))).collect()
            };
            let (own, others) = (ratio(of[i].1), of_others(&|e| e.value));
            // the others' median errs less than one of them, at least as a mean would; errors are shares of the values, and the
            // larger one counts, so that of two clips neither looks odder than the other
            let spread = sd(own).max(median(&of_others(&sd))) * (1.0 + 1.0 / others.len().max(1) as f64).sqrt();
            !others.is_empty() && (own.value - median(&others)).abs() > limit * spread
        };
        let mut odd: Vec<&Report> = (0..of.len()).filter(|&i| far(i)).map(|i| of[i].0).collect();
        // of two that disagree the newer one is asked about
        if of.len() == 2 {
            odd.drain(..odd.len().saturating_sub(1));
        }
        odd.retain(|r| r.golfer.as_ref().is_some_and(|g| g.lead_side_source != LeadSideSource::Sidecar));
        if !odd.is_empty() {
            let what = match odd.len() {
                1 => format!("one of {} clips shows {words} of another length against the trunk than the others", of.len()),
                n => format!("{n} of {} clips show {words} of another length against the trunk than the others", of.len()),
            };
            return Some((odd, what));
        }
    }
    None
}
