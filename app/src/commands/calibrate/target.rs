//! `landfit calibrate target`: a sheet to print.

use super::super::{Ended, print_lines};
use anyhow::bail;
use landfit_calibration::target::sheet::{A4_MM, Marks, Sheet};
use landfit_part::Existing;
use landfit_part::text_file::save_bytes;
use std::path::PathBuf;
use std::process::ExitCode;

/// Print a target at true scale, with a ruler to check the printer by
///
/// For practice, and for the shape of the lens: a printed sheet's scale is good to 0.3 % at best.
#[derive(clap::Args)]
pub struct Args {
    /// Dots in rows and columns (the usual)
    #[arg(long, group = "marks")]
    dots: bool,
    /// Dots with every other row moved by half a pitch
    #[arg(long, group = "marks")]
    staggered: bool,
    /// A checkerboard
    #[arg(long, group = "marks")]
    checkerboard: bool,
    /// Distance of the dots, or side of a square, mm
    #[arg(long, value_name = "MM", default_value_t = 1.0)]
    pitch: f64,
    /// Rows
    #[arg(long, value_name = "N", default_value_t = 40)]
    rows: u32,
    /// Columns
    #[arg(long, value_name = "N", default_value_t = 40)]
    columns: u32,
    /// Where to write it: FILE.svg or FILE.pdf
    #[arg(long, value_name = "FILE")]
    out: PathBuf,
}

/// Runs the command.
pub fn run(args: &Args) -> Ended {
    let marks = match (args.staggered, args.checkerboard) {
        (true, _) => Marks::Staggered { pitch_mm: args.pitch },
        (_, true) => Marks::Checkerboard { square_mm: args.pitch },
        _ => Marks::Square { pitch_mm: args.pitch },
    };
    let sheet = Sheet { marks, size: [args.rows, args.columns], paper_mm: A4_MM };
    let bytes = match args.out.extension().and_then(|e| e.to_str()) {
        Some("svg") => sheet.svg()?.into_bytes(),
        Some("pdf") => sheet.pdf()?,
        _ => bail!("--out {}: give it a name that ends in .svg or .pdf", args.out.display()),
    };
    save_bytes(&args.out, &bytes, Existing::Replace)?;
    print_lines(&[
        format!("wrote {}: {} rows of {} marks, {} mm", args.out.display(), args.rows, args.columns, args.pitch),
        "Print it at 100 % (no \"fit to page\"), measure its ruler, and give the later commands the pitch that it really has.".to_owned(),
    ])?;
    Ok(ExitCode::SUCCESS)
}
