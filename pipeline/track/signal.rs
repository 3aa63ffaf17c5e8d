//! Small numerics for which no kept crate is sound: zero-phase low-pass, Savitzky–Golay, PCHIP, Hampel.
//! Each is checked against published or reference-library values in `tests/measures/published_values.rs`.

/// Second-order section, direct form: `b` and `a` with `a[0] = 1`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Biquad {
    pub b: [f64; 3],
    pub a: [f64; 3],
}

/// Second-order Butterworth low-pass by the bilinear transform.
///
/// `cut_off` and `rate` in Hz, `0 < cut_off < rate / 2` (clamped to 0.49 of `rate`).
pub fn butterworth(cut_off: f64, rate: f64) -> Biquad {
    section((std::f64::consts::PI * (cut_off / rate).min(0.49)).tan())
}

/// The same filter designed so that its gain is −3 dB at `cut_off` after a forward *and* a backward pass:
/// the warped frequency is divided by `(2^(1/2) − 1)^(1/4) = 0.802243`
/// (Winter, Biomechanics and Motor Control of Human Movement, dual-pass correction).
pub fn butterworth_dual_pass(cut_off: f64, rate: f64) -> Biquad {
    let correction = (2f64.sqrt() - 1.0).powf(0.25);
    let warped = (std::f64::consts::PI * (cut_off / rate).min(0.45)).tan() / correction;
    section(warped)
}

fn section(warped: f64) -> Biquad {
    let k2 = warped * warped;
    let root2 = std::f64::consts::SQRT_2;
    let norm = 1.0 / (1.0 + root2 * warped + k2);
    Biquad { b: [k2 * norm, 2.0 * k2 * norm, k2 * norm], a: [1.0, 2.0 * (k2 - 1.0) * norm, (1.0 - root2 * warped + k2) * norm] }
}

fn filter(f: &Biquad, x: &[f64], state: [f64; 2]) -> Vec<f64> {
    let [mut z0, mut z1] = state;
    x.iter()
        .map(|&v| {
            let y = f.b[0] * v + z0;
            z0 = f.b[1] * v - f.a[1] * y + z1;
            z1 = f.b[2] * v - f.a[2] * y;
            y
        })
        .collect()
}

/// Forward and backward filtering without phase shift, with odd extension of up to 9 samples at both ends and
/// steady-state start values. Input of any length; shorter input gets a shorter extension, 0 or 1 sample is returned as is.
pub fn zero_phase(f: &Biquad, x: &[f64]) -> Vec<f64> {
    let n = x.len();
    if n < 2 {
        return x.to_vec();
    }
    let pad = 9.min(n - 1);
    let mut extended = Vec::with_capacity(n + 2 * pad);
    extended.extend((1..=pad).rev().map(|i| 2.0 * x[0] - x[i]));
    extended.extend_from_slice(x);
    extended.extend((1..=pad).map(|i| 2.0 * x[n - 1] - x[n - 1 - i]));
    // steady state of the direct form for a unit step
    let z1 = f.b[2] - f.a[2];
    let z0 = f.b[1] - f.a[1] + z1;
    let pass = |v: &[f64]| filter(f, v, [z0 * v[0], z1 * v[0]]);
    let mut forward = pass(&extended);
    forward.reverse();
    let mut backward = pass(&forward);
    backward.reverse();
    backward[pad..pad + n].to_vec()
}

/// Savitzky–Golay weights of the middle point of a window of `2 * half + 1` equally spaced samples: the least-squares
/// polynomial of `degree`, its `derivative`-th derivative per sample step. Needs `degree <= 2 * half`.
pub fn savitzky_golay(half: usize, degree: usize, derivative: usize) -> Vec<f64> {
    let m = degree + 1;
    let offsets: Vec<f64> = (0..=2 * half).map(|i| i as f64 - half as f64).collect();
    let mut normal = vec![vec![0.0; m]; m];
    for (r, row) in normal.iter_mut().enumerate() {
        for (c, cell) in row.iter_mut().enumerate() {
            *cell = offsets.iter().map(|o| o.powi((r + c) as i32)).sum();
        }
    }
    let mut unit = vec![0.0; m];
    unit[derivative] = (1..=derivative).map(|k| k as f64).product();
    let solution = solve(normal, unit);
    offsets.iter().map(|o| (0..m).map(|k| solution[k] * o.powi(k as i32)).sum()).collect()
}

/// Solves a small dense linear system by Gaussian elimination with row exchange. A singular column gives zero.
pub fn solve(mut a: Vec<Vec<f64>>, mut y: Vec<f64>) -> Vec<f64> {
    let n = y.len();
    for col in 0..n {
        let pivot = (col..n).max_by(|&i, &j| a[i][col].abs().total_cmp(&a[j][col].abs())).unwrap_or(col);
        a.swap(col, pivot);
        y.swap(col, pivot);
        if a[col][col].abs() < 1e-12 {
            continue;
        }
        for row in col + 1..n {
            let factor = a[row][col] / a[col][col];
            let (upper, lower) = a.split_at_mut(row);
            for (target, source) in lower[0][col..].iter_mut().zip(&upper[col][col..]) {
                *target -= factor * source;
            }
            y[row] -= factor * y[col];
        }
    }
    let mut x = vec![0.0; n];
    for row in (0..n).rev() {
        let known: f64 = (row + 1..n).map(|c| a[row][c] * x[c]).sum();
        x[row] = if a[row][row].abs() < 1e-12 { 0.0 } else { (y[row] - known) / a[row][row] };
    }
    x
}

