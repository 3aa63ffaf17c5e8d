//! Planning an inbox into the queue: what a night on one machine would do itself becomes jobs; what is done, refused or to be
//! forgotten does not.

use super::engine::{Added, ClipJob, Queue};
use super::media::Media;
use super::stores::StoreAt;
use crate::batch::schedule::fair_order;
use crate::error::{Error, Result};
use crate::history::erased::Held;
use crate::history::{Owners, Results};
use crate::intake::admit::placeholder_sha256;
use crate::intake::{Brief, Roster, Upload};
use crate::judge::{self, Identity};
use crate::pose::models::{ModelChoice, Models, hex};
use crate::report::{Reason, ReasonCode};
use crate::settings::Settings;
use rayon::prelude::*;
use sha2::{Digest, Sha256};
use std::collections::{BTreeMap, BTreeSet};

/// What is to be planned.
pub struct Enqueue {
    pub inbox: Media,
    pub store: StoreAt,
    /// Where the workers will look; `None`: in the inbox itself.
    pub media: Option<Media>,
    /// Whose inbox it is.
    pub coach: String,
    pub settings: Settings,
    pub roster: Roster,
    pub choice: ModelChoice,
    /// How often a clip is tried at most.
    pub attempts: i16,
    pub retry_failed: bool,
}

/// What became of the inbox.
#[derive(Debug, Default, serde::Serialize)]
pub struct Planned {
    pub uploads: usize,
    #[serde(flatten)]
    pub jobs: Added,
    pub done: usize,
    pub repeats: usize,
    pub refused: usize,
    pub forgotten: usize,
    /// File and why it waits for the next time.
    pub waiting: Vec<(String, String)>,
    /// Folders of the inbox that cannot be read.
    pub unreadable_folders: Vec<String>,
}

/// Name of the note that holds settings.
fn note_of(settings: &str) -> String {
    format!("settings {}", hex(&Sha256::digest(settings)))
}

/// Keeps the settings in the store once, however many jobs name them; the name.
pub fn keep_settings(store: &mut dyn Results, settings: &Settings) -> Result<String> {
    let text = serde_json::to_string(settings).map_err(|e| Error::Internal(e.to_string()))?;
    let name = note_of(&text);
    if store.note(&name)?.is_none() {
        store.set_note(&name, &text)?;
    }
    Ok(name)
}

type Identified = (Upload, std::result::Result<Identity, Reason>);

/// Plans the inbox. Errors: usage, database.
pub fn enqueue(plan: &Enqueue, queue: &Queue) -> Result<Planned> {
    let models = Models::locate();
    let mut store = plan.store.open(&plan.coach)?;
    let found = plan.inbox.uploads(&plan.roster, &plan.settings)?;
    let mut planned = Planned { uploads: found.uploads.len(), unreadable_folders: found.unreadable, ..Planned::default() };
    let mut ready = Vec::new();
    for u in found.uploads {
        let lacks = || plan.media.as_ref().and_then(|m| m.lacks(&u.brief.file, u.bytes));
        match u.waits.clone().or_else(|| unstorable(&u.brief)).or_else(lacks) {
            Some(why) => planned.waiting.push((u.brief.file, why)),
            None => ready.push(u),
        }
    }
    let identified: Vec<Identified> = ready
        .into_par_iter()
        .map(|u| {
            let admitted = plan.inbox.admit(&u, &plan.settings);
            let identity = admitted.map(|a| Identity { sha256: a.sha256, bytes: a.bytes, brief: u.brief.clone() });
            (u, identity)
        })
        .collect();
    replaced(plan, &identified, queue, store.as_mut())?;
    let settings = keep_settings(store.as_mut(), &plan.settings)?;
    let jobs = jobs(plan, identified, &models, store.as_mut(), &settings, &mut planned)?;
    queue.renew(&made_before(&jobs, store.as_mut())?)?;
    let (added, refused) = queue.add(&jobs, plan.attempts, plan.retry_failed)?;
    planned.jobs = added;
    planned.waiting.extend(refused.into_iter().map(|(i, why)| {
        let file = jobs[i].2.identity.brief.file.clone();
        (file, format!("the database refuses what is known about it ({why}): look at its name, sidecar and roster entry"))
    }));
    Ok(planned)
}

/// Takes what was given up off the sheet and out of the queue where another file lies under its name by now: sent again, it is
/// another clip. And what was refused, where it may be opened by now.
fn replaced(plan: &Enqueue, identified: &[Identified], queue: &Queue, store: &mut dyn Results) -> Result<()> {
    let owners = Owners::new(store.students()?);
    let sha256 =
        |(u, i): &Identified| Some(((owners.of(u.brief.student.as_deref()), u.brief.file.clone()), i.as_ref().ok()?.sha256.clone()));
    let there: BTreeMap<(String, String), String> = identified.iter().filter_map(sha256).collect();
    for (job, last, _) in queue.given_up()?.into_iter().filter(|(job, ..)| job.coach == plan.coach) {
        let now = there.get(&(job.owner.clone(), job.identity.brief.file.clone()));
        if now.is_some_and(|sha256| *sha256 != job.identity.sha256) {
            // the job first: a machine would tell of it again
            queue.remove(&[last.job])?;
            store.retract(&job.owner, job.identity.id())?;
        }
    }
    let fine: BTreeSet<&str> = identified.iter().filter(|(_, i)| i.is_ok()).map(|(u, _)| u.brief.file.as_str()).collect();
    for (stored, _) in store.results()? {
        let clip = &stored.report.clip;
        if fine.contains(clip.file.as_str()) && clip.sha256 == placeholder_sha256(&clip.file) {
            let held: Vec<Held> = store.held_by(&stored.owner)?.into_iter().filter(|h| h.clip == clip.id).collect();
            store.erase(&stored.owner, &held)?;
        }
    }
    Ok(())
}

