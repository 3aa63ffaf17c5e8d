//! The answer to a student, made and looked at here; sent by nobody.

use super::Desk;
use super::pages::{aside, nothing};
use crate::answer::{self, Against, SLOWER, Wanted};
use crate::batch::interrupt::Interrupt;
use crate::batch::job::Workers;
use crate::error::{Error, Result};
use crate::history::Store;
use crate::intake::names::UNASSIGNED;
use crate::settings::Settings;
use axum::Json;
use axum::extract::{Path, State};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum_extra::TypedHeader;
use axum_extra::headers::Range;
use axum_range::{KnownSize, Ranged};
use serde::{Deserialize, Serialize};
use std::fs::File;
use std::sync::Arc;

/// Longest words to a student, characters.
const WORDS: usize = 8000;

/// For whom an answer is to be made, with which words.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Asked {
    owner: String,
    note: String,
}

/// What there is of answers to a student.
#[derive(Serialize)]
struct There {
    /// One sentence of what was done, and of what is missing.
    done: String,
    /// Newest day first.
    days: Vec<Day>,
}

#[derive(Serialize)]
struct Day {
    day: String,
    folder: String,
    files: Vec<String>,
}

fn there(d: &Desk, owner: &str, done: String) -> Json<There> {
    let kept = answer::kept(&d.out, owner).into_iter();
    let days = kept.map(|(day, files)| Day { folder: d.out.answers(owner, &day).display().to_string(), day, files });
    Json(There { done, days: days.collect() })
}

/// Whether results of a student are kept under this folder name; clips of nobody in particular have nobody to answer.
fn known(d: &Desk, owner: &str) -> Result<bool> {
    Ok(owner != UNASSIGNED && d.at_hand().fresh(&d.out)?.student(owner, true)?.is_some())
}

pub async fn list(State(desk): State<Arc<Desk>>, Path(owner): Path<String>) -> Response {
    aside(desk, move |d| Ok(known(d, &owner)?.then(|| there(d, &owner, String::new())))).await
}

/// Makes an answer; takes some seconds, during which the desk goes on.
pub async fn make(State(desk): State<Arc<Desk>>, Json(asked): Json<Asked>) -> Response {
    aside(desk, move |d| {
        if asked.note.chars().count() > WORDS {
            return Err(Error::Usage(format!("the words to a student have at most {WORDS} characters")));
        }
        if !known(d, &asked.owner)? {
            return Ok(None);
        }
        let _beside = d.out.lock_beside()?;
        let store = Store::open(&d.out.store())?;
        let wanted =
            Wanted { owner: asked.owner, clip: None, against: Against::First, note: Some(asked.note.trim().into()), slower: SLOWER };
        let settings = Settings::default().adopted_in(d.out.root())?;
        let workers = Workers::new()?.side_by_side(1);
        let made = answer::make(&d.out, &store, &wanted, &settings, &workers, &Interrupt::default())?;
        let mut said = vec!["Made; nothing was sent.".to_string()];
        said.extend(made.without.iter().map(|w| format!("{}.", crate::report::printable(w))));
        Ok(Some(there(d, &wanted.owner, said.join(" "))))
    })
    .await
}

/// A file of an answer, or the part of it that was asked for (RFC 9110, 14).
pub async fn file(
    State(desk): State<Arc<Desk>>,
    Path((owner, day, file)): Path<(String, String, String)>,
    range: Option<TypedHeader<Range>>,
) -> Response {
    let found = tokio::task::spawn_blocking(move || {
        if !known(&desk, &owner).ok()? {
            return None;
        }
        let listed = answer::kept(&desk.out, &owner).into_iter().any(|(d, files)| d == day && files.contains(&file));
        let kind = match file.rsplit('.').next()? {
            "mp4" => "video/mp4",
            "jpg" => "image/jpeg",
            "txt" => "text/plain; charset=utf-8",
            // its films are in it, which the desk's policy does not play: it is opened from its folder
            _ => return None,
        };
        listed.then(|| File::open(desk.out.answers(&owner, &day).join(&file)).ok()).flatten().map(|f| (f, kind))
    });
    match found.await {
        Ok(Some((file, kind))) => match KnownSize::file(tokio::fs::File::from_std(file)).await {
            Ok(body) => ([(header::CONTENT_TYPE, kind)], Ranged::new(range.map(|TypedHeader(r)| r), body)).into_response(),
            Err(_) => nothing().await,
        },
        Ok(None) => nothing().await,
        Err(_) => StatusCode::INTERNAL_SERVER_ERROR.into_response(),
    }
}
