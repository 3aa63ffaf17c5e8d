//! The limits that a report was judged by.

use crate::intake::brief::has_long_club;
use crate::report::{Report, printable};
use crate::settings::{Limits, Settings};

/// Which side of a limit is bad.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Bad {
    Over,
    Under,
    EitherSide,
}

/// A limit in its metric's unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limit {
    pub value: f64,
    pub bad: Bad,
}

impl Limit {
    /// "limit 5.0", "at least 0.0", "limit ±4.0".
    pub fn words(&self, digits: usize) -> String {
        let number = super::words::number(self.value, digits);
        match self.bad {
            Bad::Over => format!("limit {number}"),
            Bad::Under => format!("at least {number}"),
            Bad::EitherSide => format!("limit ±{number}"),
        }
    }
}

/// The settings' limits of a report: from its provenance (step `limits`) where it carries them, otherwise the defaults
/// where its settings hash is theirs; `None` for other settings.
fn settings_of(report: &Report) -> Option<Limits> {
    let carried = report.provenance.iter().find(|s| s.step == "limits");
    if let Some(limits) = carried.and_then(|s| serde_json::from_value(s.parameters.clone()).ok()) {
        return Some(limits);
    }
    // the hash is worked out once: a thousand reports ask for it
    static USUAL: std::sync::LazyLock<(String, Limits)> = std::sync::LazyLock::new(|| {
        let settings = Settings::default();
        (settings.sha256(), settings.limits)
    });
    (report.engine.settings_sha256 == USUAL.0).then(|| USUAL.1.clone())
}

/// Which of the two head limits held for a report, and why; `None` where both are one or the settings are not known.
pub fn head_limit(report: &Report) -> Option<String> {
    let factor = settings_of(report)?.long_club_head_factor;
    let named = report.clip.club.as_deref().map(printable);
    let (usual, times) = ("the usual limit", super::words::number(factor, 2));
    (factor != 1.0).then(|| match (has_long_club(&report.clip), named) {
        (Some(true), Some(club)) => format!("limit for long clubs ({club}), {times} times the usual"),
        (Some(false), Some(club)) => format!("{usual} ({club}); with driver, wood or hybrid {times} times as wide"),
        _ => format!("{usual}, as no club is named; with driver, wood or hybrid {times} times as wide"),
    })
}

/// The limit of a metric in a report; `None` where the metric has none or the settings are not known.
pub fn limit(report: &Report, metric: &str) -> Option<Limit> {
    let l = settings_of(report)?;
    let long = has_long_club(&report.clip).unwrap_or(false);
    let head = if long { l.long_club_head_factor } else { 1.0 };
    let (value, bad) = match metric {
        "trail_hip_travel_cm" => (l.trail_hip_travel_cm, Bad::Over),
        "trail_hip_travel_pct_stance" => (l.trail_hip_travel_pct_stance, Bad::Over),
        "pelvis_travel_cm" => (l.pelvis_travel_cm, Bad::Over),
        "hip_edge_inside_foot_cm" => (l.hip_edge_inside_foot_cm, Bad::Under),
        "lead_elbow_bow_late_upper_arms" => (l.lead_elbow_bow_late_upper_arms, Bad::Over),
        "head_lateral_max_back_cm" => (l.head_lateral_cm * head, Bad::Over),
        "head_vertical_top_cm" => (l.head_vertical_cm * head, Bad::EitherSide),
        "pelvis_toward_ball_impact_cm" => (l.pelvis_toward_ball_cm, Bad::Over),
        _ => return None,
    };
    Some(Limit { value, bad })
}
