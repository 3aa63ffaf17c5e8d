//! The coach's verdicts on ours: per clip and fault, the latest counts. What they say about the tool: how often its flags
//! were right, and what it missed.

use super::statistics::wilson;
use super::store::{Store, commit, now};
use crate::error::{Error, Result};
use crate::report::Report;
use crate::report::types::{ByProgram, FaultName, Verdict};
use rusqlite::{Row, params};
use serde::Serialize;
use serde::de::DeserializeOwned;
use std::collections::BTreeMap;

/// What the coach said of one verdict of ours.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Given {
    pub owner: String,
    pub clip: String,
    pub fault: FaultName,
    /// Our verdict at that time.
    pub ours: Verdict,
    pub agrees: bool,
    pub note: String,
    /// RFC 3339, UTC.
    pub made_at: String,
}

impl Given {
    /// "agree", "disagree".
    pub fn words(&self) -> &'static str {
        if self.agrees { "agree" } else { "disagree" }
    }

    /// "You agree.", with the note where there is one.
    pub fn in_words(&self) -> String {
        let note = crate::report::printable(&self.note);
        if note.is_empty() { format!("You {}.", self.words()) } else { format!("You {}: {note}", self.words()) }
    }

    /// When it was made; now, where nothing says.
    pub(super) fn moment(&self) -> String {
        if self.made_at.is_empty() { now() } else { self.made_at.clone() }
    }

    /// Whether the coach saw a fault where the tool saw, or could see, none.
    pub fn is_miss(&self) -> bool {
        !self.agrees && matches!(self.ours, Verdict::Clear | Verdict::CannotMeasure)
    }
}

/// Our verdict on a fault: of the main swing, and where none was measured that it cannot be.
pub fn ours(report: &Report, fault: FaultName) -> Verdict {
    let main = report.swings.iter().find(|s| s.main);
    main.and_then(|m| m.faults.get(&fault)).map_or(Verdict::CannotMeasure, |f| f.verdict)
}

/// The program's own verdict, also where the coach's measurement decides.
pub fn by_program(report: &Report, fault: FaultName) -> Verdict {
    decided(report, fault).map_or_else(|| ours(report, fault), |p| p.verdict)
}

/// What the program says of a fault that the coach's own measurement decides; none of any other.
pub fn decided(report: &Report, fault: FaultName) -> Option<&ByProgram> {
    report.swings.iter().find(|s| s.main)?.faults.get(&fault)?.by_program.as_ref()
}

/// Why nobody can agree or disagree with a verdict that is the coach's own.
pub fn own_measurement(report: &Report, fault: FaultName) -> Option<String> {
    let own = || format!("{} is decided by your own measurement, and no verdict of the program's to agree with", fault.words());
    decided(report, fault).map(|_| own())
}

/// A clip that a command may mean.
#[derive(Debug, Clone, PartialEq)]
pub struct Candidate {
    pub owner: String,
    pub clip: String,
    pub student: Option<String>,
}

pub(super) fn code(value: &impl Serialize) -> Result<String> {
    match serde_json::to_value(value) {
        Ok(serde_json::Value::String(text)) => Ok(text),
        _ => Err(Error::Internal("a name has no code".into())),
    }
}

fn of_code<T: DeserializeOwned>(text: String) -> Result<T> {
    serde_json::from_value(serde_json::Value::String(text)).map_err(|e| Error::Internal(format!("a stored verdict is broken: {e}")))
}

pub(super) const COLUMNS: &str = "owner, clip, fault, ours, agrees, note, made_at";

pub(super) type Raw = (String, String, String, String, bool, String, String);

fn raw(r: &Row) -> rusqlite::Result<Raw> {
    Ok((r.get(0)?, r.get(1)?, r.get(2)?, r.get(3)?, r.get(4)?, r.get(5)?, r.get(6)?))
}

pub(super) fn given((owner, clip, fault, ours, agrees, note, made_at): Raw) -> Result<Given> {
    Ok(Given { owner, clip, fault: of_code(fault)?, ours: of_code(ours)?, agrees, note, made_at })
}

fn insert(step: &rusqlite::Transaction, v: &Given) -> Result<()> {
    step.execute(
        "INSERT INTO verdict (owner, clip, fault, ours, agrees, note, made_at) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7) ON CONFLICT DO NOTHING",
        params![v.owner, v.clip, code(&v.fault)?, code(&v.ours)?, v.agrees, v.note, v.moment()],
    )?;
    Ok(())
}

