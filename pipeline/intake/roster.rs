//! `roster.toml`: the students, their lead side and stature.

use super::names::same;
use crate::error::{Error, Result};
use crate::report::types::Side;
use crate::settings::check_keys;
use serde::{Deserialize, Serialize};
use std::path::Path;

/// A student.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Student {
    pub name: String,
    pub lead_side: Option<Side>,
    pub stature_cm: Option<f64>,
    /// Other folder names of the same student.
    #[serde(default)]
    pub aliases: Vec<String>,
    /// What they are working on, in the coach's words.
    pub working_on: Option<String>,
}

/// All students known.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Roster {
    students: Vec<Student>,
}

/// The file, with where each student stands in it.
#[derive(Deserialize)]
struct Listed {
    #[serde(default)]
    student: Vec<toml::Spanned<toml::Table>>,
}

const KEYS: [&str; 5] = ["name", "lead_side", "stature_cm", "aliases", "working_on"];
const STATURES: std::ops::RangeInclusive<f64> = 80.0..=230.0;

impl Roster {
    /// Reads the file; an empty roster for `None`. Errors name the student and the key.
    pub fn load(path: Option<&Path>) -> Result<Roster> {
        let Some(path) = path else { return Ok(Roster::default()) };
        let text = std::fs::read_to_string(path).map_err(|e| Error::Usage(format!("roster {} cannot be read: {e}", path.display())))?;
        Roster::parse(&text).map_err(|e| Error::Usage(format!("roster {}: {e}", path.display())))
    }

    /// As [`Roster::load`], from text: a list of `[[student]]`.
    pub fn parse(text: &str) -> Result<Roster> {
        let line = |at: usize| 1 + text[..at.min(text.len())].matches('\n').count();
        let broken = |e: &toml::de::Error| {
            let place = e.span().map_or_else(String::new, |s| format!("line {}: ", line(s.start)));
            Error::Usage(format!("{place}{}", e.message()))
        };
        let table: toml::Table = text.parse().map_err(|e| broken(&e))?;
        check_keys(&table, &["student"], "")?;
        let listed: Listed = toml::from_str(text).map_err(|e| broken(&e))?;
        let mut students: Vec<Student> = Vec::new();
        for entry in listed.student {
            let (span, entry) = (entry.span(), entry.into_inner());
            let name = entry.get("name").and_then(toml::Value::as_str).map_or_else(String::new, |n| format!(", student '{n}'"));
            // the line of the key that is meant, where the message names one
            let at = |key: Option<&str>| {
                // a table's span is that of its heading alone
                let own = text[span.start.min(text.len())..].lines().enumerate().map(|(i, l)| (i, l.trim_start()));
                let mut own = own.take_while(|(i, l)| *i == 0 || !l.starts_with("[["));
                let says = |l: &str, k: &str| l.strip_prefix(k).is_some_and(|r| r.trim_start().starts_with('='));
                let below = key.and_then(|k| own.find(|(_, l)| says(l, k))).map(|(i, _)| i);
                format!("line {}{name}: ", line(span.start) + below.unwrap_or(0))
            };
            let unknown = entry.keys().find(|k| !KEYS.contains(&k.as_str())).map(String::as_str);
            check_keys(&entry, &KEYS, "student").map_err(|e| Error::Usage(format!("{}{e}", at(unknown))))?;
            let wrong = KEYS.into_iter().find(|k| {
                let alone = entry.get(*k).map(|v| toml::Table::from_iter([("name".into(), "".into()), ((*k).into(), v.clone())]));
                alone.is_some_and(|t| t.try_into::<Student>().is_err())
            });
            let student: Student = entry.try_into().map_err(|e: toml::de::Error| {
                let key = wrong.map_or_else(String::new, |k| format!("{k}: "));
                Error::Usage(format!("{}{key}{}", at(wrong), e.message()))
            })?;
            if student.stature_cm.is_some_and(|s| !STATURES.contains(&s)) {
                return Err(Error::Usage(format!("{}stature_cm is outside its range 80 to 230", at(Some("stature_cm")))));
            }
            if let Some(double) = students.iter().find(|s| s.answers_to(&student.name) || student.aliases.iter().any(|a| s.answers_to(a))) {
                return Err(Error::Usage(format!("{}goes by the same name as '{}'", at(None), double.name)));
            }
            students.push(student);
        }
        Ok(Roster { students })
    }

    /// The student who goes by a name or alias by the rule of [`super::names`].
    pub fn find(&self, name: &str) -> Option<&Student> {
        self.students.iter().find(|s| s.answers_to(name))
    }

    /// All students.
    pub fn students(&self) -> &[Student] {
        &self.students
    }
}

impl Student {
    /// Name and aliases.
    pub fn names(&self) -> impl Iterator<Item = &str> {
        std::iter::once(self.name.as_str()).chain(self.aliases.iter().map(String::as_str))
    }

    fn answers_to(&self, name: &str) -> bool {
        self.names().any(|own| same(own, name))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn students_are_found_by_alias_and_wrong_keys_are_named() {
        let r = Roster::parse("[[student]]\nname = \"Ada\"\naliases = [\"ada l\"]\nstature_cm = 170\nlead_side = \"left\"").unwrap();
        assert_eq!(r.find("ADA L").unwrap().stature_cm, Some(170.0));
        let e = Roster::parse("[[student]]\nname = \"Ada\"\nstatur_cm = 170").unwrap_err().to_string();
        assert!(e.contains("statur_cm") && e.contains("stature_cm"), "{e}");
        for (wrong, says) in [
            ("lead_side = \"leftt\"", "line 5, student 'Bo': lead_side: "),
            ("aliases = [\"bob\"]\nstature_cm = 17.5", "line 6, student 'Bo': stature_cm is outside"),
            ("stature = 170", "line 5, student 'Bo': unknown key 'stature'"),
            ("aliases = [\"ada\"]", "line 3, student 'Bo': goes by the same name as 'Ada'"),
            ("stature_cm = = 3", "line 5: "),
        ] {
            let e = Roster::parse(&format!("[[student]]\nname = \"Ada\"\n[[student]]\nname = \"Bo\"\n{wrong}\n")).unwrap_err().to_string();
            assert!(e.contains(says), "{wrong}: {e}");
        }
        for twin in ["ada", " ADA"] {
            assert!(Roster::parse(&format!("[[student]]\nname = \"Ada\"\n[[student]]\nname = \"{twin}\"")).is_err());
        }
        let zoe = Roster::parse("[[student]]\nname = \"Zo\u{eb} \u{c5}berg\"\nstature_cm = 150").unwrap();
        assert_eq!(zoe.find("Zoe\u{308} A\u{30a}berg").unwrap().stature_cm, Some(150.0), "as some phones write it");
    }
}
