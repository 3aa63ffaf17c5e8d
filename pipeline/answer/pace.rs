//! Which moment of a clip each picture of an answer shows: slowed down, with a stop at the moments that matter. Two clips are
//! stretched between their moments, so that these meet. Nothing here knows of pictures.

use crate::error::{Error, Result};

/// How an answer plays.
#[derive(Debug, Clone, Copy)]
pub struct Pace {
    /// Times slower than life.
    pub slower: f64,
    /// Seconds that it stops at a moment.
    pub stop_s: f64,
    /// Pictures a second of the answer.
    pub rate: f64,
}

/// A time at which the clips meet, in each clip's own seconds.
#[derive(Debug, Clone, Copy)]
pub struct Knot<const N: usize> {
    pub at: [f64; N],
    /// Whether the answer stops here.
    pub stop: bool,
}

/// What one picture of the answer shows.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step<const N: usize> {
    /// The time in each clip, in that clip's own seconds.
    pub at: [f64; N],
    /// The knot at which the answer stops in this picture.
    pub stopped: Option<usize>,
}

/// The pictures of an answer from the first knot to the last. `factors`: how many times slower than life each clip plays
/// already. Between two knots the answer takes as long as the slower of the clips, so that none is ever hurried.
pub fn steps<const N: usize>(knots: &[Knot<N>], factors: [f64; N], pace: Pace) -> Result<Vec<Step<N>>> {
    let usable = |x: f64| x.is_finite() && x > 0.0;
    if !(usable(pace.slower) && usable(pace.rate) && pace.stop_s.is_finite() && pace.stop_s >= 0.0 && factors.into_iter().all(usable)) {
        return Err(Error::Internal("an answer's pace is no pace".into()));
    }
    let ascends = |pair: &[Knot<N>]| (0..N).all(|i| pair[0].at[i] < pair[1].at[i] && pair.iter().all(|k| k.at[i].is_finite()));
    if knots.len() < 2 || !knots.windows(2).all(ascends) {
        return Err(Error::Internal("the moments of an answer do not follow one another".into()));
    }
    let stop = |k: usize| {
        let pictures = if knots[k].stop { ((pace.stop_s * pace.rate).round() as usize).max(1) } else { 1 };
        std::iter::repeat_n(Step { at: knots[k].at, stopped: knots[k].stop.then_some(k) }, pictures)
    };
    let mut all: Vec<Step<N>> = stop(0).collect();
    for (k, pair) in knots.windows(2).enumerate() {
        let life = (0..N).map(|i| (pair[1].at[i] - pair[0].at[i]) / factors[i]).fold(0.0, f64::max);
        let pictures = ((life * pace.slower * pace.rate).round() as usize).max(1);
        all.extend((1..pictures).map(|j| {
            let part = j as f64 / pictures as f64;
            let at = std::array::from_fn(|i| pair[0].at[i] + part * (pair[1].at[i] - pair[0].at[i]));
            Step { at, stopped: None }
        }));
        all.extend(stop(k + 1));
    }
    Ok(all)
}

#[cfg(test)]
mod tests {
    use super::*;

    const PACE: Pace = Pace { slower: 4.0, stop_s: 1.0, rate: 30.0 };

    #[test]
    fn a_second_of_life_takes_four_and_each_moment_one_more() {
        let knots = [0.5, 1.3, 1.5].map(|t| Knot { at: [t], stop: true });
        let all = steps(&knots, [1.0], PACE).unwrap();
        // 3 stops of 30; between them 0.8 and 0.2 s at 120 pictures each second of life, less the one that the stop shows
        assert_eq!(all.len(), 90 + (96 - 1) + (24 - 1));
        assert_eq!(all.iter().filter(|s| s.stopped == Some(1)).count(), 30);
        assert!(all.windows(2).all(|w| w[0].at[0] <= w[1].at[0]), "never backwards");
        // the same swing from a clip that plays 8 times slower already makes the same answer
        let slow = knots.map(|k| Knot { at: [8.0 * k.at[0]], stop: true });
        assert_eq!(steps(&slow, [8.0], PACE).unwrap().len(), all.len());
    }

    #[test]
    fn clips_of_unlike_speed_meet_at_every_moment() {
        let (then, now) = ([0.2, 1.3, 1.6, 1.9], [8.0, 12.0, 14.0, 15.0]);
        let knots: Vec<Knot<2>> = (0..4).map(|k| Knot { at: [then[k], now[k]], stop: k > 0 }).collect();
        let all = steps(&knots, [1.0, 8.0], PACE).unwrap();
        for k in 0..4 {
            let nearest = |half: usize, t: f64| {
                let off = |s: &Step<2>| (s.at[half] - t).abs();
                (0..all.len()).min_by(|&a, &b| off(&all[a]).total_cmp(&off(&all[b]))).unwrap()
            };
            assert_eq!(nearest(0, then[k]), nearest(1, now[k]), "moment {k}");
        }
        // the longer half of a phase sets its length: 1.1 s of life against 0.5
        let first = all.iter().position(|s| s.stopped == Some(1)).unwrap();
        assert_eq!(first, 132);
    }

    #[test]
    fn moments_out_of_order_are_refused() {
        let knots = [0.5, 1.5, 1.3].map(|t| Knot { at: [t], stop: true });
        assert!(steps(&knots, [1.0], PACE).is_err());
        assert!(steps(&[0.5, f64::NAN].map(|t| Knot { at: [t], stop: true }), [1.0], PACE).is_err());
        assert!(steps(&[Knot { at: [0.5], stop: true }], [1.0], PACE).is_err());
    }
}
