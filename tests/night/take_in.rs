//! Key points that were kept elsewhere become results, once, and count as earlier nights.

use crate::support::{Place, dawnsheet, repository};
use dawnsheet::history::Store;

#[test]
fn kept_key_points_become_results_of_earlier_nights() {
    let place = Place::new();
    let out = place.out();
    let history = repository("fixtures/history");
    let take = |folder: &std::path::Path| {
        let roster = repository("fixtures/inbox/roster.toml");
        dawnsheet(&["take-in", folder.to_str().unwrap(), "--out", out.to_str().unwrap(), "--roster", roster.to_str().unwrap()])
    };
    let first = take(&history);
    assert_eq!(first.code, 0, "{}", first.stderr);
    assert!(first.stdout.contains("16 taken in, 0 here already"), "{}", first.stdout);
    let before = place.outcome();
    assert!(take(&history).stdout.contains("0 taken in, 16 here already"));
    assert_eq!(place.outcome(), before);

    let reports = place.reports();
    assert!(reports.iter().all(|r| r.usable && r.clip.student.is_some() && r.clip.captured.is_some()));
    let store = Store::open(&out.join("dawnsheet.sqlite")).unwrap();
    for (stored, _) in store.results().unwrap() {
        assert_eq!(stored.judged_at[..10], stored.report.clip.captured.as_deref().unwrap()[..10]);
    }
    drop(store);
    // an improving slide is called so: its students' tracks were put in that order
    let said = dawnsheet(&["trend", "Jonas Lind", "--out", out.to_str().unwrap()]).stdout;
    assert!(said.lines().any(|l| l.contains("hip slide") && l.contains("improving")), "{said}");
    // who was erased stays so, and so do clips past their keeping time
    let forgotten = |more: &[&str]| dawnsheet(&[&["forget", "Jonas Lind", "--out", out.to_str().unwrap()], more].concat());
    assert_eq!(forgotten(&["--yes"]).code, 0);
    let others = place.reports().len();
    let store = Store::open(&out.join("dawnsheet.sqlite")).unwrap();
    let (aged, _) = store.results().unwrap().remove(0);
    store.forget(&format!("{}/{}", aged.owner, aged.report.clip.sha256), "measured too long ago").unwrap();
    drop(store);
    let again = take(&history);
    assert_eq!(again.code, 1);
    assert!(again.stdout.contains("erased on request") && again.stdout.contains("measured too long ago"), "{}", again.stdout);
    assert_eq!(place.reports().len(), others, "{}", again.stdout);
    assert_eq!(forgotten(&["--take-in-again"]).code, 0);
    assert!(take(&history).stdout.contains(&format!("{} taken in", 16 - others)));
    // what is no key point is named and left out
    let wrong = place.folder.path().join("wrong/Ada");
    std::fs::create_dir_all(&wrong).unwrap();
    std::fs::write(wrong.join("2026-01-01.npz"), b"something else").unwrap();
    let ran = take(wrong.parent().unwrap());
    assert_eq!(ran.code, 1);
    assert!(ran.stdout.contains("left out: Ada/2026-01-01.npz"), "{}", ran.stdout);
}
