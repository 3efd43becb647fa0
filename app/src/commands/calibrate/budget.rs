//! `landfit calibrate budget`: what makes an offset uncertain.

use super::super::{Ended, print_json, print_lines};
use super::bench_edit::BenchEdit;
use super::shots;
use anyhow::{Context, bail};
use landfit_calibration::budget::{Poses, budget};
use landfit_vision::answer::Outcome;
use serde_json::json;
use std::path::PathBuf;
use std::process::ExitCode;

/// Tell what makes the offset of these pictures uncertain, largest first, and what would make it smaller
#[derive(clap::Args)]
pub struct Args {
    /// The pictures, in the order of exposure
    #[arg(required = true)]
    pictures: Vec<PathBuf>,
    /// The part file
    #[arg(long)]
    part: PathBuf,
    /// The bench file
    #[arg(long)]
    bench: PathBuf,
    /// Print one JSON object instead of sentences
    #[arg(long)]
    json: bool,
}

/// Runs the command.
pub fn run(args: &Args) -> Ended {
    let edit = BenchEdit::open(&args.bench)?;
    let part = landfit_part::file::read(&args.part)?;
    let pictures = shots::read(&edit, &args.pictures)?;
    let alignment =
        landfit_vision::align(&pictures, &part, &edit.bench.optics).with_context(|| format!("{}", args.pictures[0].display()))?;
    let fit = match alignment.outcome {
        Outcome::Fit(fit) => fit,
        Outcome::Refused(refusal) => bail!("{} gives no offset: {}", args.pictures[0].display(), refusal.text),
    };
    let poses = Poses { bench_from_part: fit.bench_from_part, bench_from_board: fit.bench_from_board };
    let b = budget(&fit.covariance, &poses, &part, &edit.bench.optics, &edit.record);
    let u = |c: &nalgebra::Matrix3<f64>| [0, 1, 2].map(|i| c[(i, i)].max(0.0).sqrt());
    let row = |name: &str, [x, y, t]: [f64; 3]| format!("{name:<34}{:>9.3}{:>9.3}{:>11.5}", 1e3 * x, 1e3 * y, t.to_degrees());
    let mut lines = vec![format!("{:<34}{:>9}{:>9}{:>11}", "standard uncertainty of", "x, µm", "y, µm", "theta, deg")];
    lines.extend(b.contributions.iter().map(|c| row(c.source.words(), u(&c.covariance))));
    lines.push(row("all together (k = 1)", u(&b.covariance)));
    lines.push(row("half-width of the interval (k = 2)", u(&b.covariance).map(|v| 2.0 * v)));
    for source in &b.unstated {
        lines.push(format!("not stated in the bench file, counted as nothing: {}", source.words()));
    }
    if let Some(first) = b.contributions.first() {
        lines.push(format!("most is gained by: {}", first.source.mend()));
    }
    if args.json {
        let rows: Vec<_> = b
            .contributions
            .iter()
            .map(|c| {
                let [x, y, t] = u(&c.covariance);
                json!({"source": c.source.words(), "u_x_mm": x, "u_y_mm": y, "u_theta_deg": t.to_degrees(), "mend": c.source.mend()})
            })
            .collect();
        let [x, y, t] = u(&b.covariance);
        let unstated: Vec<_> = b.unstated.iter().map(|s| s.words()).collect();
        print_json(
            &json!({"schema": 1, "contributions": rows, "u_x_mm": x, "u_y_mm": y, "u_theta_deg": t.to_degrees(), "unstated": unstated}),
        )?;
    } else {
        print_lines(&lines)?;
    }
    Ok(ExitCode::SUCCESS)
}
