//! The files of `models/`: where they are, whether they are the right ones, and sessions on them.
//! The program never downloads; `scripts/setup` does.

use crate::error::{Error, Result};
pub use crate::report::types::ModelChoice;
use crate::report::types::UNKNOWN;
use rayon::iter::{IntoParallelIterator, ParallelIterator};
use serde::Deserialize;
use sha2::{Digest, Sha256};
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

const MANIFEST: &str = include_str!("../../models/manifest.toml");

#[derive(Debug, Deserialize)]
struct Manifest {
    model: Vec<File>,
    runtime: Vec<File>,
}

#[derive(Debug, Deserialize, Clone)]
struct File {
    #[serde(default)]
    id: String,
    file: String,
    sha256: String,
    #[serde(default)]
    machine: String,
}

impl ModelChoice {
    /// Ids of the landmark and outline files in the manifest that places are measured with.
    pub fn files(self) -> [&'static str; 2] {
        match self {
            ModelChoice::Accurate | ModelChoice::Exhaustive | ModelChoice::Unknown => ["landmark_heavy", "outline_heavy"],
            ModelChoice::Fast => ["landmark_full", "outline_full"],
        }
    }

    /// Ids of the landmark files that find the golfer and the swings: the next where the one before saw no whole swing. (The lite
    /// one alone loses rest and view more often: on rendered clips a fifth instead of an eighth of the faultless ones then ask
    /// for a look.)
    pub fn scouts(self) -> &'static [&'static str] {
        if self == ModelChoice::Fast { &["landmark_lite", "landmark_full"] } else { &["landmark_full"] }
    }

    /// Id of the landmark file that tells about when the moments are.
    pub fn dense(self) -> &'static str {
        match self {
            ModelChoice::Exhaustive => "landmark_heavy",
            ModelChoice::Unknown => UNKNOWN,
            _ => "landmark_lite",
        }
    }

    /// Ids of all files that look at a clip.
    pub fn all_files(self) -> impl Iterator<Item = &'static str> {
        ["detector"].into_iter().chain(self.scouts().iter().copied()).chain([self.dense()]).chain(self.files()).filter(|id| *id != UNKNOWN)
    }
}

/// This program's own file, whatever links to it.
pub fn own_program() -> Option<PathBuf> {
    std::env::current_exe().ok()?.canonicalize().ok()
}

/// `models` beside a program or in a folder above it: a package keeps programs and models in one folder (`lib/dawnsheet`), a
/// clone of the repository its programs below itself.
fn beside(program: &Path) -> Option<PathBuf> {
    program.ancestors().skip(1).map(|d| d.join("models")).find(|d| d.join("manifest.toml").is_file())
}

/// What mends an installation: who has a package has no `scripts/setup`.
pub fn mend() -> &'static str {
    mend_of(own_program().as_deref())
}

fn mend_of(program: Option<&Path>) -> &'static str {
    let packaged = program.and_then(Path::parent).is_some_and(|folder| folder.ends_with(PACKAGED));
    if packaged { "install dawnsheet's package again" } else { "run scripts/setup" }
}

/// Where a package keeps what belongs together.
const PACKAGED: &str = "lib/dawnsheet";

/// The folder `models/` and what its manifest (built into the program) says must be in it.
pub struct Models {
    folder: PathBuf,
    manifest: Manifest,
}

impl Models {
    /// Finds the folder: `DAWNSHEET_MODELS`, else `models` beside the program or in a folder above it, else in the current folder.
    pub fn locate() -> Models {
        let manifest = toml::from_str(MANIFEST).expect("invariant: the built-in manifest parses (a test reads it)");
        let named = std::env::var_os("DAWNSHEET_MODELS").map(PathBuf::from);
        let folder = named.or_else(|| beside(&own_program()?)).unwrap_or_else(|| PathBuf::from("models"));
        Models { folder, manifest }
    }

    /// The folder in use.
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    fn file(&self, id: &str) -> &File {
        self.manifest.model.iter().find(|f| f.id == id).expect("invariant: ids come from ModelChoice and are in the manifest")
    }

    /// sha256 of a model file as the manifest pins it.
    pub fn pinned_sha256(&self, id: &str) -> &str {
        &self.file(id).sha256
    }

    /// One hash for all that looks at a clip with this choice.
    pub fn combined_sha256(&self, choice: ModelChoice) -> String {
        if choice == ModelChoice::Unknown {
            return UNKNOWN.into();
        }
        let mut all = Sha256::new();
        for id in choice.all_files() {
            all.update(self.pinned_sha256(id));
        }
        hex(&all.finalize())
    }

