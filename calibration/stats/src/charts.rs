//! Control charts and capability.

use crate::{StatsError, all_numbers, mean, standard_deviation};
use statrs::distribution::{ContinuousCDF, Normal};

/// A centre line with its limits.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limits {
    /// Lower control limit.
    pub lower: f64,
    /// Centre line.
    pub centre: f64,
    /// Upper control limit.
    pub upper: f64,
}

/// A chart of means and ranges.
#[derive(Debug, Clone, PartialEq)]
pub struct MeanRange {
    /// Of the subgroups' means.
    pub means: Limits,
    /// Of the subgroups' ranges.
    pub ranges: Limits,
    /// Standard deviation within subgroups, mean range over d2.
    pub sd_within: f64,
    /// Standard deviation of all readings together.
    pub sd_overall: f64,
}

/// Mean and standard deviation of the range of n normal deviates of standard deviation 1: d2 and d3.
///
/// By integration: E\[R\] = ∫ 1 - Φⁿ - (1-Φ)ⁿ, E\[R²\] = 2 ∬ 1 - Φ(y)ⁿ - (1-Φ(x))ⁿ + (Φ(y)-Φ(x))ⁿ over x < y (Tippett 1925).
#[must_use]
pub fn range_constants(n: usize) -> (f64, f64) {
    const STEP: f64 = 0.005;
    const REACH: f64 = 7.0;
    let power = n as i32;
    let count = (2.0 * REACH / STEP) as usize + 1;
    let Ok(normal) = Normal::new(0.0, 1.0) else { return (f64::NAN, f64::NAN) };
    let below: Vec<f64> = (0..count).map(|i| normal.cdf(-REACH + STEP * i as f64)).collect();
    let d2: f64 = below.iter().map(|p| 1.0 - p.powi(power) - (1.0 - p).powi(power)).sum::<f64>() * STEP;
    let mut square = 0.0;
    for (i, px) in below.iter().enumerate() {
        let low = (1.0 - px).powi(power);
        let cell = |py: &f64| 1.0 - py.powi(power) - low + (py - px).powi(power);
        // The diagonal lies half inside the triangle.
        square += 0.5 * cell(px) + below[i + 1..].iter().map(cell).sum::<f64>();
    }
    (d2, (2.0 * square * STEP * STEP - d2 * d2).max(0.0).sqrt())
}

/// Charts the means and ranges of subgroups of equal size, limits at three standard deviations (Shewhart).
///
/// # Errors
/// Fewer than two subgroups, subgroups of fewer than 2 or unequal readings, and values that are no numbers.
pub fn mean_range(subgroups: &[Vec<f64>]) -> Result<MeanRange, StatsError> {
    if subgroups.len() < 2 {
        return Err(StatsError::TooFew { what: "subgroups", needed: 2, given: subgroups.len() });
    }
    let n = subgroups[0].len();
    if n < 2 {
        return Err(StatsError::TooFew { what: "readings in a subgroup", needed: 2, given: n });
    }
    if let Some(i) = subgroups.iter().position(|g| g.len() != n) {
        return Err(StatsError::Uneven { what: format!("subgroup {} holds {} readings, the first {n}", i + 1, subgroups[i].len()) });
    }
    all_numbers(subgroups.iter().flatten())?;
    let (d2, d3) = range_constants(n);
    let range = |g: &Vec<f64>| g.iter().fold(f64::NEG_INFINITY, |a, b| a.max(*b)) - g.iter().fold(f64::INFINITY, |a, b| a.min(*b));
    let mean_of_ranges = mean(&subgroups.iter().map(range).collect::<Vec<_>>());
    let grand = mean(&subgroups.iter().map(|g| mean(g)).collect::<Vec<_>>());
    let sd_within = mean_of_ranges / d2;
    let reach = 3.0 * sd_within / (n as f64).sqrt();
    Ok(MeanRange {
        means: Limits { lower: grand - reach, centre: grand, upper: grand + reach },
        ranges: Limits {
            lower: (1.0 - 3.0 * d3 / d2).max(0.0) * mean_of_ranges,
            centre: mean_of_ranges,
            upper: (1.0 + 3.0 * d3 / d2) * mean_of_ranges,
        },
        sd_within,
        sd_overall: standard_deviation(&subgroups.iter().flatten().copied().collect::<Vec<_>>()),
    })
}

/// An exponentially weighted moving average, first value the centre, with its limits once it has settled.
#[derive(Debug, Clone, PartialEq)]
pub struct Ewma {
    /// One more than readings: the centre, then after each reading.
    pub values: Vec<f64>,
    /// centre ± 3 sd √(λ / (2 - λ)).
    pub limits: Limits,
}

/// Charts readings with weight `lambda` (0 to 1) on the newest (Roberts 1959).
#[must_use]
pub fn ewma(readings: &[f64], centre: f64, sd: f64, lambda: f64) -> Ewma {
    let mut values = vec![centre];
    for reading in readings {
        let last = values[values.len() - 1];
        values.push(lambda * reading + (1.0 - lambda) * last);
    }
    let reach = 3.0 * sd * (lambda / (2.0 - lambda)).sqrt();
    Ewma { values, limits: Limits { lower: centre - reach, centre, upper: centre + reach } }
}

/// Capability of a process within two-sided limits.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Capability {
    /// Width of the limits over six standard deviations.
    pub cp: f64,
    /// Upper limit less mean over three standard deviations.
    pub cpu: f64,
    /// Mean less lower limit over three standard deviations.
    pub cpl: f64,
    /// The smaller of the two.
    pub cpk: f64,
}

/// Capability from mean, standard deviation and limits.
#[must_use]
pub fn capability(mean: f64, sd: f64, lower: f64, upper: f64) -> Capability {
    let (cpu, cpl) = ((upper - mean) / (3.0 * sd), (mean - lower) / (3.0 * sd));
    Capability { cp: (upper - lower) / (6.0 * sd), cpu, cpl, cpk: cpu.min(cpl) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn subgroups_that_cannot_be_charted_are_refused() {
        assert!(mean_range(&[vec![1.0, 2.0]]).is_err());
        assert!(mean_range(&[vec![1.0], vec![1.0]]).is_err());
        assert!(mean_range(&[vec![1.0, 2.0], vec![1.0]]).is_err());
        assert!(mean_range(&[vec![1.0, f64::INFINITY], vec![1.0, 2.0]]).is_err());
    }
}
