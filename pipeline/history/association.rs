//! What goes with what in a student's own clips: whether a sign that common practice holds for the root of a fault is larger where
//! the fault is larger. Ranks alone are used, so that no straight line need be believed, and the chance is counted over the orders
//! that the values could have come in. That two things go together does not say that one makes the other.
//!
//! What larger collections show is little: in an open table of 924 face-on shots of 8 golfers, ranked within golfer and club, the
//! shoulder tilt at address goes with the hip's shift at lead arm level by −.12 (Spearman), the width of the stance with the hip's
//! shift at the top by .28 (CaddieSet, Jung et al., CVPR 2025 workshops, 5988–5996, MIT licence; the ranks are computed from its
//! table). One student's clips may show more, or nothing.

use super::golfers::lead_side;
use super::sequential::holm;
use super::statistics::normal_cdf;
use super::trend::{ClubClass, value};
use crate::report::Report;
use crate::report::types::{Side, ViewKind};
use std::collections::BTreeMap;

/// A sign and what it is held for the root of, by metric.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pair {
    pub sign: &'static str,
    pub fault: &'static str,
}

/// Set-up and the way down, as in the roots, and the width of the stance.
pub const PAIRS: [Pair; 7] = [
    Pair { sign: "shoulder_tilt_address_deg", fault: "trail_hip_travel_cm" },
    Pair { sign: "spine_tilt_address_deg", fault: "trail_hip_travel_cm" },
    Pair { sign: "head_behind_centre_address_cm", fault: "trail_hip_travel_cm" },
    Pair { sign: "trail_knee_inside_address_cm", fault: "trail_hip_travel_cm" },
    Pair { sign: "stance_width_cm", fault: "trail_hip_travel_cm" },
    Pair { sign: "pelvis_shift_impact_cm", fault: "lead_elbow_bow_late_upper_arms" },
    Pair { sign: "lead_elbow_separation_impact_cm", fault: "lead_elbow_bow_late_upper_arms" },
];

/// Fewer clips are never asked.
pub const ENOUGH: usize = 6;
/// What stands out: chance, corrected for the number of pairs.
pub const STANDS_OUT: f64 = 0.05;

/// How a sign and a fault go together.
#[derive(Debug, Clone, PartialEq)]
pub struct Association {
    pub pair: Pair,
    /// Sign and fault of each clip, in the metrics' units.
    pub points: Vec<(f64, f64)>,
    /// Spearman's rank correlation, −1..1.
    pub rho: f64,
    /// Probability, if they had nothing to do with one another, of one at least as far from 0; corrected for the number of pairs.
    pub p: f64,
}

/// Those of one student's clips: of the largest group of one view, kind of club and side in front. `None` under six clips.
pub fn of_student<'a>(reports: impl IntoIterator<Item = &'a Report>) -> Option<Vec<Association>> {
    let mut alike: BTreeMap<(ViewKind, ClubClass, Option<Side>), Vec<&Report>> = BTreeMap::new();
    for report in reports {
        if let (true, Some(view)) = (report.usable, &report.view) {
            alike.entry((view.kind, ClubClass::of(&report.clip), lead_side(report))).or_default().push(report);
        }
    }
    let group = alike.into_values().max_by_key(Vec::len).filter(|g| g.len() >= ENOUGH)?;
    let mut all: Vec<Association> = PAIRS
        .into_iter()
        .filter_map(|pair| {
            let both = |r: &&Report| Some((value(r, pair.sign)?.value, value(r, pair.fault)?.value));
            let points: Vec<(f64, f64)> = group.iter().filter_map(both).collect();
            let (x, y): (Vec<f64>, Vec<f64>) = points.iter().copied().unzip();
            (points.len() >= ENOUGH).then(|| spearman(&x, &y)).flatten().map(|(rho, p)| Association { pair, points, rho, p })
        })
        .collect();
    let corrected = holm(&all.iter().map(|a| a.p).collect::<Vec<_>>(), all.len());
    all.iter_mut().zip(corrected).for_each(|(a, p)| a.p = p);
    Some(all)
}

/// The same over several students, within each: a sum of the students' rank correlations, weighted by their clips, against its
/// normal distribution if none went together (variance of one: 1 ÷ (n − 1)). Pair, weighted mean, corrected chance, students.
pub fn over_students(of_each: &[Vec<Association>]) -> Vec<(Pair, f64, f64, usize)> {
    let mut all: Vec<(Pair, f64, f64, usize)> = PAIRS
        .into_iter()
        .filter_map(|pair| {
            let found: Vec<&Association> = of_each.iter().flatten().filter(|a| a.pair == pair).collect();
            let weight = |a: &&Association| a.points.len() as f64 - 1.0;
            let total: f64 = found.iter().map(weight).sum();
            let mean = found.iter().map(|a| weight(a) * a.rho).sum::<f64>() / total;
            let z = mean * total.sqrt();
            (found.len() > 1).then(|| (pair, mean, 2.0 * normal_cdf(-z.abs()), found.len()))
        })
        .collect();
    let corrected = holm(&all.iter().map(|a| a.2).collect::<Vec<_>>(), all.len());
    all.iter_mut().zip(corrected).for_each(|(a, p)| a.2 = p);
    all
}

/// Ranks from 1, equal values sharing the mean of theirs.
fn ranks(x: &[f64]) -> Vec<f64> {
    let less = |v: f64| x.iter().filter(|o| **o < v).count() as f64;
    let equal = |v: f64| x.iter().filter(|o| **o == v).count() as f64;
    x.iter().map(|&v| less(v) + (equal(v) + 1.0) / 2.0).collect()
}

