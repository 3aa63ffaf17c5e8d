//! High dynamic range against a reference library.

use crate::support::{ffmpeg, fixture};
use crate::video_traps::{folder, picture, read};
use dawnsheet::video::Footage;
use opencv::core::MatTraitConstManual;
use std::path::{Path, PathBuf};

/// A clip as phones film it unasked, in high dynamic range (HEVC, 10 bit): made from one of the usual range by zimg, a reference
/// library, which puts its white where ITU-R BT.2408 wants it. It is told that the usual one is of gamma 2.2 (2.4, that of a screen
/// by BT.1886, has no name there).
fn in_high_range(folder: &Path, clip: &Path, transfer: &str) -> PathBuf {
    let path = folder.join(format!("{transfer}.mov"));
    let filter = format!(
        "setparams=color_primaries=bt709:color_trc=bt470m:colorspace=smpte170m:range=tv,zscale=t=linear,format=gbrpf32le,\
         zscale=t={transfer}:npl=203:p=bt2020:m=bt2020nc:r=tv,format=yuv420p10le"
    );
    let told = ["-color_primaries", "bt2020", "-color_trc", transfer, "-colorspace", "bt2020nc"];
    let mut all = vec!["-i", clip.to_str().unwrap(), "-frames:v", "4", "-an", "-vf", &filter, "-c:v", "libx265", "-crf", "14"];
    all.extend(told);
    all.extend(["-x265-params", "log-level=none", "-tag:v", "hvc1", path.to_str().unwrap()]);
    ffmpeg(&all);
    path
}

#[test]
fn high_dynamic_range_is_shown_as_the_usual_one() {
    let folder = folder();
    let usual = folder.path().join("usual.mp4");
    let fixture = fixture("Jonas Lind/2026-11-24 driver.mp4");
    ffmpeg(&["-i", fixture.to_str().unwrap(), "-frames:v", "4", "-an", "-crf", "14", usual.to_str().unwrap()]);
    let plain = read(&usual);
    let mut wanted = Footage::open(&usual, &plain).unwrap();
    let brighter = |b: &u8| (255.0 * (f64::from(*b) / 255.0).powf(2.2 / 2.4)).round() as u8;
    let wanted: Vec<u8> = picture(&mut wanted, 2).data_bytes().unwrap().iter().map(brighter).collect();
    for transfer in ["arib-std-b67", "smpte2084"] {
        let clip = in_high_range(folder.path(), &usual, transfer);
        let probe = read(&clip);
        let mut footage = Footage::open(&clip, &probe).unwrap();
        let got = picture(&mut footage, 2).data_bytes().unwrap().to_vec();
        let apart: Vec<u8> = got.iter().zip(&wanted).map(|(a, b)| a.abs_diff(*b)).collect();
        let mean = apart.iter().map(|&d| f64::from(d)).sum::<f64>() / apart.len() as f64;
        // left as it is, 11 (HLG) and 13 (PQ)
        assert!(mean < 4.0, "{transfer}: {mean} grey levels apart");
    }
}
