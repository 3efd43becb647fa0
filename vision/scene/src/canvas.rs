//! The light of one side before the optics, painted on cells of half a pixel; cells at edges hold 4 x 4 samples, each
//! with its own coverage, so that every pixel is sampled at least 8 x 8 times where it matters.

use crate::outline::Outline;
use crate::sight::Sight;
use landfit_part::{PointMm, Pose};

/// Cells along one side of a pixel. Half-pixel cells keep what the blur must remove from folding back: with one cell
/// per pixel an edge would shift by hundredths of a pixel with its phase.
pub(crate) const CELLS_PER_PX: usize = 2;
/// One side of a cell.
const CELL_PX: f64 = 1.0 / CELLS_PER_PX as f64;
/// Samples along one side of a cell at an edge.
const SAMPLES: usize = 4;
const BLOCK: usize = SAMPLES * SAMPLES;

/// How bright a patch is at a place of its own axes.
#[derive(Debug, Clone)]
pub(crate) enum Shade {
    /// The same everywhere.
    Flat(f64),
    /// A face: value (1 - fall rho²) (1 + g · p + a (x² - y²) + 2 b x y), and a bell-shaped highlight.
    Face { value: f64, fall: f64, per_radius: [f64; 2], slope: [f64; 2], saddle: [f64; 2], highlight: Option<[f64; 4]> },
    /// A bell.
    Bell { value: f64, sigma: f64 },
}

/// How a patch meets what lies below it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Blend {
    /// Covers it.
    Over,
    /// Multiplies it.
    Gain,
    /// Adds to it.
    Add,
}

/// Something painted: places in the frame of its side.
#[derive(Debug, Clone)]
pub(crate) struct Patch {
    pub at_mm: PointMm,
    pub angle_rad: f64,
    pub outline: Outline,
    /// Width of the ramp at the edge, mm; 0 is sharp.
    pub soft_mm: f64,
    pub shade: Shade,
    pub blend: Blend,
}

impl Patch {
    /// A sharp flat patch that covers what lies below.
    pub const fn flat(at_mm: PointMm, outline: Outline, value: f64) -> Self {
        Self { at_mm, angle_rad: 0.0, outline, soft_mm: 0.0, shade: Shade::Flat(value), blend: Blend::Over }
    }
}

impl Shade {
    #[inline]
    fn at(&self, p: PointMm) -> f64 {
        match self {
            Self::Flat(value) => *value,
            Self::Face { value, fall, per_radius, slope, saddle, highlight } => {
                let (u, v) = (p.x * per_radius[0], p.y * per_radius[1]);
                let uneven = 1.0 + slope[0] * p.x + slope[1] * p.y + saddle[0] * (p.x * p.x - p.y * p.y) + 2.0 * saddle[1] * p.x * p.y;
                let face = value * (1.0 - fall * (u * u + v * v)) * uneven.max(0.0);
                let light = highlight.map_or(0.0, |[x, y, sigma, gain]| {
                    let (dx, dy) = ((p.x - x) / sigma, (p.y - y) / sigma);
                    value * gain * (-0.5 * (dx * dx + dy * dy)).exp()
                });
                (face + light).max(0.0)
            }
            Self::Bell { value, sigma } => value * (-0.5 * (p.x * p.x + p.y * p.y) / (sigma * sigma)).exp(),
        }
    }
}

/// The cells of one view.
#[derive(Debug)]
pub(crate) struct Canvas {
    /// Cells in a row.
    pub columns: usize,
    /// Rows of cells.
    pub rows: usize,
    /// Pixels of the region: width, height.
    pub size_px: [usize; 2],
    /// Pixels beyond the region on every side, so that the blur knows what lies there.
    pub margin_px: usize,
    /// Brightness, row by row.
    pub cells: Vec<f32>,
    origin_px: [f64; 2],
    /// 0, or one more than the index of the cell's block.
    block_of: Vec<u32>,
    blocks: Vec<[f32; BLOCK]>,
    owners: Vec<u32>,
}

/// From px to a patch's own axes.
enum ToLocal<'a> {
    Affine { x0: PointMm, dx: PointMm, dy: PointMm },
    Exact { sight: &'a Sight, local_from_bench: Pose },
}

impl<'a> ToLocal<'a> {
    fn new(sight: &'a Sight, local_from_bench: Pose) -> Self {
        let exact = Self::Exact { sight, local_from_bench };
        if !sight.is_affine() {
            return exact;
        }
        let [dx, dy] = exact.steps(0.0, 0.0);
        Self::Affine { x0: exact.apply(0.0, 0.0), dx, dy }
    }

