//! Pictures, streamed in order, upright; only those that somebody looks at are converted. Each carries the decoder's own time,
//! by which it is paired with the list of frames: nothing is counted.

use super::decoder::Decoder;
use super::probe::Probe;
use crate::error::{Error, Result};
use opencv::core::Mat;
use std::path::Path;
use std::time::Instant;

/// An open clip. Frames come in presentation order; frame `i` is shown at `probe.times[i]`.
pub struct Footage<'a> {
    decoder: Decoder,
    probe: &'a Probe,
    /// The frame that the picture last decoded is.
    now: Option<usize>,
    /// No more pictures come.
    ended: bool,
    /// Frames passed without a picture of theirs.
    lost: Vec<usize>,
    decoded: usize,
    /// Pictures that are no frame of the list.
    unlisted: usize,
    raw: Mat,
    upright: Mat,
    spent: Spent,
}

/// What there is of a frame.
pub enum Shown<'a> {
    /// Upright, BGR, square pixels.
    Picture(&'a Mat),
    /// The decoder gave no picture of this frame's time.
    Lost,
    /// Nothing more comes: the footage ends, or its pictures change their size.
    Ended,
}

/// Seconds spent so far.
#[derive(Debug, Clone, Copy, Default)]
pub struct Spent {
    pub decoding: f64,
    /// Colours, and turning upright.
    pub converting: f64,
}

/// What reading a file in order, from its start to its end, taught about it.
#[derive(Debug, Clone, Default)]
pub struct Account {
    /// Frames of the list of which a picture was decoded.
    pub decoded: usize,
    /// Frames without a picture, up to the last decoded one, ascending.
    pub lost: Vec<usize>,
    /// Pictures that are no frame of the list.
    pub unlisted: usize,
}

impl Account {
    /// Seconds of clip time that cannot be trusted: from the last picture before each loss to the next from which decoding can
    /// start afresh, for what hangs on a lost picture is smeared.
    pub fn torn(&self, probe: &Probe) -> Vec<[f64; 2]> {
        let (t, end) = (&probe.times, probe.duration());
        let rest = self.decoded + self.lost.len();
        let mut torn: Vec<[f64; 2]> = Vec::new();
        for &i in self.lost.iter().chain(&(rest..t.len()).collect::<Vec<_>>()) {
            if torn.last().is_some_and(|span| t[i] < span[1]) {
                continue;
            }
            let afresh = (i + 1..t.len()).find(|&j| probe.keys[j] && self.lost.binary_search(&j).is_err());
            torn.push([t[i.saturating_sub(1)], afresh.map_or(end, |j| t[j])]);
        }
        torn
    }
}

/// Seconds before the wanted frame to leap to, and the least leap that is worth it.
const LEAP_MARGIN: f64 = 0.1;
const LEAP_WORTH: f64 = 1.0;

impl<'a> Footage<'a> {
    /// Opens the file at its start. `None` where the decoder refuses it.
    pub fn open(path: &Path, probe: &'a Probe) -> Option<Footage<'a>> {
        Some(Footage {
            decoder: Decoder::open(path, probe.track)?,
            probe,
            now: None,
            ended: false,
            lost: Vec::new(),
            decoded: 0,
            unlisted: 0,
            raw: Mat::default(),
            upright: Mat::default(),
            spent: Spent::default(),
        })
    }

    /// Opens the file and leaps to shortly before frame `index` instead of decoding all before it, where `account` (of the same
    /// file) tells of no damage; from the start otherwise. `None` where the decoder refuses the file.
    pub fn open_near(path: &Path, probe: &'a Probe, account: &Account, index: usize) -> Option<Footage<'a>> {
        let mut footage = Footage::open(path, probe)?;
        let target = probe.times.get(index).copied().unwrap_or(0.0) - LEAP_MARGIN;
        if !account.lost.is_empty() || account.unlisted > 0 || account.decoded <= index || target < LEAP_WORTH {
            return Some(footage);
        }
        let leapt = footage.decoder.leap(target + probe.start) && footage.decoder.grab();
        match leapt.then(|| footage.named()).flatten() {
            Some(frame) if frame > 0 && frame < index => {
                footage.now = Some(frame);
                Some(footage)
            }
            _ => Footage::open(path, probe),
        }
    }

    /// What reading in order taught.
    pub fn account(&self) -> Account {
        Account { decoded: self.decoded, lost: self.lost.clone(), unlisted: self.unlisted }
    }

    /// The frame whose time the picture last decoded has; `None` where no frame has that time.
    fn named(&self) -> Option<usize> {
        let now = self.decoder.time()? - self.probe.start;
        let t = &self.probe.times;
        let after = t.partition_point(|&t| t < now);
        let is_of = |&i: &usize| {
            let Some(&time) = t.get(i) else { return false };
            let before = i.checked_sub(1).map_or(f64::INFINITY, |j| time - t[j]);
            let next = t.get(i + 1).map_or(f64::INFINITY, |next| next - time);
            (time - now).abs() < 0.25 * before.min(next)
        };
        (after.saturating_sub(1)..=after).find(is_of)
    }

    /// Decodes on to the next picture that is a frame of the list; `false` at the end.
    fn grab(&mut self) -> bool {
        let clock = Instant::now();
        let next = self.now.map_or(0, |n| n + 1);
        while !self.ended {
            if next >= self.probe.times.len() || !self.decoder.grab() {
                self.ended = true;
            } else if self.decoder.is_torn() {
                // as good as none: its frame counts as lost once the next one is there
            } else if let Some(frame) = self.named().filter(|&f| f >= next) {
                self.lost.extend(next..frame);
                self.now = Some(frame);
                self.decoded += 1;
                break;
            } else {
                self.unlisted += 1;
            }
        }
        self.spent.decoding += clock.elapsed().as_secs_f64();
        !self.ended
    }

    /// Decodes on to frame `index` (which must not lie behind) without converting the frames before it.
    pub fn frame(&mut self, index: usize) -> Result<Shown<'_>> {
        while self.now.is_none_or(|n| n < index) {
            if !self.grab() {
                return Ok(Shown::Ended);
            }
        }
        if self.now != Some(index) {
            return Ok(Shown::Lost);
        }
        let clock = Instant::now();
        let converted = self.convert();
        self.spent.converting += clock.elapsed().as_secs_f64();
        Ok(match converted? {
            None => Shown::Ended,
            Some(true) => Shown::Picture(&self.upright),
            Some(false) => Shown::Picture(&self.raw),
        })
    }

    /// Converts the picture last decoded; whether it had to be turned, or `None` where it cannot be used.
    fn convert(&mut self) -> Result<Option<bool>> {
        if self.decoder.coded_size() != (self.probe.width, self.probe.height)
            || self.decoder.retrieve(&mut self.raw, self.probe.square_size()).is_none()
        {
            return Ok(None);
        }
        self.probe.turn.apply(&self.raw, &mut self.upright).map(Some).map_err(Error::opencv)
    }

    /// Decodes to the end without converting; the number of frames of the list decoded in all.
    pub fn count_rest(&mut self) -> usize {
        while self.grab() {}
        self.decoded
    }

    /// Where the time went.
    pub fn spent(&self) -> Spent {
        self.spent
    }

    /// The frame last decoded.
    pub fn now(&self) -> Option<usize> {
        self.now
    }
}
