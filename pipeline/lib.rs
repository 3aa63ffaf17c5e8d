//! dawnsheet as a library. The folders stand one above the other, the ground first, a blank line between two floors: what a
//! folder imports lies below its own floor (`tests/night/house.rs` keeps that). The programs, `main.rs` with `cli/` and `worker.rs`,
//! stand on top.
#![forbid(unsafe_code)]

pub mod error; //    what stops a command
pub mod fault; //    faults on purpose, for tests
pub mod report;
pub mod tell; //     what people are told at a terminal //   the words that all share: the report's types, its JSON and schema, reasons

pub mod place; //    files put where readers find them: whole or not at all; the out folder and its lock
pub mod seen; //     the hinge: what was seen of a clip, without who saw it

pub mod pose; //     the models and what each makes of one picture: detector, landmarks, outline
pub mod track; //    the keypoint time series of a swing, and small numerics

pub mod settings; // settings.toml -> Settings
pub mod swing; //    view, lead side, slow motion, swing windows, events

pub mod intake; //   inbox walk, whose clip is it, sidecar, roster, date, is this file allowed
pub mod video; //    probe, true times, decode, upright, camera movement

pub mod measure; //  one file a group of quantities; error budget
pub mod passes; //   how a clip is looked at: scout, measuring pass, key frames, arms

pub mod judge; //    gates, verdicts, roots: everything seen -> report

pub mod history; //  the store of results and attempts, the coach's verdicts, trends

pub mod ruler; //    what the coach measures by hand, and what it says of the program

pub mod batch; //    the night: work list, worker processes, summary

pub mod export; //   a student's clips in formats of other programs

pub mod sheet; //    pages, letters and key pictures for people

pub mod answer; //   the answer that goes back to the student, as a film

pub mod desk; //     the same sheet with clips to play and verdicts by key, served to this machine alone
#[cfg(feature = "queue")]
pub mod queue; //    many machines: clips as jobs in PostgreSQL
