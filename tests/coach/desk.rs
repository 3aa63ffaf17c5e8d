//! The desk by real requests: who is let in, what can be reached, parts of the footage, verdicts and taking them back.

use crate::at_desk::{Answer, EVIL, Open, SECRET, record};
use crate::support::{self, Builder, out_folder};
use dawnsheet::pose::models::hex;
use dawnsheet::report::types::{FaultName, Verdict};
use sha2::{Digest, Sha256};
use std::path::Path;

#[test]
fn only_the_holder_of_the_key_is_let_in() {
    let desk = Open::new();
    let host = format!("Host: {}\r\n", desk.host());
    let page = format!("/sheet/clip/{}.html", desk.clip);
    let paths = ["/", "/?key=", "/?key=0000", "/sheet/index.html", "/sheet/sheet.js", &page, &desk.film_path(), "/nothing"];
    for path in paths {
        let answer = desk.raw("GET", path, &host, "");
        assert_eq!(answer.code, 403, "{path}");
        assert!(!answer.text().contains("Ada"), "{path}");
    }
    let wrong = format!("{host}Cookie: dawnsheet-desk-{}={}\r\n", desk.port, "0".repeat(64));
    assert_eq!(desk.raw("GET", "/sheet/index.html", &wrong, "").code, 403);
    // the printed address gives the cookie, which opens the rest
    let entered = desk.raw("GET", &format!("/?key={}", desk.key), &host, "");
    assert_eq!(entered.code, 200);
    let cookie = entered.header("set-cookie").unwrap();
    for part in ["HttpOnly", "SameSite=Strict", "Path=/"] {
        assert!(cookie.contains(part), "{cookie}");
    }
    let cookie = cookie.split(';').next().unwrap();
    let answer = desk.raw("GET", "/sheet/index.html", &format!("{host}Cookie: {cookie}\r\n"), "");
    assert_eq!(answer.code, 200);
    assert!(answer.text().contains("Ada") && desk.get(&page).text().contains("<video"));
    assert_ne!(desk.key, Open::new().key, "each start has a key of its own");
}

#[test]
fn other_names_and_other_pages_are_refused() {
    let desk = Open::new();
    let (host, cookie) = (desk.host(), desk.cookie());
    for wrong in ["evil.example", "evil.example:80", "127.0.0.1", "127.0.0.1:1", &format!("127.0.0.1:{}.evil.example", desk.port)] {
        let answer = desk.raw("GET", "/sheet/index.html", &format!("Host: {wrong}\r\n{cookie}"), "");
        assert_eq!(answer.code, 403, "{wrong}");
    }
    assert_eq!(desk.raw("GET", "/sheet/index.html", &format!("Host: localhost:{}\r\n{cookie}", desk.port), "").code, 200);
    let json = "Content-Type: application/json\r\n";
    let body = desk.word("sway", true, "").to_string();
    for origin in ["Origin: http://evil.example\r\n", "Origin: null\r\n", "Origin: https://127.0.0.1\r\n", ""] {
        let answer = desk.raw("POST", "/verdict", &format!("Host: {host}\r\n{cookie}{json}{origin}"), &body);
        assert_eq!(answer.code, 403, "{origin:?}");
    }
    assert_eq!(desk.raw("GET", "/sheet/index.html", &format!("Host: {host}\r\n{cookie}Origin: http://evil.example\r\n"), "").code, 403);
    // a form can be sent from anywhere, JSON cannot
    let form = format!("Host: {host}\r\n{cookie}Origin: http://{host}\r\nContent-Type: text/plain\r\n");
    assert_eq!(desk.raw("POST", "/verdict", &form, &body).code, 415);
    assert!(desk.store().verdicts().unwrap().is_empty(), "nothing was recorded");
    let answer = desk.raw("POST", "/answer", &format!("Host: {host}\r\n{cookie}{json}Origin: http://evil.example\r\n"), "{}");
    assert_eq!(answer.code, 403);
}

