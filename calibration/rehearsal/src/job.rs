//! The job, round after round: measure, judge, plan, turn, until the part is within and nothing is left to turn.

use crate::simulated::{Hands, SimulatedBench, Turned};
use landfit_calibration::bench::{Bench, Sense};
use landfit_calibration::judgement::{Decision, Judgement, JudgementError, judge};
use landfit_calibration::moves::noticed::{Noticed, Seen, Stood, notice};
use landfit_calibration::moves::{Known, MovePlan, MovesError, plan, sense_of};
use landfit_part::{Part, Pose};
use landfit_vision::answer::{Alignment, Fit, Outcome, Refusal};

/// One look and what followed from it.
#[derive(Debug, Clone)]
pub struct Round {
    /// From 0.
    pub number: usize,
    /// The true offset at the time of the look.
    pub true_offset: Pose,
    /// What the pictures said.
    pub alignment: Alignment,
    /// What to do about it; `None` when the pictures did not settle the offset.
    pub advice: Option<Advice>,
    /// What did not go as told in the moves before this look.
    pub noticed: Vec<Noticed>,
    /// What the hands did.
    pub turned: Vec<Turned>,
    /// The pictures settled nothing, so the moves before this look were turned back.
    pub turned_back: bool,
}

/// What follows from a fit.
#[derive(Debug, Clone)]
pub struct Advice {
    /// Whether it is good enough.
    pub judgement: Judgement,
    /// What to turn.
    pub plan: MovePlan,
}

impl Advice {
    /// Whether the moves are worth making: there are some, and the part is not within or they gain more than the picture
    /// can tell and the eye can set. Without the second, hands would go to and fro between settings as good as each other.
    #[must_use]
    pub fn is_worth_turning(&self) -> bool {
        let gain_mm = self.judgement.miss_mm - self.plan.left_after.worst_miss_mm;
        !self.plan.moves.is_empty() && (self.judgement.decision != Decision::Within || gain_mm > self.judgement.u_mm + self.plan.by_eye_mm)
    }
}

/// How a rehearsal came to its end.
#[derive(Debug, Clone, PartialEq)]
pub enum Ending {
    /// Within, and nothing left that is worth turning.
    Good,
    /// Nothing left to turn, but not within.
    NothingToTurn(Decision),
    /// The pictures did not settle the offset.
    NoAnswer(Refusal),
    /// Still moves to make after the most rounds allowed.
    OutOfRounds,
}

