//! The models of a worker, loaded once and used for clip after clip.

use super::detector::Detector;
use super::landmarker::Landmarker;
use super::models::{ModelChoice, Models};
use super::runtime::environment;
use crate::error::{Error, Result};
use ort::environment::Environment;
use std::collections::BTreeMap;

/// Loaded models. A process that works on one clip lets go of each when it has looked for the last time.
pub struct Sessions {
    environment: Environment,
    detector: Option<Detector>,
    landmarkers: BTreeMap<&'static str, Landmarker>,
    /// Seconds that models no longer held spent on landmarks.
    spent: f64,
}

impl Sessions {
    /// Starts ONNX Runtime, no model loaded yet.
    pub fn start(models: &Models) -> Result<Sessions> {
        Ok(Sessions { environment: environment(&models.runtime()?)?, detector: None, landmarkers: BTreeMap::new(), spent: 0.0 })
    }

    /// Loads what `choice` needs and is not at hand; whether that was anything. Errors name the file and the command that mends it.
    pub fn load(&mut self, models: &Models, choice: ModelChoice) -> Result<bool> {
        let mut loaded = false;
        for id in choice.all_files() {
            if id == "detector" {
                loaded |= self.load_detector(models)?;
            } else if !self.landmarkers.contains_key(id) {
                self.landmarkers.insert(id, Landmarker::load(&self.environment, &models.path(id))?);
                loaded = true;
            }
        }
        Ok(loaded)
    }

    /// Loads the person detector where it is not at hand; whether that was so.
    pub fn load_detector(&mut self, models: &Models) -> Result<bool> {
        let missing = self.detector.is_none();
        if missing {
            self.detector = Some(Detector::load(&self.environment, &models.path("detector"))?);
        }
        Ok(missing)
    }

    /// The person detector.
    pub fn detector(&mut self) -> Result<&mut Detector> {
        self.detector.as_mut().ok_or_else(|| missing("detector"))
    }

    /// The detector and a landmark model of the manifest.
    pub fn scouting(&mut self, id: &str) -> Result<(&mut Detector, &mut Landmarker)> {
        match (self.detector.as_mut(), self.landmarkers.get_mut(id)) {
            (Some(detector), Some(landmarker)) => Ok((detector, landmarker)),
            _ => Err(missing(id)),
        }
    }

    /// A landmark model of the manifest, with or without the outline.
    pub fn landmarker(&mut self, id: &str) -> Result<&mut Landmarker> {
        self.landmarkers.get_mut(id).ok_or_else(|| missing(id))
    }

    /// Frees the detector and all landmark models but `kept`.
    pub fn keep_only(&mut self, kept: &[&str]) {
        self.detector = None;
        let (landmarkers, dropped) = std::mem::take(&mut self.landmarkers).into_iter().partition(|(id, _)| kept.contains(id));
        self.landmarkers = landmarkers;
        self.spent += dropped.values().map(Landmarker::spent).sum::<f64>();
    }

    /// Seconds spent in landmark models so far.
    pub fn spent(&self) -> f64 {
        self.spent + self.landmarkers.values().map(Landmarker::spent).sum::<f64>()
    }
}

fn missing(id: &str) -> Error {
    Error::Internal(format!("model {id} is not loaded"))
}
