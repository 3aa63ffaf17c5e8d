//! `dawnsheet ruler`: how well the program measures on the coach's own footage.

use super::after::the_clip;
use super::elsewhere::Elsewhere;
use super::existing;
use clap::{Args, Subcommand};
use dawnsheet::batch::forget::INBOX;
use dawnsheet::batch::{in_force, rejudge};
use dawnsheet::error::{Error, Result};
use dawnsheet::history::marked::Kind;
use dawnsheet::history::verdicts::decided;
use dawnsheet::history::{Store, elsewhere};
use dawnsheet::place::{OutFolder, ours};
use dawnsheet::pose::models::Models;
use dawnsheet::report::printable;
use dawnsheet::report::types::FaultName;
use dawnsheet::ruler::table::Table;
use dawnsheet::ruler::{adopt, draw, table};
use dawnsheet::settings::Own;
use dawnsheet::sheet;
use std::path::PathBuf;

#[derive(Args)]
pub struct Ruler {
    #[command(subcommand)]
    what: Option<What>,
    /// Print the table as JSON
    #[arg(long)]
    json: bool,
    /// Folder of an earlier run
    #[arg(long, default_value = "out", value_name = "DIR", global = true)]
    out: PathBuf,
    #[command(flatten)]
    elsewhere: Elsewhere,
}

#[derive(Subcommand)]
enum What {
    /// Draw ten clips to be marked by hand at the desk, and of those marked a week ago three once more
    Draw(Draw),
    /// Let the program judge by what your marks say of its error; nothing does so by itself
    Adopt(Adopt),
    /// Take back what was adopted
    Drop(Drop),
    /// Let what you measured of a clip decide its verdict
    Decide(Decide),
}

#[derive(Args)]
struct Adopt {
    /// What to adopt: hip_edge_travel_cm, hip_edge_inside_foot_cm, head_lateral_top_cm or lead_elbow_bow_late_upper_arms
    #[arg(required = true, value_name = "METRIC")]
    metrics: Vec<String>,
}

#[derive(Args)]
struct Decide {
    /// The clip: its id or the first digits of it, its file name, or the student where only one clip of theirs is judged
    clip: String,
    /// Let the program decide it again
    #[arg(long)]
    back: bool,
    /// Whose clip, by name, alias or folder name below `reports`, where several students sent the same
    #[arg(long)]
    student: Option<String>,
}

#[derive(Args)]
struct Drop {
    /// What to take back [default: all]
    #[arg(value_name = "METRIC")]
    metrics: Vec<String>,
}

#[derive(Args)]
struct Draw {
    /// Where the lot begins; the same clips and number draw the same [default: the time]
    #[arg(long, value_name = "N")]
    seed: Option<u64>,
}

/// What makes it count.
const AGAIN: &str = "The next run judges what is kept again; dawnsheet rejudge does it now";

fn the_table(out: &OutFolder, store: &Store) -> Result<Table> {
    table::table(&store.results()?, &store.marked()?, &in_force::settings(store)?.adopted_in(out.root())?)
}

pub fn run(a: &Ruler) -> Result<u8> {
    let out = existing(&a.out)?;
    let pen = out.pen()?;
    let mut store = Store::open(&out.store())?;
    let far = a.elsewhere.reach()?;
    // brings what was marked at another desk
    elsewhere::say(&mut store, far.as_deref(), |_| Ok(()))?;
    match &a.what {
        Some(What::Draw(d)) => {
            let now = jiff::Timestamp::now();
            let inbox = store.note(INBOX)?.map(PathBuf::from);
            let results: Vec<_> =
                store.results()?.into_iter().map(|(s, _)| s).filter(|s| draw::is_there(inbox.as_deref(), &s.report)).collect();
            let seed = d.seed.unwrap_or(now.as_millisecond().unsigned_abs());
            let drawn = draw::draw(&results, &store.marked()?, seed, now);
            elsewhere::say(&mut store, far.as_deref(), |s| s.add_marked(&drawn))?;
            println!("{}", if drawn.is_empty() { "nothing new is drawn".into() } else { format!("drawn by {seed}") });
            for ((owner, clip), again) in draw::open(&store.marked()?) {
                let file = store.result(&owner, &clip)?.map_or_else(String::new, |r| printable(&r.clip.file));
                println!("  {clip}  {file}{}", if again { "  (once more)" } else { "" });
            }
            println!("mark them at the desk: dawnsheet desk, “measure by hand”");
        }
        Some(What::Adopt(which)) => {
            let mut own = Own::read(out.root())?;
            adopt::adopt(&the_table(&out, &store)?, &mut own, &which.metrics, jiff::Timestamp::now())?;
            own.write(out.root())?;
            for (name, adopted) in own.metric.iter().filter(|(name, _)| which.metrics.contains(name)) {
                println!("{name}: {:+.2} taken off, SD {:.2}, from {} clips", adopted.shift, adopted.sd, adopted.n);
            }
            println!("{AGAIN}; clips that you mark from now on say whether it helps");
        }
        Some(What::Drop(which)) => {
            if which.metrics.is_empty() && adopt::set_aside(out.root())? {
                println!("what could not be read is kept as {}", ours::RULER_ASIDE);
            } else {
                let mut own = Own::read(out.root())?;
                match adopt::drop(&mut own, &which.metrics)? {
                    0 => println!("nothing was adopted"),
                    n => {
                        own.write(out.root())?;
                        println!("{n} taken back. {AGAIN}");
                    }
                }
            }
        }
        Some(What::Decide(which)) => {
            let found = the_clip(&out, &store, &which.clip, which.student.as_deref())?;
            let kind = if which.back { Kind::DecidesNot } else { Kind::Decides };
            let clip = (found.owner.as_str(), found.clip.as_str());
            let report = rejudge::decide_by(&out, &mut store, far.as_deref(), clip, kind, &Models::locate())?;
            sheet::write_with(&pen, &out, &store, None, None)?;
            let whose = |fault: FaultName| if decided(&report, fault).is_some() { "" } else { ", by the program" };
            for (name, fault) in report.swings.iter().find(|s| s.main).into_iter().flat_map(|s| &s.faults) {
                println!("{}: {} {}{}", printable(&report.clip.file), name.words(), fault.in_words(), whose(*name));
            }
        }
        None => {
            let table = the_table(&out, &store)?;
            if a.json {
                println!("{}", serde_json::to_string_pretty(&table).map_err(|e| Error::Internal(e.to_string()))?);
            } else {
                print!("{}", table.text());
            }
        }
    }
    Ok(0)
}
