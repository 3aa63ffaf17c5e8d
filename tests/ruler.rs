//! Measuring by hand: marks become values by the program's own definitions, slips are asked about, and the comparison is what
//! published statistics make of it.

mod support;

use dawnsheet::intake::Brief;
use dawnsheet::judge::{self, Identity};
use dawnsheet::measure::budget::Budget;
use dawnsheet::measure::{Quantities, Reading};
use dawnsheet::pose::models::{ModelChoice, Models};
use dawnsheet::report::Report;
use dawnsheet::report::types::{FaultName, From, Side, Verdict};
use dawnsheet::ruler::marks::{Mark, Marks, Place, Stage, main, offered, questions};
use dawnsheet::ruler::values::{MARK_SD_PX, by_hand};
use dawnsheet::seen::Seen;
use dawnsheet::settings::Settings;
use support::{Dice, repository};

fn seen(name: &str) -> Seen {
    Seen::read(&repository(&format!("fixtures/keypoints/{name}.npz"))).unwrap()
}

fn brief() -> Brief {
    Brief { file: "Ada/a.mp4".into(), stature_cm: Some(180.0), ..Brief::default() }
}

fn judged(seen: &Seen) -> Report {
    let identity = Identity { sha256: "0".repeat(64), bytes: 1, brief: brief() };
    judge::judge(seen, &identity, ModelChoice::Accurate, &Models::locate(), &Settings::default())
}

fn value(r: &Report, name: &str) -> f64 {
    main(r).unwrap().metrics[name].measured().unwrap_or_else(|| panic!("{name}: {:?}", main(r).unwrap().metrics[name])).value
}

fn measured(seen: &Seen, marks: &Marks) -> std::collections::BTreeMap<String, dawnsheet::ruler::ByHand> {
    judge::main_swing(seen, &brief(), &Settings::default(), |ctx| by_hand(ctx, marks)).unwrap().unwrap()
}

/// Marks on the very places that the program read, where they are shown.
fn where_the_program_read(seen: &Seen, r: &Report) -> Marks {
    let shown = &main(r).unwrap().shown;
    let time = |frame: usize| seen.body.times[seen.body.frames.iter().position(|f| *f == frame).unwrap()];
    let mut marks = Marks::new();
    let hip = &shown["hip_furthest"];
    let (at, level) = (time(hip.frame), hip.places["trail_hip"][1]);
    let mut put = |p: Place, time: f64, xy: [f64; 2]| marks.insert(p, Mark { time, x: xy[0], y: xy[1] });
    put(Place::HipFurthest, at, [hip.edges["hip_edge"], level]);
    put(Place::HipAddress, at, [hip.edges["hip_edge_home"], level]);
    put(Place::FootAddress, at, [hip.edges["foot_edge"], level + 300.0]);
    let top = &shown["top"];
    put(Place::HeadTop, time(top.frame), top.places["head"]);
    put(Place::HeadAddress, time(top.frame), top.places["head_home"]);
    let late = &shown["late_follow_through"];
    for (p, name) in [(Place::ShoulderLate, "lead_shoulder"), (Place::ElbowLate, "lead_elbow"), (Place::GripLate, "grip")] {
        put(p, time(late.frame), late.places[name]);
    }
    marks
}

/// Whoever marks what the program saw measures what it read: its value with its own bias put back. Both clips are of rendered golfers,
/// one stands with the target at the right, one at the left of the picture.
#[test]
fn marks_where_the_program_read_measure_what_it_read() {
    for name in ["sway", "wing", "left_two_swings"] {
        let seen = seen(name);
        let r = judged(&seen);
        let hand = measured(&seen, &where_the_program_read(&seen, &r));
        let as_read = |metric: &str, from: From| {
            let e = Budget::in_force().of(metric, from);
            value(&r, metric) * e.gain + e.bias
        };
        let near = |metric: &str, from: From, within: f64| {
            let (by_marks, read) = (hand[metric].value, as_read(metric, from));
            // what cannot be negative ends at 0 before the bias and after
            let ends = value(&r, metric) == 0.0 && by_marks <= read + within;
            assert!((by_marks - read).abs() < within || ends, "{name} {metric}: {by_marks} by marks, {read} as read");
        };
        near("hip_edge_travel_cm", From::Outline, 0.25);
        near("hip_edge_inside_foot_cm", From::Outline, 0.35);
        near("head_lateral_top_cm", From::Outline, 1.0);
        near("lead_elbow_bow_late_upper_arms", From::KeyPoint, 0.03);
        assert_eq!(hand["trail_hip_travel_cm"], hand["hip_edge_travel_cm"], "one edge tells both");
    }
}

