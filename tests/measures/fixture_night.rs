//! The main job on the committed clips: one night through the real program, checked against the truth beside the clips
//! (`fixtures/truth`: exact, from the renderer's 3-D body; events as defined by the report, from the projected joints).

use crate::support::{self, Place, dawnsheet, repository};
use dawnsheet::report::ReasonCode;
use dawnsheet::report::Report;
use dawnsheet::report::types::{EventFrom, FaultName, Metric, Side, Struck, SwingKind, Verdict, ViewKind};
use dawnsheet::settings::Settings;
use dawnsheet::swing::events::tolerance_frames;
use serde::Deserialize;
use std::collections::BTreeMap;
use std::sync::OnceLock;

#[derive(Deserialize)]
struct Truth {
    clip: String,
    fps: f64,
    view: String,
    lead_side: Side,
    /// Where the camera stood, degrees off square, positive toward the lead side; of face-on clips.
    yaw_to_lead_deg: Option<f64>,
    swings: usize,
    events: BTreeMap<String, Option<f64>>,
    metrics: BTreeMap<String, f64>,
}

struct Night {
    place: Place,
    code: i32,
    summary: serde_json::Value,
}

fn copy_inbox(place: &Place) {
    let from = repository("fixtures/inbox");
    for entry in walkdir::WalkDir::new(&from).into_iter().filter_map(Result::ok).filter(|e| e.file_type().is_file()) {
        let below = entry.path().strip_prefix(&from).unwrap().to_str().unwrap().to_string();
        place.copy(entry.path(), &below);
    }
}

/// One run for all tests here.
fn night() -> &'static Night {
    static NIGHT: OnceLock<Night> = OnceLock::new();
    NIGHT.get_or_init(|| {
        let place = Place::new();
        copy_inbox(&place);
        let (code, summary) = place.summary(&[]);
        Night { place, code, summary }
    })
}

fn truths() -> Vec<Truth> {
    let mut all: Vec<Truth> = std::fs::read_dir(repository("fixtures/truth"))
        .unwrap()
        .map(|e| serde_json::from_str(&std::fs::read_to_string(e.unwrap().path()).unwrap()).unwrap())
        .collect();
    all.sort_by(|a, b| a.clip.cmp(&b.clip));
    assert_eq!(all.len(), 5);
    all
}

fn report_of(truth: &Truth) -> Report {
    night().place.reports().into_iter().find(|r| r.clip.file == truth.clip).unwrap()
}

#[test]
fn every_upload_is_accounted_for_and_usable() {
    let night = night();
    assert_eq!(night.code, 0);
    assert_eq!(night.summary["lines"].as_array().unwrap().len(), 5);
    assert!(night.place.reports().iter().all(|r| r.usable));
}

/// What is tried at other limits is judged by the same rules, from what the report says.
#[test]
fn verdicts_from_the_reports_at_the_limits_in_force_are_those_of_the_reports() {
    let store = dawnsheet::history::Store::open(&night().place.out().join("dawnsheet.sqlite")).unwrap();
    let mut compared = 0;
    for (stored, identity) in store.results().unwrap() {
        let identity: dawnsheet::judge::Identity = serde_json::from_str(&identity).unwrap();
        let again = dawnsheet::judge::verdicts_at(&stored.report, &identity.brief, &Settings::default());
        let main = stored.report.swings.iter().find(|s| s.main).unwrap();
        assert_eq!(again.keys().collect::<Vec<_>>(), main.faults.keys().collect::<Vec<_>>());
        for (name, fault) in &main.faults {
            assert_eq!(again[name].verdict, fault.verdict, "{}: {name:?}", stored.report.clip.file);
            let both = again[name].probability.zip(fault.probability);
            assert!(both.is_none_or(|(a, b)| (a - b).abs() < 0.02), "{both:?}");
            compared += 1;
        }
    }
    assert!(compared >= 15);
}

