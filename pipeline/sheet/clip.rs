//! A clip's page: everything that was measured, and how.

use super::bar::{Bar, bar};
use super::curves::{Panel, panels};
use super::desk::DeskPart;
use super::gather::{Entry, Section};
use super::judged::Said;
use super::parts::{Picture, VerdictView, asks_again, checks, note, pictures, verdicts, view, why, working_on};
use super::{letters, told, words};
use crate::error::Result;
use crate::measure::names;
use crate::place::OutFolder;
use crate::report::printable;
use crate::report::types::{FaultName, From, Measured, Metric, Root, Struck};
use crate::report::{Again, Report, Severity};
use crate::seen::Seen;
use askama::Template;

struct MetricRow {
    words: String,
    value: String,
    interval: String,
    from: &'static str,
    why: Option<String>,
}

struct ReasonRow {
    weight: &'static str,
    text: String,
    advice: String,
}

#[derive(Template)]
#[template(path = "clip.html")]
pub struct ClipPage<'a> {
    base: &'static str,
    live: bool,
    desk: Option<DeskPart>,
    working_on: Option<String>,
    said: Vec<Said>,
    before: Option<&'a str>,
    after: Option<&'a str>,
    section: Section,
    student: String,
    slug: &'a str,
    when: String,
    date_doubt: Option<String>,
    view: &'static str,
    club: Option<String>,
    file: String,
    verdicts: Vec<VerdictView>,
    why: Vec<String>,
    together: &'a [String],
    calm: &'static str,
    note: Option<String>,
    roots: &'a [Root],
    checks: Vec<&'static str>,
    letter: Option<String>,
    bars: Vec<Bar>,
    pictures: Vec<Picture>,
    since: Vec<String>,
    panels: Vec<Panel>,
    metrics: Vec<MetricRow>,
    reasons: Vec<ReasonRow>,
    origin: Vec<(String, String)>,
}

/// A clip's page between its neighbours on the sheet.
pub struct Place<'a> {
    pub before: Option<&'a str>,
    pub after: Option<&'a str>,
}

/// The page of a clip; `desk`: with what the desk adds. Errors: the out folder cannot be used.
pub fn page<'a>(out: &OutFolder, e: &'a Entry, place: Place<'a>, said: Vec<Said>, desk: Option<DeskPart>) -> Result<ClipPage<'a>> {
    let report = e.report();
    let main = report.swings.iter().find(|s| s.main);
    let kept = out.keypoints(&report.clip.id)?;
    // a kept look that can no longer be read costs its curves, never the sheet
    let panels = Seen::read(&kept).map(|seen| panels(&seen, report)).unwrap_or_default();
    let judged = [
        "trail_hip_travel_cm",
        "trail_hip_travel_pct_stance",
        "pelvis_travel_cm",
        "hip_edge_inside_foot_cm",
        "lead_elbow_bow_late_upper_arms",
        "head_lateral_max_back_cm",
        "head_vertical_top_cm",
        "pelvis_toward_ball_impact_cm",
    ];
    Ok(ClipPage {
        base: "../",
        live: desk.is_some(),
        desk,
        working_on: working_on(e),
        said,
        before: place.before,
        after: place.after,
        section: e.section,
        student: words::student(report.clip.student.as_deref()),
        slug: &e.stored.owner,
        when: words::day_of(&report.clip),
        date_doubt: words::date_doubt(&report.clip),
        view: view(report),
        club: report.clip.club.as_deref().map(printable),
        file: printable(&report.clip.file),
        verdicts: verdicts(report),
        why: why(e),
        together: &e.together,
        calm: match e.section {
            Section::Clear => "Nothing here needs your eye: everything measured lies inside the limits, surely or likely.",
            Section::OtherView => "Measured as far as this view allows; sway, elbow and lateral head need a face-on clip.",
            _ => "",
        },
        note: note(e),
        roots: main.map_or(&[], |m| &m.roots),
        checks: checks(report),
        letter: if asks_again(e) { letters::film_again(report) } else { None },
        bars: judged.iter().filter_map(|m| bar(report, m)).collect(),
        pictures: pictures(out, report, 7),
        since: e.past.changes.iter().map(super::since::Change::sentence).collect(),
        panels,
        metrics: metrics(report),
        reasons: reasons(report),
        origin: origin(report),
    })
}

fn metrics(report: &Report) -> Vec<MetricRow> {
    let Some(main) = report.swings.iter().find(|s| s.main) else {
        return Vec::new();
    };
    let of = |n: &names::MetricName| {
        Some(match main.metrics.get(n.name)? {
            Metric::Value(m) => MetricRow {
                words: words::sentence(n.words),
                value: in_table(report, n.name, m),
                interval: match told::value(report, n.name).filter(|_| told::is_nothing(m) && n.name.contains("_travel_")) {
                    Some(other_way) => words::interval(&other_way),
                    None => words::interval(m),
                },
                from: match m.from {
                    From::KeyPoint => "key points",
                    From::Outline => "outline",
                    From::Both => "key points and outline",
                },
                why: None,
            },
            Metric::Missing { why, .. } => MetricRow {
                words: words::sentence(n.words),
                value: String::new(),
                interval: String::new(),
                from: "",
                why: Some(printable(why)),
            },
        })
    };
    names::ALL.iter().filter_map(of).collect()
}

