//! What a worker may do: memory, time, which files, no network. A decoder is the part most exposed to hostile files; should
//! one be taken over, it can read the clip and the installed programs, write into its own folder, and nothing else.

use crate::error::{Error, Result};
use crate::settings::Night;
use landlock::{ABI, Access, AccessFs, AccessNet, CompatLevel, Compatible, PathBeneath, PathFd, Ruleset, RulesetAttr, RulesetCreatedAttr};
use std::path::Path;
use std::time::Duration;

/// Folders that hold programs, libraries and what the system tells of itself.
const SYSTEM: [&str; 13] = [
    "/usr",
    "/lib",
    "/lib64",
    "/bin",
    "/opt",
    "/nix/store",
    "/etc/ld.so.cache",
    "/etc/alternatives",
    "/sys/devices/system",
    "/proc/cpuinfo",
    "/proc/self",
    "/dev/null",
    "/dev/urandom",
];

/// Dies with the parent; memory, CPU time and wall clock as the settings allow at most.
pub fn limit(night: &Night) -> Result<()> {
    #[cfg(target_os = "linux")]
    let _ = rustix::process::set_parent_process_death_signal(Some(rustix::process::Signal::KILL));
    set_limit(rlimit::Resource::AS, night.clip_megabytes * 1e6)?;
    set_limit(rlimit::Resource::CPU, night.clip_seconds * 2.0)
}

/// Seconds that a frame may take at most, both passes, on a slow machine.
const SECONDS_A_FRAME: f64 = 0.6;
/// Seconds for loading and for the closer looks, on a slow machine.
const SECONDS_A_CLIP: f64 = 120.0;

/// Tightens CPU time and wall clock to what a clip of so many frames can need.
pub fn limit_to_clip(frames: usize, night: &Night) -> Result<()> {
    let seconds = (SECONDS_A_CLIP + SECONDS_A_FRAME * frames as f64).min(night.clip_seconds);
    set_limit(rlimit::Resource::CPU, seconds * 2.0)?;
    std::thread::spawn(move || {
        std::thread::sleep(Duration::from_secs_f64(seconds));
        eprintln!("stopped: more than {seconds:.0} s for {frames} frames");
        // without exit handlers: they would pull the inference library from under its own threads
        signal_hook::low_level::exit(1);
    });
    Ok(())
}

fn set_limit(what: rlimit::Resource, value: f64) -> Result<()> {
    let (_, hard) = what.get().map_err(|e| Error::Internal(e.to_string()))?;
    what.set((value as u64).min(hard), hard).map_err(|e| Error::Internal(e.to_string()))
}

/// From here on this process (and what it starts) reads only `readable` and the system's programs, and writes only below
/// `folder`; whether the kernel enforces it.
pub fn confine_files(readable: &[&Path], folder: &Path) -> Result<bool> {
    restrict_files(readable, folder).map_err(|e| Error::Internal(format!("landlock: {e}")))
}

/// From here on this process (and what it starts) opens no internet connection; whether the kernel enforces it.
pub fn confine_network() -> Result<bool> {
    restrict_sockets().map_err(|e| Error::Internal(format!("seccomp: {e}")))
}

fn restrict_files(readable: &[&Path], folder: &Path) -> std::result::Result<bool, landlock::RulesetError> {
    let abi = ABI::V5;
    let mut rules = Ruleset::default()
        .set_compatibility(CompatLevel::BestEffort)
        .handle_access(AccessFs::from_all(abi))?
        .handle_access(AccessNet::from_all(abi))?
        .create()?;
    for path in SYSTEM.iter().map(Path::new).chain(readable.iter().copied()) {
        if let Ok(fd) = PathFd::new(path) {
            let access = if path.is_dir() { AccessFs::from_read(abi) } else { AccessFs::from_read(abi) & AccessFs::from_file(abi) };
            rules = rules.add_rule(PathBeneath::new(fd, access))?;
        }
    }
    if let Ok(fd) = PathFd::new("/dev/null") {
        rules = rules.add_rule(PathBeneath::new(fd, AccessFs::WriteFile))?;
    }
    if let Ok(fd) = PathFd::new(folder) {
        let access = (AccessFs::from_all(abi) & !AccessFs::Execute) & !(AccessFs::MakeChar | AccessFs::MakeBlock | AccessFs::MakeSock);
        rules = rules.add_rule(PathBeneath::new(fd, access))?;
    }
    let status = rules.restrict_self()?;
    Ok(status.ruleset != landlock::RulesetStatus::NotEnforced)
}

/// `socket` fails for every internet family. Elsewhere than on Linux nothing is done.
#[cfg(all(target_os = "linux", any(target_arch = "x86_64", target_arch = "aarch64")))]
fn restrict_sockets() -> std::result::Result<bool, Box<dyn std::error::Error>> {
    use seccompiler::{BpfProgram, SeccompAction, SeccompCmpArgLen, SeccompCmpOp, SeccompCondition, SeccompFilter, SeccompRule};
    // the numbers of socket(2) and of AF_INET, AF_INET6, AF_NETLINK, AF_PACKET: Linux's own tables
    let socket = if cfg!(target_arch = "x86_64") { 41 } else { 198 };
    let families = [2, 10, 16, 17];
    let rules = families
        .iter()
        .map(|f| SeccompRule::new(vec![SeccompCondition::new(0, SeccompCmpArgLen::Dword, SeccompCmpOp::Eq, *f)?]))
        .collect::<std::result::Result<Vec<_>, _>>()?;
    let filter = SeccompFilter::new(
        [(socket, rules)].into_iter().collect(),
        SeccompAction::Allow,
        SeccompAction::Errno(13), // EACCES
        std::env::consts::ARCH.try_into()?,
    )?;
    let program: BpfProgram = filter.try_into()?;
    Ok(seccompiler::apply_filter_all_threads(&program).is_ok())
}

#[cfg(not(all(target_os = "linux", any(target_arch = "x86_64", target_arch = "aarch64"))))]
fn restrict_sockets() -> std::result::Result<bool, Box<dyn std::error::Error>> {
    Ok(false)
}
