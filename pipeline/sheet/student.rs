//! A student's page: the tracked metrics over time, a draft note, all clips.

use super::chart::{Chart, chart};
use super::gather::{Entry, newest_first};
use super::goes_with::GoesWith;
use super::index::{Row, row_with_place};
use super::judged::{ByClip, Said, of_entries};
use super::{letters, words};
use crate::history::golfers::questions;
use crate::history::trend::{Trend, Word, filmed};
use crate::intake::date;
use crate::intake::names::UNASSIGNED;
use crate::report::printable;
use crate::report::types::{Verdict, ViewKind};
use askama::Template;

struct Series {
    title: String,
    charts: Vec<Chart>,
}

/// Clips of one day, one of each view.
struct Pair {
    day: String,
    views: [Row; 2],
}

#[derive(Template)]
#[template(path = "student.html")]
pub struct StudentPage {
    base: &'static str,
    live: bool,
    owner: String,
    student: String,
    working_on: Option<String>,
    headline: String,
    /// Clips of nobody in particular: no history, no note, no answer.
    nobody: bool,
    /// How many clips enter no trend for want of a date, and what to do.
    undated: Option<String>,
    /// Whether all clips show one golfer, where that is asked.
    question: Option<String>,
    series: Vec<Series>,
    /// Whether something in them was measured by the coach.
    own: bool,
    goes_with: Option<GoesWith>,
    draft: String,
    pairs: Vec<Pair>,
    clips: Vec<Row>,
    said: Vec<Said>,
}

/// The page of one student from all their clips (at least one), their trends, what goes with what in them, and the coach's verdicts
/// on any clip.
pub fn page(entries: &[&Entry], trends: &[&Trend], goes_with: Option<GoesWith>, given: &ByClip, live: bool) -> StudentPage {
    let mut by_age: Vec<&Entry> = entries.to_vec();
    by_age.sort_by(|a, b| newest_first(a.report(), b.report()));
    let newest = telling(&by_age);
    let nobody = newest.stored.owner == UNASSIGNED;
    // they come ordered by what they are compared within
    let series = trends
        .chunk_by(|a, b| (a.view, a.club, a.lead) == (b.view, b.club, b.lead))
        .map(|of| Series {
            title: words::sentence(&of[0].heading(trends)),
            charts: of.iter().map(|t| chart(t, entries.iter().map(|e| e.report()).find(|r| r.clip.id == t.newest().clip))).collect(),
        })
        .collect();
    let clips = by_age
        .iter()
        .map(|e| {
            let mut r = row_with_place(e);
            let club = e.report().clip.club.as_deref().map(crate::report::printable);
            r.student = words::day_of(&e.report().clip);
            r.meta = format!("{}, {}", super::parts::view(e.report()), club.as_deref().unwrap_or("club not named"));
            r
        })
        .collect();
    StudentPage {
        base: "../",
        live,
        owner: newest.stored.owner.clone(),
        working_on: super::parts::working_on(newest),
        said: of_entries(given, entries),
        student: words::student(newest.report().clip.student.as_deref()),
        headline: if nobody { of_nobody(entries.len()) } else { headline(entries.len(), trends) },
        nobody,
        undated: undated(entries).filter(|_| !nobody),
        question: questions(entries.iter().map(|e| &e.stored)).pop().map(|q| printable(&q.text)),
        own: trends.iter().any(|t| t.points.iter().any(|p| p.by_hand)),
        series,
        goes_with,
        draft: letters::note(newest.report(), &newest.past.changes, trends, super::parts::asks_again(newest)),
        pairs: if nobody { Vec::new() } else { pairs(&by_age) },
        clips,
    }
}

/// Of several clips of the newest day (of tonight, where the newest has no date), the one that says most: a fault that was found before
/// all else. A first night over an old inbox does not bring up June again. At least one clip, the newest first.
fn telling<'a>(by_age: &[&'a Entry]) -> &'a Entry {
    let day = |e: &&Entry| e.report().clip.captured.as_deref().and_then(date::local_day);
    let newest_day = day(&by_age[0]);
    let found = |e: &Entry| matches!(e.report().verdict, Some(Verdict::Flagged | Verdict::Borderline));
    let fresh = by_age.iter().rev().filter(|e| if newest_day.is_some() { day(e) == newest_day } else { e.current });
    let most = |a: &&&Entry, b: &&&Entry| found(a).cmp(&found(b)).then(a.report().severity.total_cmp(&b.report().severity));
    fresh.max_by(most).copied().unwrap_or(by_age[0])
}

