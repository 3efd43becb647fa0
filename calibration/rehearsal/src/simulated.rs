//! The simulated bench: where part and board truly lie, its true adjusters, and the hands that turn them.

use crate::screw::{Mismatch, Screw, cut_normal};
use landfit_calibration::bench::{Adjuster, Bench, Sense};
use landfit_calibration::moves::{Known, Move, MovePlan, step_turns};
use landfit_part::{Part, PointMm, Pose, Side};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;

/// A bench with a part over a board.
#[derive(Debug, Clone)]
pub struct SimulatedBench {
    /// What the bench file says.
    pub bench: Bench,
    /// Where the part truly lies, bench frame.
    pub bench_from_part: Pose,
    /// Where the land pattern truly lies, bench frame.
    pub bench_from_board: Pose,
    screws: Vec<Screw>,
    rng: ChaCha8Rng,
}

/// How exactly hands set what they are told.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Hands {
    /// Standard deviation of a setting on a graduated thimble, divisions; cut off at three times.
    pub setting_sd_divisions: f64,
    /// Standard deviation of a setting of a bare knob, turns; cut off at three times.
    pub bare_sd_turns: f64,
}

impl Hands {
    /// Hands that set what they are told.
    pub const EXACT: Self = Self { setting_sd_divisions: 0.0, bare_sd_turns: 0.0 };
    /// Careful hands: a tenth of a division, a hundredth of a turn by eye. Common practice, no source.
    pub const CAREFUL: Self = Self { setting_sd_divisions: 0.1, bare_sd_turns: 0.01 };
}

/// What was turned.
#[derive(Debug, Clone, PartialEq)]
pub struct Turned {
    /// Name of the adjuster.
    pub adjuster: String,
    /// How far the hand turned it, take-up and setting error included; clockwise positive.
    pub turns: f64,
}

impl SimulatedBench {
    /// A bench near what its file says, with the part and the board at given true poses. Everything random comes from `seed`.
    #[must_use]
    pub fn new(bench: Bench, bench_from_part: Pose, bench_from_board: Pose, mismatch: &Mismatch, seed: u64) -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let screws = bench.adjusters.iter().map(|a| Screw::near(a, mismatch, &mut rng)).collect();
        Self { bench, bench_from_part, bench_from_board, screws, rng }
    }

    /// The true offset.
    #[must_use]
    pub fn offset(&self) -> Pose {
        self.bench_from_board.inverse().after(&self.bench_from_part)
    }

    /// The senses in which the adjusters were turned last: what a technician who kept track would know.
    #[must_use]
    pub fn known(&self) -> Known {
        let last_sense = self.bench.adjusters.iter().zip(&self.screws).map(|(a, s)| (a.name.clone(), s.last_sense())).collect();
        Known { last_sense, ..Known::default() }
    }

    /// Turns one adjuster by hand; what it carries moves as it truly does.
    pub fn turn(&mut self, adjuster: usize, turns: f64) {
        let Some(screw) = self.screws.get_mut(adjuster) else { return };
        let motion = screw.turn_by(turns, &mut self.rng);
        match self.bench.adjusters[adjuster].carries {
            Side::Part => self.bench_from_part = motion.after(&self.bench_from_part),
            Side::Board => self.bench_from_board = motion.after(&self.bench_from_board),
        }
    }

    /// Makes the moves of a plan in their order, as well as `hands` can, take-up included.
    pub fn make(&mut self, plan: &MovePlan, hands: &Hands) -> Vec<Turned> {
        plan.moves.iter().map(|m| self.make_one(m, hands)).collect()
    }

    fn make_one(&mut self, one: &Move, hands: &Hands) -> Turned {
        let adjuster = &self.bench.adjusters[one.adjuster];
        let signum = if one.sense == Sense::Clockwise { 1.0 } else { -1.0 };
        let told = one.set_turns + signum * one.play.take_up_turns().unwrap_or(0.0);
        let sd_turns = setting_sd_turns(adjuster, hands);
        let turns = if sd_turns > 0.0 { told + sd_turns * cut_normal(&mut self.rng) } else { told };
        let name = adjuster.name.clone();
        self.turn(one.adjuster, turns);
        Turned { adjuster: name, turns }
    }
}

fn setting_sd_turns(adjuster: &Adjuster, hands: &Hands) -> f64 {
    match (adjuster.divisions, step_turns(adjuster)) {
        (Some(n), Some(_)) => hands.setting_sd_divisions / f64::from(n),
        // Steps of a jog control are counted: there is nothing to set badly.
        (None, Some(_)) => 0.0,
        (_, None) => hands.bare_sd_turns,
    }
}