#[test]
fn view_side_and_swings_are_seen() {
    for truth in truths() {
        let report = report_of(&truth);
        let kind = if truth.view == "face_on" { ViewKind::FaceOn } else { ViewKind::DownTheLine };
        assert_eq!(report.view.as_ref().unwrap().kind, kind, "{}", truth.clip);
        let golfer = report.golfer.as_ref().unwrap();
        assert_eq!(golfer.lead_side, truth.lead_side, "{}", truth.clip);
        assert_eq!(golfer.agrees_with_motion, Some(true));
        let full: Vec<_> = report.swings.iter().filter(|s| s.kind != SwingKind::Partial).collect();
        assert_eq!(full.len(), truth.swings, "{}", truth.clip);
        assert!(full.last().unwrap().main);
    }
}

/// Down the line key points tell neither when the hands leave nor when they strike as well as face-on.
#[test]
fn down_the_line_takeaway_top_and_impact_are_found_within_the_published_tolerance() {
    for truth in truths().iter().filter(|t| t.view != "face_on") {
        let report = report_of(truth);
        let events = &report.swings.iter().find(|s| s.main).unwrap().events;
        let span = (truth.events["impact"].unwrap() - truth.events["takeaway"].unwrap()) * truth.fps;
        let allowed = tolerance_frames(span.round()) as f64;
        for (name, event) in [("takeaway", events.takeaway), ("top", events.top), ("impact", events.impact)] {
            let off = (event.unwrap().time_s - truth.events[name].unwrap()) * truth.fps;
            assert!(off.abs() <= allowed, "{}: {name} off by {off:.1} frames, allowed {allowed}", truth.clip);
        }
    }
}

/// Four of the five clips show a ball; one of these is grey on grey, one clip's ball lies outside the picture.
#[test]
fn the_ball_that_leaves_tells_impact_and_main_swing() {
    let mut struck = 0;
    for truth in truths() {
        let report = report_of(&truth);
        let main = report.swings.iter().find(|s| s.main).unwrap();
        if main.strike.value == Struck::Yes {
            struck += 1;
            let (impact, frame) = (main.events.impact.unwrap(), 1.0 / truth.fps);
            assert_eq!(impact.from, EventFrom::Ball, "{}", truth.clip);
            assert!((impact.time_s - truth.events["impact"].unwrap()).abs() <= frame, "{}: {impact:?}", truth.clip);
        }
        for rehearsal in report.swings.iter().filter(|s| s.kind == SwingKind::Practice) {
            assert_eq!(rehearsal.strike.value, Struck::No, "{}: {:?}", truth.clip, rehearsal.strike);
        }
    }
    assert!(struck >= 3, "{struck}");
}

/// A phone that noted no turn: the same clip on either side and on its head.
#[test]
fn a_clip_on_its_side_is_turned_and_judged_as_the_upright_one() {
    let sway = truths().into_iter().find(|t| t.clip.ends_with("driver.mp4")).unwrap();
    let upright = report_of(&sway);
    let place = Place::new();
    let from = repository("fixtures/inbox").join(&sway.clip);
    for (name, turn) in [("left", "transpose=2"), ("head", "hflip,vflip")] {
        let to = place.inbox().join(format!("{name}/{name}.mp4"));
        std::fs::create_dir_all(to.parent().unwrap()).unwrap();
        support::ffmpeg(&["-i", from.to_str().unwrap(), "-vf", turn, "-crf", "18", to.to_str().unwrap()]);
        support::settle(&to);
    }
    place.summary(&[]);
    let reports = place.reports();
    assert_eq!(reports.len(), 2);
    for report in reports {
        let (video, was) = (report.video.unwrap(), upright.video.as_ref().unwrap());
        let expected = if report.clip.file.contains("head") { 180 } else { 90 };
        assert_eq!((video.turned_by_sight, video.width, video.height), (expected, was.width, was.height), "{}", report.clip.file);
        assert!(report.reasons.iter().any(|r| r.code == ReasonCode::TurnedBySight));
        assert_eq!(report.verdict, upright.verdict);
    }
    assert!(night().place.reports().iter().all(|r| r.video.as_ref().unwrap().turned_by_sight == 0), "no upright clip is turned");
}

