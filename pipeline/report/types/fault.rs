//! Faults and what may be at their root.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// The faults that are judged.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize, JsonSchema, clap::ValueEnum)]
#[serde(rename_all = "snake_case")]
#[clap(rename_all = "kebab-case")]
pub enum FaultName {
    Sway,
    ChickenWing,
    HeadDrift,
    /// Only where the view shows it: down the line.
    EarlyExtension,
}

impl FaultName {
    /// All faults in the order of a sheet.
    pub const ALL: [FaultName; 4] = [FaultName::Sway, FaultName::ChickenWing, FaultName::HeadDrift, FaultName::EarlyExtension];

    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            FaultName::Sway => "sway",
            FaultName::ChickenWing => "chicken wing",
            FaultName::HeadDrift => "head drift",
            FaultName::EarlyExtension => "early extension",
        }
    }
}

/// Verdicts, worst first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    Flagged,
    Borderline,
    CannotMeasure,
    Clear,
}

impl Verdict {
    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Verdict::Flagged => "flagged",
            Verdict::Borderline => "borderline",
            Verdict::CannotMeasure => "cannot measure",
            Verdict::Clear => "clear",
        }
    }
}

/// A fault's verdict.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Fault {
    pub verdict: Verdict,
    /// That the true value is over the settings' limit; null where it cannot be measured.
    pub probability: Option<f64>,
    /// Metrics that decided.
    pub drivers: Vec<String>,
    pub text: String,
    /// Why it cannot be measured.
    pub why: Option<String>,
    /// What the program says, where the coach's own measurement decides.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub by_program: Option<ByProgram>,
}

/// The program's own verdict on a fault that the coach's measurement decides.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ByProgram {
    pub verdict: Verdict,
    pub probability: Option<f64>,
}

/// How sure a verdict is: told by these words wherever a verdict is told.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Certainty {
    /// The chance that the limit is not passed (or for a clear one that it is) is at most one in forty: what a 95 % interval leaves
    /// at either end.
    Sure,
    /// Less than that, and more likely than not.
    Likely,
    CannotTell,
}

impl Certainty {
    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Certainty::Sure => "sure",
            Certainty::Likely => "likely",
            Certainty::CannotTell => "cannot tell",
        }
    }
}

const SURE: f64 = 0.975;

impl Fault {
    /// From the verdict and its probability.
    pub fn certainty(&self) -> Certainty {
        let of_verdict = match self.verdict {
            Verdict::Flagged => self.probability,
            Verdict::Clear => self.probability.map(|p| 1.0 - p),
            Verdict::Borderline | Verdict::CannotMeasure => None,
        };
        match of_verdict {
            Some(p) if p >= SURE => Certainty::Sure,
            Some(_) => Certainty::Likely,
            None => Certainty::CannotTell,
        }
    }

    /// "flagged, likely"; what cannot be measured says so already, and what the coach measured says that.
    pub fn in_words(&self) -> String {
        let own = if self.by_program.is_some() { ", as you measured it" } else { "" };
        match self.verdict {
            Verdict::CannotMeasure => self.verdict.words().into(),
            verdict => format!("{}, {}{own}", verdict.words(), self.certainty().words()),
        }
    }
}

/// A likely root of a fault, named only where its evidence is outside its error.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Root {
    pub fault: FaultName,
    pub finding: Finding,
    pub metrics: Vec<String>,
    pub text: String,
    /// Plain practice text, common practice.
    pub practice: String,
}

/// Findings.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Finding {
    /// The set-up is symmetrical, without tilt.
    SetupTooLevel,
    /// The hips hardly move toward the target by impact.
    HipsStall,
    /// The elbow is already away from the trunk at impact.
    SeparatedAtImpact,
    /// The trunk has risen by impact.
    TrunkRises,
}
