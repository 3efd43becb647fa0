//! `landfit calibrate undo`.

use super::super::{Ended, print_lines};
use anyhow::bail;
use landfit_calibration::{bench_file, history};
use landfit_part::Existing;
use landfit_part::text_file::{load, save};
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// Take back the last calibration: the bench file as it was before it
#[derive(clap::Args)]
pub struct Args {
    /// The bench file
    #[arg(long)]
    bench: PathBuf,
}

/// Runs the command.
pub fn run(args: &Args) -> Ended {
    print_lines(&[undo(&args.bench)?])?;
    Ok(ExitCode::SUCCESS)
}

/// Takes back the last calibration of a bench file; tells which it was.
pub fn undo(bench: &Path) -> anyhow::Result<String> {
    let file = bench.display().to_string();
    let Some(undone) = history::undone(&load(bench)?, &file)? else {
        bail!("{file}: its history holds no calibration to take back");
    };
    bench_file::parse(&undone.text, &file)?;
    save(bench, &undone.text, Existing::Replace)?;
    Ok(format!("{file} is as it was before the calibration of {} on {}", undone.what, undone.date))
}
