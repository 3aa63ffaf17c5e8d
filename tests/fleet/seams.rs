//! Where queue, database and folder meet: a late job, a clip that changes, a collect in the middle of other things.

use crate::cluster::Cluster;
use crate::fleet::{COACH, Programs, count, signal, with_stub};
use crate::support::dawnsheet_on;
use dawnsheet::queue::work::folder_of;
use std::path::{Path, PathBuf};
use std::process::Child;
use std::time::{Duration, Instant};

/// Waits for something that is to come.
fn until(what: &str, mut come: impl FnMut() -> bool) {
    let began = Instant::now();
    while !come() {
        assert!(began.elapsed() < Duration::from_secs(60), "never came: {what}");
        std::thread::sleep(Duration::from_millis(50));
    }
}

fn upload(inbox: &Path, file: &str, number: u8) {
    let path = inbox.join(file);
    std::fs::create_dir_all(path.parent().unwrap()).unwrap();
    std::fs::write(path, [b"\0\0\0\x18ftypmp42".as_slice(), file.as_bytes(), &[number]].concat()).unwrap();
}

/// An inbox of one clip, its queue, and a machine that is started when it is wanted.
struct Night {
    programs: Programs,
    cluster: Cluster,
    url: String,
    place: tempfile::TempDir,
}

impl Night {
    /// `sleep`: seconds a clip.
    fn new(sleep: &str) -> Night {
        let (programs, cluster, place) = (with_stub(sleep), Cluster::start(), tempfile::tempdir().unwrap());
        let url = cluster.create("night");
        let night = Night { programs, cluster, url, place };
        upload(&night.inbox(), "Ada/swing.mp4", 0);
        night
    }

    fn inbox(&self) -> PathBuf {
        self.place.path().join("inbox")
    }

    fn machines(&self) -> PathBuf {
        self.place.path().join("fleet")
    }

    fn folder(&self) -> PathBuf {
        folder_of(&self.machines(), COACH)
    }

    fn enqueue_at(&self, stature: u32) -> serde_json::Value {
        std::fs::write(self.inbox().join("roster.toml"), format!("[[student]]\nname = \"Ada\"\nstature_cm = {stature}\n")).unwrap();
        self.programs.enqueue(&self.url, &self.inbox(), &[]).1
    }

    fn machine(&self) -> Machine {
        Machine(self.programs.worker(&self.url, &self.inbox(), &self.machines(), &["--poll", "0.05", "--slots", "1", "--lease", "4"]))
    }

    /// With which stature the clip was judged.
    fn judged_at(&self) -> Option<f64> {
        let row = self.cluster.connect("night").query_opt("SELECT identity FROM dawnsheet.result", &[]).unwrap()?;
        let identity: serde_json::Value = serde_json::from_str(row.get(0)).unwrap();
        identity["brief"]["stature_cm"].as_f64()
    }

    /// What the child program left are no key points that could be judged again.
    fn measure_anew(&self) {
        self.cluster.connect("night").batch_execute("DELETE FROM dawnsheet.seen").unwrap();
    }

    fn run_in(&self, interval: &str) {
        let sql = format!("UPDATE graphile_worker._private_jobs SET run_at = now() + interval '{interval}'");
        self.cluster.connect("night").batch_execute(&sql).unwrap();
    }
}

/// Ends with the value.
struct Machine(Child);

impl Drop for Machine {
    fn drop(&mut self) {
        signal(&self.0, "-TERM");
        let _ = self.0.wait();
    }
}

#[test]
fn a_job_planned_before_writes_nothing_over_a_newer_result() {
    let night = Night::new("0");
    assert_eq!(night.enqueue_at(150)["added"], 1);
    night.run_in("1 hour"); // as after a failure
    assert_eq!(night.enqueue_at(181)["added"], 1);
    let _machine = night.machine();
    until("the newer result", || night.judged_at() == Some(181.0));
    night.measure_anew();
    night.run_in("0");
    let mut db = night.cluster.connect("night");
    until("the older job's end", || count(&mut db, "SELECT count(*) FROM graphile_worker.jobs") == 0);
    assert_eq!(night.judged_at(), Some(181.0), "{}", night.programs.log());
    let row = db.query_one("SELECT owner, clip, report FROM dawnsheet.result", &[]).unwrap();
    let file = night.folder().join("reports").join(row.get::<_, String>(0)).join(format!("{}.json", row.get::<_, String>(1)));
    assert_eq!(std::fs::read_to_string(file).unwrap(), row.get::<_, String>(2));
    assert_eq!(night.enqueue_at(181)["done"], 1);
}

#[test]
fn what_is_planned_again_after_a_newer_result_is_done_again() {
    let night = Night::new("0");
    assert_eq!(night.enqueue_at(150)["added"], 1);
    night.run_in("1 hour");
    assert_eq!(night.enqueue_at(181)["added"], 1);
    let _machine = night.machine();
    until("the newer result", || night.judged_at() == Some(181.0));
    night.measure_anew();
    // the coach takes the change back while the first job still waits for its next attempt
    assert_eq!(night.enqueue_at(150)["added"], 1, "the first job is too old to be left to wait");
    until("the change taken back", || night.judged_at() == Some(150.0));
    // and a queue that was made anew counts on from the results, not from one
    night.measure_anew();
    night.cluster.connect("night").batch_execute("UPDATE dawnsheet.result SET job = 1000000").unwrap();
    assert_eq!(night.enqueue_at(170)["added"], 1);
    until("a job of the new queue", || night.judged_at() == Some(170.0));
}

