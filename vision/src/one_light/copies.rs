//! Two copies of one pattern whose light adds up in one plane: each copy has a look of its own, light against distance from
//! the centre, and all that is seen is explained by both at once.
//!
//! ```text
//!   light(p) = ground(p) + Σ part copy (gain · look(|p - centre|), leaning) + Σ board copy (the same with its own look)
//! ```
//!
//! Looks and both poses come from one linear least-squares solution over all pixels (Gauss–Newton for the poses), so that the
//! covariance of the poses holds what the unknown looks leave open: where the two copies nearly coincide, light can be
//! moved from one look to the other, and the covariance says so. Single features' gain, place, size and lean are
//! settled in between, each by a small solution of its own.

use crate::plane::Plane;
use crate::view::PointPx;
use landfit_part::PointMm;
use nalgebra::{DMatrix, DVector, Matrix2, Matrix2x3, Matrix3, Matrix6, SMatrix, SVector, Vector2, Vector3, Vector6};

/// Step of a look, px.
pub(super) const STEP_PX: f64 = 0.5;
/// Features' own places scatter about the lattice by about this much, px: pulls single places to the lattice.
const OWN_SHIFT_PX: f64 = 0.3;
/// The same for their size, relative.
const OWN_GROWTH: f64 = 0.03;
/// The same for a lean of their light, relative, at the radius.
const OWN_LEAN: f64 = 0.3;
/// Pixels further off the model than this many standard deviations are other things.
const OUTLIER: f32 = 4.5;

/// One feature of a copy.
#[derive(Debug, Clone, Copy)]
pub(super) struct Feature {
    /// Where the pose puts it, px of the plane.
    pub at: PointPx,
    /// d(px)/d(x mm, y mm, theta rad) of the copy's pose.
    pub per_pose: Matrix2x3<f64>,
    /// Light over that of the look.
    pub gain: f64,
    /// Its own way off the lattice, px.
    pub off_px: [f64; 2],
    /// Radius over that of the look, less one.
    pub growth: f64,
    /// Relative slope of its light across it, at the radius; then its second harmonic.
    pub lean: [f64; 4],
}

impl Feature {
    pub(super) fn new(at: PointPx, per_pose: Matrix2x3<f64>) -> Self {
        Self { at, per_pose, gain: 1.0, off_px: [0.0; 2], growth: 0.0, lean: [0.0; 4] }
    }

    fn centre(&self) -> (f64, f64) {
        (self.at.x + self.off_px[0], self.at.y + self.off_px[1])
    }
}

/// One copy of the pattern.
#[derive(Debug, Clone)]
pub(super) struct Copy {
    pub features: Vec<Feature>,
    pub radius_px: f64,
    /// Light at distances `i * STEP_PX`; the last is 0.
    pub look: Vec<f64>,
}

impl Copy {
    pub(super) fn new(features: Vec<Feature>, radius_px: f64, reach_px: f64) -> Self {
        let knots = (reach_px / STEP_PX).ceil() as usize + 1;
        Self { features, radius_px, look: vec![0.0; knots] }
    }

    fn reach_px(&self) -> f64 {
        (self.look.len() - 1) as f64 * STEP_PX
    }

    /// Light and slope per px at a distance.
    fn at(&self, r: f64) -> (f64, f64) {
        let t = r / STEP_PX;
        let i = t as usize;
        if i + 1 >= self.look.len() {
            return (0.0, 0.0);
        }
        let part = t - i as f64;
        let here = self.look[i] + (self.look[i + 1] - self.look[i]) * part;
        // The slope of the parabola through the nearest knots: that of a straight piece jumps.
        let middle = t.round() as usize;
        let (before, after) = (middle.saturating_sub(1), (middle + 1).min(self.look.len() - 1));
        let (low, mid, high) = (self.look[before], self.look[middle.min(self.look.len() - 1)], self.look[after]);
        let off = t - middle as f64;
        let slope = if middle == 0 { 2.0 * off * (high - mid) } else { 0.5 * (high - low) + off * (high - 2.0 * mid + low) };
        (here, slope / STEP_PX)
    }

