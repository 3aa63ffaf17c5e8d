//! The lead elbow after impact: does it pop out of the line from shoulder to grip (a chicken wing), or does the arm stay
//! long? Several looks at each frame; a signed distance lets their noise cancel where an angle would pile it up.

use super::{Context, Outcome};
use crate::pose::Look;
use crate::swing::body::{distance, flexion_deg, keypoint, middle, signed_distance};
use crate::swing::{Moment, Part};
use crate::track::signal::{median, quantile, robust_sd};

/// The lead arm in one look, golf's axes (x toward the target, y up), pixels.
#[derive(Debug, Clone, Copy)]
struct Arm {
    shoulder: [f64; 2],
    elbow: [f64; 2],
    wrist: [f64; 2],
    grip: [f64; 2],
    hip: [f64; 2],
    visibility: f64,
}

/// The looks at one frame.
struct ArmFrame {
    frame: usize,
    time: f64,
    arms: Vec<Arm>,
}

fn arm(ctx: &Context, look: &Look) -> Arm {
    let exchanged = ctx.swing.view.sides_exchanged.then(|| look.with_sides_exchanged());
    let look = exchanged.as_ref().unwrap_or(look);
    let (lead, trail) = (ctx.body.lead, ctx.body.lead.other());
    let at = |p, side| ctx.body.turn(look.at(keypoint(p, side)));
    let sees = |p| f64::from(look.points[keypoint(p, lead) as usize].visibility);
    Arm {
        shoulder: at(Part::Shoulder, lead),
        elbow: at(Part::Elbow, lead),
        wrist: at(Part::Wrist, lead),
        grip: middle(at(Part::Wrist, lead), at(Part::Wrist, trail)),
        hip: at(Part::Hip, lead),
        visibility: sees(Part::Elbow).min(sees(Part::Wrist)),
    }
}

impl ArmFrame {
    fn over_looks(&self, f: impl Fn(&Arm) -> f64) -> f64 {
        median(&self.arms.iter().map(f).collect::<Vec<_>>())
    }
}

/// Length of the lead upper arm, pixels: what the picture shows where the arm lies in its plane (90th percentile over the
/// swing up to chest high).
fn upper_arm(ctx: &Context, until: f64) -> f64 {
    let track = &ctx.swing.track;
    let lengths: Vec<f64> = track
        .within(track.times[0], until)
        .iter()
        .map(|&i| distance(track.at(i, ctx.body.lead(Part::Shoulder)), track.at(i, ctx.body.lead(Part::Elbow))))
        .collect();
    quantile(&lengths, 0.9).max(1.0)
}

fn bow(a: &Arm, upper_arm: f64) -> f64 {
    signed_distance(a.elbow, a.shoulder, a.grip) / upper_arm
}

const NAMES: [&str; 11] = [
    "lead_elbow_bow_late_upper_arms",
    "lead_elbow_flexion_impact_deg",
    "lead_elbow_flexion_half_deg",
    "lead_elbow_flexion_late_deg",
    "lead_elbow_flexion_max_deg",
    "lead_elbow_separation_impact_cm",
    "lead_elbow_separation_half_cm",
    "lead_elbow_separation_max_cm",
    "lead_elbow_separation_max_upper_arms",
    "lead_hand_above_elbow_half_cm",
    "lead_hand_above_elbow_chest_cm",
];

/// All lead-elbow quantities.
pub fn measure(ctx: &Context) -> Vec<(&'static str, Outcome)> {
    match frames(ctx) {
        Err(why) => NAMES.iter().map(|&n| (n, Err(why.clone()))).collect(),
        Ok((impact, chest, arms)) => readings(ctx, impact, chest, &arms),
    }
}

fn frames(ctx: &Context) -> Result<(Moment, Moment, Vec<ArmFrame>), String> {
    ctx.face_on()?;
    let impact = ctx.moment(ctx.swing.moments.impact, "impact")?;
    let chest = ctx.moment(ctx.swing.moments.chest_high_follow_through, "chest high in the follow-through")?;
    if chest.time <= impact.time {
        return Err("the follow-through is unsure".into());
    }
    let track = &ctx.swing.track;
    let arms: Vec<ArmFrame> = ctx
        .seen
        .arms
        .iter()
        .filter_map(|a| {
            let row = track.frames.iter().position(|f| *f == a.frame)?;
            Some(ArmFrame { frame: a.frame, time: track.times[row], arms: a.looks.iter().map(|l| arm(ctx, l)).collect() })
        })
        .collect();
    let seen = arms.iter().filter(|f| f.over_looks(|a| a.visibility) >= ctx.settings.gates.min_visibility).count();
    if arms.len() < 2 || seen * 2 < arms.len() {
        return Err("the lead arm is hidden or blurred after impact".into());
    }
    Ok((impact, chest, arms))
}

