//! What is called a trend, and what is not; and what goes with what.

use crate::support::{Builder, out_folder};
use dawnsheet::history::store::Stored;
use dawnsheet::history::trend::{ClubClass, Trend, Word, csv, sparkline, trends};
use dawnsheet::intake::names::slug;
use dawnsheet::report::types::{CapturedSource, From, Measured, Metric};
use dawnsheet::sheet;

/// Clips of one student, a day each, a month apart, with these head drifts (cm) and half-widths of the interval.
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
fn a_trend_takes_six_days_an_order_and_a_change_beyond_the_error() {
    // half 1 is a standard error of 0.51; with a centimetre from swing to swing and from day to day 1.50, from the first three
    // days to the last 2.79 cm
    assert_eq!(word(&[11.0, 9.0, 7.0, 5.0, 3.0, 1.0], 1.0), Word::Improving);
    assert_eq!(word(&[1.0, 3.0, 5.0, 7.0, 9.0, 11.0], 1.0), Word::Worsening);
    assert_eq!(word(&[9.0, 7.0, 5.0, 3.0, 1.0], 1.0), Word::TooEarly, "five days are never enough for one of five metrics");
    assert_eq!(word(&[9.0, 5.0, 1.0], 0.1), Word::TooEarly);
    assert_eq!(word(&[9.0], 0.1), Word::TooEarly);
    assert_eq!(word(&[5.2, 5.0, 4.8, 4.6, 4.4, 4.2], 1.0), Word::Steady, "in order, but within the error");
    assert_eq!(word(&[9.0, 2.0, 9.0, 1.0, 3.0, 2.0], 1.0), Word::Steady, "beyond the error, but in no order");
}

#[test]
fn what_moved_beyond_its_error_is_never_told_as_steady() {
    let told = |values: &[f64]| of(&clips(values, 1.0), "head_lateral_max_back_cm").words();
    assert_eq!(told(&[9.0, 11.0, 8.0, 5.0, 3.0, 4.0]), "not sure yet", "it falls, but chance could order six days so");
    assert_eq!(told(&[5.2, 5.0, 4.8, 4.6, 4.4, 4.2]), "steady", "within the error");
    assert_eq!(told(&[11.0, 9.0, 7.0, 5.0, 3.0, 1.0]), "improving");
    assert_eq!(told(&[9.0, 5.0, 1.0]), "too early to tell");
}

#[test]
fn the_least_change_comes_from_the_intervals_and_what_is_natural() {
    let t = of(&clips(&[9.0, 7.0, 5.0, 3.0, 1.0], 1.96), "head_lateral_max_back_cm");
    // 1 of measuring, 1 from swing to swing, 1 from day to day: 1.96·√2·√3
    assert!((t.minimal_detectable_change - 4.8010).abs() < 1e-3, "{}", t.minimal_detectable_change);
    assert!((t.error_of_change - 4.8010 / 2f64.sqrt()).abs() < 1e-3, "medians of two days: {}", t.error_of_change);
    // a student whose own days lie further apart needs more
    let wild = of(&clips(&[9.0, 1.0, 9.0, 1.0, 9.0, 1.0, 9.0, 1.0], 1.96), "head_lateral_max_back_cm");
    assert!(wild.minimal_detectable_change > 10.0, "{}", wild.minimal_detectable_change);
    // medians of the first two and of the last two of five
    assert_eq!((t.first, t.last, t.change), (Some(8.0), Some(2.0), Some(-6.0)));
    let line = t.line.unwrap();
    assert!(line.low <= line.slope && line.slope <= line.high && line.slope < 0.0);
    assert!((line.at(t.newest().day) - 1.0).abs() < 0.2, "a straight history lies on its line");
}

