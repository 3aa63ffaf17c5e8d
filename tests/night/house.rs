//! The order of the folders: what a file imports lies on a floor below its own, as `pipeline/lib.rs` lists them. And what the README
//! says of this version.

use std::collections::BTreeMap;
use std::path::Path;
use walkdir::WalkDir;

/// Folder → floor, by the blocks of `pub mod` lines in `lib.rs`.
fn floors(lib: &str) -> BTreeMap<String, usize> {
    let (mut floors, mut floor, mut open) = (BTreeMap::new(), 0, false);
    for line in lib.lines() {
        match line.strip_prefix("pub mod ").and_then(|l| l.split(';').next()) {
            Some(name) => {
                floors.insert(name.to_string(), floor);
                open = true;
            }
            None if line.trim().is_empty() && open => (floor, open) = (floor + 1, false),
            None => {}
        }
    }
    floors
}

/// Names that stand behind `crate::` in a source, with the number of their line; comments do not count.
fn imports(source: &str) -> Vec<(usize, String)> {
    let mut found = Vec::new();
    for (number, line) in source.lines().enumerate() {
        let code = line.split("//").next().unwrap_or_default();
        for (at, path) in code.match_indices("crate::") {
            let grouped = code[at + path.len()..].strip_prefix('{').map(|g| g.split('}').next().unwrap_or(g));
            let names: Vec<&str> = match grouped {
                Some(group) => group.split(',').collect(),
                None => vec![&code[at + path.len()..]],
            };
            for name in names {
                let name: String = name.trim().chars().take_while(|c| c.is_alphanumeric() || *c == '_').collect();
                found.push((number + 1, name));
            }
        }
    }
    found
}

/// What is wrong with one file of `folder`.
fn upward(floors: &BTreeMap<String, usize>, folder: &str, file: &str, source: &str) -> Vec<String> {
    let Some(own) = floors.get(folder) else { return vec![format!("{file}: pipeline/lib.rs gives '{folder}' no floor")] };
    let wrong = |(line, name): (usize, String)| match floors.get(&name) {
        None => Some(format!("{file}:{line}: pipeline/lib.rs gives '{name}' no floor")),
        Some(floor) if name != folder && floor >= own => {
            Some(format!("{file}:{line}: {folder} imports {name}, which does not lie below it"))
        }
        Some(_) => None,
    };
    imports(source).into_iter().filter_map(wrong).collect()
}

#[test]
fn imports_only_run_down() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("pipeline");
    let floors = floors(&std::fs::read_to_string(root.join("lib.rs")).unwrap());
    assert!(floors.len() > 15 && floors["error"] == 0, "{floors:?}");
    let (mut wrong, mut read) = (Vec::new(), 0);
    for entry in WalkDir::new(&root).into_iter().map(Result::unwrap).filter(|e| e.path().extension().is_some_and(|x| x == "rs")) {
        let below = entry.path().strip_prefix(&root).unwrap().to_string_lossy().into_owned();
        let folder = below.split('/').next().unwrap().trim_end_matches(".rs");
        // the programs stand on top: they may use everything
        if ["lib", "main", "worker", "cli"].contains(&folder) {
            continue;
        }
        wrong.extend(upward(&floors, folder, &format!("pipeline/{below}"), &std::fs::read_to_string(entry.path()).unwrap()));
        read += 1;
    }
    assert!(read > 100, "{read} files read");
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn an_upward_import_and_an_unknown_folder_are_told_with_their_line() {
    let floors = floors("pub mod error;\n\npub mod seen;\n\npub mod sheet;\n");
    let told = |folder: &str, source: &str| upward(&floors, folder, "f.rs", source);
    assert_eq!(told("seen", "use crate::error::Error;\nuse crate::seen::Look;\n// crate::sheet\n"), Vec::<String>::new());
    assert_eq!(told("seen", "\nuse crate::sheet::write;"), ["f.rs:2: seen imports sheet, which does not lie below it"]);
    assert_eq!(told("seen", "use crate::{error::Error, sheet};"), ["f.rs:1: seen imports sheet, which does not lie below it"]);
    assert_eq!(told("seen", "let x = crate::attic::of();"), ["f.rs:1: pipeline/lib.rs gives 'attic' no floor"]);
    assert_eq!(told("attic", ""), ["f.rs: pipeline/lib.rs gives 'attic' no floor"]);
}

#[test]
fn the_readme_installs_the_package_of_this_version() {
    let readme = std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("README.md")).unwrap();
    // as `scripts/package` names what it makes
    for made in [
        concat!("dawnsheet_", env!("CARGO_PKG_VERSION"), "_debian12_amd64.deb"),
        concat!("dawnsheet-", env!("CARGO_PKG_VERSION"), "-debian12-x86_64.tar.gz"),
    ] {
        assert!(readme.contains(made), "README.md does not name {made}");
    }
}
