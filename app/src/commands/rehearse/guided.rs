//! Many rehearsals with clumsy hands that follow the window's own guidance, and what came of them.

use super::super::{print_json, print_lines};
use crate::state::guided::{Guided, HIDDEN_UM, Look, follow};
use landfit_rehearsal::picture;
use landfit_rehearsal::scenario::Setting;
use landfit_rehearsal::simulated::{Hands, Slip};
use landfit_rehearsal::study::scene_seed;
use rayon::prelude::*;
use std::collections::BTreeMap;
use std::process::ExitCode;

/// So many of the rehearsals must end good to place.
const LEAST_GOOD: f64 = 0.99;

/// Runs the rehearsals, the benches taking turns. Ends with 1 when any was called good to place wrongly, fewer than 99 % ended so, a wrong sense
/// or a wrong screw that can show went unnoticed too often, or too much was said where nothing slipped.
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
    let share = |n: usize, of: usize| n as f64 / of.max(1) as f64;
    let noticed = slips(&all).iter().filter(|(word, _)| NAMED.contains(word)).all(|(_, t)| {
        // Of a handful one more or less says nothing.
        t.can_show < 20 || share(t.noticed, t.can_show) >= LEAST_NOTICED
    });
    let (said, moves) = said_without_slip(&all);
    let holds = wrongly == 0 && share(good, count) >= LEAST_GOOD && noticed && share(said, moves) < MOST_SAID;
    Ok(ExitCode::from(u8::from(!holds)))
}

/// What came of the slips of one kind.
#[derive(Default, Clone, Copy)]
struct Tally {
    made: usize,
    can_show: usize,
    noticed: usize,
    named: usize,
    no_answer: usize,
}

/// These must be noticed, and are called by their names.
const NAMED: [&str; 2] = [Slip::WrongScrew.word(), Slip::WrongSense.word()];

/// So many of those that can show must be noticed, and less than so many moves without a slip may be spoken of.
const LEAST_NOTICED: f64 = 0.95;
const MOST_SAID: f64 = 0.02;

fn slips(all: &[Guided]) -> BTreeMap<&'static str, Tally> {
    let mut slips: BTreeMap<&str, Tally> = BTreeMap::new();
    for one in all.iter().flat_map(|g| &g.made) {
        for word in &one.slips {
            let tally = slips.entry(word).or_default();
            let seen = |yes: bool| usize::from(yes && one.can_show());
            tally.made += 1;
            tally.can_show += seen(true);
            tally.noticed += seen(!one.said.is_empty());
            tally.named += seen(one.named);
            tally.no_answer += usize::from(one.no_answer);
        }
    }
    slips
}

/// Moves without a slip of which something was said, and all without a slip.
fn said_without_slip(all: &[Guided]) -> (usize, usize) {
    let without = all.iter().flat_map(|g| &g.made).filter(|m| m.slips.is_empty());
    without.fold((0, 0), |(said, moves), m| (said + usize::from(!m.said.is_empty()), moves + 1))
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
    for (word, tally) in slips(all) {
        let Tally { made, can_show, noticed, named, no_answer } = tally;
        let named = if NAMED.contains(&word) { format!(", {named} by its name") } else { String::new() };
        lines.push(format!(
            "{word:<16} {made:>4} made, {can_show:>4} that can show, of them {noticed:>4} noticed within two measurements{named}; {no_answer} left no answer"
        ));
    }
    lines.push(format!("(a slip can show that carries a site more than {HIDDEN_UM} µm, and not to another told mark)"));
    let (said, moves) = said_without_slip(all);
    lines.push(format!("said without any slip: {said} of {moves} moves"));
    for ended in all.iter().filter(|g| !g.good).take(3) {
        lines.push(format!("not good: {}", ended.ended));
    }
    lines
}
