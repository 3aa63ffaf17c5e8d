//! Nothing that is not the program's own is removed or changed, whatever it does, and whatever lies in its folders.

use crate::support::{self, Place, dawnsheet, fixture, nobody, stamped};
use dawnsheet::intake::names::slug;
use dawnsheet::place::OutFolder;
use std::collections::BTreeMap;
use std::os::unix::fs::symlink;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

/// Names that a student, a coach or another program might use.
const STRANGE: [&str; 9] = [
    "thesis.part",
    "IMG_1.mp4.part",
    "notes.html",
    "holiday.jpg",
    "strange.json",
    "night.thesis.jsonl",
    ".hidden",
    "more.csv",
    "track.npz",
];

/// Puts strange files into every folder below `root`, and folders of them; what they hold, by path.
fn strange_everywhere(root: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let mut all = BTreeMap::new();
    for name in ["mine", "reports/mine", "staging/mine", "export/mine", "sheet/pictures/mine", "answers/mine", "answers/mine/2026-04-12"] {
        std::fs::create_dir_all(root.join(name)).unwrap();
    }
    let folders: Vec<PathBuf> =
        walkdir::WalkDir::new(root).into_iter().map(|e| e.unwrap()).filter(|e| e.file_type().is_dir()).map(|e| e.into_path()).collect();
    for folder in folders {
        for name in STRANGE {
            let path = folder.join(name);
            let bytes = format!("the only copy of {}\u{0}\u{0}", path.display()).into_bytes();
            std::fs::write(&path, &bytes).unwrap();
            all.insert(path, bytes);
        }
    }
    all
}

fn all_there(strange: &BTreeMap<PathBuf, Vec<u8>>, after: &str) {
    for (path, bytes) in strange {
        assert_eq!(std::fs::read(path).ok().as_ref(), Some(bytes), "{} after {after}", path.display());
    }
}

fn crowd(place: &Place, student: &str, count: u32) {
    let made = tempfile::tempdir().unwrap();
    let clip = made.path().join("clip.mp4");
    nobody(&clip, 2);
    let bytes = std::fs::read(clip).unwrap();
    for i in 0..count {
        place.write(&format!("{student}/{i:02}.mp4"), &stamped(&bytes, i));
    }
}

/// Kills a run while a worker's folder is there; that folder.
fn killed_at_work(place: &Place) -> PathBuf {
    let mut run = place.command(&["--workers", "1"]).spawn().unwrap();
    let began = Instant::now();
    let folder = loop {
        assert!(began.elapsed() < Duration::from_secs(60), "no clip was begun");
        let found = std::fs::read_dir(place.out().join("staging")).unwrap().map(|e| e.unwrap().path());
        if let Some(found) = found.into_iter().find(|f| f.join("stderr.txt").is_file()) {
            break found;
        }
        std::thread::sleep(Duration::from_millis(5));
    };
    run.kill().unwrap();
    run.wait().unwrap();
    folder
}

