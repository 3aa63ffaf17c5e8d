//! What the container says, read with `ffprobe`: size, turn, the time of every frame.

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
    /// Clockwise turn that makes the picture upright: 0, 90, 180 or 270 degrees.
    pub rotation_deg: u32,
    /// Presentation time of every shown frame, seconds, ascending, the first 0.
    pub times: Vec<f64>,
    /// Creation time by the container, as written there.
    pub created: Option<String>,
}

impl Probe {
    /// Width and height of the upright picture.
    pub fn upright_size(&self) -> (u32, u32) {
        if self.rotation_deg % 180 == 90 { (self.height, self.width) } else { (self.width, self.height) }
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
}

#[derive(Deserialize)]
struct Stream {
    width: Option<u32>,
    height: Option<u32>,
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
    rotation: Option<f64>,
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
        "packet=pts_time,flags:stream=width,height,duration,nb_frames:stream_disposition=attached_pic:stream_side_data=rotation:format=duration:format_tags=creation_time",
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
    if width.max(height) > caps.max_width || width.min(height) > caps.max_height {
        return Ok(Err(ReasonCode::TooLarge.because(format!("{width} x {height} pixels"))));
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
    let times = packet_times(&answer.packets);
    if times.is_empty() {
        return Ok(Err(ReasonCode::NoFrames.reason()));
    }
    if times.len() > caps.max_frames || times[times.len() - 1] > caps.max_seconds {
        return Ok(Err(ReasonCode::TooLong.because(format!("{} frames, {:.0} s", times.len(), times[times.len() - 1]))));
    }
    // ffprobe gives the counter-clockwise turn of the display matrix
    let turn = stream.side_data_list.iter().find_map(|s| s.rotation).unwrap_or(0.0);
    let quarter = ((-turn / 90.0).round() as i64).rem_euclid(4) as u32;
    let created = answer.format.and_then(|f| f.tags.get("creation_time").cloned());
    Ok(Ok(Probe { width, height, rotation_deg: quarter * 90, times, created }))
}

/// Times of the shown frames: packets flagged D (hidden by an edit list) or without a time dropped, sorted, doubles removed,
/// the first at 0.
pub fn packet_times(packets: &[Packet]) -> Vec<f64> {
    let shown = packets.iter().filter(|p| !p.flags.contains('D'));
    let mut times: Vec<f64> = shown.filter_map(|p| p.pts_time.as_deref()?.parse().ok()).collect();
    times.sort_by(f64::total_cmp);
    times.dedup_by(|b, a| *b - *a < 1e-6);
    let first = times.first().copied().unwrap_or(0.0);
    times.iter().map(|t| t - first).collect()
}

/// Runs `ffprobe` on the first video stream: its answer, or a short reason why it has none.
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
        .map_err(|e| Error::Installation(format!("ffprobe cannot be started ({e}): run scripts/setup")))?;
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
