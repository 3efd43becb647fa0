//! From the poses of part and board to the turns of the adjusters.
//!
//! Everything happens in the bench frame: adjusters move the part or the board along their own, not quite square
//! directions and about their own pivots. These stay where they are whatever else is turned, except those of an adjuster
//! that rides on another: they are carried along, and hold as the bench file says where the bench stands at the picture.
//! Rotations come first, then shifts, each in the order of the bench file. What is aimed at is offset = aim, component by
//! component. Tilts are not turned: an offset does not show them.

mod choice;
mod motion;
pub mod noticed;
mod reach;
mod rough;
mod rounding;

pub(crate) use motion::minus_aim;
pub(crate) use reach::{Reach, miss_vector_mm};
pub use rough::rough_turns;

use crate::bench::{Adjuster, Bench, Motion, Reads, Sense};
use landfit_part::{Part, PointMm, Pose, Side};
use motion::{Stand, riders};
use rounding::{Chosen, Settable, settable_turns};
use std::collections::BTreeMap;

/// What is known of the adjusters besides the bench file.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Known {
    /// The sense of an adjuster's last turn, by its name.
    pub last_sense: BTreeMap<String, Sense>,
    /// What an adjuster reads now, in turns, by its name.
    pub reading_turns: BTreeMap<String, f64>,
}

/// What to turn, and what will be left.
#[derive(Debug, Clone, PartialEq)]
pub struct MovePlan {
    /// Offset minus aim before the moves.
    pub to_go: Pose,
    /// The moves in the order to make them; moves of nothing are left out.
    pub moves: Vec<Move>,
    /// Offset minus aim after the moves as the hand can set them.
    pub left_after: Left,
    /// What moves that are set by eye may be off, at the pattern's rim, mm: a fiftieth of a turn of each bare knob that turns
    /// (common practice, no source). Zero where all are read.
    pub by_eye_mm: f64,
    /// What the person should know besides, one sentence each.
    pub warnings: Vec<String>,
}

/// Turns that an eye can set a bare knob to. Common practice, no source.
pub const BY_EYE_TURNS: f64 = 0.02;

/// What will be left when the moves are made.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Left {
    /// Offset minus aim.
    pub offset: Pose,
    /// Index of the site that will be off the most.
    pub worst_site: usize,
    /// How far it will be off, mm.
    pub worst_miss_mm: f64,
}

/// One adjuster's move.
#[derive(Debug, Clone, PartialEq)]
pub struct Move {
    /// Index into the bench's adjusters.
    pub adjuster: usize,
    /// Its name.
    pub name: String,
    /// Whether it turns what it carries, or shifts it.
    pub rotates: bool,
    /// What it carries.
    pub carries: Side,
    /// Signed and exact, clockwise positive: all moves made so leave nothing that an adjuster reaches.
    pub turns: f64,
    /// Signed, as the hand sets it, take-up not counted.
    pub set_turns: f64,
    /// The sense in which the hand turns.
    pub sense: Sense,
    /// `set_turns` as the hand counts it.
    pub amount: Amount,
    /// What to do about play.
    pub play: Play,
    /// Where the reading goes, take-up included, where it is known.
    pub reading: Option<Reading>,
}

/// A move as the hand counts it, without its sense.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Amount {
    /// On a graduated thimble.
    Thimble {
        /// Whole turns.
        whole: u32,
        /// Divisions on top, a multiple of what the hand can set.
        divisions: f64,
    },
    /// Steps of a jog control.
    Steps {
        /// How many.
        count: u32,
    },
    /// A bare knob: turns and fractions by eye.
    Bare {
        /// Turns, not rounded.
        turns: f64,
    },
}

/// What to do about an adjuster's play.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Play {
    /// It has none, or the last turn was in the same sense.
    None,
    /// The sense reverses: take up so many turns first (>= 0, in the sense of the move).
    TakeUp {
        /// Turns.
        turns: f64,
    },
    /// The last sense is not known: up to so many turns may be lost.
    Unknown {
        /// Turns.
        up_to_turns: f64,
    },
}

