//! The set-up script in a tree of its own with programs that only pretend: two at once, and platforms that nobody tried.

use crate::support::{copy_executable, executable, repository};
use sha2::{Digest, Sha256};
use std::process::{Command, Output};

#[test]
fn two_at_once_go_one_after_the_other() {
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path();
    std::fs::create_dir_all(root.join("scripts")).unwrap();
    copy_executable(&repository("scripts/setup"), &root.join("scripts/setup"));
    let fetch = "import time\nlog = open('log', 'a')\nlog.write('begins\\n'); log.flush(); time.sleep(0.7); log.write('ends\\n')\n";
    std::fs::write(root.join("scripts/fetch_models.py"), fetch).unwrap();
    executable(&root.join("target/release/dawnsheet"), "#!/bin/sh\n");
    // every package is there
    executable(&root.join("bin/dpkg-query"), "#!/bin/sh\necho install ok installed\n");
    executable(&root.join("bin/cargo"), "#!/bin/sh\n");
    std::fs::create_dir_all(root.join("scripts/axe_lib")).unwrap();
    std::fs::write(root.join("scripts/axe_lib/package-lock.json"), "{}").unwrap();
    executable(&root.join("bin/npm"), "#!/bin/sh\nmkdir -p \"$3/node_modules\"\necho \"$1\" >> npm-log\n");
    let path = format!("{}:{}", root.join("bin").display(), std::env::var("PATH").unwrap());
    let start = || Command::new(root.join("scripts/setup")).env("PATH", &path).spawn().unwrap();
    let both = [start(), start()];
    assert!(both.into_iter().all(|mut one| one.wait().unwrap().success()));
    assert_eq!(std::fs::read_to_string(root.join("log")).unwrap(), "begins\nends\nbegins\nends\n");
    // what the browser's checks need comes by the lock file, and once
    assert_eq!(std::fs::read_to_string(root.join("npm-log")).unwrap(), "ci\n");
}

/// `scripts/fetch_models.py` where no runtime is made for this machine and one model is there or missing.
fn fetch(model_there: bool) -> Output {
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path();
    std::fs::create_dir_all(root.join("scripts")).unwrap();
    std::fs::create_dir_all(root.join("models")).unwrap();
    std::fs::copy(repository("scripts/fetch_models.py"), root.join("scripts/fetch_models.py")).unwrap();
    let hash = dawnsheet::pose::models::hex(&Sha256::digest(b"a model"));
    let manifest = format!(
        "[[package]]\nid = \"pose\"\nregistry = \"none\"\nname = \"pose\"\nversion = \"1\"\nsha256 = \"0\"\n\
         [[runtime]]\nmachine = \"a machine of nobody\"\nfile = \"runtime/lib.so\"\nsha256 = \"0\"\npackage = \"none\"\n\
         [[model]]\nfile = \"m.onnx\"\nsha256 = \"{hash}\"\nmember = \"m\"\nmember_sha256 = \"0\"\n"
    );
    std::fs::write(root.join("models/manifest.toml"), manifest).unwrap();
    if model_there {
        std::fs::write(root.join("models/m.onnx"), b"a model").unwrap();
    }
    // a package client that has nothing
    executable(&root.join("bin/npm"), "#!/bin/sh\necho nothing here; exit 1\n");
    let path = format!("{}:{}", root.join("bin").display(), std::env::var("PATH").unwrap());
    let mut command = Command::new("python3");
    command.arg(root.join("scripts/fetch_models.py")).env("PATH", path).env("ORT_DYLIB_PATH", "own/libonnxruntime.so");
    command.output().unwrap()
}

#[test]
fn an_unknown_platform_skips_the_runtime_alone() {
    let done = fetch(true);
    let (said, told) = (String::from_utf8_lossy(&done.stdout), String::from_utf8_lossy(&done.stderr));
    assert!(done.status.success() && said.contains("models: present, hashes right"), "{said} {told}");
    assert!(told.contains("no ONNX Runtime is pinned") && told.contains("own/libonnxruntime.so is used (ORT_DYLIB_PATH)"), "{told}");
    // it goes on to the models, and fails there where they cannot be had
    let done = fetch(false);
    assert!(!done.status.success() && String::from_utf8_lossy(&done.stderr).contains("nothing here"), "{done:?}");
}
