//! Erasing: every trace of one student in the out folder, proved by a search; and of clips past their keeping time.
//! Files go first and rows last, so that an interrupted erasure is completed by asking again.

use super::plan::Identified;
use super::proof::search;
use super::skipped;
use super::summary::{Line, NIGHT, Summary};
use crate::error::{Error, Result};
use crate::history::elsewhere::Far;
use crate::history::erased::Held;
use crate::history::{Owners, Results, Store};
use crate::intake::admit::placeholder_sha256;
use crate::intake::names::{folded, same, slug, slug_as_spelled};
use crate::intake::{Roster, Upload, walk};
use crate::place::{self, OutFolder, ours};
use crate::report::Report;
use crate::settings::{Own, Settings};
use jiff::ToSpan;
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use walkdir::WalkDir;

/// Name of the note under which the store remembers where the inbox is.
pub const INBOX: &str = "inbox";

/// Why an erased student's uploads are skipped.
pub const ON_REQUEST: &str = "erased on request";

/// Who is meant.
#[derive(Debug, Clone, PartialEq)]
pub struct Whom {
    /// As in reports, or as asked for where there is none.
    pub name: String,
    /// Folder name below `reports`.
    pub owner: String,
    /// Every name by which the owner has gone, this one among them.
    pub names: BTreeSet<String>,
    /// Reports kept.
    pub clips: usize,
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

/// Finds everybody who is meant by a name, alias or folder name, in the store, the roster, the inbox and `far`, the database
/// of many machines; by the roster's aliases also under the other names of the same student. A folder name means that one
/// alone. Error: nobody goes by it.
pub fn find(out: &OutFolder, store: &Store, far: Far, wanted: &str) -> Result<Vec<Whom>> {
    let inbox = store.note(INBOX)?.map(PathBuf::from).filter(|i| i.is_dir());
    let roster = roster_of(inbox.as_deref());
    let listed = roster.find(wanted);
    let meant: BTreeSet<String> = listed.iter().flat_map(|s| s.names()).chain([wanted]).map(folded).collect();
    let mut all: BTreeMap<String, Whom> = BTreeMap::new();
    let mut note = |owner: String, name: String, clips: usize| {
        let blank = |owner: String| Whom { name: name.clone(), owner, names: BTreeSet::new(), clips: 0 };
        let whom = all.entry(owner.clone()).or_insert_with(|| blank(owner));
        if whom.clips == 0 && clips > 0 {
            whom.name = name.clone();
        }
        whom.clips += clips;
        whom.names.insert(name);
    };
    let elsewhere = far.map(|f| f.results()).transpose()?.unwrap_or_default().into_iter().map(|(s, _)| (s.owner, s.report));
    let here = store.results()?.into_iter().map(|(s, _)| (s.owner, s.report));
    for (owner, report) in here.chain(without_rows(out, store)?).chain(elsewhere) {
        note(owner, report.clip.student.unwrap_or_default(), 1);
    }
    for (owner, name) in store.names()? {
        note(owner, name, 0);
    }
    let owners = Owners::new(store.students()?);
    let uploads = inbox.map(|i| walk(&i, &roster, &Settings::default())).transpose()?.unwrap_or_default().uploads;
    for name in uploads.into_iter().filter_map(|u| u.brief.student).chain(listed.map(|s| s.name.clone())) {
        note(owners.of(Some(&name)), name, 0);
    }
    if let Some(whom) = all.remove(&wanted.trim().to_lowercase()) {
        return Ok(vec![whom]);
    }
    let mut found: Vec<Whom> = all.into_values().filter(|w| w.names.iter().any(|n| meant.contains(&folded(n)))).collect();
    // who is only expected is nobody beside those of whom something is kept
    if found.iter().any(|w| w.clips > 0 || owners.knows(&w.owner)) {
        found.retain(|w| w.clips > 0 || owners.knows(&w.owner));
    }
    for whom in &mut found {
        whom.names.extend(listed.iter().flat_map(|s| s.names()).map(String::from));
        whom.names.retain(|n| !n.trim().is_empty());
    }
    if found.is_empty() {
        return Err(Error::Usage(format!("nobody goes by '{wanted}' in the results, the roster or the inbox: check the spelling")));
    }
    Ok(found)
}

/// As [`find`], where one student is needed. Error: several go by the name; they are listed.
pub fn find_one(out: &OutFolder, store: &Store, wanted: &str) -> Result<Whom> {
    let mut found = find(out, store, None, wanted)?;
    if found.len() > 1 {
        return Err(several(wanted, &found));
    }
    Ok(found.remove(0))
}

/// What to do where several go by a name.
pub fn several(wanted: &str, found: &[Whom]) -> Error {
    let listed: Vec<String> = found.iter().map(|w| format!("\n  {}  {}, {} clips", w.owner, w.name, w.clips)).collect();
    Error::Usage(format!("several go by '{wanted}': say which by the folder name (or see dawnsheet join){}", listed.concat()))
}

/// What is to be remembered of an erased student, so that later runs skip each spelling; never what means somebody else.
fn marks_beside(store: &Store, far: Far, whom: &Whom) -> Result<Vec<String>> {
    let there = far.map(|f| f.students()).transpose()?.unwrap_or_default();
    let owners = Owners::new(store.students()?.into_iter().chain(there));
    Ok(marks(whom).into_iter().filter(|m| *m == whom.owner || !owners.knows(m)).collect())
}

fn marks(whom: &Whom) -> BTreeSet<String> {
    let spelled = whom.names.iter().flat_map(|n| [slug(Some(n)), slug_as_spelled(n)]);
    spelled.chain([whom.owner.clone()]).collect()
}

/// Takes an erased student in again; whether there was one.
pub fn welcome(store: &Store, mut far: Far, whom: &Whom) -> Result<bool> {
    let mut was = false;
    for mark in marks(whom) {
        was |= store.welcome(&mark)?;
        was |= far.as_deref_mut().map(|f| f.welcome(&mark)).transpose()?.unwrap_or_default();
    }
    Ok(was)
}

fn roster_of(inbox: Option<&Path>) -> Roster {
    inbox.map(|i| i.join("roster.toml")).filter(|r| r.is_file()).and_then(|r| Roster::load(Some(&r)).ok()).unwrap_or_default()
}

/// Erases the student here and in `far`, the database of many machines. The sheet is to be written again then, and [`prove`] to
/// be asked what is left.
pub fn forget(out: &OutFolder, store: &mut Store, mut far: Far, whom: &Whom) -> Result<Forgotten> {
    // first of all: from now on no run takes the student in, and no machine records what it has at hand
    for mark in marks_beside(store, far.as_deref_mut(), whom)? {
        if mark == whom.owner {
            store.forget(&mark, ON_REQUEST)?;
            far.as_deref_mut().map(|f| f.forget(&mark, ON_REQUEST)).transpose()?;
        } else {
            store.forget_spelled(&whom.owner, &mark)?;
            far.as_deref_mut().map(|f| f.forget_spelled(&whom.owner, &mark)).transpose()?;
        }
    }
    store.end_leases(&whom.owner)?;
    far.as_deref_mut().map(|f| f.end_leases(&whom.owner)).transpose()?;
    let held = held_by(out, store, far.as_deref_mut(), &whom.owner)?;
    let mut done = Forgotten { clips: held.iter().filter(|h| h.judged).count(), ..Forgotten::default() };
    done.files += out.erase_reports(&whom.owner)? + out.erase_exports(&whom.owner)? + out.erase_answers(&whom.owner)?;
    for h in &held {
        done.files += remove_seen(out, h)?;
    }
    let alone: BTreeSet<&str> = held.iter().filter(|h| !h.shared).map(|h| h.clip.as_str()).collect();
    out.erase_staging(&whom.owner, &alone)?;
    let ids: BTreeSet<&str> = held.iter().map(|h| h.clip.as_str()).collect();
    done.log_lines = clean_logs(out, &ids)?;
    clean_quarantine(out, whom, &ids)?;
    clean_ruler(out, &held)?;
    clean_night(store, whom)?;
    skipped::clean(out)?;
    store.erase(&whom.owner, &held)?;
    store.erase_names(&whom.owner)?;
    if let Some(far) = far {
        far.erase(&whom.owner, &held)?;
    }
    done.held = held;
    if let Some(inbox) = store.note(INBOX)?.map(PathBuf::from).filter(|i| i.is_dir()) {
        let uploads = walk(&inbox, &roster_of(Some(&inbox)), &Settings::default())?.uploads;
        let theirs = |u: &Upload| u.brief.student.as_deref().is_some_and(|s| goes_by(whom, s));
        done.inbox_left = uploads.into_iter().filter(theirs).map(|u| u.path).collect();
    }
    Ok(done)
}

/// The proof of an erasure, once the sheet was written again: looks through the whole out folder for what is left.
pub fn prove(out: &OutFolder, store: &Store, whom: &Whom, done: &mut Forgotten) -> Result<()> {
    store.compact()?;
    done.still_found = search(out, store, whom, &done.held)?;
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
pub(super) fn without_rows(out: &OutFolder, store: &Store) -> Result<Vec<(String, Report)>> {
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
    out.erase_exports(owner)?;
    out.erase_answers(owner)?;
    place::remove(&out.report(owner, clip)?)?;
    for h in held {
        remove_seen(out, h)?;
    }
    clean_logs(out, &BTreeSet::from([clip]))?;
    clean_ruler(out, held)?;
    store.erase(owner, held)?;
    if store.held_by(owner)?.is_empty() {
        store.erase_names(owner)?;
    }
    Ok(())
}

/// Drops the refusals of uploads that may be opened by now or went away: `names` are all in the inbox, `identified` those that
/// were looked at. What lies below a folder that is `unreadable` may still be there.
pub(super) fn mended(
    out: &OutFolder,
    store: &mut Store,
    names: &BTreeSet<String>,
    unreadable: &[String],
    identified: &[Identified],
) -> Result<()> {
    let hidden = |file: &str| unreadable.iter().any(|folder| Path::new(file).starts_with(folder));
    let gone = |file: &String| !names.contains(file) && !hidden(file);
    let fine: BTreeSet<&str> = identified.iter().filter(|(_, i)| i.is_ok()).map(|(u, _)| u.brief.file.as_str()).collect();
    let rows = store.results()?.into_iter().map(|(s, _)| (s.owner, s.report));
    for (owner, report) in rows.chain(without_rows(out, store)?) {
        let clip = &report.clip;
        if clip.sha256 == placeholder_sha256(&clip.file) && (fine.contains(clip.file.as_str()) || gone(&clip.file)) {
            place::remove(&out.report(&owner, &clip.id)?)?;
            let held: Vec<Held> = store.held_by(&owner)?.into_iter().filter(|h| h.clip == clip.id).collect();
            store.erase(&owner, &held)?;
        }
    }
    Ok(())
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
            let names: BTreeSet<String> = store.names()?.into_iter().filter(|(o, _)| *o == owner).map(|(_, n)| n).collect();
            let name = clip.student.unwrap_or_default();
            let whom = Whom { names: names.into_iter().chain([name.clone()]).collect(), name, owner: owner.clone(), clips: 0 };
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
    let keypoints = out.keypoints(&held.clip)?;
    let there = usize::from(keypoints.is_file());
    place::remove(&keypoints)?;
    Ok(there + out.erase_pictures(&held.clip)?)
}

/// Drops the log lines about these clips.
fn clean_logs(out: &OutFolder, ids: &BTreeSet<&str>) -> Result<usize> {
    let mut dropped = 0;
    for file in WalkDir::new(out.folder("logs")?).min_depth(1).max_depth(1).into_iter().filter_map(std::result::Result::ok) {
        let path = file.path();
        if !file.file_type().is_file() || !ours::log(&file.file_name().to_string_lossy()) {
            continue;
        }
        let text = std::fs::read_to_string(path).map_err(Error::file(path))?;
        let kept: String = text.split_inclusive('\n').filter(|l| !ids.iter().any(|id| l.contains(id))).collect();
        if kept.len() < text.len() {
            dropped += text.lines().count() - kept.lines().count();
            place::write(path, kept.as_bytes())?;
        }
    }
    Ok(dropped)
}

/// Whether a name is one of theirs.
fn goes_by(whom: &Whom, name: &str) -> bool {
    whom.names.iter().any(|n| same(n, name))
}

fn clean_quarantine(out: &OutFolder, whom: &Whom, ids: &BTreeSet<&str>) -> Result<()> {
    let path = out.root().join("quarantine.json");
    let Ok(text) = std::fs::read_to_string(&path) else { return Ok(()) };
    let mut all: Vec<serde_json::Value> = serde_json::from_str(&text).unwrap_or_default();
    let before = all.len();
    let theirs = |q: &serde_json::Value| {
        q["student"].as_str().is_some_and(|s| goes_by(whom, s)) && q["clip"].as_str().is_none_or(|clip| ids.contains(clip))
    };
    all.retain(|q| !theirs(q));
    if all.len() < before {
        let text = serde_json::to_string_pretty(&all).map_err(|e| Error::Internal(e.to_string()))?;
        place::write(&path, text.as_bytes())?;
    }
    Ok(())
}

/// Names these clips no longer among those that what was adopted rests on. A file that cannot be read is left to whoever wrote it: the
/// search says what is in it.
fn clean_ruler(out: &OutFolder, held: &[Held]) -> Result<()> {
    let alone: BTreeSet<&str> = held.iter().filter(|h| !h.shared).map(|h| h.clip.as_str()).collect();
    let Ok(mut own) = Own::read(out.root()) else { return Ok(()) };
    if own.forget(&alone) { own.write(out.root()) } else { Ok(()) }
}

/// Drops the student's uploads from the account of the last run.
fn clean_night(store: &Store, whom: &Whom) -> Result<()> {
    let Some(mut night) = store.note(NIGHT)?.and_then(|t| serde_json::from_str::<Summary>(&t).ok()) else { return Ok(()) };
    // accounts of earlier versions do not say the folder name
    let theirs = |l: &Line| if l.owner.is_empty() { l.student.as_deref().is_some_and(|s| goes_by(whom, s)) } else { l.owner == whom.owner };
    night.lines.retain(|l| !theirs(l));
    let names: Vec<String> = whom.names.iter().map(|n| folded(n)).filter(|n| !n.is_empty()).collect();
    night.disagreements.retain(|d| !names.iter().any(|n| folded(d).contains(n)));
    store.set_note(NIGHT, &serde_json::to_string(&night).map_err(|e| Error::Internal(e.to_string()))?)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::intake::Brief;
    use crate::judge::{self, Identity};
    use crate::pose::models::{ModelChoice, Models};
    use crate::report::ReasonCode;

    /// By a function: no folder is unreadable to root, under whom tests may run.
    #[test]
    fn a_refusal_below_a_folder_that_cannot_be_read_stays_until_one_can_look() {
        let folder = tempfile::tempdir().unwrap();
        let out = OutFolder::open(folder.path()).unwrap();
        let mut store = Store::open(&folder.path().join("dawnsheet.sqlite")).unwrap();
        for file in ["Ada/a.mp4", "Adam/b.mp4"] {
            let identity = Identity { sha256: placeholder_sha256(file), bytes: 1, brief: Brief { file: file.into(), ..Brief::default() } };
            let reason = ReasonCode::NotAllowed.reason();
            let report = judge::failed(&identity, reason, ModelChoice::Accurate, &Models::locate(), &Settings::default());
            store.record("unassigned", "key", "{}", &report, None).unwrap();
        }
        let mut left = |unreadable: &[String]| -> Vec<String> {
            mended(&out, &mut store, &BTreeSet::new(), unreadable, &[]).unwrap();
            store.results().unwrap().into_iter().map(|(s, _)| s.report.clip.file).collect()
        };
        assert_eq!(left(&["Ada".to_string()]), ["Ada/a.mp4"]);
        assert!(left(&[]).is_empty(), "gone indeed");
    }
}
