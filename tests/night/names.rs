//! One rule for names: spellings of one student meet, two students are never merged unasked, and what earlier versions kept is
//! still found.

use crate::support::{Builder, Place, Ran, dawnsheet, out_folder};
use dawnsheet::history::Store;
use dawnsheet::history::verdicts::Given;
use dawnsheet::intake::names::{slug, slug_as_spelled};
use dawnsheet::judge::Identity;
use dawnsheet::place;
use dawnsheet::report::types::{FaultName, Verdict};
use std::path::Path;

const COMPOSED: &str = "Zo\u{eb} \u{c5}berg";
const DECOMPOSED: &str = "Zoe\u{308} A\u{30a}berg";

fn owners(root: &Path) -> Vec<String> {
    let store = Store::open(&root.join("dawnsheet.sqlite")).unwrap();
    let mut all: Vec<String> = store.results().unwrap().into_iter().map(|(s, _)| s.owner).collect();
    all.dedup();
    all
}

/// Records a clear clip of this student, report and all, under a folder name.
fn kept(root: &Path, seed: u64, student: &str, owner: &str) -> String {
    let (out, mut store) = out_folder(root);
    let clip = Builder::new(seed, student, "2026-04-12");
    let text = clip.report.to_json();
    let (owner, id) = clip.record_as(owner, &mut store);
    place::write(&out.report(&owner, &id).unwrap(), text.as_bytes()).unwrap();
    id
}

#[test]
fn a_decomposed_folder_meets_its_composed_student() {
    let place = Place::new();
    place.write("roster.toml", format!("[[student]]\nname = \"{COMPOSED}\"\nstature_cm = 150\n").as_bytes());
    place.write(&format!("{DECOMPOSED}/one.mp4"), b"no video");
    place.write(&format!("{}/two.mp4", COMPOSED.to_uppercase()), b"no video");
    assert_eq!(place.run(&[]).code, 1);
    let store = Store::open(&place.out().join("dawnsheet.sqlite")).unwrap();
    let rows = store.results().unwrap();
    assert_eq!(rows.len(), 2);
    for (stored, identity) in rows {
        let identity: Identity = serde_json::from_str(&identity).unwrap();
        assert_eq!((stored.owner, identity.brief.stature_cm), (slug(Some(COMPOSED)), Some(150.0)));
        assert_eq!(stored.report.clip.student.as_deref(), Some(COMPOSED));
    }
    // also of a student whom no roster knows
    place.write("roster.toml", b"");
    std::fs::remove_dir_all(place.at(&COMPOSED.to_uppercase())).unwrap();
    place.run(&[]);
    assert_eq!(owners(&place.out()), [slug(Some(COMPOSED))]);
}

#[test]
fn two_folders_of_one_name_wait_until_somebody_says_whose_they_are() {
    let place = Place::new();
    for folder in ["Jonas Lind", "jonas  lind", "Mira"] {
        place.write(&format!("{folder}/one.mp4"), b"no video");
    }
    let (code, summary) = place.summary(&[]);
    assert_eq!(code, 1);
    let waiting: Vec<&serde_json::Value> = summary["lines"].as_array().unwrap().iter().filter(|l| l["place"] == "waiting").collect();
    assert_eq!(waiting.len(), 2, "{summary}");
    for line in waiting {
        let note = line["note"].as_str().unwrap();
        assert!(note.contains("'Jonas Lind' and 'jonas  lind'") && note.contains("roster") && note.contains("rename"), "{note}");
    }
    assert_eq!(place.reports().len(), 1, "nothing of theirs was worked on");
    // the roster knows one student of that name
    place.write("roster.toml", b"[[student]]\nname = \"Jonas Lind\"\n");
    place.run(&[]);
    assert_eq!(owners(&place.out()), [slug(Some("Jonas Lind")), slug(Some("Mira"))]);
}

#[test]
fn what_an_earlier_version_kept_goes_on_where_it_is() {
    let place = Place::new();
    let earlier = slug_as_spelled("Jonas Lind");
    assert_ne!(earlier, slug(Some("Jonas Lind")));
    kept(&place.out(), 1, "Jonas Lind", &earlier);
    place.write("jonas lind/new.mp4", b"no video");
    assert_eq!(place.run(&[]).code, 1);
    assert_eq!(owners(&place.out()), std::slice::from_ref(&earlier));
    assert!(place.out().join(format!("sheet/student/{earlier}.html")).is_file());
    assert_eq!(std::fs::read_dir(place.out().join("sheet/student")).unwrap().count(), 1);
}

