//! Names that this program gives to what it writes into an out folder. Whatever has another name is somebody else's: it is
//! never removed or rewritten.

/// Ending of a file that is still being written: `.<name>.dawnsheet-part`.
const PART: &str = ".dawnsheet-part";

/// Key pictures of a clip, without their `.jpg`; the last was drawn up to version 0.4.0.
pub const PICTURES: [&str; 8] = [
    "address",
    "hip_furthest",
    "head_furthest",
    "top",
    "impact",
    "half_follow_through",
    "late_follow_through",
    "chest_high_follow_through",
];

/// Folders at the top of an out folder.
pub const FOLDERS: [&str; 7] = ["reports", "keypoints", "sheet", "logs", "export", "staging", "answers"];

/// Files at the top of an out folder; older versions wrote no others.
pub const FILES: [&str; 7] =
    ["dawnsheet.sqlite", "dawnsheet.sqlite-wal", "dawnsheet.sqlite-shm", "dawnsheet.lock", "quarantine.json", "skipped.txt", ".write-test"];

/// What a coach adopted of clips marked by hand, and where it is set aside when it cannot be read.
pub const RULER: &str = "ruler.toml";
pub const RULER_ASIDE: &str = "ruler-damaged.toml";

/// File of settings that were in force before others came, by their hash: what once was named stays what it was.
pub fn former_settings(sha256: &str) -> String {
    format!("settings-{}.toml", sha256.chars().take(8).collect::<String>())
}

/// What a worker leaves in its folder.
const WORKERS: [&str; 12] = [
    "clip",
    "report.json",
    "seen.npz",
    "timings.json",
    "stderr.txt",
    "whole.json",
    "whole.part",
    "clip-then",
    "seen-then.npz",
    "film.mp4",
    "film.json",
    "moments.json",
];

fn hex(s: &str, digits: usize) -> bool {
    s.len() == digits && s.bytes().all(|b| matches!(b, b'0'..=b'9' | b'a'..=b'f'))
}

/// A clip's id: the first 16 hexadecimal digits of its content hash.
pub fn clip(s: &str) -> bool {
    hex(s, 16)
}

/// A student's folder name.
pub fn owner(s: &str) -> bool {
    let plain = s.bytes().all(|b| matches!(b, b'a'..=b'z' | b'0'..=b'9' | b'-'));
    s == "unassigned" || (plain && s.rsplit_once('-').is_some_and(|(name, hash)| !name.is_empty() && hex(hash, 6)))
}

/// Name under which a file is written before it is whole.
pub fn part_of(name: &str) -> String {
    format!(".{name}{PART}")
}

/// A file that is still being written, or was when its program died; of older versions those of clips.
pub fn part(s: &str) -> bool {
    (s.starts_with('.') && s.ends_with(PART)) || s.strip_suffix(".part").is_some_and(clip)
}

/// A clip's report.
pub fn report(s: &str) -> bool {
    s.strip_suffix(".json").is_some_and(clip)
}

/// What was seen of a clip.
pub fn keypoints(s: &str) -> bool {
    s.strip_suffix(".npz").is_some_and(clip)
}

/// A key picture.
pub fn picture(s: &str) -> bool {
    s.strip_suffix(".jpg").is_some_and(|s| PICTURES.contains(&s))
}

/// A clip's page: `<id>.html`, or `<id>-<owner>.html` where several students sent the same.
pub fn clip_page(s: &str) -> bool {
    s.strip_suffix(".html").is_some_and(|s| clip(s) || (s.is_char_boundary(16) && s.len() > 17 && clip(&s[..16]) && owner(&s[17..])))
}

/// A student's page.
pub fn student_page(s: &str) -> bool {
    s.strip_suffix(".html").is_some_and(owner)
}

/// A log of one day.
pub fn log(s: &str) -> bool {
    let day = s.strip_prefix("night.").and_then(|s| s.strip_suffix(".jsonl"));
    day.is_some_and(|d| d.len() == 10 && d.parse::<jiff::civil::Date>().is_ok())
}

/// A worker's folder: `<id>`, or `<id>-…`.
pub fn worker(s: &str) -> bool {
    s.is_char_boundary(16) && clip(&s[..16.min(s.len())]) && (s.len() == 16 || s.as_bytes().get(16) == Some(&b'-'))
}

/// A file in a worker's folder.
pub fn workers(s: &str) -> bool {
    WORKERS.contains(&s) || part(s) || moment(s)
}

/// A picture of a moment of a clip, `<seconds>s.png`.
pub fn moment(s: &str) -> bool {
    let seconds = s.strip_suffix("s.png");
    seconds.is_some_and(|s| s.starts_with(|c: char| c.is_ascii_digit()) && s.bytes().all(|b| b == b'.' || b.is_ascii_digit()))
}

/// A file of a student's exports.
pub fn export(s: &str) -> bool {
    let of = |ending: &str, which: fn(&str) -> bool| s.strip_suffix(ending).is_some_and(which);
    of(".csv", owner)
        || of(".marks.csv", owner)
        || of(".coco.json", owner)
        || of(".marks.coco.json", owner)
        || of(".trc", clip)
        || part(s)
        || moment(s)
        || exported_frame(s)
}

/// A file of a student's answers of one day: films, their pictures `then-and-now-<event>.jpg`, the note, the page.
pub fn answer(s: &str) -> bool {
    let of_two = |s: &str| s.strip_prefix("then-and-now-").is_some_and(picture);
    matches!(s, "note.txt" | "swing.mp4" | "then-and-now.mp4" | "answer.html") || picture(s) || of_two(s) || part(s)
}

/// The folder of a student's answers of one day.
pub fn answer_day(s: &str) -> bool {
    s.len() == 10 && s.parse::<jiff::civil::Date>().is_ok()
}

fn exported_frame(s: &str) -> bool {
    s.strip_suffix("_keypoints.json")
        .and_then(|s| s.split_once('_'))
        .is_some_and(|(id, frame)| clip(id) && !frame.is_empty() && frame.bytes().all(|b| b.is_ascii_digit()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn our_names_are_told_from_others() {
        let id = "0123456789abcdef";
        assert!(clip(id) && !clip("0123456789ABCDEF") && !clip("thesis"));
        assert!(owner("jonas-lind-0a1b2c") && owner("unassigned") && !owner("thesis") && !owner("-0a1b2c") && !owner("Jonas-0a1b2c"));
        assert!(part(&part_of("index.html")) && part(&format!("{id}.part")));
        assert!(!part("thesis.part") && !part("IMG_1.mp4.part") && !part("x.dawnsheet-part"));
        assert!(clip_page(&format!("{id}.html")) && clip_page(&format!("{id}-unassigned.html")) && !clip_page("notes.html"));
        assert!(!clip_page("ééééééééééééé.html") && !worker("ééééééééé"));
        assert!(log("night.2026-11-27.jsonl") && !log("night.thesis.jsonl") && !log("night.jsonl"));
        assert!(worker(id) && worker(&format!("{id}-jonas")) && !worker("thesis") && !worker(&format!("{id}x")));
        assert!(export(&format!("{id}_000000000012_keypoints.json")) && !export("thesis_keypoints.json"));
    }
}
