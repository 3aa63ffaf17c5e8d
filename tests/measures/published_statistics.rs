//! Statistics of a student's history against published examples. Each check names where its numbers come from.

use dawnsheet::history::sequential::{holm, sequential_ranks};
use dawnsheet::history::statistics::*;

#[track_caller]
fn close(ours: f64, published: f64, within: f64) {
    assert!((ours - published).abs() <= within, "ours {ours}, published {published}");
}

/// Data and results: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4 (EWMA control charts).
#[test]
fn ewma_of_the_nist_handbook() {
    let x = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1];
    let published = [
        50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23,
        51.94, 51.99,
    ];
    let ours = ewma(&x, 0.3, 50.0, 2.0539, 3.0);
    assert_eq!(ours.values.len(), published.len());
    for (o, p) in ours.values.iter().zip(published) {
        close(*o, p, 0.00501);
    }
    close(ours.high, 52.5884, 0.0001);
    // printed as 47.4115 there, cut off rather than rounded
    close(ours.low, 47.41157, 0.0001);
    assert!(ours.values.iter().all(|z| (ours.low..ours.high).contains(z)), "no signal in the handbook's example");
}

/// Data: Sen 1968, J. Am. Stat. Assoc. 63:1379. Slope as published; the interval printed there is known to be wrong, so
/// this one is recomputed with scipy 1.17 (`theilslopes`, 93 %).
#[test]
fn theil_sen_of_sen_1968() {
    let t = [1.0, 2.0, 3.0, 4.0, 10.0, 12.0, 18.0];
    let y = [9.0, 15.0, 19.0, 20.0, 45.0, 55.0, 78.0];
    let line = theil_sen(&t, &y, 0.93).unwrap();
    close(line.slope, 4.0, 1e-12);
    close(line.low, 26.0 / 7.0, 1e-12);
    close(line.high, 35.0 / 8.0, 1e-12);
    // median y − slope · median t (the median residual would be 6)
    close(line.intercept, 4.0, 1e-12);
    assert_eq!(mann_kendall(&y).unwrap().s, 21);
}

/// Data and results: the example of `ci.theil` in the R package statpsych; scipy 1.17 agrees.
#[test]
fn theil_sen_with_ties() {
    let y = [21.0, 4.0, 9.0, 12.0, 35.0, 18.0, 10.0, 22.0, 24.0, 1.0, 6.0, 8.0, 13.0, 16.0, 19.0];
    let x = [67.0, 28.0, 30.0, 28.0, 52.0, 40.0, 25.0, 37.0, 44.0, 10.0, 14.0, 20.0, 28.0, 40.0, 51.0];
    let line = theil_sen(&x, &y, 0.95).unwrap();
    close(line.slope, 0.5, 1e-12);
    close(line.low, 0.32432, 0.000005);
    close(line.high, 0.75, 1e-12);
}

/// EPA QA/G-9 example (numbers from memory, recomputed); Hollander & Wolfe example (from memory, recomputed); outlier
/// example of Helsel & Hirsch (from memory, medium confidence, recomputed).
#[test]
fn mann_kendall_of_small_series() {
    let five = [1.0, 2.0, 3.0, 4.0, 5.0];
    let epa = [5.0, 6.0, 11.0, 8.0, 10.0];
    let test = mann_kendall(&epa).unwrap();
    assert_eq!((test.s, test.exact), (6, true));
    close(test.one_sided, 0.1167, 0.00005);
    close(theil_sen(&five, &epa, 0.95).unwrap().slope, 1.125, 1e-12);

    let falling = [1.26, 1.27, 1.12, 1.16, 1.03];
    assert_eq!(mann_kendall(&falling).unwrap().s, -6);
    close(theil_sen(&five, &falling, 0.95).unwrap().slope, -0.05625, 1e-12);

    let outlier = [1.0, 2.0, 3.0, 4.0, 5.0, 16.0, 7.0];
    let test = mann_kendall(&outlier).unwrap();
    assert_eq!(test.s, 19);
    close(test.tau, 0.905, 0.0005);
    close(test.one_sided, 0.00139, 0.000005);
    let t: Vec<f64> = (1..=7).map(f64::from).collect();
    close(theil_sen(&t, &outlier, 0.95).unwrap().slope, 1.0, 1e-12);
}

