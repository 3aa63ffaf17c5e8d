//! What the picture tells of a moment beside the body: the club that begins to move, the ball that leaves. Hands hold both in check.

use super::events::{Moment, Moments};
use super::windows::Window;
use crate::report::types::EventFrom;
use crate::seen::{Ball, Stir};

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

/// Of the takeaway as hands tell it alone, seconds of real time. Face-on: where the club is not seen to set off the picture is dark,
/// small or restless, and the hands tremble too (nine such clips of 60 that were darkened, smeared or made small: eight within .09,
/// one off by .34). End-on: late by a tenth as a rule, and as far off as six tenths.
const HANDS_ALONE_SD: [f64; 2] = [0.05, 0.3];

impl Moments {
    /// The takeaway is when the club begins to move, where that is seen and the hands do not speak against it.
    pub fn with_stir(mut self, stir: Option<&Stir>, w: &Window, down_the_line: bool, slowness: f64, half_frame: f64) -> Moments {
        self.takeaway_from = EventFrom::Hands;
        let told = self.takeaway;
        if let Some(hands) = &mut self.takeaway {
            hands.sd = hands.sd.max(HANDS_ALONE_SD[usize::from(down_the_line)] * slowness);
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
        } else if let (Some(hands), Some(told)) = (&mut self.takeaway, told) {
            // two that disagree: either may be right
            hands.sd = hands.sd.max((club.time - told.time).abs() / 2.0);
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

impl Moments {
    /// The moments in the order in which a swing runs: of two that were told apart by other means, the one that is less than a swing's
    /// corner (takeaway, top, impact) gives way, and doubts by as much as it gave.
    pub fn in_order(mut self) -> Moments {
        let (takeaway, top, impact) = (self.takeaway, self.top, self.impact);
        let keep = |m: &mut Option<Moment>, from: Option<Moment>, to: Option<Moment>| {
            if let Some(m) = m {
                let (low, high) = (from.map_or(f64::NEG_INFINITY, |f| f.time), to.map_or(f64::INFINITY, |t| t.time));
                let time = m.time.max(low).min(high.max(low));
                *m = Moment { time, sd: m.sd.hypot(time - m.time) };
            }
        };
        keep(&mut self.lead_arm_level_back, takeaway, top);
        keep(&mut self.lead_arm_level_down, top, impact);
        keep(&mut self.half_follow_through, impact, None);
        keep(&mut self.chest_high_follow_through, impact, None);
        let chest = self.chest_high_follow_through.or(impact);
        keep(&mut self.finish, chest, None);
        self
    }
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
        // without the club they are less sure, end-on they are known to be far off, and against it they are in doubt
        let sd = |down_the_line| told(Some(0.7), None, 0.7, down_the_line).takeaway.unwrap().sd;
        assert!(sd(false) == 0.05 && sd(true) > 0.2, "{} {}", sd(false), sd(true));
        let against = told(Some(1.2), Some(&sharp), 0.7, false);
        assert!(against.takeaway_from == EventFrom::Hands && against.takeaway.unwrap().sd > 0.2, "{against:?}");
    }

    #[test]
    fn in_slow_motion_ball_and_hands_may_lie_as_many_times_further_apart() {
        let hands = Moments { impact: Some(Moment { time: 1.80, sd: 0.01 }), ..Moments::default() };
        let ball = Ball { there: 1.99, gone: 2.0, width: 12.0, ..Ball::default() };
        for (slowness, from) in [(1.0, EventFrom::Hands), (8.0, EventFrom::Ball)] {
            assert_eq!(hands.with_ball(Some(&ball), false, slowness).impact_from, from, "{slowness}");
        }
    }

    #[test]
    fn what_was_told_out_of_order_gives_way_and_doubts_it() {
        let m = |time: f64| Some(Moment { time, sd: 0.01 });
        let told = Moments {
            takeaway: m(1.0),
            top: m(1.8),
            lead_arm_level_down: m(1.7),
            impact: m(2.0),
            chest_high_follow_through: m(1.9),
            finish: m(2.6),
            ..Moments::default()
        };
        let kept = told.in_order();
        let down = kept.lead_arm_level_down.unwrap();
        assert!(down.time == 1.8 && (down.sd - 0.1005).abs() < 1e-3, "{down:?}");
        assert_eq!((kept.chest_high_follow_through.unwrap().time, kept.finish, kept.top), (2.0, told.finish, told.top));
    }
}
