//! One night's run: walk, identify, skip what is done, judge again what was seen, work through the rest.

use super::interrupt::Interrupt;
use super::job::{self, Job, JobOutcome, Workers};
use super::plan::{Asked, Task, forgotten, line, plan, report_line};
use super::rejudge::{Rejudged, rejudge_one, rejudge_other_versions};
use super::schedule::{deadline, usual_workers};
use super::summary::{Line, Place, Summary};
use super::{forget, in_force, log, quarantine};
use crate::error::{Error, Result};
use crate::history::store::Attempt;
use crate::history::{Owners, Store};
use crate::intake::admit::admit;
use crate::intake::unmatched::unmatched;
use crate::intake::{Roster, Upload, walk};
use crate::judge::{self, ENGINE, Identity};
use crate::place::{self, OutFolder};
use crate::pose::models::{ModelChoice, Models};
use crate::report::{ReasonCode, printable};
use crate::ruler::decide::Decided;
use crate::settings::Settings;
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use jiff::Zoned;
use rayon::prelude::*;
use std::collections::{BTreeMap, BTreeSet};
use std::io::IsTerminal;
use std::path::PathBuf;
use std::sync::Mutex;
use std::time::Instant;

/// What a run is told.
pub struct Night {
    pub inbox: PathBuf,
    pub out: PathBuf,
    pub workers: Option<usize>,
    pub settings: Settings,
    pub roster: Roster,
    pub choice: ModelChoice,
    pub retry_failed: bool,
    /// No clip starts after the next time that the clock shows this.
    pub until: Option<jiff::civil::Time>,
}

/// Shared by the threads that watch the workers.
struct Shared<'a> {
    night: &'a Night,
    out: &'a OutFolder,
    models: &'a Models,
    workers: Workers,
    store: Mutex<Store>,
    lines: Mutex<Vec<Line>>,
    stages: Mutex<BTreeMap<String, f64>>,
    stopped: Mutex<Option<Error>>,
    interrupt: &'a Interrupt,
    deadline: Option<Zoned>,
    bar: ProgressBar,
}

