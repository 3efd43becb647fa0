//! How far a side that should be rigid bends. Features that hold a little of the other copy's light are pulled by it, and where the copies are turned
//! against each other that pull changes from one end of the pattern to the other.

use crate::side::Seen;
use nalgebra::{SMatrix, SVector, Vector2};

/// Terms of a second-order surface.
const TERMS: usize = 6;

/// How far features lie off their side's pose along a surface of the second order, mm (root of the mean square), beyond what their scatter about it
/// makes of chance. 0 of a side with too few features to tell.
pub(super) fn bend_mm(seen: &Seen) -> f64 {
    let misses: Vec<_> = seen.misses_mm().collect();
    let half_mm = misses.iter().map(|(designed, _)| designed.norm()).fold(f64::MIN_POSITIVE, f64::max);
    let (mut normal, mut right, mut square) = (SMatrix::<f64, TERMS, TERMS>::zeros(), SMatrix::<f64, TERMS, 2>::zeros(), 0.0);
    for (designed, miss) in &misses {
        let (u, v) = (designed.x / half_mm, designed.y / half_mm);
        let row = SVector::<f64, TERMS>::from([1.0, u, v, u * u, u * v, v * v]);
        normal += row * row.transpose();
        right += row * Vector2::new(miss.x, miss.y).transpose();
        square += miss.x * miss.x + miss.y * miss.y;
    }
    let Some(inverse) = normal.try_inverse() else { return 0.0 };
    let along = (inverse * right).component_mul(&right).sum();
    let (values, terms) = (2.0 * misses.len() as f64, 2.0 * TERMS as f64);
    if values <= terms {
        return 0.0;
    }
    let variance = (square - along).max(0.0) / (values - terms);
    ((along - terms * variance).max(0.0) / misses.len() as f64).sqrt()
}
