//! The rigid motion that carries one set of points onto another, with its covariance.
//!
//! * [`fit_rigid`] is the closed form for equally good points, [`fit_rigid_weighted`] with a weight each.
//! * [`fit_rigid_general`] takes a whole covariance for every point.
//! * [`fit_rigid_robust`] does so, too, and finds out which points do not belong.
//! * [`fit_minimax`] makes the largest miss as small as it can be.
//! * [`fit_similarity`] and [`fit_similarity_general`] leave the scale free: a diagnostic, never an answer.
//!
//! In every fit the slices pair up by index, and the order of the pairs does not matter. A reflection is never an answer.

mod minimax;
#[cfg(test)]
mod tests;

pub use minimax::{Minimax, fit_minimax};

use landfit_part::{PointMm, Pose, wrap_angle_rad};
use nalgebra::{Matrix2, Matrix2x3, Matrix2x4, Matrix3, Matrix4, Vector2, Vector3, Vector4};

/// A fitted motion, how well it is known and which points it rests on.
#[derive(Debug, Clone)]
pub struct RigidFit {
    /// Carries the first set's frame to the second's.
    pub to_from: Pose,
    /// Covariance of (x mm, y mm, theta rad) of `to_from`: x and y are where the first frame's origin comes to lie.
    /// It is `own_covariance`, widened by `reduced_chi2` where the residuals are larger than the points' covariances say.
    pub covariance: Matrix3<f64>,
    /// The same from the points' own covariances alone.
    pub own_covariance: Matrix3<f64>,
    /// Which pairs the fit rests on, by index.
    pub inliers: Vec<bool>,
    /// Degrees of freedom of the covariance: those of the residuals, twice the inliers less three, or more where it rests on more than these.
    pub dof: f64,
    /// Summed squared residuals of the inliers, in units of their covariances, over their degrees of freedom; near 1 where those are true.
    pub reduced_chi2: f64,
}

/// A fit with free scale: to = scale R(theta) from + (x, y).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Similarity {
    /// Turn and shift.
    pub to_from: Pose,
    /// Scale; 1 is true to size.
    pub scale: f64,
    /// Standard uncertainty of `scale`: the larger of what the weights say and what the residuals say.
    pub scale_u: f64,
}

/// How [`fit_rigid_robust`] tells points that do not belong. Distances are in units of each point's own covariance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RobustOptions {
    /// Where Tukey's weight reaches zero. 5.123: 95 % efficiency for normal noise in two dimensions (computed; the usual
    /// 4.685 gives 95 % in one dimension and 93 % in two).
    pub tukey_cutoff: f64,
    /// Beyond this a pair is no inlier. 3.717: one good point in a thousand is lost (chi-squared, two degrees of freedom).
    pub inlier_gate: f64,
    /// Steps of reweighting at most; ten are usual.
    pub max_steps: usize,
}

impl Default for RobustOptions {
    fn default() -> Self {
        Self { tukey_cutoff: 5.123, inlier_gate: 3.717, max_steps: 50 }
    }
}

