//! From cells to pixels: the point-spread function and the pixel's own area.

use crate::canvas::{CELLS_PER_PX, Canvas};
use crate::scene::Blur;
use std::borrow::Cow;

/// Standard deviations after which the Gaussian is cut; what is cut is below 1e-4 of its weight.
const REACH_SIGMA: f64 = 4.0;

/// How far a pixel sees beyond its own edge, px.
pub(crate) fn reach_px(blur: &Blur) -> usize {
    let sigma = blur.sigma_px[0].max(blur.sigma_px[1]);
    (REACH_SIGMA * sigma + blur.smear_px / 2.0).ceil() as usize + 2
}

/// From this standard deviation on, cells of a whole pixel are fine enough.
const COARSE_FROM_PX: f64 = 3.0;

/// The light that falls on each pixel of the region, row by row.
///
/// Sampled on half pixels, convolved with the sampled Gaussian, and averaged over two cells along each axis: together the
/// Gaussian of the optics and the square of the pixel. Exact from a sigma of 0.6 px on; below that the samples of the
/// Gaussian are too few (at 0.5 px they stray by 2 %), and below 0.3 px it is taken as none.
pub(crate) fn develop(canvas: &Canvas, blur: &Blur) -> Vec<f32> {
    let fine = Grid { columns: canvas.columns, per_px: CELLS_PER_PX, cells: Cow::Borrowed(&canvas.cells) };
    let grid = if blur.sigma_px[0].min(blur.sigma_px[1]) >= COARSE_FROM_PX { fine.by_pixels() } else { fine };
    let (grid, spread_px2) = if blur.smear_px > 0.0 { smear(&grid, blur) } else { (grid, [0.0; 2]) };
    // what sharing between cells has spread already is taken off the Gaussian
    let sigma_px = [0, 1].map(|axis| (blur.sigma_px[axis].powi(2) - spread_px2[axis]).max(0.0).sqrt());
    let [width, height] = canvas.size_px;
    let margin = canvas.margin_px;

    // along rows: the cells of every pixel in lines of their own, so that the inner loops run without strides
    let rows = grid.cells.len() / grid.columns;
    let across = taps(sigma_px[0], grid.per_px);
    let mut narrow = vec![0.0_f32; rows * width];
    let mut lines = vec![vec![0.0_f32; grid.columns / grid.per_px]; grid.per_px];
    for (row, out) in grid.cells.chunks_exact(grid.columns).zip(narrow.chunks_exact_mut(width)) {
        for (phase, line) in lines.iter_mut().enumerate() {
            for (cell, v) in line.iter_mut().zip(row.iter().skip(phase).step_by(grid.per_px)) {
                *cell = *v;
            }
        }
        for tap in &across {
            let start = margin.saturating_add_signed(tap.pixel);
            add_scaled(out, &lines[tap.phase][start..start + width], tap.weight);
        }
    }

    let down = taps(sigma_px[1], grid.per_px);
    let mut plane = vec![0.0_f32; width * height];
    for (row, out) in plane.chunks_exact_mut(width).enumerate() {
        for tap in &down {
            let source = (grid.per_px * (row + margin).saturating_add_signed(tap.pixel) + tap.phase) * width;
            add_scaled(out, &narrow[source..source + width], tap.weight);
        }
    }
    plane
}

fn add_scaled(out: &mut [f32], line: &[f32], weight: f32) {
    for (o, v) in out.iter_mut().zip(line) {
        *o += v * weight;
    }
}

/// Cells of a half or of a whole pixel, row by row.
struct Grid<'a> {
    columns: usize,
    per_px: usize,
    cells: Cow<'a, [f32]>,
}

impl Grid<'_> {
    fn by_pixels(&self) -> Grid<'static> {
        let columns = self.columns / 2;
        let mut cells = Vec::with_capacity(self.cells.len() / 4);
        for rows in self.cells.chunks_exact(2 * self.columns) {
            let (upper, lower) = rows.split_at(self.columns);
            cells.extend(upper.chunks_exact(2).zip(lower.chunks_exact(2)).map(|(u, l)| 0.25 * (u[0] + u[1] + l[0] + l[1])));
        }
        Grid { columns, per_px: 1, cells: Cow::Owned(cells) }
    }
}

