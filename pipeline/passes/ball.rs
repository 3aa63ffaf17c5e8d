//! The ball: what lies on the ground at the top of the swing, when the club is far from it, and is gone a tenth of a second after the
//! strike. Found by the difference of two medians of pictures, among cuts that are kept anyway; then watched until it leaves.

use super::cuts::{Cut, Cuts};
use super::key::spread;
use super::spot::{ALIKE, ALIKE_BESIDE_SHOES, Spot, spot};
use crate::error::{Error, Result};
use crate::report::types::ViewKind;
use crate::seen::{Ball, Keypoint, Seen, Shift};
use crate::swing::SwingRead;
use crate::track::as_filmed;
use crate::track::signal::median;
use opencv::core::{self, CV_8UC1, Mat, MatTraitConst, MatTraitConstManual, MatTraitManual, Point, Point2f, Scalar, Size, Vector};
use opencv::imgproc;

/// Diameter of a golf ball, cm: at least 42.67 mm (Rules of Golf, Equipment Rules, part 4; from memory).
const BALL_CM: f64 = 4.267;
/// Pictures of the two medians: seconds of real time about the top, and after the strike as the hands tell it; so many at most.
const BEFORE: [f64; 2] = [-0.16, 0.03];
const AFTER: [f64; 2] = [0.12, 0.30];
const BEFORE_PICTURES: usize = 5;
const AFTER_PICTURES: usize = 7;
/// Fewer pictures on either side than this tell nothing.
const FEWEST_PICTURES: usize = 3;
/// Where a ball may lie, leg lengths from the middle of the ankles. Face-on: to either side, behind (the rim of a small
/// one), and nearer the camera.
const FACE_ON: [f64; 3] = [0.75, 0.05, 0.95];
/// Face-on it lies in front of the toes, so lower in the picture than either shoe by at least so many leg lengths: of 119 spots found in
/// four worlds all balls do (0.047 and more), and four parts of moving shoes do not (0.005 and less).
const BEFORE_THE_TOES: f64 = 0.02;
/// Down the line: from the toes outward, and up or down the picture.
const DOWN_THE_LINE: [f64; 3] = [0.25, 1.7, 0.35];
/// About a shoe's key points nothing is looked for down the line, leg lengths.
const SHOE: f64 = 0.11;
/// A ball's picture narrower than this many pixels of the cut is none.
const FEWEST_PIXELS: f64 = 4.0;
/// Nearer to the place with the ball than this share of what the ball adds: it is there; to the place without it: it is gone. A club
/// that covers the place is far from both.
const NEAR: f64 = 0.5;

/// Looks for the balls that left in the swings of a clip, in time order.
pub fn look_for_balls(cuts: &Cuts, seen: &Seen, swings: &[SwingRead]) -> Result<Vec<Ball>> {
    all(cuts, seen, swings).map_err(|e| match e {
        Trouble::Cv(e) => Error::opencv(e),
        Trouble::Other(e) => e,
    })
}

fn all(cuts: &Cuts, seen: &Seen, swings: &[SwingRead]) -> std::result::Result<Vec<Ball>, Trouble> {
    let mut balls = Vec::new();
    for swing in swings {
        let Some((mut ball, watch)) = look(cuts, seen, swing)? else { continue };
        for other in swings.iter().filter(|o| o.window.top != swing.window.top) {
            let Some(impact) = other.moments.impact else { continue };
            let k = other.slowness;
            let looks = watch.looks(cuts, other, impact.time + AFTER[0] * k, impact.time + AFTER[1] * k)?;
            if looks.len() >= FEWEST_PICTURES && looks.iter().all(|s| s.1.there()) {
                ball.stayed.push(impact.time);
            }
        }
        balls.push(ball);
    }
    balls.sort_by(|a, b| a.there.total_cmp(&b.there));
    Ok(balls)
}

enum Trouble {
    Cv(opencv::Error),
    Other(Error),
}

impl From<opencv::Error> for Trouble {
    fn from(e: opencv::Error) -> Trouble {
        Trouble::Cv(e)
    }
}

impl From<Error> for Trouble {
    fn from(e: Error) -> Trouble {
        Trouble::Other(e)
    }
}

/// A piece of ground in steadied pixels, seen at so many pixels of its own for one of the picture.
struct Ground {
    x0: f64,
    y0: f64,
    cols: i32,
    rows: i32,
    shrink: f64,
    size: [f64; 2],
}

