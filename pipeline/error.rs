//! Errors that stop a command. A clip that fails is not one: it is a report with a reason.

use std::io::ErrorKind;
use std::path::{Path, PathBuf};

/// Result of this crate.
pub type Result<T> = std::result::Result<T, Error>;

/// Why a command or a worker stops. Each message says what to do.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum Error {
    /// The command line, settings, roster or a sidecar is wrong.
    #[error("{0}")]
    Usage(String),
    /// Models, libraries or programs are missing or unfit.
    #[error("{0}")]
    Installation(String),
    /// A file of ours cannot be read or written.
    #[error("{}: {source}", path.display())]
    File { path: PathBuf, source: std::io::Error },
    /// The video or image library failed.
    #[error("video library: {0}")]
    Video(String),
    /// The inference library failed.
    #[error("inference: {0}")]
    Inference(String),
    /// The store failed.
    #[error("store: {0}")]
    Store(#[from] rusqlite::Error),
    /// The PostgreSQL database failed.
    #[error("database: {0}")]
    Database(String),
    /// A later attempt took the clip; this one's result is not written.
    #[error("a later attempt took this clip: nothing of this one was written")]
    LeaseLost,
    /// A broken promise inside the program.
    #[error("internal: {0}")]
    Internal(String),
}

impl Error {
    /// Wraps an OpenCV error.
    pub fn opencv(e: opencv::Error) -> Error {
        Error::Video(e.to_string())
    }

    /// Wraps an ONNX Runtime error.
    pub fn inference(e: impl std::fmt::Display) -> Error {
        Error::Inference(e.to_string())
    }

    /// Wraps an I/O error with the file it is about.
    pub fn file(path: &Path) -> impl FnOnce(std::io::Error) -> Error + '_ {
        move |source| Error::File { path: path.to_path_buf(), source }
    }

    /// Whether a file could not be written for want of space: no clip can be worked on here until somebody makes room.
    pub fn is_out_of_space(&self) -> bool {
        matches!(self, Error::File { source, .. } if matches!(source.kind(), ErrorKind::StorageFull | ErrorKind::QuotaExceeded))
    }

    /// Exit code: 2 for what was wrong before anything started, 1 otherwise.
    pub fn exit_code(&self) -> u8 {
        match self {
            Error::Usage(_) | Error::Installation(_) => 2,
            _ => 1,
        }
    }
}
