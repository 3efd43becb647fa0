//! The simulated bench: where part and board truly lie, its true adjusters, and the hands that turn them.

use crate::screw::{Mismatch, Screw, cut_normal};
use landfit_calibration::bench::{Adjuster, Bench, Reads, Sense};
use landfit_calibration::moves::{Known, Move, MovePlan, step_turns};
use landfit_part::{Part, PointMm, Pose, Side};
use rand::{Rng, SeedableRng};
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
    /// How far what an adjuster rides on has carried it, bench frame; index for index.
    carried: Vec<Pose>,
    rng: ChaCha8Rng,
}

/// How exactly hands set what they are told.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Hands {
    /// Standard deviation of a setting on a graduated thimble, divisions; cut off at three times.
    pub setting_sd_divisions: f64,
    /// Standard deviation of a setting of a bare knob, turns; cut off at three times.
    pub bare_sd_turns: f64,
    /// What goes wrong besides.
    pub slips: Slips,
}

/// How often hands slip: shares of the moves, and of the rounds for the bump. A move has one slip at most.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Slips {
    /// The reading is taken a division off; a knob without a scale is set a twentieth of a turn off, a jog a step.
    pub division: f64,
    /// The sleeve's mark is misread, by half a turn either way; graduated thimbles only.
    pub half_turn: f64,
    /// Another adjuster is turned.
    pub wrong_screw: f64,
    /// The adjuster is turned in the other sense.
    pub wrong_sense: f64,
    /// Turned past the mark, by two to nine divisions; every other time it is then turned back to the mark.
    pub overshoot: f64,
    /// The board is bumped after the moves, by up to 0.15 mm and half a degree.
    pub bump: f64,
}

impl Slips {
    /// Hands that do not slip.
    pub const NEVER: Self = Self { division: 0.0, half_turn: 0.0, wrong_screw: 0.0, wrong_sense: 0.0, overshoot: 0.0, bump: 0.0 };
    /// Clumsy hands: one wrong screw and one wrong sense in twenty moves, and the rest as common practice has it, no source.
    pub const OFTEN: Self = Self { division: 0.1, half_turn: 0.02, wrong_screw: 0.05, wrong_sense: 0.05, overshoot: 0.1, bump: 0.05 };
}

/// A slip that was made.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Slip {
    /// See [`Slips::division`].
    Division,
    /// See [`Slips::half_turn`].
    HalfTurn,
    /// See [`Slips::wrong_screw`].
    WrongScrew,
    /// See [`Slips::wrong_sense`].
    WrongSense,
    /// See [`Slips::overshoot`].
    Overshoot,
    /// See [`Slips::bump`].
    Bump,
}

impl Slip {
    /// What it is called in tables.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Division => "a division off",
            Self::HalfTurn => "half a turn off",
            Self::WrongScrew => "wrong screw",
            Self::WrongSense => "wrong sense",
            Self::Overshoot => "past the mark",
            Self::Bump => "board bumped",
        }
    }
}

impl Hands {
    /// Hands that set what they are told.
    pub const EXACT: Self = Self { setting_sd_divisions: 0.0, bare_sd_turns: 0.0, slips: Slips::NEVER };
    /// Careful hands: a tenth of a division, a hundredth of a turn by eye. Common practice, no source.
    pub const CAREFUL: Self = Self { setting_sd_divisions: 0.1, bare_sd_turns: 0.01, slips: Slips::NEVER };
    /// Hands that set as well as careful ones, and slip.
    pub const CLUMSY: Self = Self { slips: Slips::OFTEN, ..Self::CAREFUL };
}

/// What was turned.
#[derive(Debug, Clone, PartialEq)]
pub struct Turned {
    /// Name of the adjuster.
    pub adjuster: String,
    /// How far the hand turned it, take-up and setting error included; clockwise positive.
    pub turns: f64,
    /// What went wrong with it. A bump stands with no turns and no adjuster.
    pub slip: Option<Slip>,
}

