//! The line through a run's readings with play and once-per-turn error, and the readings that do not belong.

use super::{Approach, Graduation, Misnoted, RunError, Stop};
use landfit_stats::linear_fit::{LinearFit, fit};
use nalgebra::{DMatrix, DVector, Matrix2};
use statrs::distribution::{ContinuousCDF, StudentsT};
use std::f64::consts::TAU;

/// Columns: 1, turns, came down, cos, sin.
pub(super) const SLOPE: usize = 1;
pub(super) const PLAY: usize = 2;
pub(super) const COS: usize = 3;
pub(super) const SIN: usize = 4;

/// How often, by chance alone, a run's largest residual would stand out so far ...
const BY_CHANCE: f64 = 0.02;
/// ... and yet be no slip: readings are off by whole divisions, less than this share of one is a matter of setting.
const LEAST_SLIP: f64 = 0.6;
/// More than this share of contradicted readings is no slip of the pen.
const MOST_MISNOTED: f64 = 0.15;
/// What each phase column must add, per stop, to be told from the others; stops all round the turn give 0.5.
const LEAST_PHASE_SPREAD: f64 = 0.05;

/// The design of a run, without the stops that were left out.
pub(super) struct Design {
    pub columns: DMatrix<f64>,
    pub used: Vec<usize>,
}

/// Checks the readings themselves, before any picture is believed.
pub(super) fn check(stops: &[Stop], graduation: Graduation) -> Result<(), RunError> {
    let unknowns = if graduation.turns() { 5 } else { 3 };
    if stops.len() < 3 {
        return Err(RunError::TooFew { found: stops.len(), needed: unknowns + 3 });
    }
    if let Some(stop) =
        stops.iter().position(|s| ![s.reading_turns, s.pose.x_mm, s.pose.y_mm, s.pose.theta_rad].iter().all(|v| v.is_finite()))
    {
        return Err(RunError::NotANumber { stop });
    }
    let first = stops[0].reading_turns;
    if stops.iter().all(|s| (s.reading_turns - first).abs() < 1e-9) {
        return Err(RunError::AllEqual { turns: first });
    }
    if stops.len() < unknowns + 3 {
        return Err(RunError::TooFew { found: stops.len(), needed: unknowns + 3 });
    }
    if stops.iter().all(|s| s.approach == stops[0].approach) {
        return Err(RunError::OneWay);
    }
    if graduation.turns() { phases(stops) } else { Ok(()) }
}

/// Refuses runs whose stops cannot tell a once-per-turn error.
fn phases(stops: &[Stop]) -> Result<(), RunError> {
    let n = stops.len() as f64;
    let angle = |s: &Stop| TAU * s.reading_turns;
    let (c, s) = stops.iter().fold((0.0, 0.0), |(c, s), stop| (c + angle(stop).cos() / n, s + angle(stop).sin() / n));
    if c.hypot(s) > 0.97 {
        // Told to a hundredth: 0.997 of a turn is its beginning.
        let phase_turns = ((100.0 * s.atan2(c) / TAU).round() / 100.0).rem_euclid(1.0).abs();
        return Err(RunError::OnePhase { phase_turns });
    }
    let all: Vec<usize> = (0..stops.len()).collect();
    let columns = design(stops, &all, true);
    let others = columns.columns(0, COS).into_owned();
    let wave = columns.columns(COS, 2).into_owned();
    let Some(inverse) = (others.transpose() * &others).try_inverse() else { return Err(RunError::Unsettled) };
    let rest = &wave - &others * inverse * (others.transpose() * &wave);
    let gram = rest.transpose() * rest;
    let gram = Matrix2::new(gram[(0, 0)], gram[(0, 1)], gram[(1, 0)], gram[(1, 1)]);
    let least = gram.symmetric_eigenvalues().min();
    if least < LEAST_PHASE_SPREAD * n { Err(RunError::TwoPhases) } else { Ok(()) }
}

fn design(stops: &[Stop], used: &[usize], with_wave: bool) -> DMatrix<f64> {
    let middle = middle_turns(stops);
    let rows: Vec<_> = used.iter().map(|i| design_row(&stops[*i], middle, with_wave).transpose()).collect();
    DMatrix::from_rows(&rows)
}

