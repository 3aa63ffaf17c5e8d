//! The logistic function, by which the models tell probabilities.

/// Logistic function.
pub fn sigmoid(x: f64) -> f64 {
    1.0 / (1.0 + (-x).exp())
}
