//! The pages of a clip and of a student: what they say of a number, a verdict and a trend, and the letters.

use crate::sheet::{DAY, between, index, tags};
use crate::support::{Builder, out_folder};
use dawnsheet::intake::names::slug;
use dawnsheet::report::types::{FaultName, ViewKind};
use dawnsheet::report::{ReasonCode, Report};

#[test]
fn a_change_against_the_last_clip_is_weighed_against_its_error() {
    let folder = tempfile::tempdir().unwrap();
    let (out, mut store) = out_folder(folder.path());
    Builder::new(1, "Ada", "2026-03-01").sway(0.95, 7.1).record(&mut store);
    Builder::new(2, "Ada", "2026-04-01").sway(0.6, 5.2).record(&mut store);
    Builder::new(3, "Bo", "2026-03-01").value("head_lateral_max_back_cm", 1.0, 1.0).record(&mut store);
    Builder::new(4, "Bo", "2026-04-01").value("head_lateral_max_back_cm", 9.0, 1.0).record(&mut store);
    // another club class is not compared
    Builder::new(5, "Cy", "2026-03-01")
        .value("head_lateral_max_back_cm", 1.0, 1.0)
        .change(|r| r.clip.club = Some("driver".into()))
        .record(&mut store);
    Builder::new(6, "Cy", "2026-04-01")
        .value("head_lateral_max_back_cm", 9.0, 1.0)
        .change(|r| r.clip.club = Some("7 iron".into()))
        .record(&mut store);
    let page = index(&out, &store, None);
    assert!(page.contains("Trail hip slide: 7.1 on 1 Mar 2026, now 5.2 cm: within the error."));
    let question = between(&page, "id=\"question\"", "</section>");
    assert!(question.contains("Head drift is worse than in the clip before, 9.0 after 1.0, beyond the error."), "{question}");
    assert!(question.contains(">Bo</a>") && !question.contains(">Cy</a>"), "{question}");
}

/// A student's page after six days a month apart on which the trail hip slid so far, centimetres.
fn page_after_six_days(hips: [f64; 6]) -> String {
    let folder = tempfile::tempdir().unwrap();
    let (out, mut store) = out_folder(folder.path());
    for (i, hip) in hips.into_iter().enumerate() {
        let day = format!("2026-0{}-10", i + 1);
        Builder::new(i as u64 + 1, "Ada", &day).value("trail_hip_travel_cm", hip, 1.5).record(&mut store);
    }
    index(&out, &store, None);
    std::fs::read_to_string(folder.path().join(format!("sheet/student/{}.html", slug(Some("Ada"))))).unwrap()
}

#[test]
fn the_student_page_tells_a_trend_from_noise() {
    let page = page_after_six_days([9.0, 8.0, 7.0, 5.5, 4.0, 3.0]);
    let first = between(&page, "<figure class=\"chart\">", "</figure>");
    assert!(first.contains("improving") && first.contains("6 days: 4.0 cm less than in the first days, in order and beyond"), "{first}");
    // how it was found stands behind a fold, and nowhere else
    let (plain, fold) = first.split_once("<details").unwrap();
    assert!(fold.contains("p 0.047") && fold.contains("Theil–Sen"), "{fold}");
    for method in ["p 0.047", "Theil", "Hampel"] {
        assert!(!plain.contains(method) && !page.replace(fold, "").split("<details").next().unwrap().contains(method), "{method}");
    }
    assert!(page.contains("Improving: trail hip slide."));
    assert!(between(&page, "<textarea", "</textarea>").contains("Your trail hip slide is getting better: 8.0 cm then, 4.0 cm now."));
    assert!(between(&page, "<textarea", "</textarea>").contains("doctor or a physiotherapist"));
    // the others did not move
    assert_eq!(page.matches("</svg>steady</span>").count(), 4, "pelvis, elbow, head, tempo");
}

