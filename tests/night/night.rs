//! The night's manners: interrupts, deadline, lock, privacy, erasure, hostile names, disguised files.

use crate::support::{self, Place, at_once, dawnsheet, ffmpeg, nobody, stamped};
use dawnsheet::batch::job::INSTALLATION_EXIT;
use dawnsheet::history::Store;
use std::os::unix::fs::{FileTypeExt, PermissionsExt};
use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};

/// `count` small clips of nobody that all differ.
fn crowd(place: &Place, count: u32) {
    let made = tempfile::tempdir().unwrap();
    let clip = made.path().join("clip.mp4");
    nobody(&clip, 2);
    let bytes = std::fs::read(clip).unwrap();
    for i in 0..count {
        place.write(&format!("s{}/{i:02}.mp4", i % 3), &stamped(&bytes, i));
    }
}

fn signal(name: &str, id: u32) {
    assert!(Command::new("kill").args(["-s", name, &id.to_string()]).status().unwrap().success());
}

/// Waits until the log says that a clip was begun.
fn wait_for_a_clip(place: &Place) {
    let began = Instant::now();
    while began.elapsed() < Duration::from_secs(60) {
        let logs = walkdir::WalkDir::new(place.out().join("logs")).into_iter().filter_map(Result::ok);
        if logs.filter(|e| e.file_type().is_file()).any(|e| std::fs::read_to_string(e.path()).unwrap().contains("\"begins\"")) {
            return;
        }
        std::thread::sleep(Duration::from_millis(10));
    }
    panic!("no clip was begun");
}

#[test]
fn the_first_interrupt_lets_running_clips_finish_and_the_next_run_goes_on() {
    for name in ["INT", "TERM"] {
        let place = Place::new();
        crowd(&place, 8);
        let mut run = place.command(&["--workers", "1"]).spawn().unwrap();
        wait_for_a_clip(&place);
        signal(name, run.id());
        assert_eq!(run.wait().unwrap().code(), Some(130));
        let done = place.reports().len();
        assert!((1..8).contains(&done), "{done} clips done");
        let (code, summary) = place.summary(&[]);
        assert_eq!(code, 1, "clips without anybody in them");
        let lines = summary["lines"].as_array().unwrap();
        assert_eq!(lines.iter().filter(|l| l["new"] == false).count(), done, "what was done stayed done");
        assert_eq!(place.reports().len(), 8);
    }
}

#[test]
fn the_second_interrupt_stops_at_once_and_costs_no_attempt() {
    let place = Place::new();
    let clip = place.at("a/long.mp4");
    nobody(&clip, 60);
    support::settle(&clip);
    let mut run = place.command(&[]).spawn().unwrap();
    wait_for_a_clip(&place);
    signal("INT", run.id());
    std::thread::sleep(Duration::from_millis(100));
    let asked = Instant::now();
    signal("INT", run.id());
    assert_eq!(run.wait().unwrap().code(), Some(130));
    assert!(asked.elapsed() < Duration::from_secs(3));
    assert!(place.reports().is_empty());
    let store = Store::open(&place.out().join("dawnsheet.sqlite")).unwrap();
    assert!(store.results().unwrap().is_empty());
    drop(store);
    let (_, summary) = place.summary(&[]);
    assert_eq!(summary["lines"][0]["place"], "failed", "nobody swings in it; it was not set aside");
}

#[test]
fn no_clip_starts_after_the_deadline_and_the_rest_is_listed() {
    let place = Place::new();
    crowd(&place, 30);
    let soon = jiff::Zoned::now() + jiff::Span::new().seconds(4);
    let soon = soon.strftime("%H:%M:%S").to_string();
    let (code, summary) = place.summary(&["--workers", "1", "--until", &soon]);
    assert_eq!(code, 1);
    let waiting: Vec<_> = summary["lines"].as_array().unwrap().iter().filter(|l| l["place"] == "waiting").collect();
    assert!(!waiting.is_empty(), "{summary}");
    assert!(waiting.iter().all(|l| l["note"].as_str().unwrap().contains("came before its turn")));
    assert_eq!(waiting.len() + place.reports().len(), 30);
    assert_eq!(dawnsheet(&["run", place.inbox().to_str().unwrap(), "--until", "25:00"]).code, 2);
}

