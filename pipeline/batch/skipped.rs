//! `out/skipped.txt`: which uploads the last run left alone because their student was erased. The sheet only counts them: a name that
//! was erased stands where it is looked for on purpose, and nowhere else.

use super::summary::{Line, Place};
use crate::error::Result;
use crate::place::{self, OutFolder};
use crate::report::printable;

pub const FILE: &str = "skipped.txt";

/// Writes the list anew from the night's lines; without any, there is no such file.
pub fn write(out: &OutFolder, lines: &[Line]) -> Result<()> {
    let skipped = lines.iter().filter(|l| l.place == Place::Forgotten);
    let text: String = skipped.map(|l| format!("{}  {}\n", printable(&l.file), printable(&l.note))).collect();
    if text.is_empty() { clean(out) } else { place::write(&out.root().join(FILE), text.as_bytes()) }
}

/// Removes it: the next run writes who is still there.
pub fn clean(out: &OutFolder) -> Result<()> {
    place::remove(&out.root().join(FILE))
}
