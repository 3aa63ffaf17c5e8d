//! Drafts for the coach to send: plain words, marked where they are common practice, with the usual cautions.

use super::since::Change;
use super::{told, words};
use crate::history::trend::{Trend, Word, value};
use crate::report::types::{CapturedSource, Certainty, FaultName, Verdict};
use crate::report::{Again, Reason, Report, Severity};

/// Cautions that close every letter about practice.
const CAUTIONS: &str = "Before you swing: clear the area, nobody in line, warm up. If anything hurts, stop, and see a doctor or a physiotherapist before you change the swing.";

fn greeting(report: &Report) -> String {
    report.clip.student.as_deref().map_or_else(|| "Hello,".into(), |name| format!("Hello {},", words::student(Some(name))))
}

/// What a reason says, without the details that only the coach needs.
fn plain(text: &str) -> &str {
    text.split(" (").next().unwrap_or(text)
}

/// The reasons that filming again would cure: the blocking ones; where none blocks, the others.
pub fn cures(report: &Report) -> Vec<&Reason> {
    let curable = |r: &&Reason| r.code.cured_by_another_clip();
    let blocking: Vec<&Reason> = report.reasons.iter().filter(curable).filter(|r| r.severity == Severity::Blocking).collect();
    if blocking.is_empty() { report.reasons.iter().filter(curable).collect() } else { blocking }
}

/// A message that asks for another clip, ready to copy; `None` where no reason would be cured by one.
pub fn film_again(report: &Report) -> Option<String> {
    let reasons = cures(report);
    if reasons.is_empty() {
        return None;
    }
    let clip = match report.clip.captured.as_deref() {
        Some(day) => format!("the clip of {}", words::day(day)),
        None => "the clip".into(),
    };
    let what = if report.usable { "measure everything in it" } else { "measure the swing in it" };
    let because: Vec<&str> = reasons.iter().map(|r| plain(&r.text)).collect();
    // who films anew sends anew: where both would help, only the filming is asked for
    let again = reasons.iter().map(|r| r.code.again()).max().unwrap_or(Again::Film);
    let mut advice: Vec<String> = reasons.iter().filter(|r| r.code.again() == again).map(|r| words::sentence(&r.advice)).collect();
    advice.dedup();
    let (please, caution) = match again {
        Again::Film => ("film it once more", " Clear the area first, and nobody in line."),
        _ => ("send it once more", ""),
    };
    Some(format!(
        "{} thank you for {clip}. I cannot {what}: {}. Could you {please}? {}.{caution}",
        greeting(report),
        because.join("; "),
        advice.join(". ")
    ))
}

/// How to check a fault by eye on the range (common practice, no source).
pub fn check(fault: FaultName) -> &'static str {
    match fault {
        FaultName::Sway => "A stick in the ground just outside the trail foot: the hip turns without pushing against it.",
        FaultName::ChickenWing => {
            "A slow swing to a half follow-through, and stop: lead elbow in front of the body, arm long, hand higher than the elbow."
        }
        FaultName::HeadDrift => "A little movement away from the target is normal with long clubs; a lot, or up and down, costs contact.",
        FaultName::EarlyExtension => "A bag or a wall just behind the seat at address: the seat still touches it at impact.",
    }
}

/// What a fault is called to a student.
fn seen_as(fault: FaultName) -> &'static str {
    match fault {
        FaultName::Sway => "going back, your hips slide sideways, away from the target, rather than turn",
        FaultName::ChickenWing => "after the strike your lead arm bends and its elbow leaves the line from shoulder to hands, outward",
        FaultName::HeadDrift => "going back, your head moves a good way from where it started",
        FaultName::EarlyExtension => "coming down, your hips move toward the ball before you strike it",
    }
}

/// Where a fault is looked for, to a student.
fn looked_at(fault: FaultName) -> &'static str {
    match fault {
        FaultName::Sway => "the hips going back",
        FaultName::ChickenWing => "the lead arm after the strike",
        FaultName::HeadDrift => "the head going back",
        FaultName::EarlyExtension => "the hips coming down",
    }
}