/// A series of n different values with Mann–Kendall score `s`: each value put in so far back that the inversions add up.
fn series_with_score(n: usize, s: i64) -> Vec<f64> {
    let mut inversions = (n * (n - 1) / 2) as i64 - s;
    assert_eq!(inversions % 2, 0, "scores of {n} values have another parity than {s}");
    inversions /= 2;
    let mut y: Vec<f64> = Vec::new();
    for value in 0..n {
        let back = inversions.clamp(0, value as i64);
        y.insert(value - back as usize, value as f64);
        inversions -= back;
    }
    y
}

/// Critical |S| of the Mann–Kendall test: computed, agreeing with the one-sided table in EarthSoft's manual; the two-sided
/// values computed.
#[test]
fn exact_mann_kendall_table() {
    let one_sided = [(4, 6, 0.0417), (5, 8, 0.0417), (6, 11, 0.0278), (7, 13, 0.0345), (8, 16, 0.0305), (9, 18, 0.0376), (10, 21, 0.0363)];
    for (n, s, p) in one_sided {
        let test = mann_kendall(&series_with_score(n, s)).unwrap();
        assert_eq!(test.s, s, "n = {n}");
        close(test.one_sided, p, 0.00005);
        assert!(mann_kendall(&series_with_score(n, s - 2)).unwrap().one_sided > 0.05, "n = {n}: {s} is the least significant score");
    }
    for (n, s) in [(5, 10), (6, 13), (7, 15), (8, 18), (9, 20), (10, 23)] {
        assert!(mann_kendall(&series_with_score(n, s)).unwrap().two_sided <= 0.05, "n = {n}");
        assert!(mann_kendall(&series_with_score(n, s - 2)).unwrap().two_sided > 0.05, "n = {n}");
    }
    // three values are never significant, four never two-sided
    assert!(mann_kendall(&[1.0, 2.0, 3.0]).unwrap().one_sided > 0.05);
    close(mann_kendall(&[1.0, 2.0, 3.0, 4.0]).unwrap().two_sided, 1.0 / 12.0, 1e-12);
}

/// Ties: Var S = [n(n−1)(2n+5) − Σ k(k−1)(2k+5)]/18 and Z = (S ∓ 1)/√Var S, worked out by hand for 1 1 2 3 4 4:
/// S = 13, Var = (6·5·17 − 2·2·1·9)/18 = 26.333, Z = 12/5.1316 = 2.3384, two-sided p = 0.01936 (computed).
#[test]
fn mann_kendall_with_ties_uses_the_corrected_variance() {
    let test = mann_kendall(&[1.0, 1.0, 2.0, 3.0, 4.0, 4.0]).unwrap();
    assert_eq!((test.s, test.exact), (13, false));
    close(test.two_sided, 0.01936, 0.00002);
    assert_eq!(mann_kendall(&[2.0, 2.0, 2.0, 2.0, 2.0]).unwrap().two_sided, 1.0);
}

/// SEM and MDC: Weir 2005, J. Strength Cond. Res. 19:231 (abstract seen; data from memory, medium confidence, recomputed).
#[test]
fn standard_error_and_minimal_detectable_change() {
    close(sem(10.0, 0.90), 3.1623, 0.00005);
    close(minimal_detectable_change(sem(10.0, 0.90)), 8.7654, 0.0001);
    close(minimal_detectable_change(1.0), 2.7719, 0.0001);
    let a1 = [146.0, 148.0, 170.0, 90.0, 157.0, 156.0, 176.0, 205.0];
    let a2 = [140.0, 152.0, 152.0, 99.0, 145.0, 153.0, 167.0, 218.0];
    let error = sem_of_sessions(&a1, &a2);
    close(error.powi(2), 57.107, 0.0005);
    close(error, 7.557, 0.0005);
    close(minimal_detectable_change(error), 20.95, 0.005);
    // the same differences in people who are alike: the same error, whatever the ICC says
    let b1 = [166.0, 168.0, 160.0, 150.0, 147.0, 146.0, 156.0, 155.0];
    let b2 = [160.0, 172.0, 142.0, 159.0, 135.0, 143.0, 147.0, 168.0];
    close(sem_of_sessions(&b1, &b2), error, 1e-9);
}

