//! Many looks of each kind, measured and compared with the truth that they were made from.
//!
//! What a look is and how it is measured, the caller says ([`Look`], `measure`); this file judges and counts. Scenes run on
//! all cores, each from a seed of its own, and are counted in their order: the numbers, times aside, are the same with one
//! thread or many.

use crate::presence::{Lacking, Presence};
use crate::scenario;
use crate::screw::Mismatch;
use crate::simulated::{Hands, SimulatedBench, bar_mm};
use landfit_calibration::bench::Bench;
use landfit_calibration::judgement::miss_uncertainty_mm;
use landfit_calibration::moves::plan;
use landfit_part::{FileError, Part, PointMm, Pose, Side, wrap_angle_rad};
use landfit_vision::answer::{Alignment, Fit, Outcome, ReasonCode};
use landfit_vision::{Optics, Picture};
use rayon::prelude::*;
use serde::Serialize;
use statrs::distribution::{Beta, ContinuousCDF};
use std::collections::BTreeMap;
use std::time::Instant;

/// One look at a bench, and the truth behind it.
#[derive(Debug, Clone)]
pub struct Look {
    /// What the part file says.
    pub part: Part,
    /// What the bench file says of the optics.
    pub optics: Optics,
    /// The exposures.
    pub pictures: Vec<Picture>,
    /// Where the part truly lies, bench frame.
    pub bench_from_part: Pose,
    /// Where the land pattern truly lies, bench frame.
    pub bench_from_board: Pose,
    /// Which terminals and lands are missing.
    pub lacking: Lacking,
    /// What a good program does with it.
    pub expected: Expected,
    /// The least error that any method could have on it, where it is asked for and can be told.
    pub least: Option<Least>,
}

/// The least error that any method could have: the Cramér–Rao bound.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Least {
    /// Root of the mean squared error of the pattern's origin, µm.
    pub centre_um: f64,
    /// The same of theta, rad.
    pub theta_rad: f64,
}

/// What a good program does with a look.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Expected {
    /// It answers.
    Answer,
    /// It refuses, with one of these codes.
    Refusal(Vec<ReasonCode>),
    /// It answers rightly, or refuses with one of these codes.
    Either(Vec<ReasonCode>),
}

impl Look {
    /// The true offset.
    #[must_use]
    pub fn offset(&self) -> Pose {
        self.bench_from_board.inverse().after(&self.bench_from_part)
    }

    /// How many µm of the bench frame one pixel shows, at the pattern's place in the first view.
    #[must_use]
    pub fn um_per_px(&self) -> f64 {
        let sight = self.optics.views.first().and_then(|v| landfit_vision::view::Sight::new(v, self.optics.lens));
        sight.map_or(f64::NAN, |s| 1000.0 / s.magnification_px_per_mm(self.bench_from_board.shift()))
    }
}

/// What came of one look.
#[derive(Debug, Clone, PartialEq)]
pub enum Finding {
    /// A fit, with how far it was from the truth.
    Answered(Errors),
    /// A refusal.
    Refused {
        /// Its code.
        code: ReasonCode,
        /// Whether a refusal with this code was due.
        accepted: bool,
    },
    /// No answer of either kind.
    Failed(String),
}

/// How far a fit was from the truth.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Errors {
    /// Of the pattern's origin, µm.
    pub centre_um: f64,
    /// Of the site that is off the most, µm.
    pub corner_um: f64,
    /// Of theta, rad.
    pub theta_rad: f64,
    /// What no method could better, where it is known.
    pub least: Option<Least>,
    /// Half-width of the stated interval at the site where it is largest, µm.
    pub half_width_um: f64,
    /// The same over the largest miss that the part allows.
    pub half_width_over_allowed: f64,
    /// Of the part's own pose at the pattern's origin, µm.
    pub part_um: f64,
    /// Of the board's own pose at the pattern's origin, µm.
    pub board_um: f64,
    /// µm of one pixel.
    pub um_per_px: f64,
    /// Whether the true x, y and theta lie inside the stated intervals.
    pub inside: [bool; 3],
    /// What was said of single terminals and lands.
    pub presence: Presence,
    /// A whole-pitch or turn error, an error far beyond the interval, or an answer where a refusal was due.
    pub wrong: bool,
    /// What one round of moves left, truly, over what it may leave; above 1 is above the bar. Not a number without moves.
    pub left_over_bar: f64,
}

