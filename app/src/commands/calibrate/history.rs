//! `landfit calibrate history`.

use super::super::{Ended, print_lines};
use super::bench_edit::BenchEdit;
use std::path::PathBuf;
use std::process::ExitCode;

/// Tell what was calibrated and checked, when and with what
#[derive(clap::Args)]
pub struct Args {
    /// The bench file
    #[arg(long)]
    bench: PathBuf,
}

/// Runs the command.
pub fn run(args: &Args) -> Ended {
    let entries = BenchEdit::open(&args.bench)?.history()?;
    let mut lines = Vec::new();
    for e in &entries {
        let ruler = if e.ruler.is_empty() { String::new() } else { format!(", ruler: {}", e.ruler) };
        let pictures = if e.pictures.is_empty() { String::new() } else { format!(", {} pictures", e.pictures.len()) };
        lines.push(format!("{}  {}{ruler}{pictures}", e.date, e.what));
        let figures: Vec<String> = e.figures.iter().map(|(k, v)| format!("{k} {v:.5}")).collect();
        if !figures.is_empty() {
            lines.push(format!("    {}", figures.join(", ")));
        }
    }
    if lines.is_empty() {
        lines.push("nothing was calibrated yet".to_owned());
    }
    print_lines(&lines)?;
    Ok(ExitCode::SUCCESS)
}
