//! Synthetic results for tests of what is read from the store.

use dawnsheet::history::Store;
use dawnsheet::intake::Brief;
use dawnsheet::intake::names::slug;
use dawnsheet::judge::Identity;
use dawnsheet::place::OutFolder;
use dawnsheet::pose::models::ModelChoice;
use dawnsheet::report::types::*;
use dawnsheet::report::{Reason, ReasonCode, Report};
use dawnsheet::settings::Settings;
use std::collections::BTreeMap;
use std::path::Path;

/// A report under construction: a clear face-on clip to begin with.
pub struct Builder {
    pub report: Report,
    note: Option<String>,
    working_on: Option<String>,
}

/// A 64-digit hash whose first 16 digits tell clips apart.
pub fn sha(seed: u64) -> String {
    format!("{:016x}{}", seed.wrapping_mul(0x9E37_79B9_7F4A_7C15), "0".repeat(48))
}

fn measured(value: f64, half: f64, unit: &str) -> Metric {
    let (low, high, from) = (value - half, value + half, From::KeyPoint);
    Metric::Value(Measured { value, unit: unit.into(), low, high, frames: vec![40], from, built_in: None, by_hand: None })
}

fn clear(driver: &str) -> Fault {
    Fault {
        verdict: Verdict::Clear,
        probability: Some(0.02),
        drivers: vec![driver.into()],
        text: "inside the limit".into(),
        why: None,
        by_program: None,
    }
}

impl Builder {
    pub fn new(seed: u64, student: &str, captured: &str) -> Builder {
        let sha256 = sha(seed);
        let metrics = BTreeMap::from([
            ("trail_hip_travel_cm".to_string(), measured(1.0, 2.0, "cm")),
            ("pelvis_travel_cm".to_string(), measured(1.5, 3.0, "cm")),
            ("lead_elbow_bow_late_upper_arms".to_string(), measured(-0.03, 0.08, "upper arms")),
            ("head_lateral_max_back_cm".to_string(), measured(2.0, 2.5, "cm")),
            ("tempo_ratio".to_string(), measured(3.0, 0.4, "ratio")),
            ("hip_tilt_address_deg".to_string(), Metric::Missing { value: None, why: "the hips are covered".into(), by_hand: None }),
        ]);
        let faults = BTreeMap::from([
            (FaultName::Sway, clear("trail_hip_travel_cm")),
            (FaultName::ChickenWing, clear("lead_elbow_bow_late_upper_arms")),
            (FaultName::HeadDrift, clear("head_lateral_max_back_cm")),
        ]);
        let event = |frame: usize| Some(Event { frame, time_s: frame as f64 / 60.0, uncertainty_s: 0.01, from: EventFrom::default() });
        let events = Events {
            address: event(40),
            takeaway: event(40),
            top: event(95),
            impact: event(112),
            chest_high_follow_through: event(119),
            ..Events::default()
        };
        let report = Report {
            schema: SCHEMA.into(),
            clip: Clip {
                id: sha256[..16].into(),
                sha256,
                bytes: 1000,
                file: format!("{student}/{captured}.mp4"),
                student: Some(student.into()),
                captured: Some(captured.into()),
                captured_source: Some(CapturedSource::Container),
                club: None,
                club_source: None,
                club_kind: None,
            },
            video: None,
            engine: Engine {
                version: "0".into(),
                pose_model: ModelChoice::Accurate,
                model_sha256: "m".into(),
                settings_sha256: Settings::default().sha256(),
                judging_sha256: String::new(),
            },
            usable: true,
            reasons: Vec::new(),
            view: Some(View { kind: ViewKind::FaceOn, confidence: 0.9, yaw_deg: None }),
            golfer: None,
            swings: vec![Swing {
                index: 0,
                kind: SwingKind::Full,
                main: true,
                strike: Strike::default(),
                events,
                scale: None,
                metrics,
                faults,
                roots: Vec::new(),
                shown: BTreeMap::new(),
            }],
            verdict: Some(Verdict::Clear),
            needs_look: false,
            needs_look_because: Vec::new(),
            severity: 0.02,
            provenance: Vec::new(),
        };
        Builder { report, note: None, working_on: None }
    }

    /// A metric's value with its interval's half-width, in the unit it has.
    pub fn value(mut self, metric: &str, value: f64, half: f64) -> Builder {
        let slot = self.report.swings[0].metrics.get_mut(metric).expect("a metric of the clear clip");
        let unit = slot.measured().expect("measured").unit.clone();
        *slot = measured(value, half, &unit);
        self
    }

