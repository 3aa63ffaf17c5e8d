//! A clip that the coach's own measurement decides: its verdict, where it is told, what it is left out of, and the way back.

use crate::support::{Place, Ran, at_once, dawnsheet, fixture, repository};
use dawnsheet::history::Store;
use dawnsheet::history::marked::{Kind, Marked};
use dawnsheet::history::verdicts::standing;
use dawnsheet::report::Report;
use dawnsheet::report::types::{FaultName, Metric, Verdict};
use dawnsheet::ruler::ByHand;
use dawnsheet::ruler::marks::main;
use std::collections::BTreeMap;

fn on(place: &Place, arguments: &[&str]) -> Ran {
    let out = place.out();
    dawnsheet(&[arguments, &["--out", out.to_str().unwrap()]].concat())
}

fn store(place: &Place) -> Store {
    Store::open(&place.out().join("dawnsheet.sqlite")).unwrap()
}

/// Clips of rendered golfers, judged from what was seen of them.
fn judged() -> Place {
    let place = Place::new();
    let (history, roster) = (repository("fixtures/history"), repository("fixtures/inbox/roster.toml"));
    let ran = on(&place, &["take-in", history.to_str().unwrap(), "--roster", roster.to_str().unwrap()]);
    assert_eq!(ran.code, 0, "{}", ran.stderr);
    place
}

/// A hip measured by hand: it slides so far and stays so far inside the foot.
fn hip(owner: &str, clip: &str, slide: f64, inside: f64, made_at: &str) -> Marked {
    let cm = |value: f64| ByHand { value, per_mark_px: 0.1, other_sd: 0.2 };
    let values: BTreeMap<&str, ByHand> =
        [("trail_hip_travel_cm", cm(slide)), ("hip_edge_travel_cm", cm(slide)), ("hip_edge_inside_foot_cm", cm(inside))].into();
    let marks = "{\"hip_address\":{\"time\":0.5,\"x\":201.5,\"y\":495.0},\"foot_address\":{\"time\":0.5,\"x\":177.0,\"y\":768.0}}";
    Marked {
        owner: owner.into(),
        clip: clip.into(),
        kind: Kind::Marked,
        made_at: made_at.into(),
        marks: marks.into(),
        by_hand: serde_json::to_string(&values).unwrap(),
    }
}

fn of<'a>(all: &'a [Report], clip: &str) -> &'a Report {
    all.iter().find(|r| r.clip.id == clip).unwrap()
}

fn sway(report: &Report) -> &dawnsheet::report::types::Fault {
    &main(report).unwrap().faults[&FaultName::Sway]
}

/// Owner, clip and report of the newest clip of some series whose sway stands so.
fn with_sway(place: &Place, verdict: Verdict) -> (String, Report) {
    let all = store(place).results().unwrap();
    let found = all.into_iter().map(|(s, _)| s).rfind(|s| s.report.usable && sway(&s.report).verdict == verdict).unwrap();
    (found.owner, found.report)
}

