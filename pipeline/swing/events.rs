//! The events of a swing, from the body and its hands: no club is seen. Times are interpolated between frames.

use super::body::{Body, Part, distance};
use super::fit;
use super::windows::Window;
use crate::report::types::EventFrom;
use crate::seen::{Ball, Stir};
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

/// What has changed by so much for good (grey levels in squared leg lengths) tells that the club moves. From there to the second level
/// it takes as long again as has gone by since the onset face-on, and down the line, where the club moves along the line of sight,
/// five eighths of that (clips of four worlds, each of which says the same within a hundredth of a second).
const STIRS: [f64; 2] = [0.1, 0.4];
const SINCE: [f64; 2] = [1.0, 1.6];
/// Standard deviation of that onset, seconds of real time, and as a share of the time between the levels.
const ONSET_SD: f64 = 0.016;
const ONSET_SHARE: f64 = 1.0;
/// More than this changes while all is still: nothing can be told.
const RESTLESS: f64 = 0.6;

/// When the club begins to move, by what stirs about it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Onset {
    pub time: f64,
    pub sd: f64,
    /// Time from the first level to the second; short where nothing but the club can stir so.
    pub rise: f64,
}

/// When what stirs about hands and club begins to stir for good; `None` where it never does, always did, or is too restless.
pub fn onset(stir: &Stir, down_the_line: bool, slowness: f64) -> Option<Onset> {
    let (t, v) = (&stir.times, &stir.changed);
    let mut low = v.clone();
    low.sort_by(f64::total_cmp);
    let floor = *low.get(low.len() / 5)?;
    if floor > RESTLESS {
        return None;
    }
    let last = v.iter().rposition(|&c| c <= floor + STIRS[0])?;
    // what has changed grows with the square of time, so its root is what is straight between two pictures
    let root = |v: f64| (v - floor).max(0.0).sqrt();
    let crossing = |from: usize, level: f64| {
        let i = (from + 1..v.len()).find(|&i| v[i] > floor + level)?;
        Some(t[i - 1] + (level.sqrt() - root(v[i - 1])) / (root(v[i]) - root(v[i - 1])) * (t[i] - t[i - 1]))
    };
    let (first, second) = (crossing(last, STIRS[0])?, crossing(last, STIRS[1])?);
    let rise = second - first;
    let time = first - SINCE[usize::from(down_the_line)] * rise;
    Some(Onset { time, sd: (ONSET_SD * slowness).hypot(ONSET_SHARE * rise), rise })
}

/// Hands and club tell the same takeaway where they are no further apart than this, seconds of real time: face-on, down the line.
const SAME_TAKEAWAY: [f64; 2] = [0.15, 0.5];
/// Face-on, of a club that sets off as sharply as this (seconds of real time), hands that tremble may be that far.
const SHARP: f64 = 0.05;
const SAME_AS_A_SHARP_ONE: f64 = 0.4;
/// Where the hands tell none, or are seen end-on: club and scout.
const SAME_AS_SCOUTED: f64 = 0.8;

/// Of the takeaway as hands tell it that are seen end-on, seconds of real time: late by a tenth as a rule, and as far off as six tenths.
const HANDS_END_ON_SD: f64 = 0.3;

impl Moments {
    /// The takeaway is when the club begins to move, where that is seen and the hands do not speak against it.
    pub fn with_stir(mut self, stir: Option<&Stir>, w: &Window, down_the_line: bool, slowness: f64, half_frame: f64) -> Moments {
        self.takeaway_from = EventFrom::Hands;
        if let (Some(hands), true) = (&mut self.takeaway, down_the_line) {
            hands.sd = HANDS_END_ON_SD * slowness;
        }
        let (Some(club), Some(scouted)) = (stir.and_then(|s| onset(s, down_the_line, slowness)), w.takeaway) else { return self };
        let from_scouted = (club.time - scouted).abs() / SAME_AS_SCOUTED;
        let apart = match self.takeaway {
            Some(hands) if down_the_line => from_scouted.min((club.time - hands.time).abs() / SAME_TAKEAWAY[1]),
            Some(hands) if club.rise <= SHARP * slowness => (club.time - hands.time).abs() / SAME_AS_A_SHARP_ONE,
            Some(hands) => (club.time - hands.time).abs() / SAME_TAKEAWAY[0],
            None => from_scouted,
        };
        if apart <= slowness {
            self.takeaway = Some(Moment { time: club.time, sd: club.sd.max(half_frame) });
            self.takeaway_from = EventFrom::Club;
        }
        self
    }
}

/// Ball and hands tell the same strike where they are no further apart than this, seconds of real time, and a picture: face-on the
/// hands are good to a hundredth, down the line they are seen end-on.
const SAME_STRIKE: f64 = 0.05;
const SAME_STRIKE_DOWN_THE_LINE: f64 = 0.10;

impl Moments {
    /// Impact is when the ball leaves, where one does and the hands do not speak against it.
    pub fn with_ball(mut self, ball: Option<&Ball>, down_the_line: bool, slowness: f64) -> Moments {
        self.impact_from = EventFrom::Hands;
        let (Some(ball), Some(hands)) = (ball, self.impact) else { return self };
        let (leaves, between) = ((ball.there + ball.gone) / 2.0, ball.gone - ball.there);
        let apart = if down_the_line { SAME_STRIKE_DOWN_THE_LINE } else { SAME_STRIKE };
        if (leaves - hands.time).abs() <= apart * slowness + between {
            // anywhere between the two pictures
            self.impact = Some(Moment { time: leaves, sd: between / 2.0 });
            self.impact_from = EventFrom::Ball;
        }
        self
    }
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

