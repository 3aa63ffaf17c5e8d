//! What the pages of the sheet say alike of a clip: verdicts, reasons, checks, pictures.

use super::gather::{Entry, Section};
use super::{letters, told, words};
use crate::history::trend::view_words;
use crate::place::OutFolder;
use crate::report::printable;
use crate::report::types::{Fault, FaultName, Swing, Verdict};
use crate::report::{Report, Severity};
use crate::sheet::pictures::{EVENTS, deciding, numbers};

/// A fault's verdict in words.
#[derive(Debug, Clone)]
pub struct VerdictView {
    pub fault: String,
    pub words: String,
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
    by_need(main)
        .into_iter()
        .map(|(name, fault)| VerdictView {
            fault: words::sentence(name.words()),
            words: if fault.verdict == Verdict::CannotMeasure { "not measured".into() } else { fault.in_words() },
            key: sign(fault.verdict),
        })
        .collect()
}

/// A swing's faults, the worst verdict first, of equal ones the likeliest.
fn by_need(swing: &Swing) -> Vec<(FaultName, &Fault)> {
    let mut all: Vec<(FaultName, &Fault)> = swing.faults.iter().map(|(n, f)| (*n, f)).collect();
    let likely = |f: &Fault| f.probability.unwrap_or(0.0);
    all.sort_by(|(_, a), (_, b)| a.verdict.cmp(&b.verdict).then(likely(b).total_cmp(&likely(a))));
    all
}

/// The faults in the order in which their verdicts are shown.
pub fn fault_order(report: &Report) -> Vec<FaultName> {
    let main = report.swings.iter().find(|s| s.main);
    let mut all: Vec<FaultName> = main.map_or_else(Vec::new, |m| by_need(m).into_iter().map(|(n, _)| n).collect());
    let rest: Vec<FaultName> = FaultName::ALL.into_iter().filter(|f| !all.contains(f)).collect();
    all.extend(rest);
    all
}

/// Our verdict on a fault with its certainty, as the pages say it.
pub fn ours_in_words(report: &Report, fault: FaultName) -> String {
    let main = report.swings.iter().find(|s| s.main);
    main.and_then(|m| m.faults.get(&fault)).map_or_else(|| Verdict::CannotMeasure.words().into(), Fault::in_words)
}

/// Name of a verdict's sign on the page.
pub fn sign(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Flagged => "flagged",
        Verdict::Borderline => "borderline",
        Verdict::CannotMeasure => "cannot",
        Verdict::Clear => "clear",
    }
}

/// What was found, worst first: the verdict in words and the clause that says what decided it.
fn found(report: &Report) -> Vec<(String, String)> {
    let Some(main) = report.swings.iter().find(|s| s.main) else { return Vec::new() };
    let found = by_need(main).into_iter().filter(|(_, f)| matches!(f.verdict, Verdict::Flagged | Verdict::Borderline));
    found.map(|(n, f)| (words::sentence(&format!("{} {}", n.words(), f.in_words())), told::clause(report, f))).collect()
}

/// Whether a reason of the report is a verdict's, which the pages tell by themselves.
fn is_of_verdict(because: &str) -> bool {
    let begins = |f: FaultName, v: Verdict| because.starts_with(&format!("{} {}", f.words(), v.words()));
    FaultName::ALL.into_iter().any(|f| begins(f, Verdict::Flagged) || begins(f, Verdict::Borderline))
}

/// Why a clip asks for a look, one sentence each: what was found, worst first, then the report's other reasons, then a worsening
/// that the report cannot know of.
pub fn why(e: &Entry) -> Vec<String> {
    let found = found(e.report()).into_iter().map(|(verdict, because)| format!("{verdict}: {because}."));
    found.chain(other_reasons(e)).collect()
}

fn other_reasons(e: &Entry) -> Vec<String> {
    let because = e.report().needs_look_because.iter().filter(|w| !is_of_verdict(w));
    let mut all: Vec<String> = because.map(|w| words::sentence(&printable(w)) + ".").collect();
    // where a fault was found, the change stands beside it
    let alone = e.section == Section::Question;
    all.extend(e.past.changes.iter().filter(|c| alone && c.is_worse()).map(|c| {
        let digits = c.metric.digits;
        format!(
            "{} is worse than in the clip before, {} after {}, beyond the error.",
            words::sentence(c.metric.words),
            words::number(c.now, digits),
            words::number(c.before, digits)
        )
    }));
    all
}

/// The reasons as the sheet says them: of the verdicts the worst alone, since each has its drawing beside it.
pub fn short_why(e: &Entry) -> Vec<String> {
    let mut kept: Vec<String> = found(e.report()).into_iter().take(1).map(|(_, because)| without_numbers(&(because + "."))).collect();
    // faults that the same thing keeps from being measured stand in one sentence
    let mut unmeasured: Vec<(&str, Vec<&str>)> = Vec::new();
    let others = other_reasons(e);
    for w in &others {
        match w.strip_prefix("Film again: ").or_else(|| w.strip_prefix("Send again: ")).and_then(|w| w.split_once(" cannot be measured, "))
        {
            Some((fault, because)) => match unmeasured.iter_mut().find(|(b, _)| *b == because) {
                Some((_, faults)) => faults.push(fault),
                None => unmeasured.push((because, vec![fault])),
            },
            None => kept.push(without_numbers(w)),
        }
    }
    let one = |(because, faults): (&str, Vec<&str>)| words::sentence(&format!("{} cannot be measured: {because}", words::list(&faults)));
    kept.extend(unmeasured.into_iter().map(one));
    kept
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
    let frame = |event: &str| main.and_then(|m| m.shown.get(event)).map(|s| s.frame);
    // arms that swing flat are chest high before they are half through; where both are one picture, it is shown once
    let twice = |event: &str| event == "half_follow_through" && frame(event).is_some() && frame(event) == frame("late_follow_through");
    let mut there: Vec<_> = EVENTS.iter().filter(|(event, _)| folder.join(format!("{event}.jpg")).is_file() && !twice(event)).collect();
    let after_impact = |event: &str| event.ends_with("follow_through");
    there.sort_by_key(|(event, _)| if after_impact(event) { (1, frame(event)) } else { (0, None) });
    let all: Vec<Picture> = there
        .into_iter()
        .map(|&(event, caption)| Picture {
            event,
            caption,
            numbers: main.map(|m| numbers(event, m, report)).unwrap_or_default(),
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
