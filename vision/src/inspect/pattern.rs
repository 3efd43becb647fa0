//! The part's sites as a lattice of their own: which sites lie on it, where the others lie between, and which empty places border on it.

use super::lattice::{Dot, lattices};
use crate::view::PointPx;
use landfit_part::{Part, PointMm, Side};
use nalgebra::{Matrix2, Matrix3, Vector2, Vector3};
use std::collections::BTreeSet;

/// The sites of one side in the coordinates of their lattice.
#[derive(Debug, Clone)]
pub(crate) struct Pattern {
    /// Centres, part frame, in the part's order.
    pub sites_mm: Vec<PointMm>,
    /// The same in steps of the lattice.
    pub uv: Vec<[f64; 2]>,
    /// The cell of every site that lies on the lattice.
    pub cells: Vec<Option<[i32; 2]>>,
    /// Empty cells that touch a site's cell.
    pub rim: Vec<[i32; 2]>,
    /// Columns are the two steps, mm.
    pub mm_per_uv: Matrix2<f64>,
}

/// A site this close to a cell, in steps, lies on it.
const ON_CELL: f64 = 0.06;

impl Pattern {
    /// Reads the lattice off the part's sites; `None` where they form none (fewer than six sites, or single rows).
    pub fn new(part: &Part, side: Side) -> Option<Self> {
        let sites_mm: Vec<PointMm> = part.sites.iter().filter(|s| !s.pieces(side).is_empty()).map(|s| s.centre_mm(side)).collect();
        if sites_mm.len() < 6 || sites_mm.len() != part.sites.len() {
            return None;
        }
        let size = 0.5 * part.pitch_mm(side)?;
        let dots: Vec<Dot> = sites_mm.iter().map(|p| Dot { at: PointPx::new(p.x, p.y), size, strength: 1.0, may_seed: true }).collect();
        let found = lattices(&dots, 5);
        let grown = found.first().filter(|one| one.dots.len() >= 6)?;
        let (mut normal, mut right) = (Matrix3::zeros(), [Vector3::zeros(), Vector3::zeros()]);
        for (cell, site) in grown.lattice.cells.iter().zip(grown.dots.iter().map(|dot| sites_mm[*dot])) {
            let row = Vector3::new(f64::from(cell[0]), f64::from(cell[1]), 1.0);
            normal += row * row.transpose();
            right[0] += row * site.x;
            right[1] += row * site.y;
        }
        let inverse = normal.try_inverse()?;
        let (x, y) = (inverse * right[0], inverse * right[1]);
        let mm_per_uv = Matrix2::new(x[0], x[1], y[0], y[1]);
        let uv_per_mm = mm_per_uv.try_inverse()?;
        let uv: Vec<[f64; 2]> = sites_mm
            .iter()
            .map(|p| {
                let v = uv_per_mm * Vector2::new(p.x - x[2], p.y - y[2]);
                [v.x, v.y]
            })
            .collect();
        let on = |p: &[f64; 2]| p.iter().all(|c| (c - c.round()).abs() < ON_CELL).then(|| p.map(|c| c.round() as i32));
        let cells: Vec<Option<[i32; 2]>> = uv.iter().map(on).collect();
        let taken: BTreeSet<[i32; 2]> = cells.iter().flatten().copied().collect();
        let around = |c: &[i32; 2]| {
            let c = *c;
            (-1..=1).flat_map(move |i| (-1..=1).map(move |j| [c[0] + i, c[1] + j]))
        };
        let rim: BTreeSet<[i32; 2]> = taken.iter().flat_map(around).filter(|c| !taken.contains(c)).collect();
        Some(Self { sites_mm, uv, cells, rim: rim.into_iter().collect(), mm_per_uv })
    }

    /// Steps of the lattice at a place of the part.
    pub fn uv_of(&self, p: PointMm) -> Option<[f64; 2]> {
        let inverse = self.mm_per_uv.try_inverse()?;
        let d = inverse * Vector2::new(p.x - self.sites_mm[0].x, p.y - self.sites_mm[0].y);
        Some([self.uv[0][0] + d.x, self.uv[0][1] + d.y])
    }

    /// Smallest and largest cell on each axis.
    pub fn extent(&self) -> [[i32; 2]; 2] {
        self.cells
            .iter()
            .flatten()
            .fold([[i32::MAX; 2], [i32::MIN; 2]], |[lo, hi], c| [[lo[0].min(c[0]), lo[1].min(c[1])], [hi[0].max(c[0]), hi[1].max(c[1])]])
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use landfit_part::{Piece, Site};

    fn part(centres: &[(f64, f64)]) -> Part {
        let sites = centres.iter().enumerate().map(|(i, (x, y))| Site {
            id: i.to_string(),
            at_mm: PointMm::new(*x, *y),
            angle_rad: 0.0,
            terminal: vec![Piece::round(0.3)],
            land: vec![Piece::round(0.25)],
        });
        let sites = sites.collect();
        Part { name: "p".into(), body_mm: [9.0; 2], body_centre_mm: PointMm::ZERO, sites, marks: vec![], accept_miss_mm: None }
    }

    #[test]
    fn a_staggered_pattern_is_spanned_by_its_shortest_steps() {
        let centres: Vec<_> = (0..8).flat_map(|r| (0..6).map(move |c| (f64::from(2 * c + r % 2), f64::from(r) * 0.8))).collect();
        let pattern = Pattern::new(&part(&centres), Side::Part).expect("a lattice");
        assert!(pattern.cells.iter().all(Option::is_some));
        assert!((pattern.mm_per_uv.determinant().abs() - 1.6).abs() < 1e-6);
    }

    #[test]
    fn a_site_between_cells_keeps_its_place() {
        let mut centres: Vec<_> = (0..5).flat_map(|r| (0..6).map(move |c| (f64::from(c), f64::from(r)))).collect();
        centres.push((2.5, 7.25));
        let pattern = Pattern::new(&part(&centres), Side::Part).expect("a lattice");
        assert_eq!(pattern.cells.iter().filter(|c| c.is_none()).count(), 1);
    }
}
