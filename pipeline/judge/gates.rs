//! What stands in the way of a measurement: each gate is a reason with advice, and blocks or widens what it touches.

use crate::intake::Brief;
use crate::measure::Quantities;
use crate::report::types::{Fault, FaultName, Verdict, ViewKind};
use crate::report::{Reason, ReasonCode, Severity};
use crate::seen::Seen;
use crate::seen::keypoints::Keypoint;
use crate::settings::Settings;
use crate::swing::{Part, SwingRead};
use crate::track::signal::median;
use std::collections::BTreeMap;

/// A visibility below this, at address, means that the part is not in the picture.
const PART_UNSEEN: f64 = 0.35;

/// Reasons about the clip as a whole.
pub fn clip_reasons(seen: &Seen, brief: &Brief, settings: &Settings) -> Vec<Reason> {
    let a = &seen.about;
    let mut found = Vec::new();
    if a.frames < a.frames_expected {
        let reason = ReasonCode::Damaged.because(format!("{} of {} pictures", a.frames, a.frames_expected));
        let half = a.frames * 2 < a.frames_expected;
        found.push(reason.weighing(if half { Severity::Blocking } else { Severity::Warning }));
    } else if a.unlisted > 0 {
        found.push(ReasonCode::Damaged.because(format!("{} pictures that its index does not know", a.unlisted)));
    } else if a.decoder_complaints > 0 {
        found.push(ReasonCode::Damaged.because("the decoder complained"));
    }
    if a.mirrored_by_container {
        found.push(ReasonCode::MirroredByContainer.reason());
    }
    if a.turned_by_sight != 0 {
        found.push(ReasonCode::TurnedBySight.because(format!("{}° clockwise", a.turned_by_sight)));
    }
    if a.person_share < settings.gates.min_person_share {
        found.push(ReasonCode::NoPerson.reason());
    }
    if a.people_seen > 1 {
        found.push(ReasonCode::SeveralPeople.because(format!("{} in all", a.people_seen)));
    }
    if a.person_doubtful {
        found.push(ReasonCode::PersonDoubtful.because(&a.chosen_because));
    }
    if brief.sent_by_another {
        found.push(ReasonCode::SameBytesFromTwo.reason());
    }
    if camera_moves(seen, settings) {
        found.push(ReasonCode::CameraMoves.reason());
    }
    found
}

/// Whether the camera moves more than the settings' share of the body height.
pub fn camera_moves(seen: &Seen, settings: &Settings) -> bool {
    let shift = seen.camera.iter().map(|s| s.dx.hypot(s.dy)).fold(0.0, f64::max);
    let trunk = median(&seen.body.looks.iter().map(|l| l.trunk()).collect::<Vec<_>>());
    // the trunk is about 0.29 of the stature
    trunk.is_finite() && shift > settings.gates.camera_moves_pct / 100.0 * trunk / 0.29
}

/// The golfer's stature in pixels.
fn height_px(read: &SwingRead) -> f64 {
    let at = |part: Keypoint| median(&read.track.series(part, 1));
    let legs = (at(Keypoint::LeftAnkle) + at(Keypoint::RightAnkle)) / 2.0 - (at(Keypoint::LeftEar) + at(Keypoint::RightEar)) / 2.0;
    // ankle to ear is about 0.89 of the stature, less the bend of the posture
    legs.max(0.0) / 0.85
}

