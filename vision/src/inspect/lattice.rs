//! Repeating arrangements among scattered dots: a seed with most of its eight neighbours, grown from neighbour to neighbour,
//! so that tilt and the bend of a lens do no harm, then carried across gaps by the map fitted to what has grown.

use super::warp::Warp;
use crate::view::PointPx;
use kiddo::{ImmutableKdTree, SquaredEuclidean};
use std::collections::{BTreeMap, VecDeque};
use std::num::NonZero;

/// Something that may be a member.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Dot {
    pub at: PointPx,
    pub size: f64,
    pub strength: f64,
    /// Whether a lattice may begin here.
    pub may_seed: bool,
}

/// A lattice: its members' cells, and its map from cells to the picture; its two steps are the shortest.
#[derive(Debug, Clone)]
pub(crate) struct Lattice {
    pub cells: Vec<[i32; 2]>,
    pub warp: Warp,
}

/// A lattice among dots.
pub(crate) struct Found {
    pub lattice: Lattice,
    /// Which dot is each member, in their order.
    pub dots: Vec<usize>,
}

/// Dots are tried in tiers of strength, so that noise does not stand between the strong ones.
const TIERS: [f64; 5] = [0.16, 0.08, 0.04, 0.02, 0.0];
const NEIGHBOURS: usize = 24;
/// Members next to each other differ no more than this in size and strength.
const SIZE_RATIO: f64 = 1.5;
const STRENGTH_RATIO: f64 = 5.0;
/// How far, in steps, a neighbour may lie from where it is looked for.
const SEED_MISS: f64 = 0.18;
const STEP_MISS: f64 = 0.22;
/// The shorter step in diameters of the blob: dots far apart for their size are specks.
const LEAST_PITCH: f64 = 0.9;
const MOST_PITCH: f64 = 8.0;
/// Of the eight neighbours of a seed so many must be there; one at the edge of a pattern has five.
const SEED_NEIGHBOURS: usize = 5;
/// Members scatter less than this about their map, in steps, and their cells differ less than this in area.
const MOST_SCATTER: f64 = 0.1;
const MOST_AREA_RATIO: f64 = 12.0;
/// Fewer places midway between two members tell nothing.
const LEAST_BETWEEN: u32 = 4;
/// Of those so many must be filled by what is like the members: a quarter may be missing, and others look unlike.
const LEAST_FILLED: f64 = 0.4;
/// Rounds of carrying a lattice on, and how many lattices may come to nothing before the search is given up.
const MOST_ROUNDS: usize = 8;
const MOST_FAILURES: usize = 150;
const MOST_SEEDS: usize = 6000;

/// Every lattice with at least `least` members, largest first.
pub(crate) fn lattices(dots: &[Dot], least: usize) -> Vec<Found> {
    let mut taken = vec![false; dots.len()];
    let mut found = Vec::new();
    let mut failures = 0;
    let logs: Vec<f64> = dots.iter().map(|d| d.size.log2()).collect();
    let mut sizes = logs.clone();
    sizes.sort_by(f64::total_cmp);
    let (Some(low), Some(high)) = (sizes.first(), sizes.last()) else { return found };
    let bands = ((high - low) / 0.5).ceil().max(1.0) as usize;
    let mut before = vec![0; bands];
    let everyone: Vec<usize> = (0..dots.len()).collect();
    let all = Field::new(dots, &everyone);
    for tier in TIERS {
        for (band, previous) in before.iter_mut().enumerate() {
            let from = low + 0.5 * band as f64 - 1e-9;
            // Weaker neighbours count, too: the strong ones alone may be every other member.
            let members: Vec<usize> = (0..dots.len())
                .filter(|i| dots[*i].strength >= tier / 3.0 && !taken[*i] && (from..=from + 1.0).contains(&logs[*i]))
                .collect();
            let seeds: Vec<usize> = members.iter().copied().filter(|i| dots[*i].strength >= tier && dots[*i].may_seed).collect();
            if seeds.len() < least.min(4) || members.len() < least || seeds.len() == *previous {
                continue;
            }
            *previous = seeds.len();
            let field = Field::new(dots, &members);
            let mut spent = taken.clone();
            for seed in seeds.into_iter().take(MOST_SEEDS) {
                if spent[seed] {
                    continue;
                }
                let Some(basis) = field.seed_basis(seed) else { continue };
                let grown = field.grow(BTreeMap::from([([0, 0], seed)]), |_| basis, &taken);
                grown.values().for_each(|d| spent[*d] = true);
                if grown.len() < least.min(9) {
                    continue;
                }
                // Its weaker, smaller and larger members are among all dots, whatever tier and band it began in.
                if failures > MOST_FAILURES {
                    break;
                }
                failures += 1;
                if let Some(one) = all.carry_on(grown, &taken).filter(|one| one.dots.len() >= least) {
                    failures -= 1;
                    one.dots.iter().for_each(|dot| {
                        taken[*dot] = true;
                        spent[*dot] = true;
                    });
                    found.push(one);
                }
            }
        }
    }
    found.sort_by_key(|one| std::cmp::Reverse(one.dots.len()));
    found
}

