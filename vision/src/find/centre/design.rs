//! The linear model of the light about a centre, made once for each place within a pixel, and its least-squares solution.

use super::Centre;
use super::products::{Products, inverse_of_normal};
use crate::find::look::{Look, Unknowns};
use crate::plane::Plane;
use crate::view::PointPx;
use nalgebra::{DMatrix, Matrix2};

/// The linear model about one place within a pixel.
#[derive(Debug)]
pub(super) struct Design {
    /// Pixels of the band from the base pixel: row, first column, how many.
    pub runs: Vec<(isize, isize, usize)>,
    /// One column for each unknown, each as long as the band has pixels.
    pub columns: Vec<Vec<f32>>,
    /// Inverse of the normal matrix.
    inverse: DMatrix<f64>,
}

/// Unknowns of the model: all; those of what tells no slope inside; and of a small feature, which has too few pixels for second harmonics, and
/// whose blur is as wide as itself: light outside that is brighter on one side would pass for a shift, and the other way round (on
/// rendered pictures of 3 px radius errors are 13 times as large with that unknown).
pub(super) const COLUMNS: usize = 13;
const LEANS_COLUMNS: usize = 11;
const SMALL_COLUMNS: usize = 7;
pub(super) const GAIN: usize = 0;
pub(super) const SHIFT_X: usize = 1;
pub(super) const SHIFT_Y: usize = 2;
const GROWTH: usize = 3;
pub(super) const LEVEL: usize = 4;
const ACROSS: usize = 5;
const OUTSIDE: usize = 7;
const SLOPING: usize = 11;
/// In place of a slope inside: light in the dark middle of a ring.
const MIDDLE: usize = SLOPING;

/// A place split into a whole pixel and one of the kept places within it.
pub(super) struct Phase {
    base: (isize, isize),
    /// Which of the kept places it is.
    pub index: usize,
    /// The kept place itself, px of the plane.
    pub centre: PointPx,
    /// The kept place from the base pixel.
    pub within: (f64, f64),
}

impl Phase {
    pub fn of(at: PointPx, phases: usize) -> Option<Self> {
        if !(at.x.is_finite() && at.y.is_finite()) || at.x.abs() > 1e7 || at.y.abs() > 1e7 {
            return None;
        }
        let n = phases as f64;
        let split = |v: f64| {
            let steps = (v * n).round() as i64;
            (steps.div_euclid(phases as i64) as isize, steps.rem_euclid(phases as i64) as usize)
        };
        let ((bx, px), (by, py)) = (split(at.x), split(at.y));
        let within = (px as f64 / n, py as f64 / n);
        Some(Self { base: (bx, by), index: py * phases + px, centre: PointPx::new(bx as f64 + within.0, by as f64 + within.1), within })
    }
}

/// What the fit of one patch gives.
pub(super) struct Solution {
    /// As many as the design has columns, the rest 0.
    pub unknowns: [f64; COLUMNS],
    /// Covariance of both shifts, as brightness times px.
    shift_covariance: Matrix2<f64>,
    gain_variance: f64,
    explained: f64,
    left_over: f64,
}

impl Solution {
    /// The level's slope at the outline; the radial slope inside (`SLOPING`) is zero there.
    fn lean(&self, axis: usize, gain: f64, look: &Look) -> f64 {
        self.unknowns[ACROSS + axis] / (gain * look.radius_px)
    }

    /// The slope inside over a radius and the step of light.
    fn inside(&self, axis: usize, gain: f64, look: &Look) -> f64 {
        if look.unknowns == Unknowns::All { self.unknowns[SLOPING + axis] / (gain * look.step) } else { 0.0 }
    }

    fn slope_pull_px(&self, axis: usize, gain: f64, look: &Look) -> f64 {
        (self.lean(axis, gain, look) + self.inside(axis, gain, look) / look.radius_px) * look.blur_px.powi(2)
    }