/// Runs the night. Errors: whatever is wrong before the first clip is begun; from then on what happens to single clips, and why
/// the run had to stop early, stands in the summary.
pub fn run(night: &Night, interrupt: &Interrupt) -> Result<Summary> {
    let began = Instant::now();
    let now = Zoned::now();
    let deadline = night.until.map(|t| deadline(&now, t)).transpose().map_err(|e| Error::Usage(format!("--until: {e}")))?;
    if let Some(tomorrow) = deadline.as_ref().filter(|d| d.date() != now.date()) {
        crate::tell::err(format_args!(
            "dawnsheet: {} has passed today: --until means tomorrow, {}\n",
            tomorrow.strftime("%H:%M"),
            tomorrow.strftime("%a %-d %b")
        ));
    }
    let models = Models::locate();
    models.check_for(&[night.choice])?;
    let hosts = Workers::new()?;
    place::apart(&night.out, &night.inbox)?;
    let found = walk(&night.inbox, &night.roster, &night.settings)?;
    let out = OutFolder::open(&night.out)?;
    let _lock = out.lock()?;
    let mut store = Store::open(&out.store())?;
    if let Ok(inbox) = std::path::absolute(&night.inbox) {
        store.set_note(forget::INBOX, &inbox.to_string_lossy())?;
    }
    {
        // what a coach's word or an export is writing at this moment is not left over, and no page is made of half an erasure
        let _pen = out.pen()?;
        out.sweep()?;
        forget::expire(&out, &mut store, None, night.settings.night.keep_days)?;
    }
    let other = in_force::other(&out, &store, &night.settings)?;
    if let Some(other) = &other {
        crate::tell::err(format_args!(
            "dawnsheet: other settings than those in force until now: {}. The former are kept in {}\n",
            other.what(),
            other.former.display()
        ));
    }
    // only now: erasing puts other files in place of the logs
    log::start(&out)?;
    let mut summary = Summary { other_files: found.others, unreadable_folders: found.unreadable, ..Summary::default() };

    let owners = Owners::new(store.students()?);
    let of = |u: &Upload| owners.of(u.brief.student.as_deref());
    summary.disagreements = {
        let owner = |name: &str| owners.of(Some(name));
        let erased = |name: &str| forgotten(&store, &owners, &owner(name), Some(name), "").is_ok_and(|why| why.is_some());
        unmatched(&found.uploads, &night.roster, |name| owners.knows(&owner(name)), erased)
    };
    let names: BTreeSet<String> = found.uploads.iter().map(|u| u.brief.file.clone()).collect();
    let (waiting, ready): (Vec<Upload>, Vec<Upload>) = found.uploads.into_iter().partition(|u| u.waits.is_some());
    for u in waiting {
        let note = u.waits.clone().unwrap_or_default();
        summary.lines.push(line(&u, &of(&u), Place::Waiting, None, true, note));
    }
    // hashing is bound by the disk and harmless: all cores
    let (identified, unread): (Vec<_>, Vec<_>) = ready.into_par_iter().partition_map(|u| {
        if interrupt.draining() {
            return rayon::iter::Either::Right(u);
        }
        let identity = admit(&u.path, &night.settings).map(|a| Identity { sha256: a.sha256, bytes: a.bytes, brief: u.brief.clone() });
        rayon::iter::Either::Left((u, identity))
    });
    summary.lines.extend(unread.iter().map(|u| line(u, &of(u), Place::Waiting, None, true, INTERRUPTED.into())));
    forget::mended(&out, &mut store, &names, &summary.unreadable_folders, &identified)?;
    let asked = Asked { choice: night.choice, settings: &night.settings, roster: &night.roster, retry_failed: night.retry_failed };
    let tasks = plan(identified, &asked, &owners, &out, &models, &mut store, &mut summary)?;
    let workers = night.workers.unwrap_or_else(usual_workers).max(1);
    let uploads = summary.lines.len() + tasks.len();
    tracing::info!(version = ENGINE, workers, uploads, to_do = tasks.len(), "night begins");
    if !tasks.is_empty() {
        crate::tell::err(format_args!("{}\n", to_do(uploads, tasks.len())));
    }
    let shared = Shared {
        night,
        out: &out,
        models: &models,
        workers: hosts.side_by_side(workers.min(tasks.len())),
        store: Mutex::new(store),
        lines: Mutex::default(),
        stages: Mutex::default(),
        stopped: Mutex::default(),
        interrupt,
        deadline,
        bar: progress(tasks.len()),
    };
    let pool = rayon::ThreadPoolBuilder::new().num_threads(workers).build().map_err(|e| Error::Internal(e.to_string()))?;
    pool.install(|| tasks.into_iter().par_bridge().for_each(|task| shared.one(task)));
    shared.bar.finish_and_clear();
    let fatal = shared.stopped.into_inner().unwrap_or_else(std::sync::PoisonError::into_inner);
    summary.lines.extend(shared.lines.into_inner().unwrap_or_default());
    summary.lines.sort_by(|a, b| a.file.cmp(&b.file));
    summary.stage_seconds = shared.stages.into_inner().unwrap_or_default();
    summary.seconds = began.elapsed().as_secs_f64();
    summary.interrupted = interrupt.draining();
    tracing::info!(seconds = summary.seconds, interrupted = summary.interrupted, stopped = fatal.is_some(), "night ends");
    // an installation that let no clip through is one that nothing was started with
    let nothing_done = !summary.lines.iter().any(|l| l.new && l.place != Place::Waiting);
    let fatal = match fatal {
        Some(e @ (Error::Usage(_) | Error::Installation(_))) if nothing_done => return Err(e),
        other => other,
    };
    // clips are done by now: whatever stopped the run, the coach gets the account of them
    let mut store = shared.store.into_inner().unwrap_or_else(std::sync::PoisonError::into_inner);
    let written = quarantine::write(&out, &store, &summary.lines);
    let earlier = rejudge_other_versions(&out, &mut store, &models, &night.settings, interrupt);
    let (earlier, failed) = (earlier.as_ref().ok().and_then(Rejudged::by_this_version), earlier.err());
    summary.disagreements.extend(earlier);
    summary.stopped = fatal.or(written.err()).or(failed).map(|e| e.to_string());
    if let Some(other) = other {
        summary.disagreements.push(other.told(&store, &night.settings)?);
    }
    // until every clip is judged by them the former ones are remembered, and the next run says so again
    if summary.stopped.is_none() && !summary.interrupted {
        in_force::set(&store, &night.settings)?;
    }
    Ok(summary)
}

const INTERRUPTED: &str = "the run was interrupted before it";

/// Before the key in the row of a clip whose worker failed every time.
const FAILED: &str = "failed ";

