//! What the models saw of a clip, kept on disk (compressed numpy arrays) so that a change of limits or of measurement
//! code judges again without touching a video.

mod checked;
pub mod keypoints;
mod outline;
pub mod region;

pub use keypoints::{Keypoint, Look, POINTS, Point};
pub use outline::{LOGIT_STEP, Outline};
pub use region::Region;

use crate::error::{Error, Result};
use crate::report::types::ModelChoice;
use checked::Arrays;
use ndarray::{Array1, Array2, Array3, Array4, Axis};
use ndarray_npy::NpzWriter;
use serde::{Deserialize, Serialize};
use std::fs::File;
use std::io::{Cursor, Write};
use std::path::Path;

fn square() -> f64 {
    1.0
}

/// Facts about the footage and the people in it that are not arrays.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct About {
    /// Of the upright picture.
    pub width: u32,
    pub height: u32,
    pub rotation_deg: u32,
    /// Of that, what no container asked for: people lay on their side, degrees clockwise.
    #[serde(default)]
    pub turned_by_sight: u32,
    /// The container asks for a picture with left and right exchanged.
    #[serde(default)]
    pub mirrored_by_container: bool,
    /// Width ÷ height of a coded pixel; the upright picture's are square.
    #[serde(default = "square")]
    pub pixel_aspect: f64,
    pub frames: usize,
    pub frames_expected: usize,
    pub duration_s: f64,
    pub interval_min_s: f64,
    pub interval_median_s: f64,
    pub interval_max_s: f64,
    /// Pictures that were decoded but are none of the index.
    #[serde(default)]
    pub unlisted: usize,
    /// Stretches of clip time whose pictures are lost or may be smeared, seconds.
    #[serde(default)]
    pub torn: Vec<[f64; 2]>,
    /// Lines of complaint by the decoder.
    #[serde(default)]
    pub decoder_complaints: usize,
    /// How the process that looked was confined, in words.
    #[serde(default)]
    pub worker: String,
    /// Id of the landmark model that scouted.
    #[serde(default)]
    pub scouted_by: String,
    /// Creation time by the container, as written there.
    pub created: Option<String>,
    pub people_seen: usize,
    pub chosen_because: String,
    pub person_doubtful: bool,
    /// Share of the scout's looks in which the golfer was seen.
    pub person_share: f64,
    /// Balls that left, in time order.
    #[serde(default)]
    pub balls: Vec<Ball>,
    /// What stirred before each swing, in time order.
    #[serde(default)]
    pub stirs: Vec<Stir>,
    /// What was heard; `None` where the clip has no sound.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sound: Option<Sound>,
    /// What looked at it; earlier versions did not write it down.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub seen_by: Option<SeenBy>,
}

/// A ball that lay on the ground and was struck.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Ball {
    /// Middle, pixels of the upright picture of the reference frame (camera motion removed).
    pub x: f64,
    pub y: f64,
    /// Diameter, pixels.
    pub width: f64,
    /// Last time at which it was seen there, and the next at which it was gone; seconds of clip time.
    pub there: f64,
    pub gone: f64,
    /// When other swings of the clip had passed it and it still lay there; seconds of clip time.
    #[serde(default)]
    pub stayed: Vec<f64>,
}

/// What was heard of a clip.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Sound {
    /// Sampling rate, Hz.
    pub rate_hz: u32,
    /// How long after the clip's begin it ends, seconds; 0 where nobody looked.
    #[serde(default)]
    pub seconds: f64,
    /// Short sharp sounds, in time order.
    pub clicks: Vec<Click>,
    /// Seconds from one level to the next, the first at the clip's begin.
    pub level_step_s: f64,
    /// Decibels below full scale above 1 kHz; empty for a long clip.
    pub level_db: Vec<i8>,
}

impl Sound {
    /// As it lies beside pictures that are slowed by this much, where it is not.
    pub fn slowed(&self, by: f64) -> Sound {
        let clicks = self.clicks.iter().map(|c| Click { time: c.time * by, ..*c }).collect();
        Sound { clicks, level_step_s: self.level_step_s * by, ..self.clone() }
    }
}

