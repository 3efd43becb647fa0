//! Nearest neighbours among points in millimetres that lie about evenly, as features and sites do, with points and ties handled
//! the same way everywhere. `inspect`, whose features cluster, uses a k-d tree.

use landfit_part::PointMm;
use std::num::NonZero;

/// A fixed set of points that answers which are nearest.
pub(crate) struct Nearby {
    points: Vec<PointMm>,
    cells: Cells,
}

/// The points by square cells of about one point each: what lies within a known reach is found in the few cells it covers,
/// several times as fast as in a tree.
struct Cells {
    low: PointMm,
    per_mm: f64,
    columns: usize,
    rows: usize,
    /// Where each cell's points start in `order`, one more at the end.
    starts: Vec<u32>,
    /// Indices of the points, cell by cell, rising within a cell.
    order: Vec<u32>,
}

/// Points in one row would ask for endless empty cells: so many for each point are enough.
const MOST_CELLS_A_POINT: f64 = 4.0;

impl Cells {
    fn of(points: &[PointMm]) -> Self {
        let far = f64::INFINITY;
        let (low, high) = points.iter().fold((PointMm::new(far, far), PointMm::new(-far, -far)), |(lo, hi), p| {
            (PointMm::new(lo.x.min(p.x), lo.y.min(p.y)), PointMm::new(hi.x.max(p.x), hi.y.max(p.y)))
        });
        let n = points.len().max(1) as f64;
        let (wide, high) = ((high.x - low.x).max(1e-6), (high.y - low.y).max(1e-6));
        let edge_mm = (wide * high / n).sqrt().max(wide.max(high) / (MOST_CELLS_A_POINT * n));
        let per_mm = if edge_mm.is_finite() { 1.0 / edge_mm } else { 0.0 };
        let count = |span: f64| if span.is_finite() { (span * per_mm) as usize + 1 } else { 1 };
        let mut cells = Self { low, per_mm, columns: count(wide), rows: count(high), starts: Vec::new(), order: Vec::new() };
        let mut starts = vec![0_u32; cells.columns * cells.rows + 1];
        let at: Vec<usize> = points.iter().map(|p| cells.index(p.x, p.y)).collect();
        at.iter().for_each(|&c| starts[c + 1] += 1);
        (1..starts.len()).for_each(|c| starts[c] += starts[c - 1]);
        let mut next = starts.clone();
        cells.order = vec![0; points.len()];
        for (i, &c) in at.iter().enumerate() {
            cells.order[next[c] as usize] = i as u32;
            next[c] += 1;
        }
        cells.starts = starts;
        cells
    }

    fn index(&self, x: f64, y: f64) -> usize {
        self.row(y) * self.columns + self.column(x)
    }

    /// What lies outside is in the outermost cells; a number below 0 becomes 0 as an unsigned one.
    fn column(&self, x: f64) -> usize {
        (((x - self.low.x) * self.per_mm) as usize).min(self.columns - 1)
    }

    fn row(&self, y: f64) -> usize {
        (((y - self.low.y) * self.per_mm) as usize).min(self.rows - 1)
    }
}

impl Nearby {
    /// Of no points, nothing is near.
    pub(crate) fn new(points: &[PointMm]) -> Self {
        Self { points: points.to_vec(), cells: Cells::of(points) }
    }

    /// Distance (mm) and index of the nearest point within `reach_mm`; of points as near as each other the first.
    pub(crate) fn nearest(&self, at: PointMm, reach_mm: f64) -> Option<(f64, usize)> {
        let cells = &self.cells;
        let (columns, rows) =
            (cells.column(at.x - reach_mm)..=cells.column(at.x + reach_mm), cells.row(at.y - reach_mm)..=cells.row(at.y + reach_mm));
        let mut best = (reach_mm * reach_mm, usize::MAX);
        for row in rows {
            // The cells of one row lie side by side.
            let (first, last) = (row * cells.columns + columns.start(), row * cells.columns + columns.end());
            for &i in &cells.order[cells.starts[first] as usize..cells.starts[last + 1] as usize] {
                let (i, p) = (i as usize, self.points[i as usize]);
                let squared = (p.x - at.x).powi(2) + (p.y - at.y).powi(2);
                if squared < best.0 || (squared == best.0 && i < best.1) {
                    best = (squared, i);
                }
            }
        }
        (best.1 != usize::MAX).then(|| (best.0.sqrt(), best.1))
    }

