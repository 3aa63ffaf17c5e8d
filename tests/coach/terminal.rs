//! What a coach reads at the terminal, and what is said of things put in that do not agree.

use crate::support::{self, Builder, Place, dawnsheet, out_folder, repository};
use dawnsheet::batch::summary::{Line, Place as Ended, Summary, why_not};
use dawnsheet::history::Store;
use dawnsheet::report::ReasonCode;
use dawnsheet::report::types::{LeadSideSource, Side, ViewKind};
use dawnsheet::sheet;
use std::process::{Command, Stdio};

const DAY: &str = "2026-04-12";

/// The committed key points of Jonas Lind's eight days, taken in.
fn taken_in(place: &Place) -> String {
    let out = place.out().to_str().unwrap().to_string();
    let roster = repository("fixtures/inbox/roster.toml");
    let ran =
        dawnsheet(&["take-in", repository("fixtures/history").to_str().unwrap(), "--out", &out, "--roster", roster.to_str().unwrap()]);
    assert_eq!(ran.code, 0, "{}", ran.stderr);
    out
}

fn between<'a>(text: &'a str, from: &str, to: &str) -> &'a str {
    text.split(from).nth(1).and_then(|t| t.split(to).next()).unwrap_or_else(|| panic!("{from} is missing: {text}"))
}

fn flagged(out: &str) -> usize {
    let store = Store::open(&std::path::Path::new(out).join("dawnsheet.sqlite")).unwrap();
    store.results().unwrap().iter().filter(|(s, _)| Ended::of(&s.report) == Ended::Flagged).count()
}

#[test]
fn other_settings_than_those_in_force_are_said_with_what_they_change_and_how_to_go_back() {
    let place = Place::new();
    let out = taken_in(&place);
    let mine = place.folder.path().join("mine.toml");
    std::fs::write(&mine, "[limits]\nlead_elbow_bow_late_upper_arms = 0.5\n").unwrap();
    assert!(!dawnsheet(&["rejudge", "--out", &out]).stdout.contains("Other settings"), "nothing was in force before");
    let before = flagged(&out);
    let ran = dawnsheet(&["rejudge", "--out", &out, "--settings", mine.to_str().unwrap()]);
    let after = flagged(&out);
    assert!(after < before, "{after} {before}");
    assert!(ran.stdout.contains("limits.lead_elbow_bow_late_upper_arms 0.06 → 0.5"), "{}", ran.stdout);
    assert!(ran.stdout.contains(&format!("{before} flagged become {after}")), "{}", ran.stdout);
    // which they are, by file, before and now
    let named = ran.stdout.lines().filter(|l| l.starts_with("  ") && l.contains(".npz: ") && l.contains(", was ")).count();
    let told: usize = between(&ran.stdout, "judged again, ", " with another verdict").parse().unwrap();
    assert!(
        told > 0 && named == told.min(10) && ran.stdout.contains(&format!("and {} more", told - named)) == (told > 10),
        "{}",
        ran.stdout
    );
    assert!(!dawnsheet(&["rejudge", "--out", &out, "--settings", mine.to_str().unwrap()]).stdout.contains("Other settings"));
    // a plain run goes by the built-in ones again: it says so at once, and how to keep the coach's
    let ran = place.run(&[]);
    let named = ran.stdout.split("To go back: --settings ").nth(1).unwrap_or_else(|| panic!("{}", ran.stdout));
    let former = std::path::PathBuf::from(named.lines().next().unwrap());
    assert!(ran.stderr.contains("limits.lead_elbow_bow_late_upper_arms 0.5 → 0.06"), "{}", ran.stderr);
    assert!(former.starts_with(place.out()), "{}", former.display());
    assert!(ran.stdout.contains("16 clips keep their verdicts"), "{}", ran.stdout);
    let page = std::fs::read_to_string(place.out().join("sheet/index.html")).unwrap();
    assert!(page.contains("Other settings than before (limits.lead_elbow_bow_late_upper_arms 0.5 → 0.06)"), "the sheet says it too");
    // the file that is named brings them back
    let back = dawnsheet(&["rejudge", "--out", &out, "--settings", former.to_str().unwrap()]);
    assert_eq!((back.code, flagged(&out)), (0, after), "{}{}", back.stdout, back.stderr);
    assert!(!place.run(&["--settings", former.to_str().unwrap()]).stderr.contains("other settings"));
}