/// Two steps that span a lattice.
type Basis = [[f64; 2]; 2];
/// A cell's name in a finer lattice.
type Renamed = fn([i32; 2]) -> [i32; 2];

/// The dots of one tier and band, ready to be asked for neighbours.
struct Field<'a> {
    dots: &'a [Dot],
    members: &'a [usize],
    tree: Option<ImmutableKdTree<f64, 2>>,
}

impl<'a> Field<'a> {
    fn new(dots: &'a [Dot], members: &'a [usize]) -> Self {
        let places: Vec<[f64; 2]> = members.iter().map(|i| [dots[*i].at.x, dots[*i].at.y]).collect();
        Self { dots, members, tree: ImmutableKdTree::new_from_slice(&places).ok() }
    }

    /// The nearest members to a place, nearest first, with their distance.
    fn nearest(&self, x: f64, y: f64, count: usize) -> Vec<(usize, f64)> {
        let (Some(tree), Some(count)) = (&self.tree, NonZero::new(count.min(self.members.len()))) else { return Vec::new() };
        let hits = tree.query(&[x, y]).nearest_n::<SquaredEuclidean<f64>>(count).execute();
        let mut hits: Vec<(usize, f64)> = hits.into_iter().map(|h| (self.members[h.item as usize], h.distance.sqrt())).collect();
        hits.sort_by(|a, b| a.1.total_cmp(&b.1).then(a.0.cmp(&b.0)));
        hits
    }

    fn alike(&self, a: usize, b: usize) -> bool {
        let ratio = |p: f64, q: f64| if p > q { p / q } else { q / p };
        ratio(self.dots[a].size, self.dots[b].size) <= SIZE_RATIO && ratio(self.dots[a].strength, self.dots[b].strength) <= STRENGTH_RATIO
    }

    /// The two steps under which most of the eight neighbours of `seed` are there.
    fn seed_basis(&self, seed: usize) -> Option<Basis> {
        let p = self.dots[seed].at;
        let around: Vec<[f64; 2]> = self
            .nearest(p.x, p.y, NEIGHBOURS)
            .into_iter()
            .filter(|(i, d)| *i != seed && *d > 0.0 && self.alike(seed, *i))
            .map(|(i, _)| [self.dots[i].at.x - p.x, self.dots[i].at.y - p.y])
            .collect();
        if around.len() < SEED_NEIGHBOURS {
            return None;
        }
        let mut best: Option<(f64, Basis)> = None;
        for (i, a) in around.iter().enumerate().take(4) {
            let la = a[0].hypot(a[1]);
            for b in around.iter().skip(i + 1).take(11) {
                let lb = b[0].hypot(b[1]);
                let sine = (a[0] * b[1] - a[1] * b[0]).abs() / (la * lb);
                let size = self.dots[seed].size;
                if sine < 0.57 || lb > 2.2 * la || la > MOST_PITCH * size || la < LEAST_PITCH * size {
                    continue;
                }
                let miss = (SEED_MISS * la).powi(2);
                let there = |x: f64, y: f64| around.iter().any(|q| (q[0] - x).powi(2) + (q[1] - y).powi(2) < miss);
                let count = [(1, 0), (-1, 0), (0, 1), (0, -1), (1, 1), (-1, -1), (1, -1), (-1, 1)]
                    .iter()
                    .filter(|(m, n)| {
                        let (m, n) = (f64::from(*m), f64::from(*n));
                        there(m * a[0] + n * b[0], m * a[1] + n * b[1])
                    })
                    .count();
                // A lattice twice as wide leaves out every other member, though all its neighbours may be there.
                let worth = count as f64 - 3.0 * (la * lb * sine).log2() - 0.01 * lb / la;
                if count >= SEED_NEIGHBOURS && best.as_ref().is_none_or(|(w, _)| worth > *w) {
                    best = Some((worth, [*a, *b]));
                }
            }
        }
        best.map(|(_, basis)| basis)
    }