    /// A sway of this probability; flagged from 0.8, borderline from 0.2.
    pub fn sway(mut self, probability: f64, hip_cm: f64) -> Builder {
        let verdict = if probability >= 0.8 { Verdict::Flagged } else { Verdict::Borderline };
        self = self.value("trail_hip_travel_cm", hip_cm, 2.0);
        let text = format!("trail hip slides {hip_cm:.1} cm ({:.1} to {:.1}; limit 5.0)", hip_cm - 2.0, hip_cm + 2.0);
        let r = &mut self.report;
        r.needs_look_because.push(format!("sway {}: {text}", verdict.words()));
        r.swings[0].faults.insert(
            FaultName::Sway,
            Fault {
                verdict,
                probability: Some(probability),
                drivers: vec!["trail_hip_travel_cm".into()],
                text,
                why: None,
                by_program: None,
            },
        );
        r.verdict = r.verdict.min(Some(verdict));
        r.needs_look = true;
        r.severity = r.severity.max(probability);
        self
    }

    /// Which side is in front, and who says so; a motion that nobody contradicts where nobody does.
    pub fn lead(mut self, lead_side: Side, lead_side_source: LeadSideSource) -> Builder {
        self.report.golfer = Some(Golfer {
            lead_side,
            lead_side_source,
            agrees_with_motion: (lead_side_source != LeadSideSource::Motion).then_some(true),
            people_seen: 1,
            chosen_because: "the only one".into(),
            proportions: None,
        });
        self
    }

    /// The body's proportions (leg and arm over the trunk) with their relative error; after [`Builder::lead`].
    pub fn body(mut self, leg: f64, arm: f64, sd: f64) -> Builder {
        let of = |v: f64| Estimate { value: v, low: v - 1.96 * sd * v, high: v + 1.96 * sd * v };
        let golfer = self.report.golfer.as_mut().expect("a golfer");
        golfer.proportions = Some(Proportions { leg_to_trunk: of(leg), arm_to_trunk: of(arm) });
        self
    }

    /// Nothing could be measured, for this reason.
    pub fn failed(mut self, code: ReasonCode) -> Builder {
        let r = &mut self.report;
        r.usable = false;
        r.swings.clear();
        r.verdict = None;
        r.view = None;
        r.reasons = vec![code.reason()];
        r.needs_look = code.cured_by_another_clip();
        r.needs_look_because = if r.needs_look { vec![format!("{}: {}", code.again().words(), code.reason().text)] } else { Vec::new() };
        r.severity = if r.needs_look { 0.5 } else { 0.0 };
        self
    }

    /// A swing of which this reason keeps every fault from being measured; filming again helps where the reason says so.
    pub fn unmeasured(mut self, reason: Reason, view: ViewKind) -> Builder {
        let again = reason.code.cured_by_another_clip() && view != ViewKind::DownTheLine;
        let r = &mut self.report;
        for (name, fault) in &mut r.swings[0].faults {
            let text = format!("{} cannot be measured: {}", name.words(), reason.text);
            *fault = Fault {
                verdict: Verdict::CannotMeasure,
                probability: None,
                drivers: Vec::new(),
                text,
                why: Some(reason.text.clone()),
                by_program: None,
            };
            if again {
                r.needs_look_because.push(format!("{}: {} cannot be measured, {}", reason.code.again().words(), name.words(), reason.text));
            }
        }
        for (name, metric) in &mut r.swings[0].metrics {
            if name != "tempo_ratio" {
                *metric = Metric::Missing { value: None, why: reason.text.clone(), by_hand: None };
            }
        }
        r.view = Some(View { kind: view, confidence: 0.9, yaw_deg: None });
        r.verdict = Some(Verdict::CannotMeasure);
        r.needs_look = again;
        r.severity = if again { 0.5 } else { 0.0 };
        r.reasons.push(reason);
        self
    }

    pub fn note(mut self, note: &str) -> Builder {
        self.note = Some(note.into());
        self
    }

    /// As the roster says.
    pub fn working_on(mut self, aim: &str) -> Builder {
        self.working_on = Some(aim.into());
        self
    }

    pub fn change(mut self, f: impl FnOnce(&mut Report)) -> Builder {
        f(&mut self.report);
        self
    }

    /// Records it; the owner and the clip's id.
    pub fn record(self, store: &mut Store) -> (String, String) {
        let owner = slug(self.report.clip.student.as_deref());
        self.record_as(&owner, store)
    }

    /// Records it under this folder name, as earlier versions gave others.
    pub fn record_as(self, owner: &str, store: &mut Store) -> (String, String) {
        let clip = &self.report.clip;
        let (file, student) = (clip.file.clone(), clip.student.clone());
        let brief = Brief { file, student, note: self.note.clone(), working_on: self.working_on.clone(), ..Brief::default() };
        let identity = Identity { sha256: clip.sha256.clone(), bytes: clip.bytes, brief };
        let text = serde_json::to_string(&identity).expect("an identity is JSON");
        store.record(owner, "key", &text, &self.report, None).expect("the store takes it");
        (owner.into(), clip.id.clone())
    }
}

/// An empty out folder with its store.
pub fn out_folder(root: &Path) -> (OutFolder, Store) {
    let out = OutFolder::open(root).expect("a writable folder");
    let store = Store::open(&root.join("dawnsheet.sqlite")).expect("a new store");
    (out, store)
}
