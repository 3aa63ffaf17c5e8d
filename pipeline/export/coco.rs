//! COCO key points, one document: pictures, a person in each, and the category that names the points.
//!
//! Source: "Data format" of the COCO data set, sections "Annotations" and "Keypoint Detection"
//! (cocodataset.org, format-data): keypoints is [x, y, v] × 17, v = 0 not labelled (x = y = 0), 1 labelled but not visible,
//! 2 labelled and visible; num_keypoints counts v > 0. Names and skeleton: category 1 of person_keypoints_val2017.json.

use super::{Source, each, point, rounded};
use crate::error::{Error, Result};
use crate::judge::ENGINE;
use crate::seen::Seen;
use crate::seen::keypoints::{Keypoint, Look};
use serde::Serialize;

const POINTS: [(&str, Keypoint); 17] = [
    ("nose", Keypoint::Nose),
    ("left_eye", Keypoint::LeftEye),
    ("right_eye", Keypoint::RightEye),
    ("left_ear", Keypoint::LeftEar),
    ("right_ear", Keypoint::RightEar),
    ("left_shoulder", Keypoint::LeftShoulder),
    ("right_shoulder", Keypoint::RightShoulder),
    ("left_elbow", Keypoint::LeftElbow),
    ("right_elbow", Keypoint::RightElbow),
    ("left_wrist", Keypoint::LeftWrist),
    ("right_wrist", Keypoint::RightWrist),
    ("left_hip", Keypoint::LeftHip),
    ("right_hip", Keypoint::RightHip),
    ("left_knee", Keypoint::LeftKnee),
    ("right_knee", Keypoint::RightKnee),
    ("left_ankle", Keypoint::LeftAnkle),
    ("right_ankle", Keypoint::RightAnkle),
];

/// Pairs of points by place in the list, from 1.
const SKELETON: [[u8; 2]; 19] = [
    [16, 14],
    [14, 12],
    [17, 15],
    [15, 13],
    [12, 13],
    [6, 12],
    [7, 13],
    [6, 7],
    [6, 8],
    [7, 9],
    [8, 10],
    [9, 11],
    [2, 3],
    [1, 2],
    [1, 3],
    [2, 4],
    [3, 5],
    [4, 6],
    [5, 7],
];

const VISIBLE: f64 = 0.5;

#[derive(Serialize)]
struct Picture {
    id: usize,
    width: u32,
    height: u32,
    file_name: String,
}

#[derive(Serialize)]
struct Annotation {
    id: usize,
    image_id: usize,
    category_id: u8,
    /// x, y, v of each point.
    keypoints: Vec<f64>,
    num_keypoints: usize,
    /// Left, top, width, height of the labelled points.
    bbox: [f64; 4],
    /// Of that box: the outline is not exported.
    area: f64,
    iscrowd: u8,
    segmentation: [[f64; 0]; 0],
}

/// A document that grows clip by clip.
#[derive(Default)]
pub struct Document {
    images: Vec<Picture>,
    annotations: Vec<Annotation>,
}

impl Document {
    /// Adds every picture of the measuring pass, by the name `<clip id>/<frame, 6 digits>.png`.
    pub fn add(&mut self, clip: &str, seen: &Seen) {
        for (frame, _, look) in each(&seen.body) {
            let id = self.images.len() + 1;
            let (width, height) = (seen.about.width, seen.about.height);
            self.images.push(Picture { id, width, height, file_name: format!("{clip}/{frame:06}.png") });
            self.annotations.push(annotation(id, look, f64::from(width), f64::from(height)));
        }
    }

    /// The document as JSON.
    pub fn to_json(&self) -> Result<String> {
        let names: Vec<&str> = POINTS.iter().map(|(n, _)| *n).collect();
        let document = serde_json::json!({
            "info": {
                "description": "Seen by dawnsheet. File names are clip id and frame (from 0) of the upright footage: ffmpeg -i CLIP -fps_mode passthrough -start_number 0 ID/%06d.png",
                "version": ENGINE,
            },
            "licenses": [],
            "images": self.images,
            "annotations": self.annotations,
            "categories": [{ "id": 1, "name": "person", "supercategory": "person", "keypoints": names, "skeleton": SKELETON }],
        });
        serde_json::to_string(&document).map_err(|e| Error::Internal(e.to_string()))
    }
}

fn annotation(id: usize, look: &Look, width: f64, height: f64) -> Annotation {
    let mut keypoints = Vec::with_capacity(3 * POINTS.len());
    let (mut low, mut high) = ([f64::INFINITY; 2], [f64::NEG_INFINITY; 2]);
    let mut labelled = 0;
    for (_, k) in POINTS {
        let found = point(look, Source::One(k));
        // pixel centres at whole numbers: the picture ends half a pixel beyond the outermost
        let inside = |p: &[f64; 2]| p[0] >= -0.5 && p[1] >= -0.5 && p[0] <= width - 0.5 && p[1] <= height - 0.5;
        let Some((p, sure)) = found.filter(|(p, _)| inside(p)) else {
            keypoints.extend([0.0, 0.0, 0.0]);
            continue;
        };
        keypoints.extend([rounded(p[0]), rounded(p[1]), if sure >= VISIBLE { 2.0 } else { 1.0 }]);
        labelled += 1;
        for c in 0..2 {
            low[c] = low[c].min(p[c]);
            high[c] = high[c].max(p[c]);
        }
    }
    let bbox = if labelled > 0 { [low[0], low[1], high[0] - low[0], high[1] - low[1]].map(rounded) } else { [0.0; 4] };
    Annotation {
        id,
        image_id: id,
        category_id: 1,
        keypoints,
        num_keypoints: labelled,
        area: rounded(bbox[2] * bbox[3]),
        bbox,
        iscrowd: 0,
        segmentation: [],
    }
}
