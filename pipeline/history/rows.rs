//! Rows as they travel from the store of many machines into that of an out folder.

use super::results::given_up;
use super::store::{Lease, Store, commit, now};
use crate::error::{Error, Result};
use crate::report::Report;
use rusqlite::params;

/// A result with all that belongs to it, read at one moment.
#[derive(Debug, Clone, PartialEq)]
pub struct Row {
    pub owner: String,
    pub key: String,
    pub identity: String,
    pub report: Report,
    /// When its clip was measured (not only judged again), or first refused; RFC 3339, UTC.
    pub judged_at: String,
}

pub(super) fn parsed(report: &str) -> Result<Report> {
    serde_json::from_str(report).map_err(|e| Error::Internal(format!("a stored report is broken: {e}")))
}

impl Store {
    /// Every result, by owner and clip.
    pub fn rows(&self) -> Result<Vec<Row>> {
        let mut statement = self.db.prepare(
            "SELECT r.owner, r.key, r.identity, r.report, coalesce(s.made_at, r.judged_at)
             FROM result r LEFT JOIN seen s ON s.sha256 = r.sha256 ORDER BY r.owner, r.clip",
        )?;
        let mut rows = statement.query([])?;
        let mut all = Vec::new();
        while let Some(r) = rows.next()? {
            let report = parsed(&r.get::<_, String>(3)?)?;
            all.push(Row { owner: r.get(0)?, key: r.get(1)?, identity: r.get(2)?, report, judged_at: r.get(4)? });
        }
        Ok(all)
    }

    /// As [`Results::give_up`].
    ///
    /// [`Results::give_up`]: super::Results::give_up
    pub fn give_up(&mut self, last: Lease, owner: &str, identity: &str, report: &Report) -> Result<bool> {
        let clip = &report.clip;
        let step = self.db.transaction()?;
        let written = step.execute(
            "INSERT INTO result (owner, clip, key, sha256, file, student, captured, identity, report, judged_at, job)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11)
             ON CONFLICT (owner, clip) DO UPDATE SET key = ?3, file = ?5, student = ?6, identity = ?8, report = ?9, judged_at = ?10,
                 job = ?11 WHERE key LIKE 'given up %' AND key <> ?3 AND job <= ?11",
            params![
                owner,
                clip.id,
                given_up(last),
                clip.sha256,
                clip.file,
                clip.student,
                clip.captured,
                identity,
                report.to_json(),
                now(),
                last.job
            ],
        )?;
        commit(step)?;
        Ok(written == 1)
    }

    /// Takes away the row of a clip that was given up; a result stays.
    pub fn retract(&self, owner: &str, clip: &str) -> Result<()> {
        self.db.execute("DELETE FROM result WHERE owner = ?1 AND clip = ?2 AND key LIKE 'given up %'", [owner, clip])?;
        Ok(())
    }

    /// Takes over a row of another store as it stands there.
    pub fn bring(&mut self, row: &Row) -> Result<()> {
        let clip = &row.report.clip;
        let step = self.db.transaction()?;
        step.execute(
            "INSERT INTO result (owner, clip, key, sha256, file, student, captured, identity, report, judged_at, brought)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, 1)
             ON CONFLICT (owner, clip) DO UPDATE SET key = ?3, sha256 = ?4, file = ?5, student = ?6, captured = ?7, identity = ?8,
                 report = ?9, judged_at = ?10, brought = 1",
            params![
                row.owner,
                clip.id,
                row.key,
                clip.sha256,
                clip.file,
                clip.student,
                clip.captured,
                row.identity,
                row.report.to_json(),
                row.judged_at
            ],
        )?;
        // the look belongs to the row: a keeping time counts from it
        step.execute("UPDATE seen SET made_at = ?2 WHERE sha256 = ?1", params![clip.sha256, row.judged_at])?;
        commit(step)
    }

    /// Owner and clip of every row that was brought.
    pub fn brought(&self) -> Result<Vec<(String, String)>> {
        let mut statement = self.db.prepare("SELECT owner, clip FROM result WHERE brought = 1 ORDER BY owner, clip")?;
        let rows = statement.query_map([], |r| Ok((r.get(0)?, r.get(1)?)))?;
        Ok(rows.collect::<rusqlite::Result<_>>()?)
    }
}
