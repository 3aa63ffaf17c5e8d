//! An open desk, and requests as its pages or somebody else would make them.

use crate::support::{Builder, out_folder};
use dawnsheet::batch::forget::INBOX;
use dawnsheet::history::Store;
use dawnsheet::pose::models::hex;
use sha2::{Digest, Sha256};
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::process::{Child, Command, Stdio};

/// An inbox with one student's clip and a secret beside it, an out folder that knows them, and an open desk.
pub struct Open {
    pub folder: tempfile::TempDir,
    pub child: Child,
    pub port: u16,
    pub key: String,
    pub owner: String,
    pub clip: String,
    pub film: Vec<u8>,
}

pub struct Answer {
    pub code: u16,
    pub head: String,
    pub body: Vec<u8>,
}

impl Answer {
    pub fn text(&self) -> String {
        String::from_utf8_lossy(&self.body).into_owned()
    }

    pub fn header(&self, name: &str) -> Option<&str> {
        self.head.lines().find_map(|l| l.split_once(": ").filter(|(n, _)| n.eq_ignore_ascii_case(name)).map(|(_, v)| v))
    }
}

pub const SECRET: &str = "nobody may read this";
pub const EVIL: &str = "<img src=x onerror=alert(1)>";

pub fn film() -> Vec<u8> {
    (0..100_000u32).flat_map(|i| i.wrapping_mul(2_654_435_761).to_be_bytes()).collect()
}

/// Records a flagged sway whose file has these bytes.
pub fn record(store: &mut Store, seed: u64, student: &str, file: &str, bytes: &[u8]) -> (String, String) {
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
    pub fn new() -> Open {
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

    pub fn host(&self) -> String {
        format!("127.0.0.1:{}", self.port)
    }

    pub fn cookie(&self) -> String {
        format!("Cookie: dawnsheet-desk-{}={}\r\n", self.port, self.key)
    }

    /// One request exactly as written; `lines` are whole header lines.
    pub fn raw(&self, method: &str, path: &str, lines: &str, body: &str) -> Answer {
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
    pub fn get(&self, path: &str) -> Answer {
        self.raw("GET", path, &format!("Host: {}\r\n{}", self.host(), self.cookie()), "")
    }

    pub fn post(&self, path: &str, body: &serde_json::Value) -> Answer {
        let host = self.host();
        let lines = format!("Host: {host}\r\nOrigin: http://{host}\r\nContent-Type: application/json\r\n{}", self.cookie());
        self.raw("POST", path, &lines, &body.to_string())
    }

    pub fn film_path(&self) -> String {
        format!("/video/{}/{}", self.owner, self.clip)
    }

    pub fn store(&self) -> Store {
        Store::open(&self.folder.path().join("out/dawnsheet.sqlite")).unwrap()
    }

    pub fn word(&self, fault: &str, agrees: bool, note: &str) -> serde_json::Value {
        let shown = if fault == "sway" { "flagged" } else { "clear" };
        serde_json::json!({ "owner": self.owner, "clip": self.clip, "fault": fault, "shown": shown, "agrees": agrees, "note": note })
    }

    /// Ends it by this signal; its exit code.
    pub fn end(&mut self, signal: rustix::process::Signal) -> Option<i32> {
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
