//! Every kind of bad input gets one clear sentence with what to do, the right exit code, and harms no other clip.

use crate::support::{self, Place, dawnsheet, ffmpeg, fixture, kill_workers, nobody, repository, settle};
use dawnsheet::batch::summary::Summary;
use dawnsheet::report::{ReasonCode, Report};
use std::path::Path;

fn still(path: &Path, seconds: u32) {
    // a person who does not swing: the first picture of a clip, held
    let picture = path.with_extension("png");
    ffmpeg(&["-i", fixture("Mira Okafor/2026-11-23 7 iron.mp4").to_str().unwrap(), "-frames:v", "1", picture.to_str().unwrap()]);
    let duration = seconds.to_string();
    ffmpeg(&[
        "-loop",
        "1",
        "-i",
        picture.to_str().unwrap(),
        "-t",
        &duration,
        "-r",
        "30",
        "-pix_fmt",
        "yuv420p",
        "-vf",
        "scale=360:640",
        path.to_str().unwrap(),
    ]);
    std::fs::remove_file(picture).unwrap();
}

/// One run over everything that can be wrong with a file.
#[test]
fn a_night_of_broken_uploads_harms_no_other_clip() {
    let place = Place::new();
    let made = tempfile::tempdir().unwrap();
    let make = |name: &str| made.path().join(name);
    nobody(&make("nobody.mp4"), 3);
    let whole = std::fs::read(make("nobody.mp4")).unwrap();
    still(&make("still.mp4"), 3);
    ffmpeg(&["-f", "lavfi", "-i", "sine=duration=1", make("sound.mp4").to_str().unwrap()]);
    ffmpeg(&["-f", "lavfi", "-i", "color=black:size=64x64", "-frames:v", "1", make("picture.png").to_str().unwrap()]);
    ffmpeg(&[
        "-f",
        "lavfi",
        "-i",
        "color=black:size=16000x12000:rate=1:duration=1",
        "-c:v",
        "mjpeg",
        "-frames:v",
        "1",
        make("huge.avi").to_str().unwrap(),
    ]);
    ffmpeg(&["-f", "lavfi", "-i", "color=black:size=64x64:rate=2:duration=3600", make("long.mp4").to_str().unwrap()]);
    let good = fixture("Mira Okafor/2026-11-23 7 iron.mp4");
    ffmpeg(&["-i", good.to_str().unwrap(), "-t", "1.9", "-c:v", "libx264", make("cut.mp4").to_str().unwrap()]);
    // the pictures' middle overwritten, the index left as it is
    let mut damaged = std::fs::read(&good).unwrap();
    let middle = damaged.len() / 2;
    for b in &mut damaged[middle..middle + 4000] {
        *b ^= 0x5A;
    }

    let expected: Vec<(&str, Option<ReasonCode>)> = vec![
        ("a/empty.mp4", Some(ReasonCode::NotAVideo)),
        ("a/text.mp4", Some(ReasonCode::NotAVideo)),
        ("a/playlist.mp4", Some(ReasonCode::NotAVideo)),
        ("a/picture.mp4", Some(ReasonCode::NotAVideo)),
        ("a/sound.mp4", Some(ReasonCode::NotAVideo)),
        ("a/truncated.mp4", Some(ReasonCode::Unreadable)),
        ("a/huge.avi", Some(ReasonCode::TooLarge)),
        ("a/long.mp4", Some(ReasonCode::TooLong)),
        ("a/nobody.mp4", Some(ReasonCode::NoPerson)),
        ("a/still.mp4", Some(ReasonCode::NoSwing)),
        ("a/cut.mp4", Some(ReasonCode::SwingCut)),
        ("a/damaged.mp4", Some(ReasonCode::Damaged)),
        ("a/link.mp4", Some(ReasonCode::NotAllowed)),
        ("a/pipe.mp4", Some(ReasonCode::NotAllowed)),
        ("b/good.mp4", None),
    ];
    place.write("a/empty.mp4", b"");
    place.write("a/text.mp4", b"this is not a video, it only says so");
    place.write("a/playlist.mp4", format!("#EXTM3U\n#EXTINF:1,\n{}\n", make("nobody.mp4").display()).as_bytes());
    place.copy(&make("picture.png"), "a/picture.mp4");
    place.copy(&make("sound.mp4"), "a/sound.mp4");
    place.write("a/truncated.mp4", &whole[..whole.len() / 2]);
    place.copy(&make("huge.avi"), "a/huge.avi");
    place.copy(&make("long.mp4"), "a/long.mp4");
    place.copy(&make("nobody.mp4"), "a/nobody.mp4");
    place.copy(&make("still.mp4"), "a/still.mp4");
    place.copy(&make("cut.mp4"), "a/cut.mp4");
    place.write("a/damaged.mp4", &damaged);
    place.copy(&good, "b/good.mp4");
    let outside = place.folder.path().join("outside.mp4");
    std::fs::copy(make("nobody.mp4"), &outside).unwrap();
    std::os::unix::fs::symlink(&outside, place.at("a/link.mp4")).unwrap();
    assert!(std::process::Command::new("mkfifo").arg(place.at("a/pipe.mp4")).status().unwrap().success());
    let old = std::process::Command::new("touch")
        .args(["-h", "-d", "2 hours ago"])
        .args([place.at("a/link.mp4"), place.at("a/pipe.mp4")])
        .status();
    assert!(old.unwrap().success());

    let (code, summary) = place.summary(&[]);
    assert_eq!(code, 1, "finished, but some clips are of no use");
    assert_eq!(summary["lines"].as_array().unwrap().len(), expected.len(), "every input is accounted for");
    let reports = place.reports();
    let of = |file: &str| -> &Report { reports.iter().find(|r| r.clip.file == file).unwrap_or_else(|| panic!("no report of {file}")) };
    for (file, reason) in &expected {
        let report = of(file);
        match reason {
            Some(code) => {
                let found = report.reasons.iter().find(|r| r.code == *code);
                let found = found.unwrap_or_else(|| panic!("{file}: {:?}", report.reasons));
                assert!(!found.text.is_empty() && !found.advice.is_empty());
            }
            None => assert!(report.usable, "{file}: {:?}", report.reasons),
        }
    }
    // cut at the top: what the backswing shows is measured, the rest is not guessed
    let cut = of("a/cut.mp4");
    let main = cut.swings.iter().find(|s| s.main).unwrap();
    assert!(main.events.impact.is_none());
    assert!(main.metrics["lead_elbow_bow_late_upper_arms"].why().is_some());
    // a damaged middle does not stop the measuring
    assert!(of("a/damaged.mp4").video.is_some());
    // nothing half-written, no worker's folder left
    assert_eq!(std::fs::read_dir(place.out().join("staging")).unwrap().count(), 0);
    let parts =
        walkdir::WalkDir::new(place.out()).into_iter().filter_map(Result::ok).filter(|e| e.path().extension().is_some_and(|x| x == "part"));
    assert_eq!(parts.count(), 0);
}

