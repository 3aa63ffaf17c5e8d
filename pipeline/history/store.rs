//! The ledger and store, SQLite in the out folder. A clip is done when its row says so; the row is written after all
//! that it points to is on disk and in place.

use super::rows::parsed;
use crate::error::{Error, Result};
use crate::fault;
use crate::report::Report;
use rusqlite::{Connection, OptionalExtension, params};
use std::path::Path;

/// The open store.
pub struct Store {
    pub(super) db: Connection,
}

/// A stored result.
#[derive(Debug, Clone)]
pub struct Stored {
    pub owner: String,
    pub report: Report,
    /// When its clip was measured (not only judged again), or first refused.
    pub judged_at: String,
}

const MIGRATIONS: &[&str] = &[
    "
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
",
    "
    ALTER TABLE attempt ADD COLUMN clip TEXT NOT NULL DEFAULT '';
    ALTER TABLE attempt ADD COLUMN file TEXT NOT NULL DEFAULT '';
    ALTER TABLE attempt ADD COLUMN owner TEXT NOT NULL DEFAULT '';
    ALTER TABLE attempt ADD COLUMN seconds REAL NOT NULL DEFAULT 0;
    CREATE TABLE verdict (
        id INTEGER PRIMARY KEY, owner TEXT NOT NULL, clip TEXT NOT NULL, fault TEXT NOT NULL, ours TEXT NOT NULL,
        agrees INTEGER NOT NULL, note TEXT NOT NULL, made_at TEXT NOT NULL
    ) STRICT;
    CREATE INDEX verdict_clip ON verdict (owner, clip);
    CREATE TABLE forgotten (digest TEXT PRIMARY KEY, why TEXT NOT NULL, forgotten_at TEXT NOT NULL) STRICT;
    CREATE TABLE note (name TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT;
",
    "
    CREATE TABLE lease (
        owner TEXT NOT NULL, clip TEXT NOT NULL, job INTEGER NOT NULL, attempt INTEGER NOT NULL, PRIMARY KEY (owner, clip)
    ) STRICT;
",
    // every name by which a student has gone: as reported, folders, aliases of the roster
    "
    CREATE TABLE name (owner TEXT NOT NULL, name TEXT NOT NULL, PRIMARY KEY (owner, name)) STRICT;
",
    "
    ALTER TABLE result ADD COLUMN job INTEGER NOT NULL DEFAULT 0;
",
    "
    ALTER TABLE result ADD COLUMN brought INTEGER NOT NULL DEFAULT 0;
",
    "
    DELETE FROM verdict WHERE id NOT IN (SELECT min(id) FROM verdict GROUP BY owner, clip, fault, made_at);
    CREATE UNIQUE INDEX verdict_said ON verdict (owner, clip, fault, made_at);
",
    // what a coach marked by hand, each time as it was, and which clips were drawn for it
    "
    CREATE TABLE ruler (
        id INTEGER PRIMARY KEY, owner TEXT NOT NULL, clip TEXT NOT NULL, kind TEXT NOT NULL, made_at TEXT NOT NULL,
        marks TEXT NOT NULL, by_hand TEXT NOT NULL
    ) STRICT;
    CREATE UNIQUE INDEX ruler_said ON ruler (owner, clip, kind, made_at);
",
    "
    -- nothing to change; but its rows may say that they decide a clip, which earlier versions cannot read
",
];

/// One try at a clip.
#[derive(Debug, Clone, Default)]
pub struct Attempt {
    pub owner: String,
    pub clip: String,
    pub sha256: String,
    pub file: String,
    pub key: String,
    /// Wall clock, seconds.
    pub seconds: f64,
    /// Seconds by stage, as the worker measured them.
    pub timings: serde_json::Value,
}

impl Attempt {
    fn insert(&self, step: &rusqlite::Transaction, outcome: &str, stderr: &str) -> Result<()> {
        step.execute(
            "INSERT INTO attempt (sha256, key, ended_at, outcome, stderr, timings, clip, file, owner, seconds)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10)",
            params![
                self.sha256,
                self.key,
                now(),
                outcome,
                stderr,
                self.timings.to_string(),
                self.clip,
                self.file,
                self.owner,
                self.seconds
            ],
        )?;
        Ok(())
    }
}

/// A try that brought nothing.
#[derive(Debug, Clone, serde::Serialize)]
pub struct FailedAttempt {
    pub ended_at: String,
    pub seconds: f64,
    pub why: String,
    pub stderr: String,
}

/// Which attempt of which job works on a clip. Both only ever grow: a later one fences off an earlier one.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Lease {
    pub job: i64,
    pub attempt: i32,
}