fn design_row(stop: &Stop, middle_turns: f64, with_wave: bool) -> DVector<f64> {
    let t = stop.reading_turns;
    let mut row = vec![1.0, t - middle_turns, f64::from(u8::from(stop.approach == Approach::Down))];
    if with_wave {
        row.extend([(TAU * t).cos(), (TAU * t).sin()]);
    }
    DVector::from_vec(row)
}

/// The middle of the readings, which the slope turns about.
pub(super) fn middle_turns(stops: &[Stop]) -> f64 {
    let (lo, hi) = stops.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(lo, hi), s| (lo.min(s.reading_turns), hi.max(s.reading_turns)));
    (lo + hi) / 2.0
}

/// Where each of some stops stood along the line.
pub(super) type Along<'a> = dyn Fn(&[usize]) -> Result<DVector<f64>, RunError> + 'a;

/// A run's line, on what it rests, and what was left out.
pub(super) struct Fitted {
    pub design: Design,
    pub line: LinearFit,
    pub misnoted: Vec<Misnoted>,
}

/// Fits the line and leaves out readings that the pictures contradict, worst first.
pub(super) fn without_misnoted(stops: &[Stop], along: &Along<'_>, graduation: Graduation) -> Result<Fitted, RunError> {
    let mut used: Vec<usize> = (0..stops.len()).collect();
    let most = ((MOST_MISNOTED * stops.len() as f64) as usize).max(1);
    loop {
        let columns = design(stops, &used, graduation.turns());
        let line = fit(&columns, &along(&used)?).map_err(|_| RunError::Unsettled)?;
        let slip = studentised(&line, &columns).filter(|worst| {
            let off_turns = line.residuals[worst.row] / worst.free / line.coefficients[SLOPE];
            worst.t > threshold(used.len(), line.dof) && off_turns.abs() > LEAST_SLIP * graduation.division_turns()
        });
        let Some(worst) = slip else {
            let design = Design { columns, used };
            let misnoted = name(stops, along, &design, &line)?;
            return Ok(Fitted { design, line, misnoted });
        };
        used.remove(worst.row);
        let left_out = stops.len() - used.len();
        if left_out > most {
            return Err(RunError::Contradicted { found: left_out, all: stops.len() });
        }
    }
}

/// What the readings that were left out should have been.
fn name(stops: &[Stop], along: &Along<'_>, design_used: &Design, line: &LinearFit) -> Result<Vec<Misnoted>, RunError> {
    let used = &design_used.used;
    let with_wave = design_used.columns.ncols() > COS;
    let left_out = (0..stops.len()).filter(|i| !used.contains(i));
    left_out
        .map(|stop| {
            // Asked for together, so that they are told along the same line.
            let mut both = used.clone();
            both.push(stop);
            let (with, without) = (along(&both)?, along(used)?);
            let place = with[used.len()] - with[0] + without[0];
            let noted_turns = stops[stop].reading_turns;
            // The once-per-turn error is that of the true reading: three steps settle it.
            let likely_turns = (0..3).fold(noted_turns, |likely, _| {
                let there = Stop { reading_turns: likely, ..stops[stop] };
                let row = design_row(&there, middle_turns(stops), with_wave);
                likely + (place - row.dot(&line.coefficients)) / line.coefficients[SLOPE]
            });
            Ok(Misnoted { stop, noted_turns, likely_turns })
        })
        .collect()
}

struct Worst {
    row: usize,
    /// Residual in units of its own standard deviation, as told by the other rows.
    t: f64,
    /// What the row's own pull leaves of an error: one less its leverage.
    free: f64,
}

/// The row that stands out most.
fn studentised(line: &LinearFit, columns: &DMatrix<f64>) -> Option<Worst> {
    if line.dof < 2 {
        return None;
    }
    let sum = line.residuals.norm_squared();
    let worst = |row: usize| {
        let free = (1.0 - line.leverage(columns, row)).max(1e-9);
        let without = ((sum - line.residuals[row].powi(2) / free) / (line.dof - 1) as f64).max(1e-30);
        Worst { row, t: line.residuals[row].abs() / (without * free).sqrt(), free }
    };
    (0..columns.nrows()).map(worst).max_by(|a, b| a.t.total_cmp(&b.t))
}

fn threshold(n: usize, dof: usize) -> f64 {
    StudentsT::new(0.0, 1.0, dof.saturating_sub(1).max(1) as f64).map_or(6.0, |t| t.inverse_cdf(1.0 - BY_CHANCE / (2.0 * n as f64)))
}