/// A length in pixels is worth what the scale says, whichever side the target is on, and errs as far as its marks do.
#[test]
fn a_hip_marked_ten_pixels_further_out_slides_ten_pixels_further() {
    for name in ["sway", "left_two_swings"] {
        let seen = seen(name);
        let r = judged(&seen);
        let cm = main(&r).unwrap().scale.as_ref().unwrap().cm_per_px;
        let mut marks = where_the_program_read(&seen, &r);
        let toward = if r.golfer.as_ref().unwrap().lead_side == Side::Left { 1.0 } else { -1.0 };
        marks.get_mut(&Place::HipFurthest).unwrap().x = marks[&Place::HipAddress].x - toward * 40.0;
        let before = measured(&seen, &marks);
        marks.get_mut(&Place::HipFurthest).unwrap().x -= toward * 10.0;
        let after = measured(&seen, &marks);
        let more = |metric: &str| after[metric].value - before[metric].value;
        assert!((more("hip_edge_travel_cm") - 10.0 * cm).abs() < 0.1 * cm, "{name}");
        assert!((more("hip_edge_inside_foot_cm") + 10.0 * cm).abs() < 0.1 * cm, "{name}: nearer the foot's edge");
        assert_eq!(more("head_lateral_top_cm"), 0.0);
    }
}

/// 2000 golfers' worth of slips of the hand: as wide as is said, and right on average.
#[test]
fn values_err_by_what_their_marks_err() {
    let seen = seen("sway");
    let r = judged(&seen);
    let mut marks = where_the_program_read(&seen, &r);
    // away from 0, where a slide ends
    let toward = if r.golfer.as_ref().unwrap().lead_side == Side::Left { 1.0 } else { -1.0 };
    marks.get_mut(&Place::HipFurthest).unwrap().x -= toward * 40.0;
    let mut dice = Dice(7);
    let names = ["hip_edge_travel_cm", "hip_edge_inside_foot_cm", "head_lateral_top_cm", "lead_elbow_bow_late_upper_arms"];
    let (truth, all): (_, Vec<_>) = judge::main_swing(&seen, &brief(), &Settings::default(), |ctx| {
        let slip = |dice: &mut Dice| {
            let moved = marks.iter().map(|(p, m)| (*p, Mark { x: m.x + 3.0 * normal(dice), y: m.y + 3.0 * normal(dice), ..*m })).collect();
            by_hand(ctx, &moved).unwrap()
        };
        (by_hand(ctx, &marks).unwrap(), (0..2000).map(|_| slip(&mut dice)).collect())
    })
    .unwrap();
    for name in names {
        let errors: Vec<f64> = all.iter().map(|v| v[name].value - truth[name].value).collect();
        let mean = errors.iter().sum::<f64>() / 2000.0;
        let sd = (errors.iter().map(|e| e * e).sum::<f64>() / 2000.0).sqrt();
        let told = truth[name].per_mark_px * 3.0;
        assert!(mean.abs() < 4.0 * told / 2000f64.sqrt(), "{name}: {mean}");
        assert!((sd / told - 1.0).abs() < 0.08, "{name}: {sd} where {told} is told");
        assert!(truth[name].sd(MARK_SD_PX) >= told);
    }
}

/// A standard normal number (Box & Muller 1958).
fn normal(dice: &mut Dice) -> f64 {
    let uniform = |d: &mut Dice| (d.next() >> 11) as f64 / (1u64 << 53) as f64;
    (-2.0 * (1.0 - uniform(dice)).ln()).sqrt() * (std::f64::consts::TAU * uniform(dice)).cos()
}