/// A short sharp sound.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct Click {
    /// Where it begins, seconds of clip time.
    pub time: f64,
    /// How loud it is, decibels below full scale, its two bands together; 0 where nobody looked.
    #[serde(default)]
    pub level_db: f64,
    /// How much louder it is than what was heard before it, decibels.
    pub rise_db: f64,
}

/// How far the pictures about hands and club have left the still ones before a swing.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Stir {
    /// Seconds of clip time, ascending.
    pub times: Vec<f64>,
    /// Grey levels summed over the changed part, in squared leg lengths.
    pub changed: Vec<f64>,
}

/// What looked at a clip.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SeenBy {
    pub choice: ModelChoice,
    /// One hash for all models of that choice.
    pub model_sha256: String,
    /// Version of the program.
    pub engine: String,
}

/// Shift (pixels) and turn (degrees, clockwise) of the picture against the reference.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Shift {
    pub dx: f64,
    pub dy: f64,
    pub turn_deg: f64,
}

/// Looks at the golfer in time order.
#[derive(Debug, Clone, Default)]
pub struct Looks {
    pub frames: Vec<usize>,
    /// Seconds of clip time.
    pub times: Vec<f64>,
    pub looks: Vec<Look>,
}

impl Looks {
    /// Adds a look.
    pub fn push(&mut self, frame: usize, time: f64, look: Look) {
        self.frames.push(frame);
        self.times.push(time);
        self.looks.push(look);
    }
}

/// The several close looks at one frame's arms.
#[derive(Debug, Clone)]
pub struct ArmLooks {
    pub frame: usize,
    pub looks: Vec<Look>,
}

/// All that was seen.
#[derive(Debug, Clone, Default)]
pub struct Seen {
    pub about: About,
    /// Coarse looks over the whole clip.
    pub scout: Looks,
    /// Looks of the measuring pass, dense enough for the moments: within each swing, one smoothed region.
    pub body: Looks,
    /// The best model's looks at the frames whose places are measured: address, backswing, top, impact. All of them are
    /// frames of `body`.
    pub key: Looks,
    /// Camera shift at each of `body`'s frames.
    pub camera: Vec<Shift>,
    /// Outlines by frame.
    pub outlines: Vec<(usize, Outline)>,
    pub arms: Vec<ArmLooks>,
}

/// x, y, z, visibility, presence, flag.
const CHANNELS: usize = 6;

fn points_array(looks: &[Look]) -> Array3<f32> {
    let mut a = Array3::zeros((looks.len(), POINTS, CHANNELS));
    for (i, look) in looks.iter().enumerate() {
        for (k, p) in look.points.iter().enumerate() {
            for (c, v) in [p.x, p.y, p.z, p.visibility, p.presence, look.flag].into_iter().enumerate() {
                a[[i, k, c]] = v;
            }
        }
    }
    a
}

fn looks_of(a: &Array3<f32>) -> Vec<Look> {
    a.axis_iter(Axis(0))
        .map(|look| {
            let mut points = [Point::default(); POINTS];
            for (k, p) in points.iter_mut().enumerate() {
                *p = Point { x: look[[k, 0]], y: look[[k, 1]], z: look[[k, 2]], visibility: look[[k, 3]], presence: look[[k, 4]] };
            }
            Look { flag: look[[0, 5]], points }
        })
        .collect()
}

fn whole(frames: &[usize]) -> Array1<u32> {
    frames.iter().map(|&f| f as u32).collect()
}

