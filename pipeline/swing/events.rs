//! The events of a swing, from the body and its hands: no club is seen. Times are interpolated between frames.

use super::body::{Body, Part, distance};
use super::fit;
use super::windows::Window;
use crate::report::types::EventFrom;
use crate::track::signal::{median, smooth};
use crate::track::{ARM_CUT_OFF, BODY_CUT_OFF};

/// A moment: seconds of clip time and its standard uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Moment {
    pub time: f64,
    pub sd: f64,
}

/// All moments of a swing; `None` where outside the clip or unsure.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Moments {
    pub takeaway: Option<Moment>,
    /// What tells the takeaway.
    pub takeaway_from: EventFrom,
    pub lead_arm_level_back: Option<Moment>,
    pub top: Option<Moment>,
    pub lead_arm_level_down: Option<Moment>,
    pub impact: Option<Moment>,
    /// Two readings of the top are further apart than their errors.
    pub top_doubtful: bool,
    /// What tells the impact.
    pub impact_from: EventFrom,
    pub half_follow_through: Option<Moment>,
    pub chest_high_follow_through: Option<Moment>,
    pub finish: Option<Moment>,
}

/// Reading of the lead arm's direction (degrees from hanging) when the arm is truly level: the model's shoulder point sits above
/// the joint. This and the next three were read off rendered `calibrate` and `develop` clips by hand.
const ARM_LEVEL_DEG: f64 = 80.0;
/// The same on the way down, when the shoulder is lower and the arm blurred: 81 and 73 in two renderers, where the arm passes 400
/// degrees in a second.
const ARM_LEVEL_DOWN_DEG: f64 = 77.0;
/// What the two are off by, degrees: spread within four worlds and between them.
const LEVEL_SD_DEG: f64 = 5.5;
const LEVEL_DOWN_SD_DEG: f64 = 8.0;
/// The hands pass this far ahead of their address place at impact, cm.
const HANDS_AHEAD_CM: f64 = 3.0;
/// The hands' direction from the pelvis turns back this much before the lead arm's, seconds of real time.
const TOP_DELAY: f64 = 0.008;
/// The onset of takeaway lies this much before where the hands' path is carried back to zero, seconds of real time.
const TAKEAWAY_LEAD: f64 = 0.022;
/// Down the line the hands' way to the top is theirs over this long, seconds of real time; and the standard deviation of a top so read.
const WAY_TO_TOP: f64 = 0.15;
const TOP_SD_DOWN_THE_LINE: f64 = 0.020;
/// Within this of the furthest they are at the top, cm.
const TOP_FLAT_CM: f64 = 0.8;
/// Half-width of local fits around the fast events, seconds of real time.
const FIT_REACH: f64 = 0.030;
/// Down the line the hands are nearest to their address place this much before the strike, and what that is off by from swing to swing
/// and world to world, seconds of real time (13 clips of three worlds).
const IMPACT_DELAY: f64 = 0.013;
const IMPACT_SD: f64 = 0.020;
/// Half-width of the fit around the top.
const TOP_REACH: f64 = 0.060;
/// Lateral doubt of the hands' place at impact, cm.
const HANDS_AHEAD_SD_CM: f64 = 4.0;
/// Looks before the takeaway that tell where the hands rest.
const MIN_STILL: usize = 3;
/// The move that is a takeaway, and slow hands at the finish.
const TAKEAWAY_CM: f64 = 5.0;
/// The truth's 30 cm/s reads about 40, 24 ms late (calibrate clips; elbows, shoulders and other speeds and spans tell it no
/// better): the hands jitter behind the head.
const FINISH_SPEED_CM_S: f64 = 40.0;
const FINISH_REACH: f64 = 0.1;
const FINISH_LATE: f64 = 0.024;
const FINISH_SECONDS: f64 = 0.2;
/// Its error, seconds of real time (135 clips face-on in four worlds: standard deviations .05 to .14, 95 % within .12 to .26); down the
/// line it is read early (three worlds: .08 to .16).
const FINISH_SD: f64 = 0.11;
const FINISH_END_ON: f64 = 0.1;

