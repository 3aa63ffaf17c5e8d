//! Where the clips lie: a folder that every machine sees.

use crate::error::{Error, Result};
use std::path::{Component, Path, PathBuf};

/// The place of the clips.
#[derive(Debug, Clone)]
pub struct Media {
    folder: PathBuf,
}

impl Media {
    /// A folder that is there. Error: usage.
    pub fn open(text: &str) -> Result<Media> {
        let folder = PathBuf::from(text);
        if !folder.is_dir() {
            return Err(Error::Usage(format!(
                "the media folder {text} is not there: mount it on this machine, or name another with --media"
            )));
        }
        Ok(Media { folder })
    }

    /// The clip of a job, by its path below the media folder. Error: the path would lead out of the folder.
    pub fn path(&self, below: &str) -> Result<PathBuf> {
        let path = Path::new(below);
        if below.is_empty() || !path.components().all(|c| matches!(c, Component::Normal(_))) {
            return Err(Error::Internal(format!("a job names '{below}', which does not lie below the media folder")));
        }
        Ok(self.folder.join(path))
    }
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
