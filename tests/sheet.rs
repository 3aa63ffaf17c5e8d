//! The morning sheet from a synthetic store: order, escaping, accounting, links, letters.

mod support;

use dawnsheet::batch::summary::{Line, Place, Summary};
use dawnsheet::history::Store;
use dawnsheet::intake::names::slug;
use dawnsheet::place::{self, OutFolder};
use dawnsheet::report::ReasonCode;
use dawnsheet::report::types::{FaultName, Finding, Root, ViewKind};
use dawnsheet::sheet;
use std::path::{Path, PathBuf};
use support::{Builder, out_folder};

const DAY: &str = "2026-04-12T10:00:00Z";

fn index(out: &OutFolder, store: &Store, night: Option<&Summary>) -> String {
    std::fs::read_to_string(sheet::write(out, store, night, None).unwrap()).unwrap()
}

fn pages(root: &Path) -> Vec<PathBuf> {
    let all = walkdir::WalkDir::new(root.join("sheet")).into_iter().map(|e| e.unwrap().into_path());
    all.filter(|p| p.extension().is_some_and(|e| e == "html")).collect()
}

fn line(builder: &Builder, place: Place, file: &str) -> Line {
    let clip = &builder.report.clip;
    Line {
        file: file.into(),
        student: clip.student.clone(),
        owner: slug(clip.student.as_deref()),
        place,
        clip: Some(clip.id.clone()),
        new: true,
        note: String::new(),
    }
}

/// Text between two marks after `from`.
fn between<'a>(text: &'a str, from: &str, to: &str) -> &'a str {
    let start = text.find(from).unwrap_or_else(|| panic!("{from} is missing")) + from.len();
    &text[start..start + text[start..].find(to).unwrap()]
}

#[test]
fn clips_stand_in_order_of_need() {
    let folder = tempfile::tempdir().unwrap();
    let (out, mut store) = out_folder(folder.path());
    Builder::new(1, "Clear Cleo", DAY).record(&mut store);
    Builder::new(2, "Border Bo", DAY).sway(0.5, 5.1).record(&mut store);
    Builder::new(3, "Mild Mia", DAY).sway(0.85, 6.0).record(&mut store);
    Builder::new(4, "Worst Wim", DAY).sway(0.99, 9.0).record(&mut store);
    Builder::new(5, "Line Lou", DAY)
        .unmeasured(ReasonCode::NotFaceOn.because("filmed down the line"), ViewKind::DownTheLine)
        .record(&mut store);
    Builder::new(6, "Feet Fay", DAY).unmeasured(ReasonCode::FeetUnseen.reason(), ViewKind::FaceOn).record(&mut store);
    Builder::new(7, "Broken Bea", DAY).failed(ReasonCode::WorkerFailed).record(&mut store);
    Builder::new(8, "Doubt Dan", DAY)
        .change(|r| {
            r.needs_look = true;
            r.needs_look_because = vec!["the same clip came from two students".into()];
        })
        .record(&mut store);
    let page = index(&out, &store, None);
    let main = between(&page, "<main", "</main>");
    let places: Vec<usize> = ["Worst Wim", "Mild Mia", "Border Bo", "Feet Fay", "Doubt Dan", "Clear Cleo", "Line Lou", "Broken Bea"]
        .iter()
        .map(|name| main.find(&format!(">{name}</")).unwrap_or_else(|| panic!("{name} is not on the sheet")))
        .collect();
    assert!(places.is_sorted(), "{places:?}");
    assert!(page.contains("5 clips need your eye."), "flagged, borderline, film again and the question");
    // a down-the-line clip is no fault and is not asked for again
    assert!(!between(main, "id=\"view\"", "</section>").contains("film it once more"));
    // the range bar says its numbers as text
    assert!(main.contains("<b>9.0 cm</b>") && main.contains("7.0 to 11.0, limit 5.0"));
}