/// A corner off by more than this many of its intervals, or by more than [`WRONG_UM`], is wrong.
const WRONG_INTERVALS: f64 = 5.0;

/// See [`WRONG_INTERVALS`].
const WRONG_UM: f64 = 20.0;

/// Turns further off than this are turn errors: patterns look alike under a quarter turn, never under less than this.
const TURN_ERROR_RAD: f64 = 0.35;

/// An interval that is a larger share of the allowed miss leaves too little of it to the hands.
pub const USEFUL_SHARE: f64 = 0.25;

/// Compares one answer with the truth of its look. `seed` drives the screws of the round of moves that is made on it.
#[must_use]
pub fn compare(look: &Look, answer: &Alignment, bench: &Bench, seed: u64) -> Finding {
    match &answer.outcome {
        Outcome::Fit(fit) => Finding::Answered(errors(look, fit, Presence::of(&look.lacking, answer), bench, seed)),
        Outcome::Refused(refusal) => {
            let accepted = matches!(&look.expected, Expected::Refusal(codes) | Expected::Either(codes) if codes.contains(&refusal.code));
            Finding::Refused { code: refusal.code, accepted }
        }
    }
}

fn errors(look: &Look, fit: &Fit, presence: Presence, bench: &Bench, seed: u64) -> Errors {
    let truth = look.offset();
    let off_mm = |p: PointMm| fit.offset.apply(p).distance(truth.apply(p));
    let corner = (0..look.part.sites.len())
        .map(|i| (i, off_mm(look.part.sites[i].centre_mm(Side::Part))))
        .fold((0, 0.0), |worst, one| if one.1 > worst.1 { one } else { worst });
    let corner_interval_mm = corner_interval_mm(&look.part, fit);
    let off = [fit.offset.x_mm - truth.x_mm, fit.offset.y_mm - truth.y_mm, wrap_angle_rad(fit.offset.theta_rad - truth.theta_rad)];
    let inside = [0, 1, 2].map(|i| off[i].abs() <= fit.k * fit.covariance[(i, i)].max(0.0).sqrt());
    let half_pitch_mm = look.part.pitch_mm(Side::Part).unwrap_or(f64::INFINITY) / 2.0;
    let centre_mm = off_mm(PointMm::ZERO);
    let far = corner.1 > WRONG_INTERVALS * corner_interval_mm || corner.1 * 1000.0 > WRONG_UM;
    Errors {
        centre_um: centre_mm * 1000.0,
        corner_um: corner.1 * 1000.0,
        theta_rad: off[2].abs(),
        least: look.least,
        half_width_um: corner_interval_mm * 1000.0,
        half_width_over_allowed: corner_interval_mm / look.part.allowance().miss_mm,
        part_um: fit.bench_from_part.shift().distance(look.bench_from_part.shift()) * 1000.0,
        board_um: fit.bench_from_board.shift().distance(look.bench_from_board.shift()) * 1000.0,
        um_per_px: look.um_per_px(),
        inside,
        presence,
        wrong: far || centre_mm > half_pitch_mm || off[2].abs() > TURN_ERROR_RAD || matches!(look.expected, Expected::Refusal(_)),
        left_over_bar: left_over_bar(look, fit, bench, corner_interval_mm, seed),
    }
}

/// The largest interval of any site, whatever the direction, mm.
fn corner_interval_mm(part: &Part, fit: &Fit) -> f64 {
    (0..part.sites.len()).map(|i| miss_uncertainty_mm(part, i, &Pose::IDENTITY, &fit.covariance, fit.k)).fold(0.0, f64::max)
}

