//! `landfit calibrate lights`: tints, levels, gamma, and what the camera does to its pictures.

use super::super::{Ended, print_lines};
use super::bench_edit::{BenchEdit, date, hashes};
use super::shots;
use anyhow::{Context, bail};
use landfit_calibration::camera_check::check;
use landfit_calibration::history::Entry;
use landfit_calibration::tints::{black_level, crosstalk, gamma, tint, white_level};
use landfit_part::Side;
use std::path::PathBuf;
use std::process::ExitCode;

/// Learn the lights' colours, and see what the camera does to its pictures
///
/// Needs a picture with only the part's light on and one with only the board's; with a third of the same scene under both it tells
/// the camera's gamma, with one in the dark its black level, with a second one like any of them what the camera does by itself.
#[derive(clap::Args)]
pub struct Args {
    /// The bench file, whose tints are changed
    #[arg(long)]
    bench: PathBuf,
    /// A picture with only the part's light on
    #[arg(long, value_name = "PICTURE")]
    part_light: PathBuf,
    /// A picture with only the board's light on
    #[arg(long, value_name = "PICTURE")]
    board_light: PathBuf,
    /// The same scene with both on
    #[arg(long, value_name = "PICTURE")]
    both: Option<PathBuf>,
    /// A picture without light
    #[arg(long, value_name = "PICTURE")]
    dark: Option<PathBuf>,
    /// The picture of --part-light taken a second time, some seconds later
    #[arg(long, value_name = "PICTURE")]
    again: Option<PathBuf>,
    /// Only tell: leave the bench file as it is
    #[arg(long)]
    dry: bool,
    /// The date for the history, instead of today's
    #[arg(long, value_name = "DATE")]
    date: Option<String>,
}

/// Runs the command.
pub fn run(args: &Args) -> Ended {
    let mut edit = BenchEdit::open(&args.bench)?;
    let date = date(args.date.as_deref())?;
    let paths: Vec<PathBuf> =
        [Some(&args.part_light), Some(&args.board_light), args.both.as_ref(), args.dark.as_ref(), args.again.as_ref()]
            .into_iter()
            .flatten()
            .cloned()
            .collect();
    let one = |path: &PathBuf| shots::read(&edit, std::slice::from_ref(path))?.pop().context("a picture");
    let (part_lit, board_lit) = (one(&args.part_light)?, one(&args.board_light)?);
    let mut lines = Vec::new();
    let mut black = edit.bench.optics.frame.black;
    if let Some(path) = &args.dark {
        let levels = black_level(&one(path)?);
        lines.push(format!("black level {:.1} ± {:.1} (raw); the bench file has {black}", levels.black, levels.noise));
        if (levels.black - black).abs() > 0.7 {
            lines.push(format!("  write black = {:.1} in [frame], then run this again", levels.black));
        }
        black = levels.black;
    }
    for (path, picture) in [(&args.part_light, &part_lit), (&args.board_light, &board_lit)] {
        if let Some(white) = white_level(picture) {
            lines.push(format!(
                "{}: many pixels stand at {white:.0}, the highest value: give less light for this calibration",
                path.display()
            ));
        }
    }
    if let Some(path) = &args.both {
        let both = one(path)?;
        let of = |black: f64| gamma(&part_lit, &board_lit, &both, black).with_context(|| format!("{}", path.display()));
        let (found, scatter) = of(black)?;
        // Black is known to half a step of raw values at best.
        let u = scatter.hypot(landfit_stats::gum::rectangular(of(black + 0.5)?.0 - found));
        lines.push(format!(
            "gamma {found:.3} ± {:.3} (k = 2): the two lights add up under it; the bench file has {}",
            2.0 * u,
            edit.bench.optics.frame.gamma
        ));
        if (found - edit.bench.optics.frame.gamma).abs() > (2.0 * u).max(0.03) {
            lines.push(format!("  write gamma = {found:.2} in [frame], then run this again"));
        }
    }
    if let Some(path) = &args.again {
        let findings = check(&part_lit, &one(path)?);
        if findings.is_empty() {
            lines.push("the camera leaves its pictures alone: no subsampled colour, sharpening, limited range, smoothing or automatic exposure seen".to_owned());
        }
        lines.extend(findings.iter().map(|f| format!("{} (seen {:.3}, limit {:.3})", f.kind.words(), f.figure, f.limit)));
    }
    // Colours are shares of light above black: the black that was measured, where it was.
    let frame = landfit_vision::Frame { black, ..edit.bench.optics.frame };
    let mut figures = Vec::new();
    let grey = part_lit.channels == 1;
    if !grey {
        let tints = [(Side::Part, &args.part_light, &part_lit), (Side::Board, &args.board_light, &board_lit)];
        for (side, path, picture) in tints {
            let found = tint(picture, &frame).with_context(|| format!("{}", path.display()))?;
            lines.push(format!(
                "{} light: tint {:.4}, {:.4}, {:.4}; it varies over the picture by {:.3}",
                side.word(),
                found.rgb[0],
                found.rgb[1],
                found.rgb[2],
                found.spread.iter().copied().fold(0.0, f64::max)
            ));
            for (c, value) in ["r", "g", "b"].into_iter().zip(found.rgb) {
                figures.push((format!("{}_tint_{c}", side.word()), value));
            }
            for view in edit.bench.optics.views.iter_mut().filter(|v| v.shows == side) {
                view.tint = found.rgb.map(|v| (v * 1e5).round() / 1e5);
            }
        }
        let optics = &landfit_vision::Optics { frame, ..edit.bench.optics.clone() };
        let view_of = |side: Side| optics.views.iter().position(|v| v.shows == side).context("a view of each side");
        let (p, b) = (view_of(Side::Part)?, view_of(Side::Board)?);
        if optics.views[p].exposure == optics.views[b].exposure {
            let left = [crosstalk(&part_lit, optics, p, b), crosstalk(&board_lit, optics, b, p)];
            lines.push(format!(
                "crosstalk left: {:.2} % of the part's light in the board's plane, {:.2} % of the board's in the part's",
                100.0 * left[0],
                100.0 * left[1]
            ));
        }
    } else if edit.bench.optics.views.iter().any(|v| v.tint != edit.bench.optics.views[0].tint) {
        bail!("{}: the pictures are grey, but the bench file tells its views apart by tint", args.bench.display());
    }
    if args.dry || grey {
        lines.push("nothing was written".to_owned());
    } else {
        let entry = Entry { date, what: "lights".to_owned(), ruler: String::new(), pictures: hashes(&paths)?, figures };
        edit.write(&entry)?;
        lines.push(format!("wrote {}; the former file is in its history", args.bench.display()));
    }
    print_lines(&lines)?;
    Ok(ExitCode::SUCCESS)
}
