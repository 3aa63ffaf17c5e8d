//! Real clips on four machines that are killed, and the database with them: the reports are those of a night on one machine.
//! In CI a few short ones; `scripts/torture real FOLDER` takes forty.

use crate::cluster::Cluster;
use crate::fleet::{COACH, LEFT, count, signal};
use crate::support::{self, Dice, Place, at_once, fixture, rounds, stamped};
use dawnsheet::queue::work::folder_of;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// Every file below, by its path.
fn files(root: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let all = walkdir::WalkDir::new(root).into_iter().map(Result::unwrap).filter(|e| e.file_type().is_file());
    all.map(|e| (e.path().strip_prefix(root).unwrap().to_path_buf(), std::fs::read(e.path()).unwrap())).collect()
}

/// The clips of a folder, smallest first; or one committed clip again and again, with other bytes each time.
fn fill(place: &Place, most: usize) -> usize {
    let Some(folder) = std::env::var_os("TORTURE_REAL") else {
        let clip = std::fs::read(fixture("Mira Okafor/2026-11-23 7 iron.mp4")).unwrap();
        for n in 0..most {
            place.write(&format!("student {}/clip {n}.mp4", n % 3), &stamped(&clip, n as u32));
        }
        return most;
    };
    let clips = walkdir::WalkDir::new(folder).into_iter().map(Result::unwrap).filter(|e| e.path().extension().is_some_and(|e| e == "mp4"));
    let mut clips: Vec<(u64, PathBuf)> = clips.map(|e| (e.metadata().unwrap().len(), e.path().to_path_buf())).collect();
    clips.sort();
    clips.truncate(most);
    for (n, (_, clip)) in clips.iter().enumerate() {
        let name = clip.parent().and_then(Path::file_name).unwrap().to_string_lossy();
        place.copy(clip, &format!("student {}/{name}.mp4", n % 7));
    }
    clips.len()
}

#[test]
fn reports_are_those_of_one_machine_whatever_is_killed() {
    let real = std::env::var_os("TORTURE_REAL").is_some();
    let (most, kills, rest, model) = if real { (rounds("TORTURE_REAL_CLIPS", 40), 15, 14_000, "accurate") } else { (5, 3, 3_000, "fast") };
    let place = Place::new();
    let jobs = fill(&place, most);
    let settings = match real {
        // a busy machine may take its time, as at night
        true => place.write("../real.toml", b"[intake]\nsettle_seconds = 0\n").to_str().unwrap().to_string(),
        false => at_once(&place),
    };
    let cluster = Cluster::start();
    let url = cluster.create("night");
    let (inbox, out) = (place.inbox(), place.folder.path().join("fleet"));
    let (inbox, out_text) = (inbox.to_str().unwrap(), out.to_str().unwrap());
    let told = ["enqueue", inbox, "--coach", COACH, "--model", model, "--settings", &settings, "--attempts", "25"];
    let planned = support::dawnsheet_on(&url, &told);
    assert!(planned.code == 0 && planned.stdout.contains(&format!("{jobs} enqueued")), "{}{}", planned.stdout, planned.stderr);

    let work = ["work", "--media", inbox, "--out", out_text, "--slots", "1", "--lease", "3", "--poll", "0.2"];
    let start =
        || Command::new(env!("CARGO_BIN_EXE_dawnsheet")).args(work).env("DAWNSHEET_QUEUE", &url).stderr(Stdio::null()).spawn().unwrap();
    let mut workers: Vec<Child> = (0..4).map(|_| start()).collect();
    let (began, mut dice, mut killed, mut restarted) = (Instant::now(), Dice(20261126), 0, 0);
    let mut next = Duration::from_millis(rest / 2);
    loop {
        std::thread::sleep(Duration::from_millis(200));
        let mut db = cluster.connect("night");
        if count(&mut db, LEFT) == 0 {
            break;
        }
        assert!(began.elapsed() < Duration::from_secs(300 + 60 * jobs as u64), "not done in time");
        if restarted == 0 && count(&mut db, "SELECT count(*) FROM dawnsheet.result") >= jobs as i64 / 2 {
            drop(db);
            cluster.kill_and_restart();
            restarted = 1;
        } else if killed < kills && began.elapsed() > next {
            let who = dice.below(workers.len());
            workers[who].kill().unwrap();
            workers[who].wait().unwrap();
            workers[who] = start();
            killed += 1;
            next = began.elapsed() + Duration::from_millis(rest / 2 + dice.below(rest as usize) as u64);
        }
    }
    let seconds = began.elapsed().as_secs_f64();
    for w in &mut workers {
        signal(w, "-TERM");
        w.wait().unwrap();
    }
    let mut db = cluster.connect("night");
    let results = count(&mut db, "SELECT count(*) FROM dawnsheet.result");
    let spent = count(&mut db, "SELECT count(*) FROM dawnsheet.attempt WHERE outcome <> 'done'");
    let doubled = count(&mut db, "SELECT count(*) - count(DISTINCT (owner, clip)) FROM dawnsheet.attempt WHERE outcome = 'done'");
    let dead = count(&mut db, "SELECT count(*) FROM graphile_worker.jobs WHERE attempts >= max_attempts");
    println!(
        "{jobs} clips, 4 workers: {killed} killed, {restarted} restart of the database; {results} results, {doubled} doubled, {dead} given up, \
         {spent} failed attempts, {seconds:.0} s"
    );
    assert_eq!((results, doubled, dead, restarted), (jobs as i64, 0, 0, 1));
    assert!(killed > 0);

    let began = Instant::now();
    place.run(&["--model", model, "--settings", &settings]);
    println!("one machine, `dawnsheet run`: {:.0} s", began.elapsed().as_secs_f64());
    let coach = folder_of(&out, COACH);
    for below in ["reports", "keypoints", "sheet/pictures"] {
        let (alone, many) = (files(&place.out().join(below)), files(&coach.join(below)));
        assert!(!alone.is_empty() && alone.keys().eq(many.keys()), "{below}: {:?} {:?}", alone.keys(), many.keys());
        let differ: Vec<_> = alone.iter().filter(|(name, bytes)| many[*name] != **bytes).map(|(name, _)| name).collect();
        assert!(differ.is_empty(), "{below}, by bytes: {differ:?}");
        println!("{below}: {} files, every byte the same", alone.len());
    }
    assert_eq!(files(&place.out().join("reports")).len(), jobs);
}
