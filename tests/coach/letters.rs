//! What a draft to the student says: fine only of what was measured and clear, the numbers that the trend used, and days as
//! the pages show them.

use crate::support::{Builder, out_folder};
use dawnsheet::intake::names::slug;
use dawnsheet::report::types::{CapturedSource, FaultName, Verdict, ViewKind};
use dawnsheet::report::{ReasonCode, Report};
use dawnsheet::sheet;
use std::path::Path;
use std::process::Command;

const FAULTS: [(FaultName, &str, &str); 3] = [
    (FaultName::Sway, "the hips going back", "your hips slide sideways"),
    (FaultName::ChickenWing, "the lead arm after the strike", "your lead arm bends"),
    (FaultName::HeadDrift, "the head going back", "your head moves"),
];
const VERDICTS: [Verdict; 4] = [Verdict::Flagged, Verdict::Borderline, Verdict::CannotMeasure, Verdict::Clear];

fn read(root: &Path, below: &str) -> String {
    std::fs::read_to_string(root.join("sheet").join(below)).unwrap()
}

fn student(root: &Path, name: &str) -> String {
    read(root, &format!("student/{}.html", slug(Some(name))))
}

fn draft(page: &str) -> &str {
    let from = page.find("<textarea id=\"draft\"").unwrap();
    let text = &page[from..from + page[from..].find("</textarea>").unwrap()];
    &text[text.find('>').unwrap() + 1..]
}

/// The sentence that begins so, without its end; empty where there is none.
fn sentence<'a>(text: &'a str, beginning: &str) -> &'a str {
    text.find(beginning).map_or("", |at| text[at + beginning.len()..].split('.').next().unwrap_or(""))
}

fn judged(report: &mut Report, verdicts: [Verdict; 3]) {
    for ((fault, ..), verdict) in FAULTS.iter().zip(verdicts) {
        let f = report.swings[0].faults.get_mut(fault).unwrap();
        f.verdict = verdict;
        if verdict == Verdict::CannotMeasure {
            f.probability = None;
            f.drivers.clear();
        }
    }
    report.verdict = verdicts.into_iter().min();
    if verdicts.contains(&Verdict::CannotMeasure) {
        report.reasons = vec![ReasonCode::FeetUnseen.reason()];
        report.needs_look = true;
    }
}

#[test]
fn a_letter_says_fine_only_of_what_was_measured_and_clear() {
    let folder = tempfile::tempdir().unwrap();
    let (out, mut store) = out_folder(folder.path());
    let mut all = Vec::new();
    for a in VERDICTS {
        for b in VERDICTS {
            for c in VERDICTS {
                let name = format!("Student {}", all.len());
                Builder::new(all.len() as u64 + 1, &name, "2026-04-12").change(|r| judged(r, [a, b, c])).record(&mut store);
                all.push((name, [a, b, c]));
            }
        }
    }
    sheet::write(&out, &store, None, None).unwrap();
    let night = read(folder.path(), "index.html");
    for (name, verdicts) in &all {
        let page = student(folder.path(), name);
        let letter = draft(&page);
        let (fine, unseen) = (sentence(letter, "Measured and in order: "), sentence(letter, "What this clip does not show: "));
        for ((_, place, seen_as), verdict) in FAULTS.iter().zip(verdicts) {
            let told = format!("{verdicts:?}: {letter}");
            assert_eq!(fine.contains(place), *verdict == Verdict::Clear, "{told}");
            assert_eq!(unseen.contains(place), *verdict == Verdict::CannotMeasure, "{told}");
            let found = letter.lines().find(|l| l.contains(seen_as)).unwrap_or("");
            assert_eq!(found.starts_with("What I see"), *verdict == Verdict::Flagged, "{told}");
            assert_eq!(found.starts_with("What I cannot tell"), *verdict == Verdict::Borderline, "{told}");
        }
        // the letter asks for the clip again exactly where the sheet does
        assert_eq!(letter.contains("Could you film it once more?"), night.contains(&format!("Hello {name}, thank you for")), "{letter}");
        assert_eq!(letter.contains("Could you film it once more?"), verdicts.contains(&Verdict::CannotMeasure), "{letter}");
    }
    // an unmeasured swing whose faults were not even judged
    Builder::new(99, "Nobody", "2026-04-12").change(|r| r.swings[0].faults.clear()).record(&mut store);
    sheet::write(&out, &store, None, None).unwrap();
    let page = student(folder.path(), "Nobody");
    assert!(!draft(&page).contains("in order") && draft(&page).contains("does not show: the hips going back, the lead arm"), "{page}");
}

#[test]
fn a_letter_gives_the_numbers_that_the_trend_was_judged_by() {
    let folder = tempfile::tempdir().unwrap();
    let (out, mut store) = out_folder(folder.path());
    // better by all but the very first and the very newest clip, which alone say the contrary
    let days: [&[f64]; 8] = [&[6.0, 12.0, 12.5], &[11.0], &[10.0], &[9.0], &[8.0], &[5.0], &[3.0], &[0.9, 1.0, 6.2]];
    for (day, hips) in days.iter().enumerate() {
        for (hour, hip) in hips.iter().enumerate() {
            let at = format!("2026-{:02}-10T1{hour}:00:00", day + 1);
            Builder::new((day * 10 + hour + 1) as u64, "Ada", &at).value("trail_hip_travel_cm", *hip, 0.5).record(&mut store);
        }
    }
    sheet::write(&out, &store, None, None).unwrap();
    let page = student(folder.path(), "Ada");
    assert!(draft(&page).contains("Your trail hip slide is getting better: 11.0 cm then, 3.0 cm now."), "{}", draft(&page));
}

