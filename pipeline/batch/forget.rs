//! Erasing: every trace of one student in the out folder, proved by a search; and of clips past their keeping time.
//! Files go first and rows last, so that an interrupted erasure is completed by asking again.

use super::summary::{NIGHT, Summary};
use crate::error::{Error, Result};
use crate::history::elsewhere::Far;
use crate::history::store::Held;
use crate::history::{Results, Store};
use crate::intake::roster::slug;
use crate::intake::{Roster, walk};
use crate::place::{self, OutFolder};
use crate::report::Report;
use crate::settings::Settings;
use jiff::ToSpan;
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use walkdir::WalkDir;

/// Name of the note under which the store remembers where the inbox is.
pub const INBOX: &str = "inbox";

/// Who is meant.
#[derive(Debug, Clone, PartialEq)]
pub struct Whom {
    /// As in reports.
    pub name: String,
    /// Folder name below `reports`.
    pub owner: String,
}

/// What an erasure did.
#[derive(Debug, Default)]
pub struct Forgotten {
    pub clips: usize,
    pub files: usize,
    pub log_lines: usize,
    /// Files of the out folder in which the search still found something, and what.
    pub still_found: Vec<(PathBuf, String)>,
    /// Uploads of the student that lie in the inbox, which is never written to; later runs skip them.
    pub inbox_left: Vec<PathBuf>,
    /// What was held, for [`prove`].
    held: Vec<Held>,
}

/// Finds the student by name, alias or folder name, in the store, the roster, the inbox and `far`, the database of many
/// machines. Error: nobody goes by it.
pub fn find(store: &Store, far: Far, wanted: &str) -> Result<Whom> {
    let same = |a: &str| a.to_lowercase() == wanted.to_lowercase();
    let inbox = store.note(INBOX)?.map(PathBuf::from).filter(|i| i.is_dir());
    let roster = roster_of(inbox.as_deref());
    if let Some(s) = roster.find(wanted) {
        return Ok(Whom { name: s.name.clone(), owner: slug(Some(&s.name)) });
    }
    let elsewhere = far.map(|f| f.results()).transpose()?.unwrap_or_default();
    for (stored, _) in store.results()?.into_iter().chain(elsewhere) {
        let name = stored.report.clip.student.unwrap_or_default();
        if same(&name) || same(&stored.owner) {
            return Ok(Whom { name, owner: stored.owner });
        }
    }
    let uploads = inbox.map(|i| walk(&i, &roster, &Settings::default())).transpose()?.unwrap_or_default().uploads;
    match uploads.into_iter().filter_map(|u| u.brief.student).find(|s| same(s)) {
        Some(name) => Ok(Whom { owner: slug(Some(&name)), name }),
        None => Err(Error::Usage(format!("nobody goes by '{wanted}' in the results, the roster or the inbox: check the spelling"))),
    }
}

fn roster_of(inbox: Option<&Path>) -> Roster {
    inbox.map(|i| i.join("roster.toml")).filter(|r| r.is_file()).and_then(|r| Roster::load(Some(&r)).ok()).unwrap_or_default()
}

/// Erases the student here and in `far`, the database of many machines. The sheet is to be written again then, and [`prove`] to
/// be asked what is left.
pub fn forget(out: &OutFolder, store: &mut Store, mut far: Far, whom: &Whom) -> Result<Forgotten> {
    // first of all: from now on no run takes the student in, and no machine records what it has at hand
    store.forget(&whom.owner, "erased on request")?;
    if let Some(far) = far.as_deref_mut() {
        far.forget(&whom.owner, "erased on request")?;
        far.end_leases(&whom.owner)?;
    }
    let held = held_by(out, store, far.as_deref_mut(), &whom.owner)?;
    let mut done = Forgotten { clips: held.iter().filter(|h| h.judged).count(), ..Forgotten::default() };
    done.files += remove(&out.root().join("reports").join(&whom.owner))?;
    done.files += remove(&out.exports(&whom.owner))?;
    for h in &held {
        done.files += remove_seen(out, h)?;
    }
    let ids: BTreeSet<&str> = held.iter().map(|h| h.clip.as_str()).collect();
    done.log_lines = clean_logs(out, &ids)?;
    clean_quarantine(out, &whom.name)?;
    clean_night(store, &whom.owner)?;
    store.erase(&whom.owner, &held)?;
    if let Some(far) = far {
        far.erase(&whom.owner, &held)?;
    }
    done.held = held;
    if let Some(inbox) = store.note(INBOX)?.map(PathBuf::from).filter(|i| i.is_dir()) {
        let uploads = walk(&inbox, &roster_of(Some(&inbox)), &Settings::default())?.uploads;
        done.inbox_left = uploads.into_iter().filter(|u| slug(u.brief.student.as_deref()) == whom.owner).map(|u| u.path).collect();
    }
    Ok(done)
}

/// The proof of an erasure, once the sheet was written again: looks through the whole out folder for what is left.
pub fn prove(out: &OutFolder, store: &Store, whom: &Whom, done: &mut Forgotten) -> Result<()> {
    store.compact()?;
    done.still_found = search(out, whom, &done.held)?;
    Ok(())
}

