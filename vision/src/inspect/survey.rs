//! A second look at every cell in and round a lattice, with the template learned from the lattice itself.

use super::lattice::{Lattice, shortest};
use super::light::Light;
use super::template::{Look, Spot, Template};
use super::warp::Warp;
use crate::view::PointPx;
use rayon::prelude::*;

/// How likely each cell holds a site, and what was seen there.
#[derive(Debug, Clone)]
pub(crate) struct Survey {
    from: [i32; 2],
    size: [usize; 2],
    seen: Vec<Cell>,
    pub template: Template,
    /// Px per lattice step where the template's sizes hold: the root of the area of a cell.
    pub reference_px: f64,
    /// The likeness that separates something from nothing in this picture.
    pub threshold: f64,
}

/// What is known of one cell.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Cell {
    /// Out of the picture, or so near its border that nothing can be said.
    OutOfView,
    /// -1 (surely empty) … 1 (surely there), where, and its contrast over that of the lattice's members.
    Seen { weight: f64, at: PointPx, gain: f64 },
}

/// Cells are looked at so far beyond the lattice's members.
const BORDER: i32 = 2;
/// Weight of a cell farther out, in view, where nothing was found when the lattice grew.
const NOT_GROWN: f64 = -0.7;
/// Where places between the cells look this much like the sites, the lattice is nothing but texture.
const MOST_LIKE_BETWEEN: f64 = 0.75;
/// The fainter a site, the less is believed of it; below this share of the usual contrast nothing.
const LEAST_GAIN: f64 = 0.1;
/// What lies beside the pattern and is no fainter than this share of the usual contrast is as good as a site; a trace under solder mask
/// that leaves an outermost land is fainter. Tuned by hand.
const FULL_GAIN: f64 = 0.5;

/// Looks at all cells of `lattice` and `BORDER` cells beyond; `None` where its members show no common look.
pub(crate) fn survey(light: &Light, lattice: &Lattice, sizes_px: &[f64], places: &[PointPx]) -> Option<Survey> {
    let (lo, hi) = extent(lattice);
    let middle = [(lo[0] + hi[0]) / 2, (lo[1] + hi[1]) / 2];
    let pitch_px = shortest(&lattice.warp, middle);
    let mut sorted = sizes_px.to_vec();
    sorted.sort_by(f64::total_cmp);
    let radius_px = window_radius_px(sorted[sorted.len() / 2], pitch_px);
    let reference = area_scale(&lattice.warp, middle);
    let scale = |c: [i32; 2]| area_scale(&lattice.warp, c) / reference;
    let spots: Vec<Spot> = lattice.cells.iter().zip(places).map(|(cell, at)| Spot { at: *at, scale: scale(*cell) }).collect();
    let template = Template::learn(light, &spots, radius_px)?;
    let likeness: Vec<f64> = {
        let mut l: Vec<f64> = spots.par_iter().map(|s| template.likeness(light, *s, 1.0)).collect();
        l.sort_by(f64::total_cmp);
        l
    };
    let usual = likeness[likeness.len() / 2];
    let between = between_cells(light, lattice, &template, scale);
    if between > MOST_LIKE_BETWEEN * usual {
        return None;
    }
    let threshold = (0.5 * (usual + between.max(0.0))).clamp(0.35, 0.6);
    let from = [lo[0] - BORDER, lo[1] - BORDER];
    let size = [(hi[0] - lo[0] + 1 + 2 * BORDER) as usize, (hi[1] - lo[1] + 1 + 2 * BORDER) as usize];
    let mut known = vec![None; size[0] * size[1]];
    for (cell, at) in lattice.cells.iter().zip(places) {
        known[index(from, size, *cell).unwrap_or(0)] = Some(*at);
    }
    let seen = (0..size[0] * size[1])
        .into_par_iter()
        .map(|i| {
            let cell = [from[0] + (i % size[0]) as i32, from[1] + (i / size[0]) as i32];
            let (u, v) = (f64::from(cell[0]), f64::from(cell[1]));
            if !lattice.warp.is_before_horizon(u, v, f64::from(middle[0]), f64::from(middle[1])) {
                return Cell::OutOfView;
            }
            let spot = Spot { at: known[i].unwrap_or_else(|| lattice.warp.px(u, v)), scale: scale(cell) };
            let outline = 0.5 * template.diameter_px * spot.scale;
            if !in_view(light, spot.at, outline) {
                return Cell::OutOfView;
            }
            let reach = 0.2 * shortest(&lattice.warp, cell);
            let look = if known[i].is_some() { template.fit(light, spot, reach) } else { template.search(light, spot, reach) };
            Cell::Seen { weight: weight(&look, threshold), at: look.at, gain: look.gain }
        })
        .collect();
    Some(Survey { from, size, seen, template, reference_px: reference, threshold })
}

