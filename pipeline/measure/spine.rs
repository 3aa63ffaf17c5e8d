//! The trunk's tilt, face-on.

use super::{Context, Outcome};
use crate::swing::Part;

/// Tilt of mid-hip → mid-shoulder from the vertical, positive away from the target.
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
    vec![("spine_tilt_address_deg", address), ("spine_tilt_top_deg", top)]
}
