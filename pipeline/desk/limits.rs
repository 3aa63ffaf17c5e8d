//! What other limits would flag, at the desk.

use super::Desk;
use super::pages::aside;
use crate::batch::in_force;
use crate::error::{Error, Result};
use crate::history::at_limits::Count;
use crate::sheet::trying::{DAYS, trying};
use crate::sheet::words;
use askama::Template;
use axum::extract::State;
use axum::response::{Html, Response};
use std::sync::Arc;

struct Row {
    name: String,
    now: bool,
    count: Count,
}

struct OfFault {
    words: String,
    rows: Vec<Row>,
}

#[derive(Template)]
#[template(path = "limits.html")]
struct LimitsPage {
    base: &'static str,
    live: bool,
    headline: String,
    otherwise: Option<String>,
    faults: Vec<OfFault>,
    newest: Option<(String, Vec<String>)>,
}

pub async fn index(State(desk): State<Arc<Desk>>) -> Response {
    aside(desk, |d| page(d).map(|text| Some(Html(text)))).await
}

fn page(desk: &Desk) -> Result<String> {
    let at_hand = desk.at_hand();
    let settings = in_force::settings(&at_hand.store)?.adopted_in(desk.out.root())?;
    let trying = trying(&at_hand.store, &settings, None, DAYS)?;
    drop(at_hand);
    let rows = |fault| {
        let row = |(name, of): &(String, std::collections::BTreeMap<_, Count>)| Row {
            name: name.clone(),
            now: name == "as now",
            count: of.get(&fault).cloned().unwrap_or_default(),
        };
        trying.rows.iter().map(row).collect()
    };
    let faults = trying.faults().map(|f| OfFault { words: words::sentence(f.words()), rows: rows(f) }).collect();
    let page = LimitsPage {
        base: "../sheet/",
        live: true,
        headline: match trying.clips {
            0 => format!("No clip in the last {} days", trying.days),
            1 => format!("One clip in the last {} days", trying.days),
            n => format!("{n} clips in the last {} days", trying.days),
        },
        otherwise: trying.judged_otherwise().map(|t| words::sentence(&t)),
        faults,
        newest: trying.newest,
    };
    page.render().map_err(|e| Error::Internal(e.to_string()))
}
