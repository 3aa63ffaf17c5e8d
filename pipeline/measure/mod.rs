//! Quantities, one file a group. Each is a value with its standard uncertainty, or why there is none.
//! To add a quantity: its name and unit in `names.rs`, its reading in the file it belongs to, its error in `budget.toml`.

pub mod ball;
pub mod budget;
pub mod elbow;
pub mod head;
pub mod names;
pub mod outline;
mod posture;
pub mod proportions;
mod setup;
mod shown;
mod spine;
mod sway;
mod tempo;

use crate::report::types::{From, ViewKind};
use crate::seen::Seen;
use crate::settings::Settings;
use crate::swing::{Body, Moment, SwingRead};
use crate::track::signal::{median, robust_sd};
use crate::track::steady;
use budget::Budget;
pub use elbow::in_motion as arms_in_motion;
pub use shown::shown;
use std::collections::BTreeMap;

/// Standard deviation of the roll of a phone held or leaned by hand, degrees (as rendered; common practice, no source). What the
/// picture shows of it is not used: level lines are level only where a wall stands square to the camera, and plumb lines that
/// can be trusted were found in 3 of 70 clips of four worlds.
const ROLL_SD: f64 = 1.5;
/// Yaw beyond this is not corrected for, degrees.
const MOST_YAW: f64 = 18.0;

/// A measured value.
#[derive(Debug, Clone, PartialEq)]
pub struct Reading {
    /// In the metric's unit; see [`names`].
    pub value: f64,
    /// Standard uncertainty, same unit.
    pub sd: f64,
    pub frames: Vec<usize>,
    pub from: From,
    /// Value and standard uncertainty by the built-in error budget alone, where the coach's own footage says otherwise.
    pub built_in: Option<(f64, f64)>,
}

impl Reading {
    /// The 95 % interval; of a metric that cannot be negative it ends at 0.
    pub fn interval(&self, name: &str) -> (f64, f64) {
        interval(name, self.value, self.sd)
    }

    /// Of what ends at 0 there: both values.
    pub fn at_least_0(mut self) -> Reading {
        self.value = self.value.max(0.0);
        self.built_in = self.built_in.map(|(value, sd)| (value.max(0.0), sd));
        self
    }
}

/// The 95 % interval of a value of a metric.
pub fn interval(name: &str, value: f64, sd: f64) -> (f64, f64) {
    let low = value - 1.96 * sd;
    (if names::never_negative(name) { low.max(0.0) } else { low }, value + 1.96 * sd)
}

/// A reading, or why there is none (one clause, to be read by a coach).
pub type Outcome = Result<Reading, String>;

/// Readings by metric name.
pub type Quantities = BTreeMap<&'static str, Outcome>;

/// All that a measurement may look at.
pub struct Context<'a> {
    pub seen: &'a Seen,
    pub swing: &'a SwingRead,
    /// The best looks ([`SwingRead::key`]); frames below are indices into their track.
    pub body: Body<'a>,
    pub settings: &'a Settings,
    pub budget: &'a Budget,
    /// One standard deviation of the scale ÷ scale.
    pub scale_sd: f64,
    /// Factor on landmark errors where there is reason: small golfer, camera off square or moving, few frames.
    pub widen: f64,
}

