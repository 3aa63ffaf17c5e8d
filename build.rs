//! Keeps OpenCV out of `dawnsheet`: only its worker uses it, but the bindings' objects are drawn into both programs. And takes the
//! hash of all that judges, so that a report made by other constants or words is never taken for one of these.

use sha2::{Digest, Sha256};
use std::path::{Path, PathBuf};

/// From what was seen to the report.
const JUDGING: [&str; 6] = ["seen", "track", "swing", "measure", "judge", "report"];

fn main() {
    println!("cargo:rerun-if-changed=build.rs");
    println!("cargo:rustc-env=JUDGING_SHA256={}", judging());
    if std::env::var("CARGO_CFG_TARGET_OS").as_deref() == Ok("linux") {
        // or weak symbols that OpenCV defines too count as exported and outlive the removal of unused code
        println!("cargo:rustc-link-arg-bin=dawnsheet=-Wl,--exclude-libs,ALL");
        // cv::Exception's type: named in the exception tables of the unused code, which the linker keeps
        println!("cargo:rustc-link-arg-bin=dawnsheet=-Wl,--defsym=_ZTIN2cv9ExceptionE=0");
    }
}

fn judging() -> String {
    let mut files: Vec<PathBuf> = JUDGING.iter().flat_map(|folder| files(&Path::new("pipeline").join(folder))).collect();
    files.sort();
    let mut all = Sha256::new();
    for file in files {
        println!("cargo:rerun-if-changed={}", file.display());
        all.update(std::fs::read(&file).unwrap_or_default());
    }
    all.finalize().iter().map(|b| format!("{b:02x}")).collect()
}

fn files(folder: &Path) -> Vec<PathBuf> {
    println!("cargo:rerun-if-changed={}", folder.display());
    let entries = std::fs::read_dir(folder).into_iter().flatten().filter_map(Result::ok).map(|e| e.path());
    entries.flat_map(|path| if path.is_dir() { files(&path) } else { vec![path] }).collect()
}
