//! Posture, as a camera behind the golfer shows it: everything lies in the plane square to the target line, x toward the ball and y up.

use super::{Context, Outcome};
use crate::report::types::{Side, ViewKind};
use crate::swing::body::{flexion_deg, keypoint, middle};
use crate::swing::{Moment, Part};

/// Seen from behind, a golfer whose left side leads faces the right of the picture: +1.
pub fn facing(lead: Side) -> f64 {
    if lead == Side::Left { 1.0 } else { -1.0 }
}

/// Trunk, trail knee and hands at address; what the bend, the knee, the pelvis and the head do by the top and by impact.
pub fn measure(ctx: &Context) -> Vec<(&'static str, Outcome)> {
    let body = &ctx.body;
    let facing = facing(body.lead);
    let at = |i: usize, part: Part, side: Side| {
        let p = body.track.at(i, keypoint(part, side));
        [facing * p[0], -p[1]]
    };
    let mid = |i: usize, part: Part| middle(at(i, part, body.lead), at(i, part, body.lead.other()));
    let bend = |i: usize| {
        let (hip, shoulder) = (mid(i, Part::Hip), mid(i, Part::Shoulder));
        (shoulder[0] - hip[0]).atan2(shoulder[1] - hip[1]).to_degrees()
    };
    let knee = |i: usize| {
        let of = |part| at(i, part, body.lead.other());
        flexion_deg(of(Part::Hip), of(Part::Knee), of(Part::Ankle))
    };
    let hands = |i: usize| mid(i, Part::Wrist)[1] - mid(i, Part::Toe)[1];
    let (pelvis, head) = (|i: usize| mid(i, Part::Hip)[0], |i: usize| mid(i, Part::Ear)[0]);
    let shown = || match ctx.swing.view.kind {
        ViewKind::DownTheLine => Ok(()),
        _ => Err("only a clip filmed down the line shows it".to_string()),
    };
    let still = |name: &'static str, f: &dyn Fn(usize) -> f64, is_length: bool| {
        let outcome = shown().and_then(|()| {
            let (v, se) = ctx.at_address(f)?;
            let one = if is_length { ctx.swing.cm_per_px } else { 1.0 };
            ctx.reading(name, one * v, one * se, ctx.address_frames(), is_length)
        });
        (name, outcome)
    };
    let change = |name: &'static str, moment: Option<Moment>, event: &str, f: &dyn Fn(usize) -> f64, is_length: bool| {
        let outcome = shown().and_then(|()| {
            let m = ctx.moment(moment, event)?;
            let (home, se) = ctx.at_address(f)?;
            let (v, slope, frames) = ctx.at_moment(m, f);
            let one = if is_length { ctx.swing.cm_per_px } else { 1.0 };
            ctx.reading(name, one * (v - home), one * se.hypot(slope), frames, is_length)
        });
        (name, outcome)
    };
    let (top, impact) = (ctx.swing.moments.top, ctx.swing.moments.impact);
    vec![
        still("spine_bend_address_deg", &bend, false),
        change("spine_bend_change_top_deg", top, "the top", &bend, false),
        change("spine_bend_change_impact_deg", impact, "impact", &bend, false),
        change("pelvis_toward_ball_impact_cm", impact, "impact", &pelvis, true),
        change("head_toward_ball_top_cm", top, "the top", &head, true),
        change("head_toward_ball_impact_cm", impact, "impact", &head, true),
        still("trail_knee_bend_address_deg", &knee, false),
        change("trail_knee_bend_change_top_deg", top, "the top", &knee, false),
        still("hands_height_address_cm", &hands, true),
    ]
}
