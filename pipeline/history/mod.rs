//! The store: results, what was seen, attempts, the coach's verdicts; and what a student's results say over time.

pub mod statistics;
pub mod store;
pub mod trend;
pub mod verdicts;

pub use store::Store;
