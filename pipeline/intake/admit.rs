//! Is this file allowed to be opened at all? Size and magic bytes first; then its content hash.

use crate::pose::models::hex;
use crate::report::{Reason, ReasonCode};
use crate::settings::Settings;
use sha2::{Digest, Sha256};
use std::fs::{File, symlink_metadata};
use std::io::Read;
use std::path::Path;

/// A file that may be opened.
#[derive(Debug, Clone, PartialEq)]
pub struct Admitted {
    pub bytes: u64,
    pub sha256: String,
}

/// Brands of the ISO container that are still pictures, not footage.
const PICTURE_BRANDS: [&[u8]; 6] = [b"heic", b"heix", b"mif1", b"msf1", b"avif", b"avis"];

/// Whether the first bytes are those of a known video container (ISO/QuickTime, Matroska/WebM, AVI).
pub fn is_video(head: &[u8]) -> bool {
    let four = |at: usize| head.get(at..at + 4).unwrap_or(&[]);
    let iso = matches!(four(4), b"ftyp" | b"moov" | b"mdat" | b"free" | b"wide" | b"skip" | b"pnot")
        && !(four(4) == b"ftyp" && PICTURE_BRANDS.contains(&four(8)));
    iso || four(0) == [0x1A, 0x45, 0xDF, 0xA3] || (four(0) == b"RIFF" && four(8) == b"AVI ")
}

/// What a file that is no film is instead, by its first bytes.
fn looks_like(head: &[u8]) -> &'static str {
    let begins = |with: &[u8]| head.starts_with(with);
    let text = || !head.iter().any(|b| *b < 9 || (14..32).contains(b));
    let known: [(&[&[u8]], &str); 4] = [
        (&[b"\xFF\xD8\xFF", b"\x89PNG", b"GIF8", b"BM"], "it is a picture"),
        (&[b"%PDF", b"{\\rtf", b"\xD0\xCF\x11\xE0"], "it is a document"),
        (&[b"PK\x03\x04", b"Rar!", b"7z\xBC\xAF", b"\x1F\x8B"], "it is packed, a zip file or a document"),
        (&[b"ID3", b"OggS", b"fLaC", b"\xFF\xFB"], "it is sound without pictures"),
    ];
    if let Some((_, what)) = known.iter().find(|(starts, _)| starts.iter().any(|s| begins(s))) {
        return what;
    }
    match (head.get(4..8), head.get(8..12)) {
        (Some(b"ftyp"), Some(brand)) if PICTURE_BRANDS.contains(&brand) => "it is a picture",
        (_, Some(b"WAVE")) if begins(b"RIFF") => "it is sound without pictures",
        (_, Some(b"WEBP")) if begins(b"RIFF") => "it is a picture",
        _ if text() => "it is text, perhaps a link to the film",
        _ => "what it is cannot be told",
    }
}

/// Checks the file and hashes it. Links, pipes and devices are refused; nothing is decoded.
pub fn admit(path: &Path, settings: &Settings) -> Result<Admitted, Reason> {
    let about = symlink_metadata(path).map_err(|e| ReasonCode::Unreadable.because(e))?;
    if !about.is_file() {
        return Err(ReasonCode::NotAllowed.reason());
    }
    admit_from(about.len(), || File::open(path), settings)
}

/// As [`admit`], of what lies anywhere: `bytes` long, opened only where that is within the cap. It is read once, not kept.
pub fn admit_from<R: Read>(bytes: u64, open: impl FnOnce() -> std::io::Result<R>, settings: &Settings) -> Result<Admitted, Reason> {
    let cap = settings.intake.max_megabytes;
    if bytes as f64 > cap * 1e6 {
        return Err(ReasonCode::TooLarge.because(format!("{:.0} MB, cap {cap:.0} MB", bytes as f64 / 1e6)));
    }
    if bytes == 0 {
        return Err(ReasonCode::NotAVideo.because("the file is empty"));
    }
    let unreadable = |e: std::io::Error| ReasonCode::Unreadable.because(e);
    let mut reader = open().map_err(unreadable)?;
    let mut head = Vec::new();
    reader.by_ref().take(16).read_to_end(&mut head).map_err(unreadable)?;
    if !is_video(&head) {
        return Err(ReasonCode::NotAVideo.because(looks_like(&head)));
    }
    let mut hash = Sha256::new_with_prefix(&head);
    let rest = std::io::copy(&mut reader, &mut hash).map_err(unreadable)?;
    Ok(Admitted { bytes: head.len() as u64 + rest, sha256: hex(&hash.finalize()) })
}

/// An id for a file that could not be hashed, from its path below the inbox: it needs a report too.
pub fn placeholder_sha256(file: &str) -> String {
    hex(&Sha256::digest(format!("path:{file}")))
}

#[cfg(test)]
mod tests {
    use super::{is_video, looks_like};

    #[test]
    fn what_a_file_is_instead_is_told() {
        for (head, what) in [
            (&b"\x89PNG\r\n\x1a\n\0\0\0\0"[..], "picture"),
            (b"\0\0\0\x18ftypheic\0\0\0\0", "picture"),
            (b"\xFF\xD8\xFF\xE0\0\x10JFIF", "picture"),
            (b"%PDF-1.7\n", "document"),
            (b"PK\x03\x04\0\0\0\0", "packed"),
            (b"RIFF\0\0\0\0WAVEfmt ", "sound"),
            (b"ID3\x04\0\0", "sound"),
            (b"https://example", "text"),
            ("Schläger: Eisen".as_bytes(), "text"),
            (b"\x01\x02\x03\x04\x05\x06\x07\x08\x09", "cannot be told"),
        ] {
            assert!(looks_like(head).contains(what), "{head:?}: {}", looks_like(head));
        }
    }

    #[test]
    fn containers_are_told_from_disguises() {
        assert!(is_video(b"\0\0\0\x18ftypmp42\0\0\0\0"));
        assert!(is_video(&[0x1A, 0x45, 0xDF, 0xA3, 0, 0, 0, 0, 0, 0, 0, 0]));
        assert!(is_video(b"RIFF\0\0\0\0AVI LIST"));
        for disguise in [
            &b"#EXTM3U\n#EXT-X-VE"[..],
            b"ffconcat version",
            b"\0\0\0\x18ftypheic\0\0\0\0",
            b"\x89PNG\r\n\x1a\n\0\0\0\0",
            b"PK\x03\x04\0\0\0\0",
            b"<svg xmlns=",
            b"",
            b"RIFF\0\0\0\0WAVEfmt ",
        ] {
            assert!(!is_video(disguise), "{disguise:?}");
        }
    }
}