    /// Breadth first from the members so far; each hands on its own two steps, freshened by the step just made.
    fn grow(&self, from: BTreeMap<[i32; 2], usize>, basis_at: impl Fn([i32; 2]) -> Basis, taken: &[bool]) -> BTreeMap<[i32; 2], usize> {
        let mut cells = from;
        let mut inside = vec![false; self.dots.len()];
        cells.values().for_each(|d| inside[*d] = true);
        let mut open: VecDeque<([i32; 2], usize, Basis)> = cells.iter().map(|(c, d)| (*c, *d, basis_at(*c))).collect();
        while let Some((cell, dot, basis)) = open.pop_front() {
            let p = self.dots[dot].at;
            let miss = STEP_MISS * basis.iter().map(|s| s[0].hypot(s[1])).fold(f64::INFINITY, f64::min);
            for (axis, sign) in [(0, 1i32), (0, -1), (1, 1), (1, -1)] {
                let mut target = cell;
                target[axis] += sign;
                if cells.contains_key(&target) {
                    continue;
                }
                let step = basis[axis].map(|s| s * f64::from(sign));
                let Some(next) = self.like_one_near(p.x + step[0], p.y + step[1], miss, |i| !inside[i] && !taken[i] && self.alike(dot, i))
                else {
                    continue;
                };
                let made = [self.dots[next].at.x - p.x, self.dots[next].at.y - p.y];
                let mut fresh = basis;
                for k in 0..2 {
                    fresh[axis][k] = 0.6 * basis[axis][k] + 0.4 * made[k] * f64::from(sign);
                }
                cells.insert(target, next);
                inside[next] = true;
                open.push_back((target, next, fresh));
            }
        }
        cells
    }

    /// The nearest member within `miss` of a place that will do.
    fn like_one_near(&self, x: f64, y: f64, miss: f64, will_do: impl Fn(usize) -> bool) -> Option<usize> {
        // A few at first, more where clutter lies thick.
        for count in [4, 24] {
            let hits = self.nearest(x, y, count);
            let full = hits.len() == count && hits[count - 1].1 < miss;
            if let Some((i, _)) = hits.into_iter().take_while(|(_, d)| *d < miss).find(|(i, _)| will_do(*i)) {
                return Some(i);
            }
            if !full {
                return None;
            }
        }
        None
    }

    /// Fits the map, drops what lies off it, looks for members across gaps, and again until nothing changes.
    fn carry_on(&self, mut cells: BTreeMap<[i32; 2], usize>, taken: &[bool]) -> Option<Found> {
        let mut warp = self.fit(&cells)?;
        if !self.is_even(&cells, &warp) {
            return None;
        }
        for _ in 0..MOST_ROUNDS {
            let finer = self.finer(&cells, &warp, taken);
            let is_finer = finer.is_some();
            (cells, warp) = finer.unwrap_or((cells, warp));
            let step = |c: &[i32; 2]| shortest(&warp, *c);
            let before = cells.len();
            cells.retain(|c, d| warp.px(f64::from(c[0]), f64::from(c[1])).distance(self.dots[*d].at) < 0.25 * step(c));
            let dropped = before - cells.len();
            let fresh = self.across_gaps(&cells, &warp, taken);
            let gained = fresh.len();
            cells.extend(fresh);
            let before = cells.len();
            cells = self.grow(cells, |c| steps(&warp, c), taken);
            if !is_finer && gained + cells.len() - before == 0 && dropped == 0 {
                break;
            }
            warp = self.fit(&cells)?;
            if !self.is_even(&cells, &warp) {
                return None;
            }
        }
        let (cells, warp) = self.with_shortest_steps(cells, warp)?;
        if !self.is_even(&cells, &warp) {
            return None;
        }
        let (cells, dots) = cells.into_iter().unzip();
        Some(Found { lattice: Lattice { cells, warp }, dots })
    }