    /// Calls `visit(pixel, x, y, r)` for every pixel within reach of a feature: x, y, r from its centre, px.
    fn each_pixel(&self, feature: &Feature, width: usize, height: usize, mut visit: impl FnMut(usize, f64, f64, f64)) {
        let (cx, cy) = feature.centre();
        let reach = self.reach_px();
        let range =
            |c: f64, n: usize| ((c - reach).ceil().max(0.0) as usize, ((c + reach).floor().min(n as f64 - 1.0) + 1.0).max(0.0) as usize);
        let ((x0, x1), (y0, y1)) = (range(cx, width), range(cy, height));
        for py in y0..y1 {
            let y = py as f64 - cy;
            for px in x0..x1 {
                let x = px as f64 - cx;
                let r = x.hypot(y);
                if r < reach {
                    visit(py * width + px, x, y, r);
                }
            }
        }
    }

    /// Adds `sign` times the light of all features to `out`.
    pub(super) fn add_to(&self, out: &mut [f32], width: usize, height: usize, sign: f64) {
        for f in &self.features {
            self.each_pixel(f, width, height, |i, x, y, r| {
                let (light, _) = self.at(r / (1.0 + f.growth));
                let (u, v) = (x / self.radius_px, y / self.radius_px);
                let lean = f.lean[0] * u + f.lean[1] * v + f.lean[2] * (u * u - v * v) + f.lean[3] * 2.0 * u * v;
                out[i] += (sign * light * (f.gain + lean)) as f32;
            });
        }
    }

    /// The part of the model that a common look does not hold: leans.
    fn add_leans(&self, out: &mut [f32], width: usize, height: usize) {
        for f in self.features.iter().filter(|f| f.lean != [0.0; 4]) {
            self.each_pixel(f, width, height, |i, x, y, r| {
                let (light, _) = self.at(r / (1.0 + f.growth));
                let (u, v) = (x / self.radius_px, y / self.radius_px);
                out[i] += (light * (f.lean[0] * u + f.lean[1] * v + f.lean[2] * (u * u - v * v) + f.lean[3] * 2.0 * u * v)) as f32;
            });
        }
    }

    /// For every pixel the feature whose reach it lies in, the nearest; `u32::MAX` where none does.
    fn owners(&self, width: usize, height: usize) -> Vec<u32> {
        let mut owner = vec![u32::MAX; width * height];
        let mut nearest = vec![f32::INFINITY; width * height];
        for (n, f) in self.features.iter().enumerate() {
            self.each_pixel(f, width, height, |i, _, _, r| {
                if (r as f32) < nearest[i] {
                    nearest[i] = r as f32;
                    owner[i] = n as u32;
                }
            });
        }
        owner
    }
}

/// Both copies in one plane, and the ground that they lie on.
#[derive(Debug, Clone)]
pub(super) struct Both {
    pub copies: [Copy; 2],
    ground: Vec<f32>,
    cell_px: f64,
}

/// What one solution for looks and poses says of the poses: (x, y, theta) of the first copy, then of the second.
#[derive(Debug, Clone)]
pub(super) struct Normal {
    /// Normal matrix of the poses once the looks are eliminated, in units of 1 / noise variance.
    pub matrix: Matrix6<f64>,
    /// Its right side: the step is `matrix⁻¹ right`.
    pub right: Vector6<f64>,
}

impl Both {
    pub(super) fn new(plane: &Plane, copies: [Copy; 2], pitch_px: f64) -> Self {
        let mut both = Self { copies, ground: vec![0.0; plane.light.len()], cell_px: 2.0 * pitch_px };
        both.settle_ground(plane, &plane.light);
        both
    }

    /// What the model leaves over.
    pub(super) fn left_over(&self, plane: &Plane) -> Vec<f32> {
        let mut rest: Vec<f32> = plane.light.iter().zip(&self.ground).map(|(l, g)| l - g).collect();
        for copy in &self.copies {
            copy.add_to(&mut rest, plane.width, plane.height, -1.0);
        }
        rest
    }

