//! What the pages of the sheet say alike of a clip: verdicts, reasons, checks, pictures.

use super::gather::{Entry, Section};
use super::{letters, words};
use crate::history::trend::view_words;
use crate::place::OutFolder;
use crate::report::printable;
use crate::report::types::{FaultName, Verdict};
use crate::report::{Report, Severity};
use crate::sheet::pictures::{EVENTS, deciding, numbers};

/// A fault's verdict in words.
#[derive(Debug, Clone)]
pub struct VerdictView {
    pub fault: String,
    pub words: &'static str,
    /// Name of its sign.
    pub key: &'static str,
}

/// A key picture.
#[derive(Debug, Clone)]
pub struct Picture {
    pub event: &'static str,
    pub caption: &'static str,
    /// What was measured there, with intervals.
    pub numbers: Vec<String>,
    /// From the sheet's folder.
    pub path: String,
    pub alt: String,
    /// Whether it shows best what the verdict was taken from.
    pub decides: bool,
    /// Pixels.
    pub width: u16,
    pub height: u16,
}

/// The view in words.
pub fn view(report: &Report) -> &'static str {
    report.view.as_ref().map_or("no swing seen", |v| view_words(v.kind))
}

/// The sender's note.
pub fn note(e: &Entry) -> Option<String> {
    e.brief.as_ref()?.note.as_deref().map(printable)
}

/// What the student is working on, by the roster.
pub fn working_on(e: &Entry) -> Option<String> {
    e.brief.as_ref()?.working_on.as_deref().map(printable)
}

/// Whether something in the filming keeps part of the swing from being measured.
fn has_again(report: &Report) -> bool {
    report.needs_look && report.reasons.iter().any(|r| r.severity == Severity::Blocking && r.code.cured_by_another_clip())
}

/// Whether the sheet asks for the clip once more: in its place there, or beside what could be measured.
pub fn asks_again(e: &Entry) -> bool {
    e.section == Section::FilmAgain || has_again(e.report())
}

/// Verdicts of the main swing, worst first.
pub fn verdicts(report: &Report) -> Vec<VerdictView> {
    let Some(main) = report.swings.iter().find(|s| s.main) else {
        return Vec::new();
    };
    let mut all: Vec<(Verdict, FaultName)> = main.faults.iter().map(|(n, f)| (f.verdict, *n)).collect();
    all.sort();
    all.into_iter()
        .map(|(verdict, name)| VerdictView {
            fault: words::sentence(name.words()),
            words: if verdict == Verdict::CannotMeasure { "not measured" } else { verdict.words() },
            key: match verdict {
                Verdict::Flagged => "flagged",
                Verdict::Borderline => "borderline",
                Verdict::CannotMeasure => "cannot",
                Verdict::Clear => "clear",
            },
        })
        .collect()
}

/// Why a clip asks for a look, one sentence each: the verdicts' own words, worst first, then a worsening that the report
/// cannot know of.
pub fn why(e: &Entry) -> Vec<String> {
    let report = e.report();
    let mut because: Vec<&String> = report.needs_look_because.iter().collect();
    let said = |w: &str, verdict: Verdict| FaultName::ALL.iter().any(|f| w.starts_with(&format!("{} {}:", f.words(), verdict.words())));
    because.sort_by_key(|w| if said(w, Verdict::Flagged) { 0 } else { 1 + u8::from(!said(w, Verdict::Borderline)) });
    let mut all: Vec<String> = because.into_iter().map(|w| words::sentence(&printable(w)) + ".").collect();
    // where a fault was found, the change stands beside it
    let alone = e.section == Section::Question;
    all.extend(e.past.changes.iter().filter(|c| alone && c.is_worse()).map(|c| {
        let digits = c.metric.digits;
        format!(
            "{} is worse than last time, {} after {}, beyond the error.",
            words::sentence(c.metric.words),
            words::number(c.now, digits),
            words::number(c.before, digits)
        )
    }));
    all
}

/// The reasons as the sheet says them: of the verdicts the worst alone, since each has its drawing beside it.
pub fn short_why(e: &Entry) -> Vec<String> {
    let all = why(e);
    let verdicts = all.iter().filter(|w| of_verdict(w).is_some()).count();
    let mut kept: Vec<String> = Vec::new();
    // faults that the same thing keeps from being measured stand in one sentence
    let mut unmeasured: Vec<(&str, Vec<&str>)> = Vec::new();
    for w in all.iter().enumerate().filter(|(i, _)| *i == 0 || *i >= verdicts).map(|(_, w)| w) {
        match w.strip_prefix("Film again: ").or_else(|| w.strip_prefix("Send again: ")).and_then(|w| w.split_once(" cannot be measured, "))
        {
            Some((fault, because)) => match unmeasured.iter_mut().find(|(b, _)| *b == because) {
                Some((_, faults)) => faults.push(fault),
                None => unmeasured.push((because, vec![fault])),
            },
            None => kept.push(without_numbers(of_verdict(w).unwrap_or(w))),
        }
    }
    let one = |(because, faults): (&str, Vec<&str>)| words::sentence(&format!("{} cannot be measured: {because}", words::list(&faults)));
    kept.extend(unmeasured.into_iter().map(one));
    kept
}

