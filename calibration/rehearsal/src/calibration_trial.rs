//! Calibrates many simulated benches of known truth and compares: how far off, and whether the stated intervals hold.
//!
//! Marks' places are drawn with the noise of a good picture ([`CENTRE_SD_PX`]) instead of being found in rendered pictures;
//! targets are exact. Everything else goes the way of a real calibration: views and lens from pictures of a target that both
//! sides see, then runs of every adjuster, placed by the calibration just made.

use crate::practice;
use crate::screw::cut_normal;
use landfit_calibration::budget::{Poses, budget};
use landfit_calibration::record::{Record, RegistrationUncertainty};
use landfit_calibration::scale::{LensKnowledge, ScaleError, ScaleFit, Shot, Spot, fit};
use landfit_calibration::screws::rotation::fit_rotation;
use landfit_calibration::screws::shift::{SightUncertainty, fit_shift};
use landfit_calibration::screws::{Approach, Graduation, RunError, Stop};
use landfit_part::{PointMm, Pose, Side};
use landfit_vision::pose::{PoseError, fit_rigid};
use landfit_vision::view::Sight;
use landfit_vision::{Frame, Lens, Optics, PointPx, RegionPx, ScaleSource, View};
use nalgebra::{Matrix3, Vector3};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rayon::prelude::*;
use std::f64::consts::TAU;

/// Noise of a mark's place on either axis, px: from memory, good centres of discs 10 to 20 px across.
pub const CENTRE_SD_PX: f64 = 0.03;
/// The benches' ranges.
const SIZE_PX: [u32; 2] = [1280, 960];
const NORM_PX: f64 = 800.0;
const PX_PER_MM: f64 = 71.0;
const DISTANCE_MM: f64 = 100.0;
const MOST_TILT_DEG: f64 = 0.5;
const MOST_K1: f64 = 0.05;
const MOST_OFF_SQUARE_DEG: f64 = 0.5;
const MOST_OFF_PITCH: f64 = 0.005;
const MOST_BACKLASH_TURNS: f64 = 0.05;
const ONCE_PER_TURN_MM: f64 = 0.003;
const SETTING_SD_MM: f64 = 0.001;
const PITCH_MM: f64 = 0.5;
const DIVISIONS: f64 = 50.0;
const STOPS: usize = 21;
const TRAVEL_TURNS: f64 = 10.4;
const TURN_DEG: f64 = 1.5;
const ROTATION_TRAVEL_TURNS: f64 = 6.8;
const WHOLE: RegionPx = RegionPx { x: 0, y: 0, width: SIZE_PX[0], height: SIZE_PX[1] };

/// What one quantity comes to over all benches.
#[derive(Debug, Clone, PartialEq)]
pub struct Figure {
    /// What it is.
    pub name: &'static str,
    /// In what it is told.
    pub unit: &'static str,
    /// 95 % of the errors are no larger.
    pub p95: f64,
    /// What it must not exceed, where that is laid down.
    pub bar: Option<f64>,
    /// Share of the stated 95.45 % intervals that hold the truth.
    pub covered: f64,
    /// Errors counted.
    pub n: usize,
}

/// Stated intervals must hold the truth this often.
pub const COVERAGE: [f64; 2] = [0.93, 0.97];

impl Figure {
    /// Whether the errors stay below the bar.
    #[must_use]
    pub fn is_small_enough(&self) -> bool {
        self.bar.is_none_or(|b| self.p95 <= b)
    }

    /// Whether the stated intervals hold the truth as often as they claim.
    #[must_use]
    pub fn is_covered(&self) -> bool {
        (COVERAGE[0]..=COVERAGE[1]).contains(&self.covered)
    }
}

/// Why a simulated bench could not be calibrated; none should be.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum TrialError {
    /// Its views.
    #[error("bench {bench}: {error}")]
    Scale {
        /// Its number.
        bench: usize,
        /// Why.
        error: ScaleError,
    },
    /// A run of an adjuster.
    #[error("bench {bench}: {error}")]
    Run {
        /// Its number.
        bench: usize,
        /// Why.
        error: RunError,
    },
    /// A pattern's pose.
    #[error("bench {bench}: {error}")]
    Pose {
        /// Its number.
        bench: usize,
        /// Why.
        error: PoseError,
    },
    /// A view that cannot be inverted.
    #[error("bench {bench}: a view came out singular")]
    Singular {
        /// Its number.
        bench: usize,
    },
}