impl Ground {
    /// Place of a steadied point on the piece.
    fn place(&self, p: [f64; 2]) -> [f64; 2] {
        [(p[0] - self.x0) * self.shrink, (p[1] - self.y0) * self.shrink]
    }

    fn back(&self, p: [f64; 2]) -> [f64; 2] {
        [p[0] / self.shrink + self.x0, p[1] / self.shrink + self.y0]
    }

    /// The piece as one cut shows it, and where the cut ends: 255 inside.
    fn of(&self, cut: &Cut, shift: &Shift) -> opencv::Result<(Mat, Mat)> {
        let corners = [[0.0, 0.0], [100.0, 0.0], [0.0, 100.0]];
        let from: Vector<Point2f> = corners.iter().map(|c| Point2f::new(c[0] as f32, c[1] as f32)).collect();
        let to: Vector<Point2f> = corners
            .iter()
            .map(|c| cut.place(as_filmed(self.back(*c), shift, self.size)))
            .map(|p| Point2f::new(p[0] as f32, p[1] as f32))
            .collect();
        let turn = imgproc::get_affine_transform(&from, &to)?;
        let size = Size::new(self.cols, self.rows);
        let how = imgproc::INTER_LINEAR | imgproc::WARP_INVERSE_MAP;
        let (mut piece, mut inside) = (Mat::default(), Mat::default());
        imgproc::warp_affine(&cut.picture, &mut piece, &turn, size, how, core::BORDER_REPLICATE, Scalar::default())?;
        let whole = Mat::new_rows_cols_with_default(cut.picture.rows(), cut.picture.cols(), CV_8UC1, Scalar::all(255.0))?;
        imgproc::warp_affine(&whole, &mut inside, &turn, size, how, core::BORDER_CONSTANT, Scalar::default())?;
        Ok((piece, inside))
    }
}

fn look(cuts: &Cuts, seen: &Seen, swing: &SwingRead) -> std::result::Result<Option<(Ball, Watch)>, Trouble> {
    // before the best looks are there a moment may be missing: the scout's will do
    let top = swing.moments.top.map_or(swing.window.top, |m| m.time);
    let Some(impact) = swing.moments.impact.map(|m| m.time).or(swing.window.impact) else { return Ok(None) };
    let (track, k) = (&swing.track, swing.slowness);
    let before = spread(&rows(cuts, swing, top + BEFORE[0] * k, top + BEFORE[1] * k), BEFORE_PICTURES);
    let after = spread(&rows(cuts, swing, impact + AFTER[0] * k, impact + AFTER[1] * k), AFTER_PICTURES);
    if before.len().min(after.len()) < FEWEST_PICTURES {
        return Ok(None);
    }
    let Some(first) = cuts.of(track.frames[before[0]])? else { return Ok(None) };
    let size = [f64::from(seen.about.width), f64::from(seen.about.height)];
    let Some((ground, zone, front)) = ground(swing, &before, &after, first.shrink, size)? else { return Ok(None) };
    let wide = BALL_CM / swing.cm_per_px * first.shrink;
    if wide < FEWEST_PIXELS {
        return Ok(None);
    }
    let mut zone = zone;
    let mut median_of = |rows: &[usize]| -> std::result::Result<Mat, Trouble> {
        let mut pieces = Vec::new();
        for &i in rows {
            let Some(cut) = cuts.of(track.frames[i])? else { continue };
            let (piece, inside) = ground.of(&cut, &track.camera[i])?;
            let mut both = Mat::default();
            core::bitwise_and(&zone, &inside, &mut both, &core::no_array())?;
            zone = both;
            pieces.push(piece);
        }
        Ok(middle_of(&pieces)?)
    };
    let (lying, gone) = (median_of(&before)?, median_of(&after)?);
    let alike = if swing.view.kind == ViewKind::DownTheLine { ALIKE_BESIDE_SHOES } else { ALIKE };
    let Some(spot) = spot(&lying, &gone, &zone, front, wide, alike)? else { return Ok(None) };
    let place = ground.back(spot.centre);
    // there or gone, picture by picture
    let watch = Watch { patch: Patch::new(&lying, &gone, &spot), ground };
    let looks = watch.looks(cuts, swing, top, impact + 0.2 * k)?;
    let Some(last) = looks.iter().rposition(|l| l.1.there()) else { return Ok(None) };
    let left = looks.iter().skip(last + 1).find(|l| l.1.gone());
    let (Some(left), true) = (left, looks.len() > last + FEWEST_PICTURES) else { return Ok(None) };
    let width = spot.width / watch.ground.shrink;
    Ok(Some((Ball { x: place[0], y: place[1], width, there: looks[last].0, gone: left.0, stayed: Vec::new() }, watch)))
}

