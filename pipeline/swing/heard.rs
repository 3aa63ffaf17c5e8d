//! What a clip's sound tells of its swings. A click counts only beside what is seen, never alone: on a range others strike too, and
//! sound and picture of a phone may lie some hundredths apart.

use super::events::Moment;
use super::read::{SlownessFrom, SwingRead};
use crate::report::types::{EventFrom, Struck};
use crate::seen::{Click, Sound};
use crate::track::signal::median;

/// A strike is heard no earlier than this before it is seen and no later than this after, seconds: sound takes 3 ms a metre and phones
/// record it a little early or late (spread assumed, no source).
const NEAR: [f64; 2] = [0.08, 0.12];
/// The loudest click there is the swing's where the next is weaker by this, decibels.
const CLEARER_DB: f64 = 6.0;
/// Clicks as loud as that, less this, at other times of the clip make it likely that somebody else struck: with a chance of more than
/// [`BY_CHANCE`] that one of them falls here the click tells nothing. By how loud they are, not by how far they stand out: the filmed
/// golfer is the nearest, but what was heard just before may be loud. Both chosen on simulated ranges (DEVELOPERS).
const ALIKE_DB: f64 = 3.0;
const BY_CHANCE: f64 = 0.05;
/// Standard deviation of a click's beginning, seconds: two bins.
const ONSET_SD: f64 = 0.004;
/// Sound and hands tell the same strike where they are no further apart than this, seconds.
const SAME_STRIKE: f64 = 0.05;

/// The click that belongs to a swing whose impact is seen at `impact`; `others`: those of all swings of the clip. `None` where none is
/// near, where two are alike, or where chance would put one there. `slowed`: how many times slower
/// than life the pictures play.
fn strike(sound: &Sound, impact: f64, others: &[f64], duration_s: f64, slowed: f64) -> Option<Click> {
    let reach = NEAR.map(|n| n * slowed);
    let near = |c: &&Click, t: f64| (-reach[0]..=reach[1]).contains(&(c.time - t));
    let mut here: Vec<&Click> = sound.clicks.iter().filter(|c| near(c, impact)).collect();
    here.sort_by(|a, b| b.level_db.total_cmp(&a.level_db));
    let loudest = **here.first()?;
    if here.get(1).is_some_and(|c| c.level_db > loudest.level_db - CLEARER_DB) {
        return None;
    }
    let elsewhere = |c: &&Click| c.level_db > loudest.level_db - ALIKE_DB && !others.iter().any(|t| near(c, *t));
    let alike = sound.clicks.iter().filter(elsewhere).count() as f64;
    let wide = reach[0] + reach[1];
    let by_chance = 1.0 - (-alike * wide / duration_s.max(wide)).exp();
    (by_chance <= BY_CHANCE).then_some(loudest)
}

/// Slowed pictures last this many times longer than the sound beside them at least; phones slow by 2, 4, 8.
const LEAST_FACTOR: f64 = 1.7;
/// What the sound's length says and what the downswing's says agree within this factor: a sound that was merely cut off does not.
const AGREE: f64 = 1.4;

/// How many times slower than life the pictures play, where the sound beside them was not slowed: it then ends as many times earlier.
/// `estimate`: by the length of the downswing, 1 for a usual one. Sound that was stretched with the pictures lasts as long as they do
/// and says nothing.
pub fn factor(sound: &Sound, duration_s: f64, estimate: f64) -> Option<f64> {
    let factor = duration_s / sound.seconds;
    let plausible = estimate != 1.0 && factor.is_finite() && factor >= LEAST_FACTOR;
    (plausible && (factor / estimate).ln().abs() <= AGREE.ln()).then_some(factor)
}