/// The quantities, in the order of the table: name, unit, bar.
const QUANTITIES: [(&str, &str, Option<f64>); 11] = [
    ("scale", "ppm", Some(20.0)),
    ("angle of a view", "degrees", Some(0.002)),
    ("registration", "µm", Some(0.5)),
    ("displacement per turn", "%", Some(0.05)),
    ("backlash", "turns", Some(0.004)),
    ("once-per-turn error", "µm", None),
    ("degrees per turn", "%", None),
    ("backlash of the rotation", "turns", Some(0.004)),
    ("pivot", "µm", Some(20.0)),
    ("lens k1", "", None),
    ("offset anywhere in view", "µm", None),
];

/// One error with the half-widths of its components' stated intervals.
struct Miss {
    quantity: usize,
    /// As the table tells it.
    size: f64,
    /// Each component's error over the half-width of its interval.
    of_interval: Vec<f64>,
}

/// Calibrates `benches` simulated benches and tabulates the errors. Same seed, same table.
///
/// # Errors
/// A bench that could not be calibrated at all.
pub fn trial(benches: usize, seed: u64) -> Result<Vec<Figure>, TrialError> {
    let misses: Vec<Vec<Miss>> = (0..benches).into_par_iter().map(|bench| one(bench, seed)).collect::<Result<_, _>>()?;
    let misses: Vec<Miss> = misses.into_iter().flatten().collect();
    let figure = |(quantity, (name, unit, bar)): (usize, &(&'static str, &'static str, Option<f64>))| {
        let of: Vec<&Miss> = misses.iter().filter(|m| m.quantity == quantity).collect();
        let mut sizes: Vec<f64> = of.iter().map(|m| m.size).collect();
        sizes.sort_by(f64::total_cmp);
        let ratios: Vec<f64> = of.iter().flat_map(|m| m.of_interval.iter().copied()).collect();
        let covered = ratios.iter().filter(|r| r.abs() <= 1.0).count() as f64 / ratios.len().max(1) as f64;
        let p95 = sizes.get((0.95 * sizes.len() as f64).ceil() as usize - 1).copied().unwrap_or(f64::NAN);
        Figure { name, unit, p95, bar: *bar, covered, n: sizes.len() }
    };
    Ok(QUANTITIES.iter().enumerate().map(figure).collect())
}

/// A bench as it truly is.
struct Truth {
    views: [Sight; 2],
    lens: Lens,
}

fn one(bench: usize, seed: u64) -> Result<Vec<Miss>, TrialError> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    rng.set_stream(bench as u64);
    let truth = truth(&mut rng).ok_or(TrialError::Singular { bench })?;
    let shots = shots(&truth, &mut rng);
    let found = fit(&shots, SIZE_PX, LensKnowledge::Open { norm_px: NORM_PX }, 0.0).map_err(|error| TrialError::Scale { bench, error })?;
    let mut misses = optics_misses(&truth, &found).ok_or(TrialError::Singular { bench })?;
    let sights = [0, 1].map(|v| Sight::new(&view(found.px_from_mm(v)), Some(found.lens())));
    let [Some(part), Some(board)] = sights else { return Err(TrialError::Singular { bench }) };
    let uncertainty = [0, 1].map(|v| found.view_report(v, WHOLE));
    let [Some(_), Some(report)] = uncertainty else { return Err(TrialError::Singular { bench }) };
    let sight = SightUncertainty { scale_relative: report.u_um_per_px[0] / report.um_per_px[0], angle_rad: report.u_angle_rad };
    for axis in 0..2 {
        misses.extend(shift_misses(bench, axis, (&truth.views[1], &board), sight, &mut rng)?);
    }
    misses.extend(rotation_misses(bench, (&truth.views[0], &part), &mut rng)?);
    Ok(misses)
}

fn within(bound: f64, rng: &mut ChaCha8Rng) -> f64 {
    rng.random_range(-bound..=bound)
}

fn view(px_from_mm: Matrix3<f64>) -> View {
    View { shows: Side::Part, exposure: 0, region_px: None, tint: [1.0; 3], px_from_mm }
}

fn truth(rng: &mut ChaCha8Rng) -> Option<Truth> {
    let centre_px = PointPx::new(639.5 + within(15.0, rng), 479.5 + within(15.0, rng));
    let lens = Lens { k1: within(MOST_K1, rng), k2: 0.0, centre_px, norm_px: NORM_PX };
    let mut sight = || Sight::new(&view(px_from_mm(rng)), Some(lens));
    Some(Truth { views: [sight()?, sight()?], lens })
}

