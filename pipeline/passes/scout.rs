//! The scout pass: cheap looks over the whole clip, denser while hands move fast; finds the people and how they move.

use super::choose::{Chosen, choose};
use super::person::Person;
use crate::error::Result;
use crate::pose::detector::Detector;
use crate::pose::landmarker::Landmarker;
use crate::seen::Region;
use crate::seen::{Keypoint, Look};
use crate::video::{Footage, Probe, Shown};

/// Looks a second while all is quiet, and while hands move.
const QUIET_RATE: f64 = 10.0;
const BUSY_RATE: f64 = 30.0;
/// Hands faster than this (trunk lengths a second) make the scout look closer, for this long after.
const BUSY_SPEED: f64 = 1.2;
const BUSY_SECONDS: f64 = 0.5;
/// The detector runs again after this many seconds, for people who walk in.
const DETECT_SECONDS: f64 = 1.5;
/// Whoever was lost less than that ago is looked for at this step, seconds.
const SEARCH_STEP: f64 = 0.2;
const MIN_FLAG: f32 = 0.5;
const MAX_PEOPLE: usize = 3;
/// Regions whose centres are nearer than this share of their size show the same body.
const SAME_BODY: f64 = 0.08;

/// Runs the scout over the footage to its end.
pub fn scout(footage: &mut Footage, probe: &Probe, detector: &mut Detector, landmarker: &mut Landmarker) -> Result<Chosen> {
    let mut people: Vec<Person> = Vec::new();
    let (mut next_time, mut next_detection, mut busy_until) = (0.0, 0.0, -1.0);
    let mut samples = 0;
    for (index, &time) in probe.times.iter().enumerate() {
        if time + 1e-9 < next_time {
            continue;
        }
        let picture = match footage.frame(index)? {
            Shown::Picture(picture) => picture,
            Shown::Lost => continue,
            Shown::Ended => break,
        };
        samples += 1;
        for person in &mut people {
            let Some(region) = person.region else { continue };
            let look = landmarker.look(picture, &region)?;
            if look.flag >= MIN_FLAG {
                person.last = look.next_region();
                person.region = Some(person.last);
                if hand_speed(person, time, &look) > BUSY_SPEED {
                    busy_until = time + BUSY_SECONDS;
                }
                person.looks.push((index, time, look));
            } else {
                person.region = None;
                person.lost = Some(time);
                next_detection = time;
            }
        }
        merge_doubles(&mut people);
        if time >= next_detection || people.iter().all(|p| p.region.is_none()) {
            take_in(&mut people, detector.detect(picture)?.iter().map(|d| d.region()).collect());
            let searching = people.iter().any(|p| p.region.is_none() && p.lost.is_some_and(|at| time - at < DETECT_SECONDS));
            next_detection = time + if searching { SEARCH_STEP } else { DETECT_SECONDS };
        }
        next_time = time + if time < busy_until { 1.0 / BUSY_RATE } else { 1.0 / QUIET_RATE };
    }
    footage.count_rest();
    Ok(choose(people, samples))
}

fn hand_speed(person: &Person, time: f64, look: &Look) -> f64 {
    let Some((_, before, last)) = person.looks.last() else { return 0.0 };
    let hands = |l: &Look| l.mid(Keypoint::LeftWrist, Keypoint::RightWrist);
    let (a, b) = (hands(last), hands(look));
    (b[0] - a[0]).hypot(b[1] - a[1]) / look.trunk().max(1.0) / (time - before).max(1e-3)
}

fn near(a: &Region, b: &Region) -> bool {
    (a.cx - b.cx).hypot(a.cy - b.cy) < 0.25 * a.size.max(b.size)
}

/// Detections are people already followed, people lost before, or new ones. The nearest belong together, and each person is
/// found no more than once: somebody beside the golfer does not take the golfer's place.
fn take_in(people: &mut Vec<Person>, mut found: Vec<Region>) {
    let mut pairs: Vec<(f64, usize, usize)> = Vec::new();
    for (i, person) in people.iter().enumerate() {
        for (j, region) in found.iter().enumerate().filter(|(_, r)| near(&person.last, r)) {
            pairs.push(((person.last.cx - region.cx).hypot(person.last.cy - region.cy), i, j));
        }
    }
    pairs.sort_by(|a, b| a.0.total_cmp(&b.0));
    let (mut known, mut taken) = (vec![false; people.len()], vec![false; found.len()]);
    for (_, i, j) in pairs {
        if !known[i] && !taken[j] {
            (known[i], taken[j]) = (true, true);
            people[i].region.get_or_insert(found[j]);
        }
    }
    let mut taken = taken.into_iter();
    found.retain(|_| !taken.next().unwrap_or(false));
    for region in found {
        // a second box about somebody followed is nobody new
        let double = people.iter().any(|p| p.region.is_some_and(|r| (r.cx - region.cx).hypot(r.cy - region.cy) < SAME_BODY * r.size));
        if people.len() < MAX_PEOPLE && !double {
            people.push(Person { region: Some(region), last: region, lost: None, looks: Vec::new() });
        }
    }
}

/// Two tracks that came to follow the same body: the younger one is dropped.
fn merge_doubles(people: &mut Vec<Person>) {
    let mut i = 1;
    while i < people.len() {
        let double = (0..i).any(|j| match (&people[i].region, &people[j].region) {
            (Some(a), Some(b)) => (a.cx - b.cx).hypot(a.cy - b.cy) < SAME_BODY * a.size,
            _ => false,
        });
        if double {
            people.remove(i);
        } else {
            i += 1;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(cx: f64) -> Region {
        Region { cx, cy: 500.0, size: 600.0, rotation: 0.0 }
    }

    fn person(cx: f64, followed: bool) -> Person {
        Person { region: followed.then(|| at(cx)), last: at(cx), lost: None, looks: Vec::new() }
    }

    #[test]
    fn somebody_beside_a_lost_golfer_does_not_take_the_golfer_s_place() {
        // the golfer (first) is lost; the bystander is followed 100 pixels away and found first
        let mut people = vec![person(400.0, false), person(500.0, true)];
        take_in(&mut people, vec![at(500.0), at(405.0)]);
        assert_eq!(people.len(), 2);
        assert_eq!(people[0].region.map(|r| r.cx), Some(405.0));
        assert_eq!(people[1].region.map(|r| r.cx), Some(500.0));
    }

    #[test]
    fn somebody_new_is_followed_even_beside_another() {
        let mut people = vec![person(400.0, true)];
        take_in(&mut people, vec![at(402.0), at(520.0)]);
        assert_eq!(people.len(), 2);
        take_in(&mut people, vec![at(401.0), at(521.0), at(530.0)]);
        assert_eq!(people.len(), 2, "a second box about the same body");
    }
}
