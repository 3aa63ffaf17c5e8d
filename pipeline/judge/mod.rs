//! Everything seen of a clip → its report: quantities, gates, verdicts, roots.

mod by_hand;
mod gates;
mod roots;
mod verdicts;

pub use by_hand::decide;
pub use verdicts::probability_over;

use crate::intake::Brief;
use crate::measure::budget::{Budget, judging_sha256};
use crate::measure::proportions::proportions;
use crate::measure::{self, Context, Quantities, Reading, measure, names, shown};
use crate::pose::models::{ModelChoice, Models};
use crate::report::types::*;
use crate::report::{Reason, ReasonCode, Severity};
use crate::seen::Seen;
use crate::settings::Settings;
use crate::swing::read::SlownessFrom;
use crate::swing::{Moment, SwingRead, read_swings};
use serde_json::json;
use std::collections::{BTreeMap, BTreeSet};

/// Whose clip, which bytes.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Identity {
    pub sha256: String,
    pub bytes: u64,
    pub brief: Brief,
}

/// Version of the engine as written in reports.
pub const ENGINE: &str = env!("CARGO_PKG_VERSION");

impl Identity {
    /// First 16 hexadecimal digits of the content hash.
    pub fn id(&self) -> &str {
        &self.sha256[..16]
    }

    fn clip(&self, container_time: Option<&str>) -> Clip {
        let captured = self.brief.captured(container_time);
        Clip {
            id: self.id().into(),
            sha256: self.sha256.clone(),
            bytes: self.bytes,
            file: self.brief.file.clone(),
            student: self.brief.student.clone(),
            captured_source: captured.as_ref().map(|c| c.1),
            captured: captured.map(|c| c.0),
            club: self.brief.club.clone(),
            club_source: self.brief.club_source,
            club_kind: self.brief.club_kind,
        }
    }
}

fn engine(choice: ModelChoice, models: &Models, settings: &Settings) -> Engine {
    Engine {
        version: ENGINE.into(),
        pose_model: choice,
        model_sha256: models.combined_sha256(choice),
        settings_sha256: settings.sha256(),
        judging_sha256: judging_sha256(&settings.own),
    }
}

fn model_of(seen: &Seen, choice: ModelChoice, models: &Models) -> String {
    seen.about.seen_by.as_ref().map_or_else(|| models.combined_sha256(choice), |by| by.model_sha256.clone())
}

/// The report of a clip that could not be opened or worked through.
pub fn failed(identity: &Identity, reason: Reason, choice: ModelChoice, models: &Models, settings: &Settings) -> Report {
    let mut needs_look_because = Vec::new();
    let again = reason.code.cured_by_another_clip();
    if again {
        needs_look_because.push(format!("{}: {}", reason.code.again().words(), reason.text));
    }
    Report {
        schema: SCHEMA.into(),
        clip: identity.clip(None),
        video: None,
        engine: engine(choice, models, settings),
        usable: false,
        reasons: vec![reason],
        view: None,
        golfer: None,
        swings: Vec::new(),
        verdict: None,
        needs_look: again,
        needs_look_because,
        severity: if again { 0.5 } else { 0.0 },
        provenance: Vec::new(),
    }
}

