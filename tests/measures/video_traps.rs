//! How phone video goes wrong: each trap is made with ffmpeg, first shown to be what it says, then read.

use crate::support::{self, Place, ffmpeg, fixture};
use dawnsheet::report::ReasonCode;
use dawnsheet::settings::Settings;
use dawnsheet::video::probe::{Packet, packet_times};
use dawnsheet::video::{Footage, Probe, Shown, probe, set_threads};
use opencv::core::{Mat, MatTraitConst, MatTraitConstManual, Vec3b};
use opencv::imgcodecs;
use std::path::{Path, PathBuf};
use std::process::Command;

pub fn folder() -> tempfile::TempDir {
    tempfile::tempdir().unwrap()
}

pub fn read(path: &Path) -> Probe {
    probe(path, &Settings::default()).unwrap().unwrap()
}

fn refused(path: &Path) -> ReasonCode {
    probe(path, &Settings::default()).unwrap().unwrap_err().code
}

/// Frame times as ffprobe's own decoder shows them: a second way to the same truth.
fn decoded_times(path: &Path) -> Vec<f64> {
    let output = Command::new("ffprobe")
        .args(["-v", "error", "-select_streams", "v:0", "-show_entries", "frame=best_effort_timestamp_time", "-of", "csv=p=0"])
        .arg(path)
        .output()
        .unwrap();
    let all: Vec<f64> =
        String::from_utf8_lossy(&output.stdout).lines().filter_map(|l| l.trim().trim_end_matches(',').parse().ok()).collect();
    all.iter().map(|t| t - all[0]).collect()
}

fn same_times(ours: &[f64], theirs: &[f64]) {
    assert_eq!(ours.len(), theirs.len());
    for (a, b) in ours.iter().zip(theirs) {
        assert!((a - b).abs() < 1e-4, "{a} against {b}");
    }
}

fn source(folder: &Path, name: &str, filter: &str, more: &[&str]) -> PathBuf {
    let path = folder.join(name);
    let mut all = vec!["-f", "lavfi", "-i", filter];
    all.extend(more);
    all.extend(["-pix_fmt", "yuv420p", path.to_str().unwrap()]);
    ffmpeg(&all);
    path
}

/// The picture of a frame that must be there.
pub fn picture<'a>(footage: &'a mut Footage, index: usize) -> &'a Mat {
    match footage.frame(index).unwrap() {
        Shown::Picture(picture) => picture,
        Shown::Lost => panic!("frame {index} is lost"),
        Shown::Ended => panic!("the footage ends before frame {index}"),
    }
}

/// Brightness of a place.
fn grey(picture: &Mat, x: i32, y: i32) -> u8 {
    picture.at_2d::<Vec3b>(y, x).unwrap()[1]
}

/// Corner (0 upper left, 1 upper right, 2 lower right, 3 lower left) in which a picture is white.
fn white_corner(picture: &opencv::core::Mat) -> usize {
    let (w, h) = (picture.cols(), picture.rows());
    let bright = |x: i32, y: i32| picture.at_2d::<Vec3b>(y, x).unwrap()[1] > 180;
    let corners = [bright(10, 10), bright(w - 10, 10), bright(w - 10, h - 10), bright(10, h - 10)];
    assert_eq!(corners.iter().filter(|c| **c).count(), 1, "{corners:?}");
    corners.iter().position(|c| *c).unwrap()
}

