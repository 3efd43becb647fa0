//! Linear least squares by QR of the scaled columns, which keeps the digits that normal equations lose.

use crate::{StatsError, all_numbers};
use nalgebra::{DMatrix, DVector};

/// A fitted linear model.
#[derive(Debug, Clone, PartialEq)]
pub struct LinearFit {
    /// One for each column.
    pub coefficients: DVector<f64>,
    /// (XᵀX)⁻¹: times the variance of one reading it is the coefficients' covariance.
    pub cofactors: DMatrix<f64>,
    /// Reading less model.
    pub residuals: DVector<f64>,
    /// Root of the sum of squares over the degrees of freedom.
    pub residual_sd: f64,
    /// Readings less coefficients.
    pub dof: usize,
}

impl LinearFit {
    /// The coefficients' covariance, with the spread that the residuals show.
    #[must_use]
    pub fn covariance(&self) -> DMatrix<f64> {
        &self.cofactors * self.residual_sd.powi(2)
    }

    /// Standard deviation of a coefficient.
    #[must_use]
    pub fn sd(&self, column: usize) -> f64 {
        self.residual_sd * self.cofactors[(column, column)].max(0.0).sqrt()
    }

    /// Share of the readings' variance about their mean that the model explains.
    #[must_use]
    pub fn r_squared(&self, readings: &DVector<f64>) -> f64 {
        let mean = readings.mean();
        1.0 - self.residuals.norm_squared() / readings.iter().map(|v| (v - mean).powi(2)).sum::<f64>()
    }

    /// How much of reading `i`'s residual its own pull has taken away: the diagonal of the hat matrix, 0 to 1.
    #[must_use]
    pub fn leverage(&self, columns: &DMatrix<f64>, i: usize) -> f64 {
        let row = columns.row(i);
        (row * &self.cofactors * row.transpose())[(0, 0)]
    }
}

/// Fits `readings` as a sum of `columns`.
///
/// # Errors
/// As many coefficients as readings or more, columns that depend on each other, and values that are no numbers.
pub fn fit(columns: &DMatrix<f64>, readings: &DVector<f64>) -> Result<LinearFit, StatsError> {
    let (n, m) = columns.shape();
    if n <= m || readings.len() != n {
        return Err(StatsError::TooFew { what: "readings", needed: m + 1, given: n.min(readings.len()) });
    }
    all_numbers(readings.iter())?;
    all_numbers(columns.iter())?;
    let scales: Vec<f64> = columns.column_iter().map(|c| c.norm()).collect();
    if scales.contains(&0.0) {
        return Err(StatsError::Dependent);
    }
    let scaled = DMatrix::from_fn(n, m, |r, c| columns[(r, c)] / scales[c]);
    let qr = scaled.qr();
    let r = qr.r();
    // A diagonal element is what a column adds to those before it.
    if (0..m).any(|i| r[(i, i)].abs() < 1e-11) {
        return Err(StatsError::Dependent);
    }
    let target = qr.q().transpose() * readings;
    let solved = r.solve_upper_triangular(&target).ok_or(StatsError::Dependent)?;
    let inverse = r.solve_upper_triangular(&DMatrix::identity(m, m)).ok_or(StatsError::Dependent)?;
    let unscale = DMatrix::from_fn(m, m, |a, b| if a == b { 1.0 / scales[a] } else { 0.0 });
    let coefficients = &unscale * solved;
    let residuals = readings - columns * &coefficients;
    let dof = n - m;
    Ok(LinearFit {
        cofactors: &unscale * (&inverse * inverse.transpose()) * &unscale,
        residual_sd: (residuals.norm_squared() / dof as f64).sqrt(),
        coefficients,
        residuals,
        dof,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn columns_that_depend_on_each_other_are_refused() {
        let columns = DMatrix::from_fn(5, 2, |r, c| (r as f64 + 1.0) * (c as f64 + 1.0));
        assert_eq!(fit(&columns, &DVector::from_element(5, 1.0)), Err(StatsError::Dependent));
        assert!(fit(&DMatrix::from_element(1, 1, 1.0), &DVector::from_element(1, 1.0)).is_err());
    }

    #[test]
    fn a_mean_has_leverage_one_over_n_everywhere() {
        let columns = DMatrix::from_element(4, 1, 1.0);
        let found = fit(&columns, &DVector::from_vec(vec![1.0, 2.0, 3.0, 6.0])).expect("a fit");
        assert!((found.coefficients[0] - 3.0).abs() < 1e-12);
        assert!((0..4).all(|i| (found.leverage(&columns, i) - 0.25).abs() < 1e-12));
    }
}
