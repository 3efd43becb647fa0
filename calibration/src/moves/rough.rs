//! About how far to turn the shifting adjusters so that one side comes into view: a hint where no picture settles a plan.

use crate::bench::{Adjuster, Motion};
use landfit_part::{PointMm, Side};
use nalgebra::{Matrix2, Vector2};

/// Adjusters that leave more than this share of the way undone do not go that way.
const MOST_LEFT_SHARE: f64 = 0.3;
/// Of more than two adjusters a pair that stands squarer than this cosine goes any way.
const SKEWED_COSINE: f64 = 0.9;

/// Turns, clockwise positive, of adjusters (by index) that move `side` by about `by_mm` (bench frame). Empty where none of them
/// moves it that way. Play and ends of travel are not looked at.
#[must_use]
pub fn rough_turns(side: Side, by_mm: PointMm, adjusters: &[Adjuster]) -> Vec<(usize, f64)> {
    let steps: Vec<(usize, PointMm)> = adjusters
        .iter()
        .enumerate()
        .filter(|(_, a)| a.carries == side)
        .filter_map(|(i, a)| match a.turn {
            Motion::Shift { step_mm } if step_mm.norm() > 0.0 => Some((i, step_mm)),
            _ => None,
        })
        .collect();
    let pair = steps.iter().enumerate().find_map(|(n, a)| {
        let square = |b: &&(usize, PointMm)| (a.1.x * b.1.x + a.1.y * b.1.y).abs() < SKEWED_COSINE * a.1.norm() * b.1.norm();
        steps[n + 1..].iter().find(square).map(|b| [*a, *b])
    });
    if let Some([a, b]) = pair {
        let inverse = Matrix2::new(a.1.x, b.1.x, a.1.y, b.1.y).try_inverse();
        return inverse.map_or_else(Vec::new, |inverse| {
            let turns = inverse * Vector2::new(by_mm.x, by_mm.y);
            vec![(a.0, turns.x), (b.0, turns.y)]
        });
    }
    let Some((adjuster, step)) = steps.first() else { return Vec::new() };
    let turns = (step.x * by_mm.x + step.y * by_mm.y) / step.norm().powi(2);
    let left = by_mm - *step * turns;
    if left.norm() > MOST_LEFT_SHARE * by_mm.norm() { Vec::new() } else { vec![(*adjuster, turns)] }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bench_file;

    fn adjusters() -> Vec<Adjuster> {
        bench_file::read(std::path::Path::new(concat!(env!("CARGO_MANIFEST_DIR"), "/../demo-images/benches/rotation-under-board.toml")))
            .expect("a demo bench")
            .adjusters
    }

    #[test]
    fn the_screws_of_a_side_move_it_where_it_should_go() {
        let adjusters = adjusters();
        let by_mm = PointMm::new(2.4, -1.1);
        let turns = rough_turns(Side::Board, by_mm, &adjusters);
        let moved = turns.iter().fold(PointMm::ZERO, |sum, (i, turns)| match adjusters[*i].turn {
            Motion::Shift { step_mm } => sum + step_mm * *turns,
            _ => sum,
        });
        assert!(turns.len() == 2 && moved.distance(by_mm) < 1e-9, "{turns:?}");
        assert!(rough_turns(Side::Part, by_mm, &adjusters).is_empty(), "its screws carry the board");
    }

    #[test]
    fn one_screw_is_told_only_along_its_own_way() {
        let one: Vec<Adjuster> =
            adjusters().into_iter().filter(|a| matches!(a.turn, Motion::Shift { step_mm } if step_mm.x.abs() > step_mm.y.abs())).collect();
        assert_eq!(one.len(), 1);
        assert_eq!(rough_turns(Side::Board, PointMm::new(2.0, 0.1), &one).len(), 1);
        assert!(rough_turns(Side::Board, PointMm::new(0.2, 2.0), &one).is_empty());
    }
}
