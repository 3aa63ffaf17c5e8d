//! The pictures of a film: the golfer's region of each frame, one clip or two side by side, with the lines of the key pictures.
//! Runs in the confined worker, as everything that decodes a student's file.
//!
//! What was read at one frame alone (the hip's edge, the shoulders, the trunk) is drawn where the film stops there. Between, what
//! holds over time is drawn: the outside of the trail foot and the ball, the head and the hip, which go as the key points go from
//! where they were read at the stops, up to the strike; after it the lead arm at each frame at which it was looked at.

use super::film::{Film as File, Shape};
use super::others;
use super::pace::{Knot, Pace, Step, steps};
use crate::batch::job::{CLIP, CLIP_THEN, FILM, Film, Job, PICTURES, SEEN, SEEN_THEN};
use crate::error::{Error, Result};
use crate::judge;
use crate::pose::detector::Detector;
use crate::pose::models::Models;
use crate::pose::sessions::Sessions;
use crate::report::Report;
use crate::report::types::{ByHand, Shown, Swing};
use crate::seen::Seen;
use crate::seen::keypoints::Keypoint;
use crate::sheet::canvas::{Canvas, jpeg, write};
use crate::sheet::{pictures, words};
use crate::swing::{Part, SwingRead, read_swings};
use crate::track::{BODY_CUT_OFF, as_filmed, steady};
use crate::video::{Footage, Probe, Shown as Decoded, probe};
use opencv::core::{CV_8UC3, Mat, MatTraitConstManual, Point, Scalar, Size, Vector, hconcat, vconcat};
use opencv::{core, imgproc};
use std::collections::BTreeMap;
use std::path::Path;

/// Width of the picture of one clip alone, and of each of two, pixels; and no higher than this.
const WIDTH: [f64; 2] = [640.0, 480.0];
const HEIGHT: f64 = 1000.0;
/// Height of the words below, pixels.
const WORDS: i32 = 72;
/// Between two clips, pixels.
const GAP: i32 = 4;
const STOP_S: f64 = 1.0;
const RATE: f64 = 30.0;
/// What mail and messengers take (common practice, no source).
pub const MOST_BYTES: u64 = 6_000_000;
/// Before the first stop and after the last, seconds of life.
const BEFORE_S: f64 = 0.3;
const AFTER_S: f64 = 0.3;

/// What a clip is before it is opened.
struct Told {
    probe: Probe,
    seen: Seen,
    report: Report,
    read: SwingRead,
    arms: BTreeMap<usize, Shown>,
}

/// What is drawn of one clip.
struct Half<'a> {
    told: &'a Told,
    swing: &'a Swing,
    footage: Footage<'a>,
    /// Size of its picture here, and where that lies: steadied pixels of the left upper corner, pixels here for one of the clip.
    size: Size,
    corner: [f64; 2],
    scale: f64,
    mirrored: bool,
    /// What other people take up during the film, steadied pixels.
    others: Vec<[f64; 4]>,
    /// Paths of the ears' middle and of the trail hip, steadied, for each row of the track.
    ears: [Vec<f64>; 2],
    hip: [Vec<f64>; 2],
    /// The last frame taken from the footage.
    last: Option<(usize, Mat)>,
}

/// Draws the film and its pictures into `folder`; its account. Error: a sentence that says what stands in the way.
pub fn film(folder: &Path, film: &Film, models: &Models, sessions: &mut Sessions) -> Result<serde_json::Value> {
    let mut told = Vec::new();
    let [own, own_then] = &film.by_hand;
    for (job, clip, seen, own) in film.then.iter().map(|t| (t, CLIP_THEN, SEEN_THEN, own_then)).chain([(&film.now, CLIP, SEEN, own)]) {
        told.push(tell(&folder.join(clip), &folder.join(seen), job, own, models)?);
    }
    let links: Vec<_> = film.then.iter().map(|_| CLIP_THEN).chain([CLIP]).map(|l| folder.join(l)).collect();
    let pace = Pace { slower: film.slower, stop_s: STOP_S, rate: RATE };
    match (told.as_slice(), links.as_slice()) {
        ([now], [link]) => drawn(folder, [now], [link], pace, sessions.detector()?),
        ([then, now], [link_then, link]) => drawn(folder, [then, now], [link_then, link], pace, sessions.detector()?),
        _ => Err(Error::Internal("a film of no clip".into())),
    }
}

