//! The night under torture: killed anywhere, fed with broken files, loaded with a thousand clips. The counts are printed;
//! `scripts/torture kill|fuzz|load` runs the same with more rounds.

mod support;

use rayon::prelude::*;
use std::collections::BTreeMap;
use std::os::unix::process::ExitStatusExt;
use std::path::Path;
use std::process::Stdio;
use std::time::{Duration, Instant};
use support::{Dice, Place, at_once, ffmpeg, fixture, kill_workers, nobody, rounds, stamped};

/// Small uploads of every way through the program: looked at by the models, refused by the probe, refused at the door, sent
/// twice.
fn small_inbox(place: &Place, clips: &Path) {
    place.copy(&clips.join("nobody.mp4"), "a/nobody.mp4");
    place.copy(&clips.join("nobody.mp4"), "b/the same.mp4");
    let sound = std::fs::read(clips.join("sound.mp4")).unwrap();
    for i in 0..2 {
        place.write(&format!("c/sound {i}.mp4"), &stamped(&sound, i));
    }
    place.write("c/text.mp4", b"no video at all");
}

fn small_clips(folder: &Path) {
    let source = "testsrc2=size=160x120:rate=30:duration=0.4";
    ffmpeg(&["-f", "lavfi", "-i", source, "-pix_fmt", "yuv420p", "-c:v", "libx264", folder.join("nobody.mp4").to_str().unwrap()]);
    ffmpeg(&["-f", "lavfi", "-i", "sine=duration=0.2", folder.join("sound.mp4").to_str().unwrap()]);
}

/// What became of a run with a fault at its n-th durable step.
enum Fault {
    /// The run ended before its n-th step.
    NotReached,
    Survived,
}

fn fault_at(clips: &Path, kind: &str, n: usize, undisturbed: &BTreeMap<String, String>) -> Fault {
    let place = Place::new();
    small_inbox(&place, clips);
    let status = place.command(&["--workers", "1"]).env(dawnsheet::fault::VARIABLE, format!("{kind}:{n}")).status().unwrap();
    let struck = if kind == "kill" {
        status.signal() == Some(9)
    } else {
        status.code() != Some(1) || !place.out().join("sheet/index.html").is_file()
    };
    place.assert_nothing_half();
    let (code, summary) = place.summary(&["--workers", "1"]);
    assert_eq!(code, 1, "sound and text are of no use");
    assert_eq!(summary["lines"].as_array().unwrap().len(), 5, "{kind}:{n}");
    place.assert_nothing_half();
    assert_eq!(&place.outcome(), undisturbed, "{kind}:{n}");
    let left = walkdir::WalkDir::new(place.out()).into_iter().filter_map(Result::ok);
    assert_eq!(left.filter(|e| e.path().extension().is_some_and(|x| x == "part")).count(), 0, "{kind}:{n}");
    if kind == "kill" && !struck { Fault::NotReached } else { Fault::Survived }
}

#[test]
fn killed_or_out_of_space_at_every_durable_step_nothing_is_lost() {
    let clips = tempfile::tempdir().unwrap();
    small_clips(clips.path());
    let place = Place::new();
    small_inbox(&place, clips.path());
    assert_eq!(place.run(&["--workers", "1"]).code, 1);
    let undisturbed = place.outcome();
    assert!(undisturbed.len() >= 8, "{:?}", undisturbed.keys());

    let (mut steps, batch) = (0, 16);
    for from in (1..).step_by(batch) {
        let reached: usize = (from..from + batch)
            .into_par_iter()
            .map(|n| usize::from(matches!(fault_at(clips.path(), "kill", n, &undisturbed), Fault::Survived)))
            .sum();
        steps += reached;
        if reached < batch {
            break;
        }
    }
    // out of space from every third step on; from every one where there is time
    let apart = rounds("TORTURE_APART", 3);
    let full: Vec<usize> = (1..=steps).step_by(apart).collect();
    full.par_iter().for_each(|&n| {
        fault_at(clips.path(), "full", n, &undisturbed);
    });
    println!("durable steps of a run: {steps}; killed at each, out of space from {}: all survived", full.len());
    assert!(steps >= rounds("TORTURE_STEPS", 75), "{steps} steps");
}

