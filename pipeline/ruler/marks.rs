//! Points that a coach sets in the pictures of a clip, and questions about those that look like slips.

use crate::measure::Context;
use crate::report::Report;
use crate::report::types::{Swing, ViewKind};
use crate::swing::body::distance;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// What is marked, in the order in which it is asked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Place {
    FootAddress,
    HipAddress,
    HeadAddress,
    BallAddress,
    HipFurthest,
    HeadTop,
    ShoulderLate,
    ElbowLate,
    GripLate,
}

impl Place {
    /// In the order of a page.
    pub const ALL: [Place; 9] = [
        Place::FootAddress,
        Place::HipAddress,
        Place::HeadAddress,
        Place::BallAddress,
        Place::HipFurthest,
        Place::HeadTop,
        Place::ShoulderLate,
        Place::ElbowLate,
        Place::GripLate,
    ];

    /// What is to be pointed at.
    pub fn words(self) -> &'static str {
        match self {
            Place::FootAddress => "outer edge of the trail foot",
            Place::HipAddress | Place::HipFurthest => "outer edge of the trail hip",
            Place::HeadAddress | Place::HeadTop => "middle of the head",
            Place::BallAddress => "ball",
            Place::ShoulderLate => "lead shoulder",
            Place::ElbowLate => "lead elbow",
            Place::GripLate => "grip, between the hands",
        }
    }

    /// The pictures among which it is marked.
    pub fn stage(self) -> Stage {
        match self {
            Place::FootAddress | Place::HipAddress | Place::HeadAddress | Place::BallAddress => Stage::Address,
            Place::HipFurthest => Stage::Back,
            Place::HeadTop => Stage::Top,
            Place::ShoulderLate | Place::ElbowLate | Place::GripLate => Stage::Late,
        }
    }
}

/// A part of the swing of which pictures are offered.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Stage {
    Address,
    /// Around the top of the backswing.
    Back,
    Top,
    /// Late in the follow-through.
    Late,
}

impl Stage {
    pub const ALL: [Stage; 4] = [Stage::Address, Stage::Back, Stage::Top, Stage::Late];

    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Stage::Address => "address",
            Stage::Back => "near the top, the hip furthest from the target",
            Stage::Top => "top of the backswing",
            Stage::Late => "late follow-through",
        }
    }
}

/// A point: seconds of clip time of its picture, pixels of the upright picture as filmed, pixel centres at whole numbers.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Mark {
    pub time: f64,
    pub x: f64,
    pub y: f64,
}

/// The points of one clip.
pub type Marks = BTreeMap<Place, Mark>;

/// Pictures before the top that are offered for the hip, seconds of real time: fixed, so that they tell nothing of what was measured.
const BEFORE_TOP: [f64; 3] = [0.16, 0.08, 0.0];
/// The picture of the address lies this long before the takeaway, seconds of real time: inside the time in which golfers stand still
/// (`swing/read.rs`).
const BEFORE_TAKEAWAY: f64 = 0.1;

/// Times of the pictures offered at each stage, seconds of clip time; a stage outside the clip is left out. Error: why there is
/// nothing to mark, as a clause.
pub fn offered(report: &Report) -> Result<Vec<(Stage, Vec<f64>)>, String> {
    let (Some(swing), Some(video)) = (main(report), &report.video) else { return Err("no swing was found in this clip".into()) };
    match report.view.as_ref().map(|v| v.kind) {
        Some(ViewKind::FaceOn) => {}
        _ => return Err("only a face-on clip shows what is marked".into()),
    }
    let slow = video.playback_factor.value;
    let e = &swing.events;
    let mut all = Vec::new();
    if let Some(a) = e.takeaway {
        all.push((Stage::Address, vec![a.time_s - BEFORE_TAKEAWAY * slow]));
    }
    if let Some(top) = e.top {
        all.push((Stage::Back, BEFORE_TOP.map(|b| top.time_s - b * slow).to_vec()));
        all.push((Stage::Top, vec![top.time_s]));
    }
    if let (Some(impact), Some(chest)) = (e.impact, e.chest_high_follow_through) {
        all.push((Stage::Late, vec![crate::measure::elbow::late(impact.time_s, chest.time_s)]));
    }
    let end = video.duration_s;
    all.iter_mut().for_each(|(_, times)| times.iter_mut().for_each(|t| *t = t.clamp(0.0, end)));
    if all.is_empty() { Err("no moment of the swing is inside the clip".into()) } else { Ok(all) }
}

