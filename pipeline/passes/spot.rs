//! A round spot that is in one picture of a piece of ground and not in another.

use crate::track::signal::{median, quantile};
use opencv::core::{self, CV_8UC1, CV_32FC1, Mat, MatTrait, MatTraitConst, MatTraitConstManual, Point, Scalar, Size, Vector};
use opencv::imgproc;

/// Sizes tried, of a ball at the feet's distance, and the largest and smallest taken: face-on it lies nearer the camera.
const SIZES: [f64; 4] = [0.8, 1.0, 1.25, 1.55];
const SIZE_TAKEN: [f64; 2] = [0.6, 1.9];
/// Least response (grey levels), also in levels of what else changes at that size; places tried for each size.
const LEAST_RESPONSE: f64 = 5.0;
const LEAST_OF_NOISE: f64 = 5.0;
const PLACES: usize = 30;
/// Gaps as wide as this share of a ball are closed.
const GAP: f64 = 0.5;
/// Width against height (of a ball half in shade the lit half is seen), and area against the ellipse's.
const LONGEST: f64 = 2.0;
const FULLEST: f64 = 0.75;
/// How much of a spot's surroundings counts against it, from what is most like it on: a third where all that moves otherwise lies behind
/// the search (the rest may be the edge of a mat or a shadow), half where shoes move beside it.
pub const ALIKE: f64 = 0.3;
pub const ALIKE_BESIDE_SHOES: f64 = 0.5;
/// What was there stands out from its surroundings this much more than what is left.
const STANDS_OUT: [f64; 2] = [1.5, 5.0];

/// A round spot of the ground: pixels of the piece.
pub struct Spot {
    pub centre: [f64; 2],
    pub width: f64,
}

/// Largest difference of the colours, a little smoothed.
fn difference(a: &Mat, b: &Mat) -> opencv::Result<Mat> {
    let smooth = |m: &Mat| -> opencv::Result<Mat> {
        let mut out = Mat::default();
        imgproc::gaussian_blur_def(m, &mut out, Size::new(0, 0), 0.7)?;
        Ok(out)
    };
    let mut apart = Mat::default();
    core::absdiff(&smooth(a)?, &smooth(b)?, &mut apart)?;
    let mut planes = Vector::<Mat>::new();
    core::split(&apart, &mut planes)?;
    let mut most = planes.get(0)?;
    for i in 1..planes.len() {
        let mut larger = Mat::default();
        core::max(&most, &planes.get(i)?, &mut larger)?;
        most = larger;
    }
    let mut out = Mat::default();
    most.convert_to(&mut out, CV_32FC1, 1.0, 0.0)?;
    Ok(out)
}

/// Mean within a disc less the mean of a ring about it.
fn response(apart: &Mat, radius: f64) -> opencv::Result<Mat> {
    let reach = (2.2 * radius).ceil() as i32;
    let side = 2 * reach + 1;
    let mut kernel = Mat::new_rows_cols_with_default(side, side, CV_32FC1, Scalar::default())?;
    let from = |r: i32, c: i32| f64::from(r - reach).hypot(f64::from(c - reach));
    let (mut disc, mut ring) = (0.0f32, 0.0f32);
    for r in 0..side {
        for c in 0..side {
            let d = from(r, c);
            disc += f32::from(d <= radius);
            ring += f32::from((1.35 * radius..=2.2 * radius).contains(&d));
        }
    }
    for r in 0..side {
        for c in 0..side {
            let d = from(r, c);
            *kernel.at_2d_mut::<f32>(r, c)? = if d <= radius {
                1.0 / disc
            } else if (1.35 * radius..=2.2 * radius).contains(&d) {
                -1.0 / ring.max(1.0)
            } else {
                0.0
            };
        }
    }
    let mut out = Mat::default();
    imgproc::filter_2d(apart, &mut out, CV_32FC1, &kernel, Point::new(-1, -1), 0.0, core::BORDER_REPLICATE)?;
    Ok(out)
}

