//! Fits a pose to places that share doubts: the places of a row whose end is not known move together, and rows that face each other by
//! the same growth to opposite sides.

use super::fit::{MEDIAN_OF_SQUARE, ONE_WAY_RATIO};
use crate::pose::RigidFit;
use crate::shape_sites::Moves;
use landfit_part::{PointMm, Pose, wrap_angle_rad};
use nalgebra::{DMatrix, DVector, Matrix2, Matrix2x3, Matrix3, Vector2};
use std::f64::consts::LN_2;

/// Places and what is known of them, paired by index.
pub(super) struct Places<'a> {
    /// Designed, mm.
    pub from: &'a [PointMm],
    /// Measured, mm.
    pub to: &'a [PointMm],
    /// Of each place's own noise, mm².
    pub noise: &'a [Matrix2<f64>],
    /// Doubts that several share: each moves places (by index) by so many mm for one standard uncertainty.
    pub shared: &'a [Moves],
}

/// Beyond this a place is none of the others, in units of its own covariance: one good place in a thousand is lost (chi-squared, two
/// degrees of freedom), as in [`crate::pose::RobustOptions`].
const GATE: f64 = 3.717;
/// Where Tukey's weight is zero; see there.
const CUTOFF: f64 = 5.123;
const STEPS: usize = 30;

/// Pose and shared doubts, fitted together.
struct Solved {
    pose: Pose,
    doubts: DVector<f64>,
    covariance: Matrix3<f64>,
    misses: Vec<Vector2<f64>>,
}

/// Robustly fits pose and shared doubts from `start`. `None` where fewer than half of the places agree; the caller has a plainer fit.
/// Also how far places scatter beyond their noise, per axis, mm²: `least_mm2` or more.
pub(super) fn fit_shared(places: &Places, start: &RigidFit, scatter_mm2: f64, least_mm2: f64) -> Option<(RigidFit, f64)> {
    let n = places.from.len();
    let mut scatter_mm2 = scatter_mm2;
    let mut weights: Vec<f64> = start.inliers.iter().map(|k| f64::from(u8::from(*k))).collect();
    let mut solved = solve(places, &weights, scatter_mm2, start.to_from)?;
    for step in 0..STEPS {
        if step == STEPS / 3 || step == 2 * STEPS / 3 {
            scatter_mm2 = usual_scatter_mm2(places, &solved).max(least_mm2);
        }
        let distances = distances(places, &solved, scatter_mm2);
        weights = distances.iter().map(|d2| (1.0 - d2 / CUTOFF.powi(2)).max(0.0).powi(2)).collect();
        solved = solve(places, &weights, scatter_mm2, solved.pose)?;
    }
    let inliers: Vec<bool> = distances(places, &solved, scatter_mm2).iter().map(|d2| *d2 <= GATE.powi(2)).collect();
    let n_inliers = inliers.iter().filter(|k| **k).count();
    if n_inliers < 2 || 2 * n_inliers <= n {
        return None;
    }
    let weights: Vec<f64> = inliers.iter().map(|k| f64::from(u8::from(*k))).collect();
    for _ in 0..3 {
        solved = solve(places, &weights, scatter_mm2, solved.pose)?;
    }
    let of_places: f64 = distances(places, &solved, scatter_mm2).iter().zip(&weights).map(|(d2, w)| d2 * w).sum();
    let dof = (2 * n_inliers - 3) as f64;
    let reduced_chi2 = (of_places + solved.doubts.norm_squared()) / dof;
    let fit = RigidFit {
        to_from: solved.pose,
        covariance: solved.covariance * reduced_chi2.max(1.0),
        own_covariance: solved.covariance,
        inliers,
        dof,
        reduced_chi2,
    };
    Some((fit, scatter_mm2))
}

