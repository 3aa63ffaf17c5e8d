//! The inbox walk: `INBOX/<student>/<any name>.mp4`. The inbox is only ever read.

use super::brief::Brief;
use super::names::{composed, folded, same};
use super::roster::Roster;
use super::{date, sidecar};
use crate::error::{Error, Result};
use crate::report::types::{CapturedSource, LeadSideSource, PlaybackSource};
use crate::settings::Settings;
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::time::SystemTime;
use walkdir::WalkDir;

/// File endings of clips, lower case.
pub const ENDINGS: [&str; 7] = ["mp4", "mov", "m4v", "webm", "mkv", "avi", "3gp"];

/// A path somebody dropped.
#[derive(Debug, Clone, PartialEq)]
pub struct Upload {
    pub path: PathBuf,
    pub brief: Brief,
    pub bytes: u64,
    pub modified: Option<SystemTime>,
    /// Why it has to wait for the next run.
    pub waits: Option<String>,
}

/// Begins why a file waits that may not be whole yet.
pub const UPLOADING: &str = "still being uploaded";

/// What the walk found, in sorted order.
#[derive(Debug, Default)]
pub struct Found {
    pub uploads: Vec<Upload>,
    /// Files that are neither clips nor sidecars.
    pub others: usize,
    /// Folders that could not be read.
    pub unreadable: Vec<String>,
}

/// Walks the inbox for clips.
pub fn walk(inbox: &Path, roster: &Roster, settings: &Settings) -> Result<Found> {
    walk_for(&ENDINGS, inbox, roster, settings)
}

/// Walks a folder laid out like an inbox for files with one of these endings (lower case).
pub fn walk_for(endings: &[&str], inbox: &Path, roster: &Roster, settings: &Settings) -> Result<Found> {
    if !inbox.is_dir() {
        return Err(Error::Usage(format!("the inbox {} is not a folder", inbox.display())));
    }
    let mut found = Found::default();
    let now = SystemTime::now();
    for entry in WalkDir::new(inbox).min_depth(1).follow_links(false).sort_by_file_name() {
        let entry = match entry {
            Ok(entry) => entry,
            Err(e) => {
                found.unreadable.push(e.path().map_or_else(|| e.to_string(), |p| relative(inbox, p)));
                continue;
            }
        };
        let name = entry.file_name().to_string_lossy().into_owned();
        if entry.file_type().is_dir() {
            continue;
        }
        if !is_one(endings, &name) {
            found.others += usize::from(name.starts_with('.') || !name.to_lowercase().ends_with(".toml"));
            continue;
        }
        let about = entry.metadata().ok();
        let path = entry.path().to_path_buf();
        let note = sidecar::beside(&path).map(|p| sidecar::read(&p));
        let entry = Entry {
            file: relative(inbox, &path),
            path,
            bytes: about.as_ref().map_or(0, std::fs::Metadata::len),
            modified: about.and_then(|m| m.modified().ok()),
        };
        found.uploads.push(upload(entry, note, roster, settings, now));
    }
    tell_alike(&mut found.uploads, roster);
    Ok(found)
}

/// Lets uploads wait that lie in folders of which nobody knows whether they are one student's: their names are one by the
/// rule for names, yet somebody made two, and the roster does not know the name.
pub fn tell_alike(uploads: &mut [Upload], roster: &Roster) {
    let folder = |u: &Upload| {
        let first = u.brief.file.split_once('/')?.0;
        let own = u.brief.student.as_deref().is_some_and(|s| same(s, first)) && roster.find(first).is_none();
        own.then(|| first.to_string())
    };
    let mut alike: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
    for name in uploads.iter().filter_map(folder) {
        alike.entry(folded(&name)).or_default().insert(name);
    }
    for upload in uploads {
        let Some(spellings) = folder(upload).and_then(|f| alike.get(&folded(&f))).filter(|s| s.len() > 1) else { continue };
        let shown: Vec<String> = spellings.iter().map(|s| format!("'{s}'")).collect();
        upload.waits = Some(format!(
            "the folders {} look like one name: of one student, put all in one folder or the name in the roster; of two, rename one",
            shown.join(" and ")
        ));
    }
}

