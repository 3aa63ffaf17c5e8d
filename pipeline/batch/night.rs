//! One night's run: walk, identify, skip what is done, judge again what was seen, work through the rest.

use super::job::{self, Job, JobOutcome, worker_program};
use super::place::{self, OutFolder};
use super::rejudge::rejudge_one;
use super::summary::{Line, Place, Summary};
use crate::error::{Error, Result};
use crate::history::Store;
use crate::intake::admit::{admit, placeholder_sha256};
use crate::intake::roster::slug;
use crate::intake::{Roster, Upload, walk};
use crate::judge::{self, ENGINE, Identity};
use crate::pose::models::{ModelChoice, Models, hex};
use crate::report::types::SCHEMA;
use crate::report::{Reason, ReasonCode, Report};
use crate::settings::Settings;
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use rayon::prelude::*;
use sha2::{Digest, Sha256};
use std::collections::{BTreeMap, BTreeSet};
use std::io::IsTerminal;
use std::path::PathBuf;
use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, Ordering};

/// What a run is told.
pub struct Night {
    pub inbox: PathBuf,
    pub out: PathBuf,
    pub workers: Option<usize>,
    pub settings: Settings,
    pub roster: Roster,
    pub choice: ModelChoice,
    pub retry_failed: bool,
}

/// Memory to set aside for one worker when their number is chosen, bytes.
const WORKER_MEMORY: u64 = 1 << 30;

/// Key under which a clip is done: bytes, models, settings, the other inputs, error budget, engine and report version.
pub fn key(identity: &Identity, choice: ModelChoice, models: &Models, settings: &Settings) -> String {
    let brief = serde_json::to_string(&identity.brief).unwrap_or_default();
    let budget = &crate::measure::budget::Budget::in_force().version;
    let parts = [&identity.sha256, &models.combined_sha256(choice), &settings.sha256(), &brief, choice.name(), budget, ENGINE, SCHEMA];
    hex(&Sha256::digest(parts.join("\n")))
}

/// One clip to work on.
struct Task {
    upload: Upload,
    identity: Identity,
    owner: String,
    key: String,
}

/// Shared by the threads that watch the workers.
struct Shared<'a> {
    night: &'a Night,
    out: &'a OutFolder,
    models: &'a Models,
    worker: PathBuf,
    store: Mutex<Store>,
    lines: Mutex<Vec<Line>>,
    stopped: Mutex<Option<Error>>,
    stop: AtomicBool,
    bar: ProgressBar,
}

/// Runs the night.
pub fn run(night: &Night) -> Result<Summary> {
    let models = Models::locate();
    for id in ["detector", "landmark_full"].into_iter().chain(night.choice.files()) {
        models.checked(id)?;
    }
    models.runtime()?;
    let worker = worker_program()?;
    let found = walk(&night.inbox, &night.roster, &night.settings)?;
    let out = OutFolder::open(&night.out)?;
    let lock_path = out.root().join("dawnsheet.lock");
    let lock = std::fs::File::create(&lock_path).map_err(Error::file(&lock_path))?;
    lock.try_lock()
        .map_err(|_| Error::Usage(format!("another run works on {}: wait for it, or choose another --out", out.root().display())))?;
    let store = Store::open(&out.root().join("dawnsheet.sqlite"))?;
    let mut summary = Summary { other_files: found.others, unreadable_folders: found.unreadable, ..Summary::default() };

    let (waiting, ready): (Vec<Upload>, Vec<Upload>) = found.uploads.into_iter().partition(|u| u.waits.is_some());
    for u in waiting {
        let note = u.waits.clone().unwrap_or_default();
        summary.lines.push(line(&u, Place::Waiting, None, true, note));
    }
    // hashing is bound by the disk and harmless: all cores
    let identified: Vec<(Upload, std::result::Result<Identity, Reason>)> = ready
        .into_par_iter()
        .map(|u| {
            let identity = admit(&u.path, &night.settings).map(|a| Identity { sha256: a.sha256, bytes: a.bytes, brief: u.brief.clone() });
            (u, identity)
        })
        .collect();
    let tasks = plan(identified, night, &out, &models, &store, &mut summary)?;
    let shared = Shared {
        night,
        out: &out,
        models: &models,
        worker,
        store: Mutex::new(store),
        lines: Mutex::new(Vec::new()),
        stopped: Mutex::new(None),
        stop: AtomicBool::new(false),
        bar: progress(tasks.len()),
    };
    let workers = night.workers.unwrap_or_else(usual_workers).max(1);
    let pool = rayon::ThreadPoolBuilder::new().num_threads(workers).build().map_err(|e| Error::Internal(e.to_string()))?;
    pool.install(|| tasks.into_iter().par_bridge().for_each(|task| shared.one(task)));
    shared.bar.finish_and_clear();
    let fatal = shared.stopped.into_inner().unwrap_or(None);
    summary.lines.extend(shared.lines.into_inner().unwrap_or_default());
    summary.lines.sort_by(|a, b| a.file.cmp(&b.file));
    match fatal {
        Some(e @ (Error::Usage(_) | Error::Installation(_))) => return Err(e),
        Some(e) => summary.stopped = Some(e.to_string()),
        None => {}
    }
    Ok(summary)
}