/// Why there is no fit.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum PoseError {
    /// The two sets do not pair up.
    #[error("{from} points cannot pair up with {to}: both sets, their weights and covariances must be equally long")]
    Unpaired {
        /// Points of the first set.
        from: usize,
        /// Points, weights or covariances that should be as many.
        to: usize,
    },
    /// Too few points.
    #[error("{found} points with weight, a fit needs {needed}")]
    TooFew {
        /// How many there are.
        found: usize,
        /// How many it takes.
        needed: usize,
    },
    /// A coordinate is no number, or beyond any bench.
    #[error("pair {index} has a coordinate that is no finite number of millimetres")]
    NotFinite {
        /// Index of the pair.
        index: usize,
    },
    /// A weight is negative or no number.
    #[error("weight {index} is {weight}: weights are finite and not negative")]
    BadWeight {
        /// Index of the pair.
        index: usize,
        /// The weight.
        weight: f64,
    },
    /// A covariance is no covariance.
    #[error("covariance {index} is not symmetric and positive definite")]
    BadCovariance {
        /// Index of the pair.
        index: usize,
    },
    /// All points of one set fall together, so that the turn is open.
    #[error("all {n} points lie within {spread_mm:.3e} mm, so the rotation is undetermined")]
    Coincident {
        /// How many points.
        n: usize,
        /// Their root mean square distance from their centre, mm.
        spread_mm: f64,
    },
    /// Every turn fits as well as any other (a mirrored square, say).
    #[error("the pairs do not agree on any rotation: every turn leaves the same summed squared distance")]
    TurnUndetermined,
    /// Too few points agree on a motion.
    #[error("only {inliers} of {n} pairs agree on a motion; more than half must, and at least {needed}")]
    TooFewInliers {
        /// How many agree.
        inliers: usize,
        /// How many there are.
        n: usize,
        /// The least number.
        needed: usize,
    },
    /// The steps ran out.
    #[error("the fit had not settled after {steps} steps")]
    NotSettled {
        /// How many steps were made.
        steps: usize,
    },
}

impl RigidFit {
    /// Covariance, mm², of the place that `p` (first frame) is carried to: first order in the fit's covariance.
    #[must_use]
    pub fn target_covariance_mm2(&self, p: PointMm) -> Matrix2<f64> {
        let slope = step_of_pose(p.rotated(self.to_from.theta_rad));
        slope * self.covariance * slope.transpose()
    }
}

/// Fits the rotation and shift that carry `from` onto `to` with the least summed squared distance.
///
/// Needs two points that differ; a single row of points is enough. O(n).
///
/// # Errors
/// Unequal lengths, fewer than two pairs, a coordinate that is no finite number, all points at one place, or pairs that
/// agree on no rotation.
///
/// Closed form of Umeyama 1991 (doi:10.1109/34.88573) for two dimensions, scale fixed at 1.
pub fn fit_rigid(from: &[PointMm], to: &[PointMm]) -> Result<Pose, PoseError> {
    check_pairs(from, to)?;
    Ok(Moments::of(from, to, |_| 1.0)?.rigid())
}

/// Fits as [`fit_rigid`] does, with a weight for each pair: 1/σ² of the pair's noise along one axis, mm⁻².
///
/// # Errors
/// As [`fit_rigid`]; pairs of weight zero do not count. Also for a weight that is negative or no finite number.
pub fn fit_rigid_weighted(from: &[PointMm], to: &[PointMm], weights: &[f64]) -> Result<Pose, PoseError> {
    check_pairs(from, to)?;
    check_weights(weights, from.len())?;
    Ok(Moments::of(from, to, |i| weights[i])?.rigid())
}

/// Fits rotation, shift and scale; `weights` as in [`fit_rigid_weighted`]. A scale off by more than its uncertainty means
/// the wrong part, the wrong bench file or a camera that has moved.
///
/// # Errors
/// As [`fit_rigid_weighted`].
///
/// Umeyama 1991, equations 40 to 43, in two dimensions.
pub fn fit_similarity(from: &[PointMm], to: &[PointMm], weights: &[f64]) -> Result<Similarity, PoseError> {
    check_pairs(from, to)?;
    check_weights(weights, from.len())?;
    let moments = Moments::of(from, to, |i| weights[i])?;
    let scale = moments.cross.hypot(moments.dot) / moments.from_spread;
    let turned = moments.from_centre.rotated(moments.theta_rad()) * scale;
    let to_from = Pose::new(moments.to_centre.x - turned.x, moments.to_centre.y - turned.y, moments.theta_rad());
    let chi2: f64 = (0..from.len())
        .map(|i| {
            let carried = from[i].rotated(to_from.theta_rad) * scale + to_from.shift();
            weights[i] * (carried - to[i]).norm().powi(2)
        })
        .sum();
    let n_pairs = weights.iter().filter(|w| **w > 0.0).count();
    Ok(Similarity { to_from, scale, scale_u: (widened(chi2, n_pairs) / moments.from_spread).sqrt() })
}