    /// What one px of picture x and of picture y is worth at a place.
    #[inline]
    fn steps(&self, x: f64, y: f64) -> [PointMm; 2] {
        match self {
            Self::Affine { dx, dy, .. } => [*dx, *dy],
            Self::Exact { .. } => {
                let h = 0.5;
                [self.apply(x + h, y) - self.apply(x - h, y), self.apply(x, y + h) - self.apply(x, y - h)]
            }
        }
    }

    #[inline]
    fn apply(&self, x: f64, y: f64) -> PointMm {
        match self {
            Self::Affine { x0, dx, dy } => PointMm::new(x0.x + dx.x * x + dy.x * y, x0.y + dx.y * x + dy.y * y),
            Self::Exact { sight, local_from_bench } => local_from_bench.apply(sight.mm([x, y])),
        }
    }
}

impl Canvas {
    /// An empty canvas for a view's region.
    pub fn new(sight: &Sight, margin_px: usize) -> Self {
        let [left, top, right, bottom] = sight.region_px();
        let size_px = [(right - left) as usize + 1, (bottom - top) as usize + 1];
        let columns = (size_px[0] + 2 * margin_px) * CELLS_PER_PX;
        let rows = (size_px[1] + 2 * margin_px) * CELLS_PER_PX;
        Self {
            columns,
            rows,
            size_px,
            margin_px,
            cells: vec![0.0; columns * rows],
            origin_px: [left - 0.5 - margin_px as f64, top - 0.5 - margin_px as f64],
            block_of: vec![0; columns * rows],
            blocks: Vec::new(),
            owners: Vec::new(),
        }
    }

    /// Raw px of a cell's centre.
    pub fn px_of_cell(&self, column: usize, row: usize) -> [f64; 2] {
        [self.origin_px[0] + (column as f64 + 0.5) * CELL_PX, self.origin_px[1] + (row as f64 + 0.5) * CELL_PX]
    }

    /// Paints one patch of a side whose pose is `bench_from_side`.
    pub fn paint(&mut self, sight: &Sight, bench_from_side: &Pose, patch: &Patch) {
        let bench_from_local = bench_from_side.after(&Pose::new(patch.at_mm.x, patch.at_mm.y, patch.angle_rad));
        let centre_px = sight.px(bench_from_local.shift());
        let reach_mm = patch.outline.reach() + patch.soft_mm / 2.0;
        let reach_px = reach_mm * sight.px_per_mm(bench_from_local.shift()) * 1.05 + 1.5;
        let Some([first_column, end_column, first_row, end_row]) = self.cells_within(centre_px, reach_px) else { return };
        let to_local = ToLocal::new(sight, bench_from_local.inverse());
        // the steps in the middle of what is painted: an endless patch may have its own middle out of the picture
        let [x, y] = self.px_of_cell(usize::midpoint(first_column, end_column), usize::midpoint(first_row, end_row));
        let [step_x, step_y] = to_local.steps(x, y);
        let cell_mm = step_x.norm().max(step_y.norm()) * CELL_PX * if sight.is_affine() { 1.0 } else { 1.15 };
        // beyond this depth no sample of a cell can touch the ramp
        let edge_mm = patch.soft_mm / 2.0 + cell_mm;
        // the mean over a cell and the value in its middle differ at the two ends of a ramp, by one percent here
        let is_wide_ramp = patch.soft_mm > 12.0 * cell_mm;

        for row in first_row..end_row {
            let mut column = first_column;
            while column < end_column {
                let [x, y] = self.px_of_cell(column, row);
                let p = to_local.apply(x, y);
                let d = patch.outline.distance(p);
                // cells along the row that the distance itself keeps clear of the edge
                let clear = if patch.outline.is_metric() { ((d.abs() - edge_mm) / cell_mm).clamp(0.0, 1e6) as usize } else { 0 };
                let index = row * self.columns + column;
                if d > edge_mm {
                    column += 1 + clear;
                } else if d < -edge_mm {
                    let run = (1 + clear).min(end_column - column);
                    for k in 0..run {
                        let value = match &patch.shade {
                            Shade::Flat(value) => *value,
                            shade => shade.at(to_local.apply(x + k as f64 * CELL_PX, y)),
                        };
                        self.blend_cell(index + k, patch.blend, value as f32, 1.0);
                    }
                    column += run;
                } else if is_wide_ramp {
                    self.blend_cell(index, patch.blend, patch.shade.at(p) as f32, ramp(d, patch.soft_mm) as f32);
                    column += 1;
                } else {
                    self.paint_edge_cell(index, patch, p, to_local.steps(x, y));
                    column += 1;
                }
            }
        }
    }

