//! The worker program: loads the models once, then looks at one clip after another, each in a process of its own that is forked
//! off the loaded one, so that a crash costs one clip and no clip waits for loading. Started by `dawnsheet`; orders come as
//! lines on standard input, exit statuses go as lines to standard output (`batch/job.rs`).

use dawnsheet::answer::drawn;
use dawnsheet::batch::confine::{InForce, confine_files, confine_system_calls, limit, limit_to_clip};
use dawnsheet::batch::job::{
    CLIP, CLIP_THEN, FILM_ACCOUNT, INSTALLATION_EXIT, Job, MOMENTS, OUT_OF_SPACE_EXIT, Order, PICTURES, REPORT, SEEN, STDERR, TIMINGS, Task,
};
use dawnsheet::error::{Error, Result};
use dawnsheet::export::moments;
use dawnsheet::judge;
use dawnsheet::passes::observe::observe;
use dawnsheet::pose::models::Models;
use dawnsheet::pose::sessions::Sessions;
use dawnsheet::report::Report;
use dawnsheet::seen::SeenBy;
use dawnsheet::sheet::pictures;
use dawnsheet::swing::read_swings;
use dawnsheet::video::{probe, set_threads};
use nix::unistd::{ForkResult, fork};
use rustix::event::{PollFd, PollFlags, poll};
use rustix::process::{Pid, PidfdFlags, Signal, WaitOptions, kill_process, pidfd_open, waitpid};
use std::fs::File;
use std::io::{BufRead, IsTerminal, Write};
use std::os::unix::process::ExitStatusExt;
use std::path::{Path, PathBuf};
use std::process::{ExitCode, ExitStatus};

fn main() -> ExitCode {
    // whatever is written is its owner's alone
    rustix::process::umask(rustix::fs::Mode::RWXG | rustix::fs::Mode::RWXO);
    if std::io::stdin().is_terminal() {
        eprintln!("dawnsheet-worker is started by dawnsheet, which tells it on standard input what to do");
        return ExitCode::from(INSTALLATION_EXIT as u8);
    }
    // `doctor` asks what this kernel enforces
    if let [_, question, folder] = std::env::args().collect::<Vec<_>>().as_slice()
        && question == "--confinement"
    {
        return match confined(&[], Path::new(folder)) {
            Ok(in_force) => {
                println!("{}", in_force.words());
                ExitCode::SUCCESS
            }
            Err(e) => ExitCode::from(told(&e) as u8),
        };
    }
    match serve() {
        Ok(()) => ExitCode::SUCCESS,
        Err(e) => ExitCode::from(told(&e) as u8),
    }
}

/// Says what went wrong; the exit code for it.
fn told(e: &Error) -> i32 {
    eprintln!("{e}");
    match e.exit_code() {
        _ if e.is_out_of_space() => OUT_OF_SPACE_EXIT,
        2 => INSTALLATION_EXIT,
        _ => 1,
    }
}

fn confined(readable: &[&Path], folder: &Path) -> Result<InForce> {
    let system_calls = confine_system_calls()?;
    Ok(InForce { files: confine_files(readable, folder)?, system_calls })
}

/// Works until the orders end.
fn serve() -> Result<()> {
    confine_system_calls()?;
    // answers go to what standard output was; whatever else is printed goes nowhere
    let os = |e: rustix::io::Errno| Error::Internal(e.to_string());
    let mut answers = File::from(rustix::io::dup(rustix::stdio::stdout()).map_err(os)?);
    rustix::io::fcntl_setfd(&answers, rustix::io::FdFlags::CLOEXEC).map_err(os)?;
    let nowhere = Path::new("/dev/null");
    rustix::stdio::dup2_stdout(File::create(nowhere).map_err(Error::file(nowhere))?).map_err(os)?;
    // two clips side by side beat two threads on one clip
    opencv::core::set_num_threads(1).map_err(Error::opencv)?;
    let models = Models::locate();
    let mut sessions: Option<Sessions> = None;
    let mut line = String::new();
    while std::io::stdin().lock().read_line(&mut line).is_ok_and(|n| n > 0) {
        let order: Order = serde_json::from_str(&line).map_err(|e| Error::Usage(format!("the order is broken: {e}")))?;
        line.clear();
        let complaints = order.folder.join(STDERR);
        rustix::stdio::dup2_stderr(File::create(&complaints).map_err(Error::file(&complaints))?).map_err(os)?;
        let at_hand = match &mut sessions {
            Some(loaded) => loaded,
            none => none.insert(Sessions::start(&models)?),
        };
        let loaded = match &order.task {
            Task::Look(job) => at_hand.load(&models, job.choice)?,
            Task::Film(_) => at_hand.load_detector(&models)?,
            Task::Pictures(_) => false,
        };
        if loaded {
            give_back();
        }
        let status = if threads() == Some(1) {
            in_a_child(&order, &models, at_hand, &mut answers)?
        } else {
            // a fork would lack the other threads: this process works on one clip and ends
            return work(&order, &models, at_hand);
        };
        writeln!(answers, "{}", status.into_raw()).map_err(|e| Error::Internal(e.to_string()))?;
    }
    Ok(())
}

/// Gives freed memory back to the system: loading leaves 65 MB behind, which every clip's process would count as its own.
fn give_back() {
    // SAFETY: glibc's malloc_trim takes a number and changes nothing that is in use.
    #[cfg(target_env = "gnu")]
    unsafe {
        libc::malloc_trim(0);
    }
}

/// Threads of this process, where the system tells.
fn threads() -> Option<usize> {
    Some(std::fs::read_dir("/proc/self/task").ok()?.count())
}

