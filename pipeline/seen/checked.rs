//! Arrays that may come from anywhere: nothing of them is believed. Sizes are checked before memory is taken, shapes and
//! ranges before anything is read out of them.

use super::keypoints::POINTS;
use super::{About, Ball, CHANNELS, Click, Sound, Stir};
use crate::error::{Error, Result};
use ndarray::{Array, ArrayBase, Data, Dimension};
use ndarray_npy::{ReadNpyExt, ReadableElement};
use std::fs::File;
use std::io::{ErrorKind, Read};
use std::path::Path;
use zip::ZipArchive;

/// Most bytes of one array; the largest of a clip have some ten million.
const MOST_BYTES: u64 = 256 << 20;
/// Most frames of a clip: half a day at 240 a second.
const MOST_FRAMES: u64 = 10_000_000;
/// Sides of a picture, pixels.
const MOST_PIXELS: f64 = 1e5;
/// Places of points may lie outside the picture, but not this far, pixels.
const FAR: f64 = 1e6;
/// Longest clip, seconds.
const LONGEST: f64 = 1e6;

/// What is wrong with a file of key points.
pub(super) fn wrong(path: &Path, what: impl Into<String>) -> Error {
    Error::File { path: path.to_path_buf(), source: std::io::Error::new(ErrorKind::InvalidData, what.into()) }
}

/// The arrays of a file.
pub(super) struct Arrays<'a> {
    path: &'a Path,
    zip: ZipArchive<File>,
}

