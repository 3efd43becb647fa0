//! Joint rounding of all moves to what the hand can set, so that the worst miss left is least.

use super::motion::Stand;
use super::reach::Reach;
use crate::bench::Motion;

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

    /// How far `turns` is past the end of the travel; 0 within it. Half a step is what rounding may take back.
    pub fn past_end_turns(&self, turns: f64) -> f64 {
        let [lo, hi] = self.from_to_turns;
        let past = (lo - turns).max(turns - hi);
        if past <= self.step_turns.unwrap_or(0.0) / 2.0 + 1e-9 { 0.0 } else { past }
    }

    /// The end of the travel towards `turns`, as the hand can set it.
    pub fn end_towards(&self, turns: f64) -> f64 {
        match self.step_turns {
            Some(step_turns) => self.steps_within(step_turns)[usize::from(turns > 0.0)] as f64 * step_turns,
            None => self.from_to_turns[usize::from(turns > 0.0)],
        }
    }

    /// The least and the largest whole number of steps within the travel.
    fn steps_within(&self, step_turns: f64) -> [i64; 2] {
        // The small slack keeps a travel end that is a whole number of divisions reachable in spite of binary fractions.
        let [lo, hi] = self.from_to_turns.map(|t| t / step_turns);
        [(lo - 1e-9).ceil() as i64, (hi + 1e-9).floor() as i64]
    }
}

/// Far rotations are tried so many steps beyond the near ones at most; they only help where shifts are coarse beside them.
/// Nor does a fine screw make up for a coarse one by more steps: turning it that long is no gain to the hand.
const MOST_STEPS_AWAY: i64 = 30;

/// Which adjusters turn, and from where their turns are found.
#[derive(Debug, Clone, Copy)]
pub struct Chosen<'a> {
    /// Exact turns of every adjuster; those that are not listed below stay as they are here.
    pub exact: &'a [f64],
    /// The adjusters that together take out what can be taken out.
    pub turning: &'a [usize],
    /// One more, that only takes up what rounding the others leaves.
    pub finer: Option<usize>,
}

/// Turns of every adjuster (index for index) that the hand can set and that leave the least worst miss, and that miss in mm.
///
/// Adjusters are fixed one after the other at each settable value near the exact one, those still free solved again, and
/// the best set of values is then compared with every neighbour of up to three steps on each adjuster but the finest (more
/// on fewer than four adjusters), jointly, the finest wherever it then leaves least, until none is better. Bare knobs take
/// what is left, exactly. Of equal sets the least total of turns decides. Deterministic.
pub fn settable_turns(stand: &Stand, reach: &Reach, settable: &[Settable], chosen: &Chosen) -> (Vec<f64>, f64) {
    let has_steps = |i: &usize| settable[*i].step_turns.is_some();
    let (stepped, bare): (Vec<usize>, Vec<usize>) = chosen.turning.iter().copied().partition(has_steps);
    let sequence: Vec<usize> = stepped.into_iter().chain(bare).chain(chosen.finer).collect();
    let mut search = Search { stand, reach, settable, sequence: &sequence, solved: chosen.turning.len(), best: None };
    search.fix_from(0, &mut chosen.exact.to_vec());
    while search.neighbours_are_better() {}
    search.best.map_or_else(|| (chosen.exact.to_vec(), f64::INFINITY), |best| (best.turns, best.worst_miss_mm))
}

struct Search<'a> {
    stand: &'a Stand<'a>,
    reach: &'a Reach,
    settable: &'a [Settable],
    /// Adjusters in the order in which they are fixed: those with steps first, so that bare knobs take up the rest.
    sequence: &'a [usize],
    /// So many of them are solved for together; one more comes after them, alone.
    solved: usize,
    best: Option<Best>,
}

struct Best {
    turns: Vec<f64>,
    worst_miss_mm: f64,
    /// Sum of the turns of all adjusters, either way round.
    total_turns: f64,
}

