//! The worker program from the outside: what it is told, how it is kept at hand, and what became of a clip. Native code (decoder,
//! inference) runs only there.

use super::interrupt::Interrupt;
use crate::error::{Error, Result};
use crate::judge::Identity;
use crate::pose::models::{ModelChoice, mend, own_program};
use crate::report::Report;
use crate::report::types::ByHand;
use crate::settings::Settings;
use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::process::{Pid, Signal, kill_process_group};
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::fs::File;
use std::io::{BufRead, BufReader, ErrorKind, Read, Seek, SeekFrom, Write};
use std::os::unix::process::{CommandExt, ExitStatusExt};
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, ChildStdout, Command, ExitStatus, Stdio};
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

/// What is to be done with one clip.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Job {
    pub identity: Identity,
    pub choice: ModelChoice,
    pub settings: Settings,
}

/// A film of a clip that was measured before, or of two side by side. What was seen of them lies in the worker's folder.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Film {
    pub now: Job,
    pub then: Option<Job>,
    /// What the coach measured of them, now and then, where that decides: the film tells the same numbers as the pages.
    pub by_hand: [BTreeMap<String, ByHand>; 2],
    /// Times slower than life.
    pub slower: f64,
}

/// Pictures of a clip as it was filmed, upright, of the moments at which somebody marked it.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Moments {
    pub settings: Settings,
    /// Seconds of clip time.
    pub times: Vec<f64>,
    /// By how far the clip was turned where people lay on their side, degrees clockwise.
    pub turned_by_sight: u32,
    /// Width and height of the upright picture, pixels.
    pub size: (u32, u32),
}

/// What is asked of a worker.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Task {
    /// Look at the clip.
    Look(Box<Job>),
    Film(Box<Film>),
    Pictures(Box<Moments>),
}

impl Task {
    /// Those of the clip, or of the film's later one.
    pub fn settings(&self) -> &Settings {
        match self {
            Task::Look(job) => &job.settings,
            Task::Film(film) => &film.now.settings,
            Task::Pictures(moments) => &moments.settings,
        }
    }
}

/// What a worker is told, one line of JSON on its standard input. It answers with a line that holds the clip's exit status, as
/// `wait` gives it.
#[derive(Debug, Serialize, Deserialize)]
pub struct Order {
    /// Where to write; the clip lies there as [`CLIP`].
    pub folder: PathBuf,
    pub task: Task,
    /// Threads to decode it with.
    pub threads: usize,
}

/// A link to the clip in a worker's folder: odd bytes of the true name never reach libraries that want text.
pub const CLIP: &str = "clip";
/// Names of what a worker leaves in its folder.
pub const REPORT: &str = "report.json";
pub const SEEN: &str = "seen.npz";
pub const PICTURES: &str = "pictures";
pub const TIMINGS: &str = "timings.json";
/// Of a film's second clip, the earlier one: the clip, and what was seen of it.
pub const CLIP_THEN: &str = "clip-then";
pub const SEEN_THEN: &str = "seen-then.npz";
/// What a worker leaves of a film: the film, and its account as JSON.
pub const FILM: &str = "film.mp4";
pub const FILM_ACCOUNT: &str = "film.json";
/// What a worker leaves of moments beside their pictures: the names of those, as JSON.
pub const MOMENTS: &str = "moments.json";
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
/// Exit code by which a worker says that its folder takes no more: nothing is said of the clip.
pub const OUT_OF_SPACE_EXIT: i32 = 3;

/// Path of the worker program: beside this one.
pub fn worker_program() -> Result<PathBuf> {
    let here = own_program().ok_or_else(|| Error::Installation("this program's own file cannot be found".into()))?;
    let worker = here.with_file_name(format!("dawnsheet-worker{}", std::env::consts::EXE_SUFFIX));
    if worker.is_file() { Ok(worker) } else { Err(Error::Installation(format!("{} is missing: {}", worker.display(), mend()))) }
}

/// How often a waiting parent looks whether it is to give up.
const GLANCE: Duration = Duration::from_millis(100);

/// Worker programs at hand. One is started where none is idle, and kept for the next clip.
#[derive(Debug)]
pub struct Workers {
    program: PathBuf,
    idle: Mutex<Vec<Host>>,
    threads: usize,
}

/// Variables that a worker does not inherit.
const SECRETS: [&str; 6] =
    ["DAWNSHEET_STORE", "DAWNSHEET_QUEUE", "PGPASSWORD", "AWS_ACCESS_KEY_ID", "AWS_SECRET_ACCESS_KEY", "AWS_SESSION_TOKEN"];

/// How long a worker has to end by itself.
const GRACE: Duration = Duration::from_secs(1);

/// Threads at most that decode a clip: each holds a picture or two.
const MAX_THREADS: usize = 4;

