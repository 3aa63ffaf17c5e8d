//! An hour of two machines, a database and a coach's folder, played in seconds: after every step the three views of each clip
//! (the database's row, the folder's row and file, the sheet's pages) are the same.

use crate::cluster::{Cluster, PASSWORD};
use crate::fleet::{COACH, LEFT, Programs, count, signal, with_looks};
use crate::support::{Ran, dawnsheet_on};
use dawnsheet::history::postgres::Postgres;
use dawnsheet::history::verdicts::{Given, latest};
use dawnsheet::history::{Results, Row, Store};
use dawnsheet::intake::names::slug;
use dawnsheet::queue::work::folder_of;
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::process::Child;
use std::time::{Duration, Instant};

struct Hour {
    programs: Programs,
    cluster: Cluster,
    /// The operator's login, and the coach's own.
    url: String,
    own: String,
    place: tempfile::TempDir,
}

/// Names of the files below a folder that end so, by folder and without the ending.
fn names(folder: &Path, ending: &str) -> BTreeSet<(String, String)> {
    let all = walkdir::WalkDir::new(folder).into_iter().flatten().filter(|e| e.path().extension().is_some_and(|x| x == ending));
    let name = |p: &Path| p.file_stem().unwrap().to_string_lossy().into_owned();
    all.map(|e| (name(e.path().parent().unwrap()), name(e.path()))).collect()
}

/// A page's words, without its marks.
fn words(page: &Path) -> String {
    let text = std::fs::read_to_string(page).unwrap_or_else(|e| panic!("{}: {e}", page.display()));
    let shown: String = text.split('<').map(|part| part.split_once('>').map_or(part, |(_, shown)| shown)).collect::<Vec<_>>().join(" ");
    shown.split_whitespace().collect::<Vec<_>>().join(" ")
}

impl Hour {
    fn inbox(&self) -> PathBuf {
        self.place.path().join("inbox")
    }

    fn machines(&self) -> PathBuf {
        self.place.path().join("fleet")
    }

    fn folder(&self) -> PathBuf {
        folder_of(&self.machines(), COACH)
    }

    fn upload(&self, file: &str, bytes: &[u8]) {
        let path = self.inbox().join(file);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(path, [bytes, file.as_bytes()].concat()).unwrap();
    }

    fn enqueue(&self, more: &[&str]) -> serde_json::Value {
        self.programs.enqueue(&self.url, &self.inbox(), &[&["--attempts", "2"], more].concat()).1
    }

    fn machine(&self) -> Child {
        self.programs.worker(&self.url, &self.inbox(), &self.machines(), &["--poll", "0.05", "--slots", "1", "--lease", "2"])
    }

    fn until(&self, what: &str, sql: &str, wanted: impl Fn(i64) -> bool) {
        let (began, mut db) = (Instant::now(), self.cluster.connect("night"));
        while !wanted(count(&mut db, sql)) {
            let jobs = "SELECT count(*) FROM graphile_worker.jobs";
            assert!(
                began.elapsed() < Duration::from_secs(60),
                "never came: {what}: {} jobs: {}",
                count(&mut db, jobs),
                self.programs.log()
            );
            std::thread::sleep(Duration::from_millis(50));
        }
    }

    /// Two machines until the queue has nothing left.
    fn work(&self) {
        let machines = [self.machine(), self.machine()];
        self.until("the end of the work", LEFT, |left| left == 0);
        machines.into_iter().for_each(end);
    }

    /// A command of the coach on the one folder.
    fn coach(&self, what: &[&str]) -> Ran {
        let (folder, login) = (self.folder(), &self.own);
        let ran = dawnsheet_on(login, &[what, &["--out", folder.to_str().unwrap()]].concat());
        assert_eq!(ran.code, 0, "{what:?}: {}{}", ran.stdout, ran.stderr);
        ran
    }

