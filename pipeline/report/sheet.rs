//! The morning sheet: a plain list until the designed pages take its place.

use crate::batch::place::{self, OutFolder};
use crate::batch::summary::Summary;
use crate::error::Result;
use crate::history::Store;
use std::path::PathBuf;

/// Writes `sheet/index.html` from the store; `night` accounts for the uploads of the last run. The page's path.
pub fn write(out: &OutFolder, store: &Store, night: Option<&Summary>, since: Option<&str>) -> Result<PathBuf> {
    let _ = (store, night, since);
    let page = out.folder("sheet")?.join("index.html");
    place::write(&page, b"<!doctype html><title>Morning sheet</title>")?;
    Ok(page)
}