#[test]
fn a_fall_that_is_not_sure_yet_is_not_called_steady() {
    let page = page_after_six_days([9.0, 11.0, 8.0, 5.0, 3.0, 4.0]);
    assert!(page.contains("6 clips. Not sure yet: trail hip slide."), "{}", words_of(&page));
    let chart = words_of(between(&page, "<figure class=\"chart\">", "<details"));
    assert!(chart.contains("not sure yet") && chart.contains("not so clearly in order that chance is ruled out"), "{chart}");
    assert!(!chart.contains("steady"), "{chart}");
}

/// Every text of a page that stands outside a tag, blanks as one.
fn words_of(page: &str) -> String {
    let bare: String = page.split('<').map(|p| p.split_once('>').map_or(p, |(_, text)| text)).collect::<Vec<_>>().join(" ");
    bare.split_whitespace().collect::<Vec<_>>().join(" ")
}

#[test]
fn clips_of_nobody_in_particular_are_never_told_as_one_golfer() {
    let folder = tempfile::tempdir().unwrap();
    let (out, mut store) = out_folder(folder.path());
    for (i, hip) in [9.0, 8.0, 7.0, 5.5, 4.0, 3.0].into_iter().enumerate() {
        let built = Builder::new(i as u64 + 1, "Ada", &format!("2026-0{}-10", i + 1)).sway(0.95, hip);
        let of_nobody = built.change(|r| {
            r.clip.student = None;
            r.reasons.push(ReasonCode::StatureAssumed.reason());
        });
        of_nobody.record(&mut store);
    }
    let other_view = |r: &mut Report| (r.clip.student, r.view.as_mut().unwrap().kind) = (None, ViewKind::DownTheLine);
    Builder::new(7, "Ada", "2026-06-10").change(other_view).record(&mut store);
    let sheet = index(&out, &store, None);
    let page = std::fs::read_to_string(folder.path().join("sheet/student/unassigned.html")).unwrap();
    let said = words_of(&page);
    assert!(said.contains("They may be of several golfers: nothing is compared"), "{said}");
    for of_one_golfer in ["improving", "Too early to tell", "A draft to", "From both sides", "class=\"chart\"", "<textarea"] {
        assert!(!page.contains(of_one_golfer), "{of_one_golfer}");
    }
    for of_one_golfer in ["nothing to compare with yet", "No stature is known", "note to the student", "within the error"] {
        assert!(!sheet.contains(of_one_golfer), "{of_one_golfer}");
    }
    assert!(sheet.contains(">Clips without a student</a>"));
}

#[test]
fn a_clip_that_found_its_student_asks_once() {
    let folder = tempfile::tempdir().unwrap();
    let (out, mut store) = out_folder(folder.path());
    Builder::new(1, "Ada", DAY).sway(0.95, 7.1).change(|r| r.clip.student = None).record(&mut store);
    let asks = |page: &str| page.matches("<article").count();
    assert_eq!(asks(&index(&out, &store, None)), 1);
    Builder::new(1, "Ada", DAY).sway(0.95, 7.1).record(&mut store);
    let page = index(&out, &store, None);
    assert_eq!(asks(&page), 1, "{}", words_of(&page));
    assert!(page.contains(">Ada</a>"));
}

