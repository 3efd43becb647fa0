//! The middle of a dot from its edge: rays from a first middle outwards, the place on each where the brightness is halfway, and an
//! ellipse through these places.

use super::Mark;
use super::plane::Grey;
use landfit_vision::PointPx;
use landfit_vision::inspect::{LatticeSpot, SpotLattice};
use nalgebra::{SMatrix, SVector};
use rayon::prelude::*;
use std::f64::consts::TAU;

/// An edge needs so many of its rays.
const LEAST_RAYS: f64 = 0.75;
/// A printed or etched dot stands out by a tenth of full scale at least; half of that is still one.
const LEAST_CONTRAST: f64 = 0.05;
/// Rounds of looking from the middle just found.
const ROUNDS: usize = 3;

/// Every dot of a lattice that lies wholly in the picture and has an edge all round.
pub(super) fn refined(grey: &Grey, lattice: &SpotLattice) -> Vec<Mark> {
    let step = step_px(&lattice.spots);
    lattice.spots.par_iter().filter_map(|s| refine(grey, s, lattice.is_bright, step)).collect()
}

/// Median distance between neighbours, px.
pub(super) fn step_px(spots: &[LatticeSpot]) -> f64 {
    let mut steps: Vec<f64> = Vec::new();
    let places: std::collections::BTreeMap<[i32; 2], PointPx> = spots.iter().map(|s| (s.cell, s.at)).collect();
    for (cell, at) in &places {
        for next in [[cell[0] + 1, cell[1]], [cell[0], cell[1] + 1]] {
            steps.extend(places.get(&next).map(|q| at.distance(*q)));
        }
    }
    steps.sort_by(f64::total_cmp);
    steps.get(steps.len() / 2).copied().unwrap_or(10.0)
}

fn refine(grey: &Grey, spot: &LatticeSpot, is_bright: bool, step_px: f64) -> Option<Mark> {
    let mut middle = spot.at;
    let mut radius = (spot.diameter_px / 2.0).min(0.4 * step_px);
    let mut u_px = f64::INFINITY;
    for _ in 0..ROUNDS {
        // Halfway to the neighbour's edge, or a little beyond this one's.
        let reach = (1.7 * radius + 1.5).min(step_px - radius).max(radius + 1.0);
        if !grey.holds(middle.x, middle.y, radius + 1.0) {
            return None;
        }
        let rays = ((TAU * radius) as usize).clamp(16, 96);
        let inside = level(grey, middle, 0.4 * radius);
        let outside = level(grey, middle, reach);
        if (inside > outside) != is_bright || (inside - outside).abs() < LEAST_CONTRAST {
            return None;
        }
        let half = (inside + outside) / 2.0;
        let edge: Vec<PointPx> = (0..rays)
            .filter_map(|k| crossing(grey, middle, TAU * k as f64 / rays as f64, (0.4 * radius, reach), half, is_bright))
            .collect();
        if (edge.len() as f64) < LEAST_RAYS * rays as f64 {
            return None;
        }
        let ellipse = ellipse(&edge, middle, radius)?;
        if ellipse.middle.distance(middle) > radius {
            return None;
        }
        (middle, radius, u_px) = (ellipse.middle, ellipse.radius, ellipse.u_px);
    }
    Some(Mark { cell: spot.cell, at: middle, u_px: u_px.clamp(2e-3, 1.0), diameter_px: 2.0 * radius })
}

/// Median brightness on a circle.
fn level(grey: &Grey, middle: PointPx, radius: f64) -> f64 {
    let mut values: Vec<f64> = (0..24)
        .map(|k| TAU * f64::from(k) / 24.0)
        .map(|a| (middle.x + radius * a.cos(), middle.y + radius * a.sin()))
        .filter(|(x, y)| grey.holds(*x, *y, 0.0))
        .map(|(x, y)| grey.at(x, y))
        .collect();
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(0.0)
}

/// Where on a ray the brightness passes the level on its way out, to a fraction of a sample.
fn crossing(grey: &Grey, middle: PointPx, angle: f64, (from, to): (f64, f64), half: f64, is_bright: bool) -> Option<PointPx> {
    const STEP: f64 = 0.5;
    let (c, s) = (angle.cos(), angle.sin());
    let at = |r: f64| {
        let v = grey.at(middle.x + r * c, middle.y + r * s) - half;
        if is_bright { v } else { -v }
    };
    let mut r = from;
    let mut last = at(r);
    while r < to {
        let next = at(r + STEP);
        if last > 0.0 && next <= 0.0 {
            let place = r + STEP * last / (last - next);
            let (x, y) = (middle.x + place * c, middle.y + place * s);
            return grey.holds(x, y, 0.5).then_some(PointPx::new(x, y));
        }
        (r, last) = (r + STEP, next);
    }
    None
}

struct Ellipse {
    middle: PointPx,
    radius: f64,
    u_px: f64,
}

/// The ellipse of least algebraic distance, x² + y² + a (x² - y²) + b xy + c x + d y + e = 0, which for nearly round dots is
/// as good as the geometric one; rays that miss it by far are left out once.
fn ellipse(edge: &[PointPx], near: PointPx, size: f64) -> Option<Ellipse> {
    let mut used: Vec<PointPx> = edge.to_vec();
    let mut found = None;
    for _ in 0..2 {
        let (mut normal, mut right) = (SMatrix::<f64, 5, 5>::zeros(), SVector::<f64, 5>::zeros());
        let row = |p: &PointPx| {
            let (x, y) = ((p.x - near.x) / size, (p.y - near.y) / size);
            (SVector::<f64, 5>::from([x * x - y * y, x * y, x, y, 1.0]), -(x * x + y * y))
        };
        for p in &used {
            let (r, t) = row(p);
            normal += r * r.transpose();
            right += r * t;
        }
        let inverse = normal.try_inverse()?;
        let k = inverse * right;
        // Gradient zero: [2(1 + a) x + b y + c, b x + 2(1 - a) y + d].
        let (a, b) = (k[0], k[1]);
        let det = 4.0 * (1.0 - a * a) - b * b;
        if det <= 0.1 {
            return None;
        }
        let x = (-2.0 * (1.0 - a) * k[2] + b * k[3]) / det;
        let y = (b * k[2] - 2.0 * (1.0 + a) * k[3]) / det;
        let value = -((1.0 + a) * x * x + (1.0 - a) * y * y + b * x * y + k[2] * x + k[3] * y + k[4]);
        let radius = (value / (1.0 - a * a - b * b / 4.0).sqrt()).max(0.0).sqrt();
        let off: Vec<f64> = used
            .iter()
            .map(|p| {
                let (r, t) = row(p);
                (r.dot(&k) - t).abs() / (2.0 * radius.max(1e-3))
            })
            .collect();
        let rms = (off.iter().map(|o| o * o).sum::<f64>() / off.len().saturating_sub(5).max(1) as f64).sqrt();
        // Middle of a circle from n evenly spread edge points: sqrt(2 / n) of their scatter.
        let u_px = rms * size * (2.0 / used.len() as f64).sqrt();
        found = Some(Ellipse { middle: PointPx::new(near.x + x * size, near.y + y * size), radius: radius * size, u_px });
        let limit = 3.0 * rms + 1e-6;
        let kept: Vec<PointPx> = used.iter().zip(&off).filter(|(_, o)| **o <= limit).map(|(p, _)| *p).collect();
        if kept.len() == used.len() || kept.len() < 12 {
            break;
        }
        used = kept;
    }
    found.filter(|e| e.radius.is_finite() && e.radius > 0.5)
}