#[test]
fn what_was_split_is_shown_and_joined_only_when_told_so() {
    let place = Place::new();
    let root = place.out();
    let (large, small) = (slug_as_spelled(COMPOSED), slug_as_spelled(DECOMPOSED));
    kept(&root, 1, COMPOSED, &large);
    kept(&root, 2, COMPOSED, &large);
    let moved = kept(&root, 3, DECOMPOSED, &small);
    let twice = kept(&root, 2, DECOMPOSED, &small);
    kept(&root, 4, "Mira", &slug(Some("Mira")));
    let mut store = Store::open(&root.join("dawnsheet.sqlite")).unwrap();
    let word = Given {
        owner: small.clone(),
        clip: moved.clone(),
        fault: FaultName::Sway,
        ours: Verdict::Clear,
        agrees: true,
        note: String::new(),
        made_at: String::new(),
    };
    store.give_verdict(&word).unwrap();
    drop(store);
    let join = |more: &[&str]| -> Ran {
        let mut all = vec!["join", "--out", root.to_str().unwrap()];
        all.extend(more);
        dawnsheet(&all)
    };
    let before = owners(&root);
    let listed = join(&[]);
    assert_eq!(listed.code, 0, "{}", listed.stderr);
    for part in [format!("{large}  2 clips"), format!("{small}  2 clips"), "1 kept under several folder names".into()] {
        assert!(listed.stdout.contains(&part), "{part}: {}", listed.stdout);
    }
    let unasked = join(&[COMPOSED]);
    assert_eq!(unasked.code, 2, "nobody can be asked here");
    assert!(unasked.stderr.contains("--yes") && unasked.stdout.contains(&small));
    assert_eq!(join(&["Mira", "--yes"]).code, 2, "she is kept in one place");
    assert_eq!(owners(&root), before, "shown, and nothing done");

    let done = join(&[DECOMPOSED, "--yes"]);
    assert_eq!(done.code, 0, "{}", done.stderr);
    let into = owners(&root).into_iter().find(|o| *o != slug(Some("Mira"))).unwrap();
    assert_eq!(owners(&root).len(), 2);
    let store = Store::open(&root.join("dawnsheet.sqlite")).unwrap();
    let theirs: Vec<_> = store.results().unwrap().into_iter().filter(|(s, _)| s.owner == into).collect();
    assert_eq!(theirs.len(), 3, "the clip that was in both is there once");
    assert!(theirs.iter().any(|(s, _)| s.report.clip.id == twice));
    let names: std::collections::BTreeSet<_> = theirs.iter().map(|(s, _)| s.report.clip.student.clone()).collect();
    assert_eq!(names.len(), 1);
    assert_eq!(store.verdicts().unwrap()[0].owner, into);
    drop(store);
    place.assert_nothing_half();
    let gone = if into == large { &small } else { &large };
    assert!(!root.join("reports").join(gone).exists());
    assert_eq!(std::fs::read_dir(root.join("sheet/student")).unwrap().count(), 2);
    assert!(join(&[]).stdout.starts_with("0 kept"));
}

#[test]
fn folders_that_became_aliases_are_joined_under_the_name_of_the_roster() {
    let place = Place::new();
    let root = place.out();
    kept(&root, 1, "jonas", &slug(Some("jonas")));
    kept(&root, 2, "J. Lind", &slug(Some("J. Lind")));
    let roster = place.write("roster.toml", b"[[student]]\nname = \"Jonas Lind\"\naliases = [\"jonas\", \"j. lind\"]\n");
    let done = dawnsheet(&["join", "jonas lind", "--yes", "--out", root.to_str().unwrap(), "--roster", roster.to_str().unwrap()]);
    assert_eq!(done.code, 0, "{}", done.stderr);
    assert_eq!(owners(&root).len(), 1);
    // and there the next uploads go
    place.write("jonas/new.mp4", b"no video");
    place.run(&[]);
    assert_eq!(owners(&root).len(), 1);
}

#[test]
fn a_joining_that_is_broken_off_anywhere_is_completed_by_asking_again() {
    let (large, small) = (slug_as_spelled(COMPOSED), slug_as_spelled(DECOMPOSED));
    for n in 1.. {
        let place = Place::new();
        let root = place.out();
        kept(&root, 1, COMPOSED, &large);
        kept(&root, 2, COMPOSED, &large);
        kept(&root, 2, DECOMPOSED, &small);
        kept(&root, 3, DECOMPOSED, &small);
        let join = || {
            let mut command = std::process::Command::new(env!("CARGO_BIN_EXE_dawnsheet"));
            command.args(["join", COMPOSED, "--yes", "--out", root.to_str().unwrap()]);
            command
        };
        let killed = join().env(dawnsheet::fault::VARIABLE, format!("kill:{n}")).output().unwrap();
        if killed.status.success() {
            assert!(n > 15, "{n} steps");
            break;
        }
        // it may have been as good as done
        assert!(matches!(join().output().unwrap().status.code(), Some(0 | 2)), "killed at {n}");
        let listed = dawnsheet(&["join", "--out", root.to_str().unwrap()]);
        assert!(listed.stdout.starts_with("0 kept"), "killed at {n}: {}", listed.stdout);
        assert_eq!(owners(&root).len(), 1, "killed at {n}");
        assert_eq!(place.reports().len(), 3, "killed at {n}");
        place.assert_nothing_half();
    }
}