/// Whether a file of this name is meant: one of these endings, and not what systems leave beside files.
pub fn is_one(endings: &[&str], name: &str) -> bool {
    let ending = Path::new(name).extension().map(|e| e.to_string_lossy().to_lowercase()).unwrap_or_default();
    !name.starts_with('.') && endings.contains(&ending.as_str())
}

/// A file that is meant, wherever it lies.
pub struct Entry {
    pub path: PathBuf,
    /// Below the inbox, with `/`.
    pub file: String,
    pub bytes: u64,
    pub modified: Option<SystemTime>,
}

/// What is known of a file by its place, its sidecar (or what is wrong with that) and the roster.
pub fn upload(
    entry: Entry,
    note: Option<std::result::Result<sidecar::Sidecar, String>>,
    roster: &Roster,
    settings: &Settings,
    now: SystemTime,
) -> Upload {
    let (note, mut waits) = match note {
        None => (sidecar::Sidecar::default(), None),
        Some(Ok(note)) => (note, None),
        Some(Err(why)) => (sidecar::Sidecar::default(), Some(why)),
    };
    let brief = brief(&entry, note, roster, settings);
    let settle = settings.intake.settle_seconds;
    if let Some(age) = entry.modified.and_then(|m| now.duration_since(m).ok())
        && age.as_secs_f64() < settle
    {
        waits = Some(format!("{UPLOADING} (changed {:.0} s ago, waiting for {settle:.0} s of rest)", age.as_secs_f64()));
    }
    Upload { path: entry.path, brief, bytes: entry.bytes, modified: entry.modified, waits }
}

/// Path below the inbox with `/`, for reports and messages; bytes that are no text are replaced.
pub fn relative(inbox: &Path, path: &Path) -> String {
    let below = path.strip_prefix(inbox).unwrap_or(path);
    below.components().map(|c| c.as_os_str().to_string_lossy()).collect::<Vec<_>>().join("/")
}

fn brief(entry: &Entry, note: sidecar::Sidecar, roster: &Roster, settings: &Settings) -> Brief {
    let mut brief = Brief { file: entry.file.clone(), ..Brief::default() };
    let called = note.student.clone().or(entry.file.split_once('/').map(|(first, _)| first.to_string()));
    let student = called.as_deref().and_then(|n| roster.find(n));
    brief.student = student.map(|s| s.name.clone()).or(called).map(|name| composed(&name));
    brief.working_on = student.and_then(|s| s.working_on.clone());
    brief.stature_cm = student.and_then(|s| s.stature_cm);
    brief.lead_side = note
        .lead_side
        .map(|s| (s, LeadSideSource::Sidecar))
        .or_else(|| student.and_then(|s| s.lead_side).map(|s| (s, LeadSideSource::Roster)));
    brief.playback = note.playback_factor.map(|f| (f, PlaybackSource::Sidecar));
    brief.set_club(note.club, &settings.clubs);
    brief.note = note.note;
    brief.set_dates(note.captured, &entry.file, entry.modified);
    brief
}

impl Brief {
    /// Sets the date by sidecar, or keeps file name and mtime for where the container tells none.
    pub fn set_dates(&mut self, sidecar: Option<String>, file: &str, modified: Option<SystemTime>) {
        let name = file.rsplit('/').next().unwrap_or(file);
        self.captured = sidecar.map(|c| (c, CapturedSource::Sidecar));
        self.captured_otherwise = date::from_file_name(name)
            .map(|d| (d, CapturedSource::FileName))
            .or_else(|| modified.and_then(date::from_mtime).map(|d| (d, CapturedSource::Mtime)));
    }
}
