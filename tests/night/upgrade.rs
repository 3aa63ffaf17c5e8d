//! Out folders of earlier versions are taken over: `fixtures/upgrade` holds the stores that versions 0.1.0 to 0.5.0 wrote on the
//! committed clips, seven of them one swing under seven dates, with two students' verdicts given and one student erased.

use crate::support::{self, Place, dawnsheet, fixture, ran, repository};
use rusqlite::Connection;
use std::collections::BTreeSet;
use std::process::Command;

const VERSIONS: [&str; 4] = ["0.1.0", "0.2.0", "0.3.0", "0.5.0"];

/// The student whose clips have left the inbox, all but the last.
const PRIYA: &str = "Priya Raman";

fn store(place: &Place) -> Connection {
    Connection::open(place.out().join("dawnsheet.sqlite")).unwrap()
}

/// An out folder as that version left it: its store, each row's report, and what was seen of the swing with seven dates.
fn left_by(version: &str) -> Place {
    let place = Place::new();
    std::fs::create_dir(place.out()).unwrap();
    let db = store(&place);
    db.execute_batch(&std::fs::read_to_string(repository("fixtures/upgrade").join(format!("{version}.sql"))).unwrap()).unwrap();
    std::fs::create_dir(place.out().join("keypoints")).unwrap();
    let mut rows = db.prepare("SELECT owner, clip, report, student FROM result").unwrap();
    let rows = rows.query_map([], |r| Ok((r.get(0)?, r.get(1)?, r.get(2)?, r.get(3)?))).unwrap();
    for (owner, clip, report, student) in rows.map(Result::unwrap) {
        let (owner, clip, report, student): (String, String, String, String) = (owner, clip, report, student);
        let folder = place.out().join("reports").join(owner);
        std::fs::create_dir_all(&folder).unwrap();
        std::fs::write(folder.join(format!("{clip}.json")), report).unwrap();
        if student == PRIYA {
            std::fs::copy(repository("fixtures/upgrade/0.1.0.npz"), place.out().join(format!("keypoints/{clip}.npz"))).unwrap();
        }
    }
    place
}

/// Rows as text, to be the same before and after.
fn rows(db: &Connection, sql: &str) -> BTreeSet<String> {
    let mut statement = db.prepare(sql).unwrap();
    let columns = statement.column_count();
    let row = |r: &rusqlite::Row| (0..columns).map(|i| r.get::<_, rusqlite::types::Value>(i).map(|v| format!("{v:?}"))).collect();
    statement.query_map([], row).unwrap().map(|r: rusqlite::Result<Vec<String>>| r.unwrap().join(" ")).collect()
}

/// What people gave, and whom they had erased.
fn given(place: &Place) -> [BTreeSet<String>; 3] {
    let db = store(place);
    [
        "SELECT owner, clip, fault, ours, agrees, note, made_at FROM verdict",
        "SELECT digest, why, forgotten_at FROM forgotten",
        "SELECT owner, clip, student, captured FROM result",
    ]
    .map(|sql| rows(&db, sql))
}

fn version_of(place: &Place) -> i64 {
    store(place).query_row("PRAGMA user_version", [], |r| r.get(0)).unwrap()
}

fn on(place: &Place, arguments: &[&str]) -> support::Ran {
    let out = place.out();
    dawnsheet(&[arguments, &["--out", out.to_str().unwrap()]].concat())
}

/// Days of the longest history of the slide of the hip, and how many histories there are of it.
fn history(place: &Place, student: &str) -> (usize, usize) {
    let told = on(place, &["trend", student, "--json"]);
    let all: Vec<serde_json::Value> = serde_json::from_str(&told.stdout).unwrap_or_else(|e| panic!("{e}: {} {}", told.stdout, told.stderr));
    let of: Vec<usize> =
        all.iter().filter(|t| t["metric"]["metric"] == "trail_hip_travel_cm").map(|t| t["days"].as_array().unwrap().len()).collect();
    (of.iter().copied().max().unwrap_or(0), of.len())
}