/// Fits rotation, shift and scale where every pair has a covariance of its own, as in [`fit_rigid_general`].
///
/// # Errors
/// As [`fit_rigid`], and for a covariance that is none.
///
/// Linear least squares over `to = [[a, -b], [b, a]] from + shift`; the scale is the length of (a, b).
pub fn fit_similarity_general(from: &[PointMm], to: &[PointMm], covariances: &[Matrix2<f64>]) -> Result<Similarity, PoseError> {
    check_pairs(from, to)?;
    let information = informations(covariances, from.len())?;
    let moments = Moments::of(from, to, |i| information[i].trace() / 2.0)?;
    let pairs: Vec<(Matrix2x4<f64>, Vector2<f64>)> = (from.iter().zip(to))
        .map(|(from, to)| {
            let (arm, seen) = (*from - moments.from_centre, *to - moments.to_centre);
            (Matrix2x4::new(arm.x, -arm.y, 1.0, 0.0, arm.y, arm.x, 0.0, 1.0), Vector2::new(seen.x, seen.y))
        })
        .collect();
    let (mut normal, mut right) = (Matrix4::<f64>::zeros(), Vector4::<f64>::zeros());
    for ((rows, seen), weight) in pairs.iter().zip(&information) {
        normal += rows.transpose() * weight * rows;
        right += rows.transpose() * weight * seen;
    }
    let inverse = normal.cholesky().ok_or(PoseError::TurnUndetermined)?.inverse();
    let solved = inverse * right;
    let misses = pairs.iter().map(|(rows, seen)| seen - rows * solved);
    let chi2: f64 = misses.zip(&information).map(|(miss, weight)| miss.dot(&(weight * miss))).sum();
    let scale = solved[0].hypot(solved[1]);
    let along = Vector4::new(solved[0], solved[1], 0.0, 0.0) / scale;
    let theta_rad = solved[1].atan2(solved[0]);
    let shift = moments.to_centre + PointMm::new(solved[2], solved[3]) - moments.from_centre.rotated(theta_rad) * scale;
    let scale_u = (along.dot(&(inverse * along)) * widened(chi2, from.len())).sqrt();
    Ok(Similarity { to_from: Pose::new(shift.x, shift.y, theta_rad), scale, scale_u })
}

/// What the residuals of a fit of rotation, shift and scale to so many pairs widen its covariance by: never less than what was stated.
fn widened(chi2: f64, n_pairs: usize) -> f64 {
    let dof = 2.0 * n_pairs as f64 - 4.0;
    if dof > 0.0 { (chi2 / dof).max(1.0) } else { 1.0 }
}

/// Fits rotation and shift where every pair has a covariance of its own: that of `to` less the carried `from`, in the
/// frame of `to`, mm². No pair is left out.
///
/// # Errors
/// As [`fit_rigid`], for a covariance that is none, and when the steps do not settle.
///
/// Gauss–Newton steps from the closed form; the covariance is the inverse of the normal matrix.
pub fn fit_rigid_general(from: &[PointMm], to: &[PointMm], covariances: &[Matrix2<f64>]) -> Result<RigidFit, PoseError> {
    check_pairs(from, to)?;
    let information = informations(covariances, from.len())?;
    let start = Moments::of(from, to, |i| information[i].trace() / 2.0)?.rigid();
    let inliers = vec![true; from.len()];
    least_squares(from, to, &information, inliers, start)
}

