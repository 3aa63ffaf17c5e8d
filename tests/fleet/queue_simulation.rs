//! The queue measured, not tested: `scripts/queue-simulation`.

use crate::cluster::Cluster;
use crate::fleet::{COACH, LEFT, count, fill, finish, with_stub};
use crate::support::{Place, at_once, dawnsheet_on, fixture, repository, rounds, stamped};
use dawnsheet::batch::interrupt::Interrupt;
use dawnsheet::history::Results;
use dawnsheet::history::postgres::Postgres;
use dawnsheet::history::store::Attempt;
use dawnsheet::intake::Brief;
use dawnsheet::judge::{self, Identity};
use dawnsheet::pose::models::{ModelChoice, Models};
use dawnsheet::queue::{ClipJob, Queue, Stage, StoreAt, Stores, Times};
use dawnsheet::report::Report;
use dawnsheet::seen::Seen;
use dawnsheet::settings::Settings;
use std::process::{Command, Stdio};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

/// A report of usual size: judged from the kept look at a committed clip.
fn real_report() -> Report {
    let seen = Seen::read(&repository("fixtures/keypoints/sway.npz")).unwrap();
    let identity = Identity { sha256: "0".repeat(64), bytes: 4_000_000, brief: Brief::default() };
    judge::judge(&seen, &identity, ModelChoice::Accurate, &Models::locate(), &Settings::default())
}

/// Every machine is a thread with its own connections to the queue; a clip takes no time. For `scripts/queue-simulation`.
#[test]
#[ignore = "a simulation, not a test: scripts/queue-simulation"]
fn simulation() {
    let (jobs, machines) = (rounds("SIM_JOBS", 100_000), rounds("SIM_MACHINES", 4));
    let cluster = Cluster::start();
    let url = cluster.create("night");
    let settings = Settings::default();
    let mut store = Postgres::open(&url, Some(COACH)).unwrap();
    let note = dawnsheet::queue::enqueue::keep_settings(&mut store, &settings).unwrap();
    let report = real_report();
    let all: Vec<(String, i16, ClipJob)> = (0..jobs)
        .map(|n| {
            let brief = Brief { file: format!("student {}/clip {n}.mp4", n / 10), ..Brief::default() };
            let identity = Identity { sha256: format!("{:016x}{:048x}", n, 0), bytes: 4_000_000, brief };
            let (coach, owner) = (COACH.to_string(), format!("student-{}", n / 10));
            let job = ClipJob { coach, owner: owner.clone(), identity, choice: ModelChoice::Accurate, settings: note.clone() };
            (format!("{COACH}/{owner}/{n:064}"), (n % 10) as i16, job)
        })
        .collect();
    let queue = Queue::open(&url).unwrap();
    let began = Instant::now();
    assert_eq!(queue.add(&all, 5, false).unwrap().0.added, jobs);
    println!("enqueued {jobs} in {:.1} s: {:.0} a second", began.elapsed().as_secs_f64(), jobs as f64 / began.elapsed().as_secs_f64());
    let mut db = cluster.connect("night");
    let size = |db: &mut postgres::Client, what: &str| count(db, &format!("SELECT {what}")) as f64 / 1e6;
    println!("waiting: queue table {:.0} MB with indices", size(&mut db, "pg_total_relation_size('graphile_worker._private_jobs')"));

    let done = Arc::new(AtomicBool::new(false));
    let waits = Arc::new(Mutex::new(Vec::with_capacity(jobs)));
    let began = Instant::now();
    std::thread::scope(|scope| {
        for _ in 0..machines {
            scope.spawn(|| {
                let stores = Stores::open(StoreAt::Url(url.clone()), Duration::from_secs(60)).unwrap();
                let (waits, report) = (waits.clone(), report.clone());
                let stage = Stage(Arc::new(move |job, lease| {
                    let began = Instant::now();
                    let mut report = report.clone();
                    (report.clip.id, report.clip.sha256) = (job.identity.id().into(), job.identity.sha256.clone());
                    let attempt = Attempt { owner: job.owner.clone(), clip: report.clip.id.clone(), key: "k".into(), ..Attempt::default() };
                    let text = serde_json::to_string(&job.identity).unwrap();
                    let one = |s: &mut dyn Results| {
                        assert!(s.take(&job.owner, job.identity.id(), lease)? && s.done_key(&job.owner, job.identity.id())?.is_none());
                        s.record_under(Some(lease), &job.owner, "k", &text, &report, Some(("m", "e", &attempt)))
                    };
                    stores.with(COACH, one).map_err(|e| e.to_string())?;
                    waits.lock().unwrap().push(began.elapsed());
                    Ok(())
                }));
                let queue = Queue::open(&url).unwrap();
                let times = Times { poll: Duration::from_millis(5), ..Times::default() };
                let done = done.clone();
                let ended = move || done.load(Ordering::SeqCst);
                queue.serve(4, times, Duration::from_secs(60), &stage, &Interrupt::default(), ended).unwrap();
            });
        }
        while count(&mut cluster.connect("night"), LEFT) > 0 {
            std::thread::sleep(Duration::from_millis(500));
        }
        done.store(true, Ordering::SeqCst);
    });
    let seconds = began.elapsed().as_secs_f64();
    let results = count(&mut db, "SELECT count(*) FROM dawnsheet.result");
    let doubled = count(&mut db, "SELECT count(*) - count(DISTINCT clip) FROM dawnsheet.attempt");
    let mut waits = waits.lock().unwrap().clone();
    waits.sort();
    let at = |share: f64| waits[((waits.len() - 1) as f64 * share) as usize].as_secs_f64() * 1e3;
    println!("{machines} machines of 4 slots: {results} results, {doubled} doubled, {seconds:.0} s: {:.0} a second", jobs as f64 / seconds);
    println!("take, look, record: median {:.1} ms, 95 % {:.1} ms, 99 % {:.1} ms, longest {:.0} ms", at(0.5), at(0.95), at(0.99), at(1.0));
    println!("database {:.0} MB", size(&mut db, "pg_database_size('night')"));
    for table in ["dawnsheet.result", "dawnsheet.attempt", "dawnsheet.seen", "dawnsheet.lease", "graphile_worker._private_jobs"] {
        println!("  {table}: {:.1} MB", size(&mut db, &format!("pg_total_relation_size('{table}')")));
    }
    println!(
        "report: {} bytes; WAL written {:.0} MB",
        report.to_json().len(),
        size(&mut db, "pg_wal_lsn_diff(pg_current_wal_lsn(), '0/0')::bigint")
    );
    assert_eq!((results, doubled), (jobs as i64, 0));
}

