//! What the coach said of our verdicts, as the pages say it.

use super::bar::{At, Bar};
use super::gather::{Entry, Gathered};
use super::words;
use crate::history::verdicts::{Given, Share, Standing, latest, standing};
use crate::report::printable;
use std::collections::BTreeMap;

/// A verdict of the coach on one line.
#[derive(Debug, Clone)]
pub struct Said {
    /// File name of the clip's page within `clip/`, where it has one.
    pub page: Option<String>,
    pub student: String,
    pub when: String,
    /// "Sway flagged: you agree".
    pub text: String,
    pub note: String,
    /// When it was said.
    pub made: String,
}

/// How often flags were right, and what was missed.
pub struct Judged {
    pub sentence: String,
    pub bars: Vec<Bar>,
    pub missed: Vec<Said>,
    /// How many more were missed than are listed.
    pub more: usize,
}

/// At most so many misses are listed on the sheet; the students' pages have all.
const LISTED: usize = 12;

/// The sheet's section, from every verdict of the coach.
pub fn judged(all: &Gathered) -> Judged {
    let standing = standing(&all.verdicts);
    let by_clip: BTreeMap<(&str, &str), &Entry> =
        all.entries.iter().map(|e| ((e.stored.owner.as_str(), e.report().clip.id.as_str()), e)).collect();
    let entry = |g: &Given| by_clip.get(&(g.owner.as_str(), g.clip.as_str())).copied();
    let mut bars = Vec::new();
    if standing.flags.judged > 0 {
        bars.push(bar("All flags", standing.flags));
        bars.extend(standing.by_fault.iter().map(|(f, s)| bar(&words::sentence(f.words()), *s)));
    }
    Judged {
        sentence: sentence(&standing),
        bars,
        missed: standing.missed.iter().take(LISTED).map(|g| said(g, entry(g))).collect(),
        more: standing.missed.len().saturating_sub(LISTED),
    }
}

fn sentence(standing: &Standing) -> String {
    let missed = match standing.missed.len() {
        0 => String::new(),
        n => format!(" You found {} that the program did not.", words::count(n, "fault", "faults")),
    };
    match standing.flags {
        Share { judged: 0, .. } => {
            format!("Not known yet: you have judged no flag. Open the desk with “dawnsheet desk”, or use “dawnsheet verdict”.{missed}")
        }
        Share { right, judged } => {
            let share = Share { right, judged };
            format!("By your verdicts {right} of {} right: {}.{missed}", words::count(judged, "flag was", "flags were"), percent(share))
        }
    }
}

/// "78 % (45 to 94 %)".
fn percent(share: Share) -> String {
    let (low, high) = share.interval();
    let at = 100.0 * share.right as f64 / share.judged.max(1) as f64;
    format!("{at:.0} % ({:.0} to {:.0} %)", 100.0 * low, 100.0 * high)
}

/// From none right (left) to all right (right).
fn bar(name: &str, share: Share) -> Bar {
    let (low, high) = share.interval();
    let x = |v: f64| 8.0 + 284.0 * v;
    Bar {
        words: name.into(),
        value: format!("{} of {}", share.right, share.judged),
        interval: percent(share),
        limit: String::new(),
        aside: None,
        low: At(x(low)),
        width: At((x(high) - x(low)).max(1.0)),
        dot: At(x(share.right as f64 / share.judged.max(1) as f64)),
        tick: None,
        bad: None,
        zero: Some(At(x(0.0))),
        over: false,
        tick_label: String::new(),
        anchor: "middle",
    }
}

fn said(g: &Given, entry: Option<&Entry>) -> Said {
    Said {
        page: entry.map(|e| e.page.clone()),
        student: entry.map_or_else(|| g.owner.clone(), |e| words::student(e.report().clip.student.as_deref())),
        when: entry.map_or_else(String::new, |e| words::day_of(&e.report().clip)),
        text: format!("{} {}: you {}", words::sentence(g.fault.words()), g.ours.words(), g.words()),
        note: printable(&g.note),
        made: words::day(&g.made_at),
    }
}

/// The coach's latest verdicts by owner and clip.
pub type ByClip<'a> = BTreeMap<(&'a str, &'a str), Vec<&'a Given>>;

/// Sorts every verdict (oldest first).
pub fn by_clip(all: &[Given]) -> ByClip<'_> {
    let mut found = ByClip::new();
    for g in latest(all) {
        found.entry((&g.owner, &g.clip)).or_default().push(g);
    }
    found
}

/// The latest verdicts on one clip.
pub fn on<'a>(given: &ByClip<'a>, e: &Entry) -> Vec<&'a Given> {
    given.get(&(e.stored.owner.as_str(), e.report().clip.id.as_str())).cloned().unwrap_or_default()
}

/// The coach's latest verdicts on these clips, newest first.
pub fn of_entries(given: &ByClip, entries: &[&Entry]) -> Vec<Said> {
    let mut all: Vec<(&Given, &Entry)> = entries.iter().flat_map(|e| on(given, e).into_iter().map(|g| (g, *e))).collect();
    all.sort_by(|a, b| b.0.made_at.cmp(&a.0.made_at));
    all.into_iter().map(|(g, e)| said(g, Some(e))).collect()
}