#[test]
fn words_of_doubt_never_contradict_the_verdict() {
    use dawnsheet::report::types::Verdict;
    for (verdict, p) in [
        (Verdict::Flagged, 0.5),
        (Verdict::Flagged, 0.8),
        (Verdict::Flagged, 0.974),
        (Verdict::Flagged, 0.975),
        (Verdict::Flagged, 1.0),
        (Verdict::Borderline, 0.01),
        (Verdict::Borderline, 0.5),
        (Verdict::Borderline, 0.99),
        (Verdict::Clear, 0.5),
        (Verdict::Clear, 0.35),
        (Verdict::Clear, 0.026),
        (Verdict::Clear, 0.025),
        (Verdict::Clear, 0.0),
        (Verdict::CannotMeasure, f64::NAN),
    ] {
        for (fault, name) in [(FaultName::Sway, "Sway"), (FaultName::ChickenWing, "Chicken wing"), (FaultName::HeadDrift, "Head drift")] {
            let folder = tempfile::tempdir().unwrap();
            let (out, mut store) = out_folder(folder.path());
            let built = Builder::new(1, "Ada", DAY).change(|r| {
                let f = r.swings[0].faults.get_mut(&fault).unwrap();
                (f.verdict, f.probability) = (verdict, Some(p).filter(|p| p.is_finite()));
                let text = format!("{} {}: {}", fault.words(), f.in_words(), f.text);
                r.verdict = Some(verdict);
                if verdict <= Verdict::Borderline {
                    (r.needs_look, r.needs_look_because) = (true, vec![text]);
                }
            });
            let (owner, id) = built.record(&mut store);
            let night = index(&out, &store, None);
            let read = |below: &str| std::fs::read_to_string(folder.path().join("sheet").join(below)).unwrap();
            let (clip, student) = (read(&format!("clip/{id}.html")), read(&format!("student/{owner}.html")));
            let at = format!("{name} {verdict:?} {p}");
            let certain = match verdict {
                Verdict::Flagged if p >= 0.975 => "flagged, sure",
                Verdict::Flagged => "flagged, likely",
                Verdict::Borderline => "borderline, cannot tell",
                Verdict::Clear if p <= 0.025 => "clear, sure",
                Verdict::Clear => "clear, likely",
                Verdict::CannotMeasure => "not measured",
            };
            // the chip of the fault says it, on the sheet where the clip stands in full, and on its page
            let chip = format!("<b>{name}</b> {certain}<");
            assert!(clip.contains(&chip), "{at}: {clip}");
            assert_eq!(night.contains(&chip), verdict <= Verdict::Borderline, "{at}: {night}");
            // nothing else says otherwise: what the other words would be stands nowhere about this fault
            for other in ["flagged, sure", "flagged, likely", "borderline, cannot tell", "clear, sure", "clear, likely"] {
                for page in [&clip, &night] {
                    assert!(other == certain || !page.contains(&format!("{name} {other}")), "{at}: {other}");
                    assert!(other == certain || !page.contains(&format!("<b>{name}</b> {other}")), "{at}: {other}");
                }
            }
            let legend = |page: &str| words_of(&page.replace(between(page, "<details class=\"key\">", "</details>"), ""));
            let told = legend(&night);
            assert_eq!(told.contains("cannot tell"), verdict == Verdict::Borderline, "{at}: {told}");
            assert_eq!(told.contains("your eye decides"), verdict == Verdict::Borderline, "{at}: {told}");
            assert!(!told.contains("Too close to call") && !told.contains("lies across the limit"), "{at}");
            // the letter goes by the same rule
            let letter = between(&student, "<textarea", "</textarea>");
            let found = [
                ("What I see:", "flagged, sure"),
                ("What I see, most likely:", "flagged, likely"),
                ("What I cannot tell", "borderline, cannot tell"),
            ];
            for (beginning, of) in found {
                assert_eq!(letter.contains(beginning), certain == of, "{at}: {letter}");
            }
            assert_eq!(letter.contains("most likely in order"), certain == "clear, likely", "{at}: {letter}");
            assert_eq!(letter.contains("does not show"), verdict == Verdict::CannotMeasure, "{at}: {letter}");
        }
    }
}

#[test]
fn a_hip_that_goes_the_other_way_is_told_in_words_and_never_as_a_bare_zero() {
    use dawnsheet::report::types::{From, Measured, Metric};
    let folder = tempfile::tempdir().unwrap();
    let (out, mut store) = out_folder(folder.path());
    let value = |value: f64, low: f64, high: f64, unit: &str| {
        Metric::Value(Measured {
            value,
            unit: unit.into(),
            low,
            high,
            frames: vec![40],
            from: From::KeyPoint,
            built_in: None,
            by_hand: None,
        })
    };
    let (_, id) = Builder::new(1, "Ada", DAY)
        .change(|r| {
            let m = &mut r.swings[0].metrics;
            m.insert("trail_hip_travel_cm".into(), value(0.0, 0.0, 1.8, "cm"));
            m.insert("trail_hip_move_at_furthest_cm".into(), value(-1.2, -3.0, 0.6, "cm"));
            m.insert("trail_hip_travel_pct_stance".into(), value(0.0, 0.0, 3.0, "%"));
            m.insert("pelvis_travel_cm".into(), value(0.0, 0.0, 2.0, "cm"));
        })
        .record(&mut store);
    std::fs::create_dir_all(out.pictures(&id)).unwrap();
    std::fs::write(out.pictures(&id).join("hip_furthest.jpg"), b"not looked into").unwrap();
    let night = index(&out, &store, None);
    let clip = std::fs::read_to_string(folder.path().join(format!("sheet/clip/{id}.html"))).unwrap();
    assert!(night.contains("hip 1.2 cm toward the target"), "{night}");
    assert!(clip.contains("<b>1.2 cm toward the target</b>") && clip.contains("3.0 toward to 0.6 away"), "{clip}");
    assert!(clip.contains("trail hip toward the target by 1.2 cm (−0.6 to 3.0)"), "{clip}");
    for page in [&night, &clip] {
        assert!(!page.contains(">0.0 cm<") && !page.contains("hip 0.0") && !page.contains("by 0.0"), "a bare zero");
    }
}

