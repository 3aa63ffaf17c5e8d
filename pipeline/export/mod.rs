//! What leaves for other programs: a student's measurements as a table, and what was seen of the body in open formats.

pub mod coco;
pub mod csv;
pub mod marks;
pub mod moments;
pub mod openpose;
pub mod trc;

use crate::error::{Error, Result};
use crate::history::Store;
use crate::history::marked::Marked;
use crate::place::{self, OutFolder};
use crate::report::Report;
use crate::seen::keypoints::{Keypoint, Look};
use crate::seen::{Looks, Seen};
use std::path::{Path, PathBuf};

/// Formats, one file of this folder each.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum Format {
    /// A table: one line a clip and quantity, with its interval
    Csv,
    /// COCO key points: one JSON file, 17 points a picture
    Coco,
    /// OpenPose BODY_25: one JSON file a picture, 25 points
    Openpose,
    /// Marker positions (TRC): one file a clip, the main swing, millimetres in the picture plane
    Trc,
    /// What was measured by hand, as a table: one line a clip, time and quantity
    MarksCsv,
    /// The points that were marked by hand, as COCO key points
    MarksCoco,
}

/// What was written.
#[derive(Debug, Default)]
pub struct Exported {
    pub files: Vec<PathBuf>,
    pub clips: usize,
    /// Clips that the format cannot hold, by id, and why.
    pub left_out: Vec<(String, &'static str)>,
    /// Clips whose pictures were asked for and cannot be had, by id, and why.
    pub without_pictures: Vec<(String, String)>,
}

/// Writes a student's clips below `to` (made where it is missing). Errors: the store or a file cannot be read or written.
pub fn export(out: &OutFolder, store: &Store, owner: &str, format: Format, to: &Path) -> Result<Exported> {
    let reports = reports_of(store, owner)?;
    let mut done = Exported::default();
    if format == Format::Csv {
        done.clips = reports.len();
        put(to.join(format!("{owner}.csv")), csv::table(&reports).as_bytes(), &mut done)?;
        return Ok(done);
    }
    if matches!(format, Format::MarksCsv | Format::MarksCoco) {
        let marked = marked_of(store, owner)?;
        done.clips = marks::clips(&reports, &marked);
        let (ending, text) = match format {
            Format::MarksCsv => ("marks.csv", marks::table(&reports, &marked)?),
            _ => ("marks.coco.json", marks::coco(&reports, &marked)?),
        };
        if done.clips > 0 {
            put(to.join(format!("{owner}.{ending}")), text.as_bytes(), &mut done)?;
        }
        return Ok(done);
    }
    let mut coco = coco::Document::default();
    for report in &reports {
        let id = &report.clip.id;
        let Ok(seen) = Seen::read(&out.keypoints(id)?) else {
            done.left_out.push((id.clone(), "nothing that was seen of it is kept"));
            continue;
        };
        match format {
            Format::Csv | Format::MarksCsv | Format::MarksCoco => {}
            Format::Coco => coco.add(id, &seen),
            Format::Openpose => {
                for (frame, text) in openpose::frames(&seen) {
                    put(to.join(id).join(format!("{id}_{frame:012}_keypoints.json")), text.as_bytes(), &mut done)?;
                }
            }
            Format::Trc => match trc::file(report, &seen) {
                Ok(text) => put(to.join(format!("{id}.trc")), text.as_bytes(), &mut done)?,
                Err(why) => {
                    done.left_out.push((id.clone(), why));
                    continue;
                }
            },
        }
        done.clips += 1;
    }
    if format == Format::Coco && done.clips > 0 {
        put(to.join(format!("{owner}.coco.json")), coco.to_json()?.as_bytes(), &mut done)?;
    }
    Ok(done)
}

/// Puts beside an export of marks the pictures that it names, as far as their clips are there. Errors: the store, the program or a file
/// is at fault.
pub fn put_pictures(maker: &moments::Maker, store: &Store, owner: &str, to: &Path, done: &mut Exported) -> Result<()> {
    let (reports, marked) = (reports_of(store, owner)?, marked_of(store, owner)?);
    for (report, times) in marks::pictures(&reports, &marked)? {
        let id = &report.clip.id;
        match maker.put(report, &times, &to.join(id))? {
            Ok(paths) => done.files.extend(paths),
            Err(why) => done.without_pictures.push((id.clone(), why)),
        }
    }
    Ok(())
}

fn reports_of(store: &Store, owner: &str) -> Result<Vec<Report>> {
    let mut reports: Vec<Report> = store.results()?.into_iter().filter(|(s, _)| s.owner == owner).map(|(s, _)| s.report).collect();
    let filmed = |r: &Report| r.clip.captured.as_deref().and_then(crate::intake::date::instant);
    reports.sort_by(|a, b| (filmed(a), &a.clip.id).cmp(&(filmed(b), &b.clip.id)));
    Ok(reports)
}

fn marked_of(store: &Store, owner: &str) -> Result<Vec<Marked>> {
    Ok(store.marked()?.into_iter().filter(|m| m.owner == owner).collect())
}

fn put(path: PathBuf, bytes: &[u8], done: &mut Exported) -> Result<()> {
    if let Some(folder) = path.parent() {
        std::fs::create_dir_all(folder).map_err(Error::file(folder))?;
    }
    place::write(&path, bytes)?;
    done.files.push(path);
    Ok(())
}

/// Thousandths of a pixel are finer than anything seen.
fn rounded(v: f64) -> f64 {
    (v * 1000.0).round() / 1000.0
}

/// A point of another body model, made of ours: place in pixels, and 0..1 how surely it is visible.
fn point(look: &Look, of: Source) -> Option<([f64; 2], f64)> {
    let sure = |k: Keypoint| f64::from(look.points[k as usize].visibility);
    match of {
        Source::One(k) => Some((look.at(k), sure(k))),
        Source::Middle(a, b) => Some((look.mid(a, b), sure(a).min(sure(b)))),
        Source::None => None,
    }
}

/// Where a point of another body model comes from.
#[derive(Debug, Clone, Copy)]
enum Source {
    One(Keypoint),
    Middle(Keypoint, Keypoint),
    /// Our model has no such point.
    None,
}

/// Looks with their frames and times.
fn each(looks: &Looks) -> impl Iterator<Item = (usize, f64, &Look)> {
    looks.frames.iter().zip(&looks.times).zip(&looks.looks).map(|((f, t), l)| (*f, *t, l))
}