#[test]
fn an_answer_is_made_with_the_words_of_the_page_and_only_its_own_files_are_shown() {
    let desk = Open::new();
    let owner = &desk.owner;
    let there = |answer: Answer| -> serde_json::Value {
        assert_eq!(answer.code, 200, "{}", answer.text());
        serde_json::from_slice(&answer.body).unwrap()
    };
    assert!(there(desk.get(&format!("/answers/{owner}")))["days"].as_array().unwrap().is_empty());
    assert!(desk.get(&format!("/sheet/student/{owner}.html")).text().contains("id=\"answer-make\""));
    // this clip is no film: the words and what pictures there are make the answer, and what is missing is said
    let made = there(desk.post("/answer", &serde_json::json!({ "owner": owner, "note": " Well done. " })));
    assert!(made["done"].as_str().unwrap().starts_with("Made; nothing was sent."), "{made}");
    assert!(made["done"].as_str().unwrap().contains("no swing.mp4"), "{made}");
    let day = made["days"][0]["day"].as_str().unwrap();
    let folder = desk.folder.path().join("out/answers").join(owner).join(day);
    assert_eq!(std::fs::read_to_string(folder.join("note.txt")).unwrap(), "Well done.");
    assert_eq!(desk.get(&format!("/answers/{owner}/{day}/top.jpg")).body, b"a picture");
    assert_eq!(there(desk.get(&format!("/answers/{owner}")))["days"][0]["day"], day);
    std::fs::write(folder.join("swing.mp4"), &desk.film).unwrap();
    std::fs::write(folder.join("other.jpg"), SECRET).unwrap();
    let asked = format!("Host: {}\r\n{}Range: bytes=10-19\r\n", desk.host(), desk.cookie());
    let part = desk.raw("GET", &format!("/answers/{owner}/{day}/swing.mp4"), &asked, "");
    assert_eq!((part.code, part.body.as_slice()), (206, &desk.film[10..20]));
    for path in [format!("/answers/{owner}/{day}/other.jpg"), format!("/answers/nobody/{day}/top.jpg"), "/answers/nobody".to_string()] {
        assert_eq!(desk.get(&path).code, 404, "{path}");
    }
    assert_eq!(desk.post("/answer", &serde_json::json!({ "owner": "nobody", "note": "" })).code, 404);
    Builder::new(9, "Ada", "2026-04-12").change(|r| r.clip.student = None).record(&mut desk.store());
    assert_eq!(desk.get("/sheet/student/unassigned.html").code, 200);
    assert_eq!(desk.post("/answer", &serde_json::json!({ "owner": "unassigned", "note": "" })).code, 404, "clips without a student");
    assert_eq!(desk.post("/answer", &serde_json::json!({ "owner": owner, "note": "x".repeat(9000) })).code, 400);
}

#[test]
fn every_answer_forbids_what_is_not_its_own() {
    let desk = Open::new();
    let host = format!("Host: {}\r\n", desk.host());
    let film = desk.film_path();
    let page = format!("/sheet/clip/{}.html", desk.clip);
    let mut answers: Vec<Answer> = ["/sheet/index.html", "/sheet/desk.js", &page, &film, "/nothing"].map(|p| desk.get(p)).into();
    answers.push(desk.raw("GET", "/sheet/index.html", &host, ""));
    for answer in answers {
        let policy = answer.header("content-security-policy").unwrap_or_else(|| panic!("{}", answer.head));
        assert!(policy.starts_with("default-src 'none'; script-src 'self'; style-src 'self'"), "{policy}");
        assert!(!policy.contains("unsafe") && policy.contains("frame-ancestors 'none'") && policy.contains("base-uri 'none'"), "{policy}");
        assert_eq!(answer.header("x-content-type-options"), Some("nosniff"));
        assert_eq!(answer.header("cache-control"), Some("no-store"));
        assert!(answer.header("access-control-allow-origin").is_none());
    }
    // the pages need nothing that the policy forbids, and what students wrote stays text
    let text = desk.get(&page).text();
    assert!(!text.contains("style=\"") && !text.contains("onclick") && !text.contains("http-equiv=\"Content-Security-Policy\""), "{text}");
    assert_eq!(text.matches("<script").count(), text.matches("<script src=").count());
    assert!(!text.contains(EVIL) && text.contains("onerror=alert(1)"), "the note is there as text");
}

