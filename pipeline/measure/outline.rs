//! The person's outline at hip and foot: key points say where to look, the outline says how far.

use super::Context;
use crate::seen::Outline;
use crate::swing::Part;
use crate::swing::body::{distance, keypoint};
use crate::track::signal::{median, quantile, robust_sd};

/// What the outline says about the trail hip.
#[derive(Debug, Clone)]
pub struct HipEdges {
    /// Largest move of the hip's outer edge away from the target, cm.
    pub travel_cm: f64,
    /// Standard error from frame to frame, cm.
    pub jitter_cm: f64,
    /// Least distance from the hip's outer edge to the trail foot's, cm; positive: hip inside.
    pub inside_foot_cm: Result<f64, String>,
    /// Standard error of that from frame to frame and by the camera's roll, cm.
    pub foot_jitter_cm: f64,
    pub frames: Vec<usize>,
    /// Of those, the one whose edge is nearest to the value, and that edge; the edge at address, and the foot's: steadied picture x.
    pub frame: usize,
    pub edge_x: f64,
    pub home_x: f64,
    pub foot_x: Option<f64>,
}

/// Rows read about the middle of the hips: one each centimetre over ±4 cm.
const BAND_CM: i32 = 4;
/// Of the nine edges, this quantile counts as the outermost (one stray row does not).
const OUTERMOST: f64 = 0.85;
/// An arm or hand whose axis comes within this distance of the edge may be what the edge shows.
const ARM_CLEARANCE_CM: f64 = 5.0;
/// Rows of the foot: from the ankle to this far below it.
const FOOT_ROWS_CM: i32 = 14;
/// Edges of one band further apart than this: the outline is torn.
const MAX_RAGGED_CM: f64 = 5.0;

/// Outer hip edge of one frame on the side `out` of it (+1 right of the picture, −1 left), steadied picture pixels times `out`; `None`
/// where a hand is near, or the edge is ragged or missing.
fn hip_edge(ctx: &Context, row: usize, outline: &Outline, out: f64) -> Option<f64> {
    let (body, track) = (&ctx.body, ctx.body.track);
    let shift = &track.camera[row];
    let hip = body.track.at(row, body.trail(Part::Hip));
    let lead = body.track.at(row, body.lead(Part::Hip));
    let middle = [(hip[0] + lead[0]) / 2.0, (hip[1] + lead[1]) / 2.0];
    let mut edges = Vec::new();
    for cm in -BAND_CM..=BAND_CM {
        // steadied place back to the picture as filmed
        let start = [middle[0] + shift.dx, middle[1] + shift.dy + ctx.px(f64::from(cm))];
        if let Some(walk) = outline.edge(start, [out, 0.0], ctx.px(45.0)) {
            edges.push(out * (start[0] + out * walk - shift.dx));
        }
    }
    if edges.len() < 7 || quantile(&edges, 0.9) - quantile(&edges, 0.1) > ctx.px(MAX_RAGGED_CM) {
        return None;
    }
    let outermost = quantile(&edges, OUTERMOST);
    let edge_place = [out * outermost, middle[1]];
    (!arm_near(ctx, row, edge_place)).then_some(outermost)
}

/// Whether an arm or hand comes so near to a place that an edge there may be theirs.
fn arm_near(ctx: &Context, row: usize, place: [f64; 2]) -> bool {
    let track = ctx.body.track;
    [ctx.body.lead, ctx.body.lead.other()].into_iter().any(|side| {
        let at = |p| track.at(row, keypoint(p, side));
        let (shoulder, elbow, wrist) = (at(Part::Shoulder), at(Part::Elbow), at(Part::Wrist));
        // the hand goes on half a forearm beyond the wrist
        let hand = [wrist[0] + 0.5 * (wrist[0] - elbow[0]), wrist[1] + 0.5 * (wrist[1] - elbow[1])];
        [(shoulder, elbow), (elbow, hand)].into_iter().any(|(a, b)| to_segment(place, a, b) < ctx.px(ARM_CLEARANCE_CM))
    })
}

