//! A refused upload is a row like any other: gone from the sheet once it is mended, and erased when its keeping time is over.

use crate::support::{self, Place, nobody};
use dawnsheet::history::Store;
use std::process::Command;

fn rows(place: &Place) -> Vec<String> {
    let store = Store::open(&place.out().join("dawnsheet.sqlite")).unwrap();
    let mut all: Vec<String> = store.results().unwrap().into_iter().map(|(s, _)| s.report.clip.file).collect();
    all.sort();
    all
}

fn found(place: &Place, text: &str) -> String {
    let grep = Command::new("grep").args(["-rlaiF", "--", text]).arg(place.out()).output().unwrap();
    String::from_utf8(grep.stdout).unwrap()
}

#[test]
fn once_mended_or_gone_a_refusal_is_no_longer_listed() {
    let place = Place::new();
    for name in ["mended", "renamed", "gone", "stays"] {
        place.write(&format!("Ada/{name}.mp4"), b"no video");
    }
    assert_eq!(place.run(&[]).code, 1);
    assert_eq!(rows(&place), ["Ada/gone.mp4", "Ada/mended.mp4", "Ada/renamed.mp4", "Ada/stays.mp4"]);
    let (_, again) = place.summary(&[]);
    assert!(again["lines"].as_array().unwrap().iter().all(|l| l["new"] == false), "{again}");
    let made = tempfile::tempdir().unwrap();
    nobody(&made.path().join("clip.mp4"), 1);
    place.copy(&made.path().join("clip.mp4"), "Ada/mended.mp4");
    std::fs::rename(place.at("Ada/renamed.mp4"), place.at("Ada/by another name.mp4")).unwrap();
    std::fs::remove_file(place.at("Ada/gone.mp4")).unwrap();
    place.run(&[]);
    assert_eq!(rows(&place), ["Ada/by another name.mp4", "Ada/mended.mp4", "Ada/stays.mp4"]);
    let reports: Vec<String> = place.reports().into_iter().map(|r| r.clip.file).collect();
    assert_eq!(reports, rows(&place));
    // also on a sheet that is written without a night
    let at = place.out();
    assert_eq!(support::dawnsheet(&["sheet", "--out", at.to_str().unwrap(), "--since", "2000-01-01"]).code, 0);
    let index = std::fs::read_to_string(at.join("sheet/index.html")).unwrap();
    assert!(index.contains("stays.mp4") && !index.contains("gone.mp4") && !index.contains("renamed.mp4"));
    assert_eq!(std::fs::read_dir(at.join("sheet/clip")).unwrap().count(), 3);
}

#[test]
fn a_refusals_name_and_file_go_when_its_time_is_over() {
    let place = Place::new();
    place.write("Sigrun Valgard/her swing.mp4", b"no video");
    place.run(&[]);
    assert!(!found(&place, "her swing").is_empty());
    let settings = place.folder.path().join("keep.toml");
    std::fs::write(&settings, "[night]\nkeep_days = 0.00001\n").unwrap();
    std::thread::sleep(std::time::Duration::from_secs(2));
    let (_, summary) = place.summary(&["--settings", settings.to_str().unwrap()]);
    assert_eq!(summary["lines"][0]["place"], "forgotten", "its upload still lies in the inbox: {summary}");
    assert!(place.reports().is_empty() && rows(&place).is_empty());
    std::fs::remove_dir_all(place.inbox().join("Sigrun Valgard")).unwrap();
    place.run(&[]);
    for text in ["her swing", "Sigrun", "Valgard"] {
        assert_eq!(found(&place, text), "", "{text}");
    }
}
