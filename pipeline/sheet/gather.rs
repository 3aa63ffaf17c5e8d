//! What belongs on the sheet: stored results, refused uploads, and where each of them stands.

use super::since::{self, Change, Past};
use super::together::together;
use super::words;
use crate::batch::summary::{Line, ONE_NIGHT, Place, Summary};
use crate::error::{Error, Result};
use crate::history::Store;
use crate::history::golfers::{Question, questions};
use crate::history::store::Stored;
use crate::history::trend::{ClubClass, filmed};
use crate::history::verdicts::{Given, latest};
use crate::intake::admit::placeholder_sha256;
use crate::intake::names::{UNASSIGNED, slug_as_spelled};
use crate::intake::{Brief, date};
use crate::judge::Identity;
use crate::place::OutFolder;
use crate::report::{ReasonCode, Report};
use std::collections::{BTreeMap, BTreeSet};

/// Where a clip stands on the sheet, in order of need.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Section {
    Flagged,
    Borderline,
    FilmAgain,
    /// Clear, but something else asks for a look: whose swing it is, or a change against the student's own history.
    Question,
    Clear,
    /// Measured as far as its view allows, on purpose.
    OtherView,
    Failed,
    Repeat,
    Waiting,
    Quarantined,
    /// Erased on purpose earlier; its upload still lies in the inbox.
    Skipped,
}

impl Section {
    /// All, in the order of the sheet.
    pub const ALL: [Section; 11] = [
        Section::Flagged,
        Section::Borderline,
        Section::FilmAgain,
        Section::Question,
        Section::Clear,
        Section::OtherView,
        Section::Failed,
        Section::Repeat,
        Section::Waiting,
        Section::Quarantined,
        Section::Skipped,
    ];

    /// Of a finished report whose change against the student's history is known.
    pub fn of(report: &Report, changes: &[Change]) -> Section {
        match Place::of(report) {
            Place::Flagged => Section::Flagged,
            Place::Borderline => Section::Borderline,
            Place::CannotMeasure if report.needs_look => Section::FilmAgain,
            Place::CannotMeasure => Section::OtherView,
            Place::Clear if report.needs_look || changes.iter().any(Change::is_worse) => Section::Question,
            Place::Clear => Section::Clear,
            _ if report.needs_look => Section::FilmAgain,
            _ => Section::Failed,
        }
    }

    /// One or two words.
    pub fn words(self) -> &'static str {
        match self {
            Section::Flagged => "flagged",
            Section::Borderline => "borderline",
            Section::FilmAgain => "ask again",
            Section::Question => "a question",
            Section::Clear => "clear",
            Section::OtherView => "other view",
            Section::Failed => "failed",
            Section::Repeat => "repeat",
            Section::Waiting => "waiting",
            Section::Quarantined => "quarantined",
            Section::Skipped => "skipped",
        }
    }

    /// Heading of its part of the sheet.
    pub fn heading(self) -> &'static str {
        match self {
            Section::Flagged => "Look at these first",
            Section::Borderline => "Borderline: cannot tell",
            Section::FilmAgain => "Please ask for another clip",
            Section::Question => "A question to settle",
            Section::Clear => "Clear",
            Section::OtherView => "Other views, nothing to do",
            Section::Failed => "Could not be worked through",
            Section::Repeat => "Sent twice",
            Section::Waiting => "Waiting for the next run",
            Section::Quarantined => "Set aside after failing",
            Section::Skipped => "Skipped on purpose",
        }
    }

    /// What the coach does with it.
    pub fn lead(self) -> &'static str {
        match self {
            Section::Flagged => "Past the limit, surely or likely. Worst first.",
            Section::Borderline => "On which side of the limit it lies this clip does not tell: your eye decides, or a second clip.",
            Section::FilmAgain => "Something in the filming or the sending stands in the way. A message to the student is ready to copy.",
            Section::Question => "Something besides the faults asks for a glance.",
            Section::Clear => "Everything measured lies inside the limits, surely or likely.",
            Section::OtherView => "Measured as far as that view allows.",
            Section::Failed => "Filming again would not help; the reason is beside each.",
            Section::Repeat => "The same bytes under another name; measured once.",
            Section::Waiting => "Still being uploaded, or the run stopped before them.",
            Section::Quarantined => "Tried again with --retry-failed.",
            Section::Skipped => {
                "Erased before; the uploads still lie in the inbox. Which they are stands in skipped.txt in the out folder, and not here."
            }
        }
    }

    /// Name of its sign, its anchor and its filter.
    pub fn key(self) -> &'static str {
        match self {
            Section::Flagged => "flagged",
            Section::Borderline => "borderline",
            Section::FilmAgain => "again",
            Section::Question => "question",
            Section::Clear => "clear",
            Section::OtherView => "view",
            Section::Failed => "failed",
            Section::Repeat => "repeat",
            Section::Waiting => "waiting",
            Section::Quarantined => "quarantined",
            Section::Skipped => "skipped",
        }
    }

    /// Whether its clips are shown in full.
    pub fn needs_eye(self) -> bool {
        self <= Section::Question
    }
}