/// What was found, what was measured and is in order, and what was not seen: every fault stands in one of them.
fn fault_lines(report: &Report) -> Vec<String> {
    let main = report.swings.iter().find(|s| s.main);
    let (mut lines, mut clear, mut likely_clear, mut unseen) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
    for name in FaultName::ALL {
        let Some(fault) = main.and_then(|m| m.faults.get(&name)) else {
            // what only another view shows is not missed
            if name != FaultName::EarlyExtension {
                unseen.push(looked_at(name));
            }
            continue;
        };
        let driver = fault.drivers.first().filter(|d| value(report, d).is_some()).and_then(|d| told::roughly(report, d));
        let number = driver.map_or_else(String::new, |told| format!(" (about {told}, give or take)"));
        match (fault.verdict, fault.certainty()) {
            (Verdict::Flagged, Certainty::Sure) => lines.push(format!("What I see: {}{number}.", seen_as(name))),
            (Verdict::Flagged, _) => lines.push(format!("What I see, most likely: {}{number}.", seen_as(name))),
            (Verdict::Borderline, _) => {
                lines.push(format!("What I cannot tell from this clip: whether {}. Another clip would help.", seen_as(name)));
            }
            (Verdict::Clear, Certainty::Sure) => clear.push(looked_at(name)),
            (Verdict::Clear, _) => likely_clear.push(looked_at(name)),
            (Verdict::CannotMeasure, _) => unseen.push(looked_at(name)),
        }
    }
    if !clear.is_empty() {
        lines.push(format!("Measured and in order: {}.", words::list(&clear)));
    }
    if !likely_clear.is_empty() {
        lines.push(format!("Measured and most likely in order: {}.", words::list(&likely_clear)));
    }
    if !unseen.is_empty() {
        lines.push(format!("What this clip does not show: {}.", words::list(&unseen)));
    }
    lines
}

/// What a trend says to the student, with the numbers that it was judged by.
fn trend_line(t: &Trend, newest: &Report) -> Option<String> {
    let t = &told::trend(t, Some(newest));
    let d = t.metric.digits;
    let unit = if t.unit == "ratio" { String::new() } else { format!(" {}", t.unit) };
    let then_now = format!("{}{unit} then, {}{unit} now", words::number(t.first?, d), words::number(t.last?, d));
    match t.word {
        Word::Improving => Some(format!("Your {} is getting better: {then_now}. Well done, stay with it.", t.metric.words)),
        Word::Worsening => Some(format!("Your {} has grown: {then_now}. Let us work on it.", t.metric.words)),
        _ => None,
    }
}

/// A draft note to the student about the newest clip, to be changed by the coach; `again`: the sheet asks for that clip once
/// more.
pub fn note(newest: &Report, changes: &[Change], trends: &[&Trend], again: bool) -> String {
    let mut lines = vec![greeting(newest), String::new()];
    let start = format!("{} ", greeting(newest));
    let message = film_again(newest).map(|m| words::sentence(m.strip_prefix(&start).unwrap_or(&m)));
    if !newest.usable {
        lines.push(message.unwrap_or_else(|| "I could not work with your last clip.".into()));
        return lines.join("\n");
    }
    // a file's own time may be that of a copy: no day to name to the student
    let day = newest.clip.captured.as_deref().filter(|_| newest.clip.captured_source != Some(CapturedSource::Mtime));
    let clip = day.map_or_else(|| "your last clip".into(), |d| format!("your clip of {}", words::day(d)));
    lines.push(format!("I have been through {clip}."));
    lines.extend(fault_lines(newest));
    lines.extend(message.filter(|_| again));
    lines.extend(trends.iter().filter_map(|t| trend_line(t, newest)));
    let said = |metric: &str| trends.iter().any(|t| t.metric.metric == metric && matches!(t.word, Word::Improving | Word::Worsening));
    let within: Vec<&Change> = changes.iter().filter(|c| c.metric.lower_is_better && !said(c.metric.metric)).collect();
    if let Some(c) = within.iter().find(|c| c.is_beyond_error()) {
        let way = if c.is_worse() { "more" } else { "less" };
        lines.push(format!("Against your last clip the {} is {way}; we need a few more clips to call it a trend.", c.metric.words));
    } else if !within.is_empty() {
        let which: Vec<&str> = within.iter().map(|c| c.metric.words).collect();
        lines.push(format!("Against your last clip no change beyond what the camera can tell: {}.", words::list(&which)));
    }
    lines.extend(practice(newest));
    lines.extend([String::new(), CAUTIONS.into()]);
    lines.join("\n")
}

/// What to try, where a fault was found.
fn practice(report: &Report) -> Vec<String> {
    let Some(main) = report.swings.iter().find(|s| s.main) else { return Vec::new() };
    if !main.roots.is_empty() {
        let roots = main.roots.iter().map(|r| format!("- {}", r.practice));
        return [String::new(), "To try:".into()].into_iter().chain(roots).collect();
    }
    let flagged = main.faults.iter().find(|(_, f)| f.verdict == Verdict::Flagged);
    flagged.map_or_else(Vec::new, |(name, _)| vec![String::new(), format!("To try (common practice): {}", check(*name))])
}
