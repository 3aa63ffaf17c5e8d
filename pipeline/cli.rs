//! What can be typed, and what it starts.

mod after;
mod answer;
mod clip;
mod elsewhere;
#[cfg(feature = "queue")]
mod fleet;
mod limits;
mod ruler;
mod students;
mod trend;

use clap::{Args, CommandFactory, Parser, Subcommand};
use clap_complete::Shell;
use dawnsheet::batch::interrupt::Interrupt;
use dawnsheet::batch::join::{self, Split};
use dawnsheet::batch::night::{self, Night};
use dawnsheet::batch::summary::Summary;
use dawnsheet::batch::{doctor, rejudge, take_in};
use dawnsheet::error::{Error, Result};
use dawnsheet::history::Store;
use dawnsheet::intake::Roster;
use dawnsheet::place::{self, OutFolder};
use dawnsheet::pose::models::{ModelChoice, Models};
use dawnsheet::report::printable;
use dawnsheet::settings::Settings;
use dawnsheet::sheet;
use std::io::IsTerminal;
use std::path::{Path, PathBuf};

/// Measures the golf-swing videos that a coach's students sent, overnight; in the morning one sheet shows the few that
/// need a human eye. Video stays on this machine. Not a medical device, not 3-D.
#[derive(Parser)]
#[command(version, max_term_width = 100)]
#[cfg_attr(feature = "queue", command(after_help = "For many machines: enqueue, work, queue, collect (dawnsheet help enqueue, and so on)"))]
pub struct Cli {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// Work through an inbox (INBOX/<student>/<clip>): a report for each clip, and the morning sheet
    Run(Run),
    /// Measure one clip
    Clip(clip::Clip),
    /// Judge every kept clip again, by other settings or a newer program; no video is read
    Rejudge(Rejudge),
    /// Write the morning sheet again from the store
    Sheet(Sheet),
    /// Say whether a student's faults truly change, or only within the error of measurement
    Trend(trend::Trend),
    /// Say how many clips would be flagged at other limits, and write the choice into a settings file
    Limits(limits::Limits),
    /// Judge key points that were kept elsewhere (FOLDER/<student>/<day>.npz) as if their clips had come in
    TakeIn(TakeIn),
    /// Record whether you agree with a verdict; the sheet says how often its flags were right
    Verdict(after::Judge),
    /// Say how well the program measures on your own clips, by those that you measured by hand
    Ruler(ruler::Ruler),
    /// Go through the sheet on a local page, with the clips to play and a verdict by one key
    Desk(after::Desk),
    /// Make the answer to a student: the swing as a film with its lines, then beside now, the note; nothing is sent
    Answer(answer::Answer),
    /// Write a student's measurements, or what was seen of the body, for other programs
    Export(after::Export),
    /// Erase every trace of one student in the out folder, prove it, and skip the student from now on
    Forget(students::Forget),
    /// List who is kept under several folder names; with a student, join what is kept of that one
    Join(students::Join),
    /// Say what is missing, and the one command that mends it
    Doctor(Doctor),
    /// Print the JSON Schema of the report, or the commented default settings
    Print(Print),
    /// Write manual pages and shell completions into a folder
    #[command(hide = true)]
    Manual {
        /// Folder that is there
        folder: PathBuf,
    },
    #[cfg(feature = "queue")]
    #[command(flatten)]
    Fleet(fleet::Fleet),
}

#[derive(Args)]
struct Run {
    /// Folder with one folder a student
    inbox: PathBuf,
    /// Folder for everything written
    #[arg(long, default_value = "out", value_name = "DIR")]
    out: PathBuf,
    /// Clips worked on side by side [default: one a core, as memory allows]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=256))]
    workers: Option<u16>,
    /// Settings file (TOML)
    #[arg(long, value_name = "FILE")]
    settings: Option<PathBuf>,
    /// Roster file (TOML) [default: INBOX/roster.toml where there is one]
    #[arg(long, value_name = "FILE")]
    roster: Option<PathBuf>,
    /// Pose model
    #[arg(long, value_enum, default_value_t = ModelChoice::Accurate)]
    model: ModelChoice,
    /// Start no clip after this time of day (06:00); the rest waits for the next run
    #[arg(long, value_name = "HH:MM", value_parser = time_of_day)]
    until: Option<jiff::civil::Time>,
    /// Try clips again whose worker failed before
    #[arg(long)]
    retry_failed: bool,
    /// Print the summary as JSON
    #[arg(long)]
    json: bool,
}

#[derive(Args)]
struct Rejudge {
    /// Settings file (TOML)
    #[arg(long, value_name = "FILE")]
    settings: Option<PathBuf>,
    /// Folder of an earlier run
    #[arg(long, default_value = "out", value_name = "DIR")]
    out: PathBuf,
}