/// What is held of an owner here, in rows and as reports of machines that keep no rows here, and in `far`. Bytes count as
/// shared where either says so.
fn held_by(out: &OutFolder, store: &Store, far: Far, owner: &str) -> Result<Vec<Held>> {
    let mut held = store.held_by(owner)?;
    let reports = without_rows(out, store)?;
    let ours = reports.iter().filter(|(o, _)| o == owner).map(|(_, r)| Held {
        clip: r.clip.id.clone(),
        sha256: r.clip.sha256.clone(),
        file: r.clip.file.clone(),
        judged: true,
        shared: reports.iter().any(|(o, other)| o != owner && other.clip.id == r.clip.id),
    });
    for there in far.map(|f| f.held_by(owner)).transpose()?.unwrap_or_default().into_iter().chain(ours) {
        match held.iter_mut().find(|h| h.clip == there.clip && h.file == there.file) {
            Some(here) => (here.judged, here.shared) = (here.judged || there.judged, here.shared || there.shared),
            None => held.push(there),
        }
    }
    Ok(held)
}

/// Reports below `reports/<owner>` of which the store has no row: machines of the fleet wrote them.
fn without_rows(out: &OutFolder, store: &Store) -> Result<Vec<(String, Report)>> {
    let mut found = Vec::new();
    for file in WalkDir::new(out.folder("reports")?).min_depth(2).max_depth(2).into_iter().filter_map(std::result::Result::ok) {
        let name = |p: &Path| p.file_name().map(|n| n.to_string_lossy().into_owned());
        let owner = file.path().parent().and_then(name).unwrap_or_default();
        let clip = file.path().file_stem().unwrap_or_default().to_string_lossy();
        if store.done_key(&owner, &clip)?.is_none()
            && let Some(report) = std::fs::read(file.path()).ok().and_then(|b| serde_json::from_slice(&b).ok())
        {
            found.push((owner, report));
        }
    }
    Ok(found)
}

/// Erases clips that were measured more than `days` ago (0: none), here and in `far`; later runs skip the same bytes of the
/// same student.
pub fn expire(out: &OutFolder, store: &mut Store, mut far: Far, days: f64) -> Result<usize> {
    if days <= 0.0 {
        return Ok(0);
    }
    let seconds = (days * 86_400.0) as i64;
    let limit = jiff::Timestamp::now().checked_sub(seconds.seconds()).map_err(|e| Error::Internal(e.to_string()))?.to_string();
    let mut old: BTreeSet<(String, String)> = store.measured_before(&limit)?.into_iter().collect();
    old.extend(far.as_deref_mut().map(|f| f.measured_before(&limit)).transpose()?.unwrap_or_default());
    for (owner, clip) in &old {
        drop_clip(out, store, far.as_deref_mut(), owner, clip)?;
    }
    if !old.is_empty() {
        store.compact()?;
    }
    Ok(old.len())
}

fn drop_clip(out: &OutFolder, store: &mut Store, mut far: Far, owner: &str, clip: &str) -> Result<()> {
    const WHY: &str = "measured longer ago than night.keep_days";
    let held: Vec<Held> = held_by(out, store, far.as_deref_mut(), owner)?.into_iter().filter(|h| h.clip == *clip).collect();
    for h in &held {
        let bytes = format!("{owner}/{}", h.sha256);
        store.forget(&bytes, WHY)?;
        far.as_deref_mut().map(|f| f.forget(&bytes, WHY)).transpose()?;
    }
    remove_clip(out, store, owner, clip, &held)?;
    far.map(|f| f.erase(owner, &held)).transpose()?;
    Ok(())
}

/// Erases a clip here alone, which the store that it was brought from no longer has; nothing is skipped from then on.
pub fn withdraw(out: &OutFolder, store: &mut Store, owner: &str, clip: &str) -> Result<()> {
    let held: Vec<Held> = held_by(out, store, None, owner)?.into_iter().filter(|h| h.clip == *clip).collect();
    remove_clip(out, store, owner, clip, &held)
}

fn remove_clip(out: &OutFolder, store: &mut Store, owner: &str, clip: &str, held: &[Held]) -> Result<()> {
    place::remove(&out.exports(owner))?;
    place::remove(&out.report(owner, clip)?)?;
    for h in held {
        remove_seen(out, h)?;
    }
    clean_logs(out, &BTreeSet::from([clip]))?;
    store.erase(owner, held)
}

/// Erases here what `far` was told to forget from another folder; how many clips.
pub fn follow(out: &OutFolder, store: &mut Store, far: &mut dyn Results) -> Result<usize> {
    let (mut gone, mut erased) = (0, BTreeSet::new());
    let rows = store.results()?.into_iter().map(|(s, _)| (s.owner, s.report));
    for (owner, report) in rows.chain(without_rows(out, store)?) {
        let clip = report.clip;
        if erased.contains(&owner) {
            continue;
        }
        if far.forgotten(&owner)?.is_some() {
            let whom = Whom { name: clip.student.unwrap_or_default(), owner: owner.clone() };
            gone += forget(out, store, None, &whom)?.clips;
            erased.insert(owner);
        } else if far.forgotten(&format!("{owner}/{}", clip.sha256))?.is_some() {
            drop_clip(out, store, None, &owner, &clip.id)?;
            gone += 1;
        }
    }
    Ok(gone)
}

