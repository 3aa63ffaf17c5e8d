//! Measuring by hand at the desk, by real requests: blind until it is kept, refused from elsewhere, told afterwards, and deciding a
//! clip where the coach says so.

use crate::at_desk::Open;
use crate::support;
use dawnsheet::history::marked::{Kind, Marked};
use dawnsheet::intake::Brief;
use dawnsheet::judge::{self, Identity};
use dawnsheet::place::OutFolder;
use dawnsheet::pose::models::{ModelChoice, Models, hex};
use dawnsheet::report::Report;
use dawnsheet::seen::Seen;
use dawnsheet::settings::Settings;
use sha2::{Digest, Sha256};

/// A face-on clip as it was measured, with what was seen of it, in the open desk: owner, clip, page, report.
fn measured(desk: &Open) -> (String, String, String, Report) {
    let out = OutFolder::open(&desk.folder.path().join("out")).unwrap();
    let bytes = b"another film";
    std::fs::write(desk.folder.path().join("inbox/Ada/face-on.mp4"), bytes).unwrap();
    let sha256 = hex(&Sha256::digest(bytes));
    let brief = Brief { file: "Ada/face-on.mp4".into(), student: Some("Ada".into()), stature_cm: Some(180.0), ..Brief::default() };
    let identity = Identity { sha256, bytes: bytes.len() as u64, brief };
    let kept = support::repository("fixtures/keypoints/sway.npz");
    let seen = Seen::read(&kept).unwrap();
    std::fs::create_dir_all(out.keypoints(identity.id()).unwrap().parent().unwrap()).unwrap();
    std::fs::copy(&kept, out.keypoints(identity.id()).unwrap()).unwrap();
    let report = judge::judge(&seen, &identity, ModelChoice::Accurate, &Models::locate(), &Settings::default());
    desk.store().record(&desk.owner, "key", &serde_json::to_string(&identity).unwrap(), &report, None).unwrap();
    let sheet = desk.get("/sheet/index.html").text();
    let page = sheet.match_indices("clip/").map(|(i, _)| sheet[i + 5..].split('"').next().unwrap().to_string());
    let page = page.into_iter().find(|p| p.contains(identity.id())).expect("a page of its own");
    (desk.owner.clone(), identity.id().into(), page, report)
}

/// Points in their places: where the program read them.
fn points(report: &Report) -> serde_json::Value {
    let swing = report.swings.iter().find(|s| s.main).unwrap();
    let (hip, top, late) = (&swing.shown["hip_furthest"], &swing.shown["top"], &swing.shown["late_follow_through"]);
    let level = hip.places["trail_hip"][1];
    let (address, back) = (swing.events.takeaway.unwrap().time_s, swing.events.top.unwrap().time_s);
    let at = |time: f64, p: [f64; 2]| serde_json::json!({ "time": time, "x": p[0], "y": p[1] });
    let end = swing.events.chest_high_follow_through.unwrap().time_s;
    serde_json::json!({
        "foot_address": at(address, [hip.edges["foot_edge"], level + 300.0]), "hip_address": at(address, [hip.edges["hip_edge_home"], level]),
        "head_address": at(address, top.places["head_home"]), "hip_furthest": at(back, [hip.edges["hip_edge"], level]),
        "head_top": at(back, top.places["head"]), "shoulder_late": at(end, late.places["lead_shoulder"]),
        "elbow_late": at(end, late.places["lead_elbow"]), "grip_late": at(end, late.places["grip"]),
    })
}

