//! Many machines: clips as jobs in PostgreSQL. `enqueue` plans an inbox, `work` takes jobs on each machine, `status` counts
//! them, `collect` brings a coach's results into an out folder for sheet and desk. The engine is `graphile_worker`; why, and
//! what it is told, stands in README.md beside this file.

pub mod collect;
pub mod engine;
pub mod enqueue;
pub mod media;
pub mod objects;
pub mod status;
pub mod stores;
pub mod work;

pub use engine::{ClipJob, Queue, Stage, Times};
pub use media::Media;
pub use stores::{StoreAt, Stores};