/// The clearest round spot of about a ball's size that is in one picture and not in the other. `alike`: [`ALIKE`] or
/// [`ALIKE_BESIDE_SHOES`].
pub fn spot(lying: &Mat, gone: &Mat, zone: &Mat, front: i32, wide: f64, alike: f64) -> opencv::Result<Option<Spot>> {
    let apart = difference(lying, gone)?;
    let mut best: Option<(f64, Spot)> = None;
    for size in SIZES {
        let radius = wide * size / 2.0;
        let mut answer = response(&apart, radius)?;
        let levels: Vec<f64> =
            answer.data_typed::<f32>()?.iter().zip(zone.data_bytes()?).filter(|(_, z)| **z > 0).map(|(v, _)| f64::from(v.abs())).collect();
        if levels.is_empty() {
            return Ok(None);
        }
        let least = LEAST_RESPONSE.max(LEAST_OF_NOISE * 1.4826 * median(&levels));
        for _ in 0..PLACES {
            let (mut value, mut at) = (0.0, Point::default());
            core::min_max_loc(&answer, None, Some(&mut value), None, Some(&mut at), zone)?;
            if value <= least || best.as_ref().is_some_and(|b| b.0 >= value) {
                break;
            }
            // what reaches out from behind the toes is no ball
            let found = round_spot(&apart, lying, gone, at, wide, alike)?;
            if let Some(found) = found.filter(|s| s.centre[1] >= f64::from(front)) {
                best = Some((value, found));
                break;
            }
            imgproc::circle(&mut answer, at, (1.5 * wide) as i32, Scalar::all(-1.0), imgproc::FILLED, imgproc::LINE_8, 0)?;
        }
    }
    Ok(best.map(|b| b.1))
}

/// The spot at a place, where it is round, of a ball's size, whole, and something that was there rather than something that came.
fn round_spot(apart: &Mat, lying: &Mat, gone: &Mat, at: Point, wide: f64, alike: f64) -> opencv::Result<Option<Spot>> {
    let reach = (3.0 * wide) as i32;
    let (x0, y0) = ((at.x - reach).max(0), (at.y - reach).max(0));
    let (x1, y1) = ((at.x + reach + 1).min(apart.cols()), (at.y + reach + 1).min(apart.rows()));
    let near = (wide / 4.0).max(1.0) as i32;
    let mut about = Vec::new();
    for r in (at.y - near).max(0)..(at.y + near + 1).min(apart.rows()) {
        for c in (at.x - near).max(0)..(at.x + near + 1).min(apart.cols()) {
            about.push(f64::from(*apart.at_2d::<f32>(r, c)?));
        }
    }
    let level = 0.5 * quantile(&about, 0.7);
    let mut mask = Mat::new_rows_cols_with_default(y1 - y0, x1 - x0, CV_8UC1, Scalar::default())?;
    for r in y0..y1 {
        for c in x0..x1 {
            *mask.at_2d_mut::<u8>(r - y0, c - x0)? = u8::from(f64::from(*apart.at_2d::<f32>(r, c)?) > level);
        }
    }
    // what of a ball is as bright as the ground leaves a gap; what lies beside it must not be joined to it without need
    let gap = ((GAP * wide) as i32).max(1);
    let kernel = imgproc::get_structuring_element_def(imgproc::MORPH_ELLIPSE, Size::new(gap, gap))?;
    let mut closed = Mat::default();
    imgproc::morphology_ex_def(&mask, &mut closed, imgproc::MORPH_CLOSE, &kernel)?;
    for shape in [&mask, &closed] {
        if let Some(found) = whole_piece(shape, apart, [x0, y0], at, wide)? {
            let (was, is) = (stands_out(lying, &found, alike)?, stands_out(gone, &found, alike)?);
            if was > STANDS_OUT[0] * is + STANDS_OUT[1] {
                return Ok(Some(found));
            }
        }
    }
    Ok(None)
}