#[test]
fn hostile_names_stay_text_on_every_page() {
    let folder = tempfile::tempdir().unwrap();
    let (out, mut store) = out_folder(folder.path());
    let evil = "<script>alert(1)</script>\n\"' onload=x <img src=//e>";
    for (i, builder) in [
        Builder::new(1, evil, DAY).sway(0.9, 7.0),
        Builder::new(2, evil, "2026-04-14").failed(ReasonCode::NoPerson),
        Builder::new(3, evil, "2026-04-15"),
        Builder::new(4, evil, evil).failed(ReasonCode::WorkerFailed),
    ]
    .into_iter()
    .enumerate()
    {
        let evil = format!("{evil}{i}");
        builder
            .note(&evil)
            .change(|r| {
                r.clip.file = format!("{evil}.mp4");
                r.clip.club = Some(evil.clone());
                r.needs_look = true;
                r.needs_look_because.push(evil.clone());
                for reason in &mut r.reasons {
                    reason.text = evil.clone();
                    reason.advice = evil.clone();
                }
                if let Some(swing) = r.swings.first_mut() {
                    swing.roots = vec![Root {
                        fault: FaultName::Sway,
                        finding: Finding::SetupTooLevel,
                        metrics: Vec::new(),
                        text: evil.clone(),
                        practice: evil.clone(),
                    }];
                }
            })
            .record(&mut store);
    }
    let night = Summary {
        lines: vec![Line {
            file: evil.into(),
            student: Some(evil.into()),
            owner: slug(Some(evil)),
            place: Place::Waiting,
            clip: None,
            new: true,
            note: evil.into(),
        }],
        unreadable_folders: vec![evil.into()],
        stopped: Some(evil.into()),
        ..Summary::default()
    };
    index(&out, &store, Some(&night));
    let all = pages(folder.path());
    assert_eq!(all.len(), 1 + 4 + 1, "{all:?}");
    for path in all {
        let text = std::fs::read_to_string(&path).unwrap();
        assert_eq!(text.matches("<script").count(), 1, "{}: only the sheet's own script", path.display());
        assert!(!text.contains("<img src=//e>"), "{}", path.display());
        assert!(text.contains("&#60;script&#62;") || text.contains("&lt;script&gt;"), "{}: the name is there as text", path.display());
        assert!(!text.contains("\"' onload=x"), "{}: a raw quote would close an attribute early", path.display());
    }
}

#[test]
fn every_upload_of_the_night_is_accounted_for() {
    let folder = tempfile::tempdir().unwrap();
    let (out, mut store) = out_folder(folder.path());
    let flagged = Builder::new(1, "Ada", DAY).sway(0.9, 7.0);
    let clear = Builder::new(2, "Bo", DAY);
    let again = Builder::new(3, "Cy", DAY).failed(ReasonCode::NoSwing);
    // refused before the store knew of it: only its report is on disk
    let refused = Builder::new(4, "Di", DAY).failed(ReasonCode::NotAVideo);
    let mut lines = vec![
        line(&flagged, Place::Flagged, "Ada/a.mp4"),
        line(&clear, Place::Clear, "Bo/b.mp4"),
        line(&clear, Place::Repeat, "Bo/b copy.mp4"),
        line(&again, Place::Failed, "Cy/c.mp4"),
        line(&refused, Place::Failed, "Di/notes.mp4"),
        line(&Builder::new(5, "Ed", DAY), Place::Quarantined, "Ed/e.mp4"),
    ];
    lines.push(Line {
        file: "Flo/f.mp4".into(),
        student: Some("Flo".into()),
        owner: slug(Some("Flo")),
        place: Place::Waiting,
        clip: None,
        new: true,
        note: "still uploading".into(),
    });
    let report = refused.report.to_json();
    place::write(&out.report(&slug(Some("Di")), &refused.report.clip.id).unwrap(), report.as_bytes()).unwrap();
    for b in [flagged, clear, again] {
        b.record(&mut store);
    }
    let files: Vec<String> = lines.iter().map(|l| l.file.clone()).collect();
    let night = Summary { lines, other_files: 2, ..Summary::default() };
    let page = index(&out, &store, Some(&night));
    assert!(page.contains("All 7 uploads in the inbox"));
    let names = between(&page, "Every upload by name", "</details>");
    for file in &files {
        assert!(names.contains(file.as_str()), "{file} is not accounted for");
    }
    let tally = between(&page, "<ul class=\"tally\">", "</ul>");
    let counts: Vec<usize> = tally.split("<b>").skip(1).map(|t| t.split('<').next().unwrap().parse().unwrap()).collect();
    assert_eq!(counts.iter().sum::<usize>(), 7, "{tally}");
    assert_eq!(counts, [1, 2, 1, 1, 1, 1], "flagged, film again twice, clear, repeat, waiting, quarantined: {tally}");
    let main = between(&page, "<main", "</main>");
    for words in ["Ed/e.mp4", "Flo/f.mp4", "still uploading", "Bo/b copy.mp4"] {
        assert!(main.contains(words), "{words} is not in the sheet's body");
    }
    assert!(page.contains("2 other files in the inbox left alone"));
}

