//! The report, `dawnsheet.report/1`: one JSON document a clip. Field names are read by other programs: do not change them.
//! Deterministic: the same bytes, model and settings give the same document; timings and run ids live in the ledger.

use super::reasons::Reason;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

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

/// Whose file it is.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Clip {
    /// First 16 hexadecimal digits of `sha256`.
    pub id: String,
    pub sha256: String,
    pub bytes: u64,
    /// Path below the inbox as sent.
    pub file: String,
    pub student: Option<String>,
    /// ISO 8601.
    pub captured: Option<String>,
    pub captured_source: Option<CapturedSource>,
    pub club: Option<String>,
    /// Null where no club is named, and in reports of earlier versions.
    #[serde(default)]
    pub club_source: Option<ClubSource>,
    /// By the settings' words for clubs; null where they do not know the club.
    #[serde(default)]
    pub club_kind: Option<ClubKind>,
}

/// Where a clip's club comes from, best first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum ClubSource {
    Sidecar,
    FileName,
}

/// Kinds of club, longest first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum ClubKind {
    Driver,
    Wood,
    Hybrid,
    Iron,
    Wedge,
    Putter,
}

impl ClubKind {
    /// Drivers, woods and hybrids: head limits are wider for them.
    pub fn is_long(self) -> bool {
        self <= ClubKind::Hybrid
    }

    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            ClubKind::Driver => "driver",
            ClubKind::Wood => "wood",
            ClubKind::Hybrid => "hybrid",
            ClubKind::Iron => "iron",
            ClubKind::Wedge => "wedge",
            ClubKind::Putter => "putter",
        }
    }
}

/// Where a clip's date comes from, best first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum CapturedSource {
    Sidecar,
    Container,
    FileName,
    Mtime,
}

fn square() -> f64 {
    1.0
}

/// The footage.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Video {
    /// Of the upright picture, pixels.
    pub width: u32,
    pub height: u32,
    /// Clockwise turn that made it upright.
    pub rotation_deg: u32,
    /// Of that turn, what the container did not ask for: people lay on their side.
    #[serde(default)]
    pub turned_by_sight: u32,
    /// Whether the container asked for it with left and right exchanged.
    #[serde(default)]
    pub mirrored_by_container: bool,
    /// Width ÷ height of a coded pixel; lengths are of square ones.
    #[serde(default = "square")]
    pub pixel_aspect: f64,
    /// Decoded.
    pub frames: usize,
    /// By the container's index.
    pub frames_expected: usize,
    pub duration_s: f64,
    pub frame_interval_ms: Spread,
    pub playback_factor: PlaybackFactor,
    pub camera: Camera,
}

/// Least, middle and largest.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Spread {
    pub min: f64,
    pub median: f64,
    pub max: f64,
}

/// Clip time ÷ real time.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PlaybackFactor {
    pub value: f64,
    pub source: PlaybackSource,
}

/// Where the playback factor comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum PlaybackSource {
    /// Real time: nothing speaks against it.
    Assumed,
    /// From the length of the downswing.
    Estimated,
    /// Sound at life speed ends as many times earlier than the slowed pictures.
    Sound,
    Sidecar,
    Option,
}

/// What the camera did.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Camera {
    pub moving: bool,
    pub max_shift_px: f64,
    /// Slant of the picture, degrees, clockwise positive. Null since version 0.4.0: a picture seldom tells it, and a wrong one
    /// costs more than none (see `measure/`).
    pub roll_deg: Option<f64>,
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

/// Where the camera stood.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct View {
    pub kind: ViewKind,
    /// 0..1.
    pub confidence: f64,
    /// Degrees off square of a face-on camera, positive where it stands toward the golfer's lead side; null from elsewhere.
    #[serde(default)]
    pub yaw_deg: Option<Estimate>,
}

/// A value with its 95 % interval.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Estimate {
    pub value: f64,
    pub low: f64,
    pub high: f64,
}

/// Kinds of view.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum ViewKind {
    FaceOn,
    DownTheLine,
    Other,
}

/// Left or right, the person's own.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema, clap::ValueEnum)]
#[serde(rename_all = "snake_case")]
pub enum Side {
    Left,
    Right,
}

impl Side {
    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Side::Left => "left",
            Side::Right => "right",
        }
    }
}

/// The golfer.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Golfer {
    pub lead_side: Side,
    pub lead_side_source: LeadSideSource,
    /// Null where nothing but the motion tells.
    pub agrees_with_motion: Option<bool>,
    pub people_seen: usize,
    pub chosen_because: String,
    /// Of the body as pictured at address; null from elsewhere than face-on, and in reports of earlier versions.
    #[serde(default)]
    pub proportions: Option<Proportions>,
}

/// Lengths of a body in the picture at address, over that of the trunk (middle of the shoulders to middle of the hips): what
/// tells two golfers apart, not what either of them measures.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Proportions {
    /// Hip to knee to ankle, mean of both legs.
    pub leg_to_trunk: Estimate,
    /// Shoulder to elbow to wrist, mean of both arms.
    pub arm_to_trunk: Estimate,
}

/// Where the lead side comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum LeadSideSource {
    Roster,
    Sidecar,
    Option,
    Motion,
}

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

/// A measured quantity, or why there is none.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(untagged)]
pub enum Metric {
    Value(Measured),
    Missing {
        /// Always null.
        value: Option<f64>,
        why: String,
        /// What the coach measured, where that decides the clip.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        by_hand: Option<ByHand>,
    },
}

/// A value with its 95 % interval and the frames it was read from.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Measured {
    pub value: f64,
    pub unit: String,
    pub low: f64,
    pub high: f64,
    pub frames: Vec<usize>,
    pub from: From,
    /// What the program says by itself, where the coach adopted an error of the own footage (`dawnsheet ruler adopt`).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub built_in: Option<Estimate>,
    /// What the coach measured, where that decides the clip.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub by_hand: Option<ByHand>,
}

/// A value that the coach measured by hand, in the metric's unit, with its 95 % interval and the points it was read from.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ByHand {
    pub value: f64,
    pub low: f64,
    pub high: f64,
    /// By what was pointed at.
    pub marks: BTreeMap<String, HandMark>,
}

/// A point set by hand: seconds of clip time of its picture, pixels of the upright picture as filmed.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct HandMark {
    pub time_s: f64,
    pub x: f64,
    pub y: f64,
}

/// What a value was read from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum From {
    KeyPoint,
    Outline,
    Both,
}

impl Metric {
    /// The measured value, where there is one.
    pub fn measured(&self) -> Option<&Measured> {
        match self {
            Metric::Value(m) => Some(m),
            Metric::Missing { .. } => None,
        }
    }

    /// The value that counts: the coach's own where that decides the clip, else the program's.
    pub fn counting(&self) -> Option<Measured> {
        let m = self.measured()?.clone();
        Some(match &m.by_hand {
            Some(hand) => Measured { value: hand.value, low: hand.low, high: hand.high, ..m },
            None => m,
        })
    }

    /// What the coach measured, where that decides the clip.
    pub fn by_hand(&self) -> Option<&ByHand> {
        match self {
            Metric::Value(m) => m.by_hand.as_ref(),
            Metric::Missing { by_hand, .. } => by_hand.as_ref(),
        }
    }

    /// Why there is no value.
    pub fn why(&self) -> Option<&str> {
        match self {
            Metric::Value(_) => None,
            Metric::Missing { why, .. } => Some(why),
        }
    }
}

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
