//! Key pictures of the main swing with the lines a coach would draw: each from the places that the numbers were read from, which
//! the report lists. The numbers stand beside them on the page, never in the picture: judged again, a clip keeps its pictures.
//! Only the golfer's region of the picture is shown.

use super::canvas::{Canvas, Frame, Stroke, strokes};
use super::{told, words};
use crate::error::{Error, Result};
use crate::passes::cuts::{Cut, Cuts};
use crate::report::Report;
use crate::report::types::{FaultName, Measured, Shown, Swing, Verdict};
use crate::swing::SwingRead;
use opencv::core::{Mat, MatTraitConst, Rect, Size, Vector};
use opencv::imgproc;
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

/// Width of a key picture, pixels.
const WIDTH: i32 = 640;
/// The pictures, in the order of the swing: file name (one of [`crate::place::ours::PICTURES`]), which is its name among the report's
/// `shown`, and caption.
pub const EVENTS: [(&str, &str); 7] = [
    ("address", "Address"),
    ("hip_furthest", "Hip furthest out"),
    ("head_furthest", "Head furthest back"),
    ("top", "Top"),
    ("impact", "Impact"),
    ("half_follow_through", "Half follow-through"),
    ("late_follow_through", "Late follow-through"),
];

/// What a picture's numbers are, the first the weightiest: picture, metric, words where it is positive and where it is negative.
const NUMBERS: [(&str, &str, &str, &str); 19] = [
    ("address", "shoulder_tilt_address_deg", "trail shoulder lower by", "trail shoulder higher by"),
    ("address", "head_behind_centre_address_cm", "head behind the middle of the stance by", "head ahead of the middle of the stance by"),
    ("address", "spine_bend_address_deg", "trunk bent forward by", ""),
    ("address", "ball_distance_toes_cm", "ball away from the toes by", ""),
    ("hip_furthest", "trail_hip_travel_cm", "trail hip away from the target by", "trail hip toward the target by"),
    ("hip_furthest", "trail_hip_travel_pct_stance", "hip slide as a share of the stance", ""),
    ("hip_furthest", "pelvis_travel_cm", "pelvis away from the target by", ""),
    ("hip_furthest", "hip_edge_inside_foot_cm", "hip's edge inside the foot's by", "hip's edge outside the foot's by"),
    ("head_furthest", "head_lateral_max_back_cm", "head away from the target by", "head toward the target by"),
    ("top", "head_lateral_top_cm", "head away from the target by", "head toward the target by"),
    ("top", "head_vertical_top_cm", "head up by", "head down by"),
    ("impact", "pelvis_toward_ball_impact_cm", "pelvis toward the ball by", "pelvis away from the ball by"),
    ("impact", "spine_bend_change_impact_deg", "trunk bent more by", "trunk risen by"),
    ("impact", "lead_elbow_flexion_impact_deg", "elbow bent by", ""),
    ("impact", "head_lateral_impact_cm", "head away from the target by", "head toward the target by"),
    ("half_follow_through", "lead_elbow_flexion_half_deg", "elbow bent by", ""),
    ("half_follow_through", "lead_hand_above_elbow_half_cm", "hand above the elbow by", "hand below the elbow by"),
    ("late_follow_through", "lead_elbow_bow_late_upper_arms", "elbow out of line by", "elbow inside the line by"),
    ("late_follow_through", "lead_elbow_flexion_late_deg", "elbow bent by", ""),
];

/// The picture that shows what decided a swing's worst verdict; `None` where nothing was found.
pub fn deciding(swing: &Swing) -> Option<&'static str> {
    let found = swing.faults.iter().filter(|(_, f)| matches!(f.verdict, Verdict::Flagged | Verdict::Borderline));
    let (fault, worst) = found.min_by_key(|(_, f)| (f.verdict, (1000.0 * (1.0 - f.probability.unwrap_or(0.0))) as i64))?;
    let driver = worst.drivers.first().map_or("", String::as_str);
    let of_driver = NUMBERS.iter().find(|n| n.1 == driver).map(|n| n.0);
    Some(of_driver.unwrap_or(match fault {
        FaultName::Sway => "hip_furthest",
        FaultName::HeadDrift => "head_furthest",
        FaultName::ChickenWing => "late_follow_through",
        FaultName::EarlyExtension => "impact",
    }))
}

