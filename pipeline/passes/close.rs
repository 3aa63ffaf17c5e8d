//! The measuring pass: looks over every swing, densely where it is fast. Within a swing one smoothed region is used for all
//! frames; of frames that may be looked at again a cut is kept, so that the file is read once.

use super::cuts::Cuts;
use crate::error::Result;
use crate::pose::landmarker::Landmarker;
use crate::seen::Looks;
use crate::seen::Region;
use crate::seen::Shift;
use crate::swing::Window;
use crate::track::signal::{median, quantile};
use crate::video::camera::CameraWatch;
use crate::video::{Footage, Probe, Shown};

/// Looks a second (of real time): while the swing is slow, from before the top into the follow-through, and from impact
/// to chest high. (Thinned on the calibrate clips: more brought no better moments; 15 lost the takeaway and the finish.)
const SLOW_RATE: f64 = 30.0;
const FAST_RATE: f64 = 60.0;
const ARM_RATE: f64 = 120.0;
/// Times a second that the camera's own move is taken; a hand that holds a phone shakes slower than that.
const CAMERA_RATE: f64 = 15.0;

/// Seconds (of real time) after the strike as the scout tells it of which cuts are kept: the ground is looked at 0.3 s after the strike,
/// and the scout, whose looks are far apart, may be 0.2 s early.
const KEPT_AFTER: f64 = 0.5;

/// What the measuring pass brought.
#[derive(Default)]
pub struct Close {
    pub body: Looks,
    pub camera: Vec<Shift>,
    /// Region used, by window.
    pub regions: Vec<Region>,
}

/// How densely to look at time `t` of a window: least seconds between looks, and whether to keep a cut.
fn density(w: &Window, t: f64, every: bool) -> (f64, bool) {
    let k = w.slowness;
    let impact = w.impact.unwrap_or(w.end);
    let keep = (w.takeaway.unwrap_or(w.start) - 0.8 * k..=impact + KEPT_AFTER * k).contains(&t);
    let rate = if every {
        f64::INFINITY
    } else if (impact - 0.03 * k..=impact + 0.15 * k).contains(&t) {
        ARM_RATE
    } else if (w.top - 0.22 * k..=impact + 0.30 * k).contains(&t) {
        FAST_RATE
    } else {
        SLOW_RATE
    };
    (0.98 * k / rate, keep)
}

/// One smoothed region for a window: median centre and rotation, the 90th percentile of the size of the scout's regions.
pub fn window_region(scout: &Looks, w: &Window) -> Option<Region> {
    let inside: Vec<Region> =
        scout.times.iter().zip(&scout.looks).filter(|(t, _)| (w.start..=w.end).contains(*t)).map(|(_, l)| l.next_region()).collect();
    if inside.is_empty() {
        return None;
    }
    let of = |f: &dyn Fn(&Region) -> f64| inside.iter().map(f).collect::<Vec<_>>();
    Some(Region {
        cx: median(&of(&|r| r.cx)),
        cy: median(&of(&|r| r.cy)),
        size: quantile(&of(&|r| r.size), 0.9),
        rotation: median(&of(&|r| r.rotation)),
    })
}

/// The shift at time `t`, straight between those taken (in time order).
fn shift_between(taken: &[(f64, Shift)], t: f64) -> Shift {
    let after = taken.partition_point(|(at, _)| *at < t);
    match (after.checked_sub(1).and_then(|i| taken.get(i)), taken.get(after)) {
        (Some((t0, a)), Some((t1, b))) => {
            let s = (t - t0) / (t1 - t0);
            Shift { dx: a.dx + s * (b.dx - a.dx), dy: a.dy + s * (b.dy - a.dy), turn_deg: a.turn_deg + s * (b.turn_deg - a.turn_deg) }
        }
        (Some((_, only)), None) | (None, Some((_, only))) => *only,
        (None, None) => Shift::default(),
    }
}

/// Looks at every window's frames, the file read on once from its start; keeps in `cuts` what may be looked at again.
pub fn look_closely(
    footage: &mut Footage,
    probe: &Probe,
    scout: &Looks,
    windows: &[Window],
    landmarker: &mut Landmarker,
    every: bool,
    cuts: &mut Cuts,
) -> Result<Close> {
    let mut close = Close::default();
    let mut watch: Option<CameraWatch> = None;
    for w in windows {
        let Some(region) = window_region(scout, w) else { continue };
        close.regions.push(region);
        let mut last = f64::NEG_INFINITY;
        let mut shifts: Vec<(f64, Shift)> = Vec::new();
        let first = close.body.times.len();
        for (index, &time) in probe.times.iter().enumerate() {
            let already = close.body.frames.last().is_some_and(|&f| f >= index);
            if time < w.start || time > w.end || already {
                continue;
            }
            let (step, keep) = density(w, time, every);
            if time - last < step {
                continue;
            }
            let picture = match footage.frame(index)? {
                Shown::Picture(picture) => picture,
                Shown::Lost => continue,
                Shown::Ended => break,
            };
            last = time;
            let look = landmarker.look(picture, &region)?;
            if watch.is_none() {
                let half = region.size * 0.36;
                watch = Some(CameraWatch::new(
                    picture,
                    [region.cx - half, region.cy - region.size / 2.0, region.cx + half, region.cy + region.size / 2.0],
                )?);
            }
            if let Some(watch) = &watch
                && shifts.last().is_none_or(|(t, _)| time - t > 0.98 * w.slowness / CAMERA_RATE)
            {
                shifts.push((time, watch.shift(picture)?.unwrap_or_default()));
            }
            close.body.push(index, time, look);
            if keep {
                cuts.keep(picture, index, &region)?;
            }
        }
        close.camera.extend(close.body.times[first..].iter().map(|&t| shift_between(&shifts, t)));
    }
    Ok(close)
}
