//! The night: work list, worker processes, summary.

pub mod confine;
pub mod doctor;
pub mod forget;
pub mod in_force;
pub mod interrupt;
pub mod job;
pub mod join;
pub mod log;
pub mod night;
mod plan;
mod proof;
pub mod quarantine;
pub mod rejudge;
pub mod schedule;
pub mod skipped;
pub mod summary;
pub mod take_back;
pub mod take_in;

pub use plan::key;

pub use job::{Job, JobOutcome};