fn tell(clip: &Path, seen: &Path, job: &Job, by_hand: &BTreeMap<String, ByHand>, models: &Models) -> Result<Told> {
    let seen = Seen::read(seen)?;
    let mut probe = probe(clip, &job.settings)?.map_err(|reason| Error::Video(reason.text))?;
    // where people lay on their side
    probe.turn = probe.turn.then_quarters(seen.about.turned_by_sight / 90);
    if probe.upright_size() != (seen.about.width, seen.about.height) || probe.times.len() != seen.about.frames_expected {
        return Err(Error::Video("the clip is no longer the one that was measured".into()));
    }
    let mut report = judge::judge(&seen, &job.identity, job.choice, models, &job.settings);
    let brief = &job.identity.brief;
    if !by_hand.is_empty() {
        judge::decide(&mut report, brief, &job.settings, by_hand.clone());
    }
    let stature = brief.stature_cm.unwrap_or(job.settings.scale.assumed_stature_cm);
    let mut reads = read_swings(&seen, stature, brief.playback.map(|p| p.0));
    let main = report.swings.iter().find(|s| s.main).map(|s| s.index).filter(|i| *i < reads.len());
    let read = reads.swap_remove(main.ok_or_else(|| Error::Video("no swing was found in it".into()))?);
    let arms = judge::arms_in_motion(&seen, &read, brief, &job.settings);
    Ok(Told { probe, seen, report, read, arms })
}

impl Told {
    fn swing(&self) -> Result<&Swing> {
        self.report.swings.iter().find(|s| s.main).ok_or_else(|| Error::Internal("a film of no swing".into()))
    }

    /// Time of a key picture.
    fn time(&self, event: &str) -> Option<f64> {
        self.probe.times.get(self.swing().ok()?.shown.get(event)?.frame).copied()
    }

    fn size(&self) -> [f64; 2] {
        [f64::from(self.seen.about.width), f64::from(self.seen.about.height)]
    }

    /// A place of one frame as filmed, in another one, as far as the camera moved between.
    fn carried(&self, p: [f64; 2], from: usize, to: usize) -> [f64; 2] {
        as_filmed(steady(p, &self.seen.shift_at(from), self.size()), &self.seen.shift_at(to), self.size())
    }

    /// Where the feet stand at address, steadied pixels, and the golfer's box around that, cm: left, up, right, down.
    fn reach(&self) -> Result<([f64; 2], [f64; 4])> {
        let read = &self.read;
        let frames = &read.track.frames;
        let b =
            pictures::golfer_box(read, |f| frames.binary_search(&f).is_ok()).ok_or_else(|| Error::Video("no golfer was seen".into()))?;
        let body = read.body();
        let at = |axis: usize| {
            let rows: Vec<usize> = if read.still.is_empty() { vec![0] } else { read.still.clone() };
            let feet = rows
                .iter()
                .flat_map(|&i| [read.track.at(i, body.lead(Part::Ankle))[axis], read.track.at(i, body.trail(Part::Ankle))[axis]]);
            crate::track::signal::median(&feet.collect::<Vec<_>>())
        };
        let feet = [at(0), at(1)];
        let cm = |px: f64| px * read.cm_per_px;
        Ok((feet, [cm(feet[0] - b[0]), cm(feet[1] - b[1]), cm(b[2] - feet[0]), cm(b[3] - feet[1])]))
    }
}

/// The moments at which the film stops, in the order of the swing, which all clips show.
fn stops<const N: usize>(told: [&Told; N]) -> Vec<(&'static str, &'static str, [f64; N])> {
    let mut all: Vec<(&str, &str, [f64; N])> = Vec::new();
    for (event, caption) in pictures::EVENTS {
        // where the head was furthest is seen at the top too
        if event == "head_furthest" {
            continue;
        }
        let times: Vec<f64> = told.iter().filter_map(|t| t.time(event)).collect();
        let Ok(at) = <[f64; N]>::try_from(times) else { continue };
        let apart = |i: usize| all.last().is_none_or(|l| at[i] - l.2[i] > 0.04 * told[i].read.slowness);
        // moments that all but meet: one stop; the late follow-through is what an arm is judged by
        if !(0..N).all(apart) {
            if event != "late_follow_through" || all.last().is_none_or(|l| l.0 != "half_follow_through") {
                continue;
            }
            all.pop();
            if !(0..N).all(|i| all.last().is_none_or(|l| at[i] > l.2[i])) {
                continue;
            }
        }
        all.push((event, caption, at));
    }
    all
}

