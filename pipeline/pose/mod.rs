//! The models and what each makes of one picture: person detector, landmarks, outline. Nothing here knows about golf.

pub mod crop;
pub mod detector;
pub mod landmarker;
mod logistic;
pub mod models;
pub mod runtime;
pub mod sessions;
