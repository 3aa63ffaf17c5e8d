//! What is seen and what is made of it: clips against their truth, numbers against published ones, what is called a trend.

#[path = "../support/mod.rs"]
mod support;

mod fixture_night;
mod geometry;
mod golfers;
mod high_range;
mod judging;
mod kept_looks;
mod pose_reference;
mod published_statistics;
mod published_values;
mod sound;
mod trend;
mod trend_study;
mod video_traps;