/// Makes one round of moves on true screws with hands that set exactly what they are told, and last senses known.
fn left_over_bar(look: &Look, fit: &Fit, bench: &Bench, interval_mm: f64, seed: u64) -> f64 {
    let mismatch = Mismatch::CALIBRATED;
    let mut simulated = SimulatedBench::new(bench.clone(), look.bench_from_part, look.bench_from_board, &mismatch, seed);
    let Ok(told) = plan(&fit.bench_from_part, &fit.bench_from_board, &look.part, bench, &simulated.known()) else { return f64::NAN };
    let _ = simulated.make(&told, &Hands::EXACT);
    let left = simulated.offset();
    let centres = look.part.sites.iter().map(|s| s.centre_mm(Side::Part));
    let worst_mm = centres.map(|p| left.apply(p).distance(p)).fold(0.0, f64::max);
    worst_mm / (bar_mm(&look.part, bench, &mismatch) + interval_mm)
}

/// One scene of a study.
#[derive(Debug, Clone, PartialEq)]
pub struct Scored {
    /// What came of it.
    pub finding: Finding,
    /// Whether it should have been answered.
    pub answer_due: bool,
    /// Time of the measurement alone.
    pub ms: f64,
    /// What the look was drawn from.
    pub seed: u64,
}

impl Scored {
    /// Whether it was answered, rightly and so surely that it is of use.
    fn is_settled(&self) -> bool {
        matches!(&self.finding, Finding::Answered(errors) if !errors.wrong && errors.half_width_over_allowed <= USEFUL_SHARE)
    }

    /// Whether something is to be looked into: wrong, a missing terminal told good, refused without need or with another code, failed, above the bar.
    #[must_use]
    pub fn is_trouble(&self) -> bool {
        match &self.finding {
            Finding::Answered(errors) => {
                errors.wrong || errors.presence.missing_told_good > 0 || errors.left_over_bar.is_nan() || errors.left_over_bar > 1.0
            }
            Finding::Refused { accepted, .. } => !accepted,
            Finding::Failed(_) => true,
        }
    }
}

/// Makes, measures and compares `scenes` looks of each kind, on all cores.
///
/// `look` makes look number `index` of a kind; `measure` answers it; `done` is called after each scene. Returned in the
/// order of the kinds and indices, whatever the threads did. A look that cannot be made or measured counts as failed.
///
/// # Errors
/// Only if the embedded bench, whose adjusters make the moves, is broken.
pub fn run<K: Sync>(
    kinds: &[K],
    scenes: usize,
    seed: u64,
    look: &(dyn Fn(&K, u64) -> Result<Look, String> + Sync),
    measure: &(dyn Fn(&Look) -> Result<Alignment, String> + Sync),
    done: &(dyn Fn() + Sync),
) -> Result<Vec<Vec<Scored>>, FileError> {
    let bench = scenario::default_bench()?;
    let one = |kind: &K, index: usize| {
        let scene_seed = scene_seed(seed, index);
        let scored = score(look(kind, scene_seed), measure, &bench, scene_seed);
        done();
        scored
    };
    Ok(kinds.iter().map(|kind| (0..scenes).into_par_iter().map(|index| one(kind, index)).collect()).collect())
}

fn score(look: Result<Look, String>, measure: &(dyn Fn(&Look) -> Result<Alignment, String> + Sync), bench: &Bench, seed: u64) -> Scored {
    let look = match look {
        Ok(look) => look,
        Err(reason) => return Scored { finding: Finding::Failed(reason), answer_due: true, ms: f64::NAN, seed },
    };
    let start = Instant::now();
    let answer = measure(&look);
    let ms = start.elapsed().as_secs_f64() * 1000.0;
    let finding = answer.map_or_else(Finding::Failed, |a| compare(&look, &a, bench, seed));
    Scored { finding, answer_due: look.expected == Expected::Answer, ms, seed }
}