#[test]
fn the_elbow_is_told_in_centimetres_and_in_arm_lengths_in_the_table_alone() {
    use dawnsheet::report::types::{Fault, Step, Verdict};
    let folder = tempfile::tempdir().unwrap();
    let (out, mut store) = out_folder(folder.path());
    let winged = |seed: u64, bow: f64, stature: Option<f64>, day: &str| {
        Builder::new(seed, &format!("Ada {seed}"), day).value("lead_elbow_bow_late_upper_arms", bow, 0.1).change(|r| {
            let text = format!("lead elbow outward of the line shoulder to grip by {bow:.2} upper arms (x; limit 0.06)");
            let swing = &mut r.swings[0];
            swing.faults.insert(
                FaultName::ChickenWing,
                Fault {
                    verdict: Verdict::Flagged,
                    probability: Some(0.99),
                    drivers: vec!["lead_elbow_bow_late_upper_arms".into()],
                    text: text.clone(),
                    why: None,
                    by_program: None,
                },
            );
            r.provenance.extend(stature.map(|s| Step { step: "scale".into(), parameters: serde_json::json!({ "stature_cm": s }) }));
            (r.verdict, r.needs_look) = (Some(Verdict::Flagged), true);
            r.needs_look_because = vec![format!("chicken wing flagged, sure: {text}")];
        })
    };
    // an upper arm is .162 of the stature: 25.9 cm, 30.0 cm, and 28.4 where nobody is said to be taller or smaller than 175 cm
    for (seed, stature, told) in
        [(1, Some(160.0), "6.5 cm out of line"), (2, Some(185.0), "7.5 cm out of line"), (3, None, "7.1 cm out of line")]
    {
        let (owner, id) = winged(seed, 0.25, stature, "2026-04-12").record(&mut store);
        std::fs::create_dir_all(out.pictures(&id)).unwrap();
        std::fs::write(out.pictures(&id).join("late_follow_through.jpg"), b"not looked into").unwrap();
        let night = index(&out, &store, None);
        let article = between(&night, &format!("id=\"c-{id}\""), "</article>");
        assert!(article.contains(&format!("<b>{told}</b>")), "{told}: {article}");
        assert!(article.contains(&format!("Lead elbow {told} after impact.")), "{article}");
        let clip = std::fs::read_to_string(folder.path().join(format!("sheet/clip/{id}.html"))).unwrap();
        assert!(clip.contains(&format!("elbow out of line by {}", told.replace(" out of line", ""))), "{clip}");
        let table = between(&clip, "<table", "</table>");
        assert!(table.contains("0.25 upper arms") && !clip.replace(table, "").contains("upper arm"), "the table alone has the old number");
        let student = std::fs::read_to_string(folder.path().join(format!("sheet/student/{owner}.html"))).unwrap();
        assert!(!night.contains("upper arm") && !student.contains("upper arm"), "{student}");
        assert!(between(&student, "<textarea", "</textarea>").contains(&format!("about {} cm out of line", [6, 7, 7][seed as usize - 1])));
    }
}