fn drawn<const N: usize>(
    folder: &Path,
    told: [&Told; N],
    links: [&std::path::PathBuf; N],
    pace: Pace,
    detector: &mut Detector,
) -> Result<serde_json::Value> {
    let stops = stops(told);
    if stops.len() < 2 {
        return Err(Error::Video("too few key moments were seen to make a film of them".into()));
    }
    let mut knots: Vec<Knot<N>> = Vec::new();
    let edge = |at: [f64; N], by: f64| Knot {
        at: std::array::from_fn(|i| (at[i] + by * told[i].read.slowness).clamp(0.0, told[i].probe.duration())),
        stop: false,
    };
    let (first, last) = (stops[0].2, stops[stops.len() - 1].2);
    let before = edge(first, -BEFORE_S);
    let begins = (0..N).all(|i| before.at[i] < first[i]);
    knots.extend(begins.then_some(before));
    let offset = knots.len();
    knots.extend(stops.iter().map(|s| Knot { at: s.2, stop: true }));
    let after = edge(last, AFTER_S);
    knots.extend((0..N).all(|i| after.at[i] > last[i]).then_some(after));
    let all = steps(&knots, told.map(|t| t.read.slowness), pace)?;

    let span = std::array::from_fn(|i| [knots[0].at[i], knots[knots.len() - 1].at[i]]);
    let mut halves = halves(told, links, span, detector)?;
    let (height, width) = (halves[0].size.height, halves.iter().map(|h| h.size.width).sum::<i32>() + GAP * (N as i32 - 1));
    let shape =
        Shape { width: width as u32, height: (height + WORDS) as u32, rate: RATE as u32, pictures: all.len(), most_bytes: MOST_BYTES };
    let path = folder.join(FILM);
    let mut out = File::begin(&path, shape)?;
    let stills = folder.join(PICTURES);
    std::fs::create_dir_all(&stills).map_err(Error::file(&stills))?;
    let mut last: Option<([usize; N], Option<usize>, Mat)> = None;
    let mut pictures_of = Vec::new();
    for step in &all {
        let frames: [usize; N] = std::array::from_fn(|i| nearest(&told[i].probe.times, step.at[i]));
        let stop = step.stopped.map(|k| k - offset);
        let same = last.as_ref().is_some_and(|(f, s, _)| *f == frames && *s == stop);
        if !same {
            let event = stop.map(|s| (stops[s].0, stops[s].1));
            let picture = compose(&mut halves, step, frames, event, pace)?;
            if let Some((event, _)) = event {
                let still = stills.join(format!("{event}.jpg"));
                std::fs::write(&still, jpeg(&picture).map_err(Error::opencv)?.as_slice()).map_err(Error::file(&still))?;
                pictures_of.push(event);
            }
            last = Some((frames, stop, picture));
        }
        if let Some((_, _, picture)) = &last {
            out.add(picture.data_bytes().map_err(Error::opencv)?)?;
        }
    }
    let bytes = out.finish()?;
    Ok(serde_json::json!({
        "bytes": bytes,
        "seconds": all.len() as f64 / RATE,
        "width": shape.width,
        "height": shape.height,
        "pictures": pictures_of,
        // of each stop: the picture of the film at which it begins, and the time in each clip
        "stops": stops.iter().enumerate().map(|(i, s)| {
            serde_json::json!({ "event": s.0, "picture": all.iter().position(|a| a.stopped == Some(i + offset)), "at": s.2.to_vec() })
        }).collect::<Vec<_>>(),
    }))
}

fn nearest(times: &[f64], t: f64) -> usize {
    let after = times.partition_point(|&x| x < t).min(times.len() - 1);
    if after > 0 && t - times[after - 1] < times[after] - t { after - 1 } else { after }
}

