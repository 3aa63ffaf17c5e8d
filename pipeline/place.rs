//! Putting files where readers find them: temporary name, fsync, rename. A half-written file is never visible.

use crate::error::{Error, Result};
use crate::fault;
use std::fs::{self, File, OpenOptions};
use std::io::{ErrorKind, Write};
use std::os::unix::fs::{DirBuilderExt, OpenOptionsExt};
use std::path::{Path, PathBuf};

/// Ending of a file that is still being written.
const PART: &str = "part";

/// The out folder and the places in it.
#[derive(Debug, Clone)]
pub struct OutFolder {
    root: PathBuf,
}

impl OutFolder {
    /// Makes the folder (readable by its owner only) where it is missing. An error says what to do.
    pub fn open(root: &Path) -> Result<OutFolder> {
        let out = OutFolder { root: root.to_path_buf() };
        out.folder("").map_err(|_| not_writable(root))?;
        let probe = root.join(".write-test");
        write_private(&probe, b"").map_err(|_| not_writable(root))?;
        // another program that looks at the same folder may have been faster
        match fs::remove_file(&probe) {
            Err(e) if e.kind() != ErrorKind::NotFound => return Err(not_writable(root)),
            _ => {}
        }
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

    /// Only one program at a time changes an out folder; the lock lasts as long as the returned file. The kernel lets go of
    /// a dead program's lock, so none is ever stale. Error: who holds it.
    pub fn lock(&self) -> Result<File> {
        let path = self.root.join("dawnsheet.lock");
        let mut file =
            OpenOptions::new().read(true).write(true).create(true).truncate(false).mode(0o600).open(&path).map_err(Error::file(&path))?;
        if file.try_lock().is_err() {
            let holder = fs::read_to_string(&path).unwrap_or_default();
            let holder = if holder.trim().is_empty() { String::new() } else { format!(" ({})", holder.trim()) };
            let folder = self.root.display();
            return Err(Error::Usage(format!("another run works on {folder}{holder}: wait for it, or choose another --out")));
        }
        let about = format!("process {}, since {}\n", std::process::id(), jiff::Zoned::now().strftime("%Y-%m-%d %H:%M"));
        file.set_len(0).and_then(|()| file.write_all(about.as_bytes())).map_err(Error::file(&path))?;
        Ok(file)
    }

    /// The store.
    pub fn store(&self) -> PathBuf {
        self.root.join("dawnsheet.sqlite")
    }

    /// Folder for a student's exports where none is named; erased with the student.
    pub fn exports(&self, owner: &str) -> PathBuf {
        self.root.join("export").join(owner)
    }

    /// Folder of a clip's key pictures.
    pub fn pictures(&self, id: &str) -> PathBuf {
        self.root.join("sheet/pictures").join(id)
    }

    /// A fresh folder for one worker; whatever a dead one left there is gone.
    pub fn staging(&self, name: &str) -> Result<PathBuf> {
        remove(&self.folder("staging")?.join(name))?;
        self.folder(&format!("staging/{name}"))
    }

    /// Removes what an interrupted run left half made: worker folders and files never renamed into place.
    pub fn sweep(&self) -> Result<()> {
        remove(&self.root.join("staging"))?;
        for file in walkdir::WalkDir::new(&self.root).into_iter().filter_map(std::result::Result::ok) {
            if file.file_type().is_file() && file.path().extension().is_some_and(|e| e == PART) {
                remove(file.path())?;
            }
        }
        Ok(())
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
    let part = path.with_extension(PART);
    fault::point().and_then(|()| write_private(&part, bytes)).map_err(Error::file(&part))?;
    rename(&part, path).map_err(Error::file(path))
}

/// Moves a finished file or folder (of the same file system) into place, after its contents are on disk.
pub fn put(from: &Path, to: &Path) -> Result<()> {
    if from.is_dir() {
        for entry in fs::read_dir(from).map_err(Error::file(from))? {
            let path = entry.map_err(Error::file(from))?.path();
            sync(&path).map_err(Error::file(&path))?;
        }
        if let Some(parent) = to.parent() {
            fs::DirBuilder::new().recursive(true).mode(0o700).create(parent).map_err(Error::file(parent))?;
        }
        // two students may have sent the same clip, whose workers end at the same moment
        for _ in 0..RACES {
            match remove(to).and_then(|()| rename(from, to).map_err(Error::file(to))) {
                Err(Error::File { source, .. })
                    if matches!(source.kind(), ErrorKind::DirectoryNotEmpty | ErrorKind::AlreadyExists | ErrorKind::IsADirectory) => {}
                done => return done,
            }
        }
        remove(to)?;
    } else {
        sync(from).map_err(Error::file(from))?;
    }
    rename(from, to).map_err(Error::file(to))
}

/// How often somebody else may put a folder in the same place in between.
const RACES: usize = 20;

/// Removes a file or a folder with all in it; it may be gone already.
pub fn remove(path: &Path) -> Result<()> {
    let removed = fault::point().and_then(|()| if path.is_dir() { fs::remove_dir_all(path) } else { fs::remove_file(path) });
    match removed {
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
        std::thread::scope(|scope| {
            for who in 0..2 {
                let (place, to) = (place.path(), &to);
                scope.spawn(move || {
                    for n in 0..150 {
                        let from = place.join(format!("from-{who}-{n}"));
                        fs::create_dir(&from).unwrap();
                        for picture in ["a.jpg", "b.jpg", "c.jpg"] {
                            fs::write(from.join(picture), b"picture").unwrap();
                        }
                        put(&from, to).unwrap();
                    }
                });
            }
        });
        assert_eq!(fs::read_dir(&to).unwrap().count(), 3);
    }
}
