//! Judging again from what was kept: no video is read, no model runs.

use super::in_force;
use super::interrupt::Interrupt;
use super::take_in::is_taken_in;
use crate::error::{Error, Result};
use crate::history::Store;
use crate::history::elsewhere::{self, Reach};
use crate::history::marked::{Kind, Marked};
use crate::judge::{self, ENGINE, Identity};
use crate::measure::budget::judging_sha256;
use crate::place::{self, OutFolder};
use crate::pose::models::Models;
use crate::report::types::Verdict;
use crate::report::{Report, printable};
use crate::ruler::decide::Decided;
use crate::seen::Seen;
use crate::settings::Settings;

/// Judges one clip from its kept look and puts report and row in place; none where what is kept cannot be read.
pub fn rejudge_one(
    out: &OutFolder,
    store: &mut Store,
    owner: &str,
    identity: &Identity,
    choice: crate::pose::models::ModelChoice,
    models: &Models,
    settings: &Settings,
) -> Result<Option<Report>> {
    let seen = match Seen::read(&out.keypoints(identity.id())?) {
        Ok(seen) => seen,
        Err(Error::File { .. }) => return Ok(None),
        Err(e) => return Err(e),
    };
    let identity = &with_club(identity, settings);
    let mut report = judge::judge(&seen, identity, choice, models, settings);
    Decided::of(&store.marked()?)?.decide(owner, &mut report, &identity.brief, settings);
    place::write(&out.report(owner, identity.id())?, report.to_json().as_bytes())?;
    let key = match seen.about.seen_by.as_ref().map_or("earlier", |by| by.engine.as_str()) {
        _ if is_taken_in(out, identity)? => super::key(identity, choice, models, settings),
        engine => super::plan::key_of_looks(engine, identity, choice, models, settings),
    };
    let text = serde_json::to_string(identity).map_err(|e| Error::Internal(e.to_string()))?;
    store.record(owner, &key, &text, &report, None)?;
    Ok(Some(report))
}

/// Lets what the coach measured by hand of a clip decide it (`Kind::Decides`) or the program again (`Kind::DecidesNot`), at once.
/// `far`: where the coach's marks are kept, if not here alone. Errors: usage, where nothing was measured or what was seen of the clip
/// is no longer kept.
pub fn decide_by(
    out: &OutFolder,
    store: &mut Store,
    far: Option<&Reach>,
    (owner, clip): (&str, &str),
    kind: Kind,
    models: &Models,
) -> Result<Report> {
    let own = |m: &Marked| m.owner == owner && m.clip == clip;
    if !store.marked()?.iter().any(|m| own(m) && matches!(m.kind, Kind::Marked | Kind::Again)) {
        return Err(Error::Usage("this clip is not measured by hand yet: dawnsheet desk, then “Measure it by hand” on its page".into()));
    }
    if !out.keypoints(clip)?.is_file() {
        return Err(Error::Usage("what was seen of this clip is no longer kept: run again with the clip".into()));
    }
    let row =
        Marked { owner: owner.into(), clip: clip.into(), kind, made_at: String::new(), marks: String::from("{}"), by_hand: String::new() };
    elsewhere::say(store, far, |s| s.add_marked(&[row]))?;
    rejudge_again(out, store, (owner, clip), models)?.ok_or_else(|| Error::Internal("a listed clip is gone".into()))
}

/// Judges one stored clip again by the settings in force; none where it is not stored, or its look is no longer kept.
pub fn rejudge_again(out: &OutFolder, store: &mut Store, (owner, clip): (&str, &str), models: &Models) -> Result<Option<Report>> {
    let settings = in_force::settings(store)?.adopted_in(out.root())?;
    let Some((stored, identity)) = store.results()?.into_iter().find(|(s, _)| s.owner == owner && s.report.clip.id == clip) else {
        return Ok(None);
    };
    let identity: Identity = serde_json::from_str(&identity).map_err(|e| Error::Internal(e.to_string()))?;
    rejudge_one(out, store, owner, &identity, stored.report.engine.pose_model, models, &settings)
}

