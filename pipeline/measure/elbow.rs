//! The lead elbow after impact: does it leave the line from shoulder to grip outward (a chicken wing), or does the arm stay
//! long? What decides, the late bow and bend, is the plain median of all looks at all frames of the second half, with nothing
//! taken off: a line over time with a fitted gain was nearer in the world that it was fitted in and further off in the others.
//! At single moments a straight line over time through all looks is read. All is signed, so that noise cancels where an angle's
//! size would pile it up.

use super::{Context, Outcome};
use crate::report::types::Shown;
use crate::seen::Look;
use crate::swing::body::{distance, flexion_deg, keypoint, middle, signed_distance};
use crate::swing::fit::{Line, robust_line};
use crate::swing::{Moment, Part};
use crate::track::signal::{median, quantile, robust_sd};
use std::collections::BTreeMap;

/// The lead arm in one look, golf's axes (x toward the target, y up), pixels.
#[derive(Debug, Clone, Copy)]
struct Arm {
    /// Which of the looks at its frame.
    look: usize,
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

fn arm(ctx: &Context, number: usize, look: &Look) -> Arm {
    let exchanged = ctx.swing.view.sides_exchanged.then(|| look.with_sides_exchanged());
    let look = exchanged.as_ref().unwrap_or(look);
    let (lead, trail) = (ctx.body.lead, ctx.body.lead.other());
    let at = |p, side| ctx.body.turn(look.at(keypoint(p, side)));
    let sees = |p| f64::from(look.points[keypoint(p, lead) as usize].visibility);
    Arm {
        look: number,
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
pub fn upper_arm(ctx: &Context, until: f64) -> f64 {
    let track = &ctx.swing.track;
    let lengths: Vec<f64> = track
        .within(track.times[0], until)
        .iter()
        .map(|&i| distance(track.at(i, ctx.body.lead(Part::Shoulder)), track.at(i, ctx.body.lead(Part::Elbow))))
        .collect();
    quantile(&lengths, 0.9).max(1.0)
}

/// How far the elbow lies outward of the line from shoulder to grip (golf's axes), upper arms.
pub fn bow_of(shoulder: [f64; 2], elbow: [f64; 2], grip: [f64; 2], upper_arm: f64) -> f64 {
    signed_distance(elbow, shoulder, grip) / upper_arm
}

fn bow(a: &Arm, upper_arm: f64) -> f64 {
    bow_of(a.shoulder, a.elbow, a.grip, upper_arm)
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
            let arms: Vec<Arm> = a.looks.iter().enumerate().map(|(n, l)| arm(ctx, n, l)).collect();
            let (possible, folded): (Vec<Arm>, Vec<Arm>) = arms.into_iter().partition(|a| bend(a).abs() <= MOST_BEND);
            // most looks saw no arm here: neither did the others
            (possible.len() > folded.len()).then_some(ArmFrame { frame: a.frame, time: track.times[row], arms: possible })
        })
        .collect();
    let seen = arms.iter().filter(|f| f.over_looks(|a| a.visibility) >= ctx.settings.gates.min_visibility).count();
    if arms.len() < 2 || seen * 2 < arms.len() {
        return Err("the lead arm is hidden or blurred after impact".into());
    }
    Ok((impact, chest, arms))
}

/// Signed bend of the elbow, degrees: positive where it is outward of the line shoulder to wrist.
fn bend(a: &Arm) -> f64 {
    flexion_deg(a.shoulder, a.elbow, a.wrist).copysign(signed_distance(a.elbow, a.shoulder, a.wrist))
}

/// A line over time through all looks at these frames. Looks at one frame agree less where the picture is blurred and count
/// for less there; agreement better than `least_spread` (in the unit of `f`) is chance.
fn over_time(arms: &[&ArmFrame], f: &dyn Fn(&Arm) -> f64, least_spread: f64) -> Option<Line> {
    let mut samples = Vec::new();
    for frame in arms {
        let values: Vec<f64> = frame.arms.iter().map(f).collect();
        let spread = robust_sd(&values).max(least_spread);
        samples.extend(values.iter().zip(&frame.arms).map(|(v, a)| (frame.time, *v, a.visibility.clamp(0.05, 1.0) / (spread * spread))));
    }
    robust_line(&samples, arms.len())
}

/// How far apart the medians of the looks through each region lie.
fn disagreement(arms: &[&ArmFrame], f: &dyn Fn(&Arm) -> f64) -> f64 {
    let mut by_look: BTreeMap<usize, Vec<f64>> = BTreeMap::new();
    for a in arms.iter().flat_map(|a| &a.arms) {
        by_look.entry(a.look).or_default().push(f(a));
    }
    let medians: Vec<f64> = by_look.values().map(|v| median(v)).collect();
    quantile(&medians, 1.0) - quantile(&medians, 0.0)
}

/// Frames a little outside impact to chest high still tell about it, seconds of real time.
const MARGIN: f64 = 0.020;
/// Least spread of the looks: degrees, upper arms, cm.
const LEAST_BEND: f64 = 3.0;
const LEAST_BOW: f64 = 0.02;
const LEAST_SEPARATION_CM: f64 = 1.0;
/// Bent further than this, degrees, is no arm a tenth of a second after impact (an elbow flexes to about 140° at most, and not
/// within so short a time under a club's pull; common practice, no source): such a look saw something else.
const MOST_BEND: f64 = 100.0;
/// What is far out of line is misread by more: standard deviation ÷ value (the order of wings survives, their size less so).
const PROPORTION: f64 = 0.2;
/// Looks through unlike regions that disagree on the whole second half tell that they err (four worlds of rendered clips: nine of
/// ten errors under .07 where they agree within .07, under .25 where they do not): the range of their medians, times this, is
/// what the median of all is unsure by.
const SHARED: f64 = 0.6;
/// A bend known no better than this (standard error, degrees) tells an arm that is long from one that is folded no more.
const MOST_BEND_SE: f64 = 15.0;

/// The middle of what decides after impact, seconds: that of the second half of the way to chest high.
pub fn late(impact: f64, chest: f64) -> f64 {
    (impact + 3.0 * chest) / 4.0
}

/// The frames from impact to chest high, and those of the second half.
fn halves<'a>(ctx: &Context, impact: Moment, chest: Moment, arms: &'a [ArmFrame]) -> (Vec<&'a ArmFrame>, Vec<&'a ArmFrame>) {
    let margin = MARGIN * ctx.swing.slowness;
    let used: Vec<&ArmFrame> = arms.iter().filter(|a| (impact.time - margin..=chest.time + margin).contains(&a.time)).collect();
    let second_half = used.iter().filter(|a| a.time >= (impact.time + chest.time) / 2.0 - margin).copied().collect();
    (used, second_half)
}