/// The seed of one scene. Far apart for neighbouring indices (the finaliser of SplitMix64, Steele et al. 2014).
#[must_use]
pub fn scene_seed(seed: u64, index: usize) -> u64 {
    let mut z = seed.wrapping_add((index as u64 + 1).wrapping_mul(0x9E37_79B9_7F4A_7C15));
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ (z >> 31)
}

/// The figures of one kind, or of several pooled.
#[derive(Debug, Clone, Default, Serialize)]
pub struct Summary {
    /// Which.
    pub kind: String,
    /// How many looks.
    pub scenes: usize,
    /// How many of them should be answered.
    pub answer_due: usize,
    /// How many of those that should be answered were.
    pub answered: usize,
    /// How many others were answered rightly.
    pub answered_undue: usize,
    /// How many were refused, by code.
    pub refused: BTreeMap<&'static str, usize>,
    /// Refusals that were due, with a code that was accepted.
    pub rightly_refused: usize,
    /// Refusals that were due, with another code.
    pub other_code: usize,
    /// Refusals where an answer was due.
    pub wrongly_refused: usize,
    /// Those of them that say of the picture what is not so; the others say that it does not settle the offset.
    pub untruly_refused: usize,
    /// Answers that were due, right and useful, over those that were due; `None` where none was.
    pub settled: Option<f64>,
    /// Whether that is clearly less than the least share that should be settled: chance leaves so few in one of a hundred studies.
    pub too_few_settled: bool,
    /// Wrong answers, those where a refusal was due among them.
    pub wrong: usize,
    /// Looks that could not be made or measured, with the first one's reason.
    pub failed: usize,
    /// Why the first one failed.
    pub first_failure: Option<String>,
    /// Error of the pattern's origin, µm.
    pub centre_um: Spread,
    /// Error of the site that is off the most, µm.
    pub corner_um: Spread,
    /// Error of the part's own pose at the pattern's origin, µm.
    pub part_um: Spread,
    /// Error of the board's own pose at the pattern's origin, µm.
    pub board_um: Spread,
    /// As `centre_um`, px.
    pub centre_px: Spread,
    /// As `corner_um`, px.
    pub corner_px: Spread,
    /// Share of true x, y and theta inside the stated interval; `None` without an answer.
    pub inside: Option<[f64; 3]>,
    /// Share of all of these.
    pub inside_pooled: Option<f64>,
    /// Mean half-width of the interval at the farthest corner, µm.
    pub half_width_um: f64,
    /// The same over the root of the mean squared error of the farthest corner: about 2 where intervals are what they say.
    pub half_width_over_rms: Option<f64>,
    /// Root of the mean squared error of the pattern's origin, and of theta, over the Cramér–Rao bound; `None` where it was not asked
    /// for or cannot be told.
    pub over_bound: Option<[f64; 2]>,
    /// The bound for the pattern's origin, root of the mean square over the answers, µm.
    pub bound_um: Option<f64>,
    /// Share of answers whose half-width there is at most [`USEFUL_SHARE`] of the largest miss that the part allows.
    pub useful: Option<f64>,
    /// What was said of single terminals and lands in all right answers.
    pub presence: Presence,
    /// Share of answers after which one round of moves left no more than it may.
    pub within_bar: Option<f64>,
    /// The largest that was left over what may be left.
    pub worst_over_bar: Option<f64>,
    /// The share of wrong answers is below this with 95 % confidence (Clopper & Pearson 1934, doi:10.1093/biomet/26.4.404).
    pub wrong_share_below: f64,
    /// Seed of the look whose answer was furthest off.
    pub worst_seed: Option<u64>,
    /// Seeds of the looks to be looked into ([`Scored::is_trouble`]).
    pub trouble_seeds: Vec<u64>,
    /// Median time of a measurement, ms.
    pub ms_median: f64,
}

/// Median, 95 % and worst; zeros when there are no values.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize)]
pub struct Spread {
    /// Half are below.
    pub median: f64,
    /// 95 % are not above (nearest rank).
    pub p95: f64,
    /// The largest.
    pub worst: f64,
}

