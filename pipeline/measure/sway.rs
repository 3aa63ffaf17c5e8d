//! Sway: how far hip and pelvis slide away from the target in the backswing, and against the trail foot.

use super::{Context, Outcome, outline, running_median};
use crate::report::types::From;
use crate::swing::Part;
use crate::track::BODY_CUT_OFF;
use crate::track::signal::quantile;

/// All sway quantities. `trail_hip_travel_cm` and `pelvis_travel_cm` come from the outline's edge and the
/// key points together where the outline is safe, else from the key points.
pub fn measure(ctx: &Context) -> Vec<(&'static str, Outcome)> {
    let body = &ctx.body;
    let track = ctx.body.track;
    let cut_off = BODY_CUT_OFF / ctx.swing.slowness;
    let away = |a, b| -> Vec<f64> { track.smoothed(a, b, 0, cut_off).iter().map(|x| -body.toward * x).collect() };
    let trail_hip = body.trail(Part::Hip);
    let hip = away(trail_hip, trail_hip);
    let pelvis = away(body.lead(Part::Hip), trail_hip);

    // a place that many frames agree on, not the single furthest
    let travel = |series: &[f64]| -> Result<(f64, f64, Vec<usize>), String> {
        ctx.face_on()?;
        let (home, se) = ctx.at_address(|i| series[i])?;
        let inside = ctx.backswing()?;
        let moves = running_median(&inside.iter().map(|&i| series[i] - home).collect::<Vec<_>>());
        let most = quantile(&moves, 0.97);
        let place = (0..moves.len()).max_by(|&a, &b| moves[a].total_cmp(&moves[b])).unwrap_or(0);
        Ok((ctx.cm(most), ctx.cm(se), vec![track.frames[inside[place]]]))
    };
    // over the part of the backswing in which the outline is read, so that a move toward the target is one too
    let late_move = || -> Result<(f64, f64), String> {
        let (home, se) = ctx.at_address(|i| hip[i])?;
        let top = ctx.moment(ctx.swing.moments.top, "the top")?;
        let past = ctx.swing.hands_past_hip().unwrap_or(top.time);
        let moves = running_median(&track.within(past, top.time).iter().map(|&i| hip[i] - home).collect::<Vec<_>>());
        if moves.len() < 3 { Err("too few pictures of the backswing".into()) } else { Ok((ctx.cm(quantile(&moves, 0.97)), ctx.cm(se))) }
    };
    let floor = |outcome: Outcome| outcome.map(super::Reading::at_least_0);
    let stance = ctx
        .face_on()
        .and_then(|()| ctx.at_address(|i| (body.at(i, body.lead(Part::Ankle))[0] - body.at(i, body.trail(Part::Ankle))[0]).abs()))
        .and_then(|(px, se)| ctx.reading("stance_width_cm", ctx.cm(px), ctx.cm(se), Vec::new(), true));
    let edges = match ctx.budget.use_outline {
        true => ctx.face_on().and_then(|()| outline::hip_edges(ctx)),
        false => Err("the outline is switched off".to_string()),
    };
    let edge = edges
        .as_ref()
        .map_err(Clone::clone)
        .and_then(|e| floor(ctx.reading_from("hip_edge_travel_cm", e.travel_cm, e.jitter_cm, e.frames.clone(), true, From::Outline)));
    // hip key points and the outline's edge err in different ways: their mean is read better than either (see
    // scripts/calibrate); where the outline is torn or blocked the key points stand alone
    let both_ways = |name: &'static str, series: &[f64]| -> Outcome {
        let (points, se, frames) = travel(series)?;
        floor(match &edges {
            Ok(e) => {
                let (mean, jitter) = ((points + e.travel_cm) / 2.0, se.hypot(e.jitter_cm) / 2.0);
                ctx.reading_from(name, mean, jitter, e.frames.clone(), true, From::Both)
            }
            Err(_) => ctx.reading(name, points, se, frames, true),
        })
    };
    let trail_hip_travel = both_ways("trail_hip_travel_cm", &hip);
    // the slide where there is one; else how far the hip stays on the target side of its place
    let at_furthest = trail_hip_travel.clone().and_then(|r| {
        if r.value > 0.0 {
            return Ok(r);
        }
        let (points, se) = late_move()?;
        let (value, jitter) = edges.as_ref().map_or((points, se), |e| ((points + e.travel_cm) / 2.0, se.hypot(e.jitter_cm) / 2.0));
        let signed = ctx.reading_from("trail_hip_move_at_furthest_cm", value, jitter, r.frames.clone(), true, r.from)?;
        Ok(super::Reading { value: signed.value.min(0.0), ..signed })
    });
    let share = trail_hip_travel.clone().and_then(|r| {
        let stance_cm = stance?.value.max(1.0);
        let name = "trail_hip_travel_pct_stance";
        let error = ctx.budget.of(name, r.from);
        let own = (r.sd.powi(2) - (r.value * ctx.scale_sd).powi(2)).max(0.0).sqrt() / stance_cm * 100.0;
        let value = r.value / stance_cm * 100.0;
        Ok(super::Reading { value, sd: own.hypot(error.sd * value / 12.0), ..r })
    });
    let pelvis_travel = both_ways("pelvis_travel_cm", &pelvis);
    let shift = || {
        ctx.face_on()?;
        let m = ctx.moment(ctx.swing.moments.impact, "impact")?;
        let (home, se) = ctx.at_address(|i| pelvis[i])?;
        let (place, slope, frames) = ctx.at_moment(m, |i| pelvis[i]);
        ctx.reading("pelvis_shift_impact_cm", ctx.cm(place - home), ctx.cm(se.hypot(slope)), frames, true)
    };
    let inside_foot = || {
        ctx.face_on()?;
        let foot = |i: usize| {
            [Part::Ankle, Part::Heel, Part::Toe].iter().map(|&p| -body.at(i, body.trail(p))[0]).fold(f64::NEG_INFINITY, f64::max)
        };
        let (edge, se) = ctx.at_address(foot)?;
        let inside = ctx.backswing()?;
        let level_hip = |i: usize| -body.at(i, trail_hip)[0];
        let gaps = running_median(&inside.iter().map(|&i| edge - level_hip(i)).collect::<Vec<_>>());
        let (drop, _) = ctx.at_address(|i| body.at(i, trail_hip)[1] - body.at(i, body.trail(Part::Ankle))[1])?;
        let least = quantile(&gaps, 0.03);
        let frame = (0..gaps.len()).min_by(|&a, &b| gaps[a].total_cmp(&gaps[b])).map(|i| track.frames[inside[i]]);
        ctx.reading("trail_hip_inside_foot_cm", ctx.cm(least), ctx.cm(se.hypot(drop * ctx.roll_sd())), frame.into_iter().collect(), true)
    };
    let edge_inside = edges.as_ref().map_err(Clone::clone).and_then(|e| {
        let inside = e.inside_foot_cm.clone()?;
        ctx.reading_from("hip_edge_inside_foot_cm", inside, e.foot_jitter_cm, e.frames.clone(), true, From::Outline)
    });
    vec![
        ("trail_hip_travel_cm", trail_hip_travel),
        ("trail_hip_move_at_furthest_cm", at_furthest),
        ("hip_edge_travel_cm", edge),
        ("trail_hip_travel_pct_stance", share),
        ("pelvis_travel_cm", pelvis_travel),
        ("pelvis_shift_impact_cm", shift()),
        ("trail_hip_inside_foot_cm", inside_foot()),
        ("hip_edge_inside_foot_cm", edge_inside),
    ]
}