/// What the numbers of one swing cannot say at once (`scripts/accuracy` holds all worlds' clips to the same).
#[test]
fn no_number_contradicts_another() {
    let mut swings = 0;
    for report in night().place.reports() {
        for swing in &report.swings {
            swings += 1;
            let told: BTreeMap<&str, f64> = swing.metrics.iter().filter_map(|(n, m)| Some((n.as_str(), m.measured()?.value))).collect();
            for (name, m) in swing.metrics.iter().filter_map(|(n, m)| Some((n, m.measured()?))) {
                assert!(m.low <= m.value && m.value <= m.high, "{}: {name} {m:?}", report.clip.file);
            }
            let largest = [
                ("head_lateral_max_back_cm", "head_lateral_top_cm"),
                ("lead_elbow_flexion_max_deg", "lead_elbow_flexion_impact_deg"),
                ("lead_elbow_flexion_max_deg", "lead_elbow_flexion_half_deg"),
                ("lead_elbow_separation_max_cm", "lead_elbow_separation_impact_cm"),
                ("lead_elbow_separation_max_cm", "lead_elbow_separation_half_cm"),
            ];
            for (most, part) in largest {
                if let (Some(most), Some(part)) = (told.get(most), told.get(part)) {
                    assert!(part <= most, "{}: {part} is more than {most}", report.clip.file);
                }
            }
            if let (Some(travel), Some(at_furthest)) = (told.get("trail_hip_travel_cm"), told.get("trail_hip_move_at_furthest_cm")) {
                assert_eq!(*travel, at_furthest.max(0.0), "{}", report.clip.file);
                let share = 100.0 * travel / told["stance_width_cm"];
                assert!((told["trail_hip_travel_pct_stance"] - share).abs() < 0.1, "{}: {share} % of the stance", report.clip.file);
            }
            if let (Some(ratio), Some(back), Some(down)) = (told.get("tempo_ratio"), told.get("backswing_s"), told.get("downswing_s")) {
                assert!((ratio / (back / down) - 1.0).abs() < 0.02, "{}: {ratio} is not {back} to {down}", report.clip.file);
            }
        }
    }
    assert!(swings >= 6, "{swings}");
}

/// The yaw's sign too: a golfer whose head lies nearer the camera than the feet would else be turned the wrong way.
#[test]
fn the_camera_s_place_is_told_to_a_few_degrees() {
    let mut wrong_way = 0;
    for truth in truths() {
        let told = report_of(&truth).view.unwrap().yaw_deg;
        let Some(yaw) = truth.yaw_to_lead_deg else {
            assert!(told.is_none(), "{}: only a face-on clip has one", truth.clip);
            continue;
        };
        let told = told.unwrap();
        assert!((told.value - yaw).abs() <= 4.0 && told.low <= yaw && yaw <= told.high, "{}: {told:?}, true {yaw}", truth.clip);
        wrong_way += usize::from(yaw.abs() >= 2.0 && told.value * yaw < 0.0);
    }
    assert_eq!(wrong_way, 0);
}

#[test]
fn events_are_found_within_the_published_tolerance() {
    for truth in truths().iter().filter(|t| t.view == "face_on") {
        let report = report_of(truth);
        let events = serde_json::to_value(&report.swings.iter().find(|s| s.main).unwrap().events).unwrap();
        let span = (truth.events["impact"].unwrap() - truth.events["takeaway"].unwrap()) * truth.fps;
        let allowed = tolerance_frames(span.round()) as f64;
        for name in
            ["takeaway", "lead_arm_level_back", "top", "lead_arm_level_down", "impact", "half_follow_through", "chest_high_follow_through"]
        {
            let ours = events[name]["time_s"].as_f64().unwrap_or_else(|| panic!("{}: no {name}", truth.clip));
            let off = (ours - truth.events[name].unwrap()) * truth.fps;
            assert!(off.abs() <= allowed + 0.5, "{}: {name} off by {off:.1} frames, allowed {allowed}", truth.clip);
        }
    }
}

