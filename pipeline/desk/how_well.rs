//! The page "How well it measures here": what the clips that were measured by hand say of the program, and what of it is adopted.

use super::pages::aside;
use super::ruler::{rendered, student, told};
use super::{AtHand, Desk};
use crate::batch::in_force;
use crate::error::Result;
use crate::place::OutFolder;
use crate::report::printable;
use crate::ruler::agree::With;
use crate::ruler::table::{FEWEST, Line, Table, table};
use crate::ruler::{adopt as arithmetic, draw};
use crate::settings::Own;
use crate::settings::own::METRICS;
use crate::sheet;
use crate::sheet::told::{BOW, USUAL_STATURE_CM};
use crate::swing::scale::upper_arm_cm;
use askama::Template;
use axum::Json;
use axum::extract::State;
use axum::response::Response;
use serde::{Deserialize, Serialize};
use std::sync::Arc;

/// What to adopt or to drop.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Which {
    metric: String,
}

/// What is adopted now.
#[derive(Serialize)]
struct Adopted {
    adopted: Vec<String>,
}

pub async fn adopt(State(desk): State<Arc<Desk>>, Json(asked): Json<Which>) -> Response {
    change(desk, move |d, own| {
        let at_hand = d.at_hand();
        let table = the_table(&d.out, &at_hand)?;
        arithmetic::adopt(&table, own, std::slice::from_ref(&asked.metric), jiff::Timestamp::now())
    })
    .await
}

pub async fn drop(State(desk): State<Arc<Desk>>, Json(asked): Json<Which>) -> Response {
    change(desk, move |_, own| arithmetic::drop(own, std::slice::from_ref(&asked.metric)).map(|_| ())).await
}

async fn change(desk: Arc<Desk>, how: impl FnOnce(&Desk, &mut Own) -> Result<()> + Send + 'static) -> Response {
    aside(desk, |d| {
        let _pen = d.out.pen()?;
        let mut own = Own::read(d.out.root())?;
        how(d, &mut own)?;
        own.write(d.out.root())?;
        Ok(Some(Json(Adopted { adopted: own.metric.into_keys().collect() })))
    })
    .await
}

fn the_table(out: &OutFolder, at_hand: &AtHand) -> Result<Table> {
    let settings = in_force::settings(&at_hand.store)?.adopted_in(out.root())?;
    table(&at_hand.store.results()?, &at_hand.store.marked()?, &settings)
}

/// A clip that was drawn.
struct Waiting {
    page: String,
    student: String,
    file: String,
    again: bool,
}

/// One metric in a coach's words.
struct Told {
    words: String,
    sentence: String,
    more: Vec<String>,
    /// Differences against means, where they are told.
    plot: Option<Plot>,
    metric: &'static str,
    /// What is adopted of it, in words, to be taken back.
    adopted: Option<String>,
    /// What adopting it would do.
    offer: Option<String>,
}

/// A small picture of differences: places in its own units, 320 by 160.
struct Plot {
    dots: Vec<(f64, f64)>,
    zero: f64,
    bias: f64,
    low: f64,
    high: f64,
    top_label: String,
    bottom_label: String,
    alt: String,
}

#[derive(Template)]
#[template(path = "ruler.html")]
struct RulerPage {
    base: &'static str,
    live: bool,
    headline: String,
    lead: String,
    told: Vec<Told>,
    verdicts: Option<String>,
    changed: Vec<String>,
    waiting: Vec<Waiting>,
}

fn signed(w: With, unit: &str) -> String {
    format!("{} ({} to {})", number(w.value, unit), number(w.low, unit), number(w.high, unit))
}

/// With its sign.
fn number(v: f64, unit: &str) -> String {
    if v < 0.0 { format!("−{}", told(-v, unit)) } else { format!("+{}", told(v, unit)) }
}

