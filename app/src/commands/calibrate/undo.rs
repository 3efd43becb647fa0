//! `landfit calibrate undo`.

use super::super::{Ended, print_lines};
use anyhow::bail;
use landfit_calibration::{bench_file, history};
use landfit_part::Existing;
use landfit_part::text_file::{load, save};
use std::path::PathBuf;
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
    let file = args.bench.display().to_string();
    let Some(undone) = history::undone(&load(&args.bench)?, &file)? else {
        bail!("{file}: its history holds no calibration to take back");
    };
    bench_file::parse(&undone.text, &file)?;
    save(&args.bench, &undone.text, Existing::Replace)?;
    print_lines(&[format!("{file} is as it was before the calibration of {} on {}", undone.what, undone.date)])?;
    Ok(ExitCode::SUCCESS)
}
