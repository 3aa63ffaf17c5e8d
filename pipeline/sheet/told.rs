//! A measured value as a coach says it to a student at arm's length: centimetres instead of shares of an arm, a side instead of a
//! sign, and no bare zero where the hip went the other way.

use super::limits::{self, Limit};
use super::words;
use crate::history::statistics::Line;
use crate::history::trend::{ENOUGH, Tracked, Trend, Word, reason};
use crate::report::Report;
use crate::report::types::{Fault, Measured, Swing};
use crate::swing::scale;

/// Of a golfer of whom nothing else is known.
pub const USUAL_STATURE_CM: f64 = 175.0;

/// The bow of the lead arm, which is measured in lengths of the upper arm.
pub const BOW: &str = "lead_elbow_bow_late_upper_arms";
const HIP: &str = "trail_hip_travel_cm";

/// The stature by which all lengths of the report are scaled, cm, where the report says it.
pub fn stature_cm(report: &Report) -> Option<f64> {
    report.provenance.iter().find(|s| s.step == "scale")?.parameters["stature_cm"].as_f64()
}

/// The golfer's upper arm by that stature, cm.
pub fn upper_arm_cm(report: &Report) -> f64 {
    scale::upper_arm_cm(stature_cm(report).unwrap_or(USUAL_STATURE_CM))
}

fn main(report: &Report) -> Option<&Swing> {
    report.swings.iter().find(|s| s.main)
}

fn measured(report: &Report, metric: &str) -> Option<Measured> {
    main(report)?.metrics.get(metric)?.counting()
}

/// Factor, unit and decimals by which a metric is told.
pub fn unit(report: &Report, metric: &str, unit: &str) -> (f64, String, usize) {
    if metric == BOW { (upper_arm_cm(report), "cm".into(), 1) } else { (1.0, unit.into(), words::digits(unit)) }
}

/// Value and interval of a metric of the main swing in the unit in which it is told. Where the hip does not go away from the
/// target, how far it goes the other way.
pub fn value(report: &Report, metric: &str) -> Option<Measured> {
    let m = measured(report, metric)?;
    let other_way =
        (metric == HIP && m.by_hand.is_none() && is_nothing(&m)).then(|| measured(report, "trail_hip_move_at_furthest_cm")).flatten();
    let m = other_way.filter(|o| o.value < 0.0).unwrap_or(m);
    let (factor, unit, _) = unit(report, metric, &m.unit);
    Some(Measured { value: m.value * factor, low: m.low * factor, high: m.high * factor, unit, ..m.clone() })
}

/// The limit in that unit.
pub fn limit(report: &Report, metric: &str) -> Option<Limit> {
    let factor = if metric == BOW { upper_arm_cm(report) } else { 1.0 };
    limits::limit(report, metric).map(|l| Limit { value: l.value * factor, ..l })
}

/// Whether a length that cannot be negative prints as nothing.
pub fn is_nothing(m: &Measured) -> bool {
    words::number(m.value, words::digits(&m.unit)).chars().all(|c| matches!(c, '0' | '.'))
}

/// The two sides of a metric whose sign means one: where the value is positive, and where it is negative.
fn sides(metric: &str) -> Option<(&'static str, &'static str)> {
    Some(match metric {
        HIP => ("", "toward the target"),
        BOW => ("out of line", "inside the line"),
        "hip_edge_inside_foot_cm" => ("inside", "outside"),
        "head_vertical_top_cm" => ("up", "down"),
        "head_lateral_max_back_cm" => ("", "toward the target"),
        "pelvis_toward_ball_impact_cm" => ("toward the ball", "away from the ball"),
        _ => return None,
    })
}

/// "7.5 cm", "1.2 cm toward the target", "none".
pub fn amount(metric: &str, m: &Measured) -> String {
    match sides(metric) {
        _ if is_nothing(m) && metric.contains("_travel_") => "none".into(),
        Some((over, under)) => {
            let size = Measured { value: m.value.abs(), ..m.clone() };
            let side = if m.value < 0.0 { under } else { over };
            let told = words::value(&size);
            if side.is_empty() || is_nothing(&size) { told } else { format!("{told} {side}") }
        }
        None => words::value(m),
    }
}

/// The interval; of what lies on its other side with sides instead of signs.
pub fn interval(metric: &str, m: &Measured) -> String {
    let side = |v: f64| format!("{} {}", words::number(v.abs(), words::digits(&m.unit)), if v < 0.0 { "toward" } else { "away" });
    let lateral = matches!(metric, HIP | "head_lateral_max_back_cm");
    match sides(metric) {
        _ if m.value >= 0.0 => words::interval(m),
        _ if lateral => format!("{} to {}", side(m.low), side(m.high)),
        Some((over, under)) => {
            let side = |v: f64| format!("{} {}", words::number(v.abs(), words::digits(&m.unit)), if v < 0.0 { under } else { over });
            format!("{} to {}", side(m.low), side(m.high))
        }
        None => words::interval(m),
    }
}