#[test]
fn killed_at_random_times_during_inference_nothing_is_lost() {
    let wanted = rounds("TORTURE_KILLS", 24);
    let mut dice = Dice(20261125);
    let fill = |place: &Place| {
        place.copy(&fixture("Mira Okafor/2026-11-23 7 iron.mp4"), "a/swing.mp4");
        place.copy(&fixture("Priya Raman/2026-11-24 7 iron.mp4"), "b/swing.mp4");
    };
    let place = Place::new();
    fill(&place);
    let began = Instant::now();
    assert_eq!(place.run(&["--model", "fast"]).code, 0);
    let whole = began.elapsed().as_secs_f64();
    let undisturbed = place.outcome();

    let (mut kills, mut nights, mut of_workers) = (0, 0, 0);
    while kills < wanted {
        let place = Place::new();
        fill(&place);
        nights += 1;
        // at most a dozen kills a night, then it may end in peace
        for _ in 0..12 {
            let mut run = place.command(&["--model", "fast", "--retry-failed"]).spawn().unwrap();
            std::thread::sleep(Duration::from_secs_f64(whole * 0.6 * (dice.below(1000) as f64 / 1000.0)));
            let worker = dice.below(3) == 0;
            if run.try_wait().unwrap().is_some() {
                break;
            }
            if worker {
                let killed = kill_workers(&place.out());
                of_workers += killed;
                kills += killed;
                run.wait().unwrap();
            } else {
                run.kill().unwrap();
                run.wait().unwrap();
                kills += 1;
            }
            place.assert_nothing_half();
        }
        let (code, summary) = place.summary(&["--model", "fast", "--retry-failed"]);
        assert_eq!((code, summary["lines"].as_array().unwrap().len()), (0, 2));
        assert_eq!(place.outcome(), undisturbed);
    }
    println!("random kills during inference: {kills} ({of_workers} of workers) in {nights} nights, all survived");
    assert!(of_workers > 0 && of_workers < kills);
}

/// One way of damaging a file, anywhere or within its first or last kilobytes, where containers keep their tables.
fn mutated(bytes: &[u8], dice: &mut Dice) -> Vec<u8> {
    let mut all = bytes.to_vec();
    for _ in 0..1 + dice.below(3) {
        let (from, to) = match dice.below(3) {
            0 => (0, all.len().min(2048)),
            1 => (all.len().saturating_sub(4096), all.len()),
            _ => (0, all.len()),
        };
        let at = from + dice.below(to - from);
        let end = (at + 1 + dice.below(512)).min(all.len());
        match dice.below(6) {
            0 => all.truncate(at),
            1 => drop(all.drain(at..end)),
            2 => {
                let copy = all[at..end].to_vec();
                all.splice(at..at, copy);
            }
            3 => all[at..end].fill(0),
            4 => all[at..end].fill(0xFF),
            _ => {
                for _ in 0..1 + dice.below(16) {
                    let i = from + dice.below(to.min(all.len()).saturating_sub(from));
                    if let Some(b) = all.get_mut(i) {
                        *b ^= 1 << dice.below(8);
                    }
                }
            }
        }
    }
    all
}

/// Boxes of an ISO file that say where pictures and sound lie, how they are packed and when they are shown.
const INDEX: [&[u8; 4]; 21] = [
    b"moov", b"mvhd", b"trak", b"tkhd", b"edts", b"elst", b"mdhd", b"hdlr", b"stbl", b"stsd", b"stts", b"ctts", b"stsc", b"stsz", b"stco",
    b"stss", b"avcC", b"esds", b"mp4a", b"tfhd", b"trun",
];

/// A number that a table would not hold: about a bound of its type, or any.
fn odd(dice: &mut Dice) -> [u8; 4] {
    let bounds = [0, 1, 2, 7, 8, 0x7FFF_FFFF, 0x8000_0000, 0xFFFF_FFFE, 0xFFFF_FFFF];
    bounds.get(dice.below(12)).copied().unwrap_or_else(|| dice.next() as u32).to_be_bytes()
}

