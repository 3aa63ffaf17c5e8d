//! The camera's roll, from the straight lines of the background: posts, planks, walls, the horizon.

use super::camera::small_grey;
use crate::error::{Error, Result};
use opencv::core::{Mat, MatTraitConst, Vec4f, Vector};
use opencv::imgproc::{self, LineSegmentDetectorTrait};

/// Standard deviation of the roll of a hand-held phone (degrees, as the rendered clips have it; common practice, no source),
/// and of what is left where the background told it (rendered clips: half of the errors under 0.04, nine of ten under 0.27).
pub const ROLL_SD: f64 = 1.2;
pub const ROLL_SEEN_SD: f64 = 0.3;

/// Lines shorter than this share of the picture's longer side do not count.
const MIN_LENGTH: f64 = 0.04;
/// Greatest roll sought, degrees, and the steps in which it is.
const MOST_ROLL: f64 = 10.0;
const STEP: f64 = 0.05;
/// Lines agree within about this, degrees.
const AGREE: f64 = 0.25;
/// Upright lines lean toward each other where the phone is tilted: so much from one side of the picture to the other.
const MOST_LEAN: i32 = 12;
/// Without better knowledge: half-width of the roll's distribution (a Cauchy one: now and then a phone is held quite askew) and
/// standard deviation of the lean, degrees.
const USUAL_ROLL: f64 = 3.0;
const USUAL_LEAN: f64 = 12.0;
/// Least length of agreeing lines, shares of the picture's longer side.
const MIN_SUPPORT: f64 = 0.1;

/// One line of the background.
struct Line {
    /// Degrees off level or upright.
    off: f64,
    /// Share of the picture's longer side.
    length: f64,
    /// Place across the picture against its middle, shares of the longer side; 0 for level lines, which do not lean.
    across: f64,
}

/// Degrees by which the picture's content is turned clockwise (level lines fall to the right); `None` where the background
/// shows too few straight lines. `golfer`: left, top, right, bottom, pixels; level lines below `ground` (picture y) lie on
/// the ground and are no sign of the horizon.
pub fn roll_deg(picture: &Mat, golfer: [f64; 4], ground: f64) -> Result<Option<f64>> {
    Ok(agreed(&background_lines(picture, golfer, ground).map_err(Error::opencv)?))
}

fn background_lines(picture: &Mat, golfer: [f64; 4], ground: f64) -> opencv::Result<Vec<Line>> {
    let (grey, shrink) = small_grey(picture)?;
    let mut found = Vector::<Vec4f>::new();
    imgproc::create_line_segment_detector_def()?.detect_def(&grey, &mut found)?;
    let longer = f64::from(grey.cols().max(grey.rows()));
    let middle = f64::from(grey.cols()) / 2.0;
    let mut lines = Vec::new();
    for line in found {
        let [x0, y0, x1, y1] = [line[0], line[1], line[2], line[3]].map(f64::from);
        let (x, y) = ((x0 + x1) / 2.0, (y0 + y1) / 2.0);
        let length = (x1 - x0).hypot(y1 - y0) / longer;
        let of_golfer = (golfer[0] * shrink..=golfer[2] * shrink).contains(&x) && (golfer[1] * shrink..=golfer[3] * shrink).contains(&y);
        if length < MIN_LENGTH || of_golfer {
            continue;
        }
        let angle = (y1 - y0).atan2(x1 - x0).to_degrees().rem_euclid(180.0);
        let off_level = if angle > 90.0 { angle - 180.0 } else { angle };
        if (angle - 90.0).abs() < MOST_ROLL + 4.0 {
            lines.push(Line { off: angle - 90.0, length, across: (x - middle) / longer });
        } else if off_level.abs() < MOST_ROLL && y < ground * shrink {
            lines.push(Line { off: off_level, length, across: 0.0 });
        }
    }
    Ok(lines)
}

/// The roll that most length of line agrees with.
fn agreed(lines: &[Line]) -> Option<f64> {
    let mut best = (0.0, 0.0, 0.0);
    for lean in -MOST_LEAN..=MOST_LEAN {
        let lean = f64::from(lean);
        let steps = (MOST_ROLL / STEP) as i32;
        for roll in (-steps..=steps).map(|s| f64::from(s) * STEP) {
            let support: f64 = lines
                .iter()
                .map(|l| (l.off - lean * l.across - roll) / AGREE)
                .zip(lines)
                .filter(|(d, _)| d.abs() < 4.0)
                .map(|(d, l)| l.length * (-0.5 * d * d).exp())
                .sum();
            let usual = (-0.5 * (lean / USUAL_LEAN).powi(2)).exp() / (1.0 + (roll / USUAL_ROLL).powi(2));
            if support * usual > best.0 {
                best = (support * usual, roll, support);
            }
        }
    }
    (best.2 >= MIN_SUPPORT).then_some(best.1)
}

#[cfg(test)]
mod tests {
    use super::*;
    use opencv::core::{CV_8UC3, Point, Scalar};

    /// A picture of upright posts and level rails, turned clockwise by `roll` degrees about its middle.
    fn fence(roll: f64) -> Mat {
        let (w, h) = (480, 854);
        let mut picture = Mat::new_rows_cols_with_default(h, w, CV_8UC3, Scalar::all(200.0)).unwrap();
        let (s, c) = roll.to_radians().sin_cos();
        let turned = |x: f64, y: f64| {
            let (x, y) = (x - f64::from(w) / 2.0, y - f64::from(h) / 2.0);
            Point::new((c * x - s * y + f64::from(w) / 2.0).round() as i32, (s * x + c * y + f64::from(h) / 2.0).round() as i32)
        };
        let mut draw = |a, b| imgproc::line(&mut picture, a, b, Scalar::all(40.0), 5, imgproc::LINE_AA, 0).unwrap();
        for x in [40.0, 120.0, 380.0, 440.0] {
            draw(turned(x, 80.0), turned(x, 500.0));
        }
        draw(turned(30.0, 200.0), turned(450.0, 200.0));
        picture
    }

    #[test]
    fn the_roll_of_a_fence_is_the_angle_it_was_turned_by() {
        for roll in [-6.0, -1.5, 0.0, 0.8, 3.0] {
            let seen = roll_deg(&fence(roll), [200.0, 100.0, 280.0, 800.0], 700.0).unwrap().expect("lines");
            assert!((seen - roll).abs() < 0.3, "{roll}: {seen}");
        }
    }

    #[test]
    fn a_bare_wall_tells_nothing() {
        let bare = Mat::new_rows_cols_with_default(854, 480, CV_8UC3, Scalar::all(120.0)).unwrap();
        assert_eq!(roll_deg(&bare, [200.0, 100.0, 280.0, 800.0], 700.0).unwrap(), None);
    }
}
