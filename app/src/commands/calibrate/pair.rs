//! `landfit calibrate pair`: the shop's own check pair and its trend.

use super::super::{Ended, calibrated, print_lines};
use super::bench_edit::{BenchEdit, date, day, hashes};
use super::shots;
use anyhow::{Context, bail};
use landfit_calibration::day_check::{LEAST_EARLIER, trend};
use landfit_calibration::history::Entry;
use landfit_vision::answer::Outcome;
use std::path::PathBuf;
use std::process::ExitCode;

/// Measure the shop's check pair (a scrap part glued over a scrap board), and see whether it still reads as it did
///
/// Each measurement is kept in the bench's history; from the sixth on, a moving average tells a drift. Exit status 1 when there is one.
#[derive(clap::Args)]
pub struct Args {
    /// The pictures of the pair, in the order of exposure
    #[arg(required = true)]
    pictures: Vec<PathBuf>,
    /// The bench file, whose history takes the measurement
    #[arg(long)]
    bench: PathBuf,
    /// The part file of the pair
    #[arg(long)]
    part: PathBuf,
    /// The pair's name, where there are several
    #[arg(long, value_name = "NAME", default_value = "check pair")]
    name: String,
    /// Make no note in the bench's history
    #[arg(long)]
    dry: bool,
    /// The date for the history, instead of today's
    #[arg(long, value_name = "DATE")]
    date: Option<String>,
}

/// Runs the command.
pub fn run(args: &Args) -> Ended {
    let edit = BenchEdit::open(&args.bench)?;
    let date = date(args.date.as_deref())?;
    let part = landfit_part::file::read(&args.part)?;
    let pictures = shots::read(&edit, &args.pictures)?;
    calibrated::check_format(&edit.record, &args.pictures, &pictures)?;
    let name = args.pictures[0].display();
    let alignment = landfit_vision::align(&pictures, &part, &edit.bench.optics).with_context(|| format!("{name}"))?;
    let fit = match alignment.outcome {
        Outcome::Fit(fit) => fit,
        Outcome::Refused(refusal) => bail!("{name} gives no offset: {}", refusal.text),
    };
    let o = fit.offset;
    let now = [("x_mm", o.x_mm), ("y_mm", o.y_mm), ("theta_deg", o.theta_rad.to_degrees())];
    let earlier: Vec<Entry> = edit.history()?.into_iter().filter(|e| e.what == args.name).collect();
    let today = day(&date)?;
    let mut lines = Vec::new();
    let mut holds = true;
    for (k, (key, value)) in now.iter().enumerate() {
        let series: Vec<f64> = earlier.iter().filter_map(|e| e.figures.iter().find(|(n, _)| n == key).map(|f| f.1)).collect();
        let noise = fit.covariance[(k, k)].max(0.0).sqrt();
        let least_sd = if k == 2 { noise.to_degrees() } else { noise };
        let told = match trend(&series, *value, least_sd) {
            None => format!("{} earlier measurements; {LEAST_EARLIER} are needed before a drift can be told", series.len()),
            Some(t) => {
                holds &= t.holds();
                let verdict = if t.holds() { "holds" } else { "has drifted: check the bench, then calibrate" };
                format!(
                    "moving average {:+.5}, limits {:+.5} to {:+.5} from {} earlier ones: {verdict}",
                    t.now, t.limits.lower, t.limits.upper, t.n
                )
            }
        };
        lines.push(format!("{key} {value:+.5}: {told}"));
    }
    if !args.dry {
        let figures = now.iter().map(|(k, v)| ((*k).to_owned(), *v)).collect();
        edit.note(&Entry { date, what: args.name.clone(), ruler: String::new(), pictures: hashes(&args.pictures)?, figures })?;
    }
    lines.extend(edit.record.warnings(today).iter().map(|w| format!("Note: {w}")));
    print_lines(&lines)?;
    Ok(if holds { ExitCode::SUCCESS } else { ExitCode::from(1) })
}
