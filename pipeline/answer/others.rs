//! Other people in a film that one student gets: they are covered, but for where the golfer is.

use crate::error::{Error, Result};
use crate::pose::detector::Detector;
use crate::seen::Seen;
use crate::seen::keypoints::BODY_POINTS;
use crate::swing::{Part, SwingRead};
use crate::track::{Track, as_filmed, steady};
use crate::video::{Footage, Probe, Shown};
use opencv::core::{Mat, MatTrait, MatTraitConst, Rect, Scalar};
use std::path::Path;

/// Beyond the key points the golfer goes on by this share of the trunk, and above the face by so much more.
const FLESH: f64 = 0.25;
const CROWN: f64 = 0.35;

/// Pictures that are looked through for other people, evenly over the film.
const PICTURES: usize = 6;
/// Somebody found whose middle lies within this many trunks of the golfer's is the golfer.
const SAME_PERSON: f64 = 0.5;
/// What a body takes up of its region, to either side, and above and below.
const OF_REGION: [f64; 2] = [0.22, 0.45];

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
    let (track, body) = (&read.track, read.body());
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
        let (shift, row) = (seen.shift_at(frame), track.nearest(time));
        let hip = body.mid(row, Part::Hip);
        let own = golfer(track, time).unwrap_or_default();
        let (left, right) = (as_filmed([own[0], own[1]], &shift, size)[0], as_filmed([own[2], own[3]], &shift, size)[0]);
        let whole = Rect::new(0, 0, picture.cols(), picture.rows());
        let beside = [Rect::new(0, 0, left as i32, whole.height), Rect::new(right as i32, 0, whole.width, whole.height)].map(|r| r & whole);
        for part in std::iter::once(whole).chain(beside).filter(|r| r.width > whole.width / 16) {
            let cut = Mat::roi(picture, part).and_then(|m| m.try_clone()).map_err(Error::opencv)?;
            for region in detector.detect(&cut)?.iter().map(|d| d.region()) {
                let [x, y] = steady([region.cx + f64::from(part.x), region.cy + f64::from(part.y)], &shift, size);
                if (x - hip[0]).hypot(y - hip[1]) > SAME_PERSON * track.trunk {
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

/// A place in a picture that shows `scale` pixels for one and begins at `corner`.
pub fn drawn(place: [f64; 4], scale: f64, corner: [f64; 2]) -> [f64; 4] {
    [0, 1, 2, 3].map(|i| (place[i] - corner[i % 2]) * scale)
}

/// Covers places with one colour, but for the golfer's own.
pub fn cover(picture: &mut Mat, others: impl Iterator<Item = [f64; 4]>, own: Option<[f64; 4]>, colour: Scalar) -> opencv::Result<()> {
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
    let golfer = match own.and_then(inside) {
        Some(r) => Some((r, Mat::roi(picture, r)?.try_clone()?)),
        None => None,
    };
    for r in others {
        Mat::roi_mut(picture, r)?.set_to_def(&colour)?;
    }
    if let Some((r, shown)) = golfer {
        shown.copy_to(&mut Mat::roi_mut(picture, r)?)?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use opencv::core::{CV_8UC3, Vec3b};

    #[test]
    fn who_stands_beside_is_covered_and_the_golfer_is_not() {
        let mut picture = Mat::new_rows_cols_with_default(100, 100, CV_8UC3, Scalar::all(200.0)).unwrap();
        // shown at half size this lies at 15..40, 5..45; the golfer takes up 30..70
        let beside = drawn([10.0, 10.0, 60.0, 90.0], 0.5, [-20.0, 0.0]);
        cover(&mut picture, [beside].into_iter(), Some([30.0, 0.0, 70.0, 100.0]), Scalar::all(32.0)).unwrap();
        let at = |x: i32, y: i32| picture.at_2d::<Vec3b>(y, x).unwrap()[0];
        assert_eq!([at(16, 6), at(29, 44), at(14, 20), at(20, 46), at(31, 20), at(50, 20)], [32, 32, 200, 200, 200, 200]);
    }

    #[test]
    fn a_place_beyond_the_picture_covers_what_of_it_lies_within() {
        let mut picture = Mat::new_rows_cols_with_default(20, 20, CV_8UC3, Scalar::all(200.0)).unwrap();
        let places = [[-50.0, -50.0, 5.0, 5.0], [100.0, 0.0, 200.0, 20.0], [1e12, 0.0, f64::INFINITY, 5.0]];
        cover(&mut picture, places.into_iter(), None, Scalar::all(32.0)).unwrap();
        let covered = (0..20).flat_map(|y| (0..20).map(move |x| (x, y))).filter(|&(x, y)| picture.at_2d::<Vec3b>(y, x).unwrap()[0] == 32);
        assert_eq!(covered.count(), 25);
    }
}
