//! `<clip name>.toml` beside a clip: what the sender or the coach knows about it.

use super::date;
use crate::report::types::Side;
use crate::settings::check_keys;
use serde::Deserialize;
use std::path::{Path, PathBuf};

/// A clip's sidecar; every key may be missing.
#[derive(Debug, Clone, Default, PartialEq, Deserialize)]
pub struct Sidecar {
    pub student: Option<String>,
    pub captured: Option<String>,
    pub club: Option<String>,
    pub lead_side: Option<Side>,
    pub playback_factor: Option<f64>,
    pub note: Option<String>,
}

const KEYS: [&str; 6] = ["student", "captured", "club", "lead_side", "playback_factor", "note"];
const MAX_BYTES: u64 = 64 * 1024;

/// The sidecar's path, where there is one: `clip.mp4.toml` or `clip.toml`.
pub fn beside(clip: &Path) -> Option<PathBuf> {
    beside_in(clip, |p| p.symlink_metadata().is_ok_and(|m| m.is_file()))
}

/// As [`beside`], where `there` says what there is.
pub fn beside_in(clip: &Path, there: impl Fn(&Path) -> bool) -> Option<PathBuf> {
    let mut full = clip.as_os_str().to_owned();
    full.push(".toml");
    [PathBuf::from(full), clip.with_extension("toml")].into_iter().find(|p| there(p) && p.file_name().is_none_or(|n| n != "roster.toml"))
}

/// Reads it; the error says in one clause what is wrong.
pub fn read(path: &Path) -> Result<Sidecar, String> {
    let bytes = path.metadata().map(|m| m.len()).map_err(|e| e.to_string());
    read_from(path, bytes, || std::fs::read_to_string(path).map_err(|e| e.to_string()))
}

/// As [`read`], of what lies anywhere: `bytes` long, fetched by `text` only where that is little.
pub fn read_from(path: &Path, bytes: Result<u64, String>, text: impl FnOnce() -> Result<String, String>) -> Result<Sidecar, String> {
    let name = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
    let all = || -> Result<Sidecar, String> {
        if bytes? > MAX_BYTES {
            return Err("larger than 64 kB".into());
        }
        parse(&text()?)
    };
    all().map_err(|what| format!("sidecar {name}: {what}"))
}

/// As [`read`], from text.
pub fn parse(text: &str) -> Result<Sidecar, String> {
    let table: toml::Table = text.parse().map_err(|e: toml::de::Error| e.message().to_string())?;
    check_keys(&table, &KEYS, "").map_err(|e| e.to_string())?;
    // a date may be written with or without quotes
    let table: toml::Table = table
        .into_iter()
        .map(|(k, v)| match v {
            toml::Value::Datetime(d) => (k, toml::Value::String(d.to_string())),
            v => (k, v),
        })
        .collect();
    if let Some((key, odd)) = table.iter().find_map(|(k, v)| Some((k, odd(v.as_str()?, k == "note")?))) {
        return Err(format!("{key} holds the control character U+{:04X}: write it without", u32::from(odd)));
    }
    let sidecar: Sidecar = table.try_into().map_err(|e: toml::de::Error| e.message().to_string())?;
    if sidecar.captured.as_deref().is_some_and(|c| date::written(c).is_none()) {
        return Err("captured is not a date like 2026-04-12".into());
    }
    if sidecar.playback_factor.is_some_and(|f| !(0.1..=64.0).contains(&f)) {
        return Err("playback_factor is outside its range 0.1 to 64".into());
    }
    Ok(sidecar)
}

/// A control character, which no name, club or note needs and databases, logs and spreadsheets stumble over; `lines`: text
/// that may have lines and tabs.
fn odd(text: &str, lines: bool) -> Option<char> {
    text.chars().find(|c| c.is_control() && !(lines && matches!(c, '\n' | '\r' | '\t')))
}

#[cfg(test)]
mod tests {
    #[test]
    fn dates_need_no_quotes_and_wrong_keys_are_named() {
        assert_eq!(super::parse("captured = 2026-04-12").unwrap().captured.as_deref(), Some("2026-04-12"));
        let e = super::parse("clubb = \"driver\"").unwrap_err();
        assert!(e.contains("clubb") && e.contains("club"), "{e}");
        assert!(super::parse("captured = \"yesterday\"").is_err());
        assert!(super::parse("playback_factor = 0").is_err());
    }

    #[test]
    fn control_characters_are_refused_by_name() {
        for (text, says) in [
            ("note = \"a\\u0000b\"", "note holds the control character U+0000"),
            ("student = \"Ada\\nLind\"", "student holds the control character U+000A"),
            ("club = \"7\\u001B[2J\"", "club holds the control character U+001B"),
            ("note = \"\\u0085\"", "U+0085"),
        ] {
            let e = super::parse(text).unwrap_err();
            assert!(e.contains(says), "{text}: {e}");
        }
        let note = super::parse("note = \"two\\n\\tlines\"\nstudent = \"Zoë Åberg\"").unwrap();
        assert_eq!(note.note.as_deref(), Some("two\n\tlines"));
    }
}
