//! How many would be flagged at other limits.

use super::existing;
use clap::Args;
use dawnsheet::error::{Error, Result};
use dawnsheet::history::Store;
use dawnsheet::history::at_limits::{self, Count};
use dawnsheet::history::store::Stored;
use dawnsheet::history::trend::{ClubClass, filmed, view_words};
use dawnsheet::intake::date;
use dawnsheet::judge::Identity;
use dawnsheet::measure::budget::judging_sha256;
use dawnsheet::place;
use dawnsheet::report::printable;
use dawnsheet::report::types::FaultName;
use dawnsheet::settings::{Own, Settings};
use dawnsheet::sheet::words;
use std::collections::BTreeMap;
use std::path::PathBuf;

#[derive(Args)]
pub struct Limits {
    /// A limit to try, as in the settings; may be repeated
    #[arg(long = "set", value_name = "KEY=VALUE")]
    set: Vec<String>,
    /// Write the limits of --set into a new settings file
    #[arg(long, value_name = "FILE", requires = "set")]
    write: Option<PathBuf>,
    /// Clips worked through in so many days
    #[arg(long, value_name = "N", default_value_t = 30, value_parser = clap::value_parser!(u16).range(1..=3650))]
    days: u16,
    /// Folder of an earlier run
    #[arg(long, default_value = "out", value_name = "DIR")]
    out: PathBuf,
    /// Settings file (TOML)
    #[arg(long, value_name = "FILE")]
    settings: Option<PathBuf>,
    /// Print as JSON
    #[arg(long)]
    json: bool,
}

/// Of today's limits.
const TIMES: [f64; 6] = [0.6, 0.8, 1.0, 1.25, 1.5, 2.0];

/// The quantity by which a clip is placed among others.
fn leading(fault: FaultName) -> &'static str {
    match fault {
        FaultName::Sway => "trail_hip_travel_cm",
        FaultName::ChickenWing => "lead_elbow_bow_late_upper_arms",
        FaultName::HeadDrift => "head_lateral_max_back_cm",
        FaultName::EarlyExtension => "pelvis_toward_ball_impact_cm",
    }
}

pub fn limits(a: &Limits) -> Result<u8> {
    let out = existing(&a.out)?;
    let now = Settings::load(a.settings.as_deref())?;
    let lines = lines(&a.set)?;
    // as the settings file would say it, so that what is tried can be written
    let tried = (!lines.is_empty()).then(|| Settings::parse(&lines)).transpose()?;
    let own = Own::read(out.root())?;
    let all: Vec<(Stored, Identity)> =
        Store::open(&out.store())?.results()?.into_iter().filter_map(|(s, text)| Some((s, serde_json::from_str(&text).ok()?))).collect();
    let since = jiff::Zoned::now().date().saturating_sub(jiff::Span::new().days(i64::from(a.days)));
    let recent: Vec<(Stored, Identity)> =
        all.iter().filter(|(s, _)| date::local_day(&s.judged_at).is_none_or(|d| d >= since)).cloned().collect();
    let mut rows: Vec<(String, BTreeMap<FaultName, Count>)> = TIMES
        .iter()
        .map(|t| {
            (
                if *t == 1.0 { "as now".into() } else { format!("{} times", words::number(*t, 2)) },
                at_limits::at(&recent, &at_limits::scaled(&now, *t)),
            )
        })
        .collect();
    if let Some(tried) = &tried {
        let mut with = now.clone();
        with.limits = tried.limits.clone();
        rows.push(("as set".into(), at_limits::at(&recent, &with)));
    }
    if a.json {
        let rows: Vec<_> = rows.iter().map(|(name, of)| serde_json::json!({ "limits": name, "faults": of })).collect();
        println!("{}", serde_json::to_string_pretty(&rows).map_err(|e| Error::Internal(e.to_string()))?);
    } else {
        println!("clips worked through in the last {} days: {}", a.days, recent.len());
        let judging = judging_sha256(&own);
        let earlier = recent.iter().filter(|(s, _)| s.report.engine.judging_sha256 != judging).count();
        if earlier > 0 {
            println!(
                "{earlier} of them were judged otherwise than today, by an earlier version or before something was adopted or dropped: dawnsheet rejudge judges them anew"
            );
        }
        print!("{}", table(&rows));
        print!("{}", newest(&all));
    }
    if let Some(file) = &a.write {
        if file.exists() {
            return Err(Error::Usage(format!("{} is there already: put these lines into it by hand\n{lines}", file.display())));
        }
        place::write(file, lines.as_bytes())?;
        println!("{}: give it to run and rejudge with --settings; dawnsheet rejudge judges what is kept by it", file.display());
    }
    Ok(0)
}

/// `KEY=VALUE` as lines of the settings' section. Error: not of that form.
fn lines(set: &[String]) -> Result<String> {
    let mut text = String::new();
    for one in set {
        let (key, value) = one.split_once('=').ok_or_else(|| Error::Usage(format!("--set {}: write KEY=VALUE", printable(one))))?;
        let plain = |c: char| c.is_ascii_lowercase() || c == '_';
        let number: f64 = value.trim().parse().map_err(|_| Error::Usage(format!("--set {}: the value is no number", printable(one))))?;
        if !key.trim().chars().all(plain) {
            return Err(Error::Usage(format!("--set {}: {} is no limit", printable(one), printable(key))));
        }
        text.push_str(&format!("{} = {number:?}\n", key.trim()));
    }
    Ok(if text.is_empty() { text } else { format!("[limits]\n{text}") })
}

fn table(rows: &[(String, BTreeMap<FaultName, Count>)]) -> String {
    let mut text = String::new();
    for fault in FaultName::ALL.into_iter().filter(|f| rows.iter().any(|r| r.1.contains_key(f))) {
        text.push_str(&format!(
            "\n{:<14} {:>8} {:>11} {:>6} {:>13}   students flagged\n",
            words::sentence(fault.words()),
            "flagged",
            "borderline",
            "clear",
            "not measured"
        ));
        for (name, of) in rows {
            let c = of.get(&fault).cloned().unwrap_or_default();
            text.push_str(&format!(
                "  {name:<12} {:>8} {:>11} {:>6} {:>13}   {} of {}\n",
                c.flagged, c.borderline, c.clear, c.cannot_measure, c.students_flagged, c.students
            ));
        }
    }
    text
}

/// Where the newest clip stands among the coach's own students.
fn newest(all: &[(Stored, Identity)]) -> String {
    let stored: Vec<Stored> = all.iter().map(|(s, _)| s.clone()).collect();
    let Some(s) = stored.iter().filter(|s| s.report.usable).max_by(|a, b| filmed(&a.report).cmp(&filmed(&b.report))) else {
        return String::new();
    };
    let r = &s.report;
    let who = r.clip.student.as_deref().map_or_else(|| "no student".into(), printable);
    let view = r.view.as_ref().map_or("", |v| view_words(v.kind));
    let mut text = format!(
        "\nThe newest clip, {who}, {}, among your students ({view}, {}):\n",
        words::day_of(&r.clip),
        ClubClass::of(&r.clip).words()
    );
    let mut placed = false;
    for metric in FaultName::ALL.map(leading) {
        if let Some(at) = at_limits::standing(&stored, &s.owner, r, metric) {
            placed = true;
            text.push_str(&format!(
                "  {}: higher than {:.0} % of {} ({:.0} to {:.0})\n",
                words::metric(metric),
                at.percent,
                at.of,
                at.low,
                at.high
            ));
        }
    }
    if !placed {
        text.push_str("  fewer than five students with such a clip: too few to tell\n");
    }
    text
}
