//! The study: many scenes of each kind, measured on all cores, and what came of them.

use anyhow::Context;
use indicatif::{ProgressBar, ProgressStyle};
use landfit_rehearsal::kind;
use landfit_rehearsal::presence::Presence;
use landfit_rehearsal::study::{Spread, Summary, run as run_scenes, summary};
use landfit_scene::SceneKind;
use landfit_vision::align::align;
use serde::Serialize;
use std::process::ExitCode;

/// What all kinds together are called.
const POOLED: &str = "all";

/// The figures as JSON.
#[derive(Serialize)]
struct Figures {
    schema: u32,
    seed: u64,
    scenes_per_kind: usize,
    kinds: Vec<Summary>,
    pooled: Summary,
}

/// What the answers are compared with.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Against {
    /// The truth.
    Truth,
    /// The truth, and the least error that any method could have.
    TruthAndBound,
}

/// Runs the study and prints its figures. Ends with 1 when anything was wrong, refused with a reason that is not so, failed, or left above
/// the bar by a round of moves, or when too few of a kind were answered usefully.
pub fn run(kinds: &[SceneKind], scenes: usize, seed: u64, against: Against, json: bool) -> anyhow::Result<ExitCode> {
    let bar = progress(kinds.len() * scenes)?;
    let draw = |kind: &SceneKind, seed: u64| {
        let look = match against {
            Against::Truth => kind::draw(*kind, seed).map(|d| d.look),
            Against::TruthAndBound => kind::look_with_bound(*kind, seed),
        };
        look.map_err(|e| e.to_string())
    };
    let measure = |look: &landfit_rehearsal::study::Look| align(&look.pictures, &look.part, &look.optics).map_err(|e| e.to_string());
    let scored = run_scenes(kinds, scenes, seed, &draw, &measure, &|| bar.inc(1))?;
    bar.finish_and_clear();
    let figures = Figures {
        schema: 1,
        seed,
        scenes_per_kind: scenes,
        kinds: kinds.iter().zip(&scored).map(|(kind, scored)| summary(kind.word(), kind::least_settled(*kind), scored)).collect(),
        pooled: summary(POOLED, 0.0, &scored.concat()),
    };
    if json {
        println!("{}", serde_json::to_string_pretty(&figures)?);
    } else {
        print_table(&figures);
    }
    let is_clean = is_clean(&figures.pooled) && !figures.kinds.iter().any(|kind| kind.too_few_settled);
    Ok(ExitCode::from(u8::from(!is_clean)))
}

fn progress(scenes: usize) -> anyhow::Result<ProgressBar> {
    // Drawn on standard error; hidden when that is not a terminal.
    let style = ProgressStyle::with_template("{bar:40} {pos}/{len} scenes, {eta} to go").context("progress bar")?;
    Ok(ProgressBar::new(scenes as u64).with_style(style))
}

fn is_clean(sum: &Summary) -> bool {
    let trouble = sum.wrong + sum.presence.missing_told_good + sum.untruly_refused + sum.other_code + sum.failed;
    trouble == 0 && sum.within_bar.is_none_or(|share| share >= 1.0)
}

/// So many scenes to look into are named for each kind.
const MOST_SEEDS: usize = 6;

fn print_table(figures: &Figures) {
    println!("{} scenes of each kind, seed {}. Errors as median / 95 % / worst.", figures.scenes_per_kind, figures.seed);
    println!();
    for sum in figures.kinds.iter().chain([&figures.pooled]) {
        println!("{}", counts_line(sum));
        for line in error_lines(sum) {
            println!("    {line}");
        }
        if !sum.trouble_seeds.is_empty() && sum.kind != POOLED {
            let seeds: Vec<String> = sum.trouble_seeds.iter().take(MOST_SEEDS).map(u64::to_string).collect();
            println!("    to look into, of {}: --kinds {} --save DIR --seed {}", sum.trouble_seeds.len(), sum.kind, seeds.join(" or "));
        }
        if let Some(seed) = sum.worst_seed.filter(|_| sum.kind != POOLED) {
            println!("    furthest off: --kinds {} --save DIR --seed {seed}", sum.kind);
        }
    }
    let pooled = &figures.pooled;
    println!(
        "{} wrong in {} scenes: with 95 % confidence fewer than {:.2} % of such scenes are",
        pooled.wrong,
        pooled.scenes,
        100.0 * pooled.wrong_share_below
    );
}

