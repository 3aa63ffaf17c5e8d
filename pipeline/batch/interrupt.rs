//! Ctrl-C and SIGTERM. The first lets running clips finish and starts no other; the second stops at once. Both leave a
//! state from which the next run goes on.

use crate::error::{Error, Result};
use signal_hook::consts::{SIGINT, SIGTERM};
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

/// How often the run was asked to stop.
#[derive(Debug, Clone, Default)]
pub struct Interrupt {
    asked: Arc<AtomicUsize>,
}

impl Interrupt {
    /// Listens from now on.
    pub fn listen() -> Result<Interrupt> {
        let interrupt = Interrupt::default();
        let asked = interrupt.asked.clone();
        let mut signals = signal_hook::iterator::Signals::new([SIGINT, SIGTERM]).map_err(|e| Error::Internal(e.to_string()))?;
        std::thread::spawn(move || {
            for _ in signals.forever() {
                let said = match asked.fetch_add(1, Ordering::SeqCst) {
                    0 => "finishing the clips at work, starting no other; once more stops at once",
                    _ => "stopping at once; what was at work is done again by the next run",
                };
                crate::tell::err(format_args!("\ndawnsheet: {said}\n"));
            }
        });
        Ok(interrupt)
    }

    /// No clip may start any more.
    pub fn draining(&self) -> bool {
        self.asked.load(Ordering::SeqCst) > 0
    }

    /// Running clips are to be given up.
    pub fn at_once(&self) -> bool {
        self.asked.load(Ordering::SeqCst) > 1
    }
}