/// Opens the clips and says where each golfer lies: standing on one line, of one size.
fn halves<'a, const N: usize>(
    told: [&'a Told; N],
    links: [&std::path::PathBuf; N],
    spans: [[f64; 2]; N],
    detector: &mut Detector,
) -> Result<Vec<Half<'a>>> {
    let newest = told[N - 1].read.lead;
    let mut reaches = Vec::new();
    for t in told {
        let (feet, mut reach) = t.reach()?;
        let mirrored = t.read.lead != newest;
        if mirrored {
            reach.swap(0, 2);
        }
        reaches.push((feet, reach, mirrored));
    }
    let most = |k: usize| reaches.iter().map(|r| r.1[k]).fold(0.0, f64::max);
    let [left, up, right, down] = [0, 1, 2, 3].map(most);
    let px_per_cm = (WIDTH[(N > 1) as usize] / (left + right)).min(HEIGHT / (up + down));
    let even = |cm: f64| ((cm * px_per_cm / 2.0).round() as i32 * 2).max(2);
    let size = Size::new(even(left + right), even(up + down));
    let mut all = Vec::new();
    for (((t, link), [start, end]), (feet, _, mirrored)) in told.into_iter().zip(links).zip(spans).zip(reaches) {
        let footage = Footage::open(link, &t.probe).ok_or_else(|| Error::Video("the clip cannot be decoded".into()))?;
        let cm = |cm: f64| cm / t.read.cm_per_px;
        let beside = if mirrored { right } else { left };
        let body = t.read.body();
        let path = |a: Keypoint, b: Keypoint| [0, 1].map(|axis| t.read.track.smoothed(a, b, axis, BODY_CUT_OFF / t.read.slowness));
        all.push(Half {
            told: t,
            swing: t.swing()?,
            footage,
            size,
            corner: [feet[0] - cm(beside), feet[1] - cm(up)],
            scale: px_per_cm * t.read.cm_per_px,
            mirrored,
            others: others::others(link, &t.probe, &t.seen, &t.read, [start, end], detector)?,
            ears: path(body.lead(Part::Ear), body.trail(Part::Ear)),
            hip: path(body.trail(Part::Hip), body.trail(Part::Hip)),
            last: None,
        });
    }
    Ok(all)
}

/// One picture of the film.
fn compose<const N: usize>(halves: &mut [Half], step: &Step<N>, frames: [usize; N], stop: Option<(&str, &str)>, pace: Pace) -> Result<Mat> {
    let high = halves[0].size.height + WORDS;
    let mut row = Vector::<Mat>::new();
    for (i, half) in halves.iter_mut().enumerate() {
        if i > 0 {
            row.push(blank(GAP, high).map_err(Error::opencv)?);
        }
        let mut part = half.picture(frames[i], step.at[i], stop.map(|s| s.0))?;
        let mut foot = blank(half.size.width, WORDS).map_err(Error::opencv)?;
        let (title, line) = half.words(stop, pace, N == 1);
        let day = half.told.report.clip.captured.as_deref().filter(|_| N > 1).map(words::day);
        let drawn = day.map_or(Ok(()), |d| part.words(&d, 30)).and_then(|()| {
            write(&mut foot, &title, Point::new(14, 28), 0.7)?;
            write(&mut foot, &line, Point::new(14, 56), 0.5)?;
            let mut both = Mat::default();
            vconcat(&Vector::<Mat>::from_iter([part.picture.clone(), foot]), &mut both)?;
            Ok(both)
        });
        row.push(drawn.map_err(Error::opencv)?);
    }
    let mut all = Mat::default();
    hconcat(&row, &mut all).map_err(Error::opencv)?;
    Ok(all)
}

fn blank(width: i32, height: i32) -> opencv::Result<Mat> {
    Mat::new_rows_cols_with_default(height, width, CV_8UC3, Scalar::from((32.0, 32.0, 32.0)))
}

/// As plain letters: the film's writing has no others.
fn plain(text: &str) -> String {
    text.replace('−', "-").replace('°', " deg").replace('–', "-")
}

