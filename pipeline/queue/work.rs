//! One machine of many: takes jobs, starts a child process a clip, puts files in place, records the result. Files go first,
//! the row last and only while the clip is still this attempt's, so that a machine that was thought dead changes nothing.

use super::engine::{ClipJob, Queue, Stage, Times};
use super::media::Media;
use super::stores::{StoreAt, Stores};
use crate::batch::interrupt::Interrupt;
use crate::batch::job::{self, Job, JobOutcome, Workers};
use crate::error::{Error, Result};
use crate::history::Results;
use crate::history::store::{Attempt, Lease};
use crate::intake::names::slug_as_spelled;
use crate::judge::{self, ENGINE};
use crate::place::{self, OutFolder};
use crate::pose::models::{ModelChoice, Models};
use crate::report::{ReasonCode, Report};
use crate::seen::Seen;
use crate::settings::Settings;
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

/// What a machine is told.
pub struct Work {
    pub store: StoreAt,
    pub media: Media,
    pub out: PathBuf,
    pub slots: usize,
    pub times: Times,
}

/// A machine at work.
struct Machine {
    stores: Stores,
    media: Media,
    out: PathBuf,
    models: Models,
    workers: Workers,
    settings: Mutex<BTreeMap<String, Arc<Settings>>>,
    interrupt: Interrupt,
    /// Why this machine is not fit to go on.
    unfit: Mutex<Option<String>>,
}

/// Folder of one coach below the out folder.
pub fn folder_of(out: &Path, coach: &str) -> PathBuf {
    out.join(slug_as_spelled(coach))
}

/// Works until interrupted. Errors: usage and installation, before the first job or when the installation turns out unfit.
pub fn work(work: Work, queue: &Queue, interrupt: &Interrupt) -> Result<()> {
    let models = Models::locate();
    models.check_for(&[ModelChoice::Accurate, ModelChoice::Fast])?;
    if let Media::Folder(folder) = &work.media {
        place::apart(&work.out, folder)?;
    }
    OutFolder::open(&work.out).map_err(|e| match unfit(&e) {
        Some(why) => Error::Installation(why),
        None => e,
    })?;
    if place::is_full(&work.out) {
        // before a job is spent on finding that out
        return Err(Error::Installation(full(&work.out.display().to_string())));
    }
    let stores = Stores::open(work.store, work.times.lease)?;
    let grace = Duration::from_secs_f64(Settings::default().night.clip_seconds);
    let machine = Arc::new(Machine {
        stores,
        media: work.media,
        out: work.out,
        models,
        workers: Workers::new()?.side_by_side(work.slots),
        settings: Mutex::default(),
        interrupt: interrupt.clone(),
        unfit: Mutex::default(),
    });
    let (at_job, at_end) = (machine.clone(), machine.clone());
    let stage = Stage(Arc::new(move |job, lease| {
        let done = at_job.one(job, lease);
        at_job.end_of(job, lease, done).map_err(|e| e.to_string())
    }));
    let ended = AtomicBool::new(false);
    std::thread::scope(|scope| {
        scope.spawn(|| machine.tell_of_given_up(queue, work.times.lease / 2, &ended));
        let served = queue.serve(work.slots, work.times, grace, &stage, interrupt, move || at_end.unfit().is_some());
        ended.store(true, Ordering::SeqCst);
        served
    })?;
    machine.unfit().map_or(Ok(()), |why| Err(Error::Installation(why)))
}

fn full(place: &str) -> String {
    format!(
        "no space is left at {place}: free some, or name another folder with --out (TMPDIR for downloads), and start again; the clips at hand go to other machines"
    )
}

/// Why a machine would fail every clip, where the error means that.
fn unfit(e: &Error) -> Option<String> {
    use std::io::ErrorKind::ReadOnlyFilesystem;
    match e {
        Error::Installation(why) => Some(why.clone()),
        Error::File { path, .. } if e.is_out_of_space() => Some(full(&path.display().to_string())),
        Error::File { source, .. } if source.kind() == ReadOnlyFilesystem => Some(e.to_string()),
        _ => None,
    }
}

fn is_forgotten(store: &mut dyn Results, job: &ClipJob) -> Result<bool> {
    Ok(store.forgotten(&job.owner)?.is_some() || store.forgotten(&format!("{}/{}", job.owner, job.identity.sha256))?.is_some())
}

/// How often another machine may put a report in the same place in between.
const RACES: usize = 20;

/// One attempt at a job.
struct Try<'a> {
    job: &'a ClipJob,
    lease: Lease,
    key: String,
    settings: Arc<Settings>,
    out: OutFolder,
}

