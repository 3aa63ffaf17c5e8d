//! A clip that the phone recorded lying on its side, without saying so: people stand upright, so the picture is turned until they do.

use super::observe::Work;
use crate::error::{Error, Result};
use crate::pose::detector::Detector;
use crate::video::upright::Turn;
use crate::video::{Footage, Probe, Shown};
use opencv::core::Mat;
use std::path::Path;

/// Pictures looked at, evenly over the clip.
const PICTURES: usize = 6;
/// Somebody leaning no more than this stands, degrees.
const STANDS: f64 = 45.0;
/// In so many more of the pictures must somebody stand before they are turned.
const MORE: usize = 3;

/// By how many quarters of a turn, clockwise, the pictures must be turned for somebody to stand in them; `None` where nobody stands in
/// clearly more of them than as they are. Reads the file once to its end: for clips in which nothing else was found.
pub(super) fn quarters_to_upright(path: &Path, probe: &Probe, detector: &mut Detector, work: &mut Work) -> Result<Option<u32>> {
    let Some(mut footage) = Footage::open(path, probe) else { return Ok(None) };
    let mut standing = [0; 4];
    let count = probe.times.len();
    for n in 0..PICTURES {
        let picture = match footage.frame((2 * n + 1) * count / (2 * PICTURES))? {
            Shown::Picture(picture) => picture,
            Shown::Lost => continue,
            Shown::Ended => break,
        };
        for quarters in 0..4 {
            let mut turned = Mat::default();
            let done = Turn::default().then_quarters(quarters).apply(picture, &mut turned).map_err(Error::opencv)?;
            let people = detector.detect(if done { &turned } else { picture })?;
            standing[quarters as usize] += usize::from(people.iter().any(|p| p.region().rotation.to_degrees().abs() < STANDS));
        }
    }
    work.add(footage.spent());
    let best = (1..4).max_by_key(|&q| standing[q]).filter(|&q| standing[q] >= standing[0] + MORE);
    Ok(best.map(|q| q as u32))
}
