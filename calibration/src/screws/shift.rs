//! An adjuster that moves along a line.

use super::fit::{COS, Fitted, PLAY, SIN, SLOPE, check, middle_turns, without_misnoted};
use super::{Graduation, Misnoted, OncePerTurn, RunError, Stop};
use landfit_part::PointMm;
use landfit_stats::gum::{COVERAGE_OF_K2, coverage_factor};
use landfit_stats::linear_fit::fit;
use nalgebra::{DVector, Matrix2};

/// What a run of a shift says; uncertainties are standard ones, `k` widens them to 95.45 %.
#[derive(Debug, Clone, PartialEq)]
pub struct ShiftFit {
    /// What one turn that makes the reading rise moves, bench frame.
    pub step_mm: PointMm,
    /// Covariance of its two components, mm².
    pub step_covariance_mm2: Matrix2<f64>,
    /// Standard uncertainty of its length, mm.
    pub u_step_mm: f64,
    /// Turns lost at a reversal.
    pub backlash_turns: f64,
    /// Its standard uncertainty.
    pub u_backlash_turns: f64,
    /// Error that comes back once in a turn, mm along the step; `None` for steps.
    pub once_per_turn: Option<OncePerTurn>,
    /// Standard deviation of the stops about the fit, mm, along the step (setting, repeatability, picture) ...
    pub sd_along_mm: f64,
    /// ... and across it (picture, guide).
    pub sd_across_mm: f64,
    /// Student's factor for 95.45 %.
    pub k: f64,
    /// Readings that were left out.
    pub misnoted: Vec<Misnoted>,
    /// For each stop, mm along the step from where its reading's line, without play and once-per-turn error, has it.
    pub deviations_mm: Vec<f64>,
    /// Turns between the first and the last reading.
    pub travel_turns: f64,
}

/// How far the pictures themselves may be off; standard uncertainties.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct SightUncertainty {
    /// Of the scale, relative.
    pub scale_relative: f64,
    /// Of the view's angle in the bench frame, radians.
    pub angle_rad: f64,
}

/// Fits what a turn moves, play and once-per-turn error to a run of stops that pictures known to `sight` have placed.
///
/// Each stop stood at start + step (reading + play where approached down) + once-per-turn error. Setting errors act along the
/// step only, so that both directions have a spread of their own.
///
/// # Errors
/// See [`RunError`].
pub fn fit_shift(stops: &[Stop], graduation: Graduation, sight: SightUncertainty) -> Result<ShiftFit, RunError> {
    check(stops, graduation)?;
    let direction_of = |used: &[usize]| direction(stops, used);
    let along = |used: &[usize]| {
        let u = direction_of(used)?;
        Ok(DVector::from_iterator(used.len(), used.iter().map(|i| dot(u, stops[*i].pose.shift()))))
    };
    let Fitted { design, line, misnoted } = without_misnoted(stops, &along, graduation)?;
    let u = direction_of(&design.used)?;
    let n = PointMm::new(-u.y, u.x);
    let across = DVector::from_iterator(design.used.len(), design.used.iter().map(|i| dot(n, stops[*i].pose.shift())));
    let across = fit(&design.columns, &across).map_err(|_| RunError::Unsettled)?;
    let (step, side) = (line.coefficients[SLOPE], across.coefficients[SLOPE]);
    let travel_turns = 2.0 * (stops.iter().map(|s| s.reading_turns).fold(f64::NEG_INFINITY, f64::max) - middle_turns(stops));
    if !(step * travel_turns > 6.0 * line.residual_sd && step * travel_turns > 1e-3) {
        return Err(RunError::NothingMoved { moved: format!("{:.1} µm", 1e3 * step * travel_turns) });
    }
    graduation.check_scatter(line.residual_sd / step)?;
    let step_mm = u * step + n * side;
    let (u_along, u_across) = (line.sd(SLOPE).hypot(step * sight.scale_relative), across.sd(SLOPE).hypot(step * sight.angle_rad));
    let turn = Matrix2::new(u.x, n.x, u.y, n.y);
    let step_covariance_mm2 = turn * Matrix2::new(u_along.powi(2), 0.0, 0.0, u_across.powi(2)) * turn.transpose();
    let backlash_turns = line.coefficients[PLAY] / step;
    // play = b / s: both uncertain, and correlated.
    let c = line.covariance();
    let u_backlash2 =
        (c[(PLAY, PLAY)] - 2.0 * backlash_turns * c[(PLAY, SLOPE)] + backlash_turns.powi(2) * c[(SLOPE, SLOPE)]) / step.powi(2);
    let once_per_turn = (design.columns.ncols() > COS).then(|| OncePerTurn {
        cos: line.coefficients[COS],
        sin: line.coefficients[SIN],
        u: [line.sd(COS), line.sd(SIN)],
    });
    let middle = middle_turns(stops);
    let start = line.coefficients[0];
    let deviations_mm = stops.iter().map(|s| dot(u, s.pose.shift()) - start - step * (s.reading_turns - middle)).collect();
    Ok(ShiftFit {
        step_mm,
        step_covariance_mm2,
        u_step_mm: u_along,
        backlash_turns,
        u_backlash_turns: u_backlash2.max(0.0).sqrt(),
        once_per_turn,
        sd_along_mm: line.residual_sd,
        sd_across_mm: across.residual_sd,
        k: coverage_factor(line.dof as f64, COVERAGE_OF_K2),
        misnoted,
        deviations_mm,
        travel_turns,
    })
}

fn dot(a: PointMm, b: PointMm) -> f64 {
    a.x * b.x + a.y * b.y
}

/// The unit vector along which the stops moved as the reading rose: robust against one wrong reading, for it is the direction
/// of the places themselves, and only its sense comes from the readings.
fn direction(stops: &[Stop], used: &[usize]) -> Result<PointMm, RunError> {
    let n = used.len().max(1) as f64;
    let places: Vec<PointMm> = used.iter().map(|i| stops[*i].pose.shift()).collect();
    let middle = places.iter().fold(PointMm::ZERO, |sum, p| sum + *p) * (1.0 / n);
    let (mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0);
    for p in &places {
        let d = *p - middle;
        (xx, xy, yy) = (xx + d.x * d.x, xy + d.x * d.y, yy + d.y * d.y);
    }
    let angle = 0.5 * (2.0 * xy).atan2(xx - yy);
    let u = PointMm::new(angle.cos(), angle.sin());
    let mean_turns = used.iter().map(|i| stops[*i].reading_turns).sum::<f64>() / n;
    let sense: f64 = used.iter().zip(&places).map(|(i, p)| (stops[*i].reading_turns - mean_turns) * dot(u, *p - middle)).sum();
    if xx + yy <= 0.0 || !sense.is_finite() {
        return Err(RunError::NothingMoved { moved: "0 µm".to_owned() });
    }
    Ok(if sense < 0.0 { u * -1.0 } else { u })
}
