//! The answer that goes back to the student: the swing as a film with the lines that were measured, then beside now, the note and
//! one page that needs nothing else. It is made here and sent by nobody.

pub mod drawn;
pub mod film;
pub mod others;
pub mod pace;
mod page;

use crate::batch::forget::INBOX;
use crate::batch::interrupt::Interrupt;
use crate::batch::job::{FILM, Film, Job, PICTURES, SEEN, SEEN_THEN, Workers};
use crate::error::{Error, Result};
use crate::history::Store;
use crate::history::trend::{ClubClass, Trend};
use crate::intake::still_there::still_there;
use crate::judge::Identity;
use crate::place::{self, OutFolder, ours};
use crate::pose::models::ModelChoice;
use crate::report::types::{ByHand, Side, ViewKind};
use crate::report::{Report, printable};
use crate::settings::Settings;
use crate::sheet::{Sheet, pictures, words};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// What is asked for.
#[derive(Debug, Clone)]
pub struct Wanted {
    /// Folder name of the student.
    pub owner: String,
    /// Id of the clip; otherwise the newest that says most.
    pub clip: Option<String>,
    pub against: Against,
    /// The coach's own words in place of the draft.
    pub note: Option<String>,
    /// Times slower than life.
    pub slower: f64,
}

/// The earlier clip to set beside it.
#[derive(Debug, Clone, PartialEq)]
pub enum Against {
    /// The earliest of the trend that it belongs to whose file still lies in the inbox, where there is one.
    First,
    Nothing,
    /// By its id.
    Clip(String),
}

/// An answer that was made.
#[derive(Debug)]
pub struct Made {
    pub folder: PathBuf,
    pub clip: String,
    pub then: Option<String>,
    /// File, bytes and seconds of each film.
    pub films: Vec<(&'static str, u64, f64)>,
    /// What is missing, and why: sentences.
    pub without: Vec<String>,
}

/// Times slower than life, at most and as a rule.
pub const SLOWEST: f64 = 16.0;
pub const SLOWER: f64 = 4.0;

/// What two clips must have in common to be set side by side.
fn class(r: &Report) -> (Option<ViewKind>, ClubClass, Option<Side>) {
    (r.view.as_ref().map(|v| v.kind), ClubClass::of(&r.clip), r.golfer.as_ref().map(|g| g.lead_side))
}

fn has_swing(r: &Report) -> bool {
    r.usable && r.swings.iter().any(|s| s.main)
}

/// Makes an answer in `answers/<student>/<day>` of the out folder, in place of an earlier one of that day. Errors: nobody's clip,
/// clips that cannot stand side by side, no space; where the clip itself is gone there are pictures only, and [`Made`] says so.
pub fn make(
    out: &OutFolder,
    store: &Store,
    wanted: &Wanted,
    settings: &Settings,
    workers: &Workers,
    interrupt: &Interrupt,
) -> Result<Made> {
    let sheet = Sheet::read(out, store, None)?;
    let (now, draft) = sheet.draft(&wanted.owner, wanted.clip.as_deref()).ok_or_else(|| {
        let what = wanted.clip.as_deref().map_or_else(|| "a clip".to_string(), |c| format!("the clip {}", printable(c)));
        Error::Usage(format!("{what} of this student is not among the results"))
    })?;
    let note = wanted.note.clone().unwrap_or(draft);
    let (all, trends) = sheet.of_student(&wanted.owner);
    let staging = out.staging(&format!("{}-answer-{}", now.clip.id, std::process::id()))?;
    let maker = Maker { out, store, settings, workers, interrupt, staging: &staging, slower: wanted.slower };
    let mut without = Vec::new();
    let then = match &wanted.against {
        Against::Nothing => Ok(None),
        Against::Clip(id) => comparable(now, all.iter().copied().find(|r| r.clip.id == *id), id).map(Some),
        Against::First => Ok(maker.first(now, &all, &trends, &mut without)),
    };
    let made = then.and_then(|then| maker.make(wanted, now, then, &note, without));
    out.end_staging(&staging)?;
    made
}

/// The clip to set beside, if it can be. Error: why not.
fn comparable<'a>(now: &Report, then: Option<&'a Report>, id: &str) -> Result<&'a Report> {
    let then = then.ok_or_else(|| Error::Usage(format!("no clip {} of this student is among the results", printable(id))))?;
    let refused =
        |why: String| Err(Error::Usage(format!("these two clips do not go side by side: {why}; --against none makes the film of one")));
    if then.clip.id == now.clip.id {
        return refused("they are one clip".into());
    }
    if !has_swing(then) || !has_swing(now) {
        return refused("no swing was measured in one of them".into());
    }
    let (a, b) = (class(then), class(now));
    if a.0 != b.0 {
        return refused(format!("one was filmed {}, the other {}", view(then), view(now)));
    }
    if a.1 != b.1 {
        return refused(format!("one shows {}, the other {}", a.1.words(), b.1.words()));
    }
    Ok(then)
}