#[test]
fn nothing_outside_is_ever_read() {
    let desk = Open::new();
    let (owner, clip) = (&desk.owner, &desk.clip);
    let mut paths: Vec<String> = Vec::new();
    for up in ["..", "%2e%2e", "..%2f..", "%2e%2e%2f%2e%2e", "..%5c..", "....//", "%252e%252e", ".%00.", "%c0%ae%c0%ae"] {
        for file in ["secret.txt", "secret.txt.html", "../secret.txt", "%2fetc%2fpasswd", "dawnsheet.sqlite", "etc/passwd"] {
            paths.push(format!("/{up}/{file}"));
            paths.push(format!("/sheet/{up}/{file}"));
            paths.push(format!("/sheet/clip/{up}%2f{file}"));
            paths.push(format!("/sheet/student/{up}%2f{file}"));
            paths.push(format!("/sheet/pictures/{clip}/{up}%2f{file}"));
            paths.push(format!("/sheet/pictures/{up}/{file}"));
            paths.push(format!("/video/{owner}/{up}%2f{file}"));
            paths.push(format!("/video/{up}/{file}"));
            paths.push(format!("/video/{up}%2f{owner}/{clip}"));
            paths.push(format!("/answers/{owner}/2026-04-12/{up}%2f{file}"));
            paths.push(format!("/answers/{owner}/{up}/{file}"));
        }
    }
    paths.push(format!("/sheet/pictures/{clip}/other.txt"));
    paths.push(format!("/sheet/pictures/{clip}/top.jpg%00.txt"));
    paths.push("/sheet/".into());
    paths.push("//etc/passwd".into());
    for path in &paths {
        let answer = desk.get(path);
        assert!(matches!(answer.code, 404 | 400), "{path}: {}", answer.code);
        let text = answer.text();
        assert!(!text.contains(SECRET) && !text.contains("root:") && !text.contains("SQLite"), "{path}");
    }
    assert_eq!(desk.get(&format!("/sheet/pictures/{clip}/top.jpg")).body, b"a picture");
    assert!(paths.len() > 400);
}

#[test]
fn footage_is_served_whole_in_parts_and_only_if_it_is_the_clip_that_was_measured() {
    let desk = Open::new();
    let path = desk.film_path();
    let whole = desk.get(&path);
    assert_eq!((whole.code, whole.body == desk.film), (200, true));
    let total = desk.film.len();
    let asked = |range: &str| {
        let lines = format!("Host: {}\r\n{}Range: bytes={range}\r\n", desk.host(), desk.cookie());
        desk.raw("GET", &path, &lines, "")
    };
    for (range, from, to) in [("0-99", 0, 100), ("1000-1999", 1000, 2000), ("399990-", 399_990, total), ("-10", total - 10, total)] {
        let part = asked(range);
        assert_eq!(part.code, 206, "{range}");
        assert_eq!(part.header("content-range"), Some(format!("bytes {from}-{}/{total}", to - 1).as_str()), "{range}");
        assert!(part.body == desk.film[from..to], "{range}");
    }
    assert_eq!(asked("400000-").code, 416);
    assert_eq!(whole.header("accept-ranges"), Some("bytes"));

    let file = desk.folder.path().join("inbox/Ada/swing.mp4");
    let refused = |why: &str| {
        let answer = desk.get(&path);
        assert_eq!(answer.code, 404, "{why}");
        assert!(answer.text().contains(why), "{why}: {}", answer.text());
        let page = desk.get(&format!("/sheet/clip/{}.html", desk.clip)).text();
        assert!(page.contains(why) && !page.contains("<video"), "{why}");
    };
    // other bytes of the same length
    let mut other = desk.film.clone();
    other[12_345] ^= 1;
    std::fs::write(&file, &other).unwrap();
    refused("no longer the one that was measured");
    std::fs::write(&file, &desk.film[..total - 1]).unwrap();
    refused("no longer the one that was measured");
    // a link out of the inbox, even to the same bytes
    let outside = desk.folder.path().join("outside.mp4");
    std::fs::write(&outside, &desk.film).unwrap();
    std::fs::remove_file(&file).unwrap();
    std::os::unix::fs::symlink(&outside, &file).unwrap();
    refused("no longer lies in the inbox");
    std::fs::remove_file(&file).unwrap();
    refused("no longer lies in the inbox");
    std::fs::write(&file, &desk.film).unwrap();
    assert_eq!(desk.get(&path).code, 200, "brought back");
}

