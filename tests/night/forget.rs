//! The right person is erased, under every name, and the proof fails where anything is left.

use crate::support::{self, Builder, Ran, dawnsheet, out_folder};
use dawnsheet::batch::forget::{self, INBOX};
use dawnsheet::batch::summary::Summary;
use dawnsheet::history::Store;
use dawnsheet::history::marked::{Kind, Marked};
use dawnsheet::history::store::Attempt;
use dawnsheet::intake::names::{folded, slug, slug_as_spelled};
use dawnsheet::{place, sheet};
use proptest::prelude::*;
use std::path::Path;

/// Records a clear clip of this student, report and all, under a folder name.
fn kept(root: &Path, seed: u64, student: &str, owner: &str) -> String {
    let (out, mut store) = out_folder(root);
    let clip = Builder::new(seed, student, "2026-04-12");
    let text = clip.report.to_json();
    let (owner, id) = clip.record_as(owner, &mut store);
    place::write(&out.report(&owner, &id).unwrap(), text.as_bytes()).unwrap();
    let row = |kind, marks: &str| Marked {
        owner: owner.clone(),
        clip: id.clone(),
        kind,
        made_at: String::new(),
        marks: marks.into(),
        by_hand: "{}".into(),
    };
    store.add_marked(&[row(Kind::Drawn, "{}"), row(Kind::Marked, "{\"head_top\":{}}")]).unwrap();
    sheet::write(&out, &store, None, None).unwrap();
    id
}

fn owners(root: &Path) -> Vec<String> {
    let store = Store::open(&root.join("dawnsheet.sqlite")).unwrap();
    let mut all: Vec<String> = store.results().unwrap().into_iter().map(|(s, _)| s.owner).collect();
    all.dedup();
    all
}

fn erase(root: &Path, more: &[&str]) -> Ran {
    let mut all = vec!["forget", "--out", root.to_str().unwrap()];
    all.extend(more);
    dawnsheet(&all)
}

#[test]
fn of_two_who_go_by_one_name_the_one_who_is_meant_is_erased() {
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path();
    let (large, small) = (slug_as_spelled("Jonas Lind"), slug_as_spelled("jonas lind"));
    let first = kept(root, 1, "Jonas Lind", &large);
    let second = kept(root, 2, "jonas lind", &small);
    // who is erased has also gone by the name under whose spelling the other is kept
    Store::open(&root.join("dawnsheet.sqlite")).unwrap().add_names(&small, ["Jonas Lind"]).unwrap();
    for name in ["jonas lind", "Jonas Lind", " JONAS  LIND"] {
        let asked = erase(root, &[name, "--yes"]);
        assert_eq!(asked.code, 2, "{}", asked.stdout);
        assert!(asked.stderr.contains(&large) && asked.stderr.contains(&small), "both are shown: {}", asked.stderr);
    }
    assert_eq!(owners(root).len(), 2, "nothing was erased");
    let done = erase(root, &[&small, "--yes"]);
    assert_eq!(done.code, 0, "{}", done.stdout);
    assert_eq!(owners(root), std::slice::from_ref(&large));
    assert!(root.join(format!("reports/{large}/{first}.json")).is_file());
    assert!(!root.join(format!("reports/{small}/{second}.json")).exists());
    let store = Store::open(&root.join("dawnsheet.sqlite")).unwrap();
    assert!(store.forgotten(&small).unwrap().is_some() && store.forgotten(&large).unwrap().is_none());
}

#[test]
fn all_names_of_a_student_are_erased_when_told_so() {
    let folder = tempfile::tempdir().unwrap();
    let (root, inbox) = (folder.path().join("out"), folder.path().join("inbox"));
    std::fs::create_dir_all(&inbox).unwrap();
    let old = slug(Some("jonny"));
    kept(&root, 1, "jonny", &old);
    kept(&root, 2, "Jonas Lind", &slug(Some("Jonas Lind")));
    kept(&root, 3, "Jonas Berg", &slug(Some("Jonas Berg")));
    std::fs::write(inbox.join("roster.toml"), "[[student]]\nname = \"Jonas Lind\"\naliases = [\"jonny\", \"Jonas\"]\n").unwrap();
    Store::open(&root.join("dawnsheet.sqlite")).unwrap().set_note(INBOX, inbox.to_str().unwrap()).unwrap();
    let asked = erase(&root, &["Jonas Lind", "--yes"]);
    assert_eq!(asked.code, 2);
    assert!(asked.stderr.contains(&old), "rows under the old folder's name: {}", asked.stderr);
    let done = erase(&root, &["Jonas Lind", "--yes", "--all"]);
    assert_eq!(done.code, 0, "{}{}", done.stdout, done.stderr);
    assert_eq!(owners(&root), [slug(Some("Jonas Berg"))], "another Jonas is nobody's alias");
}

