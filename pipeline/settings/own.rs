//! What a coach adopted: by how much the program errs on the coach's own footage, in `ruler.toml` of the out folder. `dawnsheet ruler
//! adopt` writes it (`ruler/adopt.rs` has the arithmetic), `drop` takes it back; judging reads it and nobody else writes it.

use crate::error::{Error, Result};
use crate::place;
use crate::report::types::From;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

/// Fewer marked clips than this tell nothing about the program.
pub const FEWEST: usize = 8;

/// The metrics of which hand and program measure the same thing. Not the slide that a verdict of sway goes by: it is of the joint,
/// which no coach can see, and a turning pelvis moves its edge otherwise; what the two differ by is no error.
pub const METRICS: [&str; 4] = ["hip_edge_travel_cm", "hip_edge_inside_foot_cm", "head_lateral_top_cm", "lead_elbow_bow_late_upper_arms"];

/// One metric's error on the coach's footage.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Adopted {
    /// Holds of readings from this.
    pub from: From,
    /// Taken off the value, in the metric's unit.
    pub shift: f64,
    /// In place of the error budget's.
    pub sd: f64,
    /// Clips that it rests on.
    pub n: usize,
    /// RFC 3339, UTC.
    pub adopted_at: String,
    /// Version of the error budget whose error it adds to; with another it means nothing.
    pub budget: String,
    /// Ids of those clips; one that was erased is no longer named.
    pub clips: Vec<String>,
}

/// All that was adopted, by metric.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Own {
    #[serde(default)]
    pub metric: BTreeMap<String, Adopted>,
}

impl Own {
    /// Where it is kept.
    pub fn path(out: &Path) -> PathBuf {
        out.join(place::ours::RULER)
    }

    /// What was adopted in this out folder; nothing where the file is missing. Error: usage, with what to do.
    pub fn read(out: &Path) -> Result<Own> {
        let path = Own::path(out);
        let text = match std::fs::read_to_string(&path) {
            Ok(text) => text,
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Ok(Own::default()),
            Err(e) => return Err(damaged(&path, &e.to_string())),
        };
        let own: Own = toml::from_str(&text).map_err(|e| damaged(&path, e.message()))?;
        own.check().map_err(|why| damaged(&path, &why))?;
        Ok(own)
    }

    /// Puts it in place whole; a file that says nothing goes away.
    pub fn write(&self, out: &Path) -> Result<()> {
        let path = Own::path(out);
        if self.is_empty() {
            return place::remove(&path);
        }
        let text = toml::to_string(self).map_err(|e| Error::Internal(e.to_string()))?;
        let head =
            "# What the coach adopted from clips marked by hand. Written by dawnsheet ruler adopt; dawnsheet ruler drop takes it back.\n";
        place::write(&path, format!("{head}\n{text}").as_bytes())
    }

    fn check(&self) -> std::result::Result<(), String> {
        for (name, a) in &self.metric {
            let no = |what: &str| Err(format!("{name}: {what}"));
            if !METRICS.contains(&name.as_str()) {
                return no("nothing of that name can be adopted");
            }
            if !(a.shift.is_finite() && a.sd.is_finite() && a.sd > 0.0) {
                return no("shift and sd must be numbers, and sd more than 0");
            }
            if a.n < FEWEST || a.clips.len() > a.n {
                return no("it must rest on eight clips at least, and name no more than those");
            }
            if a.adopted_at.parse::<jiff::Timestamp>().is_err() {
                return no("adopted_at is no moment");
            }
            if !a.clips.iter().all(|c| place::ours::clip(c)) {
                return no("clips must be ids of clips");
            }
        }
        Ok(())
    }

    /// Whether nothing was adopted.
    pub fn is_empty(&self) -> bool {
        self.metric.is_empty()
    }

    /// What holds of a metric read from a source, beside an error budget of this version.
    pub fn of(&self, name: &str, from: From, budget: &str) -> Option<&Adopted> {
        self.metric.get(name).filter(|a| a.from == from && a.budget == budget)
    }

