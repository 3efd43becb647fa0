//! The arithmetic of metrology, apart from any picture, part or bench: uncertainty, positioning, gauge studies, charts, line fits.
//!
//! * [`gum`] combines uncertainties (JCGM 100:2008).
//! * [`positioning`] evaluates runs of an axis (ISO 230-2:2014).
//! * [`gauge`] evaluates repeatability studies (Cg, Cgk; parts x people x trials).
//! * [`charts`] holds control charts and capability.
//! * [`linear_fit`] fits linear models with the covariance of what it found.
//!
//! Units are the caller's: what goes in as mm comes out as mm.

pub mod charts;
pub mod gauge;
pub mod gum;
pub mod linear_fit;
pub mod positioning;

/// Mean of values; `NaN` of none.
#[must_use]
pub fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

/// Standard deviation with n - 1; 0 of fewer than two.
#[must_use]
pub fn standard_deviation(values: &[f64]) -> f64 {
    if values.len() < 2 {
        return 0.0;
    }
    let m = mean(values);
    (values.iter().map(|v| (v - m).powi(2)).sum::<f64>() / (values.len() - 1) as f64).sqrt()
}

/// Why statistics cannot be had from these numbers.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum StatsError {
    /// Too few of something.
    #[error("{needed} {what} are needed, but there are {given}: take more")]
    TooFew {
        /// What there is too little of.
        what: &'static str,
        /// How many are needed.
        needed: usize,
        /// How many were given.
        given: usize,
    },
    /// A study with a missing or a surplus reading.
    #[error("{what}: every cell of the study needs the same number of readings")]
    Uneven {
        /// Which cell.
        what: String,
    },
    /// NaN or infinite.
    #[error("reading {index} is not a number: note it again or leave its row out")]
    NotANumber {
        /// Which, from 1.
        index: usize,
    },
    /// All equal, so that no spread can be had.
    #[error("all readings are equal: the scale of the readings is too coarse for this study, or they were copied")]
    AllEqual,
    /// The columns of a model depend on each other.
    #[error("the readings cannot tell these quantities apart: spread them more")]
    Dependent,
}

pub(crate) fn all_numbers<'a>(values: impl IntoIterator<Item = &'a f64>) -> Result<(), StatsError> {
    match values.into_iter().position(|v| !v.is_finite()) {
        Some(i) => Err(StatsError::NotANumber { index: i + 1 }),
        None => Ok(()),
    }
}