/// What an adjuster reads, in turns.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reading {
    /// Before the move.
    pub now_turns: f64,
    /// After it.
    pub then_turns: f64,
}

impl Amount {
    /// Whole turns, or steps.
    #[must_use]
    pub const fn whole(&self) -> u32 {
        match *self {
            Self::Thimble { whole, .. } => whole,
            Self::Steps { count } => count,
            Self::Bare { turns } => turns as u32,
        }
    }

    /// Divisions on top of the whole turns; `None` for a bare knob and a jog control.
    #[must_use]
    pub const fn divisions(&self) -> Option<f64> {
        match *self {
            Self::Thimble { divisions, .. } => Some(divisions),
            Self::Steps { .. } | Self::Bare { .. } => None,
        }
    }
}

impl Play {
    /// Turns to take up first, where that is known and not nothing.
    #[must_use]
    pub const fn take_up_turns(&self) -> Option<f64> {
        match *self {
            Self::TakeUp { turns } => Some(turns),
            Self::None | Self::Unknown { .. } => None,
        }
    }
}

/// Why no moves can be told.
#[derive(Debug, thiserror::Error, Clone, PartialEq)]
#[non_exhaustive]
pub enum MovesError {
    /// The part has no sites, or sites that are nowhere.
    #[error("the part has no sites to align")]
    NoSites,
    /// A pose or an adjuster's value is not a number, or far beyond any bench.
    #[error("{what} is not a number that a bench can have")]
    NotFinite {
        /// Of what.
        what: String,
    },
    /// A turn of it moves nothing.
    #[error("adjuster {adjuster}: one turn moves nothing; check its `turn` in the bench file")]
    NoEffect {
        /// Its name.
        adjuster: String,
    },
    /// A thimble without graduations that could be counted.
    #[error(
        "adjuster {adjuster}: the hand can set steps of {step_turns} turns, which cannot be counted; check divisions and readable_divisions"
    )]
    NoSteps {
        /// Its name.
        adjuster: String,
        /// The step.
        step_turns: f64,
    },
    /// Adjusters that do the same.
    #[error("adjusters {names} depend on each other: what one does, the others can undo; keep those that act in different directions")]
    Dependent {
        /// Their names.
        names: String,
    },
    /// A name that the bench does not have.
    #[error("the bench has no adjuster called {name} (it has {known})")]
    UnknownAdjuster {
        /// As given.
        name: String,
        /// The bench's own names.
        known: String,
    },
    /// A reading that the adjuster cannot show.
    #[error("adjuster {adjuster} cannot read {reading_turns}: its travel goes from {} to {}", travel_turns[0], travel_turns[1])]
    PastTravel {
        /// Its name.
        adjuster: String,
        /// As given.
        reading_turns: f64,
        /// The ends of its travel.
        travel_turns: [f64; 2],
    },
}

/// Two directions closer than this are taken for the same: a cosine of 0.9998 is about one degree. Common practice, no
/// source; real screws stand within a degree or two of square.
const SAME_DIRECTION_COSINE: f64 = 0.9998;

/// Two rotations about pivots closer than this are taken for the same, mm. Common practice, no source.
const SAME_PIVOT_MM: f64 = 0.1;

/// Shifts and turns (as arcs at the pattern's rim) below this are nothing to warn of, mm.
const NOTHING_MM: f64 = 5e-4;

/// Where rounding leaves more than this share of the allowance, a further adjuster with finer steps may come in.
const FINE_SHARE: f64 = 0.25;

