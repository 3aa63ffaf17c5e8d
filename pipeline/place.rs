//! Putting files where readers find them: temporary name, fsync, rename. A half-written file is never visible. Nothing is
//! removed but what this program wrote: `claim` says which folders are its own, `ours` which names in them.

mod claim;
pub mod ours;

pub use claim::apart;

use crate::error::{Error, Result};
use crate::fault;
use std::collections::BTreeSet;
use std::fs::{self, File, OpenOptions};
use std::io::{ErrorKind, Write};
use std::os::unix::fs::{DirBuilderExt, OpenOptionsExt};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};
use walkdir::WalkDir;

/// The out folder and the places in it.
#[derive(Debug, Clone)]
pub struct OutFolder {
    root: PathBuf,
}

impl OutFolder {
    /// Makes the folder (readable by its owner only) where it is missing, and ours where it is empty. Errors say what to do:
    /// it holds something else, or cannot be written.
    pub fn open(root: &Path) -> Result<OutFolder> {
        let out = OutFolder { root: root.to_path_buf() };
        out.folder("").map_err(|_| not_writable(root))?;
        tempfile::tempfile_in(root).map_err(|_| not_writable(root))?;
        claim::claim(root)?;
        Ok(out)
    }

    /// The folder itself.
    pub fn root(&self) -> &Path {
        &self.root
    }

    /// A folder below, made where it is missing.
    pub fn folder(&self, below: &str) -> Result<PathBuf> {
        let path = self.root.join(below);
        fs::DirBuilder::new().recursive(true).mode(0o700).create(&path).map_err(Error::file(&path))?;
        Ok(path)
    }

    /// Path of a clip's report.
    pub fn report(&self, slug: &str, id: &str) -> Result<PathBuf> {
        Ok(self.folder(&format!("reports/{slug}"))?.join(format!("{id}.json")))
    }

    /// Path of what the models saw of a clip.
    pub fn keypoints(&self, id: &str) -> Result<PathBuf> {
        Ok(self.folder("keypoints")?.join(format!("{id}.npz")))
    }

    /// Only one program at a time works on the clips of an out folder; the lock lasts as long as the returned file. The kernel
    /// lets go of a dead program's lock, so none is ever stale. Error: who holds it.
    pub fn lock(&self) -> Result<File> {
        let path = self.lock_path();
        let mut file = lock_file(&path)?;
        if file.try_lock().is_err() {
            // others that share it do so with this one too
            return Err(if file.try_lock_shared().is_ok() { self.clips_come_in() } else { self.is_taken() });
        }
        let about = format!("process {}, since {}\n", std::process::id(), jiff::Zoned::now().strftime("%Y-%m-%d %H:%M"));
        file.set_len(0).and_then(|()| file.write_all(about.as_bytes())).map_err(Error::file(&path))?;
        Ok(file)
    }

    /// As [`OutFolder::lock`], shared with others who each put single clips there and touch nothing else.
    pub fn lock_beside(&self) -> Result<File> {
        let file = lock_file(&self.lock_path())?;
        if file.try_lock_shared().is_err() { Err(self.is_taken()) } else { Ok(file) }
    }

    fn lock_path(&self) -> PathBuf {
        self.root.join("dawnsheet.lock")
    }

    fn is_taken(&self) -> Error {
        let holder = fs::read_to_string(self.lock_path()).unwrap_or_default();
        let holder = if holder.trim().is_empty() { String::new() } else { format!(" ({})", holder.trim()) };
        Error::Usage(format!("another run works on {}{holder}: wait for it, or choose another --out", self.root.display()))
    }

    fn clips_come_in(&self) -> Error {
        Error::Usage(format!("single clips are being measured into {}: wait for them, or choose another --out", self.root.display()))
    }

    /// The right to write what readers see of all clips together: the coach's words, exports, the pages. Held for moments, by
    /// everybody who does, also beside a run; who comes second waits. Error: usage, where it does not come free.
    pub fn pen(&self) -> Result<Pen> {
        let file = lock_file(&self.root.join("dawnsheet.pen"))?;
        let began = Instant::now();
        while file.try_lock().is_err() {
            if began.elapsed() > PATIENCE {
                let folder = self.root.display();
                return Err(Error::Usage(format!("another program has been writing in {folder} for a while: try again when it is done")));
            }
            std::thread::sleep(Duration::from_millis(20));
        }
        Ok(Pen { _held: file })
    }

    /// The store.
    pub fn store(&self) -> PathBuf {
        self.root.join("dawnsheet.sqlite")
    }

    /// Folder for a student's exports where none is named; erased with the student.
    pub fn exports(&self, owner: &str) -> PathBuf {
        self.root.join("export").join(owner)
    }

    /// Folder for a student's answers of one day; erased with the student.
    pub fn answers(&self, owner: &str, day: &str) -> PathBuf {
        self.root.join("answers").join(owner).join(day)
    }

