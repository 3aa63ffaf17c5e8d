//! The store on PostgreSQL: what [`super::Store`] is on one machine, for many machines and many coaches. Every row has a
//! coach; row-level security lets a coach's own login see nothing else. The owner of the schema (workers, the operator)
//! sees all and names the coach.

use super::connect::{configure, connect};
use super::erased::{Held, called, digest};
use super::marked::{self, Marked};
use super::results::{Results, given_up};
use super::rows::{Row, parsed};
use super::store::{Attempt, FailedAttempt, Lease, Stored, now};
use super::verdicts::{COLUMNS, Given, code, given, in_order};
use crate::error::{Error, Result};
use crate::report::Report;
use postgres::{Client, Transaction};

/// Each step is one version of the schema, in meaning that of the embedded store with a coach on every row.
const MIGRATIONS: &[&str] = &[
    include_str!("postgres_1.sql"),
    include_str!("postgres_2.sql"),
    include_str!("postgres_3.sql"),
    include_str!("postgres_4.sql"),
    include_str!("postgres_5.sql"),
    include_str!("postgres_6.sql"),
];
/// Only one program brings the schema up to date at a time (any fixed number does).
const MIGRATION_LOCK: i64 = 0x6461_776e;

/// An open store of one coach.
pub struct Postgres {
    db: Client,
    coach: String,
}

fn text(s: &str) -> String {
    // PostgreSQL keeps no NUL in text
    s.replace('\0', "\u{fffd}")
}

impl Postgres {
    /// Opens the store of a coach (`None`: the coach who logs in); makes the schema or brings it up to date, and refuses a
    /// newer one. Errors: usage for a wrong URL or login, installation for a newer schema.
    pub fn open(url: &str, coach: Option<&str>) -> Result<Postgres> {
        let mut db = connect(&configure(url)?)?;
        migrate(&mut db)?;
        let coach = match coach {
            Some(coach) => coach.to_string(),
            None => db.query_one("SELECT current_user::text", &[])?.get(0),
        };
        Ok(Postgres { db, coach })
    }

    /// Whose store it is.
    pub fn coach(&self) -> &str {
        &self.coach
    }

    fn welcome_digest(&mut self, digest: &str) -> Result<bool> {
        let mut step = self.db.transaction()?;
        step.execute("DELETE FROM dawnsheet.forgotten WHERE coach = $1 AND why = $2", &[&self.coach, &digest])?;
        let there = step.execute("DELETE FROM dawnsheet.forgotten WHERE coach = $1 AND digest = $2", &[&self.coach, &digest])?;
        step.commit()?;
        Ok(there > 0)
    }

    fn insert(step: &mut Transaction, coach: &str, a: &Attempt, outcome: &str, stderr: &str) -> Result<()> {
        step.execute(
            "INSERT INTO dawnsheet.attempt (coach, sha256, key, ended_at, outcome, stderr, timings, clip, file, owner, seconds)
             VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11)",
            &[
                &coach,
                &a.sha256,
                &a.key,
                &now(),
                &text(outcome),
                &text(stderr),
                &a.timings.to_string(),
                &a.clip,
                &text(&a.file),
                &a.owner,
                &a.seconds,
            ],
        )?;
        Ok(())
    }
}

fn migrate(db: &mut Client) -> Result<()> {
    let known = MIGRATIONS.len() as i32;
    let version = |db: &mut Client| -> Result<i32> {
        if db.query_one("SELECT to_regclass('dawnsheet.schema_version') IS NULL", &[])?.get(0) {
            return Ok(0);
        }
        Ok(db.query_one("SELECT max(version) FROM dawnsheet.schema_version", &[])?.get(0))
    };
    let newer = || Error::Installation("the database was written by a newer dawnsheet: use that version".into());
    match version(db)? {
        v if v == known => return Ok(()),
        v if v > known => return Err(newer()),
        _ => {}
    }
    db.execute("SELECT pg_advisory_lock($1)", &[&MIGRATION_LOCK])?;
    let at = version(db)?;
    if at > known {
        return Err(newer());
    }
    for (i, sql) in MIGRATIONS.iter().enumerate().skip(at as usize) {
        let mut step = db.transaction()?;
        step.batch_execute(sql)?;
        step.execute("INSERT INTO dawnsheet.schema_version VALUES ($1)", &[&(i as i32 + 1)])?;
        step.commit()?;
    }
    db.execute("SELECT pg_advisory_unlock($1)", &[&MIGRATION_LOCK])?;
    Ok(())
}

