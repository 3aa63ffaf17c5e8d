//! A coach's results out of PostgreSQL into an out folder, so that sheet, trend and desk read them as ever.

use crate::batch::place::{self, OutFolder};
use crate::error::Result;
use crate::history::postgres::Postgres;
use crate::history::{Results, Store};
use crate::report::sheet;
use std::path::{Path, PathBuf};

/// What was brought.
#[derive(Debug)]
pub struct Collected {
    pub new: usize,
    pub known: usize,
    pub page: PathBuf,
}

/// Copies what is new and writes the sheet. `coach`: the one who logs in, or another for the owner of the store.
pub fn collect(url: &str, coach: Option<&str>, folder: &Path) -> Result<Collected> {
    let mut from = Postgres::open(url, coach)?;
    let out = OutFolder::open(folder)?;
    let _lock = out.lock()?;
    let mut to = Store::open(&out.store())?;
    let (mut new, mut known) = (0, 0);
    for (stored, identity) in from.results()? {
        let (owner, report) = (stored.owner.as_str(), stored.report);
        let Some(key) = from.done_key(owner, &report.clip.id)? else { continue };
        if to.done_key(owner, &report.clip.id)?.as_deref() == Some(&key) {
            known += 1;
            continue;
        }
        place::write(&out.report(owner, &report.clip.id)?, report.to_json().as_bytes())?;
        to.record(owner, &key, &identity, &report, None)?;
        new += 1;
    }
    let page = sheet::write(&out, &to, None, None)?;
    Ok(Collected { new, known, page })
}
