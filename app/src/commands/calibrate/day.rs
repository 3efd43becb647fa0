//! `landfit calibrate day`: does the bench still agree with its file.

use super::super::{Ended, print_lines};
use super::bench_edit::{BenchEdit, date, hashes};
use super::shots::{self, TargetFlags};
use anyhow::{Context, bail};
use landfit_calibration::day_check::{ViewCheck, check_view, registration_off};
use landfit_calibration::history::Entry;
use landfit_calibration::target::{Found, edge_width_px};
use landfit_part::{PointMm, Side};
use std::path::PathBuf;
use std::process::ExitCode;

/// Check one picture of a target against the bench file: scale, focus, and the views against each other
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
    /// Make no note in the bench's history
    #[arg(long)]
    dry: bool,
    /// The date for the history, instead of today's
    #[arg(long, value_name = "DATE")]
    date: Option<String>,
}

/// Registration may move by so much, mm, beside its stated uncertainty before it is called moved: a tenth of a fine part's allowance
/// (0.4 mm pitch: 0.05 mm), a project choice.
const REGISTRATION_SLACK_MM: f64 = 0.005;
/// Edges this much wider than at calibration are out of focus.
const MOST_WIDENING: f64 = 1.35;

/// Runs the command.
pub fn run(args: &Args) -> Ended {
    let edit = BenchEdit::open(&args.bench)?;
    let date = date(args.date.as_deref())?;
    let asked = args.target.read()?;
    let pictures = shots::read(&edit, &args.pictures)?;
    let views = &edit.bench.optics.views;
    let exposures = views.iter().map(|v| v.exposure + 1).max().unwrap_or(1);
    if pictures.len() != exposures {
        bail!("{} pictures were given, but this bench takes {exposures}", pictures.len());
    }
    let (mut lines, mut figures, mut holds) = (Vec::new(), Vec::new(), true);
    let mut checks: Vec<(usize, Found, ViewCheck)> = Vec::new();
    for (v, view) in views.iter().enumerate() {
        let path = &args.pictures[view.exposure];
        let mut found = match shots::find_in_view(&edit, v, path, &pictures[view.exposure], &asked.of(view.shows)) {
            Ok(found) => found,
            Err(error) => {
                lines.push(format!("{} view {v}: not checked ({error:#})", view.shows.word()));
                continue;
            }
        };
        if let (true, Some((other, marks, _))) = (asked.is_common(), checks.first()) {
            shots::agree(&edit, path, (v, &mut found), (*other, marks))?;
        }
        let known = edit.record.view(v).map_or(0.0, |k| k.scale_relative).hypot(edit.record.ruler_relative);
        let check = check_view(&found.spots, &shots::sight(&edit, v)?, known).with_context(|| format!("{}", path.display()))?;
        let verdict = if check.scale_holds() { "holds" } else { "no longer holds: calibrate scale again" };
        holds &= check.scale_holds();
        lines.push(format!(
            "{} view {v}: scale {:+.4} % off the file, known to ± {:.4} % (k = 2): {verdict}",
            view.shows.word(),
            100.0 * check.scale_off,
            200.0 * check.u_scale
        ));
        figures.push((format!("view{v}_scale_off"), check.scale_off));
        if let Some(width) = edge_width_px(&shots::light_of_view(&edit, v, &pictures[view.exposure]), &local(&edit, v, &found)) {
            figures.push((format!("view{v}_edge_px"), width));
            let before = edit.history()?.iter().find_map(|e| e.figures.iter().find(|(k, _)| *k == format!("view{v}_edge_px")).map(|f| f.1));
            let told = match before {
                None => "the first to be noted: later checks are compared with it".to_owned(),
                Some(first) if width > MOST_WIDENING * first => {
                    holds = false;
                    format!("{first:.2} px when first noted: out of focus, set it again")
                }
                Some(first) => format!("{first:.2} px when first noted: holds"),
            };
            lines.push(format!("  focus: edges are {width:.2} px wide, {told}"));
        }
        checks.push((v, found, check));
    }
    if checks.is_empty() {
        bail!("{}: the target was found in no view ({})", args.pictures[0].display(), lines.join("; "));
    }
    let of = |side: Side| checks.iter().find(|(v, _, _)| views[*v].shows == side);
    match (asked.is_common(), of(Side::Part), of(Side::Board)) {
        (true, Some((p, marks, part)), Some((b, _, board))) => {
            let n = marks.spots.len() as f64;
            let middle = marks.spots.iter().fold(PointMm::ZERO, |sum, s| sum + s.at_mm) * (1.0 / n);
            let [x, y, theta] = registration_off(part, board, middle);
            let known = edit.record.registrations.iter().find(|r| (r.part_view, r.board_view) == (*p, *b));
            let u = known.map_or(0.0, |r| r.covariance[(0, 0)].max(r.covariance[(1, 1)]).max(0.0).sqrt());
            let moved = x.hypot(y) > 2.0 * u + REGISTRATION_SLACK_MM;
            holds &= !moved;
            let verdict = if moved { "it has moved: calibrate scale with a target that both sides see" } else { "holds" };
            lines.push(format!(
                "part view against board view: {:+.2}, {:+.2} µm, {:+.4} degrees off the file: {verdict}",
                1e3 * x,
                1e3 * y,
                theta.to_degrees()
            ));
            figures.extend([("registration_x_mm".to_owned(), x), ("registration_y_mm".to_owned(), y)]);
        }
        _ => lines.push(
            "part view against board view: not checked, for the two did not see one and the same target (a picture of the board alone cannot show it)".to_owned(),
        ),
    }
    if let Some(age) = edit.record.age(&date) {
        lines.push(format!(
            "calibrated {:.0} days ago, due after {:.0}{}",
            age.days,
            age.due_days,
            if age.is_due() { ": it is due" } else { "" }
        ));
    }
    if !args.dry {
        let entry = Entry { date, what: "check of the day".to_owned(), ruler: String::new(), pictures: hashes(&args.pictures)?, figures };
        edit.note(&entry)?;
    }
    print_lines(&lines)?;
    Ok(if holds { ExitCode::SUCCESS } else { ExitCode::from(1) })
}

/// The marks in px of the view's own region.
fn local(edit: &BenchEdit, view: usize, found: &Found) -> Found {
    let region = shots::region(edit, view);
    let mut found = found.clone();
    for s in &mut found.spots {
        s.seen_px.x -= f64::from(region.x);
        s.seen_px.y -= f64::from(region.y);
    }
    found
}
