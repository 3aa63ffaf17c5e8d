//! Drafts for the coach to send: plain words, marked where they are common practice, with the usual cautions.

use super::since::Change;
use super::words;
use crate::history::trend::{Trend, Word, value};
use crate::report::types::{FaultName, Verdict};
use crate::report::{Reason, Report, Severity};

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
    let curable = |r: &&Reason| r.code.cured_by_filming_again();
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
    let mut advice: Vec<String> = reasons.iter().map(|r| words::sentence(&r.advice)).collect();
    advice.dedup();
    Some(format!(
        "{} thank you for {clip}. I cannot {what}: {}. Could you film it once more? {}. Clear the area first, and nobody in line.",
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
    }
}

/// What a fault is called to a student.
fn seen_as(fault: FaultName) -> &'static str {
    match fault {
        FaultName::Sway => "going back, your hips slide sideways, away from the target, rather than turn",
        FaultName::ChickenWing => "after the strike your lead arm bends and its elbow leaves the line from shoulder to hands, outward",
        FaultName::HeadDrift => "going back, your head moves a good way from where it started",
    }
}

fn fault_lines(report: &Report) -> Vec<String> {
    let Some(main) = report.swings.iter().find(|s| s.main) else {
        return Vec::new();
    };
    FaultName::ALL
        .into_iter()
        .filter_map(|name| {
            let fault = main.faults.get(&name)?;
            let driver = fault.drivers.first().and_then(|d| Some((d, value(report, d)?)));
            let number = driver.map_or_else(String::new, |(_, m)| format!(" (about {}, give or take)", words::value(m)));
            match fault.verdict {
                Verdict::Flagged => Some(format!("What I see: {}{number}.", seen_as(name))),
                Verdict::Borderline => {
                    Some(format!("Perhaps: {}. The camera alone cannot settle it; another clip would help.", seen_as(name)))
                }
                _ => None,
            }
        })
        .collect()
}

/// A draft note to the student about the newest clip, to be changed by the coach.
pub fn note(newest: &Report, changes: &[Change], trends: &[&Trend]) -> String {
    let mut lines = vec![greeting(newest), String::new()];
    let clip = newest.clip.captured.as_deref().map_or_else(|| "your last clip".into(), |d| format!("your clip of {}", words::day(d)));
    lines.push(format!("I have been through {clip}."));
    let faults = fault_lines(newest);
    if !newest.usable {
        lines.pop();
        let message = film_again(newest).unwrap_or_else(|| "I could not work with your last clip.".into());
        let start = format!("{} ", greeting(newest));
        lines.push(words::sentence(message.strip_prefix(&start).unwrap_or(&message)));
        return lines.join("\n");
    }
    if faults.is_empty() {
        lines.push("What the camera shows there is in order.".into());
    }
    lines.extend(faults);
    for t in trends {
        let then_now =
            format!("{} then, {} now", words::number(t.points[0].value, t.metric.digits), words::number(t.last().value, t.metric.digits));
        match t.word {
            Word::Improving => lines.push(format!("Your {} is getting better: {then_now}. Well done, stay with it.", t.metric.words)),
            Word::Worsening => lines.push(format!("Your {} has grown: {then_now}. Let us work on it.", t.metric.words)),
            _ => {}
        }
    }
    let said = |metric: &str| trends.iter().any(|t| t.metric.metric == metric && matches!(t.word, Word::Improving | Word::Worsening));
    let within: Vec<&Change> = changes.iter().filter(|c| c.metric.lower_is_better && !said(c.metric.metric)).collect();
    if let Some(c) = within.iter().find(|c| c.is_beyond_error()) {
        let way = if c.is_worse() { "more" } else { "less" };
        lines.push(format!("Against your last clip the {} is {way}; we need a few more clips to call it a trend.", c.metric.words));
    } else if !within.is_empty() {
        lines.push("Against your last clip nothing has changed by more than the camera can tell.".into());
    }
    let main = newest.swings.iter().find(|s| s.main);
    let roots: Vec<&str> = main.map(|m| m.roots.iter().map(|r| r.practice.as_str()).collect()).unwrap_or_default();
    if !roots.is_empty() {
        lines.push(String::new());
        lines.push("To try:".into());
        lines.extend(roots.iter().map(|r| format!("- {r}")));
    } else if let Some((name, _)) = main.and_then(|m| m.faults.iter().find(|(_, f)| f.verdict == Verdict::Flagged)) {
        lines.push(String::new());
        lines.push(format!("To try (common practice): {}", check(*name)));
    }
    lines.extend([String::new(), CAUTIONS.into()]);
    lines.join("\n")
}
