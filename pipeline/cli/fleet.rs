//! Commands for many machines.

use super::elsewhere::{named, store_named};
use clap::{Args, Subcommand};
use dawnsheet::batch::interrupt::Interrupt;
use dawnsheet::batch::schedule::usual_workers;
use dawnsheet::error::{Error, Result};
use dawnsheet::intake::Roster;
use dawnsheet::pose::models::ModelChoice;
use dawnsheet::queue::enqueue::{self, Enqueue};
use dawnsheet::queue::work::{self, Work};
use dawnsheet::queue::{Media, Queue, StoreAt, Times, collect, status};
use dawnsheet::settings::Settings;
use std::path::PathBuf;
use std::time::Duration;

#[derive(Subcommand)]
pub enum Fleet {
    /// Many machines: plan an inbox into a PostgreSQL queue
    #[command(hide = true)]
    Enqueue(EnqueueArgs),
    /// Many machines: take clips from the queue and measure them, until interrupted
    #[command(hide = true)]
    Work(WorkArgs),
    /// Many machines: what waits, what is at work, what was given up
    #[command(hide = true)]
    Queue(QueueArgs),
    /// Many machines: bring a coach's results into an out folder and write the morning sheet
    #[command(hide = true)]
    Collect(CollectArgs),
}

/// The queue's database, as given or from DAWNSHEET_QUEUE.
fn queue_url(given: Option<String>) -> Result<String> {
    let found = named(given, "DAWNSHEET_QUEUE")?;
    found.ok_or_else(|| Error::Usage("name the queue's database with --queue or in DAWNSHEET_QUEUE".into()))
}

#[derive(Args)]
pub struct EnqueueArgs {
    /// Folder with one folder a student, or s3://bucket/prefix
    inbox: String,
    /// Database of the queue, postgresql://user@host:5432/database or service=NAME; its password from ~/.pgpass [default: DAWNSHEET_QUEUE]
    #[arg(long, value_name = "URL")]
    queue: Option<String>,
    /// Database of the results, or path of an SQLite file [default: DAWNSHEET_STORE, else that of the queue]
    #[arg(long, value_name = "URL")]
    store: Option<String>,
    /// Where the workers will find the clips, as this machine sees it: a folder or s3://bucket/prefix [default: INBOX]
    #[arg(long, value_name = "DIR|URL")]
    media: Option<String>,
    /// Whose inbox it is: the coach's login name
    #[arg(long, value_name = "NAME")]
    coach: String,
    /// Settings file (TOML)
    #[arg(long, value_name = "FILE")]
    settings: Option<PathBuf>,
    /// Roster file (TOML) [default: INBOX/roster.toml where there is one]
    #[arg(long, value_name = "FILE")]
    roster: Option<PathBuf>,
    /// Pose model
    #[arg(long, value_enum, default_value_t = ModelChoice::Accurate)]
    model: ModelChoice,
    /// How often a clip is tried before it is given up
    #[arg(long, value_name = "N", default_value_t = 5, value_parser = clap::value_parser!(i16).range(1..=25))]
    attempts: i16,
    /// Try clips again that were given up
    #[arg(long)]
    retry_failed: bool,
    /// Print what was planned as JSON
    #[arg(long)]
    json: bool,
}

#[derive(Args)]
pub struct WorkArgs {
    /// Database of the queue [default: DAWNSHEET_QUEUE]
    #[arg(long, value_name = "URL")]
    queue: Option<String>,
    /// Database of the results, or path of an SQLite file [default: DAWNSHEET_STORE, else that of the queue]
    #[arg(long, value_name = "URL")]
    store: Option<String>,
    /// Where the clips lie, as this machine sees it: a folder or s3://bucket/prefix (with AWS_ENDPOINT_URL for other servers)
    #[arg(long, value_name = "DIR|URL")]
    media: String,
    /// Folder for reports, key points and pictures, one folder a coach
    #[arg(long, default_value = "out", value_name = "DIR")]
    out: PathBuf,
    /// Clips worked on side by side [default: one a core, as memory allows]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=256))]
    slots: Option<u16>,
    /// Seconds of silence after which a machine counts as dead and its clips go to others
    #[arg(long, value_name = "SECONDS", default_value_t = 120.0, value_parser = lease)]
    lease: f64,
    /// Seconds between looks into an empty queue
    #[arg(long, value_name = "SECONDS", default_value_t = 2.0, value_parser = poll)]
    poll: f64,
}

#[derive(Args)]
pub struct QueueArgs {
    /// Database of the queue [default: DAWNSHEET_QUEUE]
    #[arg(long, value_name = "URL")]
    queue: Option<String>,
    /// Print as JSON
    #[arg(long)]
    json: bool,
}