fn line(u: &Upload, place: Place, clip: Option<&str>, new: bool, note: String) -> Line {
    Line { file: u.brief.file.clone(), student: u.brief.student.clone(), place, clip: clip.map(Into::into), new, note }
}

fn report_line(u: &Upload, report: &Report, new: bool) -> Line {
    let place = Place::of(report);
    let note = match place {
        Place::Failed => report.reasons.first().map(|r| format!("{}: {}", r.text, r.advice)).unwrap_or_default(),
        _ => report.needs_look_because.first().cloned().unwrap_or_default(),
    };
    line(u, place, Some(&report.clip.id), new, note)
}

/// Sorts the identified uploads: repeats and what is done go to the summary, what was refused gets its report at once, the
/// rest is the work list, largest first.
fn plan(
    identified: Vec<(Upload, std::result::Result<Identity, Reason>)>,
    night: &Night,
    out: &OutFolder,
    models: &Models,
    store: &Store,
    summary: &mut Summary,
) -> Result<Vec<Task>> {
    let mut owners_of: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
    for (u, identity) in &identified {
        if let Ok(i) = identity {
            owners_of.entry(i.sha256.clone()).or_default().insert(slug(u.brief.student.as_deref()));
        }
    }
    let mut first_of: BTreeMap<(String, String), String> = BTreeMap::new();
    let mut tasks = Vec::new();
    for (upload, identity) in identified {
        let owner = slug(upload.brief.student.as_deref());
        let mut identity = match identity {
            Ok(identity) => identity,
            Err(reason) => {
                let identity =
                    Identity { sha256: placeholder_sha256(&upload.brief.file), bytes: upload.bytes, brief: upload.brief.clone() };
                let report = judge::failed(&identity, reason, night.choice, models, &night.settings);
                place::write(&out.report(&owner, identity.id())?, report.to_json().as_bytes())?;
                summary.lines.push(report_line(&upload, &report, true));
                continue;
            }
        };
        if let Some(first) = first_of.get(&(owner.clone(), identity.sha256.clone())) {
            summary.lines.push(line(&upload, Place::Repeat, Some(identity.id()), true, format!("the same clip as {first}")));
            continue;
        }
        first_of.insert((owner.clone(), identity.sha256.clone()), upload.brief.file.clone());
        identity.brief.sent_by_another = owners_of.get(&identity.sha256).is_some_and(|o| o.len() > 1);
        let key = key(&identity, night.choice, models, &night.settings);
        if store.done_key(&owner, identity.id())?.as_deref() == Some(&key)
            && let Some(report) = store.result(&owner, identity.id())?
        {
            summary.lines.push(report_line(&upload, &report, false));
            continue;
        }
        if night.retry_failed {
            store.clear_failures(&key)?;
        } else if store.failures(&key)? >= night.settings.night.max_attempts {
            summary.lines.push(line(
                &upload,
                Place::Quarantined,
                Some(identity.id()),
                false,
                "its worker failed before; --retry-failed tries again".into(),
            ));
            continue;
        }
        tasks.push(Task { upload, identity, owner, key });
    }
    tasks.sort_by(|a, b| b.upload.bytes.cmp(&a.upload.bytes).then(a.upload.brief.file.cmp(&b.upload.brief.file)));
    Ok(tasks)
}

