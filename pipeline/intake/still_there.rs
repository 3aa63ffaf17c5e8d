//! The file of a clip that was measured before.

use super::admit::admit;
use crate::report::Report;
use crate::settings::Settings;
use std::path::{Path, PathBuf};

/// The clip's file, if it still lies below the inbox with the bytes that were measured; otherwise why not, as a clause. `inbox`: where
/// the last run found it.
pub fn still_there(inbox: Option<&Path>, report: &Report, settings: &Settings) -> Result<PathBuf, String> {
    let gone = || "it no longer lies in the inbox under the name it was sent by".to_string();
    let inbox = inbox.ok_or("no run has said where the inbox is")?.canonicalize().map_err(|_| gone())?;
    let path = inbox.join(&report.clip.file).canonicalize().map_err(|_| gone())?;
    if !path.starts_with(&inbox) {
        return Err(gone());
    }
    let admitted = admit(&path, settings).map_err(|_| gone())?;
    if admitted.sha256 != report.clip.sha256 {
        return Err("the file in the inbox is no longer the one that was measured".into());
    }
    Ok(path)
}
