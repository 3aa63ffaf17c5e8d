//! Small multiples of a swing over time, from what the models saw: raw places as dots, mended ones as rings, and the
//! smoothed line that was measured, with the events marked.

use super::bar::At;
use super::{told, words};
use crate::report::Report;
use crate::report::types::{PlaybackSource, Swing};
use crate::seen::Seen;
use crate::seen::keypoints::Keypoint;
use crate::swing::body::{distance, flexion_deg, keypoint, middle, signed_distance};
use crate::swing::read::SlownessFrom;
use crate::swing::{Body, Part, SwingRead, read_swings};
use crate::track::signal::{median, quantile, smooth};
use crate::track::{ARM_CUT_OFF, BODY_CUT_OFF, Mark};

/// A dot of a panel.
#[derive(Debug, Clone, Copy)]
pub struct Dot {
    pub x: At,
    pub y: At,
}

/// A mark on the time axis.
#[derive(Debug, Clone)]
pub struct EventMark {
    pub x: At,
    pub label: &'static str,
    /// A label that would run into the one before stands a line lower; empty where it would run into that as well.
    pub lower: bool,
}

/// A level with its number.
#[derive(Debug, Clone)]
pub struct Level {
    pub y: At,
    pub label: String,
}

/// One curve, drawn in 340 × 170 units.
#[derive(Debug, Clone)]
pub struct Panel {
    pub title: &'static str,
    pub about: &'static str,
    pub path: String,
    pub seen: Vec<Dot>,
    pub filled: Vec<Dot>,
    pub events: Vec<EventMark>,
    pub levels: Vec<Level>,
    pub limit: Option<Level>,
    /// What the drawing shows, for those who do not see it.
    pub description: String,
}

const LEFT: f64 = 34.0;
const RIGHT: f64 = 334.0;
const TOP: f64 = 34.0;
const BOTTOM: f64 = 160.0;

/// A series of a panel before it is drawn: times (seconds of clip time), values, mended or not, and the smoothed line.
struct Series {
    title: &'static str,
    about: &'static str,
    unit: &'static str,
    digits: usize,
    times: Vec<f64>,
    raw: Vec<f64>,
    mended: Vec<bool>,
    line: Vec<f64>,
    limit: Option<f64>,
    /// The event at which the drawing ends: what comes after would flatten what is judged.
    until: &'static str,
}

/// The panels of a report's main swing; empty where there is none or it was not seen long enough.
pub fn panels(seen: &Seen, report: &Report) -> Vec<Panel> {
    let Some(main) = report.swings.iter().find(|s| s.main) else {
        return Vec::new();
    };
    let stature = report.provenance.iter().find(|s| s.step == "scale").and_then(|s| s.parameters["stature_cm"].as_f64());
    let playback = report.video.as_ref().map(|v| &v.playback_factor);
    let given = playback.filter(|p| matches!(p.source, PlaybackSource::Sidecar | PlaybackSource::Option)).map(|p| p.value);
    let Some(stature) = stature else { return Vec::new() };
    let reads = read_swings(seen, stature, given);
    let Some(read) = reads.get(main.index) else { return Vec::new() };
    let face_on = report.view.as_ref().is_some_and(|v| v.kind == crate::report::types::ViewKind::FaceOn);
    let mut series = Vec::new();
    if face_on {
        series.push(hip(read, report));
        series.push(head(read, report));
        series.extend(bow(seen, read, main, report));
        series.push(flexion(read));
    }
    series.push(hands(read));
    series.extend(sound(seen, read));
    series.into_iter().filter_map(|s| draw(s, main)).collect()
}

/// Median over the still frames; over the first ones where the address is outside the clip.
fn home(read: &SwingRead, x: &[f64]) -> f64 {
    let rows: Vec<usize> = if read.still.is_empty() { (0..x.len().min(4)).collect() } else { read.still.clone() };
    median(&rows.iter().map(|&i| x[i]).collect::<Vec<_>>())
}