/// Judges a clip from what was seen of it. Reads no video; the same input gives the same report.
pub fn judge(seen: &Seen, identity: &Identity, choice: ModelChoice, models: &Models, settings: &Settings) -> Report {
    let brief = &identity.brief;
    // what is kept says itself what looked at it
    let choice = seen.about.seen_by.as_ref().map_or(choice, |by| by.choice);
    let budget = Budget::in_force();
    let stature = brief.stature_cm.unwrap_or(settings.scale.assumed_stature_cm);
    let reads = read_swings(seen, stature, brief.playback.map(|p| p.0));
    let main = main_of(&reads);
    let mut reasons = gates::clip_reasons(seen, brief, settings);
    let golfer = main.map(|m| golfer(&reads[m], seen, brief));
    if let Some(g) = &golfer
        && g.agrees_with_motion == Some(false)
    {
        reasons.push(ReasonCode::MirroredOrOtherHanded.reason());
    }
    let mut swings = Vec::new();
    for (index, read) in reads.iter().enumerate() {
        let is_main = Some(index) == main;
        let found = gates::swing_reasons(seen, read, settings);
        let ctx = context(seen, read, brief, settings, budget);
        let mut quantities = measure(&ctx);
        gates::block(&mut quantities, &found);
        let shown = shown(&ctx, &quantities);
        let mut faults = verdicts::faults(&quantities, read.view.kind, brief, settings);
        verdicts::doubt(&mut faults, &shown);
        let roots = roots::roots(&quantities, &faults, settings);
        if is_main {
            if quantities.get("trail_hip_travel_cm").is_some_and(|q| q.as_ref().is_ok_and(|r| r.from == From::KeyPoint)) {
                reasons.push(ReasonCode::OutlineUnsafe.reason());
            }
            if brief.stature_cm.is_none() {
                reasons.push(ReasonCode::StatureAssumed.because(format!("{:.0} cm", settings.scale.assumed_stature_cm)));
            }
            // where the pictures are too few for any verdict that is said already
            if !found.iter().any(|r| r.code == ReasonCode::FewFrames) {
                reasons.extend(gates::slow_pictures(seen, read, &faults));
            }
            reasons.extend(found);
        }
        swings.push(swing(index, read, is_main, &ctx, &quantities, faults, roots, shown, brief));
    }
    if swings.is_empty() && !reasons.iter().any(|r| r.severity == Severity::Blocking) {
        reasons.push(ReasonCode::NoSwing.reason());
    }
    reasons.sort_by(|a, b| b.severity.cmp(&a.severity).then(a.code.cmp(&b.code)));
    // of one code the weightiest stays
    let mut told = BTreeSet::new();
    reasons.retain(|r| told.insert(r.code));
    let view = main.map(|m| view(&reads[m]));
    let usable = swings.iter().any(|s| s.main && s.metrics.values().any(|m| m.measured().is_some()));
    let playback = main.map_or(PlaybackFactor { value: 1.0, source: PlaybackSource::Assumed }, |m| playback(&reads[m], brief));
    let mut report = Report {
        schema: SCHEMA.into(),
        clip: identity.clip(seen.about.created.as_deref()),
        video: Some(video(seen, playback, settings)),
        engine: Engine { model_sha256: model_of(seen, choice, models), ..engine(choice, models, settings) },
        usable,
        reasons,
        view,
        golfer,
        swings,
        verdict: None,
        needs_look: false,
        needs_look_because: Vec::new(),
        severity: 0.0,
        provenance: provenance(seen, choice, budget, stature, brief, settings, main.map(|m| &reads[m])),
    };
    verdicts::conclude(&mut report);
    report
}

/// Which swing speaks for the clip.
fn main_of(reads: &[SwingRead]) -> Option<usize> {
    reads.iter().rposition(|r| r.window.kind == SwingKind::Full).or(reads.len().checked_sub(1))
}

fn context<'a>(seen: &'a Seen, read: &'a SwingRead, brief: &Brief, settings: &'a Settings, budget: &'a Budget) -> Context<'a> {
    let scale_sd = if brief.stature_cm.is_some() { settings.scale.known_relative_sd } else { settings.scale.assumed_relative_sd };
    Context { seen, swing: read, body: read.key_body(), settings, budget, scale_sd, widen: gates::widen(seen, read, settings) }
}

/// The clip's main swing as it is measured, for who reads it otherwise than by key points; `None` without a swing.
pub fn main_swing<T>(seen: &Seen, brief: &Brief, settings: &Settings, look: impl FnOnce(&Context) -> T) -> Option<T> {
    let stature = brief.stature_cm.unwrap_or(settings.scale.assumed_stature_cm);
    let reads = read_swings(seen, stature, brief.playback.map(|p| p.0));
    let read = &reads[main_of(&reads)?];
    Some(look(&context(seen, read, brief, settings, Budget::in_force())))
}

