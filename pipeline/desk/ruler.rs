//! Measuring by hand at the desk. Until a clip's points are kept its page holds nothing that the program measured: neither values nor
//! verdicts, nor where it read them. The pictures are drawn in the page from the film that the desk plays anyway, at full size and at
//! the time of its frame: no second way to decode footage, and none that leaves the confined worker.

use super::pages::{aside, text};
use super::{AtHand, Desk};
use crate::batch::{in_force, rejudge};
use crate::error::{Error, Result};
use crate::history::marked::Kind;
use crate::measure::names;
use crate::place::OutFolder;
use crate::pose::models::Models;
use crate::report::types::Verdict;
use crate::report::{Report, printable};
use crate::ruler::agree::With;
use crate::ruler::decide::Decided;
use crate::ruler::marks::{Marks, Place, main, offered};
use crate::ruler::table::{FEWEST, Line, Table, table};
use crate::ruler::{adopt as arithmetic, draw, keep};
use crate::settings::Own;
use crate::settings::own::METRICS;
use crate::sheet;
use askama::Template;
use axum::Json;
use axum::extract::{Path, State};
use axum::response::{Html, Response};
use serde::{Deserialize, Serialize};
use std::sync::Arc;

pub async fn script() -> Response {
    text("text/javascript; charset=utf-8", include_str!("ruler.js"))
}

pub async fn draw_script() -> Response {
    text("text/javascript; charset=utf-8", include_str!("draw.js"))
}

/// A point to set.
struct Point {
    code: String,
    words: &'static str,
    stage: &'static str,
    /// Of its pictures, seconds of the clip.
    times: Vec<String>,
}

#[derive(Template)]
#[template(path = "mark.html")]
struct MarkPage {
    base: &'static str,
    live: bool,
    owner: String,
    clip: String,
    student: String,
    file: String,
    again: bool,
    /// Why there is nothing to mark.
    nothing: Option<String>,
    width: u32,
    height: u32,
    turned: u32,
    interval_s: f64,
    points: Vec<Point>,
    /// Whether it was marked before, and whether that decides it.
    marked: bool,
    decides: bool,
    /// Page of another clip that was drawn.
    next: Option<String>,
}

fn student(report: &Report) -> String {
    report.clip.student.as_deref().map_or_else(|| "no student".into(), printable)
}

fn points(report: &Report) -> std::result::Result<Vec<Point>, String> {
    let stages = offered(report)?;
    let of = |place: Place| {
        let (stage, times) = stages.iter().find(|(stage, _)| *stage == place.stage())?;
        let times = times.iter().map(|t| format!("{t:.4}")).collect();
        Some(Point { code: code(&place), words: place.words(), stage: stage.words(), times })
    };
    Ok(Place::ALL.into_iter().filter_map(of).collect())
}

fn code(value: &impl Serialize) -> String {
    serde_json::to_value(value).ok().and_then(|v| v.as_str().map(String::from)).unwrap_or_default()
}

fn rendered(page: &impl Template) -> Result<Html<String>> {
    page.render().map(Html).map_err(|e| Error::Internal(format!("a page of the ruler cannot be made: {e}")))
}

/// The page on which a clip is marked.
pub async fn clip(State(desk): State<Arc<Desk>>, Path(page): Path<String>) -> Response {
    aside(desk, move |d| {
        let found = d.at_hand().fresh(&d.out)?.clip_called(&page).map(|(owner, r)| (owner.to_string(), r.clone()));
        let Some((owner, report)) = found else { return Ok(None) };
        let gone = d.footage(&report).err().map(String::from);
        let at_hand = d.at_hand();
        let marked = at_hand.store.marked()?;
        let open = draw::open(&marked);
        let own = |w: &draw::Which| w.0 == owner && w.1 == report.clip.id;
        let next = open.iter().filter(|(w, _)| !own(w)).find_map(|(w, _)| at_hand.sheet.page_of(&w.0, &w.1)).map(String::from);
        let (points, nothing) = match points(&report) {
            Ok(points) => (points, gone),
            Err(why) => (Vec::new(), Some(format!("This clip cannot be marked: {why}."))),
        };
        let video = report.video.as_ref();
        let page = MarkPage {
            base: "../../sheet/",
            live: true,
            student: student(&report),
            file: printable(&report.clip.file),
            clip: report.clip.id.clone(),
            again: open.iter().any(|(w, again)| *again && own(w)),
            nothing,
            width: video.map_or(0, |v| v.width),
            height: video.map_or(0, |v| v.height),
            turned: video.map_or(0, |v| v.turned_by_sight),
            interval_s: video.map_or(0.0, |v| v.frame_interval_ms.median / 1000.0),
            points,
            next,
            marked: marked.iter().any(|m| matches!(m.kind, Kind::Marked | Kind::Again) && m.owner == owner && m.clip == report.clip.id),
            decides: Decided::of(&marked)?.holds(&owner, &report.clip.id),
            owner,
        };
        rendered(&page).map(Some)
    })
    .await
}

/// A clip's points.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Points {
    owner: String,
    clip: String,
    marks: Marks,
    /// They stand, whatever is asked about them.
    #[serde(default)]
    sure: bool,
}

/// What became of them.
#[derive(Serialize)]
struct Answer {
    kept: bool,
    done: String,
    questions: Vec<String>,
    /// Words, by hand, by the program; only of what is kept.
    rows: Vec<[String; 3]>,
}