/// 90 % point of the best likeness near places midway between cells: what mere texture reaches.
fn between_cells(light: &Light, lattice: &Lattice, template: &Template, scale: impl Fn([i32; 2]) -> f64 + Sync) -> f64 {
    let stride = lattice.cells.len().div_ceil(150);
    let some: Vec<[i32; 2]> = lattice.cells.iter().copied().step_by(stride).collect();
    let mut found: Vec<f64> = some
        .par_iter()
        .filter_map(|cell| {
            let at = lattice.warp.px(f64::from(cell[0]) + 0.5, f64::from(cell[1]) + 0.5);
            let reach = 0.2 * shortest(&lattice.warp, *cell);
            let seen = at.x.is_finite() && in_view(light, at, 1.0);
            seen.then(|| template.search(light, Spot { at, scale: scale(*cell) }, reach).likeness)
        })
        .collect();
    found.sort_by(f64::total_cmp);
    found.get(found.len() * 9 / 10).copied().unwrap_or(1.0)
}

/// How far the template reaches: over the site's edge, but not into its neighbours.
pub(crate) fn window_radius_px(diameter_px: f64, pitch_px: f64) -> f64 {
    (0.9 * diameter_px).clamp(0.36 * pitch_px, 0.56 * pitch_px).max(2.0)
}

/// Whether a disc lies wholly in the picture.
pub(crate) fn in_view(light: &Light, at: PointPx, radius_px: f64) -> bool {
    light.plane.holds(at.x - radius_px, at.y - radius_px) && light.plane.holds(at.x + radius_px, at.y + radius_px)
}

/// -1 … 1 from likeness and contrast.
fn weight(look: &Look, threshold: f64) -> f64 {
    let by_likeness = ((look.likeness - threshold) / 0.2).clamp(-1.0, 1.0);
    let by_gain = ((look.gain - LEAST_GAIN) / LEAST_GAIN).clamp(-1.0, 1.0);
    by_likeness.min(by_gain)
}

fn area_scale(warp: &Warp, cell: [i32; 2]) -> f64 {
    warp.px_per_uv(f64::from(cell[0]), f64::from(cell[1]), 0.5).determinant().abs().sqrt()
}

/// Smallest and largest cell of the members on each axis.
pub(crate) fn extent(lattice: &Lattice) -> ([i32; 2], [i32; 2]) {
    lattice
        .cells
        .iter()
        .fold(([i32::MAX; 2], [i32::MIN; 2]), |(lo, hi), c| ([lo[0].min(c[0]), lo[1].min(c[1])], [hi[0].max(c[0]), hi[1].max(c[1])]))
}

fn index(from: [i32; 2], size: [usize; 2], cell: [i32; 2]) -> Option<usize> {
    let (i, j) = (usize::try_from(cell[0] - from[0]).ok()?, usize::try_from(cell[1] - from[1]).ok()?);
    (i < size[0] && j < size[1]).then(|| j * size[0] + i)
}

impl Survey {
    /// What was seen at a cell; `None` beyond the cells that were looked at.
    pub fn cell(&self, cell: [i32; 2]) -> Option<Cell> {
        index(self.from, self.size, cell).map(|i| self.seen[i])
    }

    /// The cells at which something stands that weighs so much, and where.
    pub fn there(&self, least: f64) -> impl Iterator<Item = ([i32; 2], PointPx)> {
        self.seen.iter().enumerate().filter_map(move |(i, cell)| match cell {
            Cell::Seen { weight, at, .. } if *weight > least => {
                Some(([self.from[0] + (i % self.size[0]) as i32, self.from[1] + (i / self.size[0]) as i32], *at))
            }
            _ => None,
        })
    }

    /// -1 … 1 for a cell in view, 0 out of view; cells beyond those looked at count as empty if they are in view.
    pub fn weight(&self, light: &Light, warp: &Warp, cell: [i32; 2]) -> f64 {
        match self.cell(cell) {
            Some(Cell::Seen { weight, .. }) => weight,
            Some(Cell::OutOfView) => 0.0,
            None => {
                let (u, v) = (f64::from(cell[0]), f64::from(cell[1]));
                let (mu, mv) = (f64::from(self.from[0]) + self.size[0] as f64 / 2.0, f64::from(self.from[1]) + self.size[1] as f64 / 2.0);
                let seen = warp.is_before_horizon(u, v, mu, mv) && in_view(light, warp.px(u, v), 0.5 * self.template.diameter_px);
                if seen { NOT_GROWN } else { 0.0 }
            }
        }
    }

    /// The same for a cell beside the pattern, where faint things are no sites.
    pub fn weight_beside(&self, light: &Light, warp: &Warp, cell: [i32; 2]) -> f64 {
        let weight = self.weight(light, warp, cell);
        match self.cell(cell) {
            Some(Cell::Seen { gain, .. }) => weight.min(((gain - FULL_GAIN) / LEAST_GAIN).clamp(-1.0, 1.0)),
            _ => weight,
        }
    }

    /// Smallest and largest cell that was looked at.
    pub fn extent(&self) -> [[i32; 2]; 2] {
        [self.from, [self.from[0] + self.size[0] as i32 - 1, self.from[1] + self.size[1] as i32 - 1]]
    }

    /// Raises the weight of a cell where something of another size was found.
    pub fn note_odd_size(&mut self, cell: [i32; 2], at: PointPx) {
        if let Some(i) = index(self.from, self.size, cell)
            && let Cell::Seen { weight, gain, .. } = self.seen[i]
            && weight < 0.5
        {
            self.seen[i] = Cell::Seen { weight: 0.5, at, gain: gain.max(FULL_GAIN) };
        }
    }
}
