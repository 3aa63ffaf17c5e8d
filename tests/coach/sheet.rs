//! The morning sheet from a synthetic store: order, escaping, accounting, links.

use crate::support::{Builder, out_folder};
use dawnsheet::batch::summary::{Line, Place, Summary};
use dawnsheet::history::Store;
use dawnsheet::intake::names::slug;
use dawnsheet::place::{self, OutFolder};
use dawnsheet::report::ReasonCode;
use dawnsheet::report::types::{FaultName, Finding, Root, ViewKind};
use dawnsheet::sheet;
use std::path::{Path, PathBuf};

pub const DAY: &str = "2026-04-12T10:00:00Z";

pub fn index(out: &OutFolder, store: &Store, night: Option<&Summary>) -> String {
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
        tonight: false,
    }
}

/// Text between two marks after `from`.
pub fn between<'a>(text: &'a str, from: &str, to: &str) -> &'a str {
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
            tonight: false,
        }],
        unreadable_folders: vec![evil.into()],
        stopped: Some(evil.into()),
        ..Summary::default()
    };
    index(&out, &store, Some(&night));
    let all = pages(folder.path());
    assert_eq!(all.len(), 2 + 4 + 1, "{all:?}");
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
        tonight: false,
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
fn earlier_clips_are_listed_below_and_since_brings_them_back() {
    let folder = tempfile::tempdir().unwrap();
    let (out, mut store) = out_folder(folder.path());
    let (_, old) = Builder::new(1, "Ada", "2026-03-01").sway(0.95, 7.1).record(&mut store);
    Builder::new(2, "Bo", "2026-04-01").record(&mut store);
    // as if judged days ago
    let db = rusqlite::Connection::open(folder.path().join("dawnsheet.sqlite")).unwrap();
    db.execute("UPDATE result SET judged_at = '2026-01-01T00:00:00Z' WHERE clip = ?1", [&old]).unwrap();
    let (_, open) = Builder::new(3, "Cy", "2026-02-20").sway(0.95, 7.1).record(&mut store);
    Builder::new(4, "Ada", "2026-04-01").record(&mut store);
    db.execute("UPDATE result SET judged_at = '2026-01-01T00:00:00Z' WHERE clip = ?1", [&open]).unwrap();
    let page = index(&out, &store, None);
    // Ada sent a newer one; Cy's asks still
    assert!(page.contains("One clip needs your eye.") && page.contains("1 of them still open from earlier nights"), "{page}");
    assert!(between(&page, "id=\"earlier\"", "</section>").contains(&old));
    assert!(between(&page, "id=\"flagged\"", "</section>").contains(&open));
    let page = sheet::write(&out, &store, None, Some("2026-02-01")).unwrap();
    let page = std::fs::read_to_string(page).unwrap();
    assert!(page.contains("2 clips need your eye.") && !page.contains("id=\"earlier\""));
}

/// A page's tags of one name with their attributes.
pub fn tags<'a>(text: &'a str, name: &str) -> Vec<&'a str> {
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
    assert_eq!(all.len(), 2 + 3 + 3);
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