#[test]
fn links_lead_to_files_and_the_same_bytes_have_a_page_for_each_student() {
    let folder = tempfile::tempdir().unwrap();
    let (out, mut store) = out_folder(folder.path());
    let (one, id) = Builder::new(1, "Ada", DAY).sway(0.9, 7.0).record(&mut store);
    let (two, _) = Builder::new(1, "Bo", DAY).sway(0.9, 7.0).record(&mut store);
    Builder::new(2, "Ada", "2026-05-01").record(&mut store);
    let pictures = out.pictures(&id);
    std::fs::create_dir_all(&pictures).unwrap();
    for event in ["address", "hip_furthest", "top", "impact", "half_follow_through", "late_follow_through"] {
        std::fs::write(pictures.join(format!("{event}.jpg")), b"not looked into").unwrap();
    }
    index(&out, &store, None);
    let first = one.as_str().min(two.as_str());
    let second = one.as_str().max(two.as_str());
    assert!(folder.path().join(format!("sheet/clip/{id}.html")).is_file(), "{first}");
    assert!(folder.path().join(format!("sheet/clip/{id}-{second}.html")).is_file());
    let mut followed = 0;
    for page in pages(folder.path()) {
        let text = std::fs::read_to_string(&page).unwrap();
        let ids: Vec<&str> = text.split(" id=\"").skip(1).map(|t| t.split('"').next().unwrap()).collect();
        for attribute in ["href=\"", "src=\""] {
            for target in text.split(attribute).skip(1).map(|t| t.split('"').next().unwrap()) {
                let (file, anchor) = target.split_once('#').unwrap_or((target, ""));
                if file.starts_with("data:") {
                    continue;
                }
                assert!(!file.contains("//"), "{target} leaves the folder");
                if file.is_empty() {
                    assert!(ids.contains(&anchor), "{}: nothing is called {anchor}", page.display());
                } else {
                    assert!(page.parent().unwrap().join(file).is_file(), "{}: {target} leads nowhere", page.display());
                }
                followed += 1;
            }
        }
    }
    assert!(followed > 60, "{followed}");
    // four pictures on the sheet, the one to look at first; all on the clip's page
    let sheet = std::fs::read_to_string(folder.path().join("sheet/index.html")).unwrap();
    assert_eq!(between(&sheet, "<div class=\"shots", "</div>").matches("<img").count(), 4);
    assert!(between(&sheet, "<div class=\"shots", "</figure>").contains("/hip_furthest.jpg"));
    let clip = std::fs::read_to_string(folder.path().join(format!("sheet/clip/{id}.html"))).unwrap();
    assert_eq!(clip.matches("<img").count(), 6);
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
    assert!(page.contains("Trail hip slide: last time 7.1 (1 Mar 2026), now 5.2 cm: within the error."));
    let question = between(&page, "id=\"question\"", "</section>");
    assert!(question.contains("Head drift is worse than last time, 9.0 after 1.0, beyond the error."), "{question}");
    assert!(question.contains(">Bo</a>") && !question.contains(">Cy</a>"), "{question}");
}

#[test]
fn pages_of_an_erased_student_go_and_unchanged_ones_stay() {
    let folder = tempfile::tempdir().unwrap();
    let (out, mut store) = out_folder(folder.path());
    Builder::new(1, "Ada", DAY).record(&mut store);
    index(&out, &store, None);
    let stray = folder.path().join("sheet/student/gone-123456.html");
    std::fs::write(&stray, b"old").unwrap();
    let student = folder.path().join(format!("sheet/student/{}.html", slug(Some("Ada"))));
    let before = std::fs::metadata(&student).unwrap().modified().unwrap();
    index(&out, &store, None);
    assert!(!stray.exists());
    assert_eq!(std::fs::metadata(&student).unwrap().modified().unwrap(), before, "an unchanged page is not written again");
}

#[test]
fn the_student_page_tells_a_trend_from_noise() {
    let folder = tempfile::tempdir().unwrap();
    let (out, mut store) = out_folder(folder.path());
    for (i, hip) in [9.0, 8.0, 7.0, 5.5, 4.0, 3.0].into_iter().enumerate() {
        let day = format!("2026-0{}-10", i + 1);
        Builder::new(i as u64 + 1, "Ada", &day).value("trail_hip_travel_cm", hip, 1.5).record(&mut store);
    }
    index(&out, &store, None);
    let page = std::fs::read_to_string(folder.path().join(format!("sheet/student/{}.html", slug(Some("Ada"))))).unwrap();
    let first = between(&page, "<figure class=\"chart\">", "</figure>");
    assert!(first.contains("improving") && first.contains("in order (p 0.047, 6 days)"), "{first}");
    assert!(page.contains("Improving: trail hip slide."));
    assert!(between(&page, "<textarea", "</textarea>").contains("Your trail hip slide is getting better: 8.0 then, 4.0 now."));
    assert!(between(&page, "<textarea", "</textarea>").contains("doctor or a physiotherapist"));
    // the others did not move
    assert_eq!(page.matches("</svg>steady</span>").count(), 4, "pelvis, elbow, head, tempo");
}