impl SimulatedBench {
    /// A bench near what its file says, with the part and the board at given true poses. Everything random comes from `seed`.
    #[must_use]
    pub fn new(bench: Bench, bench_from_part: Pose, bench_from_board: Pose, mismatch: &Mismatch, seed: u64) -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let screws: Vec<Screw> = bench.adjusters.iter().map(|a| Screw::near(a, mismatch, &mut rng)).collect();
        let carried = vec![Pose::IDENTITY; screws.len()];
        Self { bench, bench_from_part, bench_from_board, screws, carried, rng }
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
        let stands_on = self.carried[adjuster];
        let motion = stands_on.after(&motion).after(&stands_on.inverse());
        for rider in 0..self.carried.len() {
            if self.rides(rider, adjuster) {
                self.carried[rider] = motion.after(&self.carried[rider]);
            }
        }
        match self.bench.adjusters[adjuster].carries {
            Side::Part => self.bench_from_part = motion.after(&self.bench_from_part),
            Side::Board => self.bench_from_board = motion.after(&self.bench_from_board),
        }
    }

    /// Whether one adjuster rides on another, directly or on one that does.
    fn rides(&self, rider: usize, carrier: usize) -> bool {
        let mut under = rider;
        for _ in 0..self.bench.adjusters.len() {
            let Some(name) = &self.bench.adjusters[under].rides_on else { return false };
            let Some(next) = self.bench.adjusters.iter().position(|a| a.name == *name) else { return false };
            if next == carrier {
                return true;
            }
            under = next;
        }
        false
    }

    /// Makes the moves of a plan in their order, as well as `hands` can, take-up included.
    pub fn make(&mut self, plan: &MovePlan, hands: &Hands) -> Vec<Turned> {
        let mut turned: Vec<Turned> = plan.moves.iter().map(|m| self.make_one(m, hands)).collect();
        turned.extend(self.bumped(hands));
        turned
    }

    /// Turns one adjuster so far as was told, clockwise positive and take-up included, as well as `hands` can.
    pub fn turn_as_told(&mut self, adjuster: usize, told_turns: f64, hands: &Hands) -> Vec<Turned> {
        let mut turned = vec![self.turn_one(adjuster, told_turns, hands)];
        turned.extend(self.bumped(hands));
        turned
    }

    /// A bump of the board, as often as these hands have one.
    fn bumped(&mut self, hands: &Hands) -> Option<Turned> {
        if hands.slips.bump > 0.0 && self.rng.random_bool(hands.slips.bump) {
            let mut within = |most: f64| self.rng.random_range(-most..=most);
            let bump = Pose::new(within(0.15), within(0.15), within(0.5_f64.to_radians()));
            self.bench_from_board = bump.after(&self.bench_from_board);
            return Some(Turned { adjuster: String::new(), turns: 0.0, slip: Some(Slip::Bump) });
        }
        None
    }

    /// Turns back what was turned, the last first; the hands know which knobs they had.
    pub fn undo(&mut self, turned: &[Turned]) {
        for one in turned.iter().rev() {
            if let Some(adjuster) = self.bench.adjusters.iter().position(|a| a.name == one.adjuster) {
                self.turn(adjuster, -one.turns);
            }
        }
    }

    /// The slip that one move has, if any.
    fn slip(&mut self, slips: &Slips) -> Option<Slip> {
        if *slips == Slips::NEVER {
            return None;
        }
        let mut draw: f64 = self.rng.random_range(0.0..1.0);
        let shares = [
            (slips.division, Slip::Division),
            (slips.half_turn, Slip::HalfTurn),
            (slips.wrong_screw, Slip::WrongScrew),
            (slips.wrong_sense, Slip::WrongSense),
            (slips.overshoot, Slip::Overshoot),
        ];
        shares.into_iter().find_map(|(share, slip)| {
            draw -= share;
            (draw < 0.0).then_some(slip)
        })
    }

    fn make_one(&mut self, one: &Move, hands: &Hands) -> Turned {
        let signum = if one.sense == Sense::Clockwise { 1.0 } else { -1.0 };
        self.turn_one(one.adjuster, one.set_turns + signum * one.play.take_up_turns().unwrap_or(0.0), hands)
    }

    fn turn_one(&mut self, meant: usize, told: f64, hands: &Hands) -> Turned {
        let slip = self.slip(&hands.slips);
        let adjuster = &self.bench.adjusters[meant];
        let signum = told.signum();
        let sd_turns = setting_sd_turns(adjuster, hands);
        let turns = if sd_turns > 0.0 { told + sd_turns * cut_normal(&mut self.rng) } else { told };
        let (step_turns, graduated) = (misread_turns(adjuster), adjuster.reads == Reads::Divisions);
        let (hand, turns, back) = match slip {
            None | Some(Slip::Bump) => (meant, turns, 0.0),
            Some(Slip::Division) => (meant, turns + step_turns * self.either_way(), 0.0),
            Some(Slip::HalfTurn) if graduated => (meant, turns + 0.5 * self.either_way(), 0.0),
            // A knob without a scale has no sleeve to misread.
            Some(Slip::HalfTurn) => (meant, turns, 0.0),
            Some(Slip::WrongScrew) => (self.another_than(meant), turns, 0.0),
            Some(Slip::WrongSense) => (meant, -turns, 0.0),
            Some(Slip::Overshoot) => {
                let past = signum * step_turns * self.rng.random_range(2.0..10.0_f64).floor();
                let comes_back = self.rng.random_bool(0.5);
                (meant, turns + past, if comes_back { -past } else { 0.0 })
            }
        };
        let name = self.bench.adjusters[hand].name.clone();
        self.turn(hand, turns);
        self.turn(hand, back);
        let slip = slip.filter(|s| *s != Slip::HalfTurn || graduated);
        Turned { adjuster: name, turns: turns + back, slip }
    }

    fn either_way(&mut self) -> f64 {
        if self.rng.random_bool(0.5) { 1.0 } else { -1.0 }
    }

    fn another_than(&mut self, adjuster: usize) -> usize {
        let count = self.bench.adjusters.len();
        if count < 2 { adjuster } else { (adjuster + self.rng.random_range(1..count)) % count }
    }
}

/// A division, a step, or a twentieth of a turn by eye.
fn misread_turns(adjuster: &Adjuster) -> f64 {
    match (adjuster.reads, adjuster.divisions) {
        (Reads::Divisions, Some(n)) => 1.0 / f64::from(n),
        (Reads::Steps, _) => 1.0,
        _ => 0.05,
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