/// The rows of a swing's track between two times of which there is a cut.
fn rows(cuts: &Cuts, swing: &SwingRead, from: f64, to: f64) -> Vec<usize> {
    swing.track.within(from, to).into_iter().filter(|&i| cuts.has(swing.track.frames[i])).collect()
}

/// A ball's place, to look there again.
struct Watch {
    ground: Ground,
    patch: Patch,
}

impl Watch {
    /// Times, and what is there.
    fn looks(&self, cuts: &Cuts, swing: &SwingRead, from: f64, to: f64) -> std::result::Result<Vec<(f64, Likeness)>, Trouble> {
        let mut looks = Vec::new();
        for i in rows(cuts, swing, from, to) {
            let Some(cut) = cuts.of(swing.track.frames[i])? else { continue };
            let (piece, _) = self.ground.of(&cut, &swing.track.camera[i])?;
            looks.push((swing.track.times[i], self.patch.likeness(&piece)?));
        }
        Ok(looks)
    }
}

/// The piece of ground on which a ball may lie, where on it (255, but about the shoes), and the first row in front of the toes.
fn ground(swing: &SwingRead, before: &[usize], after: &[usize], shrink: f64, size: [f64; 2]) -> opencv::Result<Option<(Ground, Mat, i32)>> {
    use Keypoint::*;
    let track = &swing.track;
    let feet = if swing.still.is_empty() { before } else { &swing.still };
    let mid = |a: Keypoint, b: Keypoint, axis: usize| {
        median(&feet.iter().map(|&i| (track.at(i, a)[axis] + track.at(i, b)[axis]) / 2.0).collect::<Vec<_>>())
    };
    let (x, y) = (mid(LeftAnkle, RightAnkle, 0), mid(LeftAnkle, RightAnkle, 1));
    let leg = (mid(LeftHip, RightHip, 0) - x).hypot(mid(LeftHip, RightHip, 1) - y);
    let (left, right, up, low) = match swing.view.kind {
        ViewKind::DownTheLine => {
            let out = (mid(LeftFootIndex, RightFootIndex, 0) - mid(LeftHeel, RightHeel, 0)).signum();
            let (a, b) = (x + out * DOWN_THE_LINE[0] * leg, x + out * DOWN_THE_LINE[1] * leg);
            (a.min(b), a.max(b), y - DOWN_THE_LINE[2] * leg, y + DOWN_THE_LINE[2] * leg)
        }
        _ => (x - FACE_ON[0] * leg, x + FACE_ON[0] * leg, y - FACE_ON[1] * leg, y + FACE_ON[2] * leg),
    };
    let (left, right, up, low) = (left.max(0.0), right.min(size[0]), up.max(0.0), low.min(size[1]));
    let (cols, rows) = (((right - left) * shrink) as i32, ((low - up) * shrink) as i32);
    if leg.is_nan() || leg <= 0.0 || cols < 16 || rows < 16 {
        return Ok(None);
    }
    let ground = Ground { x0: left, y0: up, cols, rows, shrink, size };
    let mut zone = Mat::new_rows_cols_with_default(rows, cols, CV_8UC1, Scalar::all(255.0))?;
    let mut front = 0;
    if swing.view.kind == ViewKind::DownTheLine {
        // the shoes move beside the ball
        for &i in before.iter().chain(after) {
            for key in [LeftAnkle, RightAnkle, LeftHeel, RightHeel, LeftFootIndex, RightFootIndex] {
                let p = ground.place(track.at(i, key));
                let place = Point::new(p[0] as i32, p[1] as i32);
                imgproc::circle(&mut zone, place, (SHOE * leg * shrink) as i32, Scalar::default(), imgproc::FILLED, imgproc::LINE_8, 0)?;
            }
        }
    } else {
        // they stay behind it; about their key points nothing is left out, for at the top one of them may lie on the ball
        let each = |key: Keypoint| median(&feet.iter().map(|&i| track.at(i, key)[1]).collect::<Vec<_>>());
        let shoes = [LeftFootIndex, RightFootIndex, LeftHeel, RightHeel].map(each).into_iter().fold(f64::NEG_INFINITY, f64::max);
        front = ground.place([0.0, shoes + BEFORE_THE_TOES * leg])[1].clamp(0.0, f64::from(rows)) as i32;
        let rect = core::Rect::new(0, 0, cols, front);
        imgproc::rectangle(&mut zone, rect, Scalar::default(), imgproc::FILLED, imgproc::LINE_8, 0)?;
    }
    Ok(Some((ground, zone, front)))
}

