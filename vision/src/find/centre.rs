//! Measures one feature's centre to a small part of a pixel, with its covariance.
//!
//! In the band of pixels about the learned outline the light is modelled as
//!
//! ```text
//!   level outside, with a first harmonic in the angle φ
//! + gain(φ) · look(r), with a first and a second harmonic
//! + a radial slope inside, with a first harmonic
//! - gain · look'(r) · (δx cos φ + δy sin φ + r · growth)
//! ```
//!
//! A ring light that is brighter on one side, the highlight of a tin dome that sits off centre, a mask opening that is off its
//! land: they change the light on either side of the outline, not the place of the outline. They fall into the harmonics and
//! not into δ. The model is linear, so δ, growth and their covariance come from one least-squares solution, repeated about
//! the new place until the place stays. This is Gauss-Newton for the maximum-likelihood centre under white noise; its
//! covariance is the Cramér–Rao bound of this model.
//! The designs depend on the centre's place within a pixel only, so they are made once for each of 3 x 3 such places.

use super::look::{Look, Unknowns};
use crate::plane::Plane;
use crate::view::PointPx;
use nalgebra::{DMatrix, Matrix2};
use std::collections::BTreeMap;

/// A measured centre.
#[derive(Debug, Clone, Copy)]
pub struct Centre {
    /// Where it is, px of the plane.
    pub at: PointPx,
    /// Covariance, px², from the noise that the fit left over.
    pub covariance_px2: Matrix2<f64>,
    /// Brightness against the look learned from all features; about 1, near 0 where nothing is.
    pub gain: f64,
    /// Standard uncertainty of the gain.
    pub gain_u: f64,
    /// Radius over the learned radius; trustworthy near 1.
    pub size_ratio: f64,
    /// Share of the light's variation in the band that the model explains, 0 to 1.
    pub explained: f64,
    /// Standard deviation of what is left over, light.
    pub left_over: f64,
    /// What light that slopes inside the outline pulls an edge of the optics' blur, px along x and y, if it is not corrected: the
    /// model does, but with a blur that it can only guess. The same way for all features of a picture as a rule, so that it
    /// does not average out.
    pub slope_pull_px: [f64; 2],
    /// The same of light outside that is brighter on one side: what it would pull an edge that is located at a level.
    pub outside_pull_px: [f64; 2],
    /// Relative slope of the feature's light at its outline, per px along x and y.
    pub lean: [f64; 2],
}

/// Places within a pixel, along each axis, for which a design is kept. A step no longer than `LINEAR_WITHIN` of their distance
/// needs no other. What the linear model leaves out, a step cubed over twelve squared blurs, is then 0.001 px at 1 px of blur.
const PHASES: usize = 3;
/// As few do for teachers: what is left out, 0.004 px, goes every way and averages out over them.
const TEACHING_PHASES: usize = 2;
/// The nearest of the places is within √½ of their distance.
const LINEAR_WITHIN: f64 = 0.8;
/// In noise the last steps go to and fro about the answer; further than this they wander.
const NOISE_STEP_PX: f64 = 0.4;
/// A fit that has not come to rest after so many steps is not a centre.
const MOST_STEPS: usize = 8;
/// Below this radius there are too few pixels to tell all unknowns from a shift.
pub const LEAST_RADIUS_FOR_ALL_UNKNOWNS_PX: f64 = 5.0;

/// Sectors of an outline that are left out in turn.
pub const SECTORS: usize = 8;
/// Features that tell what each of them pulls.
const MOST_FOR_SECTORS: usize = 32;

/// What each sector of all outlines pulls.
#[derive(Debug, Clone, Copy)]
pub struct WithoutSectors {
    /// How far the mean place moves without each of them, px along x and y.
    pub by_px: [[f64; 2]; SECTORS],
    /// Variance of the mean place along each axis from noise alone, px².
    pub noise_px2: f64,
}

/// Measures centres of features that share one look in one plane.
#[derive(Debug)]
pub struct CentreFinder<'a> {
    plane: &'a Plane,
    look: &'a Look,
    /// Relative slope of the features' light that is usual in this plane, per px along x and y.
    lean: [f64; 2],
    /// Places within a pixel, along each axis.
    phases: usize,
    designs: Vec<Option<Design>>,
    patch: Vec<f32>,
}

