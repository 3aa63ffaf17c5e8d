//! Faults on purpose. Every durable step of a night (fsync, rename, commit, removal) and every cut that a clip's process keeps
//! passes a numbered point of its process; tests set
//! `DAWNSHEET_FAULT` to `kill:N` (the program is killed at its N-th point) or `full:N` (from the N-th point on every step
//! fails as on a full disk) and then prove that nothing was lost. Unset, a point costs one comparison.

use std::io;
use std::sync::OnceLock;
use std::sync::atomic::{AtomicU64, Ordering};

/// Name of the variable.
pub const VARIABLE: &str = "DAWNSHEET_FAULT";

#[derive(Clone, Copy)]
enum Plan {
    None,
    Kill(u64),
    Full(u64),
}

fn plan() -> Plan {
    static PLAN: OnceLock<Plan> = OnceLock::new();
    *PLAN.get_or_init(|| {
        let text = std::env::var(VARIABLE).unwrap_or_default();
        match text.split_once(':').map(|(what, n)| (what, n.parse())) {
            Some(("kill", Ok(n))) => Plan::Kill(n),
            Some(("full", Ok(n))) => Plan::Full(n),
            _ => Plan::None,
        }
    })
}

/// One durable step is about to begin, or has just ended. Fails only where a test asked for it.
pub fn point() -> io::Result<()> {
    static PASSED: AtomicU64 = AtomicU64::new(0);
    match plan() {
        Plan::None => Ok(()),
        Plan::Kill(n) => {
            if PASSED.fetch_add(1, Ordering::SeqCst) + 1 == n {
                // as sudden as a power cut: nothing is flushed, no destructor runs
                let _ = rustix::process::kill_process(rustix::process::getpid(), rustix::process::Signal::KILL);
            }
            Ok(())
        }
        Plan::Full(n) if PASSED.fetch_add(1, Ordering::SeqCst) + 1 >= n => Err(io::Error::from(io::ErrorKind::StorageFull)),
        Plan::Full(_) => Ok(()),
    }
}
