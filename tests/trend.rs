//! What is called a trend, and what is not.

mod support;

use dawnsheet::history::store::Stored;
use dawnsheet::history::trend::{ClubClass, Trend, Word, csv, sparkline, trends};
use dawnsheet::intake::names::slug;
use support::Builder;

/// Clips of one student, a month apart, with these head drifts (cm) and half-widths of the interval.
fn clips(values: &[f64], half: f64) -> Vec<Stored> {
    let one = |(i, v): (usize, &f64)| {
        let day = format!("20{}-{:02}-10", 20 + i / 12, i % 12 + 1);
        let b = Builder::new(i as u64 + 1, "Ada", &day).value("head_lateral_max_back_cm", *v, half).value("tempo_ratio", *v, half);
        Stored { owner: slug(Some("Ada")), report: b.report, judged_at: String::new() }
    };
    values.iter().enumerate().map(one).collect()
}

fn of(stored: &[Stored], metric: &str) -> Trend {
    trends(stored).into_iter().find(|t| t.metric.metric == metric).unwrap()
}

fn word(values: &[f64], half: f64) -> Word {
    of(&clips(values, half), "head_lateral_max_back_cm").word
}

#[test]
fn a_trend_takes_five_clips_an_order_and_a_change_beyond_the_error() {
    // half 1 is a standard error of 0.51, a minimal detectable change of 1.41 cm
    assert_eq!(word(&[9.0, 7.0, 5.0, 3.0, 1.0], 1.0), Word::Improving);
    assert_eq!(word(&[1.0, 3.0, 5.0, 7.0, 9.0], 1.0), Word::Worsening);
    assert_eq!(word(&[9.0, 7.0, 5.0, 3.0], 1.0), Word::TooEarly, "four clips are never two-sided significant");
    assert_eq!(word(&[9.0, 5.0, 1.0], 0.1), Word::TooEarly);
    assert_eq!(word(&[9.0], 0.1), Word::TooEarly);
    assert_eq!(word(&[5.0, 4.8, 4.6, 4.4, 4.2], 1.0), Word::Steady, "in order, but within the error");
    assert_eq!(word(&[9.0, 2.0, 6.0, 1.0, 3.0], 1.0), Word::Steady, "beyond the error, but in no order");
}

#[test]
fn the_minimal_detectable_change_comes_from_the_intervals() {
    let t = of(&clips(&[9.0, 7.0, 5.0, 3.0, 1.0], 1.96), "head_lateral_max_back_cm");
    assert!((t.minimal_detectable_change - 2.7719).abs() < 1e-3, "standard error 1: {}", t.minimal_detectable_change);
    // medians of the first two and of the last two of five
    assert_eq!(t.change, Some(-6.0));
    let line = t.line.unwrap();
    assert!(line.low <= line.slope && line.slope <= line.high && line.slope < 0.0);
    assert!((line.at(t.last().day) - 1.0).abs() < 0.2, "a straight history lies on its line");
}

#[test]
fn tempo_has_no_better_direction() {
    assert_eq!(of(&clips(&[2.0, 2.5, 3.0, 3.5, 4.0], 0.1), "tempo_ratio").word, Word::Changing);
    assert_eq!(of(&clips(&[4.0, 3.5, 3.0, 2.5, 2.0], 0.1), "tempo_ratio").word, Word::Changing);
    assert_eq!(of(&clips(&[3.0, 3.1, 3.0, 2.9, 3.05], 0.4), "tempo_ratio").word, Word::Steady);
}

#[test]
fn views_clubs_unusable_and_undated_clips_are_kept_apart() {
    let mut all = clips(&[9.0, 7.0, 5.0, 3.0, 1.0, 1.0, 1.0], 1.0);
    all[0].report.usable = false;
    all[1].report.clip.captured = None;
    all[2].report.clip.club = Some("Driver".into());
    all[3].report.swings[0].main = false;
    let found = trends(&all);
    let head: Vec<(ClubClass, usize)> =
        found.iter().filter(|t| t.metric.metric == "head_lateral_max_back_cm").map(|t| (t.club, t.points.len())).collect();
    assert_eq!(head, [(ClubClass::Long, 1), (ClubClass::Unnamed, 3)]);
}

#[test]
fn clips_of_one_instant_count_once() {
    let mut all = clips(&[9.0, 7.0, 5.0, 3.0, 1.0], 0.1);
    let day = all[0].report.clip.captured.clone();
    all[1].report.clip.captured = day;
    let t = of(&all, "head_lateral_max_back_cm");
    assert_eq!((t.points.len(), t.word), (5, Word::TooEarly), "four instants");
}

#[test]
fn the_csv_holds_every_point_and_defuses_names() {
    let mut all = clips(&[9.0, 7.0], 1.0);
    for s in &mut all {
        s.report.clip.student = Some("=cmd(\"x\"), Ada\n".into());
    }
    let text = csv(&trends(&all));
    assert!(text.starts_with("student,view,club,metric,unit,clip,captured,value,low,high,trend\n"));
    assert_eq!(text.matches("\"'=cmd(\"\"x\"\"), Ada\n\",face-on,").count(), 10, "five metrics of two clips: {text}");
}

#[test]
fn a_sparkline_runs_from_lowest_to_highest() {
    assert_eq!(sparkline([0.0, 7.0, 3.5].into_iter()), "▁█▅");
    assert_eq!(sparkline([2.0, 2.0].into_iter()), "▅▅");
}