/// The linear model about one place within a pixel.
#[derive(Debug)]
struct Design {
    /// Pixels of the band from the base pixel: row, first column, how many.
    runs: Vec<(isize, isize, usize)>,
    /// One column for each unknown, each as long as the band has pixels.
    columns: Vec<Vec<f32>>,
    /// Inverse of the normal matrix.
    inverse: DMatrix<f64>,
}

/// Unknowns of the model: of a disc; of a ring, which is too narrow for a radial slope of its own; of a small feature, which
/// has too few pixels for second harmonics, and whose blur is as wide as itself: light outside that is brighter on one side would
/// pass for a shift, and the other way round (on rendered pictures of 3 px radius errors are 13 times as large with that unknown).
const COLUMNS: usize = 13;
const RING_COLUMNS: usize = 11;
const SMALL_COLUMNS: usize = 7;
const GAIN: usize = 0;
const SHIFT_X: usize = 1;
const SHIFT_Y: usize = 2;
const GROWTH: usize = 3;
const LEVEL: usize = 4;
const ACROSS: usize = 5;
const OUTSIDE: usize = 7;
const SLOPING: usize = 11;

impl<'a> CentreFinder<'a> {
    /// A finder for one plane and one look; `lean` is the usual relative slope of the features' light, per px along x and y
    /// (0 where it is not known yet): where the light leans, a feature that is larger or moved changes it more on one side.
    #[must_use]
    pub fn new(plane: &'a Plane, look: &'a Look, lean: [f64; 2]) -> Self {
        Self::with_phases(plane, look, lean, PHASES)
    }

    /// A quicker finder that is right on the mean of many features, to 0.004 px on each.
    #[must_use]
    pub fn for_teachers(plane: &'a Plane, look: &'a Look, lean: [f64; 2]) -> Self {
        Self::with_phases(plane, look, lean, TEACHING_PHASES)
    }

    fn with_phases(plane: &'a Plane, look: &'a Look, lean: [f64; 2], phases: usize) -> Self {
        Self { plane, look, lean, phases, designs: (0..phases * phases).map(|_| None).collect(), patch: Vec::new() }
    }

    /// The centre nearest to `start` (px of the plane), or `None` when the fit does not come to rest within half a radius of
    /// it, when too much of the band lies outside the plane or is saturated, or when nothing stands there.
    pub fn measure(&mut self, start: PointPx) -> Option<Centre> {
        let most_shift_px = 0.5 * self.look.radius_px;
        let mut at = start;
        for step_number in 1..=MOST_STEPS {
            let phase = Phase::of(at, self.phases)?;
            let solution = self.solve(&phase)?;
            let gain = solution.unknowns[GAIN];
            if !gain.is_finite() || gain.abs() < 1e-6 {
                return None;
            }
            let limit = 0.3 * self.look.radius_px;
            let step = |i: usize| (solution.unknowns[i] / gain).clamp(-limit, limit);
            let next = PointPx::new(phase.centre.x + step(SHIFT_X), phase.centre.y + step(SHIFT_Y));
            if next.distance(start) > most_shift_px {
                return None;
            }
            // Within this the model is linear: the same answer comes from either of two neighbouring places.
            let at_rest = next.distance(phase.centre) < LINEAR_WITHIN / self.phases as f64;
            let moved_px = next.distance(at);
            at = next;
            if at_rest || (step_number == MOST_STEPS && moved_px < NOISE_STEP_PX) {
                return Some(solution.centre(at, gain, self.look));
            }
        }
        None
    }

    /// Brightness and fit at exactly `at`, without moving to a better place: what stands there, if anything. The place is not
    /// a measured one.
    pub fn probe(&mut self, at: PointPx) -> Option<Centre> {
        let phase = Phase::of(at, self.phases)?;
        let solution = self.solve(&phase)?;
        let gain = solution.unknowns[GAIN];
        gain.is_finite().then(|| solution.centre(at, gain, self.look))
    }

