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

/// A bench to rehearse on, with a part that fits its picture: the texts of their files.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Setting {
    /// What it is called on the command line.
    pub name: &'static str,
    /// The part file.
    pub part_toml: &'static str,
    /// The bench file.
    pub bench_toml: &'static str,
}

/// The part of the four benches, small as their pictures are.
const SMALL_PART_TOML: &str = include_str!("../../../demo-images/benches/part.toml");

/// The default.
pub const DEFAULT: Setting = Setting { name: "amber-and-cyan", part_toml: PART_TOML, bench_toml: BENCH_TOML };

/// Four more benches, each with other adjusters.
pub const BENCHES: [Setting; 4] = [
    Setting {
        name: "rotation-under-board",
        part_toml: SMALL_PART_TOML,
        bench_toml: include_str!("../../../demo-images/benches/rotation-under-board.toml"),
    },
    Setting {
        name: "all-on-the-part",
        part_toml: SMALL_PART_TOML,
        bench_toml: include_str!("../../../demo-images/benches/all-on-the-part.toml"),
    },
    Setting { name: "bare-knobs", part_toml: SMALL_PART_TOML, bench_toml: include_str!("../../../demo-images/benches/bare-knobs.toml") },
    Setting {
        name: "inch-thimbles",
        part_toml: SMALL_PART_TOML,
        bench_toml: include_str!("../../../demo-images/benches/inch-thimbles.toml"),
    },
];

impl Setting {
    /// The default, then the other benches.
    pub fn all() -> impl Iterator<Item = Self> {
        std::iter::once(DEFAULT).chain(BENCHES)
    }

    /// The setting called `name`.
    #[must_use]
    pub fn named(name: &str) -> Option<Self> {
        Self::all().find(|s| s.name == name)
    }

    /// Its part.
    ///
    /// # Errors
    /// Only if the embedded file is broken.
    pub fn part(&self) -> Result<Part, FileError> {
        file::parse(self.part_toml, "part.toml (embedded)")
    }

    /// Its bench.
    ///
    /// # Errors
    /// Only if the embedded file is broken.
    pub fn bench(&self) -> Result<Bench, FileError> {
        bench_file::parse(self.bench_toml, &format!("{}.toml (embedded)", self.name))
    }

    /// Its bench with its part misplaced over its lands, by up to 0.6 mm along each axis and 3 degrees.
    /// Everything random comes from `seed`.
    ///
    /// # Errors
    /// Only if an embedded file is broken.
    pub fn start(&self, seed: u64) -> Result<SimulatedBench, FileError> {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let mut pose = |reach_mm: f64, reach_deg: f64| {
            let mut within = |reach: f64| rng.random_range(-reach..=reach);
            Pose::new(within(reach_mm), within(reach_mm), within(reach_deg).to_radians())
        };
        let bench_from_board = pose(0.2, 1.0);
        let bench_from_part = bench_from_board.after(&pose(0.6, 3.0));
        Ok(SimulatedBench::new(self.bench()?, bench_from_part, bench_from_board, &Mismatch::CALIBRATED, seed))
    }
}

/// The default part.
///
/// # Errors
/// Only if the embedded file is broken.
pub fn default_part() -> Result<Part, FileError> {
    DEFAULT.part()
}

/// The default bench.
///
/// # Errors
/// Only if the embedded file is broken.
pub fn default_bench() -> Result<Bench, FileError> {
    DEFAULT.bench()
}

/// The default bench with the default part misplaced over its lands, by up to 0.6 mm along each axis and 3 degrees.
/// Everything random comes from `seed`.
///
/// # Errors
/// Only if the embedded file is broken.
pub fn start(seed: u64) -> Result<SimulatedBench, FileError> {
    DEFAULT.start(seed)
}

#[cfg(test)]
mod tests {
    use super::*;
    use landfit_part::Side;
    use landfit_vision::view::Sight;

    #[test]
    fn every_start_is_misplaced_and_wholly_in_the_picture() {
        for setting in std::iter::once(DEFAULT).chain(BENCHES) {
            let part = setting.part().unwrap();
            for seed in 0..100 {
                let bench = setting.start(seed).unwrap();
                let [width, height] = bench.bench.optics.frame.size_px.map(f64::from);
                for view in &bench.bench.optics.views {
                    let sight = Sight::new(view, None).unwrap();
                    let pose = if view.shows == Side::Part { bench.bench_from_part } else { bench.bench_from_board };
                    for site in &part.sites {
                        let seen = sight.px(pose.apply(site.at_mm));
                        let inside = (14.0..width - 14.0).contains(&seen.x) && (14.0..height - 14.0).contains(&seen.y);
                        assert!(inside, "{} seed {seed}: {seen:?}", setting.name);
                    }
                }
            }
        }
        assert_ne!(start(1).unwrap().offset(), start(2).unwrap().offset());
    }

    #[test]
    fn the_four_benches_are_what_their_names_say() {
        use landfit_calibration::bench::{Motion, Reads};
        let [under, on_part, bare, inch] = BENCHES.map(|s| s.bench().unwrap().adjusters);
        assert!(under.iter().all(|a| a.carries == Side::Board) && under[2].rides_on.is_some());
        assert!(on_part.iter().all(|a| a.carries == Side::Part) && on_part.len() == 3);
        assert!(bare[..2].iter().all(|a| a.reads == Reads::None) && bare[2].reads == Reads::Steps);
        assert!(inch[..2].iter().all(|a| a.divisions == Some(25) && a.scale.unit == "in"));
        assert!(inch.iter().any(|a| matches!(a.turn, Motion::Tilt { .. })));
    }

    #[test]
    fn the_embedded_part_has_no_ball_at_a1_and_the_bench_three_adjusters() {
        assert!(default_part().unwrap().site_index("A1").is_none());
        assert_eq!(default_bench().unwrap().adjusters.len(), 3);
    }
}