fn counts_line(sum: &Summary) -> String {
    let due = if sum.answer_due == sum.scenes {
        format!("answered {} of {}", sum.answered, sum.scenes)
    } else if sum.answer_due == 0 {
        format!("refused {} of {}", sum.rightly_refused, sum.scenes)
    } else {
        format!("answered {} of {}, refused {} of {}", sum.answered, sum.answer_due, sum.rightly_refused, sum.scenes - sum.answer_due)
    };
    let mut line = format!("{:<18} {due}, wrong {}", sum.kind, sum.wrong);
    if sum.answered_undue > 0 {
        line += &format!(", answered rightly {}", sum.answered_undue);
    }
    let codes: Vec<String> = sum.refused.iter().map(|(code, n)| format!("{code} {n}")).collect();
    for (what, n) in [("refused without need", sum.wrongly_refused), ("other code", sum.other_code), ("failed", sum.failed)] {
        if n > 0 {
            line += &format!(", {what} {n}");
        }
    }
    if sum.too_few_settled {
        line += ", too few answered";
    }
    if !codes.is_empty() {
        line += &format!("  ({})", codes.join(", "));
    }
    line += &format!("  {:.1} ms", sum.ms_median);
    if let Some(reason) = &sum.first_failure {
        line += &format!("\n    first failure: {reason}");
    }
    line
}

fn presence_line(presence: &Presence) -> String {
    let Presence { told, missing, missing_told_good, there_told_absent } = presence;
    format!(
        "of {told} terminals and lands {missing} are missing, {missing_told_good} of them told good; {there_told_absent} that are there told absent"
    )
}

fn error_lines(sum: &Summary) -> Vec<String> {
    let (Some(inside), Some(pooled), Some(within_bar)) = (sum.inside, sum.inside_pooled, sum.within_bar) else { return Vec::new() };
    let um = |s: &Spread| format!("{:.2} / {:.2} / {:.2} µm", s.median, s.p95, s.worst);
    let px = |s: &Spread| format!("{:.4} / {:.4} / {:.4} px", s.median, s.p95, s.worst);
    let mut lines = vec![
        format!("centre {} = {}", um(&sum.centre_um), px(&sum.centre_px)),
        format!("part alone {}, board alone {}", um(&sum.part_um), um(&sum.board_um)),
        format!("farthest corner {} = {}", um(&sum.corner_um), px(&sum.corner_px)),
        format!(
            "inside the interval x {:.1} %, y {:.1} %, theta {:.1} %, all {:.1} %",
            inside[0] * 100.0,
            inside[1] * 100.0,
            inside[2] * 100.0,
            pooled * 100.0
        ),
        format!(
            "half-width at the farthest corner {:.2} µm on the mean, {:.1} x the errors' RMS; at most a quarter of the allowed miss in {:.1} %",
            sum.half_width_um,
            sum.half_width_over_rms.unwrap_or(f64::NAN),
            sum.useful.unwrap_or(f64::NAN) * 100.0
        ),
        format!(
            "after one round of moves below the bar {:.1} %, worst {:.2} of it",
            within_bar * 100.0,
            sum.worst_over_bar.unwrap_or(f64::NAN)
        ),
        presence_line(&sum.presence),
    ];
    if let (Some([centre, theta]), Some(bound_um)) = (sum.over_bound, sum.bound_um) {
        lines.push(format!("RMS error over the Cramér–Rao bound: centre {centre:.2} x {bound_um:.3} µm, theta {theta:.2} x"));
    }
    lines
}