/// Verdicts with their row ids, in the order in which they were said.
fn said(rows: &[postgres::Row]) -> Result<Vec<(Given, i64)>> {
    let word = |r: &postgres::Row| {
        let word = given((r.get(0), r.get(1), r.get(2), r.get(3), r.get::<_, i32>(4) != 0, r.get(5), r.get(6)))?;
        Ok((word, r.get(7)))
    };
    Ok(in_order(rows.iter().map(word).collect::<Result<_>>()?))
}

impl Results for Postgres {
    fn of_coach(&mut self, coach: &str) {
        self.coach = coach.to_string();
    }

    fn done_key(&mut self, owner: &str, clip: &str) -> Result<Option<String>> {
        let sql = "SELECT key FROM dawnsheet.result WHERE coach = $1 AND owner = $2 AND clip = $3";
        Ok(self.db.query_opt(sql, &[&self.coach, &owner, &clip])?.map(|r| r.get(0)))
    }

    fn has_seen(&mut self, sha256: &str, model_sha256: &str, engine: &str) -> Result<bool> {
        let sql = "SELECT 1 FROM dawnsheet.seen WHERE coach = $1 AND sha256 = $2 AND model_sha256 = $3 AND engine = $4";
        Ok(self.db.query_opt(sql, &[&self.coach, &sha256, &model_sha256, &engine])?.is_some())
    }

    fn failures(&mut self, key: &str) -> Result<u32> {
        let sql = "SELECT count(*) FROM dawnsheet.attempt WHERE coach = $1 AND key = $2 AND outcome <> 'done'";
        let count: i64 = self.db.query_one(sql, &[&self.coach, &key])?.get(0);
        Ok(count as u32)
    }

    fn clear_failures(&mut self, key: &str) -> Result<()> {
        self.db.execute("DELETE FROM dawnsheet.attempt WHERE coach = $1 AND key = $2 AND outcome <> 'done'", &[&self.coach, &key])?;
        Ok(())
    }

    fn record_failure(&mut self, attempt: &Attempt, why: &str, stderr: &str) -> Result<()> {
        let mut step = self.db.transaction()?;
        Self::insert(&mut step, &self.coach, attempt, why, stderr)?;
        Ok(step.commit()?)
    }

    fn failed_attempts(&mut self, owner: &str, clip: &str) -> Result<Vec<FailedAttempt>> {
        let sql = "SELECT ended_at, seconds, outcome, stderr FROM dawnsheet.attempt
                   WHERE coach = $1 AND owner = $2 AND clip = $3 AND outcome <> 'done' ORDER BY id";
        let rows = self.db.query(sql, &[&self.coach, &owner, &clip])?;
        Ok(rows.iter().map(|r| FailedAttempt { ended_at: r.get(0), seconds: r.get(1), why: r.get(2), stderr: r.get(3) }).collect())
    }

    fn take(&mut self, owner: &str, clip: &str, lease: Lease) -> Result<bool> {
        let sql = "INSERT INTO dawnsheet.lease AS l SELECT $1::text, $2::text, $3::text, $4::bigint, $5::integer
                   WHERE NOT EXISTS (SELECT FROM dawnsheet.result WHERE coach = $1 AND owner = $2 AND clip = $3 AND job > $4)
                   ON CONFLICT (coach, owner, clip) DO UPDATE SET job = $4, attempt = $5 WHERE (l.job, l.attempt) <= ($4, $5)";
        Ok(self.db.execute(sql, &[&self.coach, &owner, &clip, &lease.job, &lease.attempt])? == 1)
    }

    fn let_go(&mut self, owner: &str, clip: &str, lease: Lease) -> Result<bool> {
        Ok(self.db.execute(LET_GO, &[&self.coach, &owner, &clip, &lease.job, &lease.attempt])? == 1)
    }

    fn newest_job(&mut self, owner: &str, clip: &str) -> Result<i64> {
        let sql = "SELECT job FROM dawnsheet.result WHERE coach = $1 AND owner = $2 AND clip = $3";
        Ok(self.db.query_opt(sql, &[&self.coach, &owner, &clip])?.map_or(0, |r| r.get(0)))
    }

