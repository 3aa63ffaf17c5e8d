//! `settings.toml` → [`Settings`]: limits, gates and caps, checked once, hashed.

mod keys;
pub mod own;

pub use keys::check_keys;
pub use own::Own;

use crate::error::{Error, Result};
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use std::path::Path;

/// The commented defaults, also the list of legal keys and (in the comments) their units and ranges.
pub const DEFAULTS: &str = include_str!("defaults.toml");

/// All settings; see `defaults.toml` for units, ranges and meaning.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Settings {
    pub limits: Limits,
    pub setup: Setup,
    pub verdict: VerdictBands,
    pub scale: Scale,
    pub gates: Gates,
    pub intake: Intake,
    /// Jobs of earlier versions were enqueued without.
    #[serde(default = "usual_clubs")]
    pub clubs: Clubs,
    pub night: Night,
    /// What was adopted in the out folder; no key of a settings file.
    #[serde(default, skip_serializing_if = "Own::is_empty")]
    pub own: Own,
}

fn usual_clubs() -> Clubs {
    Settings::default().clubs
}

macro_rules! section {
    ($name:ident { $($field:ident: $kind:ty),* $(,)? }) => {
        #[doc = concat!("Section of the settings; see `defaults.toml`.")]
        #[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
        pub struct $name { $(pub $field: $kind),* }
    };
}

section!(Limits {
    trail_hip_travel_cm: f64,
    trail_hip_travel_pct_stance: f64,
    pelvis_travel_cm: f64,
    hip_edge_inside_foot_cm: f64,
    lead_elbow_bow_late_upper_arms: f64,
    head_lateral_cm: f64,
    head_vertical_cm: f64,
    long_club_head_factor: f64,
    pelvis_toward_ball_cm: f64,
});
section!(Setup {
    min_shoulder_tilt_deg: f64,
    min_spine_tilt_deg: f64,
    min_head_behind_cm: f64,
    min_trail_knee_inside_cm: f64,
    min_pelvis_shift_impact_cm: f64,
    max_separation_impact_cm: f64,
    max_trunk_rise_deg: f64,
});
section!(VerdictBands { flagged_probability: f64, clear_probability: f64 });
section!(Scale { assumed_stature_cm: f64, assumed_relative_sd: f64, known_relative_sd: f64 });
section!(Gates {
    min_height_px: f64,
    small_height_px: f64,
    widen_off_square_deg: f64,
    max_off_square_deg: f64,
    camera_moves_pct: f64,
    min_downswing_frames: usize,
    min_person_share: f64,
    min_visibility: f64,
});
section!(Intake { settle_seconds: f64, max_megabytes: f64, max_width: u32, max_height: u32, max_seconds: f64, max_frames: usize });
section!(Clubs {
    driver: Vec<String>,
    wood: Vec<String>,
    hybrid: Vec<String>,
    iron: Vec<String>,
    wedge: Vec<String>,
    putter: Vec<String>,
});
section!(Night { max_attempts: u32, clip_seconds: f64, clip_megabytes: f64, keep_days: f64, confine: Confine });

/// How firmly a worker must be confined before it opens a clip.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Confine {
    /// No clip is opened where the kernel does not enforce all of it.
    Required,
    /// As `Required` where the kernel can at all; elsewhere as far as it goes, which `doctor` and every report say.
    WherePossible,
    /// As far as the kernel goes.
    Best,
}

impl Default for Settings {
    fn default() -> Settings {
        toml::from_str(DEFAULTS).expect("invariant: the built-in defaults parse (a test reads them)")
    }
}

/// Keys of earlier versions that nothing reads any more: a night must not stop at a file that `print settings` of then wrote.
const RETIRED: [(&str, &str); 1] = [("gates", "camera_rolled_deg")];

impl Settings {
    /// Reads `path` over the defaults; the defaults alone for `None`.
    /// Errors name the key, and the nearest legal one or the legal range.
    pub fn load(path: Option<&Path>) -> Result<Settings> {
        match path {
            None => Ok(Settings::default()),
            Some(path) => {
                let text =
                    std::fs::read_to_string(path).map_err(|e| Error::Usage(format!("settings {} cannot be read: {e}", path.display())))?;
                Settings::parse(&text).map_err(|e| Error::Usage(format!("settings {}: {e}", path.display())))
            }
        }
    }

