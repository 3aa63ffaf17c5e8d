//! Key points may come from anywhere: whatever is wrong with a file is told, no other file is lost by it, and what looked at
//! a clip is never made up.

use crate::support::{self, Dice, Place, dawnsheet, repository, rounds};
use dawnsheet::history::Store;
use dawnsheet::intake::Brief;
use dawnsheet::judge::{Identity, judge};
use dawnsheet::pose::models::{ModelChoice, Models};
use dawnsheet::seen::{Seen, SeenBy};
use dawnsheet::settings::Settings;
use std::io::{Read, Write};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;

type Arrays = Vec<(String, Vec<u8>)>;

fn arrays(path: &Path) -> Arrays {
    let mut zip = zip::ZipArchive::new(std::fs::File::open(path).unwrap()).unwrap();
    (0..zip.len())
        .map(|i| {
            let mut entry = zip.by_index(i).unwrap();
            let mut bytes = Vec::new();
            entry.read_to_end(&mut bytes).unwrap();
            (entry.name().to_string(), bytes)
        })
        .collect()
}

fn packed(arrays: &Arrays) -> Vec<u8> {
    let mut zip = zip::ZipWriter::new(std::io::Cursor::new(Vec::new()));
    for (name, bytes) in arrays {
        zip.start_file(name, zip::write::SimpleFileOptions::default()).unwrap();
        zip.write_all(bytes).unwrap();
    }
    zip.finish().unwrap().into_inner()
}

/// Where the numbers of an array begin, and its shape.
fn header(bytes: &[u8]) -> (usize, Vec<usize>) {
    header_of(bytes).expect("an array that nobody harmed")
}

fn header_of(bytes: &[u8]) -> Option<(usize, Vec<usize>)> {
    let end = 10 + usize::from(u16::from_le_bytes([*bytes.get(8)?, *bytes.get(9)?]));
    let text = std::str::from_utf8(bytes.get(10..end)?).ok()?;
    let shape = text.split_once('(')?.1.split_once(')')?.0;
    Some((end, shape.split(',').filter_map(|s| s.trim().parse().ok()).collect()))
}

/// The array with another shape in its header, and its numbers cut or repeated to `data` bytes.
fn reshaped(bytes: &[u8], shape: &[usize], data: usize) -> Vec<u8> {
    let (end, _) = header(bytes);
    let text = std::str::from_utf8(&bytes[10..end]).unwrap();
    let (before, rest) = text.split_once('(').unwrap();
    let after = rest.split_once(')').unwrap().1.trim_end();
    let sides: Vec<String> = shape.iter().map(|s| format!("{s},")).collect();
    let text = format!("{before}({}){after}\n", sides.join(" "));
    let mut all = bytes[..8].to_vec();
    all.extend((text.len() as u16).to_le_bytes());
    all.extend(text.as_bytes());
    all.extend(bytes[end..].iter().cycle().take(if bytes.len() > end { data } else { 0 }));
    all
}

fn one_harm(dice: &mut Dice, arrays: &mut Arrays) {
    let at = dice.below(arrays.len());
    let (_, bytes) = &mut arrays[at];
    let Some((end, mut shape)) = header_of(bytes) else { return };
    let data = bytes.len() - end;
    let count: usize = shape.iter().product::<usize>().max(1);
    let size = (data / count).max(1);
    match dice.below(10) {
        // numbers that are all within their ranges
        7..10 if size >= 4 && data > 0 => {
            let mild = dice.below(1000) as f64 / 1000.0;
            for _ in 0..=dice.below(2000) {
                let place = end + dice.below(count) * size;
                match size {
                    8 => bytes[place..place + 8].copy_from_slice(&mild.to_le_bytes()),
                    _ if bytes[..end].windows(2).any(|w| w == b"f4") => {
                        bytes[place..place + 4].copy_from_slice(&(mild as f32).to_le_bytes())
                    }
                    _ => bytes[place..place + 4].copy_from_slice(&(dice.below(100) as u32).to_le_bytes()),
                }
            }
        }
        0 => drop(arrays.remove(at)),
        1 => bytes.truncate(dice.below(bytes.len())),
        2 => {
            let side = dice.below(shape.len());
            shape[side] = [0, 1, 2, 3, shape[side] + 1, 1 << 40, usize::MAX / 2][dice.below(7)];
            let wanted = shape.iter().try_fold(size, |n, s| n.checked_mul(*s)).filter(|n| *n < 4 << 20);
            *bytes = reshaped(bytes, &shape, wanted.unwrap_or(data));
        }
        3 if data > 0 => {
            for _ in 0..=dice.below(20) {
                let place = end + dice.below(data);
                bytes[place] = dice.next() as u8;
            }
        }
        4 if data >= 8 => {
            let worst = [f64::NAN, f64::INFINITY, -1e300, 1e30, 0.0, -1.0][dice.below(6)];
            let place = end + dice.below(data / size) * size;
            match size {
                8 => bytes[place..place + 8].copy_from_slice(&worst.to_le_bytes()),
                4 => bytes[place..place + 4].copy_from_slice(&(worst as f32).to_le_bytes()),
                _ => bytes[place] = worst as u8,
            }
        }
        5 => {
            shape.push(1);
            *bytes = reshaped(bytes, &shape, data);
        }
        _ => {
            let place = dice.below(bytes.len());
            bytes[place] ^= 1 << dice.below(8);
        }
    }
}

