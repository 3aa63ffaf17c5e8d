//! How well two ways to measure one thing agree: bias and limits of agreement (Bland & Altman 1986, Lancet 327:307–310), and how well
//! one agrees with itself. The paper's own example is a test below.

use crate::history::statistics::student_quantile;
use serde::Serialize;

/// A number with its 95 % interval.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct With {
    pub value: f64,
    pub low: f64,
    pub high: f64,
}

/// Differences, summed up.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Agreement {
    pub n: usize,
    /// Mean difference.
    pub bias: With,
    /// Standard deviation of the differences.
    pub sd: f64,
    /// Lower and upper limit of agreement: nineteen of twenty differences lie between them.
    pub limits: [With; 2],
}

/// Fewest differences that are summed up (the quantile of Student's t holds from four degrees of freedom on).
const LEAST: usize = 5;

/// Mean difference ± t·SD/√n, limits mean ± `width`·SD each ± t·√3·SD/√n, t of n − 1 degrees of freedom. The paper takes 2 for
/// `width` in its example, 1.96 is the normal quantile. `None` for fewer than five.
pub fn agreement(differences: &[f64], width: f64) -> Option<Agreement> {
    let n = differences.len();
    if n < LEAST {
        return None;
    }
    let count = n as f64;
    let mean = differences.iter().sum::<f64>() / count;
    let sd = (differences.iter().map(|d| (d - mean).powi(2)).sum::<f64>() / (count - 1.0)).sqrt();
    let t = student_quantile(0.975, count - 1.0);
    let with = |value: f64, se: f64| With { value, low: value - t * se, high: value + t * se };
    let limit = |side: f64| with(mean + side * width * sd, sd * (3.0 / count).sqrt());
    Some(Agreement { n, bias: with(mean, sd / count.sqrt()), sd, limits: [limit(-1.0), limit(1.0)] })
}

/// Standard deviation of one measurement about its own mean, from pairs of them: √(Σd²/2n). `None` for no pair.
pub fn within_sd(differences: &[f64]) -> Option<f64> {
    let n = differences.len() as f64;
    (n > 0.0).then(|| (differences.iter().map(|d| d * d).sum::<f64>() / (2.0 * n)).sqrt())
}

/// Two measurements of one thing differ by no more than this in nineteen of twenty: 2·√(Σd²/n) (the paper's coefficient).
pub fn repeatability(differences: &[f64]) -> Option<f64> {
    within_sd(differences).map(|s| 2.0 * std::f64::consts::SQRT_2 * s)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Peak flow by a large and a small meter, twice each (Bland & Altman 1986, doi 10.1016/S0140-6736(86)90837-8, their table; the
    /// figures of the paper, worked again to more digits).
    const LARGE: [[f64; 17]; 2] = [
        [494., 395., 516., 434., 476., 557., 413., 442., 650., 433., 417., 656., 267., 478., 178., 423., 427.],
        [490., 397., 512., 401., 470., 611., 415., 431., 638., 429., 420., 633., 275., 492., 165., 372., 421.],
    ];
    const SMALL: [[f64; 17]; 2] = [
        [512., 430., 520., 428., 500., 600., 364., 380., 658., 445., 432., 626., 260., 477., 259., 350., 451.],
        [525., 415., 508., 444., 500., 625., 460., 390., 642., 432., 420., 605., 227., 467., 268., 370., 443.],
    ];

    fn less(a: &[f64; 17], b: &[f64; 17]) -> Vec<f64> {
        a.iter().zip(b).map(|(a, b)| a - b).collect()
    }

    #[test]
    fn the_paper_s_example_comes_out_as_printed() {
        let d = less(&LARGE[0], &SMALL[0]);
        let near = |a: f64, b: f64, within: f64| assert!((a - b).abs() < within, "{a} for {b}");
        let two = agreement(&d, 2.0).unwrap();
        near(two.bias.value, -2.1176, 1e-4);
        near(two.sd, 38.7651, 1e-4);
        near(two.bias.low, -22.05, 0.01);
        near(two.bias.high, 17.81, 0.01);
        near(two.limits[0].value, -79.648, 1e-3);
        near(two.limits[1].value, 75.413, 1e-3);
        for (limit, low, high) in [(two.limits[0], -114.17, -45.13), (two.limits[1], 40.89, 109.93)] {
            near(limit.low, low, 0.02);
            near(limit.high, high, 0.02);
        }
        let normal = agreement(&d, 1.96).unwrap();
        near(normal.limits[0].value, -78.097, 1e-3);
        near(normal.limits[1].value, 73.862, 1e-3);
        for (meter, within, coefficient) in [(LARGE, 15.31, 43.29), (SMALL, 19.91, 56.32)] {
            let d = less(&meter[0], &meter[1]);
            near(within_sd(&d).unwrap(), within, 0.006);
            near(repeatability(&d).unwrap(), coefficient, 0.006);
        }
    }

    #[test]
    fn too_few_are_not_summed_up() {
        assert!(agreement(&[1.0, 2.0, 3.0, 4.0], 1.96).is_none() && agreement(&[1.0, 2.0, 3.0, 4.0, 5.0], 1.96).is_some());
        assert!(within_sd(&[]).is_none());
    }
}