/// The numbers of a picture in words, those that decided a verdict first.
fn told(event: &str, swing: &Swing, report: &Report) -> Vec<(Measured, String)> {
    let decided = |name: &str| {
        let found = swing.faults.values().filter(|f| matches!(f.verdict, Verdict::Flagged | Verdict::Borderline));
        found.flat_map(|f| &f.drivers).any(|d| d == name)
    };
    let mut all = Vec::new();
    for (_, name, over, under) in NUMBERS.iter().filter(|n| n.0 == event) {
        let Some(m) = told::value(report, name) else { continue };
        // nothing that moved is nothing to read a number off
        if told::is_nothing(&m) && name.contains("_travel_") {
            continue;
        }
        let other_way = m.value < 0.0 && !under.is_empty();
        let (words, m) = if other_way { (under, Measured { value: -m.value, low: -m.high, high: -m.low, ..m }) } else { (over, m) };
        let text = format!("{words} {} ({})", words::value(&m), words::interval(&m));
        all.push((!decided(name), m, text));
    }
    all.sort_by_key(|t| t.0);
    all.into_iter().map(|t| (t.1, t.2)).collect()
}

/// The numbers that a picture shows, at most two, those that decided a verdict first, each with its 95 % interval.
pub fn numbers(event: &str, swing: &Swing, report: &Report) -> Vec<String> {
    let unsure = swing.shown.get(event).is_some_and(|s| !s.sure).then(|| "dashed: the looks at it disagree".to_string());
    told(event, swing, report).into_iter().take(2).map(|t| t.1).chain(unsure).collect()
}

/// What is known no better than this, half an interval, tells a student nothing: degrees, and centimetres.
const NO_BETTER: [(&str, f64); 2] = [("deg", 15.0), ("cm", 6.0)];

/// The one number of a picture that is for the student, if there is one.
pub fn number(event: &str, swing: &Swing, report: &Report) -> Option<String> {
    let says = |m: &Measured| NO_BETTER.iter().all(|(unit, most)| m.unit != *unit || (m.high - m.low) / 2.0 <= *most);
    told(event, swing, report).into_iter().find(|(m, _)| says(m)).map(|t| t.1)
}

/// Draws what can be drawn into `folder` as `<event>.jpg`; the files written.
pub fn draw(cuts: &Cuts, read: &SwingRead, report: &Report, folder: &Path) -> Result<Vec<PathBuf>> {
    let Some(swing) = report.swings.iter().find(|s| s.main) else { return Ok(Vec::new()) };
    let Some(frame_box) = golfer_box(read, |f| cuts.has(f)) else { return Ok(Vec::new()) };
    let mut written = Vec::new();
    for (name, caption) in EVENTS {
        let Some(shown) = swing.shown.get(name) else { continue };
        let Some(cut) = cuts.of(shown.frame)? else { continue };
        let Ok(row) = read.track.frames.binary_search(&shown.frame) else { continue };
        let path = folder.join(format!("{name}.jpg"));
        let title = format!("{caption}  {:.2} s", read.track.times[row]);
        let jpeg = sheet(&cut, row, read, frame_box).and_then(|sheet| finish(sheet, &title, shown)).map_err(Error::opencv)?;
        std::fs::write(&path, jpeg.as_slice()).map_err(Error::file(&path))?;
        written.push(path);
    }
    Ok(written)
}

/// Left, top, right, bottom of the golfer over address to chest high, with a margin, steadied pixels; `among`: the frames that
/// count.
pub fn golfer_box(read: &SwingRead, among: impl Fn(usize) -> bool) -> Option<[f64; 4]> {
    let end = read.moments.chest_high_follow_through.or(read.moments.top)?.time;
    let rows = read.track.within(read.window.start, end);
    let mut b = [f64::INFINITY, f64::INFINITY, f64::NEG_INFINITY, f64::NEG_INFINITY];
    for &i in rows.iter().filter(|&&i| among(read.track.frames[i])) {
        for k in 0..33 {
            let (x, y) = (read.track.xy[[i, k, 0]], read.track.xy[[i, k, 1]]);
            b = [b[0].min(x), b[1].min(y), b[2].max(x), b[3].max(y)];
        }
    }
    if !b[0].is_finite() {
        return None;
    }
    let pad = 0.24 * read.track.trunk;
    let mut b = [b[0] - 1.6 * pad, b[1] - 1.6 * pad, b[2] + 1.6 * pad, b[3] + pad];
    if let Some(ball) = &read.ball {
        b = [b[0].min(ball.x - 2.0 * ball.width), b[1], b[2].max(ball.x + 2.0 * ball.width), b[3].max(ball.y + 2.0 * ball.width)];
    }
    Some(b)
}

