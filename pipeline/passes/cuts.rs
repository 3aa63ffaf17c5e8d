//! Parts of pictures that may be looked at again, kept in a nameless file beside the clip's results: in memory they would be
//! up to 1.8 MB a picture and nearly 80 MB a swing.

use crate::error::{Error, Result};
use crate::fault;
use crate::pose::landmarker::Landmarker;
use crate::seen::Look;
use crate::seen::Outline;
use crate::seen::Region;
use opencv::core::{CV_8UC3, Mat, MatTraitConst, MatTraitConstManual, MatTraitManual, Rect, Scalar, Size};
use opencv::imgproc;
use std::fs::File;
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};

/// Part of an upright picture; shrunk where the golfer is larger than needed.
pub struct Cut {
    pub frame: usize,
    pub picture: Mat,
    pub x0: f64,
    pub y0: f64,
    /// Cut pixels for one pixel of the upright picture, 0..1.
    pub shrink: f64,
}

/// Largest side of a kept cut, pixels: three times what the models see of a body, and the ground.
const CUT_SIDE: f64 = 832.0;
/// The ball lies nearer the camera than the feet, so lower in the picture: so much more is kept below, of the region's size.
const BELOW: f64 = 0.10;

impl Cut {
    fn of(picture: &Mat, frame: usize, region: &Region) -> opencv::Result<Cut> {
        let half = region.size * 0.5 * 1.08;
        let (w, h) = (f64::from(picture.cols()), f64::from(picture.rows()));
        let (x0, y0) = ((region.cx - half).max(0.0).floor(), (region.cy - half).max(0.0).floor());
        let (x1, y1) = ((region.cx + half).min(w).ceil(), (region.cy + half + BELOW * region.size).min(h).ceil());
        let rect = Rect::new(x0 as i32, y0 as i32, ((x1 - x0) as i32).max(1), ((y1 - y0) as i32).max(1));
        let part = Mat::roi(picture, rect)?;
        let shrink = (CUT_SIDE / f64::from(rect.width.max(rect.height))).min(1.0);
        let mut kept = Mat::default();
        if shrink < 1.0 {
            let size = Size::new((f64::from(rect.width) * shrink) as i32, (f64::from(rect.height) * shrink) as i32);
            imgproc::resize(&part, &mut kept, size, 0.0, 0.0, imgproc::INTER_LINEAR)?;
        } else {
            part.copy_to(&mut kept)?;
        }
        let shrink = f64::from(kept.cols()) / f64::from(rect.width);
        Ok(Cut { frame, picture: kept, x0, y0, shrink })
    }

    /// A place of the upright picture in the cut.
    pub fn place(&self, p: [f64; 2]) -> [f64; 2] {
        // pixel centres at whole numbers in both pictures
        [(p[0] - self.x0 + 0.5) * self.shrink - 0.5, (p[1] - self.y0 + 0.5) * self.shrink - 0.5]
    }

    fn region(&self, r: &Region) -> Region {
        let [cx, cy] = self.place([r.cx, r.cy]);
        Region { cx, cy, size: r.size * self.shrink, rotation: r.rotation }
    }

    fn back(&self, mut look: Look) -> Look {
        for p in &mut look.points {
            p.x = ((f64::from(p.x) + 0.5) / self.shrink - 0.5 + self.x0) as f32;
            p.z = (f64::from(p.z) / self.shrink) as f32;
            p.y = ((f64::from(p.y) + 0.5) / self.shrink - 0.5 + self.y0) as f32;
        }
        look
    }

    /// A look at `region` (of the upright picture).
    pub fn look(&self, landmarker: &mut Landmarker, region: &Region) -> Result<Look> {
        Ok(self.back(landmarker.look(&self.picture, &self.region(region))?))
    }

    /// A look with the outline; the outline's region is given in the upright picture.
    pub fn look_with_outline(&self, landmarker: &mut Landmarker, region: &Region) -> Result<(Look, Outline)> {
        let (look, outline) = landmarker.look_with_outline(&self.picture, &self.region(region))?;
        Ok((self.back(look), Outline { region: *region, ..outline }))
    }
}

/// Where a cut lies in the file.
struct Entry {
    frame: usize,
    start: u64,
    rows: i32,
    cols: i32,
    x0: f64,
    y0: f64,
    shrink: f64,
}

