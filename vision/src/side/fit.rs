//! Fits one side's pose to its measured centres, tells how far its places scatter, and what is displaced.

use crate::answer::{Refusal, SiteFinding, SiteState, SuspectKind};
use crate::pose::{RigidFit, RobustOptions, fit_rigid_robust, fit_similarity};
use crate::refusal;
use crate::shape_sites::Moves;
use crate::side::shared::{Places, fit_shared};
use crate::view::ScaleSource;
use crate::which_site::Pattern;
use landfit_part::{PointMm, Pose, Side};
use nalgebra::{Matrix2, Matrix3, Vector3};
use std::f64::consts::LN_2;

/// Displaced means further off the lattice than this share of the pitch: 40 µm at 0.8 mm, the size of the drawings' ball to
/// ball position tolerance (0.08 mm diameter; dtsheet.com/doc/1658666), and far above the scatter of the others.
const DISPLACED_SHARE: f64 = 0.05;
const DISPLACED_SCATTERS: f64 = 6.0;
/// The median of so few misses, taken about their own fit, says little of how far places scatter: …
const FEW_PLACES: usize = 12;
/// … as little as this is usual, mm, and less would throw one of three good places out (drawings allow 0.015 to 0.08 mm).
const LEAST_SCATTER_OF_FEW_MM: f64 = 0.002;
/// Fewer places do not tell a pose and whether it is one.
const LEAST_PLACES: usize = 3;
/// Where so few scatter by more than this about the lattice, mm per axis, one of them is another thing: drawings allow 0.015 to 0.08 mm for
/// each; three rendered leads of which one was taken for its shank scattered by 0.05 mm and were 36 µm off.
const MOST_SCATTER_OF_LEAST_MM: f64 = 0.02;
/// A place whose variances along its two axes differ by more than this is known well one way only.
pub(super) const ONE_WAY_RATIO: f64 = 9.0;
/// A free scale off by more than this means another part, another bench, or a pattern that is laid over something else: a board's copy one
/// footprint beside was 1.4 % off, and none of 246 rendered scenes of six kinds is by 1 %.
const WRONG_SCALE: f64 = 0.01;
/// The same while the scale is taken from the pattern: coarse places of a small part tell it so well.
const WRONG_FIRST_SCALE: f64 = 0.04;
/// A free scale off by more than this (and than four of its uncertainties) is worth a warning.
const ODD_SCALE: f64 = 0.002;
/// The median of the square of what is normally distributed, in variances; in two dimensions it is 2 ln 2 (Rayleigh).
pub(super) const MEDIAN_OF_SQUARE: f64 = 0.4549;

/// Where a side lies.
pub(super) struct SideFit {
    pub fit: RigidFit,
    /// How far the features' own places scatter about the lattice, per axis.
    pub scatter_mm2: f64,
    /// Of their centres' noise, per axis, on the mean.
    pub noise_mm2: f64,
    /// The scale at which the places would fit best.
    pub scale: Option<f64>,
    pub warnings: Vec<String>,
}

/// The pose is that of the least-squares lattice of the sites that count, whose own places scatter: what their scatter does to that lattice is
/// no error of measuring it. The covariance of a plain fit to them, for places with a variance of 1.
pub(super) fn lattice_scatter(centres_mm: &[PointMm], pose: &Pose) -> Matrix3<f64> {
    let mut normal = Matrix3::<f64>::zeros();
    let turned = Pose::new(0.0, 0.0, pose.theta_rad).motion();
    for c in centres_mm {
        let arm = turned.apply(*c);
        for row in [Vector3::new(1.0, 0.0, -arm.y), Vector3::new(0.0, 1.0, arm.x)] {
            normal += row * row.transpose();
        }
    }
    normal.try_inverse().unwrap_or_default()
}

