//! A full run evaluated after ISO 230-2: five targets or more, each approached five times or more either way.

use super::{Approach, Stop};
use landfit_stats::StatsError;
use landfit_stats::positioning::{Positioning, Target, evaluate};

/// Readings closer than this are the same target, turns: less than any division.
const SAME_TARGET_TURNS: f64 = 0.004;

/// Evaluates the deviations of a run (mm or radians, as given) after the standard. Stops named in `left_out` do not count.
///
/// # Errors
/// A run that is not full: fewer than five targets, or fewer than five approaches of each either way.
pub fn evaluate_run(stops: &[Stop], deviations: &[f64], left_out: &[usize]) -> Result<Positioning, StatsError> {
    let mut order: Vec<usize> = (0..stops.len()).filter(|i| !left_out.contains(i)).collect();
    order.sort_by(|a, b| stops[*a].reading_turns.total_cmp(&stops[*b].reading_turns));
    let mut targets: Vec<Target> = Vec::new();
    for i in order {
        let reading = stops[i].reading_turns;
        if targets.last().is_none_or(|t| (reading - t.position).abs() > SAME_TARGET_TURNS) {
            targets.push(Target { position: reading, ..Target::default() });
        }
        if let Some(target) = targets.last_mut() {
            match stops[i].approach {
                Approach::Up => target.up.push(deviations[i]),
                Approach::Down => target.down.push(deviations[i]),
            }
        }
    }
    evaluate(&targets)
}
