//! Whether a student's fault is truly getting better: per metric, view and club class, from main swings with usable values.
//! A day has one value, however many clips were filmed on it. A change is only called one where a test that may be looked
//! at after every clip says so, corrected over all that is followed, and it is more than error and a day's form can make.

use super::golfers::lead_side;
use super::sequential::{AnyTime, holm, sequential_ranks};
use super::statistics::{
    Ewma, Line, MannKendall, ewma, mann_kendall, minimal_detectable_change, root_mean_square, spread_about, theil_sen,
};
use crate::history::store::Stored;
use crate::intake::brief::has_long_club;
use crate::intake::date;
use crate::intake::names::UNASSIGNED;
use crate::report::Report;
use crate::report::types::{CapturedSource, Clip, Measured, Side, ViewKind};
use crate::track::signal::median;
use jiff::Timestamp;
use jiff::civil::Date;
use serde::Serialize;
use std::collections::BTreeMap;

/// A metric followed over time.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Tracked {
    pub metric: &'static str,
    /// In a coach's words.
    pub words: &'static str,
    /// Whether less is better; otherwise no direction is.
    pub lower_is_better: bool,
    /// Standard deviation of a golfer's own swings about the day's, and again of the days about the golfer's, in the
    /// metric's unit. Assumed, no source: a centimetre, the same as a share of an upper arm, a twentieth of a tempo.
    pub natural: f64,
    /// Decimals to print.
    #[serde(skip)]
    pub digits: usize,
}

/// The metrics followed, in a coach's order.
pub const TRACKED: [Tracked; 5] = [
    Tracked { metric: "trail_hip_travel_cm", words: "trail hip slide", lower_is_better: true, natural: 1.0, digits: 1 },
    Tracked { metric: "pelvis_travel_cm", words: "pelvis slide", lower_is_better: true, natural: 1.0, digits: 1 },
    Tracked { metric: "lead_elbow_bow_late_upper_arms", words: "lead elbow out of line", lower_is_better: true, natural: 0.03, digits: 2 },
    Tracked { metric: "head_lateral_max_back_cm", words: "head drift", lower_is_better: true, natural: 1.0, digits: 1 },
    Tracked { metric: "tempo_ratio", words: "tempo, back to down", lower_is_better: false, natural: 0.15, digits: 1 },
];

/// Clubs that may be compared with each other.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum ClubClass {
    /// Driver, woods, hybrids.
    Long,
    /// Any other named club.
    Short,
    /// No club was named.
    Unnamed,
}

impl ClubClass {
    /// Of a clip's club.
    pub fn of(clip: &Clip) -> ClubClass {
        match has_long_club(clip) {
            None => ClubClass::Unnamed,
            Some(true) => ClubClass::Long,
            Some(false) => ClubClass::Short,
        }
    }

    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            ClubClass::Long => "driver and woods",
            ClubClass::Short => "irons and wedges",
            ClubClass::Unnamed => "club not named",
        }
    }
}

/// A view in words.
pub fn view_words(view: ViewKind) -> &'static str {
    match view {
        ViewKind::FaceOn => "face-on",
        ViewKind::DownTheLine => "down the line",
        ViewKind::Other => "other view",
    }
}

/// One clip's value.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Point {
    pub clip: String,
    /// ISO 8601, as in the report.
    pub captured: String,
    /// Days since the first clip of the series, counted by the calendar.
    pub day: f64,
    /// In the metric's unit, with its 95 % interval.
    pub value: f64,
    pub low: f64,
    pub high: f64,
    /// It is what the coach measured by hand.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub by_hand: bool,
}

/// A day's value: the median of its clips.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Day {
    /// Days since the first of the series.
    pub day: f64,
    pub clips: usize,
    pub value: f64,
    /// Standard error of the value: of measuring, which a day's clips share (camera, clothes, light), and of the swings, which
    /// differ.
    pub error: f64,
}

/// What a series says.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Word {
    Improving,
    Worsening,
    /// A metric without a better direction moves.
    Changing,
    Steady,
    TooEarly,
}

impl Word {
    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Word::Improving => "improving",
            Word::Worsening => "worsening",
            Word::Changing => "changing",
            Word::Steady => "steady",
            Word::TooEarly => "too early to tell",
        }
    }
}

