//! Which clips to mark: a seeded sample, spread over students and verdicts, so that nobody picks the clips that suit; and some of the
//! marked ones once more. What was drawn is kept, and nothing new is drawn while some of it is unmarked.

use super::marks::offered;
use crate::history::marked::{Kind, Marked};
use crate::history::store::Stored;
use crate::report::Report;
use crate::report::types::Verdict;
use std::collections::BTreeMap;
use std::path::Path;

/// Clips of one draw, and of those marked before.
pub const CLIPS: usize = 10;
pub const AGAIN: usize = 3;
/// After so many days nobody knows where the points lay.
pub const AGAIN_AFTER_DAYS: i64 = 7;

/// SplitMix64 (Steele, Lea & Flood 2014; constants from memory).
struct Dice(u64);

impl Dice {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }
}

/// Owner and clip.
pub type Which = (String, String);

fn which(m: &Marked) -> Which {
    (m.owner.clone(), m.clip.clone())
}

/// What was drawn and is not marked yet, oldest first: (clip, whether it is marked once more). `marked`: oldest first.
pub fn open(marked: &[Marked]) -> Vec<(Which, bool)> {
    let done = |clip: &Marked, kind: Kind| marked.iter().any(|m| m.kind == kind && m.owner == clip.owner && m.clip == clip.clip);
    let waits = |m: &&Marked| match m.kind {
        Kind::Drawn => !done(m, Kind::Marked),
        Kind::DrawnAgain => !done(m, Kind::Again),
        _ => false,
    };
    marked.iter().filter(waits).map(|m| (which(m), m.kind == Kind::DrawnAgain)).collect()
}

/// Under which kind marks on a clip are kept now.
pub fn kind_of(marked: &[Marked], owner: &str, clip: &str) -> Kind {
    let again = open(marked).iter().any(|((o, c), again)| *again && o == owner && c == clip);
    if again { Kind::Again } else { Kind::Marked }
}

/// Whether a clip's file still lies below the inbox, as long as it was: without it there is nothing to point at.
pub fn is_there(inbox: Option<&Path>, report: &Report) -> bool {
    let about = inbox.and_then(|inbox| std::fs::metadata(inbox.join(&report.clip.file)).ok());
    about.is_some_and(|a| a.is_file() && a.len() == report.clip.bytes)
}

/// Draws by `seed`, of these clips: clips that can be marked and were not, so that students and verdicts come as evenly as they can, and of those
/// marked at least a week before `now` some once more. Nothing while something drawn waits.
pub fn draw(results: &[Stored], marked: &[Marked], seed: u64, now: jiff::Timestamp) -> Vec<Marked> {
    if !open(marked).is_empty() {
        return Vec::new();
    }
    let mut dice = Dice(seed);
    let mut order: Vec<(u64, &Stored)> = results.iter().filter(|s| offered(&s.report).is_ok()).map(|s| (dice.next(), s)).collect();
    let among = order.len();
    order.sort_by_key(|(n, _)| *n);
    let known = |s: &Stored, kind: Kind| marked.iter().find(|m| m.kind == kind && m.owner == s.owner && m.clip == s.report.clip.id);
    let row = |s: &Stored, kind: Kind| Marked {
        owner: s.owner.clone(),
        clip: s.report.clip.id.clone(),
        kind,
        made_at: now.to_string(),
        marks: format!("{{\"seed\":{seed},\"among\":{among}}}"),
        by_hand: String::new(),
    };
    let mut fresh: Vec<&Stored> = order.iter().map(|(_, s)| *s).filter(|s| known(s, Kind::Marked).is_none()).collect();
    let (mut students, mut verdicts): (BTreeMap<&str, usize>, BTreeMap<Option<Verdict>, usize>) = Default::default();
    let mut drawn = Vec::new();
    while drawn.len() < CLIPS && !fresh.is_empty() {
        let drawn_of = |s: &Stored| {
            let (student, verdict) = (students.get(s.owner.as_str()), verdicts.get(&s.report.verdict));
            student.copied().unwrap_or(0) + verdict.copied().unwrap_or(0)
        };
        // the first of equals: their order is drawn by lot
        let next = (0..fresh.len()).min_by_key(|i| drawn_of(fresh[*i])).unwrap_or(0);
        let s = fresh.remove(next);
        *students.entry(&s.owner).or_default() += 1;
        *verdicts.entry(s.report.verdict).or_default() += 1;
        drawn.push(row(s, Kind::Drawn));
    }
    let week = jiff::SignedDuration::from_hours(24 * AGAIN_AFTER_DAYS);
    let old = |m: &Marked| m.made_at.parse::<jiff::Timestamp>().is_ok_and(|at| now.duration_since(at) >= week);
    let again = order.iter().filter(|(_, s)| known(s, Kind::Marked).is_some_and(old) && known(s, Kind::DrawnAgain).is_none());
    drawn.extend(again.take(AGAIN).map(|(_, s)| row(s, Kind::DrawnAgain)));
    drawn
}
