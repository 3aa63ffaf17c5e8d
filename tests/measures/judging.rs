//! What judges is part of what makes a clip done: another error budget under the same name judges again.

use crate::support::{Place, at_once, fixture, repository};
use dawnsheet::intake::Brief;
use dawnsheet::judge::{self, Identity};
use dawnsheet::measure::budget::Budget;
use dawnsheet::pose::models::{ModelChoice, Models};
use dawnsheet::report::types::{FaultName, Finding, From, Struck, SwingKind, Verdict};
use dawnsheet::report::{ReasonCode, Report, Severity};
use dawnsheet::seen::{Ball, Keypoint, Seen};
use dawnsheet::settings::Settings;
use dawnsheet::swing::read_swings;
use std::process::Command;

#[test]
fn few_pictures_a_second_are_told_where_they_cost_the_elbow_s_verdict_and_change_none() {
    let mut seen = Seen::read(&repository("fixtures/keypoints/wing.npz")).unwrap();
    let identity = Identity { sha256: "0".repeat(64), bytes: 1, brief: Brief { file: "Ada/a.mp4".into(), ..Brief::default() } };
    let mut by = |rate: f64, limit: f64| -> Report {
        seen.about.interval_median_s = 1.0 / rate;
        let mut settings = Settings::default();
        settings.limits.lead_elbow_bow_late_upper_arms = limit;
        judge::judge(&seen, &identity, ModelChoice::Accurate, &Models::locate(), &settings)
    };
    let verdict = |r: &Report| r.swings.iter().find(|s| s.main).unwrap().faults[&FaultName::ChickenWing].verdict;
    let told = |r: &Report| r.reasons.iter().find(|x| x.code == ReasonCode::SlowPictures).cloned();
    // a limit at the measured value itself is as open as can be
    let main = by(60.0, 0.06).swings.into_iter().find(|s| s.main).unwrap();
    let value = main.metrics["lead_elbow_bow_late_upper_arms"].measured().unwrap().value;
    let open = by(30.0, value);
    assert_eq!(verdict(&open), Verdict::Borderline);
    let reason = told(&open).expect("told where the verdict is open");
    assert!(reason.severity == Severity::Info && reason.text.contains("30 a second"), "{reason:?}");
    assert!(open.needs_look_because.iter().all(|b| !b.contains("pictures a second")), "{:?}", open.needs_look_because);
    assert!(told(&by(60.0, value)).is_none(), "pictures enough");
    let clear = by(30.0, value + 0.4);
    assert_eq!((verdict(&clear), told(&clear)), (Verdict::Clear, None), "it costs nothing there");
}

/// Hips that are pushed toward the ball about impact, in the picture of a camera behind the golfer; face-on it is not judged.
#[test]
fn a_pelvis_that_comes_toward_the_ball_is_flagged_where_the_view_shows_it() {
    let read = |name: &str| Seen::read(&repository(&format!("fixtures/keypoints/{name}.npz"))).unwrap();
    let judged = |seen: &Seen| {
        let identity = Identity { sha256: "0".repeat(64), bytes: 1, brief: Brief { stature_cm: Some(182.0), ..Brief::default() } };
        judge::judge(seen, &identity, ModelChoice::Accurate, &Models::locate(), &Settings::default())
    };
    let main = |r: &Report| r.swings.iter().find(|s| s.main).unwrap().clone();
    let pelvis = |r: &Report| main(r).metrics["pelvis_toward_ball_impact_cm"].measured().unwrap().value;
    let seen = read("down_the_line");
    let (before, swing) = (judged(&seen), main(&judged(&seen)));
    assert_eq!(swing.faults[&FaultName::EarlyExtension].verdict, Verdict::Clear, "{:?}", swing.faults);
    assert!(!main(&judged(&read("sway"))).faults.contains_key(&FaultName::EarlyExtension), "only a camera behind shows it");
    let (impact, px) = (swing.events.impact.unwrap().time_s, 9.0 / swing.scale.unwrap().cm_per_px);
    let mut pushed = seen.clone();
    for looks in [&mut pushed.body, &mut pushed.key] {
        for (look, _) in looks.looks.iter_mut().zip(&looks.times).filter(|(_, t)| (**t - impact).abs() < 0.1) {
            for k in [Keypoint::LeftHip, Keypoint::RightHip] {
                // this golfer is right-handed and faces the right of the picture
                look.points[k as usize].x += px as f32;
            }
        }
    }
    let after = judged(&pushed);
    // key points show less of it than there is, which the budget gives back
    let gain = Budget::in_force().of("pelvis_toward_ball_impact_cm", From::KeyPoint).gain;
    let moved = (pelvis(&after) - pelvis(&before)) * gain;
    assert!(gain < 1.0 && (moved - 9.0).abs() < 0.9, "{moved} of 9 cm");
    let found = main(&after);
    assert_eq!(found.faults[&FaultName::EarlyExtension].verdict, Verdict::Flagged, "{:?}", found.faults);
    assert!(after.needs_look && after.needs_look_because[0].starts_with("early extension flagged"), "{:?}", after.needs_look_because);
    assert!(found.roots.iter().any(|r| r.finding == Finding::TrunkRises && r.text.contains("come up by")), "{:?}", found.roots);
}

