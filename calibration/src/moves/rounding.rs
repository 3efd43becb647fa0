//! Joint rounding of all moves to what the hand can set, so that the worst miss left is least.

use super::motion::Stand;
use super::reach::Reach;

/// What the hand can do with one adjuster.
#[derive(Debug, Clone, Copy)]
pub struct Settable {
    /// The smallest step the hand can set, turns; `None` for a bare knob.
    pub step_turns: Option<f64>,
    /// The least and the largest turns that its travel allows from here.
    pub from_to_turns: [f64; 2],
}

impl Settable {
    /// Whole numbers of steps near `turns`, within the travel.
    fn near(&self, turns: f64, step_turns: f64) -> std::ops::RangeInclusive<i64> {
        let [lo, hi] = self.steps_within(step_turns);
        let wanted = turns / step_turns;
        let (from, to) = ((wanted.floor() as i64).saturating_sub(1), (wanted.ceil() as i64).saturating_add(1));
        from.clamp(lo, hi)..=to.clamp(lo, hi)
    }

    /// The least and the largest whole number of steps within the travel.
    fn steps_within(&self, step_turns: f64) -> [i64; 2] {
        // The small slack keeps a travel end that is a whole number of divisions reachable in spite of binary fractions.
        let [lo, hi] = self.from_to_turns.map(|t| t / step_turns);
        [(lo - 1e-9).ceil() as i64, (hi + 1e-9).floor() as i64]
    }
}

/// Turns of every adjuster (index for index) that the hand can set and that leave the least worst miss.
///
/// Adjusters are fixed one after the other at each settable value near the exact one, those still free solved again, and
/// the best set of values is then compared with every neighbour of up to two steps on each adjuster, jointly, until none
/// is better. Bare knobs take what is left, exactly. Deterministic; of equal sets the first found stays.
pub fn settable_turns(stand: &Stand, reach: &Reach, settable: &[Settable]) -> Vec<f64> {
    let stepped = stand.order.iter().copied().filter(|&i| settable[i].step_turns.is_some());
    let bare = stand.order.iter().copied().filter(|&i| settable[i].step_turns.is_none());
    let sequence: Vec<usize> = stepped.chain(bare).collect();
    let mut search = Search { stand, reach, settable, sequence: &sequence, best: None };
    search.fix_from(0, &mut vec![0.0; stand.adjusters.len()]);
    while search.neighbours_are_better() {}
    search.best.map_or_else(|| vec![0.0; stand.adjusters.len()], |best| best.turns)
}

struct Search<'a> {
    stand: &'a Stand<'a>,
    reach: &'a Reach,
    settable: &'a [Settable],
    /// Adjusters in the order in which they are fixed: those with steps first, so that bare knobs take up the rest.
    sequence: &'a [usize],
    best: Option<Best>,
}

struct Best {
    turns: Vec<f64>,
    worst_miss_mm: f64,
}

impl Search<'_> {
    /// Fixes the adjusters from `level` on at every settable value near the exact one; true when the best got better.
    fn fix_from(&mut self, level: usize, turns: &mut Vec<f64>) -> bool {
        let Some(&i) = self.sequence.get(level) else { return self.offer(turns) };
        self.stand.solve(self.reach, turns, &self.sequence[level..]);
        let exact = turns.clone();
        let mut better = false;
        match self.settable[i].step_turns {
            Some(step_turns) => {
                for steps in self.settable[i].near(exact[i], step_turns) {
                    turns.copy_from_slice(&exact);
                    turns[i] = steps as f64 * step_turns;
                    better |= self.fix_from(level + 1, turns);
                }
            }
            None => {
                let [lo, hi] = self.settable[i].from_to_turns;
                turns[i] = turns[i].clamp(lo, hi);
                better |= self.fix_from(level + 1, turns);
            }
        }
        better
    }

    /// Takes `turns` when they leave a smaller worst miss than the best so far.
    fn offer(&mut self, turns: &[f64]) -> bool {
        // A billionth of a mm decides nothing; without it, rounding errors would choose among equals.
        let worst_miss_mm = self.reach.worst(&self.stand.left_after(turns)).1;
        let better = self.best.as_ref().is_none_or(|b| worst_miss_mm < b.worst_miss_mm - 1e-9);
        if better {
            self.best = Some(Best { turns: turns.to_vec(), worst_miss_mm });
        }
        better
    }

    /// Tries every set of values up to two steps away on each stepped adjuster; true when one was better.
    fn neighbours_are_better(&mut self) -> bool {
        let Some(best) = &self.best else { return false };
        let start = best.turns.clone();
        let stepped: Vec<(usize, f64)> = self.sequence.iter().filter_map(|&i| Some((i, self.settable[i].step_turns?))).collect();
        let mut better = false;
        for code in 0..5_usize.pow(stepped.len() as u32) {
            let mut turns = start.clone();
            let mut digits = code;
            let mut within = true;
            for &(i, step_turns) in &stepped {
                let steps = ((start[i] / step_turns).round() as i64).saturating_add((digits % 5) as i64 - 2);
                digits /= 5;
                let [lo, hi] = self.settable[i].steps_within(step_turns);
                within &= (lo..=hi).contains(&steps);
                turns[i] = steps as f64 * step_turns;
            }
            if within {
                better |= self.fix_from(stepped.len(), &mut turns);
            }
        }
        better
    }
}