#[test]
fn a_clip_that_changes_while_it_is_measured_has_no_result() {
    let night = Night::new("2");
    night.programs.enqueue(&night.url, &night.inbox(), &["--attempts", "1"]);
    let _machine = night.machine();
    let staging = night.folder().join("staging");
    let begun = || std::fs::read_dir(&staging).into_iter().flatten().flatten().any(|f| f.path().join("clip").is_symlink());
    until("a worker at the clip", begun);
    upload(&night.inbox(), "Ada/swing.mp4", 1);
    let mut db = night.cluster.connect("night");
    let mut ended = || count(&mut db, "SELECT count(*) FROM graphile_worker.jobs WHERE locked_at IS NULL AND last_error IS NOT NULL") == 1;
    let mut other = night.cluster.connect("night");
    until("the end of it", || ended() || count(&mut other, "SELECT count(*) FROM dawnsheet.result") > 0);
    let why: String = db.query_one("SELECT coalesce(max(last_error), '') FROM graphile_worker.jobs", &[]).unwrap().get(0);
    assert!(why.contains("changed or went away while it was measured"), "{why}");
    assert_eq!(count(&mut db, "SELECT count(*) FROM dawnsheet.seen"), 0);
    let kept = std::fs::read_dir(night.folder().join("keypoints")).into_iter().flatten().count();
    assert_eq!(kept, 0, "nothing of other bytes is kept under this name");
}

impl Night {
    /// The morning sheet of the coach.
    fn sheet(&self) -> String {
        let out = self.place.path().join("coach");
        let ran = dawnsheet_on(&self.url, &["collect", "--coach", COACH, "--out", out.to_str().unwrap()]);
        assert_eq!(ran.code, 0, "{}", ran.stderr);
        std::fs::read_to_string(out.join("sheet/index.html")).unwrap()
    }

    fn keys(&self) -> Vec<String> {
        let rows = self.cluster.connect("night").query("SELECT key FROM dawnsheet.result ORDER BY file", &[]).unwrap();
        rows.iter().map(|r| r.get(0)).collect()
    }

    /// Waits until a clip was given up and its row is there.
    fn given_up(&self) {
        until("a row of what was given up", || self.keys().iter().any(|k| k.starts_with("given up")));
    }
}

#[test]
fn what_the_queue_gave_up_stands_on_the_sheet_until_it_is_done() {
    let night = Night::new("2");
    let enqueue = |more: &[&str]| night.programs.enqueue(&night.url, &night.inbox(), &[&["--attempts", "1"], more].concat()).1;
    enqueue(&[]);
    let _machine = night.machine();
    let staging = night.folder().join("staging");
    until("a worker at the clip", || {
        std::fs::read_dir(&staging).into_iter().flatten().flatten().any(|f| f.path().join("clip").is_symlink())
    });
    let (clip, aside) = (night.inbox().join("Ada/swing.mp4"), night.place.path().join("aside.mp4"));
    std::fs::rename(&clip, &aside).unwrap();
    upload(&night.inbox(), "Ada/swing.mp4", 1);
    night.given_up();
    let page = night.sheet();
    assert!(page.contains("Could not be worked through") && page.contains("Ada/swing.mp4"), "{page}");
    assert!(page.contains("the clip changed or went away while it was measured"), "the reason stands there");
    // it is not done, and the queue still counts it
    std::fs::rename(&aside, &clip).unwrap();
    let planned = enqueue(&[]);
    assert_eq!((planned["done"].as_u64(), planned["dead"].as_u64()), (Some(0), Some(1)), "{planned}");
    assert_eq!(dawnsheet::queue::status::status(&night.url).unwrap().dead, 1);
    assert_eq!(enqueue(&["--retry-failed"])["revived"], 1);
    until("the result", || night.keys().iter().all(|k| !k.starts_with("given up")));
    assert!(!night.sheet().contains("while it was measured"));
}

#[test]
fn a_clip_that_dies_with_its_machine_stands_on_the_sheet_too() {
    let night = Night::new("3");
    night.programs.enqueue(&night.url, &night.inbox(), &["--attempts", "1"]);
    let mut machine = night.machine();
    let mut db = night.cluster.connect("night");
    until("a machine at the clip", || count(&mut db, "SELECT count(*) FROM dawnsheet.lease") == 1);
    machine.0.kill().unwrap();
    let _another = night.machine();
    night.given_up();
    let page = night.sheet();
    assert!(page.contains("Ada/swing.mp4") && !page.contains("TaskError"), "{page}");
    let file = std::fs::read_dir(night.folder().join("reports")).unwrap().next().unwrap().unwrap().path();
    until("its report", || std::fs::read_dir(&file).unwrap().count() == 1);
}

#[test]
fn what_was_given_up_takes_no_result_away() {
    let night = Night::new("0");
    night.enqueue_at(150);
    let _machine = night.machine();
    until("a result", || night.judged_at() == Some(150.0));
    night.measure_anew();
    let roster = "[[student]]\nname = \"Ada\"\nstature_cm = 181\n";
    std::fs::write(night.inbox().join("roster.toml"), roster).unwrap();
    // its file goes away the moment it was planned
    let (clip, aside) = (night.inbox().join("Ada/swing.mp4"), night.place.path().join("aside.mp4"));
    signal(&_machine.0, "-STOP");
    night.programs.enqueue(&night.url, &night.inbox(), &["--attempts", "1"]);
    std::fs::rename(&clip, &aside).unwrap();
    signal(&_machine.0, "-CONT");
    let mut db = night.cluster.connect("night");
    until("the end of it", || count(&mut db, "SELECT count(*) FROM graphile_worker.jobs WHERE last_error IS NOT NULL") == 1);
    std::thread::sleep(Duration::from_secs(3));
    assert_eq!((night.judged_at(), night.keys().len()), (Some(150.0), 1));
    assert_eq!(dawnsheet::queue::status::status(&night.url).unwrap().dead, 1, "the operator is told");
}