/// Direction of the lead arm (shoulder → wrist), degrees from hanging straight down, positive going back (away from the
/// target), unwrapped over time.
pub fn arm_direction(body: &Body, tip: impl Fn(usize) -> [f64; 2]) -> Vec<f64> {
    direction(body, |i| body.at(i, body.lead(Part::Shoulder)), tip)
}

fn direction(body: &Body, root: impl Fn(usize) -> [f64; 2], tip: impl Fn(usize) -> [f64; 2]) -> Vec<f64> {
    let mut last = f64::NAN;
    body.over_time(|i| {
        let (s, w) = (root(i), tip(i));
        (-(w[0] - s[0])).atan2(-(w[1] - s[1])).to_degrees()
    })
    .into_iter()
    .map(|a| {
        let mut a = a;
        if last.is_finite() {
            a += 360.0 * ((last - a) / 360.0).round();
        }
        last = a;
        a
    })
    .collect()
}

/// Finds the moments of a swing seen square or nearly so. `key`: the best looks alone, where there are any; `cm_per_px`:
/// scale; `slowness`: clip time ÷ real time.
pub fn find(body: &Body, key: &Body, w: &Window, cm_per_px: f64, slowness: f64) -> Moments {
    let t = &body.track.times;
    let k = slowness;
    let half_frame = |time: f64| {
        let i = body.track.nearest(time);
        let (a, b) = (i.saturating_sub(1), (i + 1).min(t.len() - 1));
        (t[b] - t[a]) / (b - a).max(1) as f64 / 2.0
    };
    let moment = |time: f64, sd: f64| Moment { time, sd: sd.max(half_frame(time)) };
    let grip: Vec<[f64; 2]> = (0..t.len()).map(|i| body.grip(i)).collect();
    let wrist = |i: usize| body.at(i, body.lead(Part::Wrist));
    let arm = arm_direction(body, wrist);
    let arm_smooth = smooth(t, &arm, ARM_CUT_OFF / k);
    let mut found = Moments::default();

    let from = body.track.nearest(w.takeaway.unwrap_or(t[0]));
    let until = body.track.nearest(w.impact.unwrap_or(w.end));
    if until <= from + 3 {
        return found;
    }
    // the lead arm turns back together with the hands; their direction from the pelvis is seen far better at the top. Only
    // while the hands are well above the pelvis: near it the direction means nothing.
    let hip = |i: usize| body.mid(i, Part::Hip);
    let high = |i: &usize| grip[*i][1] - hip(*i)[1] > 0.4 * body.track.trunk;
    let aim = body.track.nearest(w.top);
    let first = (from..=aim).rev().take_while(high).last().unwrap_or(aim);
    let last = (aim..=until.max(aim)).take_while(high).last().unwrap_or(aim);
    if last < first + 4 {
        return found;
    }
    let hands = direction(body, hip, |i| grip[i]);
    let turn = hands[first];
    let hands: Vec<f64> = hands[first..=last].iter().map(|a| a - 360.0 * ((a - turn) / 360.0).round()).collect();
    let times = &t[first..=last];
    let hands_smooth = smooth(times, &hands, ARM_CUT_OFF / k);
    let Some(local) = (0..hands.len()).max_by(|&a, &b| hands_smooth[a].total_cmp(&hands_smooth[b])) else { return found };
    let top = first + local;
    // the arm's highest reading at the clip's last frame is no reversal
    let reversed = w.impact.is_some() || top + 3 < t.len();
    let (top_time, _) = fit::extremum(times, &hands, local, 1.0, TOP_REACH * k);
    if reversed {
        found.top = Some(moment(top_time + TOP_DELAY * k, 0.010 * k));
        found.check_top(t, &grip, until, body.track.trunk, k);
    }
    found.lead_arm_level_back = fit::last_crossing(t, &arm_smooth, top, ARM_LEVEL_DEG, true, 2.0 * FIT_REACH * k)
        .map(|(time, slope)| moment(time, LEVEL_SD_DEG / slope.abs().max(20.0)));
    let Some(takeaway_guess) = w.takeaway else {
        return after_top(found, body, &grip, &arm, top, w, cm_per_px, k, None, &moment);
    };

    // two models put the same still hands a centimetre or two apart: rest and first move are read from one of them
    let before = |b: &Body| b.track.within(takeaway_guess - 0.5 * k, takeaway_guess - 0.03 * k);
    let calm = if before(key).len() >= MIN_STILL { key } else { body };
    let still = before(calm);
    let hands: Vec<[f64; 2]> = (0..calm.track.len()).map(|i| calm.grip(i)).collect();
    let rest = (!still.is_empty()).then(|| {
        let of = |axis: usize| median(&still.iter().map(|&i| hands[i][axis]).collect::<Vec<_>>());
        [of(0), of(1)]
    });
    if let Some(rest) = rest {
        found.takeaway = takeaway(&calm.track.times, &hands, rest, calm.track.nearest(t[top]), cm_per_px)
            .map(|time| moment(time - TAKEAWAY_LEAD * k, 0.020 * k));
    }
    after_top(found, body, &grip, &arm, top, w, cm_per_px, k, rest, &moment)
}

