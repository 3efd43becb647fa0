//! Nearest neighbours among points in millimetres: kiddo's tree with points and ties handled the same way everywhere.

use kiddo::{ImmutableKdTree, SquaredEuclidean};
use landfit_part::PointMm;
use std::num::NonZero;

/// A fixed set of points that answers which are nearest.
pub(crate) struct Nearby {
    tree: Option<ImmutableKdTree<f64, 2>>,
}

impl Nearby {
    /// Of no points, nothing is near.
    pub(crate) fn new(points: &[PointMm]) -> Self {
        let raw: Vec<[f64; 2]> = points.iter().map(|p| [p.x, p.y]).collect();
        let tree = if raw.is_empty() { None } else { ImmutableKdTree::new_from_slice(&raw).ok() };
        Self { tree }
    }

    /// Distance (mm) and index of the nearest point within `reach_mm`.
    pub(crate) fn nearest(&self, at: PointMm, reach_mm: f64) -> Option<(f64, usize)> {
        let found = self.tree.as_ref()?.query(&[at.x, at.y]).nearest_one::<SquaredEuclidean<f64>>().execute();
        let distance_mm = found.distance.sqrt();
        (distance_mm <= reach_mm).then_some((distance_mm, found.item as usize))
    }

    /// Distance (mm) and index of the `n` nearest points, nearest first, ties by index.
    pub(crate) fn several(&self, at: PointMm, n: NonZero<usize>) -> Vec<(f64, usize)> {
        let Some(tree) = &self.tree else { return Vec::new() };
        let found = tree.query(&[at.x, at.y]).nearest_n::<SquaredEuclidean<f64>>(n).execute();
        let mut found: Vec<(f64, usize)> = found.iter().map(|f| (f.distance.sqrt(), f.item as usize)).collect();
        found.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
        found
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn many_points_in_one_row_are_all_found() {
        let points: Vec<PointMm> = (0..200).map(|i| PointMm::new(f64::from(i) * 0.5, 0.0)).collect();
        let near = Nearby::new(&points);
        for (i, p) in points.iter().enumerate() {
            assert_eq!(near.nearest(PointMm::new(p.x + 0.1, 0.05), 0.2).map(|n| n.1), Some(i));
        }
        assert_eq!(near.nearest(PointMm::new(-1.0, 0.0), 0.5), None);
        assert!(Nearby::new(&[]).nearest(PointMm::ZERO, 1.0).is_none());
    }
}