#[test]
fn a_reader_who_goes_away_stops_nothing_and_nothing_panics() {
    let place = Place::new();
    let out = taken_in(&place);
    for (arguments, code) in [(vec!["trend", "--out", &out], 0), (vec!["rejudge", "--out", &out], 0), (vec!["print", "schema"], 0)] {
        let mut child = Command::new(env!("CARGO_BIN_EXE_dawnsheet"));
        child.args(&arguments).env("DAWNSHEET_MODELS", repository("models"));
        let mut child = child.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
        drop(child.stdout.take());
        let ended = child.wait_with_output().unwrap();
        assert_eq!((ended.status.code(), String::from_utf8_lossy(&ended.stderr).as_ref()), (Some(code), ""), "{arguments:?}");
    }
    // nor where what goes wrong cannot be said
    let mut child = Command::new(env!("CARGO_BIN_EXE_dawnsheet"));
    child.args(["trend", "--out", "nowhere"]).stdout(Stdio::piped()).stderr(Stdio::piped());
    let mut child = child.spawn().unwrap();
    drop((child.stdout.take(), child.stderr.take()));
    assert_eq!(child.wait().unwrap().code(), Some(2));
}

#[test]
fn every_command_knows_a_student_by_alias() {
    let place = Place::new();
    std::fs::write(place.inbox().join("roster.toml"), "[[student]]\nname = \"Jonas Lind\"\naliases = [\"jl\"]\n").unwrap();
    let out = taken_in(&place);
    // where the roster is, the last run knows
    place.run(&[]);
    for arguments in [&["trend", "jl"][..], &["export", "jl", "--format", "csv"]] {
        let ran = dawnsheet(&[arguments, &["--out", &out]].concat());
        assert!(ran.code == 0 && ran.stdout.contains("Jonas Lind"), "{arguments:?}: {}{}", ran.stdout, ran.stderr);
    }
    let clip = place.reports().into_iter().find(|r| r.clip.file.starts_with("Jonas")).unwrap().clip;
    let ran = dawnsheet(&["verdict", &clip.file, "agree", "--fault", "sway", "--student", "JL", "--out", &out]);
    assert!(ran.code == 0 && ran.stdout.contains("Jonas Lind"), "{}{}", ran.stdout, ran.stderr);
}

#[test]
fn a_line_of_the_table_has_the_id_that_a_verdict_wants_and_a_line_of_progress_the_names() {
    let line = Line {
        file: "Ada/driver.mp4".into(),
        student: Some("Ada".into()),
        owner: "ada-000000".into(),
        place: Ended::Flagged,
        clip: Some("0123456789abcdef".into()),
        new: true,
        note: "sway flagged: trail hip slides".into(),
        tonight: true,
    };
    assert_eq!(line.progress(), "Ada/driver.mp4  01234567  flagged");
    let waits = Line { place: Ended::Waiting, clip: None, file: "Bo/a.mp4".into(), ..line.clone() };
    let table = Summary { lines: vec![waits, line], ..Summary::default() }.table();
    assert!(table.starts_with("  flagged         01234567  Ada/driver.mp4  sway flagged"), "{table}");
    assert!(table.contains("  waiting         -         Bo/a.mp4"), "{table}");
    assert!(table.contains("dawnsheet verdict CLIP"), "{table}");
}

