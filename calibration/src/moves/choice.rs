//! Which adjusters turn where a bench has more of them than there are ways to go.

use super::motion::Stand;
use super::reach::Reach;
use super::rounding::Settable;

/// The plane has so many ways to go: right, away, and round.
const WAYS: usize = 3;

/// What a solution may leave and still be one, mm.
const SOLVED_MM: f64 = 1e-6;

/// Exact turns of every adjuster, and which of them turn.
#[derive(Debug, Clone)]
pub struct Exact {
    /// Index for index with the adjusters.
    pub turns: Vec<f64>,
    /// Those whose turns were solved for, in the order in which they are turned.
    pub turning: Vec<usize>,
}

/// The exact turns that take out what can be taken out; with more adjusters than ways to go, those of the least total.
///
/// The least sum of absolute turns under three linear equations is found where only three adjusters turn (a corner of the
/// linear programme), so every three of them are tried. Three that all stay within their travel come first; where there
/// are none, the one that is farthest past its end goes to the end, and the others take the rest.
pub fn exact_turns(stand: &Stand, reach: &Reach, settable: &[Settable]) -> Exact {
    let mut held = vec![0.0; stand.adjusters.len()];
    let mut left = stand.order.to_vec();
    while left.len() > WAYS {
        let tried = threes(&left).filter_map(|three| attempt(stand, reach, settable, &held, three));
        let Some(best) = tried.reduce(|best, other| if other.is_better_than(&best) { other } else { best }) else { break };
        let past = |i: usize| settable[i].past_end_turns(best.turns[i]);
        let farthest = best.three.into_iter().reduce(|a, b| if past(b) > past(a) { b } else { a });
        let Some(stopped) = farthest.filter(|&i| past(i) > 0.0) else {
            return Exact { turns: best.turns, turning: best.three.to_vec() };
        };
        held[stopped] = settable[stopped].end_towards(best.turns[stopped]);
        left.retain(|i| *i != stopped);
    }
    stand.solve(reach, &mut held, &left);
    Exact { turns: held, turning: left }
}

struct Attempt {
    three: [usize; WAYS],
    turns: Vec<f64>,
    total_turns: f64,
    past_end_turns: f64,
}

impl Attempt {
    /// Within its travel before beyond it, then fewer turns; of equals the first stays.
    fn is_better_than(&self, other: &Self) -> bool {
        let (past, total) = (self.past_end_turns - other.past_end_turns, self.total_turns - other.total_turns);
        past < -1e-9 || (past <= 1e-9 && total < -1e-9)
    }
}

/// The turns of three adjusters alone; `None` where they do not reach what is wanted.
fn attempt(stand: &Stand, reach: &Reach, settable: &[Settable], held: &[f64], three: [usize; WAYS]) -> Option<Attempt> {
    let mut turns = held.to_vec();
    stand.solve(reach, &mut turns, &three);
    let left_mm = reach.residual_mm(&stand.left_after(&turns)).into_iter().fold(0.0, |most: f64, v| most.max(v.abs()));
    (left_mm < SOLVED_MM).then(|| Attempt {
        three,
        total_turns: turns.iter().map(|t| t.abs()).sum(),
        past_end_turns: three.iter().map(|&i| settable[i].past_end_turns(turns[i])).sum(),
        turns,
    })
}

/// Every three of a list, in its order.
fn threes(of: &[usize]) -> impl Iterator<Item = [usize; WAYS]> + '_ {
    let n = of.len();
    (0..n).flat_map(move |a| (a + 1..n).flat_map(move |b| (b + 1..n).map(move |c| [of[a], of[b], of[c]])))
}