#[test]
fn files_still_being_uploaded_wait_and_are_named() {
    let place = Place::new();
    nobody(&place.at("a/fresh.mp4"), 1);
    let (code, summary) = place.summary(&[]);
    assert_eq!(code, 1);
    assert_eq!(summary["lines"][0]["place"], "waiting");
    assert!(summary["lines"][0]["note"].as_str().unwrap().contains("still being uploaded"));
    assert!(place.reports().is_empty());
}

#[test]
fn a_wrong_sidecar_makes_its_clip_wait_and_names_the_key() {
    let place = Place::new();
    nobody(&place.at("a/one.mp4"), 1);
    settle(&place.at("a/one.mp4"));
    place.write("a/one.toml", b"clubb = \"driver\"");
    let (code, summary) = place.summary(&[]);
    assert_eq!(code, 1);
    let note = summary["lines"][0]["note"].as_str().unwrap();
    assert!(note.contains("clubb") && note.contains("club"), "{note}");
    // legal TOML, and nothing that a note needs
    place.write("a/one.toml", b"note = \"tired\\u0000\"");
    let (code, summary) = place.summary(&[]);
    let note = summary["lines"][0]["note"].as_str().unwrap();
    assert!(code == 1 && note.contains("note holds the control character U+0000: write it without"), "{note}");
}

#[test]
fn wrong_usage_starts_nothing_and_exits_with_two() {
    let place = Place::new();
    let settings = place.folder.path().join("settings.toml");
    std::fs::write(&settings, "[limits]\ntrail_hip_travl_cm = 4\n").unwrap();
    let ran = place.run(&["--settings", settings.to_str().unwrap()]);
    assert_eq!(ran.code, 2);
    assert!(ran.stderr.contains("trail_hip_travel_cm"), "{}", ran.stderr);
    assert!(!place.out().exists(), "nothing was started");

    let roster = place.folder.path().join("r.toml");
    std::fs::write(&roster, "[[student]]\nname = \"A\"\nstature = 170\n").unwrap();
    let ran = place.run(&["--roster", roster.to_str().unwrap()]);
    assert_eq!(ran.code, 2);
    assert!(ran.stderr.contains("stature_cm"), "{}", ran.stderr);

    assert_eq!(place.run(&["--colour"]).code, 2);
    assert_eq!(dawnsheet(&["run", "/nowhere/at/all"]).code, 2);
    assert_eq!(dawnsheet(&["sheet", "--out", "/nowhere/at/all"]).code, 2);
    assert_eq!(dawnsheet(&["clip", "x.mp4", "--stature", "17"]).code, 2);
    let ran = dawnsheet(&["run", place.inbox().to_str().unwrap(), "--out", "/proc/nowhere"]);
    assert_eq!(ran.code, 2);
    assert!(ran.stderr.contains("--out"), "{}", ran.stderr);
}