impl Seen {
    /// Writes the arrays: `about` (JSON bytes), `scout_*`, `body_*` and `key_*` (frames, times [look], points [look, keypoint,
    /// (x, y, z, visibility, presence, flag)]), `camera` [look, (dx, dy, turn)], `outline_*` (frames, regions [n, (cx, cy,
    /// size, rotation)], logits [n, row, column] in steps), `arm_frames` [n], `arm_points` [n, look, keypoint, 6].
    pub fn write(&self, path: &Path) -> Result<()> {
        let mut npz = NpzWriter::new_compressed(Cursor::new(Vec::new()));
        let fail = |e: ndarray_npy::WriteNpzError| Error::Internal(format!("{}: {e}", path.display()));
        let about = serde_json::to_vec(&self.about).map_err(|e| Error::Internal(e.to_string()))?;
        npz.add_array("about", &Array1::from(about)).map_err(fail)?;
        for (name, looks) in [("scout", &self.scout), ("body", &self.body), ("key", &self.key)] {
            npz.add_array(format!("{name}_frames"), &whole(&looks.frames)).map_err(fail)?;
            npz.add_array(format!("{name}_times"), &Array1::from(looks.times.clone())).map_err(fail)?;
            npz.add_array(format!("{name}_points"), &points_array(&looks.looks)).map_err(fail)?;
        }
        let camera = Array2::from_shape_fn((self.camera.len(), 3), |(i, c)| {
            let s = self.camera[i];
            [s.dx, s.dy, s.turn_deg][c]
        });
        npz.add_array("camera", &camera).map_err(fail)?;
        let frames: Vec<usize> = self.outlines.iter().map(|(f, _)| *f).collect();
        npz.add_array("outline_frames", &whole(&frames)).map_err(fail)?;
        let regions = Array2::from_shape_fn((self.outlines.len(), 4), |(i, c)| {
            let r = self.outlines[i].1.region;
            [r.cx, r.cy, r.size, r.rotation][c]
        });
        npz.add_array("outline_regions", &regions).map_err(fail)?;
        let side = self.outlines.first().map_or(0, |(_, o)| o.logits.nrows());
        let logits = Array3::from_shape_fn((self.outlines.len(), side, side), |(i, r, c)| self.outlines[i].1.logits[[r, c]]);
        npz.add_array("outline_logits", &logits).map_err(fail)?;
        let arm_frames: Vec<usize> = self.arms.iter().map(|a| a.frame).collect();
        npz.add_array("arm_frames", &whole(&arm_frames)).map_err(fail)?;
        let each = self.arms.first().map_or(0, |a| a.looks.len());
        let mut arm_points = Array4::zeros((self.arms.len(), each, POINTS, CHANNELS));
        for (i, arm) in self.arms.iter().enumerate() {
            arm_points.index_axis_mut(Axis(0), i).assign(&points_array(&arm.looks));
        }
        npz.add_array("arm_points", &arm_points).map_err(fail)?;
        let bytes = npz.finish().map_err(fail)?.into_inner();
        let mut file = File::create(path).map_err(Error::file(path))?;
        file.write_all(&bytes).and_then(|()| file.sync_all()).map_err(Error::file(path))
    }

    /// The measuring pass with the best model's looks put in where there are any: what the moments are read from.
    pub fn best(&self) -> Looks {
        let mut best = self.body.clone();
        for (frame, look) in self.key.frames.iter().zip(&self.key.looks) {
            if let Ok(i) = best.frames.binary_search(frame) {
                best.looks[i] = look.clone();
            }
        }
        best
    }

    /// Camera shift at a frame of the measuring pass; none elsewhere.
    pub fn shift_at(&self, frame: usize) -> Shift {
        self.body.frames.binary_search(&frame).map_or(Shift::default(), |i| self.camera[i])
    }

