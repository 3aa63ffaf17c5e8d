//! What stirs about hands and club before the swing: how far each picture has left the still one. The club's head moves first and
//! fastest, also where the hands move along the line of sight and no key point tells.

use super::cuts::{Cut, Cuts};
use crate::error::{Error, Result};
use crate::report::types::ViewKind;
use crate::seen::{Keypoint, Shift, Stir};
use crate::swing::SwingRead;
use crate::swing::witness::onset;
use crate::track::as_filmed;
use crate::track::signal::median;
use crate::video::camera::CameraWatch;
use opencv::core::{self, Mat, MatTraitConst, MatTraitConstManual, Point2f, Rect, Scalar, Size, Vector};
use opencv::imgproc;

/// A golfer's leg is this many pixels long in the pictures compared, or as many as it has.
const LEG: f64 = 160.0;
/// The box about hands and club, leg lengths: face-on to either side of the hands, above them, below the ankles; down the line toward
/// the body and toward the ball, above, below.
const FACE_ON: [f64; 4] = [0.45, 0.45, 0.25, 0.6];
const DOWN_THE_LINE: [f64; 4] = [0.15, 0.9, 0.25, 0.3];
/// Still pictures lie between these before the onset, seconds of real time.
const STILL: [f64; 2] = [0.40, 0.04];
const FEWEST_STILL: usize = 4;
/// The still ones begin with the first that is kept, and take so long at least, seconds of real time.
const FIRST: f64 = 0.25;
/// The camera's movement is read beside the golfer, who is this wide, leg lengths.
const GOLFER: f64 = 0.4;
/// Pictures up to so long after the onset as the hands tell it, seconds of real time.
const UNTIL: f64 = 0.6;
/// The onset is looked for again from pictures before it, so many times.
const ROUNDS: usize = 3;
/// A value has changed when it leaves the still one by so much more than it wavered; grey levels, and the most that one counts.
const WAVERS: f32 = 4.0;
const LEAST: f32 = 5.0;
const MOST: f32 = 40.0;

/// How a swing stirs. `None` where there are too few still pictures before it.
pub fn look_for_stir(cuts: &Cuts, swing: &SwingRead) -> Result<Option<Stir>> {
    let (Some(guess), Some(top)) = (swing.moments.takeaway.map(|m| m.time).or(swing.window.takeaway), swing.moments.top) else {
        return Ok(None);
    };
    let (track, k) = (&swing.track, swing.slowness);
    let end = (guess.max(swing.window.takeaway.unwrap_or(guess)) + UNTIL * k).min(top.time - 0.1 * k);
    let rows: Vec<usize> = track.within(swing.window.start, end).into_iter().filter(|&i| cuts.has(track.frames[i])).collect();
    let still = |onset: f64| -> Vec<usize> {
        let inside = |&n: &usize| (onset - STILL[0] * k..=onset - STILL[1] * k).contains(&track.times[rows[n]]);
        (0..rows.len()).filter(inside).collect()
    };
    // a guess before anything is kept: the first pictures are the still ones
    let Some(&first) = rows.first() else { return Ok(None) };
    let guess = guess.max(track.times[first] + FIRST * k);
    if still(guess).len() < FEWEST_STILL {
        return Ok(None);
    }
    let Some(pieces) = pieces(cuts, swing, &rows, &still(guess))? else { return Ok(None) };
    let times: Vec<f64> = rows.iter().map(|&i| track.times[i]).collect();
    let (mut at, mut found) = (guess, None);
    for _ in 0..ROUNDS {
        let rest = still(at);
        if rest.len() < FEWEST_STILL {
            break;
        }
        let stir = Stir { times: times.clone(), changed: changed(&pieces.pictures, &rest, pieces.leg)? };
        let Some(next) = onset(&stir, swing.view.kind == ViewKind::DownTheLine, k) else { break };
        found = Some(stir);
        if (next.time - at).abs() < 0.01 * k {
            break;
        }
        at = next.time;
    }
    Ok(found)
}

struct Pieces {
    pictures: Vec<Mat>,
    /// Leg length in them, pixels.
    leg: f64,
}