#[test]
fn no_verdict_contradicts_the_truth() {
    let limits = Settings::default().limits;
    for truth in truths() {
        let report = report_of(&truth);
        let main = report.swings.iter().find(|s| s.main).unwrap();
        let (sway, wing) = (&main.faults[&FaultName::Sway], &main.faults[&FaultName::ChickenWing]);
        if truth.view != "face_on" {
            assert_eq!((sway.verdict, wing.verdict), (Verdict::CannotMeasure, Verdict::CannotMeasure));
            assert!(sway.why.as_ref().unwrap().contains("down the line"));
            continue;
        }
        let share = truth.metrics["trail_hip_travel_cm"] / truth.metrics["stance_width_cm"] * 100.0;
        let sways = truth.metrics["trail_hip_travel_cm"] > limits.trail_hip_travel_cm
            || share > limits.trail_hip_travel_pct_stance
            || truth.metrics["pelvis_travel_cm"] > limits.pelvis_travel_cm
            || truth.metrics["hip_edge_inside_foot_cm"] < limits.hip_edge_inside_foot_cm;
        let wings = truth.metrics["lead_elbow_bow_late_upper_arms"] > limits.lead_elbow_bow_late_upper_arms;
        for (fault, there) in [(sway, sways), (wing, wings)] {
            let wrong = if there { Verdict::Clear } else { Verdict::Flagged };
            assert_ne!(fault.verdict, wrong, "{}: {}", truth.clip, fault.text);
        }
    }
}

#[test]
fn intervals_hold_the_truth() {
    let (mut inside, mut all) = (0, 0);
    for truth in truths() {
        let report = report_of(&truth);
        let main = report.swings.iter().find(|s| s.main).unwrap();
        for (name, value) in &truth.metrics {
            if let Some(Metric::Value(m)) = main.metrics.get(name) {
                all += 1;
                inside += usize::from((m.low..=m.high).contains(value));
            }
        }
    }
    // 95 % intervals: of so many values, fewer than 85 % inside would be a broken budget
    assert!(all > 80 && inside * 100 >= all * 85, "{inside} of {all}");
}

#[test]
fn reports_follow_the_committed_schema() {
    let schema: serde_json::Value =
        serde_json::from_str(&std::fs::read_to_string(repository("pipeline/report/report.schema.json")).unwrap()).unwrap();
    let validator = jsonschema::validator_for(&schema).unwrap();
    for report in night().place.reports() {
        let value = serde_json::to_value(&report).unwrap();
        assert!(validator.is_valid(&value), "{:?}", validator.iter_errors(&value).map(|e| e.to_string()).collect::<Vec<_>>());
        assert!(!value.to_string().contains("NaN"));
    }
    assert!(!validator.is_valid(&serde_json::json!({ "schema": "dawnsheet.report/1" })));
}

#[test]
fn key_pictures_are_drawn() {
    for report in night().place.reports() {
        let folder = night().place.out().join("sheet/pictures").join(&report.clip.id);
        let face_on = report.view.unwrap().kind == ViewKind::FaceOn;
        let wanted: &[&str] = match face_on {
            true => &["address", "hip_furthest", "head_furthest", "top", "impact", "half_follow_through", "late_follow_through"],
            false => &["address", "top", "impact"],
        };
        for name in wanted {
            let bytes = std::fs::read(folder.join(format!("{name}.jpg"))).unwrap();
            assert!(bytes.starts_with(&[0xFF, 0xD8]) && bytes.len() > 10_000);
        }
        assert_eq!(std::fs::read_dir(&folder).unwrap().count(), wanted.len(), "nothing is drawn that was not measured");
    }
}