fn readings(ctx: &Context, impact: Moment, chest: Moment, arms: &[ArmFrame]) -> Vec<(&'static str, Outcome)> {
    let upper = upper_arm(ctx, chest.time);
    let half = ctx.swing.moments.half_follow_through;
    // the second half of impact to chest high; where the frames are too sparse for two, the nearest two
    let middle_time = (impact.time + chest.time) / 2.0;
    let mut late: Vec<&ArmFrame> = arms.iter().filter(|a| (middle_time..=chest.time + 1e-6).contains(&a.time)).collect();
    if late.len() < 2 {
        let aim = (middle_time + chest.time) / 2.0;
        late = arms.iter().collect();
        late.sort_by(|a, b| (a.time - aim).abs().total_cmp(&(b.time - aim).abs()));
        late.truncate(2);
    }
    let over = |set: &[&ArmFrame], f: &dyn Fn(&Arm) -> f64| -> (f64, f64, Vec<usize>) {
        let all: Vec<f64> = set.iter().flat_map(|a| a.arms.iter().map(f)).collect();
        let frames: Vec<f64> = set.iter().map(|a| a.over_looks(f)).collect();
        let spread = robust_sd(&frames) / (frames.len() as f64).sqrt();
        (median(&all), spread.min(robust_sd(&all)), set.iter().map(|a| a.frame).collect())
    };
    let near = |m: Moment| -> Vec<&ArmFrame> {
        let reach = (0.012 * ctx.swing.slowness).max(m.sd);
        let inside: Vec<&ArmFrame> = arms.iter().filter(|a| (a.time - m.time).abs() <= reach).collect();
        if !inside.is_empty() {
            return inside;
        }
        arms.iter().min_by(|a, b| (a.time - m.time).abs().total_cmp(&(b.time - m.time).abs())).into_iter().collect()
    };
    let flexion = |a: &Arm| flexion_deg(a.shoulder, a.elbow, a.wrist);
    let separation = |a: &Arm| signed_distance(a.elbow, a.shoulder, a.hip);
    let hand_above = |a: &Arm| a.wrist[1] - a.elbow[1];
    let up_to_chest: Vec<&ArmFrame> = arms.iter().filter(|a| a.time <= chest.time + 0.012 * ctx.swing.slowness).collect();
    let largest = |f: &dyn Fn(&Arm) -> f64| -> (f64, Vec<usize>) {
        up_to_chest
            .iter()
            .map(|a| (a.over_looks(f), vec![a.frame]))
            .fold((f64::NEG_INFINITY, Vec::new()), |b, n| if n.0 > b.0 { n } else { b })
    };
    let plain = |name: &'static str, (v, spread, frames): (f64, f64, Vec<usize>)| (name, ctx.reading(name, v, spread, frames, false));
    let length = |name: &'static str, (v, spread, frames): (f64, f64, Vec<usize>)| {
        (name, ctx.reading(name, ctx.cm(v), ctx.cm(spread), frames, true))
    };
    let at_half = |name: &'static str, f: &dyn Fn(&Arm) -> f64, is_length: bool| match half {
        None => (name, Err("half follow-through is outside the clip or unsure".to_string())),
        Some(m) if is_length => length(name, over(&near(m), f)),
        Some(m) => plain(name, over(&near(m), f)),
    };
    let (max_flexion, flexion_frames) = largest(&flexion);
    let (max_separation, separation_frames) = largest(&separation);
    vec![
        plain(NAMES[0], over(&late, &|a| bow(a, upper))),
        plain(NAMES[1], over(&near(impact), &flexion)),
        at_half(NAMES[2], &flexion, false),
        plain(NAMES[3], over(&late, &flexion)),
        plain(NAMES[4], (max_flexion, 0.0, flexion_frames)),
        length(NAMES[5], over(&near(impact), &separation)),
        at_half(NAMES[6], &separation, true),
        length(NAMES[7], (max_separation, 0.0, separation_frames.clone())),
        plain(NAMES[8], (max_separation / upper, 0.0, separation_frames)),
        at_half(NAMES[9], &hand_above, true),
        length(NAMES[10], over(&near(chest), &hand_above)),
    ]
}
