//! The landmark model: one region of a picture in, 35 points (and, where asked, the person's outline) out.

use super::crop::landmark_crop;
use super::logistic::sigmoid;
use super::runtime::session;
use crate::error::{Error, Result};
use crate::seen::{Keypoint, LOGIT_STEP, Look, Outline, POINTS, Point, Region};
use ndarray::{Array2, Array4};
use opencv::core::{Mat, MatTraitConstManual, Vec3b};
use ort::{environment::Environment, session::Session, value::TensorRef};
use std::path::Path;
use std::time::Instant;

const SIDE: usize = 256;
const HEAT: usize = 64;
const HEAT_POINTS: usize = 39;
const HEAT_REACH: usize = 3;
const MIN_HEAT: f64 = 0.5;
/// A peak is searched this many cells about the regressed place, and its place weighed over this many cells about it.
const PEAK_REACH: usize = 10;
const PEAK_CORE: usize = 2;

/// Where a point is read from the model's outputs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Place {
    /// The regressed place, refined from the heat map about it: steady, and what the model's own users see.
    Regressed,
    /// For shoulders, elbows, wrists and hands the heat map's peak near the regressed place, which lags behind fast limbs or
    /// mixes two guesses (rendered swings after impact, 90th percentile: elbow 6 against 8 cm, wrist 5 against 6).
    ArmPeaks,
}

/// Landmark model with its session and input buffer.
pub struct Landmarker {
    session: Session,
    input: Array4<f32>,
    place: Place,
    spent: f64,
}

impl Landmarker {
    /// Loads a landmark model file, with or without the `seg` output.
    pub fn load(environment: &Environment, path: &Path) -> Result<Landmarker> {
        Ok(Landmarker {
            session: session(environment, path)?,
            input: Array4::zeros((1, SIDE, SIDE, 3)),
            place: Place::Regressed,
            spent: 0.0,
        })
    }

    /// From here on its arms are read at the heat map's peaks.
    pub fn read_arm_peaks(&mut self) {
        self.place = Place::ArmPeaks;
    }

    /// Seconds spent in the model so far.
    pub fn spent(&self) -> f64 {
        self.spent
    }

    /// Looks at `region` of `picture` (BGR).
    pub fn look(&mut self, picture: &Mat, region: &Region) -> Result<Look> {
        Ok(self.run(picture, region)?.0)
    }

    /// As [`Landmarker::look`], with the outline; an error where the loaded file has no `seg` output.
    pub fn look_with_outline(&mut self, picture: &Mat, region: &Region) -> Result<(Look, Outline)> {
        let (look, logits) = self.run(picture, region)?;
        let logits = logits.ok_or_else(|| Error::Installation("this model file has no outline output".into()))?;
        Ok((look, Outline { region: *region, logits }))
    }

    fn run(&mut self, picture: &Mat, region: &Region) -> Result<(Look, Option<Array2<i8>>)> {
        let crop = landmark_crop(region, picture).map_err(Error::opencv)?;
        let pixels = crop.data_typed::<Vec3b>().map_err(Error::opencv)?;
        let target = self.input.as_slice_mut().expect("invariant: standard layout");
        for (row, line) in pixels.chunks_exact(SIDE).enumerate() {
            let out = &mut target[row * SIDE * 3..(row + 1) * SIDE * 3];
            for (col, px) in line.iter().enumerate() {
                for c in 0..3 {
                    out[col * 3 + c] = f32::from(px[2 - c]) / 255.0;
                }
            }
        }
        let tensor = TensorRef::from_array_view(self.input.view()).map_err(Error::inference)?;
        let clock = Instant::now();
        let outputs = self.session.run(ort::inputs!["image" => tensor]).map_err(Error::inference)?;
        self.spent += clock.elapsed().as_secs_f64();
        let (_, landmarks) = outputs["landmarks"].try_extract_tensor::<f32>().map_err(Error::inference)?;
        let (_, flag) = outputs["pose_flag"].try_extract_tensor::<f32>().map_err(Error::inference)?;
        let (_, heat) = outputs["heatmap"].try_extract_tensor::<f32>().map_err(Error::inference)?;
        let look = decode(landmarks, flag[0], heat, region, self.place);
        let seg = match outputs.get("seg") {
            Some(value) => {
                let (_, data) = value.try_extract_tensor::<f32>().map_err(Error::inference)?;
                Some(
                    Array2::from_shape_vec((SIDE, SIDE), data.iter().copied().map(in_steps).collect())
                        .map_err(|e| Error::Internal(e.to_string()))?,
                )
            }
            None => None,
        };
        Ok((look, seg))
    }
}

fn in_steps(logit: f32) -> i8 {
    (logit / LOGIT_STEP).round().clamp(-127.0, 127.0) as i8
}

fn is_arm(point: usize) -> bool {
    (Keypoint::LeftShoulder as usize..=Keypoint::RightThumb as usize).contains(&point)
}

