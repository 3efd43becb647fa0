//! Directions evenly round a point.

use std::f64::consts::TAU;

/// Sine and cosine of `N` directions, the first of them `first` of a step from +x.
pub(crate) fn directions<const N: usize>(first: f64) -> [(f64, f64); N] {
    std::array::from_fn(|k| ((k as f64 + first) / N as f64 * TAU).sin_cos())
}