fn mended(read: &SwingRead, parts: &[Keypoint]) -> Vec<bool> {
    read.track.marks.iter().map(|m| parts.iter().any(|&k| m[k as usize] != Mark::Seen)).collect()
}

/// Lateral move in cm, positive away from the target, of a function of the frame (golf's axes, pixels toward the target).
fn lateral(read: &SwingRead, f: impl Fn(&Body, usize) -> f64) -> Vec<f64> {
    let body = read.body();
    let x: Vec<f64> = body.over_time(|i| -f(&body, i) * read.cm_per_px);
    let rest = home(read, &x);
    x.iter().map(|v| v - rest).collect()
}

fn hip(read: &SwingRead, report: &Report) -> Series {
    let body = read.body();
    let raw = lateral(read, |b, i| b.at(i, b.trail(Part::Hip))[0]);
    Series {
        title: "Trail hip, away from the target",
        about: "key point of the hip; the measured value may come from the outline instead",
        unit: "cm",
        digits: 0,
        line: smooth(&read.track.times, &raw, BODY_CUT_OFF / read.slowness),
        mended: mended(read, &[body.trail(Part::Hip)]),
        times: read.track.times.clone(),
        limit: told::limit(report, "trail_hip_travel_cm").map(|l| l.value),
        until: "impact",
        raw,
    }
}

fn head(read: &SwingRead, report: &Report) -> Series {
    let body = read.body();
    let raw = lateral(read, |b, i| b.mid(i, Part::Ear)[0]);
    Series {
        title: "Head, away from the target",
        about: "midpoint of the ears; the measured value may come from the outline instead",
        unit: "cm",
        digits: 0,
        line: smooth(&read.track.times, &raw, BODY_CUT_OFF / read.slowness),
        mended: mended(read, &[body.lead(Part::Ear), body.trail(Part::Ear)]),
        times: read.track.times.clone(),
        limit: told::limit(report, "head_lateral_max_back_cm").map(|l| l.value),
        until: "impact",
        raw,
    }
}

/// The lead elbow's signed distance from the line shoulder to grip after impact, median over the looks at each frame.
fn bow(seen: &Seen, read: &SwingRead, main: &Swing, report: &Report) -> Option<Series> {
    let body = read.body();
    let until = main.events.chest_high_follow_through?.time_s;
    let track = &read.track;
    let lengths: Vec<f64> = track
        .within(track.times[0], until)
        .iter()
        .map(|&i| distance(track.at(i, body.lead(Part::Shoulder)), track.at(i, body.lead(Part::Elbow))))
        .collect();
    let upper = quantile(&lengths, 0.9).max(1.0);
    let arm_cm = told::upper_arm_cm(report);
    let (lead, trail) = (body.lead, body.lead.other());
    let (mut times, mut raw) = (Vec::new(), Vec::new());
    for arm in &seen.arms {
        let Some(row) = track.frames.iter().position(|f| *f == arm.frame) else {
            continue;
        };
        let bows: Vec<f64> = arm
            .looks
            .iter()
            .map(|look| {
                let at = |p, side| body.turn(look.at(keypoint(p, side)));
                let grip = middle(at(Part::Wrist, lead), at(Part::Wrist, trail));
                signed_distance(at(Part::Elbow, lead), at(Part::Shoulder, lead), grip) / upper
            })
            .collect();
        times.push(track.times[row]);
        raw.push(median(&bows) * arm_cm);
    }
    (times.len() >= 2).then(|| Series {
        title: "Lead elbow out of the line shoulder to grip",
        about: "after impact; median of several looks at each picture; above 0: outward",
        unit: "cm",
        digits: 0,
        line: raw.clone(),
        mended: vec![false; raw.len()],
        times,
        limit: told::limit(report, told::BOW).map(|l| l.value),
        until: "chest",
        raw,
    })
}