/// How far to turn which adjuster, so that offset = aim, and what rounding to the hand's steps will leave.
///
/// Poses are those of the bench frame. The adjusters' steps are chosen jointly so that the worst miss over all sites of
/// `part` is least; no neighbouring set of steps is better. Of more adjusters than the plane has ways to go, those turn
/// that take the least total of turns, and one more where their steps are too coarse for the part. A degree of freedom
/// that no adjuster reaches stays in `left_after`, with a warning; a move past a known end of travel stops there, with a
/// warning.
///
/// # Errors
/// See [`MovesError`]: bad input, and adjusters that depend on each other.
pub fn plan(bench_from_part: &Pose, bench_from_board: &Pose, part: &Part, bench: &Bench, known: &Known) -> Result<MovePlan, MovesError> {
    let reach = Reach::of(part).ok_or(MovesError::NoSites)?;
    check(bench_from_part, bench_from_board, bench, known)?;
    let order = order_of(&bench.adjusters);
    let stand = Stand {
        bench_from_part: *bench_from_part,
        bench_from_board: *bench_from_board,
        aim: bench.aim,
        adjusters: &bench.adjusters,
        order: &order,
        riders: &riders(&bench.adjusters),
    };
    let settable = bench.adjusters.iter().map(|a| settable(a, known)).collect::<Result<Vec<_>, _>>()?;
    let exact = choice::exact_turns(&stand, &reach, &settable);
    let chosen = Chosen { exact: &exact.turns, turning: &exact.turning, finer: None };
    let (mut set, miss_mm) = settable_turns(&stand, &reach, &settable, &chosen);
    if miss_mm > FINE_SHARE * part.allowance().miss_mm {
        let others = order.iter().copied().filter(|i| !exact.turning.contains(i));
        let finer = others.map(|i| settable_turns(&stand, &reach, &settable, &Chosen { finer: Some(i), ..chosen }));
        let finest = finer.reduce(|best, other| if other.1 < best.1 - 1e-9 { other } else { best });
        if let Some((turns, _)) = finest.filter(|(_, finest_mm)| *finest_mm < miss_mm / 2.0) {
            set = turns;
        }
    }

    let left = stand.left_after(&set);
    let (worst_site, worst_miss_mm) = reach.worst(&left);
    let moves = order.iter().filter_map(|&i| one_move(i, &bench.adjusters[i], exact.turns[i], set[i], known)).collect();
    let mut warnings = beyond_travel(&bench.adjusters, &order, &exact.turns, &settable, known);
    warnings.extend(unreached(&stand, &reach, &exact.turns));
    let to_go = minus_aim(&bench_from_board.inverse().after(bench_from_part), &bench.aim);
    let turned_by_eye: Vec<usize> = (0..set.len()).filter(|&i| settable[i].step_turns.is_none() && set[i].abs() > 1e-9).collect();
    let by_eye_mm = stand.jacobian_mm(&reach, &set, &turned_by_eye).norm() * BY_EYE_TURNS;
    Ok(MovePlan { to_go, moves, by_eye_mm, left_after: Left { offset: left, worst_site, worst_miss_mm }, warnings })
}

/// A kilometre, or as many turns or radians, is beyond any bench; NaN and infinities are no numbers at all.
fn is_sane(value: f64) -> bool {
    value.abs() <= 1e6
}

/// Rotations first, since their pivots shift things; then shifts.
fn order_of(adjusters: &[Adjuster]) -> Vec<usize> {
    let those = |wanted: fn(&Motion) -> bool| (0..adjusters.len()).filter(move |i| wanted(&adjusters[*i].turn));
    those(|turn| matches!(turn, Motion::Rotation { .. })).chain(those(|turn| matches!(turn, Motion::Shift { .. }))).collect()
}

fn check(bench_from_part: &Pose, bench_from_board: &Pose, bench: &Bench, known: &Known) -> Result<(), MovesError> {
    let finite = |values: &[f64], what: &str| {
        if values.iter().copied().all(is_sane) { Ok(()) } else { Err(MovesError::NotFinite { what: what.to_owned() }) }
    };
    let pose = |p: &Pose| [p.x_mm, p.y_mm, p.theta_rad];
    finite(&pose(bench_from_part), "the part's pose")?;
    finite(&pose(bench_from_board), "the board's pose")?;
    finite(&pose(&bench.aim), "the aim")?;
    let names = || bench.adjusters.iter().map(|a| a.name.as_str()).collect::<Vec<_>>().join(", ");
    for name in known.last_sense.keys().chain(known.reading_turns.keys()) {
        if !bench.adjusters.iter().any(|a| a.name == *name) {
            return Err(MovesError::UnknownAdjuster { name: name.clone(), known: names() });
        }
    }
    for adjuster in &bench.adjusters {
        check_adjuster(adjuster)?;
    }
    check_independence(&bench.adjusters)
}

