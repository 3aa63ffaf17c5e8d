//! Whether a student's fault is truly getting better: per metric, view and club class, from main swings with usable values.
//! A change is only called one where an exact test and the metric's own error both say so.

use super::statistics::{Ewma, Line, MannKendall, ewma, mann_kendall, minimal_detectable_change, root_mean_square, theil_sen};
use crate::history::store::Stored;
use crate::intake::Brief;
use crate::report::Report;
use crate::report::types::{Measured, ViewKind};
use crate::track::signal::median;
use serde::Serialize;
use std::collections::BTreeMap;

/// A metric followed over time.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Tracked {
    pub metric: &'static str,
    /// In a coach's words.
    pub words: &'static str,
    /// Whether less is better; otherwise no direction is.
    pub lower_is_better: bool,
    /// Decimals to print.
    #[serde(skip)]
    pub digits: usize,
}

/// The metrics followed, in a coach's order.
pub const TRACKED: [Tracked; 5] = [
    Tracked { metric: "trail_hip_travel_cm", words: "trail hip slide", lower_is_better: true, digits: 1 },
    Tracked { metric: "pelvis_travel_cm", words: "pelvis slide", lower_is_better: true, digits: 1 },
    Tracked { metric: "lead_elbow_bow_late_upper_arms", words: "lead elbow out of line", lower_is_better: true, digits: 2 },
    Tracked { metric: "head_lateral_max_back_cm", words: "head drift", lower_is_better: true, digits: 1 },
    Tracked { metric: "tempo_ratio", words: "tempo, back to down", lower_is_better: false, digits: 1 },
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
    /// Of a clip's club as written by the sender.
    pub fn of(club: Option<&str>) -> ClubClass {
        match club.map(str::trim).filter(|c| !c.is_empty()) {
            None => ClubClass::Unnamed,
            Some(club) if (Brief { club: Some(club.into()), ..Brief::default() }).long_club() => ClubClass::Long,
            Some(_) => ClubClass::Short,
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
    /// Days since the first clip of the series.
    pub day: f64,
    /// In the metric's unit, with its 95 % interval.
    pub value: f64,
    pub low: f64,
    pub high: f64,
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

/// One metric of one student over time, one view and club class.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Trend {
    pub owner: String,
    pub student: Option<String>,
    pub metric: Tracked,
    pub unit: String,
    pub view: ViewKind,
    pub club: ClubClass,
    /// In time order; at least one.
    pub points: Vec<Point>,
    pub word: Word,
    /// One sentence: why that word.
    pub reason: String,
    /// Median of the last clips − median of the first (up to three each, no clip in both); null for one clip.
    pub change: Option<f64>,
    /// 1.96·√2·(root mean square of the values' own standard errors).
    pub minimal_detectable_change: f64,
    /// Theil–Sen line over days, 95 % interval of its slope.
    pub line: Option<Line>,
    pub test: Option<MannKendall>,
    /// Weight 0.3 on the newest, from the median of the first clips, limits at three standard errors.
    pub ewma: Ewma,
}

/// Fewer clips than this are never called a trend.
const ENOUGH: usize = 5;
const SIGNIFICANT: f64 = 0.05;
const EWMA_WEIGHT: f64 = 0.3;

/// The value of a metric in the main swing of a usable report.
pub fn value<'a>(report: &'a Report, metric: &str) -> Option<&'a Measured> {
    if !report.usable {
        return None;
    }
    report.swings.iter().find(|s| s.main)?.metrics.get(metric)?.measured()
}

/// Standard error of a value, from the upper half of its 95 % interval (the lower one may end at 0).
pub fn standard_error(m: &Measured) -> f64 {
    (m.high - m.value) / 1.96
}

/// Days since 1970 of an ISO 8601 date, date and time, or instant; `None` where it is none of them.
pub fn day_of(captured: &str) -> Option<f64> {
    let seconds = captured
        .parse::<jiff::Timestamp>()
        .ok()
        .or_else(|| {
            let local = captured.parse::<jiff::civil::DateTime>().ok()?;
            local.to_zoned(jiff::tz::TimeZone::UTC).ok().map(|z| z.timestamp())
        })
        .map(|t| t.as_second())?;
    Some(seconds as f64 / 86_400.0)
}

/// A clip's day (since 1970), report and value.
type Dated<'a> = (f64, &'a Report, &'a Measured);