/// The connected piece of a mask at a place, where it is round, of a ball's size and whole. `corner`: of the mask within `apart`.
fn whole_piece(mask: &Mat, apart: &Mat, corner: [i32; 2], at: Point, wide: f64) -> opencv::Result<Option<Spot>> {
    let [x0, y0] = corner;
    let mut labels = Mat::default();
    imgproc::connected_components_def(mask, &mut labels)?;
    let own = *labels.at_2d::<i32>(at.y - y0, at.x - x0)?;
    if own == 0 {
        return Ok(None);
    }
    let (mut area, mut weight, mut sum) = (0.0, 0.0, [0.0; 2]);
    let (mut low, mut high) = ([i32::MAX; 2], [i32::MIN; 2]);
    for r in 0..mask.rows() {
        for c in 0..mask.cols() {
            if *labels.at_2d::<i32>(r, c)? != own {
                continue;
            }
            let (x, y) = (c + x0, r + y0);
            let w = f64::from(*apart.at_2d::<f32>(y, x)?);
            area += 1.0;
            weight += w;
            sum = [sum[0] + w * f64::from(x), sum[1] + w * f64::from(y)];
            low = [low[0].min(c), low[1].min(r)];
            high = [high[0].max(c), high[1].max(r)];
        }
    }
    let sides = [0, 1].map(|axis| f64::from(high[axis] - low[axis] + 1));
    let (longer, shorter) = (sides[0].max(sides[1]), sides[0].min(sides[1]));
    let width = (4.0 * area / std::f64::consts::PI).sqrt();
    let whole = low[0] > 0 && low[1] > 0 && high[0] < mask.cols() - 1 && high[1] < mask.rows() - 1;
    let full = area / (std::f64::consts::FRAC_PI_4 * sides[0] * sides[1]);
    let fits = (SIZE_TAKEN[0] * wide..SIZE_TAKEN[1] * wide).contains(&width) && longer <= LONGEST * shorter && full >= FULLEST;
    Ok((whole && fits).then(|| Spot { centre: [sum[0] / weight, sum[1] / weight], width }))
}

