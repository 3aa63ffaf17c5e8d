//! The answer that goes back to the student: which moment of the clip each picture of a made film shows, and the film's file.

pub mod film;
pub mod pace;
