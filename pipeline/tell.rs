//! What people are told at a terminal. Nobody reading any more (`| head`, a closed window) is no reason to stop what is being
//! done, let alone to panic over it: what cannot be said is dropped, and the command ends with its own exit code.

use std::fmt::Arguments;
use std::io::Write;

/// On standard output, as it stands.
pub fn out(text: Arguments) {
    let mut to = std::io::stdout().lock();
    let _ = to.write_fmt(text).and_then(|()| to.flush());
}

/// On standard error, as it stands.
pub fn err(text: Arguments) {
    let _ = std::io::stderr().lock().write_fmt(text);
}