/// As a coach says it without looking at the number twice: whole centimetres.
pub fn roughly(report: &Report, metric: &str) -> Option<String> {
    let m = value(report, metric)?;
    let whole = m.value.round();
    let told = amount(metric, &Measured { value: whole, ..m.clone() });
    if m.unit == "cm" && whole != 0.0 { Some(told.replacen(".0 cm", " cm", 1)) } else { Some(amount(metric, &m)) }
}

/// A trend in the unit in which its metric is told; `newest` is the report of its newest clip.
pub fn trend(t: &Trend, newest: Option<&Report>) -> Trend {
    let Some((factor, unit, digits)) = newest.filter(|_| t.metric.metric == BOW).map(|r| unit(r, BOW, &t.unit)) else { return t.clone() };
    let mut t = Trend { metric: Tracked { digits, ..t.metric }, unit, ..t.clone() };
    for p in &mut t.points {
        (p.value, p.low, p.high) = (p.value * factor, p.low * factor, p.high * factor);
    }
    for d in &mut t.days {
        (d.value, d.error) = (d.value * factor, d.error * factor);
    }
    for v in [&mut t.first, &mut t.last, &mut t.change].into_iter().flatten().chain(&mut t.ewma.values) {
        *v *= factor;
    }
    t.error_of_change *= factor;
    t.minimal_detectable_change *= factor;
    t.line = t.line.map(|l| Line { slope: l.slope * factor, low: l.low * factor, high: l.high * factor, intercept: l.intercept * factor });
    t.reason = reason(&t);
    t
}

/// Why a trend has its word, without the names of the methods: those stand behind a fold.
pub fn why(t: &Trend) -> String {
    let (n, d) = (t.days.len(), t.metric.digits);
    let Some(change) = t.change else { return "One day with a clip: nothing to compare with yet.".into() };
    let unit = if t.unit == "ratio" { String::new() } else { format!(" {}", t.unit) };
    let size = words::number(change.abs(), d);
    let none = size.chars().all(|c| matches!(c, '0' | '.'));
    let moved = match (none, change > 0.0) {
        (true, _) => "no change".to_string(),
        (false, true) => format!("{size}{unit} more"),
        (false, false) => format!("{size}{unit} less"),
    };
    let form = format!("the {}{unit} that error and a day's form can make", words::number(t.error_of_change, d));
    let beyond = change.abs() > t.error_of_change;
    match t.word {
        Word::TooEarly => {
            let than = if none { String::new() } else { format!(", {} than {form}", if beyond { "more" } else { "less" }) };
            format!("{}; a trend takes {ENOUGH}. So far {moved}{than}.", words::count(n, "day", "days"))
        }
        Word::Steady if beyond => {
            format!("{n} days: {moved} than in the first days, beyond {form}, but not so clearly in order that chance is ruled out.")
        }
        Word::Steady if none => format!("{n} days: no change."),
        Word::Steady => format!("{n} days: {moved} than in the first days, within {form}."),
        _ => format!("{n} days: {moved} than in the first days, in order and beyond {form}."),
    }
}

/// [`amount`] of a metric of a report.
pub fn told(report: &Report, metric: &str) -> Option<String> {
    value(report, metric).map(|m| amount(metric, &m))
}

/// The slide as a share of the stance, where there is a slide: "18 % of the stance".
pub fn of_stance(report: &Report) -> Option<String> {
    let m = measured(report, "trail_hip_travel_pct_stance").filter(|m| !is_nothing(m))?;
    measured(report, HIP).filter(|h| !is_nothing(h))?;
    Some(format!("{} of the stance", words::value(&m)))
}

/// What decided a verdict, in one clause: the numbers with their intervals and limits in brackets. The report's own text where it
/// was made by a version that measured otherwise.
pub fn clause(report: &Report, fault: &Fault) -> String {
    let one = |metric: &String| {
        let m = value(report, metric)?;
        let what = amount(metric, &m);
        let said = match metric.as_str() {
            HIP if m.value < 0.0 => format!("trail hip moves {what}"),
            HIP => format!("trail hip slides {what} away from the target"),
            "trail_hip_travel_pct_stance" => format!("that is {what} of the stance"),
            "pelvis_travel_cm" => format!("pelvis slides {what} away from the target"),
            "hip_edge_inside_foot_cm" => format!("hip's outer edge {what} the trail foot's"),
            BOW => format!("lead elbow {what} after impact"),
            "head_lateral_max_back_cm" if m.value < 0.0 => format!("head moves {what}"),
            "head_lateral_max_back_cm" => format!("head moves {what} away from the target"),
            "head_vertical_top_cm" => format!("head moves {what} by the top"),
            _ => format!("{} {what}", words::metric(metric)),
        };
        let limit = limit(report, metric).map_or_else(String::new, |l| format!("; {}", l.words(words::digits(&m.unit))));
        Some(format!("{said} ({}{limit})", interval(metric, &m)))
    };
    let share_alone = fault.drivers.first().is_some_and(|d| d == "trail_hip_travel_pct_stance");
    let told: Vec<String> = fault.drivers.iter().take(2).filter_map(one).collect();
    let told = told.join("; ");
    match told.is_empty() {
        true => crate::report::printable(&fault.text),
        false if share_alone => told.replacen("that is", "trail hip slides", 1),
        false => told,
    }
}