#[test]
fn verdicts_histories_and_erasures_of_every_earlier_version_are_kept_and_judged_as_one() {
    for version in VERSIONS {
        let place = left_by(version);
        let before = given(&place);
        assert!(before[0].len() == 3 && !before[1].is_empty() && before[2].len() == 10, "{version}: {before:?}");
        // one was erased; of one the inbox still has the last clip; the earlier ones are gone from it
        for file in ["Tomas Varga/VID_20261124_181502.mp4", "Priya Raman/2026-11-24 7 iron.mp4"] {
            place.copy(&fixture(file), file);
        }
        let (code, summary) = place.summary(&["--model", "fast"]);
        assert_eq!(code, 0, "{version}: {summary}");
        let lines = summary["lines"].as_array().unwrap();
        let place_of = |file: &str| lines.iter().find(|l| l["file"].as_str().unwrap().starts_with(file)).unwrap()["place"].clone();
        assert_eq!(place_of("Tomas"), "forgotten", "{version}");
        assert!(summary["disagreements"].to_string().contains("6 earlier clips were judged again"), "{version}: {summary}");
        assert_eq!(given(&place), before, "{version}: nothing lost, nothing doubled");
        // one measure, one history: the swing is the same on all days, whichever version saw it
        assert_eq!(history(&place, PRIYA), (7, 1), "{version}");
        let told = on(&place, &["trend", PRIYA]).stdout;
        assert!(!told.contains("improving") && !told.contains("worse"), "{version}: {told}");
        let reports = store(&place)
            .prepare("SELECT owner, clip, report FROM result")
            .unwrap()
            .query_map([], |r| Ok((format!("reports/{}/{}.json", r.get::<_, String>(0)?, r.get::<_, String>(1)?), r.get::<_, String>(2)?)))
            .unwrap()
            .map(Result::unwrap)
            .collect::<Vec<_>>();
        for (file, report) in reports {
            assert_eq!(std::fs::read_to_string(place.out().join(&file)).unwrap(), report, "{version}: {file}");
        }
        // and that was all: the next night finds nothing to do
        let done = rows(&store(&place), "SELECT owner, clip, key, report, judged_at FROM result");
        let (_, summary) = place.summary(&["--model", "fast"]);
        assert!(summary["lines"].as_array().unwrap().iter().all(|l| l["new"] == false), "{version}: {summary}");
        assert_eq!(summary["disagreements"].as_array().map(Vec::len), Some(0), "{version}: {summary}");
        assert_eq!(rows(&store(&place), "SELECT owner, clip, key, report, judged_at FROM result"), done, "{version}");

        let erased = on(&place, &["forget", PRIYA, "--yes"]);
        assert_eq!(erased.code, 0, "{version}: {}{}", erased.stdout, erased.stderr);
        assert_eq!(rows(&store(&place), "SELECT clip FROM result").len(), 3, "{version}");
    }
}

#[test]
fn after_an_upgrade_a_new_clip_does_not_wait_for_those_that_are_measured_again() {
    let place = left_by(VERSIONS[0]);
    // the smaller of the two: by size alone it would come last
    place.copy(&fixture("Jonas Lind/2026-11-24 driver dtl.mp4"), "Zoe/2026-11-27.mp4");
    place.copy(&fixture("Priya Raman/2026-11-24 7 iron.mp4"), "Priya Raman/2026-11-24 7 iron.mp4");
    let (code, summary) = place.summary(&["--model", "fast", "--workers", "1"]);
    assert_eq!(code, 0, "{summary}");
    let db = store(&place);
    let at = |student: &str| -> String {
        let sql = "SELECT max(made_at) FROM seen s JOIN result r ON r.sha256 = s.sha256 WHERE student = ?1";
        db.query_row(sql, [student], |r| r.get(0)).unwrap()
    };
    assert!(at("Zoe") < at(PRIYA), "{} {}", at("Zoe"), at(PRIYA));
}

#[test]
fn a_takeover_torn_at_any_step_is_finished_by_the_next_program() {
    let oldest = || left_by(VERSIONS[0]);
    let place = oldest();
    let (before, old) = (given(&place), version_of(&place));
    assert!(on(&place, &["trend", PRIYA]).code == 0 && version_of(&place) > old);
    let new = version_of(&place);
    for kind in ["kill", "full"] {
        let mut struck = 0;
        for n in 1.. {
            let place = oldest();
            let mut command = Command::new(env!("CARGO_BIN_EXE_dawnsheet"));
            let torn = command.args(["trend", PRIYA, "--out"]).arg(place.out()).env(dawnsheet::fault::VARIABLE, format!("{kind}:{n}"));
            let torn = ran(torn.output().unwrap());
            if torn.code == 0 {
                break;
            }
            struck += 1;
            assert!([old, new].contains(&version_of(&place)), "{kind}:{n}: whole or not at all");
            assert_eq!(given(&place), before, "{kind}:{n}");
            assert_eq!(history(&place, PRIYA).0, 7, "{kind}:{n}");
            assert_eq!(version_of(&place), new, "{kind}:{n}");
        }
        assert!(struck >= 2, "{kind}: {struck} steps");
    }
}

#[test]
fn a_store_of_a_newer_version_is_refused_and_left_alone() {
    let place = left_by(VERSIONS[0]);
    store(&place).pragma_update(None, "user_version", 1000).unwrap();
    let before = given(&place);
    for arguments in [&["trend"][..], &["rejudge"], &["sheet"], &["forget", PRIYA, "--yes"]] {
        let ran = on(&place, arguments);
        assert_eq!(ran.code, 2, "{arguments:?}: {}", ran.stderr);
        assert!(ran.stderr.contains("newer dawnsheet") && ran.stderr.contains("--out"), "{}", ran.stderr);
    }
    let ran = place.run(&[]);
    assert!(ran.code == 2 && ran.stderr.contains("newer dawnsheet"), "{}", ran.stderr);
    assert_eq!((given(&place), version_of(&place)), (before, 1000));
}
