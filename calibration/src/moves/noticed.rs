//! What the hands did, from two pictures: where part and board stood before the moves and where they stand after them.
//!
//! The two sides' poses are six numbers and a bench has three adjusters that show in them, so a picture tells both how
//! far each adjuster was really turned and whether something moved that no adjuster moves.

use super::motion::{Stand, riders};
use super::{Move, MovePlan, Play, Reach, Sense, order_of, sense_of, step_turns};
use crate::bench::{Adjuster, Bench, Motion, Reads};
use landfit_part::{Part, Pose, Side, wrap_angle_rad};
use nalgebra::{DMatrix, DVector};

/// Part and board as a picture found them, bench frame.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stood {
    /// The part's pose.
    pub bench_from_part: Pose,
    /// The board's pose.
    pub bench_from_board: Pose,
}

/// Something that did not go as told.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Noticed {
    /// A side moved in a way that no adjuster moves it: look again.
    Moved {
        /// Which; the one that is farther from where adjusters could have put it.
        side: Side,
        /// How far, at the pattern's rim, mm.
        by_mm: f64,
    },
    /// An adjuster was turned about as far as told, in the other sense.
    WrongSense {
        /// Index into the bench's adjusters.
        adjuster: usize,
    },
    /// A side stands where its adjusters could put it, but only several that were not turned as told: bumped, rather than turned.
    Strayed {
        /// Which side.
        side: Side,
    },
    /// Another adjuster was turned in place of the one that was told.
    WrongScrew {
        /// The one told.
        told: usize,
        /// The one turned.
        turned: usize,
    },
    /// Half a turn too far, or too short by half a turn where `off_turns` is against the sense told.
    HalfTurn {
        /// Index into the bench's adjusters.
        adjuster: usize,
        /// Signed, clockwise positive.
        off_turns: f64,
    },
    /// Not turned at all, as far as the picture shows: was it another one, or has it no effect?
    NotTurned {
        /// Index into the bench's adjusters.
        adjuster: usize,
    },
    /// Farther than told, or turned without being told.
    TooFar {
        /// Index into the bench's adjusters.
        adjuster: usize,
        /// Signed, clockwise positive.
        off_turns: f64,
    },
    /// Less than told, by more than play explains.
    TooShort {
        /// Index into the bench's adjusters.
        adjuster: usize,
        /// Signed, clockwise positive.
        off_turns: f64,
    },
}

/// What was seen of the moves.
#[derive(Debug, Clone, PartialEq)]
pub struct Seen {
    /// Turns that the screws really made, index for index; `None` where the pictures do not tell (too many adjusters, or
    /// something moved).
    pub turns: Option<Vec<f64>>,
    /// How far those may be off by what the pictures do not tell, turns, index for index; empty where they tell no turns.
    pub unsure_turns: Vec<f64>,
    /// What did not go as told; empty where all went as told.
    pub noticed: Vec<Noticed>,
}

impl Seen {
    /// The sense of an adjuster's last turn, where the pictures tell that it was turned.
    #[must_use]
    pub fn last_sense(&self, adjuster: usize, bench: &Bench) -> Option<Sense> {
        let turns = *self.turns.as_ref()?.get(adjuster)?;
        (turns.abs() > hand_turns(&bench.adjusters[adjuster])).then(|| sense_of(turns))
    }

    /// Whether an adjuster was turned, by more than what the pictures do not tell and what a hand leaves that comes back to where it was.
    #[must_use]
    pub fn is_turned(&self, adjuster: usize, bench: &Bench) -> bool {
        let (Some(turns), Some(known)) = (&self.turns, bench.adjusters.get(adjuster)) else { return false };
        let unsure = self.unsure_turns.get(adjuster).copied().unwrap_or(0.0);
        turns.get(adjuster).is_some_and(|t| t.abs() > stray_turns(known) + unsure)
    }

