//! The store: results, what was seen, attempts.

pub mod store;

pub use store::Store;