    /// Paints the samples of one cell whose middle lies at `p` of the patch's axes; `steps` are those of one px.
    fn paint_edge_cell(&mut self, index: usize, patch: &Patch, p: PointMm, steps: [PointMm; 2]) {
        let is_sharp = patch.soft_mm * SAMPLES as f64 <= CELL_PX * steps[0].norm();
        // how much deeper one sample's step along picture x and y leads
        let deeper = steps.map(|step| {
            let step = step * (0.1 * CELL_PX);
            let change = patch.outline.distance(p + step) - patch.outline.distance(p - step);
            (change * 5.0 / SAMPLES as f64).abs()
        });
        let block = self.block(index);
        for (i, sample) in block.iter_mut().enumerate() {
            let at = |k: usize| ((k as f64 + 0.5) / SAMPLES as f64 - 0.5) * CELL_PX;
            let q = p + steps[0] * at(i % SAMPLES) + steps[1] * at(i / SAMPLES);
            let d = patch.outline.distance(q);
            let covered = if is_sharp { square_share(d, deeper) } else { ramp(d, patch.soft_mm) };
            if covered > 0.0 {
                blend(sample, patch.blend, patch.shade.at(q) as f32, covered as f32);
            }
        }
    }

    /// Gives every cell with samples their mean.
    pub fn resolve(&mut self) {
        for (block, owner) in self.owners.iter().enumerate() {
            if self.block_of[*owner as usize] == block as u32 + 1 {
                self.cells[*owner as usize] = self.blocks[block].iter().sum::<f32>() / BLOCK as f32;
                self.block_of[*owner as usize] = 0;
            }
        }
        self.blocks.clear();
        self.owners.clear();
    }

    fn cells_within(&self, centre_px: [f64; 2], reach_px: f64) -> Option<[usize; 4]> {
        let range = |axis: usize, n: usize| {
            let at = |px: f64| ((px - self.origin_px[axis]) * CELLS_PER_PX as f64).clamp(0.0, n as f64) as usize;
            let (first, end) = (at(centre_px[axis] - reach_px), at(centre_px[axis] + reach_px + 1.0));
            (first < end).then_some((first, end))
        };
        let (first_column, end_column) = range(0, self.columns)?;
        let (first_row, end_row) = range(1, self.rows)?;
        Some([first_column, end_column, first_row, end_row])
    }

    fn block(&mut self, index: usize) -> &mut [f32; BLOCK] {
        if self.block_of[index] == 0 {
            self.blocks.push([self.cells[index]; BLOCK]);
            self.owners.push(index as u32);
            self.block_of[index] = self.blocks.len() as u32;
        }
        let block = self.block_of[index] as usize - 1;
        &mut self.blocks[block]
    }

    #[inline]
    fn blend_cell(&mut self, index: usize, how: Blend, value: f32, covered: f32) {
        let block = self.block_of[index];
        if how == Blend::Over && covered >= 1.0 {
            self.cells[index] = value;
            self.block_of[index] = 0;
        } else if block == 0 {
            blend(&mut self.cells[index], how, value, covered);
        } else {
            for sample in &mut self.blocks[block as usize - 1] {
                blend(sample, how, value, covered);
            }
        }
    }
}

/// The share that a soft edge covers at distance `d` from its middle line.
#[inline]
fn ramp(d: f64, soft_mm: f64) -> f64 {
    (0.5 - d / soft_mm).clamp(0.0, 1.0)
}

/// The share of a sample's square on the inner side of a straight edge at distance `d` from its middle, where one side
/// of the square leads deeper by `extents[0]` and the other by `extents[1]`.
#[inline]
fn square_share(d: f64, extents: [f64; 2]) -> f64 {
    let (long, short) = (extents[0].max(extents[1]).max(1e-12), extents[0].min(extents[1]));
    let depth = d.abs();
    let outer = if depth <= (long - short) / 2.0 {
        0.5 - depth / long
    } else {
        let tip = ((long + short) / 2.0 - depth).max(0.0);
        if tip > 0.0 { tip * tip / (2.0 * long * short) } else { 0.0 }
    };
    if d > 0.0 { outer } else { 1.0 - outer }
}