#[test]
fn no_file_of_key_points_brings_a_reader_down() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("fuzzed.npz");
    let (models, settings) = (Models::locate(), Settings::default());
    let mut dice = Dice(19);
    let (mut refused, mut judged) = (0, 0);
    for name in ["sway", "wing", "left_two_swings", "down_the_line"] {
        let from = repository("fixtures/keypoints").join(format!("{name}.npz"));
        let whole = arrays(&from);
        for round in 0..rounds("DAWNSHEET_FUZZ", 120) {
            let mut harmed = whole.clone();
            for _ in 0..=dice.below(2) {
                one_harm(&mut dice, &mut harmed);
            }
            let mut bytes = packed(&harmed);
            if round % 10 == 0 {
                let place = dice.below(bytes.len());
                bytes[place] ^= 0x55;
            }
            std::fs::write(&path, &bytes).unwrap();
            let kept = folder.path().join("last.npz");
            let seen = match catch_unwind(|| Seen::read(&path)) {
                Ok(Ok(seen)) => seen,
                Ok(Err(e)) => {
                    assert!(e.to_string().len() > 20, "{e}");
                    refused += 1;
                    continue;
                }
                Err(_) => panic!("{name}, round {round}: reading panicked"),
            };
            judged += 1;
            seen.write(&kept).unwrap();
            let identity = Identity { sha256: support::builder::sha(1), bytes: 1, brief: Brief::default() };
            let report = catch_unwind(AssertUnwindSafe(|| judge(&seen, &identity, ModelChoice::Accurate, &models, &settings)));
            let report = report.unwrap_or_else(|_| panic!("{name}, round {round}: judging panicked"));
            serde_json::from_str::<dawnsheet::report::Report>(&report.to_json()).unwrap();
        }
    }
    println!("{refused} refused, {judged} judged");
    assert!(refused > 100 && judged > 50, "{refused} refused, {judged} judged");
}

/// The first `keep` looks of one pass alone.
fn shortened(whole: &Arrays, pass: &str, keep: usize) -> Arrays {
    let cut = |name: &str| name.starts_with(&format!("{pass}_")) || (pass == "body" && (name == "camera.npy" || name.starts_with("key_")));
    let one = |(name, bytes): &(String, Vec<u8>)| {
        let (end, mut shape) = header(bytes);
        if !cut(name) {
            return (name.clone(), bytes.clone());
        }
        let keep = if name.starts_with("key_") && pass == "body" { 0 } else { keep.min(shape[0]) };
        let data = (bytes.len() - end) / shape[0].max(1) * keep;
        shape[0] = keep;
        (name.clone(), reshaped(bytes, &shape, data))
    };
    whole.iter().map(one).collect()
}

#[test]
fn a_short_but_whole_file_is_judged() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("short.npz");
    let (models, settings) = (Models::locate(), Settings::default());
    for name in ["sway", "wing", "left_two_swings", "down_the_line"] {
        let whole = arrays(&repository("fixtures/keypoints").join(format!("{name}.npz")));
        for pass in ["scout", "body", "key", "outline", "arm"] {
            for keep in [0, 1, 2, 3, 4, 5, 8, 13, 30, 60] {
                std::fs::write(&path, packed(&shortened(&whole, pass, keep))).unwrap();
                let seen = Seen::read(&path).unwrap_or_else(|e| panic!("{name}, {keep} of {pass}: {e}"));
                let identity = Identity { sha256: support::builder::sha(1), bytes: 1, brief: Brief::default() };
                let report = catch_unwind(AssertUnwindSafe(|| judge(&seen, &identity, ModelChoice::Accurate, &models, &settings)));
                assert!(report.is_ok(), "{name}, {keep} of {pass}: judging panicked");
            }
        }
    }
}

