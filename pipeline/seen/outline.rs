//! The person's outline in one picture.

use super::Region;
use ndarray::Array2;

/// Outline logits are whole numbers of this step, clipped to ±127 steps.
pub const LOGIT_STEP: f32 = 1.0 / 12.0;

/// Outline of the person in a region: `logits` [row, column] of the region's 256 × 256 crop, in steps of [`LOGIT_STEP`]. They
/// are rounded at once, as they are kept on disk, so that judging at once and judging again agree.
#[derive(Debug, Clone)]
pub struct Outline {
    pub region: Region,
    pub logits: Array2<i8>,
}

impl Outline {
    /// Logit at a place of the upright picture, bilinear; `None` outside the crop.
    pub fn logit(&self, p: [f64; 2]) -> Option<f64> {
        let side = self.logits.nrows();
        let [u, v] = self.region.to_share(p);
        let (x, y) = (u * side as f64 - 0.5, v * side as f64 - 0.5);
        let (x0, y0) = (x.floor(), y.floor());
        if x0 < 0.0 || y0 < 0.0 || x0 + 1.0 >= side as f64 || y0 + 1.0 >= side as f64 {
            return None;
        }
        let (fx, fy) = (x - x0, y - y0);
        let at = |dy: usize, dx: usize| f64::from(f32::from(self.logits[[y0 as usize + dy, x0 as usize + dx]]) * LOGIT_STEP);
        Some((1.0 - fy) * ((1.0 - fx) * at(0, 0) + fx * at(0, 1)) + fy * ((1.0 - fx) * at(1, 0) + fx * at(1, 1)))
    }

    /// Walks from `start` along the unit vector `along` in half-pixel steps to where the person ends: the distance in
    /// pixels at which the probability first falls through one half, interpolated. `None` where the start is not on the
    /// person or no edge comes within `reach` pixels.
    pub fn edge(&self, start: [f64; 2], along: [f64; 2], reach: f64) -> Option<f64> {
        let mut before = self.logit(start)?;
        if before <= 0.0 {
            return None;
        }
        let mut walked = 0.0;
        while walked < reach {
            walked += 0.5;
            let here = self.logit([start[0] + along[0] * walked, start[1] + along[1] * walked])?;
            if here <= 0.0 {
                return Some(walked - 0.5 * -here / (before - here));
            }
            before = here;
        }
        None
    }
}