    /// Checks the hashes of all files that these choices need, and of ONNX Runtime. Errors name the file and the command that
    /// mends it. Whoever starts workers calls this once; they load the files without hashing them again.
    pub fn check_for(&self, choices: &[ModelChoice]) -> Result<()> {
        let ids: BTreeSet<&str> = choices.iter().flat_map(|c| c.all_files()).collect();
        ids.into_par_iter().try_for_each(|id| self.check(self.file(id)).map(|_| ()))?;
        if std::env::var_os("ORT_DYLIB_PATH").is_none() {
            self.check(self.pinned_runtime()?)?;
        }
        Ok(())
    }

    /// Path of a model file, its hash not checked.
    pub fn path(&self, id: &str) -> PathBuf {
        self.folder.join(&self.file(id).file)
    }

    /// Path of the ONNX Runtime library for this machine: `ORT_DYLIB_PATH` (taken as it is) or the pinned one, its hash not checked.
    pub fn runtime(&self) -> Result<PathBuf> {
        match std::env::var_os("ORT_DYLIB_PATH") {
            Some(path) => Ok(PathBuf::from(path)),
            None => Ok(self.folder.join(&self.pinned_runtime()?.file)),
        }
    }

    fn pinned_runtime(&self) -> Result<&File> {
        let machine = std::env::consts::ARCH;
        self.manifest.runtime.iter().find(|r| r.machine == machine).ok_or_else(|| {
            Error::Installation(format!(
                "no ONNX Runtime is pinned for {machine}; install version 1.32 and point ORT_DYLIB_PATH at its library"
            ))
        })
    }

    /// Every file that any choice needs: its name and, where it is missing or wrong, why. For `doctor`.
    pub fn inventory(&self) -> Vec<(String, Result<()>)> {
        let machine = std::env::consts::ARCH;
        let runtime = self.manifest.runtime.iter().filter(|r| r.machine == machine);
        runtime.chain(&self.manifest.model).map(|f| (f.file.clone(), self.check(f).map(|_| ()))).collect()
    }

    fn check(&self, file: &File) -> Result<PathBuf> {
        let path = self.folder.join(&file.file);
        let mut source =
            std::fs::File::open(&path).map_err(|_| Error::Installation(format!("models/{} is missing: {}", file.file, mend())))?;
        let mut hash = Sha256::new();
        std::io::copy(&mut source, &mut hash).map_err(|e| Error::Installation(format!("models/{} cannot be read ({e})", file.file)))?;
        if hex(&hash.finalize()) != file.sha256 {
            return Err(Error::Installation(format!(
                "models/{} is not the pinned file (sha256 differs): delete it and {}",
                file.file,
                mend()
            )));
        }
        Ok(path)
    }
}

/// Lower-case hexadecimal.
pub fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|b| format!("{b:02x}")).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn manifest_pins_every_file_that_a_choice_needs() {
        let models = Models::locate();
        for choice in [ModelChoice::Accurate, ModelChoice::Fast, ModelChoice::Exhaustive] {
            for id in choice.files() {
                assert_eq!(models.pinned_sha256(id).len(), 64);
            }
        }
        assert_ne!(models.combined_sha256(ModelChoice::Accurate), models.combined_sha256(ModelChoice::Fast));
    }
    #[test]
    fn models_are_found_from_the_program_wherever_a_package_was_unpacked() {
        let place = tempfile::tempdir().unwrap();
        let folder = place.path().canonicalize().unwrap().join("some where");
        let home = folder.join(PACKAGED);
        std::fs::create_dir_all(home.join("models")).unwrap();
        std::fs::create_dir_all(folder.join("bin")).unwrap();
        std::fs::write(home.join("dawnsheet"), "").unwrap();
        let program = home.join("dawnsheet");
        // a folder of that name alone is none of ours
        assert_eq!(beside(&program), None);
        std::fs::write(home.join("models/manifest.toml"), "").unwrap();
        assert_eq!(beside(&program), Some(home.join("models")));
        assert_eq!(mend_of(Some(&program)), "install dawnsheet's package again");
        // a package beside a clone does not answer for it
        let clone = folder.join("clone");
        std::fs::create_dir_all(clone.join("models")).unwrap();
        std::fs::write(clone.join("models/manifest.toml"), "").unwrap();
        let built = clone.join("target/release/dawnsheet");
        assert_eq!(beside(&built), Some(clone.join("models")));
        assert_eq!(mend_of(Some(&built)), "run scripts/setup");
        assert_eq!(mend_of(None), "run scripts/setup");
    }
}
