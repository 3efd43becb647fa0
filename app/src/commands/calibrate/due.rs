//! `landfit calibrate due`: the shop's own rule of how long a calibration holds.

use super::super::{Ended, print_lines};
use super::bench_edit::{BenchEdit, date, day};
use anyhow::bail;
use landfit_calibration::history::Entry;
use std::path::PathBuf;
use std::process::ExitCode;

/// Set after how many days a calibration is due again; from then on every answer says so
#[derive(clap::Args)]
pub struct Args {
    /// Days; 0 takes the rule away
    #[arg(allow_negative_numbers = true, value_parser = super::super::terminal::amount_of)]
    days: f64,
    /// The bench file, which is changed
    #[arg(long)]
    bench: PathBuf,
    /// The date for the history, instead of today's
    #[arg(long, value_name = "DATE")]
    date: Option<String>,
}

/// Runs the command.
pub fn run(args: &Args) -> Ended {
    let mut edit = BenchEdit::open(&args.bench)?;
    if !(0.0..=1e5).contains(&args.days) {
        bail!("{} days: write a number of days, from 0 to 100000", args.days);
    }
    let date = date(args.date.as_deref())?;
    edit.record.due_days = (args.days > 0.0).then_some(args.days);
    let today = day(&date)?;
    edit.write_as_it_is(&Entry { date, what: "rule".to_owned(), figures: vec![("due_days".to_owned(), args.days)], ..Entry::default() })?;
    let rule =
        if args.days > 0.0 { format!("a calibration is due after {:.0} days", args.days) } else { "no calibration is ever due".to_owned() };
    let mut lines = vec![format!("{}: {rule}", args.bench.display())];
    lines.extend(edit.record.age(today).map(|age| format!("{} is the oldest: {} days", age.what, age.days)));
    lines.extend(edit.record.warnings(today).iter().map(|w| format!("Note: {w}")));
    print_lines(&lines)?;
    Ok(ExitCode::SUCCESS)
}