#[test]
fn turned_clips_come_out_upright() {
    let f = folder();
    let plain =
        source(f.path(), "plain.mp4", "color=black:size=320x240:rate=30:duration=0.5,drawbox=x=0:y=0:w=40:h=40:color=white:t=fill", &[]);
    for turn in ["0", "90", "180", "270"] {
        let turned = f.path().join(format!("turned{turn}.mp4"));
        let tag = format!("rotate={turn}");
        ffmpeg(&["-i", plain.to_str().unwrap(), "-c", "copy", "-metadata:s:v:0", &tag, turned.to_str().unwrap()]);
        // what ffmpeg itself shows of it
        let shown = f.path().join(format!("shown{turn}.png"));
        ffmpeg(&["-i", turned.to_str().unwrap(), "-frames:v", "1", shown.to_str().unwrap()]);
        let shown = imgcodecs::imread(shown.to_str().unwrap(), imgcodecs::IMREAD_COLOR).unwrap();
        let probe = read(&turned);
        // the tag's sign differs between muxers; ffmpeg's own upright picture is the truth
        assert_eq!(probe.turn.rotation_deg() % 180, turn.parse::<u32>().unwrap() % 180);
        assert!(!probe.turn.mirrored());
        let mut footage = Footage::open(&turned, &probe).unwrap();
        let ours = picture(&mut footage, 0);
        assert_eq!((ours.cols(), ours.rows()), (shown.cols(), shown.rows()));
        assert_eq!(white_corner(ours), white_corner(&shown), "turned by {turn}");
        let (w, h) = probe.upright_size();
        assert_eq!((w as i32, h as i32), (ours.cols(), ours.rows()));
    }
}

#[test]
fn frames_shown_out_of_coding_order_keep_their_times() {
    let f = folder();
    let clip = source(f.path(), "b.mp4", "testsrc2=size=320x240:rate=30:duration=2", &["-c:v", "libx264", "-bf", "3", "-g", "60"]);
    let probe = read(&clip);
    same_times(&probe.times, &decoded_times(&clip));
    assert_eq!(probe.times.len(), 60);
    let mut footage = Footage::open(&clip, &probe).unwrap();
    picture(&mut footage, 59);
    assert_eq!(footage.count_rest(), 60);
}

#[test]
fn uneven_frame_intervals_are_kept() {
    let f = folder();
    let slow_middle = "testsrc2=size=320x240:rate=60:duration=2,setpts='if(between(N,40,80),PTS+(N-40)*0.05/TB,if(gt(N,80),PTS+2/TB,PTS))'";
    let clip = source(f.path(), "vfr.mp4", slow_middle, &["-c:v", "libx264", "-vsync", "vfr", "-video_track_timescale", "60000"]);
    let theirs = decoded_times(&clip);
    let steps: Vec<f64> = theirs.windows(2).map(|w| w[1] - w[0]).collect();
    assert!(steps.iter().any(|s| *s > 0.06) && steps.iter().any(|s| *s < 0.02), "the clip is as uneven as meant");
    same_times(&read(&clip).times, &theirs);
}

#[test]
fn frames_hidden_by_an_edit_list_do_not_count() {
    let f = folder();
    let whole = source(f.path(), "whole.mp4", "testsrc2=size=320x240:rate=30:duration=3", &["-c:v", "libx264", "-g", "30"]);
    let cut = f.path().join("cut.mp4");
    ffmpeg(&["-ss", "1.5", "-i", whole.to_str().unwrap(), "-c", "copy", cut.to_str().unwrap()]);
    let shown = decoded_times(&cut);
    let probe = read(&cut);
    same_times(&probe.times, &shown);
    let mut footage = Footage::open(&cut, &probe).unwrap();
    assert_eq!(footage.count_rest(), shown.len(), "the decoder shows as many");
}

#[test]
fn a_late_start_becomes_zero() {
    let f = folder();
    let plain = source(f.path(), "plain.mp4", "testsrc2=size=320x240:rate=30:duration=1", &[]);
    let late = f.path().join("late.mkv");
    ffmpeg(&["-itsoffset", "3", "-i", plain.to_str().unwrap(), "-c", "copy", late.to_str().unwrap()]);
    let times = read(&late).times;
    assert_eq!(times.len(), 30);
    assert!(times[0] == 0.0 && times[29] < 1.0);
}