fn view(r: &Report) -> &'static str {
    r.view.as_ref().map_or("from an unknown side", |v| crate::history::trend::view_words(v.kind))
}

struct Maker<'a> {
    out: &'a OutFolder,
    store: &'a Store,
    settings: &'a Settings,
    workers: &'a Workers,
    interrupt: &'a Interrupt,
    staging: &'a Path,
    slower: f64,
}

impl Maker<'_> {
    /// The earliest clip of the trend that still lies in the inbox.
    fn first<'r>(&self, now: &Report, all: &[&'r Report], trends: &[&Trend], without: &mut Vec<String>) -> Option<&'r Report> {
        let of = trends.iter().filter(|t| t.points.iter().any(|p| p.clip == now.clip.id));
        let mut earlier: Vec<(&str, &str)> = of.flat_map(|t| &t.points).map(|p| (p.captured.as_str(), p.clip.as_str())).collect();
        earlier.sort_unstable();
        earlier.dedup();
        let own = earlier.iter().position(|(_, clip)| *clip == now.clip.id).unwrap_or(0);
        let mut earlier =
            earlier[..own].iter().filter_map(|(_, clip)| all.iter().copied().find(|r| r.clip.id == *clip)).filter(|r| has_swing(r));
        let any = earlier.clone().next().is_some();
        let found = earlier.find(|r| self.clip(r).is_ok());
        if found.is_none() {
            let why = if any {
                "the earlier clips no longer lie in the inbox"
            } else {
                "no earlier clip of this view and kind of club has a date"
            };
            without.push(format!("no then-and-now.mp4: {why}"));
        }
        found
    }

    fn make(&self, wanted: &Wanted, now: &Report, then: Option<&Report>, note: &str, mut without: Vec<String>) -> Result<Made> {
        // made whole in a folder that is nobody's yet
        let whole = self.fresh("whole")?;
        let mut films = Vec::new();
        let mut sections = Vec::new();
        let alone = if has_swing(now) { self.film(now, None, "swing.mp4", &whole, &mut without)? } else { None };
        let mut marked = Vec::new();
        let own = self.out.pictures(&now.clip.id);
        let mut stills = Vec::new();
        for (event, caption) in pictures::EVENTS {
            let (from, to) = (own.join(format!("{event}.jpg")), whole.join(format!("{event}.jpg")));
            if std::fs::copy(from, &to).is_ok() {
                marked.push(event);
                let number = now.swings.iter().find(|s| s.main).and_then(|s| pictures::number(event, s, now));
                stills.push(page::Picture::read(&to, &std::iter::once(caption.to_string()).chain(number).collect::<Vec<_>>().join(": "))?);
            }
        }
        let words = format!("{} times slower than life; it stops where something was measured.", words::number(self.slower, 0));
        if alone.is_some() || !stills.is_empty() {
            let words = if alone.is_some() { words } else { String::new() };
            sections.push(page::Section::new("Your swing", &words, alone.as_ref().map(|_| "swing.mp4"), &whole, stills)?);
        }
        films.extend(alone.map(|(bytes, seconds)| ("swing.mp4", bytes, seconds)));
        if let (Some(then), true) = (then, has_swing(now))
            && let Some((bytes, seconds)) = self.film(now, Some(then), "then-and-now.mp4", &whole, &mut without)?
        {
            films.push(("then-and-now.mp4", bytes, seconds));
            let mut pairs = Vec::new();
            for (event, caption) in pictures::EVENTS {
                let path = whole.join(format!("then-and-now-{event}.jpg"));
                if path.is_file() {
                    pairs.push(page::Picture::read(&path, caption)?);
                }
            }
            let mirrored = if class(then).2 != class(now).2 { " The earlier clip is shown mirrored." } else { "" };
            let words = format!(
                "Left {}, right {}.{mirrored} Each part of the swing is stretched so that both meet at its moments: tempo cannot be compared here.",
                words::day_of(&then.clip),
                words::day_of(&now.clip)
            );
            sections.push(page::Section::new("Then and now", &words, Some("then-and-now.mp4"), &whole, pairs)?);
        }
        let text = page::page(now, note, sections, pictures::marks(now, marked))?;
        for (name, bytes) in [("note.txt", note.as_bytes()), ("answer.html", text.as_bytes())] {
            place::write(&whole.join(name), bytes)?;
        }
        let day = jiff::Zoned::now().strftime("%Y-%m-%d").to_string();
        self.out.put_answer(&whole, &wanted.owner, &day)?;
        let then = films.iter().any(|f| f.0 == "then-and-now.mp4").then(|| then.map(|t| t.clip.id.clone())).flatten();
        Ok(Made { folder: self.out.answers(&wanted.owner, &day), clip: now.clip.id.clone(), then, films, without })
    }

    /// An empty folder within the staging one.
    fn fresh(&self, name: &str) -> Result<PathBuf> {
        let folder = self.staging.join(name);
        self.out.end_staging(&folder)?;
        std::fs::create_dir_all(&folder).map_err(Error::file(&folder))?;
        Ok(folder)
    }

    /// One film into `whole`; its bytes and seconds. What stands in the way of it is one sentence more in `without`.
    fn film(&self, now: &Report, then: Option<&Report>, name: &str, whole: &Path, without: &mut Vec<String>) -> Result<Option<(u64, f64)>> {
        let folder = self.fresh("film")?;
        let mut at_hand = Vec::new();
        for (r, seen) in [(Some(now), SEEN), (then, SEEN_THEN)] {
            let Some(r) = r else { continue };
            let kept = self.out.keypoints(&r.clip.id)?;
            let found = self.clip(r).and_then(|found| {
                std::fs::copy(&kept, folder.join(seen)).map_err(|_| "what was seen of it is no longer kept".to_string())?;
                Ok(found)
            });
            match found {
                Ok(found) => at_hand.push(found),
                Err(why) => {
                    without.push(format!("no {name}: {} of {}: {why}", printable(&r.clip.file), words::day_of(&r.clip)));
                    return Ok(None);
                }
            }
        }
        let mut jobs = at_hand.iter().map(|(_, job)| job.clone());
        let Some(job) = jobs.next() else { return Ok(None) };
        let own = |r: &Report| -> BTreeMap<String, ByHand> {
            let main = r.swings.iter().find(|s| s.main).into_iter();
            main.flat_map(|s| &s.metrics).filter_map(|(name, m)| Some((name.clone(), m.by_hand()?.clone()))).collect()
        };
        let by_hand = [own(now), then.map(own).unwrap_or_default()];
        let film = Film { now: job, then: jobs.next(), by_hand, slower: self.slower };
        let then = at_hand.get(1).map(|(path, _)| path.as_path());
        let account = match self.workers.film(&at_hand[0].0, then, &folder, &film, self.interrupt) {
            Ok(account) => account,
            // what a clip is not fit for costs its film alone
            Err(Error::Video(why)) => {
                without.push(format!("no {name}: {}", printable(&why)));
                return Ok(None);
            }
            Err(e) => return Err(e),
        };
        place::put(&folder.join(FILM), &whole.join(name))?;
        if film.then.is_some() {
            let stills = folder.join(PICTURES);
            for (event, _) in pictures::EVENTS {
                let still = stills.join(format!("{event}.jpg"));
                if still.is_file() {
                    place::put(&still, &whole.join(format!("then-and-now-{event}.jpg")))?;
                }
            }
        }
        Ok(Some((account["bytes"].as_u64().unwrap_or_default(), account["seconds"].as_f64().unwrap_or_default())))
    }

    /// The clip's own file, if it still lies in the inbox with the bytes that were measured, and what was known of it; otherwise why
    /// not.
    fn clip(&self, r: &Report) -> std::result::Result<(PathBuf, Job), String> {
        let inbox = self.store.note(INBOX).ok().flatten();
        let path = still_there(inbox.as_deref().map(Path::new), r, self.settings)?;
        let rows = self.store.results().map_err(|e| e.to_string())?;
        let text = rows
            .into_iter()
            .find(|(s, _)| s.report.clip.sha256 == r.clip.sha256 && s.report.clip.file == r.clip.file)
            .map(|(_, text)| text);
        let identity: Identity = text.and_then(|t| serde_json::from_str(&t).ok()).ok_or("what was known of it is no longer kept")?;
        Ok((path, Job { identity, choice: ModelChoice::Accurate, settings: self.settings.clone() }))
    }
}

