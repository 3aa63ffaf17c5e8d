//! A picture that is drawn on: the places of a picture as filmed, on a part of it that was made larger or smaller. Still
//! pictures and films draw by it.

use super::pictures::Mark;
use crate::measure::head::RING;
use crate::report::types::Shown;
use crate::swing::body::distance;
use opencv::core::{Mat, MatTraitConst, Point, Scalar, Vector};
use opencv::{imgcodecs, imgproc};

const JPEG_QUALITY: i32 = 86;

// blue, green, red
const ACCENT: [f64; 3] = [60.0, 190.0, 255.0];
const REFERENCE: [f64; 3] = [245.0, 245.0, 245.0];
const SHADE: [f64; 3] = [20.0, 20.0, 20.0];

/// How a mark is drawn: what was measured here in amber, what it is measured against in white.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Stroke {
    Line([f64; 2], [f64; 2]),
    Dashes([f64; 2], [f64; 2]),
    White([f64; 2], [f64; 2]),
    Ring([f64; 2], f64),
    WhiteRing([f64; 2], f64),
}

/// The picture's upper and lower end and the golfer's trunk, pixels of the picture as filmed.
pub struct Frame {
    pub top: f64,
    pub bottom: f64,
    pub trunk: f64,
}

/// The head is drawn twice where it has moved by so much, trunk lengths.
const MOVED: f64 = 0.01;

/// The marks of a picture, in the order in which they are drawn.
pub fn strokes(shown: &Shown, frame: &Frame) -> Vec<(Mark, Stroke)> {
    let at = |name: &str| shown.places.get(name).copied();
    let edge = |name: &str| shown.edges.get(name).copied();
    let trunk = frame.trunk;
    let mut all = Vec::new();
    // drawn through where it is sure, dashed where it is not
    let measured = |mark: Mark, a: [f64; 2], b: [f64; 2]| match shown.sure {
        true => (mark, Stroke::Line(a, b)),
        false => (mark, Stroke::Dashes(a, b)),
    };
    // the stick outside the trail foot
    if let (Some(foot), Some(hip)) = (edge("foot_edge"), at("trail_hip").or(at("trail_shoulder"))) {
        all.push((Mark::FootEdge, Stroke::White([foot, (hip[1] - 0.9 * trunk).max(frame.top)], [foot, frame.bottom])));
    }
    // the wall behind the seat
    if let (Some(seat), Some(hip)) = (edge("seat_home"), at("mid_hip")) {
        let to = frame.bottom.min(hip[1] + 1.6 * trunk);
        all.push((Mark::Seat, Stroke::White([seat, (hip[1] - 0.7 * trunk).max(frame.top)], [seat, to])));
    }
    if let Some(hip) = at("trail_hip") {
        let (high, low) = (hip[1] - 0.35 * trunk, hip[1] + 0.35 * trunk);
        match (edge("hip_edge"), edge("hip_edge_home")) {
            (Some(now), Some(home)) => {
                all.push((Mark::HipEdgeHome, Stroke::White([home, high], [home, low])));
                all.push(measured(Mark::HipEdge, [now, high], [now, low]));
                all.push(measured(Mark::HipEdge, [home, hip[1]], [now, hip[1]]));
            }
            _ => all.push((Mark::HipPoint, Stroke::Ring(hip, 0.05 * trunk))),
        }
    }
    if let (Some(ball), Some(rim)) = (at("ball"), at("ball_rim")) {
        let around = 1.8 * distance(ball, rim);
        all.push((Mark::Ball, Stroke::Ring(ball, around)));
        if let (Some(x), Some(head)) = (edge("ball_plumb"), at("head_home")) {
            all.push((Mark::BallPlumb, Stroke::White([x, head[1] - RING * trunk], [x, ball[1] - around])));
        }
    }
    // the head then and now
    if let (Some(home), Some(now)) = (at("head_home"), at("head")) {
        all.push((Mark::HeadHome, Stroke::WhiteRing(home, RING * trunk)));
        if distance(home, now) > MOVED * trunk {
            all.push((Mark::Head, Stroke::Ring(now, RING * trunk)));
        }
    }
    for (mark, a, b) in [(Mark::Shoulders, "lead_shoulder", "trail_shoulder"), (Mark::Trunk, "mid_hip", "mid_shoulder")] {
        if let (Some(a), Some(b)) = (at(a), at(b)) {
            all.push((mark, Stroke::Line(a, b)));
        }
    }
    if let (Some(shoulder), Some(elbow), Some(wrist), Some(grip)) = (at("lead_shoulder"), at("lead_elbow"), at("lead_wrist"), at("grip")) {
        all.push((Mark::ShoulderToGrip, Stroke::White(shoulder, grip)));
        all.push(measured(Mark::Arm, shoulder, elbow));
        all.push(measured(Mark::Arm, elbow, wrist));
        all.push((Mark::Arm, Stroke::Ring(elbow, 0.045 * trunk)));
    }
    all
}