    /// Collects; now the three views are one, and collecting once more changes nothing. How many clips there are.
    fn agrees(&self, step: &str) -> usize {
        self.coach(&["collect"]);
        let mut far = Postgres::open(&self.url, Some(COACH)).unwrap();
        let (rows, said) = (far.rows().unwrap(), far.verdicts().unwrap());
        let store = Store::open(&self.folder().join("dawnsheet.sqlite")).unwrap();
        let short = |rows: &[Row]| rows.iter().map(|r| format!("{} {} {}", r.owner, r.report.clip.file, r.key)).collect::<Vec<_>>();
        let here = store.rows().unwrap();
        assert!(here == rows, "{step}: in the folder {:?}, in the database {:?}", short(&here), short(&rows));
        assert_eq!(store.verdicts().unwrap(), said, "{step}");
        self.files_agree(step, &rows);
        self.pages_agree(step, &rows, &said);
        let again = self.coach(&["collect"]).stdout;
        let known = format!("0 results brought, {} known before, 0 erased", rows.len());
        assert!(again.contains(&known), "{step}: {again}");
        rows.len()
    }

    fn files_agree(&self, step: &str, rows: &[Row]) {
        let of_rows: BTreeMap<(String, String), &Row> = rows.iter().map(|r| ((r.owner.clone(), r.report.clip.id.clone()), r)).collect();
        // a killed machine may have put files in place whose row its next attempt writes; the sheet does not show them
        let whole = count(&mut self.cluster.connect("night"), LEFT) == 0;
        let (files, due) = (names(&self.folder().join("reports"), "json"), of_rows.keys().cloned().collect());
        assert!(if whole { files == due } else { files.is_superset(&due) }, "{step}: {files:?} for {due:?}");
        for ((owner, clip), row) in of_rows {
            let file = self.folder().join(format!("reports/{owner}/{clip}.json"));
            assert_eq!(std::fs::read_to_string(file).unwrap(), row.report.to_json(), "{step}");
        }
        let clips: BTreeSet<&str> = rows.iter().map(|r| r.report.clip.id.as_str()).collect();
        let looks = names(&self.folder().join("keypoints"), "npz");
        assert!(!whole || looks.iter().all(|(_, clip)| clips.contains(clip.as_str())), "{step}: {looks:?} of {clips:?}");
    }

    fn pages_agree(&self, step: &str, rows: &[Row], said: &[Given]) {
        let sheet = self.folder().join("sheet");
        let pages: BTreeSet<String> = names(&sheet.join("clip"), "html").into_iter().map(|(_, clip)| clip).collect();
        assert_eq!(pages, rows.iter().map(|r| r.report.clip.id.clone()).collect(), "{step}");
        let students: BTreeSet<String> = names(&sheet.join("student"), "html").into_iter().map(|(_, owner)| owner).collect();
        assert_eq!(students, rows.iter().map(|r| r.owner.clone()).collect(), "{step}");
        let latest = latest(said);
        for row in rows {
            let clip = &row.report.clip;
            let page = words(&sheet.join(format!("clip/{}.html", clip.id))).to_lowercase();
            for reason in &row.report.reasons {
                assert!(page.contains(&reason.code.reason().text.to_lowercase()), "{step}: {}: {} in {page}", clip.file, reason.text);
            }
            let swing = row.report.swings.iter().find(|s| s.main);
            for (fault, f) in swing.iter().flat_map(|s| &s.faults) {
                let shown = format!("{} {}", fault.words(), f.verdict.words()).to_lowercase();
                assert!(page.contains(&shown), "{step}: {}: '{shown}' in {page}", clip.file);
            }
            for word in latest.iter().filter(|w| w.owner == row.owner && w.clip == clip.id) {
                assert!(page.contains(&format!("you {}", word.words())), "{step}: {page}");
            }
        }
    }
}

fn end(mut machine: Child) {
    signal(&machine, "-TERM");
    // one that was told before it listened ends by the signal
    assert!(matches!(machine.wait().unwrap().code(), Some(0) | None));
}

const VIDEO: &[u8] = b"\0\0\0\x18ftypmp42";