/// The largest worst miss, mm, that one round of moves by hands that set whole divisions may leave, besides the
/// measurement's own interval: hypot(half a step of each shift) + corner radius x half a step of the rotation, and the
/// same with what play and repeatability may put each position off.
#[must_use]
pub fn bar_mm(part: &Part, bench: &Bench, mismatch: &Mismatch) -> f64 {
    use landfit_calibration::bench::Motion;
    let corner_mm = part.sites.iter().map(|s| s.centre_mm(Side::Part).norm()).fold(0.0, f64::max);
    let moved = |turns_of: &dyn Fn(&Adjuster) -> f64| {
        let shift = |a: &Adjuster| match a.turn {
            Motion::Shift { step_mm } => step_mm * turns_of(a),
            _ => PointMm::ZERO,
        };
        let rotation_mm = |a: &Adjuster| match a.turn {
            Motion::Rotation { step_rad, .. } => (step_rad * turns_of(a)).abs() * corner_mm,
            _ => 0.0,
        };
        let shifts_mm = bench.adjusters.iter().map(|a| shift(a).norm().powi(2)).sum::<f64>().sqrt();
        shifts_mm + bench.adjusters.iter().map(rotation_mm).sum::<f64>()
    };
    moved(&|a| step_turns(a).unwrap_or(0.0) / 2.0) + moved(&|_| mismatch.position_turns())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scenario;
    use landfit_calibration::moves::plan;

    #[test]
    fn exact_hands_on_an_exact_bench_leave_what_the_plan_says() {
        let (part, bench) = (scenario::default_part().unwrap(), scenario::default_bench().unwrap());
        for seed in 0..50 {
            let f = seed as f64;
            let at_part = Pose::new(0.3 - 0.01 * f, -0.4 + 0.02 * f, 0.1 - 0.004 * f);
            let at_board = Pose::new(-0.2 + 0.013 * f, 0.1, -0.03 + 0.001 * f);
            let mut simulated = SimulatedBench::new(bench.clone(), at_part, at_board, &Mismatch::NONE, seed);
            let told = plan(&at_part, &at_board, &part, &bench, &simulated.known()).unwrap();
            let _ = simulated.make(&told, &Hands::EXACT);
            let (left, said) = (simulated.offset(), told.left_after.offset);
            assert!(left.shift().distance(said.shift()) < 1e-9 && (left.theta_rad - said.theta_rad).abs() < 1e-12);
        }
    }

    #[test]
    fn one_round_with_calibrated_screws_stays_below_the_bar() {
        let (part, bench) = (scenario::default_part().unwrap(), scenario::default_bench().unwrap());
        let bar = bar_mm(&part, &bench, &Mismatch::CALIBRATED);
        assert!((0.009..0.014).contains(&bar), "bar {bar} mm");
        for seed in 0..500 {
            let turn = f64::from(seed as u32) * 0.7;
            let at_part = Pose::new(1.1 * turn.cos(), 0.9 * turn.sin(), 0.08 * (1.7 * turn).cos());
            let at_board = Pose::new(0.3 * turn.sin(), -0.2, 0.02 * turn.sin());
            let mut simulated = SimulatedBench::new(bench.clone(), at_part, at_board, &Mismatch::CALIBRATED, seed);
            let told = plan(&at_part, &at_board, &part, &bench, &simulated.known()).unwrap();
            let _ = simulated.make(&told, &Hands::EXACT);
            let left = simulated.offset();
            let worst = part.sites.iter().map(|s| left.apply(s.at_mm).distance(s.at_mm)).fold(0.0, f64::max);
            assert!(worst <= bar, "seed {seed}: {worst} mm above {bar} mm");
        }
    }

    #[test]
    fn the_same_seed_gives_the_same_bench() {
        let bench = scenario::default_bench().unwrap();
        let run = |seed| {
            let mut simulated = SimulatedBench::new(bench.clone(), Pose::IDENTITY, Pose::IDENTITY, &Mismatch::CALIBRATED, seed);
            for (i, turns) in [(0, 0.3), (1, -0.2), (2, 0.7), (0, -0.4)] {
                simulated.turn(i, turns);
            }
            simulated.offset()
        };
        assert_eq!(run(3), run(3));
        assert_ne!(run(3), run(4));
    }
}