/// Verdicts with their row ids, in the order in which they were said.
fn said(db: &rusqlite::Connection, which: &str, values: impl rusqlite::Params) -> Result<Vec<(Given, i64)>> {
    let mut statement = db.prepare(&format!("SELECT {COLUMNS}, id FROM verdict {which}"))?;
    let rows = statement.query_map(values, |r| Ok((raw(r)?, r.get(7)?)))?;
    Ok(in_order(rows.map(|r| r.map_err(Error::from).and_then(|(word, id)| Ok((given(word)?, id)))).collect::<Result<_>>()?))
}

/// By the moment; text would not do, for fractions of a second are written as short as they go. Of one moment by row.
pub(super) fn in_order(mut rows: Vec<(Given, i64)>) -> Vec<(Given, i64)> {
    rows.sort_by_key(|(word, id)| (word.made_at.parse::<jiff::Timestamp>().ok(), *id));
    rows
}

impl Store {
    /// Records a verdict of the coach. Where `made_at` is empty it is now.
    pub fn give_verdict(&mut self, verdict: &Given) -> Result<()> {
        self.give_verdicts(std::slice::from_ref(verdict))
    }

    /// Records these verdicts, all or none. One that is here already (the same clip, fault and moment) stays as it is.
    pub fn give_verdicts(&mut self, verdicts: &[Given]) -> Result<()> {
        let step = self.db.transaction()?;
        verdicts.iter().try_for_each(|v| insert(&step, v))?;
        commit(step)
    }

    /// Makes these all the verdicts there are, in one step.
    pub fn set_verdicts(&mut self, all: &[Given]) -> Result<()> {
        let step = self.db.transaction()?;
        step.execute("DELETE FROM verdict", [])?;
        all.iter().try_for_each(|v| insert(&step, v))?;
        commit(step)
    }

    /// Takes back the last verdict on a clip: what it was, or `None` where there was none.
    pub fn take_back_verdict(&mut self, owner: &str, clip: &str) -> Result<Option<Given>> {
        let step = self.db.transaction()?;
        let last = said(&step, "WHERE owner = ?1 AND clip = ?2", [owner, clip])?.pop();
        if let Some((_, id)) = &last {
            step.execute("DELETE FROM verdict WHERE id = ?1", [id])?;
        }
        commit(step)?;
        Ok(last.map(|(word, _)| word))
    }

    /// Every verdict of the coach, in the order in which they were said.
    pub fn verdicts(&self) -> Result<Vec<Given>> {
        Ok(said(&self.db, "", [])?.into_iter().map(|(word, _)| word).collect())
    }
}

/// The newest of each owner, clip and fault, oldest first. `all`: oldest first.
pub fn latest(all: &[Given]) -> Vec<&Given> {
    let mut newest: BTreeMap<(&str, &str, FaultName), usize> = BTreeMap::new();
    for (i, g) in all.iter().enumerate() {
        newest.insert((&g.owner, &g.clip, g.fault), i);
    }
    let mut kept: Vec<usize> = newest.into_values().collect();
    kept.sort_unstable();
    kept.into_iter().map(|i| &all[i]).collect()
}

/// Of the flags that the coach judged, how many were right.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize)]
pub struct Share {
    pub right: usize,
    pub judged: usize,
}

impl Share {
    /// Wilson's 95 % interval, 0..1.
    pub fn interval(&self) -> (f64, f64) {
        wilson(self.right, self.judged)
    }
}

/// How the tool stands by the coach's latest verdicts.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Standing {
    pub flags: Share,
    /// In the order of a sheet; faults of which no flag was judged are left out.
    pub by_fault: Vec<(FaultName, Share)>,
    /// What the coach found and the tool did not, newest first.
    pub missed: Vec<Given>,
}

/// How the tool stands. `all`: every verdict, oldest first.
pub fn standing(all: &[Given]) -> Standing {
    let latest = latest(all);
    let share = |of: Option<FaultName>| {
        let flags = latest.iter().filter(|g| g.ours == Verdict::Flagged && of.is_none_or(|f| f == g.fault));
        flags.fold(Share::default(), |s, g| Share { right: s.right + usize::from(g.agrees), judged: s.judged + 1 })
    };
    Standing {
        flags: share(None),
        by_fault: FaultName::ALL.into_iter().map(|f| (f, share(Some(f)))).filter(|(_, s)| s.judged > 0).collect(),
        missed: latest.iter().rev().filter(|g| g.is_miss()).map(|g| (*g).clone()).collect(),
    }
}
