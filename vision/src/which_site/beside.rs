//! The same pattern again beside: a board may carry a footprint twice, and where the two stand a pitch apart, their rows go on as
//! one lattice. A seating that reaches from one into the other shows a feature at each of its sites, as the right one does; but it
//! leaves rows unexplained that whole patterns side by side explain. So seatings are compared with all the copies beside them.

use super::pattern::{Kind, Places};
use super::rivals::{Count, Difference, Odds, Rival};
use super::{FIRST_NEAR_SHARE, MOST_BEHIND, MOST_CHANGES_OF_MIND, NEAR_SHARE, Pattern};
use landfit_part::{PointMm, Pose};
use rustc_hash::FxHashMap;

/// So many copies beside one seating are looked for: one at each side.
const MOST_COPIES: usize = 4;
/// A copy must beat chance by this much (e^12: of some hundred steps tried, one in a thousand scenes has one by luck).
const LEAST_LOG_ODDS: f64 = 12.0;
/// Below this share of its places in view with a feature it is no copy: a third may be missing, not half.
const LEAST_SEEN_SHARE: f64 = 0.55;
/// Features that vote for steps to copies; all are counted afterwards.
const MOST_VOTERS: usize = 60;
/// Steps with the most votes that are counted.
const MOST_STEPS: usize = 6;
/// Bin of the vote, as a share of the pitch.
const BIN_SHARE: f64 = 0.25;
/// Copies leave at least so much of a pitch between their outer rows.
const LEAST_GAP_PITCHES: f64 = 0.6;

/// What is known of the picture, for any seating.
pub(super) struct Ground<'a, G> {
    /// Places of the features that look like the pattern's, and the same by nearness.
    pub places: &'a [PointMm],
    pub near: &'a Places,
    /// Whether a place is judged at all, and whether a feature is seen there.
    pub glance: &'a G,
    pub odds: &'a Odds,
    pub pitch_mm: f64,
    pub nearness_mm: f64,
}

/// A seating with the copies beside it.
pub(super) struct Explained {
    /// Of the seating and of all copies, against chance.
    pub log_odds: f64,
    /// Steps from the seating to its copies, bench frame, mm.
    pub steps: Vec<PointMm>,
}

/// The seating that is meant among copies of the pattern.
pub(super) struct Among {
    pub pose: Pose,
    /// Where the others lie.
    pub copies: Vec<Pose>,
    /// The strongest other way to lay the pattern and its copies.
    pub rival: Option<Rival>,
}

/// Takes the copies beside a seating, and beside its rivals, into account: of the seatings that together explain most, the one
/// nearest to `over` is meant, and a rival is what explains other places. `rivals_of` gives the rivals of a pose with their margins,
/// copies aside.
pub(super) fn among_copies<G>(
    ground: &Ground<G>,
    pattern: &Pattern,
    first: Pose,
    over: PointMm,
    rivals_of: &dyn Fn(&Pose) -> Vec<Rival>,
) -> Among
where
    G: Fn(PointMm, Kind) -> Option<bool>,
{
    let middle = |pose: &Pose| pose.apply(pattern.middle_mm());
    let moved = |pose: &Pose, by: PointMm| Pose::new(pose.x_mm + by.x, pose.y_mm + by.y, pose.theta_rad);
    let of_pose = |pose: &Pose| explained(ground, &pattern.laid_by(pose).collect::<Vec<_>>(), pose.theta_rad);
    let of_rival = |rival: &Rival| {
        let pose = &rival.bench_from_pattern;
        if rival.differs == Difference::Mirror {
            let laid: Vec<(PointMm, Kind)> =
                pattern.sites().map(|(c, k)| (pose.apply(pattern.mirror(c)), k.mirrored().turned(pose.theta_rad))).collect();
            return explained(ground, &laid, pose.theta_rad);
        }
        of_pose(pose)
    };
    let mut pose = first;
    let mut changes = 0;
    loop {
        // The nearest of the pattern and its copies is meant.
        let all = of_pose(&pose);
        let mut seatings: Vec<Pose> = [PointMm::ZERO].iter().chain(&all.steps).map(|step| moved(&pose, *step)).collect();
        seatings.sort_by(|a, b| middle(a).distance(over).total_cmp(&middle(b).distance(over)));
        let meant = seatings.remove(0);
        let log_odds = if meant == pose { all.log_odds } else { of_pose(&meant).log_odds };
        let mut best: Option<Rival> = None;
        for rival in rivals_of(&meant).into_iter().filter(|r| r.margin < MOST_BEHIND) {
            let is_copy = rival.differs == Difference::Shift
                && seatings.iter().any(|s| middle(s).distance(middle(&rival.bench_from_pattern)) < 0.5 * pattern.pitch_mm);
            if is_copy {
                continue;
            }
            let margin = log_odds - of_rival(&rival).log_odds;
            if best.is_none_or(|b| margin < b.margin) {
                best = Some(Rival { margin, ..rival });
            }
        }
        if let Some(better) = best.filter(|r| r.margin < 0.0 && r.differs != Difference::Mirror && changes < MOST_CHANGES_OF_MIND) {
            pose = better.bench_from_pattern;
            changes += 1;
            continue;
        }
        // Two of them about as near leave open which one is meant.
        let nearest_mm = middle(&meant).distance(over);
        if let Some(other) = seatings.first().filter(|s| middle(s).distance(over) < nearest_mm + pattern.pitch_mm) {
            best = Some(Rival { margin: 0.0, differs: Difference::Copy, bench_from_pattern: *other });
        }
        return Among { pose: meant, copies: seatings, rival: best };
    }
}

