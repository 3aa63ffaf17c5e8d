//! The proof of an erasure: every file and file name of the out folder is looked through for what was a student's.

use super::forget::Whom;
use crate::error::{Error, Result};
use crate::history::Store;
use crate::history::erased::Held;
use crate::intake::names::{composed, folded};
use crate::place::{OutFolder, ours};
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use unicode_normalization::UnicodeNormalization;
use walkdir::WalkDir;

/// What is looked for.
struct Sought {
    /// Folder, clips, hashes and file names: as they are, anywhere.
    exact: BTreeSet<String>,
    /// Names, folded: as words of their own.
    names: BTreeSet<String>,
    /// Folded names and folder names of others, which may hold one of the names as a word.
    others: BTreeSet<String>,
}

/// Files of the out folder in which something of the student is left, and what. A file that cannot be read counts.
pub fn search(out: &OutFolder, store: &Store, whom: &Whom, held: &[Held]) -> Result<Vec<(PathBuf, String)>> {
    let mut exact = BTreeSet::from([whom.owner.clone()]);
    for h in held.iter().filter(|h| !h.shared) {
        exact.extend([h.clip.clone(), h.sha256.clone()]);
    }
    exact.extend(held.iter().map(|h| h.file.clone()));
    exact.retain(|e| !e.is_empty());
    let mut names: BTreeSet<String> = whom.names.iter().chain([&whom.name]).map(|n| folded(n)).filter(|n| !n.is_empty()).collect();
    let kept = store.names()?.into_iter().filter(|(owner, _)| *owner != whom.owner).map(|(_, name)| folded(&name));
    let mut others: BTreeSet<String> = kept.collect();
    let folders = std::fs::read_dir(out.folder("reports")?).map_err(Error::file(out.root()))?.filter_map(std::result::Result::ok);
    others.extend(folders.map(|f| f.file_name().to_string_lossy().into_owned()).filter(|f| ours::owner(f) && *f != whom.owner));
    // a name that is another's too proves nothing; one that is part of another's counts where it stands alone
    names.retain(|n| !others.contains(n));
    others.retain(|other| names.iter().any(|n| words(other, n)));
    let sought = Sought { exact, names, others };
    let mut found = Vec::new();
    for entry in WalkDir::new(out.root()).min_depth(1) {
        let entry = match entry {
            Ok(entry) => entry,
            Err(e) => {
                found.push((e.path().unwrap_or(out.root()).to_path_buf(), "cannot be read".into()));
                continue;
            }
        };
        let below = entry.path().strip_prefix(out.root()).unwrap_or(entry.path()).to_path_buf();
        if let Some(what) = sought.in_name(&below).or_else(|| entry.file_type().is_file().then(|| sought.in_file(entry.path())).flatten()) {
            found.push((below, what));
        }
    }
    Ok(found)
}

impl Sought {
    fn in_name(&self, below: &Path) -> Option<String> {
        let name = below.to_string_lossy();
        self.exact.iter().find(|e| name.contains(e.as_str())).cloned().or_else(|| self.name_in(&name))
    }

    fn in_file(&self, path: &Path) -> Option<String> {
        let Ok(bytes) = std::fs::read(path) else { return Some("cannot be read".into()) };
        // file names may be written in either form, and escaped as pages and JSON do it
        let exact = self.exact.iter().find(|e| spelled(e).iter().any(|s| contains(&bytes, s.as_bytes())));
        let packed = path.extension().is_some_and(|e| e == "npz" || e == "jpg" || e == "mp4");
        exact.cloned().or_else(|| if packed { None } else { self.name_in(&String::from_utf8_lossy(&bytes)) })
    }

    fn name_in(&self, text: &str) -> Option<String> {
        let text = folded(&unescaped(text));
        let hit = |text: &str| self.names.iter().find(|n| words(text, n)).cloned();
        hit(&text)?;
        // the longest first: a name may be part of another's, which is part of a third's
        let mut others: Vec<&String> = self.others.iter().collect();
        others.sort_by_key(|o| std::cmp::Reverse(o.len()));
        hit(&others.into_iter().fold(text, |text, other| text.replace(other.as_str(), "\u{0}")))
    }
}

/// The ways in which a text may stand in a file.
fn spelled(text: &str) -> [String; 5] {
    let json = serde_json::to_string(text).unwrap_or_default().trim_matches('"').to_string();
    [text.to_string(), composed(text), text.nfd().collect(), escaped(text), json]
}

const ESCAPES: [(&str, &str); 5] = [("&", "&#38;"), ("<", "&#60;"), (">", "&#62;"), ("\"", "&#34;"), ("'", "&#39;")];

fn escaped(text: &str) -> String {
    ESCAPES.iter().fold(text.to_string(), |t, (plain, code)| t.replace(plain, code))
}

/// As it was before a page's or JSON's escapes.
fn unescaped(text: &str) -> String {
    let plain = ESCAPES.iter().rev().fold(text.to_string(), |t, (plain, code)| t.replace(code, plain));
    plain.replace("\\\"", "\"").replace("\\\\", "\\")
}

/// Whether `name` occurs in a text as a word of its own: a short name is part of many words.
fn words(text: &str, name: &str) -> bool {
    let letter = |c: Option<char>| c.is_some_and(char::is_alphanumeric);
    text.match_indices(name).any(|(at, _)| !letter(text[..at].chars().next_back()) && !letter(text[at + name.len()..].chars().next()))
}

fn contains(hay: &[u8], needle: &[u8]) -> bool {
    let Some(first) = needle.first() else { return false };
    let mut from = 0;
    while let Some(at) = hay[from..].iter().position(|b| b == first).map(|p| p + from) {
        if hay[at..].starts_with(needle) {
            return true;
        }
        from = at + 1;
    }
    false
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_found_as_words_however_they_are_written() {
        assert!(words("x \"al\" y", "al") && words("al", "al") && !words("alice", "al") && !words("\u{e9}al", "al"));
        let sought = |name: &str, other: &str| Sought {
            exact: BTreeSet::new(),
            names: BTreeSet::from([folded(name)]),
            others: BTreeSet::from([folded(other)]),
        };
        for text in ["<b>ZOE\u{308}  O&#39;NEIL</b>", "\"zo\u{eb} o'neil\"", "Zo\u{eb} O'Neil"] {
            assert!(sought("Zo\u{eb} O'Neil", "x").name_in(text).is_some(), "{text}");
        }
        assert!(sought("Jonas", "Jonas Berg").name_in("JONAS BERG").is_none(), "somebody else");
        assert!(sought("Jonas", "Jonas Berg").name_in("Jonas Berg, jonas").is_some());
        assert!(contains(b"x\xffabc", b"abc") && !contains(b"", b"a") && !contains(b"ab", b""));
    }
}