/// A mark that a picture may carry, as the legend has it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Mark {
    FootEdge,
    Seat,
    HipEdgeHome,
    HipEdge,
    HipPoint,
    Arm,
    ShoulderToGrip,
    HeadHome,
    Head,
    Shoulders,
    Trunk,
    Ball,
    BallPlumb,
    /// In place of a line.
    Unsure,
}

impl Mark {
    /// How it looks, and what it is.
    pub fn words(self) -> (&'static str, &'static str) {
        match self {
            Mark::FootEdge => ("White dashes, upright and long", "the outside of the trail foot at address"),
            Mark::Seat => ("White dashes, upright, at the seat", "its edge at address, seen from behind the golfer"),
            Mark::HipEdgeHome => ("White dashes, upright and short", "the hip's outer edge at address"),
            Mark::HipEdge => ("Amber line, upright", "the hip's outer edge here; the stroke across is how far it has come"),
            Mark::HipPoint => ("Small amber circle at the hip", "where the hip was read, as no clean edge was seen"),
            Mark::Arm => ("Amber lines with a small circle", "the lead arm from shoulder over elbow to wrist"),
            Mark::ShoulderToGrip => {
                ("White dashes, slanting", "straight from the lead shoulder to the grip, which is midway between the two wrists")
            }
            Mark::HeadHome => ("Large white circle", "the head at address"),
            Mark::Head => ("Large amber circle", "the head here"),
            Mark::Shoulders => ("Amber line, across", "from shoulder to shoulder"),
            Mark::Trunk => ("Amber line along the trunk", "from the middle of the hips to the middle of the shoulders"),
            Mark::Ball => ("Small amber circle on the ground", "the ball"),
            Mark::BallPlumb => (
                "White dashes, upright, from the ball",
                "straight up from it; it lies nearer the camera than the head, so trust the number more",
            ),
            Mark::Unsure => ("Amber dashes", "in place of a line: the looks at this picture disagree; trust the number less"),
        }
    }
}

fn legend(shown: &Shown, frame: &Frame) -> BTreeSet<Mark> {
    let all = strokes(shown, frame);
    let dashed = all.iter().any(|s| matches!(s.1, Stroke::Dashes(..))).then_some(Mark::Unsure);
    all.iter().map(|s| s.0).chain(dashed).collect()
}

/// The marks of these pictures of a report's main swing, for the legend of a page that shows them.
pub fn marks<'a>(report: &Report, events: impl IntoIterator<Item = &'a str>) -> BTreeSet<Mark> {
    let Some(main) = report.swings.iter().find(|s| s.main) else { return BTreeSet::new() };
    // how long the trunk is decides of one mark alone, whether the head has moved; the report does not say it (about half a metre:
    // common practice, no source)
    let trunk = main.scale.as_ref().map_or(1.0, |s| 50.0 / s.cm_per_px.max(1e-6));
    let frame = Frame { top: 0.0, bottom: 1.0, trunk };
    events.into_iter().filter_map(|e| main.shown.get(e)).flat_map(|shown| legend(shown, &frame)).collect()
}