impl Context<'_> {
    /// Centimetres of a length in pixels.
    pub fn cm(&self, px: f64) -> f64 {
        px * self.swing.cm_per_px
    }

    /// Pixels of a length in centimetres.
    pub fn px(&self, cm: f64) -> f64 {
        cm / self.swing.cm_per_px
    }

    /// What is not known of the camera's roll, radians (one standard deviation).
    pub fn roll_sd(&self) -> f64 {
        ROLL_SD.to_radians()
    }

    /// Median over the still frames before takeaway of a function of the frame, and its standard error.
    pub fn at_address(&self, f: impl Fn(usize) -> f64) -> Result<(f64, f64), String> {
        if self.swing.key_still.is_empty() {
            return Err("the address is outside the clip".into());
        }
        let values: Vec<f64> = self.swing.key_still.iter().map(|&i| f(i)).collect();
        Ok((median(&values), robust_sd(&values) / (values.len() as f64).sqrt()))
    }

    /// Numbers of the still frames.
    pub fn address_frames(&self) -> Vec<usize> {
        self.swing.key_still.iter().map(|&i| self.body.track.frames[i]).collect()
    }

    /// Median over the frames within 20 ms (real time; at least three frames) of a moment, with half the range that the
    /// moment's uncertainty makes.
    pub fn at_moment(&self, m: Moment, f: impl Fn(usize) -> f64) -> (f64, f64, Vec<usize>) {
        let track = self.body.track;
        let centre = track.nearest(m.time);
        let reach = 0.020 * self.swing.slowness;
        let mut around = track.within(m.time - reach, m.time + reach);
        if around.len() < 3 {
            let beside = track.within(m.time - 2.5 * reach, m.time + 2.5 * reach);
            around =
                (centre.saturating_sub(1)..=(centre + 1).min(track.len() - 1)).filter(|i| *i == centre || beside.contains(i)).collect();
        }
        let values: Vec<f64> = around.iter().map(|&i| f(i)).collect();
        let step = |time: f64| {
            let after = track.times.partition_point(|&t| t < time).clamp(1, track.len() - 1);
            let (a, b) = (track.times[after - 1], track.times[after]);
            let share = ((time - a) / (b - a)).clamp(0.0, 1.0);
            (1.0 - share) * f(after - 1) + share * f(after)
        };
        let slope = (step(m.time + m.sd) - step(m.time - m.sd)).abs() / 2.0;
        (median(&values), slope, around.into_iter().map(|i| track.frames[i]).collect())
    }

    /// A reading from key points in the metric's unit: the budget's bias taken off, its error and `jitter` combined;
    /// `is_length` adds the scale's share.
    pub fn reading(&self, name: &'static str, value: f64, jitter: f64, frames: Vec<usize>, is_length: bool) -> Outcome {
        self.reading_from(name, value, jitter, frames, is_length, From::KeyPoint)
    }

    /// As [`Context::reading`], naming the source.
    pub fn reading_from(&self, name: &'static str, value: f64, jitter: f64, frames: Vec<usize>, is_length: bool, from: From) -> Outcome {
        if !value.is_finite() {
            return Err("too few usable pictures".into());
        }
        let error = self.budget.of(name, from);
        // what lies nearer the camera is shifted when the camera stands aside: into the golfer's frame, with the doubt of the yaw
        let (yaw, yaw_sd) = self.yaw();
        let value = error.correct(value, yaw);
        let scale = if is_length { value * self.scale_sd } else { 0.0 };
        let aside = error.depth / error.gain * yaw_sd;
        let with = |own: f64| ((own * self.widen).powi(2) + jitter * jitter + scale * scale + aside * aside).sqrt();
        let (value, sd, built_in) = match self.settings.own.of(name, from, &self.budget.version) {
            None => (value, with(error.sd), None),
            Some(own) => (value - own.shift, with(own.sd), Some((value, with(error.sd)))),
        };
        Ok(Reading { value, sd, frames, from, built_in })
    }

    /// The camera's yaw toward the lead side as it is corrected for, and its standard uncertainty, radians.
    pub fn yaw(&self) -> (f64, f64) {
        self.swing.yaw.map_or((0.0, 0.0), |y| (y.to_lead_deg.clamp(-MOST_YAW, MOST_YAW).to_radians(), y.sd_deg.to_radians()))
    }

    /// A place of the picture as filmed at a time, camera motion out, in golf's axes (pixels).
    pub fn of_picture(&self, p: [f64; 2], time: f64) -> [f64; 2] {
        let (track, about) = (&self.swing.track, &self.seen.about);
        self.body.turn(steady(p, &track.camera[track.nearest(time)], [f64::from(about.width), f64::from(about.height)]))
    }

    /// The view allows lateral measurements, or why not.
    pub fn face_on(&self) -> Result<(), String> {
        let yaw = self.swing.yaw.map_or(0.0, |y| y.to_lead_deg.abs());
        match self.swing.view.kind {
            ViewKind::FaceOn if yaw <= self.settings.gates.max_off_square_deg => Ok(()),
            ViewKind::DownTheLine => Err("filmed down the line; only a face-on clip shows it".into()),
            ViewKind::Other | ViewKind::FaceOn => Err("the camera is not square to the golfer".into()),
        }
    }

    /// A moment, or that it is missing.
    pub fn moment(&self, m: Option<Moment>, name: &str) -> Result<Moment, String> {
        m.ok_or_else(|| format!("{name} is outside the clip or unsure"))
    }

    /// The frames from address to top, as indices of the track.
    pub fn backswing(&self) -> Result<Vec<usize>, String> {
        let start = self.moment(self.swing.moments.takeaway, "the takeaway")?;
        let top = self.moment(self.swing.moments.top, "the top")?;
        let inside = self.body.track.within(start.time, top.time);
        if inside.len() < 4 { Err("too few pictures of the backswing".into()) } else { Ok(inside) }
    }
}

/// Measures everything that the swing and its view allow.
pub fn measure(ctx: &Context) -> Quantities {
    let mut all = Quantities::new();
    for group in
        [setup::measure, ball::measure, sway::measure, head::measure, elbow::measure, spine::measure, posture::measure, tempo::measure]
    {
        for (name, outcome) in group(ctx) {
            all.insert(name, outcome);
        }
    }
    for (_, outcome) in all.iter_mut().filter(|(name, _)| names::never_negative(name)) {
        *outcome = outcome.clone().map(Reading::at_least_0);
    }
    at_least(&mut all, "head_lateral_max_back_cm", &["head_lateral_top_cm"]);
    at_least(&mut all, "lead_elbow_flexion_max_deg", &["lead_elbow_flexion_impact_deg", "lead_elbow_flexion_half_deg"]);
    at_least(&mut all, "lead_elbow_separation_max_cm", &["lead_elbow_separation_impact_cm", "lead_elbow_separation_half_cm"]);
    all
}

/// The largest of a kind is no less than one of them, though each has an error of its own taken off.
fn at_least(all: &mut Quantities, largest: &str, parts: &[&str]) {
    let part = parts.iter().filter_map(|p| all.get(p)?.as_ref().ok()).max_by(|a, b| a.value.total_cmp(&b.value)).cloned();
    if let (Some(Ok(most)), Some(part)) = (all.get_mut(largest), part)
        && part.value > most.value
    {
        *most = Reading { sd: part.sd.max(most.sd), ..part };
    }
}

/// Median of each sample and its two neighbours on either side (fewer at the ends).
fn running_median(x: &[f64]) -> Vec<f64> {
    (0..x.len()).map(|i| median(&x[i.saturating_sub(2)..(i + 3).min(x.len())])).collect()
}
