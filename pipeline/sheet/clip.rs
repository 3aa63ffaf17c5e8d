//! A clip's page: everything that was measured, and how.

use super::bar::{Bar, bar};
use super::curves::{Panel, panels};
use super::desk::DeskPart;
use super::gather::{Entry, Section};
use super::judged::Said;
use super::parts::{Picture, VerdictView, asks_again, checks, note, pictures, verdicts, view, why, working_on};
use super::pictures::{Mark, marks};
use super::{letters, told, words};
use crate::error::Result;
use crate::measure::names;
use crate::place::OutFolder;
use crate::report::printable;
use crate::report::types::{Events, FaultName, From, Measured, Metric, Root, ScaleSource, Struck};
use crate::report::{Again, ReasonCode, Report, Severity};
use crate::seen::Seen;
use askama::Template;
use std::collections::BTreeSet;

struct MetricRow {
    words: String,
    value: String,
    interval: String,
    from: &'static str,
    why: Option<String>,
    /// What the coach measured, where that decides the clip.
    by_hand: Option<String>,
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
    /// Of those pictures.
    legend: BTreeSet<Mark>,
    since: Vec<String>,
    panels: Vec<Panel>,
    metrics: Vec<MetricRow>,
    reasons: Vec<ReasonRow>,
    /// Where the stature is from, by which all lengths are told.
    scaled: Option<String>,
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
    let seen = Seen::read(&kept).ok();
    let panels = seen.as_ref().map(|seen| panels(seen, report)).unwrap_or_default();
    let mut pictures = pictures(out, report, 7);
    for p in &mut pictures {
        let taken = main.zip(seen.as_ref()).and_then(|(m, seen)| {
            let row = seen.body.frames.binary_search(&m.shown.get(p.event)?.frame).ok()?;
            of_event(p.event, seen.body.times[row], &m.events)
        });
        p.numbers.extend(taken);
    }
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
        legend: marks(report, pictures.iter().map(|p| p.event)),
        pictures,
        since: e.past.changes.iter().map(super::since::Change::sentence).collect(),
        panels,
        metrics: metrics(report),
        reasons: reasons(report),
        scaled: scaled(report),
        origin: origin(report),
    })
}

/// When the event lies, where that is not when its picture was taken: events lie between pictures, and the address is shown while
/// all is still.
fn of_event(picture: &str, taken: f64, events: &Events) -> Option<String> {
    let (event, words) = match picture {
        "address" => (events.takeaway?, "the takeaway"),
        "top" => (events.top?, "the top itself"),
        "impact" => (events.impact?, "impact itself"),
        "half_follow_through" => (events.half_follow_through?, "half-way itself"),
        _ => return None,
    };
    let (taken, event) = (format!("{taken:.2} s"), format!("{:.2} s", event.time_s));
    (taken != event).then(|| format!("picture at {taken}, {words} at {event}"))
}

fn metrics(report: &Report) -> Vec<MetricRow> {
    let Some(main) = report.swings.iter().find(|s| s.main) else {
        return Vec::new();
    };
    let by_hand = |n: &names::MetricName| {
        let hand = main.metrics.get(n.name)?.by_hand()?;
        let [value, low, high] = [hand.value, hand.low, hand.high].map(|v| words::number(v, words::digits(n.unit)));
        Some(format!("you: {value} ({low} to {high})"))
    };
    let of = |n: &names::MetricName| {
        Some(match main.metrics.get(n.name)? {
            Metric::Value(m) => MetricRow {
                words: words::sentence(n.words),
                value: in_table(report, n.name, m),
                interval: match told::value(report, n.name).filter(|_| in_words(n.name, m)) {
                    Some(other_way) => words::interval(&other_way),
                    None => words::interval(m),
                },
                from: match m.from {
                    From::KeyPoint => "key points",
                    From::Outline => "outline",
                    From::Both => "key points and outline",
                },
                why: None,
                by_hand: by_hand(n),
            },
            Metric::Missing { why, .. } => MetricRow {
                words: words::sentence(n.words),
                value: String::new(),
                interval: String::new(),
                from: "",
                why: Some(printable(why)),
                by_hand: by_hand(n),
            },
        })
    };
    names::ALL.iter().filter_map(of).collect()
}

/// Whether a slide of the hip is told by words, being none.
fn in_words(name: &str, m: &Measured) -> bool {
    m.by_hand.is_none() && told::is_nothing(m) && name.contains("_travel_")
}

/// The number as measured; where nothing moved away from the target, that in words.
fn in_table(report: &Report, name: &str, m: &Measured) -> String {
    match in_words(name, m) {
        true => told::told(report, name).unwrap_or_else(|| "none".into()),
        false => words::value(m),
    }
}

/// Where the stature is from, and what it does to every length.
fn scaled(report: &Report) -> Option<String> {
    let scale = report.swings.iter().find(|s| s.main)?.scale.as_ref()?;
    let stature = told::stature_cm(report)?;
    let share = 100.0 * scale.relative_uncertainty;
    Some(match scale.source {
        ScaleSource::RosterStature => {
            format!(
                "Every centimetre here goes by a stature of {stature:.0} cm, as given, and by the legs in the picture: good to about {share:.0} %."
            )
        }
        ScaleSource::AssumedStature => format!(
            "Every centimetre here goes by an assumed stature of {stature:.0} cm, and is unsure by about {share:.0} % for it: of a golfer of \
             {:.0} cm each is 5 % more. stature_cm in the roster settles it.",
            1.05 * stature
        ),
    })
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
    // the stature is told beside the limits, once
    report.reasons.iter().filter(|r| r.code != ReasonCode::StatureAssumed || scaled(report).is_none()).map(one).collect()
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::types::Event;

    #[test]
    fn where_picture_and_event_lie_apart_both_times_are_told() {
        let at = |time_s: f64| Some(Event { frame: 62, time_s, uncertainty_s: 0.01, from: Default::default() });
        let events = Events { top: at(1.0521), takeaway: at(0.7), ..Events::default() };
        assert_eq!(of_event("top", 1.0333, &events).unwrap(), "picture at 1.03 s, the top itself at 1.05 s");
        assert_eq!(of_event("top", 1.0533, &events), None, "one time to a hundredth");
        assert_eq!(of_event("address", 0.33, &events).unwrap(), "picture at 0.33 s, the takeaway at 0.70 s");
        assert_eq!(of_event("late_follow_through", 1.2, &events), None, "no event of its own");
    }
}