#[test]
fn two_runs_on_one_out_folder_do_not_collide_and_a_dead_ones_lock_is_no_hindrance() {
    let place = Place::new();
    crowd(&place, 6);
    let mut first = place.command(&["--workers", "1"]).spawn().unwrap();
    wait_for_a_clip(&place);
    let second = place.run(&[]);
    assert_eq!(second.code, 2);
    assert!(second.stderr.contains(&format!("process {}", first.id())), "{}", second.stderr);
    first.kill().unwrap();
    first.wait().unwrap();
    assert_eq!(place.run(&[]).code, 1);
    assert_eq!(place.reports().len(), 6);
}

#[test]
fn an_upload_that_goes_away_or_changes_waits_and_nothing_else_is_harmed() {
    let place = Place::new();
    crowd(&place, 6);
    let mut run = place.command(&["--workers", "1"]).spawn().unwrap();
    wait_for_a_clip(&place);
    // the last in the order of work: not begun yet
    std::fs::remove_file(place.at("s2/05.mp4")).unwrap();
    std::fs::write(place.at("s1/04.mp4"), b"another upload of this name").unwrap();
    assert_eq!(run.wait().unwrap().code(), Some(1));
    let reports = place.reports();
    assert_eq!(reports.len(), 4);
    let index = std::fs::read_to_string(place.out().join("sheet/index.html")).unwrap();
    assert!(index.contains("the file changed or went away"));
}

#[test]
fn an_out_folder_that_goes_away_stops_the_run_with_a_sentence() {
    let place = Place::new();
    crowd(&place, 6);
    let mut run = place.command(&["--workers", "1"]).stderr(std::process::Stdio::piped()).spawn().unwrap();
    wait_for_a_clip(&place);
    std::fs::rename(place.out(), place.folder.path().join("elsewhere")).unwrap();
    std::fs::write(place.out(), b"a file in its place").unwrap();
    let mut said = String::new();
    std::io::Read::read_to_string(&mut run.stderr.take().unwrap(), &mut said).unwrap();
    assert!(matches!(run.wait().unwrap().code(), Some(1 | 2)));
    assert!(said.lines().any(|l| l.starts_with("dawnsheet: ") && l.contains("out")), "{said}");
    assert!(!said.contains("panicked"), "{said}");
}

#[test]
fn what_is_written_is_its_owners_alone_and_the_log_names_nobody() {
    let place = Place::new();
    let made = tempfile::tempdir().unwrap();
    nobody(&made.path().join("clip.mp4"), 1);
    place.copy(&made.path().join("clip.mp4"), "Sigrun Valgard/a swing of mine.mp4");
    place.copy(&support::fixture("Mira Okafor/2026-11-23 7 iron.mp4"), "Mira Okafor/iron.mp4");
    assert_eq!(place.run(&["--model", "fast"]).code, 1);
    let mut seen = 0;
    for entry in walkdir::WalkDir::new(place.out()).into_iter().map(Result::unwrap) {
        let mode = entry.metadata().unwrap().permissions().mode();
        assert_eq!(mode & 0o077, 0, "{:?} {mode:o}", entry.path());
        seen += 1;
        if entry.path().starts_with(place.out().join("logs")) && entry.file_type().is_file() {
            let log = std::fs::read_to_string(entry.path()).unwrap();
            assert!(log.contains("\"ends\"") && log.lines().all(|l| serde_json::from_str::<serde_json::Value>(l).is_ok()));
            for name in ["Sigrun", "Mira", "swing", "iron", "sigrun"] {
                assert!(!log.contains(name), "{log}");
            }
        }
    }
    assert!(seen > 15);
}

/// Files below `folder` that hold these bytes, in their contents or their names: a search of the test's own.
fn grep(folder: &Path, needle: &str) -> Vec<String> {
    let output = Command::new("grep").args(["-rlaF", "--", needle]).arg(folder).output().unwrap();
    let mut all: Vec<String> = String::from_utf8_lossy(&output.stdout).lines().map(Into::into).collect();
    for entry in walkdir::WalkDir::new(folder).into_iter().filter_map(Result::ok) {
        if entry.file_name().to_string_lossy().contains(needle) {
            all.push(entry.path().display().to_string());
        }
    }
    all
}

