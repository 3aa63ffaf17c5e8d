//! Other people in a film that one student gets: they are blurred beyond knowing, but for where the golfer is.

use crate::error::{Error, Result};
use crate::pose::detector::Detector;
use crate::seen::Seen;
use crate::seen::keypoints::{BODY_POINTS, Keypoint};
use crate::swing::SwingRead;
use crate::track::{Track, as_filmed, steady};
use crate::video::{Footage, Probe, Shown};
use opencv::core::{CV_8UC1, Mat, MatTraitConst, Point, Rect, Scalar, Size};
use opencv::imgproc;
use std::path::Path;

/// Beyond the key points the golfer goes on by this share of the trunk, and above the face by so much more.
const FLESH: f64 = 0.25;
const CROWN: f64 = 0.35;

/// Pictures that are looked through for other people, evenly over the film.
const PICTURES: usize = 6;
/// What a body takes up of its region, to either side, and above and below.
const OF_REGION: [f64; 2] = [0.17, 0.42];
/// Of that so many pixels become one.
const COARSE: i32 = 24;

/// What other people take up between two times; steadied pixels. The detector looks at the whole picture and at what lies on either
/// side of the golfer, who is the largest and outshines whoever stands behind.
pub fn others(
    clip: &Path,
    probe: &Probe,
    seen: &Seen,
    read: &SwingRead,
    between: [f64; 2],
    detector: &mut Detector,
) -> Result<Vec<[f64; 4]>> {
    let Some(mut footage) = Footage::open(clip, probe) else { return Ok(Vec::new()) };
    let size = [f64::from(seen.about.width), f64::from(seen.about.height)];
    let track = &read.track;
    let mut all = Vec::new();
    let mut last = None;
    for n in 0..PICTURES {
        let time = between[0] + (between[1] - between[0]) * n as f64 / (PICTURES - 1) as f64;
        let frame = probe.times.partition_point(|&t| t < time).min(probe.times.len().saturating_sub(1));
        if last == Some(frame) {
            continue;
        }
        last = Some(frame);
        let picture = match footage.frame(frame)? {
            Shown::Picture(picture) => picture,
            Shown::Lost => continue,
            Shown::Ended => break,
        };
        let shift = seen.shift_at(frame);
        let own = golfer(track, time).unwrap_or_default();
        let (left, right) = (as_filmed([own[0], own[1]], &shift, size)[0], as_filmed([own[2], own[3]], &shift, size)[0]);
        let whole = Rect::new(0, 0, picture.cols(), picture.rows());
        let beside = [Rect::new(0, 0, left as i32, whole.height), Rect::new(right as i32, 0, whole.width, whole.height)].map(|r| r & whole);
        for part in std::iter::once(whole).chain(beside).filter(|r| r.width > whole.width / 16) {
            let cut = Mat::roi(picture, part).and_then(|m| m.try_clone()).map_err(Error::opencv)?;
            for region in detector.detect(&cut)?.iter().map(|d| d.region()) {
                let [x, y] = steady([region.cx + f64::from(part.x), region.cy + f64::from(part.y)], &shift, size);
                // within what the golfer takes up it is the golfer, or nobody who could be covered
                if x < own[0] || x > own[2] {
                    let (wide, high) = (OF_REGION[0] * region.size, OF_REGION[1] * region.size);
                    all.push([x - wide, y - high, x + wide, y + high]);
                }
            }
        }
    }
    Ok(all)
}

/// What the golfer takes up at a time; steadied pixels. `None` of an empty track.
pub fn golfer(track: &Track, time: f64) -> Option<[f64; 4]> {
    if track.times.is_empty() {
        return None;
    }
    let row = track.nearest(time);
    let mut b = [f64::INFINITY, f64::INFINITY, f64::NEG_INFINITY, f64::NEG_INFINITY];
    for k in 0..BODY_POINTS {
        let (x, y) = (track.xy[[row, k, 0]], track.xy[[row, k, 1]]);
        b = [b[0].min(x), b[1].min(y), b[2].max(x), b[3].max(y)];
    }
    let t = track.trunk;
    Some([b[0] - FLESH * t, b[1] - CROWN * t, b[2] + FLESH * t, b[3] + FLESH * t])
}

/// A limb, from and to, and how thick with its clothes.
pub type Limb = ([f64; 2], [f64; 2], f64);

/// The golfer's limbs, trunk and head at a time; steadied pixels.
pub fn limbs(track: &Track, time: f64) -> Vec<Limb> {
    use Keypoint::*;
    if track.times.is_empty() {
        return Vec::new();
    }
    let row = track.nearest(time);
    let at = |k: Keypoint| track.at(row, k);
    let mid = |a, b| [0, 1].map(|axis| (at(a)[axis] + at(b)[axis]) / 2.0);
    let t = track.trunk;
    let sides = [
        [LeftShoulder, LeftElbow, LeftWrist, LeftIndex, LeftHip, LeftKnee, LeftAnkle, LeftFootIndex, LeftHeel],
        [RightShoulder, RightElbow, RightWrist, RightIndex, RightHip, RightKnee, RightAnkle, RightFootIndex, RightHeel],
    ];
    let mut all = vec![
        (mid(LeftShoulder, RightShoulder), mid(LeftHip, RightHip), 0.8 * t),
        (mid(LeftShoulder, RightShoulder), mid(LeftEar, RightEar), 0.55 * t),
        (at(LeftShoulder), at(RightShoulder), 0.4 * t),
        (at(LeftHip), at(RightHip), 0.5 * t),
    ];
    for [shoulder, elbow, wrist, hand, hip, knee, ankle, toe, heel] in sides {
        let arm = [(shoulder, elbow), (elbow, wrist), (wrist, hand)].map(|(a, b)| (at(a), at(b), 0.32 * t));
        let leg = [(shoulder, hip, 0.4), (hip, knee, 0.5), (knee, ankle, 0.4), (heel, toe, 0.3)].map(|(a, b, w)| (at(a), at(b), w * t));
        all.extend(arm.into_iter().chain(leg));
    }
    all
}

