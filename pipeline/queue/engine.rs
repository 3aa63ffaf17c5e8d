//! The job engine, set up so that no job is lost and none does its work twice: recovery of dead machines' jobs on, an
//! attempt spent at claim and never given back, jobs named by what makes a clip done.

use crate::batch::interrupt::Interrupt;
use crate::error::{Error, Result};
use crate::history::connect::{configure, connect};
use crate::history::store::Lease;
use crate::judge::Identity;
use crate::pose::models::ModelChoice;
use graphile_worker::tokio_postgres::TokioPostgresDatabase;
use graphile_worker::worker_utils::types::RescheduleJobOptions;
use graphile_worker::{
    IntoTaskHandlerResult, JobRecovery, JobRecoveryResult, JobSpec, TaskHandler, Worker, WorkerBuildError, WorkerContext, WorkerUtils,
};
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;
use std::time::Duration;

/// Schema in which the engine keeps its tables.
pub const SCHEMA: &str = "graphile_worker";
/// Only one program brings the engine's schema up to date at a time.
const MIGRATION_LOCK: i64 = 0x6461_776f;
/// Jobs sent to the database at once.
const BATCH: usize = 500;

/// One clip to work on: whose, which bytes, where below the media folder. Never the video itself.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct ClipJob {
    pub coach: String,
    /// Folder name of the student.
    pub owner: String,
    pub identity: Identity,
    pub choice: ModelChoice,
    /// Note of the store that holds the settings.
    pub settings: String,
}

/// What is done with a job: `Err` is a sentence that stays with it.
type Run = dyn Fn(&ClipJob, Lease) -> std::result::Result<(), String> + Send + Sync;

/// A [`Run`] that the engine can hold.
#[derive(Clone)]
pub struct Stage(pub Arc<Run>);

impl std::fmt::Debug for Stage {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Stage")
    }
}

impl TaskHandler for ClipJob {
    const IDENTIFIER: &'static str = "dawnsheet_clip";

    async fn run(self, ctx: WorkerContext) -> impl IntoTaskHandlerResult {
        let Some(stage) = ctx.get_ext::<Stage>().cloned() else { return Err("no stage".to_string()) };
        let job = ctx.job();
        let lease = Lease { job: *job.id(), attempt: (*job.attempts()).into() };
        // a clip takes seconds of waiting for its child process
        tokio::task::spawn_blocking(move || (stage.0)(&self, lease)).await.map_err(|e| e.to_string())?
    }
}

/// How fast the engine notices things.
#[derive(Debug, Clone, Copy)]
pub struct Times {
    /// A machine that was silent for so long is dead, and its jobs go to others.
    pub lease: Duration,
    /// How often a machine with nothing to do looks for jobs.
    pub poll: Duration,
}

impl Default for Times {
    fn default() -> Times {
        Times { lease: Duration::from_secs(120), poll: Duration::from_secs(2) }
    }
}

/// What was added.
#[derive(Debug, Default, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Added {
    pub added: usize,
    /// Already waiting or at work.
    pub there: usize,
    /// Given up before, and left so.
    pub dead: usize,
    /// Given up before, and tried again.
    pub revived: usize,
}

/// The queue.
pub struct Queue {
    config: tokio_postgres::Config,
    runtime: tokio::runtime::Runtime,
}

fn internal(e: impl std::fmt::Display) -> Error {
    Error::Internal(e.to_string())
}

fn database(e: impl std::fmt::Display) -> Error {
    Error::Database(e.to_string())
}

impl Queue {
    /// Opens the queue and makes its tables where they are missing. Errors: usage for a wrong URL or login, installation for
    /// tables of a newer version.
    pub fn open(url: &str) -> Result<Queue> {
        let config = configure(url)?;
        let mut db = connect(&config)?;
        let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build().map_err(internal)?;
        let queue = Queue { config, runtime };
        db.execute("SELECT pg_advisory_lock($1)", &[&MIGRATION_LOCK])?;
        let utils = queue.utils()?;
        queue.runtime.block_on(utils.migrate()).map_err(|e| match e {
            e if e.to_string().contains("revision") => {
                Error::Installation(format!("the queue's tables were made by a newer dawnsheet: use that version ({e})"))
            }
            e => database(e),
        })?;
        Ok(queue)
    }

    fn database(&self, connections: usize) -> Result<TokioPostgresDatabase> {
        TokioPostgresDatabase::from_config(self.config.clone(), connections).map_err(database)
    }

    fn utils(&self) -> Result<WorkerUtils> {
        // the pool's connections are made within the runtime
        let _guard = self.runtime.enter();
        Ok(WorkerUtils::new(self.database(2)?, SCHEMA.to_string()))
    }