fn flexion(read: &SwingRead) -> Series {
    let body = read.body();
    let at = |i: usize, p| body.at(i, body.lead(p));
    let raw = body.over_time(|i| flexion_deg(at(i, Part::Shoulder), at(i, Part::Elbow), at(i, Part::Wrist)));
    Series {
        title: "Lead elbow bend",
        about: "0 is a straight arm; noisy near impact, where the hands are fastest",
        unit: "°",
        digits: 0,
        line: smooth(&read.track.times, &raw, ARM_CUT_OFF / read.slowness),
        mended: mended(read, &[body.lead(Part::Shoulder), body.lead(Part::Elbow), body.lead(Part::Wrist)]),
        times: read.track.times.clone(),
        limit: None,
        until: "chest",
        raw,
    }
}

fn hands(read: &SwingRead) -> Series {
    let body = read.body();
    let height: Vec<f64> = body.over_time(|i| body.grip(i)[1] * read.cm_per_px);
    let rest = home(read, &height);
    let raw: Vec<f64> = height.iter().map(|v| v - rest).collect();
    Series {
        title: "Hands, height over their address place",
        about: "midpoint of the wrists",
        unit: "cm",
        digits: 0,
        line: smooth(&read.track.times, &raw, ARM_CUT_OFF / read.slowness),
        mended: mended(read, &[body.lead(Part::Wrist), body.trail(Part::Wrist)]),
        times: read.track.times.clone(),
        limit: None,
        until: "chest",
        raw,
    }
}

/// The sound's level around the impact.
fn sound(seen: &Seen, read: &SwingRead) -> Option<Series> {
    const AROUND: [f64; 2] = [0.29, 0.4];
    let slowed = if read.slowness_from == SlownessFrom::Sound { read.slowness } else { 1.0 };
    let (sound, impact) = (seen.about.sound.as_ref()?.slowed(slowed), read.moments.impact?);
    let (from, to) = (impact.time - AROUND[0] * read.slowness, impact.time + AROUND[1] * read.slowness);
    let at = |i: usize| (i as f64 + 0.5) * sound.level_step_s;
    let rows: Vec<usize> = (0..sound.level_db.len()).filter(|&i| (from..=to).contains(&at(i))).collect();
    let quietest = rows.iter().map(|&i| sound.level_db[i]).min()?;
    let raw: Vec<f64> = rows.iter().map(|&i| f64::from(sound.level_db[i]) - f64::from(quietest)).collect();
    Some(Series {
        title: "Sound around impact",
        about: "decibels above the quietest here, over 1 kHz; sound and pictures of a phone may lie some hundredths of a second apart",
        unit: "dB",
        digits: 0,
        line: raw.clone(),
        mended: vec![false; raw.len()],
        times: rows.iter().map(|&i| at(i)).collect(),
        limit: None,
        until: "chest",
        raw,
    })
}

/// Up to five round levels within `low..high`.
pub fn round_levels(low: f64, high: f64) -> Vec<f64> {
    let raw = ((high - low) / 3.5).max(1e-9);
    let power = 10f64.powf(raw.log10().floor());
    let step = [1.0, 2.0, 5.0, 10.0].into_iter().map(|m| m * power).find(|s| *s >= raw).unwrap_or(10.0 * power);
    let first = (low / step).ceil() as i64;
    (first..first + 8).map(|k| k as f64 * step).filter(|v| *v <= high).collect()
}

/// Points as an SVG path.
pub fn path(points: impl Iterator<Item = (f64, f64)>) -> String {
    points.enumerate().map(|(i, (x, y))| format!("{}{x:.1} {y:.1}", if i == 0 { "M" } else { "L" })).collect()
}

