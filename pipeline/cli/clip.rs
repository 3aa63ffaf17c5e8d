//! One clip by hand.

use clap::Args;
use dawnsheet::batch::interrupt::Interrupt;
use dawnsheet::batch::job::{self, Job, JobOutcome, Workers};
use dawnsheet::error::{Error, Result};
use dawnsheet::intake::Brief;
use dawnsheet::intake::admit::{admit, placeholder_sha256};
use dawnsheet::intake::names::UNASSIGNED;
use dawnsheet::judge::{self, Identity};
use dawnsheet::place::{self, OutFolder};
use dawnsheet::pose::models::{ModelChoice, Models};
use dawnsheet::report::printable;
use dawnsheet::report::types::{LeadSideSource, PlaybackSource, Side, Verdict};
use dawnsheet::report::{ReasonCode, Report};
use dawnsheet::settings::Settings;
use std::path::PathBuf;

#[derive(Args)]
pub struct Clip {
    /// The clip
    file: PathBuf,
    /// The golfer's lead side (left for a right-handed golfer)
    #[arg(long, value_enum)]
    lead_side: Option<Side>,
    /// The golfer's stature in centimetres, 80 to 230
    #[arg(long, value_name = "CM", value_parser = stature)]
    stature: Option<f64>,
    /// How many times slower than life the clip plays, 0.1 to 64
    #[arg(long, value_name = "X", value_parser = playback)]
    playback_factor: Option<f64>,
    /// Pose model
    #[arg(long, value_enum, default_value_t = ModelChoice::Accurate)]
    model: ModelChoice,
    /// Settings file (TOML)
    #[arg(long, value_name = "FILE")]
    settings: Option<PathBuf>,
    /// Folder for report, key points and pictures [default: nothing is kept]
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
    /// Print the report as JSON
    #[arg(long)]
    json: bool,
}

fn stature(text: &str) -> std::result::Result<f64, String> {
    super::in_range(text, 80.0, 230.0)
}

fn playback(text: &str) -> std::result::Result<f64, String> {
    super::in_range(text, 0.1, 64.0)
}

pub fn run(a: Clip) -> Result<u8> {
    let settings = Settings::load(a.settings.as_deref())?;
    let settings = match &a.out {
        Some(out) => settings.adopted_in(out)?,
        None => settings,
    };
    let models = Models::locate();
    models.check_for(&[a.model])?;
    let workers = Workers::new()?.side_by_side(1);
    let name = a.file.file_name().unwrap_or_default().to_string_lossy().into_owned();
    let mut brief = Brief {
        file: name.clone(),
        lead_side: a.lead_side.map(|s| (s, LeadSideSource::Option)),
        stature_cm: a.stature,
        playback: a.playback_factor.map(|f| (f, PlaybackSource::Option)),
        ..Brief::default()
    };
    brief.set_club(None, &settings.clubs);
    brief.set_dates(None, &name, a.file.metadata().ok().and_then(|m| m.modified().ok()));
    let out = a.out.as_deref().map(OutFolder::open).transpose()?;
    let _lock = out.as_ref().map(OutFolder::lock_beside).transpose()?;
    let temporary = tempfile::tempdir().map_err(|e| Error::Usage(format!("no temporary folder can be made: {e}")))?;
    let (identity, report, folder) = match admit(&a.file, &settings) {
        Err(reason) => {
            let identity = Identity { sha256: placeholder_sha256(&name), bytes: 0, brief };
            let report = judge::failed(&identity, reason, a.model, &models, &settings);
            (identity, report, None)
        }
        Ok(admitted) => {
            let identity = Identity { sha256: admitted.sha256, bytes: admitted.bytes, brief };
            let folder = match &out {
                Some(out) => out.staging(&format!("{}-{}", identity.id(), std::process::id()))?,
                None => temporary.path().to_path_buf(),
            };
            let job = Job { identity: identity.clone(), choice: a.model, settings: settings.clone() };
            let report = match workers.run(&a.file, &folder, &job, &Interrupt::default())? {
                JobOutcome::Done { report, .. } => *report,
                JobOutcome::Failed { why, stderr } => {
                    eprint!("{}", printable(&stderr));
                    judge::failed(&identity, ReasonCode::WorkerFailed.because(why), a.model, &models, &settings)
                }
                JobOutcome::GivenUp => return Err(Error::Internal("the worker was given up without being asked to".into())),
                JobOutcome::Installation(why) => return Err(Error::Installation(why)),
            };
            (identity, report, Some(folder))
        }
    };
    if let Some(out) = &out {
        // another may put the same clip there at this moment
        let _pen = out.pen()?;
        if let Some(folder) = folder {
            let seen = folder.join(job::SEEN);
            if seen.is_file() {
                place::put(&seen, &out.keypoints(identity.id())?)?;
            }
            let pictures = folder.join(job::PICTURES);
            if pictures.is_dir() {
                out.put_pictures(&pictures, identity.id())?;
            }
            out.end_staging(&folder)?;
        }
        place::write(&out.report(UNASSIGNED, identity.id())?, report.to_json().as_bytes())?;
    }
    if a.json {
        print!("{}", report.to_json());
    } else {
        print!("{}", describe(&report));
    }
    Ok(u8::from(!report.usable))
}

/// The report in a few lines for a terminal.
fn describe(report: &Report) -> String {
    let mut text = format!("{}  {}\n", report.clip.id, printable(&report.clip.file));
    if let Some(main) = report.swings.iter().find(|s| s.main) {
        for (name, fault) in &main.faults {
            text.push_str(&format!("{:<13} {:<23} {}\n", name.words(), fault.in_words(), fault.text));
        }
        for root in &main.roots {
            text.push_str(&format!("may come from {}\n", root.text));
        }
        for (name, metric) in &main.metrics {
            if let Some(m) = metric.measured() {
                text.push_str(&format!("  {name:<38} {:>8.2} {:<10} ({:.2} to {:.2})\n", m.value, m.unit, m.low, m.high));
            }
        }
    }
    for r in &report.reasons {
        text.push_str(&format!("{}: {}. {}.\n", r.code.code(), r.text, r.advice));
    }
    let verdict = report.verdict.map_or("no swing measured", Verdict::words);
    text.push_str(&format!("verdict: {verdict}; needs a look: {}\n", if report.needs_look { "yes" } else { "no" }));
    text
}
