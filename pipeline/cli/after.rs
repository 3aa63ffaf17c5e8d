//! The morning after: the coach's verdicts, the desk, and what leaves for other programs.

use super::elsewhere::Elsewhere;
use super::existing;
use clap::{Args, ValueEnum};
use dawnsheet::batch::interrupt::Interrupt;
use dawnsheet::batch::job::Workers;
use dawnsheet::batch::{forget, in_force};
use dawnsheet::error::{Error, Result};
use dawnsheet::export::moments::Maker;
use dawnsheet::export::{self, Format};
use dawnsheet::history::verdicts::{Candidate, Given, ours, own_measurement};
use dawnsheet::history::{Store, elsewhere};
use dawnsheet::intake::names;
use dawnsheet::place::OutFolder;
use dawnsheet::report::Report;
use dawnsheet::report::printable;
use dawnsheet::report::types::{FaultName, Verdict};
use dawnsheet::sheet;
use std::path::PathBuf;

#[derive(Args)]
pub struct Judge {
    /// The clip: its id or the first digits of it, its file name, or the student where only one clip of theirs is judged
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
    /// Whose clip, by name, alias or folder name below `reports`, where several students sent the same
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
    /// Beside marks-coco, the pictures that were marked, out of clips that still lie in the inbox
    #[arg(long)]
    with_pictures: bool,
}

pub fn judge(a: &Judge) -> Result<u8> {
    let out = existing(&a.out)?;
    // nobody erases the student between the look and the word
    let pen = out.pen()?;
    let mut store = Store::open(&out.store())?;
    let found = the_clip(&out, &store, &a.clip, a.student.as_deref())?;
    let report = store.result(&found.owner, &found.clip)?.ok_or_else(|| Error::Internal("a listed clip is gone".into()))?;
    let fault = match a.fault {
        Some(fault) => fault,
        None => {
            let worst = worst(&report)
                .ok_or_else(|| Error::Usage("no swing was measured in this clip: name the fault you saw with --fault".into()))?;
            if a.word == Word::Disagree && ours(&report, worst) == Verdict::Clear {
                return Err(Error::Usage("nothing was found in this clip: name the fault you saw with --fault".into()));
            }
            worst
        }
    };
    if let Some(why) = own_measurement(&report, fault) {
        return Err(Error::Usage(format!("{why}: dawnsheet ruler decide --back {} lets the program decide again", found.clip)));
    }
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

/// The one judged clip that is meant: by the first digits of its id, else by its file name, else by its student. Errors: none, or
/// several; they are named.
pub(super) fn the_clip(out: &OutFolder, store: &Store, wanted: &str, student: Option<&str>) -> Result<Candidate> {
    let shown = printable(wanted);
    let (mut found, by_id) = called(out, store, wanted)?;
    let all = found.len();
    if let Some(student) = student {
        let owners: Vec<String> = forget::find(out, store, None, student).unwrap_or_default().into_iter().map(|w| w.owner).collect();
        found.retain(|(c, _)| owners.contains(&c.owner));
    }
    let mut ids: Vec<&str> = found.iter().map(|(c, _)| c.clip.as_str()).collect();
    ids.sort_unstable();
    ids.dedup();
    let several = |what: &str, names: &[String]| {
        let named: Vec<&str> = names.iter().take(8).map(String::as_str).collect();
        let more = if names.len() > named.len() { " and others" } else { "" };
        Error::Usage(format!("{what}: {}{more}", named.join(", ")))
    };
    match (ids.len(), found.len()) {
        (0, _) if all > 0 => Err(Error::Usage(format!("that clip is not of a student '{}'", printable(student.unwrap_or_default())))),
        (0, _) => Err(Error::Usage(format!(
            "no judged clip's id begins with {shown}, and neither a file nor a student is called so: ids stand in the run's table, on the \
             sheet and in file names"
        ))),
        (1, 1) => Ok(found.remove(0).0),
        (1, _) => {
            let owners: Vec<String> = found.iter().map(|(c, _)| format!("--student {}", c.owner)).collect();
            Err(several("several students sent this clip; say whose", &owners))
        }
        _ => {
            let ids: Vec<String> = found.iter().map(|(c, file)| format!("{} ({})", c.clip, printable(file))).collect();
            let more = if by_id { "write more of the id" } else { "name one by its id" };
            Err(several(&format!("several clips go by {shown}; {more}"), &ids))
        }
    }
}

/// Judged clips that go by a word, with their files; and whether by their ids.
fn called(out: &OutFolder, store: &Store, wanted: &str) -> Result<(Vec<(Candidate, String)>, bool)> {
    let wanted = wanted.trim();
    let all: Vec<(Candidate, String)> = store
        .results()?
        .into_iter()
        .map(|(s, _)| (Candidate { owner: s.owner, clip: s.report.clip.id, student: s.report.clip.student }, s.report.clip.file))
        .collect();
    let those = |wanted: &dyn Fn(&Candidate, &str) -> bool| -> Vec<(Candidate, String)> {
        all.iter().filter(|(c, file)| wanted(c, file)).cloned().collect()
    };
    if wanted.is_empty() {
        return Ok((Vec::new(), true));
    }
    let prefix = wanted.to_lowercase();
    let by_id = those(&|c, _| c.clip.starts_with(&prefix));
    if !by_id.is_empty() {
        return Ok((by_id, true));
    }
    let by_file = those(&|_, file| {
        let name = file.rsplit('/').next().unwrap_or(file);
        let stem = name.rsplit_once('.').map_or(name, |(stem, _)| stem);
        [file, name, stem].iter().any(|f| names::same(f, wanted))
    });
    if !by_file.is_empty() {
        return Ok((by_file, false));
    }
    let owners: Vec<String> = forget::find(out, store, None, wanted).unwrap_or_default().into_iter().map(|w| w.owner).collect();
    Ok((those(&|c, _| owners.contains(&c.owner)), false))
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
        println!("{address}");
        eprintln!("the desk is open at the address above, for this machine alone; Ctrl-C closes it");
    })?;
    Ok(0)
}

/// Exit code 1 where nothing could be written.
pub fn export(a: &Export) -> Result<u8> {
    if a.with_pictures && a.format != Format::MarksCoco {
        return Err(Error::Usage("only --format marks-coco names pictures: leave --with-pictures out, or choose that one".into()));
    }
    let out = existing(&a.out)?;
    // pictures take a while, in which nobody erases the student
    let _beside = a.with_pictures.then(|| out.lock_beside()).transpose()?;
    let pen = out.pen()?;
    let store = Store::open(&out.store())?;
    let whom = forget::find_one(&out, &store, &a.student)?;
    let to = a.to.clone().unwrap_or_else(|| out.exports(&whom.owner));
    let mut done = export::export(&out, &store, &whom.owner, a.format, &to)?;
    drop(pen);
    if a.with_pictures {
        let inbox = store.note(forget::INBOX)?.map(PathBuf::from);
        let (settings, workers) = (in_force::settings(&store)?, Workers::new()?.side_by_side(1));
        let maker = Maker { out: &out, inbox: inbox.as_deref(), settings: &settings, workers: &workers, interrupt: &Interrupt::default() };
        export::put_pictures(&maker, &store, &whom.owner, &to, &mut done)?;
        for (clip, why) in &done.without_pictures {
            eprintln!("{clip} is without its pictures: {why}");
        }
        if done.files.len() > 1 {
            eprintln!("the pictures show the student: hand them on only with consent, a minor's with that of who has custody");
        }
    }
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
