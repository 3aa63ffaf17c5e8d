//! Everything seen of a clip → its swings, each with track, side, scale and moments.

use super::body::{Body, Part, toward_target};
use super::events::{self, Moments};
use super::view::{self, ViewSeen};
use super::windows::{Window, find_windows};
use super::yaw::{Yaw, yaw};
use super::{heard, scale};
use crate::report::types::{Side, Struck, SwingKind, ViewKind};
use crate::seen::keypoints::Keypoint;
use crate::seen::{Ball, Click, Look};
use crate::seen::{Looks, Seen};
use crate::track::Track;
use crate::track::signal::median;

/// One swing, ready to be measured.
#[derive(Debug, Clone)]
pub struct SwingRead {
    pub window: Window,
    /// Dense in time: moments, hands, the pictures' drawing.
    pub track: Track,
    /// The best looks at fewer frames: places are measured here. The same as `track` where there are none.
    pub key: Track,
    pub view: ViewSeen,
    /// Of a face-on camera; `None` from elsewhere.
    pub yaw: Option<Yaw>,
    /// By the motion.
    pub lead: Side,
    /// +1 where the target is at the right of the picture.
    pub toward: f64,
    pub cm_per_px: f64,
    /// Indices (of the track) of the still frames before the takeaway; empty where the address is outside the clip.
    pub still: Vec<usize>,
    /// The same, indices of `key`.
    pub key_still: Vec<usize>,
    pub moments: Moments,
    pub strike: Struck,
    /// The click of the strike.
    pub heard: Option<Click>,
    /// It made no sound where another swing of the clip did.
    pub quiet: bool,
    /// The ball that left.
    pub ball: Option<Ball>,
    /// Clip time ÷ real time used for smoothing and speeds.
    pub slowness: f64,
    /// What tells `slowness`.
    pub slowness_from: SlownessFrom,
}

/// What tells how many times slower than life a clip plays.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SlownessFrom {
    /// A sidecar or an option.
    Given,
    /// Sound beside the pictures that is not slowed.
    Sound,
    /// The length of the downswing; real time where that is usual.
    Estimate,
}

impl SwingRead {
    /// Whether the clip is slow motion by an estimated factor.
    pub fn slowness_estimated(&self) -> bool {
        self.slowness_from == SlownessFrom::Estimate && self.slowness != 1.0
    }

    /// From when on the hands are past the trail hip on the way back, seconds: lead arm level, but no later than 60 % of the
    /// backswing (the arm's crossing is now and then read late). `None` without a top.
    pub fn hands_past_hip(&self) -> Option<f64> {
        let top = self.moments.top?.time;
        let level = self.moments.lead_arm_level_back.map_or(top - 0.3 * self.slowness, |m| m.time);
        Some(self.moments.takeaway.map_or(level, |m| level.min(m.time + 0.6 * (top - m.time))))
    }

    /// The track in golf's terms.
    pub fn body(&self) -> Body<'_> {
        Body { track: &self.track, lead: self.lead, toward: self.toward }
    }

    /// The best looks in golf's terms.
    pub fn key_body(&self) -> Body<'_> {
        Body { track: &self.key, ..self.body() }
    }
}

/// Longest still window before the takeaway, seconds of real time.
const STILL_SECONDS: f64 = 0.3;

/// Reads every swing window. `stature_cm` sets the scale; `playback` overrides the slowness estimated from the downswing.
pub fn read_swings(seen: &Seen, stature_cm: f64, playback: Option<f64>) -> Vec<SwingRead> {
    let best = seen.best();
    let mut reads: Vec<SwingRead> =
        find_windows(&seen.scout).into_iter().filter_map(|w| read_swing(seen, &best, w, stature_cm, playback)).collect();
    let balls = &seen.about.balls;
    for read in &mut reads {
        let struck = read.ball.is_some();
        let stayed = read.moments.impact.is_some_and(|m| balls.iter().flat_map(|b| &b.stayed).any(|t| (t - m.time).abs() < SAME));
        read.strike = match (struck, stayed) {
            (true, _) => Struck::Yes,
            (false, true) => Struck::No,
            (false, false) => Struck::Unknown,
        };
    }
    let seen_to_leave = reads.iter().any(|r| r.strike == Struck::Yes);
    if let Some(sound) = &seen.about.sound {
        heard::listen(&mut reads, sound, seen.about.duration_s);
    }
    // the swing that struck the ball is the main one, the last of several; what is heard counts where no ball is seen to leave
    let full = |kind: SwingKind| matches!(kind, SwingKind::Full | SwingKind::Practice);
    let struck = |r: &SwingRead| if seen_to_leave { r.ball.is_some() } else { r.strike == Struck::Yes };
    if let Some(main) = reads.iter().rposition(|r| struck(r) && full(r.window.kind)) {
        for (i, read) in reads.iter_mut().enumerate().filter(|(_, r)| full(r.window.kind)) {
            read.window.kind = if i == main { SwingKind::Full } else { SwingKind::Practice };
        }
    }
    reads
}

/// Two readings of one swing's impact lie within this, seconds.
const SAME: f64 = 0.2;

