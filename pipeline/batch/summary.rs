//! The night in one table: every input accounted for.

use crate::intake::inbox::UPLOADING;
use crate::report::types::Verdict;
use crate::report::{Report, printable};
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;

/// Name of the note under which the store keeps the last run's account.
pub const NIGHT: &str = "night";

/// Where an upload ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Place {
    Flagged,
    Borderline,
    CannotMeasure,
    Clear,
    /// No swing could be measured; its report says why.
    Failed,
    /// The same bytes from the same student, listed under another name.
    Repeat,
    /// Still uploading, a broken sidecar, or the run stopped before it.
    Waiting,
    /// Its worker failed too often; `--retry-failed` tries again.
    Quarantined,
    /// Skipped: the student, or this clip, was erased on purpose.
    Forgotten,
}

impl Place {
    /// Of a finished report.
    pub fn of(report: &Report) -> Place {
        match (report.usable, report.verdict) {
            (true, Some(Verdict::Flagged)) => Place::Flagged,
            (true, Some(Verdict::Borderline)) => Place::Borderline,
            (true, Some(Verdict::CannotMeasure)) => Place::CannotMeasure,
            (true, Some(Verdict::Clear)) => Place::Clear,
            _ => Place::Failed,
        }
    }

    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Place::Flagged => "flagged",
            Place::Borderline => "borderline",
            Place::CannotMeasure => "cannot measure",
            Place::Clear => "clear",
            Place::Failed => "failed",
            Place::Repeat => "repeat",
            Place::Waiting => "waiting",
            Place::Quarantined => "quarantined",
            Place::Forgotten => "skipped",
        }
    }

    /// Whether every upload having ended so is a full success.
    pub fn is_fine(self) -> bool {
        matches!(self, Place::Flagged | Place::Borderline | Place::CannotMeasure | Place::Clear | Place::Repeat | Place::Forgotten)
    }
}

/// Why the first fault of the main swing that was not measured was not.
pub fn why_not(report: &Report) -> Option<&str> {
    let main = report.swings.iter().find(|s| s.main)?;
    main.faults.values().find(|f| f.verdict == Verdict::CannotMeasure).map(|f| f.text.as_str())
}

/// One upload's line.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Line {
    pub file: String,
    pub student: Option<String>,
    /// Folder name below `reports`; accounts of earlier versions have none.
    #[serde(default)]
    pub owner: String,
    pub place: Place,
    pub clip: Option<String>,
    /// Whether this run worked on it (false: it was done before).
    pub new: bool,
    pub note: String,
    /// Whether this run or an earlier one of the same night worked on it.
    #[serde(default)]
    pub tonight: bool,
}

/// How much of a clip's id is shown: enough for `dawnsheet verdict` among thousands.
const ID: usize = 8;

impl Line {
    /// The first digits of the clip's id, by which `dawnsheet verdict` knows it too.
    fn id(&self) -> &str {
        self.clip.as_deref().and_then(|c| c.get(..ID)).unwrap_or("-")
    }

    /// As told while the run goes on: whose clip, and how it ended. Why stands in the table, once.
    pub fn progress(&self) -> String {
        format!("{}  {}  {}", printable(&self.file), self.id(), self.place.words())
    }
}

/// The night.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
pub struct Summary {
    pub lines: Vec<Line>,
    /// When the first run of this night that had something new ended, RFC 3339; accounts of earlier versions do not say it.
    #[serde(default)]
    pub night_began: Option<String>,
    /// Uploads of erased students that were skipped; who they are is in no account that is kept.
    #[serde(default)]
    pub skipped: usize,
    pub other_files: usize,
    pub unreadable_folders: Vec<String>,
    /// What was put in and does not agree, one sentence each: names, settings.
    #[serde(default)]
    pub disagreements: Vec<String>,
    /// Why the run stopped early, where it did.
    pub stopped: Option<String>,
    pub interrupted: bool,
    /// Wall clock of the run, seconds.
    pub seconds: f64,
    /// Seconds that the workers spent by stage, all clips of this run together.
    pub stage_seconds: std::collections::BTreeMap<String, f64>,
}

/// Runs that begin within this of the first one belong to the same night, seconds.
pub const ONE_NIGHT: i64 = 20 * 3600;

impl Summary {
    /// What to do about uploads that lie in no student's folder, where some do.
    pub fn of_nobody(&self) -> Option<String> {
        let n = self.lines.iter().filter(|l| l.student.is_none() && l.clip.is_some()).count();
        let (lie, get) = if n == 1 { ("upload lies", "gets") } else { ("uploads lie", "get") };
        (n > 0).then(|| {
            format!("{n} {lie} in no student's folder and {get} no history: a folder of the student's name in the inbox gives one")
        })
    }