/// Reasons about one swing.
pub fn swing_reasons(seen: &Seen, read: &SwingRead, settings: &Settings) -> Vec<Reason> {
    let gates = &settings.gates;
    let off_square = read.yaw.map_or(0.0, |y| y.to_lead_deg.abs());
    let mut found = Vec::new();
    let m = &read.moments;
    let missing: Vec<&str> = [("the address", m.takeaway.is_none()), ("impact", m.impact.is_none()), ("the finish", m.finish.is_none())]
        .iter()
        .filter(|(_, gone)| *gone)
        .map(|(name, _)| *name)
        .collect();
    if !missing.is_empty() {
        let severity = if missing == ["the finish"] { Severity::Info } else { Severity::Blocking };
        found.push(ReasonCode::SwingCut.because(format!("{} not seen", missing.join(" and "))).weighing(severity));
    }
    if read.view.kind == ViewKind::Other {
        found.push(ReasonCode::NotFaceOn.because(format!("about {:.0}° off square", read.view.off_square_deg.abs())));
    } else if read.view.kind == ViewKind::FaceOn && off_square > gates.max_off_square_deg {
        found.push(ReasonCode::NotFaceOn.because(format!("about {:.0}° off square", off_square)));
    } else if read.view.kind == ViewKind::DownTheLine {
        found.push(
            ReasonCode::NotFaceOn.because("filmed down the line: sway, elbow and lateral head are not measured").weighing(Severity::Info),
        );
    }
    found.extend(torn_within(seen, read));
    let height = height_px(read);
    if height < gates.small_height_px {
        let severity = if height < gates.min_height_px { Severity::Blocking } else { Severity::Warning };
        found.push(ReasonCode::TooSmall.because(format!("about {height:.0} pixels high")).weighing(severity));
    }
    found.extend(picture_edge(seen, read));
    if let (Some(top), Some(impact)) = (m.top, m.impact) {
        let frames = ((impact.time - top.time) / seen.about.interval_median_s.max(1e-6)).floor() as usize;
        if frames < gates.min_downswing_frames {
            found.push(ReasonCode::FewFrames.because(format!("{frames} pictures")));
        }
    }
    if m.top_doubtful {
        found.push(ReasonCode::TopUnsure.reason());
    }
    if read.track.exchanged() || read.view.sides_exchanged {
        found.push(ReasonCode::SidesRepaired.reason());
    }
    if read.slowness_estimated() {
        found.push(ReasonCode::PlaybackUnknown.because(format!("about {:.1} times slower", read.slowness)));
    }
    if arm_hidden(seen, read, settings) {
        found.push(ReasonCode::DarkOrBlurred.because("the lead arm after impact"));
    }
    found
}

/// Pictures lost between the rest before the takeaway and the follow-through: what is measured across them is a guess.
fn torn_within(seen: &Seen, read: &SwingRead) -> Option<Reason> {
    let (m, k) = (&read.moments, read.slowness);
    let from = m.takeaway.map_or(read.window.start, |t| t.time - 0.3 * k);
    let to = m.chest_high_follow_through.or(m.finish).map_or(read.window.end, |c| c.time);
    let torn = seen.about.torn.iter().find(|span| span[0] < to && span[1] > from)?;
    let where_ = format!("{:.2} to {:.2} s, within the swing", torn[0], torn[1]);
    Some(ReasonCode::Damaged.because(where_).weighing(Severity::Blocking))
}

fn arm_hidden(seen: &Seen, read: &SwingRead, settings: &Settings) -> bool {
    if read.view.kind != ViewKind::FaceOn || read.moments.chest_high_follow_through.is_none() {
        return false;
    }
    let body = read.body();
    let (elbow, wrist) = (body.lead(Part::Elbow) as usize, body.lead(Part::Wrist) as usize);
    let seen_well: Vec<bool> = seen
        .arms
        .iter()
        .filter(|a| read.track.frames.contains(&a.frame))
        .map(|a| {
            let v: Vec<f64> = a.looks.iter().map(|l| f64::from(l.points[elbow].visibility.min(l.points[wrist].visibility))).collect();
            median(&v) >= settings.gates.min_visibility
        })
        .collect();
    !seen_well.is_empty() && seen_well.iter().filter(|s| **s).count() * 2 < seen_well.len()
}