/// All trends, by student, view, club class and metric (as tracked). Clips without a date are left out.
pub fn trends<'a>(stored: impl IntoIterator<Item = &'a Stored>) -> Vec<Trend> {
    let mut by_owner: BTreeMap<&str, Vec<&Report>> = BTreeMap::new();
    for s in stored {
        by_owner.entry(&s.owner).or_default().push(&s.report);
    }
    let mut all = Vec::new();
    for (owner, reports) in by_owner {
        let mut series: BTreeMap<(ViewKind, ClubClass, usize), Vec<Dated>> = BTreeMap::new();
        for report in reports {
            let Some(day) = report.clip.captured.as_deref().and_then(day_of) else {
                continue;
            };
            let Some(view) = &report.view else { continue };
            let club = ClubClass::of(report.clip.club.as_deref());
            for (i, metric) in TRACKED.iter().enumerate() {
                if let Some(m) = value(report, metric.metric) {
                    series.entry((view.kind, club, i)).or_default().push((day, report, m));
                }
            }
        }
        all.extend(series.into_iter().map(|((view, club, i), found)| trend(owner, TRACKED[i], view, club, found)));
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

fn trend(owner: &str, metric: Tracked, view: ViewKind, club: ClubClass, mut found: Vec<Dated>) -> Trend {
    found.sort_by(|a, b| a.0.total_cmp(&b.0).then_with(|| a.1.clip.id.cmp(&b.1.clip.id)));
    let first = found[0].0;
    let points: Vec<Point> = found
        .iter()
        .map(|(day, report, m)| Point {
            clip: report.clip.id.clone(),
            captured: report.clip.captured.clone().unwrap_or_default(),
            day: day - first,
            value: m.value,
            low: m.low,
            high: m.high,
        })
        .collect();
    // clips of one instant have no order among them: their median stands for them
    let instants: Vec<(f64, f64)> =
        points.chunk_by(|a, b| a.day == b.day).map(|g| (g[0].day, median(&g.iter().map(|p| p.value).collect::<Vec<_>>()))).collect();
    let (t, y): (Vec<f64>, Vec<f64>) = instants.into_iter().unzip();
    let error = root_mean_square(&found.iter().map(|(_, _, m)| standard_error(m)).collect::<Vec<_>>());
    let mdc = minimal_detectable_change(error);
    let each = (y.len() / 2).min(3);
    let start = median(&y[..each.max(1)]);
    let change = (each > 0).then(|| median(&y[y.len() - each..]) - start);
    let test = mann_kendall(&y);
    let unit = found[0].2.unit.clone();
    let (word, reason) = judge(metric, &unit, y.len(), change, mdc, test);
    Trend {
        owner: owner.into(),
        student: found[0].1.clip.student.clone(),
        metric,
        unit,
        view,
        club,
        word,
        reason,
        change,
        minimal_detectable_change: mdc,
        line: theil_sen(&t, &y, 0.95),
        test,
        ewma: ewma(&y, EWMA_WEIGHT, start, error, 3.0),
        points,
    }
}

/// The word for a series of `n` instants, and the sentence that gives its reason.
fn judge(metric: Tracked, unit: &str, n: usize, change: Option<f64>, mdc: f64, test: Option<MannKendall>) -> (Word, String) {
    let (Some(change), Some(test)) = (change, test) else {
        return (Word::TooEarly, "One dated clip: nothing to compare with yet.".into());
    };
    let d = metric.digits;
    let unit = if unit == "ratio" { String::new() } else { format!(" {unit}") };
    // a change that prints as nothing has no sign
    let change = if format!("{:.d$}", change.abs()).parse() == Ok(0.0) { 0.0 } else { change };
    let moved = if change == 0.0 { format!("{change:.d$}{unit}") } else { format!("{change:+.d$}{unit}") };
    if n < ENOUGH {
        let size = if change.abs() > mdc { "more" } else { "less" };
        return (
            Word::TooEarly,
            format!("{n} clips; a trend takes {ENOUGH}. So far {moved}, {size} than the {mdc:.d$}{unit} that error alone can make."),
        );
    }
    let p = if test.two_sided < 0.001 { "under 0.001".into() } else { format!("{:.3}", test.two_sided) };
    let ordered = test.two_sided <= SIGNIFICANT && (test.s > 0) == (change > 0.0);
    let beyond = change.abs() > mdc;
    if ordered && beyond {
        let word = match (metric.lower_is_better, change < 0.0) {
            (true, true) => Word::Improving,
            (true, false) => Word::Worsening,
            (false, _) => Word::Changing,
        };
        let text = format!(
            "{moved} from the first clips to the last, beyond the {mdc:.d$}{unit} that error can make, and in order (p {p}, {n} clips)."
        );
        return (word, text);
    }
    let why = match (ordered, beyond) {
        (true, false) => format!("the change of {moved} is within the {mdc:.d$}{unit} that error can make"),
        (false, true) => format!("{moved} from the first clips to the last, but up and down between (p {p})"),
        _ => format!("{moved}, within the {mdc:.d$}{unit} that error can make, and no order in it (p {p})"),
    };
    (Word::Steady, format!("{n} clips: {why}."))
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
    /// The newest clip's value.
    pub fn last(&self) -> &Point {
        &self.points[self.points.len() - 1]
    }
}