/// The faults of a reported swing as they would be judged with other readings in place of some of its own. A fault of which some
/// quantity is read otherwise goes by those that are: the rest would contradict them.
pub fn faults_with(swing: &Swing, view: ViewKind, brief: &Brief, settings: &Settings, other: &Quantities) -> BTreeMap<FaultName, Fault> {
    let own: Quantities = names::ALL.iter().filter_map(|n| Some((n.name, reading(swing.metrics.get(n.name)?)))).collect();
    let mut faults = verdicts::faults_by(&own, other, view, brief, settings);
    let arm_read_otherwise = verdicts::rests_on(FaultName::ChickenWing, brief, settings).any(|m| other.contains_key(m));
    if !arm_read_otherwise {
        verdicts::doubt(&mut faults, &swing.shown);
    }
    faults
}

/// The verdicts of a report's main swing at other limits, from the values and intervals that the report has.
pub fn verdicts_at(report: &Report, brief: &Brief, settings: &Settings) -> BTreeMap<FaultName, Fault> {
    let Some(main) = report.swings.iter().find(|s| s.main) else { return BTreeMap::new() };
    let view = report.view.as_ref().map_or(ViewKind::Other, |v| v.kind);
    faults_with(main, view, brief, settings, &by_hand::readings(main))
}

/// The lead arm of a swing at every frame after impact at which it was looked at, by frame, for pictures that move.
pub fn arms_in_motion(seen: &Seen, read: &SwingRead, brief: &Brief, settings: &Settings) -> BTreeMap<usize, Shown> {
    measure::arms_in_motion(&context(seen, read, brief, settings, Budget::in_force()))
}

/// A reported metric as it was read. The upper end of its interval was never cut off.
fn reading(metric: &Metric) -> crate::measure::Outcome {
    match metric {
        Metric::Missing { why, .. } => Err(why.clone()),
        Metric::Value(m) => {
            Ok(Reading { value: m.value, sd: (m.high - m.value) / 1.96, frames: m.frames.clone(), from: m.from, built_in: None })
        }
    }
}

fn view(read: &SwingRead) -> View {
    let yaw_deg = read.yaw.map(|y| {
        let (low, high) = y.interval();
        Estimate { value: round(y.to_lead_deg, 1), low: round(low, 1), high: round(high, 1) }
    });
    View { kind: read.view.kind, confidence: round(read.view.confidence, 2), yaw_deg }
}

fn golfer(read: &SwingRead, seen: &Seen, brief: &Brief) -> Golfer {
    // the motion decides; roster, sidecar or option confirm it or raise a doubt
    let told = brief.lead_side;
    let agrees = told.map(|(side, _)| side == read.lead);
    let source = match told {
        Some((side, source)) if side == read.lead => source,
        _ => LeadSideSource::Motion,
    };
    Golfer {
        lead_side: read.lead,
        lead_side_source: source,
        agrees_with_motion: agrees,
        people_seen: seen.about.people_seen,
        chosen_because: seen.about.chosen_because.clone(),
        proportions: proportions(read),
    }
}

fn playback(read: &SwingRead, brief: &Brief) -> PlaybackFactor {
    match brief.playback {
        Some((value, source)) => PlaybackFactor { value, source },
        None if read.slowness == 1.0 => PlaybackFactor { value: 1.0, source: PlaybackSource::Assumed },
        None => {
            let source = if read.slowness_from == SlownessFrom::Sound { PlaybackSource::Sound } else { PlaybackSource::Estimated };
            PlaybackFactor { value: round(read.slowness, 2), source }
        }
    }
}

