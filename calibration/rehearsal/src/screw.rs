//! Adjusters as they truly are: a little off what the bench file says, with play, and never twice the same.

use landfit_calibration::bench::{Adjuster, Motion, Sense};
use landfit_part::{PointMm, Pose};
use rand::Rng;
use rand_distr::{Distribution, StandardNormal};
use std::f64::consts::TAU;

/// How far true adjusters may be from their bench file: the calibration's uncertainty, as bounds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mismatch {
    /// Of the step of one turn, relative.
    pub step_relative: f64,
    /// Of a shift's direction, radians.
    pub direction_rad: f64,
    /// Of a pivot along each axis, mm.
    pub pivot_mm: f64,
    /// Of the play, turns.
    pub backlash_turns: f64,
    /// Standard deviation with which a position comes back, turns; cut off at three times.
    pub repeatability_turns: f64,
    /// Half of peak to valley of the error that comes back with every turn, turns; its phase is random.
    pub once_per_turn_turns: f64,
}

impl Mismatch {
    /// What a careful calibration leaves. From memory: micrometer heads err by 2 µm over their travel of 10 mm and more, so
    /// a step measured over that travel is good to some 1e-4; positions come back to a fraction of a micrometre.
    pub const CALIBRATED: Self = Self {
        step_relative: 2e-4,
        direction_rad: 2e-4,
        pivot_mm: 0.003,
        backlash_turns: 0.001,
        repeatability_turns: 0.0005,
        ..Self::NONE
    };

    /// A bench that is exactly as its file says.
    pub const NONE: Self = Self {
        step_relative: 0.0,
        direction_rad: 0.0,
        pivot_mm: 0.0,
        backlash_turns: 0.0,
        repeatability_turns: 0.0,
        once_per_turn_turns: 0.0,
    };

    /// A bench that is as its file says, but for what no bench file holds: 3 µm once per turn of a screw of 0.5 mm, as worn or plain
    /// screws have it. Common practice, no source.
    pub const ONCE_PER_TURN: Self = Self { once_per_turn_turns: 0.006, ..Self::NONE };

    /// How far play and repeatability may put one position off, turns.
    #[must_use]
    pub fn position_turns(&self) -> f64 {
        self.backlash_turns + CUT * self.repeatability_turns
    }
}

/// Normal errors are cut off at so many standard deviations: a screw has no unbounded errors.
const CUT: f64 = 3.0;

/// One adjuster as it truly is, and where it stands.
#[derive(Debug, Clone, PartialEq)]
pub struct Screw {
    turn: Motion,
    backlash_turns: f64,
    repeatability_turns: f64,
    once_per_turn_turns: f64,
    /// Where in the turn that error is largest, radians.
    phase_rad: f64,
    thimble_turns: f64,
    /// Where the nut stands, in turns of the thimble: from `thimble_turns` (pushed clockwise) to `backlash_turns` more.
    nut_turns: f64,
    /// How far the present position misses the nut's.
    error_turns: f64,
    last_sense: Sense,
}

impl Screw {
    /// An adjuster near what its file says, last turned in a random sense.
    pub fn near(adjuster: &Adjuster, mismatch: &Mismatch, rng: &mut impl Rng) -> Self {
        let mut off = |bound: f64| bound * rng.random_range(-1.0..=1.0);
        let turn = match adjuster.turn {
            Motion::Shift { step_mm } => {
                Motion::Shift { step_mm: step_mm.rotated(off(mismatch.direction_rad)) * (1.0 + off(mismatch.step_relative)) }
            }
            Motion::Rotation { step_rad, pivot_mm } => Motion::Rotation {
                step_rad: step_rad * (1.0 + off(mismatch.step_relative)),
                pivot_mm: pivot_mm + PointMm::new(off(mismatch.pivot_mm), off(mismatch.pivot_mm)),
            },
            Motion::Tilt { step_rad } => Motion::Tilt { step_rad },
        };
        let backlash_turns = (adjuster.backlash_turns + off(mismatch.backlash_turns)).max(0.0);
        let last_sense = if rng.random_bool(0.5) { Sense::Clockwise } else { Sense::Anticlockwise };
        let nut_turns = if last_sense == Sense::Clockwise { 0.0 } else { backlash_turns };
        let (repeatability_turns, once_per_turn_turns) = (mismatch.repeatability_turns, mismatch.once_per_turn_turns);
        // Not drawn where it does nothing, so that benches without such an error stay what they were.
        let phase_rad = if once_per_turn_turns > 0.0 { rng.random_range(0.0..TAU) } else { 0.0 };
        let error_turns = once_per_turn_turns * phase_rad.cos();
        Self {
            turn,
            backlash_turns,
            repeatability_turns,
            once_per_turn_turns,
            phase_rad,
            thimble_turns: 0.0,
            nut_turns,
            error_turns,
            last_sense,
        }
    }

    /// The sense of the last turn.
    #[must_use]
    pub const fn last_sense(&self) -> Sense {
        self.last_sense
    }

