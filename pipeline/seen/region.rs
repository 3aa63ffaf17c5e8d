//! The square, rotated region of a picture that was looked at.

use serde::{Deserialize, Serialize};
use std::f64::consts::PI;

/// Centre and side in pixels of the upright picture; rotation in radians, clockwise in the picture.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Region {
    pub cx: f64,
    pub cy: f64,
    pub size: f64,
    pub rotation: f64,
}

impl Region {
    /// Region from the body's centre (mid-hip) and the model's scale point: twice their distance, times 1.25, turned so
    /// that the scale point is straight up (rules of the MediaPipe pose graphs, Apache-2.0).
    pub fn from_body(centre: [f64; 2], scale: [f64; 2]) -> Region {
        let (dx, dy) = (scale[0] - centre[0], scale[1] - centre[1]);
        let turn = PI / 2.0 - (-dy).atan2(dx);
        Region {
            cx: centre[0],
            cy: centre[1],
            size: 2.0 * dx.hypot(dy) * 1.25,
            rotation: turn - 2.0 * PI * ((turn + PI) / (2.0 * PI)).floor(),
        }
    }

    /// The whole picture of `width` × `height` in the smallest centred square.
    pub fn letterbox(width: f64, height: f64) -> Region {
        Region { cx: width / 2.0, cy: height / 2.0, size: width.max(height), rotation: 0.0 }
    }

    /// Picture place of a point given in shares of the region, (0,0) its first corner, (1,1) the opposite one.
    pub fn to_picture(&self, u: f64, v: f64) -> [f64; 2] {
        let (x, y) = ((u - 0.5) * self.size, (v - 0.5) * self.size);
        let (s, c) = self.rotation.sin_cos();
        [self.cx + c * x - s * y, self.cy + s * x + c * y]
    }

    /// Inverse of [`Region::to_picture`].
    pub fn to_share(&self, p: [f64; 2]) -> [f64; 2] {
        let (x, y) = (p[0] - self.cx, p[1] - self.cy);
        let (s, c) = self.rotation.sin_cos();
        [(c * x + s * y) / self.size + 0.5, (-s * x + c * y) / self.size + 0.5]
    }

    /// The same region about another centre and with its side scaled.
    pub fn moved(&self, centre: [f64; 2], scale: f64) -> Region {
        Region { cx: centre[0], cy: centre[1], size: self.size * scale, ..*self }
    }
}