/// What of a cut the golfer's region holds, `WIDTH` wide.
fn sheet(cut: &Cut, row: usize, read: &SwingRead, b: [f64; 4]) -> opencv::Result<Canvas> {
    let shift = &read.track.camera[row];
    let corner = |x: f64, y: f64| cut.place([x + shift.dx, y + shift.dy]);
    let (a, z) = (corner(b[0], b[1]), corner(b[2], b[3]));
    let (w, h) = (cut.picture.cols(), cut.picture.rows());
    let (x0, y0) = ((a[0].floor() as i32).clamp(0, w - 2), (a[1].floor() as i32).clamp(0, h - 2));
    let (x1, y1) = ((z[0].ceil() as i32).clamp(x0 + 2, w), (z[1].ceil() as i32).clamp(y0 + 2, h));
    let part = Mat::roi(&cut.picture, Rect::new(x0, y0, x1 - x0, y1 - y0))?;
    let zoom = f64::from(WIDTH) / f64::from(x1 - x0);
    let height = (f64::from(y1 - y0) * zoom).round() as i32;
    let mut picture = Mat::default();
    imgproc::resize(&part, &mut picture, Size::new(WIDTH, height), 0.0, 0.0, imgproc::INTER_LINEAR)?;
    // pixel centres at whole numbers in all three pictures
    let back = |v: i32, start: f64| (f64::from(v) - 0.5 + 0.5 / zoom + 0.5) / cut.shrink - 0.5 + start;
    let corner = [back(x0, cut.x0), back(y0, cut.y0)];
    Ok(Canvas { picture, scale: zoom * cut.shrink, corner, mirrored: false, trunk: read.track.trunk })
}

/// The picture with its marks and its title, as JPEG.
fn finish(mut canvas: Canvas, title: &str, shown: &Shown) -> opencv::Result<Vector<u8>> {
    canvas.marks(shown)?;
    // where it covers no body
    canvas.words(title, 32)?;
    canvas.jpeg()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_legend_has_what_is_drawn_and_nothing_else() {
        let frame = Frame { top: 0.0, bottom: 900.0, trunk: 200.0 };
        let of = |sure: bool, places: &[&str], edges: &[&str]| -> Vec<Mark> {
            let place = |(i, n): (usize, &&str)| (n.to_string(), [100.0 * i as f64, 50.0]);
            let shown = Shown {
                sure,
                places: places.iter().enumerate().map(place).collect(),
                edges: edges.iter().map(|n| (n.to_string(), 9.0)).collect(),
                ..Shown::default()
            };
            legend(&shown, &frame).into_iter().collect()
        };
        use Mark::*;
        assert_eq!(of(true, &["trail_hip"], &["foot_edge", "hip_edge", "hip_edge_home"]), [FootEdge, HipEdgeHome, HipEdge]);
        assert_eq!(of(false, &["trail_hip"], &["foot_edge"]), [FootEdge, HipPoint], "no line, no dashes");
        assert_eq!(of(true, &["mid_hip", "mid_shoulder"], &["seat_home"]), [Seat, Trunk]);
        let arm = ["lead_shoulder", "lead_elbow", "lead_wrist", "grip"];
        assert_eq!(of(true, &arm, &[]), [Arm, ShoulderToGrip]);
        assert_eq!(of(false, &arm, &[]), [Arm, ShoulderToGrip, Unsure]);
        assert_eq!(of(true, &["head_home", "head", "ball", "ball_rim", "mid_hip", "mid_shoulder"], &[]), [HeadHome, Head, Trunk, Ball]);
        assert_eq!(of(true, &["head_home", "head", "ball", "ball_rim"], &["ball_plumb"]), [HeadHome, Head, Ball, BallPlumb]);
        assert_eq!(of(true, &["ball", "ball_rim"], &["ball_plumb"]), [Ball], "a plumb line to no head");
        assert_eq!(of(true, &["lead_shoulder", "trail_shoulder"], &[]), [Shoulders]);
        // what is told apart looks apart
        let looks: BTreeSet<&str> = [
            FootEdge,
            Seat,
            HipEdgeHome,
            HipEdge,
            HipPoint,
            Arm,
            ShoulderToGrip,
            HeadHome,
            Head,
            Shoulders,
            Trunk,
            Ball,
            BallPlumb,
            Unsure,
        ]
        .map(|m| m.words().0)
        .into();
        assert_eq!(looks.len(), 14);
    }

    #[test]
    fn the_pictures_are_among_the_names_that_are_tidied_away() {
        for (name, _) in EVENTS {
            assert!(crate::place::ours::PICTURES.contains(&name), "{name}");
        }
        // and every number belongs to one of them
        assert!(NUMBERS.iter().all(|n| EVENTS.iter().any(|e| e.0 == n.0) && crate::measure::names::find(n.1).is_some()));
    }
}