#[test]
fn earlier_clips_are_listed_below_and_since_brings_them_back() {
    let folder = tempfile::tempdir().unwrap();
    let (out, mut store) = out_folder(folder.path());
    let (_, old) = Builder::new(1, "Ada", "2026-03-01").sway(0.95, 7.1).record(&mut store);
    Builder::new(2, "Bo", "2026-04-01").record(&mut store);
    // as if judged days ago
    let db = rusqlite::Connection::open(folder.path().join("dawnsheet.sqlite")).unwrap();
    db.execute("UPDATE result SET judged_at = '2026-01-01T00:00:00Z' WHERE clip = ?1", [&old]).unwrap();
    let page = index(&out, &store, None);
    assert!(page.contains("Nothing needs your eye."));
    assert!(between(&page, "id=\"earlier\"", "</section>").contains(&old));
    let page = sheet::write(&out, &store, None, Some("2026-02-01")).unwrap();
    let page = std::fs::read_to_string(page).unwrap();
    assert!(page.contains("One clip needs your eye.") && !page.contains("id=\"earlier\""));
}

/// A page's tags of one name with their attributes.
fn tags<'a>(text: &'a str, name: &str) -> Vec<&'a str> {
    let open = format!("<{name}");
    let starts = text.match_indices(&open).filter(|(i, _)| text[i + open.len()..].starts_with([' ', '>', '\n']));
    starts.map(|(i, _)| &text[i..i + text[i..].find('>').unwrap()]).collect()
}

#[test]
fn pages_can_be_read_without_eyes_or_mouse() {
    let folder = tempfile::tempdir().unwrap();
    let (out, mut store) = out_folder(folder.path());
    let (_, id) = Builder::new(1, "Ada", DAY).sway(0.9, 7.0).note("sore knee").record(&mut store);
    Builder::new(2, "Bo", DAY).failed(ReasonCode::NoSwing).record(&mut store);
    Builder::new(3, "Cy", DAY).record(&mut store);
    std::fs::create_dir_all(out.pictures(&id)).unwrap();
    std::fs::write(out.pictures(&id).join("top.jpg"), b"not looked into").unwrap();
    index(&out, &store, None);
    let all = pages(folder.path());
    assert_eq!(all.len(), 1 + 3 + 3);
    for path in all {
        let text = std::fs::read_to_string(&path).unwrap();
        let at = path.display();
        assert!(text.contains("<html lang=\"en\">"), "{at}");
        for (name, times) in [("h1", 1), ("main", 1), ("footer", 1), ("title", 1)] {
            // the charts carry titles of their own
            let found =
                if name == "title" { text.matches("<title>").count() - text.matches("<g class").count() } else { tags(&text, name).len() };
            assert_eq!(found, times, "{at}: {name}");
        }
        let levels: Vec<u32> = text
            .match_indices("<h")
            .filter_map(|(i, _)| text[i + 2..].chars().next()?.to_digit(10).filter(|_| text[i + 3..].starts_with([' ', '>'])))
            .collect();
        assert!(levels[0] == 1 && levels.windows(2).all(|w| w[1] <= w[0] + 1), "{at}: headings {levels:?}");
        assert!(tags(&text, "img").iter().all(|t| t.contains("alt=\"") && !t.contains("alt=\"\"")), "{at}");
        for svg in tags(&text, "svg") {
            assert!(svg.contains("aria-hidden=\"true\"") || svg.contains("role=\"img\" aria-label=\""), "{at}: {svg}");
        }
        for field in tags(&text, "select").into_iter().chain(tags(&text, "textarea")) {
            let id = between(field, "id=\"", "\"");
            let labelled = text.contains(&format!("for=\"{id}\""))
                || text.split("<label>").skip(1).any(|l| l.split("</label>").next().unwrap().contains(field));
            assert!(labelled, "{at}: {field}");
        }
        // what is hurting, what is measured and whose duty consent is stands on every page
        for words in ["coaching convention", "Not a medical device", "a doctor or a physiotherapist", "Written consent"] {
            assert!(text.contains(words), "{at}: {words}");
        }
    }
}

#[test]
fn what_is_torn_on_disk_costs_no_sheet() {
    let folder = tempfile::tempdir().unwrap();
    let (out, mut store) = out_folder(folder.path());
    let (_, id) = Builder::new(1, "Ada", DAY).sway(0.9, 7.0).record(&mut store);
    std::fs::write(out.keypoints(&id).unwrap(), b"not an archive").unwrap();
    std::fs::write(out.report("someone-123456", "0123456789abcdef").unwrap(), b"{ torn").unwrap();
    assert!(index(&out, &store, None).contains("One clip needs your eye."));
}
