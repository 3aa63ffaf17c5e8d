//! The square, rotated region of a picture that a landmark model looks at.

use opencv::core::{BORDER_REPLICATE, Mat, Point2f, Scalar, Size, Vector};
use opencv::imgproc;
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

    /// Cuts the region out of `picture` (BGR) into `side` × `side` pixels, bilinear; the region's corners fall on
    /// (0,0)…(side,side). `border`: an OpenCV border mode for what lies outside.
    pub fn crop(&self, picture: &Mat, side: i32, border: i32) -> opencv::Result<Mat> {
        let corner = |u, v| {
            let [x, y] = self.to_picture(u, v);
            Point2f::new(x as f32, y as f32)
        };
        let s = side as f32;
        let from = Vector::<Point2f>::from_slice(&[corner(0.0, 1.0), corner(0.0, 0.0), corner(1.0, 0.0), corner(1.0, 1.0)]);
        let to = Vector::<Point2f>::from_slice(&[Point2f::new(0.0, s), Point2f::new(0.0, 0.0), Point2f::new(s, 0.0), Point2f::new(s, s)]);
        let transform = imgproc::get_perspective_transform_def(&from, &to)?;
        let mut out = Mat::default();
        imgproc::warp_perspective(picture, &mut out, &transform, Size::new(side, side), imgproc::INTER_LINEAR, border, Scalar::default())?;
        Ok(out)
    }

    /// [`Region::crop`] as the landmark model wants it.
    pub fn landmark_crop(&self, picture: &Mat) -> opencv::Result<Mat> {
        self.crop(picture, 256, BORDER_REPLICATE)
    }
}