    /// The lattice that has the places midway between members, too, where most of these are filled: its members and its map.
    fn finer(&self, cells: &BTreeMap<[i32; 2], usize>, warp: &Warp, taken: &[bool]) -> Option<(BTreeMap<[i32; 2], usize>, Warp)> {
        let halves: [([f64; 2], Renamed); 3] =
            [([0.5, 0.0], |c| [2 * c[0], c[1]]), ([0.0, 0.5], |c| [c[0], 2 * c[1]]), ([0.5, 0.5], |c| [c[0] + c[1], c[0] - c[1]])];
        // Between two members; beyond the last one there may be nothing, and about gaps, too.
        let is_between = |c: &[i32; 2], offset: [f64; 2]| cells.contains_key(&std::array::from_fn(|k| c[k] + (2.0 * offset[k]) as i32));
        let filled = |offset: [f64; 2]| {
            let (mut count, mut all) = (0_u32, 0_u32);
            for (c, d) in cells.iter().filter(|(c, _)| is_between(c, offset)) {
                let at = warp.px(f64::from(c[0]) + offset[0], f64::from(c[1]) + offset[1]);
                let miss = 0.5 * STEP_MISS * shortest(warp, *c);
                count += u32::from(self.like_one_near(at.x, at.y, miss, |i| !taken[i] && self.alike(*d, i)).is_some());
                all += 1;
            }
            all >= LEAST_BETWEEN && f64::from(count) > LEAST_FILLED * f64::from(all)
        };
        let (_, renamed) = halves.into_iter().find(|(offset, _)| filled(*offset))?;
        let known: BTreeMap<[i32; 2], usize> = cells.iter().map(|(c, d)| (renamed(*c), *d)).collect();
        let map = self.fit(&known)?;
        let grown = self.grow(known, |c| steps(&map, c), taken);
        let map = self.fit(&grown)?;
        (grown.len() > cells.len()).then_some((grown, map))
    }

    /// Whether the members lie close to a map that neither folds nor changes its scale wildly.
    fn is_even(&self, cells: &BTreeMap<[i32; 2], usize>, warp: &Warp) -> bool {
        let stride = cells.len().div_ceil(400);
        let areas: Vec<f64> =
            cells.keys().step_by(stride).map(|c| warp.px_per_uv(f64::from(c[0]), f64::from(c[1]), 0.5).determinant()).collect();
        let (least, most) = areas.iter().fold((f64::INFINITY, 0.0f64), |(lo, hi), a| (lo.min(a.abs()), hi.max(a.abs())));
        let one_sign = areas.iter().all(|a| a.signum() == areas[0].signum());
        let off: f64 = cells
            .iter()
            .map(|(c, d)| (warp.px(f64::from(c[0]), f64::from(c[1])).distance(self.dots[*d].at) / shortest(warp, *c)).powi(2))
            .sum();
        one_sign && most < MOST_AREA_RATIO * least && (off / cells.len() as f64).sqrt() < MOST_SCATTER
    }

    fn fit(&self, cells: &BTreeMap<[i32; 2], usize>) -> Option<Warp> {
        let uv: Vec<[f64; 2]> = cells.keys().map(|c| c.map(f64::from)).collect();
        let px: Vec<PointPx> = cells.values().map(|d| self.dots[*d].at).collect();
        Warp::fit(&uv, &px)
    }

    fn across_gaps(&self, cells: &BTreeMap<[i32; 2], usize>, warp: &Warp, taken: &[bool]) -> Vec<([i32; 2], usize)> {
        let mut inside = vec![false; self.dots.len()];
        cells.values().for_each(|d| inside[*d] = true);
        let mut wanted: Vec<[i32; 2]> = Vec::new();
        for c in cells.keys() {
            for di in -2..=2 {
                for dj in -2..=2 {
                    wanted.push([c[0] + di, c[1] + dj]);
                }
            }
        }
        wanted.sort_unstable();
        let mut fresh = Vec::new();
        for group in wanted.chunk_by(|a, b| a == b) {
            let cell = group[0];
            // `group` holds the cell once for every member within two steps.
            if group.len() < 3 || cells.contains_key(&cell) {
                continue;
            }
            let near: Vec<(&[i32; 2], &usize)> = (-2..=2)
                .flat_map(|di| (-2..=2).map(move |dj| [cell[0] + di, cell[1] + dj]))
                .filter_map(|c| cells.get_key_value(&c))
                .collect();
            let place = |c: &[i32; 2]| warp.px(f64::from(c[0]), f64::from(c[1]));
            let n = near.len() as f64;
            let (mut x, mut y) = (place(&cell).x, place(&cell).y);
            for (c, d) in &near {
                let seen = place(c);
                x += (self.dots[**d].at.x - seen.x) / n;
                y += (self.dots[**d].at.y - seen.y) / n;
            }
            let miss = STEP_MISS * shortest(warp, cell);
            let alike = |i: usize| near.iter().filter(|(_, d)| self.alike(**d, i)).count() * 2 >= near.len();
            if let Some(next) = self.like_one_near(x, y, miss, |i| !inside[i] && !taken[i] && alike(i)) {
                inside[next] = true;
                fresh.push((cell, next));
            }
        }
        fresh
    }