/// Earlier versions did not read the club from the file's name: without it a student's clips would fall into two histories.
fn with_club(identity: &Identity, settings: &Settings) -> Identity {
    let mut identity = identity.clone();
    if identity.brief.club_source.is_none() {
        let by_sidecar = identity.brief.club.take();
        identity.brief.set_club(by_sidecar, &settings.clubs);
    }
    identity
}

/// How many were judged again, how many changed their verdict, and how many have no kept look.
#[derive(Debug, Default, Clone, serde::Serialize)]
pub struct Rejudged {
    pub judged: usize,
    /// Which: the file, its verdict before and now.
    pub changed: Vec<String>,
    pub without_look: usize,
    /// Of those judged, how many by looks of an earlier version.
    pub earlier: usize,
    /// What other settings than those in force changed, and how to go back.
    pub other_settings: Option<String>,
}

/// Judges every stored result again.
pub fn rejudge_all(out: &OutFolder, store: &mut Store, models: &Models, settings: &Settings) -> Result<Rejudged> {
    let other = in_force::other(out, store, settings)?;
    let mut count = rejudge_those(out, store, models, settings, |_| true)?;
    in_force::set(store, settings)?;
    count.other_settings = other.map(|o| o.told(store, settings)).transpose()?;
    Ok(count)
}

/// Judges again what another version judged: of a student's clips all are judged by one, or a trend would tell the program's
/// change as the golfer's. Clips may have left the inbox since; what was seen of them is kept.
pub fn rejudge_other_versions(
    out: &OutFolder,
    store: &mut Store,
    models: &Models,
    settings: &Settings,
    interrupt: &Interrupt,
) -> Result<Rejudged> {
    let this = judging_sha256(&settings.own);
    rejudge_those(out, store, models, settings, |r| r.engine.judging_sha256 != this && !interrupt.draining())
}

fn rejudge_those(
    out: &OutFolder,
    store: &mut Store,
    models: &Models,
    settings: &Settings,
    which: impl Fn(&Report) -> bool,
) -> Result<Rejudged> {
    let mut count = Rejudged::default();
    for (stored, identity) in store.results()? {
        if !which(&stored.report) {
            continue;
        }
        let identity: Identity = serde_json::from_str(&identity).map_err(|e| Error::Internal(e.to_string()))?;
        let choice = stored.report.engine.pose_model;
        // looks of an earlier version are judged by what is measured today, and measured anew by the next run that has the clip
        let report = rejudge_one(out, store, &stored.owner, &identity, choice, models, settings)?;
        let Some(report) = report else {
            count.without_look += 1;
            continue;
        };
        count.earlier +=
            usize::from(!is_taken_in(out, &identity)? && !store.has_seen(&identity.sha256, &models.combined_sha256(choice), ENGINE)?);
        count.judged += 1;
        if report.verdict != stored.report.verdict {
            let words = |v: Option<Verdict>| v.map_or("no swing measured", Verdict::words);
            let (was, is) = (words(stored.report.verdict), words(report.verdict));
            count.changed.push(format!("{}: {is}, was {was}", printable(&report.clip.file)));
        }
    }
    Ok(count)
}

impl Rejudged {
    /// What became of clips that another version had judged; nothing where there were none.
    pub fn by_this_version(&self) -> Option<String> {
        let clips = match self.judged {
            0 => return None,
            1 => "One earlier clip was".into(),
            n => format!("{n} earlier clips were"),
        };
        let (named, more) = self.changed.split_at(self.changed.len().min(3));
        let more = if more.is_empty() { String::new() } else { format!("; and {} more", more.len()) };
        let changed = if named.is_empty() { "no verdict changed".into() } else { format!("other verdicts: {}{more}", named.join("; ")) };
        Some(format!("{clips} judged again, as version {ENGINE} judges, from what was kept: {changed}"))
    }
}
