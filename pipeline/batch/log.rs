//! The log of the nights: `out/logs/night.<day>.jsonl`, one JSON object a line, a file a day, the newest 30 kept.
//! Clips go by their id: no student's name and no file name is written there.

use crate::error::{Error, Result};
use crate::place::OutFolder;
use tracing_appender::rolling::{Builder, Rotation};

const KEPT_FILES: usize = 30;

/// Starts the log. Errors: the folder cannot be written.
pub fn start(out: &OutFolder) -> Result<()> {
    let folder = out.folder("logs")?;
    let file = Builder::new()
        .rotation(Rotation::DAILY)
        .max_log_files(KEPT_FILES)
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
