//! A small harness: make inboxes and clips, run the real program, read what it wrote.
#![allow(dead_code)] // each test program uses its part

pub mod builder;
#[allow(unused_imports)] // only some test programs build synthetic reports
pub use builder::{Builder, out_folder};

use dawnsheet::report::Report;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::time::{Duration, SystemTime};

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

/// Lets a file look as if its upload had ended long ago.
pub fn settle(path: &Path) {
    let file = std::fs::File::open(path).unwrap();
    file.set_modified(SystemTime::now() - Duration::from_secs(3600)).unwrap();
}

/// Runs the program.
pub fn dawnsheet(arguments: &[&str]) -> Ran {
    ran(Command::new(env!("CARGO_BIN_EXE_dawnsheet")).args(arguments).output().unwrap())
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