/// A camera that looks down from a distance, a little tilted and turned, its picture's y axis towards the operator.
fn px_from_mm(rng: &mut ChaCha8Rng) -> Matrix3<f64> {
    let f = PX_PER_MM * DISTANCE_MM * (1.0 + within(0.03, rng));
    let (tilt, towards) = (rng.random_range(0.0..=MOST_TILT_DEG).to_radians(), rng.random_range(0.0..TAU));
    let axis = nalgebra::Unit::new_normalize(Vector3::new(towards.cos(), towards.sin(), 0.0));
    let spin = nalgebra::Rotation3::from_axis_angle(&Vector3::z_axis(), within(0.02, rng));
    let r = nalgebra::Rotation3::from_axis_angle(&axis, tilt) * spin;
    let k = Matrix3::new(f, 0.0, 639.5, 0.0, -f, 479.5, 0.0, 0.0, 1.0);
    let t = Vector3::new(within(0.2, rng), within(0.2, rng), DISTANCE_MM);
    let h = k * Matrix3::from_columns(&[r.matrix().column(0).into_owned(), r.matrix().column(1).into_owned(), t]);
    h / h[(2, 2)]
}

fn noisy(p: PointPx, rng: &mut ChaCha8Rng) -> PointPx {
    PointPx::new(p.x + CENTRE_SD_PX * cut_normal(rng), p.y + CENTRE_SD_PX * cut_normal(rng))
}

/// Three layings down of an exact grid of 1 mm, each seen by both sides.
fn shots(truth: &Truth, rng: &mut ChaCha8Rng) -> Vec<Shot> {
    let mut shots = Vec::new();
    for placement in 0..3 {
        let pose = if placement == 0 { Pose::IDENTITY } else { Pose::new(within(0.5, rng), within(0.5, rng), within(3.1, rng)) };
        for (view, sight) in truth.views.iter().enumerate() {
            let mut spots = Vec::new();
            for k in 0..27 * 27 {
                let at_mm = PointMm::new(f64::from(k % 27 - 13), f64::from(k / 27 - 13));
                let p = sight.px(pose.apply(at_mm));
                if (10.0..1269.0).contains(&p.x) && (10.0..949.0).contains(&p.y) {
                    spots.push(Spot { at_mm, seen_px: noisy(p, rng), u_px: CENTRE_SD_PX });
                }
            }
            shots.push(Shot { view, placement, disc_mm: 0.0, spots });
        }
    }
    shots
}

fn optics_misses(truth: &Truth, found: &ScaleFit) -> Option<Vec<Miss>> {
    let mut misses = Vec::new();
    let middle = PointPx::new(639.5, 479.5);
    for (v, sight) in truth.views.iter().enumerate() {
        let report = found.view_report(v, WHOLE)?;
        let j = sight.px_per_mm(sight.mm(middle));
        let inverse = j.try_inverse()?;
        for axis in 0..2 {
            let um = 1e3 * inverse.column(axis).norm();
            let off = report.um_per_px[axis] - um;
            misses.push(Miss { quantity: 0, size: (off / um).abs() * 1e6, of_interval: vec![off / (2.0 * report.u_um_per_px[axis])] });
        }
        let off = report.angle_rad - (-j[(1, 0)]).atan2(j[(0, 0)]);
        misses.push(Miss { quantity: 1, size: off.to_degrees().abs(), of_interval: vec![off / (2.0 * report.u_angle_rad)] });
    }
    let registration = found.registration(0, 1)?;
    let at = registration.middle_mm;
    let seen = |v: usize| Some(Sight::new(&view(found.px_from_mm(v)), Some(found.lens()))?.mm(truth.views[v].px(at)));
    let off = seen(0)? - seen(1)?;
    let half = |i: usize| 2.0 * registration.covariance[(i, i)].sqrt();
    misses.push(Miss { quantity: 2, size: 1e3 * off.norm(), of_interval: vec![off.x / half(0), off.y / half(1)] });
    misses.push(offset_miss(truth, found)?);
    let (k1, u) = found.lens_figures()?[0];
    misses.push(Miss { quantity: 9, size: (k1 - truth.lens.k1).abs(), of_interval: vec![(k1 - truth.lens.k1) / (2.0 * u)] });
    Some(misses)
}