/// Fits the side's pose to its measured centres and tells what is displaced. `sites` are the part's sites of the pattern, rising.
pub(super) fn fit(
    side: Side,
    scale_from: ScaleSource,
    pattern: &Pattern,
    sites: &[usize],
    (findings, shared): (&mut [SiteFinding], &[Moves]),
    start: &Pose,
) -> Result<SideFit, Refusal> {
    let designed = |site: usize| sites.binary_search(&site).ok().map(|i| pattern.centres_mm[i]);
    let used: Vec<(usize, PointMm, PointMm)> = findings
        .iter()
        .enumerate()
        .filter_map(|(i, f)| Some((i, designed(f.site)?, f.centre_mm?)))
        .filter(|(i, ..)| matches!(findings[*i].state, SiteState::Good))
        .collect();
    if used.len() < LEAST_PLACES {
        return Err(refusal::too_few_good(side, used.len()));
    }
    let (from, to): (Vec<PointMm>, Vec<PointMm>) = used.iter().map(|u| (u.1, u.2)).unzip();
    let own: Vec<Matrix2<f64>> = used.iter().map(|u| findings[u.0].covariance_mm2).collect();
    let noise: Vec<Matrix2<f64>> = used.iter().map(|u| findings[u.0].noise_mm2).collect();
    let mut scatter_mm2 = scatter_mm2(&from, &to, (&own, &noise), start);
    if used.len() <= FEW_PLACES {
        scatter_mm2 = scatter_mm2.max(LEAST_SCATTER_OF_FEW_MM.powi(2));
    }
    let covariances: Vec<Matrix2<f64>> = own.iter().map(|c| c + Matrix2::identity() * scatter_mm2).collect();
    let mut fit = fit_rigid_robust(&from, &to, &covariances, &RobustOptions::default()).map_err(|e| refusal::no_fit(side, &e))?;
    if !shared.is_empty() {
        let place = |at: usize| used.iter().position(|u| u.0 == at);
        let of_used = |moves: &Moves| moves.iter().filter_map(|(at, by)| Some((place(*at)?, *by))).collect();
        let shared: Vec<Moves> = shared.iter().map(of_used).collect();
        let places = Places { from: &from, to: &to, noise: &noise, shared: &shared };
        let least_mm2 = if used.len() <= FEW_PLACES { scatter_mm2 } else { 0.0 };
        if let Some((together, scatter)) = fit_shared(&places, &fit, scatter_mm2, least_mm2) {
            (fit, scatter_mm2) = (together, scatter);
        }
    }
    // Which of three is off, nothing tells.
    if used.len() == LEAST_PLACES && scatter_mm2.sqrt() > MOST_SCATTER_OF_LEAST_MM {
        return Err(refusal::disagreeing(side, used.len(), scatter_mm2.sqrt()));
    }

    let mut warnings = Vec::new();
    let scale_off = scale_off(&fit, &from, &to, &covariances);
    let scale = scale_off.map(|(off, _)| 1.0 + off);
    if let Some((off, off_u)) = scale_off {
        // A scale that is still being looked for may be off by as much as the features' coarse places say.
        let most_off = if scale_from == ScaleSource::Bench { WRONG_SCALE } else { WRONG_FIRST_SCALE };
        if off.abs() > most_off && off.abs() > 4.0 * off_u {
            return Err(refusal::wrong_scale(side, off));
        }
        if off.abs() > ODD_SCALE && off.abs() > 4.0 * off_u {
            warnings.push(refusal::odd_scale_words(side, off));
        }
    }
    let residual_u_mm = (fit.reduced_chi2.max(1.0) * mean_per_axis_mm2(&covariances)).sqrt();
    let limit_mm = (DISPLACED_SHARE * pattern.pitch_mm).max(DISPLACED_SCATTERS * residual_u_mm);
    let motion = fit.to_from.motion();
    for finding in findings.iter_mut() {
        if let (Some(d), Some(at)) = (designed(finding.site), finding.centre_mm)
            && matches!(finding.state, SiteState::Good | SiteState::Suspect(SuspectKind::Odd))
            && is_off(motion.apply(d), at, &finding.covariance_mm2, limit_mm, DISPLACED_SHARE * pattern.pitch_mm)
        {
            finding.state = SiteState::Suspect(SuspectKind::Displaced);
        }
    }
    Ok(SideFit { fit, scatter_mm2, noise_mm2: mean_per_axis_mm2(&noise), scale, warnings })
}

/// Mean variance per axis, mm².
fn mean_per_axis_mm2(covariances: &[Matrix2<f64>]) -> f64 {
    covariances.iter().map(|c| c.trace() / 2.0).sum::<f64>() / covariances.len() as f64
}

/// Whether a place is further off than what is usual, or than its own covariance allows where it is known well one way only.
fn is_off(designed: PointMm, at: PointMm, covariance_mm2: &Matrix2<f64>, limit_mm: f64, least_mm: f64) -> bool {
    let miss = at - designed;
    let way = nalgebra::Vector2::new(miss.x, miss.y) / miss.norm().max(1e-12);
    let own_u_mm = (way.transpose() * covariance_mm2 * way)[(0, 0)].max(0.0).sqrt();
    let is_known_one_way = {
        let eigen = covariance_mm2.symmetric_eigenvalues();
        eigen.max() > ONE_WAY_RATIO * eigen.min()
    };
    miss.norm() > if is_known_one_way { least_mm.max(DISPLACED_SCATTERS * own_u_mm) } else { limit_mm }
}

