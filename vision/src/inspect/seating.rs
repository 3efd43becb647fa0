//! Which cell of the lattice is which site: every turn, mirror and whole-step shift is tried against what was seen,
//! and judged by what it explains and by what it leaves over on both sides.

use super::pattern::Pattern;
use nalgebra::Matrix2;

/// One way in which the pattern may lie on the lattice: cell = map * site + shift.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Seating {
    pub map: [[i32; 2]; 2],
    pub shift: [i32; 2],
    /// Sum of the weights of the sites' cells, less those of the filled cells beside them.
    pub score: f64,
    /// Sites that are there, that are not, and filled cells beside sites.
    pub hits: usize,
    pub misses: usize,
    pub extras: usize,
}

/// The best seating with the others that lie on the very same cells, and the best that does not.
#[derive(Debug, Clone)]
pub(crate) struct Ranked {
    pub best: Seating,
    /// Seatings that put a site on the same cells (the pattern looks the same turned or mirrored); `best` among them.
    pub alike: Vec<Seating>,
    pub rival: Option<Seating>,
}

/// A dense field of weights, -1 … 1, 0 for unknown.
#[derive(Debug, Clone)]
pub(crate) struct Weights {
    from: [i32; 2],
    size: [usize; 2],
    values: Vec<f32>,
    outside: f32,
}

impl Weights {
    /// Asks `of` once for every cell of the box.
    pub fn new(lo: [i32; 2], hi: [i32; 2], of: impl Fn([i32; 2]) -> f64) -> Self {
        let size = [(hi[0] - lo[0] + 1).max(0) as usize, (hi[1] - lo[1] + 1).max(0) as usize];
        let values = (0..size[0] * size[1]).map(|i| of([lo[0] + (i % size[0]) as i32, lo[1] + (i / size[0]) as i32]) as f32).collect();
        Self { from: lo, size, values, outside: -0.7 }
    }

    fn at(&self, cell: [i32; 2]) -> f32 {
        let (i, j) = (cell[0] - self.from[0], cell[1] - self.from[1]);
        if i < 0 || j < 0 || i as usize >= self.size[0] || j as usize >= self.size[1] {
            return self.outside;
        }
        self.values[j as usize * self.size[0] + i as usize]
    }
}

/// Largest ratio of the magnifications along and across the tilt: 1.55 is a tilt of 50 degrees.
const MOST_FORESHORTENED: f64 = 1.55;
/// Share of the pattern by which a shift may leave the lattice.
const MOST_BEYOND: f64 = 0.4;
/// A first look at so many sites weeds out most seatings.
const FIRST_LOOK: usize = 120;
const KEEP: usize = 64;

/// The integer maps between two bases of shortest steps that turn and mirror without too much foreshortening.
/// `px_per_cell` has the lattice's steps at its middle as columns.
pub(crate) fn maps(pattern: &Pattern, px_per_cell: &Matrix2<f64>) -> Vec<[[i32; 2]; 2]> {
    let Some(uv_per_mm) = pattern.mm_per_uv.try_inverse() else { return Vec::new() };
    let mut found = Vec::new();
    for code in 0..81i32 {
        let m = [code % 3 - 1, code / 3 % 3 - 1, code / 9 % 3 - 1, code / 27 - 1];
        if (m[0] * m[3] - m[1] * m[2]).abs() != 1 {
            continue;
        }
        let map = Matrix2::new(m[0], m[1], m[2], m[3]).map(f64::from);
        let stretch = (px_per_cell * map * uv_per_mm).singular_values();
        if stretch[0] <= MOST_FORESHORTENED * stretch[1] {
            found.push([[m[0], m[1]], [m[2], m[3]]]);
        }
    }
    found
}

