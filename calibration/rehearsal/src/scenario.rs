//! The embedded default: an invented part over an invented bench.

use landfit_calibration::bench::Bench;
use landfit_calibration::bench_file;
use landfit_part::{FileError, Part, file};

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