/// Where the hands stand still and where they reverse are one moment; so much apart (seconds of real time) one of them is misread.
const TOP_APART: f64 = 0.06;
/// Hands that rise by more than this after the top (trunk lengths) had not reached it.
const TOP_RISE: f64 = 0.12;

impl Moments {
    /// Holds the top against two other readings: the hands are slowest there, and do not rise after it. Where they disagree the
    /// top's doubt is as wide as that.
    fn check_top(&mut self, t: &[f64], grip: &[[f64; 2]], until: usize, trunk: f64, k: f64) {
        let Some(top) = self.top else { return };
        let [x, y] = [0, 1].map(|axis| smooth(t, &grip.iter().map(|g| g[axis]).collect::<Vec<_>>(), ARM_CUT_OFF / k));
        let speed = |i: usize| (x[i + 1] - x[i - 1]).hypot(y[i + 1] - y[i - 1]) / (t[i + 1] - t[i - 1]);
        let near: Vec<usize> = (1..until.min(t.len() - 1)).filter(|&i| (t[i] - top.time).abs() < 0.25 * k).collect();
        let slowest = near.iter().copied().min_by(|&a, &b| speed(a).total_cmp(&speed(b)));
        let mut apart = slowest.map_or(0.0, |i| (t[i] - top.time).abs());
        let here = t.partition_point(|&v| v < top.time).min(t.len() - 1);
        if let Some(highest) = (here..until.min(t.len())).max_by(|&a, &b| y[a].total_cmp(&y[b]))
            && y[highest] - y[here] > TOP_RISE * trunk
        {
            apart = apart.max(t[highest] - top.time);
        }
        if apart > TOP_APART * k {
            self.top_doubtful = true;
            self.top = Some(Moment { sd: top.sd.max(apart / 1.5), ..top });
        }
    }
}

