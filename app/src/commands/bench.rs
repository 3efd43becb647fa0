//! `landfit bench`

use std::process::ExitCode;

/// Make bench files
#[derive(clap::Args)]
pub struct Args {}

/// Runs the command.
pub fn run(_args: &Args) -> anyhow::Result<ExitCode> {
    anyhow::bail!("landfit bench is not there yet")
}
