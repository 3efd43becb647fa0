//! `landfit part`

use std::process::ExitCode;

/// Make and show part files
#[derive(clap::Args)]
pub struct Args {}

/// Runs the command.
pub fn run(_args: &Args) -> anyhow::Result<ExitCode> {
    anyhow::bail!("landfit part is not there yet")
}
