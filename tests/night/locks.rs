//! Who writes into an out folder does so alone, and holds nobody up longer than that takes.

use crate::support::{Builder, Place, dawnsheet, fixture, nobody, out_folder, settle, stamped};
use dawnsheet::history::Store;
use dawnsheet::place::OutFolder;
use dawnsheet::sheet;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::Duration;

fn start(arguments: &[&str]) -> Child {
    let mut command = Command::new(env!("CARGO_BIN_EXE_dawnsheet"));
    command.args(arguments).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap()
}

fn verdicts(root: &Path) -> usize {
    Store::open(&root.join("dawnsheet.sqlite")).unwrap().verdicts().unwrap().len()
}

#[test]
fn who_works_on_clips_does_not_do_so_beside_a_run() {
    let place = Place::new();
    nobody(&place.at("a/one.mp4"), 1);
    settle(&place.at("a/one.mp4"));
    let out = OutFolder::open(&place.out()).unwrap();
    let (root, clip) = (place.out(), place.at("a/one.mp4"));
    let arguments = ["clip", clip.to_str().unwrap(), "--model", "fast", "--out", root.to_str().unwrap()];
    let run = out.lock().unwrap();
    let refused = dawnsheet(&arguments);
    assert_eq!(refused.code, 2, "{}", refused.stdout);
    assert!(refused.stderr.contains("another run works on"), "{}", refused.stderr);
    assert!(place.reports().is_empty() && !root.join("staging").exists());
    assert_eq!(dawnsheet(&arguments[..4]).code, 1, "without --out nothing is written");
    drop(run);
    assert_eq!(dawnsheet(&arguments).code, 1);
    assert_eq!(place.reports().len(), 1);
}

#[test]
fn words_and_pages_wait_for_each_other_but_not_for_a_night() {
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path();
    let (out, mut store) = out_folder(root);
    let (owner, id) = Builder::new(1, "Ada", "2026-04-12").sway(0.95, 7.5).record(&mut store);
    sheet::write(&out, &store, None, None).unwrap();
    drop(store);
    let at = root.to_str().unwrap();
    // a run works the whole night, and the coach's word is taken beside it
    let night = out.lock().unwrap();
    assert_eq!(dawnsheet(&["verdict", &id, "agree", "--out", at]).code, 0);
    assert_eq!(dawnsheet(&["sheet", "--out", at]).code, 0);
    drop(night);
    assert_eq!(verdicts(root), 1);
    // while another program writes they wait, and then are done
    let pen = out.pen().unwrap();
    let mut waiting = [
        start(&["verdict", &id, "disagree", "--out", at]),
        start(&["sheet", "--out", at]),
        start(&["export", "Ada", "--format", "csv", "--out", at]),
        start(&["desk", "--out", at]),
        start(&["forget", "Ada", "--yes", "--out", at]),
    ];
    std::thread::sleep(Duration::from_millis(800));
    for child in &mut waiting {
        assert!(child.try_wait().unwrap().is_none(), "it did not wait");
    }
    assert_eq!(verdicts(root), 1);
    assert!(!root.join("export").exists() && Store::open(&out.store()).unwrap().forgotten(&owner).unwrap().is_none());
    // the desk does not end by itself
    let desk = &mut waiting[3];
    assert!(Command::new("kill").args(["-s", "TERM", &desk.id().to_string()]).status().unwrap().success());
    drop(pen);
    for child in &mut waiting {
        child.wait().unwrap();
    }
    // whoever came first: an erased student has no word left, and no export
    assert_eq!(verdicts(root), 0);
    assert!(!out.exports(&owner).exists());
    let report = |s: &Store| s.results().unwrap().len();
    assert_eq!(report(&Store::open(&out.store()).unwrap()), 0);
}

#[test]
fn single_clips_go_into_one_folder_side_by_side_and_keep_a_run_out() {
    let place = Place::new();
    let (history, root) = (fixture("Mira Okafor/2026-11-23 7 iron.mp4"), place.out());
    let bytes = std::fs::read(history).unwrap();
    let files = [place.write("a/one.mp4", &bytes), place.write("a/two.mp4", &stamped(&bytes, 1))];
    // the same clip twice as well
    let told = |file: &Path| start(&["clip", file.to_str().unwrap(), "--model", "fast", "--out", root.to_str().unwrap()]);
    let mut at_once = [told(&files[0]), told(&files[1]), told(&files[0])];
    let begun = std::time::Instant::now();
    while std::fs::read_dir(root.join("staging")).map_or(0, Iterator::count) == 0 {
        assert!(begun.elapsed() < Duration::from_secs(60), "no clip was begun");
        std::thread::sleep(Duration::from_millis(5));
    }
    let run = place.run(&[]);
    assert!(run.code == 2 && run.stderr.contains("single clips are being measured"), "{} {}", run.code, run.stderr);
    for child in &mut at_once {
        assert_eq!(child.wait().unwrap().code(), Some(0));
    }
    assert_eq!(place.reports().len(), 2);
    assert_eq!(std::fs::read_dir(root.join("staging")).unwrap().count(), 0);
}
