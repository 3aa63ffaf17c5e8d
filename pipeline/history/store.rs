//! The ledger and store, SQLite in the out folder. A clip is done when its row says so; the row is written after all
//! that it points to is on disk and in place.

use crate::error::{Error, Result};
use crate::report::Report;
use rusqlite::{Connection, OptionalExtension, params};
use std::path::Path;

/// The open store.
pub struct Store {
    db: Connection,
}

/// A stored result.
#[derive(Debug, Clone)]
pub struct Stored {
    pub owner: String,
    pub report: Report,
    pub judged_at: String,
}

const MIGRATIONS: &[&str] = &["
    CREATE TABLE seen (
        sha256 TEXT NOT NULL, model_sha256 TEXT NOT NULL, engine TEXT NOT NULL, made_at TEXT NOT NULL,
        PRIMARY KEY (sha256)
    ) STRICT;
    CREATE TABLE result (
        owner TEXT NOT NULL, clip TEXT NOT NULL, key TEXT NOT NULL, sha256 TEXT NOT NULL, file TEXT NOT NULL,
        student TEXT, captured TEXT, identity TEXT NOT NULL, report TEXT NOT NULL, judged_at TEXT NOT NULL,
        PRIMARY KEY (owner, clip)
    ) STRICT;
    CREATE TABLE attempt (
        id INTEGER PRIMARY KEY, sha256 TEXT NOT NULL, key TEXT NOT NULL, ended_at TEXT NOT NULL,
        outcome TEXT NOT NULL, stderr TEXT NOT NULL, timings TEXT NOT NULL
    ) STRICT;
    CREATE INDEX attempt_key ON attempt (key);
"];

fn now() -> String {
    jiff::Timestamp::now().to_string()
}

impl Store {
    /// Opens or makes the store; brings an older schema up to date and refuses a newer one.
    pub fn open(path: &Path) -> Result<Store> {
        let db = Connection::open(path)?;
        db.pragma_update(None, "journal_mode", "WAL")?;
        db.pragma_update(None, "synchronous", "FULL")?;
        db.pragma_update(None, "secure_delete", true)?;
        let version: i64 = db.query_row("PRAGMA user_version", [], |r| r.get(0))?;
        let version = usize::try_from(version).unwrap_or(usize::MAX);
        if version > MIGRATIONS.len() {
            return Err(Error::Installation(format!("{} was written by a newer dawnsheet: use that version", path.display())));
        }
        let mut store = Store { db };
        for (i, sql) in MIGRATIONS.iter().enumerate().skip(version) {
            let step = store.db.transaction()?;
            step.execute_batch(sql)?;
            step.pragma_update(None, "user_version", i as i64 + 1)?;
            step.commit()?;
        }
        use std::os::unix::fs::PermissionsExt;
        std::fs::set_permissions(path, std::fs::Permissions::from_mode(0o600)).map_err(Error::file(path))?;
        Ok(store)
    }

    /// The key under which an owner's clip is done, where it is.
    pub fn done_key(&self, owner: &str, clip: &str) -> Result<Option<String>> {
        Ok(self.db.query_row("SELECT key FROM result WHERE owner = ?1 AND clip = ?2", params![owner, clip], |r| r.get(0)).optional()?)
    }

    /// Whether the models' look at these bytes is kept, by these models and this engine.
    pub fn has_seen(&self, sha256: &str, model_sha256: &str, engine: &str) -> Result<bool> {
        Ok(self
            .db
            .query_row(
                "SELECT 1 FROM seen WHERE sha256 = ?1 AND model_sha256 = ?2 AND engine = ?3",
                params![sha256, model_sha256, engine],
                |_| Ok(()),
            )
            .optional()?
            .is_some())
    }

    /// Failed attempts at a key.
    pub fn failures(&self, key: &str) -> Result<u32> {
        Ok(self.db.query_row("SELECT count(*) FROM attempt WHERE key = ?1 AND outcome <> 'done'", [key], |r| r.get(0))?)
    }

    /// Forgets failed attempts at a key, so that it is tried again.
    pub fn clear_failures(&self, key: &str) -> Result<()> {
        self.db.execute("DELETE FROM attempt WHERE key = ?1 AND outcome <> 'done'", [key])?;
        Ok(())
    }

    /// Records an attempt that brought no result.
    pub fn record_failure(&self, sha256: &str, key: &str, why: &str, stderr: &str) -> Result<()> {
        self.db.execute(
            "INSERT INTO attempt (sha256, key, ended_at, outcome, stderr, timings) VALUES (?1, ?2, ?3, ?4, ?5, '{}')",
            params![sha256, key, now(), why, stderr],
        )?;
        Ok(())
    }

    /// Records a result, and what was seen for it (`seen`: model hash and engine), in one transaction: now the clip is done.
    pub fn record(
        &mut self,
        owner: &str,
        key: &str,
        identity: &str,
        report: &Report,
        seen: Option<(&str, &str)>,
        timings: &str,
    ) -> Result<()> {
        let at = now();
        let step = self.db.transaction()?;
        if let Some((model, engine)) = seen {
            step.execute("INSERT OR REPLACE INTO seen VALUES (?1, ?2, ?3, ?4)", params![report.clip.sha256, model, engine, at])?;
            step.execute(
                "INSERT INTO attempt (sha256, key, ended_at, outcome, stderr, timings) VALUES (?1, ?2, ?3, 'done', '', ?4)",
                params![report.clip.sha256, key, at, timings],
            )?;
        }
        step.execute(
            "INSERT OR REPLACE INTO result VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10)",
            params![
                owner,
                report.clip.id,
                key,
                report.clip.sha256,
                report.clip.file,
                report.clip.student,
                report.clip.captured,
                identity,
                report.to_json(),
                at
            ],
        )?;
        step.commit()?;
        Ok(())
    }

    /// Every result, by owner and date.
    pub fn results(&self) -> Result<Vec<(Stored, String)>> {
        let mut statement = self.db.prepare("SELECT owner, report, judged_at, identity FROM result ORDER BY owner, captured, clip")?;
        let rows = statement
            .query_map([], |r| Ok((r.get::<_, String>(0)?, r.get::<_, String>(1)?, r.get::<_, String>(2)?, r.get::<_, String>(3)?)))?;
        let mut all = Vec::new();
        for row in rows {
            let (owner, report, judged_at, identity) = row?;
            let report = serde_json::from_str(&report).map_err(|e| Error::Internal(format!("a stored report is broken: {e}")))?;
            all.push((Stored { owner, report, judged_at }, identity));
        }
        Ok(all)
    }

    /// One result.
    pub fn result(&self, owner: &str, clip: &str) -> Result<Option<Report>> {
        let text: Option<String> =
            self.db.query_row("SELECT report FROM result WHERE owner = ?1 AND clip = ?2", params![owner, clip], |r| r.get(0)).optional()?;
        text.map(|t| serde_json::from_str(&t).map_err(|e| Error::Internal(format!("a stored report is broken: {e}")))).transpose()
    }
}
