//! What lies on a part of all outlines alike, a highlight across their rims or light from beside, moves them all: each sector of them is left
//! out in turn, and how far that moves the mean tells how far it may be off (a jackknife, to first order, from the designs of the fit).

use super::design::{COLUMNS, Design, GAIN, Phase, SHIFT_X, SHIFT_Y, Solution};
use super::products::{dot, inverse, normal};
use super::{Centre, CentreFinder};
use nalgebra::DMatrix;
use std::ops::Range;

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
        let (mut n, mut variance_px2) = (0.0, 0.0);
        let chosen = centres.iter().step_by(centres.len().div_ceil(MOST_FOR_SECTORS).max(1));
        let mut chosen: Vec<(Phase, &Centre)> = chosen.filter_map(|c| Some((Phase::of(c.at, self.phases)?, *c))).collect();
        // Those at one place within a pixel have one design, which is sorted once and held while they last; the last one's is that for all.
        let last = chosen.last()?.0.index;
        chosen.sort_by_key(|(phase, _)| (phase.index == last, phase.index));
        let mut sorted: Option<(usize, BySector)> = None;
        for (phase, centre) in chosen {
            let Some(solution) = self.solve(&phase) else { continue };
            let Some(design) = self.designs[phase.index].as_ref() else { continue };
            let of_before = sorted.take().filter(|(index, _)| *index == phase.index);
            let (_, by_sector) = sorted.insert(of_before.unwrap_or_else(|| (phase.index, BySector::of(design, &phase))));
            by_sector.add_scores(&solution, &self.patch, &mut scores);
            variance_px2 += centre.covariance_px2.trace() / 2.0;
            n += 1.0;
        }
        let normals = sorted?.1.normals();
        let all: DMatrix<f64> = normals.iter().sum();
        let by_px = std::array::from_fn(|sector| {
            let inverse = inverse(&all - &normals[sector]);
            [SHIFT_X, SHIFT_Y].map(|row| -inverse.row(row).iter().zip(&scores[sector]).map(|(a, b)| a * b).sum::<f64>() / n)
        });
        Some(WithoutSectors { by_px, noise_px2: variance_px2 / (n * n) })
    }
}

/// A design whose pixels are sorted by the sector that they lie in.
struct BySector {
    /// The band's pixels in that order.
    pixels: Vec<usize>,
    /// Where each sector's begin and end.
    ranges: [Range<usize>; SECTORS],
    columns: Vec<Vec<f32>>,
}

impl BySector {
    fn of(design: &Design, phase: &Phase) -> Self {
        use std::f64::consts::TAU;
        let of = |x: f64, y: f64| (y.atan2(x).rem_euclid(TAU) / TAU * SECTORS as f64) as usize % SECTORS;
        let in_run = |&(row, first, n): &(isize, isize, usize)| {
            (0..n as isize).map(move |i| of((first + i) as f64 - phase.within.0, row as f64 - phase.within.1))
        };
        let sectors: Vec<usize> = design.runs.iter().flat_map(in_run).collect();
        let mut pixels: Vec<usize> = (0..sectors.len()).collect();
        pixels.sort_by_key(|&pixel| sectors[pixel]);
        let begin = |sector: usize| pixels.partition_point(|&pixel| sectors[pixel] < sector);
        let ranges = std::array::from_fn(|sector| begin(sector)..begin(sector + 1));
        let columns = design.columns.iter().map(|column| pixels.iter().map(|&pixel| column[pixel]).collect()).collect();
        Self { pixels, ranges, columns }
    }

    /// Adds to each sector what its pixels, where the fit leaves light over, would move the unknowns by, for a gain of 1.
    fn add_scores(&self, solution: &Solution, patch: &[f32], scores: &mut [[f64; COLUMNS]; SECTORS]) {
        let per_gain = 1.0 / solution.unknowns[GAIN];
        let mut left: Vec<f32> = self.pixels.iter().map(|&pixel| patch[pixel]).collect();
        for (column, unknown) in self.columns.iter().zip(solution.unknowns) {
            left.iter_mut().zip(column).for_each(|(left, c)| *left -= unknown as f32 * c);
        }
        for (range, scores) in self.ranges.iter().zip(scores) {
            for (score, column) in scores.iter_mut().zip(&self.columns) {
                *score += per_gain * f64::from(dot(&left[range.clone()], &column[range.clone()]));
            }
        }
    }

    /// The part of the normal matrix that the pixels of each sector make.
    fn normals(&self) -> [DMatrix<f64>; SECTORS] {
        self.ranges.each_ref().map(|range| normal(&self.columns.iter().map(|c| &c[range.clone()]).collect::<Vec<_>>()))
    }
}
