//! Numerics and geometry against values from outside this project; the source stands beside each check.

use dawnsheet::measure::names;
use dawnsheet::swing::body::{flexion_deg, signed_distance};
use dawnsheet::swing::events::tolerance_frames;
use dawnsheet::swing::scale::LEG_SHARE;
use dawnsheet::track::signal::*;

fn close(ours: &[f64], published: &[f64], tolerance: f64) {
    assert_eq!(ours.len(), published.len());
    for (i, (a, b)) in ours.iter().zip(published).enumerate() {
        assert!((a - b).abs() <= tolerance, "value {i}: ours {a}, published {b}");
    }
}

/// scipy 1.17, scipy.signal.butter(2, 2 * fc / fs).
#[test]
fn butterworth_coefficients() {
    let f = butterworth(6.0, 60.0);
    close(&f.b, &[0.06745527, 0.13491055, 0.06745527], 1e-8);
    close(&f.a, &[1.0, -1.14298050, 0.41280160], 1e-8);
    let f = butterworth(10.0, 240.0);
    close(&f.b, &[0.01440144, 0.02880288, 0.01440144], 1e-8);
    close(&f.a, &[1.0, -1.63299316, 0.69059892], 1e-8);
}

/// Winter's dual-pass correction, formula as in rdrr.io/github/Kneerav/biomechanics; coefficients by scipy 1.17.
#[test]
fn dual_pass_correction() {
    let f = butterworth_dual_pass(6.0, 60.0);
    close(&f.b, &[0.09444674, 0.18889349, 0.09444674], 1e-8);
    close(&f.a, &[1.0, -0.96264131, 0.34042828], 1e-8);
    // both passes together have a gain of -3 dB (0.70711, the root of one half) at the cut-off
    for (cut_off, rate) in [(6.0, 60.0), (10.0, 120.0), (10.0, 240.0), (6.0, 30.0)] {
        let f = butterworth_dual_pass(cut_off, rate);
        let w = 2.0 * std::f64::consts::PI * cut_off / rate;
        let power = |c: &[f64; 3]| {
            let re = c[0] + c[1] * w.cos() + c[2] * (2.0 * w).cos();
            let im = -c[1] * w.sin() - c[2] * (2.0 * w).sin();
            re * re + im * im
        };
        assert!((power(&f.b) / power(&f.a) - std::f64::consts::FRAC_1_SQRT_2).abs() < 1e-5);
    }
}

/// scipy 1.17, scipy.signal.filtfilt with its default padding.
#[test]
fn zero_phase_step() {
    let step: Vec<f64> = (0..20).map(|i| f64::from(i >= 10)).collect();
    let published = [
        -0.001891, -0.007748, -0.016872, -0.027946, -0.036506, -0.033380, -0.003990, 0.069815, 0.202973, 0.392873, 0.607127, 0.797027,
        0.930184, 1.003990, 1.033380, 1.036506, 1.027946, 1.016873, 1.007749, 1.001893,
    ];
    close(&zero_phase(&butterworth(6.0, 60.0), &step), &published, 2e-6);
}

#[test]
fn short_input_is_filtered_without_panic() {
    for n in 0..12 {
        let x = vec![3.5; n];
        close(&zero_phase(&butterworth(6.0, 60.0), &x), &x, 1e-9);
    }
}

/// Savitzky and Golay 1964 (from memory; recomputed with scipy 1.17).
#[test]
fn savitzky_golay_weights() {
    let scaled = |w: Vec<f64>, by: f64| w.iter().map(|v| v * by).collect::<Vec<_>>();
    close(&scaled(savitzky_golay(2, 2, 0), 35.0), &[-3.0, 12.0, 17.0, 12.0, -3.0], 1e-9);
    close(&scaled(savitzky_golay(3, 2, 0), 21.0), &[-2.0, 3.0, 6.0, 7.0, 6.0, 3.0, -2.0], 1e-9);
    close(&scaled(savitzky_golay(4, 2, 0), 231.0), &[-21.0, 14.0, 39.0, 54.0, 59.0, 54.0, 39.0, 14.0, -21.0], 1e-8);
    close(&scaled(savitzky_golay(3, 4, 0), 231.0), &[5.0, -30.0, 75.0, 131.0, 75.0, -30.0, 5.0], 1e-8);
    close(&scaled(savitzky_golay(2, 2, 1), 10.0), &[-2.0, -1.0, 0.0, 1.0, 2.0], 1e-9);
    close(&scaled(savitzky_golay(2, 2, 2), 7.0), &[2.0, -1.0, -2.0, -1.0, 2.0], 1e-9);
}

