//! Combining uncertainties after the Guide to the Expression of Uncertainty in Measurement, JCGM 100:2008.

use crate::{StatsError, all_numbers, mean};
use nalgebra::{DMatrix, DVector};
use statrs::distribution::{ContinuousCDF, Normal, StudentsT};

/// Probability within two standard deviations of a normal distribution: what k = 2 means.
pub const COVERAGE_OF_K2: f64 = 0.954_499_736_103_642;

/// One source of uncertainty, as it acts on the result.
#[derive(Debug, Clone, PartialEq)]
pub struct Contribution {
    /// What it is.
    pub name: String,
    /// |c_i| u_i: its standard uncertainty times the result's sensitivity to it, in the result's unit.
    pub u: f64,
    /// Degrees of freedom behind it; infinite where it is known for certain.
    pub dof: f64,
}

/// What uncorrelated contributions come to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Combined {
    /// Combined standard uncertainty.
    pub u: f64,
    /// Effective degrees of freedom (Welch-Satterthwaite, G.4.1).
    pub dof: f64,
}

/// Combines uncorrelated contributions: the root of the sum of squares (5.1.2) and the Welch-Satterthwaite formula (G.4.1).
#[must_use]
pub fn combine(contributions: &[Contribution]) -> Combined {
    let u2: f64 = contributions.iter().map(|c| c.u * c.u).sum();
    let share: f64 = contributions.iter().filter(|c| c.dof.is_finite()).map(|c| c.u.powi(4) / c.dof.max(1e-9)).sum();
    Combined { u: u2.sqrt(), dof: if share > 0.0 { u2 * u2 / share } else { f64::INFINITY } }
}

impl Combined {
    /// Half-width of the interval that covers the truth with probability `coverage`.
    #[must_use]
    pub fn expanded(&self, coverage: f64) -> f64 {
        self.u * coverage_factor(self.dof, coverage)
    }
}

/// Student's factor for a two-sided interval; degrees of freedom are cut to a whole number as G.4.2 asks, at least 1.
#[must_use]
pub fn coverage_factor(dof: f64, coverage: f64) -> f64 {
    let (whole, below) = (dof.max(1.0).floor(), 0.5 + coverage / 2.0);
    if whole > 300.0 {
        // First term of the expansion about the normal factor (Fisher & Cornish 1960); the next one is below 1e-4 here.
        let z = Normal::new(0.0, 1.0).map_or(2.0, |n| n.inverse_cdf(below));
        return z + (z.powi(3) + z) / (4.0 * whole);
    }
    StudentsT::new(0.0, 1.0, whole).map_or(2.0, |t| t.inverse_cdf(below))
}

/// Standard uncertainty of a quantity that lies anywhere within ± `half_width` (4.3.7).
#[must_use]
pub fn rectangular(half_width: f64) -> f64 {
    half_width / 3f64.sqrt()
}

/// Standard uncertainty of a quantity that lies within ± `half_width`, more likely in the middle (4.3.9).
#[must_use]
pub fn triangular(half_width: f64) -> f64 {
    half_width / 6f64.sqrt()
}

/// Carries a covariance through a function whose derivatives are the rows of `sensitivity` (5.2.2, H.2).
#[must_use]
pub fn propagate(sensitivity: &DMatrix<f64>, covariance: &DMatrix<f64>) -> DMatrix<f64> {
    sensitivity * covariance * sensitivity.transpose()
}

/// Means of quantities read together, and the covariance of these means (5.2.3, H.2); `rows` holds one set of readings each.
///
/// # Errors
/// Below two sets, sets of unequal length, and values that are no numbers.
pub fn means_with_covariance(rows: &[Vec<f64>]) -> Result<(DVector<f64>, DMatrix<f64>), StatsError> {
    if rows.len() < 2 {
        return Err(StatsError::TooFew { what: "sets of readings", needed: 2, given: rows.len() });
    }
    let width = rows[0].len();
    if let Some(i) = rows.iter().position(|r| r.len() != width) {
        return Err(StatsError::Uneven { what: format!("set {} holds {} readings, the first {width}", i + 1, rows[i].len()) });
    }
    all_numbers(rows.iter().flatten())?;
    let means = DVector::from_fn(width, |c, _| mean(&rows.iter().map(|r| r[c]).collect::<Vec<_>>()));
    let n = rows.len() as f64;
    let covariance =
        DMatrix::from_fn(width, width, |a, b| rows.iter().map(|r| (r[a] - means[a]) * (r[b] - means[b])).sum::<f64>() / (n * (n - 1.0)));
    Ok((means, covariance))
}

/// Correlations from a covariance; 0 beside a quantity without spread.
#[must_use]
pub fn correlations(covariance: &DMatrix<f64>) -> DMatrix<f64> {
    DMatrix::from_fn(covariance.nrows(), covariance.ncols(), |a, b| {
        let scale = (covariance[(a, a)] * covariance[(b, b)]).sqrt();
        if scale > 0.0 { covariance[(a, b)] / scale } else { f64::from(u8::from(a == b)) }
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_known_for_certain_takes_no_degrees_of_freedom() {
        let sure = |u| Contribution { name: String::new(), u, dof: f64::INFINITY };
        let both = combine(&[sure(3.0), sure(4.0)]);
        assert!((both.u - 5.0).abs() < 1e-12 && both.dof.is_infinite());
        assert!((both.expanded(COVERAGE_OF_K2) - 10.0).abs() < 1e-4);
    }

    #[test]
    fn half_widths_shrink_by_the_roots_of_three_and_six() {
        assert!((rectangular(3f64.sqrt()) - 1.0).abs() < 1e-12 && (triangular(6f64.sqrt()) - 1.0).abs() < 1e-12);
    }

    #[test]
    fn sets_that_do_not_fit_together_are_refused() {
        assert!(means_with_covariance(&[vec![1.0]]).is_err());
        assert!(means_with_covariance(&[vec![1.0], vec![1.0, 2.0]]).is_err());
        assert!(means_with_covariance(&[vec![1.0], vec![f64::NAN]]).is_err());
    }
}
