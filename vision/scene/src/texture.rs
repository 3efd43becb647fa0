//! The grain, mottle and cloth of a surface, laid over a whole canvas.

use crate::canvas::{CELLS_PER_PX, Canvas};
use crate::scene::Surface;
use crate::sight::Sight;
use landfit_part::Pose;
use rand::Rng;
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;

/// Fills the canvas with a surface. Texture follows the side's pose, but not lens and tilt: it carries no truth.
/// It changes from pixel to pixel, not from cell to cell.
pub(crate) fn lay_surface(canvas: &mut Canvas, sight: &Sight, bench_from_side: &Pose, surface: &Surface, rng: &mut ChaCha8Rng) {
    let middle_px = canvas.px_of_cell(canvas.columns / 2, canvas.rows / 2);
    let [step_x, step_y] = sight.mm_steps(middle_px);
    let px_mm = (step_x.norm() * step_y.norm()).sqrt();
    let fields: Vec<Field> = [(surface.grain, surface.grain_mm), (surface.mottle, surface.mottle_mm)]
        .into_iter()
        .filter(|(amount, size_mm)| *amount > 0.0 && *size_mm > 0.0)
        .map(|(amount, size_mm)| Field::new(canvas, amount, (size_mm / px_mm).max(1.0), rng))
        .collect();
    let weave = surface.weave.as_ref().map(|w| {
        let per_px = std::f64::consts::TAU / w.pitch_mm;
        let turn = -bench_from_side.theta_rad - w.angle_rad;
        let (x, y) = (step_x.rotated(turn) * per_px, step_y.rotated(turn) * per_px);
        let phase: [f64; 2] = [rng.random_range(0.0..std::f64::consts::TAU), rng.random_range(0.0..std::f64::consts::TAU)];
        (w.contrast, x, y, phase)
    });

    let columns = canvas.columns;
    let mut factor = vec![0.0_f32; columns / CELLS_PER_PX];
    for (row, out) in canvas.cells.chunks_exact_mut(CELLS_PER_PX * columns).enumerate() {
        factor.fill(1.0);
        for field in &fields {
            field.add_row(row, &mut factor);
        }
        if let Some((contrast, x, y, phase)) = &weave {
            // warp and weft: the sum of two waves, each followed along the row by turning a unit vector
            for (along, across, phase) in [(x.x, y.x, phase[0]), (x.y, y.y, phase[1])] {
                add_wave(&mut factor, phase + across * row as f64, along, 0.5 * contrast);
            }
        }
        let (upper, lower) = out.split_at_mut(columns);
        for (cells, f) in upper.chunks_exact_mut(CELLS_PER_PX).zip(&factor) {
            cells.fill(surface.brightness as f32 * f.max(0.0));
        }
        lower.copy_from_slice(upper);
    }
}

fn add_wave(factor: &mut [f32], start_rad: f64, step_rad: f64, amplitude: f64) {
    let (mut s, mut c) = start_rad.sin_cos();
    let (step_s, step_c) = step_rad.sin_cos();
    for f in factor {
        *f += (amplitude * s) as f32;
        (s, c) = (s * step_c + c * step_s, c * step_c - s * step_s);
    }
}

/// Smoothed random values on a coarse lattice, read in between linearly.
struct Field {
    columns: usize,
    step_px: f64,
    values: Vec<f32>,
}

impl Field {
    fn new(canvas: &Canvas, amount: f64, step_px: f64, rng: &mut ChaCha8Rng) -> Self {
        let columns = ((canvas.columns / CELLS_PER_PX) as f64 / step_px) as usize + 3;
        let rows = ((canvas.rows / CELLS_PER_PX) as f64 / step_px) as usize + 3;
        let raw: Vec<f32> = (0..columns * rows).map(|_| rng.sample::<f32, _>(StandardNormal)).collect();
        // 1 2 1 along rows and columns takes the lattice's own edges away; the mean variance left after it and after
        // the linear reading is (3/8)² (2/3)² to a good approximation
        let scale = amount as f32 / (0.375 * 2.0 / 3.0);
        let at = |c: usize, r: usize| raw[r.min(rows - 1) * columns + c.min(columns - 1)];
        let along = |c: usize, r: usize| 0.25 * at(c.saturating_sub(1), r) + 0.5 * at(c, r) + 0.25 * at(c + 1, r);
        let mut values = Vec::with_capacity(raw.len());
        for r in 0..rows {
            for c in 0..columns {
                values.push(scale * (0.25 * along(c, r.saturating_sub(1)) + 0.5 * along(c, r) + 0.25 * along(c, r + 1)));
            }
        }
        Self { columns, step_px, values }
    }

    fn add_row(&self, row: usize, factor: &mut [f32]) {
        let y = row as f64 / self.step_px;
        let (r, v) = (y as usize, y.fract() as f32);
        let (upper, lower) = (&self.values[r * self.columns..], &self.values[(r + 1) * self.columns..]);
        let lattice: Vec<f32> = (0..self.columns).map(|c| upper[c] + (lower[c] - upper[c]) * v).collect();
        let step = 1.0 / self.step_px as f32;
        for (column, f) in factor.iter_mut().enumerate() {
            let x = column as f32 * step;
            let c = x as usize;
            *f += lattice[c] + (lattice[c + 1] - lattice[c]) * (x - c as f32);
        }
    }
}