fn video(seen: &Seen, playback_factor: PlaybackFactor, settings: &Settings) -> Video {
    let a = &seen.about;
    let shift = seen.camera.iter().map(|s| s.dx.hypot(s.dy)).fold(0.0, f64::max);
    let ms = |s: f64| round(s * 1000.0, 2);
    Video {
        width: a.width,
        height: a.height,
        rotation_deg: a.rotation_deg,
        turned_by_sight: a.turned_by_sight,
        mirrored_by_container: a.mirrored_by_container,
        pixel_aspect: round(a.pixel_aspect, 4),
        frames: a.frames,
        frames_expected: a.frames_expected,
        duration_s: round(a.duration_s, 3),
        frame_interval_ms: Spread { min: ms(a.interval_min_s), median: ms(a.interval_median_s), max: ms(a.interval_max_s) },
        playback_factor,
        camera: Camera { moving: gates::camera_moves(seen, settings), max_shift_px: round(shift, 1), roll_deg: None },
    }
}

#[allow(clippy::too_many_arguments)] // one swing's report from its parts
fn swing(
    index: usize,
    read: &SwingRead,
    main: bool,
    ctx: &Context,
    quantities: &Quantities,
    faults: BTreeMap<FaultName, Fault>,
    roots: Vec<Root>,
    shown: BTreeMap<String, Shown>,
    brief: &Brief,
) -> Swing {
    let event = |m: Option<Moment>, from: EventFrom| {
        m.map(|m| Event { frame: frame_at(read, m.time), time_s: round(m.time, 4), uncertainty_s: round(m.sd, 4), from })
    };
    let m = &read.moments;
    let stance_px = quantities.get("stance_width_cm").and_then(|q| q.as_ref().ok()).map(|r| r.value / read.cm_per_px);
    Swing {
        index,
        kind: read.window.kind,
        main,
        strike: strike(read),
        events: Events {
            address: event(m.takeaway, m.takeaway_from),
            takeaway: event(m.takeaway, m.takeaway_from),
            lead_arm_level_back: event(m.lead_arm_level_back, EventFrom::Body),
            top: event(m.top, EventFrom::Hands),
            lead_arm_level_down: event(m.lead_arm_level_down, EventFrom::Body),
            impact: event(m.impact, m.impact_from),
            half_follow_through: event(m.half_follow_through, EventFrom::Body),
            chest_high_follow_through: event(m.chest_high_follow_through, EventFrom::Hands),
            finish: event(m.finish, EventFrom::Hands),
        },
        scale: Some(Scale {
            cm_per_px: round(read.cm_per_px, 5),
            source: if brief.stature_cm.is_some() { ScaleSource::RosterStature } else { ScaleSource::AssumedStature },
            relative_uncertainty: ctx.scale_sd,
            stance_width_px: round(stance_px.unwrap_or(0.0), 1),
        }),
        metrics: names::ALL.iter().filter_map(|n| Some((n.name.to_string(), metric(n, quantities.get(n.name)?)))).collect(),
        faults,
        roots,
        shown,
    }
}

fn main_because(main: Option<&SwingRead>) -> &'static str {
    match main.map(|m| m.strike) {
        None => "there is none",
        Some(Struck::Yes) => "the last that struck a ball, as seen or heard",
        Some(_) => "the last full one; no ball was seen to leave",
    }
}

fn strike(read: &SwingRead) -> Strike {
    let heard = read.heard.map(|c| format!("a strike is heard at {:.2} s", c.time));
    let because = match (read.strike, read.ball.is_some(), read.moments.impact, read.moments.impact_from) {
        (Struck::Yes, true, Some(m), EventFrom::Ball) => format!("a ball lay on the ground until {:.2} s and was gone then", m.time),
        (Struck::Yes, true, ..) => "a ball lay on the ground and was gone after it, but not when the hands passed".to_string(),
        (Struck::Yes, false, ..) => {
            return Strike { value: read.strike, because: format!("{}; no ball was seen to leave", heard.unwrap_or_default()) };
        }
        (Struck::No, ..) if read.quiet => "no strike is heard, as another of the clip is; no ball was seen to leave".to_string(),
        (Struck::No, ..) => "the ball still lay there after it".to_string(),
        (Struck::Unknown, ..) => "no ball was seen to leave".to_string(),
    };
    let because = heard.into_iter().fold(because, |b, h| format!("{b}; {h}"));
    Strike { value: read.strike, because }
}

