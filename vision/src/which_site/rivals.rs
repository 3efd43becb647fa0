//! The decision rule: the odds of a seating against chance, and against every other seating that the pattern can tell apart.

use super::pattern::{Kind, Pattern};
use landfit_part::{PointMm, Pose, wrap_angle_rad};
use rustc_hash::FxHashMap;
use std::f64::consts::FRAC_PI_2;

/// Another way to lay the pattern.
#[derive(Debug, Clone, Copy)]
pub struct Rival {
    /// Log odds of the best seating against this one.
    pub margin: f64,
    /// In what it differs.
    pub differs: Difference,
    /// Where it lays the pattern; for a mirror image that of the pattern before mirroring.
    pub bench_from_pattern: Pose,
}

/// In what a rival seating differs from the best.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Difference {
    /// Shifted, by a pitch as a rule.
    Shift,
    /// Turned by quarter turns.
    Turn,
    /// The pattern's mirror image.
    Mirror,
    /// The same pattern again, elsewhere, about as near to the other side's.
    Copy,
    /// Another thing that stands as evenly, among its features.
    Thing,
}

/// Of the sites in view, how many are judged and how many show a feature.
#[derive(Debug, Clone, Copy)]
pub(super) struct Count {
    pub seen: usize,
    pub expected: usize,
}

impl Count {
    pub(super) fn of(glances: impl Iterator<Item = Option<bool>>) -> Self {
        let mut count = Self { seen: 0, expected: 0 };
        for is_seen in glances.flatten() {
            count.expected += 1;
            count.seen += usize::from(is_seen);
        }
        count
    }
}

/// How likely a site shows its feature, and how likely a feature lies at a place by chance.
#[derive(Debug, Clone, Copy)]
pub(super) struct Odds {
    pub seen: f64,
    pub chance: f64,
}

impl Odds {
    pub(super) fn log(&self, count: Count) -> f64 {
        let unseen = count.expected - count.seen;
        count.seen as f64 * (self.seen / self.chance).ln() + unseen as f64 * ((1.0 - self.seen) / (1.0 - self.chance)).ln()
    }
}

/// Of rivals as strong as each other the first.
pub(super) fn strongest(rivals: Vec<Rival>) -> Option<Rival> {
    rivals.into_iter().min_by(|a, b| a.margin.total_cmp(&b.margin))
}

/// The other seatings that matter most: a step to a neighbour, each turn and mirror image that the pattern can tell apart,
/// those with a step, and whatever else the vote proposed.
pub(super) fn rivals(
    pattern: &Pattern,
    pose: &Pose,
    hypotheses: &[Pose],
    glance: &impl Fn(PointMm, Kind) -> Option<bool>,
    odds: &Odds,
    best_odds: f64,
) -> Vec<Rival> {
    // Rivals on the same lattice ask for the same places again and again.
    let mut known: FxHashMap<(i32, i32, u16, i32), Option<bool>> = FxHashMap::default();
    let step_mm = 0.1 * pattern.nearness_mm;
    let bench_from_pattern = pose.motion();
    let mut glance_once = |place: PointMm, kind: Kind| {
        let turn = if kind.period_rad > 0.0 { (kind.angle_rad.rem_euclid(kind.period_rad) / 0.1) as i32 } else { 0 };
        let key = ((place.x / step_mm).round() as i32, (place.y / step_mm).round() as i32, kind.class, turn);
        *known.entry(key).or_insert_with(|| glance(bench_from_pattern.apply(place), kind.turned(pose.theta_rad)))
    };
    let mut all: Vec<Rival> = Vec::new();
    let mut consider = |log_odds: f64, differs: Difference, bench_from_pattern: Pose| {
        all.push(Rival { margin: best_odds - log_odds, differs, bench_from_pattern });
    };
    for step in pattern.near_steps() {
        for turn in pattern.quarter_turns() {
            let is_same_turn = pattern.same.iter().any(|s| (wrap_angle_rad(s.theta_rad - turn.theta_rad)).abs() < 1e-6);
            let is_zero = step == PointMm::ZERO;
            let moved = Pose::new(turn.x_mm + step.x, turn.y_mm + step.y, turn.theta_rad);
            if !is_same_turn || (turn.theta_rad == 0.0 && !is_zero) {
                let differs = if is_same_turn { Difference::Shift } else { Difference::Turn };
                let count = Count::of(pattern.laid_by(&moved).map(|(at, kind)| glance_once(at, kind)));
                consider(odds.log(count), differs, pose.after(&moved));
            }
            if !pattern.mirror_is_same {
                let motion = moved.motion();
                let mirrored = |(c, k): (PointMm, Kind)| (motion.apply(pattern.mirror(c)), k.mirrored().turned(moved.theta_rad));
                let count = Count::of(pattern.sites().map(mirrored).map(|(c, k)| glance_once(c, k)));
                consider(odds.log(count), Difference::Mirror, pose.after(&moved));
            }
        }
    }
    let pattern_from_bench = pose.inverse();
    for other in hypotheses {
        let difference = pattern_from_bench.after(other);
        let looks_same = pattern.same.iter().any(|s| {
            let rest = s.inverse().after(&difference);
            rest.apply(pattern.centroid_mm).distance(pattern.centroid_mm) < 0.5 * pattern.pitch_mm && rest.theta_rad.abs() < 0.2
        });
        if !looks_same {
            let turned = (difference.theta_rad / FRAC_PI_2).round() != 0.0;
            let log_odds = odds.log(Count::of(pattern.laid_by(other).map(|(at, kind)| glance(at, kind))));
            consider(log_odds, if turned { Difference::Turn } else { Difference::Shift }, *other);
        }
    }
    all
}
