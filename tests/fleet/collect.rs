//! `collect` in the middle of other things: what a folder holds is what the database held at one moment, and once more asked
//! it is what the database holds.

use crate::cluster::{Cluster, Gate, PASSWORD};
use crate::support::{Builder, dawnsheet_on};
use dawnsheet::history::marked::{Kind, Marked};
use dawnsheet::history::postgres::Postgres;
use dawnsheet::history::verdicts::{Given, latest};
use dawnsheet::history::{Results, Row, Store};
use dawnsheet::intake::Brief;
use dawnsheet::intake::admit::placeholder_sha256;
use dawnsheet::intake::names::slug;
use dawnsheet::judge::Identity;
use dawnsheet::queue::collect::{Collected, collect};
use dawnsheet::report::types::{FaultName, Verdict};
use dawnsheet::report::{ReasonCode, Report};
use std::path::{Path, PathBuf};

const COACH: &str = "mira";

/// A database with a coach's rows, and folders to collect into.
struct Office {
    cluster: Cluster,
    url: String,
    place: tempfile::TempDir,
    far: Postgres,
}

impl Office {
    fn new() -> Office {
        let cluster = Cluster::start();
        let url = cluster.create("night");
        let far = Postgres::open(&url, Some(COACH)).unwrap();
        Office { cluster, url, place: tempfile::tempdir().unwrap(), far }
    }

    fn record(&mut self, key: &str, report: &Report) {
        let clip = &report.clip;
        let brief = Brief { file: clip.file.clone(), student: clip.student.clone(), ..Brief::default() };
        let identity = serde_json::to_string(&Identity { sha256: clip.sha256.clone(), bytes: 1, brief }).unwrap();
        self.far.record_under(None, &slug(clip.student.as_deref()), key, &identity, report, None).unwrap();
    }

    fn folder(&self, name: &str) -> PathBuf {
        self.place.path().join(name)
    }

    fn collect(&self, folder: &str) -> Collected {
        collect(&self.url, Some(COACH), &self.folder(folder), 0.0).unwrap()
    }

    /// Collects, and does something the moment before one of these texts reaches the database.
    fn collect_and(&mut self, folder: &str, texts: &'static [&'static str], act: impl FnOnce(&mut Office)) -> Collected {
        let gate = Gate::before(self.cluster.port, texts);
        let slow = self.cluster.url_of("postgres", PASSWORD, gate.port, "night");
        let to = self.folder(folder);
        let collecting = std::thread::spawn(move || collect(&slow, Some(COACH), &to, 0.0));
        gate.wait();
        act(self);
        gate.open();
        collecting.join().unwrap().unwrap()
    }

    /// The folder's store and files are what the database holds.
    fn assert_same(&mut self, folder: &str) {
        let (there, here) = (self.far.rows().unwrap(), rows(&self.folder(folder)));
        let short = |rows: &[Row]| rows.iter().map(|r| format!("{} {} {}", r.owner, r.key, r.judged_at)).collect::<Vec<_>>();
        assert!(here == there, "here {:?}, there {:?}", short(&here), short(&there));
        for row in &there {
            let file = self.folder(folder).join(format!("reports/{}/{}.json", row.owner, row.report.clip.id));
            assert_eq!(std::fs::read_to_string(file).unwrap(), row.report.to_json());
        }
    }
}

fn rows(folder: &Path) -> Vec<Row> {
    Store::open(&folder.join("dawnsheet.sqlite")).unwrap().rows().unwrap()
}

/// After the results were read and before anything is written.
const READ: &[&str] = &["SELECT key FROM dawnsheet.result", "dawnsheet.forgotten"];
/// After all results were brought.
const BROUGHT: &[&str] = &["FROM dawnsheet.verdict"];