#[test]
fn strange_files_everywhere_outlive_whatever_the_program_does() {
    let place = Place::new();
    crowd(&place, "ada", 2);
    place.copy(&fixture("Mira Okafor/2026-11-23 7 iron.mp4"), "Mira Okafor/iron.mp4");
    assert_eq!(place.run(&["--model", "fast"]).code, 1);
    let out = place.out();
    let at = out.to_str().unwrap();
    let id = place.reports().into_iter().find(|r| r.usable).expect("the iron is measured").clip.id;
    assert!(out.join("sheet/pictures").join(&id).is_dir());
    let export = |student: &str| dawnsheet(&["export", student, "--format", "openpose", "--out", at]);
    assert_eq!(export("Mira Okafor").code, 0);
    let mut strange = strange_everywhere(&out);
    strange.extend(strange_everywhere(&place.inbox()));
    let settings = |text: &str| {
        let path = place.folder.path().join("settings.toml");
        std::fs::write(&path, text).unwrap();
        path.to_str().unwrap().to_string()
    };

    place.run(&["--model", "fast"]);
    all_there(&strange, "a second run");
    place.run(&["--model", "accurate"]);
    all_there(&strange, "measuring again, pictures and all");
    crowd(&place, "bo", 6);
    let folder = killed_at_work(&place);
    all_there(&strange, "a kill");
    strange.extend(STRANGE.map(|name| (folder.join(name), b"put beside a worker's files".to_vec())));
    for name in STRANGE {
        std::fs::write(folder.join(name), b"put beside a worker's files").unwrap();
    }
    let half = [out.join("sheet/.index.html.dawnsheet-part"), out.join("reports/ada").join(format!("{id}.part"))];
    std::fs::create_dir_all(out.join("reports/ada")).unwrap();
    half.iter().for_each(|p| std::fs::write(p, b"half").unwrap());
    place.run(&[]);
    all_there(&strange, "going on after the kill");
    assert!(half.iter().all(|p| !p.exists()), "what the program itself left half made is gone");
    assert!(!folder.join("stderr.txt").exists());
    assert_eq!(dawnsheet(&["rejudge", "--out", at]).code, 0);
    all_there(&strange, "judging again");
    assert_eq!(dawnsheet(&["verdict", &id, "agree", "--fault", "sway", "--out", at]).code, 0);
    assert_eq!(dawnsheet(&["take-in", support::repository("fixtures/history").to_str().unwrap(), "--out", at]).code, 0);
    assert_eq!(dawnsheet(&["clip", place.at("ada/00.mp4").to_str().unwrap(), "--model", "fast", "--out", at]).code, 1);
    all_there(&strange, "verdict, take-in and clip");
    let erased = dawnsheet(&["forget", "Mira Okafor", "--yes", "--out", at]);
    all_there(&strange, "an erasure");
    assert!(!out.join("keypoints").join(format!("{id}.npz")).exists(), "{}{}", erased.stdout, erased.stderr);
    let left = |below: String| std::fs::read_dir(out.join(below)).map_or(0, |all| all.count());
    assert_eq!(left(format!("reports/{}", slug(Some("Mira Okafor")))), STRANGE.len(), "its reports are gone");
    place.run(&["--settings", &settings("[night]\nkeep_days = 0.000001\n")]);
    all_there(&strange, "keeping time");
}

#[test]
fn a_folder_that_is_somebody_elses_is_refused_and_stays_as_it_is() {
    let place = Place::new();
    crowd(&place, "ada", 1);
    let clip = place.at("ada/00.mp4");
    for lies_there in ["thesis.part", "reports/thesis.txt", "dawnsheet.sqlite", "keypoints/mine.npz", "dawnsheet.folder", "staging/mine/x"]
    {
        let theirs = place.folder.path().join("theirs");
        let file = theirs.join(lies_there);
        std::fs::create_dir_all(file.parent().unwrap()).unwrap();
        std::fs::write(&file, b"the only copy").unwrap();
        let at = theirs.to_str().unwrap();
        for arguments in [
            vec!["run", place.inbox().to_str().unwrap(), "--out", at],
            vec!["clip", clip.to_str().unwrap(), "--out", at],
            vec!["take-in", place.inbox().to_str().unwrap(), "--out", at],
        ] {
            let ran = dawnsheet(&arguments);
            assert_eq!(ran.code, 2, "{arguments:?} {lies_there}: {}", ran.stderr);
            assert!(ran.stderr.contains("--out") && ran.stderr.contains("theirs"), "{}", ran.stderr);
            let files: Vec<PathBuf> = walkdir::WalkDir::new(&theirs)
                .into_iter()
                .map(|e| e.unwrap())
                .filter(|e| e.file_type().is_file())
                .map(|e| e.into_path())
                .collect();
            assert_eq!(files, std::slice::from_ref(&file), "{arguments:?}");
            assert_eq!(std::fs::read(&file).unwrap(), b"the only copy");
        }
        std::fs::remove_dir_all(&theirs).unwrap();
    }
    // an empty one is made ours at its first use, half made or not
    let empty = place.folder.path().join("empty");
    std::fs::create_dir(&empty).unwrap();
    std::fs::write(empty.join(".dawnsheet.folder.x1.dawnsheet-part"), b"This is").unwrap();
    assert_eq!(dawnsheet(&["run", place.inbox().to_str().unwrap(), "--out", empty.to_str().unwrap()]).code, 1);
    let marker = std::fs::read_to_string(empty.join("dawnsheet.folder")).unwrap();
    OutFolder::open(&empty).unwrap();
    assert_eq!(std::fs::read_to_string(empty.join("dawnsheet.folder")).unwrap(), marker, "it keeps its id");
}