/// One step from `pose` over it and the doubts, each of which is 0 with a standard uncertainty of 1 before looking.
fn solve(places: &Places, weights: &[f64], scatter_mm2: f64, pose: Pose) -> Option<Solved> {
    let unknowns = 3 + places.shared.len();
    let mut of_place: Vec<Moves> = vec![Vec::new(); places.from.len()];
    for (doubt, moves) in places.shared.iter().enumerate() {
        moves.iter().for_each(|(place, by)| of_place[*place].push((3 + doubt, *by)));
    }
    let mut normal = DMatrix::<f64>::zeros(unknowns, unknowns);
    let mut right = DVector::<f64>::zeros(unknowns);
    (3..unknowns).for_each(|i| normal[(i, i)] = 1.0);
    let miss = |i: usize, pose: &Pose| {
        let miss = places.to[i] - pose.apply(places.from[i]);
        Vector2::new(miss.x, miss.y)
    };
    for (i, columns) in of_place.iter().enumerate().filter(|(i, _)| weights[*i] > 0.0) {
        let arm = places.from[i].rotated(pose.theta_rad);
        let slope = Matrix2x3::new(1.0, 0.0, -arm.y, 0.0, 1.0, arm.x);
        let information = (places.noise[i] + Matrix2::identity() * scatter_mm2).try_inverse()? * weights[i];
        let all = (0..3).map(|c| (c, slope.column(c).into_owned())).chain(columns.iter().copied()).collect::<Vec<_>>();
        for (a, by_a) in &all {
            let pull = information * by_a;
            right[*a] += pull.dot(&miss(i, &pose));
            for (b, by_b) in &all {
                normal[(*a, *b)] += pull.dot(by_b);
            }
        }
    }
    let inverse = normal.cholesky()?.inverse();
    let step = &inverse * right;
    if step.iter().any(|v| !v.is_finite()) {
        return None;
    }
    let pose = Pose::new(pose.x_mm + step[0], pose.y_mm + step[1], wrap_angle_rad(pose.theta_rad + step[2]));
    let misses =
        of_place.iter().enumerate().map(|(i, columns)| columns.iter().fold(miss(i, &pose), |m, (d, by)| m - by * step[*d])).collect();
    let covariance = Matrix3::from_fn(|r, c| inverse[(r, c)]);
    Some(Solved { pose, doubts: step.rows(3, unknowns - 3).into_owned(), covariance, misses })
}

/// Squared distances in units of each place's own covariance.
fn distances(places: &Places, solved: &Solved, scatter_mm2: f64) -> Vec<f64> {
    let distance = |(miss, noise): (&Vector2<f64>, &Matrix2<f64>)| {
        let information = (noise + Matrix2::identity() * scatter_mm2).try_inverse().unwrap_or_default();
        miss.dot(&(information * miss))
    };
    solved.misses.iter().zip(places.noise).map(distance).collect()
}

