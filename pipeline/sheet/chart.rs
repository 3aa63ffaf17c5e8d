//! A student's metric over time: values with intervals, the limit, the trend's line with its band, the running average
//! and the size of the least change that error cannot make.

use super::bar::At;
use super::curves::{Level, path, round_levels};
use super::{told, words};
use crate::history::trend::{Trend, Word};
use crate::report::Report;
use crate::track::signal::median;

/// One clip in the chart.
#[derive(Debug, Clone)]
pub struct Spot {
    pub x: At,
    pub y: At,
    pub low: At,
    pub high: At,
    pub over: bool,
    /// The coach measured it.
    pub by_hand: bool,
    /// "12 Apr 2026: 7.1 (5.0 to 9.2)".
    pub title: String,
}

/// One metric, drawn in 340 × 200 units.
#[derive(Debug, Clone)]
pub struct Chart {
    pub words: String,
    pub word: &'static str,
    /// Name of the word's sign.
    pub sign: &'static str,
    pub reason: String,
    /// How the word was found, for those who want to know.
    pub method: String,
    pub spots: Vec<Spot>,
    pub levels: Vec<Level>,
    pub limit: Option<Level>,
    pub line: Option<String>,
    pub band: Option<String>,
    pub average: Option<String>,
    /// Upper and lower end of the minimal detectable change, drawn as a bracket beside the first clip.
    pub bracket: Option<(At, At)>,
    pub detectable: String,
    pub newest: String,
    pub first_day: String,
    pub last_day: String,
    pub description: String,
}

const LEFT: f64 = 34.0;
const RIGHT: f64 = 322.0;
/// Above it stands the limit's label, where no clip can cover it.
const TOP: f64 = 24.0;
const BOTTOM: f64 = 172.0;

/// The chart of a trend; `newest` is the report of its newest clip, for the limit.
pub fn chart(trend: &Trend, newest: Option<&Report>) -> Chart {
    let trend = &told::trend(trend, newest);
    let d = trend.metric.digits;
    let place = newest.and_then(|r| told::limit(r, trend.metric.metric)).map(|l| l.value);
    let ends = trend.points.iter().flat_map(|p| [p.low, p.high]).chain(place);
    let (low, high) = ends.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)));
    let room = ((high - low) * 0.06).max(1e-6);
    let (low, high) = (low - room, high + room);
    let last = trend.newest().day;
    let x = |day: f64| {
        if last > 0.0 { LEFT + 12.0 + day / last * (RIGHT - LEFT - 24.0) } else { (LEFT + RIGHT) / 2.0 }
    };
    let y = |v: f64| BOTTOM - (v.clamp(low, high) - low) / (high - low) * (BOTTOM - TOP);
    let unit = if trend.unit == "ratio" { String::new() } else { format!(" {}", trend.unit) };
    let spots: Vec<Spot> = trend
        .points
        .iter()
        .map(|p| Spot {
            x: At(x(p.day)),
            y: At(y(p.value)),
            low: At(y(p.low)),
            high: At(y(p.high)),
            over: place.is_some_and(|l| p.value > l),
            by_hand: p.by_hand,
            title: format!(
                "{}: {}{unit} ({} to {}){}",
                words::day(&p.captured),
                words::number(p.value, d),
                words::number(p.low, d),
                words::number(p.high, d),
                if p.by_hand { ", as you measured it" } else { "" }
            ),
        })
        .collect();
    // the line says something only where there are enough clips for one
    let drawn = trend.line.filter(|_| trend.days.len() >= 3 && last > 0.0);
    let days: Vec<f64> = trend.days.iter().map(|d| d.day).collect();
    let middle = median(&days);
    let band = drawn.filter(|_| days.len() >= 5).map(|l| {
        let at = |slope: f64, day: f64| l.at(middle) + slope * (day - middle);
        let corners = [
            (0.0, at(l.low, 0.0).max(at(l.high, 0.0))),
            (middle, l.at(middle)),
            (last, at(l.low, last).max(at(l.high, last))),
            (last, at(l.low, last).min(at(l.high, last))),
            (middle, l.at(middle)),
            (0.0, at(l.low, 0.0).min(at(l.high, 0.0))),
        ];
        path(corners.into_iter().map(|(day, v)| (x(day), y(v)))) + "Z"
    });
    let average = (days.len() >= 5).then(|| path(days.iter().zip(&trend.ewma.values).map(|(t, v)| (x(*t), y(*v)))));
    let mdc = trend.minimal_detectable_change;
    let half = mdc / (high - low) * (BOTTOM - TOP) / 2.0;
    let centre = (TOP + BOTTOM) / 2.0;
    Chart {
        words: words::sentence(trend.metric.words),
        word: trend.words(),
        sign: match trend.word {
            Word::Improving => "better",
            Word::Worsening => "worse",
            Word::Changing => "moving",
            Word::Steady if trend.is_open() => "early",
            Word::Steady => "steady",
            Word::TooEarly => "early",
        },
        reason: told::why(trend),
        method: method(trend),
        bracket: (half * 2.0 <= BOTTOM - TOP).then_some((At(centre - half), At(centre + half))),
        detectable: format!("{}{unit}", words::number(mdc, d)),
        newest: format!("{}{unit}", words::number(trend.newest().value, d)),
        description: format!(
            "{} of {} from {} to {}: first {}, newest {}{unit}; {}",
            words::sentence(trend.metric.words),
            words::count(spots.len(), "clip", "clips"),
            words::day(&trend.points[0].captured),
            words::day(&trend.newest().captured),
            words::number(trend.points[0].value, d),
            words::number(trend.newest().value, d),
            trend.words()
        ),
        spots,
        levels: round_levels(low, high)
            .into_iter()
            .map(|v| Level { y: At(y(v)), label: words::number(v, usize::from(high - low < 2.0)) })
            .collect(),
        limit: place.map(|l| Level { y: At(y(l)), label: format!("limit {}", words::number(l, d)) }),
        line: drawn.map(|l| path([0.0, last].into_iter().map(|day| (x(day), y(l.at(day)))))),
        band,
        average,
        first_day: words::day(&trend.points[0].captured),
        last_day: words::day(&trend.newest().captured),
    }
}

fn method(t: &Trend) -> String {
    let unit = if t.unit == "ratio" { String::new() } else { format!(" {}", t.unit) };
    let d = t.metric.digits;
    let test = match t.any_time {
        _ if t.corrected < 0.001 => "p under 0.001".into(),
        Some(_) => format!("p {:.3}", t.corrected),
        None => "not tested yet".into(),
    };
    format!(
        "Order: a rank test that may be looked at after every clip, corrected over all that is followed ({test}; called an order up to \
         0.05). Size: against the {}{unit} that error and a day's form can make. Line: Theil–Sen, with the 95 % band of its slope. \
         Dashes: exponentially weighted average of the days.",
        words::number(t.error_of_change, d)
    )
}
