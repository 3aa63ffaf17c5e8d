//! When two names are one: the rule by which students are told apart, wherever a name is matched.
//!
//! Names are one where their canonical caseless forms are (The Unicode Standard 17, D145: NFD, case folding, NFD again; here
//! composed at the end) and white space counts as one blank. So "Zoë Åberg" typed on one system and decomposed by another is
//! one student, and letter case does not matter.

use unicode_normalization::UnicodeNormalization;

/// The form in which names are compared: equal for two spellings of one name. It is its own folded form.
pub fn folded(name: &str) -> String {
    let decomposed: String = name.nfd().collect();
    let caseless: String = caseless::default_case_fold_str(&decomposed).nfc().collect();
    caseless.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// Whether two spellings are of one name.
pub fn same(a: &str, b: &str) -> bool {
    folded(a) == folded(b)
}

/// The name as it is shown: as spelled, in the composed form.
pub fn composed(name: &str) -> String {
    name.nfc().collect()
}

/// Name of one thing, and a hash that keeps names of the same plain letters apart.
fn plain(name: &str, hashed: &str) -> String {
    use sha2::{Digest, Sha256};
    let plain: String = name.to_lowercase().chars().map(|c| if c.is_ascii_alphanumeric() { c } else { '-' }).collect();
    let plain: Vec<&str> = plain.split('-').filter(|p| !p.is_empty()).collect();
    let short: String = plain.join("-").chars().take(40).collect();
    let hash = crate::pose::models::hex(&Sha256::digest(hashed))[..6].to_string();
    if short.is_empty() { format!("student-{hash}") } else { format!("{short}-{hash}") }
}

/// Folder and file name of a student: lower-case letters and digits of the name, and a short hash that keeps names apart;
/// the same for every spelling.
pub fn slug(student: Option<&str>) -> String {
    let Some(name) = student else { return UNASSIGNED.into() };
    let folded = folded(name);
    plain(&folded, &folded)
}

/// As [`slug`], but by the letters as spelled: folder of a coach; and of students, as earlier versions named it.
pub fn slug_as_spelled(name: &str) -> String {
    plain(name, name)
}

/// Folder name of clips of nobody in particular.
pub const UNASSIGNED: &str = "unassigned";

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn spellings_of_one_name_are_one_and_others_are_not() {
        let zoe = "Zo\u{eb} \u{c5}berg";
        for other in ["Zoe\u{308} A\u{30a}berg", "ZOË ÅBERG", "zoë  åberg ", "Zoë\u{a0}\u{212b}berg"] {
            assert!(same(zoe, other) && slug(Some(zoe)) == slug(Some(other)), "{other}");
        }
        assert!(same("Straße", "STRASSE") && same("ΣΊΣΥΦΟΣ", "σίσυφος"));
        assert!(!same("Zoe Aberg", zoe) && !same("Jo Ann", "Joann"));
    }

    #[test]
    fn slugs_are_plain_and_distinct() {
        assert_ne!(slug(Some("../../x")), slug(Some("..-..-x")));
        for name in ["../../x", "<script>", "Zoë\nÅ", "-rf", &"x".repeat(250)] {
            let s = slug(Some(name));
            assert!(s.len() < 60 && s.chars().all(|c| c.is_ascii_alphanumeric() || c == '-') && !s.starts_with('-'), "{s}");
            assert!(crate::place::ours::owner(&s) && crate::place::ours::owner(&slug_as_spelled(name)), "{s}");
        }
    }

    proptest! {
        #[test]
        fn every_form_of_a_name_folds_alike_and_once_is_enough(name in "\\PC{0,24}") {
            let f = folded(&name);
            prop_assert_eq!(&folded(&f), &f);
            let forms: [String; 3] = [name.nfd().collect(), name.nfc().collect(), format!(" {name}\t")];
            for other in forms {
                prop_assert_eq!(&folded(&other), &f);
            }
        }
    }
}