#[test]
fn a_second_run_of_the_same_night_leaves_the_sheet_as_it_is() {
    let folder = tempfile::tempdir().unwrap();
    let (out, mut store) = out_folder(folder.path());
    let all = [
        (Builder::new(1, "Ada", DAY).sway(0.9, 7.0), Place::Flagged, "Ada/a.mp4"),
        (Builder::new(2, "Bo", DAY), Place::Clear, "Bo/b.mp4"),
        (Builder::new(3, "Cy", DAY).failed(ReasonCode::NoSwing), Place::Failed, "Cy/c.mp4"),
        (Builder::new(4, "Di", DAY).unmeasured(ReasonCode::FeetUnseen.reason(), ViewKind::FaceOn), Place::CannotMeasure, "Di/d.mp4"),
    ];
    let mut first = Summary { lines: all.iter().map(|(b, place, file)| line(b, *place, file)).collect(), ..Summary::default() };
    let mut ids = Vec::new();
    for (b, ..) in all {
        ids.push(b.record(&mut store).1);
    }
    // looked at long ago, worked on again tonight: as after another setting, or a clip that another student had sent
    let db = rusqlite::Connection::open(folder.path().join("dawnsheet.sqlite")).unwrap();
    for id in &ids[..3] {
        db.execute("UPDATE result SET judged_at = '2026-01-01T00:00:00Z' WHERE clip = ?1", [id]).unwrap();
    }
    let heads = |page: &str| {
        let tally = between(page, "<ul class=\"tally\">", "</ul>").to_string();
        (between(page, "<h1>", "</h1>").to_string(), tally, page.contains("id=\"earlier\""))
    };
    let before = heads(&index(&out, &store, Some(&first)));
    assert_eq!((before.0.as_str(), before.2), ("3 clips need your eye.", false));
    // the same inbox once more, with nothing new in it
    for l in &mut first.lines {
        l.new = false;
    }
    assert_eq!(heads(&index(&out, &store, Some(&first))), before);
    // and once more with one new clip
    let late = Builder::new(5, "Ed", DAY).sway(0.99, 9.0);
    first.lines.push(line(&late, Place::Flagged, "Ed/e.mp4"));
    late.record(&mut store);
    let page = index(&out, &store, Some(&first));
    assert!(page.contains("4 clips need your eye.") && !page.contains("id=\"earlier\""), "{page}");
    assert!(page.contains("0 of 4 judged"));
    // what the tally counts is what the parts below hold
    for (key, n) in [("flagged", 2), ("again", 2), ("clear", 1)] {
        assert!(between(&page, &format!("id=\"{key}\""), "</h2>").contains(&format!("<span class=\"n\">{n}</span>")), "{key}");
        assert!(between(&page, &format!("href=\"#{key}\""), "</a>").contains(&format!("<b>{n}</b>")), "{key}");
    }
}

#[test]
fn a_clip_that_asks_stays_in_front_over_the_nights_until_it_is_judged_or_replaced() {
    use dawnsheet::history::verdicts::Given;
    use dawnsheet::report::types::Verdict;
    let folder = tempfile::tempdir().unwrap();
    let (out, mut store) = out_folder(folder.path());
    let db = rusqlite::Connection::open(folder.path().join("dawnsheet.sqlite")).unwrap();
    let (owner, flagged) = Builder::new(1, "Ada", "2026-01-01").sway(0.9, 7.0).record(&mut store);
    let (_, again) = Builder::new(2, "Bo", "2026-01-01").failed(ReasonCode::NoSwing).record(&mut store);
    let (_, clear) = Builder::new(3, "Cy", "2026-01-01").record(&mut store);
    db.execute("UPDATE result SET judged_at = '2026-01-02T00:00:00Z'", []).unwrap();
    // another night
    let new = Builder::new(4, "Di", "2026-04-01");
    let night = Summary { lines: vec![line(&new, Place::Clear, "Di/d.mp4")], ..Summary::default() };
    new.record(&mut store);
    let front = |page: &str| -> Vec<bool> {
        let main = between(page, "<main", "</main>").split("id=\"earlier\"").next().unwrap().to_string();
        [&flagged, &again, &clear].iter().map(|id| main.contains(&format!("clip/{id}.html"))).collect()
    };
    let page = index(&out, &store, Some(&night));
    assert_eq!(front(&page), [true, true, false], "what asks stays, what is clear is done with");
    assert!(page.contains("0 of 2 judged"));
    // judged this morning: counted, and still there
    let word = |at: &str| Given {
        owner: owner.clone(),
        clip: flagged.clone(),
        fault: FaultName::Sway,
        ours: Verdict::Flagged,
        agrees: true,
        note: String::new(),
        made_at: at.into(),
    };
    store.give_verdict(&word("")).unwrap();
    let page = index(&out, &store, None);
    assert_eq!(front(&page), [true, true, false]);
    assert!(page.contains("1 of 2 judged"), "{page}");
    // judged in an earlier night: done with
    store.set_verdicts(&[word("2026-01-02T08:00:00Z")]).unwrap();
    assert_eq!(front(&index(&out, &store, None)), [false, true, false]);
    // answered by a newer clip of the same student, but of nobody else
    Builder::new(5, "Di", "2026-04-02").record(&mut store);
    assert_eq!(front(&index(&out, &store, None)), [false, true, false]);
    Builder::new(6, "Bo", "2026-04-02").failed(ReasonCode::NoSwing).record(&mut store);
    assert_eq!(front(&index(&out, &store, None)), [false, false, false]);
}

