//! Many rehearsals with clumsy hands that follow the window's own guidance, and what came of them.

use super::super::{print_json, print_lines};
use crate::state::guided::{Guided, Look, follow};
use landfit_rehearsal::picture;
use landfit_rehearsal::scenario::Setting;
use landfit_rehearsal::simulated::Hands;
use landfit_rehearsal::study::scene_seed;
use rayon::prelude::*;
use std::collections::BTreeMap;
use std::process::ExitCode;

/// So many of the rehearsals must end good to place.
const LEAST_GOOD: f64 = 0.99;

/// Runs the rehearsals, the benches taking turns. Ends with 1 when any was called good to place wrongly, or fewer than 99 % ended so.
pub fn run(settings: &[Setting], count: usize, seed: u64, json: bool) -> anyhow::Result<ExitCode> {
    let all = (0..count)
        .into_par_iter()
        .map(|number| {
            let seed = scene_seed(seed, number);
            let mut looks = 0;
            follow(&settings[number % settings.len()], seed, &Hands::CLUMSY, &mut |bench, part| {
                looks += 1;
                let rendered = picture::render(bench, part, scene_seed(seed, looks))?;
                Ok(Look::Pictures(picture::exposures(&rendered)))
            })
        })
        .collect::<anyhow::Result<Vec<Guided>>>()?;
    let good = all.iter().filter(|g| g.good).count();
    let wrongly: usize = all.iter().map(|g| g.wrongly_good_on_the_way + usize::from(g.wrongly_good)).sum();
    if json {
        print_json(&serde_json::json!({"schema": 1, "seed": seed, "good": good, "wrongly": wrongly, "rehearsals": all}))?;
    } else {
        print_lines(&lines(&all, good, wrongly, seed))?;
    }
    let share = good as f64 / count.max(1) as f64;
    Ok(ExitCode::from(u8::from(wrongly > 0 || share < LEAST_GOOD)))
}

fn lines(all: &[Guided], good: usize, wrongly: usize, seed: u64) -> Vec<String> {
    let mut lines = Vec::new();
    lines.push(format!(
        "{} rehearsals with clumsy hands by the window's own guidance, seed {seed}; every look is a rendered picture.",
        all.len()
    ));
    lines.push(format!(
        "good to place {good} of {} ({:.1} %), wrongly {wrongly}",
        all.len(),
        100.0 * good as f64 / all.len().max(1) as f64
    ));
    let spread = |of: &dyn Fn(&Guided) -> f64| {
        let mut values: Vec<f64> = all.iter().filter(|g| g.good).map(of).collect();
        values.sort_by(f64::total_cmp);
        let at =
            |share: f64| values.get(((values.len() as f64 * share) as usize).min(values.len().saturating_sub(1))).copied().unwrap_or(0.0);
        format!("{:.0} / {:.0} / {:.0}", at(0.5), at(0.95), at(1.0))
    };
    lines.push(format!(
        "moves {}, seconds {} (median / 95 % / most; two seconds a move and one a turn); worst at the end {:.1} µm",
        spread(&|g| g.moves as f64),
        spread(&|g| g.seconds),
        all.iter().filter(|g| g.good).map(|g| g.worst_um).fold(0.0, f64::max)
    ));
    let mut slips: BTreeMap<&str, [usize; 2]> = BTreeMap::new();
    for (word, [made, heard]) in all.iter().flat_map(|g| &g.slips) {
        let sum = slips.entry(word).or_default();
        sum[0] += made;
        sum[1] += heard;
    }
    for (word, [made, heard]) in slips {
        lines.push(format!("{word:<16} {made:>4} made, {heard:>4} noticed within two measurements"));
    }
    let (said, moves) = all.iter().fold((0, 0), |(s, m), g| (s + g.said_without_slip, m + g.without_slip));
    lines.push(format!("said without any slip: {said} of {moves} moves"));
    for ended in all.iter().filter(|g| !g.good).take(3) {
        lines.push(format!("not good: {}", ended.ended));
    }
    lines
}
