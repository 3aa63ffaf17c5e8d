//! Values from marks: by the definitions of `measure/` and in the golfer's frame, with a mark's error in place of a model's.

use super::marks::{Marks, Place};
use crate::measure::{Context, ball, elbow, names};
use crate::report::types::From;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// Standard deviation of a mark in either direction, pixels, until a coach's own repeats say otherwise (common practice, no source).
pub const MARK_SD_PX: f64 = 3.0;

/// The metrics that marks tell. Both slides of the hip are the one of its marked edge: the one as the program reads that edge, the
/// other what its verdict goes by (the joint, which no coach can see).
pub const METRICS: [&str; 6] = [
    "trail_hip_travel_cm",
    "hip_edge_travel_cm",
    "hip_edge_inside_foot_cm",
    "head_lateral_top_cm",
    "head_behind_ball_address_cm",
    "lead_elbow_bow_late_upper_arms",
];

/// The points that a metric's value rests on.
pub fn points_of(metric: &str) -> &'static [Place] {
    match metric {
        "trail_hip_travel_cm" | "trail_hip_travel_pct_stance" | "hip_edge_travel_cm" => &[Place::HipAddress, Place::HipFurthest],
        "hip_edge_inside_foot_cm" => &[Place::HipAddress, Place::HipFurthest, Place::FootAddress],
        "head_lateral_top_cm" => &[Place::HeadAddress, Place::HeadTop],
        "head_behind_ball_address_cm" => &[Place::HeadAddress, Place::BallAddress],
        "lead_elbow_bow_late_upper_arms" => &[Place::ShoulderLate, Place::ElbowLate, Place::GripLate],
        _ => &[],
    }
}

/// A value measured by hand, in its metric's unit.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ByHand {
    pub value: f64,
    /// By how much it errs for each pixel of a mark's error (one standard deviation each).
    pub per_mark_px: f64,
    /// What else it errs by: the scale, where the camera stands.
    pub other_sd: f64,
}

impl ByHand {
    /// Standard uncertainty where a mark's is `mark_sd_px`.
    pub fn sd(&self, mark_sd_px: f64) -> f64 {
        (self.per_mark_px * mark_sd_px).hypot(self.other_sd)
    }

    /// The 95 % interval.
    pub fn interval(&self, mark_sd_px: f64) -> (f64, f64) {
        let reach = 1.96 * self.sd(mark_sd_px);
        (self.value - reach, self.value + reach)
    }
}

/// The values by metric that these marks allow. Error: why the view allows none.
pub fn by_hand(ctx: &Context, marks: &Marks) -> Result<BTreeMap<String, ByHand>, String> {
    ctx.face_on()?;
    let at = |p: Place| marks.get(&p).map(|m| ctx.of_picture([m.x, m.y], m.time));
    let mut all = BTreeMap::new();
    // a difference of two places along the target line: two marks' errors
    let mut length = |name: &'static str, as_metric: &str, cm: f64, more_sd: f64| {
        let error = ctx.budget.of(as_metric, From::Outline).of_another_reader();
        let (yaw, yaw_sd) = ctx.yaw();
        let value = error.correct(cm, yaw);
        let value = if names::never_negative(name) { value.max(0.0) } else { value };
        let other_sd = (value * ctx.scale_sd).hypot(error.depth * yaw_sd).hypot(more_sd);
        all.insert(name.to_string(), ByHand { value, per_mark_px: ctx.cm(std::f64::consts::SQRT_2), other_sd });
    };
    let (home, furthest, foot) = (at(Place::HipAddress), at(Place::HipFurthest), at(Place::FootAddress));
    if let (Some(home), Some(furthest)) = (home, furthest) {
        for name in ["trail_hip_travel_cm", "hip_edge_travel_cm"] {
            length(name, "hip_edge_travel_cm", ctx.cm(home[0] - furthest[0]), 0.0);
        }
    }
    if let (Some(home), Some(furthest), Some(foot)) = (home, furthest, foot) {
        // where the hip only moves toward the target, its place at address is the outermost, as for the program
        let outermost = furthest[0].min(home[0]);
        let rolled = ctx.cm(home[1] - foot[1]) * ctx.roll_sd();
        length("hip_edge_inside_foot_cm", "hip_edge_inside_foot_cm", ctx.cm(outermost - foot[0]), rolled);
    }
    if let (Some(home), Some(top)) = (at(Place::HeadAddress), at(Place::HeadTop)) {
        length("head_lateral_top_cm", "head_lateral_top_cm", ctx.cm(home[0] - top[0]), 0.0);
    }
    if let (Some(head), Some(place)) = (at(Place::HeadAddress), at(Place::BallAddress))
        && let Ok((x, doubt)) = ball::beside_the_feet(ctx, place[0])
    {
        length("head_behind_ball_address_cm", "head_behind_ball_address_cm", ctx.cm(x - head[0]), ctx.cm(doubt));
    }
    if let (Some(shoulder), Some(elbow), Some(grip), Some(chest)) =
        (at(Place::ShoulderLate), at(Place::ElbowLate), at(Place::GripLate), ctx.swing.moments.chest_high_follow_through)
    {
        // the length it is told in is one of the whole swing, which no single picture shows
        let upper = elbow::upper_arm(ctx, chest.time);
        let value = elbow::bow_of(shoulder, elbow, grip, upper);
        // of the ends of the line each moves it at the elbow by its share
        let line = [grip[0] - shoulder[0], grip[1] - shoulder[1]];
        let along =
            (line[0] * (elbow[0] - shoulder[0]) + line[1] * (elbow[1] - shoulder[1])) / (line[0].powi(2) + line[1].powi(2)).max(1e-9);
        let per_mark_px = (1.0 + (1.0 - along).powi(2) + along.powi(2)).sqrt() / upper;
        all.insert("lead_elbow_bow_late_upper_arms".to_string(), ByHand { value, per_mark_px, other_sd: 0.0 });
    }
    Ok(all)
}