pub async fn marks(State(desk): State<Arc<Desk>>, Json(sent): Json<Points>) -> Response {
    aside(desk, move |d| {
        let _pen = d.out.pen()?;
        let mut at_hand = d.at_hand();
        let all = at_hand.store.results()?;
        let found = all.into_iter().find(|(s, _)| s.owner == sent.owner && s.report.clip.id == sent.clip);
        let Some((stored, identity)) = found else { return Ok(None) };
        let identity = serde_json::from_str(&identity).map_err(|e| Error::Internal(e.to_string()))?;
        let kind = draw::kind_of(&at_hand.store.marked()?, &sent.owner, &sent.clip);
        let settings = in_force::settings(&at_hand.store)?;
        let valued = keep::value(&d.out, &sent.owner, &identity, &settings, &sent.marks, kind)?;
        if !(valued.questions.is_empty() || sent.sure) {
            let done = "Not kept yet: look again, or save as it is.".into();
            return Ok(Some(Json(Answer { kept: false, done, questions: valued.questions, rows: Vec::new() })));
        }
        let before = at_hand.store.marked()?.iter().any(|m| m.kind == Kind::Marked && m.owner == sent.owner && m.clip == sent.clip);
        at_hand.say(|s| s.add_marked(std::slice::from_ref(&valued.marked)))?;
        if Decided::of(&at_hand.store.marked()?)?.holds(&sent.owner, &sent.clip) {
            rejudge::rejudge_again(&d.out, &mut at_hand.store, (&sent.owner, &sent.clip), &Models::locate())?;
            at_hand.read_again(&d.out)?;
        }
        let done = match (kind, before) {
            (Kind::Again, _) => "Kept, as your second measurement.",
            (_, true) => "Kept beside the first, which counts: that one was made before you saw the program's.",
            _ => "Kept.",
        };
        let swing = main(&stored.report);
        let row = |m: &names::MetricName| {
            let hand = valued.values.get(m.name)?;
            let program = swing.and_then(|s| s.metrics.get(m.name)?.measured()).map_or("not measured".into(), |p| {
                let (value, low, high) = (told(p.value, m.unit), told(p.low, m.unit), told(p.high, m.unit));
                format!("{value} {} ({low} to {high})", m.unit)
            });
            Some([m.words.to_string(), format!("{} {}", told(hand.value, m.unit), m.unit), program])
        };
        let rows = names::ALL.iter().filter_map(row).collect();
        Ok(Some(Json(Answer { kept: true, done: done.into(), questions: Vec::new(), rows })))
    })
    .await
}

/// As many decimals as mean something.
fn told(value: f64, unit: &str) -> String {
    let text = if unit == "cm" { format!("{value:.1}") } else { format!("{value:.2}") };
    text.replace('-', "−")
}

/// Draws what is to be marked next.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Nothing {}

/// How many clips wait.
#[derive(Serialize)]
struct Drawn {
    waiting: usize,
}

pub async fn draw_ten(State(desk): State<Arc<Desk>>, Json(Nothing {}): Json<Nothing>) -> Response {
    aside(desk, |d| {
        let _pen = d.out.pen()?;
        let mut at_hand = d.at_hand();
        let now = jiff::Timestamp::now();
        let results: Vec<_> =
            at_hand.store.results()?.into_iter().map(|(s, _)| s).filter(|s| draw::is_there(d.inbox.as_deref(), &s.report)).collect();
        let drawn = draw::draw(&results, &at_hand.store.marked()?, now.as_millisecond().unsigned_abs(), now);
        at_hand.say(|s| s.add_marked(&drawn))?;
        Ok(Some(Json(Drawn { waiting: draw::open(&at_hand.store.marked()?).len() })))
    })
    .await
}

/// The clip, and whether what was measured of it decides it.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ByWhom {
    owner: String,
    clip: String,
    by_hand: bool,
}

/// What became of it.
#[derive(Serialize)]
struct DecidedBy {
    by_hand: bool,
    done: String,
}

pub async fn decide(State(desk): State<Arc<Desk>>, Json(asked): Json<ByWhom>) -> Response {
    aside(desk, move |d| {
        let _pen = d.out.pen()?;
        let mut guard = d.at_hand();
        let at_hand = &mut *guard;
        if at_hand.store.result(&asked.owner, &asked.clip)?.is_none() {
            return Ok(None);
        }
        let kind = if asked.by_hand { Kind::Decides } else { Kind::DecidesNot };
        let clip = (asked.owner.as_str(), asked.clip.as_str());
        let report = rejudge::decide_by(&d.out, &mut at_hand.store, at_hand.far.as_deref(), clip, kind, &Models::locate())?;
        at_hand.read_again(&d.out)?;
        let verdict = report.verdict.map_or("cannot measure", Verdict::words);
        let by = if asked.by_hand { "what you measured" } else { "what the program measured" };
        Ok(Some(Json(DecidedBy { by_hand: asked.by_hand, done: format!("The clip goes by {by} now: {verdict}.") })))
    })
    .await
}

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

fn in_words(line: &Line) -> Told {
    let unit = line.unit;
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
    let taken = |shift: f64| {
        let size = told(shift.abs(), unit);
        if shift < 0.0 { format!("adds {size} {unit} to what it reads") } else { format!("takes {size} {unit} off what it reads") }
    };
    let adopted = line.adopted.as_ref().map(|a| {
        let day = sheet::words::day(&a.adopted_at);
        format!("Adopted on {day} from {} clips: the program {}. {}", a.n, taken(a.shift), a.told(|v| told(v, unit), unit))
    });
    let would = arithmetic::adoptable(line, jiff::Timestamp::now()).ok().filter(|_| METRICS.contains(&line.metric));
    let offer = would.map(|would| {
        format!(
            "If you adopt this, the program {} and gives ±{} {unit} as its error. That is less than the average difference, because {} clips \
             prove only so much. Verdicts change with the next night, or at once with dawnsheet rejudge.",
            taken(would.shift),
            told(1.96 * would.sd, unit),
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
