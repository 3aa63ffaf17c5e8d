//! How the golfer stands at address.

use super::{Context, Outcome};
use crate::swing::Part;
use crate::swing::body::middle;

type Named = (&'static str, Outcome);

/// Stance, tilts, head, pelvis and trail knee; medians over the still frames before takeaway.
pub fn measure(ctx: &Context) -> Vec<Named> {
    let body = &ctx.body;
    let length = |name: &'static str, f: &dyn Fn(usize) -> f64| -> Named {
        let outcome = ctx
            .face_on()
            .and_then(|()| ctx.at_address(f))
            .and_then(|(px, se)| ctx.reading(name, ctx.cm(px), ctx.cm(se), ctx.address_frames(), true));
        (name, outcome)
    };
    // a length against something lower or higher, which the camera's roll shifts: `height` apart, pixels
    let across = |name: &'static str, f: &dyn Fn(usize) -> f64, height: &dyn Fn(usize) -> f64| -> Named {
        let outcome = ctx.face_on().and_then(|()| {
            let ((px, se), (height, _)) = (ctx.at_address(f)?, ctx.at_address(height)?);
            ctx.reading(name, ctx.cm(px), ctx.cm(se.hypot(height * ctx.roll_sd())), ctx.address_frames(), true)
        });
        (name, outcome)
    };
    let angle = |name: &'static str, f: &dyn Fn(usize) -> f64| -> Named {
        let outcome = ctx
            .face_on()
            .and_then(|()| ctx.at_address(f))
            .and_then(|(v, se)| ctx.reading(name, v, se.hypot(ctx.roll_sd().to_degrees()), ctx.address_frames(), false));
        (name, outcome)
    };
    // trail side lower: positive
    let tilt = |i: usize, part: Part| {
        let (lead, trail) = (body.at(i, body.lead(part)), body.at(i, body.trail(part)));
        (lead[1] - trail[1]).atan2((lead[0] - trail[0]).abs()).to_degrees()
    };
    let head = |i: usize| middle(body.at(i, body.lead(Part::Ear)), body.at(i, body.trail(Part::Ear)));
    let centre = |i: usize| body.mid(i, Part::Ankle)[0];
    let knee_inside = |i: usize| {
        let (ankle, hip, knee) =
            (body.at(i, body.trail(Part::Ankle)), body.at(i, body.trail(Part::Hip)), body.at(i, body.trail(Part::Knee)));
        let share = (knee[1] - ankle[1]) / (hip[1] - ankle[1]);
        knee[0] - (ankle[0] + share * (hip[0] - ankle[0]))
    };
    vec![
        length("stance_width_cm", &|i| (body.at(i, body.lead(Part::Ankle))[0] - body.at(i, body.trail(Part::Ankle))[0]).abs()),
        angle("shoulder_tilt_address_deg", &|i| tilt(i, Part::Shoulder)),
        angle("hip_tilt_address_deg", &|i| tilt(i, Part::Hip)),
        across("head_behind_centre_address_cm", &|i| centre(i) - head(i)[0], &|i| head(i)[1] - body.mid(i, Part::Ankle)[1]),
        across("pelvis_toward_target_address_cm", &|i| body.mid(i, Part::Hip)[0] - centre(i), &|i| {
            body.mid(i, Part::Hip)[1] - body.mid(i, Part::Ankle)[1]
        }),
        length("trail_knee_inside_address_cm", &knee_inside),
    ]
}
