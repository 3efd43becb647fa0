//! `landfit calibrate practice`: a simulated bench to calibrate.

use super::super::{Ended, print_lines};
use landfit_rehearsal::practice::write;
use std::path::PathBuf;
use std::process::ExitCode;

/// Leave the pictures of a simulated bench in a folder, to practise calibration on
///
/// The bench file is off in everything: scale, lens, screws, play. One reading of a run is noted wrongly. Follow "First calibration" in
/// README.
#[derive(clap::Args)]
pub struct Args {
    /// The folder
    #[arg(long, value_name = "DIR", default_value = "landfit-practice")]
    out: PathBuf,
    /// Where everything random comes from
    #[arg(long, value_name = "N", default_value_t = 1)]
    seed: u64,
}

/// Runs the command.
pub fn run(args: &Args) -> Ended {
    let written = write(&args.out, args.seed)?;
    let mut lines: Vec<String> = written.iter().map(|p| format!("wrote {}", p.display())).collect();
    lines.push("next: landfit calibrate scale with the pictures target-1.png to target-4.png".to_owned());
    print_lines(&lines)?;
    Ok(ExitCode::SUCCESS)
}