    fn outside_pull_px(&self, axis: usize, gain: f64, look: &Look) -> f64 {
        let steepest = look.step / (look.edge_px * std::f64::consts::TAU.sqrt());
        self.unknowns[OUTSIDE + axis] / (gain * steepest)
    }

    pub fn centre(&self, at: PointPx, gain: f64, look: &Look) -> Centre {
        let tells_middle = look.unknowns == Unknowns::LeansAndMiddle;
        Centre {
            at,
            covariance_px2: self.shift_covariance / (gain * gain).max(1e-12),
            gain,
            gain_u: self.gain_variance.max(0.0).sqrt(),
            size_ratio: 1.0 + self.unknowns[GROWTH] / gain,
            explained: self.explained,
            left_over: self.left_over,
            slope_pull_px: [0, 1].map(|axis| self.slope_pull_px(axis, gain, look)),
            outside_pull_px: [0, 1].map(|axis| self.outside_pull_px(axis, gain, look)),
            inside: [0, 1].map(|axis| self.inside(axis, gain, look)),
            middle: [0, 1].map(|axis| if tells_middle { self.unknowns[MIDDLE + axis] / (gain * look.step) } else { 0.0 }),
            lean: [0, 1].map(|axis| self.lean(axis, gain, look)),
        }
    }
}

impl Design {
    pub fn about(look: &Look, lean: [f64; 2], phase: &Phase) -> Self {
        let [inner, outer] = look.band_px;
        let reach = outer.ceil() as isize + 1;
        let (far_light, _) = look.at(outer as f32);
        let (inner_light, _) = look.at(inner as f32);
        // A blurred product is not the product of the blurred: blur[x f] = x blur[f] + σ² d blur[f]/dx, for a Gaussian of any width.
        let blur = (look.blur_px * look.blur_px / look.radius_px) as f32;
        let near_light = if (inner_light - far_light).abs() > 1e-9 { inner_light - far_light } else { 1e-9 };
        let unknowns_n = match (look.unknowns, look.is_ring) {
            (Unknowns::Few, _) => SMALL_COLUMNS,
            (Unknowns::All, true) | (Unknowns::Leans, _) => LEANS_COLUMNS,
            (Unknowns::All, false) | (Unknowns::LeansAndMiddle, _) => COLUMNS,
        };
        let mut runs: Vec<(isize, isize, usize)> = Vec::new();
        let mut band = Band::of_at_most(((2 * reach + 1) * (2 * reach + 1)) as usize);
        for row in -reach..=reach {
            for col in -reach..=reach {
                let (x, y) = (col as f64 - phase.within.0, row as f64 - phase.within.1);
                let r = (x * x + y * y).sqrt();
                if r < inner || r > outer {
                    continue;
                }
                match runs.last_mut() {
                    Some((run_row, first, n)) if *run_row == row && *first + *n as isize == col => *n += 1,
                    _ => runs.push((row, col, 1)),
                }
                let (light, slope) = look.at(r as f32);
                band.x.push(x as f32);
                band.y.push(y as f32);
                band.r.push(r as f32);
                band.light.push(light - far_light);
                band.slope.push(slope);
            }
        }
        let mut columns: [Vec<f32>; COLUMNS] = std::array::from_fn(|_| vec![0.0; band.r.len()]);
        let outline_px = look.outline_px as f32;
        let lean = lean.map(|l| l as f32);
        let crest =
            (look.unknowns == Unknowns::LeansAndMiddle).then(|| [look.crest_px as f32, look.at(look.crest_px as f32).0 - far_light]);
        let fill = Fill { band: &band, lean, crest, radius_px: look.radius_px as f32, outline_px, blur, near_light, columns: &mut columns };
        pulp::Arch::new().dispatch(fill);
        let mut columns = Vec::from(columns);
        columns.truncate(unknowns_n);
        let inverse = inverse_of_normal(&columns);
        Self { runs, columns, inverse }
    }

