//! A coach's results out of PostgreSQL into an out folder, so that sheet, trend and desk read them as ever.

use crate::batch::forget;
use crate::error::Result;
use crate::history::postgres::Postgres;
use crate::history::{Results, Store, elsewhere};
use crate::place::{self, OutFolder};
use crate::sheet;
use std::path::{Path, PathBuf};

/// What was brought.
#[derive(Debug)]
pub struct Collected {
    pub new: usize,
    pub known: usize,
    /// Too old by now, or erased elsewhere.
    pub erased: usize,
    pub page: PathBuf,
}

/// Erases what is older than `keep_days` (0: nothing) or was erased elsewhere, copies what is new and every verdict, and writes
/// the sheet. `coach`: the one who logs in, or another for the owner of the store.
pub fn collect(url: &str, coach: Option<&str>, folder: &Path, keep_days: f64) -> Result<Collected> {
    let mut from = Postgres::open(url, coach)?;
    let out = OutFolder::open(folder)?;
    let _lock = out.lock()?;
    let mut to = Store::open(&out.store())?;
    let erased = forget::follow(&out, &mut to, &mut from)? + forget::expire(&out, &mut to, Some(&mut from), keep_days)?;
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
    let pen = out.pen()?;
    elsewhere::join(&mut to, &mut from)?;
    let page = sheet::write_with(&pen, &out, &to, None, None)?;
    Ok(Collected { new, known, erased, page })
}