/// Until a clip's points are kept, nothing that the desk sends for marking it holds what the program measured: no value or end of an
/// interval, no verdict, no place where it read. Afterwards the answer does.
#[test]
fn the_page_to_mark_on_is_blind_until_the_points_are_kept() {
    let desk = Open::new();
    let (owner, clip, page, report) = measured(&desk);
    let swing = report.swings.iter().find(|s| s.main).unwrap();
    let mut secrets: Vec<String> = vec!["flagged".into(), "borderline".into(), "clear".into(), "data-shown".into()];
    for name in ["trail_hip_travel_cm", "hip_edge_inside_foot_cm", "head_lateral_top_cm", "lead_elbow_bow_late_upper_arms"] {
        let m = swing.metrics[name].measured().unwrap();
        secrets.extend([m.value, m.low, m.high].iter().flat_map(|v| [format!("{:.1}", v.abs()), format!("{:.3}", v.abs())]));
        secrets.push(name.into());
    }
    for shown in swing.shown.values() {
        secrets.extend(shown.places.values().flatten().chain(shown.edges.values()).map(|v| format!("{v:.1}")));
    }
    secrets.extend(report.needs_look_because.iter().cloned());
    let holds = |text: &str, secret: &str| {
        let mut words = text.split(|c: char| !(c.is_alphanumeric() || "._-".contains(c)));
        if secret.contains(' ') { text.contains(secret) } else { words.any(|w| w == secret) }
    };
    // what every page holds (drawn signs, the footer) tells nothing of this clip
    let everywhere = desk.get("/ruler/index.html").text();
    secrets.retain(|s| !holds(&everywhere, s));
    assert!(secrets.len() > 40, "{secrets:?}");
    let sees = |text: &str| -> Vec<String> { secrets.iter().filter(|s| holds(text, s)).cloned().collect() };
    let blind = desk.get(&format!("/ruler/clip/{page}"));
    assert_eq!(blind.code, 200);
    let text = blind.text();
    assert_eq!(sees(&text), Vec::<String>::new(), "{text}");
    assert!(text.matches("<li data-place=").count() == 9 && text.contains("data-owner=") && !text.contains("style=\""), "{text}");
    assert_eq!(text.matches("<script").count(), text.matches("<script src=").count());
    // the sheet's own page of the same clip is not blind: the search finds what is there
    assert!(!sees(&desk.get(&format!("/sheet/clip/{page}")).text()).is_empty());
    // what looks like a slip is asked about, and still nothing is told
    let mut slip = points(&report);
    slip["head_top"]["x"] = serde_json::json!(3.0);
    let send = |marks: &serde_json::Value, sure: bool| {
        desk.post("/ruler/marks", &serde_json::json!({ "owner": owner, "clip": clip, "marks": marks, "sure": sure }))
    };
    let asked = send(&slip, false);
    let answer: serde_json::Value = serde_json::from_slice(&asked.body).unwrap();
    assert_eq!((asked.code, &answer["kept"]), (200, &serde_json::json!(false)));
    assert!(answer["questions"][0].as_str().unwrap().contains("same head") && answer["rows"].as_array().unwrap().is_empty());
    assert_eq!(sees(&asked.text()), Vec::<String>::new());
    assert!(desk.store().marked().unwrap().is_empty());
    // kept: by hand and by the program, side by side
    let done: serde_json::Value = serde_json::from_slice(&send(&points(&report), false).body).unwrap();
    assert_eq!(done["kept"], true, "{done}");
    let rows = done["rows"].as_array().unwrap();
    let slide = swing.metrics["trail_hip_travel_cm"].measured().unwrap();
    assert!(rows.len() == 5 && rows[0][2].as_str().unwrap().starts_with(&format!("{:.1} cm", slide.value)), "{done}");
    let kept = desk.store().marked().unwrap();
    assert!(kept.len() == 1 && kept[0].clip == clip && kept[0].by_hand.contains("hip_edge_inside_foot_cm"));
    // again: beside the first; and what is sure is kept whatever is asked
    let second: serde_json::Value = serde_json::from_slice(&send(&slip, true).body).unwrap();
    assert!(second["kept"] == true && second["done"].as_str().unwrap().contains("first, which counts"), "{second}");
    assert_eq!(desk.store().marked().unwrap()[0], kept[0]);
    let told = desk.get("/ruler/index.html").text();
    assert!(told.contains("One clip measured by hand") && told.contains("Too few to tell"), "{told}");
}