/// Worked example of rdrr.io/cran/pracma/man/hampel.html's rule, recomputed.
#[test]
fn hampel_flags_the_outlier_alone() {
    let x = [1.0, 1.1, 0.9, 1.0, 10.0, 1.05, 0.95, 1.0, 1.0];
    let flagged: Vec<usize> = hampel(&x, 2, 0.0).iter().enumerate().filter(|(_, f)| **f).map(|(i, _)| i).collect();
    assert_eq!(flagged, [4]);
    // a still golfer: MAD 0 flags nothing below the floor
    assert!(hampel(&[0.0, 0.0, 0.0, 0.4, 0.0, 0.0, 0.0], 2, 0.5).iter().all(|f| !f));
}

/// scipy 1.17, scipy.interpolate.PchipInterpolator.
#[test]
fn pchip_values_and_slopes() {
    let (x, y) = ([0.0, 1.0, 2.0, 5.0, 6.0], [0.0, 1.0, 4.0, 10.0, 10.0]);
    close(&pchip(&x, &y, &[3.0, 4.0]), &[6.659004, 8.996169], 1e-6);
    close(&pchip_slopes(&x, &y), &[0.0, 1.5, 2.482759, 0.0, 0.0], 1e-6);
    let fine: Vec<f64> = (0..=600).map(|i| f64::from(i) / 100.0).collect();
    assert!(pchip(&x, &y, &fine).iter().all(|v| (-1e-9..=10.0 + 1e-9).contains(v)), "no overshoot");
}

/// GolfDB, McNally et al. 2019, arXiv:1903.06528: tolerance max(round((impact - address) / 30), 1) frames with numpy's
/// rounding, half to even. 1.07 s from address to impact at 30, 60, 120, 240 frames a second.
#[test]
fn event_tolerance() {
    let ours: Vec<usize> = [30.0, 60.0, 120.0, 240.0].iter().map(|fps| tolerance_frames((1.07f64 * fps).round())).collect();
    assert_eq!(ours, [1, 2, 4, 9]);
    assert_eq!(tolerance_frames(75.0), 2, "75 / 30 = 2.5 rounds to even");
    assert_eq!(tolerance_frames(3.0), 1);
}

/// Tempo quantisation of a true 3.0 (time back 0.8 s) when both ends are a frame off; computed, numpy.
#[test]
fn tempo_quantisation() {
    for (fps, low, high) in [(30.0, 2.56, 3.57), (60.0, 2.76, 3.27), (120.0, 2.88, 3.13), (240.0, 2.94, 3.06)] {
        // one frame at the top moves time from one part to the other; 0.8 s and 0.8 / 3 s
        let (back, down) = (0.8 * fps, 0.8 * fps / 3.0);
        let ratio = |d: f64| (back - d) / (down + d);
        assert!((ratio(1.0) - low).abs() < 0.02, "{fps}: {}", ratio(1.0));
        assert!((ratio(-1.0) - high).abs() < 0.02, "{fps}: {}", ratio(-1.0));
    }
}

/// Drillis and Contini (Winter, fig. 4.1): upper arm .186 H, biacromial .259 H; an upper arm held out in the picture plane
/// by phi from the trunk line: separation / biacromial = 0.718 sin(phi).
#[test]
fn elbow_separation_geometry() {
    for (phi, share) in [(10.0f64, 0.125), (20.0, 0.246), (30.0, 0.359), (45.0, 0.508), (60.0, 0.622), (90.0, 0.718)] {
        let a = phi.to_radians();
        let elbow = [0.186 * a.sin(), -0.186 * a.cos()];
        let separation = signed_distance(elbow, [0.0, 0.0], [0.0, -0.288]);
        assert!((separation / 0.259 - share).abs() < 0.001, "{phi}: {}", separation / 0.259);
    }
}

/// A flexed elbow whose bending plane is turned from the picture reads straighter (computed, numpy).
#[test]
fn elbow_projection() {
    for (true_angle, readings) in [(160.0, [160.6, 162.5, 165.6]), (150.0, [150.9, 153.4, 157.8]), (180.0, [180.0, 180.0, 180.0])] {
        for (turn, reading) in [15.0f64, 30.0, 45.0].iter().zip(readings) {
            // the bending plane turns about the upper arm
            let bend = (180.0f64 - true_angle).to_radians();
            let hand = [bend.cos(), bend.sin() * turn.to_radians().cos()];
            let seen = 180.0 - flexion_deg([-1.0, 0.0], [0.0, 0.0], hand);
            assert!((seen - reading).abs() < 0.06, "{true_angle} turned {turn}: {seen}");
        }
    }
}

/// de Leva 1996 (thigh .2425, shank .2493 of stature) against Drillis and Contini (.245, .246): the leg agrees within 1 %.
#[test]
fn leg_share_of_stature() {
    assert!((LEG_SHARE - (0.2425 + 0.2493)).abs() < 1e-12);
    assert!((LEG_SHARE / (0.245 + 0.246) - 1.0).abs() < 0.01);
}

#[test]
fn metric_names_are_distinct() {
    let mut all: Vec<&str> = names::ALL.iter().map(|m| m.name).collect();
    all.sort_unstable();
    all.dedup();
    assert_eq!(all.len(), names::ALL.len());
}