fn read_swing(seen: &Seen, best: &Looks, window: Window, stature_cm: f64, playback: Option<f64>) -> Option<SwingRead> {
    let mut track = Track::of(seen, best, window.start, window.end)?;
    let mut key = Track::of(seen, &seen.key, window.start, window.end);
    let given = playback;
    let by_sound = seen.about.sound.as_ref().and_then(|s| heard::factor(s, seen.about.duration_s, window.slowness));
    let slowness = playback.or(by_sound).unwrap_or(window.slowness);
    let scouted = |from: f64, to: f64| -> Vec<&Look> {
        seen.scout.times.iter().zip(&seen.scout.looks).filter(|(t, _)| (from..=to).contains(*t)).map(|(_, l)| l).collect()
    };
    let address_end = window.takeaway.unwrap_or(window.start);
    let mut address = scouted(address_end - 0.6 * slowness, address_end + 0.05);
    if address.is_empty() {
        address = scouted(window.start, window.end).into_iter().take(3).collect();
    }
    let view = view::view(&address);
    let address: Vec<Look> = address.into_iter().map(|l| if view.sides_exchanged { l.with_sides_exchanged() } else { l.clone() }).collect();
    let address: Vec<&Look> = address.iter().collect();
    if view.sides_exchanged {
        track.exchange_sides();
        key.iter_mut().for_each(Track::exchange_sides);
    }
    let key = key.unwrap_or_else(|| track.clone());
    // where the hands go by the time they are halfway up
    let lateral = |l: &Look| l.mid(Keypoint::LeftWrist, Keypoint::RightWrist)[0] - l.mid(Keypoint::LeftHip, Keypoint::RightHip)[0];
    let rest = median(&address.iter().map(|l| lateral(l)).collect::<Vec<_>>());
    let hands_go =
        scouted(address_end, window.top).iter().map(|l| lateral(l) - rest).fold(0.0, |m: f64, v| if v.abs() > m.abs() { v } else { m });
    let lead = view::lead_side(view.kind, &address, hands_go);
    let toward = if view.kind == ViewKind::FaceOn { toward_target(&address, lead) } else { -hands_go.signum() };
    let body = Body { track: &track, lead, toward };
    let guess_end = window.takeaway.unwrap_or(track.times[0]);
    let mut at_rest = track.within(guess_end - 0.4 * slowness, guess_end + 1e-6);
    if at_rest.is_empty() {
        at_rest = (0..4.min(track.len())).collect();
    }
    let cm_per_px = scale::cm_per_px(&body, &at_rest, stature_cm);
    let moments = match view.kind {
        ViewKind::DownTheLine => events::find_down_the_line(&body, &window, cm_per_px, slowness),
        _ => events::find(&body, &Body { track: &key, ..body }, &window, cm_per_px, slowness),
    };
    let ball = seen.about.balls.iter().find(|b| (window.top..=window.end).contains(&b.there));
    let stir = seen.about.stirs.iter().find(|s| s.times.first().is_some_and(|t| (window.start - 1e-6..window.top).contains(t)));
    let moments = moments.with_stir(stir, &window, view.kind == ViewKind::DownTheLine, slowness, seen.about.interval_median_s / 2.0);
    let moments = moments.with_ball(ball, view.kind == ViewKind::DownTheLine, slowness).in_order();
    let slowness = match (moments.top, moments.impact) {
        (Some(top), Some(impact)) if given.is_none() && window.slowness != 1.0 => usual_factor((impact.time - top.time) / USUAL_DOWNSWING),
        _ => slowness,
    };
    let still = moments.takeaway.map_or(Vec::new(), |m| still_frames(&body, m.time, slowness, cm_per_px));
    let key_body = Body { track: &key, ..body };
    let key_still = moments.takeaway.map_or(Vec::new(), |m| still_frames(&key_body, m.time, slowness, cm_per_px));
    let cm_per_px = if key_still.len() >= 3 { scale::cm_per_px(&key_body, &key_still, stature_cm) } else { cm_per_px };
    let (seen_best, rest) = match key_still.as_slice() {
        [] => (&body, at_rest.as_slice()),
        still => (&key_body, still),
    };
    let yaw = (view.kind == ViewKind::FaceOn).then(|| yaw(&address, seen_best, rest));
    Some(SwingRead {
        track: track.clone(),
        key,
        view,
        yaw,
        lead,
        toward,
        cm_per_px,
        still,
        key_still,
        moments,
        strike: Struck::Unknown,
        heard: None,
        quiet: false,
        ball: ball.cloned(),
        slowness,
        slowness_from: match (playback, by_sound) {
            (Some(_), _) => SlownessFrom::Given,
            (None, Some(_)) => SlownessFrom::Sound,
            (None, None) => SlownessFrom::Estimate,
        },
        window,
    })
}

/// A usual downswing, seconds (Grober and Cholewicki: about 8 frames of 30 a second; checks on rendered clips).
const USUAL_DOWNSWING: f64 = 0.27;

/// The playback factor that phones make (capture at 60, 120, 240 frames a second, shown at 30) nearest to an estimate.
fn usual_factor(estimate: f64) -> f64 {
    [1.0, 2.0, 4.0, 8.0, 16.0]
        .into_iter()
        .min_by(|a: &f64, b: &f64| (a.ln() - estimate.ln()).abs().total_cmp(&(b.ln() - estimate.ln()).abs()))
        .unwrap_or(1.0)
}

/// Frames in the last 0.3 s before the takeaway whose hands stay within 3 cm of where they end.
fn still_frames(body: &Body, takeaway: f64, slowness: f64, cm: f64) -> Vec<usize> {
    let inside = body.track.within(takeaway - STILL_SECONDS * slowness, takeaway + 1e-6);
    let last: Vec<usize> = inside.iter().rev().take(3).copied().collect();
    let of = |axis: usize| median(&last.iter().map(|&i| body.mid(i, Part::Wrist)[axis]).collect::<Vec<_>>());
    let (x, y) = (of(0), of(1));
    inside
        .into_iter()
        .filter(|&i| {
            let p = body.mid(i, Part::Wrist);
            (p[0] - x).hypot(p[1] - y) * cm < 3.0
        })
        .collect()
}
