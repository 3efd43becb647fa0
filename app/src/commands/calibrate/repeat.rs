//! `landfit calibrate repeat`: N pictures of one untouched set-up.

use super::super::{Ended, calibrated, print_json, print_lines};
use super::bench_edit::BenchEdit;
use super::shots;
use anyhow::{Context, bail};
use landfit_part::Side;
use landfit_stats::gauge::repeatability;
use landfit_vision::answer::Outcome;
use serde_json::json;
use std::path::PathBuf;
use std::process::ExitCode;

/// Measure one untouched set-up again and again: how much the offset scatters, with Cg and Cgk
#[derive(clap::Args)]
pub struct Args {
    /// The pictures; of a bench with several exposures, one after the other for every repeat
    #[arg(required = true)]
    pictures: Vec<PathBuf>,
    /// The bench file
    #[arg(long)]
    bench: PathBuf,
    /// The part file
    #[arg(long)]
    part: PathBuf,
    /// Full width of the tolerance, mm; twice the part's allowance where it is left out
    #[arg(long, value_name = "MM")]
    tolerance: Option<f64>,
    /// What the offset's x and y really are, mm, where that is known: for Cgk
    #[arg(long, value_name = "X,Y", value_delimiter = ',', num_args = 1, allow_hyphen_values = true)]
    reference: Vec<f64>,
    /// Print one JSON object instead of sentences
    #[arg(long)]
    json: bool,
}

/// Runs the command.
pub fn run(args: &Args) -> Ended {
    let edit = BenchEdit::open(&args.bench)?;
    let part = landfit_part::file::read(&args.part)?;
    if !args.reference.is_empty() && args.reference.len() != 2 {
        bail!("--reference: write two numbers of mm, as in 0.012,-0.005");
    }
    let pictures = shots::read(&edit, &args.pictures)?;
    calibrated::check_format(&edit.record, &args.pictures, &pictures)?;
    let exposures = edit.bench.optics.exposures();
    if !pictures.len().is_multiple_of(exposures) {
        bail!(
            "this bench takes {exposures} pictures for every measurement, one of each exposure, and was given {} in all: give every measurement its own",
            pictures.len()
        );
    }
    let mut offsets = Vec::new();
    for (i, set) in pictures.chunks(exposures).enumerate() {
        let name = args.pictures[i * exposures].display();
        let alignment = landfit_vision::align(set, &part, &edit.bench.optics).with_context(|| format!("{name}"))?;
        match alignment.outcome {
            Outcome::Fit(fit) => offsets.push([fit.offset.x_mm, fit.offset.y_mm, fit.offset.theta_rad.to_degrees()]),
            Outcome::Refused(refusal) => bail!("{name} gives no offset: {}", refusal.text),
        }
    }
    let allowance = part.allowance().miss_mm;
    let tolerance = args.tolerance.unwrap_or(2.0 * allowance);
    let radius_mm = part.sites.iter().map(|s| s.centre_mm(Side::Part).norm()).fold(1e-3, f64::max);
    let mut lines = Vec::new();
    let mut rows = Vec::new();
    for (k, (axis, unit)) in [("x", "mm"), ("y", "mm"), ("theta", "degrees")].into_iter().enumerate() {
        let values: Vec<f64> = offsets.iter().map(|o| o[k]).collect();
        // A turn counts by what it does at the farthest site.
        let width = if k == 2 { (tolerance / radius_mm).to_degrees() } else { tolerance };
        let r = repeatability(&values, width, args.reference.get(k).copied()).context(axis)?;
        let cgk = r.cgk.map_or_else(String::new, |c| format!(", Cgk {c:.2}"));
        lines.push(format!("{axis:<6} mean {:+.5} {unit}, standard deviation {:.6}, Cg {:.2}{cgk}", r.mean, r.sd, r.cg));
        rows.push(json!({"axis": axis, "mean": r.mean, "sd": r.sd, "cg": r.cg, "cgk": r.cgk, "n": r.n}));
    }
    let warnings = calibrated::warnings(&edit.record);
    lines.extend(warnings.iter().map(|w| format!("Note: {w}")));
    lines.push(format!("{} measurements, tolerance {tolerance:.4} mm wide; Cg and Cgk should be at least 1.33", offsets.len()));
    if args.json {
        print_json(&json!({"schema": 1, "tolerance_mm": tolerance, "rows": rows, "warnings": warnings}))?;
    } else {
        print_lines(&lines)?;
    }
    Ok(ExitCode::SUCCESS)
}