/// One metric of one student over time, one view, club class and side in front: clips that swing the other way show somebody
/// else, or a mirrored picture.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Trend {
    pub owner: String,
    pub student: Option<String>,
    pub metric: Tracked,
    pub unit: String,
    pub view: ViewKind,
    pub club: ClubClass,
    /// Side in front; null where none was read.
    pub lead: Option<Side>,
    /// In time order; at least one.
    pub points: Vec<Point>,
    /// In time order; at least one.
    pub days: Vec<Day>,
    pub word: Word,
    /// One sentence: why that word.
    pub reason: String,
    /// Median of the first days and of the last (up to three each, no day in both); null for one day.
    pub first: Option<f64>,
    pub last: Option<f64>,
    /// `last` − `first`.
    pub change: Option<f64>,
    /// The least change from the first days to the last that is more than error and a day's form can make (95 %).
    pub error_of_change: f64,
    /// The same between two single days: 1.96·√2·(standard deviation of a day's value).
    pub minimal_detectable_change: f64,
    /// Theil–Sen line over days, 95 % interval of its slope.
    pub line: Option<Line>,
    /// Of the days; shown, not judged by: it knows nothing of earlier looks.
    pub test: Option<MannKendall>,
    /// Judged by; at least two days.
    pub any_time: Option<AnyTime>,
    /// Probability, if nothing changed, of such an order at this or any earlier look, in this or any other series of the
    /// student.
    pub corrected: f64,
    /// Of the days: weight 0.3 on the newest, from `first`, limits at three standard deviations of a day's value.
    pub ewma: Ewma,
}

/// Fewer days than this are never called a trend: even in perfect order they could not be, by the test.
pub const ENOUGH: usize = 6;
const SIGNIFICANT: f64 = 0.05;
/// Views and kinds of club are tested in the order in which the student began with them; each may spend this share of the
/// chance of error that those before it left.
const SHARE: f64 = 0.6;
const EWMA_WEIGHT: f64 = 0.3;

/// The value of a metric in the main swing of a usable report: the one that counts.
pub fn value(report: &Report, metric: &str) -> Option<Measured> {
    if !report.usable {
        return None;
    }
    report.swings.iter().find(|s| s.main)?.metrics.get(metric)?.counting()
}

/// Standard error of a value, from the upper half of its 95 % interval (the lower one may end at 0).
pub fn standard_error(m: &Measured) -> f64 {
    (m.high - m.value) / 1.96
}

/// When a clip was filmed, ISO 8601, where that is known. The time of a file may be that of its copy.
pub fn filmed(report: &Report) -> Option<&str> {
    report.clip.captured.as_deref().filter(|_| report.clip.captured_source != Some(CapturedSource::Mtime))
}

/// A clip's value with its day by the calendar and its moment, which orders the clips of a day.
struct Dated<'a> {
    day: Date,
    at: Timestamp,
    report: &'a Report,
    value: Measured,
}

/// What may be compared: one view, one kind of club, one side in front.
type Alike = (ViewKind, ClubClass, Option<Side>);

/// All trends, by student, view, club class and metric (as tracked). Clips of which nobody knows when they were filmed are
/// left out, and clips of nobody in particular: they may be of many golfers.
pub fn trends<'a>(stored: impl IntoIterator<Item = &'a Stored>) -> Vec<Trend> {
    let mut by_owner: BTreeMap<&str, Vec<&Report>> = BTreeMap::new();
    for s in stored.into_iter().filter(|s| s.owner != UNASSIGNED) {
        by_owner.entry(&s.owner).or_default().push(&s.report);
    }
    by_owner.into_iter().flat_map(|(owner, reports)| of_student(owner, &reports)).collect()
}

fn of_student(owner: &str, reports: &[&Report]) -> Vec<Trend> {
    let mut series: BTreeMap<Alike, BTreeMap<usize, Vec<Dated>>> = BTreeMap::new();
    for report in reports {
        let when = filmed(report).and_then(|c| Some((date::local_day(c)?, date::instant(c)?)));
        let (Some((day, at)), Some(view)) = (when, &report.view) else { continue };
        let club = ClubClass::of(&report.clip);
        for (i, metric) in TRACKED.iter().enumerate() {
            if let Some(value) = value(report, metric.metric) {
                series.entry((view.kind, club, lead_side(report))).or_default().entry(i).or_default().push(Dated {
                    day,
                    at,
                    report,
                    value,
                });
            }
        }
    }
    let mut begun: Vec<(Date, Alike)> =
        series.iter().filter_map(|(alike, by)| Some((by.values().flatten().map(|d| d.day).min()?, *alike))).collect();
    begun.sort();
    let mut all = Vec::new();
    for (alike, by_metric) in series {
        let place = begun.iter().position(|(_, a)| *a == alike).unwrap_or(begun.len());
        let share = SHARE * (1.0 - SHARE).powi(place as i32);
        let mut group: Vec<Trend> = by_metric.into_iter().map(|(i, found)| unjudged(owner, TRACKED[i], alike, found)).collect();
        let p: Vec<f64> = group.iter().map(|t| t.any_time.map_or(1.0, |p| p.two_sided())).collect();
        for (t, corrected) in group.iter_mut().zip(holm(&p, TRACKED.len())) {
            t.corrected = (corrected / share).min(1.0);
            (t.word, t.reason) = judge(t);
        }
        all.extend(group);
    }
    all
}

