//! From a file to upright pictures with one true time each.

pub mod camera;
pub mod decode;
mod decoder;
mod hdr;
pub mod probe;
pub mod sound;
pub mod upright;

pub use decode::{Footage, Shown};
pub use decoder::set_threads;
pub use probe::{Probe, probe};