    /// Renames the cells so that the two steps at the middle are the shortest that span the lattice (Gauss's reduction).
    fn with_shortest_steps(&self, cells: BTreeMap<[i32; 2], usize>, warp: Warp) -> Option<(BTreeMap<[i32; 2], usize>, Warp)> {
        let n = cells.len() as f64;
        let (u, v) = cells.keys().fold((0.0, 0.0), |(u, v), c| (u + f64::from(c[0]) / n, v + f64::from(c[1]) / n));
        let j = warp.px_per_uv(u, v, 0.5);
        let (mut a, mut b) = ([j[(0, 0)], j[(1, 0)]], [j[(0, 1)], j[(1, 1)]]);
        // Columns: the new steps, in old steps.
        let (mut ua, mut ub) = ([1i32, 0i32], [0i32, 1i32]);
        for _ in 0..20 {
            if b[0].hypot(b[1]) < a[0].hypot(a[1]) {
                (a, b, ua, ub) = (b, a, ub, ua);
            }
            let k = ((a[0] * b[0] + a[1] * b[1]) / (a[0] * a[0] + a[1] * a[1])).round();
            if k == 0.0 || !k.is_finite() {
                break;
            }
            for i in 0..2 {
                b[i] -= k * a[i];
                ub[i] -= k as i32 * ua[i];
            }
        }
        let det = ua[0] * ub[1] - ua[1] * ub[0];
        let renamed: BTreeMap<[i32; 2], usize> =
            cells.into_iter().map(|(c, d)| ([(ub[1] * c[0] - ub[0] * c[1]) * det, (ua[0] * c[1] - ua[1] * c[0]) * det], d)).collect();
        let warp = self.fit(&renamed)?;
        Some((renamed, warp))
    }
}

/// The two steps at a cell.
fn steps(warp: &Warp, cell: [i32; 2]) -> Basis {
    let j = warp.px_per_uv(f64::from(cell[0]), f64::from(cell[1]), 0.5);
    [0, 1].map(|axis| [j[(0, axis)], j[(1, axis)]])
}

/// Length of the shorter of the two steps at a cell, px.
pub(crate) fn shortest(warp: &Warp, cell: [i32; 2]) -> f64 {
    let j = warp.px_per_uv(f64::from(cell[0]), f64::from(cell[1]), 0.5);
    j[(0, 0)].hypot(j[(1, 0)]).min(j[(0, 1)].hypot(j[(1, 1)]))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn dot(x: f64, y: f64) -> Dot {
        Dot { at: PointPx::new(x, y), size: 5.0, strength: 0.2, may_seed: true }
    }

    #[test]
    fn a_tilted_grid_with_gaps_among_clutter_is_one_lattice() {
        let mut dots = Vec::new();
        let mut members = 0;
        for i in 0..12 {
            for j in 0..9 {
                if (i * 7 + j * 5) % 11 == 0 || ((4..8).contains(&i) && (3..6).contains(&j)) {
                    continue;
                }
                let (u, v) = (f64::from(i), f64::from(j));
                let depth = 1.0 + 0.02 * u - 0.01 * v;
                dots.push(dot((20.0 * u + 3.0 * v + 50.0) / depth, (-2.0 * u + 19.0 * v + 60.0) / depth));
                members += 1;
            }
        }
        // A fixed scatter of clutter.
        for k in 0..60u32 {
            let h = k.wrapping_mul(2_654_435_769).rotate_left(13).wrapping_mul(2_246_822_519);
            dots.push(dot(f64::from(h >> 16) / 220.0, f64::from(h & 0xffff) / 260.0));
        }
        let found = lattices(&dots, 8);
        assert!(found[0].dots.iter().filter(|d| **d < members).count() + 3 >= members, "{}", found[0].dots.len());
    }

    #[test]
    fn scattered_dots_are_no_lattice() {
        let dots: Vec<Dot> = (0..300u32)
            .map(|k| k.wrapping_mul(2_654_435_769).rotate_left(13).wrapping_mul(2_246_822_519))
            .map(|h| dot(f64::from(h >> 16) / 64.0, f64::from(h & 0xffff) / 64.0))
            .collect();
        assert!(lattices(&dots, 12).iter().all(|one| one.dots.len() < 20));
    }
}