/// Why a rehearsal cannot go on.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum JobError<E> {
    /// The look itself failed.
    #[error("no picture could be measured: {0}")]
    Measure(E),
    /// The offset cannot be judged.
    #[error(transparent)]
    Judgement(#[from] JudgementError),
    /// No moves can be told.
    #[error(transparent)]
    Moves(#[from] MovesError),
}

/// After moves that leave no answer, the hands turn them back so many times before they give up.
const MOST_TURNED_BACK: usize = 2;

/// Rehearses on `simulated` until within and nothing is left that is worth turning, or `most_rounds` looks were taken.
///
/// Each look is compared with what the moves before it were to bring: what did not go as told is noticed, and where
/// something moved by itself, one more look is taken before anything counts as good. Where moves leave a picture that
/// settles nothing, they are turned back. `measure` looks at the bench as it stands; `told` hears of every round once its moves are made. What is known of the
/// adjusters at first is `known`; from then on every turn is remembered.
///
/// # Errors
/// See [`JobError`]. A refusal of the pictures is an ending, not an error.
pub fn rehearse<E>(
    simulated: &mut SimulatedBench,
    part: &Part,
    hands: &Hands,
    mut known: Known,
    most_rounds: usize,
    measure: &mut dyn FnMut(&SimulatedBench) -> Result<Alignment, E>,
    told: &mut dyn FnMut(&Round),
) -> Result<Ending, JobError<E>> {
    let mut last: Option<Last> = None;
    let mut turned_back = 0;
    for number in 0..most_rounds {
        let true_offset = simulated.offset();
        let alignment = measure(simulated).map_err(JobError::Measure)?;
        let fit = match &alignment.outcome {
            Outcome::Fit(fit) => fit,
            Outcome::Refused(refusal) => {
                let refusal = refusal.clone();
                let undone = last.take().filter(|_| turned_back < MOST_TURNED_BACK);
                let goes_on = undone.is_some();
                if let Some(undone) = undone {
                    turned_back += 1;
                    simulated.undo(&undone.turned);
                    // Play is not known any more: the knobs went to and fro.
                    known.last_sense.retain(|name, _| undone.turned.iter().all(|one| one.adjuster != *name));
                }
                told(&Round {
                    number,
                    true_offset,
                    alignment,
                    advice: None,
                    noticed: Vec::new(),
                    turned: Vec::new(),
                    turned_back: goes_on,
                });
                if goes_on {
                    continue;
                }
                return Ok(Ending::NoAnswer(refusal));
            }
        };
        let stood = Stood { bench_from_part: fit.bench_from_part, bench_from_board: fit.bench_from_board };
        let seen = last.take().map(|last| last.compare(&stood, part, &simulated.bench, &mut known));
        let noticed = seen.map(|seen| seen.noticed).unwrap_or_default();
        let moved = noticed.iter().any(|n| matches!(n, Noticed::Moved { .. }));
        let advice = advise(fit, part, simulated, &known)?;
        let decision = advice.judgement.decision;
        let nothing_to_turn = !advice.is_worth_turning();
        let done = nothing_to_turn && !moved;
        let turned = if nothing_to_turn { Vec::new() } else { simulated.make(&advice.plan, hands) };
        if !nothing_to_turn {
            last = Some(Last { stood, plan: advice.plan.clone(), u_mm: advice.judgement.u_mm, turned: turned.clone() });
        }
        told(&Round { number, true_offset, alignment, advice: Some(advice), noticed, turned, turned_back: false });
        if done {
            return Ok(if decision == Decision::Within { Ending::Good } else { Ending::NothingToTurn(decision) });
        }
    }
    Ok(Ending::OutOfRounds)
}

/// The round before a look, as far as the look is compared with it.
struct Last {
    stood: Stood,
    plan: MovePlan,
    u_mm: f64,
    turned: Vec<Turned>,
}

impl Last {
    /// What the new picture shows of the moves; `known` then holds the senses in which the adjusters were really turned last.
    fn compare(&self, stood: &Stood, part: &Part, bench: &Bench, known: &mut Known) -> Seen {
        let seen = notice(&self.stood, &self.plan, stood, part, bench, self.u_mm);
        let name = |adjuster: usize| bench.adjusters[adjuster].name.clone();
        let before = known.last_sense.clone();
        known.last_sense.extend(self.plan.moves.iter().map(|m| (m.name.clone(), m.sense)));
        let mut set = |adjuster: usize, sense: Option<Sense>| {
            let _ = match sense {
                Some(sense) => known.last_sense.insert(name(adjuster), sense),
                None => known.last_sense.remove(&name(adjuster)),
            };
        };
        let turns = |adjuster: usize| seen.turns.as_ref().map(|t| sense_of(t[adjuster]));
        for one in &seen.noticed {
            match *one {
                Noticed::Moved { .. } | Noticed::Strayed { .. } => {}
                Noticed::NotTurned { adjuster } => set(adjuster, before.get(&name(adjuster)).copied()),
                Noticed::WrongScrew { told, turned } => {
                    set(told, before.get(&name(told)).copied());
                    set(turned, turns(turned));
                }
                Noticed::WrongSense { adjuster }
                | Noticed::HalfTurn { adjuster, .. }
                | Noticed::TooFar { adjuster, .. }
                | Noticed::TooShort { adjuster, .. } => set(adjuster, turns(adjuster)),
            }
        }
        seen
    }
}

fn advise<E>(fit: &Fit, part: &Part, simulated: &SimulatedBench, known: &Known) -> Result<Advice, JobError<E>> {
    let judgement = judge(part, &fit.offset, &fit.covariance, fit.k, &simulated.bench.aim)?;
    let plan = plan(&fit.bench_from_part, &fit.bench_from_board, part, &simulated.bench, known)?;
    Ok(Advice { judgement, plan })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scenario;
    use crate::screw::Mismatch;
    use landfit_vision::answer::{Orientation, ReasonCode, SideFindings};
    use nalgebra::{Matrix3, Vector3};
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use std::convert::Infallible;

    fn alignment(outcome: Outcome) -> Alignment {
        let none = SideFindings::default();
        Alignment { outcome, warnings: vec![], orientation: Orientation::Settled, terminals: none.clone(), lands: none }
    }

    /// Looks that tell the truth but for noise of 0.3 µm and 0.05 mrad.
    fn noisy_look(seed: u64) -> impl FnMut(&SimulatedBench) -> Result<Alignment, Infallible> {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        move |bench| {
            let mut off = |sd: f64| sd * crate::screw::cut_normal(&mut rng);
            let part = Pose::new(
                bench.bench_from_part.x_mm + off(3e-4),
                bench.bench_from_part.y_mm + off(3e-4),
                bench.bench_from_part.theta_rad + off(5e-5),
            );
            let board = bench.bench_from_board;
            let covariance = Matrix3::from_diagonal(&Vector3::new(9e-8, 9e-8, 2.5e-9));
            let offset = board.inverse().after(&part);
            Ok(alignment(Outcome::Fit(Fit { bench_from_part: part, bench_from_board: board, offset, covariance, k: 2.0 })))
        }
    }

    fn start(seed: u64, offset: Pose) -> SimulatedBench {
        let board = Pose::new(0.2, -0.1, 0.01);
        SimulatedBench::new(scenario::default_bench().unwrap(), board.after(&offset), board, &Mismatch::CALIBRATED, seed)
    }

    fn run(seed: u64, known: bool, hands: &Hands) -> (Ending, Vec<Round>, f64) {
        let part = scenario::default_part().unwrap();
        let mut bench = start(seed, Pose::new(0.7, -0.5, 0.06));
        let known = if known { bench.known() } else { Known::default() };
        let mut rounds = Vec::new();
        let ending = rehearse(&mut bench, &part, hands, known, 12, &mut noisy_look(seed), &mut |r| rounds.push(r.clone())).unwrap();
        let left = bench.offset();
        let worst = part.sites.iter().map(|s| left.apply(s.at_mm).distance(s.at_mm)).fold(0.0, f64::max);
        (ending, rounds, worst)
    }

    #[test]
    fn a_misplaced_part_comes_within_in_a_few_rounds() {
        for seed in 0..40 {
            let (ending, rounds, worst) = run(seed, false, &Hands::CAREFUL);
            assert_eq!(ending, Ending::Good, "seed {seed}");
            assert!(rounds.len() <= 6, "seed {seed}: {} rounds", rounds.len());
            assert!(worst < 0.02, "seed {seed}: {worst} mm left");
        }
    }

    #[test]
    fn knowing_the_last_senses_saves_the_play_in_the_first_round() {
        let after_first = |known| {
            let worst: Vec<f64> = (0..40)
                .map(|seed| {
                    let rounds = run(seed, known, &Hands::EXACT).1;
                    rounds[1].advice.as_ref().unwrap().judgement.miss_mm
                })
                .collect();
            worst.iter().sum::<f64>() / 40.0
        };
        let (knowing, not_knowing) = (after_first(true), after_first(false));
        assert!(knowing < 0.010 && not_knowing > knowing + 0.002, "{knowing} mm against {not_knowing} mm");
    }

    #[test]
    fn the_same_seed_makes_the_same_rounds() {
        let told = |seed| format!("{:?}", run(seed, true, &Hands::CAREFUL).1);
        assert_eq!(told(5), told(5));
        assert_ne!(told(5), told(6));
    }

    #[test]
    fn a_refusal_ends_the_job_without_a_turn() {
        let part = scenario::default_part().unwrap();
        let mut bench = start(1, Pose::IDENTITY);
        let refusal = Refusal::new(ReasonCode::NoPart, Some(0), "no part".into());
        let mut look = |_: &SimulatedBench| Ok::<_, Infallible>(alignment(Outcome::Refused(refusal.clone())));
        let mut rounds = 0;
        let ending = rehearse(&mut bench, &part, &Hands::EXACT, Known::default(), 5, &mut look, &mut |r| {
            rounds += 1;
            assert!(r.turned.is_empty() && r.advice.is_none());
        });
        assert_eq!(ending.unwrap(), Ending::NoAnswer(refusal.clone()));
        assert_eq!(rounds, 1);
    }

    #[test]
    fn a_look_that_fails_is_an_error_and_clumsy_hands_run_out_of_rounds() {
        let part = scenario::default_part().unwrap();
        let mut bench = start(1, Pose::IDENTITY);
        let mut look = |_: &SimulatedBench| Err::<Alignment, _>("the camera is gone");
        let failed = rehearse(&mut bench, &part, &Hands::EXACT, Known::default(), 5, &mut look, &mut |_| {});
        assert!(failed.unwrap_err().to_string().contains("the camera is gone"));
        let clumsy = Hands { setting_sd_divisions: 20.0, bare_sd_turns: 0.5, ..Hands::EXACT };
        let (ending, rounds, _) = run(2, true, &clumsy);
        assert_eq!((ending, rounds.len()), (Ending::OutOfRounds, 12));
    }
}