    /// Reads what [`Seen::write`] wrote, here or elsewhere: shapes, sizes and ranges are checked, so that no reader has to. Error:
    /// the file and what is wrong with it.
    pub fn read(path: &Path) -> Result<Seen> {
        let mut arrays = Arrays::open(path)?;
        let bad = |what: String| checked::wrong(path, what);
        let about: Array1<u8> = arrays.read("about")?;
        let about: About = serde_json::from_slice(&about.to_vec()).map_err(|e| bad(format!("'about': {e}")))?;
        checked::about(&about).map_err(bad)?;
        let (scout, body, key) = (looks(&mut arrays, "scout")?, looks(&mut arrays, "body")?, looks(&mut arrays, "key")?);
        let known = key.frames.iter().all(|f| body.frames.binary_search(f).is_ok());
        checked::require(known, || "'key' has frames that 'body' has not".into()).map_err(bad)?;
        let camera: Array2<f64> = arrays.read("camera")?;
        checked::beside("camera", &camera, body.frames.len(), 3).map_err(bad)?;
        let camera = camera.axis_iter(Axis(0)).map(|r| Shift { dx: r[0], dy: r[1], turn_deg: r[2] }).collect();
        let (outlines, arms) = (outlines(&mut arrays, path)?, arms(&mut arrays, path)?);
        Ok(Seen { about, scout, body, key, camera, outlines, arms })
    }
}

fn looks(arrays: &mut Arrays, name: &str) -> Result<Looks> {
    let frames: Array1<u32> = arrays.read(&format!("{name}_frames"))?;
    let times: Array1<f64> = arrays.read(&format!("{name}_times"))?;
    let points: Array3<f32> = arrays.read(&format!("{name}_points"))?;
    let (frames, times) = (numbers(&frames), times.to_vec());
    let good = checked::points(name, &points)
        .and_then(|()| checked::frames(name, &frames, points.len_of(Axis(0)), true))
        .and_then(|()| checked::times(name, &times, frames.len()));
    good.map_err(|what| arrays.wrong(what))?;
    Ok(Looks { frames, times, looks: looks_of(&points) })
}

fn outlines(arrays: &mut Arrays, path: &Path) -> Result<Vec<(usize, Outline)>> {
    let frames: Array1<u32> = arrays.read("outline_frames")?;
    let regions: Array2<f64> = arrays.read("outline_regions")?;
    let logits: Array3<i8> = arrays.read("outline_logits")?;
    let (count, [n, rows, columns]) = (frames.len(), [0, 1, 2].map(|i| logits.len_of(Axis(i))));
    checked::frames("outline", &numbers(&frames), count, false)
        .and_then(|()| checked::beside("outline_regions", &regions, count, 4))
        .and_then(|()| checked::require(regions.column(2).iter().all(|size| *size > 0.0), || "outlines of regions without size".into()))
        .and_then(|()| {
            checked::require(n == count && rows == columns && rows <= OUTLINE_SIDE, || format!("outlines of {n} x {rows} x {columns}"))
        })
        .map_err(|what| checked::wrong(path, what))?;
    let one = |(i, &frame): (usize, &u32)| {
        let region = Region { cx: regions[[i, 0]], cy: regions[[i, 1]], size: regions[[i, 2]], rotation: regions[[i, 3]] };
        (frame as usize, Outline { region, logits: logits.index_axis(Axis(0), i).to_owned() })
    };
    Ok(frames.iter().enumerate().map(one).collect())
}

fn arms(arrays: &mut Arrays, path: &Path) -> Result<Vec<ArmLooks>> {
    let frames: Array1<u32> = arrays.read("arm_frames")?;
    let points: Array4<f32> = arrays.read("arm_points")?;
    checked::points("arm_points", &points)
        .and_then(|()| checked::frames("arm", &numbers(&frames), points.len_of(Axis(0)), false))
        .and_then(|()| checked::require(frames.is_empty() || points.len_of(Axis(1)) > 0, || "arms without a look".into()))
        .map_err(|what| checked::wrong(path, what))?;
    let one = |(i, &frame): (usize, &u32)| ArmLooks { frame: frame as usize, looks: looks_of(&points.index_axis(Axis(0), i).to_owned()) };
    Ok(frames.iter().enumerate().map(one).collect())
}

fn numbers(frames: &Array1<u32>) -> Vec<usize> {
    frames.iter().map(|&f| f as usize).collect()
}

/// Most rows of an outline; the model makes 256.
const OUTLINE_SIDE: usize = 1024;