#[test]
fn an_erased_student_leaves_no_trace_and_is_skipped_from_then_on() {
    let place = Place::new();
    let made = tempfile::tempdir().unwrap();
    nobody(&made.path().join("both.mp4"), 1);
    nobody(&made.path().join("own.mp4"), 2);
    place.copy(&made.path().join("both.mp4"), "Sigrun Valgard/both.mp4");
    place.copy(&made.path().join("own.mp4"), "Sigrun Valgard/own.mp4");
    place.copy(&support::fixture("Mira Okafor/2026-11-23 7 iron.mp4"), "Sigrun Valgard/her iron.mp4");
    place.write("Sigrun Valgard/broken.mp4", b"no video");
    place.copy(&made.path().join("both.mp4"), "Mira Okafor/both.mp4");
    assert_eq!(place.run(&["--model", "fast"]).code, 1);
    let reports = place.reports();
    let hers: Vec<String> =
        reports.iter().filter(|r| r.clip.file.contains("her iron") || r.clip.file.contains("own")).map(|r| r.clip.id.clone()).collect();
    assert_eq!(hers.len(), 2);
    let out = place.out();
    assert!(!grep(&out, "Sigrun").is_empty() && hers.iter().all(|id| grep(&out, id).len() >= 3), "there is something to erase");

    let said = |more: &[&str]| {
        let mut all = vec!["forget", "sigrun valgard", "--out", out.to_str().unwrap()];
        all.extend(more);
        dawnsheet(&all)
    };
    let refused = said(&[]);
    assert_eq!(refused.code, 2, "nobody can be asked here");
    assert!(refused.stderr.contains("--yes") && !grep(&out, "Sigrun").is_empty());
    let done = said(&["--yes"]);
    assert_eq!(done.code, 0, "{}{}", done.stdout, done.stderr);
    assert!(done.stdout.contains("no trace left") && done.stdout.contains("her iron.mp4"), "{}", done.stdout);
    for needle in ["Sigrun", "sigrun", "Valgard", "her iron"].into_iter().chain(hers.iter().map(String::as_str)) {
        assert_eq!(grep(&out, needle), Vec::<String>::new(), "{needle}");
    }
    assert!(place.at("Sigrun Valgard/own.mp4").is_file(), "the inbox is never written to");
    let left = place.reports();
    assert_eq!(left.len(), 1);
    assert_eq!(left[0].clip.student.as_deref(), Some("Mira Okafor"));
    assert!(out.join("keypoints").join(format!("{}.npz", left[0].clip.id)).is_file(), "the same bytes of another student stay");

    let (_, summary) = place.summary(&["--model", "fast"]);
    let skipped: Vec<_> = summary["lines"].as_array().unwrap().iter().filter(|l| l["place"] == "forgotten").collect();
    assert_eq!(skipped.len(), 4, "{summary}");
    assert_eq!(place.reports().len(), 1);
    // the sheet counts them; who they are stands in the one file that is read on purpose
    assert!(std::fs::read_to_string(out.join("sheet/index.html")).unwrap().contains("<b>4</b> skipped"));
    for needle in ["Sigrun", "Valgard", "her iron"] {
        let named = grep(&out, needle);
        assert!(named.len() == 1 && named[0].ends_with("skipped.txt"), "{needle}: {named:?}");
    }
    assert_eq!(said(&["--take-in-again"]).code, 0);
    place.run(&["--model", "fast"]);
    assert_eq!(place.reports().len(), 5);
    assert_eq!(dawnsheet(&["forget", "Nobody Known", "--yes", "--out", out.to_str().unwrap()]).code, 2);
}