/// Head, feet or body outside the picture at address or top.
fn picture_edge(seen: &Seen, read: &SwingRead) -> Vec<Reason> {
    let (w, h) = (f64::from(seen.about.width), f64::from(seen.about.height));
    let mut rows: Vec<usize> = read.still.clone();
    if let Some(top) = read.moments.top {
        rows.push(read.track.nearest(top.time));
    }
    if rows.is_empty() {
        return Vec::new();
    }
    let unseen = |parts: &[Keypoint]| {
        parts.iter().any(|&k| {
            let outside = rows.iter().filter(|&&i| {
                let p = read.track.at(i, k);
                let s = &read.track.camera[i];
                let (x, y) = (p[0] + s.dx, p[1] + s.dy);
                x < -1.0 || y < -1.0 || x > w || y > h
            });
            let visible = median(&rows.iter().map(|&i| read.track.visibility[[i, k as usize]]).collect::<Vec<_>>());
            outside.count() * 2 > rows.len() || visible < PART_UNSEEN
        })
    };
    use Keypoint::*;
    let mut found = Vec::new();
    if unseen(&[LeftAnkle, RightAnkle, LeftFootIndex, RightFootIndex]) {
        // down the line one foot hides the other
        let severity = if read.view.kind == ViewKind::FaceOn { Severity::Blocking } else { Severity::Warning };
        found.push(ReasonCode::FeetUnseen.reason().weighing(severity));
    }
    if unseen(&[Nose]) && read.view.kind == ViewKind::FaceOn {
        found.push(ReasonCode::HeadUnseen.reason());
    }
    let hands_out = read.track.within(read.window.start, read.window.end).into_iter().filter(|&i| {
        let (p, s) = (read.track.at(i, LeftWrist), &read.track.camera[i]);
        let (x, y) = (p[0] + s.dx, p[1] + s.dy);
        x < 0.0 || y < 0.0 || x > w || y > h
    });
    if hands_out.count() > 2 {
        found.push(ReasonCode::OutOfPicture.because("the hands"));
    }
    found
}

/// Quantities that a blocking reason makes worthless get that reason instead of a value.
pub fn block(quantities: &mut Quantities, reasons: &[Reason]) {
    let feet = [
        "stance_width_cm",
        "trail_hip_travel_pct_stance",
        "trail_hip_inside_foot_cm",
        "hip_edge_inside_foot_cm",
        "head_behind_centre_address_cm",
        "pelvis_toward_target_address_cm",
        "trail_knee_inside_address_cm",
    ];
    for reason in reasons.iter().filter(|r| r.severity == Severity::Blocking) {
        let blocked = |name: &str| match reason.code {
            ReasonCode::TooSmall | ReasonCode::Damaged => true,
            ReasonCode::FeetUnseen => feet.contains(&name),
            ReasonCode::HeadUnseen => name.starts_with("head_"),
            ReasonCode::OutOfPicture | ReasonCode::FewFrames => name.starts_with("lead_"),
            _ => false,
        };
        for (name, outcome) in quantities.iter_mut() {
            if outcome.is_ok() && blocked(name) {
                *outcome = Err(reason.text.clone());
            }
        }
    }
}

/// Fewer pictures in a real second than this are read less surely.
const SLOW_RATE: f64 = 45.0;

/// Pictures in a real second.
fn real_rate(seen: &Seen, read: &SwingRead) -> f64 {
    read.slowness / seen.about.interval_median_s.max(1e-6)
}

/// That more pictures a second would help, where few of them cost the elbow's verdict. It only advises. By the intervals of 33
/// rendered clips, at 30 pictures a second against 60: tempo ±0.99 against ±0.71, elbow ±.165 against ±.145 upper arms.
pub fn slow_pictures(seen: &Seen, read: &SwingRead, faults: &BTreeMap<FaultName, Fault>) -> Option<Reason> {
    let rate = real_rate(seen, read);
    let open = faults.get(&FaultName::ChickenWing).is_some_and(|f| matches!(f.verdict, Verdict::Borderline | Verdict::CannotMeasure));
    (rate < SLOW_RATE && open && read.view.kind == ViewKind::FaceOn)
        .then(|| ReasonCode::SlowPictures.because(format!("{rate:.0} a second")))
}

/// Factor on the landmark errors of a swing.
pub fn widen(seen: &Seen, read: &SwingRead, settings: &Settings) -> f64 {
    let gates = &settings.gates;
    let mut factor: f64 = 1.0;
    if height_px(read) < gates.small_height_px {
        factor *= 1.5;
    }
    if read.yaw.is_some_and(|y| y.to_lead_deg.abs() > gates.widen_off_square_deg) {
        factor *= 1.2;
    }
    if camera_moves(seen, settings) {
        factor *= 1.2;
    }
    if real_rate(seen, read) < SLOW_RATE {
        factor *= 1.15;
    }
    factor
}
