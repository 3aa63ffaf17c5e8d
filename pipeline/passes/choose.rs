//! Which of the people is the golfer: the one whose hands travel most, over the whole clip.

use super::person::Person;
use crate::seen::Looks;
use crate::seen::{Keypoint, Look};

/// The golfer's track and why it is theirs.
#[derive(Debug, Clone, Default)]
pub struct Chosen {
    pub golfer: Looks,
    pub people_seen: usize,
    pub because: String,
    pub doubtful: bool,
    /// Share of the scout's looks in which the golfer was seen.
    pub share: f64,
}

/// Someone else within this share of the golfer's hand travel makes the choice doubtful.
const CLOSE: f64 = 0.6;
/// People seen in fewer looks than this are passers-by.
const MIN_LOOKS: usize = 4;

/// Chooses among `people`; `samples` is the number of pictures the scout looked at.
pub fn choose(people: Vec<Person>, samples: usize) -> Chosen {
    let mut ranked: Vec<(f64, Person)> =
        people.into_iter().filter(|p| p.looks.len() >= MIN_LOOKS).map(|p| (hand_travel(&p.looks), p)).collect();
    ranked.sort_by(|a, b| b.0.total_cmp(&a.0));
    let people_seen = ranked.len();
    let runner_up = ranked.get(1).map(|(travel, _)| *travel);
    let Some((travel, golfer)) = ranked.into_iter().next() else {
        return Chosen { because: "nobody was seen".into(), ..Chosen::default() };
    };
    let because = match runner_up {
        None => "the only person seen".to_string(),
        Some(other) => format!("hands travelled {travel:.1} trunk lengths, the next person's {other:.1}"),
    };
    let mut looks = Looks::default();
    for (frame, time, look) in golfer.looks {
        looks.push(frame, time, look);
    }
    Chosen {
        share: looks.frames.len() as f64 / samples.max(1) as f64,
        golfer: looks,
        people_seen,
        because,
        doubtful: runner_up.is_some_and(|other| other > CLOSE * travel),
    }
}

/// Path length of the hands against the hips, trunk lengths; steps over gaps longer than 0.4 s do not count, nor more
/// than one trunk length a step (a lost track jumps).
fn hand_travel(looks: &[(usize, f64, Look)]) -> f64 {
    let place = |l: &Look| {
        let (hands, hips) = (l.mid(Keypoint::LeftWrist, Keypoint::RightWrist), l.mid(Keypoint::LeftHip, Keypoint::RightHip));
        let trunk = l.trunk().max(1.0);
        [(hands[0] - hips[0]) / trunk, (hands[1] - hips[1]) / trunk]
    };
    looks
        .windows(2)
        .filter(|w| w[1].1 - w[0].1 < 0.4)
        .map(|w| {
            let (a, b) = (place(&w[0].2), place(&w[1].2));
            (b[0] - a[0]).hypot(b[1] - a[1]).min(1.0)
        })
        .sum()
}