/// Of clips that have a result under another key: key of the new job, and the newest job that made the result.
fn made_before(jobs: &[(String, i16, ClipJob)], store: &mut dyn Results) -> Result<Vec<(String, i64)>> {
    let mut made = Vec::new();
    for (key, _, job) in jobs {
        match store.newest_job(&job.owner, job.identity.id())? {
            0 => {}
            newest => made.push((key.clone(), newest)),
        }
    }
    Ok(made)
}

/// Why PostgreSQL cannot hold what is known about a clip: its text has no NUL.
fn unstorable(brief: &Brief) -> Option<String> {
    let known = [Some(&brief.file), brief.student.as_ref(), brief.club.as_ref(), brief.note.as_ref(), brief.working_on.as_ref()];
    let nul = known.into_iter().flatten().any(|text| text.contains('\0'));
    nul.then(|| "its name, note or roster entry holds a NUL character, which the database cannot keep: write it without".into())
}

fn jobs(
    plan: &Enqueue,
    identified: Vec<Identified>,
    models: &Models,
    store: &mut dyn Results,
    settings: &str,
    planned: &mut Planned,
) -> Result<Vec<(String, i16, ClipJob)>> {
    let owners = Owners::new(store.students()?);
    let mut owners_of: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
    for (u, identity) in &identified {
        if let Ok(i) = identity {
            owners_of.entry(i.sha256.clone()).or_default().insert(owners.of(u.brief.student.as_deref()));
        }
    }
    let (mut tasks, mut taken) = (Vec::new(), BTreeSet::new());
    for (upload, identity) in identified {
        let owner = owners.of(upload.brief.student.as_deref());
        let mut forgotten = false;
        for mark in owners.marks(&owner, upload.brief.student.as_deref()) {
            forgotten |= store.forgotten(&mark)?.is_some();
        }
        let mut identity = match identity {
            _ if forgotten => {
                planned.forgotten += 1;
                continue;
            }
            Ok(identity) => identity,
            Err(reason) if reason.code == ReasonCode::Unreadable && matches!(plan.inbox, Media::Objects(_)) => {
                // the network's fault, not the clip's
                planned.waiting.push((upload.brief.file, reason.text));
                continue;
            }
            Err(reason) => {
                refuse(plan, &upload, &owner, reason, models, store)?;
                planned.refused += 1;
                continue;
            }
        };
        if store.forgotten(&format!("{owner}/{}", identity.sha256))?.is_some() {
            planned.forgotten += 1;
        } else if !taken.insert((owner.clone(), identity.sha256.clone())) {
            planned.repeats += 1;
        } else {
            identity.brief.sent_by_another = owners_of.get(&identity.sha256).is_some_and(|o| o.len() > 1);
            let key = crate::batch::key(&identity, plan.choice, models, &plan.settings);
            if store.done_key(&owner, identity.id())?.as_deref() == Some(&key) {
                planned.done += 1;
            } else {
                tasks.push((owner, key, identity));
            }
        }
    }
    let mut rounds: BTreeMap<String, i16> = BTreeMap::new();
    Ok(fair_order(tasks, |(owner, _, i)| (owner, i.bytes, &i.brief.file))
        .into_iter()
        .map(|(owner, key, identity)| {
            let round = rounds.entry(owner.clone()).or_default();
            *round = round.saturating_add(1);
            let (coach, choice, settings) = (plan.coach.clone(), plan.choice, settings.to_string());
            (format!("{coach}/{owner}/{key}"), *round, ClipJob { coach, owner, identity, choice, settings })
        })
        .collect())
}

/// What may not be opened needs no worker: its report is its result.
fn refuse(plan: &Enqueue, upload: &Upload, owner: &str, reason: Reason, models: &Models, store: &mut dyn Results) -> Result<()> {
    let identity = Identity { sha256: placeholder_sha256(&upload.brief.file), bytes: upload.bytes, brief: upload.brief.clone() };
    let report = judge::failed(&identity, reason, plan.choice, models, &plan.settings);
    let key = crate::batch::key(&identity, plan.choice, models, &plan.settings);
    let text = serde_json::to_string(&identity).map_err(|e| Error::Internal(e.to_string()))?;
    if store.done_key(owner, identity.id())?.as_deref() == Some(&key) && store.result(owner, identity.id())?.as_ref() == Some(&report) {
        return Ok(());
    }
    store.record_under(None, owner, &key, &text, &report, None)
}