#[derive(Args)]
struct Sheet {
    /// Folder of an earlier run
    #[arg(long, default_value = "out", value_name = "DIR")]
    out: PathBuf,
    /// Only clips filmed on or after this day (2026-04-12)
    #[arg(long, value_name = "DATE", value_parser = day)]
    since: Option<String>,
}

#[derive(Args)]
struct TakeIn {
    /// Folder with one folder a student, laid out like an inbox
    folder: PathBuf,
    /// Folder for everything written
    #[arg(long, default_value = "out", value_name = "DIR")]
    out: PathBuf,
    /// Settings file (TOML)
    #[arg(long, value_name = "FILE")]
    settings: Option<PathBuf>,
    /// Roster file (TOML)
    #[arg(long, value_name = "FILE")]
    roster: Option<PathBuf>,
}

#[derive(Args)]
struct Doctor {
    /// Folder that a run would write to
    #[arg(long, default_value = "out", value_name = "DIR")]
    out: PathBuf,
    /// Print as JSON
    #[arg(long)]
    json: bool,
}

#[derive(Args)]
struct Print {
    /// What to print
    #[arg(value_enum)]
    what: Printed,
}

#[derive(Clone, Copy, clap::ValueEnum)]
enum Printed {
    Schema,
    Settings,
}

fn in_range(text: &str, low: f64, high: f64) -> std::result::Result<f64, String> {
    let v: f64 = text.parse().map_err(|_| "not a number".to_string())?;
    if (low..=high).contains(&v) { Ok(v) } else { Err(format!("not between {low} and {high}")) }
}

fn day(text: &str) -> std::result::Result<String, String> {
    text.parse::<jiff::civil::Date>().map(|d| d.to_string()).map_err(|_| "not a day like 2026-04-12".into())
}

fn time_of_day(text: &str) -> std::result::Result<jiff::civil::Time, String> {
    text.parse::<jiff::civil::Time>().map_err(|_| "not a time of day like 06:00".into())
}

/// Runs the command; its exit code.
pub fn run(cli: Cli) -> Result<u8> {
    match cli.command {
        Command::Run(a) => run_night(a),
        Command::Clip(a) => clip::run(a),
        Command::Rejudge(a) => run_rejudge(&a),
        Command::Sheet(a) => {
            let out = existing(&a.out)?;
            let store = Store::open(&out.store())?;
            println!("{}", sheet::write(&out, &store, None, a.since.as_deref())?.display());
            Ok(0)
        }
        Command::Trend(a) => trend::run(&a),
        Command::Limits(a) => limits::limits(&a),
        Command::TakeIn(a) => run_take_in(&a),
        Command::Verdict(a) => after::judge(&a),
        Command::Ruler(a) => ruler::run(&a),
        Command::Desk(a) => after::desk(&a),
        Command::Answer(a) => answer::answer(&a),
        Command::Export(a) => after::export(&a),
        Command::Forget(a) => students::forget(&a),
        Command::Join(a) => students::join(&a),
        Command::Doctor(a) => run_doctor(&a),
        Command::Print(Print { what: Printed::Schema }) => {
            print!("{}", dawnsheet::report::json_schema());
            Ok(0)
        }
        Command::Print(Print { what: Printed::Settings }) => {
            print!("{}", dawnsheet::settings::DEFAULTS);
            Ok(0)
        }
        Command::Manual { folder } => {
            write_manual(&folder).map_err(|e| Error::Usage(format!("{}: {e}", folder.display())))?;
            Ok(0)
        }
        #[cfg(feature = "queue")]
        Command::Fleet(command) => fleet::run(command),
    }
}

/// What can be typed as manual pages, one a command, and as completions for three shells.
fn write_manual(folder: &Path) -> std::io::Result<()> {
    // the first help leaves out what only many machines need; the manual does not
    let mut all = Cli::command().mut_subcommands(|c| if c.get_name() == "manual" { c } else { c.hide(false) });
    clap_mangen::generate_to(all.clone(), folder)?;
    for shell in [Shell::Bash, Shell::Zsh, Shell::Fish] {
        clap_complete::generate_to(shell, &mut all, "dawnsheet", folder)?;
    }
    Ok(())
}

fn existing(out: &Path) -> Result<OutFolder> {
    if !out.join("dawnsheet.sqlite").is_file() {
        return Err(Error::Usage(format!("{} holds no results: name the --out folder of an earlier run", out.display())));
    }
    OutFolder::open(out)
}