#[test]
fn the_sheet_of_a_night_that_was_interrupted_says_so_first() {
    let folder = tempfile::tempdir().unwrap();
    let (out, mut store) = out_folder(folder.path());
    Builder::new(1, "Ada", DAY).sway(0.9, 7.0).record(&mut store);
    let waits = Line {
        file: "Bo/a.mp4".into(),
        student: Some("Bo".into()),
        owner: "bo-000000".into(),
        place: Ended::Waiting,
        clip: None,
        new: true,
        note: String::new(),
        tonight: true,
    };
    let headline = |night: Summary| {
        let page = std::fs::read_to_string(sheet::write(&out, &store, Some(&night), None).unwrap()).unwrap();
        page.split("<h1>").nth(1).unwrap().split("</h1>").next().unwrap().to_string()
    };
    let night = Summary { lines: vec![waits], ..Summary::default() };
    assert_eq!(headline(Summary { interrupted: true, ..night.clone() }), "Interrupted: 1 upload waits. One clip needs your eye.");
    assert_eq!(
        headline(Summary { stopped: Some("no space".into()), ..night.clone() }),
        "Stopped early: 1 upload waits. One clip needs your eye."
    );
    assert_eq!(headline(night), "One clip needs your eye.");
}

#[test]
fn a_clip_is_asked_for_by_sending_or_by_filming_never_both() {
    let folder = tempfile::tempdir().unwrap();
    let (out, mut store) = out_folder(folder.path());
    Builder::new(1, "Ada", DAY).failed(ReasonCode::Unreadable).record(&mut store);
    Builder::new(2, "Bo", DAY).failed(ReasonCode::NoSwing).record(&mut store);
    let both =
        |r: &mut dawnsheet::report::Report| r.reasons.push(ReasonCode::Damaged.reason().weighing(dawnsheet::report::Severity::Blocking));
    Builder::new(3, "Cy", DAY).unmeasured(ReasonCode::FeetUnseen.reason(), ViewKind::FaceOn).change(both).record(&mut store);
    sheet::write(&out, &store, None, None).unwrap();
    let mut asked = Vec::new();
    for page in std::fs::read_dir(folder.path().join("sheet/clip")).unwrap() {
        let text = std::fs::read_to_string(page.unwrap().path()).unwrap().to_lowercase();
        let said = |words: &[&str]| words.iter().any(|w| text.contains(w));
        let (send, film) =
            (said(&["send again", "send it again", "send it once more"]), said(&["film again", "film it again", "film it once more"]));
        assert!(send != film, "{text}");
        asked.push(film);
    }
    asked.sort_unstable();
    assert_eq!(asked, [false, true, true], "the damaged clip of Cy is filmed anew, which sends it anew");
}

#[test]
fn what_cannot_be_measured_says_why_also_where_nothing_is_to_be_done() {
    let folder = tempfile::tempdir().unwrap();
    let (out, mut store) = out_folder(folder.path());
    let reason = ReasonCode::NotFaceOn.because("filmed down the line").weighing(dawnsheet::report::Severity::Info);
    let clip = Builder::new(1, "Ada", DAY).unmeasured(reason, ViewKind::DownTheLine);
    assert!(!clip.report.needs_look && why_not(&clip.report).unwrap().starts_with("sway cannot be measured: the camera is not face-on"));
    clip.record(&mut store);
    let page = std::fs::read_to_string(sheet::write(&out, &store, None, None).unwrap()).unwrap();
    assert!(page.contains("Sway cannot be measured: the camera is not face-on (filmed down the line)."), "{page}");
}