    /// Adds jobs under their keys; a key that is there already is left alone, or tried again where it was given up and
    /// `revive` says so. `priority`: lower goes first. Jobs that the database refuses are named (place in `jobs`, why), the
    /// others added. Errors: usage, database.
    pub fn add(&self, jobs: &[(String, i16, ClipJob)], attempts: i16, revive: bool) -> Result<(Added, Vec<(usize, String)>)> {
        let mut db = connect(&self.config)?;
        let utils = self.utils()?;
        let (mut done, mut refused) = (Added::default(), Vec::new());
        for (at, batch) in jobs.chunks(BATCH).enumerate() {
            let there = self.known(&mut db, &utils, batch, (attempts, revive), &mut done)?;
            let new: Vec<usize> = (0..batch.len()).filter(|i| !there.contains(&batch[*i].0)).map(|i| at * BATCH + i).collect();
            done.added += self.add_new(&mut db, &utils, jobs, &new, attempts, &mut refused)?;
        }
        Ok((done, refused))
    }

    /// Removes waiting jobs (key and the newest job that made the clip's result) that are older than that result: planned
    /// again, they are to run as new ones. New ones get higher numbers than any result has, also in a queue that was made
    /// anew. Errors: database.
    pub fn renew(&self, made: &[(String, i64)]) -> Result<()> {
        let utils = self.utils()?;
        let mut db = connect(&self.config)?;
        for batch in made.chunks(BATCH) {
            let (keys, newest): (Vec<&str>, Vec<i64>) = batch.iter().map(|(key, job)| (key.as_str(), *job)).unzip();
            let rows = db.query(
                "SELECT j.key FROM graphile_worker.jobs j JOIN unnest($1::text[], $2::bigint[]) AS m(key, newest) ON j.key = m.key
                 WHERE j.id < m.newest AND j.locked_at IS NULL",
                &[&keys, &newest],
            )?;
            for row in rows {
                self.runtime.block_on(utils.remove_job(row.get(0))).map_err(database)?;
            }
        }
        if let Some(newest) = made.iter().map(|m| m.1).max() {
            let sql = "SELECT setval(s, greatest(nextval(s), $1)) FROM pg_get_serial_sequence('graphile_worker._private_jobs', 'id') s";
            db.execute(sql, &[&newest])?;
        }
        Ok(())
    }

    /// Adds these of the jobs. Where that fails though the database is there, each half alone, down to the one at fault.
    fn add_new(
        &self,
        db: &mut postgres::Client,
        utils: &WorkerUtils,
        jobs: &[(String, i16, ClipJob)],
        new: &[usize],
        attempts: i16,
        refused: &mut Vec<(usize, String)>,
    ) -> Result<usize> {
        let spec = |i: &usize| JobSpec::builder().job_key(jobs[*i].0.clone()).priority(jobs[*i].1).max_attempts(attempts).build();
        let specs: Vec<JobSpec> = new.iter().map(spec).collect();
        let batch: Vec<(ClipJob, &JobSpec)> = new.iter().zip(&specs).map(|(i, spec)| (jobs[*i].2.clone(), spec)).collect();
        let why = match self.runtime.block_on(utils.add_jobs(&batch)) {
            Ok(added) => return Ok(added.len()),
            Err(e) => e.to_string(),
        };
        if db.simple_query("SELECT 1").is_err() {
            return Err(database(why));
        }
        match new {
            [] => Ok(0),
            [one] => {
                // the engine keeps no more than that there was an error
                let payload = serde_json::to_string(&jobs[*one].2).map_err(internal)?;
                let said = db.query_one("SELECT $1::text::jsonb IS NULL", &[&payload]).err();
                refused.push((*one, said.map_or(why, |e| Error::from(e).to_string())));
                Ok(0)
            }
            _ => {
                let (left, right) = new.split_at(new.len() / 2);
                let before = refused.len();
                let added = self.add_new(db, utils, jobs, left, attempts, refused)?;
                if added == 0 && refused.len() - before == left.len() && left.len() > 1 {
                    // whatever is refused whole is not one clip's fault
                    return Err(database(why));
                }
                Ok(added + self.add_new(db, utils, jobs, right, attempts, refused)?)
            }
        }
    }

    /// The keys of a batch that are there already; those given up before are tried again where `revive` says so.
    fn known(
        &self,
        db: &mut postgres::Client,
        utils: &WorkerUtils,
        batch: &[(String, i16, ClipJob)],
        (attempts, revive): (i16, bool),
        done: &mut Added,
    ) -> Result<BTreeSet<String>> {
        let keys: Vec<&str> = batch.iter().map(|(key, ..)| key.as_str()).collect();
        let rows = db.query(
            "SELECT key, id, attempts, attempts >= max_attempts AND locked_at IS NULL FROM graphile_worker.jobs WHERE key = ANY($1)",
            &[&keys],
        )?;
        let there: BTreeSet<String> = rows.iter().map(|r| r.get(0)).collect();
        let mut dead: BTreeMap<i16, Vec<i64>> = BTreeMap::new();
        for r in rows.iter().filter(|r| r.get(3)) {
            dead.entry(r.get(2)).or_default().push(r.get(1));
        }
        let count = dead.values().map(Vec::len).sum::<usize>();
        done.there += there.len() - count;
        if !revive {
            done.dead += count;
            return Ok(there);
        }
        // more attempts, not attempts from new: the fence needs them to grow
        for (spent, ids) in &dead {
            let more = RescheduleJobOptions { max_attempts: Some(spent.saturating_add(attempts)), ..RescheduleJobOptions::default() };
            self.runtime.block_on(utils.reschedule_jobs(ids, more)).map_err(database)?;
        }
        done.revived += count;
        Ok(there)
    }

