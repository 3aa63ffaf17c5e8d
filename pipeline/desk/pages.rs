//! The pages and what the coach says on them.

use super::Desk;
use crate::error::{Error, Result};
use crate::history::verdicts::{Given, latest, ours, own_measurement};
use crate::report::Report;
use crate::report::types::{FaultName, Verdict};
use crate::sheet;
use crate::sheet::pictures::EVENTS;
use axum::Json;
use axum::extract::{Path, Query, State};
use axum::http::{StatusCode, header};
use axum::response::{Html, IntoResponse, Response};
use axum_extra::extract::CookieJar;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::sync::Arc;

/// Longest note kept, characters.
pub const NOTE: usize = 1000;

/// The entrance: the key becomes a cookie, and the address loses it. A page that leads on, where a redirect would count as
/// coming from wherever the address was clicked, and carry no strict cookie.
pub async fn enter(State(desk): State<Arc<Desk>>, Query(query): Query<BTreeMap<String, String>>, jar: CookieJar) -> Response {
    let again = jar.get(desk.guard.as_cookie().name()).is_some_and(|c| desk.guard.is_key(c.value()));
    if !again && !query.get("key").is_some_and(|k| desk.guard.is_key(k)) {
        return (StatusCode::FORBIDDEN, "open the desk by the address that “dawnsheet desk” printed").into_response();
    }
    const ON: &str = "<!doctype html><html lang=\"en\"><meta charset=\"utf-8\"><title>dawnsheet desk</title><link rel=\"icon\" href=\"data:,\">\
                      <meta http-equiv=\"refresh\" content=\"0; url=/sheet/index.html\"><p><a href=\"/sheet/index.html\">The sheet</a>";
    (jar.add(desk.guard.as_cookie()), Html(ON)).into_response()
}

pub async fn nothing() -> Response {
    (StatusCode::NOT_FOUND, "no such page").into_response()
}

pub(super) fn text(kind: &'static str, text: &'static str) -> Response {
    ([(header::CONTENT_TYPE, kind)], text).into_response()
}

pub async fn style() -> Response {
    text("text/css; charset=utf-8", sheet::STYLE)
}

pub async fn script() -> Response {
    text("text/javascript; charset=utf-8", sheet::SCRIPT)
}

pub async fn desk_style() -> Response {
    text("text/css; charset=utf-8", include_str!("desk.css"))
}

pub async fn desk_script() -> Response {
    text("text/javascript; charset=utf-8", include_str!("desk.js"))
}

/// Runs what reads files or the store beside the requests, and says what became of it.
pub(super) async fn aside<T: IntoResponse + Send + 'static>(
    desk: Arc<Desk>,
    work: impl FnOnce(&Desk) -> Result<Option<T>> + Send + 'static,
) -> Response {
    match tokio::task::spawn_blocking(move || work(&desk)).await {
        Ok(Ok(Some(page))) => page.into_response(),
        Ok(Ok(None)) => nothing().await,
        Ok(Err(Error::Usage(why))) => (StatusCode::BAD_REQUEST, why).into_response(),
        Ok(Err(e)) => {
            crate::tell::err(format_args!("dawnsheet: {e}\n"));
            (StatusCode::INTERNAL_SERVER_ERROR, "the desk could not do that: the terminal says why").into_response()
        }
        Err(_) => StatusCode::INTERNAL_SERVER_ERROR.into_response(),
    }
}

pub async fn index(State(desk): State<Arc<Desk>>) -> Response {
    aside(desk, |d| d.at_hand().fresh(&d.out)?.index(&d.out, true).map(|t| Some(Html(t)))).await
}

pub async fn students(State(desk): State<Arc<Desk>>) -> Response {
    aside(desk, |d| d.at_hand().fresh(&d.out)?.students(&d.out, true).map(|t| Some(Html(t)))).await
}

pub async fn student(State(desk): State<Arc<Desk>>, Path(page): Path<String>) -> Response {
    aside(desk, move |d| match page.strip_suffix(".html") {
        Some(owner) => Ok(d.at_hand().fresh(&d.out)?.student(owner, true)?.map(Html)),
        None => Ok(None),
    })
    .await
}

pub async fn clip(State(desk): State<Arc<Desk>>, Path(page): Path<String>) -> Response {
    aside(desk, move |d| {
        let Some(report) = d.at_hand().fresh(&d.out)?.clip_called(&page).map(|(_, r)| r.clone()) else { return Ok(None) };
        // hashing a long clip takes a while: nobody else has to wait for it
        let gone = d.footage(&report).err().map(String::from);
        Ok(d.at_hand().sheet.clip_at_desk(&d.out, &page, gone)?.map(Html))
    })
    .await
}

