//! What is taken out of the store: a student's rows and names. That somebody is to be skipped is remembered by digest alone.

use super::store::{Store, commit, now};
use crate::error::Result;
use crate::pose::models::hex;
use rusqlite::{OptionalExtension, params};
use sha2::{Digest, Sha256};

/// A clip of which the store holds something.
#[derive(Debug, Clone)]
pub struct Held {
    pub clip: String,
    pub sha256: String,
    pub file: String,
    /// Whether there is a result, not only attempts.
    pub judged: bool,
    /// Whether another owner sent the same bytes: what was seen of them stays.
    pub shared: bool,
}

pub(super) fn digest(what: &str) -> String {
    hex(&Sha256::digest(format!("dawnsheet forgets {what}")))
}

/// What is remembered of a name.
pub(super) fn called(name: &str) -> String {
    format!("called/{name}")
}

impl Store {
    /// Every clip of which the store holds something for this owner.
    pub fn held_by(&self, owner: &str) -> Result<Vec<Held>> {
        let mut statement = self.db.prepare(
            "SELECT clip, sha256, file, max(judged), EXISTS (SELECT 1 FROM result o WHERE o.sha256 = h.sha256 AND o.owner <> ?1)
             FROM (SELECT clip, sha256, file, 1 AS judged FROM result WHERE owner = ?1
                   UNION ALL SELECT clip, sha256, file, 0 FROM attempt WHERE owner = ?1) h
             GROUP BY clip, sha256, file ORDER BY clip",
        )?;
        let rows = statement.query_map([owner], |r| {
            Ok(Held { clip: r.get(0)?, sha256: r.get(1)?, file: r.get(2)?, judged: r.get(3)?, shared: r.get(4)? })
        })?;
        Ok(rows.collect::<rusqlite::Result<_>>()?)
    }

    /// Erases the rows of these clips of one owner. Rows about bytes that another owner sent too stay for that one.
    pub fn erase(&mut self, owner: &str, held: &[Held]) -> Result<()> {
        let step = self.db.transaction()?;
        for h in held {
            step.execute("DELETE FROM result WHERE owner = ?1 AND clip = ?2", params![owner, h.clip])?;
            step.execute("DELETE FROM verdict WHERE owner = ?1 AND clip = ?2", params![owner, h.clip])?;
            step.execute("DELETE FROM ruler WHERE owner = ?1 AND clip = ?2", params![owner, h.clip])?;
            step.execute("DELETE FROM attempt WHERE owner = ?1 AND clip = ?2", params![owner, h.clip])?;
            step.execute("DELETE FROM lease WHERE owner = ?1 AND clip = ?2", params![owner, h.clip])?;
            if !h.shared {
                step.execute("DELETE FROM seen WHERE sha256 = ?1", [&h.sha256])?;
                step.execute("DELETE FROM attempt WHERE sha256 = ?1", [&h.sha256])?;
            }
        }
        commit(step)
    }

    /// Rewrites the database without the space of erased rows, and empties the write-ahead log.
    pub fn compact(&self) -> Result<()> {
        self.db.execute_batch("PRAGMA wal_checkpoint(TRUNCATE); VACUUM; PRAGMA wal_checkpoint(TRUNCATE);")?;
        Ok(())
    }

    /// Remembers by digest alone that something is to be skipped from now on.
    pub fn forget(&self, what: &str, why: &str) -> Result<()> {
        self.db.execute("INSERT OR REPLACE INTO forgotten VALUES (?1, ?2, ?3)", params![digest(what), why, now()])?;
        Ok(())
    }

    /// Takes that back; whether it was remembered at all.
    pub fn welcome(&self, what: &str) -> Result<bool> {
        self.welcome_digest(&digest(what))
    }

    fn welcome_digest(&self, digest: &str) -> Result<bool> {
        self.db.execute("DELETE FROM forgotten WHERE why = ?1", [digest])?;
        Ok(self.db.execute("DELETE FROM forgotten WHERE digest = ?1", [digest])? > 0)
    }

    /// As [`Store::forget`], of another spelling of an owner's folder name: taken back with the owner.
    pub fn forget_spelled(&self, owner: &str, spelled: &str) -> Result<()> {
        self.forget(spelled, &digest(owner))
    }

    /// Lets a name lead to an owner who is forgotten, by digests alone.
    pub fn forget_called(&self, owner: &str, name: &str) -> Result<()> {
        self.forget(&called(name), &digest(owner))
    }

    /// As [`Store::welcome`], of the owner to whom this name leads.
    pub fn welcome_called(&self, name: &str) -> Result<bool> {
        self.forgotten(&called(name))?.map_or(Ok(false), |owner| self.welcome_digest(&owner))
    }

    /// Why this is skipped, where it is.
    pub fn forgotten(&self, what: &str) -> Result<Option<String>> {
        Ok(self.db.query_row("SELECT why FROM forgotten WHERE digest = ?1", [digest(what)], |r| r.get(0)).optional()?)
    }

    /// Erases the names of an owner.
    pub fn erase_names(&self, owner: &str) -> Result<()> {
        self.db.execute("DELETE FROM name WHERE owner = ?1", [owner])?;
        Ok(())
    }
}