#[test]
fn an_upload_that_broke_off_is_said_to_be_so() {
    let f = folder();
    let whole = source(f.path(), "whole.mp4", "testsrc2=size=320x240:rate=30:duration=2", &["-c:v", "libx264"]);
    let bytes = std::fs::read(&whole).unwrap();
    let index = bytes.windows(4).position(|w| w == b"moov").unwrap();
    assert!(index > bytes.len() / 2, "the index is at the end");
    let broken = f.path().join("broken.mp4");
    std::fs::write(&broken, &bytes[..bytes.len() / 2]).unwrap();
    assert_eq!(refused(&broken), ReasonCode::Unreadable);

    // the index first, and then only half of the pictures
    let fast = f.path().join("fast.mp4");
    ffmpeg(&["-i", whole.to_str().unwrap(), "-c", "copy", "-movflags", "+faststart", fast.to_str().unwrap()]);
    let bytes = std::fs::read(&fast).unwrap();
    std::fs::write(&fast, &bytes[..bytes.len() * 6 / 10]).unwrap();
    let probe = read(&fast);
    let mut footage = Footage::open(&fast, &probe).unwrap();
    let decoded = footage.count_rest();
    // ffprobe shows the pictures at the break torn; ours leaves them out
    let theirs = decoded_times(&fast).len();
    assert!((theirs - 3..=theirs).contains(&decoded), "an independent decoder finds {theirs}, ours {decoded}");
    assert!(decoded > 10 && decoded < probe.times.len(), "{decoded} of {}", probe.times.len());
    let torn = footage.account().torn(&probe);
    assert_eq!(torn.len(), 1);
    assert!((torn[0][0] - probe.times[decoded - 1]).abs() < 1e-6 && torn[0][1] >= probe.duration(), "the rest is lost: {torn:?}");
}

#[test]
fn a_change_of_size_ends_the_footage() {
    let f = folder();
    for (name, size) in [("a", "320x240"), ("b", "160x120")] {
        source(f.path(), &format!("{name}.h264"), &format!("testsrc2=size={size}:rate=30:duration=1"), &["-c:v", "libx264", "-bf", "0"]);
    }
    let mut both = std::fs::read(f.path().join("a.h264")).unwrap();
    both.extend(std::fs::read(f.path().join("b.h264")).unwrap());
    std::fs::write(f.path().join("both.h264"), both).unwrap();
    let clip = f.path().join("both.mkv");
    ffmpeg(&["-framerate", "30", "-i", f.path().join("both.h264").to_str().unwrap(), "-c", "copy", clip.to_str().unwrap()]);
    let probe = read(&clip);
    assert!(probe.times.len() > 31, "both parts are in the file");
    let mut footage = Footage::open(&clip, &probe).unwrap();
    let mut sizes = Vec::new();
    for i in 0..probe.times.len() {
        let Shown::Picture(picture) = footage.frame(i).unwrap() else { break };
        sizes.push((picture.cols(), picture.rows()));
    }
    assert!(sizes.len() >= 29 && sizes.iter().all(|s| *s == sizes[0]), "one size, to the change: {}", sizes.len());
}

#[test]
fn playlists_do_not_open_other_files() {
    let f = folder();
    let secret = source(f.path(), "secret.mp4", "testsrc2=size=320x240:rate=30:duration=1", &[]);
    let hls = format!("#EXTM3U\n#EXT-X-VERSION:3\n#EXT-X-TARGETDURATION:1\n#EXTINF:1,\n{}\n#EXT-X-ENDLIST\n", secret.display());
    let concat = format!("ffconcat version 1.0\nfile '{}'\n", secret.display());
    for (name, text) in [("hls.mp4", hls), ("concat.mp4", concat)] {
        let disguised = f.path().join(name);
        std::fs::write(&disguised, text).unwrap();
        assert_eq!(refused(&disguised), ReasonCode::Unreadable, "{name}");
    }
}

