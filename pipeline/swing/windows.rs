//! Where in the clip somebody swings, from the scout's looks: hands low, high, low and fast, high again.

use crate::report::types::SwingKind;
use crate::seen::Looks;
use crate::seen::keypoints::Keypoint;
use crate::track::signal::median;

/// A swing as the scout saw it. Times in seconds of clip time, to about a scout interval.
#[derive(Debug, Clone, PartialEq)]
pub struct Window {
    pub kind: SwingKind,
    /// Last of the still hands before the backswing; `None` where the clip starts later.
    pub takeaway: Option<f64>,
    pub top: f64,
    /// `None` where the clip ends before.
    pub impact: Option<f64>,
    pub finish: Option<f64>,
    /// First and last second worth looking at closely.
    pub start: f64,
    pub end: f64,
    /// About how many times slower than life the clip runs, from the length of the downswing.
    pub slowness: f64,
}

impl Window {
    /// Whether it starts from a rest and goes through impact.
    pub fn is_whole(&self) -> bool {
        self.takeaway.is_some() && self.impact.is_some()
    }
}

/// Hands against hips in trunk lengths, and the speed between looks.
struct Hands {
    times: Vec<f64>,
    height: Vec<f64>,
    lateral: Vec<f64>,
    speed: Vec<f64>,
    /// Median of five.
    steady_speed: Vec<f64>,
}

/// Least rise and fall of the hands between turning points, trunk lengths.
const TURN: f64 = 0.35;
/// Hands this high (0 hips, 1 shoulders) at the top make a full swing; lower but over `PARTIAL_TOP`, a partial one.
const FULL_TOP: f64 = 0.8;
const PARTIAL_TOP: f64 = 0.35;
/// The fastest of the downswing and follow-through against the fastest of the backswing.
const SPEED_RATIO: f64 = 1.3;
/// A backswing shorter than this many seconds is a twitch.
const MIN_BACKSWING: f64 = 0.3;
/// A usual downswing, seconds, and how many times longer one must look before slow motion is assumed.
const USUAL_DOWNSWING: f64 = 0.30;
const LEAST_SLOW_MOTION: f64 = 1.8;
/// Hands at rest: within this distance (trunk lengths) of one place, lower than this, for this long (seconds of real time).
const REST_SPREAD: f64 = 0.10;
const REST_HEIGHT: f64 = 0.5;
const REST_SECONDS: f64 = 0.25;
/// One looks closely from this long before the hands leave their place, seconds of real time: down the line they leave it late.
const BEFORE_TAKEAWAY: f64 = 0.9;
/// A rest may lie this long before the hands' lowest point (a waggle lies between), seconds of real time.
const LONGEST_WAIT: f64 = 3.0;

impl Hands {
    fn of(looks: &Looks) -> Hands {
        let trunk = median(&looks.looks.iter().map(|l| l.trunk()).collect::<Vec<_>>()).max(1.0);
        let place = |i: usize| {
            let l = &looks.looks[i];
            let (hands, hips) = (l.mid(Keypoint::LeftWrist, Keypoint::RightWrist), l.mid(Keypoint::LeftHip, Keypoint::RightHip));
            [(hands[0] - hips[0]) / trunk, (hips[1] - hands[1]) / trunk]
        };
        let mut places: Vec<[f64; 2]> = (0..looks.looks.len()).map(place).collect();
        without_spikes(&mut places);
        let speed: Vec<f64> = (0..places.len())
            .map(|i| {
                if i == 0 {
                    return 0.0;
                }
                let step = (looks.times[i] - looks.times[i - 1]).max(1e-3);
                (places[i][0] - places[i - 1][0]).hypot(places[i][1] - places[i - 1][1]) / step
            })
            .collect();
        // one or two looks in which the model slips make two high speeds; a backswing is fast for longer than that
        let steady_speed = (0..speed.len()).map(|i| median(&speed[i.saturating_sub(2)..(i + 3).min(speed.len())])).collect();
        Hands {
            times: looks.times.clone(),
            height: places.iter().map(|p| p[1]).collect(),
            lateral: places.iter().map(|p| p[0]).collect(),
            speed,
            steady_speed,
        }
    }

    fn fastest(speed: &[f64], from: usize, to: usize) -> f64 {
        speed[(from + 1).min(to)..=to].iter().copied().fold(0.0, f64::max)
    }

