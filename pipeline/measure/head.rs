//! Head drift: the midpoint of the ears against its place at address.

use super::{Context, Outcome, running_median};
use crate::swing::{Moment, Part};
use crate::track::BODY_CUT_OFF;

/// Lateral (positive away from the target) and vertical (positive up) moves at top and impact, and the largest lateral one.
pub fn measure(ctx: &Context) -> Vec<(&'static str, Outcome)> {
    let body = &ctx.body;
    let cut_off = BODY_CUT_OFF / ctx.swing.slowness;
    let head = |axis: usize| ctx.body.track.smoothed(body.lead(Part::Ear), body.trail(Part::Ear), axis, cut_off);
    // away from the target is negative x toward it; picture y runs down
    let lateral: Vec<f64> = head(0).iter().map(|x| -body.toward * x).collect();
    let vertical: Vec<f64> = head(1).iter().map(|y| -y).collect();
    let at = |name: &'static str, moment: Option<Moment>, event: &str, series: &[f64], needs_face_on: bool| -> (&'static str, Outcome) {
        let read = || {
            if needs_face_on {
                ctx.face_on()?;
            }
            let m = ctx.moment(moment, event)?;
            let (home, se) = ctx.at_address(|i| series[i])?;
            let (place, slope, frames) = ctx.at_moment(m, |i| series[i]);
            ctx.reading(name, ctx.cm(place - home), ctx.cm(se.hypot(slope)), frames, true)
        };
        (name, read())
    };
    let m = &ctx.swing.moments;
    let largest = || {
        ctx.face_on()?;
        let (home, se) = ctx.at_address(|i| lateral[i])?;
        let inside = ctx.backswing()?;
        let moves = running_median(&inside.iter().map(|&i| lateral[i] - home).collect::<Vec<_>>());
        let (place, most) = moves.iter().enumerate().fold((0, f64::NEG_INFINITY), |b, (i, v)| if *v > b.1 { (i, *v) } else { b });
        ctx.reading("head_lateral_max_back_cm", ctx.cm(most.max(0.0)), ctx.cm(se), vec![ctx.body.track.frames[inside[place]]], true)
    };
    vec![
        at("head_lateral_top_cm", m.top, "the top", &lateral, true),
        at("head_lateral_impact_cm", m.impact, "impact", &lateral, true),
        ("head_lateral_max_back_cm", largest()),
        at("head_vertical_top_cm", m.top, "the top", &vertical, false),
        at("head_vertical_impact_cm", m.impact, "impact", &vertical, false),
    ]
}