fn metric(name: &names::MetricName, outcome: &crate::measure::Outcome) -> Metric {
    match outcome {
        Err(why) => Metric::Missing { value: None, why: why.clone(), by_hand: None },
        Ok(r) => Metric::Value(Measured {
            value: round(r.value, 3),
            unit: name.unit.into(),
            low: round(r.interval(name.name).0, 3),
            high: round(r.interval(name.name).1, 3),
            frames: r.frames.clone(),
            from: r.from,
            built_in: r.built_in.map(|(value, sd)| {
                let (low, high) = measure::interval(name.name, value, sd);
                Estimate { value: round(value, 3), low: round(low, 3), high: round(high, 3) }
            }),
            by_hand: None,
        }),
    }
}

/// Number of the shown frame nearest to a time, interpolated between the frames that were looked at.
fn frame_at(read: &SwingRead, time: f64) -> usize {
    let (t, f) = (&read.track.times, &read.track.frames);
    let i = t.partition_point(|&v| v <= time).clamp(1, t.len() - 1);
    let share = (time - t[i - 1]) / (t[i] - t[i - 1]);
    (f[i - 1] as f64 + share * (f[i] - f[i - 1]) as f64).round().max(0.0) as usize
}

fn provenance(
    seen: &Seen,
    choice: ModelChoice,
    budget: &Budget,
    stature: f64,
    brief: &Brief,
    settings: &Settings,
    main: Option<&SwingRead>,
) -> Vec<Step> {
    let step = |step: &str, parameters: serde_json::Value| Step { step: step.into(), parameters };
    let mut steps = vec![
        step("worker", json!({ "confinement": &seen.about.worker })),
        step("scout", json!({ "looks": seen.scout.looks.len(), "model": &seen.about.scouted_by })),
        step(
            "measuring pass",
            json!({ "looks": seen.body.looks.len(), "model": choice.dense(), "region": "one for the whole swing", "outlines": seen.outlines.len(),
                    "key_looks": seen.key.looks.len(), "arm_frames": seen.arms.len(), "arm_looks": seen.arms.first().map_or(0, |a| a.looks.len()) }),
        ),
        step(
            "track",
            json!({ "outliers": "Hampel, 7 looks, floor 1.5 % of the trunk", "low_pass_body_hz": crate::track::BODY_CUT_OFF,
                    "low_pass_arm_back_hz": crate::track::ARM_CUT_OFF, "around_impact": "local fits, no low-pass" }),
        ),
        step("scale", json!({ "stature_cm": stature, "known": brief.stature_cm.is_some(), "leg_share": crate::swing::scale::LEG_SHARE })),
        step(
            "error budget",
            json!({
                "version": budget.version,
                "widened_by": main.map_or(1.0, |m| round(gates::widen(seen, m, settings), 4)),
                "yaw_to_lead_deg": main.and_then(|m| m.yaw).map(|y| round(y.to_lead_deg, 2)),
            }),
        ),
        step("main swing", json!({ "chosen_because": main_because(main) })),
        step("limits", json!(settings.limits)),
        step("verdict", json!(settings.verdict)),
        step(
            "looked at by",
            json!({ "version": seen.about.seen_by.as_ref().map_or(UNKNOWN, |by| by.engine.as_str()), "pose_model": choice.name() }),
        ),
    ];
    let own = settings.own.metric.iter().filter(|(name, a)| settings.own.of(name, a.from, &budget.version).is_some());
    let own: serde_json::Map<String, serde_json::Value> = own
        .map(|(name, a)| (name.clone(), json!({ "from": a.from, "shift": a.shift, "sd": a.sd, "clips": a.n, "adopted_at": a.adopted_at })))
        .collect();
    if !own.is_empty() {
        steps.push(step("adopted on own footage", json!({ "sha256": settings.own.sha256(), "metrics": own })));
    }
    steps
}

/// Rounds for printing, to `digits` decimals.
pub fn round(x: f64, digits: i32) -> f64 {
    let f = 10f64.powi(digits);
    let r = (x * f).round() / f;
    if r == 0.0 { 0.0 } else { r }
}