/// What follows "Sway flagged: " and its like; `None` for other sentences.
fn of_verdict(text: &str) -> Option<&str> {
    let after = |f: &FaultName, v: Verdict| text.strip_prefix(&format!("{} {}: ", words::sentence(f.words()), v.words()));
    FaultName::ALL.iter().find_map(|f| after(f, Verdict::Flagged).or_else(|| after(f, Verdict::Borderline)))
}

/// A sentence without what stands in brackets.
fn without_numbers(text: &str) -> String {
    let mut depth = 0;
    let kept: String = text
        .chars()
        .filter(|c| {
            depth += i32::from(*c == '(');
            let keep = depth == 0;
            depth -= i32::from(*c == ')' && depth > 0);
            keep
        })
        .collect();
    words::sentence(&kept.replace("  ", " ").replace(" ;", ";").replace(" .", "."))
}

/// Checks on the range for faults without a likely root.
pub fn checks(report: &Report) -> Vec<&'static str> {
    let Some(main) = report.swings.iter().find(|s| s.main) else {
        return Vec::new();
    };
    let found = main.faults.iter().filter(|(_, f)| matches!(f.verdict, Verdict::Flagged | Verdict::Borderline));
    found.filter(|(n, _)| !main.roots.iter().any(|r| r.fault == **n)).map(|(n, _)| letters::check(*n)).collect()
}

/// The key pictures on disk, at most `most`, in the order of the swing; with fewer than all, those of what is in question stay, and
/// the one to look at comes first.
pub fn pictures(out: &OutFolder, report: &Report, most: usize) -> Vec<Picture> {
    let folder = out.pictures(&report.clip.id);
    let main = report.swings.iter().find(|s| s.main);
    let deciding = main.and_then(deciding);
    // who needs them least goes first
    let spared: &[&str] = match deciding {
        Some("late_follow_through") => &["head_furthest", "hip_furthest", "impact", "top"],
        Some("head_furthest") => &["half_follow_through", "hip_furthest", "late_follow_through", "impact"],
        _ => &["half_follow_through", "head_furthest", "impact", "late_follow_through"],
    };
    let student = words::student(report.clip.student.as_deref());
    // the pictures of a clip are cut alike
    let size = EVENTS.iter().find_map(|(event, _)| jpeg_size(&folder.join(format!("{event}.jpg"))));
    let (width, height) = size.unwrap_or((640, 900));
    let there = EVENTS.iter().filter(|(event, _)| folder.join(format!("{event}.jpg")).is_file());
    let all: Vec<Picture> = there
        .map(|&(event, caption)| Picture {
            event,
            caption,
            numbers: main.map(|m| numbers(event, m)).unwrap_or_default(),
            path: format!("pictures/{}/{event}.jpg", report.clip.id),
            alt: format!("{student} at {}, with the measuring lines drawn in", caption.to_lowercase()),
            decides: deciding == Some(event),
            width,
            height,
        })
        .collect();
    let over = all.len().saturating_sub(most);
    let gone: Vec<&str> = spared.iter().copied().filter(|s| all.iter().any(|p| p.event == *s)).take(over).collect();
    let mut all: Vec<Picture> = all.into_iter().filter(|p| !gone.contains(&p.event)).take(most).collect();
    if over > 0 {
        // on the sheet the one to look at stands first and large; the others keep their order
        all.sort_by_key(|p| !p.decides);
    }
    all
}

/// Width and height of a JPEG file by its frame header (ITU T.81, B.2.2), pixels; `None` where it is none.
fn jpeg_size(path: &std::path::Path) -> Option<(u16, u16)> {
    use std::io::Read;
    let mut bytes = Vec::new();
    std::fs::File::open(path).ok()?.take(4096).read_to_end(&mut bytes).ok()?;
    let word = |at: usize| Some(u16::from_be_bytes([*bytes.get(at)?, *bytes.get(at + 1)?]));
    let mut at = 2;
    while bytes.get(at) == Some(&0xFF) {
        let marker = *bytes.get(at + 1)?;
        if matches!(marker, 0xC0..=0xC2) {
            return Some((word(at + 7)?, word(at + 5)?)).filter(|(w, h)| *w > 0 && *h > 0);
        }
        at += 2 + usize::from(word(at + 2)?);
    }
    None
}
