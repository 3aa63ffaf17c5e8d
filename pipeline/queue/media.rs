//! Where the clips lie: a folder that every machine sees, or object storage.

use super::objects::Objects;
use crate::error::{Error, Result};
use crate::intake::admit::{Admitted, admit};
use crate::intake::inbox::Found;
use crate::intake::{Roster, Upload, walk};
use crate::judge::Identity;
use crate::report::Reason;
use crate::settings::Settings;
use std::io::Read;
use std::path::{Component, Path, PathBuf};
use std::time::SystemTime;

/// The place of the clips.
#[derive(Debug)]
pub enum Media {
    Folder(PathBuf),
    Objects(Objects),
}

/// A clip at hand. What was brought for it alone is removed with the value.
#[derive(Debug)]
pub struct Clip {
    path: PathBuf,
    /// As it was before it was hashed.
    stamp: Option<Stamp>,
    _scratch: Option<tempfile::TempPath>,
}

/// Size, time of the last change and number of a file.
type Stamp = (u64, Option<SystemTime>, u64);

fn stamp(path: &Path) -> Option<Stamp> {
    use std::os::unix::fs::MetadataExt;
    std::fs::symlink_metadata(path).ok().map(|m| (m.len(), m.modified().ok(), m.ino()))
}

impl Clip {
    fn at(path: PathBuf, scratch: Option<tempfile::TempPath>) -> Clip {
        Clip { stamp: stamp(&path), path, _scratch: scratch }
    }

    /// Where it lies on this machine.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Whether another file lies there by now, or none.
    pub fn changed(&self) -> bool {
        self.stamp.is_none() || stamp(&self.path) != self.stamp
    }
}

impl Media {
    /// A folder that is there, or a URL. Error: usage.
    pub fn open(text: &str) -> Result<Media> {
        if text.contains("://") {
            return Ok(Media::Objects(Objects::open(text)?));
        }
        let folder = PathBuf::from(text);
        if !folder.is_dir() {
            return Err(Error::Usage(format!(
                "the media folder {text} is not there: mount it on this machine, or name another with --media"
            )));
        }
        Ok(Media::Folder(folder))
    }

    /// The roster that lies beside the students' folders, or an empty one.
    pub fn roster(&self) -> Result<Roster> {
        match self {
            Media::Folder(folder) => Roster::load(Some(folder.join("roster.toml")).as_deref().filter(|p| p.is_file())),
            Media::Objects(objects) => objects.roster(),
        }
    }

    /// The clips that lie here, and the folders that cannot be read.
    pub fn uploads(&self, roster: &Roster, settings: &Settings) -> Result<Found> {
        match self {
            Media::Folder(folder) => walk(folder, roster, settings),
            Media::Objects(objects) => Ok(Found { uploads: objects.uploads(roster, settings)?, ..Found::default() }),
        }
    }

    /// Checks and hashes one of [`Media::uploads`].
    pub fn admit(&self, upload: &Upload, settings: &Settings) -> std::result::Result<Admitted, Reason> {
        match self {
            Media::Folder(_) => admit(&upload.path, settings),
            Media::Objects(objects) => objects.admit(&upload.brief.file, upload.bytes, settings),
        }
    }

    /// Why a worker would not find a file of this name and size here, where that is so.
    pub fn lacks(&self, below: &str, bytes: u64) -> Option<String> {
        match self {
            Media::Folder(_) if self.path(below).is_ok_and(|p| p.is_file()) => None,
            Media::Folder(_) => Some("not found below the media folder under this name".into()),
            Media::Objects(objects) => match objects.size(below) {
                Ok(Some(there)) if there == bytes => None,
                Ok(Some(_)) => Some("another file lies in the media under this name: upload again".into()),
                Ok(None) => Some("not found in the media under this name: upload it first".into()),
                Err(why) => Some(why),
            },
        }
    }

    /// The clip of a job with the bytes that were enqueued; out of object storage into a scratch file in the temporary folder
    /// of this machine. Errors: gone, changed, over the cap of the settings, no space.
    pub fn fetch(&self, identity: &Identity, settings: &Settings) -> Result<Clip> {
        let below = &identity.brief.file;
        let changed = || Error::Internal("the clip changed since it was enqueued: enqueue again".into());
        let clip = match self {
            Media::Folder(_) => Clip::at(self.path(below)?, None),
            Media::Objects(objects) => scratch(objects, identity, settings)?,
        };
        match admit(&clip.path, settings) {
            Ok(a) if a.sha256 == identity.sha256 => Ok(clip),
            Ok(_) => Err(changed()),
            Err(why) => Err(Error::Internal(format!("the clip cannot be read below the media folder: {}", why.text))),
        }
    }

    /// By its path below a media folder. Error: the path would lead out of the folder, or there is no folder.
    fn path(&self, below: &str) -> Result<PathBuf> {
        let path = Path::new(below);
        match self {
            Media::Folder(folder) if !below.is_empty() && path.components().all(|c| matches!(c, Component::Normal(_))) => {
                Ok(folder.join(path))
            }
            _ => Err(Error::Internal(format!("a job names '{below}', which does not lie below the media folder"))),
        }
    }
}

/// Downloads no more than was enqueued: what is longer has other bytes anyway.
fn scratch(objects: &Objects, identity: &Identity, settings: &Settings) -> Result<Clip> {
    let cap = (settings.intake.max_megabytes * 1e6) as u64;
    let limit = identity.bytes.min(cap) + 1;
    let folder = std::env::temp_dir();
    let failed = |e: std::io::Error| match e.kind() {
        std::io::ErrorKind::Other | std::io::ErrorKind::NotFound => Error::Internal(format!("the clip was not downloaded: {e}")),
        _ => Error::File { path: folder.clone(), source: e },
    };
    let mut file = tempfile::Builder::new().prefix("dawnsheet-clip-").tempfile().map_err(failed)?;
    let mut reader = objects.read(&identity.brief.file).map_err(Error::Internal)?.take(limit);
    std::io::copy(&mut reader, &mut file).map_err(failed)?;
    let scratch = file.into_temp_path();
    Ok(Clip::at(scratch.to_path_buf(), Some(scratch)))
}

#[cfg(test)]
mod tests {
    use super::Media;

    #[test]
    fn no_job_reads_outside_the_media_folder() {
        let folder = tempfile::tempdir().unwrap();
        let media = Media::open(folder.path().to_str().unwrap()).unwrap();
        assert_eq!(media.path("a/b.mp4").unwrap(), folder.path().join("a/b.mp4"));
        for out in ["", "/etc/passwd", "../x.mp4", "a/../../x.mp4", "./a.mp4"] {
            assert!(media.path(out).is_err(), "{out}");
        }
        assert!(Media::open("/no/such/folder").is_err());
    }
}
