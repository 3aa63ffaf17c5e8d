//! The night: work list, worker processes, files put in place, summary.

pub mod doctor;
pub mod job;
pub mod night;
pub mod place;
pub mod rejudge;
pub mod summary;

pub use job::{Job, JobOutcome};
