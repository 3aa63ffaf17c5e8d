//! A coach of many machines: verdicts from desk and command line go to the database under the coach's own login, an erasure
//! and the keeping time reach everywhere.

use crate::cluster::{Cluster, PASSWORD};
use crate::fleet::{self, COACH, count, finish, with_stub};
use crate::support::{Ran, dawnsheet, dawnsheet_on};
use dawnsheet::history::postgres::Postgres;
use dawnsheet::history::{Results, Store};
use dawnsheet::intake::names::slug;
use dawnsheet::queue::work::folder_of;
use std::io::{BufRead, BufReader, Read, Write};
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Duration;

/// Says at a desk of its own whether the coach agrees that there is sway, or takes the last word back; the answer.
fn at_the_desk(out: &str, store: &str, path: &str, body: &str) -> String {
    let mut desk = Command::new(env!("CARGO_BIN_EXE_dawnsheet"))
        .args(["desk", "--out", out])
        .env("DAWNSHEET_STORE", store)
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let mut line = String::new();
    BufReader::new(desk.stdout.take().unwrap()).read_line(&mut line).unwrap();
    let (host, key) = line.trim().strip_prefix("http://").and_then(|l| l.split_once("/?key=")).unwrap_or_else(|| panic!("{line:?}"));
    let port = host.rsplit(':').next().unwrap();
    let mut stream = std::net::TcpStream::connect(host).unwrap();
    write!(
        stream,
        "POST {path} HTTP/1.1\r\nHost: {host}\r\nOrigin: http://{host}\r\nCookie: dawnsheet-desk-{port}={key}\r\n\
         Content-Type: application/json\r\nContent-Length: {}\r\nConnection: close\r\n\r\n{body}",
        body.len()
    )
    .unwrap();
    let mut answer = String::new();
    stream.read_to_string(&mut answer).unwrap();
    fleet::signal(&desk, "-TERM");
    desk.wait().unwrap();
    answer
}

fn said(out: &Path) -> Vec<String> {
    Store::open(&out.join("dawnsheet.sqlite")).unwrap().verdicts().unwrap().into_iter().map(|v| v.note).collect()
}

