//! What lies on a part of all outlines alike, a highlight across their rims or light from beside, moves them all: each sector of them is left
//! out in turn, and how far that moves the mean tells how far it may be off (a jackknife, to first order, from the designs of the fit).

use super::design::{COLUMNS, Design, GAIN, Phase, SHIFT_X, SHIFT_Y, Solution};
use super::products::inverse_of_normal;
use super::{Centre, CentreFinder};
use std::collections::BTreeMap;

/// Sectors of an outline that are left out in turn.
pub const SECTORS: usize = 8;
/// Features that tell what each of them pulls.
const MOST_FOR_SECTORS: usize = 32;

/// What each sector of all outlines pulls.
#[derive(Debug, Clone, Copy)]
pub struct WithoutSectors {
    /// How far the mean place moves without each of them, px along x and y.
    pub by_px: [[f64; 2]; SECTORS],
    /// Variance of the mean place along each axis from noise alone, px².
    pub noise_px2: f64,
}

impl CentreFinder<'_> {
    /// How far the mean of these features moves when each sector of all outlines is left out in turn; `None` where no outline lies in the
    /// plane as a whole. To first order: from what the fit leaves over of a few of them, and one design for all.
    pub fn without_sectors_px(&mut self, centres: &[&Centre]) -> Option<WithoutSectors> {
        let mut scores = [[0.0_f64; COLUMNS]; SECTORS];
        let mut sectors_of: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
        let (mut n, mut variance_px2, mut last) = (0.0, 0.0, None);
        for centre in centres.iter().step_by(centres.len().div_ceil(MOST_FOR_SECTORS).max(1)) {
            let Some(phase) = Phase::of(centre.at, self.phases) else { continue };
            let Some(solution) = self.solve(&phase) else { continue };
            let Some(design) = self.designs[phase.index].as_ref() else { continue };
            let sectors = sectors_of.entry(phase.index).or_insert_with(|| design.sectors(&phase));
            design.add_scores(&solution, &self.patch, sectors, &mut scores);
            variance_px2 += centre.covariance_px2.trace() / 2.0;
            n += 1.0;
            last = Some(phase.index);
        }
        let index = last?;
        let sectors = &sectors_of[&index];
        let design = self.designs[index].as_ref()?;
        let by_px = std::array::from_fn(|sector| {
            let inverse = inverse_of_normal(&design.without(sector, sectors));
            [SHIFT_X, SHIFT_Y].map(|row| -inverse.row(row).iter().zip(&scores[sector]).map(|(a, b)| a * b).sum::<f64>() / n)
        });
        Some(WithoutSectors { by_px, noise_px2: variance_px2 / (n * n) })
    }
}

impl Design {
    /// Which sector each pixel of the band lies in.
    fn sectors(&self, phase: &Phase) -> Vec<usize> {
        use std::f64::consts::TAU;
        let of = |x: f64, y: f64| (y.atan2(x).rem_euclid(TAU) / TAU * SECTORS as f64) as usize % SECTORS;
        let in_run = |&(row, first, n): &(isize, isize, usize)| {
            (0..n as isize).map(move |i| of((first + i) as f64 - phase.within.0, row as f64 - phase.within.1))
        };
        self.runs.iter().flat_map(in_run).collect()
    }

    /// Adds to each sector what its pixels, where the fit leaves light over, would move the unknowns by, for a gain of 1.
    fn add_scores(&self, solution: &Solution, patch: &[f32], sectors: &[usize], scores: &mut [[f64; COLUMNS]; SECTORS]) {
        let per_gain = 1.0 / solution.unknowns[GAIN];
        let mut left: Vec<f32> = patch.to_vec();
        for (column, unknown) in self.columns.iter().zip(solution.unknowns) {
            left.iter_mut().zip(column).for_each(|(left, c)| *left -= unknown as f32 * c);
        }
        for (row, column) in self.columns.iter().enumerate() {
            for ((left, c), &sector) in left.iter().zip(column).zip(sectors) {
                scores[sector][row] += per_gain * f64::from(left * c);
            }
        }
    }

    /// The columns with nothing where a sector lies.
    fn without(&self, sector: usize, sectors: &[usize]) -> Vec<Vec<f32>> {
        let of = |column: &Vec<f32>| column.iter().zip(sectors).map(|(&c, &s)| if s == sector { 0.0 } else { c }).collect();
        self.columns.iter().map(of).collect()
    }
}