/// What the optics' calibration makes of the offset of a part of 8 x 8 sites that truly lies exact over its lands, off the middle of the
/// field: with the uncertainty that the budget states for it.
fn offset_miss(truth: &Truth, found: &ScaleFit) -> Option<Miss> {
    let at = PointMm::new(3.5, -2.0);
    let part = practice::part(8, 8).ok()?;
    let sites: Vec<PointMm> = part.sites.iter().map(|s| s.centre_mm(Side::Part)).collect();
    let mut views = truth.views.iter().enumerate().map(|(v, sight)| {
        let calibrated = Sight::new(&view(found.px_from_mm(v)), Some(found.lens()))?;
        let seen: Vec<PointMm> = sites.iter().map(|p| calibrated.mm(sight.px(*p + at))).collect();
        fit_rigid(&sites, &seen).ok()
    });
    let (bench_from_part, bench_from_board) = (views.next()??, views.next()??);
    let registration = found.registration(0, 1)?;
    let known = RegistrationUncertainty {
        part_view: 0,
        board_view: 1,
        covariance: registration.covariance,
        middle_mm: [registration.middle_mm.x, registration.middle_mm.y],
        field: Some(registration.field),
        date: None,
    };
    let record = Record { registrations: vec![known], ..Record::default() };
    let mut seen_by = [0, 1].map(|v| view(found.px_from_mm(v)));
    seen_by[1].shows = Side::Board;
    let frame = Frame { size_px: SIZE_PX, black: 0.0, white: None, gamma: 1.0 };
    let optics = Optics { frame, lens: Some(found.lens()), views: seen_by.to_vec(), scale: ScaleSource::Bench };
    let c = budget(&Matrix3::zeros(), &Poses { bench_from_part, bench_from_board }, &part, &optics, &record).covariance;
    let off = bench_from_board.inverse().after(&bench_from_part);
    let of_interval = [off.x_mm, off.y_mm, off.theta_rad].into_iter().enumerate().map(|(i, o)| o / (2.0 * c[(i, i)].sqrt())).collect();
    Some(Miss { quantity: 10, size: 1e3 * off.x_mm.hypot(off.y_mm), of_interval })
}

/// A pattern of 9 x 9 sites of 0.5 mm, as the calibrated view places it.
fn measured(pose: &Pose, (truth, calibrated): (&Sight, &Sight), rng: &mut ChaCha8Rng) -> Result<Pose, PoseError> {
    let sites: Vec<PointMm> = (0..81).map(|k| PointMm::new(0.5 * f64::from(k % 9 - 4), 0.5 * f64::from(k / 9 - 4))).collect();
    let seen: Vec<PointMm> = sites.iter().map(|p| calibrated.mm(noisy(truth.px(pose.apply(*p)), rng))).collect();
    fit_rigid(&sites, &seen)
}

/// 21 readings up and down again, on the divisions, at places round the turn that do not repeat.
fn readings(travel_turns: f64, divisions: f64) -> Vec<(f64, Approach)> {
    let up: Vec<f64> =
        (0..STOPS).map(|i| travel_turns * (i as f64 / (STOPS - 1) as f64 - 0.5)).map(|t| (t * divisions).round() / divisions).collect();
    let down = up.iter().rev().map(|t| (*t, Approach::Down));
    up.iter().map(|t| (*t, Approach::Up)).chain(down).collect()
}

