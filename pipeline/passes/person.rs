//! Somebody who is followed through the clip.

use crate::seen::{Look, Region};

/// One person followed through the clip.
#[derive(Debug, Clone)]
pub struct Person {
    /// Where to look next; `None` while lost.
    pub region: Option<Region>,
    pub last: Region,
    /// When last lost, seconds.
    pub lost: Option<f64>,
    /// (frame, time, look) in order.
    pub looks: Vec<(usize, f64, Look)>,
}