#[test]
fn a_stored_path_that_climbs_out_is_not_followed() {
    let desk = Open::new();
    let secret = std::fs::read(desk.folder.path().join("secret.txt")).unwrap();
    let (owner, clip) = record(&mut desk.store(), 9, "Eve", "../secret.txt", &secret);
    let answer = desk.get(&format!("/video/{owner}/{clip}"));
    assert_eq!(answer.code, 404);
    assert!(!answer.text().contains(SECRET));
    let absolute = desk.folder.path().join("secret.txt");
    let (owner, clip) = record(&mut desk.store(), 9, "Eve", absolute.to_str().unwrap(), &secret);
    assert_eq!(desk.get(&format!("/video/{owner}/{clip}")).code, 404);
    // what another program stored meanwhile is on the sheet at once
    assert!(desk.get("/sheet/index.html").text().contains(">Eve</a>"));
}

#[test]
fn a_verdict_is_kept_shown_and_taken_back() {
    let mut desk = Open::new();
    let page = format!("/sheet/clip/{}.html", desk.clip);
    let said = |answer: Answer| {
        assert_eq!(answer.code, 200, "{}", answer.text());
        serde_json::from_slice::<serde_json::Value>(&answer.body).unwrap()
    };
    let first = said(desk.post("/verdict", &desk.word("sway", true, "  over the foot <b> ")));
    assert_eq!(first["said"]["sway"], "You agree: over the foot <b>");
    assert_eq!(first["said"]["head_drift"], "");
    let kept = desk.store().verdicts().unwrap();
    assert_eq!(kept.len(), 1);
    assert_eq!((kept[0].fault, kept[0].ours, kept[0].agrees), (FaultName::Sway, Verdict::Flagged, true));
    assert!(desk.get(&page).text().contains("You agree: over the foot &#60;b&#62;"));
    // a second word on the same fault counts instead of the first; another fault stands beside it
    assert_eq!(said(desk.post("/verdict", &desk.word("sway", false, "")))["said"]["sway"], "You disagree.");
    said(desk.post("/verdict", &desk.word("chicken_wing", false, "it folds")));
    let sheet = desk.get("/sheet/index.html").text();
    assert!(sheet.contains("By your verdicts 0 of 1 flag was right"), "{sheet}");
    assert!(sheet.contains("Chicken wing clear: you disagree") && sheet.contains("it folds"), "a miss is listed");
    let last = serde_json::json!({ "owner": desk.owner, "clip": desk.clip });
    let back = said(desk.post("/undo", &last));
    assert_eq!((&back["said"]["chicken_wing"], &back["note"]), (&"".into(), &"it folds".into()), "the note comes back with it");
    assert_eq!(said(desk.post("/undo", &last))["said"]["sway"], "You agree: over the foot <b>");
    assert!(desk.get("/sheet/index.html").text().contains("By your verdicts 1 of 1 flag was right"));
    assert_eq!(said(desk.post("/undo", &last))["said"]["sway"], "");
    assert_eq!(said(desk.post("/undo", &last))["done"], "Nothing to take back on this clip.");
    assert!(desk.store().verdicts().unwrap().is_empty());

    // what is not a verdict is told so and changes nothing
    for (word, code) in [
        (desk.word("slice", true, ""), 422),
        (desk.word("sway", true, &"x".repeat(1001)), 400),
        (serde_json::json!({ "owner": "nobody", "clip": desk.clip, "fault": "sway", "shown": "flagged", "agrees": true }), 404),
        (
            serde_json::json!({ "owner": desk.owner, "clip": desk.clip, "fault": "sway", "shown": "flagged", "agrees": true, "more": 1 }),
            422,
        ),
        (serde_json::json!({ "owner": desk.owner, "clip": desk.clip, "fault": "sway", "agrees": true }), 422),
    ] {
        assert_eq!(desk.post("/verdict", &word).code, code, "{word}");
    }
    assert_eq!(desk.post("/verdict", &desk.word("sway", true, &"x".repeat(20_000))).code, 413);
    assert!(desk.store().verdicts().unwrap().is_empty());

    // Ctrl-C ends it and leaves the static sheet as the coach left the desk
    said(desk.post("/verdict", &desk.word("sway", true, "")));
    assert_eq!(desk.end(rustix::process::Signal::INT), Some(0));
    let written = std::fs::read_to_string(desk.folder.path().join("out/sheet/index.html")).unwrap();
    assert!(written.contains("By your verdicts 1 of 1 flag was right"));
    assert!(!written.contains("desk.js") && written.contains("http-equiv=\"Content-Security-Policy\""), "the sheet needs no desk");
}