#[test]
fn tempo_has_no_better_direction() {
    assert_eq!(of(&clips(&[1.5, 2.0, 2.5, 3.0, 3.5, 4.0], 0.1), "tempo_ratio").word, Word::Changing);
    assert_eq!(of(&clips(&[4.0, 3.5, 3.0, 2.5, 2.0, 1.5], 0.1), "tempo_ratio").word, Word::Changing);
    assert_eq!(of(&clips(&[3.0, 3.1, 3.0, 2.9, 3.05, 3.0], 0.4), "tempo_ratio").word, Word::Steady);
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
fn a_day_has_one_value_however_many_clips() {
    let mut all = clips(&[9.0, 8.0, 8.5, 3.0, 2.0, 2.5], 1.96);
    for (i, s) in all.iter_mut().enumerate() {
        let (day, hour) = if i < 3 { (4, 9 + i) } else { (11, 9 + i) };
        s.report.clip.captured = Some(format!("2026-04-{day:02}T{hour:02}:00:00"));
    }
    let t = of(&all, "head_lateral_max_back_cm");
    let days: Vec<(f64, usize, f64)> = t.days.iter().map(|d| (d.day, d.clips, d.value)).collect();
    assert_eq!(days, [(0.0, 3, 8.5), (7.0, 3, 2.5)]);
    assert_eq!((t.points.len(), t.word), (6, Word::TooEarly), "six clips in order, but two days");
    // measuring is shared by a day's clips, the swings are not: √(1 + 0.4487)
    assert!((t.days[0].error - 1.2036).abs() < 1e-3, "{}", t.days[0].error);
}

#[test]
fn the_time_of_a_copy_is_no_date_of_filming() {
    let mut all = clips(&[11.0, 9.0, 7.0, 5.0, 3.0, 1.0], 1.0);
    assert_eq!(of(&all, "head_lateral_max_back_cm").word, Word::Improving);
    for s in &mut all[..2] {
        s.report.clip.captured_source = Some(CapturedSource::Mtime);
    }
    let t = of(&all, "head_lateral_max_back_cm");
    assert_eq!((t.points.len(), t.word), (4, Word::TooEarly));
    for s in &mut all {
        s.report.clip.captured_source = Some(CapturedSource::Mtime);
    }
    assert!(trends(&all).is_empty());
}

#[test]
fn what_several_metrics_and_clubs_are_tested_for_is_paid_for() {
    let values = [11.0, 9.0, 7.0, 5.0, 3.0, 1.0];
    let first = clips(&values, 1.0);
    // the same history with irons, begun later: the second kind of club has less chance of error left
    let mut second = clips(&values, 1.0);
    for (i, s) in second.iter_mut().enumerate() {
        s.report.clip.captured = Some(format!("2027-{:02}-10", i + 1));
        s.report.clip.club = Some("7 iron".into());
        s.report.clip.id = format!("{i}");
    }
    let both: Vec<Stored> = first.into_iter().chain(second).collect();
    let words: Vec<(ClubClass, Word)> =
        trends(&both).iter().filter(|t| t.metric.metric == "head_lateral_max_back_cm").map(|t| (t.club, t.word)).collect();
    assert_eq!(words, [(ClubClass::Short, Word::Steady), (ClubClass::Unnamed, Word::Improving)]);
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

/// The order says one thing and the ends another: no word.
#[test]
fn a_long_rise_that_ends_far_below_its_start_is_no_improvement() {
    let mut values: Vec<f64> = (5..17).map(f64::from).collect();
    values.extend([-20.0, -21.0, -22.0]);
    let stored = clips(&values, 1.0);
    let t = of(&stored, "head_lateral_max_back_cm");
    let (change, order) = (t.change.unwrap(), t.any_time.unwrap());
    assert!(t.corrected < 0.05 && order.is_rise() && change < -t.error_of_change, "what this test is about: {t:?}");
    assert_eq!(t.word, Word::Steady, "{}", t.reason);
}

/// Eight clips of one student, with these tilts of the shoulders and slides of the hip.
fn set_ups(root: &std::path::Path, student: &str, tilts: &[f64], slides: &[f64]) -> String {
    let (out, mut store) = out_folder(root);
    for (i, (tilt, slide)) in tilts.iter().zip(slides).enumerate() {
        let seed = student.len() as u64 * 100 + i as u64;
        let clip = Builder::new(seed, student, &format!("2026-0{}-12", i % 8 + 1)).value("trail_hip_travel_cm", *slide, 1.0).change(|r| {
            let unit = "deg".to_string();
            let from = From::KeyPoint;
            let tilt =
                Measured { value: *tilt, low: tilt - 3.0, high: tilt + 3.0, unit, frames: Vec::new(), from, built_in: None, by_hand: None };
            r.swings[0].metrics.insert("shoulder_tilt_address_deg".into(), Metric::Value(tilt));
        });
        clip.record(&mut store);
    }
    sheet::write(&out, &store, None, None).unwrap();
    let page = std::fs::read_dir(root.join("sheet/student")).unwrap().map(|e| e.unwrap().path());
    let of = page.into_iter().find(|p| p.file_name().unwrap().to_string_lossy().starts_with(&student.to_lowercase())).unwrap();
    std::fs::read_to_string(of).unwrap()
}

#[test]
fn what_goes_with_what_is_told_where_it_stands_out_and_not_elsewhere() {
    let folder = tempfile::tempdir().unwrap();
    let slides = [9.0, 8.0, 7.5, 6.0, 5.0, 4.0, 3.0, 1.0];
    // the less tilt, the more slide; two neighbours exchanged
    let page = set_ups(folder.path(), "Ada", &[1.0, 0.0, 2.0, 4.0, 5.0, 6.0, 8.0, 9.0], &slides);
    assert!(page.contains("In 8 clips: the larger") && page.contains("the smaller"), "{page}");
    assert!(page.contains("a set-up without tilt for a root of sway (in these clips it shows)"), "{page}");
    assert_eq!(page.matches("Each dot is a clip.").count(), 1);
    let page = set_ups(folder.path(), "Bea", &[4.0, 9.0, 1.0, 6.0, 2.0, 8.0, 3.0, 5.0], &slides);
    assert!(page.contains("Nothing stands out in these 8 clips") && page.contains("(in these clips it does not show)"), "{page}");
    assert!(!page.contains("Each dot is a clip."));
    let page = set_ups(folder.path(), "Eve", &[1.0, 2.0, 3.0, 4.0, 5.0], &slides[..5]);
    assert!(!page.contains("What goes with what"), "five clips are not asked");
}