/// How far a free scale is from 1, and its standard uncertainty: a diagnostic.
fn scale_off(fit: &RigidFit, from: &[PointMm], to: &[PointMm], covariances: &[Matrix2<f64>]) -> Option<(f64, f64)> {
    let is_round = |c: &Matrix2<f64>| c[(0, 1)].abs() < 0.3 * c.trace() && c[(0, 0)] < 4.0 * c[(1, 1)] && c[(1, 1)] < 4.0 * c[(0, 0)];
    if covariances.iter().all(is_round) {
        let weights: Vec<f64> = fit.inliers.iter().zip(covariances).map(|(&k, c)| if k { 2.0 / c.trace() } else { 0.0 }).collect();
        return fit_similarity(from, to, &weights).ok().map(|free| (free.scale - 1.0, free.scale_u));
    }
    // Places that are known well one way only: shift and scale along each one's own axes, about the fitted pose, whose turn they keep: with
    // that left free, too, another scale comes out where few sites are seen.
    let (mut normal, mut right, mut chi2, mut n) = (Matrix3::<f64>::zeros(), Vector3::<f64>::zeros(), 0.0, 0.0);
    for i in (0..from.len()).filter(|&i| fit.inliers[i]) {
        let arm = from[i].rotated(fit.to_from.theta_rad);
        let miss = to[i] - fit.to_from.apply(from[i]);
        let (slope, miss) = (nalgebra::Matrix2x3::new(1.0, 0.0, arm.x, 0.0, 1.0, arm.y), nalgebra::Vector2::new(miss.x, miss.y));
        let weight = covariances[i].try_inverse()?;
        normal += slope.transpose() * weight * slope;
        right += slope.transpose() * weight * miss;
        chi2 += (miss.transpose() * weight * miss)[(0, 0)];
        n += 2.0;
    }
    let inverse = normal.try_inverse()?;
    let widened = (chi2 / f64::max(n - 4.0, 1.0)).max(1.0);
    Some(((inverse * right)[2], (inverse[(2, 2)] * widened).sqrt()))
}

/// How far the features' own places scatter about the lattice, per axis, beyond what their centres' noise explains, mm².
///
/// `known` holds what is known of each place, `noise` the part of it that is its own; what others share is no scatter.
fn scatter_mm2(from: &[PointMm], to: &[PointMm], (known, noise): (&[Matrix2<f64>], &[Matrix2<f64>]), start: &Pose) -> f64 {
    let pose = crate::pose::fit_rigid(from, to).ok().filter(|p| p.shift().distance(start.shift()) < 1.0).unwrap_or(*start);
    let motion = pose.motion();
    let misses = from.iter().zip(to).map(|(f, t)| *t - motion.apply(*f));
    let known_one_way: Vec<(f64, f64)> = misses
        .clone()
        .zip(known.iter().zip(noise))
        .filter_map(|(miss, (known, noise))| {
            let eigen = known.symmetric_eigen();
            let (lesser, greater) = if eigen.eigenvalues[0] < eigen.eigenvalues[1] { (0, 1) } else { (1, 0) };
            let way = eigen.eigenvectors.column(lesser);
            let is_one_way = eigen.eigenvalues[greater] > ONE_WAY_RATIO * eigen.eigenvalues[lesser];
            is_one_way.then(|| ((way[0] * miss.x + way[1] * miss.y).powi(2), (way.transpose() * noise * way)[(0, 0)]))
        })
        .collect();
    let beyond_noise = |mut squares: Vec<f64>, mut noises: Vec<f64>, median_of_one: f64| {
        squares.sort_by(f64::total_cmp);
        noises.sort_by(f64::total_cmp);
        let variance = squares[squares.len() / 2] / median_of_one;
        (variance - noises[noises.len() / 2]).max(1e-9 * variance)
    };
    // Places that are mostly known well one way only tell their scatter that way.
    if 2 * known_one_way.len() > from.len() {
        let (squares, noises) = known_one_way.into_iter().unzip();
        return beyond_noise(squares, noises, MEDIAN_OF_SQUARE);
    }
    beyond_noise(misses.map(|miss| miss.norm().powi(2)).collect(), noise.iter().map(|c| c.trace() / 2.0).collect(), 2.0 * LN_2)
}