/// One clip of one student.
#[derive(Debug, Clone)]
pub struct Entry {
    pub stored: Stored,
    /// What was known besides the pixels; refused uploads have none.
    pub brief: Option<Brief>,
    /// File name of its page within `clip/`.
    pub page: String,
    pub section: Section,
    /// Against the student's earlier clips.
    pub past: Past,
    /// What it says together with the student's clips before it, where no clip alone does.
    pub together: Vec<String>,
    /// On this sheet in full (otherwise among the earlier ones).
    pub current: bool,
    /// Of an earlier night, and in front because it still asks for something.
    pub still_open: bool,
}

impl Entry {
    /// Its report.
    pub fn report(&self) -> &Report {
        &self.stored.report
    }
}

/// One upload of the night as accounted for.
#[derive(Debug, Clone)]
pub struct Upload {
    pub section: Section,
    pub student: String,
    /// Folder name of the student.
    pub owner: String,
    pub file: String,
    pub note: String,
    /// File name of its page within `clip/`, where it has one.
    pub page: Option<String>,
    /// Whether it stands among the earlier clips.
    pub earlier: bool,
}

/// All of it.
pub struct Gathered {
    /// In order of need.
    pub entries: Vec<Entry>,
    /// Every upload of the night; without a night, every clip on the sheet.
    pub uploads: Vec<Upload>,
    /// Every verdict of the coach, oldest first.
    pub verdicts: Vec<Given>,
    /// Whether a student's clips show one golfer.
    pub questions: Vec<Question>,
}

/// Reads the store and the refused uploads' reports, places and orders them.
pub fn gather(out: &OutFolder, store: &Store, night: Option<&Summary>, since: Option<&str>) -> Result<Gathered> {
    let mut found: Vec<(Stored, Option<Brief>)> = Vec::new();
    for (stored, identity) in store.results()? {
        let identity: Identity =
            serde_json::from_str(&identity).map_err(|e| Error::Internal(format!("a stored identity is broken: {e}")))?;
        found.push((stored, Some(identity.brief)));
    }
    let lines: BTreeMap<(String, &str), &Line> = night
        .iter()
        .flat_map(|n| &n.lines)
        .filter(|l| l.place != Place::Repeat)
        .filter_map(|l| Some(((owner_of(l), l.clip.as_deref()?), l)))
        .collect();
    let known: BTreeSet<(String, String)> = found.iter().map(|(s, _)| (s.owner.clone(), s.report.clip.id.clone())).collect();
    for stored in refused(out, &known)? {
        let named = lines.contains_key(&(stored.owner.clone(), stored.report.clip.id.as_str()));
        // a refused upload that has since been mended or withdrawn is in no line of the night
        if named || night.is_none() && needs_no_row(&stored.report) {
            found.push((stored, None));
        }
    }
    // what lay in no student's folder and was put into one is the student's now
    let of_students: BTreeSet<String> =
        found.iter().filter(|(s, _)| s.owner != UNASSIGNED).map(|(s, _)| s.report.clip.id.clone()).collect();
    found.retain(|(s, _)| {
        let (owner, id) = (&s.owner, &s.report.clip.id);
        owner != UNASSIGNED || lines.contains_key(&(owner.clone(), id.as_str())) || !of_students.contains(id)
    });
    let pasts: Vec<Past> = {
        let all: Vec<&Stored> = found.iter().map(|(s, _)| s).collect();
        since::pasts(&all)
    };
    let first_day = since.and_then(date::local_day);
    let newest = found.iter().filter_map(|(s, _)| judged(s)).max();
    let verdicts = store.verdicts()?;
    let sections: Vec<Section> = found
        .iter()
        .zip(&pasts)
        .map(|((stored, _), past)| match lines.get(&(stored.owner.clone(), stored.report.clip.id.as_str())) {
            Some(line) if line.place == Place::Quarantined => Section::Quarantined,
            _ => Section::of(&stored.report, &past.changes),
        })
        .collect();
    let began = night.and_then(|n| n.night_began.as_deref()).and_then(second).or(newest.map(|n| n - ONE_NIGHT));
    let answered = {
        let all: Vec<&Stored> = found.iter().map(|(s, _)| s).collect();
        answered(&all, &sections, &verdicts, began)
    };
    let together = together(&found.iter().map(|(s, _)| s).collect::<Vec<_>>());
    let mut entries: Vec<Entry> = found
        .into_iter()
        .zip(pasts.into_iter().zip(together))
        .zip(sections.into_iter().zip(answered))
        .map(|(((stored, brief), (past, together)), (section, answered))| {
            let line = lines.get(&(stored.owner.clone(), stored.report.clip.id.as_str()));
            let fresh = match (judged(&stored), newest) {
                (Some(at), Some(newest)) => newest - at <= ONE_NIGHT,
                _ => false,
            };
            let tonight = fresh || line.is_some_and(|l| l.new || l.tonight);
            let still_open = since.is_none() && !tonight && section.needs_eye() && !answered;
            let current = match since {
                Some(_) => stored.report.clip.captured.as_deref().and_then(date::local_day).is_some_and(|d| Some(d) >= first_day),
                None => tonight || still_open,
            };
            Entry { page: String::new(), section, past, together, current, still_open, stored, brief }
        })
        .collect();
    name_pages(&mut entries);
    entries.sort_by(|a, b| {
        let (x, y) = (a.report(), b.report());
        a.section
            .cmp(&b.section)
            .then(a.together.is_empty().cmp(&b.together.is_empty()))
            .then(y.severity.total_cmp(&x.severity))
            .then_with(|| words::student(x.clip.student.as_deref()).cmp(&words::student(y.clip.student.as_deref())))
            .then_with(|| newest_first(x, y))
            .then_with(|| a.page.cmp(&b.page))
    });
    let uploads = account(&entries, night);
    // of whom nothing came this time, nothing new can be asked
    let asked = questions(entries.iter().map(|e| &e.stored));
    let questions = asked.into_iter().filter(|q| entries.iter().any(|e| e.current && e.stored.owner == q.owner)).collect();
    Ok(Gathered { entries, uploads, verdicts: store.verdicts()?, questions })
}

