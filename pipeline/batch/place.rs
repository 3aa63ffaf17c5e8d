//! Putting files where readers find them: temporary name, fsync, rename. A half-written file is never visible.

use crate::error::{Error, Result};
use std::fs::{self, File, OpenOptions};
use std::io::Write;
use std::os::unix::fs::{DirBuilderExt, OpenOptionsExt};
use std::path::{Path, PathBuf};

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
        fs::remove_file(&probe).map_err(|_| not_writable(root))?;
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

    /// Folder of a clip's key pictures.
    pub fn pictures(&self, id: &str) -> PathBuf {
        self.root.join("sheet/pictures").join(id)
    }

    /// A fresh folder for one worker; whatever a dead one left there is gone.
    pub fn staging(&self, name: &str) -> Result<PathBuf> {
        let path = self.folder("staging")?.join(name);
        if path.exists() {
            fs::remove_dir_all(&path).map_err(Error::file(&path))?;
        }
        self.folder(&format!("staging/{name}"))
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

fn sync_folder(path: &Path) -> std::io::Result<()> {
    File::open(path.parent().unwrap_or(Path::new(".")))?.sync_all()
}

/// Writes a file whole or not at all.
pub fn write(path: &Path, bytes: &[u8]) -> Result<()> {
    let part = path.with_extension("part");
    write_private(&part, bytes).map_err(Error::file(&part))?;
    fs::rename(&part, path).map_err(Error::file(path))?;
    sync_folder(path).map_err(Error::file(path))
}

/// Moves a finished file or folder (of the same file system) into place, after its contents are on disk.
pub fn put(from: &Path, to: &Path) -> Result<()> {
    if from.is_dir() {
        for entry in fs::read_dir(from).map_err(Error::file(from))? {
            let path = entry.map_err(Error::file(from))?.path();
            File::open(&path).and_then(|f| f.sync_all()).map_err(Error::file(&path))?;
        }
        if let Some(parent) = to.parent() {
            fs::DirBuilder::new().recursive(true).mode(0o700).create(parent).map_err(Error::file(parent))?;
        }
        if to.exists() {
            fs::remove_dir_all(to).map_err(Error::file(to))?;
        }
    } else {
        File::open(from).and_then(|f| f.sync_all()).map_err(Error::file(from))?;
    }
    fs::rename(from, to).map_err(Error::file(to))?;
    sync_folder(to).map_err(Error::file(to))
}
