//! dawnsheet as a library. The folders stand in the order in which the data flows.
#![forbid(unsafe_code)]

pub mod batch; //    the night: work list, worker processes, files in place, summary
pub mod desk; //     the same sheet with clips to play and verdicts by key, served to this machine alone
pub mod error; //    what stops a command
pub mod export; //   a student's clips in formats of other programs
pub mod fault; //    faults on purpose, for tests
pub mod history; //  the store of results and attempts
pub mod intake; //   inbox walk, whose clip is it, sidecar, roster, date, is this file allowed
pub mod judge; //    gates, verdicts, roots: everything seen -> report
pub mod measure; //  one file a group of quantities; error budget
pub mod pose; //     models and what they see: detector, landmarks, outline; the scout and the measuring pass
#[cfg(feature = "queue")]
pub mod queue; //    many machines: clips as jobs in PostgreSQL
pub mod report;
pub mod settings; // settings.toml -> Settings
pub mod swing; //    view, lead side, slow motion, swing windows, events
pub mod track; //    the keypoint time series of a swing, and small numerics
pub mod units; //    seconds, pixels, centimetres, degrees
pub mod video; //    probe, true times, decode, upright, camera movement
