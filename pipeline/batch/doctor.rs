//! Is everything there? What is missing, and the one command that mends it.

use super::job::worker_program;
use crate::pose::models::{Models, mend};
use std::process::{Command, Stdio};

/// One thing that was looked at.
#[derive(Debug, Clone, serde::Serialize)]
pub struct Check {
    pub what: String,
    pub ready: bool,
    /// What is there, or what to do.
    pub detail: String,
}

/// Looks at models, library, programs and the out folder.
pub fn examine(out: &std::path::Path) -> Vec<Check> {
    let check = |what: &str, result: Result<String, String>| Check {
        what: what.into(),
        ready: result.is_ok(),
        detail: result.unwrap_or_else(|e| e),
    };
    let mut all: Vec<Check> = Models::locate()
        .inventory()
        .into_iter()
        .map(|(file, r)| check(&format!("models/{file}"), r.map(|()| "present, hash right".into()).map_err(|e| e.to_string())))
        .collect();
    let ffprobe = Command::new("ffprobe").arg("-version").stdout(Stdio::piped()).stderr(Stdio::null()).output();
    all.push(check(
        "ffprobe",
        match ffprobe {
            Ok(o) if o.status.success() => Ok(String::from_utf8_lossy(&o.stdout).lines().next().unwrap_or("").chars().take(60).collect()),
            _ => Err(format!("missing: {}", mend())),
        },
    ));
    all.push(check(
        "dawnsheet-worker",
        worker_program().map_err(|e| e.to_string()).and_then(|w| {
            // loads the video libraries and stops at once, told to do nothing
            let ran =
                Command::new(&w).stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null()).status().map_err(|e| e.to_string())?;
            if ran.success() { Ok("starts".into()) } else { Err(format!("does not start ({ran}): {}", mend())) }
        }),
    ));
    all.push(check("confinement", confinement()));
    let folder = if out.exists() {
        out.to_path_buf()
    } else {
        std::path::absolute(out).ok().and_then(|p| p.parent().map(Into::into)).unwrap_or_else(|| ".".into())
    };
    let writable = tempfile::tempfile_in(&folder)
        .map(|_| "writable".to_string())
        .map_err(|e| format!("{} cannot be written ({e}): choose another with --out", folder.display()));
    all.push(check("out folder", writable));
    all
}

/// What a worker says the kernel enforces; not ready only where the default settings would refuse to work so.
fn confinement() -> Result<String, String> {
    let worker = worker_program().map_err(|e| e.to_string())?;
    let folder = tempfile::tempdir().map_err(|e| e.to_string())?;
    let ran = Command::new(worker).arg("--confinement").arg(folder.path()).stdin(Stdio::null()).output().map_err(|e| e.to_string())?;
    let said = String::from_utf8_lossy(&ran.stdout).trim().to_string();
    if ran.status.success() { Ok(said) } else { Err(String::from_utf8_lossy(&ran.stderr).trim().to_string()) }
}
