//! How a clip is looked at: the scout over all of it, the measuring pass over its swings, the best model on the frames whose
//! places are measured, and closer looks at the arms. What was seen lands in [`crate::seen::Seen`].

pub mod ball;
mod choose;
pub mod close;
pub mod cuts;
pub mod key;
mod listen;
mod lying;
pub mod observe;
pub mod person;
pub mod scout;
mod spot;
pub mod stir;
