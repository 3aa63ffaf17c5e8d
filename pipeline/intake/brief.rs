//! What is known about a clip besides its pixels; part of the ledger's key.

use super::club;
use crate::report::types::{CapturedSource, Clip, ClubKind, ClubSource, LeadSideSource, PlaybackSource, Side};
use crate::settings::Clubs;
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
    #[serde(default)]
    pub club_source: Option<ClubSource>,
    #[serde(default)]
    pub club_kind: Option<ClubKind>,
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

/// Names by which drivers and woods went in results of earlier versions, which have no kind of club.
const LONG_CLUBS: [&str; 6] = ["driver", "wood", "hybrid", "1w", "3w", "5w"];

impl Brief {
    /// When the clip was filmed: sidecar, then container, then file name, then the file's own time.
    pub fn captured(&self, container: Option<&str>) -> Option<(String, CapturedSource)> {
        let container = container.and_then(super::date::from_container).map(|d| (d, CapturedSource::Container));
        self.captured.clone().or(container).or_else(|| self.captured_otherwise.clone())
    }

    /// Sets the club by the sender's words, else by the file's name; `self.file` and `self.student` are set.
    pub fn set_club(&mut self, sidecar: Option<String>, clubs: &Clubs) {
        let by_name = || club::in_file_name(&self.file, self.student.as_deref(), clubs);
        (self.club, self.club_kind, self.club_source) = match sidecar {
            Some(words) => {
                let kind = club::named(&words, clubs).map(|n| n.kind);
                (Some(words), kind, Some(ClubSource::Sidecar))
            }
            None => by_name().map_or((None, None, None), |n| (Some(n.words), Some(n.kind), Some(ClubSource::FileName))),
        };
    }

    /// Whether the club is known to be a long one.
    pub fn long_club(&self) -> bool {
        long_club(self.club.as_deref(), self.club_kind)
    }
}

/// Whether a clip's club is known to be a long one; `None` where none is named.
pub fn has_long_club(clip: &Clip) -> Option<bool> {
    let named = clip.club.as_deref().map(str::trim).filter(|c| !c.is_empty())?;
    Some(long_club(Some(named), clip.club_kind))
}

fn long_club(club: Option<&str>, kind: Option<ClubKind>) -> bool {
    let by_words = || club.is_some_and(|c| LONG_CLUBS.iter().any(|l| c.to_lowercase().contains(l)));
    kind.map_or_else(by_words, ClubKind::is_long)
}