pub(super) fn commit(step: rusqlite::Transaction) -> Result<()> {
    let full = |e| Error::File { path: "dawnsheet.sqlite".into(), source: e };
    fault::point().map_err(full)?;
    step.commit()?;
    fault::point().map_err(full)
}

pub(super) fn now() -> String {
    jiff::Timestamp::now().to_string()
}

/// How many of the steps a store has been through.
fn version(db: &Connection) -> Result<usize> {
    let version: i64 = db.query_row("PRAGMA user_version", [], |r| r.get(0))?;
    Ok(usize::try_from(version).unwrap_or(usize::MAX))
}

impl Store {
    /// Opens or makes the store; brings an older schema up to date and refuses a newer one.
    pub fn open(path: &Path) -> Result<Store> {
        let db = Connection::open(path)?;
        db.pragma_update(None, "journal_mode", "WAL")?;
        db.pragma_update(None, "synchronous", "FULL")?;
        db.pragma_update(None, "secure_delete", true)?;
        let mut store = Store { db };
        store.bring_up_to_date(path)?;
        use std::os::unix::fs::PermissionsExt;
        std::fs::set_permissions(path, std::fs::Permissions::from_mode(0o600)).map_err(Error::file(path))?;
        Ok(store)
    }

    /// All steps that a store of an earlier version lacks are one transaction: a power cut leaves it as it was, or as it shall be.
    fn bring_up_to_date(&mut self, path: &Path) -> Result<()> {
        if version(&self.db)? == MIGRATIONS.len() {
            return Ok(());
        }
        // no other program that was started at the same moment comes between reading the version and changing it
        let step = self.db.transaction_with_behavior(rusqlite::TransactionBehavior::Immediate)?;
        let version = version(&step)?;
        let Some(missing) = MIGRATIONS.get(version..) else {
            let (store, this) = (path.display(), env!("CARGO_PKG_VERSION"));
            return Err(Error::Installation(format!(
                "{store} was written by a newer dawnsheet than this one ({this}): install the newer one again, or name another folder with --out"
            )));
        };
        for sql in missing {
            step.execute_batch(sql)?;
        }
        step.pragma_update(None, "user_version", MIGRATIONS.len() as i64)?;
        commit(step)
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

    /// Records an attempt that brought no result: why, and what the worker complained.
    pub fn record_failure(&mut self, attempt: &Attempt, why: &str, stderr: &str) -> Result<()> {
        let step = self.db.transaction()?;
        attempt.insert(&step, why, stderr)?;
        commit(step)
    }

    /// Failed attempts at a clip, oldest first: when, why, what the worker complained.
    pub fn failed_attempts(&self, owner: &str, clip: &str) -> Result<Vec<FailedAttempt>> {
        let mut statement = self.db.prepare(
            "SELECT ended_at, seconds, outcome, stderr FROM attempt
                 WHERE owner = ?1 AND clip = ?2 AND outcome <> 'done' ORDER BY id",
        )?;
        let rows = statement.query_map([owner, clip], |r| {
            Ok(FailedAttempt { ended_at: r.get(0)?, seconds: r.get(1)?, why: r.get(2)?, stderr: r.get(3)? })
        })?;
        Ok(rows.collect::<rusqlite::Result<_>>()?)
    }

    /// Records a result, and what was seen for it (`seen`: model hash, engine and the attempt that saw it), in one
    /// transaction: now the clip is done.
    pub fn record(&mut self, owner: &str, key: &str, identity: &str, report: &Report, seen: Option<(&str, &str, &Attempt)>) -> Result<()> {
        self.record_under(None, owner, key, identity, report, seen)
    }

    /// Takes a clip for one attempt of a job; refused where a later attempt took it, or a later job has its result there. True:
    /// it is this attempt's.
    pub fn take(&mut self, owner: &str, clip: &str, lease: Lease) -> Result<bool> {
        let changed = self.db.execute(
            "INSERT INTO lease SELECT ?1, ?2, ?3, ?4
             WHERE NOT EXISTS (SELECT 1 FROM result WHERE owner = ?1 AND clip = ?2 AND job > ?3)
             ON CONFLICT (owner, clip) DO UPDATE SET job = ?3, attempt = ?4 WHERE (lease.job, lease.attempt) <= (?3, ?4)",
            params![owner, clip, lease.job, lease.attempt],
        )?;
        Ok(changed == 1)
    }

    /// Gives up what [`Store::take`] took, where it is still this attempt's.
    pub fn let_go(&mut self, owner: &str, clip: &str, lease: Lease) -> Result<bool> {
        let sql = "DELETE FROM lease WHERE owner = ?1 AND clip = ?2 AND job = ?3 AND attempt = ?4";
        Ok(self.db.execute(sql, params![owner, clip, lease.job, lease.attempt])? == 1)
    }

    /// The newest job that made a clip's result; 0 for none.
    pub fn newest_job(&self, owner: &str, clip: &str) -> Result<i64> {
        let sql = "SELECT job FROM result WHERE owner = ?1 AND clip = ?2";
        Ok(self.db.query_row(sql, [owner, clip], |r| r.get(0)).optional()?.unwrap_or(0))
    }

    /// Ends every lease on this owner's clips: whoever is at work on one records nothing.
    pub fn end_leases(&self, owner: &str) -> Result<()> {
        self.db.execute("DELETE FROM lease WHERE owner = ?1", [owner])?;
        Ok(())
    }

    /// As [`Store::record`]; under a lease only while it is held, which ends with it, and never over the result of a later job.
    /// Error: [`Error::LeaseLost`].
    pub fn record_under(
        &mut self,
        lease: Option<Lease>,
        owner: &str,
        key: &str,
        identity: &str,
        report: &Report,
        seen: Option<(&str, &str, &Attempt)>,
    ) -> Result<()> {
        let at = now();
        let step = self.db.transaction()?;
        if let Some(lease) = lease {
            let sql = "DELETE FROM lease WHERE owner = ?1 AND clip = ?2 AND job = ?3 AND attempt = ?4";
            if step.execute(sql, params![owner, report.clip.id, lease.job, lease.attempt])? == 0 {
                return Err(Error::LeaseLost);
            }
        }
        if let Some((model, engine, attempt)) = seen {
            step.execute("INSERT OR REPLACE INTO seen VALUES (?1, ?2, ?3, ?4)", params![report.clip.sha256, model, engine, at])?;
            attempt.insert(&step, "done", "")?;
        }
        let written = step.execute(
            "INSERT INTO result (owner, clip, key, sha256, file, student, captured, identity, report, judged_at, job)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11)
             ON CONFLICT (owner, clip) DO UPDATE SET key = ?3, sha256 = ?4, file = ?5, student = ?6, captured = ?7, identity = ?8,
                 report = ?9, judged_at = ?10, job = max(job, ?11) WHERE ?11 = 0 OR job <= ?11",
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
                at,
                lease.map_or(0, |l| l.job)
            ],
        )?;
        if written == 0 {
            return Err(Error::LeaseLost);
        }
        commit(step)
    }

