//! The morning after: the coach's verdicts, the desk, and what leaves for other programs.

use super::elsewhere::Elsewhere;
use super::existing;
use clap::{Args, ValueEnum};
use dawnsheet::batch::forget;
use dawnsheet::error::{Error, Result};
use dawnsheet::export::{self, Format};
use dawnsheet::history::verdicts::{Candidate, Given, ours};
use dawnsheet::history::{Store, elsewhere};
use dawnsheet::intake::names;
use dawnsheet::report::Report;
use dawnsheet::report::printable;
use dawnsheet::report::types::FaultName;
use dawnsheet::sheet;
use std::path::PathBuf;

#[derive(Args)]
pub struct Judge {
    /// The clip's id, or its first digits
    clip: String,
    /// Whether you agree with the verdict
    #[arg(value_enum)]
    word: Word,
    /// The fault that is meant [default: the clip's worst]
    #[arg(long, value_enum)]
    fault: Option<FaultName>,
    /// A note to keep with it
    #[arg(long, default_value = "", value_name = "TEXT", hide_default_value = true)]
    note: String,
    /// Whose clip, by name or folder name below `reports`, where several students sent the same
    #[arg(long)]
    student: Option<String>,
    /// Folder of an earlier run
    #[arg(long, default_value = "out", value_name = "DIR")]
    out: PathBuf,
    #[command(flatten)]
    elsewhere: Elsewhere,
}

#[derive(Clone, Copy, PartialEq, ValueEnum)]
enum Word {
    Agree,
    Disagree,
}

#[derive(Args)]
pub struct Desk {
    /// Port of this machine [default: any that is free]
    #[arg(long, value_name = "N", default_value_t = 0, hide_default_value = true)]
    port: u16,
    /// Folder of an earlier run
    #[arg(long, default_value = "out", value_name = "DIR")]
    out: PathBuf,
    #[command(flatten)]
    elsewhere: Elsewhere,
}

#[derive(Args)]
pub struct Export {
    /// The student, by name, alias or folder name below `reports`
    student: String,
    /// What to write
    #[arg(long, value_enum)]
    format: Format,
    /// Folder of an earlier run
    #[arg(long, default_value = "out", value_name = "DIR")]
    out: PathBuf,
    /// Folder to write into [default: OUT/export/<student>, erased with the student]
    #[arg(long, value_name = "DIR")]
    to: Option<PathBuf>,
}

pub fn judge(a: &Judge) -> Result<u8> {
    let out = existing(&a.out)?;
    // nobody erases the student between the look and the word
    let pen = out.pen()?;
    let mut store = Store::open(&out.store())?;
    let found = the_clip(&store, &a.clip, a.student.as_deref())?;
    let report = store.result(&found.owner, &found.clip)?.ok_or_else(|| Error::Internal("a listed clip is gone".into()))?;
    let fault = match a.fault {
        Some(fault) => fault,
        None => {
            worst(&report).ok_or_else(|| Error::Usage("no swing was measured in this clip: name the fault you saw with --fault".into()))?
        }
    };
    let given = Given {
        owner: found.owner,
        clip: found.clip,
        fault,
        ours: ours(&report, fault),
        agrees: a.word == Word::Agree,
        note: a.note.trim().into(),
        made_at: String::new(),
    };
    elsewhere::say(&mut store, a.elsewhere.reach()?.as_deref(), |s| s.give_verdict(&given))?;
    sheet::write_with(&pen, &out, &store, None, None)?;
    let who = found.student.as_deref().map_or_else(|| "no student".into(), printable);
    println!("{}, {who}: {} {}, you {}", given.clip, fault.words(), given.ours.words(), given.words());
    Ok(0)
}

/// The one judged clip that is meant. Errors: none, or several; they are named.
fn the_clip(store: &Store, wanted: &str, student: Option<&str>) -> Result<Candidate> {
    let prefix = wanted.to_lowercase();
    if prefix.is_empty() || !prefix.chars().all(|c| c.is_ascii_hexdigit()) {
        return Err(Error::Usage(format!(
            "'{}' is no clip's id: ids are hexadecimal, as on the sheet and in file names",
            printable(wanted)
        )));
    }
    let mut found = store.clips_beginning(&prefix)?;
    let all = found.len();
    if let Some(student) = student {
        let same = |name: &str| names::same(name, student);
        found.retain(|c| same(&c.owner) || c.student.as_deref().is_some_and(same));
    }
    let mut ids: Vec<&str> = found.iter().map(|c| c.clip.as_str()).collect();
    ids.dedup();
    let several = |what: &str, names: &[String]| {
        let named: Vec<&str> = names.iter().take(8).map(String::as_str).collect();
        let more = if names.len() > named.len() { " and others" } else { "" };
        Error::Usage(format!("{what}: {}{more}", named.join(", ")))
    };
    match (ids.len(), found.len()) {
        (0, _) if all > 0 => Err(Error::Usage(format!("that clip is not of a student '{}'", printable(student.unwrap_or_default())))),
        (0, _) => Err(Error::Usage(format!("no judged clip's id begins with {prefix}"))),
        (1, 1) => Ok(found.remove(0)),
        (1, _) => {
            let owners: Vec<String> = found.iter().map(|c| format!("--student {}", c.owner)).collect();
            Err(several("several students sent this clip; say whose", &owners))
        }
        _ => {
            let ids: Vec<String> = ids.into_iter().map(Into::into).collect();
            Err(several(&format!("several clips begin with {prefix}; write more of the id"), &ids))
        }
    }
}

/// The fault that leads the clip's verdict: the worst verdict, and of equal ones the likeliest.
fn worst(report: &Report) -> Option<FaultName> {
    let main = report.swings.iter().find(|s| s.main)?;
    let likely = |p: Option<f64>| p.unwrap_or(0.0);
    let by_need =
        main.faults.iter().min_by(|(_, a), (_, b)| a.verdict.cmp(&b.verdict).then(likely(b.probability).total_cmp(&likely(a.probability))));
    by_need.map(|(name, _)| *name)
}

pub fn desk(a: &Desk) -> Result<u8> {
    let out = existing(&a.out)?;
    dawnsheet::desk::serve(out, a.port, a.elsewhere.reach()?, |address| {
        use std::io::Write;
        println!("{address}");
        // whoever waits for the line gets it now; nobody reading is no reason to stop
        let _ = std::io::stdout().flush();
        eprintln!("the desk is open at the address above, for this machine alone; Ctrl-C closes it");
    })?;
    Ok(0)
}

/// Exit code 1 where nothing could be written.
pub fn export(a: &Export) -> Result<u8> {
    let out = existing(&a.out)?;
    let _pen = out.pen()?;
    let store = Store::open(&out.store())?;
    let whom = forget::find_one(&out, &store, &a.student)?;
    let to = a.to.clone().unwrap_or_else(|| out.exports(&whom.owner));
    let done = export::export(&out, &store, &whom.owner, a.format, &to)?;
    for (clip, why) in &done.left_out {
        eprintln!("{clip} is left out: {why}");
    }
    let files = match done.files.len() {
        1 => done.files[0].display().to_string(),
        n => format!("{n} files in {}", to.display()),
    };
    println!("{}: {} of {} clips, {files}", printable(&whom.name), done.clips, done.clips + done.left_out.len());
    Ok(u8::from(done.clips == 0))
}