/// How far places usually lie off what pose and doubts say, per axis, beyond their noise, mm².
fn usual_scatter_mm2(places: &Places, solved: &Solved) -> f64 {
    let n = places.from.len();
    let middle = |mut values: Vec<f64>| {
        values.sort_by(f64::total_cmp);
        values[values.len() / 2]
    };
    // Pose and doubts take their share of the misses: as many unknowns as the data tell, but for what their priors do.
    let unknowns = 3.0 + 2.0 * places.shared.len() as f64 / 4.0;
    let free = (2.0 * n as f64 - unknowns).max(0.5 * n as f64) / (2.0 * n as f64);
    // Places that are mostly known well one way only tell their scatter that way.
    let one_way: Vec<(f64, f64)> = solved
        .misses
        .iter()
        .zip(places.noise)
        .filter_map(|(miss, noise)| {
            let eigen = noise.symmetric_eigen();
            let (lesser, greater) = if eigen.eigenvalues[0] < eigen.eigenvalues[1] { (0, 1) } else { (1, 0) };
            let is_one_way = eigen.eigenvalues[greater] > ONE_WAY_RATIO * eigen.eigenvalues[lesser];
            is_one_way.then(|| (eigen.eigenvectors.column(lesser).dot(miss).powi(2), eigen.eigenvalues[lesser]))
        })
        .collect();
    let (squares, noises, middle_of_one): (Vec<f64>, Vec<f64>, f64) = if 2 * one_way.len() > n {
        let (squares, noises) = one_way.into_iter().unzip();
        (squares, noises, MEDIAN_OF_SQUARE)
    } else {
        (solved.misses.iter().map(|m| m.norm_squared()).collect(), places.noise.iter().map(|c| c.trace() / 2.0).collect(), 2.0 * LN_2)
    };
    let variance = middle(squares) / middle_of_one / free;
    (variance - middle(noises)).max(1e-9 * variance)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pose::{RobustOptions, fit_rigid_robust};

    const NOISE_MM: f64 = 0.0005;

    /// Two rows of six that face each other, 4 mm apart, 0.5 mm pitch; the lower one first.
    fn rows() -> Vec<PointMm> {
        [-2.0, 2.0].into_iter().flat_map(|y| (0..6).map(move |i| PointMm::new(0.5 * f64::from(i) - 1.25, y))).collect()
    }

    /// Growth moves the rows outwards, by 20 µm for one standard uncertainty.
    fn growth() -> Moves {
        (0..12).map(|i| (i, Vector2::new(0.0, if i < 6 { -0.02 } else { 0.02 }))).collect()
    }

    fn fitted(to: &[PointMm], shared: &[Moves]) -> (RigidFit, f64) {
        let noise = vec![Matrix2::identity() * NOISE_MM.powi(2); 12];
        let covariances = vec![Matrix2::identity() * 0.02_f64.powi(2); 12];
        let start = fit_rigid_robust(&rows(), to, &covariances, &RobustOptions::default()).expect("a start");
        fit_shared(&Places { from: &rows(), to, noise: &noise, shared }, &start, NOISE_MM.powi(2), 0.0).expect("a fit")
    }

    #[test]
    fn what_moves_facing_rows_to_opposite_sides_is_no_doubt_of_the_pose_where_both_are_seen() {
        let pose = Pose::new(0.12, -0.07, 0.01);
        // A growth of 1.5 standard uncertainties.
        let to: Vec<PointMm> = rows()
            .iter()
            .enumerate()
            .map(|(i, p)| {
                let out = if i < 6 { -0.03 } else { 0.03 };
                pose.apply(*p) + PointMm::new(0.0, out)
            })
            .collect();
        let (fit, scatter_mm2) = fitted(&to, &[growth()]);
        assert!(fit.to_from.shift().distance(pose.shift()) < 1e-4, "{:?}", fit.to_from);
        // It is 1.5 of its own uncertainties, no scatter of the places.
        assert!(scatter_mm2.sqrt() < 0.001 && fit.own_covariance[(1, 1)].sqrt() < 0.001, "{scatter_mm2} {:?}", fit.own_covariance);
        let (alone, _) = fitted(&to, &[(0..6).map(|i| (i, Vector2::new(0.0, -0.02))).collect()]);
        assert!(alone.own_covariance[(1, 1)] > 1.5 * fit.own_covariance[(1, 1)], "only one row is in doubt");
    }

    #[test]
    fn a_place_off_by_less_than_its_row_is_in_doubt_is_told_from_the_others_of_its_row() {
        let pose = Pose::new(0.12, -0.07, 0.01);
        let mut to: Vec<PointMm> = rows().iter().map(|p| pose.apply(*p)).collect();
        for (i, p) in to.iter_mut().enumerate() {
            // Half a micrometre to and fro: they do scatter.
            *p = *p + PointMm::new(if i % 2 == 0 { 5e-4 } else { -5e-4 }, if i % 3 == 0 { 5e-4 } else { -2.5e-4 });
        }
        to[4] = to[4] + PointMm::new(0.0, 0.015);
        let (fit, _) = fitted(&to, &[growth()]);
        let left_out: Vec<usize> = (0..12).filter(|&i| !fit.inliers[i]).collect();
        assert_eq!(left_out, [4]);
        assert!(fit.to_from.shift().distance(pose.shift()) < 1e-3, "{:?}", fit.to_from);
    }
}