/// A limb in a picture, as [`drawn`].
pub fn limb_drawn((a, b, thick): Limb, scale: f64, corner: [f64; 2]) -> Limb {
    let at = |p: [f64; 2]| [0, 1].map(|i| (p[i] - corner[i]) * scale);
    (at(a), at(b), thick * scale)
}

/// A place in a picture that shows `scale` pixels for one and begins at `corner`.
pub fn drawn(place: [f64; 4], scale: f64, corner: [f64; 2]) -> [f64; 4] {
    [0, 1, 2, 3].map(|i| (place[i] - corner[i % 2]) * scale)
}

/// Makes places so coarse that nobody is known there, but for the golfer's limbs.
pub fn cover(picture: &mut Mat, others: impl Iterator<Item = [f64; 4]>, own: &[Limb]) -> opencv::Result<()> {
    let whole = Rect::new(0, 0, picture.cols(), picture.rows());
    let inside = |b: [f64; 4]| {
        let [x0, y0, x1, y1] = b.map(|v| v.clamp(-1e6, 1e6));
        let (x, y) = (x0.floor() as i32, y0.floor() as i32);
        Some(Rect::new(x, y, (x1.ceil() as i32 - x).max(0), (y1.ceil() as i32 - y).max(0)) & whole).filter(|r| r.width > 0 && r.height > 0)
    };
    let others: Vec<Rect> = others.filter_map(inside).collect();
    if others.is_empty() {
        return Ok(());
    }
    let shown = picture.try_clone()?;
    let mut golfer = Mat::new_rows_cols_with_default(picture.rows(), picture.cols(), CV_8UC1, Scalar::default())?;
    for (a, b, thick) in own {
        let [a, b] = [a, b].map(|p| Point::new(p[0].clamp(-1e4, 1e4) as i32, p[1].clamp(-1e4, 1e4) as i32));
        imgproc::line(&mut golfer, a, b, Scalar::all(255.0), (*thick as i32).clamp(1, 255), imgproc::LINE_8, 0)?;
    }
    for r in others {
        let (mut few, mut coarse) = (Mat::default(), Mat::default());
        let size = Size::new((r.width / COARSE).max(1), (r.height / COARSE).max(1));
        imgproc::resize(&Mat::roi(picture, r)?, &mut few, size, 0.0, 0.0, imgproc::INTER_AREA)?;
        imgproc::resize(&few, &mut coarse, Size::new(r.width, r.height), 0.0, 0.0, imgproc::INTER_LINEAR)?;
        coarse.copy_to(&mut Mat::roi_mut(picture, r)?)?;
    }
    shown.copy_to_masked(picture, &golfer)?;
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use opencv::core::{CV_8UC3, MatTrait, Vec3b};

    /// Black and white by turns, pixel by pixel: what is blurred is grey.
    fn chequered(side: i32) -> Mat {
        let mut picture = Mat::new_rows_cols_with_default(side, side, CV_8UC3, Scalar::all(0.0)).unwrap();
        for (x, y) in (0..side).flat_map(|y| (0..side).map(move |x| (x, y))).filter(|(x, y)| (x + y) % 2 == 0) {
            *picture.at_2d_mut::<Vec3b>(y, x).unwrap() = Vec3b::from([255; 3]);
        }
        picture
    }

    fn blurred(picture: &Mat, x: i32, y: i32) -> bool {
        (60..200).contains(&picture.at_2d::<Vec3b>(y, x).unwrap()[0])
    }

    #[test]
    fn who_stands_beside_is_blurred_and_the_golfer_is_not() {
        let mut picture = chequered(100);
        // shown at half size this lies at 15..40, 5..45; a limb as thick as 30..70
        let beside = drawn([10.0, 10.0, 60.0, 90.0], 0.5, [-20.0, 0.0]);
        cover(&mut picture, [beside].into_iter(), &[([50.0, 0.0], [50.0, 100.0], 40.0)]).unwrap();
        let places = [(16, 6), (29, 44), (14, 20), (20, 46), (31, 20), (50, 20)];
        assert_eq!(places.map(|(x, y)| blurred(&picture, x, y)), [true, true, false, false, false, false]);
    }

    #[test]
    fn a_place_beyond_the_picture_costs_what_of_it_lies_within() {
        let mut picture = chequered(20);
        let places = [[-50.0, -50.0, 5.0, 5.0], [100.0, 0.0, 200.0, 20.0], [1e12, 0.0, f64::INFINITY, 5.0]];
        cover(&mut picture, places.into_iter(), &[]).unwrap();
        assert_eq!((0..20).flat_map(|y| (0..20).map(move |x| (x, y))).filter(|&(x, y)| blurred(&picture, x, y)).count(), 25);
    }
}