#[test]
fn an_alias_that_the_roster_no_longer_has_is_still_searched_for() {
    let place = support::Place::new();
    place.write("roster.toml", b"[[student]]\nname = \"Jonas Lind\"\naliases = [\"lindwurm\"]\n");
    place.write("lindwurm/one.mp4", b"no video");
    assert_eq!(place.run(&[]).code, 1);
    place.write("roster.toml", b"[[student]]\nname = \"Jonas Lind\"\n");
    std::fs::write(place.out().join("letter.txt"), "for Lindwurm").unwrap();
    let done = erase(&place.out(), &["LINDWURM", "--yes"]);
    assert_eq!(done.code, 1, "{}{}", done.stdout, done.stderr);
    assert!(done.stdout.contains("Jonas Lind") && done.stdout.contains("letter.txt"), "{}", done.stdout);
    assert!(owners(&place.out()).is_empty());
}

#[test]
fn the_proof_fails_where_anything_is_left_in_whatever_form() {
    for left in ["Zo\u{eb} \u{c5}berg", "Zoe\u{308} A\u{30a}berg", "ZO\u{cb} \u{c5}BERG", "zo\u{eb}  \u{e5}berg"] {
        let folder = tempfile::tempdir().unwrap();
        let root = folder.path();
        kept(root, 1, "Zo\u{eb} \u{c5}berg", &slug(Some("Zo\u{eb} \u{c5}berg")));
        std::fs::write(root.join("notes.txt"), format!("asked {left} about it")).unwrap();
        std::fs::write(root.join(format!("{left}.csv")), "1,2").unwrap();
        let done = erase(root, &["zoe\u{308} a\u{30a}berg", "--yes"]);
        assert_eq!(done.code, 1, "{left}: {}", done.stdout);
        assert!(
            done.stdout.contains("STILL FOUND") && done.stdout.contains("notes.txt") && done.stdout.contains(".csv"),
            "{}",
            done.stdout
        );
        assert!(owners(root).is_empty(), "and yet all was erased that is ours");
    }
}