#[test]
fn a_result_recorded_in_the_middle_is_brought_whole_or_later() {
    let mut office = Office::new();
    let (old, new) = (Builder::new(1, "Ada", "2026-02-01").report, Builder::new(1, "Ada", "2026-02-01").sway(0.95, 7.0).report);
    office.record("k1", &old);
    office.collect_and("mine", READ, |o| o.record("k2", &new));
    let here = rows(&office.folder("mine"));
    assert!(here[0].key == "k1" && here[0].report == old || here[0].key == "k2" && here[0].report == new, "{}", here[0].key);
    office.collect("mine");
    office.assert_same("mine");
    assert_eq!((office.collect("mine").new, office.collect("mine").known), (0, 1));
}

/// The database keeps what the program judged; the coach's folder what the coach decided, however often it is asked.
#[test]
fn what_a_coach_decided_stands_in_the_folder_and_not_in_the_database() {
    let mut office = Office::new();
    let report = Builder::new(1, "Ada", "2026-02-01").sway(0.95, 7.0).report;
    office.record("k", &report);
    let row = |kind: Kind, by_hand: &str| Marked {
        owner: slug(Some("Ada")),
        clip: report.clip.id.clone(),
        kind,
        made_at: if kind == Kind::Marked { "2026-02-02T00:00:00Z" } else { "2026-02-03T00:00:00Z" }.into(),
        marks: "{}".into(),
        by_hand: by_hand.into(),
    };
    let by_hand = "{\"trail_hip_travel_cm\":{\"value\":1.0,\"per_mark_px\":0.1,\"other_sd\":0.1}}";
    office.far.add_marked(&[row(Kind::Marked, by_hand), row(Kind::Decides, "")]).unwrap();
    office.collect("mine");
    let verdict = |r: &Report| r.swings[0].faults[&FaultName::Sway].verdict;
    let here = rows(&office.folder("mine"));
    assert_eq!((verdict(&here[0].report), verdict(&office.far.rows().unwrap()[0].report)), (Verdict::Clear, Verdict::Flagged));
    let again = office.collect("mine");
    assert_eq!((again.new, again.known), (0, 1));
}

#[test]
fn what_changed_under_the_same_key_is_brought_and_a_spoilt_file_is_mended() {
    let mut office = Office::new();
    let refused = |code| Builder::new(1, "Ada", "2026-02-01").failed(code).report;
    office.record("k", &refused(ReasonCode::TooLarge));
    office.collect("mine");
    office.record("k", &refused(ReasonCode::NotAVideo));
    assert_eq!(office.collect("mine").new, 1);
    office.assert_same("mine");
    let file = office.folder("mine").join(format!("reports/{}", slug(Some("Ada"))));
    let file = std::fs::read_dir(file).unwrap().next().unwrap().unwrap().path();
    std::fs::write(file, "an earlier machine's").unwrap();
    office.collect("mine");
    office.assert_same("mine");
}

#[test]
fn two_collects_at_once_leave_two_whole_folders() {
    let mut office = Office::new();
    office.record("k1", &Builder::new(1, "Ada", "2026-02-01").report);
    office.collect_and("mine", READ, |o| {
        let mine = o.folder("mine");
        let second = dawnsheet_on(&o.url, &["collect", "--coach", COACH, "--out", mine.to_str().unwrap()]);
        assert!(second.code == 2 && second.stderr.contains("another run works on"), "{}", second.stderr);
        o.collect("other");
        o.record("k2", &Builder::new(2, "Bo", "2026-02-01").report);
        o.collect("other");
    });
    office.assert_same("other");
    office.collect("mine");
    office.assert_same("mine");
}

#[test]
fn an_erasure_in_the_middle_leaves_nothing() {
    for texts in [READ, BROUGHT] {
        let mut office = Office::new();
        let ada = slug(Some("Ada"));
        office.record("k1", &Builder::new(1, "Ada", "2026-02-01").report);
        office.record("k2", &Builder::new(2, "Bo", "2026-02-01").report);
        office.collect_and("mine", texts, |o| {
            let other = o.folder("other");
            o.collect("other");
            let done = dawnsheet_on(&o.url, &["forget", "Ada", "--yes", "--coach", COACH, "--out", other.to_str().unwrap()]);
            assert!(done.code == 0 && done.stdout.contains("no trace left"), "{}{}", done.stdout, done.stderr);
        });
        office.assert_same("mine");
        let left = walkdir::WalkDir::new(office.folder("mine")).into_iter().flatten();
        let left: Vec<_> = left.filter(|e| e.path().to_string_lossy().contains(&ada)).map(|e| e.path().to_path_buf()).collect();
        assert!(left.iter().all(|p| p.is_dir()), "{left:?}");
        assert!(!std::fs::read_to_string(office.folder("mine/sheet/index.html")).unwrap().contains("Ada"));
    }
}