impl Spread {
    /// The spread of values.
    #[must_use]
    pub fn of(mut values: Vec<f64>) -> Self {
        values.sort_by(f64::total_cmp);
        let rank = |share: f64| {
            let index = (share * values.len() as f64).ceil() as usize;
            values.get(index.saturating_sub(1)).copied().unwrap_or(0.0)
        };
        Self { median: rank(0.5), p95: rank(0.95), worst: rank(1.0) }
    }
}

/// Whether so few of `all` are hardly chance where at least a share of `least` should be: one in a hundred such studies would have so few
/// (exact binomial test).
fn too_few(settled: usize, all: usize, least: f64) -> bool {
    let others = (all - settled) as f64;
    // The chance of as many others or more is the regularised incomplete beta function.
    settled < all && Beta::new(others, settled as f64 + 1.0).is_ok_and(|beta| beta.cdf(1.0 - least) < 0.01)
}

/// Counts scored scenes, of which at least a share of `least_settled` should be answered rightly and usefully. Wrong answers are left out of errors and shares: they are counted as wrong.
#[must_use]
pub fn summary(kind: &str, least_settled: f64, scored: &[Scored]) -> Summary {
    let mut sum = Summary { kind: kind.to_owned(), scenes: scored.len(), ..Summary::default() };
    let mut right: Vec<Errors> = Vec::new();
    let mut worst_um = 0.0;
    for one in scored {
        sum.answer_due += usize::from(one.answer_due);
        match &one.finding {
            Finding::Answered(errors) => {
                sum.answered += usize::from(one.answer_due);
                sum.answered_undue += usize::from(!one.answer_due && !errors.wrong);
                sum.wrong += usize::from(errors.wrong);
                right.extend((!errors.wrong).then_some(*errors));
                if errors.corner_um > worst_um {
                    (worst_um, sum.worst_seed) = (errors.corner_um, Some(one.seed));
                }
            }
            Finding::Refused { code, accepted } => {
                *sum.refused.entry(code.word()).or_default() += 1;
                sum.rightly_refused += usize::from(*accepted);
                sum.wrongly_refused += usize::from(one.answer_due);
                sum.untruly_refused += usize::from(one.answer_due && !matches!(code, ReasonCode::AmbiguousShift | ReasonCode::TooBlurred));
                sum.other_code += usize::from(!accepted && !one.answer_due);
            }
            Finding::Failed(reason) => {
                sum.failed += 1;
                sum.first_failure.get_or_insert_with(|| reason.clone());
            }
        }
    }
    if sum.answer_due > 0 {
        let settled = scored.iter().filter(|one| one.answer_due && one.is_settled()).count();
        sum.settled = Some(settled as f64 / sum.answer_due as f64);
        sum.too_few_settled = too_few(settled, sum.answer_due, least_settled);
    }
    right.iter().for_each(|e| sum.presence += e.presence);
    let spread = |of: fn(&Errors) -> f64| Spread::of(right.iter().map(of).collect());
    sum.centre_um = spread(|e| e.centre_um);
    sum.corner_um = spread(|e| e.corner_um);
    sum.part_um = spread(|e| e.part_um);
    sum.board_um = spread(|e| e.board_um);
    sum.centre_px = spread(|e| e.centre_um / e.um_per_px);
    sum.corner_px = spread(|e| e.corner_um / e.um_per_px);
    if !right.is_empty() {
        let n = right.len() as f64;
        let rms_um = (right.iter().map(|e| e.corner_um.powi(2)).sum::<f64>() / n).sqrt();
        sum.half_width_um = right.iter().map(|e| e.half_width_um).sum::<f64>() / n;
        sum.half_width_over_rms = Some(sum.half_width_um / rms_um);
        let bounded: Vec<(&Errors, Least)> = right.iter().filter_map(|e| Some((e, e.least?))).collect();
        if !bounded.is_empty() {
            let rms =
                |of: &dyn Fn(&(&Errors, Least)) -> f64| (bounded.iter().map(|b| of(b).powi(2)).sum::<f64>() / bounded.len() as f64).sqrt();
            let bound_um = rms(&|(_, least)| least.centre_um);
            sum.over_bound = Some([rms(&|(e, _)| e.centre_um) / bound_um, rms(&|(e, _)| e.theta_rad) / rms(&|(_, least)| least.theta_rad)]);
            sum.bound_um = Some(bound_um);
        }
        sum.useful = Some(right.iter().filter(|e| e.half_width_over_allowed <= USEFUL_SHARE).count() as f64 / n);
        let inside = [0, 1, 2].map(|i| right.iter().filter(|e| e.inside[i]).count() as f64 / n);
        sum.inside = Some(inside);
        sum.inside_pooled = Some(inside.iter().sum::<f64>() / 3.0);
        // A bar that could not be computed counts as missed.
        sum.within_bar = Some(right.iter().filter(|e| e.left_over_bar <= 1.0).count() as f64 / n);
        sum.worst_over_bar = Some(right.iter().map(|e| e.left_over_bar).fold(0.0, f64::max));
    }
    sum.wrong_share_below = share_below(sum.wrong, sum.scenes);
    sum.trouble_seeds = scored.iter().filter(|s| s.is_trouble()).map(|s| s.seed).collect();
    sum.ms_median = Spread::of(scored.iter().map(|s| s.ms).filter(|ms| ms.is_finite()).collect()).median;
    sum
}

