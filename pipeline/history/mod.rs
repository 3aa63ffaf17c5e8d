//! The store: results, what was seen, attempts, the coach's verdicts; and what a student's results say over time.

pub mod association;
pub mod at_limits;
#[cfg(feature = "queue")]
pub mod connect;
pub mod elsewhere;
pub mod erased;
pub mod golfers;
#[cfg(feature = "queue")]
mod login;
pub mod marked;
pub mod owners;
#[cfg(feature = "queue")]
pub mod postgres;
pub mod results;
pub mod rows;
pub mod sequential;
pub mod statistics;
pub mod store;
pub mod trend;
pub mod verdicts;

pub use owners::Owners;
pub use results::Results;
pub use rows::Row;
pub use store::Store;