/// Places of the lines' colour in a key picture.
fn drawn(path: &std::path::Path) -> (Vec<[f64; 2]>, impl Fn(f64, f64) -> bool) {
    use opencv::core::{MatTraitConst, Vec3b};
    let picture = opencv::imgcodecs::imread(path.to_str().unwrap(), opencv::imgcodecs::IMREAD_COLOR).unwrap();
    let (w, h) = (picture.cols(), picture.rows());
    let lit: Vec<bool> = (0..h)
        .flat_map(|y| (0..w).map(move |x| (x, y)))
        .map(|(x, y)| {
            let p = picture.at_2d::<Vec3b>(y, x).unwrap();
            p[0] < 110 && (150..=225).contains(&p[1]) && p[2] > 215
        })
        .collect();
    let all = (0..lit.len()).filter(|&i| lit[i]).map(|i| [(i as i32 % w) as f64, (i as i32 / w) as f64]).collect();
    let is_lit = move |x: f64, y: f64| {
        let (x, y) = (x.round() as i32, y.round() as i32);
        (0..w).contains(&x) && (0..h).contains(&y) && lit[(y * w + x) as usize]
    };
    (all, is_lit)
}

/// The picture alone is looked at: where the ring is, and how the lines from it to their far ends bend, must be the bend that was
/// measured. Lines of another frame or another look than the number's were off by up to 60 degrees.
#[test]
fn the_arm_that_is_drawn_is_the_arm_of_the_number() {
    let mut looked_at = 0;
    for report in night().place.reports().iter().filter(|r| r.view.as_ref().unwrap().kind == ViewKind::FaceOn) {
        let swing = report.swings.iter().find(|s| s.main).unwrap();
        let shown = &swing.shown["late_follow_through"];
        let path = night().place.out().join("sheet/pictures").join(&report.clip.id).join("late_follow_through.jpg");
        let (lines, lit) = drawn(&path);
        let ring = |c: &[f64; 2]| {
            (5..18)
                .map(|r| {
                    (0..24)
                        .filter(|k| {
                            let a = f64::from(*k) * std::f64::consts::TAU / 24.0;
                            lit(c[0] + f64::from(r) * a.cos(), c[1] + f64::from(r) * a.sin())
                        })
                        .count()
                })
                .max()
                .unwrap()
        };
        // the ring's middle is not lit itself: candidates are all places about the lines
        let near: std::collections::BTreeSet<(i64, i64)> = lines
            .iter()
            .flat_map(|p| {
                [-9i64, -6, -3, 0, 3, 6, 9]
                    .into_iter()
                    .flat_map(move |dx| [-9i64, -6, -3, 0, 3, 6, 9].map(|dy| (p[0] as i64 + dx, p[1] as i64 + dy)))
            })
            .collect();
        let elbow = near.iter().map(|&(x, y)| [x as f64, y as f64]).max_by_key(ring).unwrap();
        assert!(ring(&elbow) >= 20, "a ring is drawn: {}", ring(&elbow));
        let from = |p: [f64; 2]| [p[0] - elbow[0], p[1] - elbow[1]];
        let arms: Vec<[f64; 2]> = lines.iter().map(|p| from(*p)).collect();
        let furthest = |v: &[[f64; 2]]| v.iter().copied().max_by(|a, b| a[0].hypot(a[1]).total_cmp(&b[0].hypot(b[1]))).unwrap();
        let one = furthest(&arms);
        // the other end lies on another side of the ring
        let apart = |p: &[f64; 2]| (p[0] * one[0] + p[1] * one[1]) / (p[0].hypot(p[1]) * one[0].hypot(one[1])).max(1e-9) < 0.5;
        let other = furthest(&arms.iter().copied().filter(apart).collect::<Vec<_>>());
        let bend =
            180.0 - ((one[0] * other[0] + one[1] * other[1]) / (one[0].hypot(one[1]) * other[0].hypot(other[1]))).acos().to_degrees();
        let Some(Metric::Value(measured)) = swing.metrics.get("lead_elbow_flexion_late_deg") else { continue };
        assert!((bend - measured.value).abs() < 8.0, "{}: drawn {bend:.0}, told {:.0}", report.clip.file, measured.value);
        assert!(measured.frames.contains(&shown.frame), "on a frame that the number rests on");
        looked_at += 1;
    }
    assert!(looked_at >= 3, "{looked_at}");
}