fn shift_misses(
    bench: usize,
    axis: usize,
    sights: (&Sight, &Sight),
    uncertainty: SightUncertainty,
    rng: &mut ChaCha8Rng,
) -> Result<Vec<Miss>, TrialError> {
    let along = PointMm::new(1.0, 0.0).rotated(axis as f64 * TAU / 4.0 + within(MOST_OFF_SQUARE_DEG.to_radians(), rng));
    let step = along * (PITCH_MM * (1.0 + within(MOST_OFF_PITCH, rng)));
    let (backlash, phase) = (rng.random_range(0.0..=MOST_BACKLASH_TURNS), rng.random_range(0.0..TAU));
    let start = Pose::new(within(0.2, rng), within(0.2, rng), within(0.02, rng));
    let mut stops = Vec::new();
    for (turns, approach) in readings(TRAVEL_TURNS, DIVISIONS) {
        let play = if approach == Approach::Down { backlash } else { 0.0 };
        let besides = ONCE_PER_TURN_MM * (TAU * turns + phase).cos() + SETTING_SD_MM * cut_normal(rng);
        let moved = step * (turns + play) + along * besides;
        let pose = Pose::new(start.x_mm + moved.x, start.y_mm + moved.y, start.theta_rad);
        let pose = measured(&pose, sights, rng).map_err(|error| TrialError::Pose { bench, error })?;
        stops.push(Stop { reading_turns: turns, approach, pose });
    }
    let graduation = Graduation::Turning { division_turns: 1.0 / DIVISIONS };
    let found = fit_shift(&stops, graduation, uncertainty).map_err(|error| TrialError::Run { bench, error })?;
    let half = |variance: f64| found.k * variance.sqrt();
    let off = found.step_mm - step;
    let c = &found.step_covariance_mm2;
    let mut misses = vec![Miss {
        quantity: 3,
        size: 100.0 * off.norm() / step.norm(),
        of_interval: vec![off.x / half(c[(0, 0)]), off.y / half(c[(1, 1)])],
    }];
    let off = found.backlash_turns - backlash;
    misses.push(Miss { quantity: 4, size: off.abs(), of_interval: vec![off / (found.k * found.u_backlash_turns)] });
    if let Some(wave) = found.once_per_turn {
        let off = [wave.cos - ONCE_PER_TURN_MM * phase.cos(), wave.sin + ONCE_PER_TURN_MM * phase.sin()];
        let of_interval = (0..2).map(|i| off[i] / (found.k * wave.u[i])).collect();
        misses.push(Miss { quantity: 5, size: 1e3 * off[0].hypot(off[1]), of_interval });
    }
    Ok(misses)
}

fn rotation_misses(bench: usize, sights: (&Sight, &Sight), rng: &mut ChaCha8Rng) -> Result<Vec<Miss>, TrialError> {
    let step = TURN_DEG.to_radians() * (1.0 + within(MOST_OFF_PITCH, rng));
    let pivot = PointMm::new(within(2.0, rng), within(2.0, rng));
    let (backlash, phase) = (rng.random_range(0.0..=MOST_BACKLASH_TURNS), rng.random_range(0.0..TAU));
    let start = Pose::new(within(0.5, rng), within(0.5, rng), within(0.02, rng));
    // Of the screw that drives it, in its own turns.
    let (wave, setting) = (ONCE_PER_TURN_MM / PITCH_MM, SETTING_SD_MM / PITCH_MM);
    let mut stops = Vec::new();
    for (turns, approach) in readings(ROTATION_TRAVEL_TURNS, 30.0) {
        let play = if approach == Approach::Down { backlash } else { 0.0 };
        let driven = turns + play + wave * (TAU * turns + phase).cos() + setting * cut_normal(rng);
        let angle = step * driven;
        let arm = (start.shift() - pivot).rotated(angle);
        let pose = Pose::new(pivot.x + arm.x, pivot.y + arm.y, start.theta_rad + angle);
        let pose = measured(&pose, sights, rng).map_err(|error| TrialError::Pose { bench, error })?;
        stops.push(Stop { reading_turns: turns, approach, pose });
    }
    let graduation = Graduation::Turning { division_turns: 1.0 / 30.0 };
    let found = fit_rotation(&stops, graduation).map_err(|error| TrialError::Run { bench, error })?;
    let off = found.step_rad - step;
    let mut misses = vec![Miss { quantity: 6, size: 100.0 * (off / step).abs(), of_interval: vec![off / (found.k * found.u_step_rad)] }];
    let off = found.backlash_turns - backlash;
    misses.push(Miss { quantity: 7, size: off.abs(), of_interval: vec![off / (found.k * found.u_backlash_turns)] });
    let off = found.pivot_mm - pivot;
    let half = |i: usize| found.k * found.pivot_covariance_mm2[(i, i)].sqrt();
    misses.push(Miss { quantity: 8, size: 1e3 * off.norm(), of_interval: vec![off.x / half(0), off.y / half(1)] });
    Ok(misses)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sample_of_benches_stays_within_the_bars_and_its_intervals_hold() {
        let table = trial(60, 2).expect("every bench calibrates");
        for f in &table {
            assert!(f.is_small_enough(), "{f:?}");
            // Of 60 to 240 intervals at 95.45 %: four standard deviations either way.
            let sd = (0.0434 / f.n as f64).sqrt();
            assert!((f.covered - 0.9545).abs() < 4.0 * sd, "{f:?}");
        }
    }

    #[test]
    fn the_same_seed_gives_the_same_table() {
        assert_eq!(trial(3, 7).expect("a table"), trial(3, 7).expect("a table"));
        assert_ne!(trial(3, 7).expect("a table"), trial(3, 8).expect("a table"));
    }
}
