//! Geometry that must hold whatever the numbers: mirroring a clip swaps lead and trail and changes nothing else, scaling
//! scales nothing in body units, shifting changes nothing. On key points kept of the committed clips
//! (`fixtures/keypoints`, made by `dawnsheet run fixtures/inbox`), with random scales and shifts.

use crate::support;
use dawnsheet::intake::Brief;
use dawnsheet::judge::{Identity, judge};
use dawnsheet::pose::models::{ModelChoice, Models};
use dawnsheet::report::Report;
use dawnsheet::report::types::{Metric, ViewKind};
use dawnsheet::seen::Look;
use dawnsheet::seen::Seen;
use dawnsheet::seen::keypoints::{POINTS, other_side};
use dawnsheet::settings::Settings;
use proptest::prelude::*;

const CLIPS: [&str; 3] = ["sway", "wing", "left_two_swings"];

fn kept(name: &str) -> Seen {
    Seen::read(&support::repository("fixtures/keypoints").join(format!("{name}.npz"))).unwrap()
}

fn judged(seen: &Seen) -> Report {
    let brief = Brief { stature_cm: Some(175.0), ..Brief::default() };
    let identity = Identity { sha256: "0".repeat(64), bytes: 1, brief };
    judge(seen, &identity, ModelChoice::Accurate, &Models::locate(), &Settings::default())
}

fn each_look(seen: &mut Seen, change: impl Fn(&mut Look)) {
    let arms = seen.arms.iter_mut().flat_map(|a| a.looks.iter_mut());
    seen.scout.looks.iter_mut().chain(seen.body.looks.iter_mut()).chain(seen.key.looks.iter_mut()).chain(arms).for_each(change);
}

fn moved(mut seen: Seen, scale: f64, dx: f64, dy: f64) -> Seen {
    each_look(&mut seen, |look| {
        for p in &mut look.points {
            p.x = (f64::from(p.x) * scale + dx) as f32;
            p.y = (f64::from(p.y) * scale + dy) as f32;
            p.z = (f64::from(p.z) * scale) as f32;
        }
    });
    for (_, outline) in &mut seen.outlines {
        let r = &mut outline.region;
        (r.cx, r.cy, r.size) = (r.cx * scale + dx, r.cy * scale + dy, r.size * scale);
    }
    for shift in &mut seen.camera {
        // turns are about the picture's middle, which a shift leaves behind: none in these clips' shifted versions
        (shift.dx, shift.dy) = (shift.dx * scale, shift.dy * scale);
    }
    for ball in &mut seen.about.balls {
        (ball.x, ball.y, ball.width) = (ball.x * scale + dx, ball.y * scale + dy, ball.width * scale);
    }
    seen.about.width = (f64::from(seen.about.width) * scale).round() as u32;
    seen.about.height = (f64::from(seen.about.height) * scale).round() as u32;
    seen
}

fn without_turn(mut seen: Seen) -> Seen {
    seen.camera.iter_mut().for_each(|s| s.turn_deg = 0.0);
    seen
}

fn mirrored(mut seen: Seen) -> Seen {
    let width = f64::from(seen.about.width);
    each_look(&mut seen, |look| {
        let before = look.points;
        for k in 0..POINTS {
            let mut p = before[other_side(k)];
            p.x = (width - f64::from(p.x)) as f32;
            look.points[k] = p;
        }
    });
    for (_, outline) in &mut seen.outlines {
        outline.region.cx = width - outline.region.cx;
        outline.region.rotation = -outline.region.rotation;
        outline.logits.invert_axis(ndarray::Axis(1));
    }
    for ball in &mut seen.about.balls {
        ball.x = width - ball.x;
    }
    for shift in &mut seen.camera {
        (shift.dx, shift.turn_deg) = (-shift.dx, -shift.turn_deg);
    }
    seen
}

/// Every value of every swing agrees within `tolerance` (absolute, in the metric's unit) and the verdicts are the same.
fn same_numbers(a: &Report, b: &Report, tolerance: f64) {
    assert_eq!(a.swings.len(), b.swings.len());
    let mut compared = 0;
    for (s, t) in a.swings.iter().zip(&b.swings) {
        assert_eq!(s.kind, t.kind);
        for (name, metric) in &s.metrics {
            match (metric, &t.metrics[name]) {
                (Metric::Value(m), Metric::Value(n)) => {
                    assert!((m.value - n.value).abs() <= tolerance, "{name}: {} against {}", m.value, n.value);
                    compared += 1;
                }
                (Metric::Missing { .. }, Metric::Missing { .. }) => {}
                (m, n) => panic!("{name}: {m:?} against {n:?}"),
            }
        }
        for (name, fault) in &s.faults {
            assert_eq!(fault.verdict, t.faults[name].verdict, "{name:?}");
        }
    }
    assert!(compared > 12, "{compared} values compared");
}

#[test]
fn mirroring_swaps_lead_and_trail_and_changes_nothing_else() {
    // down the line the golfer then faces the other way, and toward the ball is toward the other side of the picture
    for name in CLIPS.into_iter().chain(["down_the_line"]) {
        let (plain, turned) = (judged(&kept(name)), judged(&mirrored(kept(name))));
        assert_ne!(plain.golfer.as_ref().unwrap().lead_side, turned.golfer.as_ref().unwrap().lead_side);
        same_numbers(&plain, &turned, 0.01);
    }
}

/// A camera between face-on and down the line, by width alone: which way the target lies is then told by the hands.
#[test]
fn from_an_oblique_camera_the_strike_is_where_it_was() {
    for name in ["sway", "wing"] {
        let mut square = kept(name);
        square.about.balls.clear();
        let mut oblique = square.clone();
        each_look(&mut oblique, |look| look.points.iter_mut().for_each(|p| p.x *= 0.5));
        let of = |seen: &Seen| {
            let report = judged(seen);
            let main = report.swings.iter().find(|s| s.main).unwrap();
            (report.view.as_ref().unwrap().kind, main.events.impact.unwrap().time_s)
        };
        let ((front, there), (other, here)) = (of(&square), of(&oblique));
        assert_eq!((front, other), (ViewKind::FaceOn, ViewKind::Other), "{name}");
        assert!((there - here).abs() < 0.05, "{name}: {there} {here}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 12, ..ProptestConfig::default() })]

    // the outline is walked in half pixels: 0.12 cm at these sizes
    #[test]
    fn scaling_scales_nothing_in_body_units(scale in 0.9f64..1.8, which in 0usize..3) {
        let plain = judged(&kept(CLIPS[which]));
        same_numbers(&plain, &judged(&moved(kept(CLIPS[which]), scale, 0.0, 0.0)), 0.12);
    }

    #[test]
    fn shifting_changes_nothing(dx in -30.0f64..30.0, dy in -20.0f64..20.0, which in 0usize..3) {
        let plain = judged(&without_turn(kept(CLIPS[which])));
        let (dx, dy) = (dx.round(), dy.round());
        same_numbers(&plain, &judged(&moved(without_turn(kept(CLIPS[which])), 1.0, dx, dy)), 0.02);
    }
}

#[test]
fn judging_twice_gives_the_same_bytes() {
    let seen = kept("sway");
    assert_eq!(judged(&seen).to_json(), judged(&seen).to_json());
}

#[test]
fn what_was_kept_is_read_back_whole() {
    let seen = kept("wing");
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("again.npz");
    seen.write(&path).unwrap();
    let again = Seen::read(&path).unwrap();
    assert_eq!(judged(&seen).to_json(), judged(&again).to_json());
    assert!(again.outlines.len() > 8 && again.arms.len() > 4);
}