/// Regions whose looks put the elbow further apart than this, upper arms, do not agree.
const AGREE: f64 = 0.10;

/// The lead arm at impact, at half and in the late follow-through: of the looks that were read there, the one that comes nearest to
/// what was measured. Places in the picture as filmed.
pub fn shown(ctx: &Context) -> Vec<(&'static str, Shown)> {
    let Ok((impact, chest, arms)) = frames(ctx) else { return Vec::new() };
    let upper = upper_arm(ctx, chest.time);
    let (used, second_half) = halves(ctx, impact, chest, &arms);
    let measured = |name: &'static str, wanted: [f64; 2], among: &[&ArmFrame]| -> Option<(&'static str, Shown)> {
        let off = |a: &Arm| ((bow(a, upper) - wanted[0]) / LEAST_BOW).hypot((bend(a) - wanted[1]) / LEAST_BEND);
        let all = among.iter().flat_map(|f| f.arms.iter().map(|a| (f.frame, a)));
        let (frame, nearest) = all.min_by(|a, b| off(a.1).total_cmp(&off(b.1)))?;
        let sure = disagreement(among, &|a| bow(a, upper)) <= AGREE;
        Some((name, Shown { frame, sure, places: places(ctx, nearest), ..Shown::default() }))
    };
    let mut all = Vec::new();
    if let Some((bow_line, bend_line)) = over_time(&used, &|a| bow(a, upper), LEAST_BOW).zip(over_time(&used, &bend, LEAST_BEND)) {
        for (name, moment) in [("impact", Some(impact)), ("half_follow_through", ctx.swing.moments.half_follow_through)] {
            let Some(m) = moment else { continue };
            let nearest = used.iter().min_by(|a, b| (a.time - m.time).abs().total_cmp(&(b.time - m.time).abs())).copied();
            all.extend(measured(name, [bow_line.at(m.time), bend_line.at(m.time)], &nearest.into_iter().collect::<Vec<_>>()));
        }
    }
    let middle = |f: &dyn Fn(&Arm) -> f64| median(&second_half.iter().flat_map(|a| a.arms.iter().map(f)).collect::<Vec<_>>());
    all.extend(measured("late_follow_through", [middle(&|a| bow(a, upper)), middle(&bend)], &second_half));
    all
}

fn places(ctx: &Context, a: &Arm) -> BTreeMap<String, [f64; 2]> {
    let all = [("lead_shoulder", a.shoulder), ("lead_elbow", a.elbow), ("lead_wrist", a.wrist), ("grip", a.grip)];
    all.map(|(name, p)| (name.to_string(), ctx.body.picture(p))).into()
}

/// The lead arm at every frame from impact to chest high at which it was looked at, by frame: of the looks there the one whose
/// bow is their median.
pub fn in_motion(ctx: &Context) -> BTreeMap<usize, Shown> {
    let Ok((impact, chest, arms)) = frames(ctx) else { return BTreeMap::new() };
    let upper = upper_arm(ctx, chest.time);
    let (used, _) = halves(ctx, impact, chest, &arms);
    let of_frame = |frame: &&ArmFrame| {
        let usual = frame.over_looks(|a| bow(a, upper));
        let off = |a: &Arm| (bow(a, upper) - usual).abs();
        let nearest = frame.arms.iter().min_by(|a, b| off(a).total_cmp(&off(b)))?;
        let sure = disagreement(&[*frame], &|a| bow(a, upper)) <= AGREE;
        Some((frame.frame, Shown { frame: frame.frame, sure, places: places(ctx, nearest), ..Shown::default() }))
    };
    used.iter().filter_map(of_frame).collect()
}

