//! What the night has to do: which uploads are done, repeats, refused, set aside or forgotten, and in which order the rest.

use super::forget::ON_REQUEST;
use super::schedule::fair_order;
use super::summary::{Line, Place, Summary, why_not};
use crate::error::{Error, Result};
use crate::history::{Owners, Store};
use crate::intake::admit::placeholder_sha256;
use crate::intake::names::same;
use crate::intake::{Brief, Roster, Upload};
use crate::judge::{self, ENGINE, Identity};
use crate::measure::budget::judging_sha256;
use crate::place::{self, OutFolder};
use crate::pose::models::{ModelChoice, Models, hex};
use crate::report::types::SCHEMA;
use crate::report::{Reason, Report};
use crate::settings::Settings;
use sha2::{Digest, Sha256};
use std::collections::{BTreeMap, BTreeSet};

/// Key under which a clip is done: bytes, models, settings, the other inputs, all that judges, engine and report version.
pub fn key(identity: &Identity, choice: ModelChoice, models: &Models, settings: &Settings) -> String {
    key_of_looks(ENGINE, identity, choice, models, settings)
}

/// As [`key`], of looks that another version's engine had: never what a run of this version counts as done.
pub(super) fn key_of_looks(engine: &str, identity: &Identity, choice: ModelChoice, models: &Models, settings: &Settings) -> String {
    let measured_by = Brief { working_on: None, ..identity.brief.clone() };
    let brief = serde_json::to_string(&measured_by).unwrap_or_default();
    let parts = [
        &identity.sha256,
        &models.combined_sha256(choice),
        &settings.sha256(),
        &brief,
        choice.name(),
        &judging_sha256(&settings.own),
        engine,
        SCHEMA,
    ];
    hex(&Sha256::digest(parts.join("\n")))
}

/// One clip to work on.
pub(super) struct Task {
    pub upload: Upload,
    pub identity: Identity,
    pub owner: String,
    pub key: String,
}

pub(super) fn line(u: &Upload, owner: &str, place: Place, clip: Option<&str>, new: bool, note: String) -> Line {
    let (file, student) = (u.brief.file.clone(), u.brief.student.clone());
    Line { file, student, owner: owner.into(), place, clip: clip.map(Into::into), new, note, tonight: new }
}

pub(super) fn report_line(u: &Upload, owner: &str, report: &Report, new: bool) -> Line {
    let place = Place::of(report);
    let because = || report.needs_look_because.first().cloned();
    let note = match place {
        Place::Failed => report.reasons.first().map(|r| format!("{}: {}", r.text, r.advice)),
        // a view that was meant asks for no look, but why there is no verdict is told
        Place::CannotMeasure => because().or_else(|| why_not(report).map(Into::into)),
        _ => because(),
    };
    let note = note.unwrap_or_default();
    line(u, owner, place, Some(&report.clip.id), new, note)
}

/// What a plan depends on besides the uploads.
pub(super) struct Asked<'a> {
    pub choice: ModelChoice,
    pub settings: &'a Settings,
    pub roster: &'a Roster,
    pub retry_failed: bool,
}

/// An upload with its bytes' identity, or why it may not be opened.
pub(super) type Identified = (Upload, std::result::Result<Identity, Reason>);