#[test]
fn clips_past_their_keeping_time_are_erased_and_not_measured_again() {
    let place = Place::new();
    crowd(&place, 3);
    place.run(&[]);
    assert_eq!(place.reports().len(), 3);
    let settings = place.folder.path().join("keep.toml");
    std::fs::write(&settings, "[night]\nkeep_days = 0.00001\n").unwrap();
    std::thread::sleep(Duration::from_secs(2));
    let (_, summary) = place.summary(&["--settings", settings.to_str().unwrap()]);
    assert!(summary["lines"].as_array().unwrap().iter().all(|l| l["place"] == "forgotten"), "{summary}");
    assert!(place.reports().is_empty());
    assert_eq!(
        walkdir::WalkDir::new(place.out().join("keypoints")).into_iter().filter(|e| e.as_ref().unwrap().file_type().is_file()).count(),
        0
    );
    // the erasure rewrites the log, and this run's lines come after that
    let logs = std::fs::read_dir(place.out().join("logs")).unwrap();
    let logged: String = logs.map(|e| std::fs::read_to_string(e.unwrap().path()).unwrap()).collect();
    assert_eq!(logged.matches("night ends").count(), 2, "{logged}");
}

#[test]
fn hostile_names_and_texts_stay_names_and_texts() {
    use std::os::unix::ffi::OsStrExt;
    let place = Place::new();
    let made = tempfile::tempdir().unwrap();
    nobody(&made.path().join("clip.mp4"), 1);
    let bytes = std::fs::read(made.path().join("clip.mp4")).unwrap();
    let long = "x".repeat(246);
    let names = [
        "new\nline.mp4",
        "quote\"s'.mp4",
        "<script>alert(1)<_script>.mp4",
        "-rf.mp4",
        "ünïcødé 高尔夫.mp4",
        "%s%n {{name}}.mp4",
        "a;b|c&d$(e)`f`.mp4",
        "back\\slash.mp4",
        "a..mp4",
        &format!("{long}.mp4"),
    ];
    let students = ["..", "<img src=x onerror=alert(1)>", "-o", "Zoë\u{202e}", "a\tb"];
    let mut expected = 0;
    for (i, name) in names.iter().enumerate() {
        let student = students[i % students.len()];
        let student = if student == ".." { "..x" } else { student };
        place.write(&format!("{student}/{name}"), &stamped(&bytes, i as u32));
        expected += 1;
    }
    // bytes that are no text at all
    let odd = place.inbox().join("odd").join(std::ffi::OsStr::from_bytes(b"\xff\xfe.mp4"));
    std::fs::create_dir_all(odd.parent().unwrap()).unwrap();
    std::fs::write(&odd, stamped(&bytes, 100)).unwrap();
    // a folder with a clip's name, a link out of the inbox, a pipe, a device, a file that cannot be read
    std::fs::create_dir_all(place.inbox().join("odd/folder.mp4")).unwrap();
    std::fs::write(place.inbox().join("odd/folder.mp4/inside.mp4"), stamped(&bytes, 101)).unwrap();
    let outside = place.folder.path().join("outside.mp4");
    std::fs::write(&outside, stamped(&bytes, 102)).unwrap();
    std::os::unix::fs::symlink(&outside, place.at("odd/link.mp4")).unwrap();
    assert!(Command::new("mkfifo").arg(place.at("odd/pipe.mp4")).status().unwrap().success());
    let device = place.at("odd/device.mp4");
    let has_device = Command::new("mknod").arg(&device).args(["c", "1", "3"]).output().unwrap().status.success();
    assert_eq!(has_device, device.symlink_metadata().is_ok_and(|m| m.file_type().is_char_device()));
    let secret = place.write("odd/unreadable.mp4", &stamped(&bytes, 103));
    std::fs::set_permissions(&secret, std::fs::Permissions::from_mode(0o000)).unwrap();
    // hostile words in the sidecar and the roster
    place.write("side/car.mp4", &stamped(&bytes, 104));
    place.write("side/car.toml", b"student = \"../../../etc/<script>x</script>\"\nclub = \"'; DROP TABLE result; --\"\nnote = \"<b>&\"\n");
    place.write(
        "roster.toml",
        "[[student]]\nname = \"<svg onload=alert(2)>\"\naliases = [\"a\\tb\", \"../x\"]\nworking_on = \"</textarea><script>\"\n".as_bytes(),
    );
    expected += 6 + usize::from(has_device);

    let (code, summary) = place.summary(&["--settings", &at_once(&place)]);
    assert_eq!(code, 1);
    let lines = summary["lines"].as_array().unwrap();
    assert_eq!(lines.len(), expected, "{summary:#}");
    for line in lines {
        let file = line["file"].as_str().unwrap();
        let refused = ["link.mp4", "pipe.mp4", "device.mp4"].iter().any(|n| file.ends_with(n));
        assert_eq!(line["place"], "failed", "{line}");
        let report = place.reports().into_iter().find(|r| r.clip.file == file).unwrap_or_else(|| panic!("{file:?}"));
        let first = report.reasons[0].code.code();
        assert_eq!(refused, first == dawnsheet::report::ReasonCode::NotAllowed.code(), "{file:?}: {first}");
    }
    // nothing was written outside the out folder, and no path of it came from a name
    assert_eq!(std::fs::read_dir(place.folder.path()).unwrap().count(), 4, "inbox, out, settings, the file outside");
    for entry in walkdir::WalkDir::new(place.out()).into_iter().map(Result::unwrap) {
        let name = entry.file_name().to_str().unwrap();
        assert!(name.chars().all(|c| c.is_ascii_alphanumeric() || "-._".contains(c)), "{name:?}");
        if name.ends_with(".html") {
            let page = std::fs::read_to_string(entry.path()).unwrap();
            for raw in ["<script>alert", "<script>x", "<img src=x", "<svg onload", "</textarea><script>"] {
                assert!(!page.contains(raw), "{raw} in {name}");
            }
        }
    }
    let table = place.run(&["--settings", &at_once(&place)]).stdout;
    assert!(table.lines().count() >= expected && !table.contains('\t') && table.chars().all(|c| c == '\n' || !c.is_control()));
}

