//! What a worker may do: memory, time, which files, no network. A decoder is the part most exposed to hostile files; should
//! one be taken over, it can read the clip and the installed programs, write into its own folder, and nothing else.
//!
//! Files are Landlock's part. What its older interfaces leave open (1 of Linux 5.13: moving files between folders and truncating;
//! 2 of 5.19: truncating; before 4 of 6.7: TCP) and what none of them covers (modes, owners and attributes of files, local
//! sockets) a filter of system calls shuts on every kernel, so that the same holds wherever Landlock is there at all.

use crate::error::{Error, Result};
use crate::settings::Confine;
use crate::settings::Night;
use landlock::{
    ABI, Access, AccessFs, AccessNet, CompatLevel, Compatible, PathBeneath, PathFd, Ruleset, RulesetAttr, RulesetCreatedAttr,
    RulesetStatus, Scope,
};
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

/// What is in force in a worker.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct InForce {
    pub files: bool,
    pub system_calls: bool,
}

impl InForce {
    /// As reports and `doctor` say it.
    pub fn words(self) -> &'static str {
        match (self.files, self.system_calls) {
            (true, true) => "confined: reads its clip and the system, writes its own folder, opens no connection",
            (true, false) => "files confined, system calls not",
            (false, true) => "opens no connection; files NOT confined: this kernel has no Landlock",
            (false, false) => "NOT confined: this kernel has neither Landlock nor seccomp",
        }
    }

    /// Error: more is asked for than the kernel enforces.
    pub fn check(self, wanted: Confine) -> Result<()> {
        let enough = match wanted {
            Confine::Required => self.files && self.system_calls,
            Confine::WherePossible => self.files || !landlock_offered(),
            Confine::Best => true,
        };
        if enough {
            return Ok(());
        }
        Err(Error::Installation(format!(
            "workers cannot be confined as night.confine asks ({}): use a kernel with Landlock and seccomp, or set night.confine = \"best\" and take in only clips that you trust",
            self.words()
        )))
    }
}

/// Whether the kernel lists Landlock among its active security modules.
fn landlock_offered() -> bool {
    std::fs::read_to_string("/sys/kernel/security/lsm").is_ok_and(|list| list.trim().split(',').any(|m| m == "landlock"))
}

/// From here on this process (and what it starts) reads only `readable` and the system's programs, and writes only below
/// `folder`; whether the kernel enforces it.
pub fn confine_files(readable: &[&Path], folder: &Path) -> Result<bool> {
    restrict_files(readable, folder).map_err(|e| Error::Internal(format!("landlock: {e}")))
}

/// From here on this process (and what it starts) opens no connection, traces nobody, and changes no file's length by its name,
/// mode, owner or attributes; whether the kernel enforces it.
pub fn confine_system_calls() -> Result<bool> {
    restrict_system_calls().map_err(|e| Error::Internal(format!("seccomp: {e}")))
}

fn restrict_files(readable: &[&Path], folder: &Path) -> std::result::Result<bool, landlock::RulesetError> {
    let abi = ABI::V6;
    let mut rules = Ruleset::default()
        .set_compatibility(CompatLevel::BestEffort)
        .handle_access(AccessFs::from_all(abi))?
        .handle_access(AccessNet::from_all(abi))?
        .scope(Scope::from_all(abi))?
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
    Ok(rules.restrict_self()?.ruleset != RulesetStatus::NotEnforced)
}

/// Elsewhere than on Linux nothing is done.
#[cfg(all(target_os = "linux", any(target_arch = "x86_64", target_arch = "aarch64")))]
fn restrict_system_calls() -> std::result::Result<bool, Box<dyn std::error::Error>> {
    use seccompiler::{BpfProgram, SeccompAction, SeccompCmpArgLen, SeccompCmpOp, SeccompCondition, SeccompFilter, SeccompRule};
    // socket and socketpair fail for every family: a worker talks by the pipes it was started with
    let mut shut = vec![
        libc::SYS_socket,
        libc::SYS_connect,
        libc::SYS_bind,
        libc::SYS_ptrace,
        libc::SYS_process_vm_readv,
        libc::SYS_process_vm_writev,
        libc::SYS_io_uring_setup,
        libc::SYS_io_uring_enter,
        libc::SYS_io_uring_register,
        libc::SYS_truncate,
        libc::SYS_fchmod,
        libc::SYS_fchmodat,
        SYS_FCHMODAT2,
        libc::SYS_fchown,
        libc::SYS_fchownat,
        libc::SYS_setxattr,
        libc::SYS_lsetxattr,
        libc::SYS_fsetxattr,
        libc::SYS_removexattr,
        libc::SYS_utimensat,
        libc::SYS_mount,
        libc::SYS_unshare,
        libc::SYS_setns,
        libc::SYS_bpf,
        libc::SYS_keyctl,
    ];
    #[cfg(target_arch = "x86_64")]
    shut.extend([libc::SYS_chmod, libc::SYS_chown, libc::SYS_lchown, libc::SYS_utime, libc::SYS_utimes, libc::SYS_futimesat]);
    let mut rules: std::collections::BTreeMap<i64, Vec<SeccompRule>> = shut.into_iter().map(|call| (call, Vec::new())).collect();
    // a library that starts threads may want a pair of local sockets; it leads nowhere else
    let not_local = SeccompCondition::new(0, SeccompCmpArgLen::Dword, SeccompCmpOp::Ne, libc::AF_UNIX as u64)?;
    rules.insert(libc::SYS_socketpair, vec![SeccompRule::new(vec![not_local])?]);
    let errno = SeccompAction::Errno(libc::EACCES as u32);
    let filter = SeccompFilter::new(rules, SeccompAction::Allow, errno, std::env::consts::ARCH.try_into()?)?;
    let program: BpfProgram = filter.try_into()?;
    Ok(seccompiler::apply_filter_all_threads(&program).is_ok())
}

/// `fchmodat2` of Linux 6.6, on every machine (its own table of system calls; from memory).
#[cfg(all(target_os = "linux", any(target_arch = "x86_64", target_arch = "aarch64")))]
const SYS_FCHMODAT2: i64 = 452;

#[cfg(not(all(target_os = "linux", any(target_arch = "x86_64", target_arch = "aarch64"))))]
fn restrict_system_calls() -> std::result::Result<bool, Box<dyn std::error::Error>> {
    Ok(false)
}
