//! The answer to a student.

use super::existing;
use clap::Args;
use dawnsheet::answer::{self, Against, SLOWER, SLOWEST, Wanted};
use dawnsheet::batch::forget;
use dawnsheet::batch::interrupt::Interrupt;
use dawnsheet::batch::job::Workers;
use dawnsheet::error::{Error, Result};
use dawnsheet::history::Store;
use dawnsheet::report::printable;
use dawnsheet::settings::Settings;
use std::path::PathBuf;

#[derive(Args)]
pub struct Answer {
    /// The student, by name, alias or folder name below `reports`
    student: String,
    /// The clip, by the first digits of its id [default: the newest that says most]
    #[arg(long, value_name = "ID")]
    clip: Option<String>,
    /// An earlier clip to set beside it, by its id, or none [default: the earliest of its kind that still lies in the inbox]
    #[arg(long, value_name = "ID")]
    against: Option<String>,
    /// How many times slower than life, 1 to 16
    #[arg(long, value_name = "X", default_value_t = SLOWER, value_parser = slower)]
    slower: f64,
    /// A text file with your words to the student, in place of the draft
    #[arg(long, value_name = "FILE")]
    note: Option<PathBuf>,
    /// Folder of an earlier run
    #[arg(long, default_value = "out", value_name = "DIR")]
    out: PathBuf,
    /// Settings file (TOML)
    #[arg(long, value_name = "FILE")]
    settings: Option<PathBuf>,
}

fn slower(text: &str) -> std::result::Result<f64, String> {
    super::in_range(text, 1.0, SLOWEST)
}

/// Exit code 1 where no film could be made.
pub fn answer(a: &Answer) -> Result<u8> {
    let out = existing(&a.out)?;
    let settings = Settings::load(a.settings.as_deref())?.adopted_in(&a.out)?;
    let store = Store::open(&out.store())?;
    let whom = forget::find_one(&out, &store, &a.student)?;
    let whole = |begins: &str| answer::clip_of(&store, &whom.owner, begins);
    let against = match a.against.as_deref() {
        None => Against::First,
        Some("none") => Against::Nothing,
        Some(id) => Against::Clip(whole(id)?),
    };
    let clip = a.clip.as_deref().map(whole).transpose()?;
    let note = a.note.as_deref().map(|f| std::fs::read_to_string(f).map_err(Error::file(f))).transpose()?;
    let wanted = Wanted { owner: whom.owner.clone(), clip, against, note, slower: a.slower };
    // nobody erases the student meanwhile
    let _beside = out.lock_beside()?;
    let made = answer::make(&out, &store, &wanted, &settings, &Workers::new()?.side_by_side(1), &Interrupt::default())?;
    for (file, bytes, seconds) in &made.films {
        println!("{file}: {:.1} MB, {seconds:.0} s", *bytes as f64 / 1e6);
    }
    for sentence in &made.without {
        eprintln!("{}", printable(sentence));
    }
    println!("{}: the answer lies in {}", printable(&whom.name), made.folder.display());
    println!("open and check {}", made.folder.join("answer.html").display());
    println!("nothing was sent; a film of a minor goes only to whom the parents agreed");
    Ok(u8::from(made.films.is_empty()))
}