    /// Puts an answer, made in `from`, in place of an earlier one of that day.
    pub fn put_answer(&self, from: &Path, owner: &str, day: &str) -> Result<()> {
        self.folder(&format!("answers/{owner}"))?;
        put_all(from, &self.answers(owner, day), ours::answer)
    }

    /// Removes a student's answers; how many files there were.
    pub fn erase_answers(&self, owner: &str) -> Result<usize> {
        let folder = self.root.join("answers").join(owner);
        let mut gone = 0;
        for (path, _) in inside(&folder)?.into_iter().filter(|(_, name)| ours::answer_day(name)) {
            gone += clear(&path, ours::answer)?;
        }
        Ok(gone + clear(&folder, ours::part)?)
    }

    /// Folder of a clip's key pictures.
    pub fn pictures(&self, id: &str) -> PathBuf {
        self.root.join("sheet/pictures").join(id)
    }

    /// A fresh folder for one worker; what a dead one left there is gone.
    pub fn staging(&self, name: &str) -> Result<PathBuf> {
        self.end_staging(&self.folder("staging")?.join(name))?;
        self.folder(&format!("staging/{name}"))
    }

    /// Removes a worker's folder.
    pub fn end_staging(&self, folder: &Path) -> Result<()> {
        for part in ["film", "whole"].map(|name| folder.join(name)).iter().map(PathBuf::as_path).chain([folder]) {
            clear(&part.join("pictures"), ours::picture)?;
            clear(part, |name| ours::workers(name) || ours::answer(name))?;
        }
        Ok(())
    }

    /// Removes what killed workers left of this student's clips, and of the clips with these `ids`.
    pub fn erase_staging(&self, owner: &str, ids: &BTreeSet<&str>) -> Result<()> {
        for (path, name) in inside(&self.root.join("staging"))?.into_iter().filter(|(_, name)| ours::worker(name)) {
            let (id, rest) = name.split_at(16);
            if ids.contains(id) || rest.strip_prefix('-').is_some_and(|of| of.starts_with(owner)) {
                self.end_staging(&path)?;
            }
        }
        Ok(())
    }

    /// Removes what an interrupted run left half made: worker folders and files never renamed into place.
    pub fn sweep(&self) -> Result<()> {
        for (path, name) in inside(&self.root.join("staging"))? {
            if ours::worker(&name) {
                self.end_staging(&path)?;
            }
        }
        let parts = |e: &walkdir::DirEntry| e.file_type().is_file() && ours::part(&e.file_name().to_string_lossy());
        let own = ours::FOLDERS.iter().map(|name| (self.root.join(name), usize::MAX));
        for (folder, depth) in own.chain([(self.root.clone(), 1)]) {
            if depth > 1 && !is_real_folder(&folder) {
                continue;
            }
            for file in WalkDir::new(&folder).max_depth(depth).into_iter().filter_map(std::result::Result::ok).filter(parts) {
                remove(file.path())?;
            }
        }
        Ok(())
    }

    /// Puts a clip's key pictures, made in `from`, in place of earlier ones.
    pub fn put_pictures(&self, from: &Path, id: &str) -> Result<()> {
        put_all(from, &self.pictures(id), ours::picture)
    }

    /// Removes a clip's key pictures; how many there were.
    pub fn erase_pictures(&self, id: &str) -> Result<usize> {
        clear(&self.pictures(id), ours::picture)
    }

    /// Removes a student's reports; how many there were.
    pub fn erase_reports(&self, owner: &str) -> Result<usize> {
        clear(&self.root.join("reports").join(owner), |name| ours::report(name) || ours::part(name))
    }

    /// Removes a student's exports; how many files there were.
    pub fn erase_exports(&self, owner: &str) -> Result<usize> {
        let folder = self.exports(owner);
        let mut gone = 0;
        for (path, _) in inside(&folder)?.into_iter().filter(|(_, name)| ours::clip(name)) {
            gone += clear(&path, ours::export)?;
        }
        Ok(gone + clear(&folder, ours::export)?)
    }
}

/// The right to write, as long as it is kept.
pub struct Pen {
    _held: File,
}

/// How long somebody waits for the pen.
const PATIENCE: Duration = Duration::from_secs(60);

/// A file to lock; what a link of its name leads to is not touched.
fn lock_file(path: &Path) -> Result<File> {
    let no_link = rustix::fs::OFlags::NOFOLLOW.bits() as i32;
    let mut options = OpenOptions::new();
    options.read(true).write(true).create(true).truncate(false).mode(0o600).custom_flags(no_link);
    options.open(path).map_err(Error::file(path))
}

fn is_real_folder(path: &Path) -> bool {
    fs::symlink_metadata(path).is_ok_and(|m| m.is_dir())
}

/// Paths and names in a folder; none where it is no folder, or a link to one.
fn inside(folder: &Path) -> Result<Vec<(PathBuf, String)>> {
    if !is_real_folder(folder) {
        return Ok(Vec::new());
    }
    let entry = |e: std::io::Result<fs::DirEntry>| e.map(|e| (e.path(), e.file_name().to_string_lossy().into_owned()));
    fs::read_dir(folder).and_then(|all| all.map(entry).collect()).map_err(Error::file(folder))
}

