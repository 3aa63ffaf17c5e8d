//! How the camera moved, from the background: corners outside the golfer followed by sparse optical flow.

use crate::error::{Error, Result};
use crate::seen::Shift;
use crate::track::signal::median;
use opencv::core::{Mat, MatTraitConst, Point, Point2f, Rect, Scalar, Size, TermCriteria, Vector};
use opencv::{imgproc, video};

const CORNERS: i32 = 160;
const MIN_FOLLOWED: usize = 12;
const WORK_WIDTH: f64 = 480.0;

/// Follows the background against one reference picture.
pub struct CameraWatch {
    reference: Mat,
    corners: Vector<Point2f>,
    shrink: f64,
}

/// The picture in grey, `WORK_WIDTH` pixels wide or less, and by how much it was shrunk.
fn small_grey(picture: &Mat) -> opencv::Result<(Mat, f64)> {
    let shrink = (WORK_WIDTH / f64::from(picture.cols())).min(1.0);
    let mut small = Mat::default();
    let size = Size::new((f64::from(picture.cols()) * shrink).round() as i32, (f64::from(picture.rows()) * shrink).round() as i32);
    imgproc::resize(picture, &mut small, size, 0.0, 0.0, imgproc::INTER_LINEAR)?;
    let mut grey = Mat::default();
    imgproc::cvt_color_def(&small, &mut grey, imgproc::COLOR_BGR2GRAY)?;
    Ok((grey, shrink))
}

impl CameraWatch {
    /// Takes `picture` as the reference and finds corners outside `golfer` (left, top, right, bottom, pixels).
    pub fn new(picture: &Mat, golfer: [f64; 4]) -> Result<CameraWatch> {
        CameraWatch::start(picture, golfer).map_err(Error::opencv)
    }

    fn start(picture: &Mat, golfer: [f64; 4]) -> opencv::Result<CameraWatch> {
        let (reference, shrink) = small_grey(picture)?;
        let mut mask = Mat::new_rows_cols_with_default(reference.rows(), reference.cols(), opencv::core::CV_8UC1, Scalar::all(255.0))?;
        let corner = |x: f64, y: f64| Point::new((x * shrink) as i32, (y * shrink) as i32);
        let inner = Rect::from_points(corner(golfer[0], golfer[1]), corner(golfer[2], golfer[3]));
        imgproc::rectangle(&mut mask, inner, Scalar::all(0.0), imgproc::FILLED, imgproc::LINE_8, 0)?;
        let mut corners = Vector::<Point2f>::new();
        imgproc::good_features_to_track(&reference, &mut corners, CORNERS, 0.02, 6.0, &mask, 3, false, 0.04)?;
        Ok(CameraWatch { reference, corners, shrink })
    }

    /// Shift of `picture` against the reference; `None` where the background shows too little to tell.
    pub fn shift(&self, picture: &Mat) -> Result<Option<Shift>> {
        self.follow(picture).map_err(Error::opencv)
    }

    fn follow(&self, picture: &Mat) -> opencv::Result<Option<Shift>> {
        if self.corners.len() < MIN_FOLLOWED {
            return Ok(None);
        }
        let (grey, _) = small_grey(picture)?;
        let mut found = Vector::<Point2f>::new();
        let (mut status, mut errors) = (Vector::<u8>::new(), Vector::<f32>::new());
        let stop = TermCriteria::new(3, 20, 0.01)?;
        video::calc_optical_flow_pyr_lk(
            &self.reference,
            &grey,
            &self.corners,
            &mut found,
            &mut status,
            &mut errors,
            Size::new(15, 15),
            3,
            stop,
            0,
            1e-4,
        )?;
        let pairs: Vec<([f64; 2], [f64; 2])> = (0..found.len())
            .filter_map(|i| {
                let (a, b) = (self.corners.get(i).ok()?, found.get(i).ok()?);
                (status.get(i).ok()? == 1).then_some(([f64::from(a.x), f64::from(a.y)], [f64::from(b.x), f64::from(b.y)]))
            })
            .collect();
        Ok(robust_shift(&pairs, [f64::from(grey.cols()) / 2.0, f64::from(grey.rows()) / 2.0], self.shrink))
    }
}

/// Median shift, then a turn about `centre` from what is left, over the pairs that agree with the median.
fn robust_shift(pairs: &[([f64; 2], [f64; 2])], centre: [f64; 2], shrink: f64) -> Option<Shift> {
    let of = |axis: usize, kept: &[&([f64; 2], [f64; 2])]| median(&kept.iter().map(|(a, b)| b[axis] - a[axis]).collect::<Vec<_>>());
    let all: Vec<_> = pairs.iter().collect();
    if all.len() < MIN_FOLLOWED {
        return None;
    }
    let (mx, my) = (of(0, &all), of(1, &all));
    let kept: Vec<_> = all.into_iter().filter(|(a, b)| (b[0] - a[0] - mx).hypot(b[1] - a[1] - my) < 3.0).collect();
    if kept.len() < MIN_FOLLOWED {
        return None;
    }
    let (mut cross, mut square) = (0.0, 0.0);
    for (a, b) in &kept {
        let r = [a[0] - centre[0], a[1] - centre[1]];
        let d = [b[0] - a[0] - mx, b[1] - a[1] - my];
        cross += r[0] * d[1] - r[1] * d[0];
        square += r[0] * r[0] + r[1] * r[1];
    }
    let turn = cross / square.max(1.0);
    let rest = |axis: usize| {
        median(
            &kept
                .iter()
                .map(|(a, b)| {
                    let r = [a[0] - centre[0], a[1] - centre[1]];
                    b[axis] - a[axis] - [-turn * r[1], turn * r[0]][axis]
                })
                .collect::<Vec<_>>(),
        )
    };
    Some(Shift { dx: rest(0) / shrink, dy: rest(1) / shrink, turn_deg: turn.to_degrees() })
}
