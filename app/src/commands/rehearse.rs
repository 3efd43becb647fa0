//! `landfit rehearse`

use std::process::ExitCode;

/// Rehearse the whole job on a simulated bench
#[derive(clap::Args)]
pub struct Args {}

/// Runs the command.
pub fn run(_args: &Args) -> anyhow::Result<ExitCode> {
    anyhow::bail!("landfit rehearse is not there yet")
}