/// Decodes the raw tensors: `landmarks` [39 × (x, y, z, visibility logit, presence logit)] in crop pixels,
/// `heat` [64, 64, 39] logits; refines places from the heat map, and turns them back to picture pixels.
pub fn decode(landmarks: &[f32], flag: f32, heat: &[f32], region: &Region, place: Place) -> Look {
    let mut points = [Point::default(); POINTS];
    for i in 0..POINTS {
        let raw = &landmarks[i * 5..i * 5 + 5];
        let share = [f64::from(raw[0]) / SIDE as f64, f64::from(raw[1]) / SIDE as f64];
        let [u, v] = if place == Place::ArmPeaks && is_arm(i) { peak(share, heat, i) } else { refine(share, heat, i) };
        let [x, y] = region.to_picture(u, v);
        points[i] = Point {
            x: x as f32,
            y: y as f32,
            z: (f64::from(raw[2]) / SIDE as f64 * region.size) as f32,
            visibility: sigmoid(f64::from(raw[3])) as f32,
            presence: sigmoid(f64::from(raw[4])) as f32,
        };
    }
    Look { flag, points }
}

/// Cells of the heat map within `reach` of one, as (first, past the last).
fn about(cell: usize, reach: usize) -> (usize, usize) {
    (cell.saturating_sub(reach), (cell + reach + 1).min(HEAT))
}

/// The heat map's peak near the regressed place, to a part of a cell: mean of the cells about the highest, weighed by how
/// likely each is against it. A place outside the crop stays.
fn peak(share: [f64; 2], heat: &[f32], point: usize) -> [f64; 2] {
    let cells = HEAT as f64;
    if share.iter().any(|&s| s < 0.0 || s * cells >= cells) {
        return share;
    }
    let at = |r: usize, c: usize| f64::from(heat[(r * HEAT + c) * HEAT_POINTS + point]);
    let ((c0, c1), (r0, r1)) = (about((share[0] * cells) as usize, PEAK_REACH), about((share[1] * cells) as usize, PEAK_REACH));
    let mut best = (r0, c0);
    for r in r0..r1 {
        for c in c0..c1 {
            if at(r, c) > at(best.0, best.1) {
                best = (r, c);
            }
        }
    }
    let top = at(best.0, best.1);
    let ((c0, c1), (r0, r1)) = (about(best.1, PEAK_CORE), about(best.0, PEAK_CORE));
    let (mut sum, mut sum_x, mut sum_y) = (0.0, 0.0, 0.0);
    for r in r0..r1 {
        for c in c0..c1 {
            let w = (at(r, c) - top).min(0.0).exp();
            sum += w;
            sum_x += w * c as f64;
            sum_y += w * r as f64;
        }
    }
    [sum_x / sum / cells, sum_y / sum / cells]
}

/// Heat-map refinement: the probability-weighted mean of the 7 × 7 cells about the regressed place, where any of them
/// reaches one half; otherwise the regressed place.
fn refine(share: [f64; 2], heat: &[f32], point: usize) -> [f64; 2] {
    let cells = HEAT as f64;
    if share.iter().any(|&s| s < 0.0 || s * cells >= cells) {
        return share;
    }
    let (col, row) = ((share[0] * cells) as usize, (share[1] * cells) as usize);
    let (mut best, mut sum, mut sum_x, mut sum_y) = (0.0f64, 0.0, 0.0, 0.0);
    let ((c0, c1), (r0, r1)) = (about(col, HEAT_REACH), about(row, HEAT_REACH));
    for r in r0..r1 {
        for c in c0..c1 {
            let p = sigmoid(f64::from(heat[(r * HEAT + c) * HEAT_POINTS + point]));
            best = best.max(p);
            sum += p;
            sum_x += p * c as f64;
            sum_y += p * r as f64;
        }
    }
    if best < MIN_HEAT {
        return share;
    }
    [sum_x / sum / cells, sum_y / sum / cells]
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Logits of a round hill, `height` at its middle (column, row), falling by half the square of the distance in cells.
    fn hill(heat: &mut [f32], point: usize, middle: [f64; 2], height: f64) {
        for r in 0..HEAT {
            for c in 0..HEAT {
                let d = (c as f64 - middle[0]).powi(2) + (r as f64 - middle[1]).powi(2);
                let cell = &mut heat[(r * HEAT + c) * HEAT_POINTS + point];
                *cell = cell.max((height - 0.5 * d) as f32);
            }
        }
    }

    #[test]
    fn an_arm_is_read_at_the_peak_near_the_regressed_place() {
        let wrist = Keypoint::LeftWrist as usize;
        let mut landmarks = vec![0.0f32; 39 * 5];
        // regressed between two guesses, at cell (30, 30)
        landmarks[wrist * 5] = 120.0;
        landmarks[wrist * 5 + 1] = 120.0;
        let mut heat = vec![-100.0f32; HEAT * HEAT * HEAT_POINTS];
        hill(&mut heat, wrist, [34.3, 27.6], 2.0);
        hill(&mut heat, wrist, [10.0, 30.0], 5.0); // higher, but too far away to be this wrist
        let region = Region { cx: 32.0, cy: 32.0, size: 64.0, rotation: 0.0 }; // one picture pixel a cell
        let at = |place| decode(&landmarks, 1.0, &heat, &region, place).at(Keypoint::LeftWrist);
        let peak = at(Place::ArmPeaks);
        assert!((peak[0] - 34.3).hypot(peak[1] - 27.6) < 0.1, "{peak:?}");
        let regressed = at(Place::Regressed);
        assert!((regressed[0] - 34.3).hypot(regressed[1] - 27.6) > 0.5, "{regressed:?}");
    }
}
