//! What the container says, read with `ffprobe`: size, turn, the time of every frame.

use super::upright::{Turn, pixel_aspect, square_size};
use crate::error::{Error, Result};
use crate::report::{Reason, ReasonCode};
use crate::settings::Settings;
use serde::Deserialize;
use std::io::Read;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Duration;
use wait_timeout::ChildExt;

/// Containers that may be opened; anything else (playlists above all) could make the library open other files.
pub const FORMATS: &str = "mov,mp4,m4a,3gp,3g2,mj2,matroska,webm,avi";

const PATIENCE: Duration = Duration::from_secs(60);
const MAX_ANSWER: u64 = 64 << 20;

/// The container's account of a clip.
#[derive(Debug, Clone, PartialEq)]
pub struct Probe {
    /// As coded, before turning, pixels.
    pub width: u32,
    pub height: u32,
    /// Width ÷ height of a coded pixel.
    pub pixel_aspect: f64,
    /// What makes the picture upright.
    pub turn: Turn,
    /// Number of the video track among the file's tracks: the one that is decoded.
    pub track: usize,
    /// Presentation time of every shown frame, seconds, ascending, the first 0.
    pub times: Vec<f64>,
    /// The first frame's presentation time by the file's own clock, seconds.
    pub start: f64,
    /// Whether decoding can start at a frame, for each of `times`.
    pub keys: Vec<bool>,
    /// Creation time by the container, as written there.
    pub created: Option<String>,
}

impl Probe {
    /// Width and height of the picture with square pixels, before turning.
    pub fn square_size(&self) -> (u32, u32) {
        square_size(self.width, self.height, self.pixel_aspect)
    }

    /// Width and height of the upright picture.
    pub fn upright_size(&self) -> (u32, u32) {
        let (width, height) = self.square_size();
        if self.turn.transposed { (height, width) } else { (width, height) }
    }

    /// Duration: last time plus one median interval, seconds.
    pub fn duration(&self) -> f64 {
        self.times.last().map_or(0.0, |t| t + self.interval())
    }

    /// Median frame interval, seconds; 0 for fewer than two frames.
    pub fn interval(&self) -> f64 {
        let steps: Vec<f64> = self.times.windows(2).map(|w| w[1] - w[0]).collect();
        if steps.is_empty() { 0.0 } else { crate::track::signal::median(&steps) }
    }
}

#[derive(Deserialize)]
struct Answer {
    #[serde(default)]
    packets: Vec<Packet>,
    #[serde(default)]
    frames: Vec<Frame>,
    #[serde(default)]
    streams: Vec<Stream>,
    format: Option<Format>,
}

/// A packet as `ffprobe` tells of it.
#[derive(Debug, Clone, Deserialize)]
pub struct Packet {
    /// Seconds; absent where the container does not say.
    #[serde(default)]
    pub pts_time: Option<String>,
    #[serde(default)]
    pub flags: String,
    #[serde(default)]
    pub stream_index: usize,
}

/// A picture as `ffprobe`'s own decoder tells of it.
#[derive(Debug, Clone, Deserialize)]
struct Frame {
    #[serde(default)]
    best_effort_timestamp_time: Option<String>,
    #[serde(default)]
    key_frame: u8,
}

#[derive(Deserialize)]
struct Stream {
    index: usize,
    width: Option<u32>,
    height: Option<u32>,
    sample_aspect_ratio: Option<String>,
    duration: Option<String>,
    nb_frames: Option<String>,
    #[serde(default)]
    disposition: Disposition,
    #[serde(default)]
    side_data_list: Vec<SideData>,
}

#[derive(Deserialize, Default)]
struct Disposition {
    #[serde(default)]
    attached_pic: u8,
}

#[derive(Deserialize)]
struct SideData {
    /// Three lines of an address and three whole numbers.
    displaymatrix: Option<String>,
}