#[test]
fn a_taken_port_is_told() {
    let taken = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let folder = tempfile::tempdir().unwrap();
    out_folder(folder.path());
    let port = taken.local_addr().unwrap().port().to_string();
    let ran = support::dawnsheet(&["desk", "--port", &port, "--out", folder.path().to_str().unwrap()]);
    assert_eq!(ran.code, 2);
    assert!(ran.stderr.contains("--port"), "{}", ran.stderr);
    let nothing = support::dawnsheet(&["desk", "--out", Path::new("/nonexistent").to_str().unwrap()]);
    assert_eq!(nothing.code, 2);
}

#[test]
fn a_word_on_a_verdict_that_is_another_by_now_is_not_kept() {
    let desk = Open::new();
    let page = desk.get(&format!("/sheet/clip/{}.html", desk.clip)).text();
    assert!(page.contains("data-fault=\"sway\" data-shown=\"flagged\""), "{page}");
    // judged again while the page is open, as `rejudge` does
    let mut store = desk.store();
    let now = Builder::new(1, "Ada", "2026-04-12").change(|r| {
        r.clip.id = desk.clip.clone();
        r.clip.sha256 = hex(&Sha256::digest(&desk.film));
        r.clip.file = "Ada/swing.mp4".into();
    });
    now.record(&mut store);
    let answer = desk.post("/verdict", &desk.word("sway", true, "over the foot"));
    assert_eq!(answer.code, 409);
    let state: serde_json::Value = serde_json::from_slice(&answer.body).unwrap();
    let done = state["done"].as_str().unwrap();
    assert!(done.contains("Not kept: sway is clear by now, and was flagged when this page was opened"), "{done}");
    assert_eq!(
        (&state["kept"], &state["ours"]["sway"]["shown"], &state["ours"]["sway"]["words"]),
        (&false.into(), &"clear".into(), &"clear, sure".into())
    );
    assert!(store.verdicts().unwrap().is_empty(), "nothing was stored");
    // what was looked at anew is kept as it was shown
    let mut word = desk.word("sway", true, "");
    word["shown"] = "clear".into();
    assert_eq!(desk.post("/verdict", &word).code, 200);
    let kept = store.verdicts().unwrap();
    assert!(kept.len() == 1 && kept[0].ours == Verdict::Clear && kept[0].agrees, "{kept:?}");
}

#[test]
fn the_keys_follow_the_verdicts_as_they_are_shown() {
    let desk = Open::new();
    let (owner, clip) = Builder::new(7, "Eve", "2026-04-12")
        .change(|r| {
            let f = r.swings[0].faults.get_mut(&FaultName::HeadDrift).unwrap();
            (f.verdict, f.probability) = (Verdict::Flagged, Some(0.9));
            let f = r.swings[0].faults.get_mut(&FaultName::ChickenWing).unwrap();
            (f.verdict, f.probability) = (Verdict::Borderline, Some(0.5));
        })
        .record(&mut desk.store());
    assert!(!owner.is_empty());
    let page = desk.get(&format!("/sheet/clip/{clip}.html")).text();
    let chips: Vec<usize> = ["Head drift", "Chicken wing", "Sway"].iter().map(|f| page.find(&format!("<b>{f}</b>")).unwrap()).collect();
    assert!(chips.is_sorted(), "{chips:?}");
    for (fault, keys) in [("head_drift", ["1", "q"]), ("chicken_wing", ["2", "w"]), ("sway", ["3", "e"])] {
        let row = page.split(&format!("data-fault=\"{fault}\"")).nth(1).unwrap().split("</li>").next().unwrap();
        for key in keys {
            assert!(row.contains(&format!("data-key=\"{key}\"")), "{fault}: {row}");
        }
    }
}

#[test]
fn of_a_file_without_a_film_nothing_can_be_agreed_with() {
    use dawnsheet::report::ReasonCode;
    let desk = Open::new();
    let wrong = [ReasonCode::NotAVideo, ReasonCode::Unreadable, ReasonCode::NoFrames, ReasonCode::NotAllowed];
    for (seed, code) in wrong.into_iter().enumerate() {
        let (owner, clip) = Builder::new(20 + seed as u64, "Eve", "2026-04-12").failed(code).record(&mut desk.store());
        let page = desk.get(&format!("/sheet/clip/{clip}.html")).text();
        assert!(page.contains(&format!("There is nothing to judge in this file: {}.", code.reason().text)), "{page}");
        assert!(!page.contains("data-agrees") && !page.contains("<video") && !page.contains("no longer"), "{page}");
        let word = serde_json::json!({ "owner": owner, "clip": clip, "fault": "sway", "shown": "cannot_measure", "agrees": true });
        let answer = desk.post("/verdict", &word);
        assert_eq!((answer.code, answer.text().starts_with("There is nothing to judge")), (400, true));
    }
    assert!(desk.store().verdicts().unwrap().is_empty());
    // a film in which no swing was found may be judged: what was missed is told so
    let (_, clip) = Builder::new(40, "Eve", "2026-04-12").failed(ReasonCode::NoSwing).record(&mut desk.store());
    assert!(desk.get(&format!("/sheet/clip/{clip}.html")).text().contains("data-agrees"));
}

