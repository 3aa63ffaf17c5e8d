//! Small statistics for a student's history: few clips, uneven dates, no normal errors to lean on.

use crate::track::signal::median;

/// Standard normal distribution function.
pub fn normal_cdf(z: f64) -> f64 {
    0.5 * libm::erfc(-z / std::f64::consts::SQRT_2)
}

/// Standard normal quantile of `p`, by halving an interval that holds it; `p` is kept within 1e-12..1−1e-12.
pub fn normal_quantile(p: f64) -> f64 {
    let p = p.clamp(1e-12, 1.0 - 1e-12);
    let (mut low, mut high) = (-8.0, 8.0);
    for _ in 0..80 {
        let middle = (low + high) / 2.0;
        if normal_cdf(middle) < p {
            low = middle;
        } else {
            high = middle;
        }
    }
    (low + high) / 2.0
}

/// Quantile of Student's t of `p` (0.5..1) with `freedom` degrees of freedom, at least 4, to a hundredth (Abramowitz & Stegun
/// 26.7.5).
pub fn student_quantile(p: f64, freedom: f64) -> f64 {
    let z = normal_quantile(p);
    let terms = [
        (z.powi(3) + z) / 4.0,
        (5.0 * z.powi(5) + 16.0 * z.powi(3) + 3.0 * z) / 96.0,
        (3.0 * z.powi(7) + 19.0 * z.powi(5) + 17.0 * z.powi(3) - 15.0 * z) / 384.0,
        (79.0 * z.powi(9) + 776.0 * z.powi(7) + 1482.0 * z.powi(5) - 1920.0 * z.powi(3) - 945.0 * z) / 92_160.0,
    ];
    terms.iter().rev().fold(0.0, |sum, term| (sum + term) / freedom) + z
}

/// A straight line through a history.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Line {
    /// Units of y a unit of t, with its interval.
    pub slope: f64,
    pub low: f64,
    pub high: f64,
    /// y at t = 0: median y − slope · median t (the other custom, the median residual, differs).
    pub intercept: f64,
}

impl Line {
    /// y on the line.
    pub fn at(&self, t: f64) -> f64 {
        self.intercept + self.slope * t
    }
}

/// Sum of k(k−1)(2k+5) over groups of k equal values; 0 without ties.
fn tie_term(x: &[f64]) -> f64 {
    let mut sorted = x.to_vec();
    sorted.sort_by(f64::total_cmp);
    let groups = sorted.chunk_by(|a, b| a == b).map(|g| g.len() as f64);
    groups.filter(|k| *k > 1.0).map(|k| k * (k - 1.0) * (2.0 * k + 5.0)).sum()
}

fn spread_of_s(n: usize, ties: f64) -> f64 {
    let n = n as f64;
    (n * (n - 1.0) * (2.0 * n + 5.0) - ties).max(0.0) / 18.0
}

/// Theil–Sen line of y on t (same length) with the interval of the slope at `confidence` (0..1).
///
/// The slope is the median of the slopes of all pairs with different t. Its interval is read off the ranked slopes at
/// (N ∓ z·√Var S)/2, S the Mann–Kendall score, ties in t and y taken out of its variance (Sen 1968, J. Am. Stat. Assoc. 63).
/// `None` without two different t.
pub fn theil_sen(t: &[f64], y: &[f64], confidence: f64) -> Option<Line> {
    let n = t.len().min(y.len());
    let mut slopes = Vec::new();
    for i in 0..n {
        for j in 0..n {
            if t[j] > t[i] {
                slopes.push((y[j] - y[i]) / (t[j] - t[i]));
            }
        }
    }
    if slopes.is_empty() {
        return None;
    }
    slopes.sort_by(f64::total_cmp);
    let slope = median(&slopes);
    let sd = spread_of_s(n, tie_term(&t[..n]) + tie_term(&y[..n])).sqrt();
    let reach = normal_quantile(0.5 + confidence / 2.0) * sd;
    let count = slopes.len() as f64;
    let last = count - 1.0;
    let low = ((count - reach) / 2.0).round_ties_even() - 1.0;
    let high = ((count + reach) / 2.0).round_ties_even();
    // both are clamped into the ranked slopes
    let at = |place: f64| slopes[place.clamp(0.0, last) as usize];
    Some(Line { slope, low: at(low), high: at(high), intercept: median(&y[..n]) - slope * median(&t[..n]) })
}

/// Mann–Kendall test of a series in time order.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct MannKendall {
    /// Pairs that rise − pairs that fall.
    pub s: i64,
    /// S ÷ number of pairs.
    pub tau: f64,
    /// Probability, with no trend, of a score at least this far from 0 on either side.
    pub two_sided: f64,
    /// The same on the side of S alone.
    pub one_sided: f64,
    /// Whether both are exact (no ties, at most 40 values) or by the normal approximation.
    pub exact: bool,
}

/// Longest series without ties whose probabilities are counted out.
const EXACT_UP_TO: usize = 40;

