//! The report, `dawnsheet.report/1`: one JSON document a clip. Field names are read by other programs: do not change them.
//! Deterministic: the same bytes, model and settings give the same document; timings and run ids live in the ledger.

pub mod clip;
pub mod fault;
pub mod metric;
pub mod swing;

pub use clip::*;
pub use fault::*;
pub use metric::*;
pub use swing::*;

use super::reasons::Reason;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Value of `schema`.
pub const SCHEMA: &str = "dawnsheet.report/1";

/// One clip's report.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Report {
    pub schema: String,
    pub clip: Clip,
    /// Null where the file could not be opened.
    pub video: Option<Video>,
    pub engine: Engine,
    /// False only with a blocking reason that leaves no swing to measure.
    pub usable: bool,
    pub reasons: Vec<Reason>,
    pub view: Option<View>,
    pub golfer: Option<Golfer>,
    pub swings: Vec<Swing>,
    /// The worst verdict of the main swing; null where there is no swing.
    pub verdict: Option<Verdict>,
    pub needs_look: bool,
    pub needs_look_because: Vec<String>,
    /// 0..1, for sorting: the largest fault probability of the main swing, at least 0.5 where only a re-shoot helps.
    pub severity: f64,
    /// What was done, in order, with its parameters.
    pub provenance: Vec<Step>,
}

/// What measured it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Engine {
    pub version: String,
    pub pose_model: ModelChoice,
    pub model_sha256: String,
    pub settings_sha256: String,
    /// Of all that judges: code from what was seen to the report, its constants, error budget and wording.
    #[serde(default)]
    pub judging_sha256: String,
}

/// A step of the work with its parameters.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Step {
    pub step: String,
    pub parameters: serde_json::Value,
}

/// Which pose model runs, and how densely.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize, clap::ValueEnum, schemars::JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum ModelChoice {
    /// The heavy landmark model on the frames whose places are measured (default).
    Accurate,
    /// The full landmark model on the same frames, and the lite one to find the golfer.
    Fast,
    /// As accurate, and the heavy landmark model on every frame of each swing, for comparison.
    Exhaustive,
    /// Key points from elsewhere that do not say.
    #[value(skip)]
    Unknown,
}

impl ModelChoice {
    /// Name as typed on the command line and written in reports.
    pub fn name(self) -> &'static str {
        match self {
            ModelChoice::Accurate => "accurate",
            ModelChoice::Fast => "fast",
            ModelChoice::Exhaustive => "exhaustive",
            ModelChoice::Unknown => UNKNOWN,
        }
    }
}

/// What stands where nobody knows what looked at a clip.
pub const UNKNOWN: &str = "unknown";
