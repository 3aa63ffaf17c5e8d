//! Detector and landmark decoding against an independent program on the same pictures.
//!
//! `tests/reference/expected.json` was made by `tests/reference/reference_pose.py` (plain Python on ONNX Runtime 1.32 and
//! OpenCV 4, sharing no code with this project) on `tests/reference/pictures`. Tolerance: with the same region, median
//! difference of the 33 landmarks under 0.5 pixels for each picture (crop rounding differs by a hair between OpenCV
//! builds); regions from our own detector within 1.5 % of their side. `DAWNSHEET_REFERENCE` names another such folder.

use dawnsheet::pose::detector::Detector;
use dawnsheet::pose::landmarker::Landmarker;
use dawnsheet::pose::models::Models;
use dawnsheet::pose::runtime::environment;
use dawnsheet::seen::Region;
use dawnsheet::track::signal::median;
use opencv::imgcodecs;
use serde::Deserialize;
use std::path::PathBuf;

#[derive(Deserialize)]
struct Expected {
    picture: String,
    model: String,
    score: f64,
    region: [f64; 4],
    flag: f32,
    points: Vec<[f64; 2]>,
    visibility: Vec<f64>,
}

#[test]
fn landmarks_agree_with_the_plain_reference() {
    let folder = std::env::var_os("DAWNSHEET_REFERENCE")
        .map_or_else(|| PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/reference"), PathBuf::from);
    let text = std::fs::read_to_string(folder.join("expected.json")).unwrap();
    let all: Vec<Expected> = serde_json::from_str(&text).unwrap();
    assert!(all.len() >= 8, "every picture, both models");
    let models = Models::locate();
    let environment = environment(&models.runtime().unwrap()).unwrap();
    let mut detector = Detector::load(&environment, &models.path("detector")).unwrap();
    let mut medians = Vec::new();
    for model in ["full", "heavy"] {
        let mut landmarker = Landmarker::load(&environment, &models.path(&format!("landmark_{model}"))).unwrap();
        for e in all.iter().filter(|e| e.model == model) {
            let path = folder.join("pictures").join(&e.picture);
            let picture = imgcodecs::imread(path.to_str().unwrap(), imgcodecs::IMREAD_COLOR).unwrap();
            let found = detector.detect(&picture).unwrap();
            let best = found.first().expect("a person in every picture");
            assert!((best.score - e.score).abs() < 0.01, "{}: score {} against {}", e.picture, best.score, e.score);
            let ours = best.region();
            let side = e.region[2];
            assert!((ours.cx - e.region[0]).hypot(ours.cy - e.region[1]) < 0.015 * side && (ours.size / side - 1.0).abs() < 0.015);

            let region = Region { cx: e.region[0], cy: e.region[1], size: e.region[2], rotation: e.region[3] };
            let look = landmarker.look(&picture, &region).unwrap();
            assert!((look.flag - e.flag).abs() < 0.02);
            let off: Vec<f64> =
                e.points.iter().zip(&look.points).map(|(p, q)| (p[0] - f64::from(q.x)).hypot(p[1] - f64::from(q.y))).collect();
            let visibility_off: Vec<f64> =
                e.visibility.iter().zip(&look.points).map(|(v, q)| (v - f64::from(q.visibility)).abs()).collect();
            assert!(median(&off) < 0.5, "{} {model}: median {}", e.picture, median(&off));
            assert!(median(&visibility_off) < 0.02);
            medians.push(median(&off));
        }
    }
    println!(
        "{} looks: median of the median differences {:.3} px, largest {:.3} px",
        medians.len(),
        median(&medians),
        medians.iter().copied().fold(0.0, f64::max)
    );
}
