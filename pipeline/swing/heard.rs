//! What a clip's sound tells of its swings. A click counts only beside what is seen, never alone: on a range others strike too, and
//! sound and picture of a phone may lie some hundredths apart.

use super::events::Moment;
use super::read::SwingRead;
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
/// near, where two are alike, or where chance would put one there.
pub fn strike(sound: &Sound, impact: f64, others: &[f64], duration_s: f64) -> Option<Click> {
    let near = |c: &&Click, t: f64| (c.time - t).abs() <= NEAR;
    let mut here: Vec<&Click> = sound.clicks.iter().filter(|c| near(c, impact)).collect();
    here.sort_by(|a, b| b.rise_db.total_cmp(&a.rise_db));
    let loudest = **here.first()?;
    if here.get(1).is_some_and(|c| c.rise_db > loudest.rise_db - CLEARER_DB) {
        return None;
    }
    let elsewhere = |c: &&Click| c.rise_db > loudest.rise_db - CLEARER_DB && !others.iter().any(|t| near(c, *t));
    let alike = sound.clicks.iter().filter(elsewhere).count() as f64;
    let by_chance = 1.0 - (-alike * 2.0 * NEAR / duration_s.max(2.0 * NEAR)).exp();
    (by_chance <= BY_CHANCE).then_some(loudest)
}

/// Lets the sound say what the pictures leave open, of clips at life speed: that a ball was struck, that none was (another swing of the
/// clip was heard and this one was not), and when, where a ball that was seen to leave tells how far sound and picture lie apart.
pub fn listen(reads: &mut [SwingRead], sound: &Sound, duration_s: f64) {
    if reads.iter().any(|r| r.slowness != 1.0) {
        return;
    }
    let impacts: Vec<f64> = reads.iter().filter_map(|r| r.moments.impact).map(|m| m.time).collect();
    for read in reads.iter_mut() {
        read.heard = read.moments.impact.and_then(|m| strike(sound, m.time, &impacts, duration_s));
    }
    let known = |r: &&SwingRead| r.moments.impact_from == EventFrom::Ball;
    let late: Vec<f64> = reads.iter().filter(known).filter_map(|r| Some(r.heard?.time - r.moments.impact?.time)).collect();
    let struck_aloud = reads.iter().any(|r| r.strike == Struck::Yes && r.heard.is_some());
    for read in reads.iter_mut() {
        let near = |c: &Click| read.moments.impact.is_some_and(|m| (c.time - m.time).abs() <= NEAR);
        let alone = struck_aloud && read.moments.impact.is_some() && !sound.clicks.iter().any(near);
        read.quiet = read.strike == Struck::Unknown && alone;
        read.strike = match (read.strike, read.heard.is_some()) {
            (Struck::Unknown, true) => Struck::Yes,
            (Struck::Unknown, false) if alone => Struck::No,
            (seen, _) => seen,
        };
        let (Some(heard), Some(hands)) = (read.heard, read.moments.impact) else { continue };
        if read.moments.impact_from != EventFrom::Ball && !late.is_empty() {
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
    fn a_strike_is_the_one_clear_click_near_the_impact() {
        let heard = |clicks: &[(f64, f64)], duration: f64| strike(&sound(clicks), 5.0, &[5.0], duration).map(|c| c.time);
        assert_eq!(heard(&[(5.03, 25.0)], 10.0), Some(5.03));
        assert_eq!(heard(&[(4.97, 15.0), (5.03, 25.0)], 10.0), Some(5.03), "the weaker is something else");
        assert_eq!(heard(&[(4.97, 22.0), (5.03, 25.0)], 10.0), None, "two alike");
        assert_eq!(heard(&[(5.2, 25.0)], 10.0), None, "nowhere near");
        assert_eq!(heard(&[(1.0, 15.0), (5.03, 25.0), (8.0, 18.0)], 10.0), Some(5.03), "neighbours further away");
        // one alike in ten seconds: 3 % by chance; two: 6 %
        assert_eq!(heard(&[(1.0, 24.0), (5.03, 25.0)], 10.0), Some(5.03));
        assert_eq!(heard(&[(1.0, 24.0), (5.03, 25.0), (8.0, 26.0)], 10.0), None, "a range on which everybody is as loud");
        // the clip's other swings may be as loud
        assert_eq!(strike(&sound(&[(1.0, 24.0), (5.03, 25.0), (8.0, 26.0)]), 5.0, &[1.0, 5.0, 8.0], 10.0).map(|c| c.time), Some(5.03));
    }
}