#[test]
fn the_deciding_reason_is_told_first() {
    // judged from committed looks, with limits by which sway is borderline or clear and the elbow surely over
    let place = Place::new();
    let out = taken_in(&place);
    let settings = place.folder.path().join("s.toml");
    std::fs::write(&settings, "[limits]\nlead_elbow_bow_late_upper_arms = 0.01\ntrail_hip_travel_cm = 2.0\n").unwrap();
    assert_eq!(dawnsheet(&["rejudge", "--out", &out, "--settings", settings.to_str().unwrap()]).code, 0);
    let mut several = 0;
    for r in place.reports() {
        let main = r.swings.iter().find(|s| s.main).unwrap();
        let told: Vec<f64> = r
            .needs_look_because
            .iter()
            .filter_map(|b| main.faults.iter().find(|(n, f)| b.starts_with(&format!("{} {}:", n.words(), f.in_words()))))
            .map(|(_, f)| f.probability.unwrap())
            .collect();
        several += usize::from(told.len() > 1 && told[0] > told[told.len() - 1]);
        assert!(told.windows(2).all(|w| w[0] >= w[1]), "{:?}", r.needs_look_because);
    }
    assert!(several > 1, "clips with several reasons: {several}");
}

#[test]
fn an_hour_that_has_passed_is_said_to_be_tomorrow_s() {
    let place = Place::new();
    // midnight is never ahead of today
    let ran = place.run(&["--until", "00:00"]);
    assert!(ran.stderr.contains("00:00 has passed today: --until means tomorrow"), "{}", ran.stderr);
    assert!(!place.run(&["--until", "23:59:59"]).stderr.contains("tomorrow"));
}

#[test]
fn a_side_told_by_the_roster_needs_no_question() {
    let folder = tempfile::tempdir().unwrap();
    let (out, mut store) = out_folder(folder.path());
    for (n, side) in [(1, Side::Left), (2, Side::Right)] {
        Builder::new(n, "Ada", DAY).lead(side, LeadSideSource::Sidecar).record(&mut store);
    }
    let page = std::fs::read_to_string(sheet::write(&out, &store, None, None).unwrap()).unwrap();
    assert!(!page.contains("Another golfer"));
}

#[test]
fn the_elbow_is_told_in_centimetres_at_the_terminal_too() {
    let place = Place::new();
    let out = taken_in(&place);
    let trend = dawnsheet(&["trend", "--out", &out]).stdout;
    let line = trend.lines().find(|l| l.contains("lead elbow out of line")).unwrap();
    assert!(line.contains(" cm ") && !trend.contains("upper arm"), "{trend}");
    // whoever reads by machine gets what was measured
    assert!(dawnsheet(&["trend", "--csv", "--out", &out]).stdout.contains("lead_elbow_bow_late_upper_arms,upper arms,"));
    let reports = place.reports();
    let bow = |r: &dawnsheet::report::Report| {
        let main = r.swings.iter().find(|s| s.main)?.clone();
        Some((
            main.faults[&dawnsheet::report::types::FaultName::ChickenWing].text.clone(),
            main.metrics["lead_elbow_bow_late_upper_arms"].measured()?.value,
        ))
    };
    let his = reports.iter().filter(|r| r.clip.file.starts_with("Jonas Lind/"));
    let told: Vec<(String, f64)> = his.filter_map(bow).filter(|(text, _)| text.starts_with("lead elbow out of line")).collect();
    assert!(!told.is_empty());
    for (text, value) in &told {
        // he is 181 cm tall by the roster: an upper arm of 29.3 cm
        let cm: f64 = between(text, "after impact by ", " cm (").parse().unwrap();
        assert!((cm - value * 0.162 * 181.0).abs() < 0.08 && text.contains("limit 1.8"), "{text} {value}");
    }
}

