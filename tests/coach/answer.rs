//! The answer to a student through the real program, from two clips of one swing: the later one is the earlier one cut and played
//! at half its speed, so that what stands side by side must look alike wherever the film stops.

use crate::support::{Builder, Place, Ran, dawnsheet, ffmpeg, out_folder, repository, settle};
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::OnceLock;

const NOW: &str = "Ada/2026-11-20 driver.mp4";

/// One night over both clips, for all tests here.
fn night() -> &'static Place {
    static NIGHT: OnceLock<Place> = OnceLock::new();
    NIGHT.get_or_init(|| {
        let place = Place::new();
        let swing = repository("fixtures/inbox/Jonas Lind/2026-11-24 driver.mp4");
        place.copy(&swing, "Ada/2026-11-01 driver.mp4");
        let (from, to) = (swing.to_str().unwrap().to_string(), place.at(NOW));
        ffmpeg(&["-ss", "0.3", "-i", &from, "-an", "-vf", "setpts=2*PTS", "-r", "30", to.to_str().unwrap()]);
        settle(&to);
        place.write("Ada/2026-11-20 driver.toml", b"playback_factor = 2\n");
        assert!(place.run(&[]).code <= 1);
        assert_eq!(place.reports().iter().filter(|r| r.usable).count(), 2);
        place
    })
}

fn answer(place: &Place, more: &[&str]) -> Ran {
    let mut all = vec!["answer", "Ada", "--out"];
    let out = place.out();
    all.push(out.to_str().unwrap());
    all.extend(more);
    dawnsheet(&all)
}

/// The folder of the only answer there is.
fn folder(place: &Place) -> PathBuf {
    let only = |p: PathBuf| std::fs::read_dir(p).unwrap().map(|e| e.unwrap().path()).next().unwrap();
    only(only(place.out().join("answers")))
}

fn made() -> &'static (Ran, PathBuf) {
    static MADE: OnceLock<(Ran, PathBuf)> = OnceLock::new();
    MADE.get_or_init(|| (answer(night(), &["--note", note().to_str().unwrap()]), folder(night())))
}

fn note() -> PathBuf {
    let path = night().folder.path().join("words.txt");
    std::fs::write(&path, "Dear <Ada>,\nwell done.").unwrap();
    path
}

fn asked(file: &Path, what: &str) -> String {
    let probe = Command::new("ffprobe").args(["-v", "error", "-show_entries", what, "-of", "csv=p=0"]).arg(file).output().unwrap();
    String::from_utf8(probe.stdout).unwrap().trim().to_string()
}

/// The two halves of a picture, grey, without the words above and below.
fn halves(picture: &Path) -> [Vec<u8>; 2] {
    let size = asked(picture, "stream=width,height");
    let (width, height) = size.split_once(',').unwrap();
    let (width, height): (usize, usize) = (width.parse().unwrap(), height.parse().unwrap());
    let raw = Command::new("ffmpeg").args(["-v", "error", "-i"]).arg(picture).args(["-f", "rawvideo", "-pix_fmt", "gray", "-"]).output();
    let grey = raw.unwrap().stdout;
    assert_eq!(grey.len(), width * height);
    let half = (width - 4) / 2;
    [0, width - half].map(|x| (40..height - 72).flat_map(|y| grey[y * width + x..y * width + x + half].to_vec()).collect())
}

fn apart(a: &[u8], b: &[u8]) -> f64 {
    a.iter().zip(b).map(|(a, b)| f64::from(a.abs_diff(*b))).sum::<f64>() / a.len() as f64
}

#[test]
fn then_and_now_of_one_swing_look_alike_wherever_the_film_stops() {
    let (ran, folder) = made();
    assert_eq!(ran.code, 0, "{}{}", ran.stdout, ran.stderr);
    let of = |event: &str| halves(&folder.join(format!("then-and-now-{event}.jpg")));
    let moments: Vec<[Vec<u8>; 2]> = ["address", "top", "impact"].iter().map(|e| of(e)).collect();
    for (i, [then, now]) in moments.iter().enumerate() {
        let same = apart(then, now);
        // the other moments of the same swing, in the same place of the picture
        let others = moments.iter().enumerate().filter(|(j, _)| *j != i).map(|(_, m)| apart(then, &m[1]));
        let least = others.fold(f64::INFINITY, f64::min);
        assert!(same * 2.0 < least, "moment {i}: {same:.1} apart, another one {least:.1}");
    }
}