    /// Indices of alternating low and high turning points of the height, the first a low one; the ends count.
    fn turning_points(&self) -> Vec<usize> {
        let h = &self.height;
        let mut points: Vec<usize> = Vec::new();
        let (mut low, mut high) = (0, 0);
        let mut rising: Option<bool> = None;
        for i in 0..h.len() {
            if h[i] < h[low] {
                low = i;
            }
            if h[i] > h[high] {
                high = i;
            }
            match rising {
                None | Some(true) if h[high] - h[i] > TURN => {
                    if rising.is_none() && low < high {
                        points.push(low);
                    }
                    points.push(high);
                    rising = Some(false);
                    low = i;
                }
                None | Some(false) if h[i] - h[low] > TURN => {
                    points.push(low);
                    rising = Some(true);
                    high = i;
                }
                _ => {}
            }
        }
        match rising {
            Some(true) => points.push(high),
            Some(false) => points.push(low),
            None => {}
        }
        points
    }

    /// The last look of the latest rest before `top`: hands low and within `REST_SPREAD` of one place for `REST_SECONDS`.
    fn takeaway(&self, top: usize, slowness: f64) -> Option<usize> {
        (1..top).rev().find(|&i| {
            let rest: Vec<usize> = (0..=i).filter(|&j| self.times[i] - self.times[j] <= REST_SECONDS * slowness + 1e-6).collect();
            let of = |v: &[f64]| median(&rest.iter().map(|&j| v[j]).collect::<Vec<_>>());
            let (x, y) = (of(&self.lateral), of(&self.height));
            let still = |&j: &usize| (self.lateral[j] - x).hypot(self.height[j] - y) < REST_SPREAD;
            rest.len() >= 3
                && self.times[i] - self.times[rest[0]] > 0.6 * REST_SECONDS * slowness
                && y < REST_HEIGHT
                && rest.iter().all(still)
        })
    }
}

/// Slowness against life, from the time between the highest hands and the strike.
fn slowness(downswing: f64) -> f64 {
    let factor = downswing / USUAL_DOWNSWING;
    if factor < LEAST_SLOW_MOTION { 1.0 } else { factor }
}

/// A single look that leaves its neighbours' common place and comes back is a slip of the model, not a move: in a swing the
/// hands pass on to the other side.
fn without_spikes(places: &mut [[f64; 2]]) {
    for i in 1..places.len().saturating_sub(1) {
        let (a, b, c) = (places[i - 1], places[i], places[i + 1]);
        let apart = |p: [f64; 2], q: [f64; 2]| (p[0] - q[0]).hypot(p[1] - q[1]);
        if apart(a, c) < 0.25 && apart(a, b) > 0.35 && apart(b, c) > 0.35 {
            places[i] = [(a[0] + c[0]) / 2.0, (a[1] + c[1]) / 2.0];
        }
    }
}