    /// How far the mean of these features moves when each sector of all outlines is left out in turn; `None` where no outline lies in the
    /// plane as a whole. To first order: from what the fit leaves over of a few of them, and one design for all.
    pub fn without_sectors_px(&mut self, centres: &[&Centre]) -> Option<WithoutSectors> {
        let mut scores = [[0.0_f64; COLUMNS]; SECTORS];
        let mut sectors_of: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
        let (mut n, mut variance_px2, mut last) = (0.0, 0.0, None);
        for centre in centres.iter().step_by(centres.len().div_ceil(MOST_FOR_SECTORS).max(1)) {
            let Some(phase) = Phase::of(centre.at, self.phases) else { continue };
            let Some(solution) = self.solve(&phase) else { continue };
            let Some(design) = self.designs[phase.index].as_ref() else { continue };
            let sectors = sectors_of.entry(phase.index).or_insert_with(|| design.sectors(&phase));
            design.add_scores(&solution, &self.patch, sectors, &mut scores);
            variance_px2 += centre.covariance_px2.trace() / 2.0;
            n += 1.0;
            last = Some(phase.index);
        }
        let index = last?;
        let sectors = &sectors_of[&index];
        let design = self.designs[index].as_ref()?;
        let by_px = std::array::from_fn(|sector| {
            let inverse = inverse_of_normal(&design.without(sector, sectors));
            [SHIFT_X, SHIFT_Y].map(|row| -inverse.row(row).iter().zip(&scores[sector]).map(|(a, b)| a * b).sum::<f64>() / n)
        });
        Some(WithoutSectors { by_px, noise_px2: variance_px2 / (n * n) })
    }

    fn solve(&mut self, phase: &Phase) -> Option<Solution> {
        let slot = &mut self.designs[phase.index];
        let design = slot.get_or_insert_with(|| Design::about(self.look, self.lean, phase));
        design.solve(self.plane, phase, &mut self.patch)
    }
}

/// A place split into a whole pixel and one of the kept places within it.
struct Phase {
    base: (isize, isize),
    index: usize,
    /// The kept place itself, px of the plane.
    centre: PointPx,
    /// The kept place from the base pixel.
    within: (f64, f64),
}

impl Phase {
    fn of(at: PointPx, phases: usize) -> Option<Self> {
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

struct Solution {
    /// As many as the design has columns, the rest 0.
    unknowns: [f64; COLUMNS],
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

    fn slope_pull_px(&self, axis: usize, gain: f64, look: &Look) -> f64 {
        let inside = self.unknowns[SLOPING + axis] / (gain * look.step * look.radius_px);
        (self.lean(axis, gain, look) + inside) * look.blur_px.powi(2)
    }

    fn outside_pull_px(&self, axis: usize, gain: f64, look: &Look) -> f64 {
        let steepest = look.step / (look.edge_px * std::f64::consts::TAU.sqrt());
        self.unknowns[OUTSIDE + axis] / (gain * steepest)
    }

    fn centre(&self, at: PointPx, gain: f64, look: &Look) -> Centre {
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
            lean: [0, 1].map(|axis| self.lean(axis, gain, look)),
        }
    }
}

impl Design {
    /// Which sector each pixel of the band lies in.
    fn sectors(&self, phase: &Phase) -> Vec<usize> {
        use std::f64::consts::TAU;
        let of = |x: f64, y: f64| (y.atan2(x).rem_euclid(TAU) / TAU * SECTORS as f64) as usize % SECTORS;
        let in_run = |&(row, first, n): &(isize, isize, usize)| {
            (0..n as isize).map(move |i| of((first + i) as f64 - phase.within.0, row as f64 - phase.within.1))
        };
        self.runs.iter().flat_map(in_run).collect()
    }

    /// Adds to each sector what its pixels, where the fit leaves light over, would move the unknowns by, for a gain of 1.
    fn add_scores(&self, solution: &Solution, patch: &[f32], sectors: &[usize], scores: &mut [[f64; COLUMNS]; SECTORS]) {
        let per_gain = 1.0 / solution.unknowns[GAIN];
        let mut left: Vec<f32> = patch.to_vec();
        for (column, unknown) in self.columns.iter().zip(solution.unknowns) {
            left.iter_mut().zip(column).for_each(|(left, c)| *left -= unknown as f32 * c);
        }
        for (row, column) in self.columns.iter().enumerate() {
            for ((left, c), &sector) in left.iter().zip(column).zip(sectors) {
                scores[sector][row] += per_gain * f64::from(left * c);
            }
        }
    }