/// Student's t: any table (these from memory, recomputed by integrating the density).
#[test]
fn quantiles_of_students_t() {
    for (p, freedom, t) in [(0.975, 10.0, 2.228), (0.995, 4.0, 4.604), (0.995, 8.0, 3.355), (0.995, 30.0, 2.750)] {
        close(student_quantile(p, freedom), t, 0.02);
    }
}

/// Worked out by hand from the definition (bets of weight 1, 4 and 16, a third of the wealth each). The second of two is the
/// larger: factors 1.4621, 1.9640, 2.0000. The third is the largest: 1.6882, 2.7925, 2.9999, and so on.
#[test]
fn sequential_ranks_by_hand() {
    let two = sequential_ranks(&[1.0, 2.0]);
    close(two.rising, 3.0 / (1.4621 + 1.9640 + 2.0000), 1e-5);
    // (1.4621·1.6882 + 1.9640·2.7925 + 2.0000·2.9999)/3
    close(sequential_ranks(&[1.0, 2.0, 3.0]).rising, 1.0 / 4.6509, 1e-5);
    let six = sequential_ranks(&[1.0, 2.0, 3.0, 4.0, 5.0, 6.0]);
    close(six.rising, 1.0 / 355.573, 1e-7);
    close(six.two_sided(), 2.0 / 355.573, 1e-7);
    assert!(six.is_rise() && six.falling == 1.0);
    // what was earned once stays, whatever comes after
    assert_eq!(sequential_ranks(&[1.0, 2.0, 0.0]).rising, two.rising);
}

/// The chance of ever reaching p is at most p: all 5,040 orders of seven values, looked at after each value, either direction.
#[test]
fn an_order_by_chance_is_called_one_no_oftener_than_said() {
    let mut orders = vec![vec![]];
    for v in 0..7 {
        orders =
            orders.into_iter().flat_map(|o: Vec<f64>| (0..=o.len()).map(move |i| [&o[..i], &[f64::from(v)], &o[i..]].concat())).collect();
    }
    assert_eq!(orders.len(), 5040);
    for level in [0.01, 0.05, 0.1, 0.2, 0.5] {
        let share = |hit: &dyn Fn(&[f64]) -> bool| orders.iter().filter(|o| hit(o)).count() as f64 / 5040.0;
        let (rising, falling) = (share(&|o| sequential_ranks(o).rising <= level), share(&|o| sequential_ranks(o).falling <= level));
        assert!(rising <= level && falling <= level, "{level}: {rising} {falling}");
        let either = share(&|o| sequential_ranks(o).two_sided() <= level);
        assert!(either <= level && either > 0.0, "{level}: {either}");
    }
    // ties never help
    let tied = sequential_ranks(&[1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0]);
    assert_eq!((tied.rising, tied.falling), (1.0, 1.0));
    assert!(sequential_ranks(&[1.0, 2.0, 2.0, 3.0]).rising > sequential_ranks(&[1.0, 2.0, 2.5, 3.0]).rising);
}

/// Holm 1979, Scand. J. Stat. 6:65, as `p.adjust(p, \"holm\")` of R corrects these (recomputed by hand).
#[test]
fn holm_of_four() {
    let ours = holm(&[0.01, 0.04, 0.03, 0.005], 4);
    for (o, p) in ours.iter().zip([0.03, 0.06, 0.06, 0.02]) {
        close(*o, p, 1e-12);
    }
    // one that is not there counts as any other
    close(holm(&[0.01, 0.04], 5)[0], 0.05, 1e-12);
    close(holm(&[0.01, 0.04], 5)[1], 0.16, 1e-12);
    assert_eq!(holm(&[0.9, 0.8], 5), [1.0, 1.0]);
}

/// Wilson's interval: Newcombe 1998, Stat. Med. 17:857, table of examples; the last two computed.
#[test]
fn wilson_of_newcombe_1998() {
    for (hits, total, low, high) in [
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0.0, 0.1611),
        (1, 29, 0.0061, 0.1718),
        (10, 10, 0.7225, 1.0),
        (9, 10, 0.5958, 0.9821),
    ] {
        let ours = wilson(hits, total);
        close(ours.0, low, 0.00006);
        close(ours.1, high, 0.00006);
    }
    assert_eq!(wilson(0, 0), (0.0, 1.0));
}