/// One name in one of its spellings.
fn spelled(name: &str, how: usize) -> String {
    use unicode_normalization::UnicodeNormalization;
    match how {
        0 => name.to_string(),
        1 => name.nfd().collect(),
        2 => name.to_uppercase(),
        3 => name.to_lowercase().nfd().collect(),
        _ => format!(" {}", name.replace(' ', "  ")),
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn whoever_is_meant_is_gone_under_every_spelling_and_nobody_else(
        first in "[A-Z\u{c9}\u{d6}][a-z\u{eb}\u{f8}\u{e9}]{2,7}", last in "[A-Z\u{c5}\u{c7}]'?[a-z\u{e5}\u{fc}\u{f1}]{2,7}",
        alias in "[a-z\u{e4}]{3,8}", kept_as in 0..5usize, asked_as in 0..5usize, by_alias in any::<bool>(), alias_rows in any::<bool>(),
        roster_keeps in any::<bool>(), old_folder in any::<bool>(),
    ) {
        let (name, other) = (format!("{first} {last}"), format!("{first} Other{last}"));
        prop_assume!(folded(&alias) != folded(&first) && folded(&alias) != folded(&last));
        let folder = tempfile::tempdir().unwrap();
        let (root, inbox) = (folder.path().join("out"), folder.path().join("inbox"));
        std::fs::create_dir_all(&inbox).unwrap();
        let roster = |aliases: &str| {
            let text = format!("[[student]]\nname = \"{name}\"\naliases = [{aliases}]\n[[student]]\nname = \"{other}\"\n");
            std::fs::write(inbox.join("roster.toml"), text).unwrap();
        };
        let as_kept = spelled(&name, kept_as);
        let owner = if old_folder { slug_as_spelled(&as_kept) } else { slug(Some(&as_kept)) };
        kept(&root, 1, &as_kept, &owner);
        kept(&root, 2, &other, &slug(Some(&other)));
        if alias_rows {
            kept(&root, 3, &alias, &slug(Some(&alias)));
        }
        let (out, mut store) = out_folder(&root);
        store.add_names(&owner, [alias.as_str()]).unwrap();
        store.set_note(INBOX, inbox.to_str().unwrap()).unwrap();
        roster(&if roster_keeps { format!("\"{alias}\"") } else { String::new() });
        let asked = spelled(if by_alias { &alias } else { &name }, asked_as);
        let found = forget::find(&out, &store, None, &asked).unwrap();
        prop_assert!(found.iter().any(|w| w.owner == owner), "{asked} means {owner}: {found:?}");
        prop_assert!(!found.iter().any(|w| w.owner == slug(Some(&other))));
        for whom in &found {
            prop_assert!(store.marked().unwrap().iter().any(|m| m.owner == whom.owner));
            let mut done = forget::forget(&out, &mut store, None, whom).unwrap();
            prop_assert!(store.marked().unwrap().iter().all(|m| m.owner != whom.owner), "what was marked by hand goes too");
            sheet::write(&out, &store, None, None).unwrap();
            forget::prove(&out, &store, whom, &mut done).unwrap();
            if whom == found.last().unwrap() {
                prop_assert_eq!(&done.still_found, &[]);
            }
        }
        let left: Vec<String> = store.results().unwrap().into_iter().map(|(s, _)| s.owner).collect();
        prop_assert!(left.contains(&slug(Some(&other))) && !left.contains(&owner));
        // a search of the test's own, in what pages and rows show
        for entry in walkdir::WalkDir::new(&root).into_iter().map(Result::unwrap).filter(|e| e.file_type().is_file()) {
            let text = folded(&String::from_utf8_lossy(&std::fs::read(entry.path()).unwrap()).replace("&#39;", "'"));
            prop_assert!(!text.contains(&folded(&name)), "{:?}", entry.path());
        }
    }
}

#[test]
fn what_a_killed_worker_left_of_a_student_goes_too() {
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path();
    let (ada, bo) = (slug(Some("Ada")), slug(Some("Bo")));
    let id = kept(root, 1, "Ada", &ada);
    let other = kept(root, 2, "Bo", &bo);
    let left = |name: String| {
        let at = root.join("staging").join(name);
        std::fs::create_dir_all(at.join("pictures")).unwrap();
        std::fs::write(at.join("seen.npz"), b"what was seen").unwrap();
        std::fs::write(at.join("pictures/top.jpg"), b"a picture").unwrap();
        at
    };
    // of a run (also of a clip that has no row), of a machine of many, of one clip by hand
    let theirs = [format!("{id}-{ada}"), format!("{}-{ada}", "0".repeat(16)), format!("{id}-{ada}-7.1"), format!("{id}-4711")].map(left);
    let others = left(format!("{other}-{bo}"));
    let mut store = Store::open(&root.join("dawnsheet.sqlite")).unwrap();
    let lease = dawnsheet::history::store::Lease { job: 1, attempt: 1 };
    assert!(store.take(&ada, "clip without a row", lease).unwrap());
    assert_eq!(erase(root, &["Ada", "--yes"]).code, 0);
    assert!(theirs.iter().all(|at| !at.exists()) && others.is_dir());
    assert!(!store.let_go(&ada, "clip without a row", lease).unwrap(), "nobody is at work on their clips");
}

#[test]
fn what_was_said_of_names_that_do_not_meet_goes_with_the_student() {
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path();
    kept(root, 1, "Jonas Lind", &slug_as_spelled("Jonas Lind"));
    let (out, store) = support::out_folder(root);
    let said =
        ["the folder 'JONAS  LINDT' fits no name in the roster: is it 'Jonas Lind'?", "the folder 'Range' fits no name in the roster"];
    let night = Summary { disagreements: said.map(String::from).to_vec(), ..Summary::default() };
    sheet::write(&out, &store, Some(&night), None).unwrap();
    drop(store);
    let done = erase(root, &["Jonas Lind", "--yes"]);
    assert!(done.code == 0 && done.stdout.contains("no trace left"), "{}{}", done.stdout, done.stderr);
    let page = std::fs::read_to_string(root.join("sheet/index.html")).unwrap();
    assert!(!page.contains("Lind") && page.contains("Range"), "of others it stays");
}

/// Judged again, a clip is as old as it was.
#[test]
fn judging_again_does_not_lengthen_the_keeping_time() {
    let folder = tempfile::tempdir().unwrap();
    let (_, mut store) = out_folder(folder.path());
    let report = Builder::new(1, "Ada", "2001-01-01").report;
    let looked = Attempt { sha256: report.clip.sha256.clone(), clip: report.clip.id.clone(), ..Attempt::default() };
    store.record("ada", "key", "{}", &report, Some(("model", "1", &looked))).unwrap();
    store.seen_at(&report.clip.sha256, "2001-01-02T00:00:00Z").unwrap();
    store.record("ada", "another key", "{}", &report, None).unwrap();
    assert_eq!(store.measured_before("2001-02-01T00:00:00Z").unwrap(), [("ada".to_string(), report.clip.id.clone())]);
    assert_eq!(store.measured_before("2001-01-01T00:00:00Z").unwrap(), []);
}
