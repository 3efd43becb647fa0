//! From two poses in the bench frame to the offset, with its covariance.

use crate::answer::Fit;
use crate::pose::RigidFit;
use landfit_part::Pose;
use nalgebra::Matrix3;
use statrs::distribution::{ContinuousCDF, StudentsT};

/// Probability within two standard deviations of a normal distribution: what k = 2 means.
const COVERAGE: f64 = 0.954_499_736;

/// The pose of the part in the board frame, board⁻¹ ∘ part, with the covariance of both carried over to first order.
#[must_use]
pub fn offset(part: &RigidFit, board: &RigidFit) -> Fit {
    let (p, b) = (part.to_from, board.to_from);
    let (s, c) = b.theta_rad.sin_cos();
    let (dx, dy) = (p.x_mm - b.x_mm, p.y_mm - b.y_mm);
    let by_part = Matrix3::new(c, s, 0.0, -s, c, 0.0, 0.0, 0.0, 1.0);
    let by_board = Matrix3::new(-c, -s, -s * dx + c * dy, s, -c, -c * dx - s * dy, 0.0, 0.0, -1.0);
    let covariance = by_part * part.covariance * by_part.transpose() + by_board * board.covariance * by_board.transpose();
    Fit {
        bench_from_part: p,
        bench_from_board: b,
        offset: b.inverse().after(&Pose::new(p.x_mm, p.y_mm, p.theta_rad)),
        covariance,
        k: coverage_factor(effective_dof([part, board].map(|fit| (shift_variance_mm2(&fit.covariance), fit.dof)))),
    }
}

/// Variance of a shift, mm², along x and y together.
pub(crate) fn shift_variance_mm2(covariance: &Matrix3<f64>) -> f64 {
    (covariance[(0, 0)] + covariance[(1, 1)]).max(0.0)
}

/// Degrees of freedom of a sum of variances, each with its own (Welch and Satterthwaite; JCGM 100:2008, G.4.1). Infinite where none of them is
/// more than nothing, and of those that are known as they are.
pub(crate) fn effective_dof<const N: usize>(variances: [(f64, f64); N]) -> f64 {
    let sum: f64 = variances.iter().map(|(variance, _)| variance).sum();
    let of_each: f64 = variances.iter().map(|(variance, dof)| variance * variance / dof).sum();
    if of_each > 0.0 { sum * sum / of_each } else { f64::INFINITY }
}

/// 2 where the noise is known from many residuals, Student's factor where it comes from few.
fn coverage_factor(dof: f64) -> f64 {
    if dof >= 60.0 {
        return 2.0;
    }
    StudentsT::new(0.0, 1.0, dof.max(1.0)).map_or(2.0, |t| t.inverse_cdf(0.5 + COVERAGE / 2.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn fit(x_mm: f64, y_mm: f64, theta_rad: f64) -> RigidFit {
        RigidFit {
            to_from: Pose::new(x_mm, y_mm, theta_rad),
            covariance: Matrix3::new(4e-6, 1e-6, 2e-7, 1e-6, 3e-6, -1e-7, 2e-7, -1e-7, 1e-7),
            own_covariance: Matrix3::zeros(),
            inliers: Vec::new(),
            dof: 100.0,
            reduced_chi2: 1.0,
        }
    }

    #[test]
    fn the_offset_is_the_part_seen_from_the_board() {
        let found = offset(&fit(1.0, 2.0, 0.3), &fit(0.5, -0.2, 0.1));
        let expected = Pose::new(0.5, -0.2, 0.1).inverse().after(&Pose::new(1.0, 2.0, 0.3));
        assert!((found.offset.x_mm - expected.x_mm).abs() < 1e-12 && (found.offset.theta_rad - 0.2).abs() < 1e-12);
        assert!((found.k - 2.0).abs() < 1e-12);
    }

    #[test]
    fn the_covariance_is_that_of_small_changes() {
        let (part, board) = (fit(1.0, 2.0, 0.3), fit(0.5, -0.2, 0.1));
        let slope = |of_part: bool| {
            Matrix3::from_fn(|r, c| {
                let h = 1e-6;
                let moved = |sign: f64| {
                    let (mut p, mut b) = (part.clone(), board.clone());
                    let pose = if of_part { &mut p.to_from } else { &mut b.to_from };
                    match c {
                        0 => pose.x_mm += sign * h,
                        1 => pose.y_mm += sign * h,
                        _ => pose.theta_rad += sign * h,
                    }
                    let o = offset(&p, &b).offset;
                    [o.x_mm, o.y_mm, o.theta_rad][r]
                };
                (moved(1.0) - moved(-1.0)) / (2.0 * h)
            })
        };
        let (a, b) = (slope(true), slope(false));
        let expected = a * part.covariance * a.transpose() + b * board.covariance * b.transpose();
        assert!((offset(&part, &board).covariance - expected).abs().max() < 1e-12);
    }

    #[test]
    fn the_degrees_of_freedom_of_a_sum_are_those_of_the_published_example() {
        // JCGM 100:2008, H.1.6: the end gauge, nm and degrees of freedom.
        let dof = effective_dof([(25.0, 18.0), (9.7, 25.6), (2.9, 50.0), (16.6, 2.0)].map(|(u, dof): (f64, f64)| (u * u, dof)));
        assert!((dof - 16.7).abs() < 0.1, "{dof}");
        assert!(effective_dof([(4.0, 3.0), (4.0, f64::INFINITY)]) == 12.0, "what is known as it is widens nothing");
        assert!(effective_dof([(0.0, 3.0), (4.0, f64::INFINITY)]).is_infinite());
    }

    #[test]
    fn few_residuals_widen_the_factor() {
        assert!((coverage_factor(5.0) - 2.649).abs() < 0.01, "Student's t for 95.45 % and 5 degrees of freedom: GUM table G.2 gives 2.65");
    }
}