fn draw(s: Series, main: &Swing) -> Option<Panel> {
    let events: Vec<(f64, &'static str)> = [
        (main.events.takeaway, "takeaway"),
        (main.events.top, "top"),
        (main.events.impact, "impact"),
        (main.events.half_follow_through, "half"),
        (main.events.chest_high_follow_through, "chest"),
    ]
    .into_iter()
    .filter_map(|(e, label)| Some((e?.time_s, label)))
    .collect();
    let after_impact = s.times.first().zip(events.iter().find(|e| e.1 == "impact")).is_some_and(|(t, e)| *t > e.0 - 0.3);
    // from a little before the takeaway to a little after chest high
    let span = (s.times.last()? - s.times.first()?).max(1e-6);
    let (from, to) = if after_impact {
        (*s.times.first()?, *s.times.last()?)
    } else {
        let first = events.first().map_or(s.times[0], |e| e.0 - 0.08 * span);
        let end = events.iter().find(|e| e.1 == s.until).or(events.last());
        let last = end.map_or(s.times[s.times.len() - 1], |e| e.0 + 0.03 * span);
        (first.max(s.times[0]), last.min(s.times[s.times.len() - 1]))
    };
    let inside: Vec<usize> = (0..s.times.len()).filter(|&i| (from..=to).contains(&s.times[i]) && s.raw[i].is_finite()).collect();
    if inside.len() < 2 || to <= from {
        return None;
    }
    // the frame of the drawing follows the line, and the raw places as far as they are not far out
    let raw: Vec<f64> = inside.iter().map(|&i| s.raw[i]).collect();
    let line = inside.iter().map(|&i| s.line[i]);
    let ends = line.chain([0.0, quantile(&raw, 0.02), quantile(&raw, 0.98)]).chain(s.limit);
    let (low, high) = ends.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)));
    let room = ((high - low) * 0.08).max(1e-6);
    let (low, high) = (low - room, high + room);
    let x = |t: f64| LEFT + (t - from) / (to - from) * (RIGHT - LEFT);
    let y = |v: f64| BOTTOM - (v.clamp(low, high) - low) / (high - low) * (BOTTOM - TOP);
    let dot = |i: usize| Dot { x: At(x(s.times[i])), y: At(y(s.raw[i])) };
    let mut marks: Vec<EventMark> = Vec::new();
    let mut last = [f64::NEG_INFINITY; 2];
    let end = events.iter().position(|e| e.1 == s.until).map_or(events.len(), |i| i + 1);
    for (t, label) in events.into_iter().take(end).filter(|e| (from..=to).contains(&e.0)) {
        let free = last.iter().position(|l| x(t) - l >= 42.0);
        if let Some(row) = free {
            last[row] = x(t);
        }
        marks.push(EventMark { x: At(x(t)), label: free.map_or("", |_| label), lower: free == Some(1) });
    }
    let most = inside.iter().map(|&i| s.line[i]).fold(f64::NEG_INFINITY, f64::max);
    let fewest = inside.iter().map(|&i| s.line[i]).fold(f64::INFINITY, f64::min);
    Some(Panel {
        title: s.title,
        about: s.about,
        path: path(inside.iter().map(|&i| (x(s.times[i]), y(s.line[i])))),
        seen: inside.iter().filter(|&&i| !s.mended[i]).map(|&i| dot(i)).collect(),
        filled: inside.iter().filter(|&&i| s.mended[i]).map(|&i| dot(i)).collect(),
        events: marks,
        levels: round_levels(low, high).into_iter().map(|v| Level { y: At(y(v)), label: words::number(v, 0) }).collect(),
        limit: s.limit.map(|l| Level { y: At(y(l)), label: format!("limit {}", words::number(l, 1)) }),
        description: format!(
            "{} from {:.2} to {:.2} s: between {} and {} {}",
            s.title,
            from,
            to,
            words::number(fewest, s.digits),
            words::number(most, s.digits),
            s.unit
        ),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn levels_are_round_and_inside() {
        assert_eq!(round_levels(-1.0, 9.4), [0.0, 5.0]);
        assert_eq!(round_levels(0.0, 100.0), [0.0, 50.0, 100.0]);
        let small = round_levels(-0.13, 0.11);
        assert_eq!(small.iter().map(|v| words::number(*v, 1)).collect::<Vec<_>>(), ["−0.1", "0.0", "0.1"]);
    }

    #[test]
    fn a_path_begins_with_a_move_and_goes_on_with_lines() {
        assert_eq!(path([(0.0, 1.0), (2.04, 3.0)].into_iter()), "M0.0 1.0L2.0 3.0");
    }
}