impl Shared<'_> {
    fn one(&self, task: Task) {
        if self.stop.load(Ordering::SeqCst) {
            let note = "the run stopped before it".to_string();
            self.push(line(&task.upload, Place::Waiting, None, true, note));
            return;
        }
        match self.work(&task) {
            Ok(line) => {
                self.say(&line);
                self.push(line);
            }
            Err(e) => {
                self.push(line(&task.upload, Place::Waiting, None, true, format!("stopped: {e}")));
                self.stop.store(true, Ordering::SeqCst);
                if let Ok(mut stopped) = self.stopped.lock() {
                    stopped.get_or_insert(e);
                }
            }
        }
        self.bar.inc(1);
    }

    fn push(&self, line: Line) {
        if let Ok(mut lines) = self.lines.lock() {
            lines.push(line);
        }
    }

    /// A plain line where there is no terminal to draw a bar on.
    fn say(&self, line: &Line) {
        if !std::io::stderr().is_terminal() {
            eprintln!("{}  {}", line.clip.as_deref().unwrap_or("-"), line.place.words());
        }
    }

    fn store(&self) -> std::sync::MutexGuard<'_, Store> {
        // a thread that panicked while holding the store left it consistent: every change is one transaction
        self.store.lock().unwrap_or_else(std::sync::PoisonError::into_inner)
    }

    fn work(&self, task: &Task) -> Result<Line> {
        let Task { upload, identity, owner, key } = task;
        let model = self.models.combined_sha256(self.night.choice);
        let known = self.store().has_seen(&identity.sha256, &model, ENGINE)? && self.out.keypoints(identity.id())?.is_file();
        if known {
            let report = rejudge_one(self.out, &mut self.store(), owner, identity, self.night.choice, self.models, &self.night.settings)?;
            return Ok(report_line(upload, &report, true));
        }
        let folder = self.out.staging(&format!("{}-{}", identity.id(), owner))?;
        let job = Job { identity: identity.clone(), choice: self.night.choice, settings: self.night.settings.clone() };
        let outcome = job::run(&self.worker, &upload.path, &folder, &job)?;
        if changed(upload) {
            std::fs::remove_dir_all(&folder).map_err(Error::file(&folder))?;
            return Ok(line(upload, Place::Waiting, None, true, "the file changed while it was read".into()));
        }
        let line = match outcome {
            JobOutcome::Installation(why) => return Err(Error::Installation(why)),
            JobOutcome::Failed { why, stderr } => {
                let store = self.store();
                store.record_failure(&identity.sha256, key, &why, &stderr)?;
                if store.failures(key)? >= self.night.settings.night.max_attempts {
                    let report = judge::failed(
                        identity,
                        ReasonCode::WorkerFailed.because(&why),
                        self.night.choice,
                        self.models,
                        &self.night.settings,
                    );
                    place::write(&self.out.report(owner, identity.id())?, report.to_json().as_bytes())?;
                    line(upload, Place::Quarantined, Some(identity.id()), true, why)
                } else {
                    drop(store);
                    std::fs::remove_dir_all(&folder).map_err(Error::file(&folder))?;
                    return self.work(task);
                }
            }
            JobOutcome::Done { report, timings } => {
                let seen = folder.join(job::SEEN);
                let has_seen = seen.is_file();
                if has_seen {
                    place::put(&seen, &self.out.keypoints(identity.id())?)?;
                }
                let pictures = folder.join(job::PICTURES);
                if pictures.is_dir() {
                    place::put(&pictures, &self.out.pictures(identity.id()))?;
                }
                place::write(&self.out.report(owner, identity.id())?, report.to_json().as_bytes())?;
                let text = serde_json::to_string(identity).map_err(|e| Error::Internal(e.to_string()))?;
                self.store().record(owner, key, &text, &report, has_seen.then_some((&model, ENGINE)), &timings.to_string())?;
                report_line(upload, &report, true)
            }
        };
        std::fs::remove_dir_all(&folder).map_err(Error::file(&folder))?;
        Ok(line)
    }
}

fn changed(upload: &Upload) -> bool {
    let now = std::fs::symlink_metadata(&upload.path).ok();
    now.as_ref().map(std::fs::Metadata::len) != Some(upload.bytes) || now.and_then(|m| m.modified().ok()) != upload.modified
}

fn usual_workers() -> usize {
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    let memory = std::fs::read_to_string("/proc/meminfo")
        .ok()
        .and_then(|t| t.lines().find(|l| l.starts_with("MemAvailable"))?.split_whitespace().nth(1)?.parse::<u64>().ok())
        .map_or(usize::MAX, |kb| (kb * 1024 / WORKER_MEMORY) as usize);
    cores.min(memory).max(1)
}

fn progress(total: usize) -> ProgressBar {
    let bar = ProgressBar::new(total as u64);
    if !std::io::stderr().is_terminal() {
        bar.set_draw_target(ProgressDrawTarget::hidden());
    }
    let style = ProgressStyle::with_template("{bar:30} {pos}/{len} clips  {elapsed} gone, {eta} to go")
        .unwrap_or_else(|_| ProgressStyle::default_bar());
    bar.set_style(style);
    bar.enable_steady_tick(std::time::Duration::from_millis(500));
    bar
}
