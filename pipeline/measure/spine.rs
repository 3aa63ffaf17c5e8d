//! The trunk's tilt (face-on) and bend (down the line).

use super::{Context, Outcome};
use crate::report::types::ViewKind;
use crate::swing::Part;

/// Tilt of mid-hip → mid-shoulder from the vertical: face-on, positive away from the target; down the line, its bend.
pub fn measure(ctx: &Context) -> Vec<(&'static str, Outcome)> {
    let body = &ctx.body;
    let tilt = |i: usize| {
        let (hip, shoulder) = (body.mid(i, Part::Hip), body.mid(i, Part::Shoulder));
        (hip[0] - shoulder[0]).atan2(shoulder[1] - hip[1]).to_degrees()
    };
    let roll = ctx.roll_sd().to_degrees();
    let address = ctx
        .face_on()
        .and_then(|()| ctx.at_address(tilt))
        .and_then(|(v, se)| ctx.reading("spine_tilt_address_deg", v, se.hypot(roll), ctx.address_frames(), false));
    let top = ctx.face_on().and_then(|()| ctx.moment(ctx.swing.moments.top, "the top")).and_then(|m| {
        let (v, slope, frames) = ctx.at_moment(m, tilt);
        ctx.reading("spine_tilt_top_deg", v, slope.hypot(roll), frames, false)
    });
    let down_the_line = || match ctx.swing.view.kind {
        ViewKind::DownTheLine => Ok(()),
        _ => Err("only a down-the-line clip shows it".to_string()),
    };
    let bend = |i: usize| tilt(i).abs();
    let bend_address = down_the_line()
        .and_then(|()| ctx.at_address(bend))
        .and_then(|(v, se)| ctx.reading("spine_bend_address_deg", v, se, ctx.address_frames(), false));
    let change = down_the_line().and_then(|()| ctx.moment(ctx.swing.moments.impact, "impact")).and_then(|m| {
        let (before, _) = ctx.at_address(bend)?;
        let (v, slope, frames) = ctx.at_moment(m, bend);
        ctx.reading("spine_bend_change_impact_deg", v - before, slope, frames, false)
    });
    vec![
        ("spine_tilt_address_deg", address),
        ("spine_tilt_top_deg", top),
        ("spine_bend_address_deg", bend_address),
        ("spine_bend_change_impact_deg", change),
    ]
}