/// Mann–Kendall test (Mann 1945, Kendall 1975): exact probabilities from the number of orders with each score where there
/// are no ties and at most 40 values; otherwise Z = (S ∓ 1)/√Var S, Var S = [n(n−1)(2n+5) − Σ k(k−1)(2k+5)]/18.
/// `None` for fewer than two values.
pub fn mann_kendall(y: &[f64]) -> Option<MannKendall> {
    let n = y.len();
    if n < 2 {
        return None;
    }
    let mut s = 0i64;
    for i in 0..n {
        for j in i + 1..n {
            s += i64::from(y[j] > y[i]) - i64::from(y[j] < y[i]);
        }
    }
    let pairs = (n * (n - 1) / 2) as f64;
    let ties = tie_term(y);
    let exact = ties == 0.0 && n <= EXACT_UP_TO;
    let one_sided = if exact {
        share_at_least(n, s.abs())
    } else {
        let variance = spread_of_s(n, ties);
        if variance == 0.0 { 1.0 } else { 1.0 - normal_cdf(((s.abs() - 1).max(0)) as f64 / variance.sqrt()) }
    };
    Some(MannKendall { s, tau: s as f64 / pairs, two_sided: (2.0 * one_sided).min(1.0), one_sided, exact })
}

/// Share of the n! orders of n different values whose Mann–Kendall score is at least `s`: inversions are counted by
/// putting in one value after the other.
fn share_at_least(n: usize, s: i64) -> f64 {
    let pairs = n * (n - 1) / 2;
    let mut share = vec![0.0; pairs + 1];
    share[0] = 1.0;
    for size in 2..=n {
        // next[k] is the mean of share[k − size + 1 ..= k]: a window that slides
        let mut next = vec![0.0; pairs + 1];
        let mut window = 0.0_f64;
        for k in 0..=size * (size - 1) / 2 {
            window += share[k] - if k >= size { share[k - size] } else { 0.0 };
            next[k] = window.max(0.0) / size as f64;
        }
        share = next;
    }
    // k inversions give the score pairs − 2k
    let kept = share.iter().enumerate().filter(|(k, _)| pairs as i64 - 2 * *k as i64 >= s);
    kept.map(|(_, p)| p).sum::<f64>().min(1.0)
}

/// Exponentially weighted moving average with control limits.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Ewma {
    /// One for each value.
    pub values: Vec<f64>,
    pub low: f64,
    pub high: f64,
}

/// EWMA of `x` from `start`, weight `lambda` (0..1) on the newest, limits `start ± k·sd·√(λ/(2−λ))`
/// (asymptotic; NIST/SEMATECH e-Handbook 6.3.2.4). `sd` is that of a single value, in its unit.
pub fn ewma(x: &[f64], lambda: f64, start: f64, sd: f64, k: f64) -> Ewma {
    let mut last = start;
    let values = x
        .iter()
        .map(|v| {
            last = lambda * v + (1.0 - lambda) * last;
            last
        })
        .collect();
    let reach = k * sd * (lambda / (2.0 - lambda)).sqrt();
    Ewma { values, low: start - reach, high: start + reach }
}

/// Standard error of measurement from a standard deviation and a reliability (ICC, 0..1): SD·√(1−ICC) (Weir 2005).
pub fn sem(sd: f64, icc: f64) -> f64 {
    sd * (1.0 - icc).max(0.0).sqrt()
}

/// Standard error of measurement from two sessions of the same people (same length, at least two): √MSE of the people by
/// sessions table, which is the standard deviation of the differences ÷ √2 (Weir 2005). NaN for fewer than two people.
pub fn sem_of_sessions(first: &[f64], second: &[f64]) -> f64 {
    let d: Vec<f64> = first.iter().zip(second).map(|(a, b)| b - a).collect();
    let n = d.len() as f64;
    let mean = d.iter().sum::<f64>() / n;
    (d.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1.0) / 2.0).sqrt()
}

/// Minimal detectable change at 95 %: 1.96·√2·SEM, the least difference of two readings that is more than their error.
pub fn minimal_detectable_change(sem: f64) -> f64 {
    1.96 * std::f64::consts::SQRT_2 * sem
}

/// Standard deviation of residuals from their median distance to 0, which few odd ones cannot move: 1.4826·MAD (normal
/// values; Hampel 1974).
pub fn spread_about(residuals: impl Iterator<Item = f64>) -> f64 {
    1.4826 * median(&residuals.map(f64::abs).collect::<Vec<_>>())
}

/// Root mean square; NaN for no values.
pub fn root_mean_square(x: &[f64]) -> f64 {
    (x.iter().map(|v| v * v).sum::<f64>() / x.len() as f64).sqrt()
}

/// Wilson's 95 % interval of a share, `hits` of `total` (Newcombe 1998, method 3). 0..1 where there was no trial.
pub fn wilson(hits: usize, total: usize) -> (f64, f64) {
    if total == 0 {
        return (0.0, 1.0);
    }
    let (n, z) = (total as f64, normal_quantile(0.975));
    let p = hits as f64 / n;
    let middle = p + z * z / (2.0 * n);
    let reach = z * (p * (1.0 - p) / n + z * z / (4.0 * n * n)).sqrt();
    let whole = 1.0 + z * z / n;
    (((middle - reach) / whole).max(0.0), ((middle + reach) / whole).min(1.0))
}