impl Shared<'_> {
    fn one(&self, task: Task) {
        if let Some(why) = self.held_back() {
            self.push(line(&task.upload, &task.owner, Place::Waiting, None, true, why));
            return;
        }
        self.bar.set_message(printable(&task.upload.brief.file));
        match self.work(&task) {
            Ok(line) => {
                self.say(&line);
                self.push(line);
            }
            Err(e) => {
                tracing::error!(clip = task.identity.id(), error = %without_paths(&e), "the run has to stop");
                self.push(line(&task.upload, &task.owner, Place::Waiting, None, true, format!("stopped: {e}")));
                if let Ok(mut stopped) = self.stopped.lock() {
                    stopped.get_or_insert(e);
                }
            }
        }
        self.bar.inc(1);
    }

    /// Why no clip may start any more, where that is so.
    fn held_back(&self) -> Option<String> {
        if self.stopped.lock().is_ok_and(|s| s.is_some()) {
            Some("the run stopped before it".into())
        } else if self.interrupt.draining() {
            Some(INTERRUPTED.into())
        } else {
            let deadline = self.deadline.as_ref().filter(|d| Zoned::now() >= **d)?;
            Some(format!("{} came before its turn", deadline.strftime("%H:%M")))
        }
    }

    fn push(&self, line: Line) {
        if let Ok(mut lines) = self.lines.lock() {
            lines.push(line);
        }
    }

    /// A plain line where there is no terminal to draw a bar on. Names stand here, where whoever started the run reads them, and
    /// in no log.
    fn say(&self, line: &Line) {
        if !std::io::stderr().is_terminal() {
            crate::tell::err(format_args!("{}\n", line.progress()));
        }
    }

    fn store(&self) -> std::sync::MutexGuard<'_, Store> {
        // a thread that panicked while holding the store left it consistent: every change is one transaction
        self.store.lock().unwrap_or_else(std::sync::PoisonError::into_inner)
    }

    fn work(&self, task: &Task) -> Result<Line> {
        let Task { upload, identity, owner, .. } = task;
        let model = self.models.combined_sha256(self.night.choice);
        let known = self.store().has_seen(&identity.sha256, &model, ENGINE)? && self.out.keypoints(identity.id())?.is_file();
        // what is kept may have come to harm: then the clip is looked at again
        if known
            && let Some(report) =
                rejudge_one(self.out, &mut self.store(), owner, identity, self.night.choice, self.models, &self.night.settings)?
        {
            tracing::info!(clip = identity.id(), place = Place::of(&report).words(), "judged again");
            return Ok(report_line(upload, owner, &report, true));
        }
        for attempt in 1..=self.night.settings.night.max_attempts {
            if let Some(line) = self.attempt(task, attempt, &model)? {
                return Ok(line);
            }
        }
        let evidence = self.store().failed_attempts(owner, identity.id())?;
        let why = evidence.last().map_or_else(|| "its worker failed".to_string(), |e| e.why.clone());
        self.keep_failed(task, &why)?;
        Ok(line(upload, owner, Place::Quarantined, Some(identity.id()), true, why))
    }

    /// Keeps that every try failed, unless the clip has a result of an earlier run: that one stays.
    fn keep_failed(&self, task: &Task, why: &str) -> Result<()> {
        let Task { identity, owner, key, .. } = task;
        if self.store().done_key(owner, identity.id())?.is_some_and(|key| !key.starts_with(FAILED)) {
            return Ok(());
        }
        let report = judge::failed(identity, ReasonCode::WorkerFailed.because(why), self.night.choice, self.models, &self.night.settings);
        place::write(&self.out.report(owner, identity.id())?, report.to_json().as_bytes())?;
        // a row like any other, for sheet and keeping time, but under no key by which the clip would be done
        let text = serde_json::to_string(identity).map_err(|e| Error::Internal(e.to_string()))?;
        self.store().record(owner, &format!("{FAILED}{key}"), &text, &report, None)
    }

    /// One try at a clip; no line where its worker failed and there may be another try.
    fn attempt(&self, task: &Task, number: u32, model: &str) -> Result<Option<Line>> {
        let Task { upload, identity, owner, key } = task;
        let id = identity.id();
        let folder = self.out.staging(&format!("{id}-{owner}"))?;
        let began = Instant::now();
        tracing::info!(clip = id, attempt = number, bytes = upload.bytes, "begins");
        let job = Job { identity: identity.clone(), choice: self.night.choice, settings: self.night.settings.clone() };
        let outcome = self.workers.run(&upload.path, &folder, &job, self.interrupt)?;
        let mut attempt = Attempt {
            owner: owner.clone(),
            clip: id.into(),
            sha256: identity.sha256.clone(),
            file: upload.brief.file.clone(),
            key: key.clone(),
            seconds: began.elapsed().as_secs_f64(),
            timings: serde_json::json!({}),
        };
        let line = match outcome {
            _ if changed(upload) => {
                Some(line(upload, owner, Place::Waiting, None, true, "the file changed or went away while it was read".into()))
            }
            JobOutcome::Installation(why) => return Err(Error::Installation(why)),
            JobOutcome::GivenUp => Some(line(upload, owner, Place::Waiting, None, true, INTERRUPTED.into())),
            JobOutcome::Failed { why, stderr } => {
                tracing::warn!(clip = id, attempt = number, seconds = attempt.seconds, why, "worker failed");
                self.store().record_failure(&attempt, &why, &stderr)?;
                None
            }
            JobOutcome::Done { mut report, timings } => {
                Decided::of(&self.store().marked()?)?.decide(owner, &mut report, &identity.brief, &self.night.settings);
                attempt.timings = timings;
                self.note_stages(&attempt.timings);
                let seen = folder.join(job::SEEN);
                let has_seen = seen.is_file();
                if has_seen {
                    place::put(&seen, &self.out.keypoints(id)?)?;
                }
                let pictures = folder.join(job::PICTURES);
                if pictures.is_dir() {
                    self.out.put_pictures(&pictures, id)?;
                }
                place::write(&self.out.report(owner, id)?, report.to_json().as_bytes())?;
                let text = serde_json::to_string(identity).map_err(|e| Error::Internal(e.to_string()))?;
                self.store().record(owner, key, &text, &report, has_seen.then_some((model, ENGINE, &attempt)))?;
                let place = Place::of(&report).words();
                tracing::info!(clip = id, attempt = number, seconds = attempt.seconds, place, stages = %attempt.timings, worker = confinement(&report), "ends");
                Some(report_line(upload, owner, &report, true))
            }
        };
        self.out.end_staging(&folder)?;
        Ok(line)
    }

    fn note_stages(&self, timings: &serde_json::Value) {
        if let (Some(timings), Ok(mut stages)) = (timings.as_object(), self.stages.lock()) {
            for (stage, seconds) in timings {
                *stages.entry(stage.clone()).or_default() += seconds.as_f64().unwrap_or(0.0);
            }
        }
    }
}