/// Finds the moments of a swing seen down the line, where the lead arm is seen end-on: takeaway, top (the hands' highest
/// point, where they turn), impact (the hands pass nearest to their address place), finish. The others stay `None`.
pub fn find_down_the_line(body: &Body, w: &Window, cm: f64, slowness: f64) -> Moments {
    let t = &body.track.times;
    let k = slowness;
    let mut found = Moments::default();
    let (Some(start), Some(strike)) = (w.takeaway, w.impact) else { return found };
    let grip: Vec<[f64; 2]> = (0..t.len()).map(|i| body.grip(i)).collect();
    let still = body.track.within(start - 0.5 * k, start - 0.03 * k);
    if still.is_empty() {
        return found;
    }
    let of = |axis: usize| median(&still.iter().map(|&i| grip[i][axis]).collect::<Vec<_>>());
    let rest = [of(0), of(1)];
    let half_frame = 0.5 * (t[t.len() - 1] - t[0]) / (t.len() - 1) as f64;
    let moment = |time: f64, sd: f64| Moment { time, sd: sd.max(half_frame) };
    let height = smooth(t, &grip.iter().map(|g| g[1]).collect::<Vec<_>>(), BODY_CUT_OFF / k);
    let near = body.track.within(w.top - 0.25 * k, (w.top + 0.15 * k).min(strike));
    let Some(&highest) = near.iter().max_by(|&&a, &&b| height[a].total_cmp(&height[b])) else { return found };
    // flat arms go on turning after they are highest: the hands' way there, and how far along it they come
    let [x, y] = [0, 1].map(|axis| smooth(t, &grip.iter().map(|g| g[axis]).collect::<Vec<_>>(), ARM_CUT_OFF / k));
    let earlier = body.track.nearest(t[highest] - WAY_TO_TOP * k);
    let way = [x[highest] - x[earlier], y[highest] - y[earlier]];
    let along: Vec<f64> = (0..t.len()).map(|i| (x[i] * way[0] + y[i] * way[1]) / way[0].hypot(way[1]).max(1e-9)).collect();
    let near = body.track.within(t[highest] - 0.2 * k, (t[highest] + 0.2 * k).min(strike - 0.1 * k));
    let Some(&top) = near.iter().max_by(|&&a, &&b| along[a].total_cmp(&along[b])) else { return found };
    // hands that rest there leave the reversal anywhere between
    let near_top = |i: &usize| along[top] - along[*i] < TOP_FLAT_CM / cm;
    let first = (0..=top).rev().take_while(near_top).last().unwrap_or(top);
    let last = (top..t.len()).take_while(near_top).last().unwrap_or(top);
    let flat = t[last] - t[first];
    let speed = |i: usize| (x[i + 1] - x[i - 1]).hypot(y[i + 1] - y[i - 1]) / (t[i + 1] - t[i - 1]);
    found.top = Some(match rest_at_top(t, speed, body.track.nearest(start), top, k) {
        Some((from, to)) => moment((from + to) / 2.0, (TOP_SD_DOWN_THE_LINE * k).hypot((to - from) / 12f64.sqrt())),
        None => moment((t[first] + t[last]) / 2.0 + TOP_DELAY * k, (TOP_SD_DOWN_THE_LINE * k).hypot(flat / 4.0)),
    });
    found.takeaway = takeaway(t, &grip, rest, top, cm).map(|time| moment(time - TAKEAWAY_LEAD * k, 0.06 * k));
    let away: Vec<f64> = grip.iter().map(|g| distance(*g, rest)).collect();
    let near = body.track.within(t[top] + 0.08 * k, strike + 0.15 * k);
    let Some(&low) = near.iter().min_by(|&&a, &&b| away[a].total_cmp(&away[b])) else { return found };
    let impact = fit::extremum(t, &away, low, -1.0, FIT_REACH * k).0 + IMPACT_DELAY * k;
    found.impact = Some(moment(impact, IMPACT_SD * k));
    found.finish = finish(t, &grip, impact + 0.2 * k, cm, k).map(|time| moment(time + FINISH_END_ON * k, FINISH_SD * k));
    found
}

/// Hands slower than this share of their fastest on the way back rest; so long they must, seconds of real time, to be said to.
const REST_SHARE: f64 = 0.2;
const REST: f64 = 0.1;
/// Where they are slowest lies this near to where they are furthest.
const REST_NEAR: f64 = 0.1;