    /// With what was adopted in an out folder. Error: usage, where that cannot be read.
    pub fn adopted_in(self, out: &Path) -> Result<Settings> {
        Ok(Settings { own: Own::read(out)?, ..self })
    }

    /// As [`Settings::load`], from text.
    pub fn parse(text: &str) -> Result<Settings> {
        let mut given: toml::Table = text.parse().map_err(|e: toml::de::Error| Error::Usage(e.message().to_string()))?;
        let mut merged: toml::Table = DEFAULTS.parse().expect("invariant: the built-in defaults parse");
        for (section, key) in RETIRED {
            if given.get_mut(section).and_then(toml::Value::as_table_mut).and_then(|keys| keys.remove(key)).is_some() {
                crate::tell::err(format_args!("dawnsheet: settings: {section}.{key} is of an earlier version, and no longer read\n"));
            }
        }
        check_keys(&given, &merged.keys().map(String::as_str).collect::<Vec<_>>(), "")?;
        for (section, value) in given {
            let Some(target) = merged.get_mut(&section).and_then(toml::Value::as_table_mut) else { continue };
            let toml::Value::Table(value) = value else {
                return Err(Error::Usage(format!("'{section}' must be a section, [{section}]")));
            };
            check_keys(&value, &target.keys().map(String::as_str).collect::<Vec<_>>(), &section)?;
            for (key, new) in value {
                // whole numbers are fine where a decimal is meant
                let new = match (&target[&key], new) {
                    (toml::Value::Float(_), toml::Value::Integer(i)) => toml::Value::Float(i as f64),
                    (_, new) => new,
                };
                check_range(&section, &key, &new)?;
                target.insert(key, new);
            }
        }
        let settings: Settings = merged.try_into().map_err(|e: toml::de::Error| Error::Usage(e.message().to_string()))?;
        if settings.gates.widen_off_square_deg > settings.gates.max_off_square_deg {
            return Err(Error::Usage("gates.widen_off_square_deg must not be over gates.max_off_square_deg".into()));
        }
        Ok(settings)
    }

    /// Those that bear on a report (not the night's scheduling).
    fn bearing(&self) -> serde_json::Value {
        serde_json::json!({
            "limits": self.limits, "setup": self.setup, "verdict": self.verdict, "scale": self.scale,
            "gates": self.gates, "intake": self.intake, "clubs": self.clubs,
        })
    }

    /// sha256 of the settings in force that bear on a report.
    pub fn sha256(&self) -> String {
        crate::pose::models::hex(&Sha256::digest(self.bearing().to_string()))
    }

    /// What bears on a report and is other in `now`: `limits.head_lateral_cm 8.0 → 6.0`.
    pub fn differences(&self, now: &Settings) -> Vec<String> {
        let (was, is) = (self.bearing(), now.bearing());
        let sections = was.as_object().into_iter().flatten();
        let keys = sections.flat_map(|(section, keys)| keys.as_object().into_iter().flatten().map(move |(k, v)| (section, k, v)));
        keys.filter(|(section, key, old)| is[section][key] != **old)
            .map(|(section, key, old)| match (old, &is[section][key]) {
                (serde_json::Value::Array(_), _) => format!("{section}.{key} has other words"),
                (old, new) => format!("{section}.{key} {old} → {new}"),
            })
            .collect()
    }
}

/// The comment of a key in the defaults.
fn comment(section: &str, key: &str) -> Option<&'static str> {
    let mut current = "";
    for line in DEFAULTS.lines() {
        if let Some(name) = line.strip_prefix('[') {
            current = name.split(']').next().unwrap_or("");
        }
        let Some((name, rest)) = line.split_once('=') else { continue };
        if current != section || name.trim() != key {
            continue;
        }
        return Some(rest.split_once('#')?.1);
    }
    None
}

/// The legal range stands in the defaults' comments, `low..high` after the unit: one place for people and program.
fn legal_range(section: &str, key: &str) -> Option<(f64, f64)> {
    let word = comment(section, key)?.split([' ', ',']).find(|w| w.contains(".."))?;
    let (low, high) = word.split_once("..")?;
    Some((low.parse().ok()?, high.parse().ok()?))
}