/// One box of an ISO file's index damaged where a decoder believes it, and which; none where there is no such box.
fn index_damaged(bytes: &[u8], dice: &mut Dice) -> Option<(&'static str, Vec<u8>)> {
    let boxes =
        |name: &'static [u8; 4]| bytes.windows(4).enumerate().filter(move |(i, b)| *i >= 4 && b == name).map(move |(i, _)| (i, name));
    let all: Vec<(usize, &[u8; 4])> = INDEX.into_iter().flat_map(boxes).collect();
    let &(at, name) = all.get(dice.below(all.len()))?;
    let size = u32::from_be_bytes(bytes[at - 4..at].try_into().unwrap()) as usize;
    let (from, end) = (at - 4, (at - 4).saturating_add(size).clamp(at + 4, bytes.len()));
    let mut made = bytes.to_vec();
    match dice.below(6) {
        0 => made[from..at].copy_from_slice(&odd(dice)),
        1 => drop(made.drain(from..end)),
        2 => drop(made.splice(from..from, bytes[from..end].to_vec())),
        3 => made[at..at + 4].copy_from_slice(INDEX[dice.below(INDEX.len())]),
        _ => {
            for _ in 0..1 + dice.below(4) {
                let word = at + 4 + dice.below((end - at - 4) / 4) * 4;
                if word + 4 <= end {
                    made[word..word + 4].copy_from_slice(&odd(dice));
                }
            }
        }
    }
    Some((std::str::from_utf8(name).unwrap(), made))
}

#[test]
fn mutated_clips_end_as_a_report_or_a_reason() {
    let files = rounds("TORTURE_FUZZ", 200);
    let mut dice = Dice(rounds("TORTURE_SEED", 7) as u64);
    let made = tempfile::tempdir().unwrap();
    let mut bases = Vec::new();
    // every container with pictures alone and with sound beside them; the fragmented one keeps its tables in pieces
    for (ending, codec, sound, more) in [
        ("mp4", "libx264", "aac", ""),
        ("mov", "mjpeg", "pcm_s16le", ""),
        ("mkv", "libx264", "libvorbis", ""),
        ("webm", "libvpx", "libopus", ""),
        ("avi", "mpeg4", "libmp3lame", ""),
        ("3gp", "h263", "aac", ""),
        ("mp4", "libx264", "aac", "frag_keyframe+empty_moov"),
    ] {
        let size = if codec == "h263" { "176x144" } else { "160x120" };
        let pictures = format!("testsrc2=size={size}:rate=30:duration=0.5");
        let format = if codec == "mjpeg" { "yuvj420p" } else { "yuv420p" };
        for with_sound in [false, true] {
            let path = made.path().join(format!("base.{ending}"));
            let mut arguments = vec!["-f", "lavfi", "-i", &pictures];
            if with_sound {
                arguments.extend(["-f", "lavfi", "-i", "sine=frequency=900:sample_rate=48000:duration=0.5", "-c:a", sound]);
            }
            arguments.extend(["-pix_fmt", format, "-c:v", codec]);
            if !more.is_empty() {
                arguments.extend(["-movflags", more]);
            }
            arguments.push(path.to_str().unwrap());
            ffmpeg(&arguments);
            bases.push((ending, std::fs::read(path).unwrap()));
        }
    }
    let golfer = made.path().join("golfer.mp4");
    let swing = fixture("Mira Okafor/2026-11-23 7 iron.mp4");
    ffmpeg(&["-ss", "1", "-i", swing.to_str().unwrap(), "-t", "0.5", "-vf", "scale=180:320", golfer.to_str().unwrap()]);
    bases.push(("mp4", std::fs::read(golfer).unwrap()));

    let place = Place::new();
    let mut boxes = BTreeMap::<&str, usize>::new();
    for i in 0..files {
        let (ending, bytes) = &bases[i % bases.len()];
        let path = place.at(&format!("s{}/{i}.{ending}", i % 7));
        // of those that have such an index, every second round
        let of_index = if i / bases.len() % 2 == 1 { index_damaged(bytes, &mut dice) } else { None };
        let bytes = match of_index {
            Some((name, bytes)) => {
                *boxes.entry(name).or_default() += 1;
                bytes
            }
            None => mutated(bytes, &mut dice),
        };
        std::fs::write(path, bytes).unwrap();
    }
    let began = Instant::now();
    let (code, summary) = place.summary(&["--settings", &at_once(&place)]);
    assert_eq!(code, 1);
    let lines = summary["lines"].as_array().unwrap();
    assert_eq!(lines.len(), files);
    let (mut places, mut reasons) = (BTreeMap::<String, usize>::new(), BTreeMap::<String, usize>::new());
    let reports: BTreeMap<String, _> = place.reports().into_iter().map(|r| (r.clip.file.clone(), r)).collect();
    for line in lines {
        let (place, file) = (line["place"].as_str().unwrap(), line["file"].as_str().unwrap());
        *places.entry(place.into()).or_default() += 1;
        assert_ne!(place, "waiting", "{line}");
        if place != "repeat" {
            let report = &reports[file];
            assert!(report.usable || !report.reasons.is_empty(), "{file}");
            let code = report.reasons.first().map_or_else(|| "none".to_string(), |r| r.code.code());
            *reasons.entry(code).or_default() += 1;
        }
    }
    println!(
        "{files} mutated files in {:.0} s: {places:?}; first reasons: {reasons:?}; boxes of an index: {boxes:?}",
        began.elapsed().as_secs_f64()
    );
    assert!(reasons.len() >= 5, "the mutations reach more than one way through the program: {reasons:?}");
    assert!(boxes.len() >= 10, "{boxes:?}");
}