impl Best {
    /// Worst miss first, then the total of turns: less is better. Counted in billionths of a mm and of a turn, which
    /// decide nothing; without that, rounding errors would choose among equals.
    fn rank(&self) -> (i64, i64) {
        ((self.worst_miss_mm * 1e9).round() as i64, (self.total_turns * 1e9).round() as i64)
    }
}

impl Search<'_> {
    /// Fixes the adjusters from `level` on at every settable value near the exact one; true when the best got better.
    fn fix_from(&mut self, level: usize, turns: &mut Vec<f64>) -> bool {
        let Some(&i) = self.sequence.get(level) else { return self.offer(turns).1 };
        let free = if level < self.solved { &self.sequence[level..self.solved] } else { &self.sequence[level..] };
        self.stand.solve(self.reach, turns, free);
        let exact = turns.clone();
        let mut better = false;
        match self.settable[i].step_turns {
            Some(step_turns) => {
                let near = self.settable[i].near(exact[i], step_turns);
                let mut fix_at = |search: &mut Self, steps: i64| {
                    turns.copy_from_slice(&exact);
                    turns[i] = steps as f64 * step_turns;
                    search.fix_from(level + 1, turns)
                };
                for steps in near.clone() {
                    better |= fix_at(self, steps);
                }
                if level == 0 {
                    let [lo, hi] = self.settable[i].steps_within(step_turns);
                    let away = 1..=MOST_STEPS_AWAY;
                    for steps in away.flat_map(|n| [near.start().saturating_sub(n), near.end().saturating_add(n)]) {
                        if (lo..=hi).contains(&steps) && self.may_be_better(i, steps as f64 * step_turns - exact[i]) {
                            better |= fix_at(self, steps);
                        }
                    }
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

    /// Whether a rotation so many turns from the exact one could leave less than the best so far. A pattern turned by an
    /// angle has a worst miss of at least the chord at the circle round it, wherever the shifts put it.
    fn may_be_better(&self, adjuster: usize, off_turns: f64) -> bool {
        let Motion::Rotation { step_rad, .. } = self.stand.adjusters[adjuster].turn else { return false };
        let chord_mm = 2.0 * (step_rad * off_turns / 2.0).sin().abs() * self.reach.radius_mm;
        self.best.as_ref().is_none_or(|best| chord_mm < best.worst_miss_mm)
    }

    /// The worst miss that `turns` leave, mm, and whether they are better than the best so far, in whose place they then are.
    fn offer(&mut self, turns: &[f64]) -> (f64, bool) {
        let (turns, worst_miss_mm) = self.with_bare_knobs_at_their_best(turns.to_vec());
        let total_turns = turns.iter().map(|t| t.abs()).sum();
        let offered = Best { turns, worst_miss_mm, total_turns };
        let better = self.best.as_ref().is_none_or(|best| offered.rank() < best.rank());
        if better {
            self.best = Some(offered);
        }
        (worst_miss_mm, better)
    }

    /// Where something is left, the least squares are not the least worst miss: bare knobs are tried to either side, all
    /// together, by ever smaller amounts.
    fn with_bare_knobs_at_their_best(&self, mut turns: Vec<f64>) -> (Vec<f64>, f64) {
        let worst = |turns: &[f64]| self.reach.worst(&self.stand.left_after(turns)).1;
        let mut least_mm = worst(&turns);
        let bare: Vec<usize> = self.sequence.iter().copied().filter(|&i| self.settable[i].step_turns.is_none()).collect();
        if bare.is_empty() || least_mm < 1e-6 {
            return (turns, least_mm);
        }
        let mut by_turns = 0.5;
        while by_turns > 1e-6 {
            let tries = (0..3_usize.pow(bare.len() as u32)).map(|code| {
                let mut tried = turns.clone();
                for (k, &i) in bare.iter().enumerate() {
                    let [lo, hi] = self.settable[i].from_to_turns;
                    let digit = code / 3_usize.pow(k as u32) % 3;
                    tried[i] = (tried[i] + by_turns * (digit as f64 - 1.0)).clamp(lo, hi);
                }
                (worst(&tried), tried)
            });
            match tries.reduce(|best, other| if other.0 < best.0 { other } else { best }) {
                Some((miss_mm, tried)) if miss_mm < least_mm - 1e-12 => (turns, least_mm) = (tried, miss_mm),
                _ => by_turns /= 2.0,
            }
        }
        (turns, least_mm)
    }

    /// Tries every set of values some steps away on each stepped adjuster but the finest, which goes where it then leaves
    /// least: a fine screw makes up for a coarse one by many of its steps. True when one was better.
    fn neighbours_are_better(&mut self) -> bool {
        let Some(best) = &self.best else { return false };
        let start = best.turns.clone();
        let (stepped, bare): (Vec<usize>, Vec<usize>) = self.sequence.iter().partition(|&&i| self.settable[i].step_turns.is_some());
        let step_mm = |i: usize| self.stand.jacobian_mm(self.reach, &start, &[i]).norm() * self.settable[i].step_turns.unwrap_or(0.0);
        let Some(&finest) = stepped.iter().min_by(|&&a, &&b| step_mm(a).total_cmp(&step_mm(b))) else { return false };
        let others: Vec<(usize, f64)> =
            stepped.iter().filter(|&&i| i != finest).filter_map(|&i| Some((i, self.settable[i].step_turns?))).collect();
        let mut better = false;
        // One or two adjusters trade a turn against a shift, and the least worst miss may be some steps from the least squares.
        let away: usize = match others.len() {
            0..=1 => 20,
            2 => 7,
            _ => 3,
        };
        let settings = 2 * away + 1;
        for code in 0..settings.pow(others.len() as u32) {
            let mut turns = start.clone();
            let mut digits = code;
            let mut within = true;
            for &(i, step_turns) in &others {
                let steps = ((start[i] / step_turns).round() as i64).saturating_add((digits % settings) as i64 - away as i64);
                digits /= settings;
                let [lo, hi] = self.settable[i].steps_within(step_turns);
                within &= (lo..=hi).contains(&steps);
                turns[i] = steps as f64 * step_turns;
            }
            if within {
                better |= self.with_finest_at_its_best(turns, finest, &bare);
            }
        }
        better
    }

    /// Steps the `finest` adjuster from its exact turns to either side as long as the worst miss gets smaller, `bare` knobs
    /// taking up the rest each time; true when one of its settings is better than the best so far. The worst miss is the
    /// largest of many distances, each convex in one adjuster's turns, so that the first rise ends a side.
    fn with_finest_at_its_best(&mut self, mut turns: Vec<f64>, finest: usize, bare: &[usize]) -> bool {
        let Some(step_turns) = self.settable[finest].step_turns else { return false };
        let [lo, hi] = self.settable[finest].steps_within(step_turns);
        let stands = (turns[finest] / step_turns).round() as i64;
        let (lo, hi) = (lo.max(stands.saturating_sub(MOST_STEPS_AWAY)), hi.min(stands.saturating_add(MOST_STEPS_AWAY)));
        if lo > hi {
            return false;
        }
        let free: Vec<usize> = std::iter::once(finest).chain(bare.iter().copied()).collect();
        self.stand.solve(self.reach, &mut turns, &free);
        let middle = ((turns[finest] / step_turns).round() as i64).clamp(lo, hi);
        let mut better = false;
        let mut miss_at = |search: &mut Self, steps: i64| {
            turns[finest] = steps as f64 * step_turns;
            search.stand.solve(search.reach, &mut turns, bare);
            for &i in bare {
                let [lo, hi] = search.settable[i].from_to_turns;
                turns[i] = turns[i].clamp(lo, hi);
            }
            let (miss_mm, is_better) = search.offer(&turns);
            better |= is_better;
            miss_mm
        };
        let middle_mm = miss_at(self, middle);
        for way in [-1, 1] {
            let (mut steps, mut least_mm) = (middle, middle_mm);
            while (lo..=hi).contains(&(steps + way)) {
                steps += way;
                let miss_mm = miss_at(self, steps);
                if miss_mm >= least_mm {
                    break;
                }
                least_mm = miss_mm;
            }
        }
        better
    }
}