#[test]
fn slips_are_asked_about_and_nonsense_is_refused() {
    let seen = seen("sway");
    let r = judged(&seen);
    let good = where_the_program_read(&seen, &r);
    let cm = main(&r).unwrap().scale.as_ref().unwrap().cm_per_px;
    let toward = if r.golfer.as_ref().unwrap().lead_side == Side::Left { 1.0 } else { -1.0 };
    let ask = |change: &dyn Fn(&mut Marks)| {
        let mut marks = good.clone();
        change(&mut marks);
        judge::main_swing(&seen, &brief(), &Settings::default(), |ctx| questions(ctx, &marks)).unwrap()
    };
    let asked = |change: &dyn Fn(&mut Marks), words: &str| {
        let told = ask(change).unwrap();
        assert!(told.len() == 1 && told[0].contains(words), "{words}: {told:?}");
    };
    assert_eq!(ask(&|_| ()), Ok(vec![]), "marks in their places");
    assert_eq!(ask(&|m| m.clear()), Ok(vec![]), "no marks, no questions");
    let mirror = |m: &mut Marks| {
        let head = m[&Place::HeadAddress].x;
        for p in [Place::FootAddress, Place::HipAddress, Place::HipFurthest] {
            let mark = m.get_mut(&p).unwrap();
            mark.x = 2.0 * head - mark.x;
        }
    };
    asked(&mirror, "trail and lead side exchanged");
    asked(&|m| m.get_mut(&Place::FootAddress).unwrap().x -= toward * 50.0 / cm, "edge on the foot's side");
    asked(&|m| m.get_mut(&Place::HipFurthest).unwrap().x -= toward * 35.0 / cm, "same edge");
    asked(&|m| m.get_mut(&Place::HeadTop).unwrap().x -= toward * 45.0 / cm, "same head");
    asked(&|m| *m.get_mut(&Place::HipAddress).unwrap() = m[&Place::FootAddress], "one place");
    asked(
        &|m| {
            let shoulder = m[&Place::ShoulderLate];
            *m.get_mut(&Place::ElbowLate).unwrap() = Mark { x: shoulder.x + 3.0, ..shoulder };
        },
        "beside shoulder or grip",
    );
    for (x, y, time) in [(-5.0, 10.0, 0.5), (10.0, 1e9, 0.5), (f64::NAN, 10.0, 0.5), (10.0, 10.0, -1.0), (10.0, 10.0, f64::INFINITY)] {
        let refused = ask(&|m| *m.get_mut(&Place::HeadTop).unwrap() = Mark { time, x, y });
        assert!(refused.is_err_and(|why| why.contains("middle of the head")), "{x} {y} {time}");
    }
}

/// The pictures hang on the events' times alone: nothing of what was measured moves them.
#[test]
fn the_pictures_that_are_offered_tell_nothing() {
    let r = judged(&seen("sway"));
    let before = offered(&r).unwrap();
    assert_eq!(
        before.iter().map(|(s, t)| (*s, t.len())).collect::<Vec<_>>(),
        [(Stage::Address, 1), (Stage::Back, 3), (Stage::Top, 1), (Stage::Late, 1)]
    );
    let mut other = r.clone();
    let swing = other.swings.iter_mut().find(|s| s.main).unwrap();
    (swing.metrics, swing.faults, swing.shown) = Default::default();
    assert_eq!(offered(&other).unwrap(), before);
    let top = main(&r).unwrap().events.top.unwrap().time_s;
    assert!(before[1].1.iter().all(|t| (top - 0.2..=top + 1e-9).contains(t)));
    assert!(offered(&judged(&seen("down_the_line"))).unwrap_err().contains("face-on"));
}

/// Without other readings a reported swing is judged as it was; with a long slide put in it is a sway, and only that changes.
#[test]
fn a_verdict_by_hand_is_the_program_s_with_the_hand_s_readings_in_place() {
    for name in ["sway", "wing", "left_two_swings"] {
        let r = judged(&seen(name));
        let swing = main(&r).unwrap();
        let view = r.view.as_ref().unwrap().kind;
        let with = |other: &Quantities| judge::faults_with(swing, view, &brief(), &Settings::default(), other);
        let verdicts = |f: &std::collections::BTreeMap<FaultName, dawnsheet::report::types::Fault>| -> Vec<(FaultName, Verdict)> {
            f.iter().map(|(n, f)| (*n, f.verdict)).collect()
        };
        assert_eq!(verdicts(&with(&Quantities::new())), verdicts(&swing.faults), "{name}");
        let slide = Reading { value: 14.0, sd: 0.5, frames: Vec::new(), from: From::Outline };
        let changed = with(&[("trail_hip_travel_cm", Ok(slide))].into());
        assert_eq!(changed[&FaultName::Sway].verdict, Verdict::Flagged);
        assert_eq!(changed[&FaultName::ChickenWing].verdict, swing.faults[&FaultName::ChickenWing].verdict);
    }
}
