//! A first guess of every view and every placement, from homographies shot by shot.

use super::model::Model;
use super::{ScaleError, Shot};
use landfit_part::{PointMm, Pose};
use landfit_vision::PointPx;
use landfit_vision::pose::fit_rigid;
use landfit_vision::view::project;
use nalgebra::{DVector, Matrix3, SMatrix, SymmetricEigen};

/// The homography of least algebraic error over normalised points (Hartley 1997, doi:10.1109/34.601246); `None` below four
/// points or when they lie on one line.
#[must_use]
pub fn homography(from: &[PointMm], to: &[PointPx]) -> Option<Matrix3<f64>> {
    if from.len() < 4 || from.len() != to.len() {
        return None;
    }
    let (a, b): (Vec<[f64; 2]>, Vec<[f64; 2]>) = from.iter().zip(to).map(|(p, q)| ([p.x, p.y], [q.x, q.y])).unzip();
    let (from_unit, to_unit) = (normaliser(&a)?, normaliser(&b)?);
    let mut normal = SMatrix::<f64, 9, 9>::zeros();
    for (p, q) in a.iter().zip(&b) {
        let ((u, v), (x, y)) = (project(&from_unit, p[0], p[1]), project(&to_unit, q[0], q[1]));
        for row in [[u, v, 1.0, 0.0, 0.0, 0.0, -x * u, -x * v, -x], [0.0, 0.0, 0.0, u, v, 1.0, -y * u, -y * v, -y]] {
            let row = SMatrix::<f64, 9, 1>::from(row);
            normal += row * row.transpose();
        }
    }
    let eigen = SymmetricEigen::new(normal);
    let mut order: Vec<usize> = (0..9).collect();
    order.sort_by(|i, j| eigen.eigenvalues[*i].total_cmp(&eigen.eigenvalues[*j]));
    if eigen.eigenvalues[order[1]] < 1e-9 * eigen.eigenvalues[order[8]] {
        return None;
    }
    let h = eigen.eigenvectors.column(order[0]);
    let h = Matrix3::from_fn(|r, c| h[3 * r + c]);
    let h = to_unit.try_inverse()? * h * from_unit;
    let h = h / h[(2, 2)];
    h.iter().all(|v| v.is_finite()).then_some(h)
}

fn normaliser(points: &[[f64; 2]]) -> Option<Matrix3<f64>> {
    let n = points.len() as f64;
    let (cx, cy) = points.iter().fold((0.0, 0.0), |(x, y), p| (x + p[0] / n, y + p[1] / n));
    let spread = points.iter().map(|p| (p[0] - cx).hypot(p[1] - cy)).sum::<f64>() / n;
    let s = std::f64::consts::SQRT_2 / spread;
    s.is_finite().then(|| Matrix3::new(s, 0.0, -s * cx, 0.0, s, -s * cy, 0.0, 0.0, 1.0))
}

/// What each shot's own homography says of views and placements. Returns the model, the unknowns, and which placement each
/// connected group of views takes for its frame.
///
/// # Errors
/// A shot that allows no homography.
pub(super) fn start(shots: &[Shot], middle_px: PointPx, norm_px: f64) -> Result<(Model, DVector<f64>, Vec<usize>), ScaleError> {
    let views = shots.iter().map(|s| s.view + 1).max().unwrap_or(0);
    let placements = shots.iter().map(|s| s.placement + 1).max().unwrap_or(0);
    let mut own = Vec::new();
    for (index, shot) in shots.iter().enumerate() {
        let (from, to): (Vec<PointMm>, Vec<PointPx>) = shot.spots.iter().map(|s| (s.at_mm, s.seen_px)).unzip();
        own.push(homography(&from, &to).ok_or(ScaleError::TooFewSpots { shot: index, found: from.len() })?);
    }
    let mut view_h: Vec<Option<Matrix3<f64>>> = vec![None; views];
    let mut poses: Vec<Option<Pose>> = vec![None; placements];
    let mut frames = Vec::new();
    while let Some(first) = (0..shots.len()).find(|i| poses[shots[*i].placement].is_none()) {
        frames.push(shots[first].placement);
        poses[shots[first].placement] = Some(Pose::IDENTITY);
        loop {
            let mut grew = false;
            for (shot, h) in shots.iter().zip(&own) {
                match (view_h[shot.view], poses[shot.placement]) {
                    (None, Some(pose)) => {
                        view_h[shot.view] = Some(h * matrix(&pose.inverse()));
                        grew = true;
                    }
                    (Some(view), None) => {
                        poses[shot.placement] = placed(shot, &view);
                        grew |= poses[shot.placement].is_some();
                    }
                    _ => {}
                }
            }
            if !grew {
                break;
            }
        }
    }
    let views_mm = (0..views).map(|v| extent(v, shots, &poses)).collect();
    let model = Model { middle_px, norm_px, views_mm, placements };
    let mut unknowns = DVector::zeros(model.unknowns());
    for (view, h) in view_h.iter().enumerate() {
        if let Some(h) = h {
            model.set_view(&mut unknowns, view, h);
        }
    }
    for (placement, pose) in poses.iter().enumerate() {
        let pose = pose.unwrap_or(Pose::IDENTITY);
        let at = model.placement_at(placement);
        (unknowns[at], unknowns[at + 1], unknowns[at + 2]) = (pose.x_mm, pose.y_mm, pose.theta_rad);
    }
    Ok((model, unknowns, frames))
}

pub(super) fn matrix(pose: &Pose) -> Matrix3<f64> {
    let (s, c) = pose.theta_rad.sin_cos();
    Matrix3::new(c, -s, pose.x_mm, s, c, pose.y_mm, 0.0, 0.0, 1.0)
}

/// Where a target lies that a known view sees.
fn placed(shot: &Shot, px_from_mm: &Matrix3<f64>) -> Option<Pose> {
    let inverse = px_from_mm.try_inverse()?;
    let bench: Vec<PointMm> =
        shot.spots.iter().map(|s| project(&inverse, s.seen_px.x, s.seen_px.y)).map(|(x, y)| PointMm::new(x, y)).collect();
    let target: Vec<PointMm> = shot.spots.iter().map(|s| s.at_mm).collect();
    fit_rigid(&target, &bench).ok()
}

fn extent(view: usize, shots: &[Shot], poses: &[Option<Pose>]) -> (PointMm, f64) {
    let mut points = Vec::new();
    for shot in shots.iter().filter(|s| s.view == view) {
        let pose = poses[shot.placement].unwrap_or(Pose::IDENTITY);
        points.extend(shot.spots.iter().map(|s| pose.apply(s.at_mm)));
    }
    let n = points.len().max(1) as f64;
    let centre = points.iter().fold(PointMm::ZERO, |sum, p| sum + *p) * (1.0 / n);
    let half = points.iter().map(|p| p.distance(centre)).fold(1e-6, f64::max);
    (centre, half)
}