#[test]
fn what_is_looked_at_and_what_lies_in_the_inbox_are_told_apart_and_agree_with_the_sheet() {
    let place = Place::new();
    let settings = support::at_once(&place);
    for name in ["Ada/a.mp4", "Ada/a copy.mp4", "Bo/b.mp4"] {
        std::fs::create_dir_all(place.inbox().join(name).parent().unwrap()).unwrap();
        std::fs::write(place.inbox().join(name), if name.starts_with("Ada") { &b"https://one"[..] } else { b"%PDF-1.7" }).unwrap();
    }
    place.copy(&support::fixture("Mira Okafor/2026-11-23 7 iron.mp4"), "Mira/clip.mp4");
    place.copy(&support::fixture("Mira Okafor/2026-11-23 7 iron.mp4"), "Mira/again.mp4");
    let ran = place.run(&["--settings", &settings]);
    assert!(ran.stderr.contains("5 uploads, 1 to look at; 4 done before, sent twice, waiting or not to be opened"), "{}", ran.stderr);
    assert!(ran.stdout.contains("5 uploads: "), "{}", ran.stdout);
    assert!(ran.stdout.contains("it is text, perhaps a link to the film") && ran.stdout.contains("it is a document"), "{}", ran.stdout);
    let page = std::fs::read_to_string(place.out().join("sheet/index.html")).unwrap();
    assert!(page.contains("All 5 uploads in the inbox"), "{}", between(&page, "night-h\">", "<"));
    let again = place.run(&["--settings", &settings]);
    assert!(!again.stderr.contains("to look at"), "nothing is looked at: {}", again.stderr);
}

#[test]
fn other_limits_are_tried_before_they_are_taken() {
    let folder = tempfile::tempdir().unwrap();
    let (_, mut store) = out_folder(&folder.path().join("out"));
    // slides of six students; measured within 2 cm
    for (i, slide) in [1.0, 4.9, 9.8, 12.0, 14.0, 20.0].into_iter().enumerate() {
        let clip = Builder::new(i as u64, &format!("Student {i}"), &format!("2026-04-{:02}", i + 1));
        clip.value("trail_hip_travel_cm", slide, 2.0).record(&mut store);
    }
    drop(store);
    let out = folder.path().join("out");
    let file = folder.path().join("settings.toml");
    let ask = |more: &[&str]| dawnsheet(&[&["limits", "--out", out.to_str().unwrap()], more].concat());
    let ran = ask(&[]);
    assert_eq!(ran.code, 0, "{}", ran.stderr);
    let line = |name: &str| -> Vec<String> {
        let row = ran.stdout.lines().skip_while(|l| !l.starts_with("Sway")).find(|l| l.trim_start().starts_with(name)).unwrap();
        row.split_whitespace().map(String::from).collect()
    };
    // limit 5: four are over it, 4.9 may be, 1 is not
    assert_eq!(line("as now")[2..6], ["4", "1", "1", "0"], "{}", ran.stdout);
    // limit 10: 9.8 may be over it
    assert_eq!(line("2 times")[2..6], ["3", "1", "2", "0"], "{}", ran.stdout);
    assert!(ran.stdout.contains("Student 5, 6 Apr 2026") && ran.stdout.contains("higher than 92 % of 6 (83 to 100)"), "{}", ran.stdout);
    let ran = ask(&["--set", "trail_hip_travel_cm=16", "--write", file.to_str().unwrap()]);
    assert!(ran.stdout.lines().any(|l| l.trim_start().starts_with("as set")), "{}", ran.stdout);
    assert_eq!(std::fs::read_to_string(&file).unwrap(), "[limits]\ntrail_hip_travel_cm = 16.0\n");
    assert_eq!(dawnsheet::settings::Settings::load(Some(&file)).unwrap().limits.trail_hip_travel_cm, 16.0);
    let ran = ask(&["--set", "trail_hip_travel_cm=7", "--write", file.to_str().unwrap()]);
    assert!(ran.code == 2 && ran.stderr.contains("is there already") && ran.stderr.contains("trail_hip_travel_cm = 7.0"), "{}", ran.stderr);
    assert!(std::fs::read_to_string(&file).unwrap().contains("16.0"), "a settings file is not overwritten");
    let ran = ask(&["--set", "trail_hip_travl_cm=7"]);
    assert!(ran.code == 2 && ran.stderr.contains("did you mean 'trail_hip_travel_cm'"), "{}", ran.stderr);
    assert_eq!(ask(&["--set", "trail_hip_travel_cm=ninety"]).code, 2);
}