impl<'a> Arrays<'a> {
    pub fn open(path: &'a Path) -> Result<Arrays<'a>> {
        let file = File::open(path).map_err(Error::file(path))?;
        let zip = ZipArchive::new(file).map_err(|e| wrong(path, format!("no arrays in it ({e})")))?;
        Ok(Arrays { path, zip })
    }

    /// An array by name, of the kind and with as many dimensions as asked for.
    pub fn read<A: ReadableElement, D: Dimension>(&mut self, name: &str) -> Result<Array<A, D>> {
        let bytes = self.bytes(name)?;
        let fits = promised(&bytes).is_some_and(|(count, data)| count.checked_mul(size_of::<A>()) == Some(data));
        if !fits {
            return Err(wrong(self.path, format!("array '{name}' is not as long as its shape says")));
        }
        Array::read_npy(&bytes[..]).map_err(|e| wrong(self.path, format!("array '{name}': {e}")))
    }

    /// What is wrong with it.
    pub fn wrong(&self, what: impl Into<String>) -> Error {
        wrong(self.path, what)
    }

    fn bytes(&mut self, name: &str) -> Result<Vec<u8>> {
        let missing = |e: zip::result::ZipError| wrong(self.path, format!("array '{name}': {e}"));
        let names = [name.to_string(), format!("{name}.npy")];
        let called = names.iter().find(|n| self.zip.index_for_name(n).is_some()).unwrap_or(&names[1]);
        let entry = self.zip.by_name(called).map_err(missing)?;
        let mut bytes = Vec::new();
        // what the directory says of its length is not believed either
        entry.take(MOST_BYTES + 1).read_to_end(&mut bytes).map_err(|e| wrong(self.path, format!("array '{name}': {e}")))?;
        if bytes.len() as u64 > MOST_BYTES {
            return Err(wrong(self.path, format!("array '{name}' is larger than any clip's")));
        }
        Ok(bytes)
    }
}

/// Elements that an NPY header promises, and bytes that follow it (NumPy enhancement proposal 1, the .npy format).
fn promised(bytes: &[u8]) -> Option<(usize, usize)> {
    let rest = bytes.strip_prefix(b"\x93NUMPY")?;
    let (length, start): (usize, usize) = match rest.first()? {
        1 => (usize::from(u16::from_le_bytes(rest.get(2..4)?.try_into().ok()?)), 4),
        2 | 3 => (u32::from_le_bytes(rest.get(2..6)?.try_into().ok()?) as usize, 6),
        _ => return None,
    };
    let end = start.checked_add(length)?;
    let header = std::str::from_utf8(rest.get(start..end)?).ok()?;
    let shape = header.split_once("shape")?.1.split_once('(')?.1.split_once(')')?.0;
    let sides: Option<Vec<usize>> = shape.split(',').map(str::trim).filter(|s| !s.is_empty()).map(|s| s.parse().ok()).collect();
    let sides = sides?;
    // also beside a side of none: an array of none times very many is none, but no library's
    let spread = sides.iter().filter(|side| **side > 0).try_fold(1usize, |n, side| n.checked_mul(*side));
    let count = spread.filter(|n| (*n as u64) <= MOST_BYTES)?;
    Some((if sides.contains(&0) { 0 } else { count }, rest.len() - end))
}

/// A sentence where a condition does not hold.
pub(super) fn require(holds: bool, what: impl FnOnce() -> String) -> std::result::Result<(), String> {
    if holds { Ok(()) } else { Err(what()) }
}

/// Whether all numbers lie within a range; none does that is no number.
pub(super) fn within<T: Copy + Into<f64>, S: Data<Elem = T>, D: Dimension>(all: &ArrayBase<S, D>, low: f64, high: f64) -> bool {
    all.iter().all(|&v| (low..=high).contains(&v.into()))
}

/// Facts about the footage.
pub(super) fn about(a: &About) -> std::result::Result<(), String> {
    let pixels = |v: u32| (1.0..=MOST_PIXELS).contains(&f64::from(v));
    require(pixels(a.width) && pixels(a.height), || format!("a picture of {} x {}", a.width, a.height))?;
    require(a.frames as u64 <= MOST_FRAMES && a.frames_expected as u64 <= MOST_FRAMES, || "more frames than any clip has".into())?;
    let times = [a.duration_s, a.interval_min_s, a.interval_median_s, a.interval_max_s];
    require(times.iter().all(|t| (0.0..=LONGEST).contains(t)), || format!("times of {times:?} s"))?;
    require((0.0..=1.0).contains(&a.person_share), || format!("a share of {}", a.person_share))?;
    let ball = |b: &Ball| {
        [b.x, b.y, b.width].iter().all(|v| v.abs() <= FAR) && (0.0..b.gone).contains(&b.there) && b.gone <= LONGEST && b.width > 0.0
    };
    require(a.balls.iter().all(ball), || "a ball out of range".into())?;
    let stir = |s: &Stir| {
        let in_order = s.times.is_sorted() && s.times.iter().all(|t| (-LONGEST..=LONGEST).contains(t));
        s.times.len() == s.changed.len() && in_order && s.changed.iter().all(|v| (0.0..=FAR).contains(v))
    };
    require(a.stirs.iter().all(stir), || "a stir out of range".into())?;
    let sound = |s: &Sound| {
        let loud = |c: &Click| (0.0..=FAR).contains(&c.rise_db) && c.level_db.abs() <= FAR;
        let click = |c: &Click| (-LONGEST..=LONGEST).contains(&c.time) && loud(c);
        (0.0..=LONGEST).contains(&s.seconds)
            && s.clicks.iter().all(click)
            && s.clicks.is_sorted_by(|a, b| a.time <= b.time)
            && (0.0..=LONGEST).contains(&s.level_step_s)
    };
    require(a.sound.iter().all(sound), || "a sound out of range".into())?;
    require(a.torn.iter().flatten().all(|t| t.is_finite()), || "a torn stretch without times".into())
}

/// Frame numbers: as many as there should be, and in order where the readers search them.
pub(super) fn frames(name: &str, frames: &[usize], count: usize, ordered: bool) -> std::result::Result<(), String> {
    require(frames.len() == count, || format!("'{name}' has {} frames for {count} looks", frames.len()))?;
    require(frames.iter().all(|&f| (f as u64) < MOST_FRAMES), || format!("'{name}' has frames that no clip has"))?;
    require(!ordered || frames.is_sorted_by(|a, b| a < b), || format!("'{name}' has frames out of order"))
}

/// Times of looks, seconds.
pub(super) fn times(name: &str, times: &[f64], count: usize) -> std::result::Result<(), String> {
    require(times.len() == count, || format!("'{name}' has {} times for {count} looks", times.len()))?;
    let good = times.iter().all(|t| (-LONGEST..=LONGEST).contains(t)) && times.is_sorted();
    require(good, || format!("'{name}' has times out of order or range"))
}

/// Looks, of whatever is before the last two sides: [keypoint, channel].
pub(super) fn points<S: Data<Elem = f32>, D: Dimension>(name: &str, points: &ArrayBase<S, D>) -> std::result::Result<(), String> {
    let shape = points.shape();
    require(shape.ends_with(&[POINTS, CHANNELS]), || format!("'{name}' is of the shape {shape:?}"))?;
    // places first, then shares
    let in_range = |(channel, v): (usize, &f32)| if channel < 3 { v.abs() <= FAR as f32 } else { (-0.001..=1.001).contains(v) };
    let good = points.rows().into_iter().all(|p| p.iter().enumerate().all(in_range));
    require(good, || format!("'{name}' has values out of range"))
}

/// Numbers of pixels and degrees beside each look.
pub(super) fn beside<S: Data<Elem = f64>>(
    name: &str,
    a: &ArrayBase<S, ndarray::Ix2>,
    count: usize,
    each: usize,
) -> std::result::Result<(), String> {
    require(a.shape() == [count, each], || format!("'{name}' is of the shape {:?}, not {:?}", a.shape(), [count, each]))?;
    require(within(a, -FAR, FAR), || format!("'{name}' has values out of range"))
}