#[test]
fn the_first_clip_is_called_so_only_where_it_is() {
    let folder = tempfile::tempdir().unwrap();
    let (out, mut store) = out_folder(folder.path());
    let copied = |r: &mut Report| r.clip.captured_source = Some(CapturedSource::Mtime);
    Builder::new(1, "Only One", "2026-04-12").sway(0.9, 7.0).record(&mut store);
    // filmed nobody knows when: either may be the first
    Builder::new(2, "Copied Cy", "2026-04-12").sway(0.9, 7.0).change(copied).record(&mut store);
    Builder::new(3, "Copied Cy", "2026-04-13").sway(0.9, 7.0).change(copied).record(&mut store);
    // two of one moment
    Builder::new(4, "Twin Tia", "2026-04-12").sway(0.9, 7.0).record(&mut store);
    Builder::new(5, "Twin Tia", "2026-04-12").sway(0.9, 7.0).record(&mut store);
    // an earlier one of which nothing was measured that is followed
    Builder::new(6, "Blind Bea", "2026-03-12").change(|r| r.swings[0].metrics.clear()).record(&mut store);
    Builder::new(7, "Blind Bea", "2026-04-12").sway(0.9, 7.0).record(&mut store);
    sheet::write(&out, &store, None, None).unwrap();
    let page = read(folder.path(), "index.html");
    let firsts: Vec<&str> = page
        .split("<article")
        .skip(1)
        .filter(|a| a.split("</article>").next().unwrap().contains("The student's first") || a.contains("The student&#39;s first"))
        .map(|a| a.split("class=\"open\"").nth(1).unwrap().split(['>', '<']).nth(1).unwrap())
        .collect();
    assert_eq!(firsts, ["Only One"]);
}

#[test]
fn clips_without_a_date_are_told_with_what_to_do() {
    let folder = tempfile::tempdir().unwrap();
    let (out, mut store) = out_folder(folder.path());
    for i in 0..8u64 {
        let value = 12.0 - i as f64;
        Builder::new(i + 1, "Ada", &format!("2026-04-{:02}T10:00:00Z", i + 1))
            .value("trail_hip_travel_cm", value, 0.5)
            .change(|r| r.clip.captured_source = Some(if i < 6 { CapturedSource::Mtime } else { CapturedSource::FileName }))
            .record(&mut store);
    }
    Builder::new(20, "Bo", "2026-04-12").record(&mut store);
    sheet::write(&out, &store, None, None).unwrap();
    let page = student(folder.path(), "Ada");
    assert!(page.contains("6 clips have no date of filming") && page.contains("captured = 2026-04-12"), "{page}");
    assert!(!page.contains(">improving</span>") && page.contains("Too early to tell"), "copies in an order are no trend");
    assert!(!student(folder.path(), "Bo").contains("no date of filming"));
}

/// Runs the program by a clock nine hours ahead of UTC.
fn in_the_east(arguments: &[&str]) -> String {
    let output = Command::new(env!("CARGO_BIN_EXE_dawnsheet")).env("TZ", "JST-9").args(arguments).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap()
}

#[test]
fn days_are_those_that_the_pages_show() {
    let folder = tempfile::tempdir().unwrap();
    let (_, mut store) = out_folder(folder.path());
    let root = folder.path().to_str().unwrap();
    // one evening there, two days in UTC; and the other way round
    for (i, at) in ["2026-04-11T23:30:00Z", "2026-04-12T00:30:00Z", "2026-04-12T14:30:00Z", "2026-04-12T15:30:00Z"].iter().enumerate() {
        Builder::new(i as u64 + 1, "Ada", at).record(&mut store);
    }
    Builder::new(9, "Old Ole", "2026-04-12T14:30:00Z").sway(0.9, 7.0).record(&mut store);
    Builder::new(10, "New Nia", "2026-04-12T15:30:00Z").sway(0.9, 7.0).record(&mut store);
    drop(store);
    in_the_east(&["sheet", "--out", root, "--since", "2026-04-13"]);
    let page = read(folder.path(), "index.html");
    let current = page.split("id=\"earlier\"").next().unwrap();
    assert!(current.contains(">New Nia</a>") && !current.contains(">Old Ole</a>"), "{current}");
    assert!(current.contains("13 Apr 2026"));
    let trends: serde_json::Value = serde_json::from_str(&in_the_east(&["trend", "Ada", "--out", root, "--json"])).unwrap();
    let days: Vec<(f64, u64)> =
        trends[0]["days"].as_array().unwrap().iter().map(|d| (d["day"].as_f64().unwrap(), d["clips"].as_u64().unwrap())).collect();
    assert_eq!(days, [(0.0, 3), (1.0, 1)]);
}

#[test]
fn a_view_that_shows_nothing_of_the_faults_is_not_fine() {
    let folder = tempfile::tempdir().unwrap();
    let (out, mut store) = out_folder(folder.path());
    Builder::new(1, "Ada", "2026-04-12")
        .unmeasured(ReasonCode::NotFaceOn.because("filmed down the line"), ViewKind::DownTheLine)
        .record(&mut store);
    sheet::write(&out, &store, None, None).unwrap();
    let page = student(folder.path(), "Ada");
    assert!(!draft(&page).contains("in order") && !draft(&page).contains("once more"), "{}", draft(&page));
}