    /// Of the numbers that judge: neither the date nor the clips change a report.
    pub fn sha256(&self) -> String {
        let numbers: Vec<_> = self.metric.iter().map(|(name, a)| (name, a.from, a.shift, a.sd, &a.budget)).collect();
        crate::pose::models::hex(&Sha256::digest(serde_json::to_string(&numbers).unwrap_or_default()))
    }

    /// Names these clips no longer; the numbers stay, which tell nobody. Whether any was named.
    pub fn forget(&mut self, erased: &BTreeSet<&str>) -> bool {
        let mut any = false;
        for a in self.metric.values_mut() {
            let before = a.clips.len();
            a.clips.retain(|c| !erased.contains(c.as_str()));
            any |= a.clips.len() < before;
        }
        any
    }
}

fn damaged(path: &Path, why: &str) -> Error {
    Error::Usage(format!(
        "{} cannot be used: {why}. dawnsheet ruler drop sets it aside; dawnsheet ruler adopt METRIC then adopts anew",
        path.display()
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn adopted() -> Own {
        let a = Adopted {
            from: From::Outline,
            shift: 0.4,
            sd: 1.2,
            n: 8,
            adopted_at: "2026-01-02T00:00:00Z".into(),
            budget: "1".into(),
            clips: vec!["0123456789abcdef".into()],
        };
        Own { metric: [("hip_edge_travel_cm".to_string(), a)].into() }
    }

    #[test]
    fn what_is_adopted_is_read_as_it_was_written_and_goes_when_dropped() {
        let folder = tempfile::tempdir().unwrap();
        assert_eq!(Own::read(folder.path()).unwrap(), Own::default());
        adopted().write(folder.path()).unwrap();
        assert_eq!(Own::read(folder.path()).unwrap(), adopted());
        Own::default().write(folder.path()).unwrap();
        assert!(!Own::path(folder.path()).exists());
        Own::default().write(folder.path()).unwrap();
    }

    /// Only what judges is in the hash: with an erased clip's id gone nothing is judged again.
    #[test]
    fn the_hash_is_of_the_numbers_alone() {
        let mut own = adopted();
        let before = own.sha256();
        assert!(!own.forget(&BTreeSet::from(["another"])) && own.forget(&BTreeSet::from(["0123456789abcdef"])));
        own.metric.get_mut("hip_edge_travel_cm").unwrap().adopted_at = "2026-01-03T00:00:00Z".into();
        assert_eq!(own.sha256(), before);
        own.metric.get_mut("hip_edge_travel_cm").unwrap().shift += 0.001;
        assert_ne!(own.sha256(), before);
        assert_ne!(own.sha256(), Own::default().sha256());
        assert!(own.of("hip_edge_travel_cm", From::Outline, "1").is_some());
        assert!(own.of("hip_edge_travel_cm", From::KeyPoint, "1").is_none() && own.of("hip_edge_travel_cm", From::Outline, "2").is_none());
    }

    #[test]
    fn a_strange_file_is_refused_and_says_what_to_do() {
        let folder = tempfile::tempdir().unwrap();
        adopted().write(folder.path()).unwrap();
        let good = std::fs::read_to_string(Own::path(folder.path())).unwrap();
        let swap = |from: &str, to: &str| {
            let other = good.replace(from, to);
            assert_ne!(other, good, "{from}");
            other.into_bytes()
        };
        for text in [
            b"\xff\xfe".to_vec(),
            good.as_bytes()[..good.len() - 4].to_vec(),
            swap("hip_edge_travel_cm", "trail_hip_travel_cm"),
            swap("shift = 0.4", "shift = nan"),
            swap("sd = 1.2", "sd = 0.0"),
            swap("sd = 1.2", "sd = \"1.2\""),
            swap("n = 8", "n = 7"),
            swap("n = 8", "n = 8\nmore = 1"),
            swap("2026-01-02T00:00:00Z", "yesterday"),
            swap("0123456789abcdef", "Ada"),
            swap("outline", "elsewhere"),
        ] {
            std::fs::write(Own::path(folder.path()), &text).unwrap();
            let why = Own::read(folder.path()).unwrap_err();
            assert!(matches!(why, Error::Usage(_)) && why.to_string().contains("dawnsheet ruler drop"), "{why}");
        }
    }
}