/// Marks and draws are taken from the desk's own pages with the key alone; what is no mark changes nothing.
#[test]
fn marks_from_elsewhere_or_malformed_change_nothing() {
    let desk = Open::new();
    let (owner, clip, page, report) = measured(&desk);
    let (host, cookie) = (desk.host(), desk.cookie());
    let good = serde_json::json!({ "owner": owner, "clip": clip, "marks": points(&report), "sure": true });
    let decide = serde_json::json!({ "owner": owner, "clip": clip, "by_hand": true }).to_string();
    let metric = "{\"metric\":\"head_lateral_top_cm\"}".to_string();
    let posts = [
        ("/ruler/marks", good.to_string()),
        ("/ruler/draw", "{}".into()),
        ("/ruler/adopt", metric.clone()),
        ("/ruler/drop", metric),
        ("/ruler/decide", decide),
    ];
    for (path, body) in posts {
        let json = "Content-Type: application/json\r\n";
        let own = format!("Origin: http://{host}\r\n");
        for origin in ["Origin: http://evil.example\r\n", "Origin: null\r\n", ""] {
            assert_eq!(desk.raw("POST", path, &format!("Host: {host}\r\n{cookie}{json}{origin}"), &body).code, 403, "{path} {origin:?}");
        }
        assert_eq!(desk.raw("POST", path, &format!("Host: {host}\r\n{json}{own}"), &body).code, 403, "{path} without the key");
        assert_eq!(desk.raw("POST", path, &format!("Host: {host}\r\n{cookie}{own}Content-Type: text/plain\r\n"), &body).code, 415);
        for broken in ["", "{", "[1]", "{\"owner\":1}", "{\"more\":1}"] {
            let answer = desk.raw("POST", path, &format!("Host: {host}\r\n{cookie}{json}{own}"), broken);
            assert!((400..500).contains(&answer.code), "{path} {broken}: {}", answer.code);
        }
    }
    let refused = |change: &dyn Fn(&mut serde_json::Value)| {
        let mut body = good.clone();
        change(&mut body);
        let answer = desk.post("/ruler/marks", &body);
        assert!((400..500).contains(&answer.code), "{}: {}", answer.code, answer.text());
    };
    refused(&|b| b["marks"]["head_top"]["x"] = serde_json::json!(99999.0));
    refused(&|b| b["marks"]["head_top"]["x"] = serde_json::json!("left"));
    refused(&|b| b["marks"]["head_top"]["time"] = serde_json::json!(-3.0));
    refused(&|b| b["marks"]["left_ear"] = b["marks"]["head_top"].clone());
    refused(&|b| b["marks"] = serde_json::json!({}));
    refused(&|b| b["owner"] = serde_json::json!("../ada"));
    refused(&|b| b["clip"] = serde_json::json!(desk.clip));
    assert!(desk.store().marked().unwrap().is_empty(), "nothing was kept");
    assert_eq!(desk.get("/ruler/clip/..%2f..%2fsecret.txt").code, 404);
    assert_eq!(desk.raw("GET", &format!("/ruler/clip/{page}"), &format!("Host: {host}\r\n"), "").code, 403);
    // drawn by the desk's own page: the one clip that can be marked, and no second time
    for _ in 0..2 {
        assert_eq!(desk.post("/ruler/draw", &serde_json::json!({})).text(), "{\"waiting\":1}");
    }
    assert!(desk.get("/ruler/index.html").text().contains(&format!("clip/{page}")));
    assert_eq!(desk.store().marked().unwrap().len(), 1);
}

/// Eight clips, each read a centimetre more than by hand, the elbow a tenth of an upper arm: the page says so in words first, and draws
/// a dot a clip. An upper arm is .162 of 175 cm (`swing/scale.rs` has the source), a tenth of it 2.8.
#[test]
fn the_page_says_how_well_it_measures_here() {
    const METRIC: &str = "head_lateral_top_cm";
    const ELBOW: &str = "lead_elbow_bow_late_upper_arms";
    let desk = Open::new();
    let (owner, clip, _, report) = measured(&desk);
    let mut store = desk.store();
    let results = store.results().unwrap();
    let identity: Identity = serde_json::from_str(&results.iter().find(|(s, _)| s.report.clip.id == clip).unwrap().1).unwrap();
    for number in 0..8 {
        let (mut r, sha256) = (report.clone(), format!("{number:016}{}", "0".repeat(48)));
        (r.clip.id, r.clip.sha256) = (sha256[..16].into(), sha256.clone());
        let own = serde_json::to_string(&Identity { sha256, ..identity.clone() }).unwrap();
        store.record(&owner, &format!("key {number}"), &own, &r, None).unwrap();
        let program = |metric: &str| report.swings.iter().find(|s| s.main).unwrap().metrics[metric].measured().unwrap().value;
        // differing by as much to both sides of 1 cm
        let apart = 1.0 + if number % 2 == 0 { 0.1 } else { -0.1 };
        let head = serde_json::json!({ "value": program(METRIC) - apart, "per_mark_px": 0.1, "other_sd": 0.1 });
        let elbow = serde_json::json!({ "value": program(ELBOW) - 0.1 * apart, "per_mark_px": 0.001, "other_sd": 0.0 });
        let by_hand = serde_json::json!({ METRIC: head, ELBOW: elbow }).to_string();
        let row = Marked { owner: owner.clone(), clip: r.clip.id, kind: Kind::Marked, made_at: String::new(), marks: "{}".into(), by_hand };
        store.add_marked(&[row]).unwrap();
        let text = desk.get("/ruler/index.html").text();
        assert_eq!(text.contains("Too few to tell how well"), number < 7, "{number}");
        assert_eq!(text.matches("r=\"3.5\"").count(), if number < 7 { 0 } else { 16 }, "{number}");
    }
    let text = desk.get("/ruler/index.html").text();
    assert!(text.contains("8 clips measured by hand") && text.contains("Head moves away from the target, at the top"), "{text}");
    // SD √(8 · 0.01 / 7) = 0.107, and 1.96 of it beyond the centimetre 1.21
    assert!(text.contains("The program reads 1.0 cm more than you. On a single clip the two may differ by 1.2 cm."), "{text}");
    // SD .0107 of an arm and 1.96 of it beyond .1, in centimetres 3.4; told so in words, in numbers and where it may be adopted
    assert!(text.contains("The program reads 2.8 cm more than you. On a single clip the two may differ by 3.4 cm."), "{text}");
    assert!(
        text.contains("Program less hand: +2.8 (+2.6 to +3.1) cm on average, SD 0.3.") && text.contains("cm off what it reads"),
        "{text}"
    );
    assert!(!text.contains("upper arms on average") && text.contains("an upper arm of 28, a golfer&#39;s of 175 cm"), "{text}");
    assert!(!text.contains("style=\""));
    // offered, adopted by a press and taken back by another; what was not adopted cannot be
    let adopted = desk.folder.path().join("out/ruler.toml");
    let which = serde_json::json!({ "metric": METRIC });
    assert!(text.contains("data-adopt") && !text.contains("data-drop") && !adopted.exists());
    assert_eq!(desk.post("/ruler/drop", &which).code, 400);
    assert_eq!(desk.post("/ruler/adopt", &which).text(), format!("{{\"adopted\":[\"{METRIC}\"]}}"));
    let text = desk.get("/ruler/index.html").text();
    assert!(adopted.is_file() && text.contains("data-drop") && text.contains("from 8 clips: the program takes"), "{text}");
    let few = desk.post("/ruler/adopt", &serde_json::json!({ "metric": "hip_edge_travel_cm" }));
    assert!(few.code == 400 && few.text().contains("0 clips are marked of 8"), "{}", few.text());
    assert_eq!((desk.post("/ruler/drop", &which).code, adopted.exists()), (200, false));
}