/// Removes the files of a folder that are `ours`, and the folder where nothing is left in it; how many files.
fn clear(folder: &Path, ours: impl Fn(&str) -> bool) -> Result<usize> {
    let mut gone = 0;
    for (path, name) in inside(folder)? {
        if ours(&name) && !is_real_folder(&path) {
            remove(&path)?;
            gone += 1;
        }
    }
    match fault::point().and_then(|()| fs::remove_dir(folder)) {
        Err(e) if !matches!(e.kind(), ErrorKind::NotFound | ErrorKind::DirectoryNotEmpty | ErrorKind::NotADirectory) => {
            Err(Error::file(folder)(e))
        }
        _ => Ok(gone),
    }
}

fn not_writable(root: &Path) -> Error {
    Error::Usage(format!("the out folder {} cannot be written: choose another with --out, or mend its permissions", root.display()))
}

fn write_private(path: &Path, bytes: &[u8]) -> std::io::Result<()> {
    let mut file = OpenOptions::new().write(true).create(true).truncate(true).mode(0o600).open(path)?;
    file.write_all(bytes)?;
    file.sync_all()
}

fn sync(path: &Path) -> std::io::Result<()> {
    fault::point()?;
    File::open(path)?.sync_all()
}

/// Renames and makes the new name last.
fn rename(from: &Path, to: &Path) -> std::io::Result<()> {
    fault::point()?;
    fs::rename(from, to)?;
    sync(to.parent().unwrap_or(Path::new(".")))?;
    fault::point()
}

/// Writes a file whole or not at all.
pub fn write(path: &Path, bytes: &[u8]) -> Result<()> {
    let part = path.with_file_name(ours::part_of(&path.file_name().unwrap_or_default().to_string_lossy()));
    fault::point().and_then(|()| write_private(&part, bytes)).map_err(Error::file(&part))?;
    rename(&part, path).map_err(Error::file(path))
}

/// Moves a finished file (of the same file system) into place, after its contents are on disk.
pub fn put(from: &Path, to: &Path) -> Result<()> {
    sync(from).map_err(Error::file(from))?;
    rename(from, to).map_err(Error::file(to))
}

/// Moves the files of `from` into the folder `to`, and removes of those there before what is `ours` and was not among them.
/// Two students may have sent the same clip, whose workers end at the same moment.
fn put_all(from: &Path, to: &Path, ours: impl Fn(&str) -> bool) -> Result<()> {
    fs::DirBuilder::new().recursive(true).mode(0o700).create(to).map_err(Error::file(to))?;
    let made = inside(from)?;
    for (path, name) in &made {
        sync(path).and_then(|()| fs::rename(path, to.join(name))).map_err(Error::file(path))?;
    }
    for (path, name) in inside(to)? {
        if ours(&name) && !made.iter().any(|(_, new)| *new == name) {
            remove(&path)?;
        }
    }
    sync(to).map_err(Error::file(to))
}

/// Removes a file; it may be gone already.
pub fn remove(path: &Path) -> Result<()> {
    match fault::point().and_then(|()| fs::remove_file(path)) {
        Err(e) if e.kind() != ErrorKind::NotFound => Err(Error::file(path)(e)),
        _ => Ok(()),
    }
}

/// Bytes below which a folder counts as full: what one clip leaves there, and some.
const SCARCE: u64 = 4_000_000;

/// Whether the file system of a folder has next to no space left.
pub fn is_full(folder: &Path) -> bool {
    rustix::fs::statvfs(folder).is_ok_and(|s| s.f_bavail.saturating_mul(s.f_frsize) < SCARCE)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_that_put_the_same_pictures_in_place_at_once_both_do() {
        let place = tempfile::tempdir().unwrap();
        let to = place.path().join("pictures");
        fs::create_dir(&to).unwrap();
        fs::write(to.join("finish.jpg"), b"earlier").unwrap();
        fs::write(to.join("top.jpg"), b"earlier").unwrap();
        fs::write(to.join("impact.jpg"), b"no more").unwrap();
        let ours = |name: &str| name != "finish.jpg";
        std::thread::scope(|scope| {
            for who in 0..2 {
                let (place, to) = (place.path(), &to);
                scope.spawn(move || {
                    for n in 0..150 {
                        let from = place.join(format!("from-{who}-{n}"));
                        fs::create_dir(&from).unwrap();
                        for picture in ["address.jpg", "top.jpg"] {
                            fs::write(from.join(picture), b"picture").unwrap();
                        }
                        put_all(&from, to, ours).unwrap();
                    }
                });
            }
        });
        let mut left: Vec<String> = inside(&to).unwrap().into_iter().map(|(_, name)| name).collect();
        left.sort();
        assert_eq!(left, ["address.jpg", "finish.jpg", "top.jpg"]);
        assert_eq!(fs::read(to.join("top.jpg")).unwrap(), b"picture");
    }
}