/// Removes what was seen of a clip, unless another student sent the same bytes.
fn remove_seen(out: &OutFolder, held: &Held) -> Result<usize> {
    if held.shared {
        return Ok(0);
    }
    Ok(remove(&out.keypoints(&held.clip)?)? + remove(&out.pictures(&held.clip))?)
}

/// Removes a file or folder; how many files there were.
fn remove(path: &Path) -> Result<usize> {
    let files = WalkDir::new(path).into_iter().filter_map(std::result::Result::ok).filter(|e| e.file_type().is_file()).count();
    place::remove(path)?;
    Ok(files)
}

/// Drops the log lines about these clips.
fn clean_logs(out: &OutFolder, ids: &BTreeSet<&str>) -> Result<usize> {
    let mut dropped = 0;
    for file in WalkDir::new(out.folder("logs")?).min_depth(1).into_iter().filter_map(std::result::Result::ok) {
        let path = file.path();
        let text = std::fs::read_to_string(path).map_err(Error::file(path))?;
        let kept: String = text.split_inclusive('\n').filter(|l| !ids.iter().any(|id| l.contains(id))).collect();
        if kept.len() < text.len() {
            dropped += text.lines().count() - kept.lines().count();
            place::write(path, kept.as_bytes())?;
        }
    }
    Ok(dropped)
}

fn clean_quarantine(out: &OutFolder, name: &str) -> Result<()> {
    let path = out.root().join("quarantine.json");
    let Ok(text) = std::fs::read_to_string(&path) else { return Ok(()) };
    let mut all: Vec<serde_json::Value> = serde_json::from_str(&text).unwrap_or_default();
    let before = all.len();
    all.retain(|q| q["student"] != name);
    if all.len() < before {
        let text = serde_json::to_string_pretty(&all).map_err(|e| Error::Internal(e.to_string()))?;
        place::write(&path, text.as_bytes())?;
    }
    Ok(())
}

/// Drops the student's uploads from the account of the last run.
fn clean_night(store: &Store, owner: &str) -> Result<()> {
    let Some(mut night) = store.note(NIGHT)?.and_then(|t| serde_json::from_str::<Summary>(&t).ok()) else { return Ok(()) };
    night.lines.retain(|l| slug(l.student.as_deref()) != owner);
    store.set_note(NIGHT, &serde_json::to_string(&night).map_err(|e| Error::Internal(e.to_string()))?)
}

/// Looks through every file and file name of the out folder for the student's name, folder, clips and uploads.
fn search(out: &OutFolder, whom: &Whom, held: &[Held]) -> Result<Vec<(PathBuf, String)>> {
    let mut needles: BTreeSet<&str> = BTreeSet::from([whom.owner.as_str()]);
    for h in held.iter().filter(|h| !h.shared) {
        needles.extend([h.clip.as_str(), h.sha256.as_str()]);
    }
    needles.extend(held.iter().map(|h| h.file.as_str()));
    let mut found = Vec::new();
    for entry in WalkDir::new(out.root()).min_depth(1).into_iter().filter_map(std::result::Result::ok) {
        let below = entry.path().strip_prefix(out.root()).unwrap_or(entry.path()).to_path_buf();
        let name = below.to_string_lossy().into_owned();
        let bytes = if entry.file_type().is_file() { std::fs::read(entry.path()).map_err(Error::file(entry.path()))? } else { Vec::new() };
        let hit = |needle: &str| name.contains(needle) || contains(&bytes, needle.as_bytes(), false);
        if let Some(needle) = needles.iter().find(|n| !n.is_empty() && hit(n)) {
            found.push((below, (*needle).to_string()));
        } else if !whom.name.is_empty() && contains(&bytes, whom.name.as_bytes(), true) {
            found.push((below, whom.name.clone()));
        }
    }
    Ok(found)
}

/// Whether `needle` occurs; as a word of its own where asked for (a short name is part of many words).
fn contains(hay: &[u8], needle: &[u8], word: bool) -> bool {
    let letter = |b: Option<&u8>| b.is_some_and(|b| b.is_ascii_alphanumeric());
    let Some(first) = needle.first() else { return false };
    let mut from = 0;
    while let Some(at) = hay[from..].iter().position(|b| b == first).map(|p| p + from) {
        if hay[at..].starts_with(needle)
            && !(word && (letter(at.checked_sub(1).and_then(|i| hay.get(i))) || letter(hay.get(at + needle.len()))))
        {
            return true;
        }
        from = at + 1;
    }
    false
}

#[cfg(test)]
mod tests {
    use super::contains;

    #[test]
    fn names_are_found_as_words() {
        assert!(contains(b"x \"Al\" y", b"Al", true) && contains(b"Al", b"Al", true));
        assert!(!contains(b"Alice", b"Al", true) && contains(b"Alice", b"Al", false));
        assert!(!contains(b"", b"Al", true) && !contains(b"A", b"Al", false));
    }
}
