//! The log of the nights: `out/logs/night.<day>.jsonl`, one JSON object a line, a file a day, the newest 30 kept.
//! Clips go by their id: no student's name and no file name is written there.

use crate::error::{Error, Result};
use crate::place::{self, OutFolder, ours};
use std::path::Path;
use tracing_appender::rolling::{Builder, Rotation};

const KEPT_FILES: usize = 30;

/// Starts the log. Errors: the folder cannot be written.
pub fn start(out: &OutFolder) -> Result<()> {
    let folder = out.folder("logs")?;
    drop_old(&folder)?;
    let file = Builder::new()
        .rotation(Rotation::DAILY)
        .filename_prefix("night")
        .filename_suffix("jsonl")
        .build(&folder)
        .map_err(|e| Error::File { path: folder.clone(), source: std::io::Error::other(e) })?;
    let subscriber =
        tracing_subscriber::fmt().json().flatten_event(true).with_target(false).with_writer(std::sync::Mutex::new(file)).finish();
    // a second start within one program (tests) keeps the first
    let _ = tracing::subscriber::set_global_default(subscriber);
    Ok(())
}

/// Makes room for the log of today among the newest; names tell the day.
fn drop_old(folder: &Path) -> Result<()> {
    let names = std::fs::read_dir(folder).and_then(|all| all.map(|e| Ok(e?.file_name().to_string_lossy().into_owned())).collect());
    let mut logs: Vec<String> = names.map_err(Error::file(folder))?;
    logs.retain(|name| ours::log(name));
    logs.sort();
    logs.iter().rev().skip(KEPT_FILES - 1).try_for_each(|name| place::remove(&folder.join(name)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_newest_logs_are_kept_and_no_other_file_goes() {
        let folder = tempfile::tempdir().unwrap();
        let touch = |name: String| std::fs::write(folder.path().join(name), b"").unwrap();
        (0..60).for_each(|i| touch(format!("night.2026-{:02}-{:02}.jsonl", 1 + i / 28, 1 + i % 28)));
        (0..40).for_each(|i| touch(format!("night.thesis-{i}.jsonl")));
        drop_old(folder.path()).unwrap();
        let left: Vec<String> = std::fs::read_dir(folder.path()).unwrap().map(|e| e.unwrap().file_name().into_string().unwrap()).collect();
        assert_eq!(left.iter().filter(|n| n.contains("thesis")).count(), 40);
        assert_eq!(left.iter().filter(|n| n.starts_with("night.2026")).count(), KEPT_FILES - 1);
        assert!(left.contains(&"night.2026-03-04.jsonl".into()) && !left.contains(&"night.2026-01-01.jsonl".into()));
    }
}