    pub fn solve(&self, plane: &Plane, phase: &Phase, patch: &mut Vec<f32>) -> Option<Solution> {
        let n = self.columns[0].len();
        patch.clear();
        let mut known: Option<Vec<bool>> = None;
        for &(row, first, count) in &self.runs {
            let (y, x) = (phase.base.1 + row, phase.base.0 + first);
            let inside = y >= 0 && (y as usize) < plane.height && x >= 0 && x as usize + count <= plane.width;
            if inside {
                let start = y as usize * plane.width + x as usize;
                let filled = patch.len();
                patch.extend_from_slice(&plane.light[start..start + count]);
                if let Some(saturated) = plane.saturated_in(y as usize, x as usize..x as usize + count) {
                    let known = known.get_or_insert_with(|| vec![true; n]);
                    for (k, &s) in known[filled..].iter_mut().zip(saturated) {
                        *k = !s;
                    }
                }
            } else {
                for i in 0..count as isize {
                    let (px, filled) = (x + i, patch.len());
                    let here = y >= 0 && (y as usize) < plane.height && px >= 0 && (px as usize) < plane.width;
                    let index = if here { y as usize * plane.width + px as usize } else { 0 };
                    patch.push(if here { plane.light[index] } else { 0.0 });
                    if !(here && plane.is_known(index)) {
                        known.get_or_insert_with(|| vec![true; n])[filled] = false;
                    }
                }
            }
        }
        match known {
            None => Self::solution(&self.columns, &self.inverse, patch, n),
            Some(known) => self.solve_known(&known, patch),
        }
    }

    /// The same on the pixels whose light is known; at least half of the band must be.
    fn solve_known(&self, known: &[bool], patch: &mut [f32]) -> Option<Solution> {
        let n = known.iter().filter(|&&k| k).count();
        if 2 * n < known.len() {
            return None;
        }
        for (p, &k) in patch.iter_mut().zip(known) {
            if !k {
                *p = 0.0;
            }
        }
        let masked: Vec<Vec<f32>> =
            self.columns.iter().map(|c| c.iter().zip(known).map(|(&v, &k)| if k { v } else { 0.0 }).collect()).collect();
        let inverse = inverse_of_normal(&masked);
        let solution = Self::solution(&self.columns, &inverse, patch, n)?;
        // What is not known leaves nothing over.
        for (i, p) in patch.iter_mut().enumerate().filter(|(i, _)| !known[*i]) {
            *p = self.columns.iter().zip(solution.unknowns).map(|(c, unknown)| unknown as f32 * c[i]).sum();
        }
        Some(solution)
    }

    /// Least squares from the inner products; pixels that do not count must be 0 in `patch` and left out of `inverse`.
    fn solution(columns: &[Vec<f32>], inverse: &DMatrix<f64>, patch: &[f32], n: usize) -> Option<Solution> {
        let unknowns_n = columns.len();
        if n <= unknowns_n + 2 {
            return None;
        }
        let mut products = [0.0; COLUMNS];
        let [sum, squares] = pulp::Arch::new().dispatch(Products { columns, patch, products: &mut products });
        let mut unknowns = [0.0; COLUMNS];
        for (unknown, row) in unknowns.iter_mut().zip(inverse.column_iter()) {
            // The inverse is symmetric, and its columns lie together.
            *unknown = row.iter().zip(&products).map(|(a, b)| a * b).sum();
        }
        let explained_squares: f64 = unknowns.iter().zip(&products).map(|(a, b)| a * b).sum();
        let left = (squares - explained_squares).max(0.0);
        let variance = left / (n - unknowns_n) as f64;
        let total = (squares - sum * sum / n as f64).max(1e-300);
        let c = |i: usize, j: usize| inverse[(i, j)] * variance;
        Some(Solution {
            unknowns,
            shift_covariance: Matrix2::new(c(SHIFT_X, SHIFT_X), c(SHIFT_X, SHIFT_Y), c(SHIFT_Y, SHIFT_X), c(SHIFT_Y, SHIFT_Y)),
            gain_variance: c(GAIN, GAIN),
            explained: (1.0 - left / total).clamp(0.0, 1.0),
            left_over: variance.sqrt(),
        })
    }
}

