//! One clip's child process: the job it gets, and what became of it. Native code (decoder, inference) runs only there.

use super::interrupt::Interrupt;
use crate::error::{Error, Result};
use crate::judge::Identity;
use crate::pose::models::ModelChoice;
use crate::report::Report;
use crate::settings::Settings;
use crate::video::probe::FORMATS;
use serde::{Deserialize, Serialize};
use std::fs::File;
use std::io::{Read, Seek, SeekFrom, Write};
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};
use wait_timeout::ChildExt;

/// What a worker is told, as JSON on its standard input; the clip's path and the folder to write into are arguments.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Job {
    pub identity: Identity,
    pub choice: ModelChoice,
    pub settings: Settings,
}

/// Names of what a worker leaves in its folder.
pub const REPORT: &str = "report.json";
pub const SEEN: &str = "seen.npz";
pub const PICTURES: &str = "pictures";
pub const TIMINGS: &str = "timings.json";
/// Where a worker's standard error goes; it reads there itself what the decoder complained.
pub const STDERR: &str = "stderr.txt";

/// What became of a worker.
#[derive(Debug)]
pub enum JobOutcome {
    /// It wrote a report (perhaps one that says why the clip is of no use).
    Done { report: Box<Report>, timings: serde_json::Value },
    /// It crashed, hung or was stopped: a sentence, and the end of what it complained.
    Failed { why: String, stderr: String },
    /// The run was told to stop at once.
    GivenUp,
    /// The installation is at fault: every clip would fail.
    Installation(String),
}

const KEPT_STDERR: u64 = 8 * 1024;
/// Exit code by which a worker says that the installation is at fault.
pub const INSTALLATION_EXIT: i32 = 2;

/// Path of the worker program: beside this one.
pub fn worker_program() -> Result<PathBuf> {
    let here = std::env::current_exe().map_err(|e| Error::Installation(e.to_string()))?;
    let worker = here.with_file_name(format!("dawnsheet-worker{}", std::env::consts::EXE_SUFFIX));
    if worker.is_file() {
        Ok(worker)
    } else {
        Err(Error::Installation(format!("{} is missing: build both programs with cargo build --release", worker.display())))
    }
}

/// How often a waiting parent looks whether it is to give up.
const GLANCE: Duration = Duration::from_millis(100);

/// Runs one worker to its end, to the wall clock of the settings, or until the run is told to stop at once.
pub fn run(worker: &Path, clip: &Path, folder: &Path, job: &Job, interrupt: &Interrupt) -> Result<JobOutcome> {
    let path = folder.join(STDERR);
    let complaints = File::create(&path).map_err(Error::file(&path))?;
    let mut child = Command::new(worker)
        .arg(clip)
        .arg(folder)
        .env("OPENCV_LOG_LEVEL", "SILENT")
        // errors only (16): the worker counts them in its own standard error
        .env("OPENCV_FFMPEG_LOGLEVEL", "16")
        .env("OPENCV_FFMPEG_CAPTURE_OPTIONS", format!("format_whitelist;{FORMATS}|protocol_whitelist;file"))
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .stderr(complaints)
        // a group of its own: Ctrl-C at the terminal reaches the parent alone, which lets workers finish
        .process_group(0)
        .spawn()
        .map_err(|e| Error::Installation(format!("{} cannot be started: {e}", worker.display())))?;
    let text = serde_json::to_vec(job).map_err(|e| Error::Internal(e.to_string()))?;
    if let Some(mut stdin) = child.stdin.take() {
        // a worker that died at once closes the pipe; its exit code tells the rest
        let _ = stdin.write_all(&text);
    }
    let limit = Duration::from_secs_f64(job.settings.night.clip_seconds);
    let began = Instant::now();
    let status = loop {
        let status = child.wait_timeout(GLANCE).map_err(|e| Error::Internal(e.to_string()))?;
        if status.is_some() {
            break status;
        }
        if interrupt.at_once() || began.elapsed() > limit {
            let _ = child.kill();
            let _ = child.wait();
            break None;
        }
    };
    let stderr = tail_of(&path);
    let Some(status) = status else {
        if interrupt.at_once() {
            return Ok(JobOutcome::GivenUp);
        }
        return Ok(JobOutcome::Failed { why: format!("stopped after {:.0} s", limit.as_secs_f64()), stderr });
    };
    if status.code() == Some(INSTALLATION_EXIT) {
        return Ok(JobOutcome::Installation(stderr.trim().to_string()));
    }
    if !status.success() {
        return Ok(JobOutcome::Failed { why: format!("its worker ended with {status}"), stderr });
    }
    let read = |name: &str| std::fs::read(folder.join(name)).ok();
    let report = read(REPORT).and_then(|b| serde_json::from_slice(&b).ok());
    let timings = read(TIMINGS).and_then(|b| serde_json::from_slice(&b).ok()).unwrap_or_default();
    Ok(match report {
        Some(report) => JobOutcome::Done { report: Box::new(report), timings },
        None => JobOutcome::Failed { why: "its worker wrote no report".into(), stderr },
    })
}

/// The last kilobytes of a file as text.
fn tail_of(path: &Path) -> String {
    let read = || -> std::io::Result<Vec<u8>> {
        let mut file = File::open(path)?;
        let length = file.metadata()?.len();
        file.seek(SeekFrom::Start(length.saturating_sub(KEPT_STDERR)))?;
        let mut kept = Vec::new();
        file.take(KEPT_STDERR).read_to_end(&mut kept)?;
        Ok(kept)
    };
    String::from_utf8_lossy(&read().unwrap_or_default()).into_owned()
}