    /// The account as it is kept for the sheet: a later run of the same night adds to the earlier ones, a run that found nothing new
    /// leaves the last night's sheet as it is, and of uploads that were skipped on purpose the number stays.
    pub fn kept(&self, before: Option<&Summary>, now: jiff::Timestamp) -> Summary {
        let mut kept = self.clone();
        let began = before.and_then(|b| b.night_began.clone());
        let age = began.as_deref().and_then(|b| b.parse::<jiff::Timestamp>().ok()).map(|b| now.as_second() - b.as_second());
        let anything_new = self.lines.iter().any(|l| l.new && l.clip.is_some());
        let goes_on = age.is_some_and(|age| !anything_new || (0..ONE_NIGHT).contains(&age));
        kept.night_began = if goes_on { began } else { Some(now.to_string()) };
        let earlier: BTreeSet<(&str, &str)> = match before {
            Some(b) if goes_on => {
                b.lines.iter().filter(|l| l.tonight).filter_map(|l| Some((l.owner.as_str(), l.clip.as_deref()?))).collect()
            }
            _ => BTreeSet::new(),
        };
        for l in &mut kept.lines {
            l.tonight = l.new || l.clip.as_deref().is_some_and(|c| earlier.contains(&(l.owner.as_str(), c)));
        }
        kept.skipped = self.count(Place::Forgotten);
        kept.lines.retain(|l| l.place != Place::Forgotten);
        kept
    }

    /// Exit code of `run`.
    pub fn exit_code(&self) -> u8 {
        if self.interrupted {
            130
        } else if self.stopped.is_some() || !self.unreadable_folders.is_empty() || self.lines.iter().any(|l| !l.place.is_fine()) {
            1
        } else {
            0
        }
    }

    /// Uploads that ended in a place.
    pub fn count(&self, place: Place) -> usize {
        self.lines.iter().filter(|l| l.place == place).count()
    }

    /// The table as printed. Control characters of names are replaced.
    pub fn table(&self) -> String {
        let mut lines: Vec<&Line> = self.lines.iter().collect();
        lines.sort_by(|a, b| a.place.cmp(&b.place).then(a.file.cmp(&b.file)));
        let width = lines.iter().map(|l| printable(&l.file).chars().count()).max().unwrap_or(0).min(48);
        let mut text = String::new();
        for l in lines {
            let file = printable(&l.file);
            let mark = if l.new { ' ' } else { '=' };
            text.push_str(&format!("{mark} {:<14}  {:<ID$}  {file:<width$}  {}\n", l.place.words(), l.id(), printable(&l.note)));
        }
        let all = [
            Place::Flagged,
            Place::Borderline,
            Place::CannotMeasure,
            Place::Clear,
            Place::Failed,
            Place::Repeat,
            Place::Waiting,
            Place::Quarantined,
            Place::Forgotten,
        ];
        let counts: Vec<String> = all.iter().filter(|p| self.count(**p) > 0).map(|p| format!("{} {}", self.count(*p), p.words())).collect();
        let before = self.lines.iter().filter(|l| !l.new && l.place != Place::Waiting).count();
        text.push_str(&format!(
            "{} uploads: {}",
            self.lines.len(),
            if counts.is_empty() { "nothing to do".into() } else { counts.join(", ") }
        ));
        if before > 0 {
            text.push_str(&format!(" ({before} done before, marked =)"));
        }
        text.push('\n');
        if self.count(Place::Flagged) + self.count(Place::Borderline) > 0 {
            text.push_str("your word on one: dawnsheet verdict CLIP agree|disagree, by its id or file name above\n");
        }
        if self.lines.iter().any(|l| l.place == Place::Waiting && l.note.starts_with(UPLOADING)) {
            text.push_str("what was changed just now is left to rest: run again in a moment\n");
        }
        if self.other_files > 0 {
            let were = if self.other_files == 1 { "file in the inbox was" } else { "files in the inbox were" };
            text.push_str(&format!("{} other {were} left alone\n", self.other_files));
        }
        if let Some(why) = self.of_nobody() {
            text.push_str(&why);
            text.push('\n');
        }
        for d in &self.disagreements {
            text.push_str(&format!("{}\n", printable(d)));
        }
        for folder in &self.unreadable_folders {
            text.push_str(&format!("cannot be read: {}\n", printable(folder)));
        }
        text
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_account_goes_on_for_one_night_and_over_runs_that_found_nothing_new() {
        let line = |clip: Option<&str>, new: bool| Line {
            file: "a.mp4".into(),
            student: None,
            owner: "unassigned".into(),
            place: if clip.is_some() { Place::Clear } else { Place::Waiting },
            clip: clip.map(Into::into),
            new,
            note: String::new(),
            tonight: new,
        };
        let run = |lines: Vec<Line>, before: Option<&Summary>, at: &str| {
            Summary { lines, ..Summary::default() }.kept(before, at.parse().unwrap())
        };
        let evening = run(vec![line(Some("c"), true)], None, "2026-05-01T22:00:00Z");
        // what a later run says of the clip that was new in the evening, and when that run's night began
        let later = |clip: Option<&str>, new: bool, at: &str| {
            let kept = run(vec![line(Some("c"), false), line(clip, new)], Some(&evening), at);
            (kept.lines[0].tonight, kept.night_began == evening.night_began)
        };
        assert_eq!(later(Some("d"), true, "2026-05-02T06:00:00Z"), (true, true), "the same night");
        assert_eq!(later(Some("d"), true, "2026-05-02T22:00:00Z"), (false, false), "the next night");
        assert_eq!(later(Some("d"), false, "2026-05-03T12:00:00Z"), (true, true), "nothing new: the sheet stays as it is");
        assert_eq!(later(None, true, "2026-05-03T12:00:00Z"), (true, true), "what waits is nothing new");
    }
}
