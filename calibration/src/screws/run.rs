//! The readings to set: planned so that travel, play and once-per-turn error can be told apart.

use super::Approach;
use super::reading::Thimble;

/// How much of a run.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Extent {
    /// Ten readings up and down again, 20 pictures: no repeatability after the standard.
    Short,
    /// Five targets, five runs, both ways: what ISO 230-2 asks for at least.
    Full,
}

/// A reading to set, and how to come to it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Planned {
    /// Turns.
    pub reading_turns: f64,
    /// Come to it so.
    pub approach: Approach,
}

/// Stops of a short run one way.
const SHORT_STOPS: usize = 10;
/// Targets and runs of a full one.
const FULL_TARGETS: usize = 5;
const FULL_RUNS: usize = 5;

/// Plans the stops of a run between two readings, in turns, at readings that the thimble can show.
///
/// The stops move on round the turn by the golden section, so that no few of them share a place of the turn.
#[must_use]
pub fn plan(extent: Extent, from_turns: f64, to_turns: f64, thimble: &Thimble) -> Vec<Planned> {
    let (low, high) = (from_turns.min(to_turns), from_turns.max(to_turns));
    let stops = match extent {
        Extent::Short => readings(SHORT_STOPS, low, high, thimble),
        Extent::Full => readings(FULL_TARGETS, low, high, thimble),
    };
    let up = stops.iter().map(|t| Planned { reading_turns: *t, approach: Approach::Up });
    let down = stops.iter().rev().map(|t| Planned { reading_turns: *t, approach: Approach::Down });
    let once: Vec<Planned> = up.chain(down).collect();
    let runs = if extent == Extent::Full { FULL_RUNS } else { 1 };
    (0..runs).flat_map(|_| once.clone()).collect()
}

/// Evenly spread readings, each moved to the next golden-section place of the turn where the spacing allows it.
fn readings(count: usize, low: f64, high: f64, thimble: &Thimble) -> Vec<f64> {
    const GOLDEN: f64 = 0.618_033_988_749_895;
    let spacing = (high - low) / count.max(2) as f64;
    let step = thimble.division_turns();
    (0..count)
        .map(|i| {
            let even = low + spacing * (i as f64 + 0.5);
            let phase = (GOLDEN * (i as f64 + 0.5)).fract();
            // The nearest reading with that phase, if it keeps the order of the stops.
            let moved = (even - phase).round() + phase - even;
            let wanted = even + moved.clamp(-0.45 * spacing, 0.45 * spacing);
            ((wanted / step).round() * step).clamp(low, high)
        })
        .collect()
}

/// In words, what a short run cannot give.
pub const SHORT_RUN_CANNOT: &str =
    "a short run: no repeatability and accuracy after ISO 230-2 (that takes a full one: 5 targets, 5 runs, both ways)";
