//! The settings in force: remembered in the store, so that other ones are said aloud before they change a single verdict.

use super::summary::Place;
use crate::error::{Error, Result};
use crate::history::Store;
use crate::place::{self, OutFolder, ours};
use crate::settings::{Own, Settings};
use std::collections::BTreeMap;
use std::path::PathBuf;

/// Name of the note under which the store keeps the settings by which clips were last judged, as TOML.
const NOTE: &str = "settings";

/// Other settings than those in force until now.
#[derive(Debug)]
pub struct Other {
    /// What differs, `limits.head_lateral_cm 8.0 → 6.0`.
    pub keys: Vec<String>,
    /// The former settings, as a file for `--settings`.
    pub former: PathBuf,
    before: Places,
}

/// Where each clip stands, by owner and clip.
type Places = BTreeMap<(String, String), Place>;

fn places(store: &Store) -> Result<Places> {
    Ok(store.results()?.into_iter().map(|(s, _)| ((s.owner, s.report.clip.id.clone()), Place::of(&s.report))).collect())
}

/// Whether these settings judge otherwise than the ones in force; those are then written beside the results, to go back to.
pub fn other(out: &OutFolder, store: &Store, settings: &Settings) -> Result<Option<Other>> {
    // a note that another version wrote may hold keys that this one does not know: nothing can be said of it
    let former = store.note(NOTE)?.and_then(|text| Settings::parse(&text).ok());
    let Some(former) = former.filter(|f| f.sha256() != settings.sha256()) else { return Ok(None) };
    let path = out.root().join(ours::former_settings(&former.sha256()));
    place::write(&path, format!("# The settings in force before the last change.\n{}", text(&former)?).as_bytes())?;
    Ok(Some(Other { keys: former.differences(settings), former: path, before: places(store)? }))
}

/// Those in force; the built-in ones where no run has said, or another version did.
pub fn settings(store: &Store) -> Result<Settings> {
    Ok(store.note(NOTE)?.and_then(|text| Settings::parse(&text).ok()).unwrap_or_default())
}

/// From now on these are in force.
pub fn set(store: &Store, settings: &Settings) -> Result<()> {
    store.set_note(NOTE, &text(settings)?)
}

/// As a file holds them: what was adopted stands in one of its own.
fn text(settings: &Settings) -> Result<String> {
    toml::to_string(&Settings { own: Own::default(), ..settings.clone() }).map_err(|e| Error::Internal(e.to_string()))
}

impl Other {
    /// What differs, in one clause.
    pub fn what(&self) -> String {
        let more = if self.keys.len() > 4 { format!(" and {} more", self.keys.len() - 4) } else { String::new() };
        format!("{}{more}", self.keys[..self.keys.len().min(4)].join(", "))
    }

    /// What they changed, after the clips were judged by them, and how to go back.
    pub fn told(&self, store: &Store, settings: &Settings) -> Result<String> {
        let after = places(store)?;
        let now = settings.sha256();
        let kept = store.results()?.iter().filter(|(s, _)| s.report.engine.settings_sha256 != now).count();
        let kept = match kept {
            0 => String::new(),
            1 => ". One clip keeps its verdict by the former: dawnsheet rejudge judges all by one".into(),
            n => format!(". {n} clips keep their verdicts by the former: dawnsheet rejudge judges all by one"),
        };
        let both: Vec<(Place, Place)> = self.before.iter().filter_map(|(id, was)| Some((*was, *after.get(id)?))).collect();
        let count = |which: &dyn Fn(&(Place, Place)) -> Place, place: Place| both.iter().filter(|b| which(b) == place).count();
        let moved: Vec<String> = [Place::Flagged, Place::Borderline, Place::CannotMeasure, Place::Clear]
            .into_iter()
            .map(|p| (p, count(&|b| b.0, p), count(&|b| b.1, p)))
            .filter(|(_, was, is)| was != is)
            .map(|(p, was, is)| format!("{was} {} become {is}", p.words()))
            .collect();
        let changed = both.iter().filter(|(was, is)| was != is).count();
        let effect = match (moved.is_empty(), changed) {
            (_, 0) => "no verdict changed".into(),
            (true, n) => format!("{n} verdicts changed, as many each way"),
            (false, _) => moved.join(", "),
        };
        Ok(format!(
            "Other settings than before ({}): of {} clips judged before, {effect}{kept}. To go back: --settings {}",
            self.what(),
            both.len(),
            self.former.display()
        ))
    }
}
