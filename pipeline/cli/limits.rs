//! How many would be flagged at other limits.

use super::existing;
use clap::Args;
use dawnsheet::error::{Error, Result};
use dawnsheet::history::Store;
use dawnsheet::place;
use dawnsheet::report::printable;
use dawnsheet::settings::{Own, Settings};
use dawnsheet::sheet::trying::{DAYS, Trying, trying};
use dawnsheet::sheet::words;
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
    #[arg(long, value_name = "N", default_value_t = DAYS, value_parser = clap::value_parser!(u16).range(1..=3650))]
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

pub fn limits(a: &Limits) -> Result<u8> {
    let out = existing(&a.out)?;
    let mut now = Settings::load(a.settings.as_deref())?;
    let lines = lines(&a.set)?;
    // as the settings file would say it, so that what is tried can be written
    let tried = (!lines.is_empty()).then(|| Settings::parse(&lines)).transpose()?;
    now.own = Own::read(out.root())?;
    let trying = trying(&Store::open(&out.store())?, &now, tried.as_ref(), a.days)?;
    let rows = &trying.rows;
    if a.json {
        let rows: Vec<_> = rows.iter().map(|(name, of)| serde_json::json!({ "limits": name, "faults": of })).collect();
        println!("{}", serde_json::to_string_pretty(&rows).map_err(|e| Error::Internal(e.to_string()))?);
    } else {
        println!("clips worked through in the last {} days: {}", trying.days, trying.clips);
        if let Some(told) = trying.judged_otherwise() {
            println!("{told}");
        }
        print!("{}", table(&trying));
        if let Some((head, places)) = &trying.newest {
            print!("\n{head}:\n");
            for place in places {
                println!("  {place}");
            }
        }
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

fn table(trying: &Trying) -> String {
    let mut text = String::new();
    for fault in trying.faults() {
        text.push_str(&format!(
            "\n{:<14} {:>8} {:>11} {:>6} {:>13}   students flagged\n",
            words::sentence(fault.words()),
            "flagged",
            "borderline",
            "clear",
            "not measured"
        ));
        for (name, of) in &trying.rows {
            let c = of.get(&fault).cloned().unwrap_or_default();
            text.push_str(&format!(
                "  {name:<12} {:>8} {:>11} {:>6} {:>13}   {} of {}\n",
                c.flagged, c.borderline, c.clear, c.cannot_measure, c.students_flagged, c.students
            ));
        }
    }
    text
}
