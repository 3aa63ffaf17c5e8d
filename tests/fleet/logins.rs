//! Databases are named without their passwords: nothing secret stands in the process list, and what the password file, the
//! service file and the variables say is followed.

use crate::cluster::{Cluster, PASSWORD};
use crate::fleet::{self, Programs, fill, with_stub};
use std::os::unix::fs::PermissionsExt;
use std::path::Path;
use std::process::{Output, Stdio};
use std::time::{Duration, Instant};

fn write(path: &Path, text: &str, mode: u32) {
    std::fs::write(path, text).unwrap();
    std::fs::set_permissions(path, std::fs::Permissions::from_mode(mode)).unwrap();
}

/// `dawnsheet queue` with a home folder of its own and these variables.
fn queue(programs: &Programs, home: &Path, given: &[&str], env: &[(&str, &str)]) -> (Option<i32>, String) {
    let mut command = programs.command(&[&["queue"], given].concat());
    command.env("HOME", home);
    for name in ["PGPASSWORD", "PGPASSFILE", "PGSERVICEFILE", "DAWNSHEET_QUEUE", "DAWNSHEET_STORE"] {
        command.env_remove(name);
    }
    let Output { status, stdout, stderr } = command.envs(env.iter().copied()).output().unwrap();
    let text = String::from_utf8_lossy(&stdout).into_owned() + &String::from_utf8_lossy(&stderr);
    assert!(!text.contains(PASSWORD), "{text}");
    (status.code(), text)
}

#[test]
fn a_password_comes_from_where_postgresql_keeps_it() {
    let (programs, cluster, home) = (with_stub("0"), Cluster::start(), tempfile::tempdir().unwrap());
    let with = cluster.create("night");
    dawnsheet::queue::Queue::open(&with).unwrap();
    let (home, port) = (home.path(), cluster.port);
    let bare = format!("postgresql://postgres@127.0.0.1:{port}/night");
    let ask = |given: &[&str], env: &[(&str, &str)]| queue(&programs, home, given, env);

    // on the command line it is refused, in the variable it is not
    for flag in [with.clone(), format!("{bare}?password={}", PASSWORD.replace(' ', "%20"))] {
        let (code, said) = ask(&["--queue", &flag], &[]);
        assert!(code == Some(2) && said.contains("a password on the command line can be read by everybody"), "{said}");
    }
    assert_eq!(ask(&[], &[("DAWNSHEET_QUEUE", &with)]).0, Some(0));
    let (code, said) = ask(&["--queue", &bare], &[]);
    assert!(code == Some(2), "nobody told a password: {said}");
    assert_eq!(ask(&["--queue", &bare], &[("PGPASSWORD", PASSWORD)]).0, Some(0));

    // the password file, in its usual place and elsewhere, for its owner's eyes alone
    let line = format!("# ours\nother:1:*:*:no\n127.0.0.1:{port}:night:postgres:{PASSWORD}\n");
    write(&home.join(".pgpass"), &line, 0o600);
    assert_eq!(ask(&["--queue", &bare], &[]).0, Some(0));
    write(&home.join(".pgpass"), &line, 0o640);
    let (code, said) = ask(&["--queue", &bare], &[]);
    assert!(code == Some(2) && said.contains("may be read by others (mode 640): chmod 600"), "{said}");
    std::fs::remove_file(home.join(".pgpass")).unwrap();
    let file = home.join("passwords");
    write(&file, &line, 0o600);
    assert_eq!(ask(&["--queue", &bare], &[("PGPASSFILE", file.to_str().unwrap())]).0, Some(0));

    // a service
    let services = format!("[day]\nhost=nowhere\n\n[night]\nhost=127.0.0.1\nport={port}\ndbname=night\nuser=postgres\n");
    write(&home.join(".pg_service.conf"), &format!("{services}passfile={}\n", file.display()), 0o644);
    assert_eq!(ask(&["--queue", "service=night"], &[]).0, Some(0));
    assert_eq!(ask(&[], &[("DAWNSHEET_QUEUE", "postgresql:///?service=night")]).0, Some(0));
    let (code, said) = ask(&["--queue", "service=nobody"], &[]);
    assert!(code == Some(2) && said.contains("has no section [nobody]"), "{said}");
    let elsewhere = home.join("services");
    let elsewhere_text = elsewhere.to_str().unwrap();
    write(&elsewhere, &format!("{services}password={PASSWORD}\n"), 0o600);
    assert_eq!(ask(&["--queue", "service=night"], &[("PGSERVICEFILE", elsewhere_text)]).0, Some(0));
    write(&elsewhere, &format!("{services}password={PASSWORD}\n"), 0o644);
    let (code, said) = ask(&["--queue", "service=night"], &[("PGSERVICEFILE", elsewhere_text)]);
    assert!(code == Some(2) && said.contains("chmod 600"), "{said}");
}

/// Command lines and environments of a process and of all that it started.
fn of_tree(root: u32) -> Vec<(u32, String, String)> {
    let read = |pid: u32, what: &str| {
        let bytes = std::fs::read(format!("/proc/{pid}/{what}")).unwrap_or_default();
        String::from_utf8_lossy(&bytes).replace('\0', "\n")
    };
    let parent = |pid: u32| read(pid, "stat").rsplit(") ").next()?.split(' ').nth(1)?.parse::<u32>().ok();
    let all: Vec<u32> = std::fs::read_dir("/proc").unwrap().filter_map(|e| e.ok()?.file_name().to_str()?.parse().ok()).collect();
    let mut tree = vec![root];
    for _ in 0..6 {
        tree.extend(
            all.iter().filter(|p| !tree.contains(p) && parent(**p).is_some_and(|up| tree.contains(&up))).copied().collect::<Vec<_>>(),
        );
    }
    tree.into_iter().map(|pid| (pid, read(pid, "cmdline"), read(pid, "environ"))).collect()
}

#[test]
fn nothing_secret_stands_in_the_process_list() {
    let (programs, cluster, place) = (with_stub("0.4"), Cluster::start(), tempfile::tempdir().unwrap());
    let url = cluster.create("night");
    let inbox = place.path().join("inbox");
    fill(&inbox, 12);
    assert_eq!(programs.enqueue(&url, &inbox, &[]).1["added"], 12);
    let (inbox, out) = (inbox.to_str().unwrap(), place.path().join("out"));
    let told = ["work", "--media", inbox, "--out", out.to_str().unwrap(), "--slots", "2", "--poll", "0.05"];
    let mut work = programs.on(&url, &told).env("DAWNSHEET_STORE", &url).stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap();
    let secret = PASSWORD.replace(' ', "%20");
    let (began, mut workers) = (Instant::now(), 0);
    while workers < 5 {
        assert!(began.elapsed() < Duration::from_secs(30), "no worker was seen");
        for (pid, line, environment) in of_tree(work.id()) {
            assert!(!line.contains(&secret) && !line.contains(PASSWORD), "{line}");
            if line.contains("dawnsheet-worker") {
                workers += 1;
                assert!(!environment.contains(&secret), "what decodes strangers' files knows the password: process {pid}");
            }
        }
        std::thread::sleep(Duration::from_millis(50));
    }
    fleet::signal(&work, "-TERM");
    work.wait().unwrap();
}