    /// Adds what is left over on the scale of a few pitches to the ground.
    fn settle_ground(&mut self, plane: &Plane, rest: &[f32]) {
        let (width, height) = (plane.width, plane.height);
        let n = |size: usize| ((size as f64 / self.cell_px).round() as usize).max(1);
        let (columns, rows) = (n(width), n(height));
        let (cw, ch) = (width as f64 / columns as f64, height as f64 / rows as f64);
        let (mut sums, mut counts) = (vec![0.0_f64; columns * rows], vec![0.0_f64; columns * rows]);
        for y in (0..height).step_by(2) {
            let row = ((y as f64 / ch) as usize).min(rows - 1) * columns;
            for x in (0..width).step_by(2) {
                let i = y * width + x;
                if plane.is_known(i) {
                    let cell = row + ((x as f64 / cw) as usize).min(columns - 1);
                    sums[cell] += f64::from(rest[i]);
                    counts[cell] += 1.0;
                }
            }
        }
        let means: Vec<f32> = sums.iter().zip(&counts).map(|(s, c)| if *c > 0.0 { (s / c) as f32 } else { 0.0 }).collect();
        let place = |p: usize, size: f64, n: usize| {
            let t = ((p as f64 + 0.5) / size - 0.5).clamp(0.0, (n - 1) as f64);
            let i = (t as usize).min(n.saturating_sub(2));
            (i, (i + 1).min(n - 1), (t - i as f64) as f32)
        };
        for y in 0..height {
            let (r0, r1, v) = place(y, ch, rows);
            for x in 0..width {
                let (c0, c1, u) = place(x, cw, columns);
                let upper = means[r0 * columns + c0] * (1.0 - u) + means[r0 * columns + c1] * u;
                let lower = means[r1 * columns + c0] * (1.0 - u) + means[r1 * columns + c1] * u;
                self.ground[y * width + x] += upper * (1.0 - v) + lower * v;
            }
        }
    }

    /// Root mean square of what is left over at the pixels of chosen sites, either copy's.
    pub(super) fn remainder(&self, plane: &Plane, chosen: &dyn Fn(usize) -> bool) -> f64 {
        let rest = self.left_over(plane);
        let (mut sum, mut count) = (0.0, 0.0_f64);
        for copy in &self.copies {
            for (_, f) in copy.features.iter().enumerate().filter(|(i, _)| chosen(*i)) {
                copy.each_pixel(f, plane.width, plane.height, |i, _, _, _| {
                    if plane.is_known(i) {
                        sum += f64::from(rest[i] * rest[i]);
                        count += 1.0;
                    }
                });
            }
        }
        (sum / count.max(1.0)).sqrt()
    }

    /// Standard deviation of what is left over, from the middle of its distribution, at the pixels of the copies.
    pub(super) fn noise(&self, plane: &Plane, rest: &[f32]) -> f32 {
        let owner = self.copies[0].owners(plane.width, plane.height);
        let mut sizes: Vec<f32> =
            (0..rest.len()).step_by(3).filter(|&i| owner[i] != u32::MAX && plane.is_known(i)).map(|i| rest[i].abs()).collect();
        if sizes.is_empty() {
            return 1.0;
        }
        let middle = sizes.len() / 2;
        let (_, median, _) = sizes.select_nth_unstable_by(middle, f32::total_cmp);
        (1.4826 * *median).max(1e-6)
    }

