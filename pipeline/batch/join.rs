//! One student whose results are kept under several folder names (spellings that were taken for two people, or folders that
//! became aliases since): what would be joined, and joining it. Nothing is joined unasked.

use super::forget::without_rows;
use crate::error::{Error, Result};
use crate::history::Store;
use crate::intake::Roster;
use crate::intake::names::folded;
use crate::judge::Identity;
use crate::place::{self, OutFolder};
use std::collections::{BTreeMap, BTreeSet};

/// What is kept under one folder name.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Part {
    pub owner: String,
    /// Names as spelled in its reports.
    pub names: BTreeSet<String>,
    pub clips: usize,
}

/// One name that is kept in several places.
#[derive(Debug, Clone, PartialEq)]
pub struct Split {
    /// As the roster or the largest part spells it.
    pub name: String,
    /// The largest first: it takes the others in.
    pub parts: Vec<Part>,
}

/// Every student who is kept in several places, by the rule for names and the roster's aliases.
pub fn splits(out: &OutFolder, store: &Store, roster: &Roster) -> Result<Vec<Split>> {
    let rows = store.results()?.into_iter().map(|(s, _)| (s.owner, s.report));
    let mut found: BTreeMap<String, BTreeMap<String, Part>> = BTreeMap::new();
    for (owner, report) in rows.chain(without_rows(out, store)?) {
        let Some(name) = report.clip.student else { continue };
        let called = roster.find(&name).map_or_else(|| folded(&name), |s| folded(&s.name));
        let part = found.entry(called).or_default().entry(owner.clone()).or_insert_with(|| Part { owner, ..Part::default() });
        part.names.insert(name);
        part.clips += 1;
    }
    let several = found.into_values().filter(|parts| parts.len() > 1);
    Ok(several
        .map(|parts| {
            let mut parts: Vec<Part> = parts.into_values().collect();
            parts.sort_by(|a, b| b.clips.cmp(&a.clips).then_with(|| a.owner.cmp(&b.owner)));
            let spelled = parts[0].names.first().cloned().unwrap_or_default();
            Split { name: roster.find(&spelled).map_or(spelled, |s| s.name.clone()), parts }
        })
        .collect())
}

/// Joins them. Broken off anywhere, asking again completes it. The sheet is to be written again then.
pub fn join(out: &OutFolder, store: &mut Store, split: &Split) -> Result<()> {
    let broken = |e: serde_json::Error| Error::Internal(e.to_string());
    let into = split.parts[0].owner.as_str();
    let owners: BTreeSet<&str> = split.parts.iter().map(|p| p.owner.as_str()).collect();
    for (stored, identity) in store.results()?.into_iter().filter(|(s, _)| owners.contains(s.owner.as_str())) {
        let (mut report, mut identity): (_, Identity) = (stored.report, serde_json::from_str(&identity).map_err(broken)?);
        let id = report.clip.id.clone();
        if stored.owner == into && report.clip.student.as_ref() == Some(&split.name) {
            continue;
        }
        report.clip.student = Some(split.name.clone());
        identity.brief.student = Some(split.name.clone());
        // the same clip in two places: that of the larger part stays
        if stored.owner == into || store.result(into, &id)?.is_none() {
            place::write(&out.report(into, &id)?, report.to_json().as_bytes())?;
        }
        store.move_result(&stored.owner, into, &report, &serde_json::to_string(&identity).map_err(broken)?)?;
    }
    for part in split.parts.iter().filter(|p| p.owner != into) {
        // before the files: as long as one lies there, asking again finds that something is left to do
        store.move_rest(&part.owner, into)?;
        for (_, report) in without_rows(out, store)?.into_iter().filter(|(owner, _)| *owner == part.owner) {
            let (from, to) = (out.report(&part.owner, &report.clip.id)?, out.report(into, &report.clip.id)?);
            if to.is_file() { place::remove(&from)? } else { place::put(&from, &to)? }
        }
        out.erase_exports(&part.owner)?;
        // made under the former name; they are made anew in a moment
        out.erase_answers(&part.owner)?;
        out.erase_reports(&part.owner)?;
    }
    Ok(())
}
