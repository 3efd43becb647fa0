//! `landfit calibrate day`: does the bench still agree with its file.

use super::super::{Ended, calibrated, print_lines};
use super::bench_edit::{BenchEdit, date, day, hashes};
use super::shots::{self, TargetFlags};
use anyhow::Context;
use landfit_calibration::guide::{DayResult, DayStep, Lies};
use landfit_calibration::history::Entry;
use landfit_vision::Optics;
use std::path::PathBuf;
use std::process::ExitCode;

/// Check one picture of a target against the bench file: scale, angle, focus, and the views against each other
///
/// The part view against the board view can only be checked where both see the same target. Exit status 1 when something no longer
/// holds.
#[derive(clap::Args)]
pub struct Args {
    /// The picture, or one for each exposure
    #[arg(required = true)]
    pictures: Vec<PathBuf>,
    /// The bench file, whose history takes a note
    #[arg(long)]
    bench: PathBuf,
    #[command(flatten)]
    target: TargetFlags,
    /// The target lies against the same stop as at each check with this option: then its angle is compared, too
    #[arg(long)]
    seated: bool,
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
    let asked = args.target.read()?;
    let pictures = shots::read(&edit, &args.pictures)?;
    calibrated::check_format(&edit.record, &args.pictures, &pictures)?;
    let history = edit.history()?;
    let lies = if args.seated { Lies::AgainstItsStop } else { Lies::Anywhere };
    let step = DayStep { optics: &edit.bench.optics, record: &edit.record, history: &history, lies };
    let result = step
        .check(&pictures, &|side| asked.of(side), asked.is_common(), day(&date)?)
        .with_context(|| format!("{}", args.pictures[0].display()))?;
    let mut lines = told(&result, &edit.bench.optics, lies, STOP_OPTION);
    lines.extend(edit.record.warnings(day(&date)?).iter().map(|w| format!("Note: {w}")));
    if !args.dry {
        edit.note(&entry(&result, lies, date, hashes(&args.pictures)?))?;
    }
    print_lines(&lines)?;
    Ok(if result.holds() { ExitCode::SUCCESS } else { ExitCode::from(1) })
}

/// What the bench's history keeps of a check.
pub fn entry(result: &DayResult, lies: Lies, date: String, pictures: Vec<(String, String)>) -> Entry {
    let mut figures = result.figures();
    if lies == Lies::AgainstItsStop {
        figures.extend(result.angle_figures());
    }
    Entry { date, what: "check of the day".to_owned(), ruler: String::new(), pictures, figures }
}

/// How this command is told that the target lies against its stop.
const STOP_OPTION: &str = " (--seated)";

/// What a check says, line by line; `by_option` says how the caller is told that the target lies against a stop.
pub fn told(result: &DayResult, optics: &Optics, lies: Lies, by_option: &str) -> Vec<String> {
    let side = |view: usize| optics.views[view].shows.word();
    let mut lines = Vec::new();
    for v in &result.views {
        let verdict = if v.check.scale_holds() { "holds" } else { "no longer holds: calibrate scale again" };
        lines.push(format!(
            "{} view {}: scale {:+.4} % off the file, known to ± {:.4} % (k = 2): {verdict}",
            side(v.view),
            v.view + 1,
            100.0 * v.check.scale_off,
            200.0 * v.check.u_scale
        ));
        let verdict = match (v.angle_before_rad, v.angle_holds()) {
            (Some(first), Some(true)) => format!("{:.4} when first noted: holds", first.to_degrees()),
            (Some(first), _) => {
                format!("{:.4} when first noted: the view or the stop has turned, calibrate scale again", first.to_degrees())
            }
            (None, _) if lies == Lies::AgainstItsStop => "the first to be noted: later checks are compared with it".to_owned(),
            (None, _) => format!("compared with nothing: with the target against a stop each time{by_option} a turn of the view shows"),
        };
        lines.push(format!(
            "  angle: the target lies turned {:+.4} ± {:.4} degrees by this view; {verdict}",
            v.angle_rad.0.to_degrees(),
            2.0 * v.angle_rad.1.to_degrees()
        ));
        if let Some(width) = v.edge_px {
            let verdict = match (v.edge_before_px, v.focus_holds()) {
                (Some(first), Some(true)) => format!("{first:.2} px when first noted: holds"),
                (Some(first), _) => format!("{first:.2} px when first noted: out of focus, set it again"),
                (None, _) => "the first to be noted: later checks are compared with it".to_owned(),
            };
            lines.push(format!("  focus: edges are {width:.2} px wide, {verdict}"));
        }
    }
    for (view, error) in &result.unchecked {
        lines.push(format!("{} view {}: not checked ({error})", side(*view), view + 1));
    }
    lines.push(match &result.registration {
        Some(r) => {
            let verdict = if r.holds() { "holds" } else { "it has moved: calibrate scale with a target that both sides see" };
            format!(
                "part view against board view: {:+.2}, {:+.2} µm, {:+.4} degrees off the file: {verdict}",
                1e3 * r.off_mm[0],
                1e3 * r.off_mm[1],
                r.off_rad.to_degrees()
            )
        }
        None => "part view against board view: not checked, for the two did not see one and the same target (a picture of the board alone cannot show it)".to_owned(),
    });
    if let Some(age) = &result.age {
        let rule =
            age.due_days.map_or_else(|| "no rule says when it is due (landfit calibrate due)".to_owned(), |d| format!("due after {d:.0}"));
        lines.push(format!("calibrated {} days ago ({} is the oldest), {rule}", age.days, age.what));
    }
    lines
}