#[test]
fn what_a_coach_measured_decides_where_the_coach_says_so_and_the_way_back_leaves_no_trace() {
    let place = judged();
    let (owner, was) = with_sway(&place, Verdict::Clear);
    let id = was.clip.id.clone();
    let early = on(&place, &["ruler", "decide", &id]);
    assert!(early.code == 2 && early.stderr.contains("not measured by hand yet"), "{}", early.stderr);
    // measured twice: the first counts for the comparison, the last decides
    let rows = [hip(&owner, &id, 3.0, 12.0, "2026-01-01T00:00:00Z"), hip(&owner, &id, 12.0, -2.0, "2026-01-02T00:00:00Z")];
    store(&place).add_marked(&rows).unwrap();
    let before = place.outcome();
    assert_eq!(on(&place, &["rejudge"]).code, 0);
    assert_eq!(place.outcome(), before, "marks alone decide nothing");

    let decided = on(&place, &["ruler", "decide", &id]);
    assert!(
        decided.code == 0 && decided.stdout.contains("sway flagged, sure, as you measured it"),
        "{} {}",
        decided.stdout,
        decided.stderr
    );
    let all = place.reports();
    let is = of(&all, &id);
    let (fault, own) = (sway(is), sway(&was));
    assert_eq!((fault.verdict, is.verdict, is.needs_look), (Verdict::Flagged, Some(Verdict::Flagged), true));
    let program = fault.by_program.as_ref().unwrap();
    assert_eq!((program.verdict, program.probability), (own.verdict, own.probability), "the program's own stands beside");
    let metrics = |r: &Report| main(r).unwrap().metrics.clone();
    for (name, metric) in metrics(is) {
        let program = metrics(&was)[&name].clone();
        let (Metric::Value(m), Metric::Value(p)) = (&metric, &program) else { continue };
        assert_eq!((m.value, m.low, m.high), (p.value, p.low, p.high), "{name}: the program's numbers stay");
        let by_hand = ["trail_hip_travel_cm", "trail_hip_travel_pct_stance", "hip_edge_travel_cm", "hip_edge_inside_foot_cm"];
        assert_eq!(m.by_hand.is_some(), by_hand.contains(&name.as_str()), "{name}");
    }
    let hand = metrics(is)["hip_edge_inside_foot_cm"].by_hand().unwrap().clone();
    assert!(hand.value == -2.0 && hand.low < -2.3 && hand.high > -1.7 && hand.marks["foot_address"].y == 768.0, "{hand:?}");
    for (name, fault) in &main(is).unwrap().faults {
        assert!(*name == FaultName::Sway || *fault == main(&was).unwrap().faults[name], "{name:?} rests on nothing that was measured");
    }
    assert!(all.iter().filter(|r| r.clip.id != id).all(|r| main(r).is_none_or(|m| m.faults.values().all(|f| f.by_program.is_none()))));

    // told on every page that tells it, and in the trend
    let page = |path: &str| std::fs::read_to_string(place.out().join("sheet").join(path)).unwrap();
    assert!(page("index.html").contains("as you measured it"));
    let of_clip = std::fs::read_dir(place.out().join("sheet/clip")).unwrap().flatten().map(|e| std::fs::read_to_string(e.path()).unwrap());
    assert_eq!(of_clip.filter(|p| p.contains("you: 12.0 (11.")).count(), 1);
    let student = page(&format!("student/{owner}.html"));
    assert!(student.contains("square: as you measured it") && student.contains("class=\"own\""));
    let trend: serde_json::Value = serde_json::from_str(&on(&place, &["trend", &owner, "--json"]).stdout).unwrap();
    let text = trend.to_string();
    assert!(text.contains("\"by_hand\":true") && text.matches("\"by_hand\":true").count() == 1, "{text}");

    // nothing of the program's to agree with: it stays out of the hit rate
    let word = on(&place, &["verdict", &id, "agree", "--fault", "sway"]);
    assert!(word.code == 2 && word.stderr.contains("ruler decide --back"), "{}", word.stderr);
    assert_eq!(standing(&store(&place).verdicts().unwrap()).flags.judged, 0);
    let other = on(&place, &["verdict", &id, "agree", "--fault", "head-drift"]);
    assert_eq!(other.code, 0, "what was not measured by hand is the program's: {}", other.stderr);

    assert_eq!(on(&place, &["rejudge"]).code, 0);
    assert_eq!(of(&place.reports(), &id), is, "judged again it stays decided");
    let back = on(&place, &["ruler", "decide", "--back", &id]);
    assert!(back.code == 0 && back.stdout.contains("sway clear"), "{} {}", back.stdout, back.stderr);
    assert_eq!(place.outcome(), before);
}

/// The pelvis, which was not measured by hand, would still flag it.
#[test]
fn a_flag_that_the_coach_measured_otherwise_is_gone() {
    let place = judged();
    let (owner, was) = with_sway(&place, Verdict::Flagged);
    let pelvis = main(&was).unwrap().metrics["pelvis_travel_cm"].measured().unwrap().value;
    store(&place).add_marked(&[hip(&owner, &was.clip.id, 2.0, 14.0, "")]).unwrap();
    assert_eq!(on(&place, &["ruler", "decide", &was.clip.id]).code, 0);
    let all = place.reports();
    let is = of(&all, &was.clip.id);
    assert_eq!(sway(is).verdict, Verdict::Clear, "pelvis {pelvis}: {}", sway(is).text);
    // erased with the student
    assert_eq!(on(&place, &["forget", was.clip.student.as_deref().unwrap(), "--yes"]).code, 0);
    assert!(store(&place).marked().unwrap().is_empty());
}

#[test]
fn a_night_that_measures_the_clip_anew_keeps_what_the_coach_decided() {
    let place = Place::new();
    place.copy(&fixture("Jonas Lind/2026-11-24 driver.mp4"), "Jonas Lind/driver.mp4");
    let settings = at_once(&place);
    assert_eq!(place.run(&["--model", "fast", "--settings", &settings]).code, 0);
    let first = place.reports().remove(0);
    let owner = store(&place).results().unwrap().remove(0).0.owner;
    store(&place).add_marked(&[hip(&owner, &first.clip.id, 1.0, 20.0, "")]).unwrap();
    assert_eq!(on(&place, &["ruler", "decide", &first.clip.id]).code, 0);
    assert_eq!(place.run(&["--model", "accurate", "--settings", &settings]).code, 0);
    let anew = place.reports().remove(0);
    assert_ne!(anew.engine.model_sha256, first.engine.model_sha256, "it was measured anew");
    assert_eq!((sway(&first).verdict, sway(&anew).verdict), (Verdict::Flagged, Verdict::Clear));
    assert!(sway(&anew).by_program.as_ref().is_some_and(|p| p.verdict == Verdict::Flagged));
}