#[test]
fn missing_or_wrong_models_are_named_with_the_command_that_mends_it() {
    let place = Place::new();
    let models = place.folder.path().join("models");
    std::fs::create_dir(&models).unwrap();
    let run = |models: &Path| {
        let output = std::process::Command::new(env!("CARGO_BIN_EXE_dawnsheet"))
            .args(["run", place.inbox().to_str().unwrap(), "--out", place.out().to_str().unwrap()])
            .env("DAWNSHEET_MODELS", models)
            .output()
            .unwrap();
        support::ran(output)
    };
    let ran = run(&models);
    assert_eq!(ran.code, 2);
    assert!(ran.stderr.contains("pose_detector.onnx") && ran.stderr.contains("scripts/setup"), "{}", ran.stderr);
    std::fs::write(models.join("pose_detector.onnx"), b"something else").unwrap();
    let ran = run(&models);
    assert_eq!(ran.code, 2);
    assert!(ran.stderr.contains("sha256 differs"), "{}", ran.stderr);

    let doctor =
        std::process::Command::new(env!("CARGO_BIN_EXE_dawnsheet")).arg("doctor").env("DAWNSHEET_MODELS", &models).output().unwrap();
    assert_eq!(doctor.status.code(), Some(2));
    assert_eq!(dawnsheet(&["doctor", "--out", place.out().to_str().unwrap()]).code, 0);
}

#[test]
fn one_clip_alone_has_its_own_exit_codes() {
    let place = Place::new();
    let text = place.write("a/text.mp4", b"no video");
    let ran = dawnsheet(&["clip", text.to_str().unwrap(), "--json"]);
    assert_eq!(ran.code, 1);
    let report: Report = serde_json::from_str(&ran.stdout).unwrap();
    assert!(!report.usable && report.reasons[0].code == ReasonCode::NotAVideo && report.swings.is_empty());
}

#[test]
fn a_worker_that_dies_costs_its_own_clip_only() {
    let place = Place::new();
    nobody(&place.at("a/one.mp4"), 20);
    settle(&place.at("a/one.mp4"));
    let mut run = std::process::Command::new(env!("CARGO_BIN_EXE_dawnsheet"))
        .args(["run", place.inbox().to_str().unwrap(), "--out", place.out().to_str().unwrap()])
        .stdout(std::process::Stdio::null())
        .stderr(std::process::Stdio::null())
        .spawn()
        .unwrap();
    let mut killed = 0;
    while run.try_wait().unwrap().is_none() {
        killed += kill_workers(&place.out());
        std::thread::sleep(std::time::Duration::from_millis(20));
    }
    assert!(killed >= 2, "{killed} workers killed");
    assert_eq!(run.wait().unwrap().code(), Some(1));
    let (code, summary) = place.summary(&[]);
    assert_eq!(code, 1);
    assert_eq!(summary["lines"][0]["place"], "quarantined");
    assert_eq!(place.reports()[0].reasons[0].code, ReasonCode::WorkerFailed);
    // asked to, it is tried again
    let (_, summary) = place.summary(&["--retry-failed"]);
    assert_eq!(summary["lines"][0]["place"], "failed");
    assert_eq!(place.reports()[0].reasons[0].code, ReasonCode::NoPerson);
}

#[test]
fn tries_that_fail_leave_an_earlier_result_as_it_is() {
    let place = Place::new();
    nobody(&place.at("a/one.mp4"), 20);
    settle(&place.at("a/one.mp4"));
    assert_eq!(place.run(&[]).code, 1);
    let (before, report) = (place.outcome(), place.reports().remove(0));
    assert_eq!(report.reasons[0].code, ReasonCode::NoPerson);
    // another model, with which every worker dies, and looks that are of no use
    let settings = place.folder.path().join("once.toml");
    std::fs::write(&settings, "[night]\nmax_attempts = 1\n").unwrap();
    let _ = std::fs::remove_dir_all(place.out().join("keypoints"));
    let mut run = place.command(&["--settings", settings.to_str().unwrap(), "--model", "fast"]).spawn().unwrap();
    while run.try_wait().unwrap().is_none() {
        kill_workers(&place.out());
        std::thread::sleep(std::time::Duration::from_millis(20));
    }
    assert_eq!(run.wait().unwrap().code(), Some(1));
    assert!(std::fs::read_to_string(place.out().join("quarantine.json")).unwrap().contains("a/one.mp4"));
    assert_eq!(place.reports(), [report]);
    let mut left = before;
    left.retain(|name, _| !name.starts_with("keypoints"));
    assert_eq!(place.outcome(), left);
}

#[test]
fn a_folder_that_cannot_be_read_is_no_full_success() {
    let fine = Summary::default();
    assert_eq!(fine.exit_code(), 0);
    assert_eq!(Summary { unreadable_folders: vec!["Ada".into()], ..fine }.exit_code(), 1);
}

#[test]
fn the_committed_schema_is_the_one_of_the_types() {
    let committed = std::fs::read_to_string(repository("pipeline/report/report.schema.json")).unwrap();
    assert_eq!(committed, dawnsheet::report::json_schema(), "write it again: dawnsheet print schema > pipeline/report/report.schema.json");
}