/// A field of a CSV table: quoted where it holds a quote, comma or line break (RFC 4180); a leading sign that a spreadsheet
/// would take for a formula is defused.
pub fn csv_field(text: &str) -> String {
    let text = if text.starts_with(['=', '+', '-', '@', '\t', '\r']) { format!("'{text}") } else { text.to_string() };
    if text.contains(['"', ',', '\n', '\r']) { format!("\"{}\"", text.replace('"', "\"\"")) } else { text }
}

/// All points as CSV with a header: student, view, club class, metric, unit, clip, captured, value, low, high, word.
pub fn csv(trends: &[Trend]) -> String {
    let mut all = String::from("student,view,club,metric,unit,clip,captured,value,low,high,trend\n");
    for t in trends {
        for p in &t.points {
            let student = csv_field(t.student.as_deref().unwrap_or(""));
            let (view, club, word) = (view_words(t.view), t.club.words(), t.word.words());
            all.push_str(&format!(
                "{student},{view},{club},{},{},{},{},{},{},{},{word}\n",
                t.metric.metric,
                t.unit,
                p.clip,
                csv_field(&p.captured),
                p.value,
                p.low,
                p.high
            ));
        }
    }
    all
}

/// Everything about a series but its word, which takes the others of the student.
fn unjudged(owner: &str, metric: Tracked, (view, club, lead): Alike, mut found: Vec<Dated>) -> Trend {
    found.sort_by(|a, b| (a.day, a.at, &a.report.clip.id).cmp(&(b.day, b.at, &b.report.clip.id)));
    let first_day = found[0].day;
    let since = |day: Date| f64::from(day.since(first_day).map_or(0, |s| s.get_days()));
    let points: Vec<Point> = found
        .iter()
        .map(|d| Point {
            clip: d.report.clip.id.clone(),
            captured: d.report.clip.captured.clone().unwrap_or_default(),
            day: since(d.day),
            value: d.value.value,
            low: d.value.low,
            high: d.value.high,
            by_hand: d.value.by_hand.is_some(),
        })
        .collect();
    let days: Vec<Day> = found.chunk_by(|a, b| a.day == b.day).map(|clips| day(since(clips[0].day), metric, clips)).collect();
    let (t, y): (Vec<f64>, Vec<f64>) = days.iter().map(|d| (d.day, d.value)).unzip();
    let line = theil_sen(&t, &y, 0.95);
    let sd = spread_of_a_day(metric, &days, line);
    let each = (y.len() / 2).min(3);
    let start = median(&y[..each.max(1)]);
    let ends = (each > 0).then(|| (start, median(&y[y.len() - each..])));
    let mdc = minimal_detectable_change(sd);
    Trend {
        owner: owner.into(),
        student: found[0].report.clip.student.clone(),
        metric,
        unit: found[0].value.unit.clone(),
        view,
        club,
        lead,
        word: Word::TooEarly,
        reason: String::new(),
        first: ends.map(|e| e.0),
        last: ends.map(|e| e.1),
        change: ends.map(|e| e.1 - e.0),
        error_of_change: mdc * spread_of_median(each),
        minimal_detectable_change: mdc,
        line,
        test: mann_kendall(&y),
        any_time: (y.len() > 1).then(|| sequential_ranks(&y)),
        corrected: 1.0,
        ewma: ewma(&y, EWMA_WEIGHT, start, sd, 3.0),
        points,
        days,
    }
}

/// One day's clips (at least one).
fn day(day: f64, metric: Tracked, clips: &[Dated]) -> Day {
    let measuring = root_mean_square(&clips.iter().map(|c| standard_error(&c.value)).collect::<Vec<_>>());
    let values: Vec<f64> = clips.iter().map(|c| c.value.value).collect();
    Day { day, clips: clips.len(), value: median(&values), error: measuring.hypot(metric.natural * spread_of_median(clips.len())) }
}