    /// Distance (mm) and index of the `n` nearest points, nearest first, ties by index.
    pub(crate) fn several(&self, at: PointMm, n: NonZero<usize>) -> Vec<(f64, usize)> {
        let mut found = Vec::with_capacity(4 * n.get());
        self.several_into(at, n, &mut found);
        found
    }

    /// The same into memory that many calls share; what it holds goes.
    pub(crate) fn several_into(&self, at: PointMm, n: NonZero<usize>, found: &mut Vec<(f64, usize)>) {
        let cells = &self.cells;
        let (column, row) = (cells.column(at.x), cells.row(at.y));
        let edge_mm = 1.0 / cells.per_mm;
        found.clear();
        for ring in 0..=cells.columns.max(cells.rows) {
            let (first_row, last_row) = (row.saturating_sub(ring), (row + ring).min(cells.rows - 1));
            let (first, last) = (column.saturating_sub(ring), (column + ring).min(cells.columns - 1));
            for r in first_row..=last_row {
                let mut add = |columns: std::ops::RangeInclusive<usize>| {
                    let (from, to) = (r * cells.columns + columns.start(), r * cells.columns + columns.end());
                    for &i in &cells.order[cells.starts[from] as usize..cells.starts[to + 1] as usize] {
                        let p = self.points[i as usize];
                        found.push(((p.x - at.x).powi(2) + (p.y - at.y).powi(2), i as usize));
                    }
                };
                if r.abs_diff(row) == ring {
                    add(first..=last);
                } else {
                    // Of the rows between, the two outermost cells are new.
                    if column >= ring {
                        add(column - ring..=column - ring);
                    }
                    if column + ring < cells.columns {
                        add(column + ring..=column + ring);
                    }
                }
            }
            // What was not looked at lies further off than so many cells.
            let sure = (ring as f64 * edge_mm).powi(2);
            if found.iter().filter(|f| f.0 <= sure).count() >= n.get() {
                break;
            }
        }
        let by_distance = |a: &(f64, usize), b: &(f64, usize)| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1));
        if found.len() > n.get() {
            found.select_nth_unstable_by(n.get() - 1, by_distance);
            found.truncate(n.get());
        }
        found.sort_unstable_by(by_distance);
        found.iter_mut().for_each(|f| f.0 = f.0.sqrt());
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

    #[test]
    fn the_nearest_within_reach_is_the_one_that_looking_at_all_finds() {
        let points: Vec<PointMm> = (0..300).map(f64::from).map(|i| PointMm::new((i * 1.7).sin() * 9.0, (i * 2.9).cos() * 4.0)).collect();
        let near = Nearby::new(&points);
        for i in 0..500 {
            let at = PointMm::new((f64::from(i) * 0.37).sin() * 11.0, (f64::from(i) * 0.53).cos() * 5.0);
            for reach_mm in [0.05, 0.4, 3.0] {
                let all = points.iter().enumerate().map(|(i, p)| (p.distance(at), i)).filter(|d| d.0 <= reach_mm);
                let expected = all.min_by(|a, b| a.0.total_cmp(&b.0));
                assert_eq!(near.nearest(at, reach_mm).map(|n| n.1), expected.map(|e| e.1), "{at:?} within {reach_mm}");
            }
        }
    }

    #[test]
    fn the_nearest_ones_are_those_that_looking_at_all_finds() {
        let points: Vec<PointMm> = (0..200).map(f64::from).map(|i| PointMm::new((i * 1.7).sin() * 9.0, (i * 2.9).cos() * 2.0)).collect();
        let near = Nearby::new(&points);
        for i in 0..200 {
            let at = PointMm::new((f64::from(i) * 0.37).sin() * 14.0, (f64::from(i) * 0.53).cos() * 5.0);
            for n in [1, 5, 9, 300] {
                let mut all: Vec<(f64, usize)> = points.iter().enumerate().map(|(i, p)| (p.distance(at), i)).collect();
                all.sort_by(|a, b| a.0.total_cmp(&b.0));
                let expected: Vec<usize> = all.into_iter().take(n).map(|a| a.1).collect();
                let found = near.several(at, NonZero::new(n).unwrap());
                assert_eq!(found.into_iter().map(|f| f.1).collect::<Vec<_>>(), expected, "{at:?}, {n}");
            }
        }
    }
}
