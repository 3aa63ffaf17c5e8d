//! View, lead side, slow motion, swing windows and the events of each swing.

pub mod body;
pub mod events;
pub mod fit;
mod heard;
pub mod read;
pub mod scale;
pub mod view;
pub mod windows;
pub mod witness;
pub mod yaw;

pub use body::{Body, Part};
pub use events::{Moment, Moments};
pub use read::{SwingRead, read_swings};
pub use windows::{Window, find_windows};
