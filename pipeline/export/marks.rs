//! What the coach marked by hand, every time as it was: points as COCO key points (`coco.rs` has the source) of a category of their own,
//! or the values as a table.

use super::{moments, rounded};
use crate::error::{Error, Result};
use crate::history::marked::{Kind, Marked};
use crate::history::trend::csv_field;
use crate::judge::ENGINE;
use crate::measure::names;
use crate::report::Report;
use crate::ruler::values::MARK_SD_PX;
use crate::ruler::{ByHand, Marks, Place};
use serde_json::json;
use std::collections::BTreeMap;

fn read<T: serde::de::DeserializeOwned>(text: &str) -> Result<T> {
    serde_json::from_str(text).map_err(|e| Error::Internal(format!("stored marks are broken: {e}")))
}

fn code(value: &impl serde::Serialize) -> String {
    serde_json::to_value(value).ok().and_then(|v| v.as_str().map(String::from)).unwrap_or_default()
}

/// Marks of these clips with their reports, oldest first; draws are none.
fn of<'a>(reports: &'a [Report], marked: &'a [Marked]) -> impl Iterator<Item = (&'a Report, &'a Marked)> {
    let made = marked.iter().filter(|m| matches!(m.kind, Kind::Marked | Kind::Again));
    made.filter_map(|m| Some((reports.iter().find(|r| r.clip.id == m.clip)?, m)))
}

/// How many of these clips are marked.
pub fn clips(reports: &[Report], marked: &[Marked]) -> usize {
    reports.iter().filter(|r| of(std::slice::from_ref(r), marked).next().is_some()).count()
}

/// The moments that are marked, ascending.
fn times<'a>(marks: impl IntoIterator<Item = &'a Marks>) -> Vec<f64> {
    let mut all: Vec<f64> = marks.into_iter().flat_map(|m| m.values().map(|p| p.time)).collect();
    all.sort_by(f64::total_cmp);
    all.dedup();
    all
}

/// The pictures that [`coco`] names: of each clip the moments, ascending.
pub fn pictures<'a>(reports: &'a [Report], marked: &[Marked]) -> Result<Vec<(&'a Report, Vec<f64>)>> {
    let one = |report: &'a Report| {
        let marks = of(std::slice::from_ref(report), marked).map(|(_, m)| read(&m.marks)).collect::<Result<Vec<Marks>>>()?;
        Ok((report, times(&marks)))
    };
    Ok(reports.iter().map(one).collect::<Result<Vec<_>>>()?.into_iter().filter(|(_, times)| !times.is_empty()).collect())
}

/// One line a value. The interval goes by a mark's assumed error.
pub fn table(reports: &[Report], marked: &[Marked]) -> Result<String> {
    let mut all = String::from("clip,made_at,kind,quantity,value,unit,low,high\n");
    for (report, m) in of(reports, marked) {
        let values: BTreeMap<String, ByHand> = read(&m.by_hand)?;
        for (name, v) in values {
            let unit = names::find(&name).map_or("", |n| n.unit);
            let (low, high) = v.interval(MARK_SD_PX);
            let [value, low, high] = [v.value, low, high].map(rounded);
            all.push_str(&format!("{},{},{},{name},{value},{},{low},{high}\n", report.clip.id, m.made_at, code(&m.kind), csv_field(unit)));
        }
    }
    Ok(all)
}

/// One picture for each moment that was marked, by the name `<clip id>/<seconds>s.png`, and its points; a point that is not in it has
/// v = 0.
pub fn coco(reports: &[Report], marked: &[Marked]) -> Result<String> {
    let (mut images, mut annotations) = (Vec::new(), Vec::new());
    for (report, m) in of(reports, marked) {
        let marks: Marks = read(&m.marks)?;
        let (width, height) = report.video.as_ref().map_or((0, 0), |v| (v.width, v.height));
        for time in times([&marks]) {
            let id = images.len() + 1;
            let here = |p: &Place| marks.get(p).filter(|m| m.time == time);
            let points: Vec<[f64; 2]> = Place::ALL.iter().filter_map(here).map(|m| [m.x, m.y]).collect();
            let end = |f: fn(f64, f64) -> f64, axis: usize| points.iter().map(|p| p[axis]).reduce(f).unwrap_or_default();
            let (left, top) = (end(f64::min, 0), end(f64::min, 1));
            let bbox = [left, top, end(f64::max, 0) - left, end(f64::max, 1) - top].map(rounded);
            let keypoints: Vec<f64> =
                Place::ALL.iter().flat_map(|p| here(p).map_or([0.0; 3], |m| [rounded(m.x), rounded(m.y), 2.0])).collect();
            images.push(
                json!({ "id": id, "width": width, "height": height, "file_name": format!("{}/{}", report.clip.id, moments::name(time)) }),
            );
            annotations.push(json!({
                "id": id, "image_id": id, "category_id": 1, "keypoints": keypoints, "num_keypoints": points.len(), "bbox": bbox,
                "area": rounded(bbox[2] * bbox[3]), "iscrowd": 0, "segmentation": [], "kind": code(&m.kind), "made_at": m.made_at,
            }));
        }
    }
    let names: Vec<String> = Place::ALL.iter().map(code).collect();
    let document = json!({
        "info": { "description": "Marked by hand at dawnsheet's desk. File names are clip id and seconds of the upright footage.", "version": ENGINE },
        "licenses": [], "images": images, "annotations": annotations,
        "categories": [{ "id": 1, "name": "golfer", "supercategory": "person", "keypoints": names, "skeleton": [] }],
    });
    serde_json::to_string(&document).map_err(|e| Error::Internal(e.to_string()))
}