    /// What did not go as told where hands make the moves one at a time and look between them: of a plan any moves may have been made, in any
    /// order, and one that is only begun is none that went wrong. The first of the plan is the one that the hands were told.
    #[must_use]
    pub fn one_at_a_time(&self, plan: &MovePlan, bench: &Bench) -> Vec<Noticed> {
        let Some(turns) = &self.turns else { return self.noticed.clone() };
        let stood_still = plan.moves.first().map(|m| m.adjuster).filter(|first| !self.is_turned(*first, bench));
        let strays: Vec<Noticed> = (0..turns.len())
            .filter(|&i| self.is_turned(i, bench))
            .filter_map(|i| {
                let own = plan.moves.iter().find(|m| m.adjuster == i);
                let stray = self.stray(i, turns[i], own, bench)?;
                // The one told stands where it stood: the hand was on this one instead.
                if let Some(told) = stood_still {
                    return Some(Noticed::WrongScrew { told, turned: i });
                }
                // A move that is only begun went wrong in nothing.
                (!matches!(stray, Noticed::TooShort { .. })).then_some(stray)
            })
            .collect();
        let side = |noticed: &Noticed| noticed.adjuster().and_then(|i| bench.adjusters.get(i)).map(|a| a.carries);
        match strays.as_slice() {
            // One hand turns one screw: two that stray together are rather the side that was bumped.
            [one, other, ..] => side(one).or_else(|| side(other)).map_or_else(Vec::new, |side| vec![Noticed::Strayed { side }]),
            _ => strays,
        }
    }

    /// How one adjuster's turns differ from its own move, by more than hands and pictures explain.
    fn stray(&self, adjuster: usize, turns: f64, own: Option<&Move>, bench: &Bench) -> Option<Noticed> {
        let known = &bench.adjusters[adjuster];
        let Some(own) = own else { return Some(Noticed::TooFar { adjuster, off_turns: turns }) };
        if turns * own.set_turns < 0.0 {
            return Some(Noticed::WrongSense { adjuster });
        }
        let unsure = self.unsure_turns.get(adjuster).copied().unwrap_or(0.0);
        let tolerance = hand_turns(known) + of_the_move(known) * own.set_turns.abs() + unsure;
        let (off_turns, farther) = (turns - own.set_turns, turns.abs() - own.set_turns.abs());
        let (too_far, too_short) = (farther > tolerance + not_lost(own), farther < -tolerance - may_be_lost(own));
        let half_turn = known.reads == Reads::Divisions && (farther.abs() - HALF_TURN).abs() <= tolerance + known.backlash_turns;
        match (too_far, too_short) {
            (false, false) => None,
            _ if half_turn => Some(Noticed::HalfTurn { adjuster, off_turns }),
            (true, _) => Some(Noticed::TooFar { adjuster, off_turns }),
            (false, true) => Some(Noticed::TooShort { adjuster, off_turns }),
        }
    }
}

impl Noticed {
    /// The adjuster that was turned, or was not.
    const fn adjuster(&self) -> Option<usize> {
        match *self {
            Self::WrongScrew { turned, .. } => Some(turned),
            Self::WrongSense { adjuster }
            | Self::HalfTurn { adjuster, .. }
            | Self::NotTurned { adjuster }
            | Self::TooFar { adjuster, .. }
            | Self::TooShort { adjuster, .. } => Some(adjuster),
            Self::Moved { .. } | Self::Strayed { .. } => None,
        }
    }
}

/// What a misread sleeve puts a thimble off, turns.
const HALF_TURN: f64 = 0.5;

/// What of a move play may take, as far as the plan knows.
fn may_be_lost(one: &Move) -> f64 {
    match one.play {
        Play::Unknown { up_to_turns } => up_to_turns,
        Play::None | Play::TakeUp { .. } => 0.0,
    }
}

/// Where play was told to be taken up that had been taken up before (past the mark and back, unseen), so much goes farther than told.
fn not_lost(one: &Move) -> f64 {
    match one.play {
        Play::TakeUp { turns } => turns,
        Play::None | Play::Unknown { .. } => 0.0,
    }
}

/// Something that adjusters do not explain is told from this on, mm. Poses of one side are measured to a µm or two.
const UNEXPLAINED_MM: f64 = 0.006;

/// Directions of screws hold to about this share of their way; common practice, no source.
const OF_THE_WAY: f64 = 0.004;

/// What rides on a rotation has its direction turned by some degrees once the rotation was used.
const OF_THE_WAY_RIDING: f64 = 0.06;

