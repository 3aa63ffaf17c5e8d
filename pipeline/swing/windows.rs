//! Where in the clip somebody swings, from the scout's looks: hands low, high, low and fast, high again.

use crate::pose::keypoints::Keypoint;
use crate::pose::seen::Looks;
use crate::report::types::SwingKind;

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

/// Hands against hips in trunk lengths, and the speed between looks.
struct Hands {
    times: Vec<f64>,
    height: Vec<f64>,
    lateral: Vec<f64>,
    speed: Vec<f64>,
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
/// A usual downswing, seconds, and how much longer one may look before slow motion is assumed.
const USUAL_DOWNSWING: f64 = 0.30;

impl Hands {
    fn of(looks: &Looks) -> Hands {
        let trunk = crate::track::signal::median(&looks.looks.iter().map(|l| l.trunk()).collect::<Vec<_>>()).max(1.0);
        let place = |i: usize| {
            let l = &looks.looks[i];
            let (hands, hips) = (l.mid(Keypoint::LeftWrist, Keypoint::RightWrist), l.mid(Keypoint::LeftHip, Keypoint::RightHip));
            [(hands[0] - hips[0]) / trunk, (hips[1] - hands[1]) / trunk]
        };
        let places: Vec<[f64; 2]> = (0..looks.looks.len()).map(place).collect();
        let speed = (0..places.len())
            .map(|i| {
                if i == 0 {
                    return 0.0;
                }
                let step = (looks.times[i] - looks.times[i - 1]).max(1e-3);
                (places[i][0] - places[i - 1][0]).hypot(places[i][1] - places[i - 1][1]) / step
            })
            .collect();
        Hands {
            times: looks.times.clone(),
            height: places.iter().map(|p| p[1]).collect(),
            lateral: places.iter().map(|p| p[0]).collect(),
            speed,
        }
    }

    fn fastest(&self, from: usize, to: usize) -> f64 {
        self.speed[(from + 1).min(to)..=to].iter().copied().fold(0.0, f64::max)
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

    /// Last look before `top` at which the hands were still near their place at rest (median of the half second around
    /// the lowest point's plateau).
    fn takeaway(&self, low: usize, top: usize) -> usize {
        let near: Vec<usize> = (0..top).filter(|&i| (self.times[i] - self.times[low]).abs() < 0.4 && self.speed[i] < 0.6).collect();
        let of = |v: &[f64]| crate::track::signal::median(&near.iter().map(|&i| v[i]).collect::<Vec<_>>());
        let (x, y) = if near.is_empty() { (self.lateral[low], self.height[low]) } else { (of(&self.lateral), of(&self.height)) };
        (low..top).rev().find(|&i| (self.lateral[i] - x).hypot(self.height[i] - y) < 0.12).unwrap_or(low)
    }
}

/// Finds the swings in time order. The last full one is the main swing; full ones before it are practice.
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
        let takeaway = low_before.map(|low| hands.takeaway(low, top));
        let from = takeaway.unwrap_or(0);
        let Some(strike) = low_after else {
            // the clip ends on the way up or at the top: a swing cut off, if it is a full backswing from a rest
            if height >= FULL_TOP && takeaway.is_some() && k + 1 == points.len() && starts_at_rest(&hands, from) {
                found.push((0.0, top, window(&hands, SwingKind::Full, takeaway, top, None, None)));
            }
            continue;
        };
        let end = high_after.unwrap_or(strike);
        let quick = hands.fastest(top, end);
        let slow = if takeaway.is_some() { hands.fastest(from, top) } else { 0.0 };
        if quick < SPEED_RATIO * slow || high_after.is_none_or(|h| hands.height[h] < 0.4 * height.min(1.0)) {
            continue;
        }
        // a backswing takes time, and longer than what follows it
        let (rise, fall) = (hands.times[top] - hands.times[from], hands.times[strike] - hands.times[top]);
        if takeaway.is_some() && (rise < MIN_BACKSWING || fall > rise) {
            continue;
        }
        let kind = if height >= FULL_TOP { SwingKind::Full } else { SwingKind::Partial };
        found.push((quick / slow.max(0.2), top, window(&hands, kind, takeaway, top, Some(strike), high_after)));
    }
    // one turning point belongs to one swing: where windows overlap, the one with the clearer burst of speed stays
    found.sort_by(|a, b| b.0.total_cmp(&a.0));
    let mut kept: Vec<Window> = Vec::new();
    for (_, _, w) in found {
        let (start, end) = (w.takeaway.unwrap_or(w.start), w.finish.unwrap_or(w.end));
        if kept.iter().all(|o| end <= o.takeaway.unwrap_or(o.start) + 1e-9 || start >= o.finish.unwrap_or(o.end) - 1e-9) {
            kept.push(w);
        }
    }
    kept.sort_by(|a, b| a.top.total_cmp(&b.top));
    if let Some(last) = kept.iter().rposition(|w| w.kind == SwingKind::Full) {
        for w in &mut kept[..last] {
            if w.kind == SwingKind::Full {
                w.kind = SwingKind::Practice;
            }
        }
    }
    kept
}

fn starts_at_rest(hands: &Hands, from: usize) -> bool {
    let before: Vec<f64> = (0..=from).filter(|&i| hands.times[from] - hands.times[i] < 0.5).map(|i| hands.speed[i]).collect();
    before.len() >= 3 && crate::track::signal::median(&before) < 0.6
}

fn window(hands: &Hands, kind: SwingKind, takeaway: Option<usize>, top: usize, strike: Option<usize>, high: Option<usize>) -> Window {
    let t = |i: usize| hands.times[i];
    let last = hands.times.len() - 1;
    let slowness = strike.map_or(1.0, |s| ((t(s) - t(top)) / USUAL_DOWNSWING).max(1.0));
    let slowness = if slowness < 1.8 { 1.0 } else { slowness };
    // the finish: hands slow again after the follow-through
    let finish = high.map(|h| (h..=last).find(|&i| hands.speed[i] < 0.6 / slowness).unwrap_or(h));
    let end = finish.map_or(t(last), |f| (t(f) + 0.5 * slowness).min(t(last)));
    Window {
        kind,
        takeaway: takeaway.map(t),
        top: t(top),
        impact: strike.map(t),
        finish: finish.map(t),
        start: takeaway.map_or(t(0), |i| (t(i) - 0.6 * slowness).max(t(0))),
        end,
        slowness,
    }
}