fn check_adjuster(adjuster: &Adjuster) -> Result<(), MovesError> {
    let (step, place) = match adjuster.turn {
        Motion::Shift { step_mm } => (step_mm.norm(), PointMm::ZERO),
        Motion::Rotation { step_rad, pivot_mm } => (step_rad, pivot_mm),
        Motion::Tilt { step_rad: [x, y] } => (x.hypot(y), PointMm::ZERO),
    };
    if ![step, place.x, place.y, adjuster.backlash_turns].into_iter().all(is_sane) {
        return Err(MovesError::NotFinite { what: format!("a value of adjuster {}", adjuster.name) });
    }
    if step.abs() < 1e-9 {
        return Err(MovesError::NoEffect { adjuster: adjuster.name.clone() });
    }
    Ok(())
}

/// Adjusters are independent when each adds a way to go, wherever part and board stand, until there are all three.
///
/// A rotation brings the turn; a second rotation, counted against the first, only shifts, across the line of the two pivots.
/// So what is left to compare are directions of shifts, and a plane has two. Adjusters beyond the three ways to go may do
/// what others do: the choice between them is made by their turns.
fn check_independence(adjusters: &[Adjuster]) -> Result<(), MovesError> {
    let mut directions: Vec<(String, PointMm)> = Vec::new();
    let mut first_pivot: Option<(&str, PointMm)> = None;
    let mut same: Option<String> = None;
    for adjuster in adjusters {
        let (names, along) = match (adjuster.turn, first_pivot) {
            (Motion::Tilt { .. }, _) => continue,
            (Motion::Shift { step_mm }, _) => (adjuster.name.clone(), step_mm * (1.0 / step_mm.norm())),
            (Motion::Rotation { pivot_mm, .. }, None) => {
                first_pivot = Some((&adjuster.name, pivot_mm));
                continue;
            }
            (Motion::Rotation { pivot_mm, .. }, Some((first, from_mm))) => {
                let names = format!("{first} and {}", adjuster.name);
                let apart = pivot_mm - from_mm;
                if apart.norm() < SAME_PIVOT_MM {
                    same = same.or(Some(names));
                    continue;
                }
                (names, PointMm::new(-apart.y, apart.x) * (1.0 / apart.norm()))
            }
        };
        let other = directions.iter().find(|(_, to)| (to.x * along.x + to.y * along.y).abs() > SAME_DIRECTION_COSINE);
        match other {
            Some((other, _)) => same = same.or_else(|| Some(format!("{other} and {names}"))),
            None => directions.push((names, along)),
        }
    }
    let in_plane = || adjusters.iter().filter(|a| !matches!(a.turn, Motion::Tilt { .. }));
    let ways = directions.len().min(2) + usize::from(first_pivot.is_some());
    if ways < in_plane().count().min(3) {
        let all = || in_plane().map(|a| a.name.as_str()).collect::<Vec<_>>().join(", ");
        return Err(MovesError::Dependent { names: same.unwrap_or_else(all) });
    }
    Ok(())
}

/// Which sense a signed turn has.
#[must_use]
pub fn sense_of(turns: f64) -> Sense {
    if turns < 0.0 { Sense::Anticlockwise } else { Sense::Clockwise }
}

fn reading_per_turn(adjuster: &Adjuster) -> f64 {
    match adjuster.reading_rises {
        Sense::Clockwise => 1.0,
        Sense::Anticlockwise => -1.0,
    }
}

