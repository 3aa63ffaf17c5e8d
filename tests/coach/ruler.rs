//! Measuring by hand: marks become values by the program's own definitions, slips are asked about, and the comparison is what
//! published statistics make of it.

use crate::support::{Dice, repository};
use dawnsheet::history::marked::{Kind, Marked};
use dawnsheet::history::store::Stored;
use dawnsheet::intake::Brief;
use dawnsheet::judge::{self, Identity};
use dawnsheet::measure::budget::Budget;
use dawnsheet::measure::{Quantities, Reading};
use dawnsheet::pose::models::{ModelChoice, Models};
use dawnsheet::report::Report;
use dawnsheet::report::types::{FaultName, From, Metric, Side, Verdict};
use dawnsheet::ruler::marks::{Mark, Marks, Place, Stage, main, offered, questions};
use dawnsheet::ruler::table::table;
use dawnsheet::ruler::values::{MARK_SD_PX, by_hand};
use dawnsheet::ruler::{ByHand, draw};
use dawnsheet::seen::Seen;
use dawnsheet::settings::Settings;
use std::collections::BTreeMap;

type Values = BTreeMap<String, ByHand>;

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

fn measured(seen: &Seen, marks: &Marks) -> Values {
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
    let address = &shown["address"];
    put(Place::BallAddress, time(address.frame), address.places["ball"]);
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
        near("head_behind_ball_address_cm", From::KeyPoint, 1.0);
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
        let verdicts = |f: &BTreeMap<FaultName, dawnsheet::report::types::Fault>| -> Vec<(FaultName, Verdict)> {
            f.iter().map(|(n, f)| (*n, f.verdict)).collect()
        };
        assert_eq!(verdicts(&with(&Quantities::new())), verdicts(&swing.faults), "{name}");
        let slide = Reading { value: 14.0, sd: 0.5, frames: Vec::new(), from: From::Outline, built_in: None };
        let changed = with(&[("trail_hip_travel_cm", Ok(slide))].into());
        assert_eq!(changed[&FaultName::Sway].verdict, Verdict::Flagged);
        assert_eq!(changed[&FaultName::ChickenWing].verdict, swing.faults[&FaultName::ChickenWing].verdict);
    }
}

/// The first marks of a clip, as they would be kept.
fn kept(owner: &str, report: &Report, kind: Kind, made_at: &str, marks: &Marks, values: &Values) -> Marked {
    Marked {
        owner: owner.into(),
        clip: report.clip.id.clone(),
        kind,
        made_at: made_at.into(),
        marks: serde_json::to_string(marks).unwrap(),
        by_hand: serde_json::to_string(values).unwrap(),
    }
}

/// A clip of somebody with a number of its own.
fn numbered(r: &Report, number: usize, change: impl FnOnce(&mut Report)) -> (Stored, String) {
    let mut report = r.clone();
    (report.clip.id, report.clip.sha256) = (format!("{number:016}"), format!("{number:064}"));
    change(&mut report);
    let identity = Identity { sha256: report.clip.sha256.clone(), bytes: 1, brief: brief() };
    let stored = Stored { owner: format!("student-{}", number % 5), report, judged_at: "2026-01-01T00:00:00Z".into() };
    (stored, serde_json::to_string(&identity).unwrap())
}

fn plant(report: &mut Report, name: &str, value: f64, half: f64) {
    let swing = report.swings.iter_mut().find(|s| s.main).unwrap();
    let Metric::Value(m) = swing.metrics.get_mut(name).unwrap() else { panic!("{name} is measured") };
    (m.value, m.low, m.high) = (value, value - half, value + half);
}