fn run_night(a: Run) -> Result<u8> {
    let beside = a.inbox.join("roster.toml");
    let roster = a.roster.or_else(|| beside.is_file().then_some(beside));
    let without_roster = roster.is_none();
    let night = Night {
        inbox: a.inbox,
        out: a.out.clone(),
        workers: a.workers.map(usize::from),
        settings: Settings::load(a.settings.as_deref())?.adopted_in(&a.out)?,
        roster: Roster::load(roster.as_deref())?,
        choice: a.model,
        retry_failed: a.retry_failed,
        until: a.until,
    };
    let mut summary = night::run(&night, &Interrupt::listen()?)?;
    // clips are done: what stands in the way of their sheet is told after the account of them
    let written = write_morning(&night, &summary);
    if let Err(e) = &written {
        summary.stopped.get_or_insert_with(|| e.to_string());
    }
    if a.json {
        println!("{}", serde_json::to_string_pretty(&summary).map_err(|e| Error::Internal(e.to_string()))?);
    } else {
        print!("{}", summary.table());
    }
    if let Some(why) = &summary.stopped {
        eprintln!("dawnsheet: the run had to stop: {why}. Once that is mended, run again: it goes on where it was");
    }
    if let Ok((page, split)) = written {
        for s in &split {
            eprintln!("{} is kept under {} folder names: dawnsheet join shows them and joins them", printable(&s.name), s.parts.len());
        }
        // to whoever sits there; a night's log needs no advice
        let somebody = std::io::stderr().is_terminal();
        let measured = summary.lines.iter().any(|l| l.new && l.place.is_fine() && l.clip.is_some());
        if somebody && without_roster && measured {
            eprintln!(
                "without a roster lengths are about 7 % unsure: {} takes [[student]] with name, stature_cm and lead_side",
                night.inbox.join("roster.toml").display()
            );
        }
        eprintln!("morning sheet: {}", page.display());
        if somebody {
            let of = if night.out == Path::new("out") { String::new() } else { format!(" --out {}", night.out.display()) };
            eprintln!("the same with the footage to play, and your verdict by one key: dawnsheet desk{of}");
        }
    }
    Ok(summary.exit_code())
}

/// The sheet of the night, and who is kept under several names.
fn write_morning(night: &Night, summary: &Summary) -> Result<(PathBuf, Vec<Split>)> {
    let out = OutFolder::open(&night.out)?;
    let store = Store::open(&out.store())?;
    Ok((sheet::write(&out, &store, Some(summary), None)?, join::splits(&out, &store, &night.roster)?))
}

/// Of clips with another verdict, so many are named.
const NAMED: usize = 10;

fn run_rejudge(a: &Rejudge) -> Result<u8> {
    let settings = Settings::load(a.settings.as_deref())?.adopted_in(&a.out)?;
    let out = existing(&a.out)?;
    let _lock = out.lock()?;
    let mut store = Store::open(&out.store())?;
    let count = rejudge::rejudge_all(&out, &mut store, &Models::locate(), &settings)?;
    sheet::write(&out, &store, None, None)?;
    println!("{} judged again, {} with another verdict, {} without key points kept", count.judged, count.changed.len(), count.without_look);
    for which in count.changed.iter().take(NAMED) {
        println!("  {which}");
    }
    if count.changed.len() > NAMED {
        println!("  and {} more", count.changed.len() - NAMED);
    }
    if let Some(what) = &count.other_settings {
        println!("{what}");
    }
    if count.earlier > 0 {
        println!("{} of them by what an earlier version saw: a run with the clips at hand looks anew", count.earlier);
    }
    Ok(0)
}

fn run_take_in(a: &TakeIn) -> Result<u8> {
    let (settings, roster) = (Settings::load(a.settings.as_deref())?.adopted_in(&a.out)?, Roster::load(a.roster.as_deref())?);
    place::apart(&a.out, &a.folder)?;
    let out = OutFolder::open(&a.out)?;
    let _lock = out.lock()?;
    let mut store = Store::open(&out.store())?;
    let done = take_in::take_in(&a.folder, &out, &mut store, &roster, &Models::locate(), &settings)?;
    println!("{} taken in, {} here already", done.new, done.known);
    for (file, why) in &done.refused {
        println!("left out: {}: {}", printable(file), printable(why));
    }
    for folder in &done.unreadable {
        println!("cannot be read: {}", printable(folder));
    }
    Ok(u8::from(!done.refused.is_empty() || !done.unreadable.is_empty()))
}

fn run_doctor(a: &Doctor) -> Result<u8> {
    let checks = doctor::examine(&a.out);
    if a.json {
        println!("{}", serde_json::to_string_pretty(&checks).map_err(|e| Error::Internal(e.to_string()))?);
    } else {
        for c in &checks {
            println!("{:<8} {:<36} {}", if c.ready { "ready" } else { "MISSING" }, c.what, c.detail);
        }
    }
    Ok(if checks.iter().all(|c| c.ready) { 0 } else { 2 })
}