/// Fits as [`fit_rigid_general`] does, after telling the pairs that do not belong.
///
/// The motion that suits the middle pair best, among motions made from pairs of points, is the start. Tukey's
/// redescending weights refine it; the final fit is least squares on the inliers. Their noise counts as at least what the
/// covariances say: small residuals of a few points throw no good point out.
/// More than half of the pairs must agree. Same input, same answer: nothing is drawn at random.
///
/// # Errors
/// As [`fit_rigid_general`], and when half of the pairs or more agree on no motion.
///
/// Start: least median of squares, Rousseeuw 1984 (doi:10.1080/01621459.1984.10477105). Weights: Beaton and Tukey 1974
/// (doi:10.1080/00401706.1974.10489171); references from memory.
pub fn fit_rigid_robust(
    from: &[PointMm],
    to: &[PointMm],
    covariances: &[Matrix2<f64>],
    options: &RobustOptions,
) -> Result<RigidFit, PoseError> {
    check_pairs(from, to)?;
    let information = informations(covariances, from.len())?;
    // The plain fit is not used, but it says whether there is a turn to find at all.
    Moments::of(from, to, |_| 1.0).map(|_| ()).or_else(|e| if e == PoseError::TurnUndetermined { Ok(()) } else { Err(e) })?;
    let (start, noise) = least_median(from, to, &information)?;
    let (settled, noise) = reweighted(from, to, &information, start, noise, options)?;
    let gate2 = (options.inlier_gate * noise).powi(2);
    let distance = squared_distances(settled, from, to, &information);
    let inliers: Vec<bool> = (0..from.len()).map(|i| distance(i) <= gate2).collect();
    let n_inliers = inliers.iter().filter(|k| **k).count();
    if n_inliers < 2 || 2 * n_inliers <= from.len() {
        return Err(PoseError::TooFewInliers { inliers: n_inliers, n: from.len(), needed: 2 });
    }
    least_squares(from, to, &information, inliers, settled)
}

/// Weighted sums of pairs about their weighted centres.
struct Moments {
    from_centre: PointMm,
    to_centre: PointMm,
    from_spread: f64,
    dot: f64,
    cross: f64,
}

impl Moments {
    fn of(from: &[PointMm], to: &[PointMm], weight: impl Fn(usize) -> f64) -> Result<Self, PoseError> {
        let n = (0..from.len()).filter(|&i| weight(i) > 0.0).count();
        if n < 2 {
            return Err(PoseError::TooFew { found: n, needed: 2 });
        }
        let total: f64 = (0..from.len()).map(&weight).sum();
        let centre = |points: &[PointMm]| (0..points.len()).fold(PointMm::ZERO, |sum, i| sum + points[i] * (weight(i) / total));
        let (from_centre, to_centre) = (centre(from), centre(to));
        let (mut from_spread, mut to_spread, mut dot, mut cross, mut reach) = (0.0, 0.0, 0.0, 0.0, 0.0_f64);
        for i in 0..from.len() {
            let (w, a, b) = (weight(i), from[i] - from_centre, to[i] - to_centre);
            from_spread += w * (a.x * a.x + a.y * a.y);
            to_spread += w * (b.x * b.x + b.y * b.y);
            dot += w * (a.x * b.x + a.y * b.y);
            cross += w * (a.x * b.y - a.y * b.x);
            reach = reach.max(from[i].norm()).max(to[i].norm());
        }
        let spread_mm = (from_spread.min(to_spread) / total).sqrt();
        // Below a few rounding errors of the coordinates themselves a distance means nothing.
        if spread_mm <= 1e-14 * reach || spread_mm < 1e-12 {
            return Err(PoseError::Coincident { n, spread_mm });
        }
        if dot.hypot(cross) <= 1e-13 * (from_spread * to_spread).sqrt() {
            return Err(PoseError::TurnUndetermined);
        }
        Ok(Self { from_centre, to_centre, from_spread, dot, cross })
    }

    fn theta_rad(&self) -> f64 {
        self.cross.atan2(self.dot)
    }

    fn rigid(&self) -> Pose {
        pose_about(self.from_centre, self.to_centre, self.theta_rad())
    }
}

/// The motion that turns by `theta_rad` and carries `from` to `to`.
fn pose_about(from: PointMm, to: PointMm, theta_rad: f64) -> Pose {
    let shift = to - from.rotated(theta_rad);
    Pose::new(shift.x, shift.y, wrap_angle_rad(theta_rad))
}

