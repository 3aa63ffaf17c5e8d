//! The morning sheet: static pages in the out folder that open from there on a phone or a desk, without a network.
//! One page for the night in order of need, one a clip, one a student.

mod bar;
pub mod canvas;
mod chart;
mod clip;
mod curves;
mod desk;
mod gather;
mod goes_with;
mod index;
mod judged;
pub mod letters;
mod limits;
mod parts;
pub mod pictures;
mod since;
mod student;
mod together;
pub mod told;
pub mod trying;
pub mod words;

use crate::batch::skipped;
use crate::batch::summary::{NIGHT, Summary};
use crate::error::{Error, Result};
use crate::history::Store;
use crate::history::association::{self, Association};
use crate::history::trend::{Trend, trends};
use crate::intake::names::UNASSIGNED;
use crate::place::{self, OutFolder, Pen, ours};
use crate::report::Report;
use askama::Template;
pub use desk::nothing_to_judge;
use gather::{Entry, Gathered, gather};
use judged::{by_clip, of_entries};
pub use parts::{ours_in_words, sign};
use rayon::prelude::*;
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
pub use words::sentence;

/// Style and script of the pages.
pub const STYLE: &str = include_str!("templates/sheet.css");
pub const SCRIPT: &str = include_str!("templates/sheet.js");

/// Everything that the pages are made of, read once.
pub struct Sheet {
    gathered: Gathered,
    trends: Vec<Trend>,
    /// What goes with what, by student.
    associations: BTreeMap<String, Vec<Association>>,
    night: Option<Summary>,
    since: Option<String>,
}

impl Sheet {
    /// Reads the store. `since` (`2026-04-12`): what was filmed on or after that day; otherwise the account of the last run
    /// is kept.
    pub fn read(out: &OutFolder, store: &Store, since: Option<&str>) -> Result<Sheet> {
        let night = if since.is_none() { store.note(NIGHT)?.and_then(|t| serde_json::from_str(&t).ok()) } else { None };
        let gathered = gather(out, store, night.as_ref(), since)?;
        let trends = trends(gathered.entries.iter().map(|e| &e.stored));
        let mut of_each: BTreeMap<&str, Vec<&Report>> = BTreeMap::new();
        for e in gathered.entries.iter().filter(|e| e.stored.owner != UNASSIGNED) {
            of_each.entry(&e.stored.owner).or_default().push(e.report());
        }
        let associations = of_each.into_iter().filter_map(|(owner, of)| Some((owner.to_string(), association::of_student(of)?))).collect();
        Ok(Sheet { gathered, trends, associations, night, since: since.map(Into::into) })
    }

    /// Reads the coach's verdicts again.
    pub fn refresh(&mut self, store: &Store) -> Result<()> {
        self.gathered.verdicts = store.verdicts()?;
        Ok(())
    }

    /// A reader of the sheet steps through the clips in its order.
    fn order(&self) -> Vec<&Entry> {
        let all = &self.gathered.entries;
        all.iter().filter(|e| e.current).chain(all.iter().filter(|e| !e.current)).collect()
    }

    /// Owner and report of the clip whose page is called so.
    pub fn clip_called(&self, page: &str) -> Option<(&str, &Report)> {
        self.gathered.entries.iter().find(|e| e.page == page).map(|e| (e.stored.owner.as_str(), e.report()))
    }

    /// What the page of an owner's clip is called.
    pub fn page_of(&self, owner: &str, clip: &str) -> Option<&str> {
        self.gathered.entries.iter().find(|e| e.stored.owner == owner && e.report().clip.id == clip).map(|e| e.page.as_str())
    }

    /// Whether a clip with this id is on the sheet.
    pub fn has_clip(&self, id: &str) -> bool {
        self.gathered.entries.iter().any(|e| e.report().clip.id == id)
    }

    /// The night's page; `live` as the desk serves it.
    pub fn index(&self, out: &OutFolder, live: bool) -> Result<String> {
        self.night_page(out, index::Look { live, by_student: false })
    }

    /// The same, one student's clips together.
    pub fn students(&self, out: &OutFolder, live: bool) -> Result<String> {
        self.night_page(out, index::Look { live, by_student: true })
    }

    fn night_page(&self, out: &OutFolder, look: index::Look) -> Result<String> {
        rendered(&index::page(out, &self.gathered, self.night.as_ref(), self.since.as_deref(), look))
    }

    /// A student's page, by folder name below `reports`.
    pub fn student(&self, owner: &str, live: bool) -> Result<Option<String>> {
        let entries: Vec<&Entry> = self.gathered.entries.iter().filter(|e| e.stored.owner == owner).collect();
        if entries.is_empty() {
            return Ok(None);
        }
        let own: Vec<_> = self.trends.iter().filter(|t| t.owner == owner).collect();
        let together = goes_with::goes_with(&self.associations, owner);
        Ok(Some(rendered(&student::page(&entries, &own, together, &by_clip(&self.gathered.verdicts), live))?))
    }

    /// The draft note to a student, about the clip with this id or the newest that says most, and that clip.
    pub fn draft(&self, owner: &str, clip: Option<&str>) -> Option<(&Report, String)> {
        let entries: Vec<&Entry> = self.gathered.entries.iter().filter(|e| e.stored.owner == owner).collect();
        let own: Vec<_> = self.trends.iter().filter(|t| t.owner == owner).collect();
        student::draft(&entries, &own, clip).map(|(e, note)| (e.report(), note))
    }

