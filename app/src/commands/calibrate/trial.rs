//! `landfit calibrate trial`: simulated benches of known truth.

use super::super::{Ended, print_json, print_lines};
use landfit_rehearsal::calibration_trial::{CENTRE_SD_PX, COVERAGE, trial};
use serde_json::json;
use std::process::ExitCode;

/// Calibrate simulated benches of known truth, and tell how far off the calibrations are and whether their intervals hold
///
/// Targets are exact; the places of marks carry the noise of a good picture. Exit status 1 when a figure is above its bar or an
/// interval holds the truth less or more often than it should.
#[derive(clap::Args)]
pub struct Args {
    /// How many benches
    #[arg(long, value_name = "N", default_value_t = 100, value_parser = clap::value_parser!(u32).range(1..=100_000))]
    benches: u32,
    /// Where everything random comes from
    #[arg(long, value_name = "N", default_value_t = 1)]
    seed: u64,
    /// Print one JSON object instead of the table
    #[arg(long)]
    json: bool,
}

/// Runs the command.
pub fn run(args: &Args) -> Ended {
    let table = trial(args.benches as usize, args.seed)?;
    // A sample's share scatters: with few benches only a share far off says something.
    let slack = |n: usize| if args.benches >= 1000 { 0.0 } else { 4.0 * (0.0434 / n as f64).sqrt() };
    let covered =
        |f: &landfit_rehearsal::calibration_trial::Figure| (COVERAGE[0] - slack(f.n)..=COVERAGE[1] + slack(f.n)).contains(&f.covered);
    let good = table.iter().all(|f| f.is_small_enough() && covered(f));
    if args.json {
        let rows: Vec<_> = table
            .iter()
            .map(|f| json!({"quantity": f.name, "unit": f.unit, "p95": f.p95, "bar": f.bar, "covered": f.covered, "n": f.n}))
            .collect();
        print_json(&json!({"schema": 1, "benches": args.benches, "seed": args.seed, "centre_sd_px": CENTRE_SD_PX, "rows": rows}))?;
    } else {
        let mut lines = vec![
            format!("{} simulated benches, seed {}; exact targets, marks seen to {CENTRE_SD_PX} px", args.benches, args.seed),
            format!("{:<26}{:>12}{:>12}  {:<9}{:>10}{:>8}", "", "95 % within", "bar", "", "covered", "n"),
        ];
        for f in &table {
            let bar = f.bar.map_or_else(|| "-".to_owned(), |b| format!("{b}"));
            let mark = if f.is_small_enough() && covered(f) { "" } else { "  <-- not met" };
            lines.push(format!("{:<26}{:>12.5}{:>12}  {:<9}{:>9.1}%{:>8}{mark}", f.name, f.p95, bar, f.unit, 100.0 * f.covered, f.n));
        }
        lines.push("covered: share of the stated 95.45 % intervals that hold the truth; 93 to 97 % is asked for".to_owned());
        print_lines(&lines)?;
    }
    Ok(if good { ExitCode::SUCCESS } else { ExitCode::from(1) })
}