/// Distance of a place from the straight segment `a`–`b`.
fn to_segment(p: [f64; 2], a: [f64; 2], b: [f64; 2]) -> f64 {
    let (u, v) = ([b[0] - a[0], b[1] - a[1]], [p[0] - a[0], p[1] - a[1]]);
    let share = ((u[0] * v[0] + u[1] * v[1]) / (u[0] * u[0] + u[1] * u[1]).max(1e-9)).clamp(0.0, 1.0);
    distance(p, [a[0] + share * u[0], a[1] + share * u[1]])
}

/// Outer edge of the trail foot in one frame, as [`hip_edge`].
fn foot_edge(ctx: &Context, row: usize, outline: &Outline) -> Option<f64> {
    let (body, track) = (&ctx.body, ctx.body.track);
    let out = -body.toward;
    let shift = &track.camera[row];
    let ankle = track.at(row, body.trail(Part::Ankle));
    let edges: Vec<f64> = (0..=FOOT_ROWS_CM)
        .filter_map(|cm| {
            let start = [ankle[0] + shift.dx, ankle[1] + shift.dy + ctx.px(f64::from(cm))];
            outline.edge(start, [out, 0.0], ctx.px(30.0)).map(|walk| out * (start[0] + out * walk - shift.dx))
        })
        .collect();
    (edges.len() >= 5).then(|| edges.iter().copied().fold(f64::NEG_INFINITY, f64::max))
}

/// Reads hip and foot edges on the outlined frames of the swing.
pub fn hip_edges(ctx: &Context) -> Result<HipEdges, String> {
    let track = ctx.body.track;
    let moments = &ctx.swing.moments;
    let takeaway = ctx.moment(moments.takeaway, "the takeaway")?;
    let top = ctx.moment(moments.top, "the top")?;
    let past = ctx.swing.hands_past_hip().unwrap_or(takeaway.time);
    let out = -ctx.body.toward;
    let (mut address, mut back, mut feet, mut drops) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
    for (frame, outline) in &ctx.seen.outlines {
        let Some(row) = track.frames.iter().position(|f| f == frame) else { continue };
        let time = track.times[row];
        if time <= takeaway.time + 1e-6 {
            address.extend(hip_edge(ctx, row, outline, out));
            feet.extend(foot_edge(ctx, row, outline));
            let hip = ctx.body.track.at(row, ctx.body.trail(Part::Hip));
            drops.push(ctx.body.track.at(row, ctx.body.trail(Part::Ankle))[1] - hip[1]);
        } else if time >= past - 1e-6 && time <= top.time + 1e-6 {
            back.extend(hip_edge(ctx, row, outline, out).map(|e| (*frame, e)));
        }
    }
    if address.len() < 2 {
        return Err("the outline at address is torn or covered".into());
    }
    if back.len() < 3 {
        return Err("the outline of the backswing is torn or covered".into());
    }
    let home = median(&address);
    let mut moves: Vec<(usize, f64)> = back.iter().map(|(f, e)| (*f, e - home)).collect();
    moves.sort_by(|a, b| b.1.total_cmp(&a.1));
    let third = moves.len().div_ceil(3);
    let largest: Vec<f64> = moves[..third].iter().map(|m| m.1).collect();
    let (frame, furthest) = moves[third / 2];
    let spread = robust_sd(&address).max(ctx.px(0.1)) / (address.len() as f64).sqrt();
    let inside_foot_cm = if feet.len() < 2 {
        Err("the outline of the trail foot is torn or covered".to_string())
    } else {
        Ok(ctx.cm(median(&feet) - (home + median(&largest)).max(home)))
    };
    Ok(HipEdges {
        travel_cm: ctx.cm(median(&largest)),
        jitter_cm: ctx.cm(spread),
        inside_foot_cm,
        foot_jitter_cm: spread.hypot(median(&drops) * ctx.roll_sd()) * ctx.swing.cm_per_px,
        frames: moves[..third].iter().map(|m| m.0).collect(),
        frame,
        edge_x: out * (home + furthest),
        home_x: out * home,
        foot_x: (feet.len() >= 2).then(|| out * median(&feet)),
    })
}

