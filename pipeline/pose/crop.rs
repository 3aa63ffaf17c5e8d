//! Cutting a region out of a picture, as the models want it.

use crate::seen::Region;
use opencv::core::{BORDER_REPLICATE, Mat, Point2f, Scalar, Size, Vector};
use opencv::imgproc;

/// Cuts `region` out of `picture` (BGR) into `side` × `side` pixels, bilinear; the region's corners fall on
/// (0,0)…(side,side). `border`: an OpenCV border mode for what lies outside.
pub fn crop(region: &Region, picture: &Mat, side: i32, border: i32) -> opencv::Result<Mat> {
    let corner = |u, v| {
        let [x, y] = region.to_picture(u, v);
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

/// [`crop`] as the landmark models want it: 256 × 256, the picture's edge carried on.
pub fn landmark_crop(region: &Region, picture: &Mat) -> opencv::Result<Mat> {
    crop(region, picture, 256, BORDER_REPLICATE)
}