#[test]
fn a_broken_file_costs_itself_alone_and_says_what_is_wrong() {
    let place = Place::new();
    let from = repository("fixtures/keypoints/sway.npz");
    let whole = arrays(&from);
    let of = |name: &str| whole.iter().position(|(n, _)| n == &format!("{name}.npy")).unwrap();
    let with = |name: &str, change: &dyn Fn(&[u8]) -> Vec<u8>| {
        let mut all = whole.clone();
        let at = of(name);
        all[at].1 = change(&all[at].1);
        packed(&all)
    };
    let shape = |name: &str| header(&whole[of(name)].1).1;
    let n = shape("body_points")[0];
    let huge = reshaped(&whole[of("camera")].1, &[1 << 40, 3], 24);
    let broken: Vec<(&str, Vec<u8>)> = vec![
        ("camera", with("camera", &|b| reshaped(b, &[n - 1, 3], (n - 1) * 24))),
        ("body", with("body_frames", &|b| reshaped(b, &[n - 1], (n - 1) * 4))),
        ("body", with("body_points", &|b| reshaped(b, &[n, 34, 6], n * 34 * 6 * 4))),
        ("camera", with("camera", &|_| huge.clone())),
        ("outline", with("outline_regions", &|b| reshaped(b, &[1, 4], 32))),
        ("about", with("about", &|b| reshaped(b, &[3], 3))),
    ];
    place.copy(&from, "Ada/2026-01-01.npz");
    for (i, (_, bytes)) in broken.iter().enumerate() {
        place.write(&format!("Ada/2026-02-{:02}.npz", i + 1), bytes);
    }
    place.copy(&from, "Bo/2026-03-01.npz");
    let ran = dawnsheet(&["take-in", place.inbox().to_str().unwrap(), "--out", place.out().to_str().unwrap()]);
    assert_eq!(ran.code, 1, "{}{}", ran.stdout, ran.stderr);
    assert!(ran.stdout.contains("2 taken in, 0 here already"), "{}", ran.stdout);
    for (i, (array, _)) in broken.iter().enumerate() {
        let line = ran.stdout.lines().find(|l| l.contains(&format!("2026-02-{:02}.npz", i + 1))).unwrap();
        assert!(line.starts_with("left out:") && line.contains(array), "{line}");
    }
    // one that comes to harm later costs its own clip when all are judged again
    let id = place.reports()[0].clip.id.clone();
    std::fs::write(place.out().join("keypoints").join(format!("{id}.npz")), b"harmed").unwrap();
    let again = dawnsheet(&["rejudge", "--out", place.out().to_str().unwrap()]);
    assert_eq!(again.code, 0, "{}", again.stderr);
}

#[test]
fn what_looked_at_a_clip_is_told_by_its_key_points_or_unknown() {
    let place = Place::new();
    let from = repository("fixtures/keypoints/sway.npz");
    let mut seen = Seen::read(&from).unwrap();
    // as earlier versions wrote them
    seen.about.seen_by = None;
    seen.write(&place.at("Ada/2026-01-01.npz")).unwrap();
    let hash = "5".repeat(64);
    let engine = "0.2.9".to_string();
    seen.about.seen_by = Some(SeenBy { choice: ModelChoice::Fast, model_sha256: hash.clone(), engine });
    seen.write(&place.at("Bo/2026-01-02.npz")).unwrap();
    let at = place.out().to_str().unwrap().to_string();
    let look = |again: &str| {
        let reports = place.reports();
        assert_eq!(reports.len(), 2);
        let by = |i: usize| {
            let step = reports[i].provenance.iter().find(|s| s.step == "looked at by").unwrap();
            (reports[i].engine.pose_model, reports[i].engine.model_sha256.clone(), step.parameters["version"].clone())
        };
        assert_eq!(by(0), (ModelChoice::Unknown, "unknown".into(), "unknown".into()), "{again}");
        assert_eq!(by(1), (ModelChoice::Fast, hash.clone(), "0.2.9".into()), "{again}");
        let store = Store::open(&place.out().join("dawnsheet.sqlite")).unwrap();
        assert!(store.has_seen(&reports[1].clip.sha256, &hash, "0.2.9").unwrap());
    };
    assert_eq!(dawnsheet(&["take-in", place.inbox().to_str().unwrap(), "--out", &at]).code, 0);
    look("taken in");
    let again = dawnsheet(&["rejudge", "--out", &at]);
    assert!(again.stdout.starts_with("2 judged again"), "{}{}", again.stdout, again.stderr);
    look("judged again");
    assert!(dawnsheet(&["take-in", place.inbox().to_str().unwrap(), "--out", &at]).stdout.contains("0 taken in, 2 here already"));
    // and what this program looks at says so
    let clip = Place::new();
    clip.copy(&support::fixture("Mira Okafor/2026-11-23 7 iron.mp4"), "Mira Okafor/iron.mp4");
    clip.run(&["--model", "fast"]);
    let kept = clip.out().join("keypoints").join(format!("{}.npz", clip.reports()[0].clip.id));
    let by = Seen::read(&kept).unwrap().about.seen_by.unwrap();
    assert_eq!((by.choice, by.engine.as_str()), (ModelChoice::Fast, env!("CARGO_PKG_VERSION")));
    assert_eq!(by.model_sha256, clip.reports()[0].engine.model_sha256);
    // judged again it is done as before; had an earlier version looked, the next run looks anew
    let at = clip.out().to_str().unwrap().to_string();
    for (engine, anew) in [(env!("CARGO_PKG_VERSION"), false), ("0.2.9", true)] {
        let mut seen = Seen::read(&kept).unwrap();
        seen.about.seen_by = Some(SeenBy { engine: engine.into(), ..by.clone() });
        seen.write(&kept).unwrap();
        assert_eq!(dawnsheet(&["rejudge", "--out", &at]).code, 0);
        assert_eq!(clip.summary(&["--model", "fast"]).1["lines"][0]["new"], anew, "{engine}");
    }
}
