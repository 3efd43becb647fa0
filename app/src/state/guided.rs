//! Hands that follow the window's own guidance, scripted: the move that is shown bright, then a rest, then the next. They may slip.

use super::job::{Finding, Job, JobState, worst_apart_mm};
use landfit_calibration::moves::noticed::Noticed;
use landfit_calibration::moves::{Known, MovePlan};
use landfit_part::{Part, Pose};
use landfit_rehearsal::scenario::Setting;
use landfit_rehearsal::simulated::{Hands, SimulatedBench, Slip, Turned};
use landfit_vision::answer::{Alignment, Outcome};
use serde::Serialize;
use std::collections::BTreeMap;
use std::sync::Arc;

/// More moves than this mean that it does not come to an end.
pub const MOST_MOVES: usize = 40;

/// What came of one rehearsal.
#[derive(Debug, Clone, Default, Serialize)]
pub struct Guided {
    /// It ended good to place.
    pub good: bool,
    /// It ended good to place, but in truth the worst miss was above the allowance.
    pub wrongly_good: bool,
    /// Any look on the way that was good to place although in truth it was not.
    pub wrongly_good_on_the_way: usize,
    /// Moves made.
    pub moves: usize,
    /// Looks measured.
    pub looks: usize,
    /// Seconds that hands would need: see [`seconds`].
    pub seconds: f64,
    /// Slips: made, and noticed within two measurements after.
    pub slips: BTreeMap<&'static str, [usize; 2]>,
    /// Times that something was said although nothing had slipped.
    pub said_without_slip: usize,
    /// Moves without a slip.
    pub without_slip: usize,
    /// The true worst miss at the end, µm.
    pub worst_um: f64,
    /// What it ended with, where not good.
    pub ended: String,
}

/// Seconds of a move: two to find the knob and let it rest, and a turn a second. Common practice, no source.
#[must_use]
pub fn seconds(turned: &Turned) -> f64 {
    2.0 + turned.turns.abs()
}

/// Follows the guidance on one bench until it is good to place. `look` measures the bench as it stands.
///
/// # Errors
/// Only if an embedded file is broken, or a look fails.
pub fn follow(
    setting: &Setting,
    seed: u64,
    hands: &Hands,
    look: &mut dyn FnMut(&SimulatedBench, &Part) -> anyhow::Result<Alignment>,
) -> anyhow::Result<Guided> {
    let (part, bench) = (Arc::new(setting.part()?), Arc::new(setting.bench()?));
    let mut simulated = setting.start(seed)?;
    let mut job = Job::new(Arc::clone(&part), bench, Known::default());
    let mut told = Guided::default();
    let mut now_s = 0.0;
    let mut last: Vec<Turned> = Vec::new();
    let mut turned_back = 0;
    for _ in 0..MOST_MOVES {
        let mut said: Vec<Noticed> = Vec::new();
        let mut refused = None;
        // Two looks at rest are what tells a rest.
        for _ in 0..2 {
            now_s += 0.5;
            told.looks += 1;
            let alignment = look(&simulated, &part)?;
            refused = match &alignment.outcome {
                Outcome::Refused(refusal) => Some(refusal.text.clone()),
                Outcome::Fit(_) => None,
            };
            job.look(&alignment, true, now_s);
            said.extend(job.noticed());
            if job.state() == JobState::GoodToPlace && worst_mm(&part, &simulated) > part.allowance().miss_mm {
                told.wrongly_good_on_the_way += 1;
            }
        }
        count(&mut told, &last, &said);
        if let Some(text) = refused {
            told.ended = text;
            if turned_back >= 3 || last.is_empty() {
                break;
            }
            // As the screen says: what came with the last turn is turned back.
            turned_back += 1;
            simulated.undo(&last);
            last.clear();
            continue;
        }
        if let Some(Finding::Unusable(text)) = job.finding() {
            told.ended = text.clone();
            break;
        }
        if job.state() == JobState::GoodToPlace && job.is_at_rest() {
            told.good = true;
            told.ended.clear();
            break;
        }
        let next = job.to_turn().first().map(|(m, _)| (*m).clone());
        let Some(next) = next else {
            if job.state() == JobState::Moved {
                job.go_on(now_s);
                last.clear();
                continue;
            }
            told.ended = "nothing left to turn".into();
            break;
        };
        let Some(found) = job.found() else { break };
        let plan = MovePlan { moves: vec![next], ..found.advice.plan.clone() };
        last = simulated.make(&plan, hands);
        told.moves += last.iter().filter(|t| !t.adjuster.is_empty()).count();
        let spent: f64 = last.iter().map(seconds).sum();
        told.seconds += spent + 1.0;
        now_s += spent;
    }
    if !told.good && told.ended.is_empty() {
        told.ended = "no end".into();
    }
    let worst = worst_mm(&part, &simulated);
    told.worst_um = worst * 1000.0;
    told.wrongly_good = told.good && worst > part.allowance().miss_mm;
    Ok(told)
}

fn count(told: &mut Guided, last: &[Turned], said: &[Noticed]) {
    if last.is_empty() {
        return;
    }
    let slips: Vec<Slip> = last.iter().filter_map(|t| t.slip).collect();
    if slips.is_empty() {
        told.without_slip += 1;
        told.said_without_slip += usize::from(!said.is_empty());
        return;
    }
    for slip in slips {
        let counts = told.slips.entry(slip.word()).or_default();
        counts[0] += 1;
        counts[1] += usize::from(!said.is_empty());
    }
}

/// The true worst miss, mm.
#[must_use]
pub fn worst_mm(part: &Part, bench: &SimulatedBench) -> f64 {
    worst_apart_mm(part, &bench.offset(), &Pose::IDENTITY)
}
