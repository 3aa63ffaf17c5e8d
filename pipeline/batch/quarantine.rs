//! `out/quarantine.json`: the clips set aside after failing too often, with the evidence.

use super::summary::{Line, Place};
use crate::error::{Error, Result};
use crate::history::Store;
use crate::history::store::FailedAttempt;
use crate::place::{self, OutFolder};
use serde::Serialize;

/// One clip set aside.
#[derive(Debug, Serialize)]
struct SetAside<'a> {
    file: &'a str,
    student: Option<&'a str>,
    clip: &'a str,
    attempts: Vec<FailedAttempt>,
}

/// Writes the list anew from the night's lines.
pub fn write(out: &OutFolder, store: &Store, lines: &[Line]) -> Result<()> {
    let mut all = Vec::new();
    for l in lines.iter().filter(|l| l.place == Place::Quarantined) {
        if let Some(clip) = l.clip.as_deref() {
            let attempts = store.failed_attempts(&l.owner, clip)?;
            all.push(SetAside { file: &l.file, student: l.student.as_deref(), clip, attempts });
        }
    }
    let text = serde_json::to_string_pretty(&all).map_err(|e| Error::Internal(e.to_string()))?;
    place::write(&out.root().join("quarantine.json"), text.as_bytes())
}