/// All that sites laid at these places, and copies of them beside, explain. `turn_rad` is the direction of the pattern's rows.
pub(super) fn explained<G>(ground: &Ground<G>, laid: &[(PointMm, Kind)], turn_rad: f64) -> Explained
where
    G: Fn(PointMm, Kind) -> Option<bool>,
{
    let count_at = |step: PointMm| Count::of(laid.iter().map(|(at, kind)| (ground.glance)(*at + step, *kind)));
    let mut all = Explained { log_odds: ground.odds.log(count_at(PointMm::ZERO)), steps: Vec::new() };
    let reach_mm = NEAR_SHARE * ground.nearness_mm;
    let mut is_used = vec![false; ground.places.len()];
    let mut use_up = |step: PointMm| {
        for (_, i) in laid.iter().filter_map(|(at, kind)| ground.near.nearest(*at + step, *kind, reach_mm)) {
            is_used[i] = true;
        }
        (0..ground.places.len()).filter(|&i| !is_used[i]).collect::<Vec<_>>()
    };
    let extent = extent_mm(laid, turn_rad);
    let gap_mm = LEAST_GAP_PITCHES * ground.pitch_mm;
    let mut unused = use_up(PointMm::ZERO);
    while all.steps.len() < MOST_COPIES {
        let is_clear = |step: PointMm| {
            all.steps.iter().chain([&PointMm::ZERO]).all(|taken| {
                let off = (step - *taken).rotated(-turn_rad);
                off.x.abs() > extent.x + gap_mm || off.y.abs() > extent.y + gap_mm
            })
        };
        let judged = voted_steps(ground, laid, &unused, &is_clear).into_iter().filter_map(|step| {
            let step = settled(ground, laid, step)?;
            let count = count_at(step);
            let log_odds = ground.odds.log(count);
            let is_copy = log_odds > LEAST_LOG_ODDS && count.seen as f64 >= LEAST_SEEN_SHARE * count.expected as f64 && is_clear(step);
            is_copy.then_some((log_odds, step))
        });
        let Some((log_odds, step)) = judged.reduce(|best, one| if one.0 > best.0 { one } else { best }) else { break };
        all.log_odds += log_odds;
        all.steps.push(step);
        unused = use_up(step);
    }
    all
}

/// Width and height of the places along the pattern's own axes, mm.
fn extent_mm(laid: &[(PointMm, Kind)], turn_rad: f64) -> PointMm {
    let far = f64::INFINITY;
    let (low, high) =
        laid.iter().map(|(at, _)| at.rotated(-turn_rad)).fold((PointMm::new(far, far), PointMm::new(-far, -far)), |(lo, hi), p| {
            (PointMm::new(lo.x.min(p.x), lo.y.min(p.y)), PointMm::new(hi.x.max(p.x), hi.y.max(p.y)))
        });
    high - low
}

/// Steps that most unexplained features agree on, those that would overlap what is laid already left out.
fn voted_steps<G>(ground: &Ground<G>, laid: &[(PointMm, Kind)], unused: &[usize], is_clear: &impl Fn(PointMm) -> bool) -> Vec<PointMm> {
    let bin_mm = BIN_SHARE * ground.pitch_mm;
    let bin = |v: f64| (v / bin_mm).floor() as i32;
    let mut votes: FxHashMap<(i32, i32), (f64, PointMm)> = FxHashMap::default();
    for &i in unused.iter().step_by(unused.len().div_ceil(MOST_VOTERS).max(1)) {
        for step in laid.iter().map(|(at, _)| ground.places[i] - *at).filter(|s| is_clear(*s)) {
            let vote = votes.entry((bin(step.x), bin(step.y))).or_insert((0.0, PointMm::ZERO));
            *vote = (vote.0 + 1.0, vote.1 + step);
        }
    }
    // Over 3 x 3 bins; sorted by bin, so that nothing depends on the map's order.
    let mut sums: Vec<((i32, i32), f64, PointMm)> = votes
        .keys()
        .map(|&(x, y)| {
            let around = (x - 1..=x + 1).flat_map(|c| (y - 1..=y + 1).map(move |r| (c, r))).filter_map(|b| votes.get(&b));
            let (n, sum) = around.fold((0.0, PointMm::ZERO), |(n, sum), v| (n + v.0, sum + v.1));
            ((x, y), n, sum * (1.0 / n))
        })
        .collect();
    sums.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
    let mut steps: Vec<PointMm> = Vec::new();
    for (_, _, step) in sums {
        if steps.len() == MOST_STEPS {
            break;
        }
        if steps.iter().all(|s| s.distance(step) > 0.5 * ground.pitch_mm) {
            steps.push(step);
        }
    }
    steps
}

/// The step at which the copy's places lie on features on the mean; `None` where none do.
fn settled<G>(ground: &Ground<G>, laid: &[(PointMm, Kind)], first: PointMm) -> Option<PointMm> {
    let mut step = first;
    for share in [FIRST_NEAR_SHARE, NEAR_SHARE] {
        let off = laid.iter().filter_map(|(at, kind)| {
            let place = *at + step;
            ground.near.nearest(place, *kind, share * ground.nearness_mm).map(|(_, i)| ground.places[i] - place)
        });
        let (n, sum) = off.fold((0.0, PointMm::ZERO), |(n, sum), d| (n + 1.0, sum + d));
        if n == 0.0 {
            return None;
        }
        step = step + sum * (1.0 / n);
    }
    Some(step)
}
