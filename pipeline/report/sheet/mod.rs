//! The morning sheet: static pages in the out folder that open from there on a phone or a desk, without a network.
//! One page for the night in order of need, one a clip, one a student.

mod bar;
mod chart;
mod clip;
mod curves;
mod gather;
mod index;
mod letters;
mod limits;
mod parts;
mod since;
mod student;
mod words;

use crate::batch::place::{self, OutFolder};
use crate::batch::summary::Summary;
use crate::error::{Error, Result};
use crate::history::Store;
use crate::history::trend::trends;
use askama::Template;
use gather::{Entry, gather};
use rayon::prelude::*;
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

const STYLE: &str = include_str!("templates/sheet.css");
const SCRIPT: &str = include_str!("templates/sheet.js");

/// Writes `sheet/index.html`, `sheet/clip/*.html` and `sheet/student/*.html` from the store, and removes pages of clips and
/// students that are no longer there. The index page's path.
///
/// `night` accounts for the uploads of the last run. The index shows in full what that run worked on, or was judged within
/// 20 hours of the newest result; earlier clips are listed below. `since` (`2026-04-12`) shows what was filmed on or after
/// that day instead. Errors: the store or a page cannot be read or written.
pub fn write(out: &OutFolder, store: &Store, night: Option<&Summary>, since: Option<&str>) -> Result<PathBuf> {
    let folder = out.folder("sheet")?;
    out.folder("sheet/clip")?;
    out.folder("sheet/student")?;
    let gathered = gather(out, store, night, since)?;
    let entries = &gathered.entries;
    let trends = trends(entries.iter().map(|e| &e.stored));

    put(&folder.join("sheet.css"), STYLE)?;
    put(&folder.join("sheet.js"), SCRIPT)?;

    // a reader of the sheet steps through the clips in its order
    let order: Vec<&Entry> = entries.iter().filter(|e| e.current).chain(entries.iter().filter(|e| !e.current)).collect();
    let pages: Vec<(PathBuf, String)> = order
        .par_iter()
        .enumerate()
        .map(|(i, entry)| {
            let before = i.checked_sub(1).map(|b| order[b].page.as_str());
            let after = order.get(i + 1).map(|a| a.page.as_str());
            let page = clip::page(out, entry, before, after)?;
            Ok((folder.join("clip").join(&entry.page), rendered(&page)?))
        })
        .collect::<Result<_>>()?;
    let mut by_owner: BTreeMap<&str, Vec<&Entry>> = BTreeMap::new();
    for e in entries {
        by_owner.entry(&e.stored.owner).or_default().push(e);
    }
    let mut kept = BTreeSet::new();
    for (path, text) in pages {
        put(&path, &text)?;
        kept.insert(path);
    }
    for (owner, entries) in &by_owner {
        let own: Vec<_> = trends.iter().filter(|t| t.owner == **owner).collect();
        let path = folder.join("student").join(format!("{owner}.html"));
        put(&path, &rendered(&student::page(entries, &own))?)?;
        kept.insert(path);
    }
    remove_others(&folder.join("clip"), &kept)?;
    remove_others(&folder.join("student"), &kept)?;
    let page = folder.join("index.html");
    put(&page, &rendered(&index::page(out, &gathered, night, since))?)?;
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
fn remove_others(folder: &Path, kept: &BTreeSet<PathBuf>) -> Result<()> {
    for file in std::fs::read_dir(folder).map_err(Error::file(folder))? {
        let path = file.map_err(Error::file(folder))?.path();
        if path.extension().is_some_and(|e| e == "html") && !kept.contains(&path) {
            std::fs::remove_file(&path).map_err(Error::file(&path))?;
        }
    }
    Ok(())
}