/// Standard deviation of a day's value about what does not change: of the error and the days' form, or what the student's
/// own days show about their line, whichever is more.
fn spread_of_a_day(metric: Tracked, days: &[Day], line: Option<Line>) -> f64 {
    let assumed = root_mean_square(&days.iter().map(|d| d.error).collect::<Vec<_>>()).hypot(metric.natural);
    let shown = line.filter(|_| days.len() >= ENOUGH).map(|l| spread_about(days.iter().map(|d| d.value - l.at(d.day))));
    shown.map_or(assumed, |s| s.max(assumed))
}

/// Standard deviation of the median of n values over that of one (normal values; exact to three, then the limit √(π/2n)).
fn spread_of_median(n: usize) -> f64 {
    match n {
        0 | 1 => 1.0,
        2 => std::f64::consts::FRAC_1_SQRT_2,
        3 => 0.6698,
        n => (std::f64::consts::FRAC_PI_2 / n as f64).sqrt(),
    }
}

/// Why a series has its word, in the unit that it carries.
pub fn reason(t: &Trend) -> String {
    judge(t).1
}

/// The word for a series, and the sentence that gives its reason.
fn judge(t: &Trend) -> (Word, String) {
    let (Some(change), Some(any_time)) = (t.change, t.any_time) else {
        return (Word::TooEarly, "One day with a clip: nothing to compare with yet.".into());
    };
    let (n, d, error) = (t.days.len(), t.metric.digits, t.error_of_change);
    let unit = if t.unit == "ratio" { String::new() } else { format!(" {}", t.unit) };
    // a change that prints as nothing has no sign
    let change = if format!("{:.d$}", change.abs()).parse() == Ok(0.0) { 0.0 } else { change };
    let moved = if change == 0.0 { format!("{change:.d$}{unit}") } else { format!("{change:+.d$}{unit}") };
    let alone = format!("the {error:.d$}{unit} that error and a day's form can make");
    if n < ENOUGH {
        let size = if change.abs() > error { "more" } else { "less" };
        return (Word::TooEarly, format!("{n} days; a trend takes {ENOUGH}. So far {moved}, {size} than {alone}."));
    }
    let p = if t.corrected < 0.001 { "p under 0.001".into() } else { format!("p {:.3}", t.corrected) };
    let ordered = t.corrected <= SIGNIFICANT && any_time.is_rise() == (change > 0.0);
    let beyond = change.abs() > error;
    if ordered && beyond {
        let word = match (t.metric.lower_is_better, change < 0.0) {
            (true, true) => Word::Improving,
            (true, false) => Word::Worsening,
            (false, _) => Word::Changing,
        };
        return (word, format!("{moved} from the first days to the last, beyond {alone}, and in order ({p}, {n} days)."));
    }
    let why = match (ordered, beyond) {
        (true, false) => format!("the change of {moved} is within {alone}"),
        (false, true) => format!("{moved} from the first days to the last, beyond {alone}, but not clearly in order ({p})"),
        _ => format!("{moved}, within {alone}, and no order in it ({p})"),
    };
    (Word::Steady, format!("{n} days: {why}."))
}

/// A line of eight heights, one a clip, oldest first; a flat series sits in the middle.
pub fn sparkline(values: impl Iterator<Item = f64> + Clone) -> String {
    const HEIGHTS: [char; 8] = ['▁', '▂', '▃', '▄', '▅', '▆', '▇', '█'];
    let (low, high) = values.clone().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)));
    values
        .map(|v| {
            let share = if high > low { (v - low) / (high - low) } else { 0.5 };
            HEIGHTS[((share * 7.0).round() as usize).min(7)]
        })
        .collect()
}

impl Trend {
    /// What the series holds, in words; the side in front where the student has clips of both.
    pub fn heading(&self, all: &[&Trend]) -> String {
        let both = all.iter().any(|t| t.owner == self.owner && t.lead != self.lead);
        let side = self.lead.filter(|_| both).map_or_else(String::new, |s| format!(", {} side in front", s.words()));
        format!("{}, {}{side}", view_words(self.view), self.club.words())
    }

    /// It moved by more than error and a day's form can make, but not so clearly in order that chance is ruled out: nobody who
    /// sees its chart would call it steady.
    pub fn is_open(&self) -> bool {
        self.word == Word::Steady && self.change.is_some_and(|c| c.abs() > self.error_of_change)
    }

    /// The word as a coach reads it.
    pub fn words(&self) -> &'static str {
        if self.is_open() { "not sure yet" } else { self.word.words() }
    }

    /// The newest clip's value.
    pub fn newest(&self) -> &Point {
        &self.points[self.points.len() - 1]
    }
}
