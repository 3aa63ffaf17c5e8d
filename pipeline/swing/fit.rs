//! Short local fits: where a noisy series crosses a level or turns, between frames.

use crate::track::signal::solve;

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