    /// One solution for both looks; the poses' step is returned, not taken. `chosen` tells which sites' pixels count.
    /// `None` when it cannot be solved.
    pub(super) fn solve_looks(&mut self, plane: &Plane, chosen: &dyn Fn(usize) -> bool, reject: bool) -> Option<Normal> {
        let (width, height) = (plane.width, plane.height);
        let rest = self.left_over(plane);
        if !reject {
            self.settle_ground(plane, &rest);
        }
        let noise = if reject { self.noise(plane, &rest) } else { 1.0 };
        let mut target: Vec<f32> = plane.light.iter().zip(&self.ground).map(|(l, g)| l - g).collect();
        let mut leans = vec![0.0_f32; target.len()];
        self.copies.iter().for_each(|c| c.add_leans(&mut leans, width, height));
        target.iter_mut().zip(&leans).for_each(|(t, l)| *t -= l);

        let owners = [0, 1].map(|c| self.copies[c].owners(width, height));
        // The last knot of each look is fixed at 0: what is common belongs to the ground.
        let knots = [0, 1].map(|c| self.copies[c].look.len() - 1);
        let n = knots[0] + knots[1] + 6;
        let poses = knots[0] + knots[1];
        let mut normal = DMatrix::<f64>::zeros(n, n);
        let mut right = DVector::<f64>::zeros(n);
        let (mut index, mut value) = ([0_usize; 10], [0.0_f64; 10]);
        for i in 0..target.len() {
            let own = [owners[0][i], owners[1][i]];
            // While places are far off, every other pixel tells enough.
            let is_skipped = !reject && (i / width + i) % 2 == 1;
            if is_skipped || !own.iter().any(|o| *o != u32::MAX && chosen(*o as usize)) || !plane.is_known(i) {
                continue;
            }
            if reject && rest[i].abs() > OUTLIER * noise {
                continue;
            }
            let (px, py) = ((i % width) as f64, (i / width) as f64);
            let mut filled = 0;
            for c in 0..2 {
                if own[c] == u32::MAX {
                    continue;
                }
                let copy = &self.copies[c];
                let f = &copy.features[own[c] as usize];
                let (cx, cy) = f.centre();
                let (x, y) = (px - cx, py - cy);
                let r = x.hypot(y);
                let t = r / (1.0 + f.growth) / STEP_PX;
                let (bin, part) = (t as usize, t.fract());
                let first = if c == 0 { 0 } else { knots[0] };
                for (k, w) in [(bin, 1.0 - part), (bin + 1, part)] {
                    if k < knots[c] {
                        index[filled] = first + k;
                        value[filled] = f.gain * w;
                        filled += 1;
                    }
                }
                let (_, slope) = copy.at(r / (1.0 + f.growth));
                if r > 1e-9 {
                    let push = -f.gain * slope / r;
                    for p in 0..3 {
                        index[filled] = poses + 3 * c + p;
                        value[filled] = push * (x * f.per_pose[(0, p)] + y * f.per_pose[(1, p)]);
                        filled += 1;
                    }
                }
            }
            let t = f64::from(target[i]);
            let cells = normal.as_mut_slice();
            for a in 0..filled {
                right[index[a]] += value[a] * t;
                for b in 0..=a {
                    let (low, high) = if index[a] > index[b] { (index[b], index[a]) } else { (index[a], index[b]) };
                    cells[low * n + high] += value[a] * value[b];
                }
            }
        }
        normal.fill_upper_triangle_with_lower_triangle();
        // Neighbouring knots that no pixel tells apart go together.
        let typical = (0..poses).map(|k| normal[(k, k)]).sum::<f64>() / poses.max(1) as f64;
        let stiff = 1e-4 * typical;
        for (first, count) in [(0, knots[0]), (knots[0], knots[1])] {
            for k in 1..count {
                let next = (k + 1 < count).then_some(first + k + 1);
                let bend: [(Option<usize>, f64); 3] = [(Some(first + k - 1), 1.0), (Some(first + k), -2.0), (next, 1.0)];
                for (a, wa) in bend {
                    for (b, wb) in bend {
                        if let (Some(a), Some(b)) = (a, b) {
                            normal[(a, b)] += stiff * wa * wb;
                        }
                    }
                }
            }
        }
        let looks = normal.view((0, 0), (poses, poses)).into_owned();
        let across = normal.view((0, poses), (poses, 6)).into_owned();
        let cholesky = looks.cholesky()?;
        let carried = cholesky.solve(&across);
        let right_looks = right.rows(0, poses).into_owned();
        let weight = 1.0 / f64::from(noise * noise);
        let matrix: DMatrix<f64> = (normal.view((poses, poses), (6, 6)) - across.transpose() * &carried) * weight;
        let step_right: DVector<f64> = (right.rows(poses, 6) - carried.transpose() * &right_looks) * weight;
        let fixed =
            Normal { matrix: Matrix6::from_iterator(matrix.iter().copied()), right: Vector6::from_iterator(step_right.iter().copied()) };
        let step = step_of(&fixed, self)?;
        let solution = cholesky.solve(&(right_looks - across * DVector::from_iterator(6, step.iter().copied())));
        for c in 0..2 {
            let first = if c == 0 { 0 } else { knots[0] };
            for k in 0..knots[c] {
                self.copies[c].look[k] = solution[first + k];
            }
        }
        Some(fixed)
    }

