//! Short sharp sounds of a clip, as a club makes when it strikes: much louder than what was heard just before, in a low and a high band
//! alike, and gone again at once.

use crate::seen::{Click, Sound};
use crate::track::signal::median;
use crate::video::sound::{Levels, STEP};

/// A click is louder than what was heard before it by this, decibels, in each band. A voice, steps and wind rise as much in the low band
/// or more slowly (synthetic sound alone, `scripts/sound-check`; no recording of a strike was at hand).
const RISE_DB: f64 = 12.0;
/// What was heard before: the median from this far before to this, bins.
const BEFORE: [usize; 2] = [75, 5];
/// Fewer bins of it tell nothing.
const FEWEST: usize = 20;
/// Within this the loudest is the click, bins.
const APART: usize = 15;
/// Afterwards it has fallen by this, decibels, on average over these bins; echoes and a shout do not.
const FALL_DB: f64 = 8.0;
const AFTER: [usize; 2] = [20, 40];
/// It begins where it has a quarter of its most, no earlier than this, bins.
const ONSET: usize = 5;
/// What is heard of digital silence, full scale 1: below one bit of sixteen.
const FLOOR: f64 = 1e-10;
/// Half of this rate, Hz, lies below the high band: the low one alone tells.
const TOO_LOW_HZ: u32 = 10_000;
/// Clicks kept of a clip, the loudest.
const MOST: usize = 200;
/// One level for so many bins; none are kept of longer clips.
const LEVEL_BINS: usize = 5;
const LEVELS_UP_TO: usize = 60_000;

fn db(energy: f64) -> f64 {
    10.0 * (energy + FLOOR).log10()
}

/// What is kept of a clip's sound.
pub fn listen(levels: &Levels) -> Sound {
    let bands: &[Vec<f32>] = if levels.rate_hz < TOO_LOW_HZ { &levels.bands[..1] } else { &levels.bands };
    let all = &levels.bands[0];
    let n = all.len();
    let mut clicks: Vec<Click> = (BEFORE[1] + FEWEST..n).filter_map(|i| click(bands, i)).collect();
    clicks.sort_by(|a, b| b.rise_db.total_cmp(&a.rise_db));
    clicks.truncate(MOST);
    clicks.sort_by(|a, b| a.time.total_cmp(&b.time));
    let level = |bins: &[f32]| db(bins.iter().map(|v| f64::from(*v)).sum::<f64>() / bins.len() as f64).round() as i8;
    let level_db = if n <= LEVELS_UP_TO { all.chunks(LEVEL_BINS).map(level).collect() } else { Vec::new() };
    Sound { rate_hz: levels.rate_hz, seconds: STEP * n as f64, clicks, level_step_s: STEP * LEVEL_BINS as f64, level_db }
}

/// The click whose loudest bin is `i`, if there is one.
fn click(bands: &[Vec<f32>], i: usize) -> Option<Click> {
    let at = |j: usize| bands.iter().map(|b| f64::from(b[j])).sum::<f64>();
    let n = bands[0].len();
    let most = at(i);
    let around = i.saturating_sub(APART)..(i + APART + 1).min(n);
    if most <= FLOOR || around.clone().any(|j| at(j) > most || (j < i && at(j) == most)) {
        return None;
    }
    let before = i.saturating_sub(BEFORE[0])..i - BEFORE[1];
    let rise = |band: &Vec<f32>| {
        let quiet: Vec<f64> = band[before.clone()].iter().map(|v| f64::from(*v)).collect();
        let loud = f64::from(band[i]).max(f64::from(band[(i + 1).min(n - 1)]));
        db(loud) - db(median(&quiet))
    };
    let rise_db = bands.iter().map(rise).fold(f64::INFINITY, f64::min);
    if rise_db < RISE_DB {
        return None;
    }
    let after = (i + AFTER[0]).min(n)..(i + AFTER[1]).min(n);
    let rest = after.clone().map(at).sum::<f64>() / after.len().max(1) as f64;
    if db(most) - db(rest) < FALL_DB {
        return None;
    }
    let onset = (i.saturating_sub(ONSET)..=i).find(|&j| at(j) >= most / 4.0)?;
    let tenth = |x: f64| (x * 10.0).round() / 10.0;
    Some(Click { time: onset as f64 * STEP, rise_db: tenth(rise_db), level_db: tenth(db(most)) })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Two seconds of a steady level with something in it, by bin and band.
    fn levels(change: impl Fn(usize, usize) -> f32) -> Levels {
        Levels { bands: [0, 1].map(|band| (0..1000).map(|i| 1e-6 * (1.0 + change(i, band))).collect()), rate_hz: 48_000 }
    }

    #[test]
    fn a_burst_in_both_bands_is_a_click_where_it_begins() {
        // 30 dB over the rest, falling by a factor of e every 6 ms
        let burst = |i: usize| if i >= 500 { 1000.0 * (-((i - 500) as f32) / 3.0).exp() } else { 0.0 };
        let heard = listen(&levels(|i, _| burst(i)));
        assert_eq!(heard.clicks.len(), 1);
        let c = heard.clicks[0];
        assert!((c.time - 1.0).abs() < 1e-9 && (29.0..31.0).contains(&c.rise_db), "{c:?}");
        // a thousand and one of 1e-6 in each of two bands
        assert_eq!(c.level_db, -27.0);
        assert_eq!((heard.level_db.len(), heard.level_db[10]), (200, -60));
    }

    #[test]
    fn what_lasts_or_has_one_band_or_rises_slowly_is_none() {
        let low = |i: usize, band: usize| if band == 0 && i >= 500 { 1000.0 * (-((i - 500) as f32) / 3.0).exp() } else { 0.0 };
        assert!(listen(&levels(low)).clicks.is_empty(), "a thud");
        assert!(listen(&levels(|i, _| if i >= 500 { 1000.0 } else { 0.0 })).clicks.is_empty(), "it stays");
        let swell = |i: usize, _: usize| (i as f32 / 100.0).exp();
        assert!(listen(&levels(swell)).clicks.is_empty(), "it swells");
        assert!(listen(&levels(|i, _| if i == 500 { 10.0 } else { 0.0 })).clicks.is_empty(), "10 dB are no more than a voice's");
        assert!(listen(&levels(|_, _| 0.0)).clicks.is_empty());
        assert!(listen(&Levels::default()).clicks.is_empty());
    }
}
