//! Measuring by hand at the desk. Until a clip's points are kept its page holds nothing that the program measured: neither values nor
//! verdicts, nor where it read them. The pictures are drawn in the page from the film that the desk plays anyway, at full size and at
//! the time of its frame: no second way to decode footage, and none that leaves the confined worker.

use super::Desk;
use super::pages::{aside, text};
use crate::batch::{in_force, rejudge};
use crate::error::{Error, Result};
use crate::history::marked::Kind;
use crate::measure::names;
use crate::pose::models::Models;
use crate::report::types::Verdict;
use crate::report::{Report, printable};
use crate::ruler::decide::Decided;
use crate::ruler::marks::{Marks, Place, besides, main, offered};
use crate::ruler::{draw, keep};
use crate::sheet::told as in_coach_units;
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
    /// Pictures only to look at: words, seconds of the clip.
    besides: Vec<(&'static str, String)>,
    /// Whether it was marked before, and whether that decides it.
    marked: bool,
    decides: bool,
    /// Page of another clip that was drawn.
    next: Option<String>,
}

pub(super) fn student(report: &Report) -> String {
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

pub(super) fn rendered(page: &impl Template) -> Result<Html<String>> {
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
            besides: besides(&report).into_iter().map(|(words, t)| (words, format!("{t:.4}"))).collect(),
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
            let (by, unit, _) = in_coach_units::unit(&stored.report, m.name, m.unit);
            let say = |v: f64| told(by * v, &unit);
            let program = swing.and_then(|s| s.metrics.get(m.name)?.measured());
            let program = program.map_or("not measured".into(), |p| format!("{} {unit} ({} to {})", say(p.value), say(p.low), say(p.high)));
            Some([m.words.to_string(), format!("{} {unit}", say(hand.value)), program])
        };
        let rows = names::ALL.iter().filter_map(row).collect();
        Ok(Some(Json(Answer { kept: true, done: done.into(), questions: Vec::new(), rows })))
    })
    .await
}

/// As many decimals as mean something.
pub(super) fn told(value: f64, unit: &str) -> String {
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
