//! The program as it is built.

use dawnsheet::batch::job::{CLIP, Job, Order, REPORT, Task};
use dawnsheet::intake::Brief;
use dawnsheet::judge::Identity;
use dawnsheet::pose::models::ModelChoice;
use dawnsheet::report::Report;
use dawnsheet::settings::Settings;
use std::io::{BufRead, BufReader, Write};
use std::process::{Command, Stdio};

#[test]
fn only_the_worker_loads_opencv() {
    let names_opencv = |program: &str| std::fs::read(program).unwrap().windows(10).any(|w| w == b"libopencv_");
    assert!(!names_opencv(env!("CARGO_BIN_EXE_dawnsheet")), "code of the main program refers to OpenCV; see build.rs");
    assert!(names_opencv(env!("CARGO_BIN_EXE_dawnsheet-worker")));
}

/// One worker program works on clip after clip in processes of their own; one that is told to stop at once ends by itself.
#[test]
fn a_worker_outlives_its_clips_and_ends_with_its_orders() {
    let mut worker = Command::new(env!("CARGO_BIN_EXE_dawnsheet-worker"))
        .env("ORT_DISABLE_TELEMETRY", "1")
        .env("OPENBLAS_NUM_THREADS", "1")
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let (mut orders, mut answers) = (worker.stdin.take().unwrap(), BufReader::new(worker.stdout.take().unwrap()));
    let place = tempfile::tempdir().unwrap();
    std::fs::write(place.path().join("no video"), "text").unwrap();
    let mut answer = |name: &str, settings: Settings| {
        let folder = place.path().join(name);
        std::fs::create_dir(&folder).unwrap();
        std::os::unix::fs::symlink(place.path().join("no video"), folder.join(CLIP)).unwrap();
        let identity = Identity { sha256: "0".repeat(64), bytes: 4, brief: Brief::default() };
        let order =
            Order { folder: folder.clone(), task: Task::Look(Box::new(Job { identity, choice: ModelChoice::Fast, settings })), threads: 1 };
        writeln!(orders, "{}", serde_json::to_string(&order).unwrap()).unwrap();
        let mut line = String::new();
        answers.read_line(&mut line).unwrap();
        (line, std::fs::read(folder.join(REPORT)).ok())
    };
    // without a thread beside: with one, a fork would be unsafe, and the worker would end with its first clip
    for name in ["first", "second"] {
        let (line, report) = answer(name, Settings::default());
        assert_eq!(line, "0\n");
        let report: Report = serde_json::from_slice(&report.unwrap()).unwrap();
        assert!(!report.usable);
    }
    // memory for nothing: the clip's process dies, the worker lives
    let mut settings = Settings::default();
    settings.night.clip_megabytes = 1.0;
    let (line, report) = answer("third", settings);
    assert!(line.trim().parse::<i32>().is_ok_and(|status| status != 0) && report.is_none(), "{line}");
    assert_eq!(answer("fourth", Settings::default()).0, "0\n");
    drop(orders);
    assert!(worker.wait().unwrap().success());
}

/// A clip's process that a clip may have taken over cannot answer in the worker's place.
#[test]
fn a_clips_process_holds_no_pipe_to_the_parent() {
    let mut worker = Command::new(env!("CARGO_BIN_EXE_dawnsheet-worker"))
        .env("ORT_DISABLE_TELEMETRY", "1")
        .env("OPENBLAS_NUM_THREADS", "1")
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let (mut orders, answers) = (worker.stdin.take().unwrap(), worker.stdout.take().unwrap());
    let pipe = |fd: std::os::fd::RawFd| std::fs::read_link(format!("/proc/self/fd/{fd}")).unwrap();
    use std::os::fd::AsRawFd;
    let pipes = [pipe(orders.as_raw_fd()), pipe(answers.as_raw_fd())];
    let place = tempfile::tempdir().unwrap();
    // nobody ever writes into it: whoever opens it waits
    let endless = place.path().join("endless");
    assert!(Command::new("mkfifo").arg(&endless).status().unwrap().success());
    std::os::unix::fs::symlink(&endless, place.path().join(CLIP)).unwrap();
    let identity = Identity { sha256: "0".repeat(64), bytes: 4, brief: Brief::default() };
    let job = Job { identity, choice: ModelChoice::Fast, settings: Settings::default() };
    let order = Order { folder: place.path().into(), task: Task::Look(Box::new(job)), threads: 1 };
    writeln!(orders, "{}", serde_json::to_string(&order).unwrap()).unwrap();
    let open = |id: &str| -> Vec<std::path::PathBuf> {
        let all = std::fs::read_dir(format!("/proc/{id}/fd")).into_iter().flatten().flatten();
        all.filter_map(|e| std::fs::read_link(e.path()).ok()).collect()
    };
    let children = format!("/proc/{0}/task/{0}/children", worker.id());
    let began = std::time::Instant::now();
    let shut = |held: &[std::path::PathBuf]| !held.is_empty() && pipes.iter().all(|p| !held.contains(p));
    // at first the fork has what the worker has
    while !shut(&open(std::fs::read_to_string(&children).unwrap().trim())) {
        assert!(began.elapsed().as_secs() < 30, "it still holds one of {pipes:?}");
        std::thread::sleep(std::time::Duration::from_millis(10));
    }
    assert!(open(&worker.id().to_string()).contains(&pipes[1]), "the worker itself does");
    drop(orders);
    assert!(worker.wait().unwrap().success());
}
