//! What was dropped into the inbox: whose clip is it, may it be opened, what is known about it.

pub mod admit;
pub mod brief;
pub mod club;
pub mod date;
pub mod inbox;
pub mod names;
pub mod roster;
pub mod sidecar;
pub mod still_there;
pub mod unmatched;

pub use brief::Brief;
pub use inbox::{Upload, walk};
pub use roster::Roster;