/// The line in the unit in which a coach hears it: what is measured in upper arms, in centimetres of a usual golfer's.
fn as_told(line: &Line) -> Line {
    if line.metric != BOW {
        return line.clone();
    }
    let by = upper_arm_cm(USUAL_STATURE_CM);
    let with = |w: With| With { value: w.value * by, low: w.low * by, high: w.high * by };
    let mut line = line.clone();
    line.unit = "cm";
    if let Some(a) = &mut line.agreement {
        (a.bias, a.sd, a.limits) = (with(a.bias), a.sd * by, a.limits.map(with));
    }
    if let Some(r) = &mut line.repeats {
        (r.within_sd, r.repeatability) = (r.within_sd * by, r.repeatability * by);
    }
    if let Some(a) = &mut line.adopted {
        (a.shift, a.sd) = (a.shift * by, a.sd * by);
        (a.later.with, a.later.without, a.later.change) = (a.later.with * by, a.later.without * by, a.later.change.map(with));
    }
    for p in &mut line.pairs {
        (p.by_hand, p.by_hand_low, p.by_hand_high, p.mark_error) =
            (p.by_hand * by, p.by_hand_low * by, p.by_hand_high * by, p.mark_error * by);
        (p.program, p.adopted) = (p.program.map(with), p.adopted.map(with));
    }
    line
}

fn plot(line: &Line) -> Option<Plot> {
    let a = line.agreement?;
    let pairs: Vec<(f64, f64)> = line.pairs.iter().filter_map(|p| Some(((p.program?.value + p.by_hand) / 2.0, p.difference()?))).collect();
    let ends = |v: &mut dyn Iterator<Item = f64>| v.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), x| (l.min(x), h.max(x)));
    let (left, right) = ends(&mut pairs.iter().map(|p| p.0));
    let limits = [a.limits[0].value, a.limits[1].value, 0.0];
    let (bottom, top) = ends(&mut pairs.iter().map(|p| p.1).chain(limits));
    let x = |v: f64| 20.0 + 280.0 * (v - left) / (right - left).max(1e-9);
    let y = |v: f64| 150.0 - 140.0 * (v - bottom) / (top - bottom).max(1e-9);
    Some(Plot {
        dots: pairs.iter().map(|(m, d)| (x(*m), y(*d))).collect(),
        zero: y(0.0),
        bias: y(a.bias.value),
        low: y(a.limits[0].value),
        high: y(a.limits[1].value),
        top_label: format!("{} {}", told(top, line.unit), line.unit),
        bottom_label: format!("{} {}", told(bottom, line.unit), line.unit),
        alt: format!("Program less hand against their mean, {} clips", line.n),
    })
}