#[test]
fn who_was_erased_and_taken_in_again_elsewhere_leaves_no_old_clips_here() {
    let mut office = Office::new();
    let ada = slug(Some("Ada"));
    for (key, seed) in [("k1", 1), ("k2", 2)] {
        office.record(key, &Builder::new(seed, "Ada", "2026-02-01").report);
    }
    office.collect("mine");
    office.far.forget(&ada, "asked").unwrap();
    let held = office.far.held_by(&ada).unwrap();
    office.far.erase(&ada, &held).unwrap();
    office.far.welcome(&ada).unwrap();
    office.record("k3", &Builder::new(3, "Ada", "2026-03-01").report);
    let done = office.collect("mine");
    assert_eq!((done.new, done.erased), (1, 2));
    office.assert_same("mine");
    // what a coach measured here without the database is not the database's to take away
    let mut store = Store::open(&office.folder("mine").join("dawnsheet.sqlite")).unwrap();
    Builder::new(4, "Cy", "2026-03-02").record(&mut store);
    drop(store);
    assert_eq!(office.collect("mine").erased, 0);
    assert_eq!(rows(&office.folder("mine")).len(), 2);
}

#[test]
fn the_time_of_measuring_travels_along() {
    let mut office = Office::new();
    office.record("k1", &Builder::new(1, "Ada", "2026-02-01").report);
    office.record("k2", &Builder::new(2, "Bo", "2026-06-01").sway(0.95, 7.0).report);
    let months_ago = "UPDATE dawnsheet.result SET judged_at = '2026-02-02T02:00:00Z' WHERE key = 'k1'";
    office.cluster.connect("night").batch_execute(months_ago).unwrap();
    office.collect("mine");
    office.assert_same("mine");
    let store = Store::open(&office.folder("mine").join("dawnsheet.sqlite")).unwrap();
    assert_eq!(store.measured_before("2026-03-01T00:00:00Z").unwrap().len(), 1, "its keeping time counts from then too");
    let page = std::fs::read_to_string(office.folder("mine/sheet/index.html")).unwrap();
    let (newest, earlier) = page.split_once("id=\"earlier\"").expect("earlier clips stand apart");
    assert!(newest.contains("All 1 upload of the newest run") && newest.contains("Bo") && !newest.contains("Ada"));
    assert!(earlier.contains("Ada"));
}

#[test]
fn an_erasure_in_the_database_is_taken_back_by_every_name() {
    // nothing is left by which she could be found but what was kept of her names; the owner's name is that of the roster
    let folder = slug(Some("Ada"));
    for (erased_as, called) in [("Ada", "Ada"), ("Ada", "aDA "), ("ada", "Ada"), (folder.as_str(), "ada"), ("Ada", folder.as_str())] {
        let mut office = Office::new();
        office.record("k1", &Builder::new(1, "Ada", "2026-02-01").report);
        for folder in ["one", "two"] {
            office.collect(folder);
        }
        let (one, two) = (office.folder("one"), office.folder("two"));
        let forget = |url: &str, out: &Path, more: &[&str]| {
            dawnsheet_on(url, &[&["forget", "--coach", COACH, "--out", out.to_str().unwrap()], more].concat())
        };
        let done = forget(&office.url, &one, &[erased_as, "--yes"]);
        assert!(done.code == 0 && done.stdout.contains("no trace left"), "{}{}", done.stdout, done.stderr);
        office.collect("two");
        let back = forget(&office.url, &two, &[called, "--take-in-again"]);
        assert!(back.code == 0 && back.stdout.contains("is taken in again"), "{erased_as}, {called}: {}{}", back.stdout, back.stderr);
        assert_eq!(office.far.forgotten(&slug(Some("Ada"))).unwrap(), None);
        let again = forget(&office.url, &two, &["Eve", "--take-in-again"]);
        assert!(again.code == 2 && again.stderr.contains("nobody goes by 'Eve'"), "{}", again.stderr);
        // from now on she comes to both
        office.record("k2", &Builder::new(2, "Ada", "2026-03-01").report);
        for folder in ["one", "two"] {
            office.collect(folder);
            office.assert_same(folder);
        }
        let left = "SELECT count(*) FROM dawnsheet.forgotten";
        let left: i64 = office.cluster.connect("night").query_one(left, &[]).unwrap().get(0);
        assert_eq!(left, 0, "of what was taken back nothing is kept");
    }
}