#[test]
fn a_night_of_many_clips_is_flat_in_memory_and_file_handles() {
    let clips = rounds("TORTURE_CLIPS", 60);
    let made = tempfile::tempdir().unwrap();
    small_clips(made.path());
    nobody(&made.path().join("longer.mp4"), 1);
    let read = |name: &str| std::fs::read(made.path().join(name)).unwrap();
    let (nobody, longer, sound) = (read("nobody.mp4"), read("longer.mp4"), read("sound.mp4"));
    let swing = std::fs::read(fixture("Mira Okafor/2026-11-23 7 iron.mp4")).unwrap();
    let place = Place::new();
    let mut last = Vec::new();
    for i in 0..clips {
        let number = i as u32;
        let bytes = match i % 20 {
            0 => stamped(&longer, number),
            1 | 2 => last.clone(),
            3 => b"no video".to_vec(),
            4 => nobody[..nobody.len() / 2 + i % 50].to_vec(),
            5 | 6 => stamped(&sound, number),
            7 if i % 100 == 7 => stamped(&swing, number),
            _ => stamped(&nobody, number),
        };
        last = bytes.clone();
        std::fs::write(place.at(&format!("student {}/{i:04}.mp4", i / 20 % 30)), bytes).unwrap();
    }
    let settings = at_once(&place);
    let began = Instant::now();
    let mut run = place.command(&["--model", "fast", "--settings", &settings]).spawn().unwrap();
    let mut samples = Vec::new();
    while run.try_wait().unwrap().is_none() {
        samples.extend(memory_and_handles(run.id()));
        std::thread::sleep(Duration::from_millis(50));
    }
    let seconds = began.elapsed().as_secs_f64();
    assert_eq!(run.wait().unwrap().code(), Some(1));
    // the middle of the night, when clips are worked on: without its start and without the writing of the sheet
    let part = |from: usize, to: usize| {
        let part = &samples[samples.len() * from / 100..samples.len() * to / 100];
        (part.iter().map(|s| s.0).max().unwrap(), part.iter().map(|s| s.1).max().unwrap())
    };
    let (early, late) = (part(20, 45), part(65, 90));
    let peak = samples.iter().map(|s| s.0).max().unwrap();
    let again = Instant::now();
    let (_, summary) = place.summary(&["--model", "fast", "--settings", &settings]);
    let again = again.elapsed().as_secs_f64();
    println!(
        "{clips} clips in {seconds:.0} s ({:.1} a second); parent {} MB early, {} MB late, {} MB at most; handles {} early, {} late; second run {again:.1} s",
        clips as f64 / seconds,
        early.0,
        late.0,
        peak,
        early.1,
        late.1
    );
    assert_eq!(summary["lines"].as_array().unwrap().len(), clips);
    assert!(summary["lines"].as_array().unwrap().iter().all(|l| l["new"] == false || l["place"] == "repeat"));
    assert!(late.0 < early.0 + 8 && late.1 <= early.1 + 4, "memory or handles grow");
    assert!(again < seconds / 2.0);
}