#[test]
fn caps_hold_before_anything_is_decoded() {
    let f = folder();
    let huge = source(f.path(), "huge.avi", "color=black:size=16000x12000:rate=1:duration=1", &["-c:v", "mjpeg", "-frames:v", "1"]);
    assert_eq!(refused(&huge), ReasonCode::TooLarge);
    let long = source(f.path(), "long.mp4", "color=black:size=64x64:rate=2:duration=3600", &["-c:v", "libx264"]);
    assert_eq!(refused(&long), ReasonCode::TooLong);
    let sound = f.path().join("sound.mp4");
    ffmpeg(&["-f", "lavfi", "-i", "sine=duration=1", sound.to_str().unwrap()]);
    assert_eq!(refused(&sound), ReasonCode::NotAVideo);
}

#[test]
fn packets_hidden_doubled_or_unordered_are_put_right() {
    let packet = |pts_time: Option<&str>, flags: &str, stream_index: usize| Packet {
        pts_time: pts_time.map(str::to_string),
        flags: flags.into(),
        stream_index,
    };
    let mut packets = vec![
        packet(Some("0.2"), "K_", 1),
        packet(Some("0.1"), "__", 1),
        packet(Some("-0.1"), "KD_", 1),
        packet(None, "_D", 1),
        packet(Some("0.3"), "__", 1),
        packet(Some("0.2"), "__", 1),
        packet(Some("0.15"), "K_", 0),
    ];
    assert_eq!(packet_times(&packets, 1), Some(vec![(0.1, false), (0.2, true), (0.3, false)]));
    packets.push(packet(None, "__", 1));
    assert_eq!(packet_times(&packets, 1), None, "a shown packet without a time: the list cannot be trusted");
}

/// Every picture from `index` on, reached by a leap, against the same picture reached in order. How many frames were leapt.
fn leap_shows_the_same(clip: &Path, index: usize) -> usize {
    let probe = read(clip);
    set_threads(1);
    let mut in_order = Footage::open(clip, &probe).unwrap();
    // and with threads that decode ahead
    set_threads(3);
    let mut first = Footage::open(clip, &probe).unwrap();
    first.count_rest();
    let mut leapt = Footage::open_near(clip, &probe, &first.account(), index).unwrap();
    let passed = leapt.now().map_or(0, |n| n + 1);
    assert!(passed <= index);
    for i in index..probe.times.len() {
        let (a, b) = (picture(&mut in_order, i), picture(&mut leapt, i));
        assert_eq!(a.data_bytes().unwrap(), b.data_bytes().unwrap(), "{} frame {i}", clip.display());
    }
    passed
}

#[test]
fn a_leap_shows_the_frames_that_reading_in_order_shows() {
    let f = folder();
    let long = "testsrc2=size=320x240:rate=60:duration=5";
    let plain = source(f.path(), "plain.mp4", long, &["-c:v", "libx264", "-g", "60"]);
    assert!(leap_shows_the_same(&plain, 200) > 120, "the leap saves decoding");
    let reordered = source(f.path(), "b.mp4", long, &["-c:v", "libx264", "-bf", "3", "-g", "90"]);
    leap_shows_the_same(&reordered, 200);
    let open_groups = source(f.path(), "open.mp4", long, &["-c:v", "libx264", "-x264-params", "open-gop=1:keyint=45:bframes=3"]);
    leap_shows_the_same(&open_groups, 230);
    let uneven = "testsrc2=size=320x240:rate=60:duration=3,setpts='if(gt(N,60),PTS+(N-60)*0.05/TB,PTS)'";
    let uneven = source(f.path(), "vfr.mp4", uneven, &["-c:v", "libx264", "-g", "30", "-vsync", "vfr", "-video_track_timescale", "60000"]);
    leap_shows_the_same(&uneven, 150);
    let late = f.path().join("late.mkv");
    ffmpeg(&["-itsoffset", "3", "-i", plain.to_str().unwrap(), "-c", "copy", late.to_str().unwrap()]);
    leap_shows_the_same(&late, 200);
    let cut = f.path().join("cut.mp4");
    ffmpeg(&["-ss", "1.5", "-i", reordered.to_str().unwrap(), "-c", "copy", cut.to_str().unwrap()]);
    leap_shows_the_same(&cut, 150);
}

