//! Weighted least squares over all unknowns by damped Gauss-Newton steps (Levenberg 1944, Marquardt 1963).

use super::model::{LENS, Model, PLACEMENT, VIEW, Where};
use landfit_part::PointMm;
use landfit_vision::PointPx;
use nalgebra::{DMatrix, DVector};

/// One spot in one picture.
#[derive(Debug, Clone, Copy)]
pub(super) struct Sighting {
    pub at: Where,
    pub target_mm: PointMm,
    pub seen_px: PointPx,
    /// Standard uncertainty on either axis, px.
    pub u_px: f64,
    pub disc_mm: f64,
    pub used: bool,
}

/// What is known of an unknown beforehand.
#[derive(Debug, Clone, Copy)]
pub(super) struct Prior {
    pub index: usize,
    pub value: f64,
    pub sd: f64,
}

/// What is solved for, and from what.
pub(super) struct Problem<'a> {
    pub model: &'a Model,
    pub free: &'a [usize],
    pub priors: &'a [Prior],
}

const MOST_STEPS: usize = 60;
const LOCAL: usize = LENS + VIEW + PLACEMENT;

impl Problem<'_> {
    /// Seen less predicted, px.
    pub fn residual(&self, unknowns: &DVector<f64>, s: &Sighting) -> [f64; 2] {
        let p = self.model.seen(unknowns, s.at, s.target_mm);
        let bias = self.model.disc_bias_px(unknowns, s.at, s.target_mm, s.disc_mm);
        [s.seen_px.x - p.x - bias[0], s.seen_px.y - p.y - bias[1]]
    }

    fn cost(&self, unknowns: &DVector<f64>, sightings: &[Sighting]) -> f64 {
        let spots: f64 = sightings
            .iter()
            .filter(|s| s.used)
            .map(|s| {
                let r = self.residual(unknowns, s);
                (r[0] * r[0] + r[1] * r[1]) / (s.u_px * s.u_px)
            })
            .sum();
        spots + self.priors.iter().map(|p| ((unknowns[p.index] - p.value) / p.sd).powi(2)).sum::<f64>()
    }

    /// The normal matrix and the gradient over the free unknowns.
    fn normal(&self, unknowns: &DVector<f64>, sightings: &[Sighting]) -> (DMatrix<f64>, DVector<f64>) {
        let n = self.free.len();
        let mut place = vec![usize::MAX; self.model.unknowns()];
        self.free.iter().enumerate().for_each(|(i, f)| place[*f] = i);
        let (mut normal, mut right) = (DMatrix::zeros(n, n), DVector::zeros(n));
        let mut moved = unknowns.clone();
        for s in sightings.iter().filter(|s| s.used) {
            let residual = self.residual(unknowns, s);
            let touched = self.model.touched(s.at);
            let mut rows = [[0.0; LOCAL]; 2];
            for (local, global) in touched.into_iter().enumerate() {
                if place[global] == usize::MAX {
                    continue;
                }
                let h = 1e-6 * unknowns[global].abs().max(1.0);
                moved[global] = unknowns[global] + h;
                let plus = self.model.seen(&moved, s.at, s.target_mm);
                moved[global] = unknowns[global] - h;
                let minus = self.model.seen(&moved, s.at, s.target_mm);
                moved[global] = unknowns[global];
                rows[0][local] = (plus.x - minus.x) / (2.0 * h * s.u_px);
                rows[1][local] = (plus.y - minus.y) / (2.0 * h * s.u_px);
            }
            for (row, r) in rows.iter().zip(residual) {
                for (a, ga) in touched.into_iter().enumerate() {
                    let i = place[ga];
                    if i == usize::MAX {
                        continue;
                    }
                    right[i] += row[a] * r / s.u_px;
                    for (b, gb) in touched.into_iter().enumerate().take(a + 1) {
                        let j = place[gb];
                        if j != usize::MAX {
                            normal[(i, j)] += row[a] * row[b];
                            if i != j {
                                normal[(j, i)] += row[a] * row[b];
                            }
                        }
                    }
                }
            }
        }
        for p in self.priors {
            let i = place[p.index];
            if i != usize::MAX {
                normal[(i, i)] += 1.0 / (p.sd * p.sd);
                right[i] += (p.value - unknowns[p.index]) / (p.sd * p.sd);
            }
        }
        (normal, right)
    }

    /// The unknowns of least cost near a start; `None` when they cannot be told apart.
    pub fn solve(&self, start: DVector<f64>, sightings: &[Sighting]) -> Option<DVector<f64>> {
        let mut unknowns = start;
        let mut cost = self.cost(&unknowns, sightings);
        let mut damping = 1e-4;
        let dof = (2 * sightings.iter().filter(|s| s.used).count()).saturating_sub(self.free.len()).max(1) as f64;
        for _ in 0..MOST_STEPS {
            let (normal, right) = self.normal(&unknowns, sightings);
            let mut settled = true;
            for _ in 0..12 {
                let mut damped = normal.clone();
                for i in 0..damped.nrows() {
                    damped[(i, i)] *= 1.0 + damping;
                }
                let step = damped.cholesky()?.solve(&right);
                let mut next = unknowns.clone();
                self.free.iter().zip(step.iter()).for_each(|(i, s)| next[*i] += s);
                let next_cost = self.cost(&next, sightings);
                if next_cost.is_finite() && next_cost <= cost {
                    // Steps that change no unknown by a hundredth of its uncertainty.
                    settled = cost - next_cost <= 1e-4 * next_cost / dof;
                    (unknowns, cost) = (next, next_cost);
                    damping = (damping * 0.1f64).max(1e-12);
                    break;
                }
                damping *= 10.0;
            }
            if settled {
                return unknowns.iter().all(|v| v.is_finite()).then_some(unknowns);
            }
        }
        // Still creeping along a valley whose floor the marks hardly tell: its width is in the covariance.
        unknowns.iter().all(|v| v.is_finite()).then_some(unknowns)
    }

    /// Covariance of the free unknowns, one sigma squared, at the solution.
    pub fn covariance(&self, unknowns: &DVector<f64>, sightings: &[Sighting]) -> Option<DMatrix<f64>> {
        self.normal(unknowns, sightings).0.cholesky().map(|c| c.inverse())
    }
}
