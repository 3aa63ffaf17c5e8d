//! The scout pass: cheap looks over the whole clip, denser while hands move fast; finds the people and how they move.

use super::choose::{Chosen, choose};
use super::detector::Detector;
use super::keypoints::{Keypoint, Look};
use super::landmarker::Landmarker;
use super::region::Region;
use crate::error::Result;
use crate::video::{Footage, Probe};

/// Looks a second while all is quiet, and while hands move.
const QUIET_RATE: f64 = 10.0;
const BUSY_RATE: f64 = 30.0;
/// Hands faster than this (trunk lengths a second) make the scout look closer, for this long after.
const BUSY_SPEED: f64 = 1.2;
const BUSY_SECONDS: f64 = 0.5;
/// The detector runs again after this many seconds, for people who walk in.
const DETECT_SECONDS: f64 = 1.5;
const MIN_FLAG: f32 = 0.5;
const MAX_PEOPLE: usize = 3;

/// One person followed through the clip.
#[derive(Debug, Clone)]
pub struct Person {
    /// Where to look next; `None` while lost.
    region: Option<Region>,
    last: Region,
    /// (frame, time, look) in order.
    pub looks: Vec<(usize, f64, Look)>,
}

/// Runs the scout over the footage to its end.
pub fn scout(footage: &mut Footage, probe: &Probe, detector: &mut Detector, landmarker: &mut Landmarker) -> Result<Chosen> {
    let mut people: Vec<Person> = Vec::new();
    let (mut next_time, mut next_detection, mut busy_until) = (0.0, 0.0, -1.0);
    let mut samples = 0;
    for (index, &time) in probe.times.iter().enumerate() {
        if time + 1e-9 < next_time {
            continue;
        }
        let Some(picture) = footage.frame(index)? else { break };
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
            }
        }
        merge_doubles(&mut people);
        if time >= next_detection || people.iter().all(|p| p.region.is_none()) {
            for found in detector.detect(picture)? {
                take_in(&mut people, found.region());
            }
            next_detection = time + DETECT_SECONDS;
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

/// A detection is someone already followed, someone lost before, or someone new.
fn take_in(people: &mut Vec<Person>, region: Region) {
    if let Some(known) = people.iter_mut().find(|p| near(&p.last, &region)) {
        known.region.get_or_insert(region);
    } else if people.len() < MAX_PEOPLE {
        people.push(Person { region: Some(region), last: region, looks: Vec::new() });
    }
}

/// Two tracks that came to follow the same body: the younger one is dropped.
fn merge_doubles(people: &mut Vec<Person>) {
    let mut i = 1;
    while i < people.len() {
        let double = (0..i).any(|j| match (&people[i].region, &people[j].region) {
            (Some(a), Some(b)) => (a.cx - b.cx).hypot(a.cy - b.cy) < 0.08 * a.size,
            _ => false,
        });
        if double {
            people.remove(i);
        } else {
            i += 1;
        }
    }
}
