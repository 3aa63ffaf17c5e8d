//! The arithmetic between decoder and models, and everything after them, piece by piece: `cargo bench --bench pieces`.

use criterion::{BenchmarkId, Criterion, criterion_group, criterion_main};
use dawnsheet::intake::Brief;
use dawnsheet::judge::{Identity, judge};
use dawnsheet::pose::crop::landmark_crop;
use dawnsheet::pose::landmarker::{Place, decode};
use dawnsheet::pose::models::{ModelChoice, Models};
use dawnsheet::seen::Region;
use dawnsheet::seen::Seen;
use dawnsheet::seen::keypoints::Keypoint;
use dawnsheet::settings::Settings;
use dawnsheet::swing::read_swings;
use dawnsheet::track::signal::smooth;
use opencv::{core, imgcodecs, imgproc};
use std::hint::black_box;
use std::path::{Path, PathBuf};

/// Hertz; in the range that measuring uses.
const CUT_OFF: f64 = 8.0;

fn repository(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(path)
}

/// Kept key points by name.
fn kept() -> Vec<(String, Seen)> {
    let mut files: Vec<PathBuf> = std::fs::read_dir(repository("fixtures/keypoints")).unwrap().map(|f| f.unwrap().path()).collect();
    files.sort();
    files.iter().map(|f| (f.file_stem().unwrap().to_string_lossy().into_owned(), Seen::read(f).unwrap())).collect()
}

fn region() -> Region {
    Region { cx: 540.0, cy: 960.0, size: 1280.0, rotation: 0.1 }
}

fn crop_of_a_region(c: &mut Criterion) {
    core::set_num_threads(1).unwrap();
    let path = repository("tests/reference/pictures/s030.png");
    let small = imgcodecs::imread(path.to_str().unwrap(), imgcodecs::IMREAD_COLOR).unwrap();
    let mut picture = core::Mat::default(); // 1080 × 1920, as phones film
    imgproc::resize(&small, &mut picture, core::Size::new(1080, 1920), 0.0, 0.0, imgproc::INTER_LINEAR).unwrap();
    c.bench_function("crop of a region", |b| b.iter(|| landmark_crop(&region(), black_box(&picture)).unwrap()));
}

/// Tensors on which every point passes through the heat map: all places in the middle, where the map is high.
fn decode_of_the_landmark_tensors(c: &mut Criterion) {
    let landmarks = [128.0f32, 128.0, 0.0, 2.0, 2.0].repeat(39);
    let heat = vec![1.0f32; 64 * 64 * 39];
    c.bench_function("decode of the landmark tensors", |b| {
        b.iter(|| decode(black_box(&landmarks), 1.0, black_box(&heat), &region(), Place::ArmPeaks));
    });
}

fn smoothing(c: &mut Criterion) {
    for (name, seen) in kept() {
        let wrist: Vec<f64> = seen.body.looks.iter().map(|l| l.at(Keypoint::LeftWrist)[0]).collect();
        c.bench_with_input(BenchmarkId::new("smoothing of one coordinate", name), &wrist, |b, wrist| {
            b.iter(|| smooth(black_box(&seen.body.times), wrist, CUT_OFF));
        });
    }
}

fn events_of_a_swing(c: &mut Criterion) {
    for (name, seen) in kept() {
        c.bench_with_input(BenchmarkId::new("events of a clip's swings", name), &seen, |b, seen| b.iter(|| read_swings(seen, 175.0, None)));
    }
}

fn judging_a_clip(c: &mut Criterion) {
    let (models, settings) = (Models::locate(), Settings::default());
    let identity = Identity { sha256: "0".repeat(64), bytes: 1, brief: Brief::default() };
    for (name, seen) in kept() {
        c.bench_with_input(BenchmarkId::new("judging a clip", name), &seen, |b, seen| {
            b.iter(|| judge(seen, &identity, ModelChoice::Accurate, &models, &settings));
        });
    }
}

criterion_group!(pieces, crop_of_a_region, decode_of_the_landmark_tensors, smoothing, events_of_a_swing, judging_a_clip);
criterion_main!(pieces);