    /// The columns with nothing where a sector lies.
    fn without(&self, sector: usize, sectors: &[usize]) -> Vec<Vec<f32>> {
        let of = |column: &Vec<f32>| column.iter().zip(sectors).map(|(&c, &s)| if s == sector { 0.0 } else { c }).collect();
        self.columns.iter().map(of).collect()
    }

    fn about(look: &Look, lean: [f64; 2], phase: &Phase) -> Self {
        let [inner, outer] = look.band_px;
        let reach = outer.ceil() as isize + 1;
        let (far_light, _) = look.at(outer as f32);
        let (inner_light, _) = look.at(inner as f32);
        // A blurred product is not the product of the blurred: blur[x f] = x blur[f] + σ² d blur[f]/dx, for a Gaussian of any width.
        let blur = (look.blur_px * look.blur_px / look.radius_px) as f32;
        let near_light = if (inner_light - far_light).abs() > 1e-9 { inner_light - far_light } else { 1e-9 };
        let unknowns_n = match (look.unknowns, look.is_ring) {
            (Unknowns::Few, _) => SMALL_COLUMNS,
            (Unknowns::All, true) => RING_COLUMNS,
            (Unknowns::All, false) => COLUMNS,
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
        let fill = Fill { band: &band, lean, radius_px: look.radius_px as f32, outline_px, blur, near_light, columns: &mut columns };
        pulp::Arch::new().dispatch(fill);
        let mut columns = Vec::from(columns);
        columns.truncate(unknowns_n);
        let inverse = inverse_of_normal(&columns);
        Self { runs, columns, inverse }
    }

    fn solve(&self, plane: &Plane, phase: &Phase, patch: &mut Vec<f32>) -> Option<Solution> {
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
        let Self { band, lean, radius_px, outline_px, blur, near_light, columns } = self;
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
        for i in 0..n {
            let sloping = inside[i] * (r[i] - outline_px) / radius_px + blur * slope[i] / near_light;
            (sloping_x[i], sloping_y[i]) = (sloping * cos[i], sloping * sin[i]);
        }
    }
}

/// The inner products of all columns with a patch; gives the patch's sum and sum of squares.
struct Products<'a> {
    columns: &'a [Vec<f32>],
    patch: &'a [f32],
    products: &'a mut [f64; COLUMNS],
}

impl pulp::NullaryFnOnce for Products<'_> {
    type Output = [f64; 2];

    #[inline(always)]
    fn call(self) -> [f64; 2] {
        for (product, column) in self.products.iter_mut().zip(self.columns) {
            *product = f64::from(dot(column, self.patch));
        }
        [precise_dot(self.patch, &self.columns[LEVEL]), precise_dot(self.patch, self.patch)]
    }
}

/// The inner products of all columns with each other.
struct Normal<'a> {
    columns: &'a [Vec<f32>],
    normal: &'a mut DMatrix<f64>,
}

impl pulp::NullaryFnOnce for Normal<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        for i in 0..self.columns.len() {
            for j in i..self.columns.len() {
                let s = precise_dot(&self.columns[i], &self.columns[j]);
                self.normal[(i, j)] = s;
                self.normal[(j, i)] = s;
            }
        }
    }
}

fn inverse_of_normal(columns: &[Vec<f32>]) -> DMatrix<f64> {
    let p = columns.len();
    let mut normal = DMatrix::<f64>::zeros(p, p);
    pulp::Arch::new().dispatch(Normal { columns, normal: &mut normal });
    // A column without light (a look with one flat side) must not make the rest unsolvable.
    let trace = normal.trace().max(1e-12);
    for i in 0..p {
        normal[(i, i)] += 1e-12 * trace;
    }
    normal.cholesky().map_or_else(|| DMatrix::zeros(p, p), |c| c.inverse())
}

/// Lanes of a sum: two of the widest vectors, so that one addition need not wait for the one before.
const LANES: usize = 16;

