//! The store: results, what was seen, attempts; and what a student's results say over time.

pub mod statistics;
pub mod store;
pub mod trend;

pub use store::Store;