/// Folder name of a line's student; accounts of earlier versions do not say it.
fn owner_of(l: &Line) -> String {
    let spelled = || l.student.as_deref().map_or_else(|| UNASSIGNED.into(), slug_as_spelled);
    Some(l.owner.clone()).filter(|o| !o.is_empty()).unwrap_or_else(spelled)
}

fn judged(stored: &Stored) -> Option<i64> {
    second(&stored.judged_at)
}

fn second(instant: &str) -> Option<i64> {
    instant.parse::<jiff::Timestamp>().ok().map(|t| t.as_second())
}

/// Of each clip, whether it would ask for nothing any more if it were of an earlier night: the coach judged it before this night, or
/// the student sent a newer one. Where another clip was asked for any newer one answers; else one of the same view and kind of club
/// that was measured. What nobody sent is answered by nobody.
fn answered(all: &[&Stored], sections: &[Section], verdicts: &[Given], began: Option<i64>) -> Vec<bool> {
    let judged_before: BTreeSet<(&str, &str)> =
        latest(verdicts).into_iter().filter(|g| second(&g.made_at) < began).map(|g| (g.owner.as_str(), g.clip.as_str())).collect();
    let filmed: Vec<_> = all.iter().map(|s| filmed(&s.report).and_then(date::instant)).collect();
    let judged: Vec<_> = all.iter().map(|s| judged(s)).collect();
    let kind = |i: usize| all[i].report.view.as_ref().map(|v| (v.kind, ClubClass::of(&all[i].report.clip)));
    let mut by_owner: BTreeMap<&str, Vec<usize>> = BTreeMap::new();
    for (i, s) in all.iter().enumerate() {
        by_owner.entry(&s.owner).or_default().push(i);
    }
    let is_newer = |j: usize, i: usize| match (filmed[j], filmed[i]) {
        (Some(theirs), Some(ours)) => theirs > ours,
        _ => judged[j] > judged[i],
    };
    let replaces =
        |j: usize, i: usize| is_newer(j, i) && (sections[i] == Section::FilmAgain || (sections[j] <= Section::Clear && kind(j) == kind(i)));
    let one = |i: usize| {
        let owner = all[i].owner.as_str();
        judged_before.contains(&(owner, all[i].report.clip.id.as_str()))
            || (owner != UNASSIGNED && by_owner[owner].iter().any(|&j| replaces(j, i)))
    };
    (0..all.len()).map(|i| sections[i].needs_eye() && one(i)).collect()
}