/// 200 sets of ten clips, the program 1 cm too high, the hand's points 3 pixels unsure: the bias's interval holds that centimetre in 95 %
/// of the sets (within three binomial standard deviations), by hand lies inside an interval as wide as the hand's error in 95 % of the
/// clips, and the limits of agreement hold 95 % of the differences.
#[test]
fn the_interval_of_the_bias_holds_a_planted_centimetre_in_nineteen_of_twenty_sets() {
    const METRIC: &str = "head_lateral_top_cm";
    const SETS: usize = 200;
    const CLIPS: usize = 10;
    let seen = seen("sway");
    let r = judged(&seen);
    let marks = where_the_program_read(&seen, &r);
    let mut dice = Dice(2026);
    let (truth, slips) = judge::main_swing(&seen, &brief(), &Settings::default(), |ctx| {
        let mut slip = || -> (Marks, Values) {
            let moved: Marks = marks
                .iter()
                .map(|(p, m)| (*p, Mark { x: m.x + 3.0 * normal(&mut dice), y: m.y + 3.0 * normal(&mut dice), ..*m }))
                .collect();
            let values = by_hand(ctx, &moved).unwrap();
            (moved, values)
        };
        let slips: Vec<_> = (0..SETS * CLIPS).map(|_| slip()).collect();
        (by_hand(ctx, &marks).unwrap()[METRIC], slips)
    })
    .unwrap();
    let half = 1.96 * truth.per_mark_px * 3.0;
    let (mut held, mut inside, mut between) = (0, 0, 0);
    for set in slips.chunks(CLIPS) {
        // the interval lies about the truth: whether the hand is inside is the hand's error alone
        let clips: Vec<_> = (0..CLIPS).map(|i| numbered(&r, i, |c| plant(c, METRIC, truth.value + 1.0, half + 1.0))).collect();
        let marked: Vec<_> =
            clips.iter().zip(set).map(|((s, _), (m, v))| kept(&s.owner, &s.report, Kind::Marked, "2026-01-02T00:00:00Z", m, v)).collect();
        let t = table(&clips, &marked, &Settings::default()).unwrap();
        assert!(t.enough && t.clips == CLIPS && !t.mark_sd_by_repeats);
        let line = t.lines.iter().find(|l| l.metric == METRIC).unwrap();
        let a = line.agreement.unwrap();
        held += usize::from((a.bias.low..=a.bias.high).contains(&1.0));
        inside += line.inside.unwrap().hits;
        between += line.pairs.iter().filter(|p| (a.limits[0].value..=a.limits[1].value).contains(&p.difference().unwrap())).count();
    }
    let within = |hits: usize, of: usize, p: f64| (hits as f64 - p * of as f64).abs() <= 3.0 * (p * (1.0 - p) * of as f64).sqrt();
    assert!(within(held, SETS, 0.95), "{held} of {SETS}");
    // 1 cm of room on the upper side only: between 95 and 97.5 %
    let share = inside as f64 / (SETS * CLIPS) as f64;
    assert!((0.935..0.99).contains(&share), "{share}");
    assert!((0.93..0.98).contains(&(between as f64 / (SETS * CLIPS) as f64)), "{between}");
}

/// Under eight clips nothing is summed up and the program's values stay out of the table; the first marks count whatever came later.
#[test]
fn too_few_clips_tell_nothing_and_first_marks_count() {
    let seen = seen("sway");
    let r = judged(&seen);
    let marks = where_the_program_read(&seen, &r);
    let values = measured(&seen, &marks);
    let mut wide = values.clone();
    wide.get_mut("trail_hip_travel_cm").unwrap().value = 25.0;
    let clips: Vec<_> = (0..9).map(|i| numbered(&r, i, |_| ())).collect();
    let rows = |n: usize| -> Vec<Marked> {
        let first = clips.iter().take(n).map(|(s, _)| kept(&s.owner, &s.report, Kind::Marked, "2026-01-02T00:00:00Z", &marks, &values));
        let later = clips.iter().take(n).map(|(s, _)| kept(&s.owner, &s.report, Kind::Marked, "2026-01-03T00:00:00Z", &marks, &wide));
        first.chain(later).collect()
    };
    let few = table(&clips, &rows(7), &Settings::default()).unwrap();
    assert!(!few.enough && few.clips == 7 && few.changed.is_empty());
    for line in &few.lines {
        assert!(line.agreement.is_none() && line.inside.is_none() && line.pairs.iter().all(|p| p.program.is_none()), "{}", line.metric);
    }
    let text = few.text();
    assert!(text.contains("too few to tell") && text.contains("by hand") && !text.contains("program less hand"), "{text}");
    assert!(!serde_json::to_string(&few).unwrap().contains(&format!("{}", value(&r, "trail_hip_travel_cm"))));
    let enough = table(&clips, &rows(8), &Settings::default()).unwrap();
    let slide = enough.lines.iter().find(|l| l.metric == "trail_hip_travel_cm").unwrap();
    assert!(
        enough.enough && slide.pairs.iter().all(|p| (p.by_hand - values["trail_hip_travel_cm"].value).abs() < 1e-9),
        "not the later 25 cm"
    );
    assert!(enough.text().contains("program less hand on average"));
}

/// Marked twice: how far a coach differs from himself is his, and how far a mark errs is then no longer assumed. And a verdict that
/// hangs on what only the program saw is named.
#[test]
fn repeats_tell_the_hand_s_own_error_and_changed_verdicts_are_named() {
    let seen = seen("sway");
    let r = judged(&seen);
    let marks = where_the_program_read(&seen, &r);
    let values = measured(&seen, &marks);
    let mut dice = Dice(5);
    let moved: Marks =
        marks.iter().map(|(p, m)| (*p, Mark { x: m.x + 2.0 * normal(&mut dice), y: m.y + 2.0 * normal(&mut dice), ..*m })).collect();
    let apart: Vec<f64> = marks.iter().flat_map(|(p, m)| [moved[p].x - m.x, moved[p].y - m.y]).collect();
    let expected = (apart.iter().map(|d| d * d).sum::<f64>() / (2.0 * apart.len() as f64)).sqrt();
    // the same person sees a slide that is none
    let mut still = values.clone();
    still.get_mut("trail_hip_travel_cm").unwrap().value = 0.0;
    still.get_mut("hip_edge_inside_foot_cm").unwrap().value = 12.0;
    let clips: Vec<_> = (0..8).map(|i| numbered(&r, i, |_| ())).collect();
    let mut rows: Vec<_> =
        clips.iter().map(|(s, _)| kept(&s.owner, &s.report, Kind::Marked, "2026-01-02T00:00:00Z", &marks, &values)).collect();
    rows[0] = kept(&clips[0].0.owner, &clips[0].0.report, Kind::Marked, "2026-01-02T00:00:00Z", &marks, &still);
    for (s, _) in &clips[1..3] {
        rows.push(kept(&s.owner, &s.report, Kind::Again, "2026-01-12T00:00:00Z", &moved, &measured(&seen, &moved)));
    }
    let t = table(&clips, &rows, &Settings::default()).unwrap();
    assert!(t.mark_sd_by_repeats && (t.mark_sd_px - expected).abs() < 1e-6, "{} for {expected}", t.mark_sd_px);
    let slide = t.lines.iter().find(|l| l.metric == "trail_hip_travel_cm").unwrap();
    assert_eq!(slide.repeats.unwrap().n, 2);
    let program = main(&r).unwrap().faults[&FaultName::Sway].verdict;
    let changed: Vec<_> = t.changed.iter().filter(|c| c.fault == FaultName::Sway && c.clip == clips[0].0.report.clip.id).collect();
    assert_eq!(program, Verdict::Flagged, "a rendered sway");
    assert_eq!(t.verdicts, 16);
    assert!(changed.len() == 1 && changed[0].program == Verdict::Flagged && changed[0].by_hand != Verdict::Flagged, "{:?}", t.changed);
}

