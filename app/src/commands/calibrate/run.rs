//! `landfit calibrate run`: the readings to set.

use super::super::{Ended, print_lines};
use super::bench_edit::BenchEdit;
use anyhow::{Context, bail};
use landfit_calibration::screws::listing::listing;
use landfit_calibration::screws::reading::Thimble;
use landfit_calibration::screws::run::{Extent, SHORT_RUN_CANNOT, plan};
use landfit_part::text_file::save;
use landfit_part::{Existing, FileError};
use std::path::PathBuf;
use std::process::ExitCode;

/// Plan a run of an adjuster: which readings to set, in which order, coming from which side
///
/// Writes a listing (CSV) with a line for every stop. Set the readings in its order, take a picture of each under the name that
/// it gives, and change a reading only where the thimble shows another. `landfit calibrate screws` takes the listing.
#[derive(clap::Args)]
pub struct Args {
    /// The bench file
    #[arg(long)]
    bench: PathBuf,
    /// The adjuster's name
    #[arg(long, value_name = "NAME")]
    adjuster: String,
    /// Lowest reading of the run, in the thimble's unit
    #[arg(long, value_name = "READING", allow_hyphen_values = true)]
    from: f64,
    /// Highest reading of the run
    #[arg(long, value_name = "READING", allow_hyphen_values = true)]
    to: f64,
    /// What the thimble shows: mm, mm-vernier, mm-fine, inch, inch-vernier, steps, knob, or turns
    #[arg(long, value_name = "THIMBLE", default_value = "turns")]
    thimble: String,
    /// Five targets, five runs, both ways, as ISO 230-2 asks for; without it a short run of 20 stops
    #[arg(long)]
    full: bool,
    /// The listing to write
    #[arg(long, value_name = "FILE.csv")]
    out: PathBuf,
    /// Write over a listing of that name
    #[arg(long)]
    replace: bool,
}

/// Runs the command.
pub fn run(args: &Args) -> Ended {
    let edit = BenchEdit::open(&args.bench)?;
    let Some(adjuster) = edit.bench.adjusters.iter().find(|a| a.name == args.adjuster) else {
        let names: Vec<&str> = edit.bench.adjusters.iter().map(|a| a.name.as_str()).collect();
        bail!("{}: there is no adjuster {} (there are {})", args.bench.display(), args.adjuster, names.join(", "));
    };
    let turns = Thimble::turns(adjuster.divisions.unwrap_or(8));
    let named = if args.thimble == "turns" { Some(turns) } else { Thimble::named(&args.thimble) };
    let thimble = named.with_context(|| {
        let names: Vec<&str> = Thimble::NAMES.iter().map(|(n, _)| *n).collect();
        format!("--thimble {}: there are turns, {}", args.thimble, names.join(", "))
    })?;
    if !(args.from.is_finite() && args.to.is_finite()) || (args.to - args.from).abs() < 1e-9 {
        bail!("--from {} --to {}: give two different readings", args.from, args.to);
    }
    let extent = if args.full { Extent::Full } else { Extent::Short };
    let planned = plan(extent, thimble.turns_from_reading(args.from), thimble.turns_from_reading(args.to), &thimble);
    let existing = if args.replace { Existing::Replace } else { Existing::Keep };
    save(&args.out, &listing(&args.adjuster, &args.thimble, &thimble, &planned), existing).map_err(|error| match error {
        // Readings that were written into it would be gone.
        FileError::Exists { .. } => anyhow::anyhow!("{error}; give --replace to write over it, and over what was filled in"),
        other => other.into(),
    })?;
    let mut lines = vec![format!("wrote {}: {} stops of {}", args.out.display(), planned.len(), args.adjuster)];
    lines.push(format!(
        "First set {}, coming from below; go past the last reading by a quarter turn before you come back.",
        thimble.shown(planned[0].reading_turns)
    ));
    if !args.full {
        lines.push(format!("It is {SHORT_RUN_CANNOT}."));
    }
    print_lines(&lines)?;
    Ok(ExitCode::SUCCESS)
}
