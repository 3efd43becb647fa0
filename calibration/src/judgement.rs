//! Whether an offset is good enough: the worst miss with its uncertainty, and a decision guarded by it.

use crate::moves::{Reach, minus_aim, miss_vector_mm};
use landfit_part::{Allowance, Part, Pose, Side};
use nalgebra::{Matrix2x3, Matrix3, Vector2};

/// The worst site of an offset, and what follows from it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Judgement {
    /// Offset minus aim, component by component: what was judged.
    pub to_go: Pose,
    /// Index of the site with the largest miss.
    pub site: usize,
    /// Its miss, mm.
    pub miss_mm: f64,
    /// The miss's uncertainty, mm, with the factor `k` that was given.
    pub u_mm: f64,
    /// The largest allowed miss, and where it comes from.
    pub allowance: Allowance,
    /// What follows.
    pub decision: Decision,
}

/// A decision guarded by the uncertainty (ISO 14253-1's rule, from memory).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Decision {
    /// Surely not above the allowance.
    Within,
    /// Surely above it.
    Outside,
    /// The uncertainty reaches across the allowance.
    Undecided,
}

impl Decision {
    /// The word of the JSON answer.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Within => "within",
            Self::Outside => "outside",
            Self::Undecided => "undecided",
        }
    }

    /// Decides on a miss of `miss_mm` ± `u_mm` against `allowed_mm`; anything that is not a number is undecided.
    #[must_use]
    pub fn guarded(miss_mm: f64, u_mm: f64, allowed_mm: f64) -> Self {
        if miss_mm + u_mm <= allowed_mm {
            Self::Within
        } else if miss_mm - u_mm > allowed_mm {
            Self::Outside
        } else {
            Self::Undecided
        }
    }
}

/// Why an offset cannot be judged.
#[derive(Debug, thiserror::Error, Clone, PartialEq)]
#[non_exhaustive]
pub enum JudgementError {
    /// The part has no sites, or sites that are nowhere.
    #[error("the part has no sites to judge")]
    NoSites,
    /// The offset, its covariance or the factor is not usable.
    #[error("the offset's uncertainty is not usable: {what}")]
    NotUsable {
        /// What is wrong.
        what: &'static str,
    },
}

/// Judges `offset` against what `part` allows, over all sites of the pattern.
///
/// `covariance` is over (x mm, y mm, theta rad); `k` the factor for the interval; `aim` the bench's offset to aim at.
/// The uncertainty is that of the miss along its own direction; where the miss is no larger than its uncertainty, a
/// direction means nothing and the largest over all directions is taken, so that it is never understated.
///
/// # Errors
/// `NoSites` and, for values that are not finite or a covariance with negative variances, `NotUsable`.
pub fn judge(part: &Part, offset: &Pose, covariance: &Matrix3<f64>, k: f64, aim: &Pose) -> Result<Judgement, JudgementError> {
    let reach = Reach::of(part).ok_or(JudgementError::NoSites)?;
    let to_go = minus_aim(offset, aim);
    if ![to_go.x_mm, to_go.y_mm, to_go.theta_rad].iter().all(|v| v.is_finite()) {
        return Err(JudgementError::NotUsable { what: "the offset is not a finite number" });
    }
    if !(covariance.iter().all(|v| v.is_finite()) && covariance.diagonal().iter().all(|v| *v >= 0.0)) {
        return Err(JudgementError::NotUsable { what: "the covariance is not finite or has negative variances" });
    }
    if !(k.is_finite() && k > 0.0) {
        return Err(JudgementError::NotUsable { what: "the factor is not positive" });
    }
    let (site, miss_mm) = reach.worst(&to_go);
    let u_mm = miss_uncertainty_mm(part, site, &to_go, covariance, k);
    let allowance = part.allowance();
    Ok(Judgement { to_go, site, miss_mm, u_mm, allowance, decision: Decision::guarded(miss_mm, u_mm, allowance.miss_mm) })
}