#[test]
fn another_budget_under_the_same_name_is_not_taken_for_this_one() {
    let place = Place::new();
    place.copy(&fixture("Mira Okafor/2026-11-23 7 iron.mp4"), "Mira/clip.mp4");
    let settings = at_once(&place);
    let night = |budget: Option<&std::path::Path>| {
        let mut command = Command::new(env!("CARGO_BIN_EXE_dawnsheet"));
        command.arg("run").arg(place.inbox()).arg("--out").arg(place.out()).args(["--json", "--settings", &settings]);
        if let Some(budget) = budget {
            command.env("DAWNSHEET_BUDGET", budget);
        }
        let summary: serde_json::Value = serde_json::from_slice(&command.output().unwrap().stdout).unwrap();
        let report = place.reports().remove(0);
        let head = report.swings.iter().find(|s| s.main).unwrap().metrics["head_lateral_impact_cm"].measured().unwrap().value;
        (summary["lines"][0]["new"].as_bool().unwrap(), report.engine.judging_sha256, head)
    };
    let (first, judged_by, head) = night(None);
    assert!(first && judged_by.len() == 64);
    assert!(!night(None).0, "done before");
    let budget = include_str!("../../pipeline/measure/budget.toml");
    let line = budget.lines().find(|l| l.starts_with("head_lateral_impact_cm")).unwrap();
    let bias: f64 = line.split("bias = ").nth(1).unwrap().split(',').next().unwrap().parse().unwrap();
    let shifted = budget.replace(line, &line.replace(&format!("bias = {bias:.4}"), &format!("bias = {:.4}", bias - 3.0)));
    assert_ne!(shifted, budget);
    let other = place.folder.path().join("other.toml");
    std::fs::write(&other, shifted).unwrap();
    let (again, other_judge, moved) = night(Some(&other));
    assert!(again, "judged anew");
    assert_ne!(other_judge, judged_by);
    assert!((moved - head - 3.0).abs() < 0.01, "{head} then {moved}");
}

#[test]
fn of_two_swings_that_both_struck_a_ball_the_last_is_judged() {
    let mut seen = Seen::read(&repository("fixtures/keypoints/left_two_swings.npz")).unwrap();
    let impacts: Vec<f64> = read_swings(&seen, 175.0, None).iter().map(|r| r.moments.impact.unwrap().time).collect();
    assert!(impacts.len() == 2, "{impacts:?}");
    let ball = |t: &f64| Ball { there: t - 0.01, gone: t + 0.01, width: 10.0, ..Ball::default() };
    seen.about.balls = impacts.iter().map(ball).collect();
    let reads = read_swings(&seen, 175.0, None);
    assert!(reads.iter().all(|r| r.strike == Struck::Yes), "both struck");
    assert_eq!(reads.iter().map(|r| r.window.kind).collect::<Vec<_>>(), [SwingKind::Practice, SwingKind::Full]);
}