/// A button beside the points: the clip goes by them and says so, the next points at once, and the program's word comes back.
#[test]
fn what_was_measured_decides_the_clip_by_a_press_and_no_more_by_another() {
    let desk = Open::new();
    let (owner, clip, page, report) = measured(&desk);
    let ask = |by_hand: bool| desk.post("/ruler/decide", &serde_json::json!({ "owner": owner, "clip": clip, "by_hand": by_hand }));
    let hidden = |shown: bool| format!("<p id=\"decide-both\"{}>", if shown { "" } else { " hidden" });
    let marking = || desk.get(&format!("/ruler/clip/{page}")).text();
    assert!(marking().contains(&hidden(false)));
    assert_eq!(ask(true).code, 400, "nothing is measured yet");
    let mark = |marks: serde_json::Value| {
        let sent = desk.post("/ruler/marks", &serde_json::json!({ "owner": owner, "clip": clip, "marks": marks, "sure": true }));
        assert_eq!(sent.code, 200, "{}", sent.text());
    };
    mark(points(&report));
    assert!(marking().contains(&hidden(true)));
    let of_clip = || desk.get(&format!("/sheet/clip/{page}")).text();
    assert!(!of_clip().contains("as you measured it"), "marks alone decide nothing");
    let done = ask(true);
    assert!(done.code == 200 && done.text().contains("The clip goes by what you measured now: flagged."), "{}", done.text());
    assert!(of_clip().contains("as you measured it") && of_clip().contains("Your own measurement decides it."));
    assert!(desk.get("/sheet/index.html").text().contains("1 of 2 judged"), "who measured has judged");
    let word = serde_json::json!({ "owner": owner, "clip": clip, "fault": "sway", "shown": "flagged", "agrees": true });
    assert_eq!(desk.post("/verdict", &word).code, 400, "there is nothing of the program's to agree with");
    // other points decide from when they are kept
    let sway = || {
        let report = desk.store().result(&owner, &clip).unwrap().unwrap();
        report.swings.into_iter().find(|s| s.main).unwrap().faults.remove(&dawnsheet::report::types::FaultName::Sway).unwrap()
    };
    let before = sway();
    let mut still = points(&report);
    still["hip_furthest"] = still["hip_address"].clone();
    mark(still);
    assert!(before.verdict != sway().verdict && sway().by_program.is_some(), "{}", sway().text);
    let done = ask(false);
    assert!(done.code == 200 && done.text().contains("what the program measured"), "{}", done.text());
    assert_eq!(desk.store().result(&owner, &clip).unwrap().unwrap().swings, report.swings);
    assert!(!of_clip().contains("as you measured it"));
    assert_eq!(desk.post("/ruler/decide", &serde_json::json!({ "owner": "nobody", "clip": clip, "by_hand": true })).code, 404);
}