impl Machine {
    fn unfit(&self) -> Option<String> {
        self.unfit.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// After an attempt: what was lost to an erasure leaves no files, and a machine that would fail every clip stops.
    fn end_of(&self, job: &ClipJob, lease: Lease, done: Result<()>) -> Result<()> {
        match done {
            Err(Error::LeaseLost) if self.stores.with(&job.coach, |s| is_forgotten(s, job))? => {
                let (out, id) = (OutFolder::open(&folder_of(&self.out, &job.coach))?, job.identity.id());
                place::remove(&out.report(&job.owner, id)?)?;
                if !job.identity.brief.sent_by_another {
                    place::remove(&out.keypoints(id)?)?;
                    out.erase_pictures(id)?;
                }
                Ok(())
            }
            Err(Error::LeaseLost) => {
                // it may have put its report in place before it was refused
                self.settle(job)?;
                self.superseded(job, lease)
            }
            Err(e) => {
                if let Some(why) = unfit(&e) {
                    *self.unfit.lock().unwrap_or_else(PoisonError::into_inner) = Some(why);
                }
                Err(e)
            }
            Ok(()) => Ok(()),
        }
    }

    /// Of an attempt that was refused: where a later job has its result there, nothing is left to do.
    fn superseded(&self, job: &ClipJob, lease: Lease) -> Result<()> {
        match self.stores.with(&job.coach, |s| s.newest_job(&job.owner, job.identity.id()))? {
            newest if newest > lease.job => Ok(()),
            _ => Err(Error::LeaseLost),
        }
    }

    fn one(&self, job: &ClipJob, lease: Lease) -> Result<()> {
        if let Some(why) = self.unfit() {
            // taken while the engine was being stopped
            return Err(Error::Installation(why));
        }
        let (owner, id) = (job.owner.as_str(), job.identity.id());
        if !self.stores.with(&job.coach, |s| s.take(owner, id, lease))? {
            return self.superseded(job, lease);
        }
        let settings = self.settings(job)?;
        let key = crate::batch::key(&job.identity, job.choice, &self.models, &settings);
        let nothing_to_do =
            self.stores.with(&job.coach, |s| Ok(is_forgotten(s, job)? || s.done_key(owner, id)?.as_deref() == Some(&key)))?;
        if nothing_to_do {
            self.stores.with(&job.coach, |s| s.let_go(owner, id, lease))?;
            return Ok(());
        }
        let out = OutFolder::open(&folder_of(&self.out, &job.coach))?;
        let this = Try { job, lease, key, settings, out };
        // a folder of its own: another machine may still write into that of an earlier attempt
        let name = format!("{id}-{owner}-{}-{}", lease.job, lease.attempt);
        let folder = this.out.staging(&name)?;
        let done = match self.judge_again(&this, &folder) {
            Ok(false) => self.measure(&this, &folder),
            done => done.map(|_| ()),
        };
        this.out.end_staging(&folder)?;
        done
    }

    fn settings(&self, job: &ClipJob) -> Result<Arc<Settings>> {
        let mut known = self.settings.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(settings) = known.get(&job.settings) {
            return Ok(settings.clone());
        }
        let text = self.stores.with(&job.coach, |s| s.note(&job.settings))?;
        let text = text.ok_or_else(|| Error::Internal(format!("the store has no '{}'", job.settings)))?;
        let settings: Settings = serde_json::from_str(&text).map_err(|e| Error::Internal(format!("'{}': {e}", job.settings)))?;
        let settings = Arc::new(settings);
        known.insert(job.settings.clone(), settings.clone());
        Ok(settings)
    }

    /// Judges by what is kept of these bytes, where this engine and these models saw them before.
    fn judge_again(&self, this: &Try, folder: &Path) -> Result<bool> {
        let job = this.job;
        let (model, kept) = (self.models.combined_sha256(job.choice), this.out.keypoints(job.identity.id())?);
        if !kept.is_file() || !self.stores.with(&job.coach, |s| s.has_seen(&job.identity.sha256, &model, ENGINE))? {
            return Ok(false);
        }
        let seen = match Seen::read(&kept) {
            Ok(seen) => seen,
            // it has come to harm: the clip is looked at again
            Err(Error::File { .. }) => return Ok(false),
            Err(e) => return Err(e),
        };
        let report = judge::judge(&seen, &job.identity, job.choice, &self.models, &this.settings);
        self.record(this, folder, &report, None)?;
        Ok(true)
    }

    fn measure(&self, this: &Try, folder: &Path) -> Result<()> {
        let job = this.job;
        let clip = self.media.fetch(&job.identity, &this.settings)?;
        let began = Instant::now();
        let told = Job { identity: job.identity.clone(), choice: job.choice, settings: Settings::clone(&this.settings) };
        let outcome = self.workers.run(clip.path(), folder, &told, &self.interrupt)?;
        if clip.changed() {
            // nobody knows which bytes were seen
            return Err(Error::Internal("the clip changed or went away while it was measured: enqueue again".into()));
        }
        let mut attempt = Attempt {
            owner: job.owner.clone(),
            clip: job.identity.id().into(),
            sha256: job.identity.sha256.clone(),
            file: job.identity.brief.file.clone(),
            key: this.key.clone(),
            seconds: began.elapsed().as_secs_f64(),
            timings: serde_json::json!({}),
        };
        match outcome {
            JobOutcome::Installation(why) => Err(Error::Installation(why)),
            // the machine's fault, not the clip's
            JobOutcome::Failed { .. } if place::is_full(folder) => {
                Err(Error::File { path: folder.to_path_buf(), source: std::io::ErrorKind::StorageFull.into() })
            }
            JobOutcome::GivenUp => Err(Error::Internal("this machine was told to stop at once".into())),
            JobOutcome::Failed { why, stderr } => {
                let mut tried = false;
                self.stores.with(&job.coach, |s| {
                    // done twice where the answer to the first was lost: then its row is there
                    let again = std::mem::replace(&mut tried, true);
                    if again && s.failed_attempts(&job.owner, job.identity.id())?.iter().any(|f| f.seconds == attempt.seconds) {
                        return Ok(());
                    }
                    s.record_failure(&attempt, &why, &stderr)
                })?;
                Err(Error::Internal(why))
            }
            JobOutcome::Done { report, timings } => {
                attempt.timings = timings;
                let (seen, pictures) = (folder.join(job::SEEN), folder.join(job::PICTURES));
                let has_seen = seen.is_file();
                if has_seen {
                    place::put(&seen, &this.out.keypoints(job.identity.id())?)?;
                }
                if pictures.is_dir() {
                    this.out.put_pictures(&pictures, job.identity.id())?;
                }
                self.record(this, folder, &report, has_seen.then_some(&attempt))
            }
        }
    }

    /// Sees to it, now and then and once at the end, that a clip which the queue gave up is a row for its coach to see. Whoever
    /// had it at hand last may be dead, so any machine does it.
    fn tell_of_given_up(&self, queue: &Queue, every: Duration, ended: &AtomicBool) {
        let mut told = BTreeSet::new();
        loop {
            let last = ended.load(Ordering::SeqCst);
            for (job, at, why) in queue.given_up().unwrap_or_default() {
                // what fails now is done the next time, here or on another machine
                if !told.contains(&(at.job, at.attempt)) && self.tell_of(&job, at, &why).is_ok() {
                    told.insert((at.job, at.attempt));
                }
            }
            if last {
                return;
            }
            let began = Instant::now();
            while began.elapsed() < every && !ended.load(Ordering::SeqCst) {
                std::thread::sleep(Duration::from_millis(100));
            }
        }
    }

    fn tell_of(&self, job: &ClipJob, last: Lease, why: &str) -> Result<()> {
        if self.stores.with(&job.coach, |s| is_forgotten(s, job))? {
            return Ok(());
        }
        let reason = ReasonCode::WorkerFailed.because(why);
        let report = judge::failed(&job.identity, reason, job.choice, &self.models, &*self.settings(job)?);
        let identity = serde_json::to_string(&job.identity).map_err(|e| Error::Internal(e.to_string()))?;
        match self.stores.with(&job.coach, |s| s.give_up(last, &job.owner, &identity, &report))? {
            true => self.settle(job),
            false => Ok(()),
        }
    }

    fn record(&self, this: &Try, folder: &Path, report: &Report, attempt: Option<&Attempt>) -> Result<()> {
        let job = this.job;
        // by way of this attempt's own folder: another may be putting the same file in place at this moment
        let whole = folder.join("whole.json");
        std::fs::write(&whole, report.to_json()).map_err(Error::file(&whole))?;
        place::put(&whole, &this.out.report(&job.owner, job.identity.id())?)?;
        let identity = serde_json::to_string(&job.identity).map_err(|e| Error::Internal(e.to_string()))?;
        let model = self.models.combined_sha256(job.choice);
        let seen = attempt.map(|a| (model.as_str(), ENGINE, a));
        self.stores.with(&job.coach, |s| s.record_under(Some(this.lease), &job.owner, &this.key, &identity, report, seen))?;
        self.settle(job)
    }

    /// Lets the report in the folder be that of the row, whoever put one there last: each who writes looks once more after it.
    fn settle(&self, job: &ClipJob) -> Result<()> {
        let (out, id) = (OutFolder::open(&folder_of(&self.out, &job.coach))?, job.identity.id());
        let path = out.report(&job.owner, id)?;
        for _ in 0..RACES {
            let Some(row) = self.stores.with(&job.coach, |s| s.result(&job.owner, id))? else { return Ok(()) };
            let text = row.to_json();
            if std::fs::read(&path).is_ok_and(|there| there == text.as_bytes()) {
                return Ok(());
            }
            let staging = out.folder("staging")?;
            let whole = tempfile::NamedTempFile::new_in(&staging).map_err(Error::file(&staging))?.into_temp_path();
            std::fs::write(&whole, text).map_err(Error::file(&whole))?;
            place::put(&whole, &path)?;
        }
        Ok(())
    }
}