impl Workers {
    /// None is started yet. Error: the program is missing.
    pub fn new() -> Result<Workers> {
        Ok(Workers { program: worker_program()?, idle: Mutex::default(), threads: 1 })
    }

    /// `clips` are worked on at once: cores that they leave idle help to decode. (A second thread on a busy core costs time.)
    pub fn side_by_side(self, clips: usize) -> Workers {
        let cores = std::thread::available_parallelism().map_or(1, usize::from);
        Workers { threads: (cores / clips.max(1)).clamp(1, MAX_THREADS), ..self }
    }

    /// Has one clip looked at, to its end, to the wall clock of the settings, or until the run is told to stop at once. Errors:
    /// no space in `folder`, no program.
    pub fn run(&self, clip: &Path, folder: &Path, job: &Job, interrupt: &Interrupt) -> Result<JobOutcome> {
        link(clip, &folder.join(CLIP))?;
        Ok(match self.ask(folder, Task::Look(Box::new(job.clone())), interrupt)? {
            Asked::GivenUp => JobOutcome::GivenUp,
            Asked::Installation(why) => JobOutcome::Installation(why),
            Asked::Failed { why, stderr } => JobOutcome::Failed { why, stderr },
            Asked::Done { stderr } => {
                let read = |name: &str| std::fs::read(folder.join(name)).ok();
                let report = read(REPORT).and_then(|b| serde_json::from_slice(&b).ok());
                let timings = read(TIMINGS).and_then(|b| serde_json::from_slice(&b).ok()).unwrap_or_default();
                match report {
                    Some(report) => JobOutcome::Done { report: Box::new(report), timings },
                    None => JobOutcome::Failed { why: "its worker wrote no report".into(), stderr },
                }
            }
        })
    }

    /// Has a film made of one clip, or of two; `folder` holds what was seen of them as [`SEEN`] and [`SEEN_THEN`]. Errors: no space
    /// in `folder`, no program, and a sentence where the worker failed.
    pub fn film(&self, clip: &Path, then: Option<&Path>, folder: &Path, film: &Film, interrupt: &Interrupt) -> Result<serde_json::Value> {
        link(clip, &folder.join(CLIP))?;
        then.map(|then| link(then, &folder.join(CLIP_THEN))).transpose()?;
        self.make(folder, Task::Film(Box::new(film.clone())), FILM_ACCOUNT, "the film", interrupt)
    }

    /// Has pictures of these moments written into `folder`; their names. Errors as [`Workers::film`].
    pub fn pictures(&self, clip: &Path, folder: &Path, moments: &Moments, interrupt: &Interrupt) -> Result<Vec<String>> {
        link(clip, &folder.join(CLIP))?;
        self.make(folder, Task::Pictures(Box::new(moments.clone())), MOMENTS, "the pictures", interrupt)
    }

    /// Has something made, and reads the account of it.
    fn make<T: DeserializeOwned>(&self, folder: &Path, task: Task, account: &str, what: &str, interrupt: &Interrupt) -> Result<T> {
        match self.ask(folder, task, interrupt)? {
            Asked::GivenUp => Err(Error::Usage("stopped on request: nothing was made".into())),
            Asked::Installation(why) => Err(Error::Installation(why)),
            Asked::Failed { why, stderr } => Err(Error::Video(format!("{what} could not be made: {why} {}", stderr.trim()).trim().into())),
            Asked::Done { .. } => {
                let path = folder.join(account);
                let account = std::fs::read(&path).map_err(Error::file(&path))?;
                serde_json::from_slice(&account).map_err(|e| Error::Internal(e.to_string()))
            }
        }
    }

    /// Gives an order and waits for its end.
    fn ask(&self, folder: &Path, task: Task, interrupt: &Interrupt) -> Result<Asked> {
        let complaints = folder.join(STDERR);
        let stderr = File::create(&complaints).map_err(Error::file(&complaints))?;
        let limit = Duration::from_secs_f64(task.settings().night.clip_seconds);
        let order = Order { folder: std::path::absolute(folder).map_err(Error::file(folder))?, task, threads: self.threads };
        let text = serde_json::to_string(&order).map_err(|e| Error::Internal(e.to_string()))?;
        let idle = || self.idle.lock().unwrap_or_else(PoisonError::into_inner);
        let kept = || std::iter::from_fn(|| idle().pop()).find_map(|mut host| host.lives().then_some(host));
        let mut host = kept().map_or_else(|| Host::start(&self.program, stderr), Ok)?;
        // a worker that died at once closes the pipe; its exit status tells the rest
        if let Some(orders) = &mut host.orders {
            let _ = writeln!(orders, "{text}");
        }
        let began = Instant::now();
        let ended = loop {
            match host.answer(GLANCE)? {
                Heard::Nothing if interrupt.at_once() || began.elapsed() > limit => break None,
                Heard::Nothing => {}
                Heard::Ended(status) => {
                    idle().push(host);
                    break Some(status);
                }
                Heard::Died(status) => break Some(status),
            }
        };
        let stderr = tail_of(&complaints);
        let Some(status) = ended else {
            // dropping the host killed what was at work
            if interrupt.at_once() {
                return Ok(Asked::GivenUp);
            }
            return Ok(Asked::Failed { why: format!("stopped after {:.0} s", limit.as_secs_f64()), stderr });
        };
        if status.code() == Some(INSTALLATION_EXIT) {
            return Ok(Asked::Installation(stderr.trim().to_string()));
        }
        if status.code() == Some(OUT_OF_SPACE_EXIT) {
            return Err(Error::File { path: folder.to_path_buf(), source: ErrorKind::StorageFull.into() });
        }
        if !status.success() {
            return Ok(Asked::Failed { why: format!("its worker ended with {status}"), stderr });
        }
        Ok(Asked::Done { stderr })
    }
}

