//! `landfit align`: from the pictures of a bench to the offset and the moves.

use super::{Ended, calibrated, print_json, print_lines, spare};
use crate::answer_json::{self, Moves};
use crate::words::answer;
use crate::{overlay, pictures};
use anyhow::{Context, bail};
use landfit_calibration::bench::{Bench, ReadingScale, Sense};
use landfit_calibration::bench_file;
use landfit_calibration::judgement::{Decision, Judgement, judge};
use landfit_calibration::moves::{Known, MovePlan, plan};
use landfit_part::Part;
use landfit_part::text_file::load;
use landfit_vision::answer::{Alignment, Outcome};
use std::path::PathBuf;
use std::process::ExitCode;
use std::time::Instant;

/// Measure the offset of a part over its lands, and say how far to turn which adjuster
///
/// Takes the pictures of a bench camera in the order of exposure, finds the part's terminals and the board's lands, and tells
/// the offset with its uncertainty, what stands in the way, and the turns to make, in their order. Where the pictures do not
/// settle the offset it says so and what to do.
///
/// Exit status: 0 within the allowance and nothing in the way; 1 answered, but outside, undecided or not clear; 2 bad input;
/// 3 no answer.
#[derive(clap::Args)]
pub struct Args {
    /// The pictures, in the order of exposure
    #[arg(required = true)]
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
    /// Write the marked picture here (PNG)
    #[arg(long, value_name = "FILE")]
    overlay: Option<PathBuf>,
    /// The sense of an adjuster's last turn, as NAME=clockwise or NAME=anticlockwise
    #[arg(long, value_name = "NAME=SENSE")]
    last: Vec<String>,
    /// What an adjuster reads now, as NAME=3.27: in turns, or in its own unit where the bench file names one
    #[arg(long, value_name = "NAME=READING", allow_hyphen_values = true)]
    reading: Vec<String>,
}

/// What the answer consists of.
#[derive(Clone)]
pub struct Answer {
    /// What vision measured.
    pub alignment: Alignment,
    /// The judgement and the moves, where there is a fit.
    pub fit: Option<(Judgement, MovePlan)>,
    /// Time from the decoded pictures to the answer, ms.
    pub total_ms: f64,
}

/// Runs the command.
pub fn run(args: &Args) -> Ended {
    let (part, bench, answer) = measure(args)?;
    if args.json {
        let moves = answer.fit.as_ref().map(|(judgement, plan)| Moves { judgement, plan });
        print_json(&answer_json::align(&answer.alignment, moves, &part, &bench, answer.total_ms))?;
    } else {
        let mut lines = answer::lines(&answer.alignment, answer.fit.as_ref(), &part, &bench);
        lines.extend(args.overlay.as_ref().map(|path| format!("wrote {}", path.display())));
        print_lines(&lines)?;
    }
    Ok(ExitCode::from(status(&answer)))
}

/// Reads, measures and plans; the overlay is written here too, so that a folder that cannot be written is bad input before
/// anything is printed.
fn measure(args: &Args) -> anyhow::Result<(Part, Bench, Answer)> {
    if let Some(path) = &args.overlay {
        spare("--overlay", path, args.pictures.iter().chain([&args.part, &args.bench]))?;
    }
    let part = landfit_part::file::read(&args.part)?;
    let (text, file) = (load(&args.bench)?, args.bench.display().to_string());
    let bench = bench_file::parse(&text, &file)?;
    let (record, unread) = calibrated::record_of(&text, &file);
    let known = known(args, &bench)?;
    let shots = args.pictures.iter().map(|p| pictures::read(p)).collect::<anyhow::Result<Vec<_>>>()?;
    calibrated::check_format(&record, &args.pictures, &shots)?;
    let start = Instant::now();
    let mut alignment = landfit_vision::align(&shots, &part, &bench.optics).map_err(|error| named(&error, args))?;
    calibrated::widen(&mut alignment, &part, &bench.optics, &record);
    alignment.warnings.extend(unread);
    let fit = match &alignment.outcome {
        Outcome::Refused(_) => None,
        Outcome::Fit(fit) => {
            let judgement = judge(&part, &fit.offset, &fit.covariance, fit.k, &bench.aim)?;
            let moves = plan(&fit.bench_from_part, &fit.bench_from_board, &part, &bench, &known)
                .with_context(|| format!("{}", args.bench.display()))?;
            Some((judgement, moves))
        }
    };
    let answer = Answer { alignment, fit, total_ms: start.elapsed().as_secs_f64() * 1e3 };
    if let Some(path) = &args.overlay {
        // Marks stand where they are seen, at the magnification that was found.
        let scales = [&answer.alignment.terminals, &answer.alignment.lands].map(|side| side.scale.unwrap_or(1.0));
        let seen_through = Bench { optics: landfit_vision::at_scales(&bench.optics, scales), ..bench.clone() };
        overlay::write(path, &shots, &answer, &part, &seen_through)?;
    }
    Ok((part, bench, answer))
}

/// Names the file that an error of alignment is about.
fn named(error: &landfit_vision::AlignError, args: &Args) -> anyhow::Error {
    use landfit_vision::{AlignError as E, Misfit};
    let file = match error {
        E::Pictures(Misfit::Size { index, .. }) => args.pictures.get(*index).unwrap_or(&args.bench),
        E::TooFewSites { .. } => &args.part,
        _ => &args.bench,
    };
    anyhow::anyhow!("{}: {error}", file.display())
}

fn known(args: &Args, bench: &Bench) -> anyhow::Result<Known> {
    let mut known = Known::default();
    let split = |text: &str, option: &str| -> anyhow::Result<(String, String)> {
        let Some((name, value)) = text.split_once('=') else { bail!("{option} {text}: write NAME=VALUE, as in {option} X=…") };
        if !bench.adjusters.iter().any(|a| a.name == name) {
            let names: Vec<&str> = bench.adjusters.iter().map(|a| a.name.as_str()).collect();
            bail!("{option} {text}: the bench has no adjuster called {name} (it has {})", names.join(", "));
        }
        Ok((name.to_owned(), value.to_owned()))
    };
    for text in &args.last {
        let (name, value) = split(text, "--last")?;
        let sense = match value.as_str() {
            "clockwise" => Sense::Clockwise,
            "anticlockwise" => Sense::Anticlockwise,
            _ => bail!("--last {text}: the sense is clockwise or anticlockwise"),
        };
        known.last_sense.insert(name, sense);
    }
    for text in &args.reading {
        let (name, value) = split(text, "--reading")?;
        let reading: f64 = value
            .parse()
            .ok()
            .filter(|v: &f64| v.is_finite())
            .with_context(|| format!("--reading {text}: write the reading as a number of turns, as in X=3.27"))?;
        let scale = bench.adjusters.iter().find(|a| a.name == name).map_or(ReadingScale::TURNS, |a| a.scale.clone());
        known.reading_turns.insert(name, scale.turns(reading));
    }
    Ok(known)
}

fn status(answer: &Answer) -> u8 {
    match &answer.fit {
        None => 3,
        Some((judgement, _)) if judgement.decision == Decision::Within && answer.alignment.is_clear() => 0,
        Some(_) => 1,
    }
}
