//! From cells to pixels: the point-spread function and the pixel's own area.

use crate::canvas::{CELLS_PER_PX, Canvas};
use crate::scene::Blur;

/// Standard deviations after which the Gaussian is cut; what is cut is below 1e-4 of its weight.
const REACH_SIGMA: f64 = 4.0;

/// How far a pixel sees beyond its own edge, px.
pub(crate) fn reach_px(blur: &Blur) -> usize {
    let sigma = blur.sigma_px[0].max(blur.sigma_px[1]);
    (REACH_SIGMA * sigma + blur.smear_px / 2.0).ceil() as usize + 2
}

/// The light that falls on each pixel of the region, row by row.
///
/// Sampled on half pixels, convolved with the sampled Gaussian, and averaged over two cells along each axis: together the
/// Gaussian of the optics and the square of the pixel. A sigma below 0.3 px is taken as none.
pub(crate) fn develop(canvas: &Canvas, blur: &Blur) -> Vec<f32> {
    let smeared;
    let cells = if blur.smear_px > 0.0 {
        smeared = smear(canvas, blur);
        &smeared
    } else {
        &canvas.cells
    };
    let [width, height] = canvas.size_px;
    let margin = canvas.margin_px;
    let across = Taps::new(blur.sigma_px[0]);
    let down = Taps::new(blur.sigma_px[1]);

    // along rows: the two cells of every pixel in two lines of their own, so that the inner loops run without strides
    let mut narrow = vec![0.0_f32; canvas.rows * width];
    let (mut left, mut right) = (vec![0.0_f32; canvas.columns / 2], vec![0.0_f32; canvas.columns / 2]);
    for (row, out) in cells.chunks_exact(canvas.columns).zip(narrow.chunks_exact_mut(width)) {
        for (pair, (l, r)) in row.chunks_exact(CELLS_PER_PX).zip(left.iter_mut().zip(right.iter_mut())) {
            (*l, *r) = (pair[0], pair[1]);
        }
        for (k, weight_left, weight_right) in across.pairs() {
            let start = margin.saturating_add_signed(k);
            add_scaled(out, &left[start..start + width], weight_left);
            add_scaled(out, &right[start..start + width], weight_right);
        }
    }

    let mut plane = vec![0.0_f32; width * height];
    for (row, out) in plane.chunks_exact_mut(width).enumerate() {
        for (k, weight_upper, weight_lower) in down.pairs() {
            let upper = CELLS_PER_PX * (row + margin).saturating_add_signed(k) * width;
            add_scaled(out, &narrow[upper..upper + width], weight_upper);
            add_scaled(out, &narrow[upper + width..upper + 2 * width], weight_lower);
        }
    }
    plane
}

fn add_scaled(out: &mut [f32], line: &[f32], weight: f32) {
    for (o, v) in out.iter_mut().zip(line) {
        *o += v * weight;
    }
}

/// Weights of the two cells of each pixel from `-reach` to `reach` pixels away.
struct Taps {
    reach: isize,
    weights: Vec<(f32, f32)>,
}

impl Taps {
    fn new(sigma_px: f64) -> Self {
        if sigma_px < 0.3 {
            return Self { reach: 0, weights: vec![(0.5, 0.5)] };
        }
        let reach = (REACH_SIGMA * sigma_px).ceil() as isize + 1;
        let bell = |t: f64| {
            let z = t / sigma_px;
            if z.abs() > REACH_SIGMA { 0.0 } else { (-0.5 * z * z).exp() }
        };
        // the cells' centres lie a quarter of a pixel to either side; averaging two neighbours makes the pixel's square
        let raw: Vec<(f64, f64)> = (-reach..=reach).map(|k| k as f64).map(|k| (bell(k - 0.5) + bell(k), bell(k) + bell(k + 0.5))).collect();
        let sum: f64 = raw.iter().map(|(l, r)| l + r).sum();
        Self { reach, weights: raw.iter().map(|(l, r)| ((l / sum) as f32, (r / sum) as f32)).collect() }
    }

    fn pairs(&self) -> impl Iterator<Item = (isize, f32, f32)> + '_ {
        self.weights.iter().zip(-self.reach..=self.reach).map(|((l, r), k)| (k, *l, *r))
    }
}

/// Averages the cells along a straight line. Its points fall between cells and are shared out linearly, which adds less
/// than 0.01 px² of variance.
fn smear(canvas: &Canvas, blur: &Blur) -> Vec<f32> {
    let length_cells = blur.smear_px * CELLS_PER_PX as f64;
    let (dy, dx) = blur.smear_rad.sin_cos();
    let half = (length_cells / 2.0).ceil() as isize + 1;
    let side = (2 * half + 1) as usize;
    let mut kernel = vec![0.0_f64; side * side];
    let n_points = (length_cells * 8.0).ceil() as usize + 1;
    for i in 0..n_points {
        let t = (((i as f64 + 0.5) / n_points as f64) - 0.5) * length_cells;
        let (x, y) = (t * dx + half as f64, t * dy + half as f64);
        let (c, r) = (x as usize, y as usize);
        let (u, v) = (x - c as f64, y - r as f64);
        for (dc, dr, w) in [(0, 0, (1.0 - u) * (1.0 - v)), (1, 0, u * (1.0 - v)), (0, 1, (1.0 - u) * v), (1, 1, u * v)] {
            if w > 0.0 {
                kernel[(r + dr) * side + c + dc] += w / n_points as f64;
            }
        }
    }
    let (columns, rows) = (canvas.columns as isize, canvas.rows as isize);
    let mut out = vec![0.0_f32; canvas.cells.len()];
    for (index, weight) in kernel.iter().enumerate().filter(|(_, w)| **w > 0.0) {
        let (dc, dr) = ((index % side) as isize - half, (index / side) as isize - half);
        let first = 0.max(-dc);
        let end = columns.min(columns - dc);
        for row in 0..rows {
            let source = (row + dr).clamp(0, rows - 1) * columns;
            let line = &canvas.cells[(source + first + dc) as usize..(source + end + dc) as usize];
            let target = &mut out[(row * columns + first) as usize..(row * columns + end) as usize];
            add_scaled(target, line, *weight as f32);
        }
    }
    out
}