/// Compares what was told with what two pictures show. `u_mm` is the interval (k = 2) of a miss in one of the pictures.
///
/// Returns nothing noticed where the bench has no adjusters that show, or more than three (their turns are not told apart).
#[must_use]
pub fn notice(before: &Stood, plan: &MovePlan, after: &Stood, part: &Part, bench: &Bench, u_mm: f64) -> Seen {
    let nothing = Seen { turns: None, unsure_turns: Vec::new(), noticed: Vec::new() };
    let (Some(reach), order) = (Reach::of(part), order_of(&bench.adjusters)) else { return nothing };
    let riders = riders(&bench.adjusters);
    let stand = Stand {
        bench_from_part: before.bench_from_part,
        bench_from_board: before.bench_from_board,
        aim: bench.aim,
        adjusters: &bench.adjusters,
        order: &order,
        riders: &riders,
    };
    if order.is_empty() || order.len() > 3 {
        return nothing;
    }
    let mut told = vec![0.0; bench.adjusters.len()];
    plan.moves.iter().for_each(|m| told[m.adjuster] = m.set_turns);
    let mut turns = told.clone();
    let left_mm = explain(&stand, &reach, after, &mut turns);
    let way_mm = way_mm(&stand, &reach, before, after);
    let share = if riders.iter().all(Vec::is_empty) { OF_THE_WAY } else { OF_THE_WAY_RIDING };
    let [part_mm, board_mm] = [0, 3].map(|at| left_mm[at].hypot(left_mm[at + 1]).max(left_mm[at + 2].abs()));
    let unexplained_mm = part_mm.max(board_mm);
    if unexplained_mm > UNEXPLAINED_MM + 2.0 * u_mm + share * way_mm {
        let side = if part_mm > board_mm { Side::Part } else { Side::Board };
        return Seen { turns: None, unsure_turns: Vec::new(), noticed: vec![Noticed::Moved { side, by_mm: unexplained_mm }] };
    }
    let unsure_turns = unsure(&stand, &reach, &turns, u_mm, way_mm, share);
    let noticed = classify(plan, bench, stand.order, &told, &turns, &unsure_turns);
    Seen { turns: Some(turns), unsure_turns, noticed }
}

/// Finds the turns that carry what stood before to where it stands after; returns what they leave: for part and board the
/// shift at the pattern's centre and the arc at its rim, mm.
fn explain(stand: &Stand, reach: &Reach, after: &Stood, turns: &mut [f64]) -> [f64; 6] {
    const H_TURNS: f64 = 1e-3;
    let left = |turns: &[f64]| {
        let [part, board] = stand.poses_after(turns);
        let (p, b) = (apart(&part, &after.bench_from_part, reach), apart(&board, &after.bench_from_board, reach));
        [p[0], p[1], p[2], b[0], b[1], b[2]]
    };
    for _ in 0..10 {
        let residual = left(turns);
        let columns: Vec<[f64; 6]> = stand
            .order
            .iter()
            .map(|&i| {
                let mut moved = turns.to_vec();
                moved[i] += H_TURNS;
                let plus = left(&moved);
                std::array::from_fn(|row| (plus[row] - residual[row]) / H_TURNS)
            })
            .collect();
        let jacobian = DMatrix::from_fn(6, columns.len(), |row, column| columns[column][row]);
        let Ok(step) = jacobian.svd(true, true).solve(&DVector::from_column_slice(&residual), 1e-12) else { break };
        stand.order.iter().enumerate().for_each(|(k, &i)| turns[i] -= step[k]);
        if step.amax() < 1e-9 {
            break;
        }
    }
    left(turns)
}

fn apart(a: &Pose, b: &Pose, reach: &Reach) -> [f64; 3] {
    let shift = a.apply(reach.centre_mm) - b.apply(reach.centre_mm);
    [shift.x, shift.y, reach.radius_mm * wrap_angle_rad(a.theta_rad - b.theta_rad)]
}

/// How far the two sides went between the pictures, mm.
fn way_mm(stand: &Stand, reach: &Reach, before: &Stood, after: &Stood) -> f64 {
    let one = |a: &Pose, b: &Pose| {
        let [x, y, arc] = apart(a, b, reach);
        x.hypot(y) + arc.abs()
    };
    debug_assert_eq!(stand.bench_from_part, before.bench_from_part);
    one(&before.bench_from_part, &after.bench_from_part) + one(&before.bench_from_board, &after.bench_from_board)
}