/// Median of pictures of one size, each value for itself.
fn middle_of(pictures: &[Mat]) -> opencv::Result<Mat> {
    let mut middle = pictures[0].clone();
    let all: Vec<&[u8]> = pictures.iter().map(|p| p.data_bytes()).collect::<opencv::Result<_>>()?;
    let mut values = vec![0u8; all.len()];
    for (i, out) in middle.data_bytes_mut()?.iter_mut().enumerate() {
        for (value, bytes) in values.iter_mut().zip(&all) {
            *value = bytes[i];
        }
        values.sort_unstable();
        *out = values[values.len() / 2];
    }
    Ok(middle)
}

/// The middle of the spot, with the ball and without.
struct Patch {
    /// Row and column, colours without the ball, and what the ball adds.
    pixels: Vec<(i32, i32, [f64; 3], [f64; 3])>,
}

impl Patch {
    fn new(lying: &Mat, gone: &Mat, spot: &Spot) -> Patch {
        let reach = (0.4 * spot.width).max(1.0);
        let (x, y, r) = (spot.centre[0].round() as i32, spot.centre[1].round() as i32, reach.ceil() as i32);
        let colour = |m: &Mat, row: i32, col: i32| m.at_2d::<core::Vec3b>(row, col).ok().map(|c| [0, 1, 2].map(|i| f64::from(c[i])));
        let pixels = (y - r..=y + r)
            .flat_map(|row| (x - r..=x + r).map(move |col| (row, col)))
            .filter(|(row, col)| (f64::from(*col) - spot.centre[0]).hypot(f64::from(*row) - spot.centre[1]) <= reach)
            .filter_map(|(row, col)| {
                let (with, without) = (colour(lying, row, col)?, colour(gone, row, col)?);
                Some((row, col, without, [0, 1, 2].map(|i| with[i] - without[i])))
            })
            .collect();
        Patch { pixels }
    }

    /// How far a picture of the piece is from the place with the ball and without, as shares of what lies between the two.
    fn likeness(&self, piece: &Mat) -> opencv::Result<Likeness> {
        let (mut from_lying, mut from_gone, mut between) = (0.0, 0.0, 1e-9);
        for (row, col, without, ball) in &self.pixels {
            let c = piece.at_2d::<core::Vec3b>(*row, *col)?;
            for i in 0..3 {
                let adds = f64::from(c[i]) - without[i];
                from_gone += adds.abs();
                from_lying += (adds - ball[i]).abs();
                between += ball[i].abs();
            }
        }
        Ok(Likeness { from_lying: from_lying / between, from_gone: from_gone / between })
    }
}

/// How far a picture is from the ball's place with it and without.
#[derive(Debug, Clone, Copy)]
struct Likeness {
    from_lying: f64,
    from_gone: f64,
}

impl Likeness {
    fn there(self) -> bool {
        self.from_lying < NEAR.min(self.from_gone)
    }

    fn gone(self) -> bool {
        self.from_gone < NEAR.min(self.from_lying)
    }
}

#[cfg(test)]
mod tests {
    use super::super::spot::tests::ground_with;
    use super::*;

    #[test]
    fn a_ball_is_there_then_covered_then_gone() {
        let ball = (70, 90, 7, 230.0);
        let (lying, gone) = (ground_with(&[ball], 1), ground_with(&[], 2));
        let patch = Patch::new(&lying, &gone, &Spot { centre: [70.0, 90.0], width: 14.0 });
        let seen = |discs: &[(i32, i32, i32, f64)]| patch.likeness(&ground_with(discs, 3)).unwrap();
        assert!(seen(&[ball]).there() && !seen(&[ball]).gone());
        assert!(seen(&[]).gone() && !seen(&[]).there());
        let club = seen(&[ball, (72, 88, 12, 10.0)]);
        assert!(!club.there() && !club.gone(), "{club:?}");
    }
}