/// The number as measured; where nothing moved away from the target, that in words.
fn in_table(report: &Report, name: &str, m: &Measured) -> String {
    match told::is_nothing(m) && name.contains("_travel_") {
        true => told::told(report, name).unwrap_or_else(|| "none".into()),
        false => words::value(m),
    }
}

fn reasons(report: &Report) -> Vec<ReasonRow> {
    let films = report.reasons.iter().any(|r| r.severity == Severity::Blocking && r.code.again() == Again::Film);
    let one = |r: &crate::report::Reason| ReasonRow {
        weight: match r.severity {
            Severity::Info => "good to know",
            Severity::Warning => "less sure",
            Severity::Blocking => "blocks",
        },
        text: words::sentence(&printable(&r.text)),
        advice: if r.code.again() == Again::Send && films {
            "Filming again takes care of it".into()
        } else {
            words::sentence(&printable(&r.advice))
        },
    };
    report.reasons.iter().map(one).collect()
}

/// Footage, golfer, scale, events, other swings, engine and steps, as terms and texts.
fn origin(report: &Report) -> Vec<(String, String)> {
    let mut all: Vec<(String, String)> = Vec::new();
    let mut say = |term: &str, text: String| all.push((term.into(), text));
    if let Some(v) = &report.video {
        let slow = match v.playback_factor.value {
            1.0 => "at life speed".into(),
            x => format!("{x:.1} times slower than life ({})", words::code(&v.playback_factor.source)),
        };
        say(
            "Footage",
            format!(
                "{} × {} pixels, {} of {} pictures, {:.1} s, one each {:.1} ms, {slow}",
                v.width, v.height, v.frames, v.frames_expected, v.duration_s, v.frame_interval_ms.median
            ),
        );
        say(
            "Camera",
            if v.camera.moving { format!("moves, up to {:.0} pixels; taken out", v.camera.max_shift_px) } else { "stands still".into() },
        );
    }
    if let Some(g) = &report.golfer {
        say(
            "Golfer",
            format!(
                "lead side {} ({}); {} in view; {}",
                g.lead_side.words(),
                words::code(&g.lead_side_source),
                words::count(g.people_seen, "person", "people"),
                printable(&g.chosen_because)
            ),
        );
    }
    if let Some(main) = report.swings.iter().find(|s| s.main) {
        if let Some(s) = &main.scale {
            say("Scale", format!("{:.3} cm a pixel, {} (± {:.0} %)", s.cm_per_px, words::code(&s.source), 100.0 * s.relative_uncertainty));
        }
        let events: Vec<String> = main
            .events
            .named()
            .into_iter()
            .filter_map(|(n, e)| {
                e.map(|e| format!("{} {:.2} s (± {:.2}, picture {})", n.replace('_', " "), e.time_s, e.uncertainty_s, e.frame))
            })
            .collect();
        say("Events", events.join("; "));
        say("Ball", words::sentence(&main.strike.because));
        let others: Vec<String> = report.swings.iter().filter(|s| !s.main).map(|s| other_swing(s.index, s)).collect();
        if !others.is_empty() {
            say("Other swings", others.join("; "));
        }
    }
    let e = &report.engine;
    say(
        "Program",
        format!(
            "dawnsheet {}, pose model {}, models {:.12}, settings {:.12}",
            e.version,
            words::code(&e.pose_model),
            e.model_sha256,
            e.settings_sha256
        ),
    );
    for step in &report.provenance {
        say(&words::sentence(&step.step), steps(&step.parameters));
    }
    say("Clip", format!("{} bytes, sha256 {}", report.clip.bytes, report.clip.sha256));
    all
}

fn other_swing(index: usize, swing: &crate::report::types::Swing) -> String {
    let verdicts: Vec<String> =
        FaultName::ALL.iter().filter_map(|n| Some(format!("{} {}", n.words(), swing.faults.get(n)?.in_words()))).collect();
    let kind = if swing.strike.value == Struck::No { "rehearsal, the ball still lay there".into() } else { words::code(&swing.kind) };
    format!("no. {}, {kind}: {}", index + 1, verdicts.join(", "))
}

/// A step's parameters as "name value" pairs.
fn steps(parameters: &serde_json::Value) -> String {
    let Some(object) = parameters.as_object() else {
        return printable(&parameters.to_string());
    };
    let pairs: Vec<String> =
        object.iter().map(|(k, v)| format!("{} {}", k.replace('_', " "), v.as_str().map_or_else(|| v.to_string(), String::from))).collect();
    printable(&pairs.join(", "))
}