/// d(carried point)/d(x, y, theta) for a point that lies at `arm` from the turn's centre once turned.
fn step_of_pose(arm: PointMm) -> Matrix2x3<f64> {
    Matrix2x3::new(1.0, 0.0, -arm.y, 0.0, 1.0, arm.x)
}

/// Turns by one angle many times: sine and cosine are taken once, which is most of the work otherwise.
fn turned_by(theta_rad: f64) -> impl Fn(PointMm) -> PointMm {
    let (sin, cos) = theta_rad.sin_cos();
    move |p| PointMm::new(cos * p.x - sin * p.y, sin * p.x + cos * p.y)
}

/// Residuals of a pose, pair by pair.
fn residuals<'a>(pose: Pose, from: &'a [PointMm], to: &'a [PointMm]) -> impl Fn(usize) -> Vector2<f64> + 'a {
    let (turn, shift) = (turned_by(pose.theta_rad), pose.shift());
    move |i| {
        let r = to[i] - turn(from[i]) - shift;
        Vector2::new(r.x, r.y)
    }
}

/// Squared distances of a pose in units of the covariances, pair by pair.
fn squared_distances<'a>(
    pose: Pose,
    from: &'a [PointMm],
    to: &'a [PointMm],
    information: &'a [Matrix2<f64>],
) -> impl Fn(usize) -> f64 + 'a {
    let residual = residuals(pose, from, to);
    move |i| {
        let r = residual(i);
        r.dot(&(information[i] * r))
    }
}

/// One Gauss–Newton step of the weighted problem, the turn taken about the weighted centre, so that the normal matrix is
/// well conditioned wherever the frame's origin lies.
struct Step {
    next: Pose,
    /// Step over its own standard uncertainty: small means settled. Zero where it is but rounding.
    relative: f64,
    /// Covariance of (x, y, theta) at the first frame's origin.
    covariance: Matrix3<f64>,
}

fn gauss_newton(
    from: &[PointMm],
    to: &[PointMm],
    information: &[Matrix2<f64>],
    weight: impl Fn(usize) -> f64,
    pose: Pose,
) -> Result<Step, PoseError> {
    let used = || (0..from.len()).filter(|&i| weight(i) > 0.0);
    let trace = |i: usize| weight(i) * information[i].trace();
    let total: f64 = used().map(trace).sum();
    let centre = used().fold(PointMm::ZERO, |sum, i| sum + from[i] * (trace(i) / total));
    let (mut normal, mut right) = (Matrix3::zeros(), Vector3::zeros());
    let (turn, residual) = (turned_by(pose.theta_rad), residuals(pose, from, to));
    for i in used() {
        let slope = step_of_pose(turn(from[i] - centre));
        let pull = slope.transpose() * information[i] * weight(i);
        normal += pull * slope;
        right += pull * residual(i);
    }
    let undetermined = || PoseError::Coincident { n: used().count(), spread_mm: 0.0 };
    let about_centre = normal.cholesky().ok_or_else(undetermined)?.inverse();
    if about_centre.iter().any(|v| !v.is_finite()) {
        return Err(undetermined());
    }
    let step = about_centre * right;
    let carried = pose.apply(centre) + PointMm::new(step.x, step.y);
    let next = pose_about(centre, carried, pose.theta_rad + step.z);
    let reach_mm = used().map(|i| from[i].norm().max(to[i].norm())).fold(0.0, f64::max);
    let is_rounding = step.x.hypot(step.y) <= 1e-14 * reach_mm && step.z.abs() <= 1e-14;
    let relative = if is_rounding { 0.0 } else { step.dot(&(normal * step)).max(0.0).sqrt() };
    // The origin lies at -centre from the weighted centre.
    let arm = (-centre).rotated(next.theta_rad);
    let to_origin = Matrix3::new(1.0, 0.0, -arm.y, 0.0, 1.0, arm.x, 0.0, 0.0, 1.0);
    let covariance = to_origin * about_centre * to_origin.transpose();
    Ok(Step { next, relative, covariance: (covariance + covariance.transpose()) / 2.0 })
}

