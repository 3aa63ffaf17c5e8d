//! How phone video goes wrong: each trap is made with ffmpeg, first shown to be what it says, then read.

mod support;

use dawnsheet::report::ReasonCode;
use dawnsheet::settings::Settings;
use dawnsheet::video::probe::{Packet, packet_times};
use dawnsheet::video::{Footage, Probe, probe, set_threads};
use opencv::core::{MatTraitConst, MatTraitConstManual, Vec3b};
use opencv::imgcodecs;
use std::path::{Path, PathBuf};
use std::process::Command;
use support::ffmpeg;

fn folder() -> tempfile::TempDir {
    tempfile::tempdir().unwrap()
}

fn read(path: &Path) -> Probe {
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
        assert_eq!(probe.rotation_deg % 180, turn.parse::<u32>().unwrap() % 180);
        let mut footage = Footage::open(&turned, &probe).unwrap();
        let ours = footage.frame(0).unwrap().unwrap();
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
    assert!(footage.frame(59).unwrap().is_some(), "the last frame is there");
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
    assert!(decoded > 0 && decoded <= probe.times.len());
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
        let Some(picture) = footage.frame(i).unwrap() else { break };
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
    let packet = |pts_time: Option<&str>, flags: &str| Packet { pts_time: pts_time.map(str::to_string), flags: flags.into() };
    let times = packet_times(&[
        packet(Some("0.2"), "K_"),
        packet(Some("0.1"), "__"),
        packet(Some("-0.1"), "KD_"),
        packet(Some("0.3"), "__"),
        packet(Some("0.2"), "__"),
        packet(None, "__"),
    ]);
    assert_eq!(times.len(), 3);
    assert!(times[0] == 0.0 && (times[2] - 0.2).abs() < 1e-9);
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
    let mut leapt = Footage::open_near(clip, &probe, first.clock(), index).unwrap();
    let passed = leapt.decoded();
    assert!(passed <= index);
    for i in index..probe.times.len() {
        let (a, b) = (in_order.frame(i).unwrap().unwrap(), leapt.frame(i).unwrap().unwrap());
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