#[test]
fn disguised_files_never_open_another_file() {
    let place = Place::new();
    let bait = place.folder.path().join("bait.mp4");
    nobody(&bait, 1);
    let path = bait.to_str().unwrap();
    let picture = place.folder.path().join("bait.png");
    ffmpeg(&["-f", "lavfi", "-i", "color=black:size=64x64", "-frames:v", "1", picture.to_str().unwrap()]);
    let mut watch = inotify::Inotify::init().unwrap();
    for file in [&bait, &picture] {
        watch.watches().add(file, inotify::WatchMask::OPEN | inotify::WatchMask::ACCESS).unwrap();
    }
    let mut buffer = [0; 4096];
    let mut opened = |watch: &mut inotify::Inotify| watch.read_events(&mut buffer).map_or(0, Iterator::count);
    std::fs::read(&bait).unwrap();
    assert!(opened(&mut watch) > 0, "the watch sees an opened file");
    assert_eq!(opened(&mut watch), 0);

    let hls = format!("#EXTM3U\n#EXT-X-MEDIA-SEQUENCE:0\n#EXTINF:1.0,\n{path}\n#EXT-X-ENDLIST\n");
    let concat = format!("ffconcat version 1.0\nfile '{path}'\n");
    let svg = format!("<svg xmlns=\"http://www.w3.org/2000/svg\"><image href=\"{}\"/></svg>", picture.display());
    let xml = format!("<?xml version=\"1.0\"?><!DOCTYPE x [<!ENTITY e SYSTEM \"file://{path}\">]><x>&e;</x>");
    let dash = format!("<?xml version=\"1.0\"?><MPD><Period><BaseURL>{path}</BaseURL></Period></MPD>");
    let head = std::fs::read(&bait).unwrap();
    assert!(opened(&mut watch) > 0);
    let disguises: Vec<(&str, Vec<u8>)> = vec![
        ("hls.mp4", hls.clone().into_bytes()),
        ("hls.mkv", hls.clone().into_bytes()),
        ("hls.3gp", hls.clone().into_bytes()),
        ("concat.mp4", concat.clone().into_bytes()),
        ("concat.avi", concat.clone().into_bytes()),
        ("picture.mp4", svg.clone().into_bytes()),
        ("xml.mov", xml.into_bytes()),
        ("dash.webm", dash.into_bytes()),
        ("zip.mp4", [b"PK\x03\x04".as_slice(), hls.as_bytes()].concat()),
        // the first bytes of a container, then a playlist
        ("polyglot.mp4", [&head[..32], hls.as_bytes()].concat()),
        ("polyglot.mov", [b"\0\0\0\x14ftypqt  \0\0\0\0qt  ".as_slice(), concat.as_bytes()].concat()),
        ("polyglot.avi", [b"RIFF\xff\0\0\0AVI LIST".as_slice(), hls.as_bytes()].concat()),
        ("polyglot.mkv", [[0x1A, 0x45, 0xDF, 0xA3].as_slice(), hls.as_bytes()].concat()),
        // a playlist whose first bytes pass for a box
        ("box.mp4", [b"\0\0\0\x08free".as_slice(), hls.as_bytes()].concat()),
        // an ISO file whose data reference names the other file
        ("reference.mov", reference(&head, path)),
    ];
    let count = disguises.len();
    for (name, bytes) in disguises {
        place.write(&format!("a/{name}"), &bytes);
    }
    let (code, summary) = place.summary(&["--settings", &at_once(&place)]);
    assert_eq!(code, 1);
    assert_eq!(summary["lines"].as_array().unwrap().len(), count);
    assert_eq!(opened(&mut watch), 0, "another file was opened");
}