#[test]
fn a_second_night_does_nothing_and_a_single_clip_says_the_same() {
    let night = night();
    let before = std::fs::read(night.place.out().join("sheet/index.html")).unwrap();
    assert!(!before.is_empty());
    let reports = night.place.reports();
    let start = std::time::Instant::now();
    let (code, summary) = night.place.summary(&[]);
    assert!(start.elapsed().as_secs() < 10, "nothing was measured again");
    assert_eq!(code, 0);
    assert!(summary["lines"].as_array().unwrap().iter().all(|l| l["new"] == false));
    assert_eq!(reports, night.place.reports());

    let clip = night.place.inbox().join("Mira Okafor/2026-11-23 7 iron.mp4");
    let ran = dawnsheet(&["clip", clip.to_str().unwrap(), "--json", "--lead-side", "left", "--stature", "177"]);
    assert_eq!(ran.code, 0, "{}", ran.stderr);
    let alone: Report = serde_json::from_str(&ran.stdout).unwrap();
    let in_the_night = reports.iter().find(|r| r.clip.id == alone.clip.id).unwrap();
    assert_eq!(alone.swings, in_the_night.swings);
    let again = dawnsheet(&["clip", clip.to_str().unwrap(), "--json", "--lead-side", "left", "--stature", "177"]);
    assert_eq!(ran.stdout, again.stdout, "the same bytes out");
}

#[test]
fn other_limits_judge_again_without_video() {
    let place = Place::new();
    copy_inbox(&place);
    // only the quick one of the clips, and its look taken over from a first run
    for student in ["Jonas Lind", "Priya Raman", "Tomas Varga"] {
        std::fs::remove_dir_all(place.inbox().join(student)).unwrap();
    }
    let (code, _) = place.summary(&["--model", "fast"]);
    assert_eq!(code, 0);
    let first = place.reports();
    let clip = place.inbox().join("Mira Okafor/2026-11-23 7 iron.mp4");
    std::fs::remove_file(clip).unwrap();
    let settings = place.folder.path().join("strict.toml");
    std::fs::write(&settings, "[limits]\nhead_vertical_cm = 1\n").unwrap();
    let ran = dawnsheet(&["rejudge", "--out", place.out().to_str().unwrap(), "--settings", settings.to_str().unwrap()]);
    assert_eq!(ran.code, 0, "{}", ran.stderr);
    let second = place.reports();
    let drift = |r: &Report| r.swings.iter().find(|s| s.main).unwrap().faults[&FaultName::HeadDrift].verdict;
    assert_eq!((drift(&first[0]), drift(&second[0])), (Verdict::Clear, Verdict::Flagged));
    assert_eq!(first[0].swings[0].metrics, second[0].swings[0].metrics);
    assert_ne!(first[0].engine.settings_sha256, second[0].engine.settings_sha256);
}

#[test]
fn a_mirrored_or_other_golfer_is_a_warning_and_the_motion_is_followed() {
    let clip = repository("fixtures/inbox/Mira Okafor/2026-11-23 7 iron.mp4");
    let ran = dawnsheet(&["clip", clip.to_str().unwrap(), "--json", "--lead-side", "right", "--model", "fast"]);
    let report: Report = serde_json::from_str(&ran.stdout).unwrap();
    assert_eq!(report.golfer.as_ref().unwrap().lead_side, Side::Left);
    assert!(report.reasons.iter().any(|r| r.code == dawnsheet::report::ReasonCode::MirroredOrOtherHanded));
    assert!(report.needs_look);
}
