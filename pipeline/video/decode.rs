//! Pictures, streamed in order, upright; only those that somebody looks at are converted.

use super::decoder::Decoder;
use super::probe::Probe;
use crate::error::{Error, Result};
use opencv::core::{self, Mat, MatTraitConst};
use std::path::Path;
use std::time::Instant;

/// An open clip. Frames come in presentation order; frame `i` is shown at `probe.times[i]`.
pub struct Footage<'a> {
    decoder: Decoder,
    probe: &'a Probe,
    next: usize,
    clock: Clock,
    size: Option<(i32, i32)>,
    raw: Mat,
    upright: Mat,
    spent: Spent,
}

/// Seconds spent so far.
#[derive(Debug, Clone, Copy, Default)]
pub struct Spent {
    pub decoding: f64,
    /// Colours, and turning upright.
    pub converting: f64,
}

/// How the decoder's clock compares with the probe's times, learnt while reading in order.
#[derive(Debug, Clone, Copy, Default)]
pub struct Clock {
    /// Its reading at the first frame, seconds.
    zero: f64,
    /// Whether it named the right frame every time; only then is leaping safe.
    wrong: bool,
    frames: usize,
}

/// Seconds before the wanted frame to leap to, and the least leap that is worth it.
const LEAP_MARGIN: f64 = 0.1;
const LEAP_WORTH: f64 = 1.0;

impl<'a> Footage<'a> {
    /// Opens the file at its start. `None` where the decoder refuses it.
    pub fn open(path: &Path, probe: &'a Probe) -> Option<Footage<'a>> {
        Some(Footage {
            decoder: Decoder::open(path)?,
            probe,
            next: 0,
            clock: Clock::default(),
            size: None,
            raw: Mat::default(),
            upright: Mat::default(),
            spent: Spent::default(),
        })
    }

    /// Opens the file and leaps to shortly before frame `index` instead of decoding all before it, where `clock` (of the same
    /// file, read in order) can be trusted; from the start otherwise. `None` where the decoder refuses the file.
    pub fn open_near(path: &Path, probe: &'a Probe, clock: Clock, index: usize) -> Option<Footage<'a>> {
        let mut footage = Footage::open(path, probe)?;
        let target = probe.times.get(index).copied().unwrap_or(0.0) - LEAP_MARGIN;
        if clock.wrong || clock.frames <= index || target < LEAP_WORTH {
            return Some(footage);
        }
        footage.clock = clock;
        let leapt = footage.decoder.leap(target + clock.zero) && footage.decoder.grab();
        match leapt.then(|| footage.frame_now()).flatten() {
            Some(frame) if frame > 0 && frame < index => {
                footage.next = frame + 1;
                Some(footage)
            }
            _ => Footage::open(path, probe),
        }
    }

    /// What reading in order taught about the decoder's clock.
    pub fn clock(&self) -> Clock {
        Clock { frames: self.next, ..self.clock }
    }

    /// Number of the frame last grabbed, by the decoder's clock; `None` where no frame has that time.
    fn frame_now(&self) -> Option<usize> {
        let now = self.decoder.time()? - self.clock.zero;
        let after = self.probe.times.partition_point(|&t| t < now);
        (after.saturating_sub(1)..=after).find(|&i| self.is_time_of(i, now))
    }

    /// Whether `now` names frame `i` and no other.
    fn is_time_of(&self, i: usize, now: f64) -> bool {
        let t = &self.probe.times;
        let Some(&time) = t.get(i) else { return false };
        let before = i.checked_sub(1).map_or(f64::INFINITY, |j| time - t[j]);
        let after = t.get(i + 1).map_or(f64::INFINITY, |next| next - time);
        (time - now).abs() < 0.25 * before.min(after)
    }

    /// The next frame, not converted; `false` at the end.
    fn grab(&mut self) -> bool {
        let clock = Instant::now();
        let grabbed = self.next < self.probe.times.len() && self.decoder.grab();
        self.spent.decoding += clock.elapsed().as_secs_f64();
        if !grabbed {
            return false;
        }
        let now = self.decoder.time().unwrap_or(f64::NAN);
        if self.next == 0 {
            self.clock.zero = now;
        }
        self.clock.wrong |= !self.is_time_of(self.next, now - self.clock.zero);
        self.next += 1;
        true
    }

    /// Decodes on to frame `index` (which must not lie behind) without converting the frames before it; the upright
    /// picture (BGR), or `None` where the footage ends, changes its size, or the index is past its last known time.
    pub fn frame(&mut self, index: usize) -> Result<Option<&Mat>> {
        while self.next <= index {
            if !self.grab() {
                return Ok(None);
            }
        }
        let clock = Instant::now();
        let converted = self.convert();
        self.spent.converting += clock.elapsed().as_secs_f64();
        Ok(match converted? {
            None => None,
            Some(turned) => Some(if turned { &self.upright } else { &self.raw }),
        })
    }

    /// Converts the frame last grabbed; whether it had to be turned, or `None` where it cannot be used.
    fn convert(&mut self) -> Result<Option<bool>> {
        if self.decoder.retrieve(&mut self.raw).is_none() {
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
            _ => return Ok(Some(false)),
        };
        core::rotate(&self.raw, &mut self.upright, turn).map_err(Error::opencv)?;
        Ok(Some(true))
    }

    /// Decodes to the end without converting; the number of frames decoded in all.
    pub fn count_rest(&mut self) -> usize {
        while self.grab() {}
        self.next
    }

    /// Where the time went.
    pub fn spent(&self) -> Spent {
        self.spent
    }

    /// Frames decoded so far.
    pub fn decoded(&self) -> usize {
        self.next
    }
}