/// Uncertainty of one site's miss, mm, for an offset `to_go` with `covariance` (mm, mm, rad), times `k`.
#[must_use]
pub fn miss_uncertainty_mm(part: &Part, site: usize, to_go: &Pose, covariance: &Matrix3<f64>, k: f64) -> f64 {
    let p = part.sites.get(site).map(|s| s.centre_mm(Side::Part)).unwrap_or_default();
    let turned = p.rotated(to_go.theta_rad);
    let miss_from_offset = Matrix2x3::new(1.0, 0.0, -turned.y, 0.0, 1.0, turned.x);
    let of_miss = miss_from_offset * covariance * miss_from_offset.transpose();
    let largest_mm = k * of_miss.symmetric_eigenvalues().max().max(0.0).sqrt();
    let miss = miss_vector_mm(to_go, p);
    if miss.norm() <= largest_mm {
        return largest_mm;
    }
    let along = Vector2::new(miss.x, miss.y) / miss.norm();
    k * (along.transpose() * of_miss * along)[(0, 0)].max(0.0).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;
    use landfit_part::{Piece, PointMm, Site};

    fn square(half_mm: f64) -> Part {
        let corners = [(-half_mm, half_mm), (half_mm, half_mm), (-half_mm, -half_mm), (half_mm, -half_mm)];
        let sites = corners.iter().enumerate().map(|(i, c)| Site {
            id: format!("{}", i + 1),
            at_mm: PointMm::new(c.0, c.1),
            angle_rad: 0.0,
            terminal: vec![Piece::round(0.45)],
            land: vec![Piece::round(0.36)],
        });
        Part {
            name: "square".into(),
            body_mm: [14.0; 2],
            body_centre_mm: PointMm::ZERO,
            sites: sites.collect(),
            marks: vec![],
            accept_miss_mm: None,
        }
    }

    fn variances(x: f64, y: f64, theta: f64) -> Matrix3<f64> {
        Matrix3::from_diagonal(&nalgebra::Vector3::new(x * x, y * y, theta * theta))
    }

    #[test]
    fn the_decision_is_guarded_on_both_sides() {
        assert_eq!(Decision::guarded(0.088, 0.002, 0.09), Decision::Within);
        assert_eq!(Decision::guarded(0.0885, 0.002, 0.09), Decision::Undecided);
        assert_eq!(Decision::guarded(0.092, 0.002, 0.09), Decision::Undecided);
        assert_eq!(Decision::guarded(0.0921, 0.002, 0.09), Decision::Outside);
        assert_eq!(Decision::guarded(f64::NAN, 0.002, 0.09), Decision::Undecided);
    }

    #[test]
    fn a_pure_shift_has_the_shifts_uncertainty_along_it() {
        let found = judge(&square(6.0), &Pose::new(0.2, 0.0, 0.0), &variances(1e-3, 5e-3, 0.0), 2.0, &Pose::IDENTITY).unwrap();
        assert_eq!(found.site, 0);
        assert!((found.miss_mm - 0.2).abs() < 1e-12);
        assert!((found.u_mm - 2e-3).abs() < 1e-12);
        assert_eq!(found.decision, Decision::Outside);
    }

    #[test]
    fn a_turns_uncertainty_grows_with_the_distance_from_the_centre() {
        let theta_rad = 0.02;
        let u =
            |half| judge(&square(half), &Pose::new(0.0, 0.0, theta_rad), &variances(0.0, 0.0, 1e-4), 2.0, &Pose::IDENTITY).unwrap().u_mm;
        assert!((u(6.0) - 2e-4 * 6.0 * 2.0_f64.sqrt()).abs() < 1e-7);
        assert!((u(12.0) / u(6.0) - 2.0).abs() < 1e-6);
    }

    #[test]
    fn a_tiny_miss_takes_the_largest_direction() {
        let found = judge(&square(6.0), &Pose::new(1e-6, 0.0, 0.0), &variances(1e-3, 5e-3, 0.0), 2.0, &Pose::IDENTITY).unwrap();
        assert!((found.u_mm - 1e-2).abs() < 1e-12);
        assert_eq!(found.decision, Decision::Within);
    }

    #[test]
    fn the_aim_is_taken_off_before_judging() {
        let aim = Pose::new(0.03, -0.02, 0.001);
        let found = judge(&square(6.0), &aim, &variances(1e-3, 1e-3, 1e-5), 2.0, &aim).unwrap();
        assert!(found.miss_mm < 1e-12);
    }

    #[test]
    fn what_cannot_be_judged_is_refused() {
        let empty = Part { sites: vec![], ..square(6.0) };
        assert_eq!(judge(&empty, &Pose::IDENTITY, &Matrix3::zeros(), 2.0, &Pose::IDENTITY), Err(JudgementError::NoSites));
        let nan = Matrix3::from_element(f64::NAN);
        assert!(judge(&square(6.0), &Pose::IDENTITY, &nan, 2.0, &Pose::IDENTITY).is_err());
        assert!(judge(&square(6.0), &Pose::new(f64::NAN, 0.0, 0.0), &Matrix3::zeros(), 2.0, &Pose::IDENTITY).is_err());
        assert!(judge(&square(6.0), &Pose::IDENTITY, &Matrix3::zeros(), 0.0, &Pose::IDENTITY).is_err());
    }

    #[test]
    fn the_stated_uncertainty_covers_the_true_miss_of_noisy_offsets() {
        use nalgebra::Vector3;
        // 2000 offsets scattered by a known covariance round a true one: |miss - true miss| <= u in at least 94 % (k = 2: 95.45 %).
        let part = square(6.0);
        let covariance = Matrix3::new(1e-6, 3e-7, 2e-8, 3e-7, 2e-6, -3e-8, 2e-8, -3e-8, 1e-8);
        let root = covariance.cholesky().unwrap().l();
        let truth = Pose::new(0.12, -0.05, 0.009);
        let mut state = 7_u64;
        let mut normal = || {
            let mut uniform = || {
                state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                ((state >> 11) as f64 + 0.5) / (1_u64 << 53) as f64
            };
            (-2.0 * uniform().ln()).sqrt() * (std::f64::consts::TAU * uniform()).cos()
        };
        let true_judgement = judge(&part, &truth, &covariance, 2.0, &Pose::IDENTITY).unwrap();
        let n = 2000;
        let covered = (0..n)
            .filter(|_| {
                let d = root * Vector3::new(normal(), normal(), normal());
                let offset = Pose::new(truth.x_mm + d.x, truth.y_mm + d.y, truth.theta_rad + d.z);
                let found = judge(&part, &offset, &covariance, 2.0, &Pose::IDENTITY).unwrap();
                (found.miss_mm - true_judgement.miss_mm).abs() <= found.u_mm
            })
            .count();
        let share = covered as f64 / f64::from(n);
        assert!((0.94..0.97).contains(&share), "covered {share}");
    }
}
