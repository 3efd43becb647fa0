//! `landfit calibrate budget`: what makes an offset uncertain.

use super::super::{Ended, calibrated, print_json, print_lines};
use super::bench_edit::BenchEdit;
use super::shots;
use anyhow::{Context, bail};
use landfit_calibration::budget::{Poses, Source, budget};
use landfit_part::{Part, Pose};
use landfit_vision::answer::Outcome;
use nalgebra::Matrix3;
use serde_json::json;
use std::path::PathBuf;
use std::process::ExitCode;

/// Tell what makes an offset uncertain, largest first, and what would make it smaller
///
/// With the pictures of an alignment it is that offset's; without, that of the part in the middle of the field, the pictures' own noise
/// left out.
#[derive(clap::Args)]
pub struct Args {
    /// The pictures of an alignment, in the order of exposure
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

/// Half of the last digit that is printed: mm, mm, rad.
const SHOWN: [f64; 3] = [5e-7, 5e-7, 8.7e-8];

/// Runs the command.
pub fn run(args: &Args) -> Ended {
    let edit = BenchEdit::open(&args.bench)?;
    let part = landfit_part::file::read(&args.part)?;
    let (poses, noise) = if args.pictures.is_empty() { (in_the_middle(&edit)?, Matrix3::zeros()) } else { measured(args, &edit, &part)? };
    let mut b = budget(&noise, &poses, &part, &edit.bench.optics, &edit.record);
    if args.pictures.is_empty() {
        b.contributions.retain(|c| c.source != Source::Noise);
    }
    let u = |c: &Matrix3<f64>| [0, 1, 2].map(|i| c[(i, i)].max(0.0).sqrt());
    // What is in common may take away: told with its sign.
    let signed = |c: &Matrix3<f64>| [0, 1, 2].map(|i| c[(i, i)].abs().sqrt().copysign(c[(i, i)]));
    let row = |name: &str, [x, y, t]: [f64; 3]| format!("{name:<38}{:>9.3}{:>9.3}{:>11.5}", 1e3 * x, 1e3 * y, t.to_degrees());
    let mut lines = vec![format!("{:<38}{:>9}{:>9}{:>11}", "standard uncertainty of", "x, µm", "y, µm", "theta, deg")];
    lines.extend(b.contributions.iter().map(|c| row(c.source.words(), signed(&c.covariance))));
    lines.push(row("all together (k = 1)", u(&b.covariance)));
    let takes_away = |c: &Matrix3<f64>| (0..3).any(|i| signed(c)[i] < -SHOWN[i]);
    if b.contributions.iter().any(|c| takes_away(&c.covariance)) {
        lines.insert(lines.len() - 1, "(with a minus: what the ones above have in common, and what it takes away from the sum)".to_owned());
    }
    lines.push(row("half-width of the interval (k = 2)", u(&b.covariance).map(|v| 2.0 * v)));
    for source in &b.unstated {
        lines.push(format!("not stated in the bench file, counted as nothing: {}", source.words()));
    }
    lines.extend(b.most_to_gain().map(|source| format!("most is gained by: {}", source.mend())));
    let warnings = calibrated::warnings(&edit.record);
    lines.extend(warnings.iter().map(|w| format!("Note: {w}")));
    if args.json {
        let rows: Vec<_> = b
            .contributions
            .iter()
            .map(|c| {
                let [x, y, t] = signed(&c.covariance);
                json!({"source": c.source.words(), "u_x_mm": x, "u_y_mm": y, "u_theta_deg": t.to_degrees(), "mend": c.source.mend()})
            })
            .collect();
        let [x, y, t] = u(&b.covariance);
        let unstated: Vec<_> = b.unstated.iter().map(|s| s.words()).collect();
        print_json(
            &json!({"schema": 1, "contributions": rows, "u_x_mm": x, "u_y_mm": y, "u_theta_deg": t.to_degrees(), "unstated": unstated, "warnings": warnings}),
        )?;
    } else {
        print_lines(&lines)?;
    }
    Ok(ExitCode::SUCCESS)
}

/// Part and board where the first view's field has its middle.
fn in_the_middle(edit: &BenchEdit) -> anyhow::Result<Poses> {
    let at = shots::sight(edit, 0)?.mm(shots::region(edit, 0).middle());
    let pose = Pose::new(at.x, at.y, 0.0);
    Ok(Poses { bench_from_part: pose, bench_from_board: pose })
}

fn measured(args: &Args, edit: &BenchEdit, part: &Part) -> anyhow::Result<(Poses, Matrix3<f64>)> {
    let pictures = shots::read(edit, &args.pictures)?;
    let name = args.pictures[0].display();
    calibrated::check_format(&edit.record, &args.pictures, &pictures)?;
    let alignment = landfit_vision::align(&pictures, part, &edit.bench.optics).with_context(|| format!("{name}"))?;
    match alignment.outcome {
        Outcome::Fit(fit) => Ok((Poses { bench_from_part: fit.bench_from_part, bench_from_board: fit.bench_from_board }, fit.covariance)),
        Outcome::Refused(refusal) => bail!("{name} gives no offset: {}", refusal.text),
    }
}
