//! A value with its interval against its limit, as a small drawing with the numbers beside it as text.

use super::limits::{Bad, Limit, head_limit};
use super::{told, words};
use crate::report::Report;
use crate::report::types::Measured;
use std::fmt;

/// A length in a drawing, one decimal.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct At(pub f64);

impl fmt::Display for At {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:.1}", self.0)
    }
}

/// One metric's bar. Lengths are units of a drawing 300 wide.
#[derive(Debug, Clone)]
pub struct Bar {
    pub words: String,
    pub value: String,
    pub interval: String,
    /// "limit 5.0", "at least 0.0"; empty without a limit.
    pub limit: String,
    /// The same in other words: "18 % of the stance".
    pub aside: Option<String>,
    pub low: At,
    pub width: At,
    pub dot: At,
    pub tick: Option<At>,
    /// Start and width of the bad side.
    pub bad: Option<(At, At)>,
    pub zero: Option<At>,
    /// Whether the value itself is on the bad side.
    pub over: bool,
    pub tick_label: String,
    /// Anchor of the tick's label: near an end it points inward.
    pub anchor: &'static str,
}

const WIDTH: f64 = 300.0;
const MARGIN: f64 = 8.0;

/// The bar of a metric of the main swing, where it has a value.
pub fn bar(report: &Report, metric: &str) -> Option<Bar> {
    let m = told::value(report, metric)?;
    let mut bar = draw(words::metric(metric), &m, told::limit(report, metric));
    bar.value = told::amount(metric, &m);
    bar.interval = told::interval(metric, &m);
    if metric == "trail_hip_travel_cm" {
        bar.aside = told::of_stance(report);
    }
    if metric.starts_with("head_") {
        bar.aside = head_limit(report);
    }
    Some(bar)
}

fn draw(name: &str, m: &Measured, limit: Option<Limit>) -> Bar {
    // a limit on both sides is drawn on the value's side
    let place = limit.map(|l| if l.bad == Bad::EitherSide && m.value < 0.0 { -l.value } else { l.value });
    let ends = [0.0, m.low, m.high, m.value].into_iter().chain(place);
    let (low, high) = ends.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)));
    let room = ((high - low) * 0.12).max(1e-6);
    let (low, high) = (low - room, high + room);
    let x = |v: f64| MARGIN + (v - low) / (high - low) * (WIDTH - 2.0 * MARGIN);
    let d = words::digits(&m.unit);
    let right_is_bad = match limit.map(|l| l.bad) {
        Some(Bad::Over) => true,
        Some(Bad::Under) => false,
        _ => m.value >= 0.0,
    };
    let tick = place.map(x);
    let (text, tick_label) = match (limit, place) {
        (Some(l), Some(p)) if l.bad == Bad::EitherSide => (l.words(d), format!("limit {}", words::number(p, d))),
        (Some(l), _) => (l.words(d), l.words(d)),
        _ => (String::new(), String::new()),
    };
    Bar {
        words: words::sentence(name),
        value: words::value(m),
        interval: words::interval(m),
        limit: text,
        aside: None,
        low: At(x(m.low)),
        width: At((x(m.high) - x(m.low)).max(1.0)),
        dot: At(x(m.value)),
        tick: tick.map(At),
        bad: tick.map(|t| if right_is_bad { (At(t), At(WIDTH - t)) } else { (At(0.0), At(t)) }),
        zero: (place != Some(0.0)).then_some(At(x(0.0))),
        over: place.is_some_and(|p| if right_is_bad { m.value > p } else { m.value < p }),
        tick_label,
        anchor: match tick {
            Some(t) if t > WIDTH - 44.0 => "end",
            Some(t) if t < 44.0 => "start",
            _ => "middle",
        },
    }
}