#[derive(Deserialize)]
struct Format {
    duration: Option<String>,
    #[serde(default)]
    tags: std::collections::BTreeMap<String, String>,
}

/// Asks `ffprobe` about the file and checks the caps before anything decodes it.
///
/// `Ok(Err(reason))` where the clip is at fault, `Err` where the installation is (no `ffprobe`).
pub fn probe(path: &Path, settings: &Settings) -> Result<std::result::Result<Probe, Reason>> {
    let caps = &settings.intake;
    // one packet more than allowed tells that there are too many
    let packets = format!("%+#{}", caps.max_frames + 1);
    let about = [
        "-read_intervals",
        &packets,
        "-show_entries",
        "packet=pts_time,flags,stream_index:stream=index,width,height,sample_aspect_ratio,duration,nb_frames:stream_disposition=attached_pic:stream_side_data=displaymatrix:format=duration:format_tags=creation_time",
        "-of",
        "json",
    ];
    let text = match ffprobe(path, &about)? {
        Ok(text) => text,
        Err(why) => return Ok(Err(ReasonCode::Unreadable.because(why))),
    };
    let answer: Answer = match serde_json::from_str(&text) {
        Ok(answer) => answer,
        Err(_) => return Ok(Err(ReasonCode::Unreadable.reason())),
    };
    let Some(stream) = answer.streams.iter().find(|s| s.width.unwrap_or(0) > 0 && s.disposition.attached_pic == 0) else {
        return Ok(Err(ReasonCode::NotAVideo.because("no video track")));
    };
    let (width, height) = (stream.width.unwrap_or(0), stream.height.unwrap_or(0));
    let Some(aspect) = pixel_aspect(stream.sample_aspect_ratio.as_deref()) else {
        let said = stream.sample_aspect_ratio.as_deref().unwrap_or_default();
        return Ok(Err(ReasonCode::Unreadable.because(format!("its pixels are said to be {said}, wide to high"))));
    };
    // as coded, and with its pixels made square
    for (width, height) in [(width, height), square_size(width, height, aspect)] {
        if width.max(height) > caps.max_width || width.min(height) > caps.max_height {
            return Ok(Err(ReasonCode::TooLarge.because(format!("{width} x {height} pixels"))));
        }
    }
    let seconds = |text: &Option<String>| text.as_deref().and_then(|t| t.parse::<f64>().ok());
    let format_duration = answer.format.as_ref().and_then(|f| seconds(&f.duration));
    if let Some(s) = seconds(&stream.duration).or(format_duration).filter(|s| *s > caps.max_seconds) {
        return Ok(Err(ReasonCode::TooLong.because(format!("{s:.0} s"))));
    }
    let counted = stream.nb_frames.as_deref().and_then(|n| n.parse::<usize>().ok());
    if let Some(n) = counted.filter(|n| *n > caps.max_frames) {
        return Ok(Err(ReasonCode::TooLong.because(format!("{n} frames"))));
    }
    if answer.packets.len() > caps.max_frames {
        return Ok(Err(ReasonCode::TooLong.because(format!("more than {} frames", caps.max_frames))));
    }
    let shown = match packet_times(&answer.packets, stream.index) {
        Some(shown) => shown,
        // this container does not say when its pictures are shown: their decoder does
        None => match decoded_times(path, stream.index)? {
            Ok(shown) => shown,
            Err(why) => return Ok(Err(ReasonCode::Unreadable.because(why))),
        },
    };
    let Some(&(start, _)) = shown.first() else { return Ok(Err(ReasonCode::NoFrames.reason())) };
    let (times, keys): (Vec<f64>, Vec<bool>) = shown.into_iter().map(|(time, key)| (time - start, key)).unzip();
    if times[times.len() - 1] > caps.max_seconds {
        return Ok(Err(ReasonCode::TooLong.because(format!("{} frames, {:.0} s", times.len(), times[times.len() - 1]))));
    }
    let matrix = stream.side_data_list.iter().find_map(|s| whole_numbers(s.displaymatrix.as_deref()?));
    let turn = matrix.as_ref().map_or(Turn::default(), Turn::of_matrix);
    let created = answer.format.and_then(|f| f.tags.get("creation_time").cloned());
    Ok(Ok(Probe { width, height, pixel_aspect: aspect, turn, track: stream.index, times, start, keys, created }))
}