/// Works on a clip in a process of its own, which has the models by way of the fork. Ends it when the orders end.
fn in_a_child(order: &Order, models: &Models, sessions: &mut Sessions, answers: &mut File) -> Result<ExitStatus> {
    let os = |e: rustix::io::Errno| Error::Internal(e.to_string());
    // SAFETY: this process has one thread, as was just counted, so that the child lacks nothing that others hold or were at.
    let child = match unsafe { fork() } {
        Ok(ForkResult::Parent { child }) => child,
        // without exit handlers: they would free the loaded models one by one
        Ok(ForkResult::Child) => signal_hook::low_level::exit(alone(order, models, sessions, answers)),
        Err(e) => return Err(Error::Internal(format!("no process can be started: {e}"))),
    };
    let child = Pid::from_raw(child.as_raw()).ok_or_else(|| Error::Internal("a child without a number".into()))?;
    let watched = pidfd_open(child, PidfdFlags::empty()).map_err(os)?;
    let orders = std::io::stdin();
    // no event is asked of the orders: their end is told unasked
    let mut fds = [PollFd::new(&watched, PollFlags::IN), PollFd::new(&orders, PollFlags::empty())];
    while poll(&mut fds, None).is_err_and(|e| e == rustix::io::Errno::INTR) {}
    if fds[0].revents().is_empty() {
        let _ = kill_process(child, Signal::KILL);
    }
    let status = waitpid(Some(child), WaitOptions::empty()).map_err(os)?;
    status.map(|(_, s)| ExitStatus::from_raw(s.as_raw())).ok_or_else(|| Error::Internal("a child without an end".into()))
}

/// The forked process: its exit code.
fn alone(order: &Order, models: &Models, sessions: &mut Sessions, answers: &mut File) -> i32 {
    // what is to come, and what is said of it, is no business of a process that a clip may have taken over
    let shut = File::open("/dev/null").and_then(|nothing| {
        rustix::stdio::dup2_stdin(&nothing)?;
        *answers = nothing;
        Ok(())
    });
    match shut.map_err(Error::file(Path::new("/dev/null"))).and_then(|()| work(order, models, sessions)) {
        Ok(()) => 0,
        Err(e) => told(&e),
    }
}

fn work(order: &Order, models: &Models, sessions: &mut Sessions) -> Result<()> {
    let Order { folder, task, threads } = order;
    set_threads(*threads);
    let settings = task.settings();
    limit(&settings.night)?;
    let links = match task {
        Task::Film(film) if film.then.is_some() => vec![folder.join(CLIP), folder.join(CLIP_THEN)],
        _ => vec![folder.join(CLIP)],
    };
    let clips = links.iter().map(|link| std::fs::read_link(link).map_err(Error::file(link))).collect::<Result<Vec<PathBuf>>>()?;
    let in_force = confined(&clips.iter().map(PathBuf::as_path).collect::<Vec<_>>(), folder)?;
    in_force.check(settings.night.confine)?;
    let done = match task {
        Task::Look(job) => (REPORT, report(&links[0], folder, job, models, sessions, in_force)?.to_json()),
        Task::Film(film) => (FILM_ACCOUNT, drawn::film(folder, film, models, sessions)?.to_string()),
        Task::Pictures(wanted) => (MOMENTS, serde_json::Value::from(moments::draw(&links[0], folder, wanted)?).to_string()),
    };
    for link in &links {
        std::fs::remove_file(link).map_err(Error::file(link))?;
    }
    let path = folder.join(done.0);
    std::fs::write(&path, done.1).map_err(Error::file(&path))
}

fn report(clip: &Path, folder: &Path, job: &Job, models: &Models, sessions: &mut Sessions, in_force: InForce) -> Result<Report> {
    let failed = |reason| judge::failed(&job.identity, reason, job.choice, models, &job.settings);
    let probe = match probe(clip, &job.settings)? {
        Ok(probe) => probe,
        Err(reason) => return Ok(failed(reason)),
    };
    limit_to_clip(probe.times.len(), &job.settings.night)?;
    let mut observed = match observe(clip, &probe, sessions, job.choice, folder)? {
        Ok(observed) => observed,
        Err(reason) => return Ok(failed(reason)),
    };
    observed.seen.about.worker = in_force.words().into();
    observed.seen.about.decoder_complaints = decoder_complaints(folder);
    let (choice, engine) = (job.choice, judge::ENGINE.to_string());
    observed.seen.about.seen_by = Some(SeenBy { choice, model_sha256: models.combined_sha256(choice), engine });
    observed.seen.write(&folder.join(SEEN))?;
    let report = judge::judge(&observed.seen, &job.identity, job.choice, models, &job.settings);
    let brief = &job.identity.brief;
    let stature = brief.stature_cm.unwrap_or(job.settings.scale.assumed_stature_cm);
    let reads = read_swings(&observed.seen, stature, brief.playback.map(|p| p.0));
    if let Some(read) = report.swings.iter().find(|s| s.main).and_then(|s| reads.get(s.index)) {
        let pictures = folder.join(PICTURES);
        std::fs::create_dir_all(&pictures).map_err(Error::file(&pictures))?;
        pictures::draw(&observed.cuts, read, &report, &pictures)?;
    }
    let timings: serde_json::Map<String, serde_json::Value> = observed.timings.iter().map(|(n, s)| (n.to_string(), (*s).into())).collect();
    let path = folder.join(TIMINGS);
    std::fs::write(&path, serde_json::Value::from(timings).to_string()).map_err(Error::file(&path))?;
    Ok(report)
}

/// Lines that the decoder wrote to standard error, which the parent lets run into the folder. Both passes decode the file,
/// so a fault shows twice.
fn decoder_complaints(folder: &Path) -> usize {
    let text = std::fs::read(folder.join(STDERR)).unwrap_or_default();
    String::from_utf8_lossy(&text).lines().filter(|l| l.starts_with('[')).count()
}