/// A clip whose pictures tell their number: a bar at 4·n pixels.
fn numbered(folder: &Path, name: &str, more: &[&str]) -> PathBuf {
    let filter = "color=black:size=320x240:rate=30:duration=2,geq=lum='if(between(X-4*N,0,3),235,16)':cb=128:cr=128";
    source(folder, name, filter, more)
}

/// The number that a picture of [`numbered`] tells.
fn number(picture: &Mat) -> usize {
    (0..picture.cols()).max_by_key(|&x| grey(picture, x, 100)).unwrap() as usize / 4
}

/// Overwrites the bytes of packets (in coding order) with zeros.
fn zero_packets(clip: &Path, which: std::ops::Range<usize>) {
    let output = Command::new("ffprobe")
        .args(["-v", "error", "-select_streams", "v:0", "-show_entries", "packet=pos,size", "-of", "csv=p=0"])
        .arg(clip)
        .output()
        .unwrap();
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    let packets: Vec<(usize, usize)> = text
        .lines()
        .filter_map(|l| l.trim().trim_end_matches(',').split_once(','))
        .map(|(size, pos)| (pos.parse().unwrap(), size.parse().unwrap()))
        .collect();
    let mut bytes = std::fs::read(clip).unwrap();
    for &(pos, size) in &packets[which] {
        bytes[pos..pos + size].fill(0);
    }
    std::fs::write(clip, bytes).unwrap();
}

#[test]
fn pictures_keep_their_times_where_others_are_lost() {
    let f = folder();
    let clip = numbered(f.path(), "numbered.mp4", &["-c:v", "libx264", "-g", "30", "-sc_threshold", "0", "-bf", "0", "-crf", "12"]);
    zero_packets(&clip, 12..20);
    let probe = read(&clip);
    assert_eq!(probe.times.len(), 60, "the index still promises all");
    let mut footage = Footage::open(&clip, &probe).unwrap();
    let mut told = Vec::new();
    for i in 0..60 {
        match footage.frame(i).unwrap() {
            // after a loss the decoder smears until it can start afresh
            Shown::Picture(picture) if !(20..30).contains(&i) => told.push((i, number(picture))),
            Shown::Picture(_) | Shown::Lost => {}
            Shown::Ended => panic!("ends at {i}"),
        }
    }
    let wrong: Vec<_> = told.iter().filter(|(i, n)| i != n).collect();
    assert!(told.len() >= 42 && wrong.is_empty(), "{} told, wrong: {wrong:?}", told.len());
    // what the decoder itself says is torn, after the loss, is lost too
    let lost = footage.account().lost;
    assert!(lost.starts_with(&(12..20).collect::<Vec<_>>()) && lost.iter().all(|l| (12..30).contains(l)), "{lost:?}");
    let torn = footage.account().torn(&probe);
    assert_eq!(torn.len(), 1);
    assert!((torn[0][0] - 11.0 / 30.0).abs() < 1e-3 && (torn[0][1] - 1.0).abs() < 1e-3, "to the next place to start afresh: {torn:?}");
}

