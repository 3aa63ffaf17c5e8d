//! The desk by real requests: who is let in, what can be reached, parts of the footage, verdicts and taking them back.

use crate::support::{self, Builder, out_folder};
use dawnsheet::batch::forget::INBOX;
use dawnsheet::history::Store;
use dawnsheet::history::marked::{Kind, Marked};
use dawnsheet::intake::Brief;
use dawnsheet::judge::{self, Identity};
use dawnsheet::place::OutFolder;
use dawnsheet::pose::models::{ModelChoice, Models, hex};
use dawnsheet::report::Report;
use dawnsheet::report::types::{FaultName, Verdict};
use dawnsheet::seen::Seen;
use dawnsheet::settings::Settings;
use sha2::{Digest, Sha256};
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::Path;
use std::process::{Child, Command, Stdio};

/// An inbox with one student's clip and a secret beside it, an out folder that knows them, and an open desk.
struct Open {
    folder: tempfile::TempDir,
    child: Child,
    port: u16,
    key: String,
    owner: String,
    clip: String,
    film: Vec<u8>,
}

struct Answer {
    code: u16,
    head: String,
    body: Vec<u8>,
}

impl Answer {
    fn text(&self) -> String {
        String::from_utf8_lossy(&self.body).into_owned()
    }

    fn header(&self, name: &str) -> Option<&str> {
        self.head.lines().find_map(|l| l.split_once(": ").filter(|(n, _)| n.eq_ignore_ascii_case(name)).map(|(_, v)| v))
    }
}

const SECRET: &str = "nobody may read this";
const EVIL: &str = "<img src=x onerror=alert(1)>";

fn film() -> Vec<u8> {
    (0..100_000u32).flat_map(|i| i.wrapping_mul(2_654_435_761).to_be_bytes()).collect()
}

/// Records a flagged sway whose file has these bytes.
fn record(store: &mut Store, seed: u64, student: &str, file: &str, bytes: &[u8]) -> (String, String) {
    let sha256 = hex(&Sha256::digest(bytes));
    let builder = Builder::new(seed, student, "2026-04-12").sway(0.95, 7.5).note(EVIL);
    builder
        .change(|r| {
            r.clip.id = sha256[..16].into();
            r.clip.sha256 = sha256.clone();
            r.clip.bytes = bytes.len() as u64;
            r.clip.file = file.into();
        })
        .record(store)
}

impl Open {
    fn new() -> Open {
        let folder = tempfile::tempdir().unwrap();
        let inbox = folder.path().join("inbox");
        let film = film();
        std::fs::create_dir_all(inbox.join("Ada")).unwrap();
        std::fs::write(inbox.join("Ada/swing.mp4"), &film).unwrap();
        std::fs::write(folder.path().join("secret.txt"), SECRET).unwrap();
        let (out, mut store) = out_folder(&folder.path().join("out"));
        store.set_note(INBOX, inbox.to_str().unwrap()).unwrap();
        let (owner, clip) = record(&mut store, 1, "Ada", "Ada/swing.mp4", &film);
        std::fs::create_dir_all(out.pictures(&clip)).unwrap();
        std::fs::write(out.pictures(&clip).join("top.jpg"), b"a picture").unwrap();
        std::fs::write(out.pictures(&clip).join("other.txt"), SECRET).unwrap();
        drop(store);
        let mut child = Command::new(env!("CARGO_BIN_EXE_dawnsheet"))
            .args(["desk", "--out", out.root().to_str().unwrap()])
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let mut line = String::new();
        BufReader::new(child.stdout.take().unwrap()).read_line(&mut line).unwrap();
        let rest = line.trim().strip_prefix("http://127.0.0.1:").unwrap_or_else(|| panic!("no address: {line:?}"));
        let (port, key) = rest.split_once("/?key=").unwrap();
        Open { port: port.parse().unwrap(), key: key.into(), child, folder, owner, clip, film }
    }

    fn host(&self) -> String {
        format!("127.0.0.1:{}", self.port)
    }

    fn cookie(&self) -> String {
        format!("Cookie: dawnsheet-desk-{}={}\r\n", self.port, self.key)
    }

