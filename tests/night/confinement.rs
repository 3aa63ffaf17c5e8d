//! What code that took over a worker can do: a library is put before the worker's own, in which opening a clip tries everything
//! that confinement forbids and says how each attempt ended.

use crate::support::{Place, dawnsheet, fixture};
use std::path::{Path, PathBuf};
use std::process::Command;

/// The injected code. Tells each attempt's outcome on standard error, which the worker lets run into its own folder: 0 for done,
/// else the error number.
const INJECTED: &str = r#"
#define _GNU_SOURCE
#include <errno.h>
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ptrace.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <sys/un.h>
#include <netinet/in.h>
#include <unistd.h>

static void told(const char *what, long result) { fprintf(stderr, "[tried] %s %d\n", what, result < 0 ? errno : 0); }

int avformat_open_input(void **context, const char *url, void *format, void **options) {
    if (strcmp(program_invocation_short_name, "dawnsheet-worker") != 0) _exit(3);
    const char *victim = getenv("VICTIM"), *socket_path = getenv("LISTENER");
    char beside[4096];
    snprintf(beside, sizeof beside, "%s.new", victim);
    told("read", open(victim, O_RDONLY));
    told("write", open(victim, O_WRONLY));
    told("create", open(beside, O_WRONLY | O_CREAT, 0600));
    told("truncate", truncate(victim, 0));
    told("chmod", chmod(victim, 0777));
    told("remove", unlink(victim));
    told("rename", rename(victim, beside));
    told("internet", socket(AF_INET, SOCK_STREAM, 0));
    struct sockaddr_un address = { .sun_family = AF_UNIX };
    strncpy(address.sun_path, socket_path, sizeof address.sun_path - 1);
    int s = socket(AF_UNIX, SOCK_STREAM, 0);
    told("local socket", s < 0 ? s : connect(s, (struct sockaddr *)&address, sizeof address));
    told("io_uring", syscall(SYS_io_uring_setup, 1, NULL));
    if (!getenv("SPARE_PARENT")) told("trace", ptrace(PTRACE_ATTACH, getppid(), NULL, NULL));
    fflush(stderr);
    abort();
}
"#;

const TRIED: [&str; 11] =
    ["read", "write", "create", "truncate", "chmod", "remove", "rename", "internet", "local socket", "io_uring", "trace"];

fn injected(folder: &Path) -> PathBuf {
    let (source, library) = (folder.join("injected.c"), folder.join("injected.so"));
    std::fs::write(&source, INJECTED).unwrap();
    let built = Command::new("cc").args(["-shared", "-fPIC", "-w", "-o"]).arg(&library).arg(&source).status().unwrap();
    assert!(built.success());
    library
}

fn outcomes(evidence: &str) -> Vec<(String, i32)> {
    let tried = evidence.lines().filter_map(|l| l.trim().strip_prefix("[tried] "));
    tried.filter_map(|l| l.rsplit_once(' ')).map(|(what, code)| (what.to_string(), code.parse().unwrap())).collect()
}

#[test]
fn injected_code_reads_writes_and_reaches_nothing() {
    let place = Place::new();
    place.copy(&fixture("Mira Okafor/2026-11-23 7 iron.mp4"), "Mira/clip.mp4");
    let library = injected(place.folder.path());
    let victim = place.folder.path().join("victim.txt");
    std::fs::write(&victim, "another student's").unwrap();
    let listener = place.folder.path().join("listener");
    let _listening = std::os::unix::net::UnixListener::bind(&listener).unwrap();
    // by itself, unconfined, the same code does it all: the attempts are real
    let free = place.folder.path().join("free");
    let trial =
        "extern int avformat_open_input(void **, const char *, void *, void **);\nint main() { return avformat_open_input(0, 0, 0, 0); }\n";
    std::fs::write(place.folder.path().join("main.c"), trial).unwrap();
    let main = place.folder.path().join("dawnsheet-worker");
    let built = Command::new("cc").arg("-o").arg(&main).arg(place.folder.path().join("main.c")).arg(&library).status().unwrap();
    assert!(built.success());
    std::fs::write(&free, "anybody's").unwrap();
    let ran = Command::new(&main).env("VICTIM", &free).env("LISTENER", &listener).env("SPARE_PARENT", "1").output().unwrap();
    let done = outcomes(&String::from_utf8_lossy(&ran.stderr));
    for what in ["read", "write", "create", "truncate", "chmod", "remove", "internet", "local socket"] {
        assert!(done.contains(&(what.to_string(), 0)), "{what}: {done:?}");
    }

    let mut command = place.command(&[]);
    let ended = command.env("LD_PRELOAD", &library).env("VICTIM", &victim).env("LISTENER", &listener).status().unwrap();
    assert_eq!(ended.code(), Some(1), "the clip is set aside");
    let aside: serde_json::Value = serde_json::from_slice(&std::fs::read(place.out().join("quarantine.json")).unwrap()).unwrap();
    let evidence = aside[0]["attempts"][0]["stderr"].as_str().unwrap_or_else(|| panic!("{aside}"));
    let outcomes = outcomes(evidence);
    assert_eq!(outcomes.iter().map(|o| o.0.as_str()).collect::<Vec<_>>(), TRIED, "every attempt was made: {evidence}");
    for (what, code) in &outcomes {
        assert!([libc::EACCES, libc::EPERM, libc::EXDEV].contains(code), "{what} ended with {code}");
    }
    assert_eq!(std::fs::read_to_string(&victim).unwrap(), "another student's");
    use std::os::unix::fs::PermissionsExt;
    assert_ne!(std::fs::metadata(&victim).unwrap().permissions().mode() & 0o777, 0o777);
}

#[test]
fn what_is_in_force_is_told() {
    let place = Place::new();
    let told = dawnsheet(&["doctor", "--out", place.out().to_str().unwrap()]);
    assert!(told.stdout.contains("confinement") && told.stdout.contains("reads its clip"), "{}", told.stdout);
    place.copy(&fixture("Mira Okafor/2026-11-23 7 iron.mp4"), "Mira/clip.mp4");
    place.run(&[]);
    let report = &place.reports()[0];
    let step = report.provenance.iter().find(|s| s.step == "worker").unwrap();
    assert!(step.parameters["confinement"].as_str().unwrap().starts_with("confined"), "{step:?}");
    let log = walkdir::WalkDir::new(place.out().join("logs")).into_iter().filter_map(Result::ok).filter(|e| e.file_type().is_file());
    let lines: String = log.map(|e| std::fs::read_to_string(e.path()).unwrap()).collect();
    assert!(lines.contains("confined: reads its clip"), "the log says so too");
}

#[test]
fn a_word_that_is_none_is_refused_and_weaker_kernels_stop_only_who_asked_for_more() {
    use dawnsheet::batch::confine::InForce;
    use dawnsheet::settings::{Confine, Settings};
    let said = Settings::parse("[night]\nconfine = \"firmly\"").unwrap_err().to_string();
    assert!(said.contains("required") && said.contains("best"), "{said}");
    let without_landlock = InForce { files: false, system_calls: true };
    assert!(without_landlock.check(Confine::Best).is_ok());
    let refused = without_landlock.check(Confine::Required).unwrap_err();
    assert_eq!(refused.exit_code(), 2);
    assert!(refused.to_string().contains("night.confine = \"best\""), "{refused}");
    assert!(InForce { files: true, system_calls: true }.check(Confine::Required).is_ok());
}