/// Of a key that takes a word, the legal ones: `one|other` in its comment.
fn legal_words(section: &str, key: &str) -> Option<Vec<&'static str>> {
    Some(comment(section, key)?.split([' ', ',']).find(|w| w.contains('|'))?.split('|').collect())
}

/// Whether a key takes a list of words.
fn takes_words(section: &str, key: &str) -> bool {
    comment(section, key).is_some_and(|c| c.split_whitespace().next() == Some("words"))
}

fn check_range(section: &str, key: &str, value: &toml::Value) -> Result<()> {
    if takes_words(section, key) {
        let fine = |v: &toml::Value| v.as_str().is_some_and(|s| !s.trim().is_empty());
        let is_list = value.as_array().is_some_and(|all| all.iter().all(fine));
        return if is_list { Ok(()) } else { Err(Error::Usage(format!("{section}.{key} must be a list of words, [\"…\", \"…\"]"))) };
    }
    if let Some(words) = legal_words(section, key) {
        return match value.as_str() {
            Some(word) if words.contains(&word) => Ok(()),
            _ => Err(Error::Usage(format!("{section}.{key} must be one of \"{}\"", words.join("\", \"")))),
        };
    }
    let number = value.as_float().or_else(|| value.as_integer().map(|i| i as f64));
    let Some(number) = number else {
        return Err(Error::Usage(format!("{section}.{key} must be a number")));
    };
    match legal_range(section, key) {
        Some((low, high)) if !(low..=high).contains(&number) => {
            Err(Error::Usage(format!("{section}.{key} = {number} is outside its range {low} to {high}")))
        }
        _ => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_default_has_a_range_and_lies_in_it() {
        let all: toml::Table = DEFAULTS.parse().unwrap();
        let mut seen = 0;
        for (section, keys) in &all {
            for (key, value) in keys.as_table().unwrap() {
                assert!(
                    legal_range(section, key).is_some() || legal_words(section, key).is_some() || takes_words(section, key),
                    "{section}.{key} has no range"
                );
                check_range(section, key, value).unwrap();
                seen += 1;
            }
        }
        assert!(seen > 30);
    }

    #[test]
    fn a_wrong_key_names_the_nearest_legal_one() {
        let text = Settings::parse("[limits]\ntrail_hip_travl_cm = 4").unwrap_err().to_string();
        assert!(text.contains("trail_hip_travl_cm") && text.contains("trail_hip_travel_cm"), "{text}");
        let text = Settings::parse("[limitz]\n").unwrap_err().to_string();
        assert!(text.contains("limits"), "{text}");
    }

    #[test]
    fn a_key_of_an_earlier_version_is_left_out_and_others_are_still_read() {
        let settings = Settings::parse("[gates]\ncamera_rolled_deg = 5.0\nmin_visibility = 0.2").unwrap();
        assert_eq!(settings.gates.min_visibility, 0.2);
        assert!(RETIRED.iter().all(|(section, key)| comment(section, key).is_none()), "a key that is read is not retired");
    }

    #[test]
    fn a_value_out_of_range_is_refused_and_a_changed_one_changes_the_hash() {
        let text = Settings::parse("[limits]\ntrail_hip_travel_cm = 90").unwrap_err().to_string();
        assert!(text.contains("0.5 to 30"), "{text}");
        let changed = Settings::parse("[limits]\ntrail_hip_travel_cm = 4").unwrap();
        assert_eq!(changed.limits.trail_hip_travel_cm, 4.0);
        assert_ne!(changed.sha256(), Settings::default().sha256());
        assert_eq!(Settings::default().differences(&changed), ["limits.trail_hip_travel_cm 5.0 → 4.0"]);
        assert_eq!(Settings::parse(&toml::to_string(&changed).unwrap()).unwrap(), changed, "what is kept is read again");
        let mut earlier = serde_json::to_value(&changed).unwrap();
        earlier.as_object_mut().unwrap().remove("clubs");
        assert_eq!(serde_json::from_value::<Settings>(earlier).unwrap(), changed, "as a job of an earlier version has them");
        let night = Settings::parse("[night]\nmax_attempts = 3").unwrap();
        assert_eq!(night.sha256(), Settings::default().sha256());
    }
}