fn readings(ctx: &Context, impact: Moment, chest: Moment, arms: &[ArmFrame]) -> Vec<(&'static str, Outcome)> {
    let upper = upper_arm(ctx, chest.time);
    let half = ctx.swing.moments.half_follow_through;
    let (used, second_half) = halves(ctx, impact, chest, arms);
    let frames: Vec<usize> = used.iter().map(|a| a.frame).collect();
    let late = late(impact.time, chest.time);
    let too_few = || Err("too few pictures between impact and chest high".to_string());
    let lines = match used.len() {
        0 | 1 => None,
        _ => over_time(&used, &bend, LEAST_BEND).zip(over_time(&used, &|a| bow(a, upper), LEAST_BOW)).zip(over_time(
            &used,
            &|a| signed_distance(a.elbow, a.shoulder, a.hip),
            ctx.px(LEAST_SEPARATION_CM),
        )),
    };
    let Some(((bend, bow), separation)) = lines else { return NAMES.iter().map(|&n| (n, too_few())).collect() };
    // looks that disagree by more than would decide anything: the arm is hidden or blurred, and a number would be a guess
    if bow.se_at(late) > ctx.settings.limits.lead_elbow_bow_late_upper_arms || bend.se_at(late) > MOST_BEND_SE {
        let why = || Err("the looks at the lead arm disagree: it is hidden or blurred after impact".to_string());
        return NAMES.iter().map(|&n| (n, why())).collect();
    }
    let late_frames: Vec<usize> = second_half.iter().map(|a| a.frame).collect();
    let plain = |name: &'static str, f: &dyn Fn(&Arm) -> f64, size: bool| {
        let values: Vec<f64> = second_half.iter().flat_map(|a| a.arms.iter().map(f)).collect();
        if values.is_empty() {
            return too_few();
        }
        let middle = median(&values);
        let doubt = (SHARED * disagreement(&second_half, f)).hypot(PROPORTION * middle);
        ctx.reading(name, if size { middle.abs() } else { middle }, doubt, late_frames.clone(), false)
    };
    let near = |m: Moment| -> Vec<&ArmFrame> {
        let reach = (0.012 * ctx.swing.slowness).max(m.sd);
        let inside: Vec<&ArmFrame> = arms.iter().filter(|a| (a.time - m.time).abs() <= reach).collect();
        if !inside.is_empty() {
            return inside;
        }
        arms.iter().min_by(|a, b| (a.time - m.time).abs().total_cmp(&(b.time - m.time).abs())).into_iter().collect()
    };
    let at_half = |name: &'static str, read: &dyn Fn(Moment) -> Outcome| match half {
        None => (name, Err("half follow-through is outside the clip or unsure".to_string())),
        Some(m) => (name, read(m)),
    };
    let angle = |name: &'static str, time: f64| ctx.reading(name, bend.at(time).abs(), bend.se_at(time), frames.clone(), false);
    let apart = |name: &'static str, time: f64| {
        ctx.reading(name, ctx.cm(separation.at(time)), ctx.cm(separation.se_at(time)), frames.clone(), true)
    };
    let hand_above = |name: &'static str, m: Moment| {
        let set = near(m);
        let values: Vec<f64> = set.iter().map(|a| a.over_looks(|a| a.wrist[1] - a.elbow[1])).collect();
        let spread = robust_sd(&values) / (values.len() as f64).sqrt();
        ctx.reading(name, ctx.cm(median(&values)), ctx.cm(spread), set.iter().map(|a| a.frame).collect(), true)
    };
    // a line is largest at one of its ends
    let end = |f: &dyn Fn(f64) -> f64| if f(impact.time) > f(chest.time) { impact.time } else { chest.time };
    let (most_bent, widest) = (end(&|t| bend.at(t).abs()), end(&|t| separation.at(t)));
    let in_arms = (separation.at(widest) / upper, separation.se_at(widest) / upper);
    vec![
        (NAMES[0], plain(NAMES[0], &|a| self::bow(a, upper), false)),
        (NAMES[1], angle(NAMES[1], impact.time)),
        at_half(NAMES[2], &|m| angle(NAMES[2], m.time)),
        (NAMES[3], plain(NAMES[3], &self::bend, true)),
        (NAMES[4], angle(NAMES[4], most_bent)),
        (NAMES[5], apart(NAMES[5], impact.time)),
        at_half(NAMES[6], &|m| apart(NAMES[6], m.time)),
        (NAMES[7], apart(NAMES[7], widest)),
        (NAMES[8], ctx.reading(NAMES[8], in_arms.0, in_arms.1, frames.clone(), false)),
        at_half(NAMES[9], &|m| hand_above(NAMES[9], m)),
        (NAMES[10], hand_above(NAMES[10], chest)),
    ]
}
