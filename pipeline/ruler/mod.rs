//! The coach's own ruler: what a coach measures by hand, before seeing what the program measured, and what the two together say of
//! the program on the coach's own footage. `marks` (named points of a clip's pictures) → `values` (by the definitions of
//! `measure/`) → `agree` (published statistics of two ways to measure one thing) → `table`. What it says may be
//! adopted (`adopt`): the program then judges by it, until it is dropped. Or what was measured of one clip decides that clip (`decide`).

pub mod adopt;
pub mod agree;
pub mod decide;
pub mod draw;
pub mod keep;
pub mod marks;
pub mod table;
pub mod values;

pub use marks::{Mark, Marks, Place};
pub use values::{ByHand, by_hand};
