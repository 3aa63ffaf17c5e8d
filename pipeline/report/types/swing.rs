//! A swing: its moments, its strike, and what of it is drawn.

use super::{Fault, FaultName, Metric, Root};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// One swing of the clip.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Swing {
    pub index: usize,
    pub kind: SwingKind,
    pub main: bool,
    #[serde(default)]
    pub strike: Strike,
    pub events: Events,
    pub scale: Option<Scale>,
    pub metrics: BTreeMap<String, Metric>,
    pub faults: BTreeMap<FaultName, Fault>,
    pub roots: Vec<Root>,
    /// What the key pictures draw, by picture: the places that the numbers were read from.
    #[serde(default)]
    pub shown: BTreeMap<String, Shown>,
}

/// Where the numbers of one key picture were read: pixels of the upright picture as filmed, x right and y down, pixel centres at
/// whole numbers.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Shown {
    /// The frame that speaks for the numbers.
    pub frame: usize,
    /// Whether the looks at it agree; where they do not, lines are dashed.
    pub sure: bool,
    /// Places by name, such as `elbow`.
    pub places: BTreeMap<String, [f64; 2]>,
    /// Picture x of upright lines, such as `foot_edge`.
    pub edges: BTreeMap<String, f64>,
}

/// Kinds of swing.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum SwingKind {
    Full,
    Practice,
    Partial,
}

/// The events of a swing, in order; null where an event is outside the clip or unsure.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Events {
    pub address: Option<Event>,
    pub takeaway: Option<Event>,
    pub lead_arm_level_back: Option<Event>,
    pub top: Option<Event>,
    pub lead_arm_level_down: Option<Event>,
    pub impact: Option<Event>,
    pub half_follow_through: Option<Event>,
    pub chest_high_follow_through: Option<Event>,
    pub finish: Option<Event>,
}

impl Events {
    /// Names and events in order.
    pub fn named(&self) -> [(&'static str, Option<Event>); 9] {
        [
            ("address", self.address),
            ("takeaway", self.takeaway),
            ("lead_arm_level_back", self.lead_arm_level_back),
            ("top", self.top),
            ("lead_arm_level_down", self.lead_arm_level_down),
            ("impact", self.impact),
            ("half_follow_through", self.half_follow_through),
            ("chest_high_follow_through", self.chest_high_follow_through),
            ("finish", self.finish),
        ]
    }
}

/// A moment, interpolated between frames.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Event {
    /// Nearest shown frame.
    pub frame: usize,
    /// Seconds of clip time.
    pub time_s: f64,
    pub uncertainty_s: f64,
    /// What tells it.
    #[serde(default)]
    pub from: EventFrom,
}

/// What an event rests on.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum EventFrom {
    /// The body's key points.
    #[default]
    Body,
    /// The hands' path.
    Hands,
    /// The club begins to move.
    Club,
    /// The ball leaves.
    Ball,
    /// The strike is heard, and another of the clip tells how far its sound and pictures lie apart.
    Sound,
}

/// Whether the ball was struck, and how that is known.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Strike {
    pub value: Struck,
    pub because: String,
}

/// Whether the ball was struck.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Struck {
    /// A ball left.
    Yes,
    /// A ball lay there and stayed.
    No,
    #[default]
    Unknown,
}

/// Pixels to centimetres.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Scale {
    pub cm_per_px: f64,
    pub source: ScaleSource,
    /// One standard deviation ÷ value.
    pub relative_uncertainty: f64,
    pub stance_width_px: f64,
}

/// Where the scale comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum ScaleSource {
    RosterStature,
    AssumedStature,
}
