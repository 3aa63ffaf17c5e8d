//! How loud a clip is over time, in two bands, decoded with FFmpeg's libraries beside its pictures and by their clock. A clip without
//! sound, or with sound that cannot be decoded, is as good as any other.

use super::probe::{FORMATS, Probe};
use ffmpeg_next::codec::context;
use ffmpeg_next::util::format::Sample;
use ffmpeg_next::{Dictionary, Packet, format, frame, media};
use std::path::Path;

/// Length of a bin, seconds.
pub const STEP: f64 = 0.002;
/// Where the bands begin, Hz: a voice's vowels and wind lie below the first, most of a voice below the second (common practice, no
/// source).
const BANDS_HZ: [f64; 2] = [1000.0, 4000.0];
/// Rates and channels beyond these are no phone's.
const RATES_HZ: std::ops::RangeInclusive<u32> = 4_000..=400_000;
const MOST_CHANNELS: u16 = 64;
/// Packets that the decoder refuses, one after another, before the sound is given up.
const MAX_REFUSED: usize = 512;

/// Mean square by bin, full scale 1, in each band.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Levels {
    pub bands: [Vec<f32>; 2],
    /// The highest sampling rate met; above half of it nothing is heard.
    pub rate_hz: u32,
}

/// Second-order Butterworth high-pass by the bilinear transform (Bristow-Johnson's cookbook form, Q = 1/√2; from memory).
struct HighPass {
    b: [f64; 3],
    a: [f64; 2],
    x: [f64; 2],
    y: [f64; 2],
}

impl HighPass {
    fn new(cut_hz: f64, rate_hz: f64) -> HighPass {
        let w = std::f64::consts::TAU * (cut_hz / rate_hz).min(0.45);
        let alpha = w.sin() / std::f64::consts::SQRT_2;
        let (c, norm) = (w.cos(), 1.0 + alpha);
        let side = (1.0 + c) / 2.0 / norm;
        HighPass { b: [side, -2.0 * side, side], a: [-2.0 * c / norm, (1.0 - alpha) / norm], x: [0.0; 2], y: [0.0; 2] }
    }

    fn next(&mut self, x: f64) -> f64 {
        let y = self.b[0] * x + self.b[1] * self.x[0] + self.b[2] * self.x[1] - self.a[0] * self.y[0] - self.a[1] * self.y[1];
        self.x = [x, self.x[0]];
        self.y = [y, self.y[0]];
        y
    }
}

/// Puts samples into bins as they come.
struct Binning {
    levels: Levels,
    counts: Vec<u32>,
    filters: Option<(u32, [HighPass; 2])>,
    most: usize,
}

impl Binning {
    fn new(seconds: f64) -> Binning {
        Binning { levels: Levels::default(), counts: Vec::new(), filters: None, most: (seconds.max(0.0) / STEP) as usize + 1 }
    }

    /// Samples of one channel from `start` (seconds of clip time) on.
    fn add(&mut self, start: f64, rate: u32, samples: impl Iterator<Item = f64>) {
        if self.filters.as_ref().is_none_or(|(r, _)| *r != rate) {
            self.filters = Some((rate, BANDS_HZ.map(|hz| HighPass::new(hz, f64::from(rate)))));
            self.levels.rate_hz = self.levels.rate_hz.max(rate);
        }
        let Some((_, filters)) = &mut self.filters else { return };
        for (i, x) in samples.enumerate() {
            // what is no number, or louder than sound can be, is nothing
            let x = if x.abs() <= 4.0 { x } else { 0.0 };
            let y = filters.each_mut().map(|f| f.next(x));
            let at = (start + i as f64 / f64::from(rate)) / STEP;
            if !(0.0..self.most as f64).contains(&at) {
                continue;
            }
            let bin = at as usize;
            if self.counts.len() <= bin {
                self.counts.resize(bin + 1, 0);
                self.levels.bands.iter_mut().for_each(|b| b.resize(bin + 1, 0.0));
            }
            self.counts[bin] += 1;
            for (band, y) in self.levels.bands.iter_mut().zip(y) {
                band[bin] += (y * y) as f32;
            }
        }
    }

    fn done(mut self) -> Option<Levels> {
        for band in &mut self.levels.bands {
            band.iter_mut().zip(&self.counts).for_each(|(sum, n)| *sum /= (*n).max(1) as f32);
        }
        (!self.counts.is_empty()).then_some(self.levels)
    }
}