    /// Jobs whose attempts are spent, with the last one and why it failed. Errors: database.
    pub fn given_up(&self) -> Result<Vec<(ClipJob, Lease, String)>> {
        let rows = connect(&self.config)?.query(
            "SELECT j.id, j.attempts, p.payload::text, coalesce(j.last_error, 'its machine went away')
             FROM graphile_worker.jobs j JOIN graphile_worker._private_jobs p USING (id)
             WHERE j.task_identifier = $1 AND j.locked_at IS NULL AND j.attempts >= j.max_attempts",
            &[&ClipJob::IDENTIFIER],
        )?;
        let one = |r: &postgres::Row| {
            let job = serde_json::from_str(r.get(2)).map_err(internal)?;
            Ok((job, Lease { job: r.get(0), attempt: r.get::<_, i16>(1).into() }, plain(r.get(3))))
        };
        rows.iter().map(one).collect()
    }

    /// Removes these jobs, where nobody has them at hand. Errors: database.
    pub fn remove(&self, ids: &[i64]) -> Result<()> {
        self.runtime.block_on(self.utils()?.complete_jobs(ids)).map_err(database)?;
        Ok(())
    }

    /// Works on jobs, `slots` at a time, until interrupted; then lets those at work finish within `grace`. The database may go
    /// away and come back. `stop`: whether this machine is not fit to go on. Errors: only before the first job.
    pub fn serve(
        &self,
        slots: usize,
        times: Times,
        grace: Duration,
        stage: &Stage,
        interrupt: &Interrupt,
        stop: impl Fn() -> bool + Clone + Send + 'static,
    ) -> Result<()> {
        let ended = {
            let (interrupt, stop) = (interrupt.clone(), stop.clone());
            move || interrupt.draining() || stop()
        };
        let mut first = true;
        while !ended() {
            // says clearly what the engine would wrap in many words
            let worker = connect(&self.config).and_then(|_| self.runtime.block_on(self.worker(slots, times, grace, stage, ended.clone())));
            match worker {
                Ok(worker) => {
                    first = false;
                    // the engine stops as a whole when the database fails one slot; what it held comes back by recovery
                    if let Err(e) = self.runtime.block_on(worker.run()) {
                        crate::tell::err(format_args!("dawnsheet: {e}: trying again\n"));
                    }
                }
                Err(e) if first => return Err(e),
                Err(e) => crate::tell::err(format_args!("dawnsheet: {e}: trying again\n")),
            }
            if !ended() {
                std::thread::sleep(PAUSE);
            }
        }
        Ok(())
    }

    async fn worker(
        &self,
        slots: usize,
        times: Times,
        grace: Duration,
        stage: &Stage,
        ended: impl Fn() -> bool + Send + 'static,
    ) -> Result<Worker> {
        let options = Worker::options()
            .database(self.database(slots + 4)?)
            .schema(SCHEMA)
            .concurrency(slots)
            .poll_interval(times.poll)
            .heartbeat_interval(times.lease / 6)
            .sweep_interval(times.lease / 4)
            .sweep_threshold(times.lease)
            // by itself the engine gives a dead machine's jobs their attempt back: a clip that kills its machine would go
            // round for ever, and the fence needs attempts that only grow
            .on(JobRecovery, |_| async { JobRecoveryResult::FailWithBackoff })
            .listen_os_shutdown_signals(false)
            .shutdown_grace_period(grace)
            .shutdown_signal(async move {
                while !ended() {
                    tokio::time::sleep(Duration::from_millis(100)).await;
                }
            })
            .add_extension(stage.clone())
            .define_job::<ClipJob>();
        options.init().await.map_err(|e: WorkerBuildError| database(e))
    }
}

/// What was said of a job's failure, out of the words that the engine and our errors put around it.
pub(super) fn plain(said: &str) -> String {
    let inner = said.strip_prefix("TaskError(").and_then(|s| s.strip_suffix(')'));
    let text = inner.and_then(|s| serde_json::from_str::<String>(s).ok()).unwrap_or_else(|| said.into());
    let text = serde_json::from_str::<String>(&text).unwrap_or(text);
    text.strip_prefix("internal: ").map_or(text.clone(), Into::into)
}

/// Rest before the database is tried again.
const PAUSE: Duration = Duration::from_millis(500);