/// Finds the swings in time order. The last whole full one is the main swing (without any, the last full one); other full
/// ones are practice.
pub fn find_windows(scout: &Looks) -> Vec<Window> {
    if scout.looks.len() < 6 {
        return Vec::new();
    }
    let hands = Hands::of(scout);
    let points = hands.turning_points();
    let is_high = |k: usize| {
        k > 0 && hands.height[points[k]] > hands.height[points[k - 1]]
            || k == 0 && points.len() > 1 && hands.height[points[0]] > hands.height[points[1]]
    };
    let mut found: Vec<(f64, usize, Window)> = Vec::new();
    for k in 0..points.len() {
        if !is_high(k) {
            continue;
        }
        let top = points[k];
        let height = hands.height[top];
        if height < PARTIAL_TOP {
            continue;
        }
        let low_before = (k > 0).then(|| points[k - 1]);
        let low_after = points.get(k + 1).copied();
        let high_after = points.get(k + 2).copied();
        let slow_motion = low_after.map_or(1.0, |s| slowness(hands.times[s] - hands.times[top]));
        let takeaway = hands
            .takeaway(top, slow_motion)
            .filter(|i| low_before.is_none_or(|low| hands.times[*i] > hands.times[low] - LONGEST_WAIT * slow_motion))
            // hands that were high since then have swung since then
            .filter(|i| points[..k].iter().all(|&p| p < *i || hands.height[p] < FULL_TOP));
        let from = takeaway.or(low_before).unwrap_or(0);
        let Some(strike) = low_after else {
            // the clip ends on the way up or at the top: a swing cut off, if it is a full backswing from a rest
            if height >= FULL_TOP && takeaway.is_some() && k + 1 == points.len() {
                found.push((0.0, top, window(&hands, SwingKind::Full, takeaway, top, None, None)));
            }
            continue;
        };
        let end = high_after.unwrap_or(strike);
        let quick = Hands::fastest(&hands.speed, top, end);
        let backswing = |speed: &[f64]| if low_before.is_some() { Hands::fastest(speed, from, top) } else { 0.0 };
        if quick < SPEED_RATIO * backswing(&hands.steady_speed) || high_after.is_none_or(|h| hands.height[h] < 0.4 * height.min(1.0)) {
            continue;
        }
        // a backswing takes time, and longer than what follows it
        let (rise, fall) = (hands.times[top] - hands.times[from], hands.times[strike] - hands.times[top]);
        if takeaway.is_some() && (rise < MIN_BACKSWING || fall > rise) {
            continue;
        }
        let kind = if height >= FULL_TOP { SwingKind::Full } else { SwingKind::Partial };
        // a swing that starts from rest is worth more than one that seems to come out of a movement
        let clear = if takeaway.is_some() { 1.0 } else { 0.3 };
        found.push((clear * quick / backswing(&hands.speed).max(0.2), top, window(&hands, kind, takeaway, top, Some(strike), high_after)));
    }
    // one turning point belongs to one swing: where windows overlap, a whole swing stays before one without rest or impact
    // (somebody walking in or out lifts the hands too), then the one with the clearer burst of speed
    found.sort_by(|a, b| b.2.is_whole().cmp(&a.2.is_whole()).then(b.0.total_cmp(&a.0)));
    let mut kept: Vec<Window> = Vec::new();
    for (_, _, w) in found {
        let (start, end) = (w.takeaway.unwrap_or(w.start), w.finish.unwrap_or(w.end));
        if kept.iter().all(|o| end <= o.takeaway.unwrap_or(o.start) + 1e-9 || start >= o.finish.unwrap_or(o.end) - 1e-9) {
            kept.push(w);
        }
    }
    kept.sort_by(|a, b| a.top.total_cmp(&b.top));
    // a clip that shows a whole swing is not judged by one that it cuts off
    let whole = |w: &Window| w.kind == SwingKind::Full && w.is_whole();
    if kept.iter().any(whole) {
        kept.retain(|w| w.impact.is_some());
    }
    let main = kept.iter().rposition(whole).or(kept.iter().rposition(|w| w.kind == SwingKind::Full));
    for (i, w) in kept.iter_mut().enumerate() {
        if Some(i) != main && w.kind == SwingKind::Full {
            w.kind = SwingKind::Practice;
        }
    }
    kept
}

