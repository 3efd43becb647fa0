//! `landfit align`

use std::process::ExitCode;

/// Measure the offset of a part over its lands from the pictures of a bench
#[derive(clap::Args)]
pub struct Args {}

/// Runs the command.
pub fn run(_args: &Args) -> anyhow::Result<ExitCode> {
    anyhow::bail!("landfit align is not there yet")
}
