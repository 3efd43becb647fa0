//! The rehearsal of one job, told step by step.

use crate::words::sentences::{
    capital, left_text, moves_text, noticed_text, offset_text, short_length_text, terminal_word, uncertainty_text, worst_text,
};
use anyhow::anyhow;
use landfit_calibration::bench::Bench;
use landfit_part::{Part, Side};
use landfit_rehearsal::job::{Ending, JobError, Round, rehearse};
use landfit_rehearsal::scenario::Setting;
use landfit_rehearsal::simulated::{Hands, SimulatedBench};
use landfit_rehearsal::{picture, save};
use landfit_vision::align::align;
use landfit_vision::answer::{Alignment, Outcome};
use std::path::Path;
use std::process::ExitCode;

/// More looks than this mean that the job does not come to an end.
const MOST_LOOKS: usize = 10;

/// Rehearses the job on one bench and leaves the pictures in `folder`.
pub fn run(setting: &Setting, folder: &Path, seed: u64) -> anyhow::Result<ExitCode> {
    let part = setting.part()?;
    let mut bench = setting.start(seed)?;
    let file = bench.bench.clone();
    let known = bench.known();
    println!("A rehearsal (seed {seed}): {} over its lands on \"{}\".", part.name, file.name);
    println!("All pictures are rendered; they go to {}.", folder.display());
    let mut looks = 0_u64;
    let mut look = |bench: &SimulatedBench| {
        looks += 1;
        let alignment = look(bench, &part, folder, looks, seed);
        println!();
        println!("Look {looks} ({})", folder.join(format!("look-{looks}.png")).display());
        alignment
    };
    let ending = rehearse(&mut bench, &part, &Hands::CAREFUL, known, MOST_LOOKS, &mut look, &mut |round| tell(round, &part, &file));
    let ending = ending.map_err(|error| match error {
        JobError::Measure(error) => error,
        other => anyhow!(other),
    })?;
    println!();
    println!("{}", ending_text(&ending, &part, &bench));
    Ok(match ending {
        Ending::Good => ExitCode::SUCCESS,
        Ending::NothingToTurn(_) | Ending::OutOfRounds => ExitCode::from(1),
        Ending::NoAnswer(_) => ExitCode::from(3),
    })
}

/// Renders the bench as it stands, keeps the picture, measures it. Every look has noise of its own.
fn look(bench: &SimulatedBench, part: &Part, folder: &Path, number: u64, seed: u64) -> anyhow::Result<Alignment> {
    let rendered = picture::render(bench, part, landfit_rehearsal::study::scene_seed(seed, number as usize))?;
    save::save_pictures(folder, &format!("look-{number}"), &rendered)?;
    Ok(align(&picture::exposures(&rendered), part, &bench.bench.optics)?)
}

fn tell(round: &Round, part: &Part, bench: &Bench) {
    for line in round_text(round, part, bench) {
        println!("  {line}");
    }
}

fn round_text(round: &Round, part: &Part, bench: &Bench) -> Vec<String> {
    let mut lines: Vec<String> = round.noticed.iter().map(|n| format!("{}.", capital(&noticed_text(n, bench)))).collect();
    lines.extend(round.alignment.warnings.iter().map(|w| format!("Mind: {w}.")));
    let (fit, advice) = match (&round.alignment.outcome, &round.advice) {
        (Outcome::Fit(fit), Some(advice)) => (fit, advice),
        (Outcome::Refused(refusal), _) => {
            lines.push(format!("No answer ({}): {}", refusal.code.word(), refusal.text));
            if round.turned_back {
                lines.push("The last moves are turned back.".to_owned());
            }
            return lines;
        }
        (Outcome::Fit(_), None) => return lines,
    };
    lines.push(format!("Against its lands the part sits {}.", offset_text(&fit.offset)));
    lines.push(format!("  {}", uncertainty_text(fit)));
    lines.push(format!("{}: {}.", capital(&worst_text(&advice.judgement, part)), advice.judgement.decision.word()));
    if advice.is_worth_turning() {
        let told = moves_text(&advice.plan, bench);
        lines.extend(told.iter().enumerate().map(|(i, line)| if i == 0 { capital(line) } else { format!("then {line}") }));
        lines.push(format!("{}.", capital(&left_text(&advice.plan, part))));
    } else {
        lines.push("Nothing is left that is worth turning.".to_owned());
    }
    lines.extend(advice.plan.warnings.iter().map(|w| format!("Mind: {w}.")));
    lines
}

fn ending_text(ending: &Ending, part: &Part, bench: &SimulatedBench) -> String {
    let left = bench.offset();
    let centres = part.sites.iter().map(|s| s.centre_mm(Side::Part));
    let worst_mm = centres.map(|p| left.apply(p).distance(p)).fold(0.0, f64::max);
    let truth =
        format!("In truth, which only a rehearsal knows, the worst {} is {} off.", terminal_word(part), short_length_text(worst_mm));
    match ending {
        Ending::Good => format!("Good to place. {truth}"),
        Ending::NothingToTurn(decision) => format!("Nothing left to turn, but {}. {truth}", decision.word()),
        Ending::NoAnswer(_) => "The rehearsal ends here: nothing was turned.".to_owned(),
        Ending::OutOfRounds => format!("Still not at rest after {MOST_LOOKS} looks. {truth}"),
    }
}