/// The box about hands and club in every picture, the camera's movement taken out; `None` where it lies outside the cuts.
fn pieces(cuts: &Cuts, swing: &SwingRead, rows: &[usize], still: &[usize]) -> Result<Option<Pieces>> {
    use Keypoint::*;
    let track = &swing.track;
    let Some(first) = cuts.of(track.frames[rows[still[0]]])? else { return Ok(None) };
    let shift = &track.camera[rows[still[0]]];
    let size = |m: &Mat| [f64::from(m.cols()), f64::from(m.rows())];
    let mid = |a: Keypoint, b: Keypoint| {
        [0, 1]
            .map(|axis| median(&still.iter().map(|&n| (track.at(rows[n], a)[axis] + track.at(rows[n], b)[axis]) / 2.0).collect::<Vec<_>>()))
    };
    // places in the first still cut; what the camera moved since is small beside the box
    let place = |p: [f64; 2]| first.place([p[0] + shift.dx, p[1] + shift.dy]);
    let (hand, foot, hip) = (place(mid(LeftWrist, RightWrist)), place(mid(LeftAnkle, RightAnkle)), place(mid(LeftHip, RightHip)));
    let leg = (hip[0] - foot[0]).hypot(hip[1] - foot[1]);
    let (reach, out) = match swing.view.kind {
        ViewKind::DownTheLine => (DOWN_THE_LINE, (hand[0] - hip[0]).signum()),
        _ => (FACE_ON, 1.0),
    };
    let sides = [hand[0] - out * reach[0] * leg, hand[0] + out * reach[1] * leg];
    let [w, h] = size(&first.picture);
    let (x0, x1) = (sides[0].min(sides[1]).clamp(0.0, w), sides[0].max(sides[1]).clamp(0.0, w));
    let (y0, y1) = ((hand[1] - reach[2] * leg).clamp(0.0, h), (foot[1] + reach[3] * leg).clamp(0.0, h));
    let part = Rect::new(x0 as i32, y0 as i32, (x1 - x0) as i32, (y1 - y0) as i32);
    if leg.is_nan() || leg <= 0.0 || part.width < 16 || part.height < 16 {
        return Ok(None);
    }
    let watch = CameraWatch::new(&first.picture, [hip[0] - GOLFER * leg, 0.0, hip[0] + GOLFER * leg, foot[1]])?;
    let shrink = (LEG / leg).min(1.0);
    let mut pictures = Vec::new();
    for &i in rows {
        let Some(cut) = cuts.of(track.frames[i])? else { return Ok(None) };
        if size(&cut.picture) != [w, h] {
            return Ok(None);
        }
        let camera = &track.camera[i];
        let turned = Shift {
            dx: (camera.dx - shift.dx) * cut.shrink,
            dy: (camera.dy - shift.dy) * cut.shrink,
            turn_deg: camera.turn_deg - shift.turn_deg,
        };
        let moved = watch.shift(&cut.picture)?.unwrap_or(turned);
        pictures.push(piece(&cut, &moved, part, shrink).map_err(Error::opencv)?);
    }
    Ok(Some(Pieces { pictures, leg: leg * shrink }))
}

fn piece(cut: &Cut, moved: &Shift, part: Rect, shrink: f64) -> opencv::Result<Mat> {
    let size = [f64::from(cut.picture.cols()), f64::from(cut.picture.rows())];
    let corners = [[0.0, 0.0], [100.0, 0.0], [0.0, 100.0]];
    let point = |p: [f64; 2]| Point2f::new(p[0] as f32, p[1] as f32);
    let from: Vector<Point2f> = corners.iter().map(|c| point(*c)).collect();
    let to: Vector<Point2f> =
        corners.iter().map(|c| point(as_filmed([c[0] + f64::from(part.x), c[1] + f64::from(part.y)], moved, size))).collect();
    let turn = imgproc::get_affine_transform(&from, &to)?;
    let how = imgproc::INTER_LINEAR | imgproc::WARP_INVERSE_MAP;
    let (mut whole, mut small, mut smooth) = (Mat::default(), Mat::default(), Mat::default());
    imgproc::warp_affine(&cut.picture, &mut whole, &turn, part.size(), how, core::BORDER_REPLICATE, Scalar::default())?;
    let to = Size::new((f64::from(part.width) * shrink) as i32, (f64::from(part.height) * shrink) as i32);
    imgproc::resize(&whole, &mut small, to, 0.0, 0.0, imgproc::INTER_AREA)?;
    imgproc::gaussian_blur_def(&small, &mut smooth, Size::new(0, 0), 0.7)?;
    Ok(smooth)
}

/// Of every picture, how much has left the median of the `still` ones: grey levels summed over the box, in squared leg lengths.
fn changed(pictures: &[Mat], still: &[usize], leg: f64) -> Result<Vec<f64>> {
    let bytes: Vec<&[u8]> = pictures.iter().map(|p| p.data_bytes()).collect::<opencv::Result<_>>().map_err(Error::opencv)?;
    let count = bytes.first().map_or(0, |b| b.len());
    let (mut rest, mut wavers) = (vec![0f32; count], vec![0f32; count]);
    let mut values = vec![0f32; still.len()];
    for i in 0..count {
        for (value, &n) in values.iter_mut().zip(still) {
            *value = f32::from(bytes[n][i]);
        }
        rest[i] = middle(&mut values);
        values.iter_mut().for_each(|v| *v = (*v - rest[i]).abs());
        wavers[i] = WAVERS * middle(&mut values) + LEAST;
    }
    Ok(bytes
        .iter()
        .map(|picture| {
            // a pixel counts once, by the colour that tells most
            let pixels = picture.chunks_exact(3).zip(rest.chunks_exact(3).zip(wavers.chunks_exact(3)));
            let most = |(p, (r, w)): (&[u8], (&[f32], &[f32]))| {
                (0..3).map(|c| (f32::from(p[c]) - r[c]).abs() - w[c]).fold(0.0, f32::max).min(MOST)
            };
            pixels.map(|pixel| f64::from(most(pixel))).sum::<f64>() / (leg * leg)
        })
        .collect())
}

fn middle(values: &mut [f32]) -> f32 {
    let half = values.len() / 2;
    *values.select_nth_unstable_by(half, f32::total_cmp).1
}