#[test]
fn a_swing_with_lost_pictures_is_not_measured() {
    let clip = fixture("Jonas Lind/2026-11-24 driver.mp4");
    let place = Place::new();
    // with many places to start afresh the hole is short, and the swing would still be read
    let often = folder();
    let often = often.path().join("often.mp4");
    let coding = ["-c:v", "libx264", "-g", "4", "-sc_threshold", "0", "-bf", "0", "-crf", "18"];
    ffmpeg(&[&["-i", clip.to_str().unwrap()], coding.as_slice(), &[often.to_str().unwrap()]].concat());
    place.copy(&often, "Ada/whole.mp4");
    let torn = place.copy(&often, "Ada/torn.mp4");
    zero_packets(&torn, 66..69);
    support::settle(&torn);
    place.run(&[]);
    let reports = place.reports();
    let [torn, whole] = reports.as_slice() else { panic!("{} reports", reports.len()) };
    assert_eq!(whole.verdict, Some(dawnsheet::report::types::Verdict::Flagged));
    assert_ne!(torn.verdict, Some(dawnsheet::report::types::Verdict::Clear));
    let swing = torn.swings.iter().find(|s| s.main).unwrap();
    assert!(swing.events.takeaway.is_some() && swing.events.impact.is_some(), "the moments on either side are seen");
    assert!(swing.metrics.values().all(|m| m.measured().is_none()), "nothing is measured across the hole");
    let said = torn.reasons.iter().find(|r| r.code == ReasonCode::Damaged).unwrap();
    assert_eq!(said.severity, dawnsheet::report::Severity::Blocking, "{said:?}");
    assert!(torn.needs_look && torn.needs_look_because.iter().any(|b| b.starts_with("send again")), "{:?}", torn.needs_look_because);
}

#[test]
fn containers_that_do_not_tell_times_are_timed_by_their_decoder() {
    let f = folder();
    for (name, codec) in [
        ("mpeg4.avi", ["-c:v", "mpeg4", "-bf", "2", "-q:v", "2"]),
        ("h264.avi", ["-c:v", "libx264", "-bf", "2", "-crf", "12"]),
        ("mjpeg.avi", ["-c:v", "mjpeg", "-q:v", "2", "-bf", "0"]),
    ] {
        let clip = numbered(f.path(), name, &codec);
        let probe = read(&clip);
        same_times(&probe.times, &decoded_times(&clip));
        assert!(probe.times.len() >= 58 && (probe.interval() - 1.0 / 30.0).abs() < 1e-3, "{name}: {} frames", probe.times.len());
        let mut footage = Footage::open(&clip, &probe).unwrap();
        let first = number(picture(&mut footage, 0));
        for i in 1..probe.times.len() - 1 {
            assert_eq!(number(picture(&mut footage, i)), first + i, "{name} frame {i}");
        }
    }
}

#[test]
fn of_two_video_tracks_one_is_listed_and_the_same_is_shown() {
    let f = folder();
    let a = numbered(f.path(), "a.mp4", &["-c:v", "libx264", "-crf", "12"]);
    let b = source(f.path(), "b.mp4", "color=white:size=160x120:rate=24:duration=2", &["-c:v", "libx264"]);
    let both = f.path().join("both.mp4");
    ffmpeg(&["-i", a.to_str().unwrap(), "-i", b.to_str().unwrap(), "-map", "0:v", "-map", "1:v", "-c", "copy", both.to_str().unwrap()]);
    let probe = read(&both);
    same_times(&probe.times, &decoded_times(&a));
    assert!((probe.duration() - 2.0).abs() < 0.01);
    let mut footage = Footage::open(&both, &probe).unwrap();
    assert_eq!(number(picture(&mut footage, 40)), 40);
}

/// Writes a display matrix (a b c d of a picture turned about its corner) into the track header of an mp4.
fn lay(clip: &Path, to: &Path, [a, b, c, d]: [i32; 4]) {
    let mut bytes = std::fs::read(clip).unwrap();
    let header = bytes.windows(4).position(|w| w == b"tkhd").unwrap();
    // after the box's name: version and flags, two dates, track, a gap, duration, two gaps, layer, group, volume, a gap
    let matrix = header + 4 + 40;
    let one = 0x1_0000;
    let (width, height) = (320 * one, 240 * one);
    let shift = |p: i32, q: i32| (if p < 0 { width } else { 0 }) + (if q < 0 { height } else { 0 });
    let values = [a * one, b * one, 0, c * one, d * one, 0, shift(a, c), shift(b, d), 0x4000_0000];
    for (i, v) in values.iter().enumerate() {
        bytes[matrix + 4 * i..matrix + 4 * i + 4].copy_from_slice(&v.to_be_bytes());
    }
    std::fs::write(to, bytes).unwrap();
}

