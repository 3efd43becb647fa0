//! Accuracy and repeatability of positioning of an axis, after ISO 230-2:2014. The definitions are cited from memory; a public
//! motion-test report (tests/check-values/iso230_2_example.json) serves as the example.

use crate::{StatsError, all_numbers, mean, standard_deviation};

/// What was measured at one target position: deviations from the target, one for each approach.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Target {
    /// Where the axis was sent.
    pub position: f64,
    /// Deviations when approached in the positive sense.
    pub up: Vec<f64>,
    /// Deviations when approached in the negative sense.
    pub down: Vec<f64>,
}

/// What one target comes to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AtTarget {
    /// Where the axis was sent.
    pub position: f64,
    /// Mean deviation, approached in the positive and in the negative sense.
    pub mean: [f64; 2],
    /// Standard deviation likewise.
    pub sd: [f64; 2],
    /// Reversal value B_i: mean up less mean down.
    pub reversal: f64,
    /// Mean bidirectional deviation.
    pub mean_both: f64,
    /// Bidirectional repeatability R_i = max(2 s↑ + 2 s↓ + |B_i|, 4 s↑, 4 s↓).
    pub repeatability: f64,
}

/// What the axis comes to.
#[derive(Debug, Clone, PartialEq)]
pub struct Positioning {
    /// Target by target.
    pub targets: Vec<AtTarget>,
    /// Reversal value B: the largest |B_i|.
    pub reversal: f64,
    /// Mean reversal value.
    pub mean_reversal: f64,
    /// Unidirectional repeatability R↑ and R↓: the largest 4 s.
    pub repeatability_one_way: [f64; 2],
    /// Bidirectional repeatability R: the largest R_i.
    pub repeatability: f64,
    /// Systematic deviation E↑ and E↓.
    pub systematic_one_way: [f64; 2],
    /// Bidirectional systematic deviation E.
    pub systematic: f64,
    /// Mean bidirectional deviation M.
    pub mean_bidirectional: f64,
    /// Accuracy A↑ and A↓.
    pub accuracy_one_way: [f64; 2],
    /// Bidirectional accuracy A.
    pub accuracy: f64,
}

/// The least the standard takes: so many targets, and so many approaches each way.
pub const LEAST_TARGETS: usize = 5;
/// See [`LEAST_TARGETS`].
pub const LEAST_RUNS: usize = 5;

/// Evaluates a full test: at least five targets, each approached at least five times either way.
///
/// # Errors
/// Fewer targets or approaches, and deviations that are no numbers.
pub fn evaluate(targets: &[Target]) -> Result<Positioning, StatsError> {
    if targets.len() < LEAST_TARGETS {
        return Err(StatsError::TooFew { what: "target positions", needed: LEAST_TARGETS, given: targets.len() });
    }
    let fewest = targets.iter().map(|t| t.up.len().min(t.down.len())).min().unwrap_or(0);
    if fewest < LEAST_RUNS {
        return Err(StatsError::TooFew { what: "approaches of every target in each sense", needed: LEAST_RUNS, given: fewest });
    }
    all_numbers(targets.iter().flat_map(|t| t.up.iter().chain(&t.down)))?;
    let at: Vec<AtTarget> = targets.iter().map(at_target).collect();
    let extent = |values: &mut dyn Iterator<Item = f64>| {
        let (lo, hi) = values.fold((f64::INFINITY, f64::NEG_INFINITY), |(lo, hi), v| (lo.min(v), hi.max(v)));
        hi - lo
    };
    let largest = |of: &dyn Fn(&AtTarget) -> f64| at.iter().map(of).fold(0.0, f64::max);
    let band = |way: usize| at.iter().flat_map(move |t| [t.mean[way] + 2.0 * t.sd[way], t.mean[way] - 2.0 * t.sd[way]]);
    Ok(Positioning {
        reversal: largest(&|t| t.reversal.abs()),
        mean_reversal: mean(&at.iter().map(|t| t.reversal).collect::<Vec<_>>()),
        repeatability_one_way: [0, 1].map(|way| largest(&|t| 4.0 * t.sd[way])),
        repeatability: largest(&|t| t.repeatability),
        systematic_one_way: [0, 1].map(|way| extent(&mut at.iter().map(|t| t.mean[way]))),
        systematic: extent(&mut at.iter().flat_map(|t| t.mean)),
        mean_bidirectional: extent(&mut at.iter().map(|t| t.mean_both)),
        accuracy_one_way: [0, 1].map(|way| extent(&mut band(way))),
        accuracy: extent(&mut band(0).chain(band(1))),
        targets: at,
    })
}

fn at_target(target: &Target) -> AtTarget {
    let means = [mean(&target.up), mean(&target.down)];
    let sd = [standard_deviation(&target.up), standard_deviation(&target.down)];
    let reversal = means[0] - means[1];
    AtTarget {
        position: target.position,
        mean: means,
        sd,
        reversal,
        mean_both: (means[0] + means[1]) / 2.0,
        repeatability: (2.0 * sd[0] + 2.0 * sd[1] + reversal.abs()).max(4.0 * sd[0]).max(4.0 * sd[1]),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_short_run_is_no_full_test() {
        let target = Target { position: 0.0, up: vec![0.0; 5], down: vec![0.0; 5] };
        assert!(evaluate(&vec![target.clone(); 4]).is_err());
        let short = Target { down: vec![0.0; 4], ..target.clone() };
        assert!(evaluate(&[target.clone(), target.clone(), target.clone(), target.clone(), short]).is_err());
        assert!(evaluate(&vec![target; 5]).is_ok());
    }

    #[test]
    fn an_axis_with_play_alone_has_that_reversal_and_no_spread() {
        let targets: Vec<Target> = (0..5).map(|i| Target { position: f64::from(i), up: vec![0.001; 5], down: vec![-0.002; 5] }).collect();
        let p = evaluate(&targets).expect("a full test");
        assert!((p.reversal - 0.003).abs() < 1e-12 && (p.mean_reversal - 0.003).abs() < 1e-12);
        assert!((p.repeatability - 0.003).abs() < 1e-12 && (p.accuracy - 0.003).abs() < 1e-12);
        assert!(p.repeatability_one_way[0].abs() < 1e-12 && p.mean_bidirectional.abs() < 1e-12);
    }
}