    /// Brings what is known besides the pixels up to date where a result's key does not hang on it.
    pub fn refresh_identity(&self, owner: &str, clip: &str, identity: &str) -> Result<()> {
        let sql = "UPDATE result SET identity = ?3 WHERE owner = ?1 AND clip = ?2 AND identity <> ?3";
        self.db.execute(sql, [owner, clip, identity])?;
        Ok(())
    }

    /// A number that changes whenever another program has changed the store.
    pub fn outside_changes(&self) -> Result<i64> {
        Ok(self.db.query_row("PRAGMA data_version", [], |r| r.get(0))?)
    }

    /// A remembered fact about the installation, such as where the inbox was.
    pub fn note(&self, name: &str) -> Result<Option<String>> {
        Ok(self.db.query_row("SELECT value FROM note WHERE name = ?1", [name], |r| r.get(0)).optional()?)
    }

    /// Remembers one.
    pub fn set_note(&self, name: &str, value: &str) -> Result<()> {
        self.db.execute("INSERT OR REPLACE INTO note VALUES (?1, ?2)", params![name, value])?;
        Ok(())
    }

    /// Owner and clip of what was first measured before `moment` (RFC 3339, UTC).
    pub fn measured_before(&self, moment: &str) -> Result<Vec<(String, String)>> {
        let mut statement = self.db.prepare(
            "SELECT r.owner, r.clip FROM result r LEFT JOIN seen s ON s.sha256 = r.sha256
             WHERE coalesce(s.made_at, r.judged_at) < ?1 ORDER BY r.owner, r.clip",
        )?;
        let rows = statement.query_map([moment], |r| Ok((r.get(0)?, r.get(1)?)))?;
        Ok(rows.collect::<rusqlite::Result<_>>()?)
    }