/// Up to so many values every order is counted, beyond it so many drawn ones.
const EVERY_ORDER: usize = 8;
const DRAWN: usize = 20_000;

/// Spearman's rank correlation of two series of one length, ties by their mean ranks, and the two-sided probability of one as far
/// from 0 over all orders of `y` (Spearman 1904, Am. J. Psychol. 15; a permutation test). Over eight values 20,000 orders are drawn,
/// always the same ones. `None` under three values, or where all of a series are equal.
pub fn spearman(x: &[f64], y: &[f64]) -> Option<(f64, f64)> {
    let n = x.len();
    if n < 3 || y.len() != n {
        return None;
    }
    let centred = |v: &[f64]| -> Vec<f64> { ranks(v).iter().map(|r| r - (n as f64 + 1.0) / 2.0).collect() };
    let (a, mut b) = (centred(x), centred(y));
    let size = |v: &[f64]| v.iter().map(|r| r * r).sum::<f64>();
    let scale = (size(&a) * size(&b)).sqrt();
    if scale <= 0.0 {
        return None;
    }
    let rho = |b: &[f64]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>() / scale;
    let seen = rho(&b);
    let as_far = |r: f64| r.abs() >= seen.abs() - 1e-9;
    let (mut far, mut of) = (0_usize, 0_usize);
    if n <= EVERY_ORDER {
        // Heap's order of all permutations
        let mut count = vec![0; n];
        (far, of) = (1, 1);
        let mut i = 0;
        while i < n {
            if count[i] < i {
                b.swap(if i % 2 == 0 { 0 } else { count[i] }, i);
                far += usize::from(as_far(rho(&b)));
                of += 1;
                count[i] += 1;
                i = 0;
            } else {
                count[i] = 0;
                i += 1;
            }
        }
    } else {
        let mut state = 0x9E37_79B9_7F4A_7C15_u64;
        let mut below = |n: usize| {
            state ^= state << 13;
            state ^= state >> 7;
            state ^= state << 17;
            (state >> 11) as usize % n
        };
        for _ in 0..DRAWN {
            (1..n).rev().for_each(|i| b.swap(i, below(i + 1)));
            far += usize::from(as_far(rho(&b)));
            of += 1;
        }
        // the order that was seen is one of them
        (far, of) = (far + 1, of + 1);
    }
    Some((seen, far as f64 / of as f64))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// SciPy 1.17.1, `stats.permutation_test` of `spearmanr` over all pairings; computed for these values.
    #[test]
    fn rank_correlation_and_its_chance_are_those_of_scipy() {
        let (rho, p) = spearman(&[4.1, 2.0, 6.3, 5.2, 1.1, 3.0], &[6.0, 7.9, 4.0, 5.1, 8.8, 7.9]).unwrap();
        assert!((rho + 0.985_610_760_609).abs() < 1e-9 && (p - 0.005_555_555_556).abs() < 1e-9, "with a tie: {rho} {p}");
        let (rho, p) = spearman(&[1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0], &[2.0, 1.0, 4.0, 3.0, 7.0, 5.0, 6.0, 8.0]).unwrap();
        assert!((rho - 0.880_952_380_952).abs() < 1e-9 && (p - 0.007_242_063_492).abs() < 1e-9, "{rho} {p}");
        // over eight values, by drawn orders: `spearmanr`, whose p here is of the t distribution
        let x: Vec<f64> = (0..12).map(f64::from).collect();
        let (rho, p) = spearman(&x, &[5.0, 9.0, 1.0, 7.0, 3.0, 12.0, 2.0, 8.0, 11.0, 4.0, 10.0, 6.0]).unwrap();
        assert!((rho - 0.230_769_230_769).abs() < 1e-9 && (p - 0.4705).abs() < 0.02, "{rho} {p}");
        let (_, p) = spearman(&x, &[3.0, 1.0, 2.0, 5.0, 4.0, 8.0, 6.0, 7.0, 11.0, 9.0, 12.0, 10.0]).unwrap();
        assert!(p < 0.0005);
        assert!(spearman(&[1.0, 2.0], &[1.0, 2.0]).is_none() && spearman(&[1.0; 5], &x[..5]).is_none());
    }

    /// Least rank correlations that are significant, two-sided .05: .886, .786, .738 for 6, 7 and 8 values (Zar, Biostatistical
    /// Analysis, table of Spearman's critical values; from memory). The next smaller one that can occur is not.
    #[test]
    fn critical_values_are_the_published_ones() {
        for (n, critical) in [(6_usize, 0.886), (7, 0.786), (8, 0.738)] {
            let x: Vec<f64> = (0..n).map(|i| i as f64).collect();
            let (mut significant, mut not) = (f64::INFINITY, 0.0_f64);
            let mut tried = std::collections::BTreeSet::new();
            // orders in which neighbours stand exchanged come by all correlations near the critical one
            for code in 0..20_000_usize {
                let (mut y, mut c) = (x.clone(), code);
                for i in (1..n).rev() {
                    y.swap(i, i - c % (i + 1).min(4));
                    c /= (i + 1).min(4);
                }
                let apart: f64 = x.iter().zip(&y).map(|(a, b)| (a - b).powi(2)).sum();
                let expected = 1.0 - 6.0 * apart / (n * (n * n - 1)) as f64;
                if (expected - critical).abs() < 0.08 && tried.insert(apart as u64) {
                    let (rho, p) = spearman(&x, &y).unwrap();
                    assert!((rho - expected).abs() < 1e-9, "by the sum of squared differences too");
                    if p <= 0.05 { significant = significant.min(rho) } else { not = not.max(rho) }
                }
            }
            assert!((significant - critical).abs() < 0.0006 && not < significant, "{n}: {significant}, {not}");
        }
    }
}