/// Upper end of the one-sided 95 % interval of a share of which `found` in `all` were found.
fn share_below(found: usize, all: usize) -> f64 {
    if found >= all {
        return 1.0;
    }
    Beta::new(found as f64 + 1.0, (all - found) as f64).map_or(1.0, |beta| beta.inverse_cdf(0.95))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::screw::cut_normal;
    use landfit_vision::answer::{Orientation, Refusal, SideFindings};
    use nalgebra::{Matrix3, Vector3};
    use rand::{Rng, SeedableRng};
    use rand_chacha::ChaCha8Rng;
    use std::sync::atomic::{AtomicUsize, Ordering};

    const SD: [f64; 3] = [4e-4, 3e-4, 6e-5];

    fn look(expected: Expected, seed: u64) -> Look {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let bench_from_board = Pose::new(rng.random_range(-0.5..0.5), rng.random_range(-0.5..0.5), rng.random_range(-0.05..0.05));
        let offset = Pose::new(rng.random_range(-1.2..1.2), rng.random_range(-1.2..1.2), rng.random_range(-0.13..0.13));
        Look {
            part: scenario::default_part().unwrap(),
            optics: scenario::default_bench().unwrap().optics,
            pictures: vec![],
            bench_from_part: bench_from_board.after(&offset),
            bench_from_board,
            lacking: Lacking::default(),
            expected,
            least: None,
        }
    }

    fn answer(outcome: Outcome) -> Alignment {
        let none = SideFindings::default();
        Alignment { outcome, warnings: vec![], orientation: Orientation::Settled, terminals: none.clone(), lands: none }
    }

    /// An answer that is `off` the truth.
    fn fit_off(look: &Look, off: [f64; 3]) -> Alignment {
        let truth = look.offset();
        let offset = Pose::new(truth.x_mm + off[0], truth.y_mm + off[1], truth.theta_rad + off[2]);
        let covariance = Matrix3::from_diagonal(&Vector3::new(SD[0] * SD[0], SD[1] * SD[1], SD[2] * SD[2]));
        let bench_from_part = look.bench_from_board.after(&offset);
        answer(Outcome::Fit(Fit { bench_from_part, bench_from_board: look.bench_from_board, offset, covariance, k: 2.0 }))
    }

    fn refused(code: ReasonCode) -> Alignment {
        answer(Outcome::Refused(Refusal::new(code, None, String::new())))
    }

    fn honest(look: &Look) -> Result<Alignment, String> {
        let mut rng = ChaCha8Rng::seed_from_u64((look.bench_from_part.x_mm.to_bits() >> 3) ^ 17);
        Ok(fit_off(look, SD.map(|sd| sd * cut_normal(&mut rng))))
    }

    fn study(scenes: usize) -> Vec<Scored> {
        run(&[()], scenes, 1, &|(), s| Ok(look(Expected::Answer, s)), &honest, &|| {}).unwrap().remove(0)
    }

    fn errors_of(result: &Finding) -> Errors {
        let Finding::Answered(errors) = result else { panic!("{result:?}") };
        *errors
    }

    #[test]
    fn honest_answers_are_inside_their_intervals_and_their_moves_below_the_bar() {
        let summary = summary("honest", 0.95, &study(400));
        assert_eq!((summary.answered, summary.wrong, summary.failed), (400, 0, 0));
        let inside = summary.inside_pooled.unwrap();
        assert!((0.93..0.975).contains(&inside), "{inside} inside");
        // Two sigma of the worst direction over the root of the mean square in both directions: 2 where all goes one way, √2 where both go alike.
        assert!((1.3..2.1).contains(&summary.half_width_over_rms.unwrap()), "{:?}", summary.half_width_over_rms);
        assert_eq!(summary.useful, Some(1.0));
        assert_eq!(summary.within_bar, Some(1.0), "worst {:?}", summary.worst_over_bar);
        assert!(summary.worst_over_bar.unwrap() > 0.5, "the bar must not be out of reach: {:?}", summary.worst_over_bar);
        assert!((summary.centre_um.median / summary.centre_px.median - 14.0).abs() < 0.2);
    }

    /// Errors drawn from the bound's own standard deviations are as large as it on the mean.
    #[test]
    fn answers_as_good_as_any_can_be_are_at_their_bound() {
        let least = Least { centre_um: 1000.0 * SD[0].hypot(SD[1]), theta_rad: SD[2] };
        let with_bound = |s: u64| Look { least: Some(least), ..look(Expected::Answer, s) };
        let scored = run(&[()], 400, 1, &|(), s| Ok(with_bound(s)), &honest, &|| {}).unwrap().remove(0);
        let [centre, theta] = summary("honest", 0.95, &scored).over_bound.unwrap();
        assert!((centre - 1.0).abs() < 0.1 && (theta - 1.0).abs() < 0.1, "{centre} {theta}");
        assert_eq!(summary("unasked", 0.95, &study(3)).over_bound, None);
    }

    #[test]
    fn one_thread_and_many_count_the_same() {
        let without_times = |scored: Vec<Scored>| scored.into_iter().map(|s| s.finding).collect::<Vec<_>>();
        let on = |threads: usize| {
            let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
            without_times(pool.install(|| study(40)))
        };
        assert_eq!(on(1), on(4));
    }

    #[test]
    fn a_whole_pitch_a_turn_and_a_far_corner_are_wrong() {
        let (part_bench, look) = (scenario::default_bench().unwrap(), look(Expected::Answer, 3));
        let wrong = |off| errors_of(&compare(&look, &fit_off(&look, off), &part_bench, 1)).wrong;
        assert!(wrong([0.8, 0.0, 0.0]));
        assert!(wrong([0.0, 0.0, std::f64::consts::FRAC_PI_2]));
        assert!(wrong([0.021, 0.0, 0.0]));
        assert!(!wrong([0.001, 0.001, 0.0]));
    }

    #[test]
    fn an_answer_where_a_refusal_was_due_is_wrong_and_codes_are_told_apart() {
        let bench = scenario::default_bench().unwrap();
        let due = look(Expected::Refusal(vec![ReasonCode::NoPart, ReasonCode::TooDark]), 4);
        assert!(errors_of(&compare(&due, &fit_off(&due, [0.0; 3]), &bench, 1)).wrong);
        let scored = |answer: &Alignment, look: &Look| Scored {
            finding: compare(look, answer, &bench, 1),
            answer_due: look.expected == Expected::Answer,
            ms: 1.0,
            seed: 9,
        };
        let answerable = look(Expected::Answer, 5);
        let summary = summary(
            "mixed",
            0.95,
            &[
                scored(&refused(ReasonCode::NoPart), &due),
                scored(&refused(ReasonCode::TooDark), &due),
                scored(&refused(ReasonCode::NoLands), &due),
                scored(&refused(ReasonCode::NoPart), &answerable),
                scored(&fit_off(&due, [0.0; 3]), &due),
            ],
        );
        assert_eq!(summary.answered, 0);
        assert_eq!((summary.rightly_refused, summary.other_code, summary.wrongly_refused, summary.wrong), (2, 1, 1, 1));
        assert_eq!((summary.untruly_refused, summary.settled, summary.too_few_settled), (1, Some(0.0), false));
        assert_eq!(summary.refused["no-part"], 2);
        assert_eq!(summary.inside, None);
        assert_eq!(summary.trouble_seeds.len(), 3);
    }

    #[test]
    fn a_look_that_cannot_be_made_or_measured_counts_as_failed_and_every_scene_is_told() {
        let told = AtomicUsize::new(0);
        let count = || {
            told.fetch_add(1, Ordering::Relaxed);
        };
        let make = |bad: &bool, s: u64| if *bad { Err("no scene".to_owned()) } else { Ok(look(Expected::Answer, s)) };
        let kinds = run(&[true, false], 3, 1, &make, &|_| Err("no answer".into()), &count).unwrap();
        assert_eq!(told.load(Ordering::Relaxed), 6);
        assert_eq!(summary("bad", 0.95, &kinds[0]).first_failure.as_deref(), Some("no scene"));
        assert_eq!(summary("mute", 0.95, &kinds[1]).failed, 3);
    }

    /// None in 20,000 shows less than 3 in 20,000 ("rule of three", Hanley & Lippman-Hand 1983, doi:10.1001/jama.1983.03330370053031);
    /// for 2 in 40 the upper end of the two-sided 90 % interval is 0.14915 (by scipy 1.15.3, `binomtest(2, 40).proportion_ci(0.9)`).
    #[test]
    fn a_share_that_was_not_found_is_bounded_by_how_many_were_looked_at() {
        assert!((share_below(0, 20_000) - 1.497_75e-4).abs() < 1e-8, "{}", share_below(0, 20_000));
        assert!((share_below(2, 40) - 0.149_152).abs() < 1e-5, "{}", share_below(2, 40));
        assert_eq!((share_below(3, 3), share_below(0, 0)), (1.0, 1.0));
    }

    /// Where 95 % should be settled, 2 others of 2 have a chance of 0.0025, 1 of 2 one of 0.0975; 7 of 43 or more 0.0051, 6 of 43 or more
    /// 0.0194 (by scipy 1.17.1, `binom.sf(k - 1, n, 0.05)`).
    #[test]
    fn too_few_are_fewer_than_chance_leaves() {
        assert!(too_few(0, 2, 0.95) && !too_few(1, 2, 0.95) && !too_few(2, 2, 0.95));
        assert!(too_few(36, 43, 0.95) && !too_few(37, 43, 0.95));
    }

    #[test]
    fn ranks_are_those_of_the_sorted_values() {
        let spread = Spread::of((1..=100).rev().map(f64::from).collect());
        assert_eq!((spread.median, spread.p95, spread.worst), (50.0, 95.0, 100.0));
        assert_eq!(Spread::of(vec![]), Spread::default());
        assert_eq!(Spread::of(vec![3.0]), Spread { median: 3.0, p95: 3.0, worst: 3.0 });
    }

    #[test]
    fn neighbouring_scenes_have_seeds_far_apart() {
        let seeds: std::collections::BTreeSet<u64> = (0..1000).map(|i| scene_seed(1, i)).collect();
        assert_eq!(seeds.len(), 1000);
        assert!((scene_seed(1, 0) ^ scene_seed(1, 1)).count_ones() > 10);
    }
}
