//! A clip's own footage from the inbox: found by what the store says of it, and shown only if it still is that file.

use super::Desk;
use crate::pose::models::hex;
use crate::report::Report;
use axum::extract::{Path, State};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum_extra::TypedHeader;
use axum_extra::headers::Range;
use axum_range::{KnownSize, Ranged};
use sha2::{Digest, Sha256};
use std::collections::HashMap;
use std::fs::{File, OpenOptions};
use std::os::unix::fs::{MetadataExt, OpenOptionsExt};
use std::sync::{Arc, Mutex};

/// What tells that a file is unchanged: device, number, length, time of change (seconds and nanoseconds).
type Mark = (u64, u64, u64, i64, i64);

/// Hashes already taken.
#[derive(Default)]
pub struct Checked(Mutex<HashMap<Mark, String>>);

const NO_INBOX: &str = "The footage cannot be shown: no run has said where the inbox is.";
const GONE: &str = "The footage is gone: it no longer lies in the inbox under the name it was sent by.";
const CHANGED: &str = "The footage cannot be shown: the file in the inbox is no longer the one that was measured.";

impl Desk {
    /// The clip's file, open, if it lies below the inbox and has the bytes that were measured; otherwise a sentence why not.
    pub(super) fn footage(&self, report: &Report) -> Result<File, &'static str> {
        let inbox = self.inbox.as_ref().ok_or(NO_INBOX)?.canonicalize().map_err(|_| GONE)?;
        let path = inbox.join(&report.clip.file).canonicalize().map_err(|_| GONE)?;
        if !path.starts_with(&inbox) {
            return Err(GONE);
        }
        // what was put in its place meanwhile, a link or a pipe, is not followed or waited for
        let flags = (rustix::fs::OFlags::NOFOLLOW | rustix::fs::OFlags::NONBLOCK).bits() as i32;
        let file = OpenOptions::new().read(true).custom_flags(flags).open(&path).map_err(|_| GONE)?;
        let about = file.metadata().map_err(|_| GONE)?;
        if !about.is_file() || about.len() != report.clip.bytes {
            return Err(CHANGED);
        }
        let key = (about.dev(), about.ino(), about.len(), about.mtime(), about.mtime_nsec());
        let known = self.checked.0.lock().ok().and_then(|c| c.get(&key).cloned());
        let hash = match known {
            Some(hash) => hash,
            None => {
                let mut hash = Sha256::new();
                std::io::copy(&mut &file, &mut hash).map_err(|_| GONE)?;
                std::io::Seek::rewind(&mut &file).map_err(|_| GONE)?;
                let hash = hex(&hash.finalize());
                if let Ok(mut checked) = self.checked.0.lock() {
                    checked.insert(key, hash.clone());
                }
                hash
            }
        };
        if hash == report.clip.sha256 { Ok(file) } else { Err(CHANGED) }
    }
}

/// By the ending of its name: what the container is called in HTTP.
fn media_type(file: &str) -> &'static str {
    match file.rsplit('.').next().unwrap_or_default().to_lowercase().as_str() {
        "mp4" | "m4v" => "video/mp4",
        // QuickTime with today's codecs plays where it is called MP4
        "mov" => "video/mp4",
        "webm" => "video/webm",
        "mkv" => "video/x-matroska",
        "3gp" => "video/3gpp",
        _ => "application/octet-stream",
    }
}

/// The footage, or the part of it that was asked for (RFC 9110, 14).
pub async fn film(
    State(desk): State<Arc<Desk>>,
    Path((owner, clip)): Path<(String, String)>,
    range: Option<TypedHeader<Range>>,
) -> Response {
    let found = tokio::task::spawn_blocking(move || {
        let report = desk.at_hand().store.result(&owner, &clip).ok().flatten().ok_or("no such clip")?;
        desk.footage(&report).map(|file| (file, media_type(&report.clip.file)))
    });
    match found.await {
        Ok(Ok((file, kind))) => match KnownSize::file(tokio::fs::File::from_std(file)).await {
            Ok(body) => ([(header::CONTENT_TYPE, kind)], Ranged::new(range.map(|TypedHeader(r)| r), body)).into_response(),
            Err(_) => (StatusCode::NOT_FOUND, GONE).into_response(),
        },
        Ok(Err(why)) => (StatusCode::NOT_FOUND, why).into_response(),
        Err(_) => StatusCode::INTERNAL_SERVER_ERROR.into_response(),
    }
}
