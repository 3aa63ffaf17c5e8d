//! Under which folder name a student's results are kept. One rule tells names apart (`intake::names`); where an earlier
//! version already kept results of that name, they stay where they are.

use crate::intake::names::{UNASSIGNED, folded, slug, slug_as_spelled};
use std::collections::{BTreeMap, BTreeSet};

/// Who is kept where.
#[derive(Debug, Default, Clone)]
pub struct Owners {
    /// Folded name → folder name → spellings.
    by_name: BTreeMap<String, BTreeMap<String, BTreeSet<String>>>,
    known: BTreeSet<String>,
}

impl Owners {
    /// Of a store's students: folder name, and name where there is one.
    pub fn new(students: impl IntoIterator<Item = (String, Option<String>)>) -> Owners {
        let mut owners = Owners::default();
        for (owner, name) in students {
            if let Some(name) = name {
                owners.by_name.entry(folded(&name)).or_default().entry(owner.clone()).or_default().insert(name);
            }
            owners.known.insert(owner);
        }
        owners
    }

    /// The student's folder name. Where an earlier version kept one name under several, each spelling keeps its own until they
    /// are joined.
    pub fn of(&self, student: Option<&str>) -> String {
        let Some(name) = student else { return UNASSIGNED.into() };
        let spelled = slug_as_spelled(name);
        match self.by_name.get(&folded(name)) {
            None if self.known.contains(&spelled) => spelled,
            None => slug(student),
            Some(there) => {
                let exact = there.iter().find(|(_, spellings)| spellings.contains(name)).or_else(|| there.get_key_value(&spelled));
                exact.or_else(|| there.first_key_value()).map_or_else(|| slug(student), |(owner, _)| owner.clone())
            }
        }
    }

    /// Whether anything is kept under a folder name.
    pub fn knows(&self, owner: &str) -> bool {
        self.known.contains(owner)
    }

    /// What is to be asked whether a student was erased on purpose: digests are kept of folder names alone. Of somebody
    /// of whom something is kept, only the own one counts.
    pub fn marks(&self, owner: &str, student: Option<&str>) -> Vec<String> {
        let mut all = vec![owner.to_string()];
        if let Some(name) = student.filter(|_| !self.knows(owner)) {
            all.extend([slug(Some(name)), slug_as_spelled(name)]);
        }
        all
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_an_earlier_version_kept_is_found_under_every_spelling() {
        let spelled = slug_as_spelled("Jonas Lind");
        let owners = Owners::new([(spelled.clone(), Some("Jonas Lind".to_string())), ("unassigned".into(), None)]);
        for name in ["Jonas Lind", "jonas lind", "JONAS  LIND"] {
            assert_eq!(owners.of(Some(name)), spelled);
        }
        assert_eq!(owners.of(Some("Mira")), slug(Some("mira")));
        assert_eq!(owners.of(None), "unassigned");
        // of whom only attempts are kept, without a name
        assert_eq!(Owners::new([(spelled.clone(), None)]).of(Some("Jonas Lind")), spelled);
        // two that were kept apart stay apart until somebody joins them
        let small = slug_as_spelled("jonas lind");
        let both = Owners::new([(spelled.clone(), Some("Jonas Lind".to_string())), (small.clone(), Some("jonas lind".to_string()))]);
        assert_eq!((both.of(Some("Jonas Lind")), both.of(Some("jonas lind"))), (spelled.clone(), small.clone()));
        // erased under the old folder name: still known by it, and no mark of one hides the other
        assert!(Owners::default().marks(&slug(Some("Jonas Lind")), Some("Jonas Lind")).contains(&spelled));
        assert_eq!(both.marks(&spelled, Some("Jonas Lind")), [spelled]);
    }
}