#[test]
fn no_label_of_a_limit_lies_where_a_clip_can_cover_it() {
    let folder = tempfile::tempdir().unwrap();
    let (out, mut store) = out_folder(folder.path());
    // clips on, just over and just under the limit, the newest at the right end
    for (i, hip) in [5.0, 5.2, 4.8, 5.4, 5.1, 5.3, 5.05].into_iter().enumerate() {
        Builder::new(i as u64 + 1, "Ada", &format!("2026-0{}-10", i + 1)).value("trail_hip_travel_cm", hip, 0.3).record(&mut store);
    }
    index(&out, &store, None);
    let page = std::fs::read_to_string(folder.path().join(format!("sheet/student/{}.html", slug(Some("Ada"))))).unwrap();
    let number = |tag: &str, name: &str| between(tag, &format!(" {name}=\""), "\"").parse::<f64>().unwrap();
    let mut labels = 0;
    for chart in page.split("<svg viewBox=\"0 0 340").skip(1).map(|c| c.split("</svg>").next().unwrap()) {
        let Some(label) = tags(chart, "text").into_iter().find(|t| t.contains("limit-label")) else { continue };
        labels += 1;
        // 10.5 units high, at most 60 wide
        let wide = if label.contains("text-anchor=\"end\"") { -60.0..=0.0 } else { 0.0..=60.0 };
        let drop = if label.contains(" dy=") { number(label, "dy") } else { 0.0 };
        let (x, y) = (number(label, "x"), number(label, "y") + drop);
        for dot in tags(chart, "circle") {
            let (cx, cy, r) = (number(dot, "cx"), number(dot, "cy"), number(dot, "r") + 1.0);
            let apart = cx + r < x + wide.start() || cx - r > x + wide.end() || cy + r < y - 10.5 || cy - r > y;
            assert!(apart, "{label} under {dot}");
        }
    }
    assert!(labels >= 2, "hip and others have a limit");
}

#[test]
fn a_page_s_legend_has_the_marks_of_its_own_pictures() {
    use dawnsheet::report::types::Shown;
    let folder = tempfile::tempdir().unwrap();
    let (out, mut store) = out_folder(folder.path());
    let shown = |sure: bool, places: &[&str], edges: &[&str]| Shown {
        frame: 60,
        sure,
        places: places.iter().enumerate().map(|(i, n)| (n.to_string(), [100.0 * i as f64, 300.0])).collect(),
        edges: edges.iter().map(|n| (n.to_string(), 200.0)).collect(),
    };
    let ids = [("Ada", "hip_furthest"), ("Bo", "late_follow_through"), ("Cy", "")].map(|(who, picture)| {
        let builder = Builder::new(u64::from(who.as_bytes()[0]), who, DAY).sway(0.9, 7.0).change(|r| {
            let all = &mut r.swings[0].shown;
            all.insert("hip_furthest".into(), shown(true, &["trail_hip"], &["foot_edge", "hip_edge", "hip_edge_home"]));
            all.insert("late_follow_through".into(), shown(false, &["lead_shoulder", "lead_elbow", "lead_wrist", "grip"], &[]));
        });
        let (_, id) = builder.record(&mut store);
        if !picture.is_empty() {
            std::fs::create_dir_all(out.pictures(&id)).unwrap();
            std::fs::write(out.pictures(&id).join(format!("{picture}.jpg")), b"not looked into").unwrap();
        }
        id
    });
    let night = index(&out, &store, None);
    let legend = |page: &str| between(page, "<details class=\"key\">", "</details>").to_string();
    let clip = |id: &str| std::fs::read_to_string(folder.path().join(format!("sheet/clip/{id}.html"))).unwrap();
    let hip = "the outside of the trail foot";
    let (ada, bo) = (legend(&clip(&ids[0])), legend(&clip(&ids[1])));
    assert!(ada.contains(hip) && ada.contains("outer edge at address") && !ada.contains("lead arm"), "{ada}");
    assert!(bo.contains("the lead arm") && bo.contains("Amber dashes") && !bo.contains(hip) && !bo.contains("head"), "{bo}");
    assert!(!clip(&ids[2]).contains("class=\"key\""), "no picture, no legend");
    let both = legend(&night);
    assert!(both.contains(hip) && both.contains("the lead arm") && !both.contains("the ball") && !both.contains("head"), "{both}");
}

