//! Marker positions over time, tab-delimited, for programs of biomechanics.
//!
//! Source: OpenSim documentation, "Marker (.trc) Files": three header rows, two rows of column labels, an empty row, then a
//! row a frame of number, time and x, y, z of each marker. Here x points right and y up in the picture, from its lower left
//! corner, and z is 0: one camera sees no depth.
//!
//! A swing is looked at densely where it matters and sparsely elsewhere, but the format has one rate, which readers take for the
//! rate of the rows: here the footage's, in real time. Between looks that stand near each other places are interpolated;
//! where no look is near the markers are blank, as the format has it for a marker that was not seen.

use super::each;
use crate::report::Report;
use crate::seen::Seen;
use crate::seen::keypoints::{Look, NAMES};
use crate::track::signal::median;

/// Body points of the model; the two after them describe its region.
const MARKERS: usize = 33;

/// The file of a clip's main swing, or why there is none. Positions in millimetres by the report's scale, to 0.01 mm.
pub fn file(report: &Report, seen: &Seen) -> Result<String, &'static str> {
    let main = report.swings.iter().find(|s| s.main).ok_or("no swing was measured in it")?;
    let scale = main.scale.as_ref().ok_or("its scale is not known")?;
    let top = main.events.top.or(main.events.impact).ok_or("neither top nor impact was found")?;
    let rows = run_around(each(&seen.body).collect(), top.time_s);
    let usual = seen.about.interval_median_s;
    if rows.len() < 2 || usual <= 0.0 {
        return Err("fewer than two pictures of its swing are kept");
    }
    let slowness = report.video.as_ref().map_or(1.0, |v| v.playback_factor.value);
    let (first, start) = (rows[0].0, rows[0].1);
    // containers round each picture's time; over the whole swing that is nothing
    let span = rows[rows.len() - 1].1 - start;
    let steps = (span / usual).round().max(1.0);
    let (count, interval) = (1 + steps as usize, span / steps);
    let rate = slowness / interval;
    let mut text = format!("PathFileType\t4\t(X/Y/Z)\t{}.trc\n", report.clip.id);
    text.push_str("DataRate\tCameraRate\tNumFrames\tNumMarkers\tUnits\tOrigDataRate\tOrigDataStartFrame\tOrigNumFrames\n");
    text.push_str(&format!("{rate:.4}\t{rate:.4}\t{count}\t{MARKERS}\tmm\t{rate:.4}\t{first}\t{count}\n"));
    text.push_str(&format!("Frame#\tTime\t{}\n\t", NAMES[..MARKERS].join("\t\t\t")));
    for m in 1..=MARKERS {
        text.push_str(&format!("\tX{m}\tY{m}\tZ{m}"));
    }
    text.push_str("\n\n");
    let mm = 10.0 * scale.cm_per_px;
    let bottom = f64::from(seen.about.height) - 1.0;
    for k in 0..count {
        let time = start + k as f64 * interval;
        text.push_str(&format!("{}\t{:.6}", first + k, time / slowness));
        match beside(&rows, time, interval) {
            None => text.push_str(&"\t".repeat(3 * MARKERS)),
            Some((a, b, share)) => {
                for (p, q) in a.points[..MARKERS].iter().zip(&b.points[..MARKERS]) {
                    let at = |p: f32, q: f32| f64::from(p) + share * f64::from(q - p);
                    text.push_str(&format!("\t{:.2}\t{:.2}\t0", at(p.x, q.x) * mm, (bottom - at(p.y, q.y)) * mm));
                }
            }
        }
        text.push('\n');
    }
    Ok(text)
}

/// Looks that stand further apart than this many pictures are not interpolated between.
const NEAR: f64 = 3.5;

/// The looks on both sides of a time and where it lies between them, 0..1; `None` where they stand too far apart.
fn beside<'a>(rows: &[(usize, f64, &'a Look)], time: f64, interval: f64) -> Option<(&'a Look, &'a Look, f64)> {
    // a look of this picture is taken as it is: times are rounded, and of some phones uneven
    if let Some((_, _, look)) = rows.iter().find(|(_, t, _)| (t - time).abs() < 0.05 * interval) {
        return Some((look, look, 0.0));
    }
    let after = rows.partition_point(|(_, t, _)| *t < time);
    let (a, b) = (rows.get(after.checked_sub(1)?)?, rows.get(after)?);
    (b.1 - a.1 <= NEAR * interval).then(|| (a.2, b.2, (time - a.1) / (b.1 - a.1)))
}

/// The looks without a long gap between them that hold, or come nearest to, this time.
fn run_around(rows: Vec<(usize, f64, &Look)>, time_s: f64) -> Vec<(usize, f64, &Look)> {
    let steps: Vec<f64> = rows.windows(2).map(|w| w[1].1 - w[0].1).collect();
    let long = 5.0 * median(&steps);
    let away = |run: &[(usize, f64, &Look)]| match (run.first(), run.last()) {
        (Some(a), Some(b)) => (a.1 - time_s).max(time_s - b.1).max(0.0),
        _ => f64::INFINITY,
    };
    let runs = rows.chunk_by(|a, b| b.1 - a.1 <= long);
    runs.min_by(|a, b| away(a).total_cmp(&away(b))).map(<[_]>::to_vec).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::seen::keypoints::{POINTS, Point};

    #[test]
    fn near_looks_are_interpolated_and_a_gap_stays_one() {
        let look = |x: f32| Look { flag: 1.0, points: [Point { x, ..Point::default() }; POINTS] };
        let looks: Vec<Look> = [0.0, 1.0, 3.0, 10.0].map(look).to_vec();
        let rows: Vec<(usize, f64, &Look)> = looks.iter().map(|l| (l.points[0].x as usize, f64::from(l.points[0].x) / 60.0, l)).collect();
        let at = |picture: f64| {
            let (a, b, share) = beside(&rows, picture / 60.0, 1.0 / 60.0)?;
            Some(f64::from(a.points[0].x) + share * f64::from(b.points[0].x - a.points[0].x))
        };
        for picture in [0.0, 1.0, 2.0, 3.0, 10.0] {
            assert!((at(picture).unwrap() - picture).abs() < 1e-6, "{picture}");
        }
        assert_eq!((at(4.0), at(9.0), at(11.0)), (None, None, None), "seven pictures apart, and past the end");
    }
}
