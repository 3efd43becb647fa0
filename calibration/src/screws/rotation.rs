//! An adjuster that turns what it carries about a pivot.

use super::fit::{COS, Fitted, PLAY, SIN, SLOPE, check, middle_turns, without_misnoted};
use super::{Graduation, Misnoted, OncePerTurn, RunError, Stop};
use landfit_part::{PointMm, wrap_angle_rad};
use landfit_stats::gum::{COVERAGE_OF_K2, coverage_factor};
use landfit_stats::linear_fit::fit;
use nalgebra::{DMatrix, DVector, Matrix2};

/// What a run of a rotation says; uncertainties are standard ones, `k` widens them to 95.45 %.
#[derive(Debug, Clone, PartialEq)]
pub struct RotationFit {
    /// What one turn that makes the reading rise turns, anticlockwise from above, radians.
    pub step_rad: f64,
    /// Its standard uncertainty.
    pub u_step_rad: f64,
    /// The pivot, bench frame.
    pub pivot_mm: PointMm,
    /// Its covariance, mm².
    pub pivot_covariance_mm2: Matrix2<f64>,
    /// Turns lost at a reversal.
    pub backlash_turns: f64,
    /// Its standard uncertainty.
    pub u_backlash_turns: f64,
    /// Error that comes back once in a turn, radians; `None` for steps.
    pub once_per_turn: Option<OncePerTurn>,
    /// Standard deviation of the stops' angles about the fit, radians.
    pub sd_rad: f64,
    /// Standard deviation of the stops' places about the circle, mm.
    pub sd_mm: f64,
    /// Student's factor for 95.45 %.
    pub k: f64,
    /// Readings that were left out.
    pub misnoted: Vec<Misnoted>,
    /// For each stop, radians from where its reading's line, without play and once-per-turn error, has it.
    pub deviations_rad: Vec<f64>,
    /// Turns between the first and the last reading.
    pub travel_turns: f64,
}

/// Fits what a turn turns, its pivot, play and once-per-turn error to a run.
///
/// Places go round the pivot by the angles that the pictures show: place = pivot + R(angle) arm, linear in pivot and arm.
/// Mis-noted readings do not touch the pivot.
///
/// # Errors
/// See [`RunError`].
pub fn fit_rotation(stops: &[Stop], graduation: Graduation) -> Result<RotationFit, RunError> {
    check(stops, graduation)?;
    let first = stops[0].pose.theta_rad;
    let angles: Vec<f64> = stops.iter().map(|s| wrap_angle_rad(s.pose.theta_rad - first)).collect();
    let of = |used: &[usize]| Ok(DVector::from_iterator(used.len(), used.iter().map(|i| angles[*i])));
    let Fitted { design, line, misnoted } = without_misnoted(stops, &of, graduation)?;
    let step = line.coefficients[SLOPE];
    let travel_turns = 2.0 * (stops.iter().map(|s| s.reading_turns).fold(f64::NEG_INFINITY, f64::max) - middle_turns(stops));
    if !((step * travel_turns).abs() > 6.0 * line.residual_sd && (step * travel_turns).abs() > 1e-4) {
        return Err(RunError::NothingMoved { moved: format!("{:.3} degrees", (step * travel_turns).to_degrees()) });
    }
    graduation.check_scatter((line.residual_sd / step).abs())?;
    let c = line.covariance();
    let backlash_turns = line.coefficients[PLAY] / step;
    let u_backlash2 =
        (c[(PLAY, PLAY)] - 2.0 * backlash_turns * c[(PLAY, SLOPE)] + backlash_turns.powi(2) * c[(SLOPE, SLOPE)]) / step.powi(2);
    let circle = circle(stops, &angles)?;
    let once_per_turn = (design.columns.ncols() > COS).then(|| OncePerTurn {
        cos: line.coefficients[COS],
        sin: line.coefficients[SIN],
        u: [line.sd(COS), line.sd(SIN)],
    });
    let (middle, start) = (middle_turns(stops), line.coefficients[0]);
    Ok(RotationFit {
        step_rad: step,
        u_step_rad: line.sd(SLOPE),
        pivot_mm: circle.pivot_mm,
        pivot_covariance_mm2: circle.covariance_mm2,
        backlash_turns,
        u_backlash_turns: u_backlash2.max(0.0).sqrt(),
        once_per_turn,
        sd_rad: line.residual_sd,
        sd_mm: circle.sd_mm,
        k: coverage_factor(line.dof as f64, COVERAGE_OF_K2),
        misnoted,
        deviations_rad: stops.iter().zip(&angles).map(|(s, a)| a - start - step * (s.reading_turns - middle)).collect(),
        travel_turns,
    })
}

struct Circle {
    pivot_mm: PointMm,
    covariance_mm2: Matrix2<f64>,
    sd_mm: f64,
}

fn circle(stops: &[Stop], angles: &[f64]) -> Result<Circle, RunError> {
    let n = stops.len();
    let middle = angles.iter().sum::<f64>() / n as f64;
    let columns = DMatrix::from_fn(2 * n, 4, |r, c| {
        let (s, co) = (angles[r / 2] - middle).sin_cos();
        match (r % 2, c) {
            (0, 0) | (1, 1) => 1.0,
            (0, 2) | (1, 3) => co,
            (0, 3) => -s,
            (1, 2) => s,
            _ => 0.0,
        }
    });
    let places = DVector::from_fn(2 * n, |r, _| if r % 2 == 0 { stops[r / 2].pose.x_mm } else { stops[r / 2].pose.y_mm });
    let found = fit(&columns, &places).map_err(|_| RunError::Unsettled)?;
    let c = found.covariance();
    Ok(Circle {
        pivot_mm: PointMm::new(found.coefficients[0], found.coefficients[1]),
        covariance_mm2: Matrix2::new(c[(0, 0)], c[(0, 1)], c[(1, 0)], c[(1, 1)]),
        sd_mm: found.residual_sd,
    })
}
