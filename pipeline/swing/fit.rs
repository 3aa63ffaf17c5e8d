//! Short local fits: where a noisy series crosses a level or turns, between frames.

use crate::track::signal::{median, solve};

/// Least-squares polynomial of `degree` through (t − origin, x); coefficients from the constant up.
pub fn polynomial(t: &[f64], x: &[f64], origin: f64, degree: usize) -> Vec<f64> {
    let m = degree + 1;
    let mut normal = vec![vec![0.0; m]; m];
    let mut right = vec![0.0; m];
    for (t, x) in t.iter().zip(x) {
        let s = t - origin;
        for r in 0..m {
            right[r] += x * s.powi(r as i32);
            for (c, cell) in normal[r].iter_mut().enumerate() {
                *cell += s.powi((r + c) as i32);
            }
        }
    }
    solve(normal, right)
}

/// Value of a polynomial.
pub fn value(c: &[f64], s: f64) -> f64 {
    c.iter().rev().fold(0.0, |acc, &k| acc * s + k)
}

/// First crossing of `level` after index `from` (upward or downward), then refined by a quadratic fitted to the samples
/// within `reach` seconds (at least four). Time, and the slope there (units of `x` a second).
pub fn crossing(t: &[f64], x: &[f64], from: usize, level: f64, upward: bool, reach: f64) -> Option<(f64, f64)> {
    let sign = if upward { 1.0 } else { -1.0 };
    let i = (from + 1..x.len()).find(|&i| sign * (x[i - 1] - level) < 0.0 && sign * (x[i] - level) >= 0.0)?;
    refine(t, x, i, level, reach)
}

/// Last crossing of `level` before index `to`, refined as in [`crossing`].
pub fn last_crossing(t: &[f64], x: &[f64], to: usize, level: f64, upward: bool, reach: f64) -> Option<(f64, f64)> {
    let sign = if upward { 1.0 } else { -1.0 };
    let i = (1..=to.min(x.len() - 1)).rev().find(|&i| sign * (x[i - 1] - level) < 0.0 && sign * (x[i] - level) >= 0.0)?;
    refine(t, x, i, level, reach)
}

fn refine(t: &[f64], x: &[f64], i: usize, level: f64, reach: f64) -> Option<(f64, f64)> {
    let straight = t[i - 1] + (t[i] - t[i - 1]) * (level - x[i - 1]) / (x[i] - x[i - 1]);
    let slope = (x[i] - x[i - 1]) / (t[i] - t[i - 1]);
    let mut low = i - 1;
    let mut high = i;
    while low > 0 && (straight - t[low - 1] <= reach || high - low < 3) {
        low -= 1;
    }
    while high + 1 < t.len() && (t[high + 1] - straight <= reach || high - low < 3) {
        high += 1;
    }
    if high - low < 3 {
        return Some((straight, slope));
    }
    let c = polynomial(&t[low..=high], &x[low..=high], straight, 2);
    // Newton on the fitted curve; falls back where it leaves the neighbourhood
    let mut s = 0.0;
    for _ in 0..20 {
        let d = c[1] + 2.0 * c[2] * s;
        if d.abs() < 1e-9 {
            break;
        }
        s -= (value(&c, s) - level) / d;
    }
    let limit = 1.5 * (t[i] - t[i - 1]);
    if s.is_finite() && s.abs() <= limit { Some((straight + s, c[1] + 2.0 * c[2] * s)) } else { Some((straight, slope)) }
}