#[test]
fn an_out_folder_of_an_earlier_version_is_known_and_made_ours() {
    let place = Place::new();
    crowd(&place, "ada", 1);
    assert_eq!(place.run(&[]).code, 1);
    let out = place.out();
    let marker = out.join("dawnsheet.folder");
    let first = std::fs::read(&marker).unwrap();
    std::fs::remove_file(&marker).unwrap();
    std::fs::write(out.join("my notes.txt"), b"beside the store").unwrap();
    let again = place.run(&[]);
    assert!(again.stdout.contains("1 done before"), "{}{}", again.stdout, again.stderr);
    assert_ne!(std::fs::read(&marker).unwrap(), first);
    // what single clips left, and machines of many: no store
    let id = "0123456789abcdef";
    let older = |files: &[String]| {
        let root = place.folder.path().join("older");
        for file in files {
            std::fs::create_dir_all(root.join(file).parent().unwrap()).unwrap();
            std::fs::write(root.join(file), b"{}").unwrap();
        }
        let opened = OutFolder::open(&root).map(|_| ());
        std::fs::remove_dir_all(&root).unwrap();
        opened.is_ok()
    };
    let single = [format!("reports/unassigned/{id}.json"), format!("keypoints/{id}.npz")];
    let of_a_coach = single.clone().map(|f| format!("mira-0a1b2c/{f}"));
    assert!(older(&single) && older(&of_a_coach));
    assert!(!older(&[single.as_slice(), &["thesis.txt".into()]].concat()));
    assert!(!older(&[of_a_coach.as_slice(), &["thesis.txt".into()]].concat()));
    assert!(!older(&["mira-0a1b2c/thesis.txt".into()]) && !older(&["mira-0a1b2c/keypoints/thesis.npz".into()]));
}

#[test]
fn inbox_and_out_folder_lie_apart_also_by_links() {
    let place = Place::new();
    crowd(&place, "ada", 1);
    let (root, inbox) = (place.folder.path(), place.inbox());
    let part = place.write("ada/IMG_1.mp4.part", b"still coming");
    let linked = root.join("linked");
    symlink(&inbox, &linked).unwrap();
    let with_link = root.join("with-link");
    std::fs::create_dir(&with_link).unwrap();
    OutFolder::open(&with_link).unwrap();
    symlink(&inbox, with_link.join("keypoints")).unwrap();
    let around = root.join("around");
    std::fs::create_dir_all(around.join("clips/ada")).unwrap();
    OutFolder::open(root.join("around-claimed").as_path()).unwrap();
    std::fs::copy(root.join("around-claimed/dawnsheet.folder"), around.join("dawnsheet.folder")).unwrap();
    let into = root.join("into");
    symlink(around.join("clips"), &into).unwrap();
    for (from, to) in [
        (inbox.clone(), inbox.clone()),
        (inbox.clone(), inbox.join("out")),
        (inbox.clone(), inbox.join("ada/not/there/../yet")),
        (inbox.clone(), linked.clone()),
        (inbox.clone(), linked.join("out")),
        (linked.clone(), inbox.join("out")),
        (inbox.clone(), with_link.clone()),
        (around.join("clips"), around.clone()),
        (into.clone(), around.clone()),
    ] {
        for what in ["run", "take-in"] {
            let ran = dawnsheet(&[what, from.to_str().unwrap(), "--out", to.to_str().unwrap()]);
            assert_eq!(ran.code, 2, "{what} {from:?} {to:?}: {}{}", ran.stdout, ran.stderr);
            assert!(ran.stderr.contains("keep them apart"), "{}", ran.stderr);
        }
    }
    assert!(!inbox.join("out").exists() && !inbox.join("dawnsheet.folder").exists(), "nothing was started");
    assert_eq!(std::fs::read(part).unwrap(), b"still coming");
    // side by side is as it should be, also where one name begins like the other
    let beside = root.join("inbox-out");
    assert_eq!(dawnsheet(&["run", inbox.to_str().unwrap(), "--out", beside.to_str().unwrap()]).code, 1);
}
