//! A small harness: make inboxes and clips, run the real program, read what it wrote.
#![allow(dead_code)] // each test program uses its part

pub mod builder;
#[allow(unused_imports)] // only some test programs build synthetic reports
pub use builder::{Builder, out_folder};

use dawnsheet::history::Store;
use dawnsheet::report::Report;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use std::sync::OnceLock;
use std::time::{Duration, SystemTime};

/// Writes a program that the test will start, with the folders above it, by a child process: a file that this process had open
/// for writing while another thread's test forked could not be started ("text file busy").
pub fn executable(path: &Path, text: &str) {
    let mut install = Command::new("install");
    let mut install = install.args(["-D", "-m", "755", "/dev/stdin"]).arg(path).stdin(Stdio::piped()).spawn().unwrap();
    std::io::Write::write_all(&mut install.stdin.take().unwrap(), text.as_bytes()).unwrap();
    assert!(install.wait().unwrap().success(), "{}", path.display());
}

/// Copies a program that the test will start, by a child process: see `executable`.
pub fn copy_executable(from: &Path, to: &Path) {
    assert!(Command::new("install").args(["-D", "-m", "755"]).arg(from).arg(to).status().unwrap().success(), "{}", to.display());
}

/// A temporary inbox with an out folder beside it.
pub struct Place {
    pub folder: tempfile::TempDir,
}

/// What a run printed and left.
pub struct Ran {
    pub code: i32,
    pub stdout: String,
    pub stderr: String,
}

impl Place {
    pub fn new() -> Place {
        let folder = tempfile::tempdir().unwrap();
        std::fs::create_dir(folder.path().join("inbox")).unwrap();
        Place { folder }
    }

    pub fn inbox(&self) -> PathBuf {
        self.folder.path().join("inbox")
    }

    pub fn out(&self) -> PathBuf {
        self.folder.path().join("out")
    }

    /// Path in the inbox whose folders exist.
    pub fn at(&self, file: &str) -> PathBuf {
        let path = self.inbox().join(file);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        path
    }

    pub fn write(&self, file: &str, bytes: &[u8]) -> PathBuf {
        let path = self.at(file);
        std::fs::write(&path, bytes).unwrap();
        settle(&path);
        path
    }

    pub fn copy(&self, from: &Path, file: &str) -> PathBuf {
        let path = self.at(file);
        std::fs::copy(from, &path).unwrap();
        settle(&path);
        path
    }

    /// Runs `dawnsheet run INBOX --out OUT` with more arguments.
    pub fn run(&self, more: &[&str]) -> Ran {
        let (inbox, out) = (self.inbox(), self.out());
        let mut arguments = vec!["run", inbox.to_str().unwrap(), "--out", out.to_str().unwrap()];
        arguments.extend(more);
        dawnsheet(&arguments)
    }

    /// A run that is about to start, for tests that disturb it. Its output is not read.
    pub fn command(&self, more: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_dawnsheet"));
        command.arg("run").arg(self.inbox()).arg("--out").arg(self.out()).args(more).stdout(Stdio::null()).stderr(Stdio::null());
        command
    }

    /// Hashes of everything that a run leaves for readers, by path, and of the store's rows: what two runs must agree on.
    pub fn outcome(&self) -> BTreeMap<String, String> {
        let mut all = BTreeMap::new();
        for below in ["reports", "keypoints", "sheet/pictures"] {
            for entry in walkdir::WalkDir::new(self.out().join(below)).into_iter().filter_map(Result::ok) {
                if entry.file_type().is_file() {
                    let name = entry.path().strip_prefix(self.out()).unwrap().to_string_lossy().into_owned();
                    all.insert(name, hash(&std::fs::read(entry.path()).unwrap()));
                }
            }
        }
        for (stored, identity) in Store::open(&self.out().join("dawnsheet.sqlite")).unwrap().results().unwrap() {
            let row = format!("row {} {} {identity}", stored.owner, stored.report.clip.id);
            assert!(all.insert(row, hash(stored.report.to_json().as_bytes())).is_none());
        }
        all
    }

    /// Whatever is visible in the out folder of a run that was cut off must be whole, and what its rows promise must be there.
    pub fn assert_nothing_half(&self) {
        for entry in walkdir::WalkDir::new(self.out()).into_iter().filter_map(Result::ok) {
            let path = entry.path();
            let below = path.strip_prefix(self.out()).unwrap();
            if below.starts_with("staging") || !entry.file_type().is_file() {
                continue;
            }
            match path.extension().and_then(|e| e.to_str()) {
                Some("json") if below.starts_with("reports") => {
                    serde_json::from_slice::<Report>(&std::fs::read(path).unwrap()).unwrap_or_else(|e| panic!("{below:?}: {e}"));
                }
                Some("npz") => drop(dawnsheet::seen::Seen::read(path).unwrap_or_else(|e| panic!("{below:?}: {e}"))),
                Some("jpg") => assert!(std::fs::read(path).unwrap().ends_with(&[0xFF, 0xD9]), "{below:?}"),
                Some("html") => assert!(std::fs::read_to_string(path).unwrap().trim_end().ends_with("</html>"), "{below:?}"),
                _ => {}
            }
        }
        let store = self.out().join("dawnsheet.sqlite");
        if store.is_file() {
            for (stored, _) in Store::open(&store).unwrap().results().unwrap() {
                let report = self.out().join("reports").join(&stored.owner).join(format!("{}.json", stored.report.clip.id));
                assert_eq!(std::fs::read_to_string(&report).unwrap(), stored.report.to_json(), "{report:?}");
            }
        }
    }