fn in_words(measured: &Line) -> Told {
    let line = &as_told(measured);
    let unit = line.unit;
    let by = if unit == measured.unit { 1.0 } else { upper_arm_cm(USUAL_STATURE_CM) };
    let mut more = Vec::new();
    let sentence = match (line.agreement, line.inside) {
        (Some(a), Some(inside)) => {
            more.push(format!("Program less hand: {} {unit} on average, SD {}.", signed(a.bias, unit), told(a.sd, unit)));
            more.push(format!(
                "Nineteen of twenty differences between {} and {} {unit}.",
                signed(a.limits[0], unit),
                signed(a.limits[1], unit)
            ));
            more.push(format!("Share inside the program's interval: {:.0} to {:.0} %.", 100.0 * inside.low, 100.0 * inside.high));
            let side = match (a.bias.low > 0.0, a.bias.high < 0.0) {
                (true, _) => format!("The program reads {} {unit} more than you.", told(a.bias.value, unit)),
                (_, true) => format!("The program reads {} {unit} less than you.", told(-a.bias.value, unit)),
                _ => "Program and you agree on average.".to_string(),
            };
            let most = a.limits.iter().map(|l| l.value.abs()).fold(0.0, f64::max);
            format!(
                "{side} On a single clip the two may differ by {} {unit}. What you measured lay inside the program's interval in {} of {} clips.",
                told(most, unit),
                inside.hits,
                inside.of
            )
        }
        _ => {
            more.extend(line.pairs.iter().map(|p| {
                let [value, low, high] = [p.by_hand, p.by_hand_low, p.by_hand_high].map(|v| told(v, unit));
                format!("By hand {value} {unit} ({low} to {high}).")
            }));
            "Too few to tell.".to_string()
        }
    };
    if let Some(r) = line.repeats {
        let clips = if r.n == 1 { "clip" } else { "clips" };
        more.push(format!("Your own two measurements of {} {clips}: within {} {unit}.", r.n, told(r.repeatability, unit)));
    }
    if unit != measured.unit {
        more.push(format!("In centimetres of an upper arm of {by:.0}, a golfer's of {USUAL_STATURE_CM:.0} cm; measured in its lengths."));
    }
    let taken = |shift: f64| {
        let size = told(shift.abs(), unit);
        if shift < 0.0 { format!("adds {size} {unit} to what it reads") } else { format!("takes {size} {unit} off what it reads") }
    };
    let adopted = line.adopted.as_ref().map(|a| {
        let day = sheet::words::day(&a.adopted_at);
        format!("Adopted on {day} from {} clips: the program {}. {}", a.n, taken(a.shift), a.told(|v| told(v, unit), unit))
    });
    let would = arithmetic::adoptable(measured, jiff::Timestamp::now()).ok().filter(|_| METRICS.contains(&line.metric));
    let offer = would.map(|would| {
        format!(
            "If you adopt this, the program {} and gives ±{} {unit} as its error. That is less than the average difference, because {} clips \
             prove only so much. Verdicts change with the next night, or at once with dawnsheet rejudge.",
            taken(by * would.shift),
            told(by * 1.96 * would.sd, unit),
            would.n
        )
    });
    Told { words: sheet::sentence(line.words), sentence, more, plot: plot(line), metric: line.metric, adopted, offer }
}

fn ruler_page(out: &OutFolder, at_hand: &AtHand) -> Result<RulerPage> {
    let (results, marked) = (at_hand.store.results()?, at_hand.store.marked()?);
    let t = the_table(out, at_hand)?;
    let waiting = draw::open(&marked).into_iter().filter_map(|((owner, clip), again)| {
        let page = at_hand.sheet.page_of(&owner, &clip)?.to_string();
        let report = &results.iter().find(|(s, _)| s.owner == owner && s.report.clip.id == clip)?.0.report;
        Some(Waiting { page, student: student(report), file: printable(&report.clip.file), again })
    });
    let headline = match t.clips {
        0 => "No clip is measured by hand yet".to_string(),
        1 => "One clip measured by hand".to_string(),
        n => format!("{n} clips measured by hand"),
    };
    let lead = if t.enough {
        let by = if t.mark_sd_by_repeats { "by your own repeats" } else { "assumed, until some clips are marked twice" };
        format!("A point of yours errs by {:.1} pixels ({by}).", t.mark_sd_px)
    } else {
        format!("Too few to tell how well the program measures: {FEWEST} are needed.")
    };
    let verdicts = t.enough.then(|| match t.changed.len() {
        0 => format!("None of {} verdicts would have been another by your own measurement.", t.verdicts),
        n => format!("{n} of {} verdicts would have been another by your own measurement.", t.verdicts),
    });
    let changed = t.changed.iter().map(|c| {
        let (file, fault) = (printable(&c.file), c.fault.words());
        format!("{file}: {fault} {} by the program, {} by hand", c.program.words(), c.by_hand.words())
    });
    Ok(RulerPage {
        base: "../sheet/",
        live: true,
        headline,
        lead,
        told: t.lines.iter().filter(|l| l.n > 0).map(in_words).collect(),
        verdicts,
        changed: changed.collect(),
        waiting: waiting.collect(),
    })
}

/// How well the program measures here, and what waits to be marked.
pub async fn index(State(desk): State<Arc<Desk>>) -> Response {
    aside(desk, |d| {
        let mut at_hand = d.at_hand();
        at_hand.fresh(&d.out)?;
        rendered(&ruler_page(&d.out, &at_hand)?).map(Some)
    })
    .await
}
