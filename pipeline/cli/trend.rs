//! Trends for a terminal, as JSON and as CSV.

use super::existing;
use clap::Args;
use dawnsheet::batch::forget;
use dawnsheet::error::{Error, Result};
use dawnsheet::history::Store;
use dawnsheet::history::trend::{self, Trend as Series};
use dawnsheet::report::printable;
use dawnsheet::sheet::told;
use std::path::PathBuf;

#[derive(Args)]
pub struct Trend {
    /// The student, by name, alias or folder name below `reports` [default: everyone]
    student: Option<String>,
    /// Folder of an earlier run
    #[arg(long, default_value = "out", value_name = "DIR")]
    out: PathBuf,
    /// Print as JSON
    #[arg(long, conflicts_with = "csv")]
    json: bool,
    /// Print as CSV, one line a clip and metric
    #[arg(long)]
    csv: bool,
}

pub fn run(a: &Trend) -> Result<u8> {
    let out = existing(&a.out)?;
    let store = Store::open(&out.store())?;
    let mut stored: Vec<_> = store.results()?.into_iter().map(|(s, _)| s).collect();
    if let Some(wanted) = &a.student {
        let whom: Vec<String> = forget::find(&out, &store, None, wanted)?.into_iter().map(|w| w.owner).collect();
        stored.retain(|s| whom.contains(&s.owner));
        if stored.is_empty() {
            return Err(Error::Usage(format!("no clip of a student '{}' in {}", printable(wanted), out.root().display())));
        }
    }
    let found = trend::trends(&stored);
    if a.json {
        println!("{}", serde_json::to_string_pretty(&found).map_err(|e| Error::Internal(e.to_string()))?);
    } else if a.csv {
        print!("{}", trend::csv(&found));
    } else {
        // people read centimetres, by the stature of the newest clip's report; files keep what was measured
        let newest = |t: &Series| stored.iter().map(|s| &s.report).find(|r| r.clip.id == t.newest().clip);
        let told: Vec<Series> = found.iter().map(|t| told::trend(t, newest(t))).collect();
        print!("{}", trend_table(&told));
    }
    Ok(0)
}

/// Trends for a terminal: one line a metric, its sentence below.
fn trend_table(found: &[Series]) -> String {
    let mut text = String::new();
    let mut last = String::new();
    let all: Vec<&Series> = found.iter().collect();
    for t in found {
        let who = t.student.as_deref().map_or_else(|| "no student".into(), printable);
        let heading = format!("{who}, {}", t.heading(&all));
        if heading != last {
            text.push_str(&format!("{}{heading}\n", if last.is_empty() { "" } else { "\n" }));
            last = heading;
        }
        let d = t.metric.digits;
        // the numbers that the word was judged by
        let (first, now) = (t.first.unwrap_or_default(), t.last.unwrap_or(t.newest().value));
        let then = if t.first.is_some() { format!("{first:>6.d$} to ") } else { " ".repeat(10) };
        let line = trend::sparkline(t.days.iter().map(|d| d.value));
        text.push_str(&format!("  {:<22} {:<17} {then}{now:>6.d$} {:<10} {line}\n", t.metric.words, t.words(), t.unit));
        text.push_str(&format!("    {}\n", t.reason));
    }
    if found.is_empty() {
        text.push_str("no dated clip with a measured swing yet\n");
    }
    text
}