/// Moments of which a picture is shown beside, where nothing is marked: words, seconds of clip time.
pub fn besides(report: &Report) -> Vec<(&'static str, f64)> {
    let Some(e) = main(report).map(|s| &s.events) else { return Vec::new() };
    let all = [("impact", e.impact), ("half follow-through", e.half_follow_through)];
    all.into_iter().filter_map(|(words, event)| Some((words, event?.time_s))).collect()
}

/// The swing that is marked.
pub fn main(report: &Report) -> Option<&Swing> {
    report.swings.iter().find(|s| s.main)
}

/// Two points nearer than this, pixels, are one.
const ONE_PLACE_PX: f64 = 2.0;
/// A pelvis is no wider than this, cm, and its outer edge no further inside the trail foot's (common practice, no source).
const HIP_INSIDE_CM: f64 = 45.0;
/// Nor does it or a head move further in a backswing.
const HIP_MOVE_CM: f64 = 30.0;
const HEAD_MOVE_CM: f64 = 40.0;
/// And a ball lies no further to the side of the head at address.
const BALL_ASIDE_CM: f64 = 60.0;
/// Upper arm ÷ elbow to grip lies between these, foreshortened as they may be.
const ARM_RATIO: std::ops::RangeInclusive<f64> = 0.3..=3.0;

/// What a second pair of eyes would ask about these points; none where they look right. Points outside the picture or its time are
/// no slips but nonsense: those are the error.
pub fn questions(ctx: &Context, marks: &Marks) -> Result<Vec<String>, String> {
    let about = &ctx.seen.about;
    let end = about.duration_s + 1.0;
    for (place, m) in marks {
        let inside = |v: f64, most: u32| (-0.5..=f64::from(most) - 0.5).contains(&v);
        if !(inside(m.x, about.width) && inside(m.y, about.height)) {
            return Err(format!("the {} lies outside the picture", place.words()));
        }
        if !(0.0..=end).contains(&m.time) {
            return Err(format!("the {} is marked in no picture of the clip", place.words()));
        }
    }
    let at = |p: Place| marks.get(&p).map(|m| ctx.of_picture([m.x, m.y], m.time));
    // away from the target, cm
    let away = |p: Place| at(p).map(|q| -ctx.cm(q[0]));
    let mut asked = Vec::new();
    let all: Vec<_> = marks.iter().collect();
    for (i, (p, a)) in all.iter().enumerate() {
        for (q, b) in &all[i + 1..] {
            if p.stage() == q.stage() && distance([a.x, a.y], [b.x, b.y]) < ONE_PLACE_PX {
                asked.push(format!("The {} and the {} are marked on one place. Is that so?", p.words(), q.words()));
            }
        }
    }
    let between = |a: Place, b: Place| away(a).zip(away(b)).map(|(a, b)| a - b);
    let swapped = between(Place::FootAddress, Place::HeadAddress).is_some_and(|d| d < 0.0)
        || between(Place::HipAddress, Place::HeadAddress).is_some_and(|d| d < 0.0);
    if swapped {
        asked.push("Foot or hip is marked on the target's side of the head. Are trail and lead side exchanged?".into());
    } else if between(Place::FootAddress, Place::HipAddress).is_some_and(|d| d > HIP_INSIDE_CM) {
        asked.push("The hip is marked further inside the trail foot than a pelvis is wide. Is it the edge on the foot's side?".into());
    }
    if between(Place::HipFurthest, Place::HipAddress).is_some_and(|d| d.abs() > HIP_MOVE_CM) {
        asked.push(format!("The hip moves more than {HIP_MOVE_CM:.0} cm between its two marks. Is it the same edge?"));
    }
    if between(Place::HeadTop, Place::HeadAddress).is_some_and(|d| d.abs() > HEAD_MOVE_CM) {
        asked.push(format!("The head moves more than {HEAD_MOVE_CM:.0} cm between its two marks. Is it the same head?"));
    }
    if between(Place::HeadAddress, Place::BallAddress).is_some_and(|d| d.abs() > BALL_ASIDE_CM) {
        asked.push("The ball is marked far to the side of the head. Is it the ball that was hit?".into());
    }
    if let (Some(s), Some(e), Some(g)) = (at(Place::ShoulderLate), at(Place::ElbowLate), at(Place::GripLate))
        && !ARM_RATIO.contains(&(distance(s, e) / distance(e, g).max(1e-9)))
    {
        asked.push("The elbow is marked beside shoulder or grip. Are the three in their places?".into());
    }
    Ok(asked)
}