    fn record_under(
        &mut self,
        lease: Option<Lease>,
        owner: &str,
        key: &str,
        identity: &str,
        report: &Report,
        seen: Option<(&str, &str, &Attempt)>,
    ) -> Result<()> {
        let (at, clip) = (now(), &report.clip);
        let mut step = self.db.transaction()?;
        if let Some(l) = lease
            && step.execute(LET_GO, &[&self.coach, &owner, &clip.id, &l.job, &l.attempt])? == 0
        {
            return Err(Error::LeaseLost);
        }
        if let Some((model, engine, attempt)) = seen {
            step.execute(
                "INSERT INTO dawnsheet.seen VALUES ($1, $2, $3, $4, $5) ON CONFLICT (coach, sha256)
                 DO UPDATE SET model_sha256 = $3, engine = $4, made_at = $5",
                &[&self.coach, &clip.sha256, &model, &engine, &at],
            )?;
            Self::insert(&mut step, &self.coach, attempt, "done", "")?;
        }
        let written = step.execute(
            "INSERT INTO dawnsheet.result AS r VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12)
             ON CONFLICT (coach, owner, clip) DO UPDATE SET key = $4, sha256 = $5, file = $6, student = $7, captured = $8, identity = $9,
                 report = $10, judged_at = $11, job = greatest(r.job, $12) WHERE $12 = 0 OR r.job <= $12",
            &[
                &self.coach,
                &owner,
                &clip.id,
                &key,
                &clip.sha256,
                &text(&clip.file),
                &clip.student.as_deref().map(text),
                &clip.captured,
                &text(identity),
                &report.to_json(),
                &at,
                &lease.map_or(0, |l| l.job),
            ],
        )?;
        if written == 0 {
            return Err(Error::LeaseLost);
        }
        Ok(step.commit()?)
    }

    fn give_up(&mut self, last: Lease, owner: &str, identity: &str, report: &Report) -> Result<bool> {
        let clip = &report.clip;
        let written = self.db.execute(
            "INSERT INTO dawnsheet.result AS r VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12)
             ON CONFLICT (coach, owner, clip) DO UPDATE SET key = $4, file = $6, student = $7, identity = $9, report = $10,
                 judged_at = $11, job = $12 WHERE r.key LIKE 'given up %' AND r.key <> $4 AND r.job <= $12",
            &[
                &self.coach,
                &owner,
                &clip.id,
                &given_up(last),
                &clip.sha256,
                &text(&clip.file),
                &clip.student.as_deref().map(text),
                &clip.captured,
                &text(identity),
                &report.to_json(),
                &now(),
                &last.job,
            ],
        )?;
        Ok(written == 1)
    }

    fn retract(&mut self, owner: &str, clip: &str) -> Result<()> {
        let sql = "DELETE FROM dawnsheet.result WHERE coach = $1 AND owner = $2 AND clip = $3 AND key LIKE 'given up %'";
        self.db.execute(sql, &[&self.coach, &owner, &clip])?;
        Ok(())
    }

    fn end_leases(&mut self, owner: &str) -> Result<()> {
        self.db.execute("DELETE FROM dawnsheet.lease WHERE coach = $1 AND owner = $2", &[&self.coach, &owner])?;
        Ok(())
    }

    fn give_verdicts(&mut self, verdicts: &[Given]) -> Result<()> {
        let mut step = self.db.transaction()?;
        for v in verdicts {
            let sql = "INSERT INTO dawnsheet.verdict (coach, owner, clip, fault, ours, agrees, note, made_at)
                       VALUES ($1, $2, $3, $4, $5, $6, $7, $8) ON CONFLICT DO NOTHING";
            let (fault, ours, agrees) = (code(&v.fault)?, code(&v.ours)?, i32::from(v.agrees));
            step.execute(sql, &[&self.coach, &v.owner, &v.clip, &fault, &ours, &agrees, &text(&v.note), &v.moment()])?;
        }
        Ok(step.commit()?)
    }

