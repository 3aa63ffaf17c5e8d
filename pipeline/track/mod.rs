//! The keypoint time series of one swing: camera motion taken out, outliers and gaps mended and marked, left/right
//! exchanges undone. Smoothing is chosen by the reader: see [`Track::smoothed`].

pub mod signal;

use crate::seen::Shift;
use crate::seen::keypoints::{Keypoint, POINTS, other_side};
use crate::seen::{Looks, Seen};
use ndarray::{Array2, Array3};
use signal::{hampel, median, pchip, smooth};

/// Cut-off for slow parts (head, trunk, hips, feet), Hz of real time: body movements of a swing lie under 3 Hz
/// (dual-pass gain 0.975 there), while what the model adds is faster.
pub const BODY_CUT_OFF: f64 = 6.0;
/// Cut-off for the direction of the arms on the way back, Hz of real time. Nothing around impact is low-passed: events
/// there come from short local fits to the raw places.
pub const ARM_CUT_OFF: f64 = 10.0;

/// What became of a keypoint in a frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mark {
    Seen,
    /// An outlier or gap, filled from its neighbours.
    Filled,
    /// Left and right were exchanged back.
    Repaired,
}

/// Keypoints of one swing.
#[derive(Debug, Clone)]
pub struct Track {
    pub frames: Vec<usize>,
    /// Seconds of clip time, ascending.
    pub times: Vec<f64>,
    /// [frame, keypoint, xy], pixels of the upright picture of the reference frame (camera motion removed).
    pub xy: Array3<f64>,
    /// [frame, keypoint], 0..1.
    pub visibility: Array2<f64>,
    /// [frame][keypoint].
    pub marks: Vec<[Mark; POINTS]>,
    /// Camera shift of each frame, already taken out of `xy`.
    pub camera: Vec<Shift>,
    /// Median trunk length, pixels.
    pub trunk: f64,
}

/// Points that move slowly enough for a Hampel test: head, shoulders, hips, legs.
fn is_slow(k: usize) -> bool {
    k <= Keypoint::RightShoulder as usize || (Keypoint::LeftHip as usize..=Keypoint::RightFootIndex as usize).contains(&k)
}

/// Undoes the camera's shift and turn about the picture's middle.
pub fn steady(p: [f64; 2], shift: &Shift, size: [f64; 2]) -> [f64; 2] {
    let (x, y) = (p[0] - shift.dx - size[0] / 2.0, p[1] - shift.dy - size[1] / 2.0);
    let (s, c) = (-shift.turn_deg.to_radians()).sin_cos();
    [c * x - s * y + size[0] / 2.0, s * x + c * y + size[1] / 2.0]
}

/// Inverse of [`steady`]: a place of the reference frame, in the picture as filmed.
pub fn as_filmed(p: [f64; 2], shift: &Shift, size: [f64; 2]) -> [f64; 2] {
    let (x, y) = (p[0] - size[0] / 2.0, p[1] - size[1] / 2.0);
    let (s, c) = shift.turn_deg.to_radians().sin_cos();
    [c * x - s * y + size[0] / 2.0 + shift.dx, s * x + c * y + size[1] / 2.0 + shift.dy]
}

impl Track {
    /// The part of `looks` (of the same clip as `seen`) between `start` and `end` seconds; `None` with fewer than 8.
    pub fn of(seen: &Seen, looks: &Looks, start: f64, end: f64) -> Option<Track> {
        let chosen: Vec<usize> = (0..looks.times.len()).filter(|&i| (start - 1e-6..=end + 1e-6).contains(&looks.times[i])).collect();
        if chosen.len() < 8 {
            return None;
        }
        let camera: Vec<Shift> = chosen.iter().map(|&i| seen.shift_at(looks.frames[i])).collect();
        let size = [f64::from(seen.about.width), f64::from(seen.about.height)];
        let mut xy = Array3::zeros((chosen.len(), POINTS, 2));
        let mut visibility = Array2::zeros((chosen.len(), POINTS));
        for (row, &i) in chosen.iter().enumerate() {
            for (k, p) in looks.looks[i].points.iter().enumerate() {
                let q = steady([f64::from(p.x), f64::from(p.y)], &camera[row], size);
                xy[[row, k, 0]] = q[0];
                xy[[row, k, 1]] = q[1];
                visibility[[row, k]] = f64::from(p.visibility);
            }
        }
        let trunk = median(&chosen.iter().map(|&i| looks.looks[i].trunk()).collect::<Vec<_>>()).max(1.0);
        let mut track = Track {
            frames: chosen.iter().map(|&i| looks.frames[i]).collect(),
            times: chosen.iter().map(|&i| looks.times[i]).collect(),
            xy,
            visibility,
            marks: vec![[Mark::Seen; POINTS]; chosen.len()],
            camera,
            trunk,
        };
        track.undo_exchanges();
        track.mend_outliers();
        Some(track)
    }