/// Lets the sound say what the pictures leave open, of clips at life speed: that a ball was struck, that none was (another swing of the
/// clip was heard and this one was not), and when, where a ball that was seen to leave tells how far sound and picture lie apart. Beside
/// slowed pictures only whether a ball was struck: there a click is half a frame of life or more, and its time is the sound's own.
pub fn listen(reads: &mut [SwingRead], sound: &Sound, duration_s: f64) {
    // of slowed pictures the sound says something where it runs at life speed
    let Some(slowed) = reads.first().map(|r| r.slowness) else { return };
    let at_life = |r: &SwingRead| r.slowness == 1.0 || r.slowness_from == SlownessFrom::Sound;
    if !reads.iter().all(|r| at_life(r) && r.slowness == slowed) {
        return;
    }
    let sound = &sound.slowed(slowed);
    let impacts: Vec<f64> = reads.iter().filter_map(|r| r.moments.impact).map(|m| m.time).collect();
    for read in reads.iter_mut() {
        read.heard = read.moments.impact.and_then(|m| strike(sound, m.time, &impacts, duration_s, slowed));
    }
    let known = |r: &&SwingRead| r.moments.impact_from == EventFrom::Ball;
    let late: Vec<f64> = reads.iter().filter(known).filter_map(|r| Some(r.heard?.time - r.moments.impact?.time)).collect();
    let struck_aloud = reads.iter().any(|r| r.strike == Struck::Yes && r.heard.is_some());
    for read in reads.iter_mut() {
        let near = |c: &Click| read.moments.impact.is_some_and(|m| (-NEAR[0]..=NEAR[1]).contains(&((c.time - m.time) / slowed)));
        let alone = struck_aloud && read.moments.impact.is_some() && !sound.clicks.iter().any(near);
        read.quiet = read.strike == Struck::Unknown && alone;
        read.strike = match (read.strike, read.heard.is_some()) {
            (Struck::Unknown, true) => Struck::Yes,
            (Struck::Unknown, false) if alone => Struck::No,
            (seen, _) => seen,
        };
        let (Some(heard), Some(hands)) = (read.heard, read.moments.impact) else { continue };
        if read.moments.impact_from != EventFrom::Ball && !late.is_empty() && slowed == 1.0 {
            let spread = late.iter().map(|l| (l - median(&late)).abs()).fold(0.0, f64::max);
            let time = heard.time - median(&late);
            if (time - hands.time).abs() <= SAME_STRIKE {
                read.moments.impact = Some(Moment { time, sd: ONSET_SD.hypot(spread).hypot(half_a_frame(read)) });
                read.moments.impact_from = EventFrom::Sound;
            }
        }
    }
}

/// A ball's leaving is known to half the time between two pictures; so is what is learnt from it.
fn half_a_frame(read: &SwingRead) -> f64 {
    let steps: Vec<f64> = read.track.times.windows(2).map(|w| w[1] - w[0]).collect();
    if steps.is_empty() { 0.0 } else { median(&steps) / 2.0 }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Clicks by time and how loud they are.
    fn sound(clicks: &[(f64, f64)]) -> Sound {
        let click = |&(time, level_db): &(f64, f64)| Click { time, rise_db: 20.0, level_db };
        Sound { clicks: clicks.iter().map(click).collect(), ..Sound::default() }
    }

    #[test]
    fn sound_at_life_speed_tells_the_factor_and_none_other_does() {
        let of = |seconds: f64, estimate: f64| factor(&Sound { seconds, ..Sound::default() }, 16.0, estimate);
        assert_eq!(of(4.0, 4.6), Some(4.0));
        assert_eq!(of(2.0, 7.0), Some(8.0));
        assert_eq!(of(16.0, 4.6), None, "stretched with the pictures");
        assert_eq!(of(4.0, 1.0), None, "a usual downswing: the sound was cut off");
        assert_eq!(of(3.0, 2.2), None, "cut off beside slowed pictures");
        assert_eq!(of(0.0, 4.0), None, "nothing heard, or nobody looked");
    }

    #[test]
    fn a_strike_is_the_one_clear_click_near_the_impact() {
        let heard = |clicks: &[(f64, f64)], duration: f64| strike(&sound(clicks), 5.0, &[5.0], duration, 1.0).map(|c| c.time);
        assert_eq!(heard(&[(5.03, -15.0)], 10.0), Some(5.03));
        assert_eq!(heard(&[(4.97, -25.0), (5.03, -15.0)], 10.0), Some(5.03), "the weaker is something else");
        assert_eq!(heard(&[(4.97, -18.0), (5.03, -15.0)], 10.0), None, "two alike");
        assert_eq!((heard(&[(5.13, -15.0)], 10.0), heard(&[(4.91, -15.0)], 10.0)), (None, None), "nowhere near");
        assert_eq!(heard(&[(1.0, -25.0), (2.0, -19.0), (5.03, -15.0), (8.0, -22.0)], 10.0), Some(5.03), "neighbours further away");
        // two alike in ten seconds: 4 % by chance; three: 6 %
        assert_eq!(heard(&[(1.0, -16.0), (5.03, -15.0), (8.0, -14.0)], 10.0), Some(5.03));
        assert_eq!(heard(&[(1.0, -16.0), (2.0, -17.0), (5.03, -15.0), (8.0, -14.0)], 10.0), None, "a range on which everybody is as loud");
        // the clip's other swings may be as loud
        let own = |t: &[f64]| strike(&sound(&[(1.0, -16.0), (2.0, -17.0), (5.03, -15.0), (8.0, -14.0)]), 5.0, t, 10.0, 1.0);
        assert_eq!(own(&[1.0, 2.0, 5.0, 8.0]).map(|c| c.time), Some(5.03));
        // beside pictures slowed fourfold, seconds are long
        assert_eq!(strike(&sound(&[(5.3, -15.0)]), 5.0, &[5.0], 40.0, 4.0).map(|c| c.time), Some(5.3));
    }
}
