//! What was filmed: the file, the footage, the view and the golfer.

use super::Estimate;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

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