/// An error for the log: paths may hold a student's name.
fn without_paths(e: &Error) -> String {
    match e {
        Error::File { source, .. } => source.to_string(),
        Error::Usage(_) => "wrong use".into(),
        other => other.to_string(),
    }
}

fn changed(upload: &Upload) -> bool {
    let now = std::fs::symlink_metadata(&upload.path).ok();
    now.as_ref().map(std::fs::Metadata::len) != Some(upload.bytes) || now.and_then(|m| m.modified().ok()) != upload.modified
}

/// What lies in the inbox, and how much of it is looked at now: the sheet counts the former.
fn to_do(uploads: usize, tasks: usize) -> String {
    let all = if uploads == 1 { "1 upload".into() } else { format!("{uploads} uploads") };
    match uploads - tasks {
        0 => format!("{all}, all to look at"),
        others => format!("{all}, {tasks} to look at; {others} done before, sent twice, waiting or not to be opened"),
    }
}

fn progress(total: usize) -> ProgressBar {
    let bar = ProgressBar::new(total as u64);
    if !std::io::stderr().is_terminal() {
        bar.set_draw_target(ProgressDrawTarget::hidden());
    }
    let style = ProgressStyle::with_template("{bar:30} {pos} of {len} looked at  {elapsed} gone, {eta} to go  {wide_msg}")
        .unwrap_or_else(|_| ProgressStyle::default_bar());
    bar.set_style(style);
    bar.enable_steady_tick(std::time::Duration::from_millis(500));
    bar
}

/// How the worker that made a report was confined.
fn confinement(report: &crate::report::Report) -> &str {
    report.provenance.iter().find(|s| s.step == "worker").and_then(|s| s.parameters["confinement"].as_str()).unwrap_or("nothing was opened")
}