/// Monotone piecewise cubic (Fritsch–Carlson slopes with the three-point end rule), evaluated at `at`.
/// `x` strictly increasing, same length as `y`, at least one sample; outside the range the nearest end value.
pub fn pchip(x: &[f64], y: &[f64], at: &[f64]) -> Vec<f64> {
    let n = x.len();
    if n == 1 {
        return vec![y[0]; at.len()];
    }
    let slopes = pchip_slopes(x, y);
    at.iter()
        .map(|&t| {
            if t <= x[0] {
                return y[0];
            }
            if t >= x[n - 1] {
                return y[n - 1];
            }
            let i = x.partition_point(|&v| v <= t) - 1;
            let h = x[i + 1] - x[i];
            let s = (t - x[i]) / h;
            let (s2, s3) = (s * s, s * s * s);
            (2.0 * s3 - 3.0 * s2 + 1.0) * y[i]
                + (s3 - 2.0 * s2 + s) * h * slopes[i]
                + (3.0 * s2 - 2.0 * s3) * y[i + 1]
                + (s3 - s2) * h * slopes[i + 1]
        })
        .collect()
}

/// The slopes that [`pchip`] uses at each `x`.
pub fn pchip_slopes(x: &[f64], y: &[f64]) -> Vec<f64> {
    let n = x.len();
    let h: Vec<f64> = x.windows(2).map(|w| w[1] - w[0]).collect();
    let d: Vec<f64> = y.windows(2).zip(&h).map(|(w, h)| (w[1] - w[0]) / h).collect();
    if n == 2 {
        return vec![d[0]; 2];
    }
    let mut m = vec![0.0; n];
    for i in 1..n - 1 {
        if d[i - 1] * d[i] > 0.0 {
            let (w1, w2) = (2.0 * h[i] + h[i - 1], h[i] + 2.0 * h[i - 1]);
            m[i] = (w1 + w2) / (w1 / d[i - 1] + w2 / d[i]);
        }
    }
    let end = |h0: f64, h1: f64, d0: f64, d1: f64| {
        let slope = ((2.0 * h0 + h1) * d0 - h0 * d1) / (h0 + h1);
        if slope * d0 <= 0.0 {
            0.0
        } else if d0 * d1 <= 0.0 && slope.abs() > 3.0 * d0.abs() {
            3.0 * d0
        } else {
            slope
        }
    };
    m[0] = end(h[0], h[1], d[0], d[1]);
    m[n - 1] = end(h[n - 2], h[n - 3], d[n - 2], d[n - 3]);
    m
}

/// Hampel outliers: `true` where a sample is more than `3 · 1.4826 · MAD` from the median of the `2 * half + 1` samples
/// around it. `floor` (same unit as `x`) is the least spread assumed, so that a still golfer's tiny MAD flags nothing.
/// The first and last `half` samples are never flagged.
pub fn hampel(x: &[f64], half: usize, floor: f64) -> Vec<bool> {
    (0..x.len())
        .map(|i| {
            if i < half || i + half >= x.len() {
                return false;
            }
            let window = &x[i - half..=i + half];
            let middle = median(window);
            let spread: Vec<f64> = window.iter().map(|v| (v - middle).abs()).collect();
            (x[i] - middle).abs() > 3.0 * (1.4826 * median(&spread)).max(floor)
        })
        .collect()
}

/// Median; NaN for no samples.
pub fn median(x: &[f64]) -> f64 {
    quantile(x, 0.5)
}

/// Quantile with linear interpolation between order statistics; NaN for no samples.
pub fn quantile(x: &[f64], q: f64) -> f64 {
    if x.is_empty() {
        return f64::NAN;
    }
    let mut sorted = x.to_vec();
    sorted.sort_by(f64::total_cmp);
    let place = q * (sorted.len() - 1) as f64;
    let low = place.floor() as usize;
    let high = (low + 1).min(sorted.len() - 1);
    sorted[low] + (place - low as f64) * (sorted[high] - sorted[low])
}

/// 1.4826 × median absolute deviation: a robust standard deviation. NaN for no samples.
pub fn robust_sd(x: &[f64]) -> f64 {
    let middle = median(x);
    let spread: Vec<f64> = x.iter().map(|v| (v - middle).abs()).collect();
    1.4826 * median(&spread)
}

/// Low-passes unevenly timed samples: PCHIP onto an even grid at the median rate, [`zero_phase`], and back.
///
/// `t` strictly increasing seconds, `cut_off` Hz (−3 dB after both passes). Where the samples are too sparse for
/// the cut-off (rate below 2.2 × cut-off) they are returned unchanged.
pub fn smooth(t: &[f64], x: &[f64], cut_off: f64) -> Vec<f64> {
    if t.len() < 4 {
        return x.to_vec();
    }
    let steps: Vec<f64> = t.windows(2).map(|w| w[1] - w[0]).collect();
    let step = quantile(&steps, 0.25).max(1e-4);
    let rate = 1.0 / step;
    if rate < 2.2 * cut_off {
        return x.to_vec();
    }
    let count = ((t[t.len() - 1] - t[0]) / step).round() as usize + 1;
    let grid: Vec<f64> = (0..count).map(|i| t[0] + i as f64 * step).collect();
    let even = pchip(t, x, &grid);
    let filtered = zero_phase(&butterworth_dual_pass(cut_off, rate), &even);
    pchip(&grid, &filtered, t)
}
