//! Where the golfer stands to the ball, and the hands.

use super::{Context, Outcome};
use crate::report::types::ViewKind;
use crate::swing::Part;
use crate::swing::body::middle;

/// Face-on the ball lies nearer the camera than the feet, and is shown larger and further to the side of them by this: 75 cm of 5 m
/// (common practice, no source), and one standard deviation of that.
const NEARER: f64 = 1.17;
const NEARER_SD: f64 = 0.05;

/// Head and hands against the ball, the ball in the stance; down the line the ball's distance from the toes. Of a swing that struck one.
pub fn measure(ctx: &Context) -> Vec<(&'static str, Outcome)> {
    let body = &ctx.body;
    let ball = ctx.swing.ball.as_ref().ok_or_else(|| "no ball was seen to leave".to_string());
    // picture x at the feet's distance, toward the target, and its doubt
    let face_on = ctx.face_on().and(ball.clone()).and_then(|b| beside_the_feet(ctx, body.turn([b.x, b.y])[0]));
    let head = |i: usize| middle(body.at(i, body.lead(Part::Ear)), body.at(i, body.trail(Part::Ear)))[0];
    let hands = |i: usize| body.grip(i)[0];
    let to_ball = |name: &'static str, part: &dyn Fn(usize) -> f64, toward: f64| {
        let outcome = face_on.clone().and_then(|(x, doubt)| {
            let (px, se) = ctx.at_address(|i| toward * (part(i) - x))?;
            ctx.reading(name, ctx.cm(px), ctx.cm(se.hypot(doubt)), ctx.address_frames(), true)
        });
        (name, outcome)
    };
    let in_stance = face_on.clone().and_then(|(x, doubt)| {
        let heel = |key| ctx.at_address(|i| body.at(i, key)[0]);
        let ((trail, se), (lead, _)) = (heel(body.trail(Part::Heel))?, heel(body.lead(Part::Heel))?);
        let wide = lead - trail;
        if ctx.cm(wide) < NARROWEST_CM {
            return Err("the heels cannot be told apart".into());
        }
        let share = |px: f64| px / wide * 100.0;
        ctx.reading("ball_in_stance_pct", share(x - trail), share(se.hypot(doubt)), ctx.address_frames(), false)
    });
    let at_impact = face_on.clone().and_then(|(x, doubt)| {
        let m = ctx.moment(ctx.swing.moments.impact, "impact")?;
        let (px, se, frames) = ctx.at_moment(m, |i| hands(i) - x);
        ctx.reading("hands_ahead_of_ball_impact_cm", ctx.cm(px), ctx.cm(se.hypot(doubt)), frames, true)
    });
    let from_toes = match ctx.swing.view.kind {
        ViewKind::DownTheLine => ball.and_then(|b| {
            let (px, se) = ctx.at_address(|i| (body.turn([b.x, b.y])[0] - body.mid(i, Part::Toe)[0]).abs())?;
            ctx.reading("ball_distance_toes_cm", ctx.cm(px), ctx.cm(se), ctx.address_frames(), true)
        }),
        _ => Err("only a clip filmed down the line shows it".into()),
    };
    vec![
        to_ball("head_behind_ball_address_cm", &head, -1.0),
        ("ball_in_stance_pct", in_stance),
        to_ball("hands_ahead_of_ball_address_cm", &hands, 1.0),
        ("hands_ahead_of_ball_impact_cm", at_impact),
        ("ball_distance_toes_cm", from_toes),
    ]
}

/// Where a ball seen face-on would be shown if it lay between the feet: from its place along the target line in the golfer's frame,
/// pixels, that place and its standard uncertainty. Error: why the feet cannot be told.
pub fn beside_the_feet(ctx: &Context, ball: f64) -> Result<(f64, f64), String> {
    let (feet, _) = ctx.at_address(|i| ctx.body.mid(i, Part::Ankle)[0])?;
    let aside = (ball - feet) / NEARER;
    Ok((feet + aside, aside.abs() * NEARER_SD))
}

/// Heels nearer than this are not told apart, cm.
const NARROWEST_CM: f64 = 8.0;
