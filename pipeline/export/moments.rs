//! Pictures of the moments at which somebody marked a clip: whole and as filmed, upright, with nothing drawn in them. The worker
//! draws them (`draw`), the exporting program says which and puts them in place (`put`).

use crate::batch::interrupt::Interrupt;
use crate::batch::job::{Moments, Workers};
use crate::error::{Error, Result};
use crate::intake::still_there::still_there;
use crate::place::{self, OutFolder};
use crate::report::Report;
use crate::settings::Settings;
use crate::video::{Footage, Shown, probe};
use opencv::core::Vector;
use opencv::imgcodecs;
use std::path::{Path, PathBuf};

/// The name of a moment's picture.
pub fn name(time: f64) -> String {
    format!("{time:.4}s.png")
}

/// Writes the moments' pictures into `folder`, losslessly, each of the frame that a player shows at its time: the last that
/// began. Their names, in the order of time. Error: the clip is not the one that was marked, or cannot be decoded there.
pub fn draw(clip: &Path, folder: &Path, wanted: &Moments) -> Result<Vec<String>> {
    let mut probe = probe(clip, &wanted.settings)?.map_err(|reason| Error::Video(reason.text))?;
    probe.turn = probe.turn.then_quarters(wanted.turned_by_sight / 90);
    if probe.upright_size() != wanted.size {
        return Err(Error::Video("the clip is no longer the one that was marked".into()));
    }
    // as the page does on which they are marked: a time between two frames by rounding is the later one's
    let slack = probe.interval() / 4.0;
    let frame = |t: f64| probe.times.partition_point(|&began| began <= t + slack).saturating_sub(1);
    let mut moments: Vec<(usize, f64)> = wanted.times.iter().map(|&t| (frame(t), t)).collect();
    moments.sort_by(|a, b| a.0.cmp(&b.0).then(a.1.total_cmp(&b.1)));
    let mut footage = Footage::open(clip, &probe).ok_or_else(|| Error::Video("the clip cannot be decoded".into()))?;
    let mut names = Vec::new();
    for (frame, time) in moments {
        let Shown::Picture(picture) = footage.frame(frame)? else {
            return Err(Error::Video(format!("there is no picture at {time:.2} s of the clip")));
        };
        let mut bytes = Vector::<u8>::new();
        imgcodecs::imencode_def(".png", picture, &mut bytes).map_err(Error::opencv)?;
        let path = folder.join(name(time));
        std::fs::write(&path, bytes.as_slice()).map_err(Error::file(&path))?;
        names.push(name(time));
    }
    Ok(names)
}

/// What is needed to have pictures drawn.
pub struct Maker<'a> {
    pub out: &'a OutFolder,
    /// Where the last run found the clips.
    pub inbox: Option<&'a Path>,
    pub settings: &'a Settings,
    pub workers: &'a Workers,
    pub interrupt: &'a Interrupt,
}

impl Maker<'_> {
    /// Puts the pictures of these moments of a clip into `to`; their paths. What stands in the way of this clip's is a sentence.
    pub fn put(&self, report: &Report, times: &[f64], to: &Path) -> Result<std::result::Result<Vec<PathBuf>, String>> {
        let (clip, video) = match (still_there(self.inbox, report, self.settings), &report.video) {
            (Ok(clip), Some(video)) => (clip, video),
            (Err(why), _) => return Ok(Err(why)),
            (_, None) => return Ok(Err("it has no pictures".into())),
        };
        let moments = Moments {
            settings: self.settings.clone(),
            times: times.to_vec(),
            turned_by_sight: video.turned_by_sight,
            size: (video.width, video.height),
        };
        let staging = self.out.staging(&format!("{}-pictures-{}", report.clip.id, std::process::id()))?;
        let drawn = self.workers.pictures(&clip, &staging, &moments, self.interrupt);
        let done = match drawn {
            Ok(names) => self.take(&names, &staging, to).map(Ok),
            Err(Error::Video(why)) => Ok(Err(why)),
            Err(e) => Err(e),
        };
        self.out.end_staging(&staging)?;
        done
    }

    fn take(&self, names: &[String], staging: &Path, to: &Path) -> Result<Vec<PathBuf>> {
        std::fs::create_dir_all(to).map_err(Error::file(to))?;
        let one = |name: &String| {
            let from = staging.join(name);
            let bytes = std::fs::read(&from).map_err(Error::file(&from))?;
            // the export may lie on another disk
            place::write(&to.join(name), &bytes)?;
            Ok(to.join(name))
        };
        names.iter().map(one).collect()
    }
}