#[test]
fn all_eight_ways_to_lay_a_picture_are_followed() {
    let f = folder();
    let corner = "color=black:size=320x240:rate=30:duration=0.5,drawbox=x=0:y=0:w=40:h=40:color=white:t=fill,\
                  drawbox=x=0:y=60:w=30:h=60:color=gray:t=fill";
    let plain = source(f.path(), "plain.mp4", corner, &["-c:v", "libx264", "-crf", "8"]);
    let ways = [[1, 0, 0, 1], [-1, 0, 0, 1], [1, 0, 0, -1], [-1, 0, 0, -1], [0, 1, 1, 0], [0, 1, -1, 0], [0, -1, 1, 0], [0, -1, -1, 0]];
    let (mut mirrored, mut seen) = (0, Vec::new());
    for (n, way) in ways.into_iter().enumerate() {
        let (laid, shown) = (f.path().join(format!("laid{n}.mp4")), f.path().join(format!("shown{n}.png")));
        lay(&plain, &laid, way);
        // what ffmpeg itself shows of it is the truth
        ffmpeg(&["-i", laid.to_str().unwrap(), "-frames:v", "1", shown.to_str().unwrap()]);
        let shown = imgcodecs::imread(shown.to_str().unwrap(), imgcodecs::IMREAD_COLOR).unwrap();
        let probe = read(&laid);
        let mut footage = Footage::open(&laid, &probe).unwrap();
        let ours = picture(&mut footage, 0);
        assert_eq!((ours.cols(), ours.rows()), (shown.cols(), shown.rows()), "{way:?}");
        for (x, y) in [(10, 10), (10, 90), (90, 10), (310, 90), (230, 10), (10, 230), (90, 230), (310, 230), (230, 310), (10, 310)] {
            if x < ours.cols() && y < ours.rows() {
                let (a, b) = (grey(ours, x, y), grey(&shown, x, y));
                assert!(a.abs_diff(b) < 25, "{way:?} at {x}, {y}: {a} against {b}");
            }
        }
        mirrored += usize::from(probe.turn.mirrored());
        seen.push(probe.turn);
        assert_eq!(probe.turn.mirrored(), way[0] * way[3] - way[1] * way[2] < 0, "{way:?}");
    }
    seen.dedup();
    assert_eq!((mirrored, seen.len()), (4, 8));
}

#[test]
fn pixels_that_are_not_square_are_made_so() {
    let f = folder();
    let circle = "color=black:size=540x480:rate=30:duration=0.3,geq=lum='if(lt(hypot(X-270,Y-240),150),235,16)':cb=128:cr=128";
    let narrow = source(f.path(), "narrow.mp4", &format!("{circle},scale=404:480,setsar=135/101"), &["-c:v", "libx264"]);
    let probe = read(&narrow);
    assert_eq!((probe.width, probe.height), (404, 480), "stored narrow");
    assert_eq!(probe.upright_size(), (540, 480));
    let mut footage = Footage::open(&narrow, &probe).unwrap();
    let ours = picture(&mut footage, 0);
    assert_eq!((ours.cols(), ours.rows()), (540, 480));
    let across = (0..540).filter(|&x| grey(ours, x, 240) > 128).count() as i32;
    let down = (0..480).filter(|&y| grey(ours, 270, y) > 128).count() as i32;
    assert!((across - 300).abs() <= 3 && (down - 300).abs() <= 3, "a circle stays one: {across} by {down}");
    let absurd = source(f.path(), "absurd.mp4", &format!("{circle},setsar=1/40"), &["-c:v", "libx264"]);
    assert_eq!(refused(&absurd), ReasonCode::Unreadable);
}