/// How far a spot's middle is from what about it is most like it, grey levels; `alike`: how much of its surroundings that is.
fn stands_out(picture: &Mat, spot: &Spot, alike: f64) -> opencv::Result<f64> {
    let reach = (1.7 * spot.width).ceil() as i32;
    let (x, y) = (spot.centre[0].round() as i32, spot.centre[1].round() as i32);
    let (mut inner, mut outer) = (Vec::new(), Vec::new());
    for r in (y - reach).max(0)..(y + reach + 1).min(picture.rows()) {
        for c in (x - reach).max(0)..(x + reach + 1).min(picture.cols()) {
            let d = (f64::from(c) - spot.centre[0]).hypot(f64::from(r) - spot.centre[1]);
            let colour = picture.at_2d::<core::Vec3b>(r, c)?.0.map(f64::from);
            if d <= 0.4 * spot.width {
                inner.push(colour);
            } else if (0.9 * spot.width..=1.6 * spot.width).contains(&d) {
                outer.push(colour);
            }
        }
    }
    if inner.is_empty() || outer.is_empty() {
        return Ok(0.0);
    }
    let own = [0, 1, 2].map(|plane| median(&inner.iter().map(|c: &[f64; 3]| c[plane]).collect::<Vec<_>>()));
    let apart: Vec<f64> = outer.iter().map(|c: &[f64; 3]| (0..3).map(|p| (c[p] - own[p]).abs()).fold(0.0, f64::max)).collect();
    Ok(quantile(&apart, alike))
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use opencv::core::MatTraitManual;

    /// Ground of grey grass, 160 x 200, whose blades differ from picture to picture, with discs (x, y, radius, grey) drawn on it.
    pub fn ground_with(discs: &[(i32, i32, i32, f64)], seed: u64) -> Mat {
        let mut m = Mat::new_rows_cols_with_default(160, 200, core::CV_8UC3, Scalar::all(90.0)).unwrap();
        for &(x, y, r, grey) in discs {
            imgproc::circle(&mut m, Point::new(x, y), r, Scalar::all(grey), imgproc::FILLED, imgproc::LINE_AA, 0).unwrap();
        }
        let mut state = seed;
        for byte in m.data_bytes_mut().unwrap() {
            state = state.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
            *byte = byte.saturating_add((state >> 61) as u8);
        }
        m
    }

    fn found(before: &[(i32, i32, i32, f64)], after: &[(i32, i32, i32, f64)]) -> Option<Spot> {
        found_from(0, before, after)
    }

    fn found_from(front: i32, before: &[(i32, i32, i32, f64)], after: &[(i32, i32, i32, f64)]) -> Option<Spot> {
        let zone = Mat::new_rows_cols_with_default(160, 200, CV_8UC1, Scalar::all(255.0)).unwrap();
        spot(&ground_with(before, 1), &ground_with(after, 2), &zone, front, 12.0, ALIKE).unwrap()
    }

    #[test]
    fn of_all_balls_the_one_that_leaves_is_found_to_a_pixel() {
        let (lies, stays) = ((70, 90, 7, 230.0), (140, 60, 7, 230.0));
        let spot = found(&[lies, stays], &[stays]).unwrap();
        assert!((spot.centre[0] - 70.0).abs() < 1.0 && (spot.centre[1] - 90.0).abs() < 1.0, "{:?}", spot.centre);
        assert!((spot.width - 14.0).abs() < 2.5, "{}", spot.width);
    }

    #[test]
    fn what_comes_or_is_no_ball_is_none() {
        let ball = (70, 90, 7, 230.0);
        assert!(found(&[ball], &[ball]).is_none(), "nothing leaves: a rehearsal");
        assert!(found(&[], &[ball]).is_none(), "something comes");
        assert!(found(&[(70, 90, 30, 60.0)], &[]).is_none(), "a shadow moves");
        let row: Vec<_> = (0..8).map(|i| (60 + 6 * i, 90, 5, 220.0)).collect();
        assert!(found(&row, &[]).is_none(), "a stick is taken away");
    }

    #[test]
    fn a_ball_beside_another_change_is_still_one_and_none_lies_behind_the_toes() {
        let (ball, club) = ((70, 90, 7, 230.0), (83, 90, 3, 40.0));
        let spot = found(&[ball, club], &[]).expect("what lies beside is not joined to it");
        assert!((spot.centre[0] - 70.0).abs() < 1.5, "{:?}", spot.centre);
        assert!(found_from(85, &[ball], &[]).is_some() && found_from(95, &[ball], &[]).is_none());
    }

    #[test]
    fn a_ball_on_a_strip_of_other_ground_is_found_and_one_that_comes_there_is_not() {
        // a lighter strip, little wider than the ball, which is hardly lighter than it
        let on_strip = |discs: &[(i32, i32, i32, f64)], seed: u64| {
            let mut m = ground_with(&[], seed);
            let strip = core::Rect::new(0, 79, 200, 22);
            imgproc::rectangle(&mut m, strip, Scalar::all(150.0), imgproc::FILLED, imgproc::LINE_8, 0).unwrap();
            for &(x, y, r, grey) in discs {
                imgproc::circle(&mut m, Point::new(x, y), r, Scalar::all(grey), imgproc::FILLED, imgproc::LINE_AA, 0).unwrap();
            }
            m
        };
        let zone = Mat::new_rows_cols_with_default(160, 200, CV_8UC1, Scalar::all(255.0)).unwrap();
        let (with, without) = (on_strip(&[(70, 90, 7, 175.0)], 1), on_strip(&[], 2));
        let found = spot(&with, &without, &zone, 0, 12.0, ALIKE).unwrap().expect("the ball");
        assert!((found.centre[0] - 70.0).abs() < 1.0 && (found.centre[1] - 90.0).abs() < 1.0, "{:?}", found.centre);
        assert!(spot(&without, &with, &zone, 0, 12.0, ALIKE).unwrap().is_none());
    }
}
