//! Many machines: queue, database, object storage, and a coach's folder beside them.

#![cfg(feature = "queue")]

#[path = "../support/mod.rs"]
mod support;

mod cluster;
mod coach;
mod collect;
mod fleet;
mod fleet_hour;
mod logins;
mod objects;
mod queue;
mod queue_real;
mod queue_simulation;
mod seams;
mod stores;