/// From when to when the hands rest at the top, where they do. They creep on or back meanwhile by more than tells a reversal, so
/// that the furthest place may be at either end of the rest, and the turn is anywhere in it.
fn rest_at_top(t: &[f64], speed: impl Fn(usize) -> f64, start: usize, top: usize, k: f64) -> Option<(f64, f64)> {
    let inner = 1..t.len().saturating_sub(1);
    let fastest = (start.max(1)..top).map(&speed).fold(0.0, f64::max);
    let near = inner.clone().filter(|&i| (t[i] - t[top]).abs() <= REST_NEAR * k);
    let slowest = near.min_by(|&a, &b| speed(a).total_cmp(&speed(b)))?;
    let rests = |i: &usize| speed(*i) < REST_SHARE * fastest;
    let from = (1..=slowest).rev().take_while(rests).last()?;
    let to = (slowest..inner.end).take_while(rests).last()?;
    (t[to] - t[from] > REST * k).then_some((t[from], t[to]))
}

/// Onset of the move that carries the hands more than 5 cm without coming back: the distance from rest grows about like
/// the power 1.5 of time after the onset, so its root over 1.5…8 cm is carried back to zero. What that is off by on the
/// whole is [`TAKEAWAY_LEAD`].
fn takeaway(t: &[f64], grip: &[[f64; 2]], rest: [f64; 2], top: usize, cm: f64) -> Option<f64> {
    let d: Vec<f64> = grip.iter().map(|g| distance(*g, rest) * cm).collect();
    let gone = (0..top).rev().find(|&i| d[i] < TAKEAWAY_CM)?;
    let end = (gone..top).find(|&i| d[i] > 8.0).unwrap_or(top);
    let start = (0..=gone).rev().find(|&i| d[i] < 1.0).unwrap_or(0);
    let rising: Vec<usize> = (start..=end).filter(|&i| d[i] > 1.5).collect();
    if rising.len() < 2 {
        return Some(t[gone]);
    }
    let roots: Vec<f64> = rising.iter().map(|&i| d[i].powf(1.0 / 1.5)).collect();
    let times: Vec<f64> = rising.iter().map(|&i| t[i]).collect();
    let line = fit::polynomial(&times, &roots, times[0], 1);
    let onset = times[0] - line[0] / line[1];
    (line[1] > 0.0 && onset.is_finite()).then_some(onset.clamp(t[start] - 0.25, t[gone]))
}

#[allow(clippy::too_many_arguments)] // the state of one search, split for its length
fn after_top(
    mut found: Moments,
    body: &Body,
    grip: &[[f64; 2]],
    arm: &[f64],
    top: usize,
    w: &Window,
    cm: f64,
    k: f64,
    rest: Option<[f64; 2]>,
    moment: &impl Fn(f64, f64) -> Moment,
) -> Moments {
    let t = &body.track.times;
    if w.impact.is_none() {
        return found;
    }
    found.lead_arm_level_down = fit::crossing(t, arm, top, ARM_LEVEL_DOWN_DEG, false, FIT_REACH * k)
        .map(|(time, slope)| moment(time, LEVEL_DOWN_SD_DEG / slope.abs().max(20.0)));
    // hands' lateral place at address; where that is outside the clip, straight below the chest
    let home = rest.map_or_else(|| body.mid(top, Part::Shoulder)[0], |r| r[0]) + HANDS_AHEAD_CM / cm;
    let x: Vec<f64> = grip.iter().map(|g| g[0]).collect();
    let below = (top + 1..t.len()).find(|&i| grip[i][1] < body.mid(i, Part::Shoulder)[1] && x[i] < home).unwrap_or(top);
    let Some((impact, speed)) = fit::crossing(t, &x, below, home, true, FIT_REACH * k) else { return found };
    found.impact = Some(moment(impact, HANDS_AHEAD_SD_CM / cm / speed.abs().max(1.0)));
    let start = body.track.nearest(impact).saturating_sub(1);
    let line = arm_direction(body, |i| grip[i]);
    found.half_follow_through =
        fit::crossing(t, &line, start, -45.0, false, FIT_REACH * k).map(|(time, slope)| moment(time, 4.0 / slope.abs().max(20.0)));
    let height = body.over_time(|i| {
        let (hip, shoulder) = (body.mid(i, Part::Hip)[1], body.mid(i, Part::Shoulder)[1]);
        grip[i][1] - hip - 0.75 * (shoulder - hip)
    });
    found.chest_high_follow_through =
        fit::crossing(t, &height, start, 0.0, true, FIT_REACH * k).map(|(time, slope)| moment(time, 2.0 / cm / slope.abs().max(1.0)));
    if let Some(chest) = found.chest_high_follow_through {
        found.finish = finish(t, grip, chest.time, cm, k).map(|time| moment(time, FINISH_SD * k));
    }
    found
}