/// A key picture of a clip that is on the sheet.
pub async fn picture(State(desk): State<Arc<Desk>>, Path((clip, file)): Path<(String, String)>) -> Response {
    aside(desk, move |d| {
        let event = EVENTS.iter().find(|(event, _)| file.strip_suffix(".jpg") == Some(event));
        let known = d.at_hand().sheet.has_clip(&clip);
        let path = event.filter(|_| known).map(|(event, _)| d.out.pictures(&clip).join(format!("{event}.jpg")));
        Ok(path.and_then(|p| std::fs::read(p).ok()).map(|bytes| ([(header::CONTENT_TYPE, "image/jpeg")], bytes)))
    })
    .await
}

/// What the coach says of one fault.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Word {
    owner: String,
    clip: String,
    fault: FaultName,
    /// Our verdict as the page showed it: that is what the coach agrees with, or not.
    shown: Verdict,
    agrees: bool,
    #[serde(default)]
    note: String,
}

/// The clip whose last verdict is taken back.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Last {
    owner: String,
    clip: String,
}

/// How the clip stands after that.
#[derive(Serialize)]
struct Standing {
    /// One sentence of what was done.
    done: String,
    /// Whether it was done.
    kept: bool,
    /// The note of the word that was taken back: it may be wanted for the next.
    note: String,
    /// By fault, our verdict as it is now.
    ours: BTreeMap<FaultName, Ours>,
    /// By fault, what the coach says of it; empty where nothing.
    said: BTreeMap<FaultName, String>,
    /// By fault, whether the coach agrees; faults without a word are left out.
    agrees: BTreeMap<FaultName, bool>,
}

/// A verdict of ours as a page shows it.
#[derive(Serialize)]
struct Ours {
    shown: Verdict,
    words: String,
    sign: &'static str,
}

fn standing(all: &[Given], report: &Report, owner: &str, (kept, done): (bool, String)) -> Json<Standing> {
    let clip = &report.clip.id;
    let of = |f: FaultName| {
        let verdict = ours(report, f);
        (f, Ours { shown: verdict, words: sheet::ours_in_words(report, f), sign: sheet::sign(verdict) })
    };
    let mut said: BTreeMap<FaultName, String> = FaultName::ALL.into_iter().map(|f| (f, String::new())).collect();
    let on_clip: Vec<&Given> = latest(all).into_iter().filter(|g| g.owner == owner && g.clip == *clip).collect();
    said.extend(on_clip.iter().map(|g| (g.fault, g.in_words())));
    let agrees = on_clip.iter().map(|g| (g.fault, g.agrees)).collect();
    Json(Standing { done, kept, note: String::new(), ours: FaultName::ALL.into_iter().map(of).collect(), said, agrees })
}

pub async fn verdict(State(desk): State<Arc<Desk>>, Json(word): Json<Word>) -> Response {
    aside(desk, move |d| {
        if word.note.chars().count() > NOTE {
            return Err(Error::Usage(format!("a note has at most {NOTE} characters")));
        }
        let _pen = d.out.pen()?;
        let mut at_hand = d.at_hand();
        let Some(report) = at_hand.store.result(&word.owner, &word.clip)? else { return Ok(None) };
        if let Some(nothing) = sheet::nothing_to_judge(&report) {
            return Err(Error::Usage(nothing));
        }
        if let Some(why) = own_measurement(&report, word.fault) {
            return Err(Error::Usage(why));
        }
        let now = ours(&report, word.fault);
        if now != word.shown {
            let (fault, now, then) = (word.fault.words(), now.words(), word.shown.words());
            let done = format!("Not kept: {fault} is {now} by now, and was {then} when this page was opened. Look again.");
            let state = standing(&at_hand.store.verdicts()?, &report, &word.owner, (false, done));
            return Ok(Some((StatusCode::CONFLICT, state)));
        }
        let given = Given {
            ours: now,
            owner: word.owner,
            clip: word.clip,
            fault: word.fault,
            agrees: word.agrees,
            note: word.note.trim().into(),
            made_at: String::new(),
        };
        at_hand.say(|s| s.give_verdict(&given))?;
        let done = format!("Kept: {} {}, you {}.", given.fault.words(), given.ours.words(), given.words());
        Ok(Some((StatusCode::OK, standing(&at_hand.store.verdicts()?, &report, &given.owner, (true, done)))))
    })
    .await
}

pub async fn undo(State(desk): State<Arc<Desk>>, Json(last): Json<Last>) -> Response {
    aside(desk, move |d| {
        let _pen = d.out.pen()?;
        let mut at_hand = d.at_hand();
        let Some(report) = at_hand.store.result(&last.owner, &last.clip)? else { return Ok(None) };
        let (done, note) = match at_hand.say(|s| s.take_back_verdict(&last.owner, &last.clip))? {
            Some(g) => (format!("Taken back: {}, you {}.", g.fault.words(), g.words()), g.note),
            None => ("Nothing to take back on this clip.".into(), String::new()),
        };
        let Json(now) = standing(&at_hand.store.verdicts()?, &report, &last.owner, (true, done));
        Ok(Some(Json(Standing { note, ..now })))
    })
    .await
}