/// Inner product in lanes, so that the compiler uses vector registers; the order of summation is fixed.
#[inline(always)]
fn dot(a: &[f32], b: &[f32]) -> f32 {
    let mut lanes = [0.0_f32; LANES];
    let (a_chunks, b_chunks) = (a.chunks_exact(LANES), b.chunks_exact(LANES));
    let mut rest = 0.0;
    for (x, y) in a_chunks.remainder().iter().zip(b_chunks.remainder()) {
        rest += x * y;
    }
    for (x, y) in a_chunks.zip(b_chunks) {
        for i in 0..LANES {
            lanes[i] += x[i] * y[i];
        }
    }
    let mut width = LANES / 2;
    while width > 0 {
        for i in 0..width {
            lanes[i] += lanes[i + width];
        }
        width /= 2;
    }
    lanes[0] + rest
}

/// As [`dot`], summed in double precision from stretches, each as exact as the columns themselves: the normal matrix is
/// inverted.
#[inline(always)]
fn precise_dot(a: &[f32], b: &[f32]) -> f64 {
    // Loops, not iterators' closures: those would be compiled for the narrowest vectors.
    let n = a.len().min(b.len());
    let (mut sum, mut start) = (0.0, 0);
    while start < n {
        let end = (start + STRETCH).min(n);
        sum += f64::from(dot(&a[start..end], &b[start..end]));
        start = end;
    }
    sum
}

/// A lane sums no more than eight products before it goes on in double precision.
const STRETCH: usize = 8 * LANES;

#[cfg(test)]
mod tests {
    use super::super::look::Teacher;
    use super::*;
    use crate::plane::Saturated;
    use statrs::function::erf::erf;
    use std::sync::Arc;

    const BLUR: f64 = 1.1;

    fn disc(r: f64, radius: f64) -> f64 {
        0.5 * (1.0 - erf((r - radius) / (BLUR * 2.0_f64.sqrt())))
    }

    fn disc_slope(r: f64, radius: f64) -> f64 {
        -(-(r - radius).powi(2) / (2.0 * BLUR * BLUR)).exp() / (BLUR * std::f64::consts::TAU.sqrt())
    }

    /// Discs of radius 9 px whose brightness falls from one side to the other by `unevenness` of the mean at the rim; blurred
    /// after that, as optics do: blur[x f] = x blur[f] + σ² d blur[f]/dx.
    fn plane(centres: &[PointPx], unevenness: f64) -> Plane {
        let (width, height) = (200, 100);
        let slope = unevenness / 9.0;
        let light = (0..width * height)
            .map(|i| {
                let (x, y) = ((i % width) as f64, (i / width) as f64);
                let sum: f64 = centres
                    .iter()
                    .map(|c| {
                        let (dx, dy) = (x - c.x, y - c.y);
                        let r = dx.hypot(dy);
                        let along = dx * 0.6 + dy * 0.8;
                        0.4 * (disc(r, 9.0) * (1.0 + slope * along) + BLUR * BLUR * slope * disc_slope(r, 9.0) * along / r.max(1e-9))
                    })
                    .sum();
                (0.1 + sum) as f32
            })
            .collect();
        Plane::of_light(width, height, light)
    }

    fn teachers(centres: &[PointPx]) -> Vec<Teacher> {
        centres.iter().copied().map(Teacher::from).collect()
    }

    fn centres() -> Vec<PointPx> {
        (0..8)
            .map(|i| {
                PointPx::new(25.0 + 40.0 * f64::from(i % 4) + 0.13 * f64::from(i), 27.0 + 45.0 * f64::from(i / 4) + 0.37 * f64::from(i))
            })
            .collect()
    }

    /// Mean of the misses over all features, and the largest, px.
    fn misses(unevenness: f64, start: (f64, f64)) -> (f64, f64) {
        let truth = centres();
        let plane = plane(&truth, unevenness);
        let look = Look::learn(&plane, &teachers(&truth), 9.0).expect("edge");
        let mut finder = CentreFinder::new(&plane, &look, [0.0; 2]);
        let (mut sum, mut worst) = ((0.0, 0.0), 0.0_f64);
        for t in &truth {
            let found = finder.measure(PointPx::new(t.x + start.0, t.y + start.1)).expect("a disc");
            sum = (sum.0 + found.at.x - t.x, sum.1 + found.at.y - t.y);
            worst = worst.max(found.at.distance(*t));
        }
        let n = truth.len() as f64;
        ((sum.0 / n).hypot(sum.1 / n), worst)
    }