fn window(hands: &Hands, kind: SwingKind, takeaway: Option<usize>, top: usize, strike: Option<usize>, high: Option<usize>) -> Window {
    let t = |i: usize| hands.times[i];
    let last = hands.times.len() - 1;
    let slowness = strike.map_or(1.0, |s| slowness(t(s) - t(top)));
    // the finish: hands slow again after the follow-through
    let finish = high.map(|h| (h..=last).find(|&i| hands.speed[i] < 0.6 / slowness).unwrap_or(h));
    let end = finish.map_or(t(last), |f| (t(f) + 0.5 * slowness).min(t(last)));
    Window {
        kind,
        takeaway: takeaway.map(t),
        top: t(top),
        impact: strike.map(t),
        finish: finish.map(t),
        start: takeaway.map_or(t(0), |i| (t(i) - BEFORE_TAKEAWAY * slowness).max(t(0))),
        end,
        slowness,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::seen::{Look, POINTS, Point};

    /// Looks at a golfer 100 pixels of trunk high whose hands go through (seconds, lateral, height) in trunk lengths, straight
    /// from one to the next, 20 looks a second.
    fn looks(path: &[(f64, f64, f64)]) -> Looks {
        let mut looks = Looks::default();
        let mut frame = 0;
        for pair in path.windows(2) {
            let ((t0, x0, y0), (t1, x1, y1)) = (pair[0], pair[1]);
            let steps = ((t1 - t0) * 20.0).round() as usize;
            for i in 0..steps {
                let s = i as f64 / steps as f64;
                let mut look = Look { flag: 1.0, points: [Point::default(); POINTS] };
                let mut put = |k: Keypoint, x: f64, y: f64| {
                    look.points[k as usize] = Point { x: x as f32, y: y as f32, ..Point::default() };
                };
                for k in [Keypoint::LeftHip, Keypoint::RightHip] {
                    put(k, 300.0, 500.0);
                }
                for k in [Keypoint::LeftShoulder, Keypoint::RightShoulder] {
                    put(k, 300.0, 400.0);
                }
                for k in [Keypoint::LeftWrist, Keypoint::RightWrist] {
                    put(k, 300.0 + 100.0 * (x0 + s * (x1 - x0)), 500.0 - 100.0 * (y0 + s * (y1 - y0)));
                }
                looks.push(frame, t0 + s * (t1 - t0), look);
                frame += 1;
            }
        }
        looks
    }

    const SWING: [(f64, f64, f64); 6] =
        [(1.0, -0.1, -0.2), (3.0, -0.1, -0.2), (3.9, -0.7, 1.4), (4.2, 0.0, -0.1), (4.45, 0.5, 1.4), (6.0, 0.3, 1.3)];

    fn main_top(path: &[(f64, f64, f64)]) -> f64 {
        let found = find_windows(&looks(path));
        let main: Vec<&Window> = found.iter().filter(|w| w.kind == SwingKind::Full).collect();
        assert_eq!(main.len(), 1, "{found:?}");
        main[0].top
    }

    #[test]
    fn somebody_who_walks_in_and_out_with_hands_up_does_not_hide_the_swing() {
        assert!((main_top(&SWING) - 3.9).abs() < 0.1);
        // hands high at the picture's edge before the swing, and again after a rest at the end
        let mut path = vec![(0.0, 0.0, 0.9), (0.5, 0.0, 0.8), (0.8, 0.2, 0.0)];
        path.extend(SWING);
        path.extend([(6.3, 0.0, -0.2), (7.5, 0.0, -0.2), (8.2, 0.2, 0.9), (8.5, 0.2, 0.95)]);
        assert!((main_top(&path) - 3.9).abs() < 0.1);
    }

    #[test]
    fn a_slip_of_the_model_at_the_finish_is_no_second_swing() {
        let mut path = SWING[..4].to_vec();
        // behind the head the hands are hidden: for some looks the model puts them lower
        path.extend([(4.45, 0.5, 1.6), (4.6, 0.3, 0.9), (4.7, 0.2, 1.0), (4.8, 0.2, 1.6), (6.0, 0.2, 1.6)]);
        assert!((main_top(&path) - 3.9).abs() < 0.1);
    }

    #[test]
    fn a_swing_that_the_clip_cuts_off_is_main_where_there_is_no_whole_one() {
        let cut = [(0.0, -0.1, -0.2), (1.5, -0.1, -0.2), (2.4, -0.7, 1.4), (2.6, -0.7, 1.4)];
        let found = find_windows(&looks(&cut));
        assert!(found.len() == 1 && found[0].impact.is_none() && found[0].takeaway.is_some(), "{found:?}");
    }

    #[test]
    fn of_two_whole_swings_the_later_one_is_main() {
        let again = SWING.map(|(t, x, y)| (t + 8.0, x, y));
        let found = find_windows(&looks(&[SWING.as_slice(), &[(6.3, 0.0, -0.2)], &again].concat()));
        assert_eq!(found.iter().map(|w| w.kind).collect::<Vec<_>>(), [SwingKind::Practice, SwingKind::Full], "{found:?}");
        assert!((found[0].top - 3.9).abs() < 0.1 && (found[1].top - 11.9).abs() < 0.1, "{found:?}");
    }

    #[test]
    fn beside_a_whole_swing_one_that_the_clip_cuts_off_is_none() {
        let cut = [(6.6, 0.0, -0.2), (8.0, 0.0, -0.2), (8.9, -0.6, 1.4), (9.1, -0.6, 1.4)];
        let found = find_windows(&looks(&[SWING.as_slice(), &cut].concat()));
        assert!(found.len() == 1 && found[0].is_whole() && (found[0].top - 3.9).abs() < 0.1, "{found:?}");
    }

    #[test]
    fn no_backswing_reaches_back_over_another_swing() {
        // a slow one, and without a stop the fast one
        let slow = [(1.0, -0.1, -0.2), (3.0, -0.1, -0.2), (4.2, -0.7, 1.4), (4.7, 0.0, -0.1), (5.1, 0.5, 1.4)];
        let fast = [(5.6, -0.1, -0.2), (6.6, -0.7, 1.4), (6.75, 0.0, -0.1), (6.95, 0.5, 1.4), (8.5, 0.3, 1.3)];
        let found = find_windows(&looks(&[slow, fast].concat()));
        assert!((found[0].takeaway.unwrap() - 3.0).abs() < 0.15, "{found:?}");
        let spans_the_slow_top = |w: &Window| w.takeaway.is_some_and(|t| t < 4.0) && w.top > 4.4;
        assert!(!found.iter().any(spans_the_slow_top), "{found:?}");
    }
}