    /// Thirty pictures a second: still until `start`, then the changed part grows with the square of time; a waggle before comes back.
    fn stir(start: f64, waggle: bool) -> Stir {
        let times: Vec<f64> = (0..45).map(|i| f64::from(i) / 30.0).collect();
        let of = |t: f64| {
            let moved = if t > start { 60.0 * (t - start).powi(2) } else { 0.0 };
            moved + if waggle && (0.2..0.4).contains(&t) { 1.0 } else { 0.0 }
        };
        Stir { changed: times.iter().map(|&t| of(t)).collect(), times }
    }

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

    #[test]
    fn the_club_begins_to_move_where_what_changes_stays_changed() {
        for (start, waggle) in [(0.70, false), (0.72, false), (0.70, true), (0.81, true)] {
            let found = onset(&stir(start, waggle), false, 1.0).unwrap();
            assert!((found.time - start).abs() < 0.03 && (found.time - start).abs() < 3.0 * found.sd, "{start} {waggle}: {found:?}");
        }
        let restless = Stir { changed: vec![1.0; 45], ..stir(0.7, false) };
        assert!(onset(&restless, false, 1.0).is_none());
        assert!(onset(&Stir { changed: vec![0.0; 45], ..stir(0.7, false) }, false, 1.0).is_none(), "nothing ever moves");
    }

    #[test]
    fn the_ball_tells_the_impact_unless_the_hands_speak_against_it() {
        let hands = Moments { impact: Some(Moment { time: 1.80, sd: 0.01 }), ..Moments::default() };
        let ball = |there: f64| Ball { there, gone: there + 1.0 / 60.0, width: 12.0, ..Ball::default() };
        let told = hands.with_ball(Some(&ball(1.783)), false, 1.0);
        assert!(told.impact_from == EventFrom::Ball && (told.impact.unwrap().time - 1.791).abs() < 0.001);
        for (far, down_the_line, from) in [(1.90, false, EventFrom::Hands), (1.88, true, EventFrom::Ball), (2.1, true, EventFrom::Hands)] {
            assert_eq!(hands.with_ball(Some(&ball(far)), down_the_line, 1.0).impact_from, from, "{far}");
        }
    }

    #[test]
    fn the_club_tells_the_takeaway_unless_the_hands_speak_against_it() {
        let (kind, impact, finish) = (crate::report::types::SwingKind::Full, None, None);
        let w = Window { kind, takeaway: Some(0.7), top: 1.4, impact, finish, start: 0.0, end: 1.5, slowness: 1.0 };
        let sharp = stir(0.7, false);
        let slow = Stir { changed: sharp.changed.iter().map(|c| c / 5.0).collect(), ..sharp.clone() };
        let told = |hands: Option<f64>, stir: Option<&Stir>, scouted: f64, down_the_line: bool| {
            let takeaway = hands.map(|time| Moment { time, sd: 0.02 });
            let w = Window { takeaway: Some(scouted), ..w };
            Moments { takeaway, ..Moments::default() }.with_stir(stir, &w, down_the_line, 1.0, 0.016)
        };
        // face-on hands that are far off are believed against a club that sets off slowly, not against a sharp one
        for (stir, late, from) in [
            (&sharp, 0.05, EventFrom::Club),
            (&sharp, 0.3, EventFrom::Club),
            (&sharp, 0.5, EventFrom::Hands),
            (&slow, 0.1, EventFrom::Club),
            (&slow, 0.3, EventFrom::Hands),
        ] {
            assert_eq!(told(Some(0.7 + late), Some(stir), 0.7, false).takeaway_from, from, "{late}");
        }
        // down the line they leave their place late, or tremble: the scout's word is enough
        for (late, scouted, from) in [(0.3, 0.7, EventFrom::Club), (-0.6, 0.9, EventFrom::Club), (-0.6, 1.8, EventFrom::Hands)] {
            assert_eq!(told(Some(0.7 + late), Some(&slow), scouted, true).takeaway_from, from, "{late} {scouted}");
        }
        // and without the club they are known to be far off
        let sd = |down_the_line| told(Some(0.7), None, 0.7, down_the_line).takeaway.unwrap().sd;
        assert!(sd(false) == 0.02 && sd(true) > 0.2, "{} {}", sd(false), sd(true));
    }

    #[test]
    fn in_slow_motion_ball_and_hands_may_lie_as_many_times_further_apart() {
        let hands = Moments { impact: Some(Moment { time: 1.80, sd: 0.01 }), ..Moments::default() };
        let ball = Ball { there: 1.99, gone: 2.0, width: 12.0, ..Ball::default() };
        for (slowness, from) in [(1.0, EventFrom::Hands), (8.0, EventFrom::Ball)] {
            assert_eq!(hands.with_ball(Some(&ball), false, slowness).impact_from, from, "{slowness}");
        }
    }
}