/// First time after `from` when the hands are slow, their speed being the slope of a line through 0.2 s of their places.
/// The hands are then behind the head: this is the least sure of the events.
fn finish(t: &[f64], grip: &[[f64; 2]], from: f64, cm: f64, k: f64) -> Option<f64> {
    let speed = |i: usize| -> Option<f64> {
        let around: Vec<usize> = (0..t.len()).filter(|&j| (t[j] - t[i]).abs() <= FINISH_REACH * k + 1e-9).collect();
        if around.len() < 3 {
            return None;
        }
        let times: Vec<f64> = around.iter().map(|&j| t[j]).collect();
        let slope = |a: usize| fit::polynomial(&times, &around.iter().map(|&j| grip[j][a]).collect::<Vec<_>>(), t[i], 1)[1];
        Some(slope(0).hypot(slope(1)) * cm * k)
    };
    let start = t.partition_point(|&v| v < from + 0.1 * k);
    let speeds: Vec<(f64, f64)> = (start..t.len()).filter_map(|i| Some((t[i], speed(i)?))).collect();
    let slow = |&(time, _): &(f64, f64)| {
        let stay = speeds.iter().filter(|(s, _)| (time..=time + FINISH_SECONDS * k).contains(s));
        stay.into_iter().all(|(_, v)| *v < FINISH_SPEED_CM_S)
    };
    let i = speeds.iter().position(slow)?;
    let (time, v) = speeds[i];
    let Some(&(earlier, b)) = i.checked_sub(1).and_then(|j| speeds.get(j)) else { return Some(time - FINISH_LATE * k) };
    Some(-FINISH_LATE * k + earlier + (b - FINISH_SPEED_CM_S) / (b - v).max(1e-9) * (time - earlier))
}

/// Frames by which an event may be off, each side, to count as found: `max(round(span / 30), 1)` with half to even, where
/// `span` is the number of frames from address to impact (GolfDB, McNally et al. 2019, arXiv:1903.06528).
pub fn tolerance_frames(span: f64) -> usize {
    ((span / 30.0).round_ties_even() as usize).max(1)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn hands_that_rest_turn_in_the_middle_of_it_and_others_where_they_are_furthest() {
        let t: Vec<f64> = (0..120).map(|i| f64::from(i) / 60.0).collect();
        // a second up, a rest, and down; creeping on they would be furthest at the end of the rest
        let speed = |rest: f64| {
            let t = t.clone();
            move |i: usize| match t[i] {
                v if v < 1.0 => (1.0 - v).min(0.3) / 0.3,
                v if v < 1.0 + rest => 0.02,
                v => ((v - 1.0 - rest) / 0.1).min(3.0),
            }
        };
        for at in [61, 69, 77] {
            let (from, to) = rest_at_top(&t, speed(0.3), 10, at, 1.0).unwrap();
            assert!(((from + to) / 2.0 - 1.13).abs() < 0.04, "{at}: {from} {to}");
        }
        assert_eq!(rest_at_top(&t, speed(0.0), 10, 60, 1.0), None, "no rest");
        assert_eq!(rest_at_top(&t, speed(0.3), 10, 20, 1.0), None, "far from it");
    }
}