impl Half<'_> {
    /// The golfer's region of a frame, with its marks.
    fn picture(&mut self, frame: usize, time: f64, stop: Option<&str>) -> Result<Canvas> {
        if self.last.as_ref().is_none_or(|(f, _)| *f != frame) {
            let cut = |picture: &Mat| -> opencv::Result<Mat> {
                let shift = self.told.seen.shift_at(frame);
                let mut part = Mat::default();
                let (s, x, y) = (self.scale, self.corner[0] + shift.dx, self.corner[1] + shift.dy);
                let affine = Mat::from_slice_2d(&[[s, 0.0, -s * x], [0.0, s, -s * y]])?;
                let beyond = Scalar::from((32.0, 32.0, 32.0));
                imgproc::warp_affine(picture, &mut part, &affine, self.size, imgproc::INTER_LINEAR, core::BORDER_CONSTANT, beyond)?;
                let limbs = others::limbs(&self.told.read.track, time);
                let own: Vec<_> = limbs.into_iter().map(|l| others::limb_drawn(l, s, self.corner)).collect();
                let beside = self.others.iter().map(|b| others::drawn(*b, s, self.corner));
                others::cover(&mut part, beside, &own)?;
                if self.mirrored {
                    let mut other = Mat::default();
                    core::flip(&part, &mut other, 1)?;
                    part = other;
                }
                Ok(part)
            };
            // a lost picture: the one before it stays
            match self.footage.frame(frame)? {
                Decoded::Picture(picture) => self.last = Some((frame, cut(picture).map_err(Error::opencv)?)),
                Decoded::Lost | Decoded::Ended if self.last.is_none() => {
                    self.last = Some((frame, blank(self.size.width, self.size.height).map_err(Error::opencv)?))
                }
                Decoded::Lost | Decoded::Ended => {}
            }
        }
        let picture = match &self.last {
            Some((_, picture)) => picture.clone(),
            None => blank(self.size.width, self.size.height).map_err(Error::opencv)?,
        };
        let shift = self.told.seen.shift_at(frame);
        let corner = [self.corner[0] + shift.dx, self.corner[1] + shift.dy];
        let mut canvas = Canvas { picture, scale: self.scale, corner, mirrored: self.mirrored, trunk: self.told.read.track.trunk };
        let shown = match stop.and_then(|s| self.swing.shown.get(s)) {
            Some(shown) => shown.clone(),
            None => self.moving(frame, time),
        };
        canvas.marks(&shown).map_err(Error::opencv)?;
        Ok(canvas)
    }

    /// What is drawn between the stops.
    fn moving(&self, frame: usize, time: f64) -> Shown {
        let (told, read) = (self.told, &self.told.read);
        let mut now = Shown { frame, sure: true, ..Shown::default() };
        let struck = read.moments.impact.map_or(f64::INFINITY, |m| m.time);
        if time > struck {
            if let Some(arm) = told.arms.get(&frame) {
                now = arm.clone();
            }
            return now;
        }
        let row = read.track.nearest(time);
        let shown = |event: &str| self.swing.shown.get(event);
        let carried = |at: &Shown, name: &str| at.places.get(name).map(|p| told.carried(*p, at.frame, frame));
        // where it was read at a stop, and how far its key points went since
        let gone = |at: &Shown, name: &str, path: &[Vec<f64>; 2]| -> Option<[f64; 2]> {
            let (from, p) = (read.track.nearest(*told.probe.times.get(at.frame)?), carried(at, name)?);
            Some([p[0] + path[0][row] - path[0][from], p[1] + path[1][row] - path[1][from]])
        };
        if let Some(address) = shown("address") {
            for name in ["head_home", "ball", "ball_rim"] {
                now.places.extend(carried(address, name).map(|p| (name.to_string(), p)));
            }
            now.places.extend(gone(address, "head", &self.ears).map(|p| ("head".to_string(), p)));
        }
        if let Some(hip) = shown("hip_furthest") {
            now.places.extend(gone(hip, "trail_hip", &self.hip).map(|p| ("trail_hip".to_string(), p)));
            if let (Some(x), Some(p)) = (hip.edges.get("foot_edge"), hip.places.get("trail_hip")) {
                now.edges.insert("foot_edge".into(), told.carried([*x, p[1]], hip.frame, frame)[0]);
            }
        }
        if let Some(address) = shown("address")
            && let (Some(x), Some(p)) = (address.edges.get("seat_home"), address.places.get("mid_hip"))
        {
            let p = told.carried([*x, p[1]], address.frame, frame);
            now.edges.insert("seat_home".into(), p[0]);
            now.places.insert("mid_hip".into(), p);
        }
        now
    }

    /// The two lines below the picture.
    fn words(&self, stop: Option<(&str, &str)>, pace: Pace, alone: bool) -> (String, String) {
        match stop {
            Some((event, caption)) => {
                let number = pictures::number(event, self.swing, &self.told.report).unwrap_or_default();
                (caption.to_string(), plain(&number))
            }
            None if alone => (String::new(), format!("{} times slower than life", words::number(pace.slower, 0))),
            None => (String::new(), String::new()),
        }
    }
}