#[test]
fn by_student_the_worst_of_each_comes_first() {
    let folder = tempfile::tempdir().unwrap();
    let (out, mut store) = out_folder(folder.path());
    Builder::new(1, "Ada", DAY).sway(0.85, 6.0).change(|r| r.clip.file = "Ada/mild.mp4".into()).record(&mut store);
    Builder::new(2, "Ada", DAY).sway(0.99, 9.0).change(|r| r.clip.file = "Ada/worst.mp4".into()).record(&mut store);
    Builder::new(3, "Bo", DAY).sway(0.9, 7.0).change(|r| r.clip.file = "Bo/some.mp4".into()).record(&mut store);
    Builder::new(4, "Ada", DAY).change(|r| r.clip.file = "Ada/clear.mp4".into()).record(&mut store);
    let by_need = index(&out, &store, None);
    let by_student = std::fs::read_to_string(folder.path().join("sheet/students.html")).unwrap();
    let order = |page: &str| -> Vec<usize> {
        let main = between(page, "<main", "</main>");
        ["Ada/worst.mp4", "Ada/mild.mp4", "Ada/clear.mp4", "Bo/some.mp4"].iter().map(|f| main.find(f).unwrap()).collect()
    };
    assert!(order(&by_student).is_sorted(), "{:?}", order(&by_student));
    let need = order(&by_need);
    assert!(need[0] < need[3] && need[3] < need[1] && need[1] < need[2], "{need:?}");
    assert!(by_need.contains("href=\"students.html\"") && by_student.contains("href=\"index.html\""));
}

#[test]
fn what_an_erased_student_left_in_the_inbox_is_counted_and_not_named() {
    let folder = tempfile::tempdir().unwrap();
    let (out, mut store) = out_folder(folder.path());
    let clear = Builder::new(1, "Ada", DAY);
    let mut lines = vec![line(&clear, Place::Clear, "Ada/a.mp4")];
    for file in ["Zebedee Quill/z.mp4", "Zebedee Quill/zz.mp4"] {
        lines.push(Line {
            file: file.into(),
            student: Some("Zebedee Quill".into()),
            owner: slug(Some("Zebedee Quill")),
            place: Place::Forgotten,
            clip: None,
            new: false,
            note: "erased on request".into(),
            tonight: false,
        });
    }
    clear.record(&mut store);
    let night = Summary { lines, ..Summary::default() };
    let page = index(&out, &store, Some(&night));
    assert!(page.contains("All 3 uploads in the inbox") && between(&page, "href=\"#skipped\"", "</a>").contains("<b>2</b>"), "{page}");
    let named = |root: &Path| -> Vec<String> {
        let files = walkdir::WalkDir::new(root).into_iter().filter_map(Result::ok).filter(|e| e.file_type().is_file());
        let holds = |e: &walkdir::DirEntry| {
            let text = String::from_utf8_lossy(&std::fs::read(e.path()).unwrap()).to_lowercase();
            text.contains("zebedee") || e.path().to_string_lossy().to_lowercase().contains("zebedee")
        };
        files.filter(holds).map(|e| e.file_name().to_string_lossy().into_owned()).collect()
    };
    assert_eq!(named(folder.path()), ["skipped.txt"], "no page, no row of the store");
    // gone from the inbox: gone from there
    index(&out, &store, Some(&Summary { lines: night.lines[..1].to_vec(), ..Summary::default() }));
    assert!(named(folder.path()).is_empty());
}
