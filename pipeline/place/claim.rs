//! Whose folder is it? An out folder carries a marker with an id of its own, written at the first use. A folder that holds
//! something else is refused, so that nothing foreign is ever among what this program tidies away.

use super::ours;
use crate::error::{Error, Result};
use crate::fault;
use std::fs;
use std::io::{ErrorKind, Write};
use std::path::{Component, Path, PathBuf};

/// Name of the marker.
pub const MARKER: &str = "dawnsheet.folder";
const WORDS: &str = "This is an out folder of dawnsheet, which removes its own unfinished and erased files here.";

/// Makes the folder ours, where it is so already, is empty, or is one that an earlier version wrote. Error: usage, where
/// it is somebody else's.
pub fn claim(root: &Path) -> Result<()> {
    if is_claimed(root)? {
        return Ok(());
    }
    // another program may claim it while this one looks: then it is no longer empty, and ours
    if !is_empty(root)? && !is_older(root) && !is_claimed(root)? {
        return Err(Error::Usage(format!(
            "{} holds other files and is no out folder of dawnsheet: name a new or empty folder with --out",
            root.display()
        )));
    }
    write_marker(root).map_err(Error::file(root))
}

fn is_claimed(root: &Path) -> Result<bool> {
    let path = root.join(MARKER);
    match fs::symlink_metadata(&path) {
        Err(e) if e.kind() == ErrorKind::NotFound => return Ok(false),
        Err(e) => return Err(Error::file(&path)(e)),
        Ok(about) if about.is_file() && about.len() < 1000 => {}
        Ok(_) => return Err(not_ours(&path)),
    }
    let text = fs::read_to_string(&path).map_err(Error::file(&path))?;
    let id = text.lines().find_map(|l| l.strip_prefix("id = "));
    match id {
        Some(id) if text.starts_with(WORDS) && id.len() == 32 && id.bytes().all(|b| b.is_ascii_hexdigit()) => Ok(true),
        _ => Err(not_ours(&path)),
    }
}

fn not_ours(path: &Path) -> Error {
    Error::Usage(format!(
        "{} is not what dawnsheet wrote: remove it if the folder is its out folder, or name another with --out",
        path.display()
    ))
}

fn write_marker(root: &Path) -> std::io::Result<()> {
    let mut id = [0u8; 16];
    rustix::rand::getrandom(&mut id[..], rustix::rand::GetRandomFlags::empty())?;
    fault::point()?;
    let mut file = tempfile::Builder::new().prefix(&format!(".{MARKER}.")).suffix(&ours::part_of("")[1..]).tempfile_in(root)?;
    let id: String = id.iter().map(|b| format!("{b:02x}")).collect();
    write!(file, "{WORDS}\nid = {id}\n")?;
    file.as_file().sync_all()?;
    match file.persist_noclobber(root.join(MARKER)) {
        Err(e) if e.error.kind() != ErrorKind::AlreadyExists => Err(e.error),
        _ => super::sync(root),
    }
}

fn names(folder: &Path) -> std::io::Result<Vec<(String, fs::FileType)>> {
    fs::read_dir(folder)?
        .map(|e| {
            let e = e?;
            Ok((e.file_name().to_string_lossy().into_owned(), e.file_type()?))
        })
        .collect()
}

/// Nothing in it but a marker that was never finished.
fn is_empty(root: &Path) -> Result<bool> {
    Ok(names(root).map_err(Error::file(root))?.iter().all(|(name, kind)| kind.is_file() && ours::part(name)))
}

/// Whether an earlier version, which wrote no marker, made it: its store lies there; or nothing but what it wrote for single
/// clips and as a machine of many, which keep no store.
fn is_older(root: &Path) -> bool {
    if is_store(&root.join("dawnsheet.sqlite")) {
        return true;
    }
    let Ok(all) = names(root) else { return false };
    // an out folder a coach, made by a machine of many or by the coach
    let coaches = |(name, kind): &(String, fs::FileType)| {
        let folder = root.join(name);
        kind.is_dir() && ours::owner(name) && (is_claimed(&folder).unwrap_or(false) || is_layout(&folder))
    };
    is_layout(root) || (!all.is_empty() && all.iter().all(coaches))
}

fn is_store(path: &Path) -> bool {
    let flags = rusqlite::OpenFlags::SQLITE_OPEN_READ_ONLY;
    let real = fs::symlink_metadata(path).is_ok_and(|m| m.is_file() && m.len() > 0);
    let tables = |db: rusqlite::Connection| -> rusqlite::Result<i64> {
        db.query_row("SELECT count(*) FROM sqlite_master WHERE type = 'table' AND name IN ('seen', 'result', 'attempt')", [], |r| r.get(0))
    };
    real && rusqlite::Connection::open_with_flags(path, flags).and_then(tables).is_ok_and(|n| n == 3)
}

/// Whether all that lies there has our names, and there is some.
fn is_layout(root: &Path) -> bool {
    let Ok(all) = names(root) else { return false };
    let known = |(name, kind): &(String, fs::FileType)| {
        (kind.is_dir() && ours::FOLDERS.contains(&name.as_str()))
            || (kind.is_file() && (ours::FILES.contains(&name.as_str()) || ours::part(name)))
    };
    let below = |folder: &str, good: &dyn Fn(&(String, fs::FileType)) -> bool| {
        let path = root.join(folder);
        !path.exists() || names(&path).is_ok_and(|all| all.iter().all(good))
    };
    let some = all.iter().any(|(name, _)| ours::FOLDERS.contains(&name.as_str()) || name == "dawnsheet.lock");
    some && all.iter().all(known)
        && below("reports", &|(n, k)| k.is_dir() && ours::owner(n))
        && below("keypoints", &|(n, k)| k.is_file() && (ours::keypoints(n) || ours::part(n)))
        && below("staging", &|(n, k)| k.is_dir() && ours::worker(n))
}

/// Error: usage, where one of the two folders lies in the other, be it by a link.
pub fn apart(out: &Path, inbox: &Path) -> Result<()> {
    let there = real(inbox);
    let inside = |a: &Path, b: &Path| a.starts_with(b);
    let (o, i) = (out.display(), inbox.display());
    let here = real(out);
    if inside(&there, &here) {
        return Err(Error::Usage(format!("the inbox {i} lies in the out folder {o}: keep them apart, name another folder with --out")));
    }
    if inside(&here, &there) {
        return Err(Error::Usage(format!("the out folder {o} lies in the inbox {i}: keep them apart, name another folder with --out")));
    }
    for name in ours::FOLDERS {
        let below = real(&out.join(name));
        if inside(&below, &there) || inside(&there, &below) {
            return Err(Error::Usage(format!("'{name}' in the out folder {o} leads to the inbox {i}: keep them apart, remove that link")));
        }
    }
    Ok(())
}

/// The path without links and dots, also where its end is not there yet.
fn real(path: &Path) -> PathBuf {
    let mut at = std::path::absolute(path).unwrap_or_else(|_| path.to_path_buf());
    let mut missing = Vec::new();
    while at.canonicalize().is_err() {
        let Some(last) = at.components().next_back() else { break };
        missing.push(match last {
            Component::Normal(name) => Some(name.to_os_string()),
            _ => None,
        });
        if !at.pop() {
            break;
        }
    }
    let mut whole = at.canonicalize().unwrap_or(at);
    for name in missing.into_iter().rev() {
        match name {
            Some(name) => whole.push(name),
            None => drop(whole.pop()),
        }
    }
    whole
}