    /// Exchanges left and right in every frame: the model took the golfer's front for the back.
    pub fn exchange_sides(&mut self) {
        for i in 0..self.len() {
            for k in 0..POINTS {
                let o = other_side(k);
                if o > k {
                    for axis in 0..2 {
                        self.xy.swap([i, k, axis], [i, o, axis]);
                    }
                    self.visibility.swap([i, k], [i, o]);
                    self.marks[i].swap(k, o);
                }
            }
        }
    }

    /// Number of frames.
    pub fn len(&self) -> usize {
        self.times.len()
    }

    /// Never true: a track has at least 8 frames.
    pub fn is_empty(&self) -> bool {
        self.times.is_empty()
    }

    /// Place of a keypoint in a frame.
    pub fn at(&self, frame: usize, k: Keypoint) -> [f64; 2] {
        [self.xy[[frame, k as usize, 0]], self.xy[[frame, k as usize, 1]]]
    }

    /// One coordinate of a keypoint over time (0 x, 1 y).
    pub fn series(&self, k: Keypoint, axis: usize) -> Vec<f64> {
        (0..self.len()).map(|i| self.xy[[i, k as usize, axis]]).collect()
    }

    /// Midpoint of two keypoints over time, one coordinate, low-passed without phase shift at `cut_off` Hz of clip time.
    pub fn smoothed(&self, a: Keypoint, b: Keypoint, axis: usize, cut_off: f64) -> Vec<f64> {
        let mean: Vec<f64> = self.series(a, axis).iter().zip(self.series(b, axis)).map(|(a, b)| (a + b) / 2.0).collect();
        smooth(&self.times, &mean, cut_off)
    }

    /// Whether any left/right exchange was mended.
    pub fn exchanged(&self) -> bool {
        self.marks.iter().flatten().any(|m| *m == Mark::Repaired)
    }

    /// Index of the frame nearest to a time.
    pub fn nearest(&self, time: f64) -> usize {
        let after = self.times.partition_point(|&t| t < time).min(self.len() - 1);
        if after > 0 && time - self.times[after - 1] < self.times[after] - time { after - 1 } else { after }
    }

    /// Indices of the frames within `from..=to` seconds.
    pub fn within(&self, from: f64, to: f64) -> Vec<usize> {
        (0..self.len()).filter(|&i| (from..=to).contains(&self.times[i])).collect()
    }

    /// Feet do not cross in a swing: a frame whose ankles are on the other sides than in most frames has its legs
    /// exchanged back (only where the stance is open enough to tell).
    fn undo_exchanges(&mut self) {
        let (left, right) = (Keypoint::LeftAnkle, Keypoint::RightAnkle);
        let spread: Vec<f64> = (0..self.len()).map(|i| self.at(i, left)[0] - self.at(i, right)[0]).collect();
        let usual = median(&spread);
        if usual.abs() < 0.25 * self.trunk {
            return;
        }
        for (i, s) in spread.iter().enumerate() {
            if s.signum() == usual.signum() || s.abs() < 0.15 * self.trunk {
                continue;
            }
            for k in (Keypoint::LeftHip as usize..=Keypoint::LeftFootIndex as usize).step_by(2) {
                let o = other_side(k);
                for axis in 0..2 {
                    let held = self.xy[[i, k, axis]];
                    self.xy[[i, k, axis]] = self.xy[[i, o, axis]];
                    self.xy[[i, o, axis]] = held;
                }
                self.marks[i][k] = Mark::Repaired;
                self.marks[i][o] = Mark::Repaired;
            }
        }
    }

    /// Slow points: Hampel outliers (floor 1.5 % of the trunk) are filled by monotone interpolation.
    fn mend_outliers(&mut self) {
        for k in (0..POINTS).filter(|&k| is_slow(k)) {
            let mut wrong = vec![false; self.len()];
            for axis in 0..2 {
                let x: Vec<f64> = (0..self.len()).map(|i| self.xy[[i, k, axis]]).collect();
                for (w, h) in wrong.iter_mut().zip(hampel(&x, 3, 0.015 * self.trunk)) {
                    *w |= h;
                }
            }
            let good: Vec<usize> = (0..self.len()).filter(|&i| !wrong[i]).collect();
            if good.len() == self.len() || good.len() < 4 {
                continue;
            }
            let t: Vec<f64> = good.iter().map(|&i| self.times[i]).collect();
            for axis in 0..2 {
                let x: Vec<f64> = good.iter().map(|&i| self.xy[[i, k, axis]]).collect();
                let filled = pchip(&t, &x, &self.times);
                for i in 0..self.len() {
                    if wrong[i] {
                        self.xy[[i, k, axis]] = filled[i];
                        self.marks[i][k] = Mark::Filled;
                    }
                }
            }
        }
    }
}