/// Steps of the final fit at most; three are usual, as the start is close.
const MAX_FINAL_STEPS: usize = 50;

/// A step below this part of its own uncertainty changes nothing that anyone could measure; the next would be far smaller.
const SETTLED: f64 = 1e-6;

fn least_squares(
    from: &[PointMm],
    to: &[PointMm],
    information: &[Matrix2<f64>],
    inliers: Vec<bool>,
    start: Pose,
) -> Result<RigidFit, PoseError> {
    let weight = |i: usize| f64::from(u8::from(inliers[i]));
    let mut pose = start;
    let mut settled = false;
    let mut own_covariance = Matrix3::zeros();
    for _ in 0..MAX_FINAL_STEPS {
        let step = gauss_newton(from, to, information, weight, pose)?;
        (pose, own_covariance) = (step.next, step.covariance);
        if step.relative < SETTLED {
            settled = true;
            break;
        }
    }
    if !settled {
        return Err(PoseError::NotSettled { steps: MAX_FINAL_STEPS });
    }
    let used: Vec<usize> = (0..from.len()).filter(|&i| inliers[i]).collect();
    let chi2: f64 = used.iter().copied().map(squared_distances(pose, from, to, information)).sum();
    let dof = (2 * used.len() - 3) as f64;
    let reduced_chi2 = chi2 / dof;
    Ok(RigidFit { to_from: pose, covariance: own_covariance * reduced_chi2.max(1.0), own_covariance, inliers, dof, reduced_chi2 })
}

/// Motions tried for the start. With 45 % of the pairs wrong a motion made from two of them is right with chance 0.3, so
/// that all 60 are wrong with chance 5e-10.
const N_STARTS: usize = 60;

/// The motion with the least median distance, and the noise that this median stands for (1: as the covariances say).
fn least_median(from: &[PointMm], to: &[PointMm], information: &[Matrix2<f64>]) -> Result<(Pose, f64), PoseError> {
    let n = from.len();
    let mut distances = vec![0.0; n];
    let mut best: Option<(f64, Pose)> = None;
    for (i, j) in starting_pairs(from) {
        let baseline = (from[j] - from[i], to[j] - to[i]);
        let theta_rad = baseline.1.y.atan2(baseline.1.x) - baseline.0.y.atan2(baseline.0.x);
        let pose = pose_about((from[i] + from[j]) * 0.5, (to[i] + to[j]) * 0.5, theta_rad);
        let distance = squared_distances(pose, from, to, information);
        distances.iter_mut().enumerate().for_each(|(k, d)| *d = distance(k));
        let median = middle(&mut distances);
        if best.is_none_or(|(least, _)| median < least) {
            best = Some((median, pose));
        }
    }
    let (median, pose) = best.ok_or(PoseError::Coincident { n, spread_mm: 0.0 })?;
    Ok((pose, noise_from_median(median)))
}

/// Pairs of points that stand far apart, spread evenly over all pairs; every pair when there are few.
fn starting_pairs(from: &[PointMm]) -> Vec<(usize, usize)> {
    let n = from.len();
    let centre = from.iter().fold(PointMm::ZERO, |sum, p| sum + *p * (1.0 / n as f64));
    let spread_mm = (from.iter().map(|p| (*p - centre).norm().powi(2)).sum::<f64>() / n as f64).sqrt();
    let far = |&(i, j): &(usize, usize)| i != j && from[i].distance(from[j]) >= spread_mm;
    if n * (n - 1) / 2 <= N_STARTS {
        return (0..n).flat_map(|i| (i + 1..n).map(move |j| (i, j))).filter(far).collect();
    }
    // A plane-filling sequence of low discrepancy (the plastic number's), so that rows, columns and blocks of wrong pairs
    // are met in proportion. Twenty times more tries than needed: most pairs are far.
    let along = |k: usize, stride: f64| (((k as f64 * stride).fract() * n as f64) as usize).min(n - 1);
    (1..=20 * N_STARTS).map(|k| (along(k, 0.754_877_666_246_692_7), along(k, 0.569_840_290_998_053_3))).filter(far).take(N_STARTS).collect()
}