/// What hands that do as told may be off, turns: three quarters of a division, half a step, a twentieth of a turn by eye.
#[must_use]
pub fn hand_turns(adjuster: &Adjuster) -> f64 {
    match (adjuster.reads, adjuster.divisions) {
        (Reads::Divisions, Some(n)) => 0.75 / f64::from(n),
        (Reads::Steps, _) => 0.5,
        _ => 0.05,
    }
}

/// What a hand leaves that comes back to where it was, turns: three times what a careful hand is off, the tenth of a division or the hundredth
/// of a turn of the rehearsal's hands; a step of a jog is made or not.
#[must_use]
pub fn stray_turns(adjuster: &Adjuster) -> f64 {
    match (adjuster.reads, adjuster.divisions) {
        (Reads::Divisions, Some(n)) => 0.35 / f64::from(n),
        (Reads::Steps, _) => 0.5,
        _ => 0.03,
    }
}

/// What a hand may be off as a share of its way: much for a bare knob, next to nothing for a thimble.
fn of_the_move(adjuster: &Adjuster) -> f64 {
    match step_turns(adjuster) {
        None => 0.15,
        Some(_) => 0.002,
    }
}

/// How far each adjuster's turns may be off: by the pictures' interval, and by the share to which the others' directions hold over their way.
fn unsure(stand: &Stand, reach: &Reach, turns: &[f64], u_mm: f64, way_mm: f64, share: f64) -> Vec<f64> {
    let jacobian = stand.jacobian_mm(reach, turns, stand.order);
    let of_one = |i: usize| {
        let column_mm = stand.order.iter().position(|o| *o == i).map_or(1.0, |k| jacobian.column(k).norm());
        // A direction that does not hold shifts what lies on it, and turns nothing.
        let others_mm = match stand.adjusters[i].turn {
            Motion::Rotation { .. } => 0.0,
            _ => (way_mm - turns[i].abs() * column_mm).max(0.0),
        };
        (u_mm + share * others_mm) / column_mm.max(1e-9)
    };
    (0..turns.len()).map(of_one).collect()
}

fn classify(plan: &MovePlan, bench: &Bench, order: &[usize], told: &[f64], turns: &[f64], unsure_turns: &[f64]) -> Vec<Noticed> {
    // What the picture cannot tell, what hands may be off, and for a bare knob a share of the way.
    let tolerance = |i: usize| {
        let known = &bench.adjusters[i];
        hand_turns(known) + of_the_move(known) * told[i].abs() + unsure_turns[i]
    };
    let play = |i: usize| bench.adjusters[i].backlash_turns;
    let lost = |i: usize| plan.moves.iter().find(|m| m.adjuster == i).map_or(0.0, may_be_lost);
    let mut off: Vec<usize> = order
        .iter()
        .copied()
        .filter(|&i| {
            let off_turns = (turns[i] - told[i]) * if told[i] < 0.0 { -1.0 } else { 1.0 };
            off_turns > tolerance(i) || off_turns < -tolerance(i) - lost(i)
        })
        .collect();
    let mut noticed = Vec::new();
    for told_one in off.clone() {
        let stood_still = turns[told_one].abs() <= tolerance(told_one) && told[told_one] != 0.0;
        let as_far = |j: &usize| (turns[*j] - told[*j] - told[told_one]).abs() <= tolerance(*j) + tolerance(told_one) + play(*j);
        let other = off.iter().copied().filter(|j| *j != told_one).find(as_far);
        if let (true, Some(turned)) = (stood_still, other) {
            noticed.push(Noticed::WrongScrew { told: told_one, turned });
            off.retain(|i| *i != told_one && *i != turned);
        }
    }
    for i in off {
        let off_turns = turns[i] - told[i];
        let slack = tolerance(i) + play(i);
        noticed.push(if turns[i] * told[i] < 0.0 && (turns[i] + told[i]).abs() <= slack + play(i) {
            Noticed::WrongSense { adjuster: i }
        } else if told[i] != 0.0 && turns[i].abs() <= tolerance(i) {
            Noticed::NotTurned { adjuster: i }
        } else if bench.adjusters[i].reads == Reads::Divisions && (off_turns.abs() - HALF_TURN).abs() <= slack {
            Noticed::HalfTurn { adjuster: i, off_turns }
        } else if off_turns * told[i] >= 0.0 {
            Noticed::TooFar { adjuster: i, off_turns }
        } else {
            Noticed::TooShort { adjuster: i, off_turns }
        });
    }
    noticed
}