/// A student who films a whole bucket in one go: pictures of one swing are not kept in memory while others are looked at.
#[test]
fn a_clip_of_many_swings_takes_the_memory_of_one_with_two() {
    let two = fixture("Tomas Varga/VID_20261124_181502.mp4");
    let peak_of = |times: usize| {
        let place = Place::new();
        ffmpeg(&[
            "-stream_loop",
            &(times - 1).to_string(),
            "-i",
            two.to_str().unwrap(),
            "-c",
            "copy",
            place.at("a/clip.mp4").to_str().unwrap(),
        ]);
        let mut run = place.command(&["--model", "fast", "--settings", &at_once(&place)]).spawn().unwrap();
        let mut peak = 0;
        while run.try_wait().unwrap().is_none() {
            peak = peak.max(below(run.id()).into_iter().filter_map(most_memory).max().unwrap_or(0));
            std::thread::sleep(Duration::from_millis(10));
        }
        assert_eq!(run.wait().unwrap().code(), Some(0));
        assert_eq!(place.reports()[0].swings.len(), 2 * times);
        peak
    };
    let (few, many) = (peak_of(1), peak_of(3));
    println!("the largest process: {few} MB with two swings, {many} MB with six");
    assert!(few > 50 && many < few + 40, "{few} MB with two swings, {many} MB with six");
}

/// A clip's process needs room for a while; a night that has none stops, blames no clip and goes on when there is some.
#[test]
fn out_of_space_while_pictures_are_kept_no_clip_is_blamed() {
    let place = Place::new();
    place.copy(&fixture("Priya Raman/2026-11-24 7 iron.mp4"), "a/swing.mp4");
    // the night itself has fewer steps than this
    let full = place.command(&["--model", "fast"]).env(dawnsheet::fault::VARIABLE, "full:40").stderr(Stdio::piped()).output().unwrap();
    let said = String::from_utf8_lossy(&full.stderr);
    assert!(full.status.code() == Some(1) && said.contains("no storage space") && said.contains("run again"), "{said}");
    assert!(place.reports().is_empty());
    let store = rusqlite::Connection::open(place.out().join("dawnsheet.sqlite")).unwrap();
    assert_eq!(store.query_row("SELECT count(*) FROM attempt", [], |r| r.get(0)), Ok(0));
    let (code, summary) = place.summary(&["--model", "fast"]);
    assert_eq!((code, place.reports().len()), (0, 1), "{summary}");
    assert!(place.reports()[0].usable);
}

/// Processes that a process has started, and those that they have.
fn below(id: u32) -> Vec<u32> {
    let tasks = std::fs::read_dir(format!("/proc/{id}/task")).into_iter().flatten().filter_map(Result::ok);
    let lists = tasks.filter_map(|task| std::fs::read_to_string(task.path().join("children")).ok());
    let children: Vec<u32> = lists.flat_map(|list| list.split_whitespace().filter_map(|x| x.parse().ok()).collect::<Vec<u32>>()).collect();
    children.into_iter().flat_map(|child| [vec![child], below(child)].concat()).collect()
}

/// The most resident memory that a process has had so far, megabytes.
fn most_memory(id: u32) -> Option<u64> {
    kilobytes(id, "VmHWM").map(|kb| kb / 1000)
}

fn kilobytes(id: u32, what: &str) -> Option<u64> {
    let status = std::fs::read_to_string(format!("/proc/{id}/status")).ok()?;
    status.lines().find(|l| l.starts_with(what))?.split_whitespace().nth(1)?.parse().ok()
}

/// Resident memory in megabytes and open files of a process.
fn memory_and_handles(id: u32) -> Option<(u64, usize)> {
    Some((kilobytes(id, "VmRSS")? / 1000, std::fs::read_dir(format!("/proc/{id}/fd")).ok()?.count()))
}