#[derive(Args)]
pub struct CollectArgs {
    /// Database of the results, postgresql://user@host:5432/database or service=NAME; its password from ~/.pgpass [default: DAWNSHEET_STORE]
    #[arg(long, value_name = "URL")]
    store: Option<String>,
    /// Whose results [default: the login of the store]
    #[arg(long, value_name = "NAME")]
    coach: Option<String>,
    /// The coach's out folder
    #[arg(long, default_value = "out", value_name = "DIR")]
    out: PathBuf,
    /// Settings file (TOML): results older than its night.keep_days are erased in the database and the out folder
    #[arg(long, value_name = "FILE")]
    settings: Option<PathBuf>,
}

fn lease(text: &str) -> std::result::Result<f64, String> {
    super::in_range(text, 1.0, 3600.0)
}

fn poll(text: &str) -> std::result::Result<f64, String> {
    super::in_range(text, 0.01, 60.0)
}

fn store_at(given: Option<String>, queue: &str) -> Result<StoreAt> {
    StoreAt::parse(&store_named(given)?.unwrap_or_else(|| queue.to_string()))
}

/// Runs the command; its exit code.
pub fn run(command: Fleet) -> Result<u8> {
    match command {
        Fleet::Enqueue(a) => run_enqueue(a),
        Fleet::Work(a) => run_work(a),
        Fleet::Queue(a) => {
            let found = status::status(&queue_url(a.queue)?)?;
            if a.json {
                println!("{}", serde_json::to_string_pretty(&found).map_err(|e| Error::Internal(e.to_string()))?);
            } else {
                print!("{}", found.table());
            }
            Ok(u8::from(found.dead > 0))
        }
        Fleet::Collect(a) => {
            let settings = Settings::load(a.settings.as_deref())?;
            let store = store_named(a.store)?;
            let store = store.ok_or_else(|| Error::Usage("name the database of the results with --store or in DAWNSHEET_STORE".into()))?;
            let done = collect::collect(&store, a.coach.as_deref(), &a.out, settings.night.keep_days)?;
            println!(
                "{} results brought, {} known before, {} erased; morning sheet: {}",
                done.new,
                done.known,
                done.erased,
                done.page.display()
            );
            Ok(0)
        }
    }
}

fn run_enqueue(a: EnqueueArgs) -> Result<u8> {
    let url = queue_url(a.queue)?;
    let inbox = Media::open(&a.inbox)?;
    let roster = match a.roster {
        Some(path) => Roster::load(Some(&path))?,
        None => inbox.roster()?,
    };
    let plan = Enqueue {
        store: store_at(a.store, &url)?,
        media: a.media.filter(|m| *m != a.inbox).map(|m| Media::open(&m)).transpose()?,
        inbox,
        coach: a.coach,
        settings: Settings::load(a.settings.as_deref())?,
        roster,
        choice: a.model,
        attempts: a.attempts,
        retry_failed: a.retry_failed,
    };
    let p = enqueue::enqueue(&plan, &Queue::open(&url)?)?;
    for (file, why) in &p.waiting {
        eprintln!("waits: {}: {why}", dawnsheet::report::printable(file));
    }
    for folder in &p.unreadable_folders {
        eprintln!("cannot be read: {}", dawnsheet::report::printable(folder));
    }
    if a.json {
        println!("{}", serde_json::to_string_pretty(&p).map_err(|e| Error::Internal(e.to_string()))?);
    } else {
        let (j, waiting) = (p.jobs, p.waiting.len());
        println!("{} uploads: {} enqueued, {} there already, {} done before, {} repeats", p.uploads, j.added, j.there, p.done, p.repeats);
        println!(
            "{waiting} waiting, {} refused, {} forgotten, {} given up before, {} of those tried again",
            p.refused, p.forgotten, j.dead, j.revived
        );
    }
    Ok(u8::from(!p.waiting.is_empty() || !p.unreadable_folders.is_empty() || p.refused > 0 || p.jobs.dead > 0))
}

fn run_work(a: WorkArgs) -> Result<u8> {
    let url = queue_url(a.queue)?;
    let seconds = Duration::from_secs_f64;
    let told = Work {
        store: store_at(a.store, &url)?,
        media: Media::open(&a.media)?,
        out: a.out,
        slots: a.slots.map_or_else(usual_workers, usize::from),
        times: Times { lease: seconds(a.lease), poll: seconds(a.poll) },
    };
    work::work(told, &Queue::open(&url)?, &Interrupt::listen()?)?;
    Ok(0)
}