    fn take_back_verdict(&mut self, owner: &str, clip: &str) -> Result<Option<Given>> {
        let mut step = self.db.transaction()?;
        let sql = format!("SELECT {COLUMNS}, id FROM dawnsheet.verdict WHERE coach = $1 AND owner = $2 AND clip = $3 FOR UPDATE");
        let last = said(&step.query(&sql, &[&self.coach, &owner, &clip])?)?.pop();
        if let Some((_, id)) = &last {
            step.execute("DELETE FROM dawnsheet.verdict WHERE id = $1", &[id])?;
        }
        step.commit()?;
        Ok(last.map(|(word, _)| word))
    }

    fn verdicts(&mut self) -> Result<Vec<Given>> {
        let sql = format!("SELECT {COLUMNS}, id FROM dawnsheet.verdict WHERE coach = $1");
        Ok(said(&self.db.query(&sql, &[&self.coach])?)?.into_iter().map(|(word, _)| word).collect())
    }

    fn add_marked(&mut self, all: &[Marked]) -> Result<()> {
        let mut step = self.db.transaction()?;
        for m in all {
            let sql = "INSERT INTO dawnsheet.ruler (coach, owner, clip, kind, made_at, marks, by_hand)
                       VALUES ($1, $2, $3, $4, $5, $6, $7) ON CONFLICT DO NOTHING";
            step.execute(sql, &[&self.coach, &m.owner, &m.clip, &code(&m.kind)?, &m.moment(), &m.marks, &m.by_hand])?;
        }
        Ok(step.commit()?)
    }

    fn marked(&mut self) -> Result<Vec<Marked>> {
        let sql = format!("SELECT {} FROM dawnsheet.ruler WHERE coach = $1 ORDER BY id", marked::COLUMNS);
        let rows = self.db.query(&sql, &[&self.coach])?;
        let one = |r: &postgres::Row| marked::of_raw((r.get(0), r.get(1), r.get(2), r.get(3), r.get(4), r.get(5)));
        Ok(marked::in_order(rows.iter().map(one).collect::<Result<_>>()?))
    }

    fn results(&mut self) -> Result<Vec<(Stored, String)>> {
        let sql = "SELECT r.owner, r.report, coalesce(s.made_at, r.judged_at), r.identity
                   FROM dawnsheet.result r LEFT JOIN dawnsheet.seen s ON s.coach = r.coach AND s.sha256 = r.sha256
                   WHERE r.coach = $1
                   ORDER BY r.owner COLLATE \"C\", r.captured COLLATE \"C\" NULLS FIRST, r.clip COLLATE \"C\"";
        let rows = self.db.query(sql, &[&self.coach])?;
        rows.iter().map(|r| Ok((Stored { owner: r.get(0), report: parsed(r.get(1))?, judged_at: r.get(2) }, r.get(3)))).collect()
    }

    fn students(&mut self) -> Result<Vec<(String, Option<String>)>> {
        let sql = "SELECT DISTINCT owner, student FROM dawnsheet.result WHERE coach = $1
                   UNION SELECT owner, NULL FROM dawnsheet.attempt WHERE coach = $1";
        Ok(self.db.query(sql, &[&self.coach])?.iter().map(|r| (r.get(0), r.get(1))).collect())
    }

    fn rows(&mut self) -> Result<Vec<Row>> {
        let sql = "SELECT r.owner, r.key, r.identity, r.report, coalesce(s.made_at, r.judged_at)
                   FROM dawnsheet.result r LEFT JOIN dawnsheet.seen s ON s.coach = r.coach AND s.sha256 = r.sha256
                   WHERE r.coach = $1 ORDER BY r.owner COLLATE \"C\", r.clip COLLATE \"C\"";
        let rows = self.db.query(sql, &[&self.coach])?;
        let one = |r: &postgres::Row| {
            Ok(Row { owner: r.get(0), key: r.get(1), identity: r.get(2), report: parsed(r.get(3))?, judged_at: r.get(4) })
        };
        rows.iter().map(one).collect()
    }

    fn result(&mut self, owner: &str, clip: &str) -> Result<Option<Report>> {
        let sql = "SELECT report FROM dawnsheet.result WHERE coach = $1 AND owner = $2 AND clip = $3";
        self.db.query_opt(sql, &[&self.coach, &owner, &clip])?.map(|r| parsed(r.get(0))).transpose()
    }

