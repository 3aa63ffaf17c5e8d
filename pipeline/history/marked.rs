//! What a coach marked by hand, each time as it was: the first time counts, later ones are kept beside it. And which clips were drawn
//! to be marked.

use super::store::{Store, commit, now};
use super::verdicts::code;
use crate::error::{Error, Result};
use rusqlite::params;
use serde::{Deserialize, Serialize};

/// Why there is a row.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Kind {
    /// The clip was drawn to be marked.
    Drawn,
    /// It was drawn to be marked once more, blind.
    DrawnAgain,
    /// It was marked.
    Marked,
    /// It was marked once more, blind, after it was drawn for that.
    Again,
    /// What was marked decides the clip, from then on.
    Decides,
    /// The program decides it again.
    DecidesNot,
}

/// One row.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Marked {
    pub owner: String,
    pub clip: String,
    pub kind: Kind,
    /// RFC 3339, UTC; empty: now.
    pub made_at: String,
    /// The points as JSON; of a draw, how it was made.
    pub marks: String,
    /// Their values by metric as JSON; empty for a draw.
    pub by_hand: String,
}

impl Marked {
    pub(super) fn moment(&self) -> String {
        if self.made_at.is_empty() { now() } else { self.made_at.clone() }
    }
}

pub(super) const COLUMNS: &str = "owner, clip, kind, made_at, marks, by_hand";

pub(super) type Raw = (String, String, String, String, String, String);

pub(super) fn of_raw((owner, clip, kind, made_at, marks, by_hand): Raw) -> Result<Marked> {
    let kind = serde_json::from_value(serde_json::Value::String(kind));
    let kind = kind.map_err(|e| Error::Internal(format!("stored marks are broken: {e}")))?;
    Ok(Marked { owner, clip, kind, made_at, marks, by_hand })
}

/// By the moment, of one moment by row; rows come by id.
pub(super) fn in_order(mut rows: Vec<Marked>) -> Vec<Marked> {
    rows.sort_by_key(|m| m.made_at.parse::<jiff::Timestamp>().ok());
    rows
}

fn insert(step: &rusqlite::Transaction, m: &Marked) -> Result<()> {
    step.execute(
        "INSERT INTO ruler (owner, clip, kind, made_at, marks, by_hand) VALUES (?1, ?2, ?3, ?4, ?5, ?6) ON CONFLICT DO NOTHING",
        params![m.owner, m.clip, code(&m.kind)?, m.moment(), m.marks, m.by_hand],
    )?;
    Ok(())
}

impl Store {
    /// Records these, all or none. What is here already (clip, kind and moment) stays as it is.
    pub fn add_marked(&mut self, all: &[Marked]) -> Result<()> {
        let step = self.db.transaction()?;
        all.iter().try_for_each(|m| insert(&step, m))?;
        commit(step)
    }

    /// Makes these all there are, in one step.
    pub fn set_marked(&mut self, all: &[Marked]) -> Result<()> {
        let step = self.db.transaction()?;
        step.execute("DELETE FROM ruler", [])?;
        all.iter().try_for_each(|m| insert(&step, m))?;
        commit(step)
    }

    /// All, oldest first.
    pub fn marked(&self) -> Result<Vec<Marked>> {
        let mut statement = self.db.prepare(&format!("SELECT {COLUMNS} FROM ruler ORDER BY id"))?;
        let rows = statement.query_map([], |r| Ok((r.get(0)?, r.get(1)?, r.get(2)?, r.get(3)?, r.get(4)?, r.get(5)?)))?;
        Ok(in_order(rows.map(|r| r.map_err(Error::from).and_then(of_raw)).collect::<Result<_>>()?))
    }
}