    /// The summary of a run as JSON.
    pub fn summary(&self, more: &[&str]) -> (i32, serde_json::Value) {
        let mut all = vec!["--json"];
        all.extend(more);
        let ran = self.run(&all);
        let value = serde_json::from_str(&ran.stdout).unwrap_or_else(|e| panic!("{e}: {} {}", ran.stdout, ran.stderr));
        (ran.code, value)
    }

    /// All reports in the out folder, by file.
    pub fn reports(&self) -> Vec<Report> {
        let mut all: Vec<Report> = walkdir::WalkDir::new(self.out().join("reports"))
            .into_iter()
            .filter_map(Result::ok)
            .filter(|e| e.path().extension().is_some_and(|x| x == "json"))
            .map(|e| serde_json::from_slice(&std::fs::read(e.path()).unwrap()).unwrap())
            .collect();
        all.sort_by(|a: &Report, b| a.clip.file.cmp(&b.clip.file));
        all
    }
}

fn hash(bytes: &[u8]) -> String {
    use sha2::Digest;
    dawnsheet::pose::models::hex(&sha2::Sha256::digest(bytes))[..12].to_string()
}

/// Lets a file look as if its upload had ended long ago.
pub fn settle(path: &Path) {
    let file = std::fs::File::open(path).unwrap();
    // one moment for all files of a test program: two inboxes filled alike are alike, dates and all
    static AN_HOUR_AGO: OnceLock<SystemTime> = OnceLock::new();
    file.set_modified(*AN_HOUR_AGO.get_or_init(|| SystemTime::now() - Duration::from_secs(3600))).unwrap();
}

/// Runs the program.
pub fn dawnsheet(arguments: &[&str]) -> Ran {
    ran(Command::new(env!("CARGO_BIN_EXE_dawnsheet")).args(arguments).output().unwrap())
}

/// The same with the URL of queue and store, whose password is no argument.
pub fn dawnsheet_on(url: &str, arguments: &[&str]) -> Ran {
    let mut command = Command::new(env!("CARGO_BIN_EXE_dawnsheet"));
    ran(command.args(arguments).env("DAWNSHEET_QUEUE", url).env("DAWNSHEET_STORE", url).output().unwrap())
}

pub fn ran(output: Output) -> Ran {
    Ran {
        code: output.status.code().unwrap_or(-1),
        stdout: String::from_utf8_lossy(&output.stdout).into_owned(),
        stderr: String::from_utf8_lossy(&output.stderr).into_owned(),
    }
}

/// Runs ffmpeg quietly.
pub fn ffmpeg(arguments: &[&str]) {
    let output = Command::new("ffmpeg").args(["-v", "error", "-nostdin", "-y"]).args(arguments).output().unwrap();
    assert!(output.status.success(), "ffmpeg {arguments:?}: {}", String::from_utf8_lossy(&output.stderr));
}

/// A folder of this repository.
pub fn repository(below: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(below)
}

/// One of the committed clips.
pub fn fixture(file: &str) -> PathBuf {
    repository("fixtures/inbox").join(file)
}

/// A small clip of moving colours with nobody in it, `seconds` long, 30 frames a second.
pub fn nobody(path: &Path, seconds: u32) {
    let source = format!("testsrc2=size=320x240:rate=30:duration={seconds}");
    ffmpeg(&["-f", "lavfi", "-i", &source, "-pix_fmt", "yuv420p", "-c:v", "libx264", path.to_str().unwrap()]);
}

/// A file of `bytes` made another file without changing what it shows: an ISO container ends in a box to be skipped.
pub fn stamped(bytes: &[u8], number: u32) -> Vec<u8> {
    let mut all = bytes.to_vec();
    all.extend(12u32.to_be_bytes());
    all.extend(b"free");
    all.extend(number.to_be_bytes());
    all
}

/// A reproducible stream of numbers (SplitMix64, Steele, Lea & Flood 2014; constants from memory).
pub struct Dice(pub u64);

impl Dice {
    pub fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// A number below `n`, 0 for none.
    pub fn below(&mut self, n: usize) -> usize {
        if n == 0 { 0 } else { (self.next() % n as u64) as usize }
    }
}

/// How many rounds a torture test goes: the number in the variable, else the one for every day.
pub fn rounds(variable: &str, usual: usize) -> usize {
    std::env::var(variable).ok().and_then(|v| v.parse().ok()).unwrap_or(usual)
}

/// Settings under which an upload needs no time to settle.
pub fn at_once(place: &Place) -> String {
    let path = place.folder.path().join("at-once.toml");
    std::fs::write(&path, "[intake]\nsettle_seconds = 0\n[night]\nclip_seconds = 60\n").unwrap();
    path.to_str().unwrap().to_string()
}

/// Kills every worker that writes below `out`; how many.
pub fn kill_workers(out: &Path) -> usize {
    let mut killed = 0;
    for process in std::fs::read_dir("/proc").unwrap().filter_map(Result::ok) {
        let command = std::fs::read(process.path().join("cmdline")).unwrap_or_default();
        let complains_to = std::fs::read_link(process.path().join("fd/2")).unwrap_or_default();
        if String::from_utf8_lossy(&command).contains("dawnsheet-worker") && complains_to.starts_with(out) {
            killed += usize::from(std::process::Command::new("kill").arg("-9").arg(process.file_name()).status().unwrap().success());
        }
    }
    killed
}