/// How an order ended.
enum Asked {
    Done { stderr: String },
    Failed { why: String, stderr: String },
    GivenUp,
    Installation(String),
}

fn link(clip: &Path, link: &Path) -> Result<()> {
    let target = std::path::absolute(clip).map_err(Error::file(clip))?;
    std::os::unix::fs::symlink(&target, link).map_err(Error::file(link))
}

/// A worker program that runs.
#[derive(Debug)]
struct Host {
    child: Child,
    /// Until it is dropped.
    orders: Option<ChildStdin>,
    answers: BufReader<ChildStdout>,
}

enum Heard {
    Nothing,
    /// The clip's process ended so; the worker waits for the next.
    Ended(ExitStatus),
    /// The worker itself ended so.
    Died(ExitStatus),
}

impl Host {
    /// `stderr`: what it complains before its first order; then it turns to the file in that order's folder.
    fn start(program: &Path, stderr: File) -> Result<Host> {
        let mut command = Command::new(program);
        // what decodes strangers' files need not know how to reach a database or object storage
        for secret in SECRETS {
            command.env_remove(secret);
        }
        let mut child = command
            .env("OPENCV_LOG_LEVEL", "SILENT")
            // the inference library would tell its maker of its use, and keep a thread for that
            .env("ORT_DISABLE_TELEMETRY", "1")
            // a library of OpenCV's that would start threads of its own
            .env("OPENBLAS_NUM_THREADS", "1")
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(stderr)
            // a group of its own: Ctrl-C at the terminal reaches the parent alone, which lets workers finish
            .process_group(0)
            .spawn()
            .map_err(|e| Error::Installation(format!("{} cannot be started: {e}", program.display())))?;
        match (child.stdin.take(), child.stdout.take()) {
            (Some(orders), Some(answers)) => Ok(Host { child, orders: Some(orders), answers: BufReader::new(answers) }),
            _ => Err(Error::Internal("no pipes to the worker".into())),
        }
    }

    /// Whether it still waits for orders: one that died idle is no clip's fault.
    fn lives(&mut self) -> bool {
        self.child.try_wait().is_ok_and(|ended| ended.is_none())
    }

    /// What it says within `patience`.
    fn answer(&mut self, patience: Duration) -> Result<Heard> {
        let patience = Timespec::try_from(patience).map_err(|e| Error::Internal(e.to_string()))?;
        let mut fds = [PollFd::new(self.answers.get_ref(), PollFlags::IN)];
        match poll(&mut fds, Some(&patience)) {
            Ok(0) | Err(rustix::io::Errno::INTR) => return Ok(Heard::Nothing),
            Ok(_) => {}
            Err(e) => return Err(Error::Internal(e.to_string())),
        }
        let mut line = String::new();
        let _ = self.answers.read_line(&mut line);
        match line.trim().parse() {
            Ok(status) => Ok(Heard::Ended(ExitStatus::from_raw(status))),
            Err(_) => self.child.wait().map(Heard::Died).map_err(|e| Error::Internal(e.to_string())),
        }
    }
}

impl Drop for Host {
    /// Ends its orders, upon which it kills what it is at, waits for that and ends; kills both where it does not.
    fn drop(&mut self) {
        drop(self.orders.take());
        let began = Instant::now();
        while self.lives() && began.elapsed() < GRACE {
            std::thread::sleep(Duration::from_millis(2));
        }
        // the number of one that ended may be another's by now; what it was at dies with it
        if self.lives()
            && let Some(group) = Pid::from_raw(self.child.id() as i32)
        {
            let _ = kill_process_group(group, Signal::KILL);
        }
        let _ = self.answers.read_to_end(&mut Vec::new());
        let _ = self.child.wait();
    }
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