/// A decoded piece of sound, full scale 1, the mean of its channels: which of several is the microphone's nobody says.
fn mono(piece: &frame::Audio) -> Option<Vec<f64>> {
    let (kind, channels) = (piece.format(), piece.channels());
    if piece.planes() == 0 || piece.samples() == 0 || !(1..=MOST_CHANNELS).contains(&channels) {
        return None;
    }
    let wide = kind.bytes().max(1);
    let value = |c: &[u8]| -> Option<f64> {
        Some(match kind {
            Sample::U8(_) => (f64::from(c[0]) - 128.0) / 128.0,
            Sample::I16(_) => f64::from(i16::from_ne_bytes(c[..2].try_into().ok()?)) / 32_768.0,
            Sample::I32(_) => f64::from(i32::from_ne_bytes(c[..4].try_into().ok()?)) / 2_147_483_648.0,
            Sample::I64(_) => i64::from_ne_bytes(c[..8].try_into().ok()?) as f64 / 9.223_372_036_854_776e18,
            Sample::F32(_) => f64::from(f32::from_ne_bytes(c[..4].try_into().ok()?)),
            Sample::F64(_) => f64::from_ne_bytes(c[..8].try_into().ok()?),
            Sample::None => return None,
        })
    };
    // a plane holds one channel, or every channel of a moment side by side
    let beside = if piece.is_packed() { usize::from(channels) } else { 1 };
    let mut sum = vec![0.0; piece.samples()];
    for plane in 0..piece.planes() {
        for (total, moment) in sum.iter_mut().zip(piece.data(plane).chunks_exact(wide * beside)) {
            for sample in moment.chunks_exact(wide) {
                *total += value(sample)?;
            }
        }
    }
    sum.iter_mut().for_each(|v| *v /= f64::from(channels));
    Some(sum)
}

/// The levels of the clip's best sound track from the first picture to the last; `None` where there is none that can be decoded.
pub fn levels(path: &Path, probe: &Probe) -> Option<Levels> {
    ffmpeg_next::util::log::set_level(ffmpeg_next::util::log::Level::Error);
    let mut options = Dictionary::new();
    options.set("format_whitelist", FORMATS);
    options.set("protocol_whitelist", "file");
    let mut input = format::input_with_dictionary(&format!("file:{}", path.to_str()?), options).ok()?;
    let stream = input.streams().best(media::Type::Audio)?;
    let (track, time_base) = (stream.index(), f64::from(stream.time_base()));
    let mut decoder = context::Context::from_parameters(stream.parameters()).ok()?.decoder();
    decoder.set_packet_time_base(stream.time_base());
    let mut decoder = decoder.audio().ok()?;
    let mut bins = Binning::new(probe.duration());
    let (mut piece, mut refused, mut drained) = (frame::Audio::empty(), 0, false);
    // where the next piece begins, where it does not say itself
    let mut follows: Option<f64> = None;
    loop {
        while decoder.receive_frame(&mut piece).is_ok() {
            let rate = piece.rate();
            if !RATES_HZ.contains(&rate) {
                return bins.done();
            }
            let start = piece.timestamp().map(|t| t as f64 * time_base - probe.start).or(follows);
            let (Some(start), Some(samples)) = (start, mono(&piece)) else { continue };
            follows = Some(start + samples.len() as f64 / f64::from(rate));
            if start > probe.duration() {
                return bins.done();
            }
            bins.add(start, rate, samples.into_iter());
        }
        if drained || refused > MAX_REFUSED {
            return bins.done();
        }
        let mut packet = Packet::empty();
        match packet.read(&mut input) {
            Ok(()) if packet.stream() != track => {}
            Ok(()) => match decoder.send_packet(&packet) {
                Ok(()) => refused = 0,
                Err(_) => refused += 1,
            },
            Err(ffmpeg_next::Error::InvalidData) => refused += 1,
            Err(_) => {
                let _ = decoder.send_eof();
                drained = true;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Of a Butterworth filter of second order the gain at its corner is 1/√2, a tenth below it 1/100 (12 dB an octave; from memory:
    /// any textbook).
    #[test]
    fn the_high_pass_is_a_butterworth_filter() {
        let gain = |hz: f64| {
            let (mut filter, rate) = (HighPass::new(1000.0, 48_000.0), 48_000.0);
            let y: Vec<f64> = (0..48_000).map(|i| filter.next((std::f64::consts::TAU * hz * f64::from(i) / rate).sin())).collect();
            (2.0 * y[24_000..].iter().map(|v| v * v).sum::<f64>() / 24_000.0).sqrt()
        };
        assert!((gain(1000.0) - std::f64::consts::FRAC_1_SQRT_2).abs() < 0.002, "{}", gain(1000.0));
        assert!((gain(100.0) - 0.01).abs() < 0.001, "{}", gain(100.0));
        assert!((gain(10_000.0) - 1.0).abs() < 0.01, "{}", gain(10_000.0));
    }

    #[test]
    fn samples_outside_the_clip_or_no_numbers_count_for_nothing() {
        let mut bins = Binning::new(0.1);
        bins.add(-0.05, 48_000, (0..480_000).map(|i| if i % 7 == 0 { f64::NAN } else { (f64::from(i) * 1.3).sin() }));
        let levels = bins.done().unwrap();
        assert_eq!(levels.bands[0].len(), 51);
        assert!(levels.bands.iter().flatten().all(|v| v.is_finite() && *v < 4.0));
        assert_eq!(Binning::new(1.0).done(), None);
    }
}