#[test]
fn joining_a_database_lets_the_newest_word_win_and_doubles_none() {
    let mut office = Office::new();
    let report = Builder::new(1, "Ada", "2026-02-01").sway(0.95, 7.0).report;
    office.record("k1", &report);
    let word = |moment: &str, agrees: bool| Given {
        owner: slug(Some("Ada")),
        clip: report.clip.id.clone(),
        fault: FaultName::Sway,
        ours: Verdict::Flagged,
        agrees,
        note: String::new(),
        made_at: moment.into(),
    };
    // in January at one machine alone, in March in the database: the machine joins in April
    let (old, new) = (word("2026-01-02T03:04:05Z", true), word("2026-03-02T03:04:05Z", false));
    std::fs::create_dir(office.folder("mine")).unwrap();
    let file = office.folder("mine").join("dawnsheet.sqlite");
    let store = || Store::open(&file).unwrap();
    store().give_verdict(&old).unwrap();
    office.far.give_verdict(&new).unwrap();
    // cut off after the database was told and before the folder remembers that
    office.collect("mine");
    rusqlite::Connection::open(&file).unwrap().execute("DELETE FROM note", []).unwrap();
    office.collect("mine");
    for all in [office.far.verdicts().unwrap(), store().verdicts().unwrap()] {
        assert_eq!(all, [old.clone(), new.clone()]);
        assert_eq!(latest(&all), [&new], "the word of March counts");
    }
}

#[test]
fn a_report_whose_row_is_still_to_come_is_not_on_the_sheet() {
    let mut office = Office::new();
    office.record("k1", &Builder::new(1, "Ada", "2026-02-01").report);
    office.collect("mine");
    // a machine was killed after it put the report in place; another upload of one machine was refused and has no row
    let (early, mut refused) =
        (Builder::new(2, "Bo", "2026-02-01").report, Builder::new(3, "Cy", "2026-02-01").failed(ReasonCode::TooLarge).report);
    refused.clip.sha256 = placeholder_sha256(&refused.clip.file);
    refused.clip.id = refused.clip.sha256[..16].into();
    for report in [&early, &refused] {
        let folder = office.folder("mine").join("reports").join(slug(report.clip.student.as_deref()));
        std::fs::create_dir_all(&folder).unwrap();
        std::fs::write(folder.join(format!("{}.json", report.clip.id)), report.to_json()).unwrap();
    }
    office.collect("mine");
    let pages = office.folder("mine").join("sheet/clip");
    let page = |report: &Report| pages.join(format!("{}.html", report.clip.id)).is_file();
    assert!(!page(&early) && page(&refused));
    office.record("k2", &early);
    office.collect("mine");
    assert!(page(&early));
}

#[test]
fn a_folder_follows_one_coach_and_no_other() {
    let mut office = Office::new();
    office.record("k1", &Builder::new(1, "Ada", "2026-02-01").report);
    office.collect("mine");
    let mine = office.folder("mine");
    for whose in [&["--coach", "another"][..], &[]] {
        let told = dawnsheet_on(&office.url, &[&["collect", "--out", mine.to_str().unwrap()], whose].concat());
        assert!(told.code == 2 && told.stderr.contains("holds the results of coach 'mira'"), "{} {}", told.code, told.stderr);
        office.assert_same("mine");
    }
    assert_eq!(office.collect("mine").known, 1);
}
