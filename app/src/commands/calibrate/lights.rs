//! `landfit calibrate lights`: tints, levels, gamma, and what the camera does to its pictures.

use super::super::{Ended, print_lines};
use super::bench_edit::{BenchEdit, date, hashes};
use super::shots;
use anyhow::Context;
use landfit_calibration::history::Entry;
use landfit_calibration::lights::{Learnt, LightsError, Lit, Pictures, Which, learn};
use landfit_part::Side;
use landfit_vision::{Frame, RegionPx};
use std::path::PathBuf;
use std::process::ExitCode;

/// Learn the lights' colours, and see what the camera does to its pictures
///
/// Needs a picture with only the part's light on and one with only the board's, or one picture of both with a region where only the one
/// and one where only the other shows. With one more of the same scene under both it tells the camera's gamma, with one in the dark its
/// black level, with one that is much too bright its full scale, with a second one like the first what the camera does by itself.
/// All of it is written into the bench file.
#[derive(clap::Args)]
pub struct Args {
    /// The bench file, whose tints and frame are changed
    #[arg(long)]
    bench: PathBuf,
    /// A picture with only the part's light on
    #[arg(long, value_name = "PICTURE")]
    part_light: PathBuf,
    /// Where only the part's light shows in it, px from the upper left; the other light may then be on
    #[arg(long, value_name = "X,Y,W,H", value_parser = region)]
    part_region: Option<RegionPx>,
    /// A picture with only the board's light on
    #[arg(long, value_name = "PICTURE")]
    board_light: PathBuf,
    /// Where only the board's light shows in it; it may be the same picture
    #[arg(long, value_name = "X,Y,W,H", value_parser = region)]
    board_region: Option<RegionPx>,
    /// The same scene with both on
    #[arg(long, value_name = "PICTURE")]
    both: Option<PathBuf>,
    /// A picture without light
    #[arg(long, value_name = "PICTURE")]
    dark: Option<PathBuf>,
    /// A picture with so much light that a good part of it is white
    #[arg(long, value_name = "PICTURE")]
    bright: Option<PathBuf>,
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

/// A rectangle as an argument: x,y,width,height.
fn region(text: &str) -> Result<RegionPx, String> {
    let numbers: Vec<u32> = text.split(',').map(|n| n.trim().parse().ok()).collect::<Option<_>>().unwrap_or_default();
    let [x, y, width, height] = numbers[..] else {
        return Err("write four whole numbers of px, x,y,width,height, as in 0,0,320,200".to_owned());
    };
    Ok(RegionPx { x, y, width, height })
}

/// Runs the command.
pub fn run(args: &Args) -> Ended {
    let mut edit = BenchEdit::open(&args.bench)?;
    let date = date(args.date.as_deref())?;
    let paths: Vec<PathBuf> = [
        Some(&args.part_light),
        Some(&args.board_light),
        args.both.as_ref(),
        args.dark.as_ref(),
        args.bright.as_ref(),
        args.again.as_ref(),
    ]
    .into_iter()
    .flatten()
    .cloned()
    .collect();
    let one = |path: &PathBuf| shots::read(&edit, std::slice::from_ref(path))?.pop().context("a picture");
    let maybe = |path: &Option<PathBuf>| path.as_ref().map(one).transpose();
    let (part, board) = (one(&args.part_light)?, one(&args.board_light)?);
    let (both, dark, bright, again) = (maybe(&args.both)?, maybe(&args.dark)?, maybe(&args.bright)?, maybe(&args.again)?);
    let pictures = Pictures {
        part: Lit { picture: &part, region: args.part_region },
        board: Lit { picture: &board, region: args.board_region },
        both: both.as_ref(),
        dark: dark.as_ref(),
        bright: bright.as_ref(),
        again: again.as_ref(),
    };
    let learnt = learn(&pictures, &edit.bench.optics).map_err(|error| named(&error, args))?;
    let names = [&args.part_light, &args.board_light].map(|p| p.display().to_string());
    let mut lines = told(&learnt, &names, &edit.bench.optics.frame);
    let figures = figures(&learnt);
    learnt.apply(&mut edit.bench.optics);
    if args.dry {
        lines.push("nothing was written (--dry)".to_owned());
    } else {
        let entry = Entry { date, what: "lights".to_owned(), ruler: String::new(), pictures: hashes(&paths)?, figures };
        edit.write(&entry)?;
        lines.push(format!("wrote {}; the former file is in its history", args.bench.display()));
    }
    print_lines(&lines)?;
    Ok(ExitCode::SUCCESS)
}

/// Names the picture that an error is about.
fn named(error: &LightsError, args: &Args) -> anyhow::Error {
    let path = match error {
        LightsError::Picture { which, .. } | LightsError::Size { which, .. } => match which {
            Which::Part => Some(&args.part_light),
            Which::Board => Some(&args.board_light),
            Which::Both => args.both.as_ref(),
            Which::Dark => args.dark.as_ref(),
            Which::Bright => args.bright.as_ref(),
        },
        LightsError::SameLight { .. } => Some(&args.board_light),
        LightsError::NotDark { .. } => args.dark.as_ref(),
        LightsError::NotWhite | LightsError::WhiteBelowBlack { .. } => args.bright.as_ref(),
        _ => None,
    };
    anyhow::anyhow!("{}: {error}", path.unwrap_or(&args.bench).display())
}

/// What was learnt, line by line; `pictures` names the one in the part's light and the one in the board's.
pub fn told(learnt: &Learnt, pictures: &[String; 2], was: &Frame) -> Vec<String> {
    let mut lines = Vec::new();
    if let Some(levels) = learnt.levels {
        lines.push(format!("black level {:.1} ± {:.1} (raw); the bench file had {}", levels.black, levels.noise, was.black));
    }
    if let Some(white) = learnt.white {
        let had = was.white.map_or_else(|| "none, so that of the picture's depth".to_owned(), |w| format!("{w}"));
        lines.push(format!("full scale {white:.0} (raw); the bench file had {had}"));
    }
    for (picture, at) in pictures.iter().zip(learnt.saturated_at) {
        if let Some(white) = at {
            lines.push(format!("{picture}: many pixels stand at {white:.0}, the highest value: give less light for this calibration"));
        }
    }
    if let Some(g) = learnt.gamma {
        let so = if g.agrees { "holds" } else { "is changed" };
        lines.push(format!(
            "gamma {:.3} ± {:.3} (k = 2): the two lights add up under it; the bench file had {}, which {so}",
            g.gamma,
            2.0 * g.u,
            was.gamma
        ));
    }
    if let Some(findings) = &learnt.camera {
        if findings.is_empty() {
            lines.push("the camera leaves its pictures alone: no subsampled colour, sharpening, limited range, smoothing or automatic exposure seen".to_owned());
        }
        lines.extend(findings.iter().map(|f| format!("{} (seen {:.3}, limit {:.3})", f.kind.words(), f.figure, f.limit)));
    }
    for (side, found) in [Side::Part, Side::Board].into_iter().zip(learnt.tints.iter().flatten()) {
        lines.push(format!(
            "{} light: tint {:.4}, {:.4}, {:.4}; it varies by {:.3} over the {} pixels that it rests on",
            side.word(),
            found.rgb[0],
            found.rgb[1],
            found.rgb[2],
            found.spread.iter().copied().fold(0.0, f64::max),
            found.pixels
        ));
    }
    if learnt.tints.is_none() {
        lines.push("a monochrome camera: there are no tints to learn".to_owned());
    }
    if let Some(left) = learnt.crosstalk {
        lines.push(format!(
            "crosstalk left: {:.2} % of the part's light in the board's plane, {:.2} % of the board's in the part's",
            100.0 * left[0],
            100.0 * left[1]
        ));
    }
    lines
}

/// What the bench's history keeps of it.
pub fn figures(learnt: &Learnt) -> Vec<(String, f64)> {
    let mut figures = vec![("black".to_owned(), learnt.frame.black), ("gamma".to_owned(), learnt.frame.gamma)];
    figures.extend(learnt.white.map(|w| ("white".to_owned(), w)));
    for (side, found) in [Side::Part, Side::Board].into_iter().zip(learnt.tints.iter().flatten()) {
        figures.extend(["r", "g", "b"].into_iter().zip(found.rgb).map(|(c, value)| (format!("{}_tint_{c}", side.word()), value)));
    }
    figures
}