/// Tukey's weights until nothing moves; also the noise in units of the covariances, never below 1.
fn reweighted(
    from: &[PointMm],
    to: &[PointMm],
    information: &[Matrix2<f64>],
    start: Pose,
    start_noise: f64,
    options: &RobustOptions,
) -> Result<(Pose, f64), PoseError> {
    let n = from.len();
    let (mut pose, mut noise) = (start, start_noise);
    let mut distances = vec![0.0; n];
    for _ in 0..options.max_steps {
        let distance = squared_distances(pose, from, to, information);
        distances.iter_mut().enumerate().for_each(|(k, d)| *d = distance(k));
        let cutoff2 = (options.tukey_cutoff * noise).powi(2);
        let weights: Vec<f64> = distances.iter().map(|d2| (1.0 - d2 / cutoff2).max(0.0).powi(2)).collect();
        let n_used = weights.iter().filter(|w| **w > 0.0).count();
        if n_used < 2 {
            return Err(PoseError::TooFewInliers { inliers: n_used, n, needed: 2 });
        }
        let step = gauss_newton(from, to, information, |i| weights[i], pose)?;
        let next_noise = noise_from_median(middle(&mut distances));
        let quiet = (next_noise - noise).abs() <= 1e-6 * noise;
        (pose, noise) = (step.next, next_noise);
        // The mask only needs the pose to a small part of the noise.
        if step.relative < 1e-4 * noise && quiet {
            break;
        }
    }
    Ok((pose, noise))
}

/// Median squared distance over that of noise as the covariances say (2 ln 2 in two dimensions), as a factor on the noise.
fn noise_from_median(median: f64) -> f64 {
    (median / (2.0 * std::f64::consts::LN_2)).sqrt().max(1.0)
}

/// The upper median; reorders `values`.
fn middle(values: &mut [f64]) -> f64 {
    let k = values.len() / 2;
    *values.select_nth_unstable_by(k, f64::total_cmp).1
}

fn check_pairs(from: &[PointMm], to: &[PointMm]) -> Result<(), PoseError> {
    if from.len() != to.len() {
        return Err(PoseError::Unpaired { from: from.len(), to: to.len() });
    }
    if from.len() < 2 {
        return Err(PoseError::TooFew { found: from.len(), needed: 2 });
    }
    // Coordinates beyond this are no millimetres of any bench, and their squares leave no digits.
    let fine = |p: &PointMm| p.x.abs() < 1e12 && p.y.abs() < 1e12;
    match (0..from.len()).find(|&i| !fine(&from[i]) || !fine(&to[i])) {
        Some(index) => Err(PoseError::NotFinite { index }),
        None => Ok(()),
    }
}

fn check_weights(weights: &[f64], n: usize) -> Result<(), PoseError> {
    if weights.len() != n {
        return Err(PoseError::Unpaired { from: n, to: weights.len() });
    }
    match weights.iter().position(|w| !w.is_finite() || *w < 0.0) {
        Some(index) => Err(PoseError::BadWeight { index, weight: weights[index] }),
        None => Ok(()),
    }
}

/// The inverse of each covariance, after checking it.
fn informations(covariances: &[Matrix2<f64>], n: usize) -> Result<Vec<Matrix2<f64>>, PoseError> {
    if covariances.len() != n {
        return Err(PoseError::Unpaired { from: n, to: covariances.len() });
    }
    let invert = |(index, c): (usize, &Matrix2<f64>)| {
        let symmetric = (c.m12 - c.m21).abs() <= 1e-9 * (c.m11.abs() + c.m22.abs());
        let definite = c.m11 > 0.0 && c.m22 > 0.0 && c.determinant() > 1e-12 * c.m11 * c.m22;
        let inverse = c.try_inverse().filter(|i| symmetric && definite && i.iter().all(|v| v.is_finite()));
        inverse.ok_or(PoseError::BadCovariance { index })
    };
    covariances.iter().enumerate().map(invert).collect()
}
