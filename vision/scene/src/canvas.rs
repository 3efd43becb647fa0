//! The light of one side before the optics, painted on cells of half a pixel; cells at edges hold 4 x 4 samples, each
//! with its own coverage, so that every pixel is sampled at least 8 x 8 times where it matters.

use crate::outline::Outline;
use crate::sight::Sight;
use landfit_part::{PointMm, Pose};

/// Cells along one side of a pixel. Half-pixel cells keep what the blur must remove from folding back: with one cell
/// per pixel an edge would shift by hundredths of a pixel with its phase.
pub(crate) const CELLS_PER_PX: usize = 2;
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

impl ToLocal<'_> {
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
        let step = 1.0 / CELLS_PER_PX as f64;
        [self.origin_px[0] + (column as f64 + 0.5) * step, self.origin_px[1] + (row as f64 + 0.5) * step]
    }

    /// Paints one patch of a side whose pose is `bench_from_side`.
    pub fn paint(&mut self, sight: &Sight, bench_from_side: &Pose, patch: &Patch) {
        let bench_from_local = bench_from_side.after(&Pose::new(patch.at_mm.x, patch.at_mm.y, patch.angle_rad));
        let local_from_bench = bench_from_local.inverse();
        let reach_mm = patch.outline.reach() + patch.soft_mm / 2.0;
        let centre_px = sight.px(bench_from_local.shift());
        let cell_px = 1.0 / CELLS_PER_PX as f64;
        let Some([first_column, end_column, first_row, end_row]) =
            self.cells_within(centre_px, reach_mm * sight.px_per_mm(bench_from_local.shift()) * 1.05 + 1.5)
        else {
            return;
        };
        let exact = ToLocal::Exact { sight, local_from_bench };
        // the canvas' own middle where a patch is endless or far out of the picture
        let inside_px = [
            centre_px[0].clamp(self.origin_px[0], self.origin_px[0] + self.columns as f64 * cell_px),
            centre_px[1].clamp(self.origin_px[1], self.origin_px[1] + self.rows as f64 * cell_px),
        ];
        let steps_mm = sight.mm_steps(inside_px);
        let step_x = steps_mm[0].rotated(local_from_bench.theta_rad);
        let step_y = steps_mm[1].rotated(local_from_bench.theta_rad);
        let to_local = if sight.is_affine() { ToLocal::Affine { x0: exact.apply(0.0, 0.0), dx: step_x, dy: step_y } } else { exact };

        let largest_step_mm = step_x.norm().max(step_y.norm()) * if sight.is_affine() { 1.0 } else { 1.15 };
        let cell_mm = largest_step_mm * cell_px;
        let sample_mm = (step_x.norm() * step_y.norm()).sqrt() * cell_px / SAMPLES as f64;
        let ramp_mm = patch.soft_mm.max(sample_mm);
        // beyond this depth no sample of a cell can touch the ramp
        let edge_mm = ramp_mm / 2.0 + 0.75 * cell_mm;
        let is_wide_ramp = patch.soft_mm > 4.0 * cell_mm;
        let coverage = |d: f64| (0.5 - d / ramp_mm).clamp(0.0, 1.0);
        let offsets: [PointMm; BLOCK] = std::array::from_fn(|i| {
            let at = |k: usize| ((k as f64 + 0.5) / SAMPLES as f64 - 0.5) * cell_px;
            step_x * at(i % SAMPLES) + step_y * at(i / SAMPLES)
        });

        for row in first_row..end_row {
            let mut column = first_column;
            while column < end_column {
                let [x, y] = self.px_of_cell(column, row);
                let p = to_local.apply(x, y);
                let d = patch.outline.distance(p);
                let safe_cells = if patch.outline.is_metric() { ((d.abs() - edge_mm) / cell_mm).clamp(0.0, 1e6) as usize } else { 0 };
                let index = row * self.columns + column;
                if d > edge_mm {
                    column += 1 + safe_cells;
                } else if d < -edge_mm {
                    let run = (1 + safe_cells).min(end_column - column);
                    for k in 0..run {
                        let value = match &patch.shade {
                            Shade::Flat(value) => *value,
                            shade => shade.at(to_local.apply(x + k as f64 * cell_px, y)),
                        };
                        self.blend_cell(index + k, patch.blend, value as f32, 1.0);
                    }
                    column += run;
                } else {
                    if is_wide_ramp {
                        self.blend_cell(index, patch.blend, patch.shade.at(p) as f32, coverage(d) as f32);
                    } else {
                        let block = self.block(index);
                        for (sample, offset) in block.iter_mut().zip(&offsets) {
                            let q = p + *offset;
                            let covered = coverage(patch.outline.distance(q));
                            if covered > 0.0 {
                                blend(sample, patch.blend, patch.shade.at(q) as f32, covered as f32);
                            }
                        }
                    }
                    column += 1;
                }
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

#[inline]
fn blend(below: &mut f32, how: Blend, value: f32, covered: f32) {
    match how {
        Blend::Over => *below += (value - *below) * covered,
        Blend::Gain => *below *= 1.0 + (value - 1.0) * covered,
        Blend::Add => *below += value * covered,
    }
}
