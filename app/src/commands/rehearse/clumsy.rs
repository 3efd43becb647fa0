//! Many rehearsals with hands that slip, and what came of them.

use anyhow::Context;
use indicatif::{ProgressBar, ProgressStyle};
use landfit_rehearsal::clumsy::{MOST_LOOKS, Tally, run as run_rehearsals, sum};
use landfit_rehearsal::scenario::Setting;
use serde::Serialize;
use std::process::ExitCode;

/// The figures as JSON.
#[derive(Serialize)]
struct Figures {
    schema: u32,
    seed: u64,
    benches: Vec<Named>,
    all: Tally,
}

#[derive(Serialize)]
struct Named {
    bench: &'static str,
    #[serde(flatten)]
    tally: Tally,
}

/// So many of the rehearsals must end within.
const LEAST_WITHIN: f64 = 0.99;

/// Runs the rehearsals and prints their figures. Ends with 1 when any said "within" wrongly, or fewer than 99 % ended within.
pub fn run(settings: &[Setting], count: usize, seed: u64, json: bool) -> anyhow::Result<ExitCode> {
    let style = ProgressStyle::with_template("{bar:40} {pos}/{len} rehearsals, {eta} to go").context("progress bar")?;
    let bar = ProgressBar::new(count as u64).with_style(style);
    let tallies = run_rehearsals(settings, count, seed, &|| bar.inc(1))?;
    bar.finish_and_clear();
    let all = sum(tallies.iter());
    let benches = settings.iter().zip(tallies).map(|(s, tally)| Named { bench: s.name, tally }).collect();
    let figures = Figures { schema: 1, seed, benches, all };
    if json {
        println!("{}", serde_json::to_string_pretty(&figures)?);
    } else {
        print_table(&figures);
    }
    let good = figures.all.said_within_wrongly == 0 && share(figures.all.within, figures.all.rehearsals) >= LEAST_WITHIN;
    Ok(ExitCode::from(u8::from(!good)))
}

fn print_table(figures: &Figures) {
    let all = &figures.all;
    println!("{} rehearsals with clumsy hands, seed {}; every look is a rendered picture.", all.rehearsals, figures.seed);
    println!();
    for (name, tally) in figures.benches.iter().map(|b| (b.bench, &b.tally)).chain([("all", all)]) {
        println!("{name:<22} {}", ending_line(tally));
        println!("{:<22} {}", "", work_line(tally));
    }
    println!();
    println!("{:<16} {:>6} {:>6} {:>7} {:>10} {:>8}", "slip", "made", "alone", "named", "otherwise", "silent");
    for (word, slip) in &all.slips {
        let silent = slip.alone - slip.named - slip.said_otherwise;
        println!("{word:<16} {:>6} {:>6} {:>7} {:>10} {:>8}", slip.made, slip.alone, slip.named, slip.said_otherwise, silent);
    }
    println!(
        "Named, said otherwise or passed over in silence: of the slips that were alone in their round. Said without any slip: {} of {} rounds.",
        all.said_without_slip, all.rounds_without_slip
    );
    if let Some(reason) = &all.first_failure {
        println!("first failure: {reason}");
    }
    if let Some(seed) = all.trouble_seeds.first() {
        println!("{} in trouble; the first has the seed {seed}", all.trouble_seeds.len());
    }
}

fn ending_line(tally: &Tally) -> String {
    let mut line = format!(
        "within {} of {} ({:.1} %), said within wrongly {} of {} looks",
        tally.within,
        tally.rehearsals,
        100.0 * share(tally.within, tally.rehearsals),
        tally.said_within_wrongly,
        tally.said_within
    );
    let no_end = format!("no end in {MOST_LOOKS} looks");
    for (n, what) in [
        (tally.nothing_to_turn, "nothing to turn"),
        (tally.no_answer, "no answer"),
        (tally.out_of_looks, no_end.as_str()),
        (tally.failed, "failed"),
    ] {
        if n > 0 {
            line += &format!(", {what} {n}");
        }
    }
    line
}

fn work_line(tally: &Tally) -> String {
    let spread = |sorted: &[usize]| {
        let at =
            |share: f64| sorted.get(((sorted.len() as f64 * share) as usize).min(sorted.len().saturating_sub(1))).copied().unwrap_or(0);
        format!("{} / {} / {}", at(0.5), at(0.95), at(1.0))
    };
    format!(
        "looks {}, moves {} (median / 95 % / most); worst at the end {:.1} µm; turned back {}",
        spread(&tally.looks),
        spread(&tally.moves),
        tally.worst_at_end_um,
        tally.turned_back
    )
}

fn share(part: usize, whole: usize) -> f64 {
    if whole == 0 { 0.0 } else { part as f64 / whole as f64 }
}