/// Two machines over one, where a clip takes 0.3 s of waiting, so that the cores of this machine are not what is measured.
#[test]
#[ignore = "a measurement: scripts/queue-simulation"]
fn speed_up() {
    let jobs = rounds("SIM_SPEED_JOBS", 200);
    let mut seconds = Vec::new();
    for machines in [1, 2] {
        let place = tempfile::tempdir().unwrap();
        let (inbox, out) = (place.path().join("inbox"), place.path().join("out"));
        fill(&inbox, jobs);
        std::fs::remove_file(inbox.join(format!("student {}", jobs / 20)).join("poison.mp4")).unwrap();
        let (programs, cluster) = (with_stub("0.3"), Cluster::start());
        let url = cluster.create("night");
        programs.enqueue(&url, &inbox, &[]);
        let workers = (0..machines).map(|_| programs.worker(&url, &inbox, &out, &["--slots", "2", "--poll", "0.05"])).collect();
        seconds.push(finish(&cluster, "night", workers, Duration::from_secs(600)));
    }
    let speed_up = seconds[0] / seconds[1];
    println!(
        "{} clips of 0.3 s, 2 slots a machine: 1 machine {:.1} s, 2 machines {:.1} s, speed-up {speed_up:.2}",
        jobs - 1,
        seconds[0],
        seconds[1]
    );
    assert!(speed_up > 1.4, "{seconds:?}");
}

/// Two machines of one slot over one, with a real clip again and again: on two cores each has its own.
#[test]
#[ignore = "a measurement: scripts/queue-simulation"]
fn speed_up_with_real_clips() {
    let jobs = rounds("SIM_SPEED_CLIPS", 12);
    let mut seconds = Vec::new();
    for machines in [1, 2] {
        let place = Place::new();
        let clip = std::fs::read(fixture("Mira Okafor/2026-11-23 7 iron.mp4")).unwrap();
        for n in 0..jobs {
            place.write(&format!("student {}/clip {n}.mp4", n % 3), &stamped(&clip, n as u32));
        }
        let (cluster, settings) = (Cluster::start(), at_once(&place));
        let url = cluster.create("night");
        let (inbox, out) = (place.inbox(), place.folder.path().join("fleet"));
        let (inbox, out) = (inbox.to_str().unwrap(), out.to_str().unwrap());
        let planned = dawnsheet_on(&url, &["enqueue", inbox, "--coach", COACH, "--settings", &settings]);
        assert!(planned.stdout.contains(&format!("{jobs} enqueued")), "{}{}", planned.stdout, planned.stderr);
        let work = ["work", "--media", inbox, "--out", out, "--slots", "1", "--poll", "0.05"];
        let start =
            || Command::new(env!("CARGO_BIN_EXE_dawnsheet")).args(work).env("DAWNSHEET_QUEUE", &url).stderr(Stdio::null()).spawn().unwrap();
        seconds.push(finish(&cluster, "night", (0..machines).map(|_| start()).collect(), Duration::from_secs(600)));
    }
    let speed_up = seconds[0] / seconds[1];
    println!(
        "{jobs} real clips, accurate, 1 slot a machine: 1 machine {:.1} s, 2 machines {:.1} s, speed-up {speed_up:.2}",
        seconds[0], seconds[1]
    );
    assert!(speed_up > 1.2, "{seconds:?}");
}
