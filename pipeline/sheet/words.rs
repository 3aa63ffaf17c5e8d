//! Numbers, dates and names as a coach reads them.

use crate::intake::date;
use crate::measure::names;
use crate::report::printable;
use crate::report::types::{CapturedSource, Clip, ClubSource, Measured};

/// Decimals worth printing for a unit.
pub fn digits(unit: &str) -> usize {
    match unit {
        "upper arms" | "s" => 2,
        "deg" | "%" => 0,
        _ => 1,
    }
}

/// A number with a true minus sign and no negative zero.
pub fn number(value: f64, digits: usize) -> String {
    let text = format!("{value:.digits$}");
    match text.strip_prefix('-') {
        Some(rest) if rest.chars().all(|c| matches!(c, '0' | '.')) => rest.into(),
        Some(rest) => format!("−{rest}"),
        None => text,
    }
}

/// A unit as printed after a number.
pub fn unit(unit: &str) -> &str {
    match unit {
        "deg" => "°",
        "upper arms" => "upper arms",
        "ratio" => ": 1",
        other => other,
    }
}

/// Value and unit.
pub fn value(m: &Measured) -> String {
    let space = if m.unit == "deg" { "" } else { " " };
    format!("{}{space}{}", number(m.value, digits(&m.unit)), unit(&m.unit))
}

/// The 95 % interval, without unit.
pub fn interval(m: &Measured) -> String {
    let d = digits(&m.unit);
    format!("{} to {}", number(m.low, d), number(m.high, d))
}

/// A metric's words where it stands alone, or its name where it is none of ours.
pub fn metric(name: &str) -> &str {
    match name {
        // "the same as…" in the list of all metrics
        "trail_hip_travel_pct_stance" => "trail hip slide as a share of the stance",
        "pelvis_travel_cm" => "pelvis slides away from the target",
        "hip_edge_inside_foot_cm" => "hip's outer edge against the trail foot's",
        "lead_elbow_bow_late_upper_arms" => "lead elbow out of line after impact",
        "head_lateral_max_back_cm" => "head moves away from the target, going back",
        "head_vertical_top_cm" => "head moves up or down, by the top",
        "pelvis_toward_ball_impact_cm" => "pelvis moves toward the ball, by impact",
        "lead_elbow_separation_max_upper_arms" => "lead elbow off the trunk line, in upper-arm lengths",
        _ => names::find(name).map_or(name, |m| m.words),
    }
}

/// First letter large.
pub fn sentence(text: &str) -> String {
    let mut rest = text.chars();
    rest.next().map_or_else(String::new, |first| first.to_uppercase().collect::<String>() + rest.as_str())
}

/// The student's name, or that the clip has none.
pub fn student(name: Option<&str>) -> String {
    name.map_or_else(|| "No student".into(), printable)
}

/// Day of an ISO 8601 date or instant: "12 Apr 2026"; the text itself where it is neither.
pub fn day(captured: &str) -> String {
    let date = crate::intake::date::local_day(captured);
    date.map_or_else(|| printable(captured), |d| d.strftime("%-d %b %Y").to_string())
}

/// Day of a clip.
pub fn day_of(clip: &Clip) -> String {
    clip.captured.as_deref().map_or_else(|| "no date".into(), day)
}

/// The club, and that it was read from the file's name where the sender did not say it.
pub fn club(clip: &Clip) -> Option<String> {
    let by_name = if clip.club_source == Some(ClubSource::FileName) { " (by the file name)" } else { "" };
    clip.club.as_deref().map(|c| format!("{}{by_name}", printable(c)))
}

/// How sure a clip's date is, where it is not the best, or where the file's name says another day than the clip itself (a day
/// apart is a matter of midnight and time zones).
pub fn date_doubt(clip: &Clip) -> Option<String> {
    match clip.captured_source? {
        CapturedSource::Mtime => Some("date of the file".into()),
        CapturedSource::FileName => Some("date in the file name".into()),
        CapturedSource::Sidecar => None,
        CapturedSource::Container => {
            let named = date::from_file_name(clip.file.rsplit('/').next()?)?;
            let (own, other) = (date::local_day(clip.captured.as_deref()?)?, date::local_day(&named)?);
            let apart = own.since(other).map_or(0, |s| s.get_days().abs());
            (apart > 1).then(|| format!("date of the clip; its file name says {}", day(&named)))
        }
    }
}

/// "1 clip", "2 clips".
pub fn count(n: usize, one: &str, many: &str) -> String {
    format!("{n} {}", if n == 1 { one } else { many })
}

/// "a", "a and b", "a, b and c".
pub fn list(items: &[&str]) -> String {
    match items {
        [] => String::new(),
        [one] => (*one).into(),
        [most @ .., last] => format!("{} and {last}", most.join(", ")),
    }
}

/// Text of an enum value as it stands in reports, with spaces.
pub fn code(value: &impl serde::Serialize) -> String {
    serde_json::to_value(value).ok().and_then(|v| v.as_str().map(|s| s.replace('_', " "))).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_have_a_true_minus_and_no_negative_zero() {
        assert_eq!(number(-0.04, 1), "0.0");
        assert_eq!(number(-0.06, 1), "−0.1");
        assert_eq!(number(7.25, 0), "7");
    }

    #[test]
    fn a_file_name_that_says_another_day_than_the_clip_is_told() {
        let of = |file: &str, source| {
            date_doubt(&Clip {
                id: String::new(),
                sha256: String::new(),
                bytes: 0,
                file: file.into(),
                student: None,
                captured: Some("2026-11-27T18:00:00".into()),
                captured_source: Some(source),
                club: None,
                club_source: None,
                club_kind: None,
            })
        };
        let container = CapturedSource::Container;
        assert!(of("Ada/24.11.2026 7 iron.mp4", container).unwrap().contains("its file name says 24 Nov 2026"));
        assert_eq!(of("Ada/2026-11-26 late.mp4", container), None);
        assert_eq!(of("Ada/IMG_0042.MOV", container), None);
        assert_eq!(of("Ada/24.11.2026 7 iron.mp4", CapturedSource::Sidecar), None);
    }

    #[test]
    fn lists_are_joined_as_in_a_sentence() {
        assert_eq!([list(&[]), list(&["a"]), list(&["a", "b"]), list(&["a", "b", "c"])], ["", "a", "a and b", "a, b and c"]);
    }

    #[test]
    fn days_are_read_from_every_form_that_a_report_has() {
        assert_eq!(day("2026-04-12"), "12 Apr 2026");
        assert_eq!(day("2026-04-12T18:30:15"), "12 Apr 2026");
        assert_eq!(day("nonsense\n"), "nonsense\u{FFFD}");
        assert!(day("2026-04-12T12:00:00Z").ends_with("Apr 2026"));
    }
}