#[test]
fn words_and_erasures_reach_every_machine() {
    let (programs, cluster, place) = (with_stub("0.05"), Cluster::start(), tempfile::tempdir().unwrap());
    let url = cluster.create("night");
    let inbox = place.path().join("inbox");
    for (student, clips) in [("Ada", 3), ("Bo", 2)] {
        std::fs::create_dir_all(inbox.join(student)).unwrap();
        for n in 0..clips {
            std::fs::write(inbox.join(student).join(format!("{n}.mp4")), [b"\0\0\0\x18ftypmp42", student.as_bytes(), &[n]].concat())
                .unwrap();
        }
    }
    let fleet = place.path().join("fleet");
    assert_eq!(programs.enqueue(&url, &inbox, &[]).1["added"], 5);
    finish(&cluster, "night", vec![programs.worker(&url, &inbox, &fleet, &["--poll", "0.05"])], Duration::from_secs(60));
    let mut db = cluster.connect("night");
    db.batch_execute(&format!("CREATE ROLE {COACH} LOGIN PASSWORD '{PASSWORD}'; SELECT dawnsheet.admit_coach('{COACH}')")).unwrap();
    let own = cluster.url_of(COACH, PASSWORD, cluster.port, "night");
    let (office, range) = (place.path().join("office"), place.path().join("range"));
    let collect = |out: &Path, login: &str, more: &[&str]| -> Ran {
        let ran = dawnsheet_on(login, &[&["collect", "--coach", COACH, "--out", out.to_str().unwrap()], more].concat());
        assert_eq!(ran.code, 0, "{}", ran.stderr);
        ran
    };
    collect(&office, &own, &[]);
    collect(&range, &own, &[]);

    // a word at one place is heard at the other
    let ada = slug(Some("Ada"));
    let clip: String = db.query_one("SELECT clip FROM dawnsheet.result WHERE file = 'Ada/0.mp4'", &[]).unwrap().get(0);
    let judge = |out: &Path, note: &str, store: Option<&str>| {
        let told = ["verdict", &clip, "disagree", "--fault", "sway", "--out", out.to_str().unwrap(), "--note", note];
        store.map_or_else(|| dawnsheet(&told), |url| dawnsheet_on(url, &told))
    };
    let ran = judge(&office, "office", Some(&own));
    assert_eq!(ran.code, 0, "{}", ran.stderr);
    let ran = judge(&office, "unheard", None);
    assert!(ran.code == 2 && ran.stderr.contains("name it with --store"), "{}", ran.stderr);
    let (office_text, range_text) = (office.to_str().unwrap(), range.to_str().unwrap());
    let body = format!(
        "{{\"owner\":\"{ada}\",\"clip\":\"{clip}\",\"fault\":\"sway\",\"shown\":\"cannot_measure\",\"agrees\":true,\"note\":\"range\"}}"
    );
    let answer = at_the_desk(range_text, &own, "/verdict", &body);
    assert!(answer.starts_with("HTTP/1.1 200") && answer.contains("You agree: range"), "{answer}");
    assert_eq!(said(&range), ["office", "range"]);
    let undone = at_the_desk(office_text, &own, "/undo", &format!("{{\"owner\":\"{ada}\",\"clip\":\"{clip}\"}}"));
    assert!(undone.contains("Taken back") && undone.contains("You disagree: office"), "{undone}");
    assert_eq!(said(&office), ["office"]);
    collect(&range, &own, &[]);
    assert_eq!(said(&range), ["office"], "what was taken back stays so");
    let rows = db.query("SELECT coach, note FROM dawnsheet.verdict", &[]).unwrap();
    assert_eq!(rows.iter().map(|r| (r.get(0), r.get(1))).collect::<Vec<(String, String)>>(), [(COACH.into(), "office".into())]);

    // a student is forgotten at one place, by the coach's own login
    let ran = dawnsheet(&["forget", &ada, "--yes", "--out", office_text]);
    assert!(ran.code == 2 && ran.stderr.contains("--store"), "{}", ran.stderr);
    let ran = dawnsheet_on(&own, &["forget", &ada, "--yes", "--out", office_text]);
    assert!(ran.code == 0 && ran.stdout.contains("no trace left"), "{}{}", ran.stdout, ran.stderr);
    for table in ["result", "verdict", "attempt", "lease"] {
        assert_eq!(count(&mut db, &format!("SELECT count(*) FROM dawnsheet.{table} WHERE owner = '{ada}'")), 0, "{table}");
    }
    assert_eq!(count(&mut db, "SELECT count(*) FROM dawnsheet.result"), 2, "the other student's are there");
    assert!(collect(&range, &own, &[]).stdout.contains("3 erased"));
    assert!(!range.join("reports").join(&ada).exists() && said(&range).is_empty());
    let planned = programs.enqueue(&url, &inbox, &[]).1;
    assert_eq!((planned["forgotten"].as_u64(), planned["done"].as_u64(), planned["added"].as_u64()), (Some(3), Some(2), Some(0)));
    // the machines' own folder, by the operator
    let machines = folder_of(&fleet, COACH);
    // what others put there is nobody's to tidy away
    let mut strange = Vec::new();
    for folder in [&machines, &range] {
        for below in ["thesis.part", "reports/notes.json", "sheet/clip/notes.html", "staging/mine/x.part", "export/thesis.csv"] {
            let path = folder.join(below);
            std::fs::create_dir_all(path.parent().unwrap()).unwrap();
            std::fs::write(&path, b"the only copy").unwrap();
            strange.push(path);
        }
    }
    let looks = || std::fs::read_dir(machines.join("keypoints")).unwrap().count();
    assert!(machines.join("reports").join(&ada).exists() && looks() == 5);
    assert!(collect(&machines, &url, &[]).stdout.contains("3 erased"));
    assert!(!machines.join("reports").join(&ada).exists() && looks() == 2);

    // past its keeping time
    db.batch_execute("UPDATE dawnsheet.seen SET made_at = '2026-01-01T00:00:00Z' WHERE sha256 = (SELECT sha256 FROM dawnsheet.result WHERE file = 'Bo/1.mp4')")
        .unwrap();
    let keep = place.path().join("keep.toml");
    std::fs::write(&keep, "[night]\nkeep_days = 30\n").unwrap();
    assert!(collect(&office, &own, &["--settings", keep.to_str().unwrap()]).stdout.contains("1 erased"));
    assert_eq!(count(&mut db, "SELECT count(*) FROM dawnsheet.result"), 1);
    assert!(collect(&range, &own, &[]).stdout.contains("1 erased"), "erased elsewhere, erased here");
    assert_eq!(programs.enqueue(&url, &inbox, &[]).1["forgotten"], 4);
    assert_eq!(Postgres::open(&url, Some(COACH)).unwrap().results().unwrap().len(), 1);
    assert!(strange.iter().all(|path| std::fs::read(path).is_ok_and(|bytes| bytes == b"the only copy")));
}