#[test]
fn footage_that_lies_on_its_side_stands_at_the_desk() {
    use dawnsheet::report::types::{Camera, PlaybackFactor, PlaybackSource, Spread, Video};
    let desk = Open::new();
    let video = |turned_by_sight: u32| Video {
        width: 720,
        height: 1280,
        rotation_deg: 0,
        turned_by_sight,
        mirrored_by_container: false,
        pixel_aspect: 1.0,
        frames: 100,
        frames_expected: 100,
        duration_s: 2.0,
        frame_interval_ms: Spread { min: 16.0, median: 16.0, max: 17.0 },
        playback_factor: PlaybackFactor { value: 1.0, source: PlaybackSource::Assumed },
        camera: Camera { moving: false, max_shift_px: 0.0, roll_deg: None },
    };
    for (n, turned) in [0, 90, 270].into_iter().enumerate() {
        let file = format!("Ada/{turned}.mp4");
        let bytes = format!("film {turned}");
        std::fs::write(desk.folder.path().join("inbox").join(&file), &bytes).unwrap();
        let sha256 = hex(&Sha256::digest(&bytes));
        let (_, clip) = Builder::new(60 + n as u64, "Ada", "2026-04-12")
            .change(|r| {
                (r.clip.id, r.clip.sha256, r.clip.bytes, r.clip.file) =
                    (sha256[..16].into(), sha256.clone(), bytes.len() as u64, file.clone());
                r.video = Some(video(turned));
            })
            .record(&mut desk.store());
        let page = desk.get(&format!("/sheet/clip/{clip}.html")).text();
        assert!(page.contains("<video"), "{page}");
        let stands = format!("<div class=\"turned\" data-turned=\"{turned}\" data-shape=\"720/1280\"><video");
        // the browser's own controls would lie on their side
        assert_eq!((page.contains(&stands), page.contains("data-play"), page.contains(" controls")), (turned > 0, turned > 0, turned == 0));
    }
    let style = desk.get("/sheet/desk.css").text();
    assert!(
        style.contains("rotate(90deg)") && style.contains(".turned[data-turned=\"270\"] video") && style.contains("rotate(270deg)"),
        "{style}"
    );
}

/// The one clip's hip slides 7.5 cm: over today's limit of 5, under twice that.
#[test]
fn other_limits_are_tried_on_a_page_of_the_desk() {
    let desk = Open::new();
    let page = desk.get("/limits/index.html").text();
    assert!(page.contains("One clip in the last 30 days"), "{page}");
    let row = |name: &str| {
        let of_sway = page.split("Sway</h2>").nth(1).unwrap().split("</section>").next().unwrap();
        let row = of_sway.split(&format!("<th scope=\"row\">{name}</th>")).nth(1).unwrap().split("</tr>").next().unwrap().to_string();
        row.split("<td>").skip(1).map(|cell| cell.split('<').next().unwrap().to_string()).collect::<Vec<_>>()
    };
    assert_eq!(row("as now")[..2], ["1 of 1", "1"], "{page}");
    assert_eq!(row("2 times")[..2], ["0 of 1", "0"], "{page}");
    let styles: Vec<&str> = page.split("<link rel=\"stylesheet\" href=\"..").skip(1).map(|l| l.split('"').next().unwrap()).collect();
    assert!(!styles.is_empty() && styles.iter().all(|s| desk.get(s).code == 200), "{styles:?}");
    assert!(desk.get("/sheet/index.html").text().contains("../limits/index.html"), "the sheet leads there");
    assert_eq!(desk.raw("GET", "/limits/index.html", &format!("Host: {}\r\n", desk.host()), "").code, 403, "without the key");
}
