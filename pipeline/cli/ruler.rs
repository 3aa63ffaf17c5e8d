//! `dawnsheet ruler`: how well the program measures on the coach's own footage.

use super::elsewhere::Elsewhere;
use super::existing;
use clap::{Args, Subcommand};
use dawnsheet::batch::forget::INBOX;
use dawnsheet::batch::in_force;
use dawnsheet::error::{Error, Result};
use dawnsheet::history::{Store, elsewhere};
use dawnsheet::report::printable;
use dawnsheet::ruler::{draw, table};
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
}

#[derive(Args)]
struct Draw {
    /// Where the lot begins; the same clips and number draw the same [default: the time]
    #[arg(long, value_name = "N")]
    seed: Option<u64>,
}

pub fn run(a: &Ruler) -> Result<u8> {
    let out = existing(&a.out)?;
    let _pen = out.pen()?;
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
        None => {
            let table = table::table(&store.results()?, &store.marked()?, &in_force::settings(&store)?)?;
            if a.json {
                println!("{}", serde_json::to_string_pretty(&table).map_err(|e| Error::Internal(e.to_string()))?);
            } else {
                print!("{}", table.text());
            }
        }
    }
    Ok(0)
}
