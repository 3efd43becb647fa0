//! The embedded default: an invented part over an invented bench.

use crate::screw::Mismatch;
use crate::simulated::SimulatedBench;
use landfit_calibration::bench::Bench;
use landfit_calibration::bench_file;
use landfit_part::{FileError, Part, Pose, file};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// The default part file, as `landfit rehearse --save` writes it.
pub const PART_TOML: &str = include_str!("../data/part.toml");

/// The default bench file.
pub const BENCH_TOML: &str = include_str!("../data/bench.toml");

/// The default part.
///
/// # Errors
/// Only if the embedded file is broken.
pub fn default_part() -> Result<Part, FileError> {
    file::parse(PART_TOML, "part.toml (embedded)")
}

/// The default bench.
///
/// # Errors
/// Only if the embedded file is broken.
pub fn default_bench() -> Result<Bench, FileError> {
    bench_file::parse(BENCH_TOML, "bench.toml (embedded)")
}

/// The default bench with the default part misplaced over its lands, by up to 0.6 mm along each axis and 3 degrees.
/// Everything random comes from `seed`.
///
/// # Errors
/// Only if the embedded file is broken.
pub fn start(seed: u64) -> Result<SimulatedBench, FileError> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let mut pose = |reach_mm: f64, reach_deg: f64| {
        let mut within = |reach: f64| rng.random_range(-reach..=reach);
        Pose::new(within(reach_mm), within(reach_mm), within(reach_deg).to_radians())
    };
    let bench_from_board = pose(0.2, 1.0);
    let bench_from_part = bench_from_board.after(&pose(0.6, 3.0));
    Ok(SimulatedBench::new(default_bench()?, bench_from_part, bench_from_board, &Mismatch::CALIBRATED, seed))
}

#[cfg(test)]
mod tests {
    use super::*;
    use landfit_part::Side;
    use landfit_vision::view::Sight;

    #[test]
    fn every_start_is_misplaced_and_wholly_in_the_picture() {
        let part = default_part().unwrap();
        for seed in 0..200 {
            let bench = start(seed).unwrap();
            for view in &bench.bench.optics.views {
                let sight = Sight::new(view, None).unwrap();
                let pose = if view.shows == Side::Part { bench.bench_from_part } else { bench.bench_from_board };
                for site in &part.sites {
                    let seen = sight.px(pose.apply(site.at_mm));
                    assert!((20.0..1260.0).contains(&seen.x) && (20.0..940.0).contains(&seen.y), "seed {seed}: {seen:?}");
                }
            }
        }
        assert_ne!(start(1).unwrap().offset(), start(2).unwrap().offset());
    }

    #[test]
    fn the_embedded_part_has_no_ball_at_a1_and_the_bench_three_adjusters() {
        assert!(default_part().unwrap().site_index("A1").is_none());
        assert_eq!(default_bench().unwrap().adjusters.len(), 3);
    }
}
