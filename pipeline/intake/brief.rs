//! What is known about a clip besides its pixels; part of the ledger's key.

use crate::report::types::{CapturedSource, LeadSideSource, PlaybackSource, Side};
use serde::{Deserialize, Serialize};

/// Facts from path, sidecar, roster and options.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Brief {
    /// Path below the inbox, `/` between folders; odd bytes replaced.
    pub file: String,
    pub student: Option<String>,
    /// ISO 8601, where the sidecar tells.
    pub captured: Option<(String, CapturedSource)>,
    /// The next best after the container's own time.
    pub captured_otherwise: Option<(String, CapturedSource)>,
    pub club: Option<String>,
    pub lead_side: Option<(Side, LeadSideSource)>,
    pub stature_cm: Option<f64>,
    pub playback: Option<(f64, PlaybackSource)>,
    pub note: Option<String>,
    /// Whether another student sent the same bytes.
    #[serde(default)]
    pub sent_by_another: bool,
    /// What the student is working on, by the roster; shown, never measured by: no part of what makes a clip done.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub working_on: Option<String>,
}

/// Names by which drivers and woods go; head limits are wider for them.
const LONG_CLUBS: [&str; 6] = ["driver", "wood", "hybrid", "1w", "3w", "5w"];

impl Brief {
    /// When the clip was filmed: sidecar, then container, then file name, then the file's own time.
    pub fn captured(&self, container: Option<&str>) -> Option<(String, CapturedSource)> {
        let container = container.and_then(super::date::from_container).map(|d| (d, CapturedSource::Container));
        self.captured.clone().or(container).or_else(|| self.captured_otherwise.clone())
    }

    /// Whether the club is known to be a long one.
    pub fn long_club(&self) -> bool {
        self.club.as_deref().is_some_and(|c| LONG_CLUBS.iter().any(|l| c.to_lowercase().contains(l)))
    }
}
