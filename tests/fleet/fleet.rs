//! Workers of the fleet with a child program that measures nothing, and what a test asks of the queue.

use crate::cluster::Cluster;
use crate::support::{copy_executable, executable, repository};
use dawnsheet::intake::Brief;
use dawnsheet::judge::{self, Identity};
use dawnsheet::pose::models::{ModelChoice, Models};
use dawnsheet::report::ReasonCode;
use dawnsheet::settings::Settings;
use std::path::Path;
use std::process::{Child, Command, Output, Stdio};
use std::time::{Duration, Instant};

pub const COACH: &str = "mira";

/// The program beside a child program that measures nothing: it fills in a report, or dies of a file called poison.
pub struct Programs {
    pub folder: tempfile::TempDir,
}

/// `sleep` seconds a clip; what it leaves as key points is none.
pub fn with_stub(sleep: &str) -> Programs {
    stub(sleep, "echo \"$sha\"")
}

/// The same, but it leaves the committed key points of a swing with sway, from which a clip can be judged again.
pub fn with_looks(sleep: &str) -> Programs {
    stub(sleep, &format!("cat '{}'", repository("fixtures/keypoints/sway.npz").display()))
}

fn stub(sleep: &str, look: &str) -> Programs {
    let folder = tempfile::tempdir().unwrap();
    copy_executable(Path::new(env!("CARGO_BIN_EXE_dawnsheet")), &folder.path().join("dawnsheet"));
    let brief = Brief { file: "@FILE@".into(), ..Brief::default() };
    let identity = Identity { sha256: "@".repeat(64), bytes: 0, brief };
    let report = judge::failed(&identity, ReasonCode::NoSwing.reason(), ModelChoice::Accurate, &Models::locate(), &Settings::default());
    let template = report.to_json().replace(&"@".repeat(64), "@SHA@").replace(&"@".repeat(16), "@ID@");
    std::fs::write(folder.path().join("template"), template).unwrap();
    let script = format!(
        r#"#!/bin/sh
while read -r order; do
    rest=${{order#*\"folder\":\"}}; folder=${{rest%%\"*}}
    rest=${{order#*\"sha256\":\"}}; sha=${{rest%%\"*}}
    rest=${{order#*\"file\":\"}}; file=${{rest%%\"*}}
    case "$file" in *poison*) kill -ABRT $$ ;; esac
    sleep {sleep}
    {look} > "$folder/seen.npz"
    sed -e "s/@SHA@/$sha/" -e "s/@ID@/$(printf %.16s "$sha")/" -e "s|@FILE@|$file|" '{}/template' > "$folder/report.json"
    echo 0
done
"#,
        folder.path().display()
    );
    let stub = folder.path().join("dawnsheet-worker");
    executable(&stub, &script);
    Programs { folder }
}

impl Programs {
    pub fn command(&self, arguments: &[&str]) -> Command {
        let mut command = Command::new(self.folder.path().join("dawnsheet"));
        command.args(arguments).env("DAWNSHEET_MODELS", repository("models"));
        command
    }

    pub fn output(&self, arguments: &[&str]) -> Output {
        self.command(arguments).output().unwrap()
    }

    /// A command of the fleet on this queue, whose URL with its password is no argument.
    pub fn on(&self, url: &str, arguments: &[&str]) -> Command {
        let mut command = self.command(arguments);
        command.env("DAWNSHEET_QUEUE", url);
        command
    }

    pub fn worker(&self, url: &str, inbox: &Path, out: &Path, more: &[&str]) -> Child {
        let mut command = self.on(url, &["work", "--media", inbox.to_str().unwrap(), "--out", out.to_str().unwrap()]);
        let log = std::fs::OpenOptions::new().create(true).append(true).open(self.folder.path().join("log")).unwrap();
        command.args(more).stdout(Stdio::null()).stderr(log).spawn().unwrap()
    }

    pub fn log(&self) -> String {
        std::fs::read_to_string(self.folder.path().join("log")).unwrap_or_default()
    }

    pub fn enqueue(&self, url: &str, inbox: &Path, more: &[&str]) -> (i32, serde_json::Value) {
        let place = inbox.parent().unwrap();
        std::fs::write(place.join("now.toml"), "[intake]\nsettle_seconds = 0\n").unwrap();
        let settings = place.join("now.toml");
        let mut all = vec!["enqueue", inbox.to_str().unwrap(), "--coach", COACH, "--json", "--settings", settings.to_str().unwrap()];
        all.extend(more);
        let output = self.on(url, &all).output().unwrap();
        let text = String::from_utf8_lossy(&output.stdout).into_owned();
        let value = serde_json::from_str(&text).unwrap_or_else(|e| panic!("{e}: {text} {}", String::from_utf8_lossy(&output.stderr)));
        (output.status.code().unwrap(), value)
    }
}

/// Files that pass the door and differ in their bytes, of as many students as there are tens.
pub fn fill(inbox: &Path, jobs: usize) {
    for n in 0..jobs {
        let folder = inbox.join(format!("student {}", n / 10));
        std::fs::create_dir_all(&folder).unwrap();
        let name = if n == jobs / 2 { "poison.mp4".to_string() } else { format!("clip {n}.mp4") };
        std::fs::write(folder.join(name), [b"\0\0\0\x18ftypmp42".as_slice(), &n.to_be_bytes()].concat()).unwrap();
    }
}

pub fn signal(child: &Child, name: &str) {
    let _ = Command::new("kill").args([name, &child.id().to_string()]).status();
}

pub fn count(db: &mut postgres::Client, sql: &str) -> i64 {
    db.query_one(sql, &[]).unwrap_or_else(|e| panic!("{sql}: {e}")).get(0)
}

pub const LEFT: &str = "SELECT count(*) FROM graphile_worker.jobs WHERE locked_at IS NOT NULL OR attempts < max_attempts";

/// Waits until nothing is left, then stops the workers.
pub fn finish(cluster: &Cluster, database: &str, mut workers: Vec<Child>, limit: Duration) -> f64 {
    let (began, mut db) = (Instant::now(), cluster.connect(database));
    while count(&mut db, LEFT) > 0 {
        assert!(began.elapsed() < limit, "not done in time");
        std::thread::sleep(Duration::from_millis(100));
    }
    let seconds = began.elapsed().as_secs_f64();
    for w in &workers {
        signal(w, "-TERM");
    }
    for w in &mut workers {
        assert_eq!(w.wait().unwrap().code(), Some(0));
    }
    seconds
}