/// A clip's cuts. The file has no name: it is gone with the process, however that ends.
pub struct Cuts {
    folder: PathBuf,
    file: File,
    length: u64,
    entries: Vec<Entry>,
}

impl Cuts {
    /// No cuts yet; their file will lie in `folder`.
    pub fn begin(folder: &Path) -> Result<Cuts> {
        let file = tempfile::tempfile_in(folder).map_err(Error::file(folder))?;
        Ok(Cuts { folder: folder.to_path_buf(), file, length: 0, entries: Vec::new() })
    }

    /// Keeps what `region`, with a margin, holds of an upright `picture` (BGR). Frames must come in ascending order.
    pub fn keep(&mut self, picture: &Mat, frame: usize, region: &Region) -> Result<()> {
        let cut = Cut::of(picture, frame, region).map_err(Error::opencv)?;
        let bytes = cut.picture.data_bytes().map_err(Error::opencv)?;
        fault::point().and_then(|()| self.file.write_all_at(bytes, self.length)).map_err(Error::file(&self.folder))?;
        let (rows, cols) = (cut.picture.rows(), cut.picture.cols());
        self.entries.push(Entry { frame, start: self.length, rows, cols, x0: cut.x0, y0: cut.y0, shrink: cut.shrink });
        self.length += bytes.len() as u64;
        Ok(())
    }

    /// The frames of which there is a cut, ascending.
    pub fn frames(&self) -> impl Iterator<Item = usize> + '_ {
        self.entries.iter().map(|e| e.frame)
    }

    /// Whether there is one of a frame.
    pub fn has(&self, frame: usize) -> bool {
        self.entries.binary_search_by_key(&frame, |e| e.frame).is_ok()
    }

    /// The cut of a frame, where one is kept.
    pub fn of(&self, frame: usize) -> Result<Option<Cut>> {
        let Ok(i) = self.entries.binary_search_by_key(&frame, |e| e.frame) else { return Ok(None) };
        let Entry { start, rows, cols, x0, y0, shrink, .. } = self.entries[i];
        let mut picture = Mat::new_rows_cols_with_default(rows, cols, CV_8UC3, Scalar::default()).map_err(Error::opencv)?;
        let bytes = picture.data_bytes_mut().map_err(Error::opencv)?;
        self.file.read_exact_at(bytes, start).map_err(Error::file(&self.folder))?;
        Ok(Some(Cut { frame, picture, x0, y0, shrink }))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A BGR picture in which every byte tells its place.
    fn picture(rows: i32, cols: i32) -> Mat {
        let mut picture = Mat::new_rows_cols_with_default(rows, cols, CV_8UC3, Scalar::default()).unwrap();
        for (i, byte) in picture.data_bytes_mut().unwrap().iter_mut().enumerate() {
            *byte = (i * 31 % 251) as u8;
        }
        picture
    }

    #[test]
    fn a_cut_comes_back_as_it_was_kept_and_leaves_no_file() {
        let folder = tempfile::tempdir().unwrap();
        let mut cuts = Cuts::begin(folder.path()).unwrap();
        let small = Region { cx: 100.0, cy: 90.0, size: 120.0, rotation: 0.3 };
        let large = Region { cx: 600.0, cy: 900.0, size: 1500.0, rotation: 0.0 };
        let kept = [(3, picture(200, 240), small), (4, picture(1920, 1080), large), (9, picture(200, 240), Region { cx: 20.0, ..small })];
        for (frame, picture, region) in &kept {
            cuts.keep(picture, *frame, region).unwrap();
        }
        assert_eq!(cuts.frames().collect::<Vec<_>>(), [3, 4, 9]);
        for (frame, picture, region) in kept.iter().rev() {
            let (back, now) = (cuts.of(*frame).unwrap().unwrap(), Cut::of(picture, *frame, region).unwrap());
            assert_eq!((back.frame, back.x0, back.y0, back.shrink), (now.frame, now.x0, now.y0, now.shrink));
            assert_eq!((back.picture.rows(), back.picture.cols()), (now.picture.rows(), now.picture.cols()));
            assert!(back.picture.data_bytes().unwrap() == now.picture.data_bytes().unwrap(), "frame {frame}");
        }
        assert!(cuts.of(5).unwrap().is_none());
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0);
    }

    #[test]
    fn a_folder_that_takes_no_file_is_named() {
        let missing = Path::new("no such folder");
        assert!(matches!(Cuts::begin(missing), Err(Error::File { path, .. }) if path == missing));
    }
}
