//! ONNX Runtime: started once, one session a model file.

use super::models::mend;
use crate::error::{Error, Result};
use ort::{environment::Environment, session::Session};
use std::path::Path;

/// Starts ONNX Runtime from the library file. Errors say what to do.
pub fn environment(library: &Path) -> Result<Environment> {
    let builder = ort::init_from(library)
        .map_err(|e| Error::Installation(format!("ONNX Runtime cannot be loaded from {} ({e}): {}", library.display(), mend())))?;
    builder.with_telemetry(false).build().map_err(Error::inference)
}

/// One session on one thread: two clips side by side beat two threads on one clip.
pub(super) fn session(environment: &Environment, path: &Path) -> Result<Session> {
    let build = || -> std::result::Result<Session, String> {
        let builder = Session::builder(environment).map_err(|e| e.to_string())?;
        let builder = builder.with_intra_threads(1).map_err(|e| e.to_string())?;
        let mut builder = builder.with_inter_threads(1).map_err(|e| e.to_string())?;
        builder.commit_from_file(path).map_err(|e| e.to_string())
    };
    build().map_err(|e| Error::Installation(format!("{} cannot be loaded ({e}): {}", path.display(), mend())))
}
