//! Marker positions over time, tab-delimited, for programs of biomechanics.
//!
//! Source: OpenSim documentation, "Marker (.trc) Files": three header rows, two rows of column labels, an empty row, then a
//! row a frame of number, time and x, y, z of each marker. Here x points right and y up in the picture, from its lower left
//! corner, and z is 0: one camera sees no depth.

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
    let steps: Vec<f64> = rows.windows(2).map(|w| w[1].1 - w[0].1).collect();
    if steps.is_empty() {
        return Err("fewer than two pictures of its swing are kept");
    }
    let rate = 1.0 / median(&steps);
    let (count, first) = (rows.len(), rows[0].0);
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
    for (frame, time, look) in rows {
        text.push_str(&format!("{frame}\t{time:.6}"));
        for p in &look.points[..MARKERS] {
            text.push_str(&format!("\t{:.2}\t{:.2}\t0", f64::from(p.x) * mm, (bottom - f64::from(p.y)) * mm));
        }
        text.push('\n');
    }
    Ok(text)
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
