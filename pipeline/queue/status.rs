//! What waits, what is at work, what was given up, how fast it goes.

use crate::error::Result;
use crate::history::connect::{configure, connect};
use serde::Serialize;

/// The state of a queue.
#[derive(Debug, Default, Clone, Serialize)]
pub struct Status {
    pub waiting: i64,
    /// Of those: failed before, and waiting for another attempt.
    pub to_retry: i64,
    pub at_work: i64,
    pub dead: i64,
    /// Machines that gave a sign of life lately.
    pub machines: i64,
    /// Seconds since the oldest waiting job was added.
    pub oldest_seconds: Option<f64>,
    pub done_last_hour: Option<i64>,
    pub done_last_ten_minutes: Option<i64>,
    /// Mean seconds a clip in the last hour.
    pub seconds_a_clip: Option<f64>,
    /// The latest that were given up, at most 50.
    pub dead_letters: Vec<DeadLetter>,
}

/// A job that failed too often.
#[derive(Debug, Clone, Serialize)]
pub struct DeadLetter {
    pub key: String,
    pub file: String,
    pub attempts: i16,
    pub since: String,
    pub why: String,
}

/// A job whose attempts are spent. One that was struck after its result was recorded and before the queue heard of it is none:
/// its work is done.
const DEAD: &str = "locked_at IS NULL AND attempts >= max_attempts";
const UNRECORDED: &str = "NOT EXISTS (SELECT FROM dawnsheet.result r
     WHERE r.coach = payload->>'coach' AND r.owner = payload->>'owner' AND r.sha256 = payload->'identity'->>'sha256'
       AND r.judged_at::timestamptz >= j.created_at AND r.key NOT LIKE 'given up %')";

/// Looks at the queue, and at the attempts where they lie in the same database.
pub fn status(url: &str) -> Result<Status> {
    let mut db = connect(&configure(url)?)?;
    let there = |db: &mut postgres::Client, table: &str| -> Result<bool> {
        Ok(db.query_one("SELECT to_regclass($1) IS NOT NULL", &[&table])?.get(0))
    };
    let mut s = Status::default();
    if !there(&mut db, "graphile_worker.jobs")? {
        return Ok(s);
    }
    let dead = if there(&mut db, "dawnsheet.result")? { format!("{DEAD} AND {UNRECORDED}") } else { DEAD.to_string() };
    let row = db.query_one(
        "SELECT count(*) FILTER (WHERE locked_at IS NULL AND attempts < max_attempts),
                count(*) FILTER (WHERE locked_at IS NULL AND attempts < max_attempts AND attempts > 0),
                count(*) FILTER (WHERE locked_at IS NOT NULL),
                extract(epoch FROM now() - min(created_at) FILTER (WHERE locked_at IS NULL AND attempts < max_attempts))::float8,
                (SELECT count(*) FROM graphile_worker._private_workers)
         FROM graphile_worker.jobs WHERE task_identifier = 'dawnsheet_clip'",
        &[],
    )?;
    (s.waiting, s.to_retry, s.at_work) = (row.get(0), row.get(1), row.get(2));
    (s.oldest_seconds, s.machines) = (row.get(3), row.get(4));
    s.dead = db.query_one(&format!("SELECT count(*) FROM graphile_worker._private_jobs j WHERE {dead}"), &[])?.get(0);
    let rows = db.query(
        &format!(
            "SELECT coalesce(key, ''), payload->'identity'->'brief'->>'file', attempts, updated_at::text, coalesce(last_error, '')
             FROM graphile_worker._private_jobs j WHERE {dead} ORDER BY updated_at DESC LIMIT 50"
        ),
        &[],
    )?;
    s.dead_letters = rows
        .iter()
        .map(|r| DeadLetter {
            key: r.get(0),
            file: r.get::<_, Option<String>>(1).unwrap_or_default(),
            attempts: r.get(2),
            since: r.get(3),
            why: super::engine::plain(r.get(4)),
        })
        .collect();
    if there(&mut db, "dawnsheet.attempt")? {
        let ago = |seconds: i64| (jiff::Timestamp::now() - jiff::SignedDuration::from_secs(seconds)).to_string();
        let row = db.query_one(
            "SELECT count(*), count(*) FILTER (WHERE ended_at >= $2), avg(seconds)
             FROM dawnsheet.attempt WHERE ended_at >= $1 AND outcome = 'done'",
            &[&ago(3600), &ago(600)],
        )?;
        (s.done_last_hour, s.done_last_ten_minutes, s.seconds_a_clip) = (row.get(0), row.get(1), row.get(2));
    }
    Ok(s)
}

impl Status {
    /// A few lines for a terminal.
    pub fn table(&self) -> String {
        let mut text = format!(
            "waiting {}  (of those to be tried again {})\nat work {}  on {} machines\ngiven up {}\n",
            self.waiting, self.to_retry, self.at_work, self.machines, self.dead
        );
        if let Some(s) = self.oldest_seconds {
            text.push_str(&format!("oldest waits {:.0} min\n", s / 60.0));
        }
        if let (Some(hour), Some(minutes)) = (self.done_last_hour, self.done_last_ten_minutes) {
            text.push_str(&format!("done {hour} in the last hour, {minutes} in the last ten minutes"));
            text.push_str(&self.seconds_a_clip.map_or_else(|| "\n".into(), |s| format!("; {s:.1} s a clip\n")));
            if minutes > 0 && self.waiting > 0 {
                text.push_str(&format!("at this rate empty in {:.0} min\n", self.waiting as f64 / (minutes as f64 / 10.0)));
            }
        }
        for d in &self.dead_letters {
            let (file, why) = (crate::report::printable(&d.file), crate::report::printable(&d.why));
            text.push_str(&format!("given up after {} attempts: {file}: {why}\n", d.attempts));
        }
        text
    }
}
