//! The person detector: whole picture in, people out (rules of the MediaPipe pose_detection graph, Apache-2.0).

use super::crop::crop;
use super::logistic::sigmoid;
use super::runtime::session;
use crate::error::{Error, Result};
use crate::seen::Region;
use ndarray::Array4;
use opencv::core::{BORDER_CONSTANT, Mat, MatTraitConst, MatTraitConstManual, Vec3b};
use ort::{environment::Environment, session::Session, value::TensorRef};
use std::path::Path;
use std::time::Instant;

const SIDE: usize = 224;
const MIN_SCORE: f64 = 0.5;
const MAX_OVERLAP: f64 = 0.3;

/// A person found in a picture.
#[derive(Debug, Clone, PartialEq)]
pub struct Detection {
    /// Probability 0..1.
    pub score: f64,
    /// Left, top, right, bottom, pixels: the model's box (about the head and shoulders).
    pub face_box: [f64; 4],
    /// Mid-hip, pixels.
    pub centre: [f64; 2],
    /// The point that gives the body's size and rotation, pixels.
    pub scale: [f64; 2],
}

impl Detection {
    /// Region for the landmark model.
    pub fn region(&self) -> Region {
        Region::from_body(self.centre, self.scale)
    }
}

/// Detector with its session and input buffer.
pub struct Detector {
    session: Session,
    input: Array4<f32>,
    anchors: Vec<[f64; 2]>,
    spent: f64,
}

impl Detector {
    /// Loads the model file.
    pub fn load(environment: &Environment, path: &Path) -> Result<Detector> {
        Ok(Detector { session: session(environment, path)?, input: Array4::zeros((1, SIDE, SIDE, 3)), anchors: anchors(), spent: 0.0 })
    }

    /// Seconds spent in the model so far.
    pub fn spent(&self) -> f64 {
        self.spent
    }

    /// People in `picture` (BGR), best first.
    pub fn detect(&mut self, picture: &Mat) -> Result<Vec<Detection>> {
        let (width, height) = (f64::from(picture.cols()), f64::from(picture.rows()));
        let letterbox = Region::letterbox(width, height);
        let small = crop(&letterbox, picture, SIDE as i32, BORDER_CONSTANT).map_err(Error::opencv)?;
        let pixels = small.data_typed::<Vec3b>().map_err(Error::opencv)?;
        let target = self.input.as_slice_mut().expect("invariant: standard layout");
        for (out, px) in target.chunks_exact_mut(3).zip(pixels) {
            for c in 0..3 {
                out[c] = f32::from(px[2 - c]) / 127.5 - 1.0;
            }
        }
        let tensor = TensorRef::from_array_view(self.input.view()).map_err(Error::inference)?;
        let clock = Instant::now();
        let outputs = self.session.run(ort::inputs!["image" => tensor]).map_err(Error::inference)?;
        self.spent += clock.elapsed().as_secs_f64();
        let (_, boxes) = outputs["boxes"].try_extract_tensor::<f32>().map_err(Error::inference)?;
        let (_, scores) = outputs["scores"].try_extract_tensor::<f32>().map_err(Error::inference)?;
        let found = decode(boxes, scores, &self.anchors);
        let place = |p: [f64; 2]| letterbox.to_picture(p[0], p[1]);
        Ok(found
            .into_iter()
            .map(|d| {
                let (a, b) = (place([d.face_box[0], d.face_box[1]]), place([d.face_box[2], d.face_box[3]]));
                Detection { score: d.score, face_box: [a[0], a[1], b[0], b[1]], centre: place(d.centre), scale: place(d.scale) }
            })
            .collect())
    }
}

/// Anchor centres in shares of the input square: strides 8, 16, 32 (three layers merged), 2254 in all.
pub fn anchors() -> Vec<[f64; 2]> {
    let mut all = Vec::with_capacity(2254);
    for (cells, each) in [(28, 2), (14, 2), (7, 6)] {
        for y in 0..cells {
            for x in 0..cells {
                let centre = [(x as f64 + 0.5) / cells as f64, (y as f64 + 0.5) / cells as f64];
                all.extend(std::iter::repeat_n(centre, each));
            }
        }
    }
    all
}

/// Decodes the raw tensors: `boxes` [anchor, 12], `scores` [anchor] logits; results in shares of the input square,
/// merged by score-weighted non-maximum suppression, best first.
pub fn decode(boxes: &[f32], scores: &[f32], anchors: &[[f64; 2]]) -> Vec<Detection> {
    let side = SIDE as f64;
    let mut raw: Vec<Detection> = Vec::new();
    for (i, anchor) in anchors.iter().enumerate() {
        let score = sigmoid(f64::from(scores[i]).clamp(-100.0, 100.0));
        if score < MIN_SCORE {
            continue;
        }
        let b: Vec<f64> = boxes[i * 12..i * 12 + 12].iter().map(|&v| f64::from(v) / side).collect();
        let (cx, cy) = (b[0] + anchor[0], b[1] + anchor[1]);
        raw.push(Detection {
            score,
            face_box: [cx - b[2] / 2.0, cy - b[3] / 2.0, cx + b[2] / 2.0, cy + b[3] / 2.0],
            centre: [b[4] + anchor[0], b[5] + anchor[1]],
            scale: [b[6] + anchor[0], b[7] + anchor[1]],
        });
    }
    raw.sort_by(|a, b| b.score.total_cmp(&a.score));
    let mut merged = Vec::new();
    while let Some(best) = raw.first().cloned() {
        let (group, rest): (Vec<_>, Vec<_>) = raw.into_iter().partition(|d| overlap(&best.face_box, &d.face_box) > MAX_OVERLAP);
        let group = if group.is_empty() { vec![best.clone()] } else { group };
        let total: f64 = group.iter().map(|d| d.score).sum();
        let mean = |f: &dyn Fn(&Detection) -> f64| group.iter().map(|d| f(d) * d.score).sum::<f64>() / total;
        merged.push(Detection {
            score: best.score,
            face_box: [mean(&|d| d.face_box[0]), mean(&|d| d.face_box[1]), mean(&|d| d.face_box[2]), mean(&|d| d.face_box[3])],
            centre: [mean(&|d| d.centre[0]), mean(&|d| d.centre[1])],
            scale: [mean(&|d| d.scale[0]), mean(&|d| d.scale[1])],
        });
        raw = rest.into_iter().filter(|d| *d != best).collect();
    }
    merged
}

/// Intersection over union of two boxes (left, top, right, bottom).
fn overlap(a: &[f64; 4], b: &[f64; 4]) -> f64 {
    let width = (a[2].min(b[2]) - a[0].max(b[0])).max(0.0);
    let height = (a[3].min(b[3]) - a[1].max(b[1])).max(0.0);
    let shared = width * height;
    let area = |r: &[f64; 4]| (r[2] - r[0]) * (r[3] - r[1]);
    shared / (area(a) + area(b) - shared)
}