/// The same clips and number draw the same; nobody is drawn twice or drawn while something waits; students and verdicts come evenly; what
/// was marked a week ago is drawn once more, once.
#[test]
fn the_lot_is_even_repeatable_and_kept() {
    let r = judged(&seen("sway"));
    // forty clear clips of student-0, and five flagged ones of the others
    let clips: Vec<Stored> = (0..45)
        .map(|i| {
            let (mut s, _) = numbered(&r, i, |c| c.verdict = Some(if i < 40 { Verdict::Clear } else { Verdict::Flagged }));
            s.owner = if i < 40 { "student-0".into() } else { format!("student-{i}") };
            s
        })
        .collect();
    let at = |text: &str| text.parse::<jiff::Timestamp>().unwrap();
    let first = draw::draw(&clips, &[], 11, at("2026-01-01T00:00:00Z"));
    assert_eq!(first, draw::draw(&clips, &[], 11, at("2026-01-01T00:00:00Z")));
    assert!(first.iter().map(|m| &m.clip).ne(draw::draw(&clips, &[], 12, at("2026-01-01T00:00:00Z")).iter().map(|m| &m.clip)));
    assert_eq!((first.len(), draw::open(&first).len()), (10, 10));
    let rare = first.iter().filter(|m| m.owner != "student-0").count();
    assert_eq!(rare, 5, "each of the others is drawn among forty of one");
    let mut clips_drawn: Vec<_> = first.iter().map(|m| m.clip.clone()).collect();
    clips_drawn.sort();
    clips_drawn.dedup();
    assert_eq!(clips_drawn.len(), 10);
    assert!(first.iter().all(|m| m.marks.contains("\"seed\":11")));
    let mut rows = first.clone();
    assert!(draw::draw(&clips, &rows, 13, at("2026-01-02T00:00:00Z")).is_empty(), "what was drawn waits");
    let done = |m: &Marked, kind, when: &str| Marked { kind, made_at: when.into(), marks: "{}".into(), by_hand: "{}".into(), ..m.clone() };
    rows.extend(first.iter().map(|m| done(m, Kind::Marked, "2026-01-03T00:00:00Z")));
    assert_eq!(draw::open(&rows).len(), 0);
    let soon = draw::draw(&clips, &rows, 14, at("2026-01-09T00:00:00Z"));
    assert!(soon.iter().all(|m| m.kind == Kind::Drawn && !clips_drawn.contains(&m.clip)) && soon.len() == 10, "a week is not over");
    let later = draw::draw(&clips, &rows, 14, at("2026-01-10T00:00:01Z"));
    let again: Vec<_> = later.iter().filter(|m| m.kind == Kind::DrawnAgain).cloned().collect();
    assert!(again.len() == 3 && again.iter().all(|m| clips_drawn.contains(&m.clip)) && later.len() == 13);
    rows.extend(again.iter().cloned());
    assert_eq!(draw::kind_of(&rows, &again[0].owner, &again[0].clip), Kind::Again);
    assert_eq!(draw::kind_of(&rows, &first[0].owner, "another"), Kind::Marked);
    rows.extend(again.iter().map(|m| done(m, Kind::Again, "2026-01-11T00:00:00Z")));
    let third = draw::draw(&clips, &rows, 15, at("2026-02-10T00:00:00Z"));
    let thrice = third.iter().filter(|m| m.kind == Kind::DrawnAgain && again.iter().any(|a| a.clip == m.clip)).count();
    assert_eq!((third.iter().filter(|m| m.kind == Kind::DrawnAgain).count(), thrice), (3, 0));
    let none: Vec<Stored> = Vec::new();
    assert!(draw::draw(&none, &[], 1, at("2026-01-01T00:00:00Z")).is_empty());
}