    #[test]
    fn centres_are_right_at_every_place_within_a_pixel() {
        let (mean, worst) = misses(0.0, (0.8, -0.6));
        assert!(mean < 0.005 && worst < 0.02, "{mean} {worst}");
    }

    #[test]
    fn a_spot_across_all_rims_shows_in_what_its_sector_pulls() {
        let truth = centres();
        let bare = plane(&truth, 0.0);
        let spots: Vec<PointPx> = truth.iter().map(|c| PointPx::new(c.x - 8.0, c.y + 3.0)).collect();
        let lit = |i: usize| {
            let (x, y) = ((i % bare.width) as f64, (i / bare.width) as f64);
            spots.iter().map(|s| 0.4 * (-(x - s.x).hypot(y - s.y).powi(2) / 4.0).exp()).sum::<f64>() as f32
        };
        let spotted = Plane::of_light(bare.width, bare.height, bare.light.iter().enumerate().map(|(i, l)| l + lit(i)).collect());
        // How far their mean is off, and the largest that a sector pulls, px.
        let seen = |plane: &Plane| {
            let look = Look::learn(plane, &teachers(&truth), 9.0).expect("edge");
            let mut finder = CentreFinder::new(plane, &look, [0.0; 2]);
            let found: Vec<Centre> = truth.iter().map(|t| finder.measure(*t).expect("a disc")).collect();
            let off = |axis: fn(&PointPx) -> f64| found.iter().zip(&truth).map(|(c, t)| axis(&c.at) - axis(t)).sum::<f64>() / 8.0;
            let without = finder.without_sectors_px(&found.iter().collect::<Vec<_>>()).expect("whole outlines");
            (off(|p| p.x).hypot(off(|p| p.y)), without.by_px.iter().map(|by| by[0].hypot(by[1])).fold(0.0, f64::max))
        };
        let ((bare_off, bare_pull), (spotted_off, spotted_pull)) = (seen(&bare), seen(&spotted));
        assert!(bare_off < 0.02 && bare_pull < 0.05, "{bare_off} {bare_pull}");
        assert!(spotted_off > 0.05 && spotted_pull > 0.5 * spotted_off, "{spotted_off} {spotted_pull}");
    }

    #[test]
    fn light_from_one_side_does_not_pull_the_centre() {
        // An intensity centroid of these discs would lie unevenness * radius / 4 = 1.35 px off.
        let (mean, worst) = misses(0.6, (-0.5, 0.5));
        assert!(mean < 0.02 && worst < 0.05, "{mean} {worst}");
    }

    #[test]
    fn a_centre_at_the_edge_or_under_saturation_uses_what_is_known() {
        let truth = vec![PointPx::new(8.2, 50.4), PointPx::new(80.3, 50.2)];
        let mut plane = plane(&truth, 0.0);
        let look = Look::learn(&plane, &teachers(&truth[1..]), 9.0).expect("edge");
        let mut saturated = Saturated::nowhere(plane.height);
        for y in 40..45 {
            saturated.set_row(y, (0..plane.width).map(|x| (75..84).contains(&x)));
            let start = y * plane.width;
            plane.light.to_mut()[start + 75..start + 84].fill(1.0);
        }
        plane.saturated = Some(Arc::new(saturated));
        let mut finder = CentreFinder::new(&plane, &look, [0.0; 2]);
        for t in &truth {
            let found = finder.measure(PointPx::new(t.x + 0.4, t.y + 0.3)).expect("enough of it is known");
            assert!(found.at.distance(*t) < 0.03, "{:?} for {t:?}", found.at);
        }
        assert!(finder.measure(PointPx::new(-4.0, 50.0)).is_none(), "most of it lies outside");
    }

    #[test]
    fn an_empty_place_has_no_gain() {
        let truth = centres();
        let plane = plane(&truth, 0.0);
        let look = Look::learn(&plane, &teachers(&truth), 9.0).expect("edge");
        let probe = CentreFinder::new(&plane, &look, [0.0; 2]).probe(PointPx::new(45.0, 50.0)).expect("inside");
        assert!(probe.gain.abs() < 0.1, "{}", probe.gain);
    }
}
