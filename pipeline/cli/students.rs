//! Who is who: erasing a student, and joining what is kept of one under several names.

use super::elsewhere::Elsewhere;
use super::existing;
use clap::Args;
use dawnsheet::batch::forget::{self, INBOX, Whom};
use dawnsheet::batch::join::{self, Split};
use dawnsheet::batch::take_back;
use dawnsheet::error::{Error, Result};
use dawnsheet::history::{Store, elsewhere};
use dawnsheet::intake::{Roster, names};
use dawnsheet::place::OutFolder;
use dawnsheet::report::printable;
use dawnsheet::sheet;
use std::io::IsTerminal;
use std::path::PathBuf;

#[derive(Args)]
pub struct Forget {
    /// The student, by name, alias or folder name below `reports`
    student: String,
    /// Folder of an earlier run
    #[arg(long, default_value = "out", value_name = "DIR")]
    out: PathBuf,
    /// Do not ask
    #[arg(long)]
    yes: bool,
    /// Where several go by the name, all of them are meant
    #[arg(long)]
    all: bool,
    /// Take an erased student in again: the next run measures what lies in the inbox
    #[arg(long, conflicts_with = "yes")]
    take_in_again: bool,
    #[command(flatten)]
    elsewhere: Elsewhere,
}

#[derive(Args)]
pub struct Join {
    /// The student, by name or alias [default: list all who are kept under several folder names]
    student: Option<String>,
    /// Folder of an earlier run
    #[arg(long, default_value = "out", value_name = "DIR")]
    out: PathBuf,
    /// Roster file (TOML) [default: that of the last run's inbox]
    #[arg(long, value_name = "FILE")]
    roster: Option<PathBuf>,
    /// Do not ask
    #[arg(long)]
    yes: bool,
}

/// Asks at the terminal. Error: usage, where there is none.
fn ask(question: &str, unasked: &str) -> Result<String> {
    if !std::io::stdin().is_terminal() {
        return Err(Error::Usage(unasked.into()));
    }
    eprint!("{question} ");
    let mut answer = String::new();
    std::io::stdin().read_line(&mut answer).map_err(|e| Error::Usage(e.to_string()))?;
    Ok(answer.trim().to_string())
}

pub fn forget(a: &Forget) -> Result<u8> {
    let out = existing(&a.out)?;
    let mut store = Store::open(&out.store())?;
    let mut far = a.elsewhere.reach()?.map(|reach| reach()).transpose()?;
    if a.take_in_again {
        let back = take_back::take_back(&out, &mut store, far.as_deref_mut(), &a.student)?;
        let text = if back { "is taken in again by the next run" } else { "was not erased: nothing to take back" };
        println!("{} {text}", printable(&a.student));
        return Ok(0);
    }
    let found = forget::find(&out, &store, far.as_deref_mut(), &a.student)?;
    let chosen = choose(a, &out, found)?;
    if chosen.is_empty() {
        println!("nothing was erased");
        return Ok(0);
    }
    let _lock = out.lock()?;
    if far.is_none() {
        elsewhere::not_elsewhere(&store)?;
    }
    let mut left = false;
    for whom in &chosen {
        let pen = out.pen()?;
        take_back::remember(&mut store, far.as_deref_mut(), whom, &a.student)?;
        let mut done = forget::forget(&out, &mut store, far.as_deref_mut(), whom)?;
        sheet::write_with(&pen, &out, &store, None, None)?;
        forget::prove(&out, &store, whom, &mut done)?;
        left |= told(&out, whom, &done);
    }
    Ok(u8::from(left))
}

/// Who is to be erased: everybody who matches is shown first.
fn choose(a: &Forget, out: &OutFolder, found: Vec<Whom>) -> Result<Vec<Whom>> {
    for whom in &found {
        let names: Vec<String> = whom.names.iter().map(|n| printable(n)).collect();
        eprintln!("{}  {} ({} clips; goes by {})", whom.owner, printable(&whom.name), whom.clips, names.join(", "));
    }
    let all = found.len() == 1 || a.all;
    if a.yes {
        return if all { Ok(found) } else { Err(forget::several(&printable(&a.student), &found)) };
    }
    let name = printable(&found[0].name);
    if all {
        let whom = if found.len() == 1 { name } else { format!("these {}", found.len()) };
        let question = format!("Erase every result, picture and log line of {whom} in {}, for good? [y/N]", out.root().display());
        let answer = ask(&question, &format!("this erases every result of {whom} for good: say so with --yes"))?;
        return Ok(if answer.eq_ignore_ascii_case("y") { found } else { Vec::new() });
    }
    let answer =
        ask("Erase which of these for good? Its folder name, or nothing:", &forget::several(&printable(&a.student), &found).to_string())?;
    Ok(found.into_iter().filter(|w| w.owner == answer).collect())
}

/// Says what was done; whether something is left.
fn told(out: &OutFolder, whom: &Whom, done: &forget::Forgotten) -> bool {
    let name = printable(&whom.name);
    println!("{name}: {} results, {} files and {} log lines erased; later runs skip this student", done.clips, done.files, done.log_lines);
    for file in &done.inbox_left {
        println!("still in the inbox, not ours to delete: {}", printable(&file.to_string_lossy()));
    }
    for (file, what) in &done.still_found {
        println!("STILL FOUND '{}' in {}", printable(what), printable(&file.to_string_lossy()));
    }
    if done.still_found.is_empty() {
        println!("searched every file in {}: no trace left", out.root().display());
    }
    !done.still_found.is_empty()
}

pub fn join(a: &Join) -> Result<u8> {
    let out = existing(&a.out)?;
    let mut store = Store::open(&out.store())?;
    let beside = store.note(INBOX)?.map(|i| PathBuf::from(i).join("roster.toml")).filter(|r| r.is_file());
    let roster = Roster::load(a.roster.as_deref().or(beside.as_deref()))?;
    let mut splits = join::splits(&out, &store, &roster)?;
    let Some(student) = &a.student else {
        splits.iter().for_each(show);
        let count = splits.len();
        println!("{count} kept under several folder names{}", if count > 0 { ": dawnsheet join STUDENT joins one" } else { "" });
        return Ok(0);
    };
    let spelled = |s: &Split| s.parts.iter().flat_map(|p| &p.names).any(|n| names::same(n, student)) || names::same(&s.name, student);
    splits.retain(spelled);
    let Some(split) = splits.first() else {
        return Err(Error::Usage(format!("nobody who goes by '{}' is kept under several folder names", printable(student))));
    };
    show(split);
    let unasked = "joining cannot be taken back: say that all of these are one student with --yes";
    if !a.yes && !ask("Are all of these one student? [y/N]", unasked)?.eq_ignore_ascii_case("y") {
        println!("nothing was joined");
        return Ok(0);
    }
    let _lock = out.lock()?;
    elsewhere::not_elsewhere(&store)?;
    let pen = out.pen()?;
    join::join(&out, &mut store, split)?;
    sheet::write_with(&pen, &out, &store, None, None)?;
    println!("{}: joined under {}", printable(&split.name), split.parts[0].owner);
    Ok(0)
}

fn show(split: &Split) {
    println!("{}:", printable(&split.name));
    for part in &split.parts {
        let names: Vec<String> = part.names.iter().map(|n| printable(n)).collect();
        println!("  {}  {} clips of {}", part.owner, part.clips, names.join(", "));
    }
}