#[test]
fn the_films_are_what_a_phone_plays_and_the_page_holds_them() {
    use base64::Engine;
    let (_, folder) = made();
    let page = std::fs::read_to_string(folder.join("answer.html")).unwrap();
    for film in ["swing.mp4", "then-and-now.mp4"] {
        let path = folder.join(film);
        assert_eq!(asked(&path, "stream=codec_type,codec_name,profile,pix_fmt"), "h264,Main,video,yuv420p", "{film}: one track, no sound");
        let bytes = std::fs::read(&path).unwrap();
        assert!(bytes.len() < 6_000_000);
        assert!(page.contains(&base64::engine::general_purpose::STANDARD.encode(&bytes)), "{film} is in the page as it is");
    }
    // the swing from .3 s of life before address to .3 s after the last stop, four times slower, with stops of a second each
    let seconds: f64 = asked(&folder.join("swing.mp4"), "format=duration").parse().unwrap();
    assert!((8.0..20.0).contains(&seconds), "{seconds}");
    assert_eq!(std::fs::read_to_string(folder.join("note.txt")).unwrap(), "Dear <Ada>,\nwell done.");
    assert!(page.contains("Dear &#60;Ada&#62;,"), "the coach's words, as words");
    // it asks nothing of a network
    assert!(!page.contains("http:") && !page.contains("https:") && !page.contains("src=\"//"));
}

/// Every file below a folder; none where it is not there.
fn files_below(folder: &Path) -> Vec<PathBuf> {
    let Ok(entries) = std::fs::read_dir(folder) else { return Vec::new() };
    entries.map(|e| e.unwrap().path()).flat_map(|p| if p.is_dir() { files_below(&p) } else { vec![p] }).collect()
}

/// The night's inbox and out folder once more, to be harmed.
fn copy(place: &Place) -> (PathBuf, PathBuf) {
    let status = Command::new("cp").arg("-a").arg(night().folder.path()).arg(place.folder.path().join("copy")).status().unwrap();
    assert!(status.success());
    let (inbox, out) = (place.folder.path().join("copy/inbox"), place.folder.path().join("copy/out"));
    dawnsheet::history::Store::open(&out.join("dawnsheet.sqlite"))
        .unwrap()
        .set_note(dawnsheet::batch::forget::INBOX, inbox.to_str().unwrap())
        .unwrap();
    (inbox, out)
}

/// From the n-th durable step on the disk is full, for every sixth n: what lies in the answer's folder is whole, and the program says
/// why.
#[test]
fn a_disk_that_fills_leaves_no_file_half_written() {
    let place = Place::new();
    let (_, out) = copy(&place);
    let whole = |path: &Path| match path.extension().and_then(|e| e.to_str()) {
        Some("html") => std::fs::read_to_string(path).unwrap().trim_end().ends_with("</html>"),
        Some("mp4") => asked(path, "stream=nb_frames").parse::<usize>().is_ok_and(|n| n > 200),
        Some("jpg") => std::fs::read(path).unwrap().ends_with(&[0xff, 0xd9]),
        _ => std::fs::metadata(path).unwrap().len() > 0,
    };
    let mut full = 0;
    for n in (1..).step_by(6) {
        // a disk on which nothing can be removed either: what the last one left is not this one's
        std::fs::remove_dir_all(out.join("staging")).unwrap();
        std::fs::create_dir(out.join("staging")).unwrap();
        let ran = Command::new(env!("CARGO_BIN_EXE_dawnsheet"))
            .args(["answer", "Ada", "--against", "none", "--out", out.to_str().unwrap()])
            .env(dawnsheet::fault::VARIABLE, format!("full:{n}"))
            .output()
            .unwrap();
        for file in files_below(&out.join("answers")) {
            assert!(whole(&file), "full:{n} left {}", file.display());
        }
        if ran.status.success() {
            break;
        }
        full += 1;
        let said = String::from_utf8_lossy(&ran.stderr).into_owned();
        assert!(said.contains("no storage space"), "full:{n}: {said}");
    }
    assert!(full >= 4, "before the film, in it, after it, and while it is put in place: {full}");
    assert!(files_below(&out.join("answers")).len() > 4);
}

