//! Clips of one folder that do not show one golfer: never compared, and asked about once.

use crate::support::{Builder, out_folder};
use dawnsheet::history::golfers::{Question, questions};
use dawnsheet::history::store::Stored;
use dawnsheet::history::trend::trends;
use dawnsheet::intake::names::slug;
use dawnsheet::report::types::{LeadSideSource, Measured, Metric, Side, ViewKind};
use dawnsheet::sheet;

fn clip(n: u64, side: Side, source: LeadSideSource) -> Builder {
    Builder::new(n, "Ada", &format!("2026-{n:02}-10")).lead(side, source)
}

fn stored(b: Builder) -> Stored {
    Stored { owner: slug(Some("Ada")), report: b.report, judged_at: String::new() }
}

fn asked(clips: impl IntoIterator<Item = Builder>) -> Vec<Question> {
    let all: Vec<Stored> = clips.into_iter().map(stored).collect();
    questions(&all)
}

/// Left and right alternate, as where two people share a folder.
fn alternating(source: LeadSideSource) -> Vec<Builder> {
    (1..=6).map(|n| clip(n, if n % 2 == 1 { Side::Left } else { Side::Right }, source)).collect()
}

#[test]
fn clips_that_swing_the_other_way_are_compared_with_none_of_the_others() {
    let hips = [0.0, 9.0, 0.5, 8.5, 0.2, 7.9];
    let clips = alternating(LeadSideSource::Motion).into_iter().zip(hips).map(|(b, h)| b.value("trail_hip_travel_cm", h, 1.0));
    let all: Vec<Stored> = clips.map(stored).collect();
    let hip: Vec<(Option<Side>, Vec<f64>)> = trends(&all)
        .into_iter()
        .filter(|t| t.metric.metric == "trail_hip_travel_cm")
        .map(|t| (t.lead, t.points.iter().map(|p| p.value).collect()))
        .collect();
    assert_eq!(hip, [(Some(Side::Left), vec![0.0, 0.5, 0.2]), (Some(Side::Right), vec![9.0, 8.5, 7.9])]);
}

#[test]
fn the_sheet_asks_once_and_says_nothing_of_a_change() {
    let folder = tempfile::tempdir().unwrap();
    let (out, mut store) = out_folder(folder.path());
    clip(1, Side::Left, LeadSideSource::Motion).value("trail_hip_travel_cm", 0.0, 1.0).record(&mut store);
    clip(2, Side::Right, LeadSideSource::Motion).value("trail_hip_travel_cm", 7.9, 1.0).record(&mut store);
    let page = std::fs::read_to_string(sheet::write(&out, &store, None, None).unwrap()).unwrap();
    assert!(!page.contains("beyond the error"), "{page}");
    assert_eq!(page.matches("Another golfer, or mirrored?").count(), 1);
    assert!(page.contains("<h1>One question to settle.</h1>"));
    // among the uploads it is no upload
    let night = dawnsheet::batch::summary::Summary::default();
    let counted = std::fs::read_to_string(sheet::write(&out, &store, Some(&night), None).unwrap()).unwrap();
    assert!(counted.contains("in the inbox, and 1 question about a student"), "{counted}");
    // and where the student's clips are read one by one
    let student = std::fs::read_to_string(folder.path().join(format!("sheet/student/{}.html", slug(Some("Ada"))))).unwrap();
    assert_eq!(student.matches("Another golfer, or mirrored?").count(), 1, "{student}");
}

#[test]
fn the_question_about_the_side_is_answered_by_roster_or_sidecar() {
    let found = asked(alternating(LeadSideSource::Motion));
    assert_eq!(found.len(), 1);
    assert!(found[0].text.contains("3 of 6 clips swing the other way round") && found[0].text.contains("lead_side"), "{}", found[0].text);
    // the side that came second is the odd one
    assert!(found[0].text.contains("2026-02-10.mp4") && !found[0].text.contains("2026-01-10.mp4"), "{}", found[0].text);
    assert!(asked((1..=6).map(|n| clip(n, Side::Left, LeadSideSource::Motion))).is_empty());
    // the roster speaks of all: the clips that contradict it say so themselves
    let by_roster = |n: u64| match n % 2 {
        1 => clip(n, Side::Left, LeadSideSource::Roster),
        _ => clip(n, Side::Right, LeadSideSource::Motion).change(|r| r.golfer.as_mut().unwrap().agrees_with_motion = Some(false)),
    };
    assert!(asked((1..=6).map(by_roster)).is_empty());
    // a sidecar speaks of its clip alone
    let by_sidecar = |told: &'static [u64]| {
        alternating(LeadSideSource::Motion).into_iter().zip(1..).map(move |(b, n)| {
            let side = b.report.golfer.as_ref().unwrap().lead_side;
            if told.contains(&n) { b.lead(side, LeadSideSource::Sidecar) } else { b }
        })
    };
    assert!(asked(by_sidecar(&[2, 4, 6])).is_empty());
    assert_eq!(asked(by_sidecar(&[2, 4])).len(), 1, "of the sixth nobody has spoken");
    assert_eq!(asked(by_sidecar(&[1, 3, 5])).len(), 1, "that the usual ones are right says nothing of the others");
}