/// The files of a student's answers, newest day first: folder name of the day, and the files in it.
pub fn kept(out: &OutFolder, owner: &str) -> Vec<(String, Vec<String>)> {
    let names = |folder: &Path| -> Vec<String> {
        let all = std::fs::read_dir(folder).into_iter().flatten().filter_map(std::result::Result::ok);
        all.map(|e| e.file_name().to_string_lossy().into_owned()).collect()
    };
    let mut days: Vec<String> = names(&out.root().join("answers").join(owner)).into_iter().filter(|d| ours::answer_day(d)).collect();
    days.sort_unstable_by(|a, b| b.cmp(a));
    days.into_iter()
        .map(|day| {
            let mut files: Vec<String> = names(&out.answers(owner, &day)).into_iter().filter(|f| ours::answer(f)).collect();
            files.sort_unstable();
            (day, files)
        })
        .collect()
}

/// The student's clip whose id begins so. Error: none, or several.
pub fn clip_of(store: &Store, owner: &str, begins: &str) -> Result<String> {
    let wanted = begins.trim().to_lowercase();
    let ids = store.results()?.into_iter().filter(|(s, _)| s.owner == owner).map(|(s, _)| s.report.clip.id);
    let mut found: Vec<String> = ids.filter(|id| !wanted.is_empty() && id.starts_with(&wanted)).collect();
    match found.len() {
        1 => Ok(found.remove(0)),
        0 => Err(Error::Usage(format!("no clip of this student has an id that begins with {}", printable(begins)))),
        _ => Err(Error::Usage(format!("several clips of this student have ids that begin with {}: write more of it", printable(begins)))),
    }
}