/// The seat at address, as a camera behind the golfer sees it: the body's back edge at hip height, steadied picture x; `facing` is +1
/// where the golfer faces the right of the picture, −1 the left. A coach's plumb line stands there. (That edge at impact against it told
/// the pelvis's move worse than the hips' key points: the pelvis turns, and another part of it becomes the edge.)
pub fn seat(ctx: &Context, facing: f64) -> Option<f64> {
    let track = ctx.body.track;
    let takeaway = ctx.swing.moments.takeaway?.time;
    let edge = |(frame, outline): &(usize, Outline)| {
        let row = track.frames.iter().position(|f| f == frame)?;
        (track.times[row] <= takeaway + 1e-6).then(|| hip_edge(ctx, row, outline, -facing)).flatten()
    };
    let home: Vec<f64> = ctx.seen.outlines.iter().filter_map(edge).collect();
    (home.len() >= 2).then(|| -facing * median(&home))
}

/// The head in one outlined frame, steadied picture pixels.
#[derive(Debug, Clone, Copy)]
pub struct HeadSeen {
    pub frame: usize,
    pub time: f64,
    /// Middle between its two sides at the height of the ears.
    pub middle: Option<f64>,
    /// Its highest edge above the ears (picture y, so smaller is higher).
    pub top: Option<f64>,
}

/// Rows about the ears whose two edges are read, centimetres down; columns about the ears whose upper edge is read.
const HEAD_ROWS_CM: std::ops::RangeInclusive<i32> = -8..=2;
const HEAD_COLUMNS_CM: std::ops::RangeInclusive<i32> = -3..=3;
/// How far edges are sought, and how wide a head with hair or cap may be.
const HEAD_SIDE_CM: f64 = 22.0;
const HEAD_UP_CM: f64 = 30.0;
const HEAD_WIDTH_CM: std::ops::RangeInclusive<f64> = 10.0..=26.0;
/// Edges that must be found.
const HEAD_LEAST: usize = 4;

/// The head's outline at address and on the way to the top; an arm or a hand beside it makes it too wide, which is left out.
pub fn head(ctx: &Context) -> Vec<HeadSeen> {
    let (body, track) = (&ctx.body, ctx.body.track);
    let read = |(frame, outline): &(usize, Outline)| {
        let row = track.frames.iter().position(|f| f == frame)?;
        let shift = &track.camera[row];
        let ears = [body.lead(Part::Ear), body.trail(Part::Ear)].map(|k| track.at(row, k));
        let ear = [(ears[0][0] + ears[1][0]) / 2.0 + shift.dx, (ears[0][1] + ears[1][1]) / 2.0 + shift.dy];
        let middles: Vec<f64> = HEAD_ROWS_CM
            .filter_map(|cm| {
                let start = [ear[0], ear[1] + ctx.px(f64::from(cm))];
                let side = |x: f64| outline.edge(start, [x, 0.0], ctx.px(HEAD_SIDE_CM));
                let (left, right) = (side(-1.0)?, side(1.0)?);
                HEAD_WIDTH_CM.contains(&ctx.cm(left + right)).then_some(ear[0] + (right - left) / 2.0)
            })
            .collect();
        let tops: Vec<f64> = HEAD_COLUMNS_CM
            .filter_map(|cm| {
                let start = [ear[0] + ctx.px(f64::from(cm)), ear[1]];
                Some(ear[1] - outline.edge(start, [0.0, -1.0], ctx.px(HEAD_UP_CM))?)
            })
            .collect();
        let agreed = |v: &[f64], shift: f64| (v.len() >= HEAD_LEAST).then(|| median(v) - shift);
        Some(HeadSeen { frame: *frame, time: track.times[row], middle: agreed(&middles, shift.dx), top: agreed(&tops, shift.dy) })
    };
    ctx.seen.outlines.iter().filter_map(read).collect()
}