/// Time and value of the extremum (largest for `sign` = 1, smallest for −1) near index `i`, by a parabola through the
/// samples within `reach` seconds (at least five).
pub fn extremum(t: &[f64], x: &[f64], i: usize, sign: f64, reach: f64) -> (f64, f64) {
    let (mut low, mut high) = (i, i);
    while low > 0 && (t[i] - t[low - 1] <= reach || i - low < 2) {
        low -= 1;
    }
    while high + 1 < t.len() && (t[high + 1] - t[i] <= reach || high - i < 2) {
        high += 1;
    }
    if high - low < 4 {
        return (t[i], x[i]);
    }
    let c = polynomial(&t[low..=high], &x[low..=high], t[i], 2);
    let s = -c[1] / (2.0 * c[2]);
    if c[2] * sign < 0.0 && s.is_finite() && s >= t[low] - t[i] && s <= t[high] - t[i] { (t[i] + s, value(&c, s)) } else { (t[i], x[i]) }
}

/// A straight line through noisy samples.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Line {
    origin: f64,
    level: f64,
    slope: f64,
    /// Standard error of the level in the middle of the samples, for samples that agree within groups taken as `groups`
    /// independent ones.
    pub se: f64,
}

impl Line {
    /// Value at a time.
    pub fn at(&self, time: f64) -> f64 {
        self.level + self.slope * (time - self.origin)
    }
}

/// Rounds of reweighting, and Huber's constant (95 % efficiency for normal errors; Huber 1964).
const ROUNDS: usize = 20;
const HUBER: f64 = 1.345;

/// Robust line (Huber's weights, iterated) through `(time, value, weight)` samples; a level one where all times agree.
/// `groups`: how many independent groups the samples form (looks at one frame err together). `None` without samples.
pub fn robust_line(samples: &[(f64, f64, f64)], groups: usize) -> Option<Line> {
    let origin = samples.iter().map(|s| s.0).sum::<f64>() / samples.len().max(1) as f64;
    let mut weights: Vec<f64> = samples.iter().map(|s| s.2).collect();
    let mut line = Line { origin, level: 0.0, slope: 0.0, se: 0.0 };
    for _ in 0..ROUNDS {
        let sum = |f: &dyn Fn(f64, f64) -> f64| samples.iter().zip(&weights).map(|(s, w)| w * f(s.0 - origin, s.1)).sum::<f64>();
        let (w, t, y) = (sum(&|_, _| 1.0), sum(&|t, _| t), sum(&|_, y| y));
        if w <= 0.0 {
            return None;
        }
        let (tt, ty) = (sum(&|t, _| t * t) - t * t / w, sum(&|t, y| t * y) - t * y / w);
        line.slope = if tt > 1e-12 * w { ty / tt } else { 0.0 };
        line.level = (y - line.slope * t) / w;
        let off: Vec<f64> = samples.iter().map(|s| (s.1 - line.at(s.0)).abs() * s.2.sqrt()).collect();
        let spread = (1.4826 * median(&off)).max(1e-9);
        for ((weight, sample), off) in weights.iter_mut().zip(samples).zip(&off) {
            *weight = sample.2 / (off / (HUBER * spread)).max(1.0);
        }
        line.se = spread / (w / samples.len() as f64).sqrt() / (groups.max(1) as f64).sqrt();
    }
    Some(line)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_robust_line_passes_by_gross_errors() {
        let mut samples: Vec<(f64, f64, f64)> = (0..20).map(|i| (f64::from(i), 3.0 + 0.5 * f64::from(i), 1.0)).collect();
        for i in [2, 9, 10] {
            samples[i].1 += 400.0;
        }
        let line = robust_line(&samples, 20).unwrap();
        assert!((line.at(0.0) - 3.0).abs() < 0.01 && (line.at(20.0) - 13.0).abs() < 0.01, "{line:?}");
        // plain least squares is far off: the errors are gross
        let c = polynomial(&samples.iter().map(|s| s.0).collect::<Vec<_>>(), &samples.iter().map(|s| s.1).collect::<Vec<_>>(), 0.0, 1);
        assert!((value(&c, 0.0) - 3.0).abs() > 10.0);
        let level = robust_line(&[(1.0, 4.0, 1.0), (1.0, 6.0, 1.0)], 1).unwrap();
        assert_eq!(level.at(9.0), 5.0);
        assert!(robust_line(&[], 0).is_none());
    }
}
