//! What a clip's sound tells of its swings. A click counts only beside what is seen, never alone: on a range others strike too, and
//! sound and picture of a phone may lie some hundredths apart.

use super::events::Moment;
use super::read::{SlownessFrom, SwingRead};
use crate::report::types::{EventFrom, Struck};
use crate::seen::{Click, Sound};
use crate::track::signal::median;

/// A strike is heard within this of where it is seen, seconds.
const NEAR: f64 = 0.15;
/// The loudest click there is the swing's where the next is weaker by this, decibels.
const CLEARER_DB: f64 = 6.0;
/// Clicks as loud as that at other times of the clip make it likely that somebody else struck: with a chance of more than this that
/// one of them falls here the click tells nothing.
const BY_CHANCE: f64 = 0.05;
/// Standard deviation of a click's beginning, seconds: two bins.
const ONSET_SD: f64 = 0.004;
/// Sound and hands tell the same strike where they are no further apart than this, seconds.
const SAME_STRIKE: f64 = 0.05;

/// The click that belongs to a swing whose impact is seen at `impact`; `others`: those of all swings of the clip. `None` where none is
/// near, where two are alike, or where chance would put one there. `reach`: how near, seconds of clip time.
fn strike(sound: &Sound, impact: f64, others: &[f64], duration_s: f64, reach: f64) -> Option<Click> {
    let near = |c: &&Click, t: f64| (c.time - t).abs() <= reach;
    let mut here: Vec<&Click> = sound.clicks.iter().filter(|c| near(c, impact)).collect();
    here.sort_by(|a, b| b.rise_db.total_cmp(&a.rise_db));
    let loudest = **here.first()?;
    if here.get(1).is_some_and(|c| c.rise_db > loudest.rise_db - CLEARER_DB) {
        return None;
    }
    let elsewhere = |c: &&Click| c.rise_db > loudest.rise_db - CLEARER_DB && !others.iter().any(|t| near(c, *t));
    let alike = sound.clicks.iter().filter(elsewhere).count() as f64;
    let by_chance = 1.0 - (-alike * 2.0 * reach / duration_s.max(2.0 * reach)).exp();
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
        read.heard = read.moments.impact.and_then(|m| strike(sound, m.time, &impacts, duration_s, NEAR * slowed));
    }
    let known = |r: &&SwingRead| r.moments.impact_from == EventFrom::Ball;
    let late: Vec<f64> = reads.iter().filter(known).filter_map(|r| Some(r.heard?.time - r.moments.impact?.time)).collect();
    let struck_aloud = reads.iter().any(|r| r.strike == Struck::Yes && r.heard.is_some());
    for read in reads.iter_mut() {
        let near = |c: &Click| read.moments.impact.is_some_and(|m| (c.time - m.time).abs() <= NEAR * slowed);
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

    fn sound(clicks: &[(f64, f64)]) -> Sound {
        Sound { clicks: clicks.iter().map(|&(time, rise_db)| Click { time, rise_db }).collect(), ..Sound::default() }
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
        let heard = |clicks: &[(f64, f64)], duration: f64| strike(&sound(clicks), 5.0, &[5.0], duration, NEAR).map(|c| c.time);
        assert_eq!(heard(&[(5.03, 25.0)], 10.0), Some(5.03));
        assert_eq!(heard(&[(4.97, 15.0), (5.03, 25.0)], 10.0), Some(5.03), "the weaker is something else");
        assert_eq!(heard(&[(4.97, 22.0), (5.03, 25.0)], 10.0), None, "two alike");
        assert_eq!(heard(&[(5.2, 25.0)], 10.0), None, "nowhere near");
        assert_eq!(heard(&[(1.0, 15.0), (5.03, 25.0), (8.0, 18.0)], 10.0), Some(5.03), "neighbours further away");
        // one alike in ten seconds: 3 % by chance; two: 6 %
        assert_eq!(heard(&[(1.0, 24.0), (5.03, 25.0)], 10.0), Some(5.03));
        assert_eq!(heard(&[(1.0, 24.0), (5.03, 25.0), (8.0, 26.0)], 10.0), None, "a range on which everybody is as loud");
        // the clip's other swings may be as loud
        assert_eq!(
            strike(&sound(&[(1.0, 24.0), (5.03, 25.0), (8.0, 26.0)]), 5.0, &[1.0, 5.0, 8.0], 10.0, NEAR).map(|c| c.time),
            Some(5.03)
        );
    }
}
