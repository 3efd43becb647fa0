//! The marked picture: what was found, and how far each site is off.

use crate::commands::align::Answer;
use landfit_calibration::bench::Bench;
use landfit_part::Part;
use landfit_vision::Picture;
use std::path::Path;

/// Writes the marked picture as PNG, whole or not at all; exposures stand side by side.
///
/// # Errors
/// When the file cannot be written; the sentence names it.
pub fn write(_path: &Path, _shots: &[Picture], _answer: &Answer, _part: &Part, _bench: &Bench) -> anyhow::Result<()> {
    anyhow::bail!("--overlay is not there yet")
}