/// The weight of one of a pixel's cells, so many pixels away.
struct Tap {
    pixel: isize,
    phase: usize,
    weight: f32,
}

fn taps(sigma_px: f64, per_px: usize) -> Vec<Tap> {
    if sigma_px < 0.3 {
        return (0..per_px).map(|phase| Tap { pixel: 0, phase, weight: 1.0 / per_px as f32 }).collect();
    }
    let reach = (REACH_SIGMA * sigma_px).ceil() as isize + 1;
    let bell = |t: f64| {
        let z = t / sigma_px;
        if z.abs() > REACH_SIGMA { 0.0 } else { (-0.5 * z * z).exp() }
    };
    let weight = |pixel: isize, phase: usize| {
        let k = pixel as f64;
        // half-pixel cells lie a quarter of a pixel to either side; averaging two neighbours makes the pixel's square
        match (per_px, phase) {
            (1, _) => bell(k),
            (_, 0) => bell(k - 0.5) + bell(k),
            _ => bell(k) + bell(k + 0.5),
        }
    };
    let places = || (-reach..=reach).flat_map(|pixel| (0..per_px).map(move |phase| (pixel, phase)));
    let sum: f64 = places().map(|(pixel, phase)| weight(pixel, phase)).sum();
    places().map(|(pixel, phase)| Tap { pixel, phase, weight: (weight(pixel, phase) / sum) as f32 }).collect()
}

/// Averages the cells along a straight line; and the variance along x and y that comes of its points falling between cells,
/// where they are shared out linearly.
fn smear(grid: &Grid, blur: &Blur) -> (Grid<'static>, [f64; 2]) {
    let length_cells = blur.smear_px * grid.per_px as f64;
    let (dy, dx) = blur.smear_rad.sin_cos();
    let half = (length_cells / 2.0).ceil() as isize + 1;
    let side = (2 * half + 1) as usize;
    let mut kernel = vec![0.0_f64; side * side];
    let mut spread_px2 = [0.0; 2];
    let n_points = (length_cells * 8.0).ceil() as usize + 1;
    for i in 0..n_points {
        let t = (((i as f64 + 0.5) / n_points as f64) - 0.5) * length_cells;
        let (x, y) = (t * dx + half as f64, t * dy + half as f64);
        let (c, r) = (x as usize, y as usize);
        let (u, v) = (x - c as f64, y - r as f64);
        for (spread, share) in spread_px2.iter_mut().zip([u, v]) {
            *spread += share * (1.0 - share) / (n_points * grid.per_px * grid.per_px) as f64;
        }
        for (dc, dr, w) in [(0, 0, (1.0 - u) * (1.0 - v)), (1, 0, u * (1.0 - v)), (0, 1, (1.0 - u) * v), (1, 1, u * v)] {
            if w > 0.0 {
                kernel[(r + dr) * side + c + dc] += w / n_points as f64;
            }
        }
    }
    let (columns, rows) = (grid.columns as isize, (grid.cells.len() / grid.columns) as isize);
    let mut out = vec![0.0_f32; grid.cells.len()];
    for (index, weight) in kernel.iter().enumerate().filter(|(_, w)| **w > 0.0) {
        let (dc, dr) = ((index % side) as isize - half, (index / side) as isize - half);
        let first = 0.max(-dc);
        let end = columns.min(columns - dc);
        for row in 0..rows {
            let source = (row + dr).clamp(0, rows - 1) * columns;
            let line = &grid.cells[(source + first + dc) as usize..(source + end + dc) as usize];
            let target = &mut out[(row * columns + first) as usize..(row * columns + end) as usize];
            add_scaled(target, line, *weight as f32);
        }
    }
    (Grid { columns: grid.columns, per_px: grid.per_px, cells: Cow::Owned(out) }, spread_px2)
}
