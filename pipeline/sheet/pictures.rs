//! Key pictures of the main swing with the lines a coach would draw and the values beside them.
//! Only the golfer's region of the picture is shown.

use crate::error::{Error, Result};
use crate::passes::cuts::{Cut, Cuts};
use crate::report::types::{Metric, Report, Swing};
use crate::swing::body::{distance, middle};
use crate::swing::{Body, Part, SwingRead};
use crate::track::signal::median;
use opencv::core::{Mat, MatTraitConst, Point, Rect, Scalar, Size, Vector};
use opencv::{imgcodecs, imgproc};
use std::path::{Path, PathBuf};

/// Width of a key picture and height of the band with words below it, pixels.
const WIDTH: i32 = 640;
const BAND: i32 = 118;
const JPEG_QUALITY: i32 = 86;

// blue, green, red
const ACCENT: [f64; 3] = [60.0, 190.0, 255.0];
const REFERENCE: [f64; 3] = [245.0, 245.0, 245.0];
const SHADE: [f64; 3] = [20.0, 20.0, 20.0];

/// The pictures, in order: file name (one of [`crate::place::ours::PICTURES`]) and caption.
pub const EVENTS: [(&str, &str); 5] = [
    ("address", "Address"),
    ("top", "Top"),
    ("impact", "Impact"),
    ("half_follow_through", "Half follow-through"),
    ("chest_high_follow_through", "Chest high"),
];

/// Draws what can be drawn into `folder` as `<event>.jpg`; the files written.
pub fn draw(cuts: &Cuts, read: &SwingRead, report: &Report, folder: &Path) -> Result<Vec<PathBuf>> {
    let Some(swing) = report.swings.iter().find(|s| s.main) else { return Ok(Vec::new()) };
    let Some(frame_box) = golfer_box(read, cuts) else { return Ok(Vec::new()) };
    let mut written = Vec::new();
    for (name, caption) in EVENTS {
        let Some(event) = swing.events.named().into_iter().find(|(n, _)| *n == name).and_then(|(_, e)| e) else { continue };
        let nearest = cuts.frames().filter(|f| read.track.frames.contains(f)).min_by_key(|f| f.abs_diff(event.frame));
        let Some(frame) = nearest.filter(|f| f.abs_diff(event.frame) <= 3) else { continue };
        let (Some(cut), Some(row)) = (cuts.of(frame)?, read.track.frames.iter().position(|f| *f == frame)) else { continue };
        let path = folder.join(format!("{name}.jpg"));
        let sheet = Sheet::new(&cut, row, read, frame_box).map_err(Error::opencv)?;
        let jpeg = sheet.finish(name, &format!("{caption}  {:.2} s", event.time_s), swing).map_err(Error::opencv)?;
        std::fs::write(&path, jpeg.as_slice()).map_err(Error::file(&path))?;
        written.push(path);
    }
    Ok(written)
}

/// Left, top, right, bottom of the golfer over address to chest high, with a margin, steadied pixels.
fn golfer_box(read: &SwingRead, cuts: &Cuts) -> Option<[f64; 4]> {
    let end = read.moments.chest_high_follow_through.or(read.moments.top)?.time;
    let rows = read.track.within(read.window.start, end);
    let mut b = [f64::INFINITY, f64::INFINITY, f64::NEG_INFINITY, f64::NEG_INFINITY];
    for &i in rows.iter().filter(|&&i| cuts.frames().any(|f| f == read.track.frames[i])) {
        for k in 0..33 {
            let (x, y) = (read.track.xy[[i, k, 0]], read.track.xy[[i, k, 1]]);
            b = [b[0].min(x), b[1].min(y), b[2].max(x), b[3].max(y)];
        }
    }
    if !b[0].is_finite() {
        return None;
    }
    let pad = 0.24 * read.track.trunk;
    Some([b[0] - 1.6 * pad, b[1] - 1.6 * pad, b[2] + 1.6 * pad, b[3] + pad])
}

struct Sheet<'a> {
    picture: Mat,
    /// Steadied pixels to sheet pixels: scale and the steadied place of the sheet's corner.
    scale: f64,
    corner: [f64; 2],
    row: usize,
    read: &'a SwingRead,
}