    /// Says that these bytes were seen at another time than now.
    pub fn seen_at(&self, sha256: &str, moment: &str) -> Result<()> {
        self.db.execute("UPDATE seen SET made_at = ?2 WHERE sha256 = ?1", params![sha256, moment])?;
        Ok(())
    }

    /// Every result, by owner and date.
    pub fn results(&self) -> Result<Vec<(Stored, String)>> {
        let mut statement = self.db.prepare(
            "SELECT r.owner, r.report, coalesce(s.made_at, r.judged_at), r.identity
             FROM result r LEFT JOIN seen s ON s.sha256 = r.sha256 ORDER BY r.owner, r.captured, r.clip",
        )?;
        let rows = statement
            .query_map([], |r| Ok((r.get::<_, String>(0)?, r.get::<_, String>(1)?, r.get::<_, String>(2)?, r.get::<_, String>(3)?)))?;
        let mut all = Vec::new();
        for row in rows {
            let (owner, report, judged_at, identity) = row?;
            all.push((Stored { owner, report: parsed(&report)?, judged_at }, identity));
        }
        Ok(all)
    }

    /// Folder name and name of everybody of whom something is kept.
    pub fn students(&self) -> Result<Vec<(String, Option<String>)>> {
        let sql = "SELECT DISTINCT owner, student FROM result UNION SELECT owner, NULL FROM attempt";
        let mut statement = self.db.prepare(sql)?;
        let rows = statement.query_map([], |r| Ok((r.get(0)?, r.get(1)?)))?;
        Ok(rows.collect::<rusqlite::Result<_>>()?)
    }

    /// Remembers by what names an owner goes.
    pub fn add_names<'a>(&mut self, owner: &str, names: impl IntoIterator<Item = &'a str>) -> Result<()> {
        let step = self.db.transaction()?;
        for name in names {
            step.execute("INSERT OR IGNORE INTO name VALUES (?1, ?2)", [owner, name])?;
        }
        Ok(step.commit()?)
    }

    /// Every owner with every name by which it has gone, those of its results among them.
    pub fn names(&self) -> Result<Vec<(String, String)>> {
        let sql = "SELECT owner, name FROM name UNION SELECT owner, student FROM result WHERE student IS NOT NULL";
        let mut statement = self.db.prepare(sql)?;
        let rows = statement.query_map([], |r| Ok((r.get(0)?, r.get(1)?)))?;
        Ok(rows.collect::<rusqlite::Result<_>>()?)
    }

    /// Moves a result with all about it to another owner; where that one has the clip already, its own stays.
    pub fn move_result(&mut self, from: &str, to: &str, report: &Report, identity: &str) -> Result<()> {
        let (clip, step) = (&report.clip, self.db.transaction()?);
        let sql = "UPDATE OR IGNORE result SET owner = ?2, student = ?4, report = ?5, identity = ?6 WHERE owner = ?1 AND clip = ?3";
        step.execute(sql, params![from, to, clip.id, clip.student, report.to_json(), identity])?;
        if from != to {
            step.execute("DELETE FROM result WHERE owner = ?1 AND clip = ?2", [from, &clip.id])?;
            for table in ["verdict", "ruler", "attempt"] {
                // what both hold of one moment, such as one lot, is there once
                step.execute(&format!("UPDATE OR IGNORE {table} SET owner = ?2 WHERE owner = ?1 AND clip = ?3"), [from, to, &clip.id])?;
                step.execute(&format!("DELETE FROM {table} WHERE owner = ?1 AND clip = ?2"), [from, &clip.id])?;
            }
        }
        commit(step)
    }

    /// Moves what is left of an owner whose results were moved: attempts and names.
    pub fn move_rest(&mut self, from: &str, to: &str) -> Result<()> {
        let step = self.db.transaction()?;
        step.execute("UPDATE attempt SET owner = ?2 WHERE owner = ?1", [from, to])?;
        step.execute("UPDATE OR REPLACE name SET owner = ?2 WHERE owner = ?1", [from, to])?;
        step.execute("DELETE FROM lease WHERE owner = ?1", [from])?;
        commit(step)
    }

    /// One result.
    pub fn result(&self, owner: &str, clip: &str) -> Result<Option<Report>> {
        let text: Option<String> =
            self.db.query_row("SELECT report FROM result WHERE owner = ?1 AND clip = ?2", params![owner, clip], |r| r.get(0)).optional()?;
        text.map(|t| parsed(&t)).transpose()
    }
}