/// Whether a report has no row because its upload could not be opened or worked through, not because its machine ended before
/// the row.
fn needs_no_row(report: &Report) -> bool {
    report.clip.sha256 == placeholder_sha256(&report.clip.file) || report.reasons.iter().any(|r| r.code == ReasonCode::WorkerFailed)
}

/// Reports on disk that the store does not know.
fn refused(out: &OutFolder, known: &BTreeSet<(String, String)>) -> Result<Vec<Stored>> {
    let mut all = Vec::new();
    for file in walkdir::WalkDir::new(out.folder("reports")?).min_depth(2).max_depth(2).sort_by_file_name() {
        let Ok(file) = file else { continue };
        let owner = file.path().parent().and_then(|p| p.file_name()).unwrap_or_default().to_string_lossy().into_owned();
        let id = file.path().file_stem().unwrap_or_default().to_string_lossy().into_owned();
        if file.path().extension().is_none_or(|e| e != "json") || known.contains(&(owner.clone(), id)) {
            continue;
        }
        // a torn report costs its own page, never the sheet; the night's line still accounts for the upload
        let Some(report) = std::fs::read_to_string(file.path()).ok().and_then(|t| serde_json::from_str(&t).ok()) else { continue };
        all.push(Stored { owner, report, judged_at: String::new() });
    }
    Ok(all)
}

/// `<id>.html`; where several students sent the same bytes, `<id>-<slug>.html` from the second on.
fn name_pages(entries: &mut [Entry]) {
    let mut order: Vec<usize> = (0..entries.len()).collect();
    order.sort_by(|&a, &b| {
        (&entries[a].report().clip.id, &entries[a].stored.owner).cmp(&(&entries[b].report().clip.id, &entries[b].stored.owner))
    });
    let mut last = String::new();
    for i in order {
        let id: String = entries[i].report().clip.id.chars().filter(char::is_ascii_alphanumeric).collect();
        entries[i].page = if id == last { format!("{id}-{}.html", entries[i].stored.owner) } else { format!("{id}.html") };
        last = id;
    }
}

fn account(entries: &[Entry], night: Option<&Summary>) -> Vec<Upload> {
    let of_entry = |e: &Entry| Upload {
        section: e.section,
        student: words::student(e.report().clip.student.as_deref()),
        owner: e.stored.owner.clone(),
        file: crate::report::printable(&e.report().clip.file),
        note: String::new(),
        page: Some(e.page.clone()),
        earlier: !e.current,
    };
    let Some(night) = night else {
        return entries.iter().filter(|e| e.current).map(of_entry).collect();
    };
    let by_clip: BTreeMap<(&str, &str), &Entry> =
        entries.iter().map(|e| ((e.stored.owner.as_str(), e.report().clip.id.as_str()), e)).collect();
    let mut all: Vec<Upload> = night
        .lines
        .iter()
        .filter(|l| l.place != Place::Forgotten)
        .map(|l| {
            let owner = owner_of(l);
            let entry = l.clip.as_deref().and_then(|c| by_clip.get(&(owner.as_str(), c)));
            let section = match (l.place, entry) {
                (Place::Repeat, _) => Section::Repeat,
                (Place::Waiting, _) => Section::Waiting,
                (Place::Quarantined, _) => Section::Quarantined,
                (Place::Forgotten, _) => Section::Skipped,
                (_, Some(e)) => e.section,
                (Place::Flagged, None) => Section::Flagged,
                (Place::Borderline, None) => Section::Borderline,
                (Place::CannotMeasure, None) => Section::OtherView,
                (Place::Clear, None) => Section::Clear,
                (Place::Failed, None) => Section::Failed,
            };
            Upload {
                section,
                student: words::student(l.student.as_deref()),
                owner: owner.clone(),
                file: crate::report::printable(&l.file),
                note: if section >= Section::Failed { crate::report::printable(&l.note) } else { String::new() },
                page: entry.map(|e| e.page.clone()),
                earlier: entry.is_some_and(|e| !e.current) && section != Section::Repeat,
            }
        })
        .collect();
    all.sort_by(|a, b| a.section.cmp(&b.section).then_with(|| a.file.cmp(&b.file)));
    all
}

/// Newest first, undated last.
pub fn newest_first(a: &Report, b: &Report) -> std::cmp::Ordering {
    let filmed = |r: &Report| r.clip.captured.as_deref().and_then(date::instant);
    filmed(b).cmp(&filmed(a)).then_with(|| a.clip.id.cmp(&b.clip.id))
}