/// The clip's data reference box made to point at another file: its `url ` entry (flag 1: in this file) becomes one with a
/// path (ISO/IEC 14496-12, 8.7.2), and the sizes of the boxes around it grow.
fn reference(clip: &[u8], path: &str) -> Vec<u8> {
    let find = |name: &[u8]| clip.windows(4).position(|w| w == name).unwrap_or_else(|| panic!("no {name:?}"));
    let entry = find(b"url ");
    let more = format!("file://{path}\0").into_bytes();
    let mut all = clip.to_vec();
    for name in [b"moov".as_slice(), b"trak", b"mdia", b"minf", b"dinf", b"dref", b"url "] {
        let at = find(name) - 4;
        let size = u32::from_be_bytes(all[at..at + 4].try_into().unwrap()) + more.len() as u32;
        all[at..at + 4].copy_from_slice(&size.to_be_bytes());
    }
    all[entry + 7] = 0;
    all.splice(entry + 8..entry + 8, more);
    all
}

#[test]
fn a_night_that_has_to_stop_still_gives_its_account_and_its_sheet() {
    let place = Place::new();
    crowd(&place, 3);
    // the program beside a worker that finds something missing, and tells what it knows
    let programs = tempfile::tempdir().unwrap();
    let (program, worker, known) =
        (programs.path().join("dawnsheet"), programs.path().join("dawnsheet-worker"), programs.path().join("known"));
    support::copy_executable(Path::new(env!("CARGO_BIN_EXE_dawnsheet")), &program);
    let script = format!("#!/bin/sh\nenv > '{}'\nread order\nexit {INSTALLATION_EXIT}\n", known.display());
    support::executable(&worker, &script);
    let mut run = Command::new(&program);
    run.args(["run", "--json", "--workers", "1", "--out"]).arg(place.out()).arg(place.inbox());
    run.env("DAWNSHEET_MODELS", support::repository("models")).env("A_PLAIN_WORD", "hello");
    let secrets = ["AWS_ACCESS_KEY_ID", "AWS_SECRET_ACCESS_KEY", "AWS_SESSION_TOKEN", "PGPASSWORD"];
    run.envs(secrets.map(|name| (name, "hush")));
    // nothing done at all: an installation that is not fit to start with
    assert_eq!(support::ran(run.output().unwrap()).code, 2);
    // something done before: the coach has it in the morning
    place.write("Ada/letter.mp4", b"no video");
    let ran = support::ran(run.output().unwrap());
    assert_eq!(ran.code, 1, "{}", ran.stderr);
    let summary: serde_json::Value = serde_json::from_str(&ran.stdout).unwrap();
    assert!(summary["stopped"].is_string() && summary["lines"].as_array().unwrap().len() == 4, "{summary}");
    assert!(ran.stderr.contains("had to stop"), "{}", ran.stderr);
    let index = std::fs::read_to_string(place.out().join("sheet/index.html")).unwrap();
    assert!(index.contains("the run stopped before it"));
    assert!(place.out().join("quarantine.json").is_file());
    let known = std::fs::read_to_string(known).unwrap();
    assert!(known.contains("A_PLAIN_WORD=hello") && !known.contains("hush"), "{known}");
}