/// The clip that a note to the student speaks of, the one with this id or the most telling of the newest, and the note.
pub fn draft<'a>(entries: &[&'a Entry], trends: &[&Trend], clip: Option<&str>) -> Option<(&'a Entry, String)> {
    let mut by_age: Vec<&Entry> = entries.to_vec();
    by_age.sort_by(|a, b| newest_first(a.report(), b.report()));
    let of = match clip {
        Some(id) => by_age.iter().find(|e| e.report().clip.id == id).copied()?,
        None if by_age.is_empty() => return None,
        None => telling(&by_age),
    };
    Some((of, letters::note(of.report(), &of.past.changes, trends, super::parts::asks_again(of))))
}

/// Of each day with clips of both views the one of each that asks for most, newest day first.
fn pairs(by_age: &[&Entry]) -> Vec<Pair> {
    let day = |e: &Entry| e.report().clip.captured.as_deref().and_then(date::local_day);
    let mut days: Vec<_> = by_age.iter().filter_map(|e| day(e)).collect();
    days.dedup();
    let of = |on, kind: ViewKind| {
        let same = by_age.iter().filter(|e| day(e) == Some(on) && e.report().view.as_ref().is_some_and(|v| v.kind == kind));
        same.min_by(|a, b| a.section.cmp(&b.section).then(b.report().severity.total_cmp(&a.report().severity)))
    };
    let row = |e: &&Entry| Row { student: super::parts::view(e.report()).into(), ..row_with_place(e) };
    days.into_iter()
        .filter_map(|on| {
            let (face_on, line) = (of(on, ViewKind::FaceOn)?, of(on, ViewKind::DownTheLine)?);
            Some(Pair { day: words::day_of(&face_on.report().clip), views: [row(face_on), row(line)] })
        })
        .collect()
}

/// Clips that were measured, but nobody knows when they were filmed.
fn undated(entries: &[&Entry]) -> Option<String> {
    let n = entries.iter().filter(|e| e.report().usable && filmed(e.report()).is_none()).count();
    let (have, they) = if n == 1 { ("has", "it enters") } else { ("have", "they enter") };
    (n > 0).then(|| {
        format!(
            "{} {have} no date of filming (a file's own time may be that of a copy), so {they} no trend. To give one: a file name \
             like “2026-04-12 driver.mp4”, or “captured = 2026-04-12” in a sidecar beside the clip.",
            words::count(n, "clip", "clips")
        )
    })
}

/// Of clips without a student, why nothing more is told of them and what to do.
fn of_nobody(clips: usize) -> String {
    format!(
        "{} in no student's folder. They may be of several golfers: nothing is compared, and nobody gets a history from them. Put each \
         into a folder of the student's name in the inbox, or name the student in a sidecar.",
        words::count(clips, "clip", "clips")
    )
}

fn headline(clips: usize, trends: &[&Trend]) -> String {
    let named = |word: Word| -> Vec<&str> { trends.iter().filter(|t| t.word == word).map(|t| t.metric.words).collect() };
    let mut parts = Vec::new();
    for word in [Word::Worsening, Word::Improving, Word::Changing] {
        let which = named(word);
        if !which.is_empty() {
            parts.push(format!("{}: {}", words::sentence(word.words()), which.join(", ")));
        }
    }
    let open: Vec<&str> = trends.iter().filter(|t| t.is_open()).map(|t| t.metric.words).collect();
    if !open.is_empty() {
        parts.push(format!("Not sure yet: {}", open.join(", ")));
    }
    let steady = named(Word::Steady).len();
    if parts.is_empty() && steady > 0 {
        parts.push("Steady: nothing changes both beyond its error and in order".into());
    } else if parts.is_empty() {
        parts.push("Too early to tell: a trend takes six days with clips of one view and kind of club".into());
    }
    format!("{}. {}.", words::count(clips, "clip", "clips"), parts.join(". "))
}