/// Tries every map and shift; `None` where none explains half of the sites in view. `beside` is asked of the cells round the
/// pattern, `weights` of its own. `lo` and `hi` bound the filled cells;
/// `between` weighs a place of the lattice that is no cell.
pub(crate) fn rank(
    pattern: &Pattern,
    maps: &[[[i32; 2]; 2]],
    [weights, beside]: [&Weights; 2],
    [lo, hi]: [[i32; 2]; 2],
    between: impl Fn([f64; 2]) -> f64,
) -> Option<Ranked> {
    let mut kept: Vec<Seating> = Vec::new();
    let sites: Vec<[i32; 2]> = pattern.cells.iter().flatten().copied().collect();
    let stride = sites.len().div_ceil(FIRST_LOOK).max(1);
    for map in maps {
        let turned = |c: &[i32; 2]| [map[0][0] * c[0] + map[0][1] * c[1], map[1][0] * c[0] + map[1][1] * c[1]];
        let on_lattice: Vec<[i32; 2]> = sites.iter().map(turned).collect();
        let rim: Vec<[i32; 2]> = pattern.rim.iter().map(turned).collect();
        let bounds = |axis: usize| {
            let (a, b) = on_lattice.iter().fold((i32::MAX, i32::MIN), |(a, b), c| (a.min(c[axis]), b.max(c[axis])));
            let beyond = (f64::from(b - a + 1) * MOST_BEYOND) as i32 + 1;
            // Both ends may be cut off by the picture, or lie beyond what has grown.
            let (near, far) = (lo[axis] - a, hi[axis] - b);
            (near.min(far) - beyond, near.max(far) + beyond)
        };
        let ((x0, x1), (y0, y1)) = (bounds(0), bounds(1));
        for sy in y0..=y1 {
            for sx in x0..=x1 {
                let look = |c: &[i32; 2]| weights.at([c[0] + sx, c[1] + sy]);
                let (mut there, mut gone) = (0usize, 0usize);
                for c in on_lattice.iter().step_by(stride) {
                    let w = look(c);
                    there += usize::from(w > 0.0);
                    gone += usize::from(w < 0.0);
                }
                if there < gone || there == 0 {
                    continue;
                }
                // What falls far behind the best so far on a sample is no rival.
                let share = (there as f64 - gone as f64) / on_lattice.len().div_ceil(stride) as f64;
                if kept.first().is_some_and(|b| share < b.score / sites.len() as f64 - 0.3) {
                    continue;
                }
                let mut seating = Seating { map: *map, shift: [sx, sy], score: 0.0, hits: 0, misses: 0, extras: 0 };
                for c in &on_lattice {
                    let w = look(c);
                    seating.hits += usize::from(w > 0.0);
                    seating.misses += usize::from(w < 0.0);
                    seating.score += f64::from(w);
                }
                for c in &rim {
                    let w = beside.at([c[0] + sx, c[1] + sy]);
                    seating.extras += usize::from(w > 0.0);
                    seating.score -= f64::from(w.max(0.0));
                }
                if seating.hits > seating.misses {
                    kept.push(seating);
                    if kept.len() > 4 * KEEP || kept[0].score < seating.score {
                        kept.sort_by(order);
                        kept.truncate(KEEP);
                    }
                }
            }
        }
        kept.sort_by(order);
        kept.truncate(KEEP);
    }
    for seating in &mut kept {
        for (place, _) in pattern.uv.iter().zip(&pattern.cells).filter(|(_, c)| c.is_none()) {
            let w = between(seating.place(*place));
            seating.hits += usize::from(w > 0.0);
            seating.misses += usize::from(w < 0.0);
            seating.score += w;
        }
    }
    kept.sort_by(order);
    let best = *kept.first()?;
    let places: std::collections::BTreeSet<[i32; 2]> = sites.iter().map(|c| best.cell(*c)).collect();
    let (alike, others): (Vec<Seating>, Vec<Seating>) =
        kept.into_iter().partition(|s| sites.iter().all(|c| places.contains(&s.cell(*c))) && agrees_between_cells(pattern, &best, s));
    Some(Ranked { best, alike, rival: others.first().copied() })
}

/// Whether the sites that lie between cells fall on one another under two seatings.
fn agrees_between_cells(pattern: &Pattern, a: &Seating, b: &Seating) -> bool {
    let between: Vec<[f64; 2]> = pattern.uv.iter().zip(&pattern.cells).filter(|(_, c)| c.is_none()).map(|(p, _)| *p).collect();
    let places: Vec<[f64; 2]> = between.iter().map(|p| a.place(*p)).collect();
    between.iter().all(|p| {
        let q = b.place(*p);
        places.iter().any(|o| (o[0] - q[0]).hypot(o[1] - q[1]) < 0.15)
    })
}

fn order(a: &Seating, b: &Seating) -> std::cmp::Ordering {
    b.score.total_cmp(&a.score).then_with(|| (a.map, a.shift).cmp(&(b.map, b.shift)))
}

impl Seating {
    /// The lattice cell of a pattern cell.
    pub fn cell(&self, c: [i32; 2]) -> [i32; 2] {
        let m = self.map;
        [m[0][0] * c[0] + m[0][1] * c[1] + self.shift[0], m[1][0] * c[0] + m[1][1] * c[1] + self.shift[1]]
    }

    /// The place on the lattice of a place in the pattern, cells or between.
    pub fn place(&self, p: [f64; 2]) -> [f64; 2] {
        let m = self.map.map(|r| r.map(f64::from));
        [m[0][0] * p[0] + m[0][1] * p[1] + f64::from(self.shift[0]), m[1][0] * p[0] + m[1][1] * p[1] + f64::from(self.shift[1])]
    }

    pub fn matrix(&self) -> Matrix2<f64> {
        let m = self.map.map(|r| r.map(f64::from));
        Matrix2::new(m[0][0], m[0][1], m[1][0], m[1][1])
    }
}
