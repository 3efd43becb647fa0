//! `landfit inspect`

use std::process::ExitCode;

/// Look at one plain picture of an underside or of bare lands
#[derive(clap::Args)]
pub struct Args {}

/// Runs the command.
pub fn run(_args: &Args) -> anyhow::Result<ExitCode> {
    anyhow::bail!("landfit inspect is not there yet")
}
