//! Corners of a checkerboard: saddles of the brightness, found as spots of a saddle picture, then settled where the gradients
//! around them say (Förstner & Gülch 1987; the same idea as OpenCV's cornerSubPix).

use super::Mark;
use super::dots::step_px;
use super::plane::Grey;
use landfit_vision::inspect::{LatticeSpot, SpotLattice};
use landfit_vision::picture::Samples;
use landfit_vision::{Picture, PointPx};
use nalgebra::{Matrix2, Vector2};
use rayon::prelude::*;
use std::collections::BTreeMap;
use std::f64::consts::TAU;

/// Widths of the Gaussian before second derivatives are taken, px: a saddle shows as a spot some three times as wide, and spots are
/// taken for a lattice up to eight of their widths apart.
const SADDLE_SIGMAS_PX: [f64; 3] = [1.6, 3.2, 6.4];
/// The same before corners are settled.
const REFINE_SIGMA_PX: f64 = 1.0;
const ROUNDS: usize = 40;

/// Pictures that are bright where the brightness has a saddle: root of the negative determinant of its second derivatives. One picture for each width that the spots may have.
pub(super) fn saddles(grey: &Grey) -> Vec<Picture> {
    SADDLE_SIGMAS_PX.iter().map(|sigma| saddles_of(grey, *sigma)).collect()
}

fn saddles_of(grey: &Grey, sigma_px: f64) -> Picture {
    let soft = grey.blurred(sigma_px);
    let (w, h) = (soft.width, soft.height);
    let mut answer = vec![0.0f32; w * h];
    for y in 1..h.saturating_sub(1) {
        for x in 1..w - 1 {
            let at = |dx: isize, dy: isize| soft.values[((y as isize + dy) as usize) * w + (x as isize + dx) as usize];
            let v = at(0, 0);
            let (xx, yy) = (at(1, 0) + at(-1, 0) - 2.0 * v, at(0, 1) + at(0, -1) - 2.0 * v);
            let xy = (at(1, 1) + at(-1, -1) - at(1, -1) - at(-1, 1)) / 4.0;
            answer[y * w + x] = (xy * xy - xx * yy).max(0.0).sqrt();
        }
    }
    let mut sorted: Vec<f32> = answer.iter().copied().filter(|v| *v > 0.0).collect();
    sorted.sort_by(f32::total_cmp);
    let top = sorted.get(sorted.len().saturating_sub(1 + sorted.len() / 2000)).copied().unwrap_or(1.0).max(1e-9);
    let samples = answer.iter().map(|v| (60_000.0 * (v / top).min(1.0)) as u16).collect();
    Picture { width_px: w, height_px: h, channels: 1, samples: Samples::U16(samples) }
}

/// Every corner that has a saddle.
pub(super) fn refined(grey: &Grey, lattice: &SpotLattice) -> Vec<Mark> {
    let median = step_px(&lattice.spots);
    let places: BTreeMap<[i32; 2], PointPx> = lattice.spots.iter().map(|s| (s.cell, s.at)).collect();
    // Tilt makes the steps of one direction short: no window may reach the next corner.
    let step = |s: &LatticeSpot| {
        let around = [[1, 0], [-1, 0], [0, 1], [0, -1]].map(|d: [i32; 2]| places.get(&[s.cell[0] + d[0], s.cell[1] + d[1]]));
        around.into_iter().flatten().map(|q| q.distance(s.at)).fold(median, f64::min)
    };
    // Reading between the pixels of a sharp edge errs with the place in the pixel; a soft one, soft alike on all sides, does not.
    let soft = grey.blurred(REFINE_SIGMA_PX);
    lattice.spots.par_iter().filter_map(|s| refine(&soft, s, step(s))).collect()
}

/// The point that every gradient around it is at right angles to: Σ g gᵀ (p - q) = 0 over a Gaussian window.
fn refine(grey: &Grey, spot: &LatticeSpot, step_px: f64) -> Option<Mark> {
    // Up to a third of the way to the next corner: beyond, that corner's edges begin.
    let reach = (0.33 * step_px).clamp(2.0, 12.0);
    let sigma = 0.5 * reach;
    let n = reach.ceil() as i64;
    let mut p = spot.at;
    let mut u_px = f64::INFINITY;
    for _ in 0..ROUNDS {
        if !grey.holds(p.x, p.y, reach + 1.0) {
            return None;
        }
        let (mut a, mut b) = (Matrix2::zeros(), Vector2::zeros());
        let mut terms = Vec::new();
        for j in -n..=n {
            for i in -n..=n {
                let (dx, dy) = (i as f64, j as f64);
                let weight = (-0.5 * (dx * dx + dy * dy) / (sigma * sigma)).exp();
                let (x, y) = (p.x + dx, p.y + dy);
                let g = Vector2::new(grey.at(x + 0.5, y) - grey.at(x - 0.5, y), grey.at(x, y + 0.5) - grey.at(x, y - 0.5));
                let outer = g * g.transpose() * weight;
                a += outer;
                b += outer * Vector2::new(dx, dy);
                terms.push((g, weight, dx, dy));
            }
        }
        let inverse = a.try_inverse()?;
        let step = inverse * b;
        if !step.iter().all(|v| v.is_finite()) || step.norm() > reach {
            return None;
        }
        p = PointPx::new(p.x + step.x, p.y + step.y);
        if p.distance(spot.at) > reach {
            return None;
        }
        // How far the gradients' normals miss the point they should meet in.
        let misses: f64 = terms.iter().map(|(g, w, dx, dy)| w * (g.x * (dx - step.x) + g.y * (dy - step.y)).powi(2)).sum();
        let weights: f64 = terms.iter().map(|t| t.1).sum();
        u_px = (misses / weights * inverse.trace() / 2.0).max(0.0).sqrt();
        if step.norm() < 1e-4 {
            break;
        }
    }
    let is_corner = looks_like_a_corner(grey, p, 0.3 * step_px);
    is_corner.then_some(Mark { cell: spot.cell, at: p, u_px: u_px.clamp(5e-3, 1.0), diameter_px: step_px })
}

/// Whether two dark and two light squares meet: round the point the brightness goes up and down twice, not once as at the
/// border of the board.
fn looks_like_a_corner(grey: &Grey, at: PointPx, radius: f64) -> bool {
    const SAMPLES: u32 = 32;
    let wave = |times: f64| {
        let (c, s) = (0..SAMPLES).fold((0.0, 0.0), |(c, s), k| {
            let a = TAU * f64::from(k) / f64::from(SAMPLES);
            let v = grey.at(at.x + radius * a.cos(), at.y + radius * a.sin());
            (c + v * (times * a).cos(), s + v * (times * a).sin())
        });
        c.hypot(s) * 2.0 / f64::from(SAMPLES)
    };
    let twice = wave(2.0);
    twice > 0.02 && wave(1.0) < 0.4 * twice
}