/// Sorts the identified uploads: repeats and what is done go to the summary, what was refused gets its report and row at once,
/// the rest is the work list, in the order of work: new clips, then those to be measured again.
pub(super) fn plan(
    identified: Vec<Identified>,
    asked: &Asked,
    owners: &Owners,
    out: &OutFolder,
    models: &Models,
    store: &mut Store,
    summary: &mut Summary,
) -> Result<Vec<Task>> {
    let mut owners_of: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
    for (u, identity) in &identified {
        if let Ok(i) = identity {
            owners_of.entry(i.sha256.clone()).or_default().insert(owners.of(u.brief.student.as_deref()));
        }
    }
    let mut first_of: BTreeMap<(String, String), String> = BTreeMap::new();
    let mut tasks = Vec::new();
    for (upload, identity) in identified {
        let owner = owners.of(upload.brief.student.as_deref());
        let bytes = identity.as_ref().map_or_else(|_| placeholder_sha256(&upload.brief.file), |i| i.sha256.clone());
        if let Some(why) = forgotten(store, owners, &owner, upload.brief.student.as_deref(), &bytes)? {
            summary.lines.push(line(&upload, &owner, Place::Forgotten, None, false, why));
            continue;
        }
        store.add_names(&owner, names(&upload, asked.roster))?;
        let mut identity = match identity {
            Ok(identity) => identity,
            Err(reason) => {
                summary.lines.push(refuse(&upload, &owner, reason, asked, out, models, store)?);
                continue;
            }
        };
        if let Some(first) = first_of.get(&(owner.clone(), identity.sha256.clone())) {
            summary.lines.push(line(&upload, &owner, Place::Repeat, Some(identity.id()), true, format!("the same clip as {first}")));
            continue;
        }
        first_of.insert((owner.clone(), identity.sha256.clone()), upload.brief.file.clone());
        identity.brief.sent_by_another = owners_of.get(&identity.sha256).is_some_and(|o| o.len() > 1);
        let key = key(&identity, asked.choice, models, asked.settings);
        let done = store.done_key(&owner, identity.id())?;
        if done.as_deref() == Some(&key)
            && let Some(report) = store.result(&owner, identity.id())?
        {
            let text = serde_json::to_string(&identity).map_err(|e| Error::Internal(e.to_string()))?;
            store.refresh_identity(&owner, identity.id(), &text)?;
            summary.lines.push(report_line(&upload, &owner, &report, false));
            continue;
        }
        if asked.retry_failed {
            store.clear_failures(&key)?;
        } else if store.failures(&key)? >= asked.settings.night.max_attempts {
            const WHY: &str = "its worker failed before; --retry-failed tries again";
            summary.lines.push(line(&upload, &owner, Place::Quarantined, Some(identity.id()), false, WHY.into()));
            continue;
        }
        tasks.push((done.is_some(), Task { upload, identity, owner, key }));
    }
    // after an upgrade all that still lies there is measured again: what nobody has seen yet does not wait for it
    let (again, new): (Vec<_>, Vec<_>) = tasks.into_iter().partition(|(known, _)| *known);
    let ordered = |tasks: Vec<(bool, Task)>| {
        fair_order(tasks.into_iter().map(|(_, task)| task).collect(), |t: &Task| (&t.owner, t.upload.bytes, &t.upload.brief.file))
    };
    Ok(ordered(new).into_iter().chain(ordered(again)).collect())
}

/// Why these bytes of this student are to be skipped, where one or the other was erased on purpose.
pub(super) fn forgotten(store: &Store, owners: &Owners, owner: &str, student: Option<&str>, sha256: &str) -> Result<Option<String>> {
    let mut marks = owners.marks(owner, student);
    marks.push(format!("{owner}/{sha256}"));
    let why = marks.iter().find_map(|what| store.forgotten(what).transpose()).transpose()?;
    // of another spelling a digest is kept in place of the reason
    Ok(why.map(|why| if why.contains(' ') { why } else { ON_REQUEST.into() }))
}

/// Every name by which an upload's student goes: as reported, the folder's where that led to the student, the roster's.
fn names<'a>(upload: &'a Upload, roster: &'a Roster) -> Vec<&'a str> {
    let Some(name) = upload.brief.student.as_deref() else { return Vec::new() };
    let known = roster.find(name);
    let folder = upload.brief.file.split_once('/').map(|(first, _)| first);
    let leads_here = |f: &&str| same(f, name) || known.is_some_and(|s| s.names().any(|n| same(n, f)));
    std::iter::once(name).chain(folder.filter(leads_here)).chain(known.into_iter().flat_map(|s| s.names())).collect()
}

/// What may not be opened needs no worker: its report is its result, and kept like any other.
fn refuse(
    upload: &Upload,
    owner: &str,
    reason: Reason,
    asked: &Asked,
    out: &OutFolder,
    models: &Models,
    store: &mut Store,
) -> Result<Line> {
    let identity = Identity { sha256: placeholder_sha256(&upload.brief.file), bytes: upload.bytes, brief: upload.brief.clone() };
    let report = judge::failed(&identity, reason, asked.choice, models, asked.settings);
    let known = store.result(owner, identity.id())?.as_ref() == Some(&report);
    place::write(&out.report(owner, identity.id())?, report.to_json().as_bytes())?;
    if !known {
        let text = serde_json::to_string(&identity).map_err(|e| Error::Internal(e.to_string()))?;
        store.record(owner, &key(&identity, asked.choice, models, asked.settings), &text, &report, None)?;
    }
    Ok(report_line(upload, owner, &report, !known))
}
