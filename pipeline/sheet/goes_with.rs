//! What goes with what in a student's clips, in words and small plots.

use super::bar::At;
use super::curves::{Level, round_levels};
use super::words;
use crate::history::association::{Association, ENOUGH, STANDS_OUT, over_students};
use crate::measure::names;
use std::collections::BTreeMap;

/// One clip.
pub struct Spot {
    pub x: At,
    pub y: At,
    pub title: String,
}

/// A fault against a sign, drawn in 340 × 196 units.
pub struct Plot {
    pub fault: &'static str,
    pub sign: &'static str,
    pub spots: Vec<Spot>,
    pub levels: Vec<Level>,
    /// The ends of the sign's axis.
    pub least: String,
    pub most: String,
    pub description: String,
}

/// The section of a student's page.
pub struct GoesWith {
    pub sentences: Vec<String>,
    pub plots: Vec<Plot>,
    pub caution: &'static str,
}

const CAUTION: &str = "That two things go together does not say that one makes the other: both may come with the day, the club or the camera. \
                       Rank correlation (1: in the same order, −1: in the opposite one) and the chance of one so large if nothing went together, \
                       all pairs counted.";

/// Of the student with this folder name; `None` under six clips of one kind.
pub fn goes_with(of_each: &BTreeMap<String, Vec<Association>>, owner: &str) -> Option<GoesWith> {
    let own = of_each.get(owner)?;
    let clips = own.iter().map(|a| a.points.len()).max()?;
    let mut standing: Vec<&Association> = own.iter().filter(|a| a.p <= STANDS_OUT).collect();
    standing.sort_by(|a, b| a.p.total_cmp(&b.p));
    let mut sentences: Vec<String> = standing.iter().map(|a| sentence(a)).collect();
    if standing.is_empty() {
        sentences.push(format!(
            "Nothing stands out in these {clips} clips: no sign of the set-up or the way down is larger wherever a fault is."
        ));
    }
    sentences.extend(practice(own, clips));
    let all: Vec<Vec<Association>> = of_each.values().cloned().collect();
    let over: Vec<String> = over_students(&all)
        .into_iter()
        .filter(|(_, _, p, _)| *p <= STANDS_OUT)
        .map(|(pair, mean, p, students)| {
            let way = if mean > 0.0 { "larger" } else { "smaller" };
            let (sign, fault) = (words::metric(pair.sign), words::metric(pair.fault));
            format!("within {students} students, the larger “{sign}”, the {way} “{fault}” ({}, chance {})", number(mean), chance(p))
        })
        .collect();
    if !over.is_empty() {
        sentences.push(format!("Over all students with {ENOUGH} clips or more: {}.", over.join("; ")));
    }
    Some(GoesWith { sentences, plots: standing.iter().map(|a| plot(a)).collect(), caution: CAUTION })
}

fn number(rho: f64) -> String {
    words::number(rho, 2)
}

fn chance(p: f64) -> String {
    if p < 0.001 { "under 0.001".into() } else { words::number(p, 3) }
}

fn sentence(a: &Association) -> String {
    let way = if a.rho > 0.0 { "larger" } else { "smaller" };
    let (sign, fault) = (words::metric(a.pair.sign), words::metric(a.pair.fault));
    format!(
        "In {} clips: the larger “{sign}”, the {way} “{fault}” (rank correlation {}, chance {}).",
        a.points.len(),
        number(a.rho),
        chance(a.p)
    )
}

/// What common practice holds for a root: the words, the pairs' signs, and the sign of their correlation.
const HELD: [(&str, &[&str], f64); 3] = [
    (
        "a set-up without tilt for a root of sway",
        &["shoulder_tilt_address_deg", "spine_tilt_address_deg", "head_behind_centre_address_cm", "trail_knee_inside_address_cm"],
        -1.0,
    ),
    ("hips that stall for a root of the chicken wing", &["pelvis_shift_impact_cm"], 1.0),
    ("an arm that leaves the trunk early for a root of the chicken wing", &["lead_elbow_separation_impact_cm"], 1.0),
];

fn practice(own: &[Association], clips: usize) -> Option<String> {
    let told: Vec<String> = HELD
        .iter()
        .filter_map(|(what, signs, way)| {
            let of: Vec<&Association> = own.iter().filter(|a| signs.contains(&a.pair.sign)).collect();
            let shows = of.iter().any(|a| a.p <= STANDS_OUT && a.rho * way > 0.0);
            (!of.is_empty())
                .then(|| format!("{what} {}", if shows { "(in these clips it shows)" } else { "(in these clips it does not show)" }))
        })
        .collect();
    let all: Vec<&str> = told.iter().map(String::as_str).collect();
    (!all.is_empty()).then(|| format!("Common practice holds {}. {clips} clips tell only what is plain.", words::list(&all)))
}

const LEFT: f64 = 34.0;
const RIGHT: f64 = 322.0;
const TOP: f64 = 24.0;
const BOTTOM: f64 = 172.0;

fn plot(a: &Association) -> Plot {
    let span = |v: &dyn Fn(&(f64, f64)) -> f64| {
        let (low, high) = a.points.iter().map(v).fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)));
        let room = 0.08 * (high - low).max(1e-6);
        (low - room, high + room)
    };
    let (x, y) = (span(&|p| p.0), span(&|p| p.1));
    let at_x = |v: f64| LEFT + (v - x.0) / (x.1 - x.0) * (RIGHT - LEFT);
    let at_y = |v: f64| BOTTOM - (v - y.0) / (y.1 - y.0) * (BOTTOM - TOP);
    let unit = |metric: &str| names::find(metric).map_or("", |m| m.unit);
    let printed = |metric: &str, v: f64| format!("{} {}", words::number(v, words::digits(unit(metric))), words::unit(unit(metric)));
    let (sign, fault) = (words::metric(a.pair.sign), words::metric(a.pair.fault));
    let digits = words::digits(unit(a.pair.fault));
    Plot {
        fault,
        sign,
        spots: a
            .points
            .iter()
            .map(|p| Spot {
                x: At(at_x(p.0)),
                y: At(at_y(p.1)),
                title: format!("{}: {}; {}: {}", sign, printed(a.pair.sign, p.0), fault, printed(a.pair.fault, p.1)),
            })
            .collect(),
        levels: round_levels(y.0, y.1).into_iter().map(|v| Level { y: At(at_y(v)), label: words::number(v, digits) }).collect(),
        least: printed(a.pair.sign, x.0),
        most: printed(a.pair.sign, x.1),
        description: format!("{} Each dot is a clip.", sentence(a)),
    }
}
