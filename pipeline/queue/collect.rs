//! A coach's results out of PostgreSQL into an out folder, so that sheet, trend and desk read them as ever.

use crate::batch::{forget, in_force};
use crate::error::{Error, Result};
use crate::history::erased::Held;
use crate::history::postgres::Postgres;
use crate::history::{Results, Row, Store, elsewhere};
use crate::judge::Identity;
use crate::place::{self, OutFolder};
use crate::ruler::decide::Decided;
use crate::sheet;
use std::collections::{BTreeMap, BTreeSet};
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

/// Erases what is older than `keep_days` (0: nothing) or was erased elsewhere, brings every row that differs, takes away what
/// was brought and is there no longer, and every verdict; then writes the sheet. `coach`: the one who logs in, or another for
/// the owner of the store.
pub fn collect(url: &str, coach: Option<&str>, folder: &Path, keep_days: f64) -> Result<Collected> {
    let mut from = Postgres::open(url, coach)?;
    let out = OutFolder::open(folder)?;
    let _lock = out.lock()?;
    let mut to = Store::open(&out.store())?;
    tie(&to, from.coach())?;
    let pen = out.pen()?;
    let mut erased = forget::follow(&out, &mut to, &mut from)? + forget::expire(&out, &mut to, Some(&mut from), keep_days)?;
    drop(pen);
    let here: BTreeMap<(String, String), Row> = to.rows()?.into_iter().map(|r| (place_of(&r), r)).collect();
    let (mut new, mut known, mut there) = (0, 0, BTreeSet::new());
    // the database holds what the program judges; what the coach decides stands in the coach's folder
    let (decided, settings) = (Decided::of(&from.marked()?)?, in_force::settings(&to)?.adopted_in(folder)?);
    for mut row in from.rows()? {
        if decided.holds(&row.owner, &row.report.clip.id) {
            let identity: Identity = serde_json::from_str(&row.identity).map_err(|e| Error::Internal(e.to_string()))?;
            decided.decide(&row.owner, &mut row.report, &identity.brief, &settings);
        }
        let path = out.report(&row.owner, &row.report.clip.id)?;
        let same = here.get(&place_of(&row)) == Some(&row);
        if same && std::fs::read(&path).is_ok_and(|file| file == row.report.to_json().as_bytes()) {
            known += 1;
        } else if is_erased(&mut from, &row)? {
            continue;
        } else {
            place::write(&path, row.report.to_json().as_bytes())?;
            to.bring(&row)?;
            // an erasure that was followed here may have been taken back there
            to.welcome(&row.owner)?;
            to.welcome(&format!("{}/{}", row.owner, row.report.clip.sha256))?;
            new += 1;
        }
        there.insert(place_of(&row));
    }
    let pen = out.pen()?;
    for (owner, clip) in to.brought()?.into_iter().filter(|at| !there.contains(at)) {
        forget::withdraw(&out, &mut to, &owner, &clip)?;
        erased += 1;
    }
    elsewhere::join(&mut to, &mut from)?;
    // once more: somebody may have been erased while rows were brought
    erased += forget::follow(&out, &mut to, &mut from)?;
    let page = sheet::write_with(&pen, &out, &to, None, None)?;
    Ok(Collected { new, known, erased, page })
}

/// Note of a folder that follows a coach.
const COACH: &str = "coach collected";

/// Ties the folder to the coach whose results it holds: those of another would push them out. Error: usage, it is another's.
fn tie(to: &Store, coach: &str) -> Result<()> {
    match to.note(COACH)? {
        None => to.set_note(COACH, coach),
        Some(whose) if whose == coach => Ok(()),
        Some(whose) => Err(Error::Usage(format!(
            "this folder holds the results of coach '{whose}', not of '{coach}': say --coach {whose}, or name another folder with --out"
        ))),
    }
}

fn place_of(row: &Row) -> (String, String) {
    (row.owner.clone(), row.report.clip.id.clone())
}

/// Whether the row is to be skipped. One that a machine recorded beside its erasure goes there as well.
fn is_erased(from: &mut Postgres, row: &Row) -> Result<bool> {
    let clip = &row.report.clip;
    if from.forgotten(&row.owner)?.is_none() && from.forgotten(&format!("{}/{}", row.owner, clip.sha256))?.is_none() {
        return Ok(false);
    }
    let held: Vec<Held> = from.held_by(&row.owner)?.into_iter().filter(|h| h.clip == clip.id).collect();
    from.erase(&row.owner, &held)?;
    Ok(true)
}