    fn held_by(&mut self, owner: &str) -> Result<Vec<Held>> {
        let rows = self.db.query(
            "SELECT clip, sha256, file, bool_or(judged), EXISTS
                 (SELECT 1 FROM dawnsheet.result o WHERE o.coach = $1 AND o.sha256 = h.sha256 AND o.owner <> $2)
             FROM (SELECT clip, sha256, file, true AS judged FROM dawnsheet.result WHERE coach = $1 AND owner = $2
                   UNION ALL SELECT clip, sha256, file, false FROM dawnsheet.attempt WHERE coach = $1 AND owner = $2) h
             GROUP BY clip, sha256, file ORDER BY clip",
            &[&self.coach, &owner],
        )?;
        Ok(rows.iter().map(|r| Held { clip: r.get(0), sha256: r.get(1), file: r.get(2), judged: r.get(3), shared: r.get(4) }).collect())
    }

    fn erase(&mut self, owner: &str, held: &[Held]) -> Result<()> {
        let mut step = self.db.transaction()?;
        for h in held {
            for table in ["result", "verdict", "ruler", "attempt", "lease"] {
                let sql = format!("DELETE FROM dawnsheet.{table} WHERE coach = $1 AND owner = $2 AND clip = $3");
                step.execute(&sql, &[&self.coach, &owner, &h.clip])?;
            }
            if !h.shared {
                step.execute("DELETE FROM dawnsheet.seen WHERE coach = $1 AND sha256 = $2", &[&self.coach, &h.sha256])?;
                step.execute("DELETE FROM dawnsheet.attempt WHERE coach = $1 AND sha256 = $2", &[&self.coach, &h.sha256])?;
            }
        }
        Ok(step.commit()?)
    }

    fn forget(&mut self, what: &str, why: &str) -> Result<()> {
        let sql = "INSERT INTO dawnsheet.forgotten VALUES ($1, $2, $3, $4)
                   ON CONFLICT (coach, digest) DO UPDATE SET why = $3, forgotten_at = $4";
        self.db.execute(sql, &[&self.coach, &digest(what), &why, &now()])?;
        Ok(())
    }

    fn welcome(&mut self, what: &str) -> Result<bool> {
        self.welcome_digest(&digest(what))
    }

    fn forget_spelled(&mut self, owner: &str, spelled: &str) -> Result<()> {
        self.forget(spelled, &digest(owner))
    }

    fn forget_called(&mut self, owner: &str, name: &str) -> Result<()> {
        self.forget(&called(name), &digest(owner))
    }

    fn welcome_called(&mut self, name: &str) -> Result<bool> {
        self.forgotten(&called(name))?.map_or(Ok(false), |owner| self.welcome_digest(&owner))
    }

    fn forgotten(&mut self, what: &str) -> Result<Option<String>> {
        let sql = "SELECT why FROM dawnsheet.forgotten WHERE coach = $1 AND digest = $2";
        Ok(self.db.query_opt(sql, &[&self.coach, &digest(what)])?.map(|r| r.get(0)))
    }

    fn note(&mut self, name: &str) -> Result<Option<String>> {
        let sql = "SELECT value FROM dawnsheet.note WHERE coach = $1 AND name = $2";
        Ok(self.db.query_opt(sql, &[&self.coach, &name])?.map(|r| r.get(0)))
    }

    fn set_note(&mut self, name: &str, value: &str) -> Result<()> {
        let sql = "INSERT INTO dawnsheet.note VALUES ($1, $2, $3) ON CONFLICT (coach, name) DO UPDATE SET value = $3";
        self.db.execute(sql, &[&self.coach, &name, &value])?;
        Ok(())
    }

    fn measured_before(&mut self, moment: &str) -> Result<Vec<(String, String)>> {
        let rows = self.db.query(
            "SELECT r.owner, r.clip FROM dawnsheet.result r LEFT JOIN dawnsheet.seen s ON s.coach = r.coach AND s.sha256 = r.sha256
             WHERE r.coach = $1 AND coalesce(s.made_at, r.judged_at) < $2 ORDER BY r.owner, r.clip",
            &[&self.coach, &moment],
        )?;
        Ok(rows.iter().map(|r| (r.get(0), r.get(1))).collect())
    }
}

const LET_GO: &str = "DELETE FROM dawnsheet.lease WHERE coach = $1 AND owner = $2 AND clip = $3 AND job = $4 AND attempt = $5";