    /// Turns the thimble (clockwise positive); returns the motion, bench frame, of what it carries.
    pub fn turn_by(&mut self, turns: f64, rng: &mut impl Rng) -> Pose {
        if turns == 0.0 {
            return Pose::IDENTITY;
        }
        let before = self.nut_turns + self.error_turns;
        self.last_sense = if turns < 0.0 { Sense::Anticlockwise } else { Sense::Clockwise };
        self.thimble_turns += turns;
        let nut_turns = self.nut_turns.clamp(self.thimble_turns, self.thimble_turns + self.backlash_turns);
        if nut_turns != self.nut_turns {
            self.nut_turns = nut_turns;
            let once_per_turn = self.once_per_turn_turns * (TAU * self.thimble_turns - self.phase_rad).cos();
            self.error_turns = once_per_turn + self.repeatability_turns * cut_normal(rng);
        }
        carried(&self.turn, self.nut_turns + self.error_turns - before)
    }
}

/// A normal deviate, drawn again while it is beyond the cut.
pub(crate) fn cut_normal(rng: &mut impl Rng) -> f64 {
    loop {
        let value: f64 = StandardNormal.sample(rng);
        if value.abs() <= CUT {
            return value;
        }
    }
}

/// The physics, written again here: the plan that it is checked against must not share it.
fn carried(turn: &Motion, turns: f64) -> Pose {
    match *turn {
        Motion::Shift { step_mm } => Pose::new(step_mm.x * turns, step_mm.y * turns, 0.0),
        Motion::Rotation { step_rad, pivot_mm } => {
            let to_pivot = Pose::new(pivot_mm.x, pivot_mm.y, 0.0);
            to_pivot.after(&Pose::new(0.0, 0.0, step_rad * turns)).after(&to_pivot.inverse())
        }
        Motion::Tilt { .. } => Pose::IDENTITY,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scenario;
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;

    fn screw_x(mismatch: &Mismatch, seed: u64) -> (Screw, ChaCha8Rng) {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let bench = scenario::default_bench().unwrap();
        (Screw::near(&bench.adjusters[0], mismatch, &mut rng), rng)
    }

    #[test]
    fn a_reversal_first_goes_through_the_play() {
        let (mut screw, mut rng) = screw_x(&Mismatch::NONE, 1);
        let _ = screw.turn_by(1.0, &mut rng);
        assert_eq!(screw.turn_by(-0.015, &mut rng), Pose::IDENTITY);
        assert!((screw.turn_by(-0.105, &mut rng).x_mm + 0.05).abs() < 1e-12, "0.12 turns less 0.02 of play are 0.1 turns");
        assert!((screw.turn_by(-0.1, &mut rng).x_mm + 0.05).abs() < 1e-12, "the same sense loses nothing");
        assert_eq!(screw.last_sense(), Sense::Anticlockwise);
        assert!((screw.turn_by(0.12, &mut rng).x_mm - 0.05).abs() < 1e-12);
    }

    #[test]
    fn positions_come_back_within_the_stated_repeatability() {
        let (mut screw, mut rng) = screw_x(&Mismatch::CALIBRATED, 2);
        let _ = screw.turn_by(0.5, &mut rng);
        let mut at_mm = 0.0;
        let ends: Vec<f64> = (0..200)
            .map(|_| {
                at_mm += screw.turn_by(-0.4, &mut rng).x_mm;
                at_mm += screw.turn_by(0.4, &mut rng).x_mm;
                at_mm
            })
            .collect();
        let mean = ends.iter().sum::<f64>() / 200.0;
        let sd = (ends.iter().map(|e| (e - mean).powi(2)).sum::<f64>() / 199.0).sqrt();
        assert!((0.8..1.2).contains(&(sd / (0.0005 * 0.5))), "sd {sd} mm, stated 0.00025 mm");
    }

    #[test]
    fn an_error_comes_back_with_every_turn_and_a_whole_turn_is_free_of_it() {
        let (mut screw, mut rng) = screw_x(&Mismatch::ONCE_PER_TURN, 3);
        let _ = screw.turn_by(1.0, &mut rng);
        let quarters: Vec<f64> = (0..8).map(|_| screw.turn_by(0.25, &mut rng).x_mm - 0.125).collect();
        for (first, second) in quarters[..4].iter().zip(&quarters[4..]) {
            assert!((first - second).abs() < 1e-12, "{quarters:?}");
        }
        assert!(quarters[..4].iter().sum::<f64>().abs() < 1e-12);
        // 3 µm either way of 0.5 mm: quarters of a turn differ by up to the root of two times that.
        let largest = quarters.iter().fold(0.0f64, |l, q| l.max(q.abs()));
        assert!((0.003..=0.0043).contains(&largest), "{largest}");
    }

    #[test]
    fn a_true_screw_stays_within_the_calibrations_bounds() {
        for seed in 0..100 {
            let (screw, _) = screw_x(&Mismatch::CALIBRATED, seed);
            let Motion::Shift { step_mm } = screw.turn else { panic!("X shifts") };
            assert!(step_mm.distance(PointMm::new(0.5, 0.003)) <= 0.5 * (2e-4_f64).hypot(2e-4) + 1e-12);
            assert!((screw.backlash_turns - 0.02).abs() <= 0.001);
        }
    }
}
