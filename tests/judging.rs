//! What judges is part of what makes a clip done: another error budget under the same name judges again.

mod support;

use std::process::Command;
use support::{Place, at_once, fixture};

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
    let budget = include_str!("../pipeline/measure/budget.toml");
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
