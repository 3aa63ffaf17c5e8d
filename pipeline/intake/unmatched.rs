//! Names of the roster and folders of the inbox that do not meet: said aloud, since a roster that fits nobody changes nothing.

use super::inbox::Upload;
use super::names::{folded, same};
use super::roster::Roster;
use std::collections::BTreeSet;

/// From this similarity on (Jaro and Winkler, 0..1) a name is suggested for another; chosen by hand.
const ALIKE: f64 = 0.80;

/// One sentence each, in order. `known`: whether something is kept of a student, who then need not have sent anything now;
/// `erased`: whether nothing is to be said of somebody.
pub fn unmatched(uploads: &[Upload], roster: &Roster, known: impl Fn(&str) -> bool, erased: impl Fn(&str) -> bool) -> Vec<String> {
    if roster.students().is_empty() {
        return Vec::new();
    }
    let listed = || roster.students().iter().filter(|s| !erased(&s.name));
    let mut folders: BTreeSet<&str> = BTreeSet::new();
    for u in uploads {
        let first = u.brief.file.split_once('/').map(|(first, _)| first);
        // a sidecar may have said whose it is
        folders.extend(first.filter(|f| u.brief.student.as_deref().is_some_and(|s| same(s, f)) && roster.find(f).is_none() && !erased(f)));
    }
    let came = |name: &str| uploads.iter().any(|u| u.brief.student.as_deref().is_some_and(|s| same(s, name)));
    let mut absent: Vec<&str> = listed().map(|s| s.name.as_str()).filter(|n| !came(n) && !known(n)).collect();
    let (mut all, mut unknown) = (Vec::new(), Vec::new());
    for folder in folders {
        let alike = |name: &str| strsim::jaro_winkler(&folded(name), &folded(folder));
        let nearest = listed().flat_map(|s| s.names().map(move |n| (s, n))).max_by(|a, b| alike(a.1).total_cmp(&alike(b.1)));
        let meant = nearest.filter(|(_, n)| alike(n) >= ALIKE).map(|(s, _)| s.name.as_str());
        match meant {
            Some(name) => {
                absent.retain(|a| *a != name);
                all.push(format!(
                    "the folder '{folder}' fits no name in the roster: is it '{name}'? Rename the folder, or put its name into that \
                     student's aliases"
                ));
            }
            None => unknown.push(format!("'{folder}'")),
        }
    }
    // who has only begun a roster is told once
    match unknown.as_slice() {
        [] => {}
        [one] => all.push(format!("the folder {one} fits no name in the roster: lead side and stature are not known")),
        several => all.push(format!(
            "{} folders fit no name in the roster: lead side and stature are not known ({})",
            several.len(),
            several.join(", ")
        )),
    }
    if !absent.is_empty() {
        let shown: Vec<String> = absent.iter().take(5).map(|n| format!("'{n}'")).collect();
        let more = if absent.len() > 5 { format!(" and {} more", absent.len() - 5) } else { String::new() };
        all.push(format!("in the roster, but without a folder: {}{more}", shown.join(", ")));
    }
    all
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::intake::brief::Brief;

    fn sent(folder: &str, student: &str) -> Upload {
        let brief = Brief { file: format!("{folder}/a.mp4"), student: Some(student.into()), ..Brief::default() };
        Upload { path: "a".into(), brief, bytes: 1, modified: None, waits: None }
    }

    #[test]
    fn names_and_folders_that_do_not_meet_are_told_with_the_nearest() {
        let names = ["Jonas Lind", "Mira Okafor", "Priya Raman", "Tomas Varga"];
        let text: String = names.iter().map(|n| format!("[[student]]\nname = \"{n}\"\naliases = [\"{} x\"]\n", &n[..4])).collect();
        let roster = Roster::parse(&text).unwrap();
        let uploads =
            [sent("Jonas Lindt", "Jonas Lindt"), sent("mira okafor", "Mira Okafor"), sent("Range", "Range"), sent("Box", "Priya Raman")];
        let told = |known: &str, erased: &str| unmatched(&uploads, &roster, |n| n == known, |n| n == erased);
        assert_eq!(
            told("", ""),
            [
                "the folder 'Jonas Lindt' fits no name in the roster: is it 'Jonas Lind'? Rename the folder, or put its name into that \
                 student's aliases",
                "the folder 'Range' fits no name in the roster: lead side and stature are not known",
                "in the roster, but without a folder: 'Tomas Varga'",
            ]
        );
        assert_eq!(told("Tomas Varga", "").len(), 2, "who has earlier clips need not send every night");
        assert!(told("", "Jonas Lind").iter().all(|t| !t.contains("'Jonas Lind'")), "an erased name is not brought up");
        assert!(unmatched(&uploads, &Roster::default(), |_| false, |_| false).is_empty(), "without a roster nothing can miss");
    }
}