#[test]
fn what_is_gone_or_changed_costs_its_film_alone_and_forget_erases_all() {
    let place = Place::new();
    let (inbox, out) = copy(&place);
    let ask = |more: &[&str]| dawnsheet(&[&["answer", "Ada", "--out", out.to_str().unwrap()], more].concat());
    let days = || std::fs::read_dir(out.join("answers")).unwrap().map(|e| e.unwrap().path()).next().unwrap();
    let files = || -> Vec<String> {
        let day = std::fs::read_dir(days()).unwrap().map(|e| e.unwrap().path()).next().unwrap();
        let mut all: Vec<String> = std::fs::read_dir(day).unwrap().map(|e| e.unwrap().file_name().into_string().unwrap()).collect();
        all.sort();
        all
    };
    std::fs::remove_file(inbox.join("Ada/2026-11-01 driver.mp4")).unwrap();
    let ran = ask(&[]);
    assert_eq!(ran.code, 0, "{}", ran.stderr);
    assert!(ran.stderr.contains("no then-and-now.mp4: the earlier clips no longer lie in the inbox"), "{}", ran.stderr);
    assert!(files().contains(&"swing.mp4".to_string()) && !files().iter().any(|f| f.starts_with("then")), "{:?}", files());

    std::fs::write(inbox.join(NOW), std::fs::read(repository("fixtures/inbox/Jonas Lind/2026-11-24 driver.mp4")).unwrap()).unwrap();
    let ran = ask(&["--against", "none"]);
    assert_eq!(ran.code, 1, "{}", ran.stderr);
    assert!(ran.stderr.contains("no longer the one that was measured"), "{}", ran.stderr);
    // of the same day: what it replaces is gone, the pictures stay
    assert!(!files().contains(&"swing.mp4".to_string()) && files().contains(&"top.jpg".to_string()), "{:?}", files());
    assert!(std::fs::read_dir(out.join("staging")).unwrap().next().is_none(), "nothing half made is left");

    std::fs::write(days().join("mine.txt"), b"the coach's own").unwrap();
    let ran = dawnsheet(&["forget", "Ada", "--yes", "--out", out.to_str().unwrap()]);
    assert!(!std::fs::read_dir(days()).unwrap().any(|e| e.unwrap().file_type().unwrap().is_dir()), "{}", ran.stdout);
    assert!(days().join("mine.txt").is_file(), "what is somebody else's stays");
}

#[test]
fn what_does_not_go_side_by_side_is_refused_with_its_reason() {
    use dawnsheet::report::types::ViewKind;
    let folder = tempfile::tempdir().unwrap();
    let (_, mut store) = out_folder(folder.path());
    let clip = |seed: u64, day: &str, change: fn(&mut dawnsheet::report::Report)| Builder::new(seed, "Ada", day).change(change);
    let (_, now) = clip(1, "2026-04-12", |_| {}).record(&mut store);
    let (_, line) = clip(2, "2026-04-02", |r| r.view.as_mut().unwrap().kind = ViewKind::DownTheLine).record(&mut store);
    let (_, wood) = clip(3, "2026-04-03", |r| {
        r.clip.club = Some("driver".into());
        r.clip.club_kind = Some(dawnsheet::report::types::ClubKind::Driver);
    })
    .record(&mut store);
    drop(store);
    let ask = |against: &str| dawnsheet(&["answer", "Ada", "--clip", &now, "--against", against, "--out", folder.path().to_str().unwrap()]);
    for (against, why) in [
        (&line, "one was filmed down the line, the other face-on"),
        (&wood, "one shows driver and woods, the other"),
        (&now, "they are one clip"),
    ] {
        let ran = ask(against);
        assert_eq!(ran.code, 2, "{}", ran.stderr);
        assert!(ran.stderr.contains(why), "{}", ran.stderr);
    }
    let ran = ask("ffff");
    assert!(ran.code == 2 && ran.stderr.contains("no clip of this student has an id that begins with ffff"), "{}", ran.stderr);
}