/// The smallest step that the hand can set, turns; `None` for a bare knob.
#[must_use]
pub fn step_turns(adjuster: &Adjuster) -> Option<f64> {
    match adjuster.reads {
        Reads::Divisions => adjuster.divisions.map(|n| adjuster.readable_divisions / f64::from(n)),
        Reads::Steps => Some(1.0),
        Reads::None => None,
    }
}

fn settable(adjuster: &Adjuster, known: &Known) -> Result<Settable, MovesError> {
    let step_turns = step_turns(adjuster);
    if let Some(step_turns) = step_turns.filter(|s| !(s.is_finite() && *s > 1e-9)) {
        return Err(MovesError::NoSteps { adjuster: adjuster.name.clone(), step_turns });
    }
    let mut from_to_turns = [f64::NEG_INFINITY, f64::INFINITY];
    if let Some(&reading_turns) = known.reading_turns.get(&adjuster.name) {
        if !is_sane(reading_turns) {
            return Err(MovesError::NotFinite { what: format!("the reading of adjuster {}", adjuster.name) });
        }
        if let Some(travel_turns) = adjuster.travel_turns {
            if !(travel_turns[0]..=travel_turns[1]).contains(&reading_turns) {
                return Err(MovesError::PastTravel { adjuster: adjuster.name.clone(), reading_turns, travel_turns });
            }
            from_to_turns = travel_turns.map(|end| (end - reading_turns) * reading_per_turn(adjuster));
            from_to_turns.sort_by(f64::total_cmp);
            // The take-up of a reversal is travel, too.
            let [lo, hi] = &mut from_to_turns;
            match known.last_sense.get(&adjuster.name) {
                Some(Sense::Clockwise) => *lo = (*lo + adjuster.backlash_turns).min(0.0),
                Some(Sense::Anticlockwise) => *hi = (*hi - adjuster.backlash_turns).max(0.0),
                None => {}
            }
        }
    }
    Ok(Settable { step_turns, from_to_turns })
}

fn one_move(index: usize, adjuster: &Adjuster, exact_turns: f64, set_turns: f64, known: &Known) -> Option<Move> {
    if set_turns.abs() < 1e-9 {
        return None;
    }
    let sense = sense_of(set_turns);
    let play = match known.last_sense.get(&adjuster.name) {
        _ if adjuster.backlash_turns <= 0.0 => Play::None,
        Some(last) if *last == sense => Play::None,
        Some(_) => Play::TakeUp { turns: adjuster.backlash_turns },
        None => Play::Unknown { up_to_turns: adjuster.backlash_turns },
    };
    let whole_way_turns = set_turns + play.take_up_turns().unwrap_or(0.0) * set_turns.signum();
    let reading = known
        .reading_turns
        .get(&adjuster.name)
        .map(|&now_turns| Reading { now_turns, then_turns: now_turns + whole_way_turns * reading_per_turn(adjuster) });
    Some(Move {
        adjuster: index,
        name: adjuster.name.clone(),
        rotates: matches!(adjuster.turn, Motion::Rotation { .. }),
        carries: adjuster.carries,
        turns: exact_turns,
        set_turns,
        sense,
        amount: amount(adjuster, set_turns.abs()),
        play,
        reading,
    })
}

fn amount(adjuster: &Adjuster, turns: f64) -> Amount {
    let (Some(step_turns), true) = (step_turns(adjuster), adjuster.reads != Reads::Steps) else {
        return if adjuster.reads == Reads::Steps { Amount::Steps { count: turns.round() as u32 } } else { Amount::Bare { turns } };
    };
    let divisions_per_turn = f64::from(adjuster.divisions.unwrap_or(1));
    let divisions = (turns / step_turns).round() * adjuster.readable_divisions;
    // The slack carries 49.999…, which is 50 counted in binary fractions, on to the next whole turn.
    let whole = ((divisions + 1e-9) / divisions_per_turn).floor();
    Amount::Thimble { whole: whole as u32, divisions: (divisions - whole * divisions_per_turn).max(0.0) }
}

fn beyond_travel(adjusters: &[Adjuster], order: &[usize], exact: &[f64], settable: &[Settable], known: &Known) -> Vec<String> {
    order.iter().filter_map(|&i| one_beyond_travel(&adjusters[i], exact[i], &settable[i], known)).collect()
}