#[test]
fn database_folder_and_sheet_are_one_at_every_step() {
    let (programs, cluster, place) = (with_looks("0.4"), Cluster::start(), tempfile::tempdir().unwrap());
    let (url, own) = (cluster.create("night"), cluster.url_of(COACH, PASSWORD, cluster.port, "night"));
    let hour = Hour { programs, cluster, url, own, place };
    let files = ["Ada/one.mp4", "Ada/two.mp4", "Bertil/one.mp4", "Bertil/two.mp4", "Bertil/poison.mp4"];
    files.iter().for_each(|file| hour.upload(file, VIDEO));
    hour.upload("Cy/text.mp4", b"no video at all");
    let planned = hour.enqueue(&[]);
    assert_eq!((planned["added"].as_u64(), planned["refused"].as_u64()), (Some(5), Some(1)), "{planned}");
    let admit = format!("CREATE ROLE {COACH} LOGIN PASSWORD '{PASSWORD}'; SELECT dawnsheet.admit_coach('{COACH}')");
    hour.cluster.connect("night").batch_execute(&admit).unwrap();
    assert_eq!(hour.agrees("planned"), 1, "what was refused");

    // a machine is killed with a clip in hand, the other one goes home after its own
    let mut killed = hour.machine();
    hour.until("a machine at work", "SELECT count(*) FROM dawnsheet.lease", |leases| leases > 0);
    let other = hour.machine();
    killed.kill().unwrap();
    killed.wait().unwrap();
    hour.until("the other one's first", "SELECT count(*) FROM dawnsheet.attempt WHERE outcome = 'done'", |done| done > 0);
    end(other);
    hour.agrees("one machine killed");
    hour.work();
    assert_eq!(hour.agrees("worked off"), 6, "with what was refused and what was given up");
    let poison = "SELECT count(*) FROM dawnsheet.result WHERE file = 'Bertil/poison.mp4' AND key LIKE 'given up %'";
    assert_eq!(count(&mut hour.cluster.connect("night"), poison), 1);
    let page = words(&hour.folder().join("sheet/index.html"));
    assert!(page.contains("Bertil/poison.mp4") && page.contains("(its worker ended with signal: 6"), "{page}");

    // the coach speaks here and elsewhere
    let of = |file: &str| -> String {
        hour.cluster.connect("night").query_one("SELECT clip FROM dawnsheet.result WHERE file = $1", &[&file]).unwrap().get(0)
    };
    let (ada, bo) = (of("Ada/one.mp4"), of("Bertil/one.mp4"));
    hour.coach(&["verdict", &ada, "agree", "--fault", "sway"]);
    hour.coach(&["verdict", &bo, "disagree", "--fault", "sway", "--note", "no"]);
    hour.agrees("said here");
    let mut far = Postgres::open(&hour.url, Some(COACH)).unwrap();
    let mut word = far.verdicts().unwrap().remove(0);
    (word.agrees, word.note, word.made_at) = (false, "elsewhere".into(), String::new());
    far.give_verdict(&word).unwrap();
    hour.agrees("said elsewhere");

    // what is known of a student changes: judged again from what was seen
    std::fs::write(hour.inbox().join("roster.toml"), "[[student]]\nname = \"Ada\"\nstature_cm = 181\n").unwrap();
    assert_eq!(hour.enqueue(&[])["added"], 2);
    hour.agrees("planned again");
    hour.work();
    hour.agrees("judged again");
    let flagged = "SELECT count(*) FROM dawnsheet.result WHERE owner LIKE 'ada-%' AND report::jsonb->>'verdict' = 'flagged'";
    assert_eq!(count(&mut hour.cluster.connect("night"), flagged), 2);

    // erased, though a machine has something in hand, and taken in again
    let gone = hour.coach(&["forget", "Bertil", "--yes"]);
    assert!(gone.stdout.contains("no trace left"), "{}", gone.stdout);
    assert_eq!(hour.agrees("erased"), 3);
    assert_eq!(hour.enqueue(&["--retry-failed"])["forgotten"], 3);
    hour.work();
    assert_eq!(hour.agrees("planned while erased"), 3);
    hour.coach(&["forget", "bertil", "--take-in-again"]);
    assert_eq!(hour.agrees("taken in again"), 3);
    let planned = hour.enqueue(&[]);
    assert_eq!((planned["added"].as_u64(), planned["dead"].as_u64()), (Some(2), Some(1)), "{planned}");
    hour.work();
    assert_eq!(hour.agrees("measured again"), 6);
    assert!(far.verdicts().unwrap().iter().all(|v| v.owner == slug(Some("Ada"))), "what was said of Bertil is gone for good");
    let planned = hour.enqueue(&[]);
    assert_eq!((planned["done"].as_u64(), planned["added"].as_u64(), planned["dead"].as_u64()), (Some(4), Some(0), Some(1)), "{planned}");
    hour.agrees("nothing left to do");
}
