//! Key points that were kept elsewhere (another machine, an older out folder) become results here: judged as if their clips
//! had come in. No video is read.

use super::forget::ON_REQUEST;
use super::key;
use super::plan::forgotten;
use crate::error::{Error, Result};
use crate::history::store::Attempt;
use crate::history::{Owners, Store};
use crate::intake::inbox::walk_for;
use crate::intake::{Roster, Upload};
use crate::judge::{self, Identity};
use crate::place::{self, OutFolder};
use crate::pose::models::{ModelChoice, Models, hex};
use crate::report::types::UNKNOWN;
use crate::seen::{Seen, SeenBy};
use crate::settings::Settings;
use sha2::{Digest, Sha256};
use std::path::Path;

/// What was taken in.
#[derive(Debug, Default, Clone, PartialEq)]
pub struct TakenIn {
    pub new: usize,
    /// Here already.
    pub known: usize,
    /// Files that cannot be read, or must wait, and why.
    pub refused: Vec<(String, String)>,
    /// Folders that cannot be read.
    pub unreadable: Vec<String>,
}

/// Takes in `FOLDER/<student>/<name>.npz`, as `out/keypoints` holds them; the date comes from a sidecar `<name>.toml` or the
/// file name, as for clips. What stood in for the clip's content hash is the hash of its key points.
pub fn take_in(
    folder: &Path,
    out: &OutFolder,
    store: &mut Store,
    roster: &Roster,
    models: &Models,
    settings: &Settings,
) -> Result<TakenIn> {
    let mut at_once = settings.clone();
    at_once.intake.settle_seconds = 0.0;
    let owners = Owners::new(store.students()?);
    let found = walk_for(&["npz"], folder, roster, &at_once)?;
    let mut done = TakenIn { unreadable: found.unreadable, ..TakenIn::default() };
    for upload in found.uploads {
        let file = upload.brief.file.clone();
        match one(upload, &owners, out, store, models, settings)? {
            Ok(true) => done.new += 1,
            Ok(false) => done.known += 1,
            Err(why) => done.refused.push((file, why)),
        }
    }
    Ok(done)
}

/// Whether it is new; or why it cannot be taken.
fn one(
    upload: Upload,
    owners: &Owners,
    out: &OutFolder,
    store: &mut Store,
    models: &Models,
    settings: &Settings,
) -> Result<std::result::Result<bool, String>> {
    if let Some(why) = upload.waits {
        return Ok(Err(why));
    }
    let bytes = std::fs::read(&upload.path).map_err(Error::file(&upload.path))?;
    let seen = match Seen::read(&upload.path) {
        Ok(seen) => seen,
        Err(Error::File { source, .. }) => return Ok(Err(format!("not key points of this program: {source}"))),
        Err(e) => return Err(e),
    };
    let by = seen.about.seen_by.clone();
    let by = by.unwrap_or_else(|| SeenBy { choice: ModelChoice::Unknown, model_sha256: UNKNOWN.into(), engine: UNKNOWN.into() });
    let identity = Identity { sha256: hex(&Sha256::digest(&bytes)), bytes: bytes.len() as u64, brief: upload.brief };
    let (owner, choice) = (owners.of(identity.brief.student.as_deref()), by.choice);
    if let Some(why) = forgotten(store, owners, &owner, identity.brief.student.as_deref(), &identity.sha256)? {
        let advice = if why == ON_REQUEST { ": dawnsheet forget STUDENT --take-in-again takes the student in again" } else { "" };
        return Ok(Err(format!("{why}{advice}")));
    }
    let key = key(&identity, choice, models, settings);
    if store.done_key(&owner, identity.id())?.as_deref() == Some(&key) {
        return Ok(Ok(false));
    }
    let report = judge::judge(&seen, &identity, choice, models, settings);
    place::write(&out.keypoints(identity.id())?, &bytes)?;
    place::write(&out.report(&owner, identity.id())?, report.to_json().as_bytes())?;
    let attempt = Attempt {
        owner: owner.clone(),
        clip: identity.id().into(),
        sha256: identity.sha256.clone(),
        file: identity.brief.file.clone(),
        key: key.clone(),
        seconds: 0.0,
        timings: serde_json::json!({}),
    };
    let text = serde_json::to_string(&identity).map_err(|e| Error::Internal(e.to_string()))?;
    store.record(&owner, &key, &text, &report, Some((&by.model_sha256, &by.engine, &attempt)))?;
    // its night was another one: the next sheet lists it among the earlier clips
    let day = report.clip.captured.as_deref().and_then(crate::intake::date::local_day);
    if let Some(day) = day {
        store.seen_at(&identity.sha256, &format!("{day}T00:00:00Z"))?;
    }
    Ok(Ok(true))
}

/// Whether a result is of key points that were taken in: their hash stands for that of the clip, which was never here.
pub fn is_taken_in(out: &OutFolder, identity: &Identity) -> Result<bool> {
    Ok(std::fs::read(out.keypoints(identity.id())?).is_ok_and(|bytes| hex(&Sha256::digest(bytes)) == identity.sha256))
}