    /// One request exactly as written; `lines` are whole header lines.
    fn raw(&self, method: &str, path: &str, lines: &str, body: &str) -> Answer {
        let mut stream = TcpStream::connect(("127.0.0.1", self.port)).unwrap();
        stream.set_read_timeout(Some(std::time::Duration::from_secs(20))).unwrap();
        let length = if body.is_empty() { String::new() } else { format!("Content-Length: {}\r\n", body.len()) };
        write!(stream, "{method} {path} HTTP/1.1\r\n{lines}{length}Connection: close\r\n\r\n{body}").unwrap();
        let mut all = Vec::new();
        stream.read_to_end(&mut all).unwrap();
        let end = all.windows(4).position(|w| w == b"\r\n\r\n").unwrap_or_else(|| panic!("no answer to {method} {path}"));
        let head = String::from_utf8_lossy(&all[..end]).into_owned();
        let code = head.split(' ').nth(1).unwrap().parse().unwrap();
        let body = all.split_off(end + 4);
        let chunked = head.to_lowercase().contains("transfer-encoding: chunked");
        assert!(!chunked, "lengths are known: {head}");
        Answer { code, head, body }
    }

    /// A request as the desk's own page makes it.
    fn get(&self, path: &str) -> Answer {
        self.raw("GET", path, &format!("Host: {}\r\n{}", self.host(), self.cookie()), "")
    }

    fn post(&self, path: &str, body: &serde_json::Value) -> Answer {
        let host = self.host();
        let lines = format!("Host: {host}\r\nOrigin: http://{host}\r\nContent-Type: application/json\r\n{}", self.cookie());
        self.raw("POST", path, &lines, &body.to_string())
    }

    fn film_path(&self) -> String {
        format!("/video/{}/{}", self.owner, self.clip)
    }

    fn store(&self) -> Store {
        Store::open(&self.folder.path().join("out/dawnsheet.sqlite")).unwrap()
    }

    fn word(&self, fault: &str, agrees: bool, note: &str) -> serde_json::Value {
        let shown = if fault == "sway" { "flagged" } else { "clear" };
        serde_json::json!({ "owner": self.owner, "clip": self.clip, "fault": fault, "shown": shown, "agrees": agrees, "note": note })
    }

    /// Ends it by this signal; its exit code.
    fn end(&mut self, signal: rustix::process::Signal) -> Option<i32> {
        rustix::process::kill_process(rustix::process::Pid::from_child(&self.child), signal).unwrap();
        self.child.wait().unwrap().code()
    }
}

impl Drop for Open {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

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
    assert!(text.matches("<li data-place=").count() == 8 && text.contains("data-owner=") && !text.contains("style=\""), "{text}");
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
    let metric = "{\"metric\":\"head_lateral_top_cm\"}".to_string();
    let posts =
        [("/ruler/marks", good.to_string()), ("/ruler/draw", "{}".into()), ("/ruler/adopt", metric.clone()), ("/ruler/drop", metric)];
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

/// Eight clips, each read a centimetre more than by hand: the page says so in words first, and draws a dot a clip.
#[test]
fn the_page_says_how_well_it_measures_here() {
    const METRIC: &str = "head_lateral_top_cm";
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
        let program = report.swings.iter().find(|s| s.main).unwrap().metrics[METRIC].measured().unwrap().value;
        // differing by as much to both sides of 1 cm
        let apart = 1.0 + if number % 2 == 0 { 0.1 } else { -0.1 };
        let by_hand = serde_json::json!({ METRIC: { "value": program - apart, "per_mark_px": 0.1, "other_sd": 0.1 } }).to_string();
        let row = Marked { owner: owner.clone(), clip: r.clip.id, kind: Kind::Marked, made_at: String::new(), marks: "{}".into(), by_hand };
        store.add_marked(&[row]).unwrap();
        let text = desk.get("/ruler/index.html").text();
        assert_eq!(text.contains("Too few to tell how well"), number < 7, "{number}");
        assert_eq!(text.matches("r=\"3.5\"").count(), if number < 7 { 0 } else { 8 }, "{number}");
    }
    let text = desk.get("/ruler/index.html").text();
    assert!(text.contains("8 clips measured by hand") && text.contains("Head moves away from the target, at the top"), "{text}");
    // SD √(8 · 0.01 / 7) = 0.107, and 1.96 of it beyond the centimetre 1.21
    assert!(text.contains("The program reads 1.0 cm more than you. On a single clip the two may differ by 1.2 cm."), "{text}");
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
