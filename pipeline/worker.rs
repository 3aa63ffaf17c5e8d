//! The child program: one clip in, one result out. `dawnsheet-worker CLIP FOLDER < job.json`; started by `dawnsheet`.

use dawnsheet::batch::confine::{confine, limit, limit_to_clip};
use dawnsheet::batch::job::{INSTALLATION_EXIT, Job, PICTURES, REPORT, SEEN, STDERR, TIMINGS};
use dawnsheet::error::{Error, Result};
use dawnsheet::judge;
use dawnsheet::pose::models::Models;
use dawnsheet::pose::observe::observe;
use dawnsheet::report::{Report, pictures};
use dawnsheet::swing::read_swings;
use dawnsheet::video::probe;
use std::path::Path;
use std::process::ExitCode;

fn main() -> ExitCode {
    // whatever is written is its owner's alone
    rustix::process::umask(rustix::fs::Mode::RWXG | rustix::fs::Mode::RWXO);
    let arguments: Vec<std::ffi::OsString> = std::env::args_os().collect();
    let [_, clip, folder] = arguments.as_slice() else {
        eprintln!("dawnsheet-worker is started by dawnsheet, with a clip, a folder and a job on standard input");
        return ExitCode::from(INSTALLATION_EXIT as u8);
    };
    match work(Path::new(clip), Path::new(folder)) {
        Ok(()) => ExitCode::SUCCESS,
        Err(e) => {
            eprintln!("{e}");
            ExitCode::from(if e.exit_code() == 2 { INSTALLATION_EXIT as u8 } else { 1 })
        }
    }
}

fn work(clip: &Path, folder: &Path) -> Result<()> {
    let job: Job = serde_json::from_reader(std::io::stdin()).map_err(|e| Error::Usage(format!("the job is broken: {e}")))?;
    limit(&job.settings.night)?;
    // two clips side by side beat two threads on one clip
    opencv::core::set_num_threads(1).map_err(Error::opencv)?;
    let models = Models::locate();
    // a plain name for libraries that want text: odd bytes of the true name never reach them
    let plain = folder.join("clip");
    let target = std::path::absolute(clip).map_err(Error::file(clip))?;
    std::os::unix::fs::symlink(&target, &plain).map_err(Error::file(&plain))?;
    confine(&[&target, models.folder()], folder)?;
    let report = report(&plain, folder, &job, &models)?;
    std::fs::remove_file(&plain).map_err(Error::file(&plain))?;
    let path = folder.join(REPORT);
    std::fs::write(&path, report.to_json()).map_err(Error::file(&path))
}

fn report(clip: &Path, folder: &Path, job: &Job, models: &Models) -> Result<Report> {
    let failed = |reason| judge::failed(&job.identity, reason, job.choice, models, &job.settings);
    let probe = match probe(clip, &job.settings)? {
        Ok(probe) => probe,
        Err(reason) => return Ok(failed(reason)),
    };
    limit_to_clip(probe.times.len(), &job.settings.night)?;
    let mut observed = match observe(clip, &probe, models, job.choice)? {
        Ok(observed) => observed,
        Err(reason) => return Ok(failed(reason)),
    };
    observed.seen.about.decoder_complaints = decoder_complaints(folder);
    observed.seen.write(&folder.join(SEEN))?;
    let report = judge::judge(&observed.seen, &job.identity, job.choice, models, &job.settings);
    let brief = &job.identity.brief;
    let stature = brief.stature_cm.unwrap_or(job.settings.scale.assumed_stature_cm);
    let reads = read_swings(&observed.seen, stature, brief.playback.map(|p| p.0));
    if let Some(read) = report.swings.iter().find(|s| s.main).and_then(|s| reads.get(s.index)) {
        let pictures = folder.join(PICTURES);
        std::fs::create_dir_all(&pictures).map_err(Error::file(&pictures))?;
        pictures::draw(&observed.cuts, read, &report, &pictures)?;
    }
    let timings: serde_json::Map<String, serde_json::Value> = observed.timings.iter().map(|(n, s)| (n.to_string(), (*s).into())).collect();
    let path = folder.join(TIMINGS);
    std::fs::write(&path, serde_json::Value::from(timings).to_string()).map_err(Error::file(&path))?;
    Ok(report)
}

/// Lines that the decoder wrote to standard error, which the parent lets run into the folder. Both passes decode the file,
/// so a fault shows twice.
fn decoder_complaints(folder: &Path) -> usize {
    let text = std::fs::read(folder.join(STDERR)).unwrap_or_default();
    String::from_utf8_lossy(&text).lines().filter(|l| l.starts_with('[')).count()
}