/// The nine numbers of a display matrix as `ffprobe` prints it.
fn whole_numbers(matrix: &str) -> Option<[i64; 9]> {
    let numbers = matrix.lines().filter_map(|l| l.split_once(':')).flat_map(|(_, row)| row.split_whitespace());
    numbers.map(|n| n.parse().ok()).collect::<Option<Vec<i64>>>()?.try_into().ok()
}

/// Times of the shown frames of a track by the file's own clock, and whether decoding can start there: packets flagged D (hidden
/// by an edit list) dropped, sorted, doubles removed. `None` where a shown packet has no time.
pub fn packet_times(packets: &[Packet], track: usize) -> Option<Vec<(f64, bool)>> {
    let shown = packets.iter().filter(|p| p.stream_index == track && !p.flags.contains('D'));
    let times = shown.map(|p| Some((p.pts_time.as_deref()?.parse().ok()?, p.flags.contains('K'))));
    Some(in_order(times.collect::<Option<_>>()?))
}

fn in_order(mut times: Vec<(f64, bool)>) -> Vec<(f64, bool)> {
    times.sort_by(|a, b| a.0.total_cmp(&b.0));
    times.dedup_by(|b, a| b.0 - a.0 < 1e-6);
    times
}

/// As [`packet_times`], from pictures that `ffprobe` decodes.
fn decoded_times(path: &Path, track: usize) -> Result<std::result::Result<Vec<(f64, bool)>, String>> {
    let track = track.to_string();
    let what = ["-select_streams", &track, "-show_entries", "frame=best_effort_timestamp_time,key_frame", "-of", "json"];
    let answer = ffprobe(path, &what)?.and_then(|text| serde_json::from_str::<Answer>(&text).map_err(|e| e.to_string()));
    let time = |f: &Frame| Some((f.best_effort_timestamp_time.as_deref()?.parse().ok()?, f.key_frame == 1));
    Ok(answer.map(|a| in_order(a.frames.iter().filter_map(time).collect())))
}

/// Runs `ffprobe` on the video tracks: its answer, or a short reason why it has none.
fn ffprobe(path: &Path, what: &[&str]) -> Result<std::result::Result<String, String>> {
    let mut url = std::ffi::OsString::from("file:");
    url.push(path);
    let mut child = Command::new("ffprobe")
        .args(["-v", "error", "-hide_banner", "-protocol_whitelist", "file", "-format_whitelist", FORMATS, "-select_streams", "v"])
        .args(what)
        .arg(url)
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .map_err(|e| Error::Installation(format!("ffprobe cannot be started ({e}): {}", crate::pose::models::mend())))?;
    let stdout = child.stdout.take().ok_or_else(|| Error::Internal("no pipe from ffprobe".into()))?;
    let reader = std::thread::spawn(move || {
        let mut text = Vec::new();
        let read = stdout.take(MAX_ANSWER).read_to_end(&mut text);
        read.map(|_| String::from_utf8_lossy(&text).into_owned())
    });
    let status = child.wait_timeout(PATIENCE).map_err(|e| Error::Internal(e.to_string()))?;
    if status.is_none() {
        // the clip is at fault: a container that keeps the reader busy
        let _ = child.kill();
        let _ = child.wait();
    }
    let text = reader.join().map_err(|_| Error::Internal("reading from ffprobe".into()))?;
    Ok(match (status, text) {
        (None, _) => Err("reading its index took too long".into()),
        (Some(s), Ok(text)) if s.success() => Ok(text),
        _ => Err("its index is missing or broken".into()),
    })
}
