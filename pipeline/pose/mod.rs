//! What the models see: person detector, landmarks, outline. Nothing here knows about golf except [`choose`].

pub mod choose;
pub mod close;
pub mod cuts;
pub mod detector;
pub mod key;
pub mod keypoints;
pub mod landmarker;
pub mod models;
pub mod observe;
pub mod region;
pub mod scout;
pub mod seen;
pub mod sessions;

pub use keypoints::{Keypoint, Look, POINTS, Point};
pub use region::Region;