/// The pixels of a band: place from the centre and distance, px, and the look's light (above that outside) and slope there.
struct Band {
    x: Vec<f32>,
    y: Vec<f32>,
    r: Vec<f32>,
    light: Vec<f32>,
    slope: Vec<f32>,
}

impl Band {
    /// Without pixels, with memory for as many.
    fn of_at_most(pixels: usize) -> Self {
        let [x, y, r, light, slope] = std::array::from_fn(|_| Vec::with_capacity(pixels));
        Self { x, y, r, light, slope }
    }
}

/// What each unknown adds to the light of a band's pixels.
struct Fill<'a> {
    band: &'a Band,
    lean: [f32; 2],
    /// Where a ring whose middle is asked for is brightest, px, and its light there.
    crest: Option<[f32; 2]>,
    radius_px: f32,
    outline_px: f32,
    /// Squared blur over the radius, px.
    blur: f32,
    /// The look's light at the band's inner end, above that outside.
    near_light: f32,
    /// In the order of the constants.
    columns: &'a mut [Vec<f32>; COLUMNS],
}

impl pulp::NullaryFnOnce for Fill<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let Self { band, lean, crest, radius_px, outline_px, blur, near_light, columns } = self;
        let n = band.r.len();
        let (x, y, r, light, slope) = (&band.x[..n], &band.y[..n], &band.r[..n], &band.light[..n], &band.slope[..n]);
        // One column after the other, so that the compiler fills many pixels at once.
        let [gain, shift_x, shift_y, growth, level, across_x, across_y, outside_x, outside_y, twice_cos, twice_sin, sloping_x, sloping_y] =
            columns.each_mut().map(|c| &mut c[..n]);
        let (mut cos, mut sin, mut inside) = (vec![0.0; n], vec![0.0; n], vec![0.0; n]);
        let (cos, sin, inside) = (&mut cos[..n], &mut sin[..n], &mut inside[..n]);
        for i in 0..n {
            let per_r = 1.0 / r[i].max(1e-9);
            (cos[i], sin[i]) = (x[i] * per_r, y[i] * per_r);
            inside[i] = (light[i] / near_light).clamp(0.0, 1.0);
        }
        gain.copy_from_slice(light);
        level.fill(1.0);
        for i in 0..n {
            growth[i] = -slope[i] * (1.0 + lean[0] * x[i] + lean[1] * y[i]);
        }
        for i in 0..n {
            (shift_x[i], shift_y[i]) = (growth[i] * cos[i], growth[i] * sin[i]);
        }
        for i in 0..n {
            growth[i] *= r[i];
        }
        for i in 0..n {
            let across = light[i] * r[i] / radius_px + blur * slope[i];
            (across_x[i], across_y[i]) = (across * cos[i], across * sin[i]);
        }
        for i in 0..n {
            (outside_x[i], outside_y[i]) = ((1.0 - inside[i]) * cos[i], (1.0 - inside[i]) * sin[i]);
        }
        for i in 0..n {
            (twice_cos[i], twice_sin[i]) = (light[i] * (cos[i] * cos[i] - sin[i] * sin[i]), light[i] * 2.0 * cos[i] * sin[i]);
        }
        if let Some([crest_px, crest_light]) = crest {
            for i in 0..n {
                let middle = if r[i] < crest_px { 1.0 - (light[i] / crest_light).clamp(0.0, 1.0) } else { 0.0 };
                (sloping_x[i], sloping_y[i]) = (middle * cos[i], middle * sin[i]);
            }
            return;
        }
        for i in 0..n {
            let sloping = inside[i] * (r[i] - outline_px) / radius_px + blur * slope[i] / near_light;
            (sloping_x[i], sloping_y[i]) = (sloping * cos[i], sloping * sin[i]);
        }
    }
}