    /// Settles every feature of one copy by a small solution of its own on what is left over. `noise` is that of a pixel.
    pub(super) fn settle_features(&mut self, plane: &Plane, which: usize, noise: f32) {
        const N: usize = 11;
        let rest = self.left_over(plane);
        let (width, height) = (plane.width, plane.height);
        let copy = self.copies[which].clone();
        let prior = |sd: f64| f64::from(noise * noise) / (sd * sd);
        for f in &mut self.copies[which].features {
            let (mut sums, mut right) = ([[0.0_f64; N]; N], SVector::<f64, N>::zeros());
            copy.each_pixel(f, width, height, |i, x, y, r| {
                // Half of the pixels tell a feature's own values well enough to take it away.
                if (i / width + i) % 2 == 1 || !plane.is_known(i) || rest[i].abs() > 3.0 * OUTLIER * noise {
                    return;
                }
                let (light, slope) = copy.at(r / (1.0 + f.growth));
                let (u, v) = (x / copy.radius_px, y / copy.radius_px);
                let push = if r > 1e-9 { -f.gain * slope / r } else { 0.0 };
                let row = [
                    light,
                    push * x,
                    push * y,
                    push * r * r,
                    light * u,
                    light * v,
                    light * (u * u - v * v),
                    light * 2.0 * u * v,
                    1.0,
                    u,
                    v,
                ];
                let left = f64::from(rest[i]);
                for a in 0..N {
                    right[a] += row[a] * left;
                    for b in 0..=a {
                        sums[a][b] += row[a] * row[b];
                    }
                }
            });
            let mut normal = SMatrix::<f64, N, N>::from_fn(|a, b| if a >= b { sums[a][b] } else { sums[b][a] });
            let sds = [1.0, OWN_SHIFT_PX, OWN_SHIFT_PX, OWN_GROWTH, OWN_LEAN, OWN_LEAN, OWN_LEAN, OWN_LEAN, 1.0, 1.0, 1.0];
            let now = [f.gain - 1.0, f.off_px[0], f.off_px[1], f.growth, f.lean[0], f.lean[1], f.lean[2], f.lean[3], 0.0, 0.0, 0.0];
            for k in 0..N {
                normal[(k, k)] += prior(sds[k]);
                right[k] -= prior(sds[k]) * now[k];
            }
            let Some(step) = normal.cholesky().map(|c| c.solve(&right)) else { continue };
            f.gain += step[0].clamp(-1.0, 1.0);
            for axis in 0..2 {
                f.off_px[axis] = (f.off_px[axis] + step[1 + axis].clamp(-0.5, 0.5)).clamp(-2.0, 2.0);
            }
            f.growth = (f.growth + step[3].clamp(-0.05, 0.05)).clamp(-0.3, 0.3);
            for k in 0..4 {
                f.lean[k] = (f.lean[k] + step[4 + k].clamp(-0.3, 0.3)).clamp(-1.0, 1.0);
            }
        }
        // What all features have in common belongs to the look and to the pose.
        let features = &mut self.copies[which].features;
        let count = features.len().max(1) as f64;
        let mean = |get: &dyn Fn(&Feature) -> f64| features.iter().map(get).sum::<f64>() / count;
        let (gain, growth) = (mean(&|f| f.gain), mean(&|f| f.growth));
        let (mut normal, mut right) = (Matrix3::<f64>::zeros(), Vector3::<f64>::zeros());
        for f in features.iter() {
            normal += f.per_pose.transpose() * f.per_pose;
            right += f.per_pose.transpose() * Vector2::from(f.off_px);
        }
        let common = normal.cholesky().map_or_else(Vector3::zeros, |c| c.solve(&right));
        for f in features.iter_mut() {
            f.gain /= gain.max(0.1);
            f.growth -= growth;
            let shared = f.per_pose * common;
            f.off_px = [f.off_px[0] - shared.x, f.off_px[1] - shared.y];
        }
    }
}

/// Steps longer than this, at any feature, lead out of what slopes tell, px.
const MOST_STEP_PX: f64 = 1.5;

/// The poses' step of a solution, cut to [`MOST_STEP_PX`].
pub(super) fn step_of(normal: &Normal, both: &Both) -> Option<Vector6<f64>> {
    let mut matrix = normal.matrix;
    let trace = matrix.trace();
    if trace <= 0.0 {
        // Looks that are flat yet say nothing of places.
        return Some(Vector6::zeros());
    }
    for k in 0..6 {
        matrix[(k, k)] += 1e-9 * trace;
    }
    let step = matrix.cholesky()?.solve(&normal.right);
    let longest = (0..2)
        .flat_map(|c| both.copies[c].features.iter().map(move |f| (c, f)))
        .map(|(c, f)| (f.per_pose * Vector3::new(step[3 * c], step[3 * c + 1], step[3 * c + 2])).norm())
        .fold(0.0, f64::max);
    Some(if longest > MOST_STEP_PX { step * (MOST_STEP_PX / longest) } else { step })
}

/// d(px)/d(pose) of a place: `px_per_mm` is d(px)/d(bench mm) there, `arm` the place from the pose's origin, turned.
pub(super) fn per_pose(px_per_mm: &Matrix2<f64>, arm: PointMm) -> Matrix2x3<f64> {
    px_per_mm * Matrix2x3::new(1.0, 0.0, -arm.y, 0.0, 1.0, arm.x)
}
