//! Simulated students over a year: who does not change is told nothing, who does is told so.

use crate::support::{Builder, Dice, out_folder, rounds};
use dawnsheet::history::store::Stored;
use dawnsheet::history::trend::{TRACKED, Word, trends};
use dawnsheet::intake::names::slug;
use dawnsheet::sheet::Sheet;
use rayon::prelude::*;

/// Standard errors of measuring (cm; the elbow's and tempo's beside their natural variation), half of the variance shared by a
/// day's clips. Swings scatter about the day and days about the golfer by the natural variation of the metric.
const MEASURING: [f64; 5] = [0.8, 0.9, 0.04, 1.0, 0.15];
const WEEKS: usize = 52;

/// A standard normal number (Box & Muller 1958).
fn normal(dice: &mut Dice) -> f64 {
    let mut uniform = || (dice.next() >> 11) as f64 / (1u64 << 53) as f64;
    let (u, v) = (uniform(), uniform());
    (-2.0 * (1.0 - u).ln()).sqrt() * (std::f64::consts::TAU * v).cos()
}

/// One session's clips, each metric apart from the others; `natural`: how much more a golfer varies than is assumed.
fn session(dice: &mut Dice, seed: u64, day: &str, clips: usize, hip_change: f64, natural: f64) -> Vec<Stored> {
    let of_day: Vec<f64> = TRACKED
        .iter()
        .zip(MEASURING)
        .map(|(t, m)| normal(dice) * t.natural * natural + normal(dice) * m * std::f64::consts::FRAC_1_SQRT_2)
        .collect();
    let mut one = |n: usize| {
        let mut b = Builder::new(seed * 100 + n as u64, "Ada", day);
        for (i, t) in TRACKED.iter().enumerate() {
            let own = normal(dice) * t.natural * natural + normal(dice) * MEASURING[i] * std::f64::consts::FRAC_1_SQRT_2;
            let change = if i == 0 { hip_change } else { 0.0 };
            b = b.value(t.metric, 20.0 + of_day[i] + own + change, 1.96 * MEASURING[i]);
        }
        Stored { owner: slug(Some("Ada")), report: b.report, judged_at: String::new() }
    };
    (0..clips).map(&mut one).collect()
}

/// What a student was told at any look, looking again after every clip: in the true direction of the hip, and anything else.
fn year(seed: u64, clips: usize, less_cm: f64, natural: f64) -> (bool, bool) {
    let mut dice = Dice(seed);
    let first: jiff::civil::Date = "2026-01-05".parse().unwrap();
    let (mut all, mut right, mut wrong) = (Vec::new(), false, false);
    for week in 0..WEEKS {
        let day = first + jiff::Span::new().weeks(week as i64);
        // evenly over the year
        let change = -less_cm * week as f64 / (WEEKS - 1) as f64;
        for clip in session(&mut dice, seed * 1000 + week as u64, &day.to_string(), clips, change, natural) {
            all.push(clip);
            for t in trends(&all).iter().filter(|t| !matches!(t.word, Word::Steady | Word::TooEarly)) {
                let true_one = t.metric.metric == TRACKED[0].metric && t.word == Word::Improving && less_cm > 0.0;
                (right, wrong) = (right || true_one, wrong || !true_one);
            }
        }
    }
    (right, wrong)
}

/// Shares of the students who were told rightly, and wrongly.
fn share(students: usize, clips: usize, less_cm: f64, natural: f64) -> (f64, f64) {
    let told: Vec<(bool, bool)> = (0..students as u64).into_par_iter().map(|s| year(s + 1, clips, less_cm, natural)).collect();
    let of = |pick: fn(&(bool, bool)) -> bool| told.iter().filter(|t| pick(t)).count() as f64 / students as f64;
    (of(|t| t.0), of(|t| t.1))
}

#[test]
fn of_a_hundred_unchanging_students_at_most_five_are_told_anything_in_a_year() {
    let students = rounds("DAWNSHEET_STUDENTS", 200);
    for (clips, natural) in [(1, 1.0), (4, 1.0), (8, 1.0), (2, 2.5)] {
        let (_, told) = share(students, clips, 0.0, natural);
        println!("{clips} clips a session, natural variation {natural}: {:.1} % of {students} told anything", 100.0 * told);
        assert!(told <= 0.05, "{clips} clips a session: {told}");
    }
}

#[test]
fn a_true_change_is_told_by_the_end_of_the_year() {
    let students = rounds("DAWNSHEET_STUDENTS", 60);
    // least shares asked of 2, 4 and 8 cm, by clips a session
    for (clips, asked) in [(1, [0.0, 0.4, 0.95]), (4, [0.0, 0.6, 0.98]), (8, [0.0, 0.6, 0.98])] {
        for (less, asked) in [2.0, 4.0, 8.0].into_iter().zip(asked) {
            let (right, wrong) = share(students, clips, less, 1.0);
            println!("{clips} clips a session, {less} cm less: {:.0} % told so, {:.1} % told something else", 100.0 * right, 100.0 * wrong);
            assert!(right >= asked && wrong <= 0.05, "{clips} clips, {less} cm: {right}, {wrong}");
        }
    }
}

#[test]
fn of_a_hundred_unchanged_students_at_most_five_raise_a_question_against_their_last_clip() {
    let students = rounds("DAWNSHEET_STUDENTS", 400);
    // one earlier clip; and ten earlier ones of golfers who vary more than is assumed
    for (earlier, natural) in [(1, 1.0), (10, 2.0)] {
        let folder = tempfile::tempdir().unwrap();
        let (out, mut store) = out_folder(folder.path());
        let first: jiff::civil::Date = "2026-01-05".parse().unwrap();
        for s in 0..students as u64 {
            let mut dice = Dice(s + 1);
            for week in 0..=earlier {
                let day = (first + jiff::Span::new().weeks(week)).to_string();
                let clip = session(&mut dice, s * 100 + week as u64, &day, 1, 0.0, natural).remove(0);
                let of_student = |r: &mut dawnsheet::report::Report| {
                    r.swings = clip.report.swings;
                    r.clip.student = Some(format!("Student {s}"));
                };
                Builder::new(s * 100 + week as u64 + 1, "", &day).change(of_student).record(&mut store);
            }
        }
        let newest = (first + jiff::Span::new().weeks(earlier)).to_string();
        let page = Sheet::read(&out, &store, Some(&newest)).unwrap().index(&out, false).unwrap();
        let asked = page.matches("data-place=\"question\"").count();
        println!("{earlier} earlier clips, natural variation {natural}: {asked} of {students} raise a question");
        assert!(asked * 20 <= students, "{earlier} earlier clips: {asked} of {students}");
    }
}
