//! Head drift: the head's outline, or the midpoint of the ears, against its place at address.

use super::outline::{self, HeadSeen};
use super::{Context, Outcome, running_median};
use crate::report::types::From;
use crate::swing::{Moment, Part};
use crate::track::BODY_CUT_OFF;
use crate::track::signal::{median, robust_sd};

/// Outlined frames this long before the top tell about it, seconds of real time.
const BEFORE_TOP: f64 = 0.07;

/// Moves of the head's outline from address: (frame, time, pixels), and the standard error of its place at address.
type Moves = (Vec<(usize, f64, f64)>, f64);

/// [`Moves`] of one coordinate; `None` where the outline shows no head at address.
fn moves(ctx: &Context, heads: &[HeadSeen], place: impl Fn(&HeadSeen) -> Option<f64>) -> Option<Moves> {
    let takeaway = ctx.swing.moments.takeaway?.time + 1e-6;
    let home: Vec<f64> = heads.iter().filter(|h| h.time <= takeaway).filter_map(&place).collect();
    if home.len() < 2 {
        return None;
    }
    let moved = heads.iter().filter(|h| h.time > takeaway).filter_map(|h| Some((h.frame, h.time, place(h)? - median(&home)))).collect();
    Some((moved, robust_sd(&home) / (home.len() as f64).sqrt()))
}

/// The ring about a head with hair or a cap, and how far its middle lies above the ears of who looks at the ball: shares of the trunk
/// (set by hand on rendered heads).
pub const RING: f64 = 0.30;
const EARS_BELOW: f64 = 0.04;

/// Steadied picture places of the head at address and in one row of the track, as its moves are read: by the outline across where it
/// shows the head in that frame and at address, else by the ears; `None` without an address.
pub fn head_places(ctx: &Context, row: usize) -> Option<([f64; 2], [f64; 2])> {
    let (body, track) = (&ctx.body, ctx.body.track);
    let ears = |i: usize| crate::swing::body::middle(track.at(i, body.lead(Part::Ear)), track.at(i, body.trail(Part::Ear)));
    let of = |axis: usize| ctx.at_address(|i| ears(i)[axis]).ok().map(|(v, _)| v);
    let raise = EARS_BELOW * track.trunk;
    let (mut home, mut now) = ([of(0)?, of(1)? - raise], ears(row));
    now[1] -= raise;
    let heads = if ctx.budget.use_outline && ctx.face_on().is_ok() { outline::head(ctx) } else { Vec::new() };
    let takeaway = ctx.swing.moments.takeaway?.time + 1e-6;
    let rest: Vec<f64> = heads.iter().filter(|h| h.time <= takeaway).filter_map(|h| h.middle).collect();
    let here = heads.iter().find(|h| h.frame == track.frames[row]).and_then(|h| h.middle);
    if let (Some(x), true) = (here, rest.len() >= 2) {
        (home[0], now[0]) = (median(&rest), x);
    }
    Some((home, now))
}

/// Lateral (positive away from the target) and vertical (positive up) moves at top and impact, and the largest lateral one.
pub fn measure(ctx: &Context) -> Vec<(&'static str, Outcome)> {
    let body = &ctx.body;
    let cut_off = BODY_CUT_OFF / ctx.swing.slowness;
    let head = |axis: usize| ctx.body.track.smoothed(body.lead(Part::Ear), body.trail(Part::Ear), axis, cut_off);
    // away from the target is negative x toward it; picture y runs down
    let lateral: Vec<f64> = head(0).iter().map(|x| -body.toward * x).collect();
    let vertical: Vec<f64> = head(1).iter().map(|y| -y).collect();
    let heads = if ctx.budget.use_outline { outline::head(ctx) } else { Vec::new() };
    let lateral_moves = moves(ctx, &heads, |h| h.middle.map(|x| -body.toward * x));
    let vertical_moves = moves(ctx, &heads, |h| h.top.map(|y| -y));
    // where the outline shows the head near the top, it tells more than the ears do (see scripts/calibrate)
    let at_top = |name: &'static str, moved: &Option<Moves>| -> Option<Outcome> {
        let (moved, se) = moved.as_ref()?;
        let top = ctx.swing.moments.top?.time;
        let near = moved.iter().filter(|m| (top - BEFORE_TOP * ctx.swing.slowness..=top + 1e-6).contains(&m.1));
        let (frames, values): (Vec<usize>, Vec<f64>) = near.map(|m| (m.0, m.2)).unzip();
        (!values.is_empty()).then(|| ctx.reading_from(name, ctx.cm(median(&values)), ctx.cm(*se), frames, true, From::Outline))
    };
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
        if let Some((moved, se)) = lateral_moves.as_ref().filter(|m| m.0.len() >= 4) {
            let steady = running_median(&moved.iter().map(|m| m.2).collect::<Vec<_>>());
            let most = (0..steady.len()).max_by(|&a, &b| steady[a].total_cmp(&steady[b])).unwrap_or(0);
            let cm = ctx.cm(steady[most].max(0.0));
            return ctx.reading_from("head_lateral_max_back_cm", cm, ctx.cm(*se), vec![moved[most].0], true, From::Outline);
        }
        let inside = ctx.backswing()?;
        let moves = running_median(&inside.iter().map(|&i| lateral[i] - home).collect::<Vec<_>>());
        let (place, most) = moves.iter().enumerate().fold((0, f64::NEG_INFINITY), |b, (i, v)| if *v > b.1 { (i, *v) } else { b });
        ctx.reading("head_lateral_max_back_cm", ctx.cm(most.max(0.0)), ctx.cm(se), vec![ctx.body.track.frames[inside[place]]], true)
    };
    let outlined = |name: &'static str, moved: &Option<Moves>, by_ears: (&'static str, Outcome)| match by_ears {
        (_, Ok(ears)) => (name, at_top(name, moved).unwrap_or(Ok(ears))),
        missing => missing,
    };
    vec![
        outlined("head_lateral_top_cm", &lateral_moves, at("head_lateral_top_cm", m.top, "the top", &lateral, true)),
        at("head_lateral_impact_cm", m.impact, "impact", &lateral, true),
        ("head_lateral_max_back_cm", largest()),
        outlined("head_vertical_top_cm", &vertical_moves, at("head_vertical_top_cm", m.top, "the top", &vertical, false)),
        at("head_vertical_impact_cm", m.impact, "impact", &vertical, false),
    ]
}