#[test]
fn a_body_of_other_proportions_is_asked_about_and_error_is_not() {
    let body = |n: u64, leg: f64, arm: f64| clip(n, Side::Left, LeadSideSource::Roster).body(leg, arm, 0.03);
    let like = |n: u64| body(n, 1.50 + 0.04 * ((n % 3) as f64 - 1.0), 1.10);
    assert!(asked((1..=6).map(like)).is_empty(), "within the error");
    let found = asked((1..=5).map(like).chain([body(6, 1.85, 1.10)]));
    assert_eq!((found.len(), found[0].odd.len()), (1, 1));
    assert!(found[0].text.contains("One of 6 clips shows legs of another length"), "{}", found[0].text);
    assert!(asked((1..=5).map(like).chain([body(6, 1.50, 1.36)]))[0].text.contains("arms"));
    // of two clips the newer one is asked about, until its sidecar says who it is
    let two = |source| [like(1), body(2, 1.85, 1.10).change(move |r| r.golfer.as_mut().unwrap().lead_side_source = source)];
    assert_eq!(asked(two(LeadSideSource::Roster))[0].odd.len(), 1);
    assert!(asked(two(LeadSideSource::Sidecar)).is_empty());
}

#[test]
fn results_of_earlier_versions_are_read_and_ask_nothing() {
    let mut old = serde_json::to_value(clip(1, Side::Left, LeadSideSource::Motion).report).unwrap();
    old["golfer"].as_object_mut().unwrap().remove("proportions");
    let report = serde_json::from_value(old).unwrap();
    let nobody = Stored { owner: slug(Some("Ada")), report, judged_at: String::new() };
    assert!(questions([&nobody, &stored(Builder::new(2, "Ada", "2026-02-10"))]).is_empty());
}

/// Borderline three times: the mean of three (not that of two) whose errors go together by three quarters lies over the limit with more than four chances in five.
#[test]
fn three_clips_tell_together_what_none_of_them_tells_alone() {
    let said = |change: &dyn Fn(u64, Builder) -> Builder| {
        let folder = tempfile::tempdir().unwrap();
        let (out, mut store) = out_folder(folder.path());
        for n in 1..=3 {
            change(n, clip(n, Side::Left, LeadSideSource::Roster).sway(0.79, 5.66)).record(&mut store);
        }
        let page = std::fs::read_to_string(sheet::write(&out, &store, None, None).unwrap()).unwrap();
        page.lines().find(|l| l.contains("Together with")).map(str::to_string)
    };
    let told = said(&|_, b| b).expect("three of a kind");
    assert!(told.contains("the 2 clips before it: sway flagged, likely") && told.contains("5.7 cm, 3.8 to 7.5; limit 5.0"), "{told}");
    assert!(said(&|n, b| if n < 3 { b } else { b.value("trail_hip_travel_cm", 4.0, 2.0) }).is_none(), "the mean is not over it");
    assert!(said(&|n, b| if n == 2 { b.sway(0.9, 5.8) } else { b }).is_none(), "flagged alone");
    // neither clips that swing the other way nor ones with another kind of club count
    assert!(said(&|n, b| if n < 3 { b.lead(Side::Right, LeadSideSource::Roster) } else { b }).is_none());
    assert!(said(&|n, b| if n < 3 { b.change(|r| r.clip.club = Some("driver".into())) } else { b }).is_none());
}

#[test]
fn clips_of_one_day_from_both_sides_stand_together_on_the_student_s_page() {
    let folder = tempfile::tempdir().unwrap();
    let (out, mut store) = out_folder(folder.path());
    let line = |b: Builder| {
        b.change(|r| {
            r.view.as_mut().unwrap().kind = ViewKind::DownTheLine;
            let m = r.swings[0].metrics["trail_hip_travel_cm"].measured().unwrap();
            let pelvis = Measured { value: -1.5, low: -4.5, high: 1.5, ..m.clone() };
            r.swings[0].metrics.insert("pelvis_toward_ball_impact_cm".into(), Metric::Value(pelvis));
        })
    };
    clip(1, Side::Left, LeadSideSource::Motion).record(&mut store);
    clip(2, Side::Left, LeadSideSource::Motion).record(&mut store);
    let sway = Builder::new(12, "Ada", "2026-02-10").lead(Side::Left, LeadSideSource::Motion).sway(0.9, 7.0);
    let (_, worst) = sway.record(&mut store);
    let (_, other) = line(Builder::new(13, "Ada", "2026-02-10").lead(Side::Left, LeadSideSource::Motion)).record(&mut store);
    line(Builder::new(14, "Ada", "2026-03-10").lead(Side::Left, LeadSideSource::Motion)).record(&mut store);
    sheet::write(&out, &store, None, None).unwrap();
    let page = std::fs::read_to_string(folder.path().join(format!("sheet/student/{}.html", slug(Some("Ada"))))).unwrap();
    let both = page.split("From both sides").nth(1).unwrap().split("</section>").next().unwrap();
    // the one day that has both, and of its two face-on clips the worse
    assert_eq!((both.matches("<h3>").count(), both.matches("<li>").count()), (1, 2), "{both}");
    assert!(both.contains("pelvis 1.5 cm away from the ball"), "{both}");
    assert!(both.contains("10 Feb 2026") && both.contains(&worst) && both.contains(&other), "{both}");
}