#[inline]
fn blend(below: &mut f32, how: Blend, value: f32, covered: f32) {
    match how {
        Blend::Over => *below += (value - *below) * covered,
        Blend::Gain => *below *= 1.0 + (value - 1.0) * covered,
        Blend::Add => *below += value * covered,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scene::{Frame, Optics, View};
    use landfit_part::Side;
    use rand::{Rng, SeedableRng};
    use rand_chacha::ChaCha8Rng;

    fn sight(px_from_mm: [[f64; 3]; 3]) -> Sight {
        let frame = Frame { size_px: [48, 48], channels: 1, bits: 8, black: 0.0, white: 255.0, gamma: 1.0 };
        let view = View { shows: Side::Part, exposure: 0, region_px: None, tint: [1.0; 3], px_from_mm };
        Sight::new(&Optics { frame, lens: None, views: vec![view] }, 0).unwrap()
    }

    /// The share of a pixel's area that an outline covers: 80,000 hard samples of an even but aperiodic sequence, so that
    /// no direction of an edge meets whole rows of samples at once.
    fn brute_share(sight: &Sight, local_from_bench: &Pose, outline: &Outline, x: usize, y: usize) -> f64 {
        let n = 80_000;
        let inside = |i: &usize| {
            let (u, v) = ((*i as f64 * 0.754_877_666_246_693).fract() - 0.5, (*i as f64 * 0.569_840_290_998_053).fract() - 0.5);
            outline.distance(local_from_bench.apply(sight.mm([x as f64 + u, y as f64 + v]))) < 0.0
        };
        let corners = [(-0.5, -0.5), (0.5, -0.5), (-0.5, 0.5), (0.5, 0.5), (0.0, 0.0)];
        let depth = |(u, v): (f64, f64)| outline.distance(local_from_bench.apply(sight.mm([x as f64 + u, y as f64 + v])));
        let depths = corners.map(depth);
        if depths.iter().all(|d| *d > 0.1) {
            return 0.0;
        }
        if depths.iter().all(|d| *d < -0.1) {
            return 1.0;
        }
        (0..n).filter(inside).count() as f64 / n as f64
    }

    #[test]
    fn pixels_hold_the_area_that_an_outline_covers() {
        let mut rng = ChaCha8Rng::seed_from_u64(11);
        let affine = [[8.0, 0.3, 23.6], [0.2, -7.9, 24.1], [0.0, 0.0, 1.0]];
        let tilted = [[8.0, 0.3, 23.6], [0.2, -7.9, 24.1], [0.01, -0.02, 1.0]];
        let outlines = [
            Outline::Disc { radius: 1.7 },
            Outline::Annulus { radius: 1.5, half_width: 0.2 },
            Outline::Box { half: [1.4, 0.7], corner: 0.4 },
            Outline::Line { points: vec![PointMm::new(-1.5, -1.0), PointMm::new(0.4, 0.2), PointMm::new(0.3, 1.5)], half_width: 0.25 },
        ];
        for px_from_mm in [affine, tilted] {
            let sight = sight(px_from_mm);
            for outline in &outlines {
                let pose = Pose::new(rng.random_range(-0.2..0.2), rng.random_range(-0.2..0.2), rng.random_range(-3.0..3.0));
                let mut canvas = Canvas::new(&sight, 0);
                canvas.paint(&sight, &pose, &Patch::flat(PointMm::ZERO, outline.clone(), 1.0));
                canvas.resolve();
                let mut worst = 0.0_f64;
                for (x, y) in (0..48 * 48).map(|i| (i % 48, i / 48)) {
                    let corner = 2 * y * canvas.columns + 2 * x;
                    let cells = [corner, corner + 1, corner + canvas.columns, corner + canvas.columns + 1];
                    let painted = cells.iter().map(|i| f64::from(canvas.cells[*i])).sum::<f64>() / 4.0;
                    let off = painted - brute_share(&sight, &pose.inverse(), outline, x, y);
                    worst = worst.max(off.abs());
                }
                assert!(worst < 1e-3, "{outline:?}: {worst}");
            }
        }
    }

    #[test]
    fn painting_over_hides_and_adding_adds() {
        let sight = sight([[8.0, 0.0, 24.0], [0.0, -8.0, 24.0], [0.0, 0.0, 1.0]]);
        let mut canvas = Canvas::new(&sight, 3);
        let disc = |radius: f64, value: f64| Patch::flat(PointMm::ZERO, Outline::Disc { radius }, value);
        canvas.paint(&sight, &Pose::IDENTITY, &disc(1.0, 0.9));
        canvas.paint(&sight, &Pose::IDENTITY, &disc(2.0, 0.4));
        canvas.paint(&sight, &Pose::IDENTITY, &Patch { blend: Blend::Add, ..disc(1.0, 0.1) });
        canvas.paint(&sight, &Pose::IDENTITY, &Patch { blend: Blend::Gain, ..disc(0.5, 2.0) });
        canvas.resolve();
        let at = |x: usize| canvas.cells[(2 * (24 + 3)) * canvas.columns + 2 * (x + 3)];
        assert!((at(24) - 1.0).abs() < 1e-6 && (at(30) - 0.5).abs() < 1e-6 && (at(37) - 0.4).abs() < 1e-6 && at(44) == 0.0);
    }
}
