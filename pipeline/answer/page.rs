//! One page that holds the whole answer: films and pictures are in it, so that it opens from a mail, without a network.

use crate::error::{Error, Result};
use crate::report::Report;
use crate::sheet::pictures::Mark;
use crate::sheet::words;
use askama::Template;
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use std::collections::BTreeSet;
use std::path::Path;

/// A picture in the page.
pub struct Picture {
    pub caption: String,
    data: String,
}

/// A film and its pictures.
pub struct Section {
    heading: String,
    words: String,
    film: Option<String>,
    file: String,
    pictures: Vec<Picture>,
}

#[derive(Template)]
#[template(path = "answer.html")]
struct Page<'a> {
    title: String,
    sub: String,
    note: &'a str,
    sections: Vec<Section>,
    legend: Vec<(&'static str, &'static str)>,
    /// Least width of a picture, rem.
    width: u32,
}

fn encoded(path: &Path) -> Result<String> {
    Ok(STANDARD.encode(std::fs::read(path).map_err(Error::file(path))?))
}

impl Picture {
    pub fn read(path: &Path, caption: &str) -> Result<Picture> {
        Ok(Picture { caption: caption.into(), data: encoded(path)? })
    }
}

impl Section {
    /// `film`: file name within `folder`.
    pub fn new(heading: &str, words: &str, film: Option<&str>, folder: &Path, pictures: Vec<Picture>) -> Result<Section> {
        let data = film.map(|f| encoded(&folder.join(f))).transpose()?;
        Ok(Section { heading: heading.into(), words: words.into(), film: data, file: film.unwrap_or_default().into(), pictures })
    }
}

/// The page as HTML.
pub fn page(now: &Report, note: &str, sections: Vec<Section>, marks: BTreeSet<Mark>) -> Result<String> {
    let club = words::club(&now.clip).map_or_else(String::new, |c| format!(", {c}"));
    let page = Page {
        title: format!("Your swing, {}", words::day_of(&now.clip)),
        sub: format!("{}{club}", words::student(now.clip.student.as_deref())),
        note,
        sections,
        legend: marks.into_iter().map(Mark::words).collect(),
        width: 14,
    };
    page.render().map_err(|e| Error::Internal(format!("the answer's page cannot be made: {e}")))
}