#[test]
fn a_clip_s_page_says_which_head_limit_held_and_where_its_stature_is_from() {
    use dawnsheet::report::types::{ClubKind, ClubSource, Scale, ScaleSource, Step};
    let folder = tempfile::tempdir().unwrap();
    let (out, mut store) = out_folder(folder.path());
    let mut page = |seed: u64, club: Option<(&str, ClubKind)>, source: ScaleSource, stature: f64| {
        let builder = Builder::new(seed, &format!("Ada {seed}"), DAY).sway(0.9, 7.0).change(|r| {
            r.clip.club = club.map(|c| c.0.into());
            (r.clip.club_kind, r.clip.club_source) = (club.map(|c| c.1), club.map(|_| ClubSource::FileName));
            r.swings[0].scale = Some(Scale { cm_per_px: 0.5, source, relative_uncertainty: 0.07, stance_width_px: 80.0 });
            r.provenance.push(Step { step: "scale".into(), parameters: serde_json::json!({ "stature_cm": stature }) });
            r.reasons.push(ReasonCode::StatureAssumed.reason());
        });
        let (_, id) = builder.record(&mut store);
        let night = index(&out, &store, None);
        (std::fs::read_to_string(folder.path().join(format!("sheet/clip/{id}.html"))).unwrap(), night)
    };
    let (driver, _) = page(1, Some(("driver", ClubKind::Driver)), ScaleSource::RosterStature, 181.0);
    assert!(driver.contains("limit 10.0") && driver.contains("limit for long clubs (driver), 1.25 times the usual"), "{driver}");
    assert!(driver.contains("a stature of 181 cm, as given"), "{driver}");
    let (iron, _) = page(2, Some(("7 iron", ClubKind::Iron)), ScaleSource::AssumedStature, 175.0);
    assert!(iron.contains("limit 8.0") && iron.contains("the usual limit (7 iron);"), "{iron}");
    assert!(iron.contains("an assumed stature of 175 cm") && iron.contains("about 7 %") && iron.contains("184 cm"), "{iron}");
    let (told, steps) = iron.split_once("id=\"origin-h\"").unwrap();
    assert_eq!(told.matches("stature of").count(), 1, "{told}");
    assert!(!told.contains("the stature is assumed") && steps.contains("assumed stature"), "told once above the steps");
    let (unnamed, night) = page(3, None, ScaleSource::AssumedStature, 175.0);
    assert!(unnamed.contains("the usual limit, as no club is named;"), "{unnamed}");
    for words in ["clip with a driver, wood or hybrid:", "clip with an iron or wedge:", "clip without a club named:"] {
        assert!(night.contains(&format!("first face-on {words} nothing to compare with yet")), "{words}");
    }
}

#[test]
fn a_message_to_film_again_is_ready_to_copy() {
    let folder = tempfile::tempdir().unwrap();
    let (out, mut store) = out_folder(folder.path());
    Builder::new(1, "Ada", "2026-04-12").unmeasured(ReasonCode::FeetUnseen.reason(), ViewKind::FaceOn).record(&mut store);
    Builder::new(2, "Bo", "2026-04-12")
        .failed(ReasonCode::NoSwing)
        .change(|r| r.reasons.push(ReasonCode::DarkOrBlurred.because("the lead arm after impact")))
        .record(&mut store);
    let page = index(&out, &store, None);
    assert!(page.contains(
        "Hello Ada, thank you for the clip of 12 Apr 2026. I cannot measure everything in it: the feet cannot be seen. Could you film it once more? Tilt the phone down or step back until both feet are in the picture. Clear the area first, and nobody in line."
    ));
    assert!(page.contains("Sway, chicken wing and head drift cannot be measured: the feet cannot be seen."));
    let bo = between(&page, "Hello Bo,", "</p>");
    assert!(
        bo.contains("no full swing was found; the hands or arms are too dark or too blurred to follow. Could"),
        "details are for the coach: {bo}"
    );
    assert!(bo.contains("Start filming before the address") && bo.contains("Film in daylight"), "{bo}");
}