    /// The student's reports, and the trends that they make.
    pub fn of_student(&self, owner: &str) -> (Vec<&Report>, Vec<&Trend>) {
        let entries = self.gathered.entries.iter().filter(|e| e.stored.owner == owner);
        (entries.map(Entry::report).collect(), self.trends.iter().filter(|t| t.owner == owner).collect())
    }

    /// A clip's page as the desk serves it; `gone`: why its footage cannot be shown.
    pub fn clip_at_desk(&self, out: &OutFolder, page: &str, gone: Option<String>) -> Result<Option<String>> {
        let order = self.order();
        let Some(at) = order.iter().position(|e| e.page == page) else { return Ok(None) };
        let given = by_clip(&self.gathered.verdicts);
        let desk = desk::DeskPart::of(out, order[at], &given, gone)?;
        Ok(Some(rendered(&clip::page(out, order[at], neighbours(&order, at), Vec::new(), Some(desk))?)?))
    }

    fn clips(&self, out: &OutFolder) -> Result<Vec<(&str, String)>> {
        let order = self.order();
        let given = by_clip(&self.gathered.verdicts);
        let one = |at: usize| {
            let said = of_entries(&given, &order[at..=at]);
            Ok((order[at].page.as_str(), rendered(&clip::page(out, order[at], neighbours(&order, at), said, None)?)?))
        };
        (0..order.len()).into_par_iter().map(one).collect()
    }
}

fn neighbours<'a>(order: &[&'a Entry], at: usize) -> clip::Place<'a> {
    let page = |at: usize| order.get(at).map(|e| e.page.as_str());
    clip::Place { before: at.checked_sub(1).and_then(page), after: page(at + 1) }
}

/// Writes `sheet/index.html`, `sheet/students.html` (the same by student), `sheet/clip/*.html` and `sheet/student/*.html` from the store, and removes pages of clips and
/// students that are no longer there. The index page's path.
///
/// `night` accounts for the uploads of a run that ended now; it is kept, and accounts for them until the next. The index
/// shows in full what that run worked on, or was judged within 20 hours of the newest result; earlier clips are listed
/// below. `since` (`2026-04-12`) shows what was filmed on or after that day instead. Errors: the store or a page cannot be
/// read or written.
pub fn write(out: &OutFolder, store: &Store, night: Option<&Summary>, since: Option<&str>) -> Result<PathBuf> {
    write_with(&out.pen()?, out, store, night, since)
}

/// As [`write`], for who holds the pen already.
pub fn write_with(_pen: &Pen, out: &OutFolder, store: &Store, night: Option<&Summary>, since: Option<&str>) -> Result<PathBuf> {
    let folder = out.folder("sheet")?;
    out.folder("sheet/clip")?;
    out.folder("sheet/student")?;
    if let Some(night) = night {
        let before: Option<Summary> = store.note(NIGHT)?.and_then(|t| serde_json::from_str(&t).ok());
        let kept = night.kept(before.as_ref(), jiff::Timestamp::now());
        store.set_note(NIGHT, &serde_json::to_string(&kept).map_err(|e| Error::Internal(e.to_string()))?)?;
        skipped::write(out, &night.lines)?;
    }
    let sheet = Sheet::read(out, store, since)?;
    put(&folder.join("sheet.css"), STYLE)?;
    put(&folder.join("sheet.js"), SCRIPT)?;
    let mut kept = BTreeSet::new();
    for (page, text) in sheet.clips(out)? {
        let path = folder.join("clip").join(page);
        put(&path, &text)?;
        kept.insert(path);
    }
    let owners: BTreeSet<&str> = sheet.gathered.entries.iter().map(|e| e.stored.owner.as_str()).collect();
    for owner in owners {
        let path = folder.join("student").join(format!("{owner}.html"));
        if let Some(text) = sheet.student(owner, false)? {
            put(&path, &text)?;
            kept.insert(path);
        }
    }
    remove_others(&folder.join("clip"), &kept, ours::clip_page)?;
    remove_others(&folder.join("student"), &kept, ours::student_page)?;
    put(&folder.join("students.html"), &sheet.students(out, false)?)?;
    let page = folder.join("index.html");
    put(&page, &sheet.index(out, false)?)?;
    Ok(page)
}

fn rendered(page: &impl Template) -> Result<String> {
    page.render().map_err(|e| Error::Internal(format!("a page of the sheet cannot be made: {e}")))
}

/// Writes a page whose text is new; an unchanged one is left as it is.
fn put(path: &Path, text: &str) -> Result<()> {
    if std::fs::read(path).is_ok_and(|old| old == text.as_bytes()) {
        return Ok(());
    }
    place::write(path, text.as_bytes())
}

/// Removes pages that were not written now: a student who was erased leaves none behind.
fn remove_others(folder: &Path, kept: &BTreeSet<PathBuf>, ours: fn(&str) -> bool) -> Result<()> {
    for file in std::fs::read_dir(folder).map_err(Error::file(folder))? {
        let path = file.map_err(Error::file(folder))?.path();
        if ours(&path.file_name().unwrap_or_default().to_string_lossy()) && !kept.contains(&path) {
            place::remove(&path)?;
        }
    }
    Ok(())
}