fn one_beyond_travel(adjuster: &Adjuster, exact_turns: f64, settable: &Settable, known: &Known) -> Option<String> {
    let [_, hi] = settable.from_to_turns;
    let short_turns = settable.past_end_turns(exact_turns);
    if short_turns <= 0.0 {
        return None;
    }
    let (now, travel) = (known.reading_turns.get(&adjuster.name)?, adjuster.travel_turns?);
    let to_middle_turns = ((travel[0] + travel[1]) / 2.0 - now) * reading_per_turn(adjuster);
    let by_hand = hand_move(adjuster, exact_turns - to_middle_turns);
    let end = if exact_turns > hi { adjuster.reading_rises == Sense::Clockwise } else { adjuster.reading_rises != Sense::Clockwise };
    Some(format!(
        "{name} ends its travel at {end}, {short_turns:.2} turns short: set it back to the middle of its travel ({middle}), {by_hand}, and take a new picture",
        name = adjuster.name,
        end = travel[usize::from(end)],
        middle = (travel[0] + travel[1]) / 2.0,
    ))
}

/// In words, what moving the carried side by hand must do in place of `turns` of the adjuster.
fn hand_move(adjuster: &Adjuster, turns: f64) -> String {
    let side = adjuster.carries.word();
    match adjuster.turn {
        Motion::Rotation { step_rad, .. } => {
            let turned_deg = (step_rad * turns).to_degrees();
            let sense = if turned_deg < 0.0 { "clockwise" } else { "anticlockwise" };
            format!("turn the {side} by hand about {:.1}° {sense} as seen from above", turned_deg.abs())
        }
        Motion::Shift { step_mm } => format!("move the {side} by hand about {}", way_words(step_mm * turns)),
        Motion::Tilt { .. } => format!("move the {side} by hand"),
    }
}

/// "1.2 mm to the right", for the larger of the two components, and the other where it matters.
fn way_words(way_mm: PointMm) -> String {
    let x = format!("{:.1} mm to the {}", way_mm.x.abs(), if way_mm.x < 0.0 { "left" } else { "right" });
    let y = format!("{:.1} mm {}", way_mm.y.abs(), if way_mm.y < 0.0 { "towards you" } else { "away from you" });
    match (way_mm.x.abs() >= 0.05, way_mm.y.abs() >= 0.05) {
        (true, true) => format!("{x} and {y}"),
        (false, true) => y,
        _ => x,
    }
}

/// A warning for each degree of freedom that the exact moves leave because no adjuster reaches it.
fn unreached(stand: &Stand, reach: &Reach, exact: &[f64]) -> Vec<String> {
    if stand.order.len() >= 3 {
        return Vec::new();
    }
    let left = stand.left_after(exact);
    let mut warnings = Vec::new();
    let turns = stand.adjusters.iter().any(|a| matches!(a.turn, Motion::Rotation { .. }));
    if !turns && left.theta_rad.abs() * reach.radius_mm > NOTHING_MM {
        let turned_deg = left.theta_rad.to_degrees();
        let sense = if turned_deg < 0.0 { "clockwise" } else { "anticlockwise" };
        warnings.push(format!(
            "no adjuster of this bench can take out the part's turn of {:.3}° {sense} as seen from above: it stays",
            turned_deg.abs()
        ));
    }
    let [x_mm, y_mm, _] = reach.residual_mm(&left);
    if x_mm.hypot(y_mm) > NOTHING_MM {
        let x = format!("{:.3} mm to the {}", x_mm.abs(), if x_mm < 0.0 { "left" } else { "right" });
        let y = format!("{:.3} mm {}", y_mm.abs(), if y_mm < 0.0 { "towards you" } else { "away from you" });
        warnings.push(format!("no adjuster of this bench can take out all of the part's shift: {x} and {y} stay"));
    }
    warnings
}

#[cfg(test)]
mod tests;