pub struct Canvas {
    /// BGR.
    pub picture: Mat,
    /// Pixels of the picture as filmed to pixels here: scale, and the place there that lies at the left upper corner here; at the
    /// right one where it is mirrored.
    pub scale: f64,
    pub corner: [f64; 2],
    pub mirrored: bool,
    /// The golfer's trunk, pixels of the picture as filmed.
    pub trunk: f64,
}

impl Canvas {
    fn place(&self, p: [f64; 2]) -> Point {
        let (x, y) = (((p[0] - self.corner[0]) * self.scale).round() as i32, ((p[1] - self.corner[1]) * self.scale).round() as i32);
        Point::new(if self.mirrored { self.picture.cols() - 1 - x } else { x }, y)
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

    /// Draws what is shown.
    pub fn marks(&mut self, shown: &Shown) -> opencv::Result<()> {
        let frame = Frame { top: self.corner[1], bottom: self.corner[1] + f64::from(self.picture.rows()) / self.scale, trunk: self.trunk };
        for (_, stroke) in strokes(shown, &frame) {
            match stroke {
                Stroke::Line(a, b) => self.line(a, b, ACCENT, 4)?,
                Stroke::Dashes(a, b) => self.dashed(a, b, ACCENT, 4)?,
                Stroke::White(a, b) => self.dashed(a, b, REFERENCE, 3)?,
                Stroke::Ring(c, radius) => self.circle(c, radius, ACCENT, 2)?,
                Stroke::WhiteRing(c, radius) => self.circle(c, radius, REFERENCE, 2)?,
            }
        }
        Ok(())
    }

    /// A line of words at the left, its foot `y` pixels from the upper edge.
    pub fn words(&mut self, text: &str, y: i32) -> opencv::Result<()> {
        write(&mut self.picture, text, Point::new(14, y), 0.85)
    }

    pub fn jpeg(&self) -> opencv::Result<Vector<u8>> {
        jpeg(&self.picture)
    }
}

/// Writes plain words into a picture; other letters than those of ASCII cannot be drawn and are left out.
pub fn write(picture: &mut Mat, text: &str, foot: Point, size: f64) -> opencv::Result<()> {
    let plain: String = text.chars().filter(char::is_ascii).collect();
    for (c, width) in [(SHADE, 5), (REFERENCE, 2)] {
        let colour = Scalar::from((c[0], c[1], c[2]));
        imgproc::put_text(picture, &plain, foot, imgproc::FONT_HERSHEY_SIMPLEX, size, colour, width, imgproc::LINE_AA, false)?;
    }
    Ok(())
}

pub fn jpeg(picture: &Mat) -> opencv::Result<Vector<u8>> {
    let mut parameters = Vector::<i32>::new();
    parameters.push(imgcodecs::IMWRITE_JPEG_QUALITY);
    parameters.push(JPEG_QUALITY);
    let mut bytes = Vector::<u8>::new();
    imgcodecs::imencode(".jpg", picture, &mut bytes, &parameters)?;
    Ok(bytes)
}