impl<'a> Sheet<'a> {
    fn new(cut: &Cut, row: usize, read: &'a SwingRead, b: [f64; 4]) -> opencv::Result<Sheet<'a>> {
        let shift = &read.track.camera[row];
        let corner = |x: f64, y: f64| cut.place([x + shift.dx, y + shift.dy]);
        let (a, z) = (corner(b[0], b[1]), corner(b[2], b[3]));
        let (w, h) = (cut.picture.cols(), cut.picture.rows());
        let (x0, y0) = ((a[0].floor() as i32).clamp(0, w - 2), (a[1].floor() as i32).clamp(0, h - 2));
        let (x1, y1) = ((z[0].ceil() as i32).clamp(x0 + 2, w), (z[1].ceil() as i32).clamp(y0 + 2, h));
        let part = Mat::roi(&cut.picture, Rect::new(x0, y0, x1 - x0, y1 - y0))?;
        let zoom = f64::from(WIDTH) / f64::from(x1 - x0);
        let height = (f64::from(y1 - y0) * zoom).round() as i32;
        let mut scaled = Mat::default();
        imgproc::resize(&part, &mut scaled, Size::new(WIDTH, height), 0.0, 0.0, imgproc::INTER_LINEAR)?;
        let mut picture = Mat::new_rows_cols_with_default(height + BAND, WIDTH, scaled.typ(), Scalar::from((24.0, 22.0, 20.0)))?;
        scaled.copy_to(&mut Mat::roi_mut(&mut picture, Rect::new(0, 0, WIDTH, height))?)?;
        let back =
            [(f64::from(x0) + 0.5) / cut.shrink - 0.5 + cut.x0 - shift.dx, (f64::from(y0) + 0.5) / cut.shrink - 0.5 + cut.y0 - shift.dy];
        Ok(Sheet { picture, scale: zoom * cut.shrink, corner: back, row, read })
    }

    fn place(&self, p: [f64; 2]) -> Point {
        Point::new(((p[0] - self.corner[0]) * self.scale).round() as i32, ((p[1] - self.corner[1]) * self.scale).round() as i32)
    }

    fn line(&mut self, a: [f64; 2], b: [f64; 2], colour: [f64; 3], width: i32) -> opencv::Result<()> {
        let (a, b) = (self.place(a), self.place(b));
        for (c, w) in [(SHADE, width + 3), (colour, width)] {
            imgproc::line(&mut self.picture, a, b, Scalar::from((c[0], c[1], c[2])), w, imgproc::LINE_AA, 0)?;
        }
        Ok(())
    }

    fn dashed(&mut self, a: [f64; 2], b: [f64; 2], colour: [f64; 3], width: i32) -> opencv::Result<()> {
        let step = 16.0 / self.scale;
        let length = distance(a, b).max(1.0);
        let at = |d: f64| [a[0] + (b[0] - a[0]) * d / length, a[1] + (b[1] - a[1]) * d / length];
        let mut d = 0.0;
        while d < length {
            self.line(at(d), at((d + step * 0.6).min(length)), colour, width)?;
            d += step;
        }
        Ok(())
    }

    fn circle(&mut self, c: [f64; 2], radius: f64, colour: [f64; 3], width: i32) -> opencv::Result<()> {
        let (c, r) = (self.place(c), (radius * self.scale).round() as i32);
        for (col, w) in [(SHADE, width + 3), (colour, width)] {
            imgproc::circle(&mut self.picture, c, r, Scalar::from((col[0], col[1], col[2])), w, imgproc::LINE_AA, 0)?;
        }
        Ok(())
    }

    /// The picture as JPEG.
    fn finish(mut self, event: &str, title: &str, swing: &Swing) -> opencv::Result<Vector<u8>> {
        let read = self.read;
        let body = read.body();
        let row = self.row;
        let at = |k| read.track.at(row, k);
        let home = |f: &dyn Fn(usize) -> [f64; 2]| {
            let rows = if read.still.is_empty() { vec![row] } else { read.still.clone() };
            let of = |axis: usize| median(&rows.iter().map(|&i| f(i)[axis]).collect::<Vec<_>>());
            [of(0), of(1)]
        };
        let backswing = matches!(event, "address" | "top");
        if backswing {
            // the stick outside the trail foot
            let foot = foot_line(&body, read);
            let (top, bottom) = (self.corner[1], self.corner[1] + f64::from(self.picture.rows() - BAND) / self.scale);
            let hip = home(&|i| read.track.at(i, body.trail(Part::Hip)));
            let reach = [(hip[1] - 0.9 * read.track.trunk).max(top), bottom];
            self.dashed([foot, reach[0]], [foot, reach[1]], REFERENCE, 3)?;
            self.line(at(body.lead(Part::Hip)), at(body.trail(Part::Hip)), ACCENT, 4)?;
            self.circle(at(body.trail(Part::Hip)), 0.05 * read.track.trunk, ACCENT, 3)?;
        }
        // the head then and now
        let ears = |i: usize| middle(read.track.at(i, body.lead(Part::Ear)), read.track.at(i, body.trail(Part::Ear)));
        let radius = 0.26 * read.track.trunk;
        let head_home = home(&ears);
        self.circle(head_home, radius, REFERENCE, 2)?;
        if event != "address" {
            self.circle(ears(row), radius, ACCENT, 2)?;
        }
        if event == "address" {
            self.line(at(body.lead(Part::Shoulder)), at(body.trail(Part::Shoulder)), ACCENT, 4)?;
        }
        if !backswing {
            let (shoulder, elbow, wrist, hip) =
                (at(body.lead(Part::Shoulder)), at(body.lead(Part::Elbow)), at(body.lead(Part::Wrist)), at(body.lead(Part::Hip)));
            self.dashed(shoulder, hip, REFERENCE, 3)?;
            self.dashed(shoulder, body.picture(body.grip(row)), REFERENCE, 3)?;
            self.line(shoulder, elbow, ACCENT, 4)?;
            self.line(elbow, wrist, ACCENT, 4)?;
            self.circle(elbow, 0.045 * read.track.trunk, ACCENT, 3)?;
        }
        let height = self.picture.rows() - BAND;
        self.words(title, height + 36, 1.0, 2, [245.0, 245.0, 245.0])?;
        for (i, line) in values(event, swing).iter().take(2).enumerate() {
            self.words(line, height + 70 + 33 * i as i32, 0.78, 2, [215.0, 225.0, 230.0])?;
        }
        let mut parameters = Vector::<i32>::new();
        parameters.push(imgcodecs::IMWRITE_JPEG_QUALITY);
        parameters.push(JPEG_QUALITY);
        let mut bytes = Vector::<u8>::new();
        imgcodecs::imencode(".jpg", &self.picture, &mut bytes, &parameters)?;
        Ok(bytes)
    }

    fn words(&mut self, text: &str, baseline: i32, size: f64, width: i32, colour: [f64; 3]) -> opencv::Result<()> {
        let c = Scalar::from((colour[0], colour[1], colour[2]));
        let plain: String = text.chars().filter(char::is_ascii).collect();
        imgproc::put_text(
            &mut self.picture,
            &plain,
            Point::new(18, baseline),
            imgproc::FONT_HERSHEY_SIMPLEX,
            size,
            c,
            width,
            imgproc::LINE_AA,
            false,
        )
    }
}

/// Picture x of the outside of the trail foot at address, steadied pixels.
fn foot_line(body: &Body, read: &SwingRead) -> f64 {
    let rows: &[usize] = if read.still.is_empty() { &[0] } else { &read.still };
    let out = -body.toward;
    let edge = median(
        &rows
            .iter()
            .map(|&i| {
                [Part::Ankle, Part::Heel, Part::Toe]
                    .iter()
                    .map(|&p| out * read.track.at(i, body.trail(p))[0])
                    .fold(f64::NEG_INFINITY, f64::max)
            })
            .collect::<Vec<_>>(),
    );
    // a shoe is about 4 cm wider than its key points (common practice, no source)
    out * (edge + 4.0 / read.cm_per_px)
}

/// The lines of words below a picture.
fn values(event: &str, swing: &Swing) -> Vec<String> {
    let shown = |name: &str, words: &str, digits: usize| -> Option<String> {
        let Some(Metric::Value(m)) = swing.metrics.get(name) else { return None };
        let unit = if m.unit == "deg" {
            " deg"
        } else if m.unit == "upper arms" {
            ""
        } else {
            " cm"
        };
        Some(format!("{words} {:.digits$}{unit} ({:.digits$} to {:.digits$})", m.value, m.low, m.high))
    };
    let lines = match event {
        "address" => vec![
            shown("shoulder_tilt_address_deg", "trail shoulder lower", 0),
            shown("head_behind_centre_address_cm", "head behind centre", 1),
        ],
        "top" => vec![shown("trail_hip_travel_cm", "hip out", 1), shown("head_lateral_top_cm", "head away", 1)],
        "impact" => vec![shown("lead_elbow_flexion_impact_deg", "elbow bend", 0), shown("head_lateral_impact_cm", "head away", 1)],
        "half_follow_through" => {
            vec![shown("lead_elbow_flexion_half_deg", "elbow bend", 0), shown("lead_hand_above_elbow_half_cm", "hand over elbow", 1)]
        }
        _ => vec![shown("lead_elbow_bow_late_upper_arms", "elbow out of line", 2), shown("lead_elbow_flexion_late_deg", "elbow bend", 0)],
    };
    lines.into_iter().flatten().collect()
}

#[cfg(test)]
mod tests {
    #[test]
    fn the_pictures_are_among_the_names_that_are_tidied_away() {
        assert_eq!(super::EVENTS.map(|(name, _)| name), crate::place::ours::PICTURES);
    }
}
