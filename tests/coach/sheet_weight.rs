//! A thousand clips in one night: how heavy the pages are. `DAWNSHEET_SHEET_FOLDER` names a folder to leave them in, for a
//! look with a browser.

use crate::support::{Builder, out_folder};
use dawnsheet::report::ReasonCode;
use dawnsheet::report::types::{FaultName, Finding, Root, ViewKind};
use dawnsheet::sheet;

const CLIPS: u64 = 1000;

#[test]
fn a_thousand_clips_stay_light() {
    let temporary = tempfile::tempdir().unwrap();
    let root = std::env::var_os("DAWNSHEET_SHEET_FOLDER").map_or_else(|| temporary.path().to_path_buf(), Into::into);
    let (out, mut store) = out_folder(&root);
    for i in 0..CLIPS {
        let student = format!("Student {:03}", i % 170);
        let month = i / 170 + 1;
        let day = format!("2026-{month:02}-{:02}T18:{:02}:00Z", i % 28 + 1, i % 60);
        let drift = 2.0 + (i % 7) as f64 * 0.9;
        let b = Builder::new(i + 1, &student, &day).value("head_lateral_max_back_cm", drift, 2.2);
        let b = match i % 20 {
            0 | 1 => {
                b.sway(0.8 + (i % 19) as f64 / 100.0, 6.0 + (i % 40) as f64 / 10.0).note("the left knee is a little sore").change(|r| {
                    r.swings[0].roots.push(Root {
                        fault: FaultName::Sway,
                        finding: Finding::SetupTooLevel,
                        metrics: Vec::new(),
                        text: "the set-up is symmetrical, without tilt".into(),
                        practice: "Common practice: at address stand with the trail shoulder a little lower.".into(),
                    });
                })
            }
            2 | 3 => b.sway(0.5, 5.0),
            4 => b.unmeasured(ReasonCode::FeetUnseen.reason(), ViewKind::FaceOn),
            5 => b.failed(ReasonCode::NoSwing),
            6 => b.unmeasured(ReasonCode::NotFaceOn.because("filmed down the line"), ViewKind::DownTheLine),
            7 => b.failed(ReasonCode::WorkerFailed),
            _ => b,
        };
        b.record(&mut store);
    }
    let begun = std::time::Instant::now();
    let index = sheet::write(&out, &store, None, None).unwrap();
    let first = begun.elapsed();
    let begun = std::time::Instant::now();
    sheet::write(&out, &store, None, None).unwrap();
    let again = begun.elapsed();
    let weight = std::fs::metadata(&index).unwrap().len();
    let heaviest = |folder: &str| {
        let files = std::fs::read_dir(root.join("sheet").join(folder)).unwrap();
        files.map(|f| f.unwrap().metadata().unwrap().len()).max().unwrap()
    };
    let (clip, student) = (heaviest("clip"), heaviest("student"));
    println!("index {weight} bytes, heaviest clip page {clip}, student page {student}; written in {first:.1?}, again in {again:.1?}");
    assert!(weight < 1_500_000, "index {weight}");
    assert!(clip < 60_000 && student < 100_000, "clip {clip}, student {student}");
    let page = std::fs::read_to_string(&index).unwrap();
    assert!(page.contains(&format!("All {CLIPS} uploads")));
    assert_eq!(page.matches("<article").count() + page.matches("<li class=\"step\"").count(), CLIPS as usize);
}
