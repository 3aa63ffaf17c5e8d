//! Pictures, streamed in order, upright; only those that somebody looks at are converted.

use super::probe::Probe;
use crate::error::{Error, Result};
use opencv::core::{self, Mat, MatTraitConst};
use opencv::videoio::{self, VideoCapture, VideoCaptureTrait, VideoCaptureTraitConst};
use std::path::Path;

/// An open clip. Frames come in presentation order; frame `i` is shown at `probe.times[i]`.
pub struct Footage<'a> {
    capture: VideoCapture,
    probe: &'a Probe,
    next: usize,
    size: Option<(i32, i32)>,
    raw: Mat,
    upright: Mat,
}

impl<'a> Footage<'a> {
    /// Opens the file with the library's own turning switched off. `None` where the decoder refuses the file.
    pub fn open(path: &Path, probe: &'a Probe) -> Result<Option<Footage<'a>>> {
        let name = path.to_str().ok_or_else(|| Error::Internal("the clip must be handed over by a plain name".into()))?;
        let mut capture = match VideoCapture::from_file(name, videoio::CAP_FFMPEG) {
            Ok(capture) => capture,
            Err(_) => return Ok(None),
        };
        if !capture.is_opened().unwrap_or(false) {
            return Ok(None);
        }
        capture.set(videoio::CAP_PROP_ORIENTATION_AUTO, 0.0).map_err(Error::opencv)?;
        Ok(Some(Footage { capture, probe, next: 0, size: None, raw: Mat::default(), upright: Mat::default() }))
    }

    /// Decodes on to frame `index` (which must not lie behind) without converting the frames before it; the upright
    /// picture (BGR), or `None` where the footage ends, changes its size, or the index is past its last known time.
    pub fn frame(&mut self, index: usize) -> Result<Option<&Mat>> {
        while self.next <= index {
            if self.next >= self.probe.times.len() || !self.capture.grab().unwrap_or(false) {
                return Ok(None);
            }
            self.next += 1;
        }
        if !self.capture.retrieve(&mut self.raw, 0).unwrap_or(false) || self.raw.empty() {
            return Ok(None);
        }
        let size = (self.raw.cols(), self.raw.rows());
        if *self.size.get_or_insert(size) != size {
            return Ok(None);
        }
        let turn = match self.probe.rotation_deg {
            90 => core::ROTATE_90_CLOCKWISE,
            180 => core::ROTATE_180,
            270 => core::ROTATE_90_COUNTERCLOCKWISE,
            _ => return Ok(Some(&self.raw)),
        };
        core::rotate(&self.raw, &mut self.upright, turn).map_err(Error::opencv)?;
        Ok(Some(&self.upright))
    }

    /// Decodes to the end without converting; the number of frames decoded in all.
    pub fn count_rest(&mut self) -> usize {
        while self.next < self.probe.times.len() && self.capture.grab().unwrap_or(false) {
            self.next += 1;
        }
        self.next
    }

    /// Frames decoded so far.
    pub fn decoded(&self) -> usize {
        self.next
    }
}
