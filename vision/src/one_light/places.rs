//! Where the two copies of a pattern may lie: places to start from.

use super::{Scene, seen_through};
use crate::plane::{Reduced, reduce};
use crate::side;
use crate::which_site::{Kind, Pattern, Window, recognise};
use landfit_part::{PointMm, Pose};

/// Blocks across a feature's radius for the vote.
const RADIUS_BLOCKS: f64 = 6.0;
/// Turns of one copy against the other that are looked for, radians.
const MOST_TURN_RAD: f64 = 0.1;
/// Distances that are looked for, pitches.
pub(super) const MOST_PITCHES: f64 = 1.6;
/// Peaks of the vote that are paired.
const MOST_PEAKS: usize = 4;
/// Peaks fainter than this share of the strongest are none.
const FAINTEST_PEAK: f64 = 0.3;
/// Copies that show as one peak are about one of these shares of a radius apart.
const NEAR_SHARES: [f64; 3] = [0.15, 0.4, 0.75];
/// Directions in which they are tried.
const NEAR_DIRECTIONS: u32 = 6;
/// A shift that carries this share of the sites onto others leads to the same copy, by whole pitches off.
const SAME_COPY_SHARE: f64 = 0.5;

/// A pose, in the part view's eyes, near one of the copies; `None` when nothing like the pattern is seen.
pub(super) fn seed(scene: &Scene) -> Option<Pose> {
    let pattern = Pattern::new(scene.centres_mm[0].clone())?;
    let views = &scene.views[0];
    let features: Vec<_> = views.iter().flat_map(|v| side::features_of(v, &pattern)).collect();
    let window = Window {
        whole: |at: PointMm, kind: Kind| side::view_that_holds(views, None, at, kind).is_some(),
        cut: |_: PointMm, _: Kind, _: &_| None,
        area_mm2: side::area_mm2(views),
        over: None,
    };
    recognise(&features, &pattern, &window).ok().map(|r| pattern.nearest_turn(r.best.bench_from_pattern, 0.0))
}

/// Pairs of poses to start from: of every two places where the pattern shows, and of two places close to each one.
pub(super) fn starts(scene: &Scene, seed: &Pose) -> Vec<[Pose; 2]> {
    let peaks = peaks(scene, seed);
    let Some(pair) = scene.pairs.first() else { return Vec::new() };
    let (Some(part), Some(board)) = (scene.view(pair, 0), scene.view(pair, 1)) else { return Vec::new() };
    let as_board = |pose: &Pose| seen_through(pose, &scene.centres_mm[1], part, board);
    let mut starts = Vec::new();
    for (i, a) in peaks.iter().enumerate() {
        for (j, b) in peaks.iter().enumerate() {
            if i != j {
                starts.extend(as_board(b).map(|b| [*a, b]));
            }
        }
    }
    let radius_mm = part.radius_px / part.px_per_mm();
    for peak in peaks.iter().take(2) {
        for share in NEAR_SHARES {
            for k in 0..NEAR_DIRECTIONS {
                let direction_rad = (f64::from(k) + share) * std::f64::consts::TAU / f64::from(NEAR_DIRECTIONS);
                let step = PointMm::new(share * radius_mm / 2.0, 0.0).rotated(direction_rad);
                let a = Pose::new(peak.x_mm + step.x, peak.y_mm + step.y, peak.theta_rad);
                let b = Pose::new(peak.x_mm - step.x, peak.y_mm - step.y, peak.theta_rad);
                starts.extend(as_board(&b).map(|b| [a, b]));
            }
        }
    }
    starts
}

/// Poses about `seed` at which many sites have a centre of symmetry, the strongest first, in the part view's eyes.
fn peaks(scene: &Scene, seed: &Pose) -> Vec<Pose> {
    let centres = &scene.centres_mm[0];
    let votes: Vec<(usize, Reduced)> = scene.views[0]
        .iter()
        .enumerate()
        .map(|(i, v)| (i, votes(&reduce(v.plane, ((v.radius_px / RADIUS_BLOCKS) as usize).max(1)), v.radius_px)))
        .collect();
    let Some(first) = scene.views[0].first() else { return Vec::new() };
    let block_mm = votes.first().map_or(1.0, |v| v.1.factor as f64) / first.px_per_mm();
    let half_mm = centres.iter().map(|c| c.norm()).fold(0.0, f64::max).max(block_mm);
    let turns = (MOST_TURN_RAD * half_mm / (1.5 * block_mm)).ceil().clamp(1.0, 40.0) as i32;
    let reach = (MOST_PITCHES * scene.pitch_mm / block_mm).ceil() as i32;
    let side = (2 * reach + 1) as usize;
    let stride = centres.len().div_ceil(160).max(1);
    let mut found: Vec<(f32, Pose)> = Vec::new();
    for turn in -turns..=turns {
        let theta_rad = seed.theta_rad + f64::from(turn) / f64::from(turns) * MOST_TURN_RAD;
        let mut sums = vec![0.0_f32; side * side];
        for c in centres.iter().step_by(stride) {
            let at = c.rotated(theta_rad) + seed.shift();
            for (v, votes) in &votes {
                let view = &scene.views[0][*v];
                let p = view.plane_px(at);
                let per_mm = view.sight.px_per_mm(at) / votes.factor as f64;
                let half = (votes.factor as f64 - 1.0) / 2.0;
                let (bx, by) = ((p.x - half) / votes.factor as f64, (p.y - half) / votes.factor as f64);
                let far = f64::from(reach) * block_mm * per_mm.norm();
                if bx < -far || by < -far || bx > votes.width as f64 + far || by > votes.height as f64 + far {
                    continue;
                }
                for iy in -reach..=reach {
                    for ix in -reach..=reach {
                        let (dx, dy) = (f64::from(ix) * block_mm, f64::from(iy) * block_mm);
                        let x = bx + per_mm[(0, 0)] * dx + per_mm[(0, 1)] * dy + 0.5;
                        let y = by + per_mm[(1, 0)] * dx + per_mm[(1, 1)] * dy + 0.5;
                        if x >= 0.0 && y >= 0.0 && (x as usize) < votes.width && (y as usize) < votes.height {
                            sums[(iy + reach) as usize * side + (ix + reach) as usize] +=
                                votes.light[y as usize * votes.width + x as usize];
                        }
                    }
                }
            }
        }
        // What stands out against the usual shift of this turn.
        let mut sorted = sums.clone();
        sorted.sort_by(f32::total_cmp);
        let usual = sorted[sorted.len() / 2];
        for iy in 1..side - 1 {
            for ix in 1..side - 1 {
                let here = sums[iy * side + ix];
                let is_peak = (iy - 1..=iy + 1).all(|y| (ix - 1..=ix + 1).all(|x| sums[y * side + x] <= here));
                if is_peak {
                    let shift =
                        seed.shift() + PointMm::new((ix as f64 - f64::from(reach)) * block_mm, (iy as f64 - f64::from(reach)) * block_mm);
                    found.push((here - usual, Pose::new(shift.x, shift.y, theta_rad)));
                }
            }
        }
    }
    found.sort_by(|a, b| b.0.total_cmp(&a.0));
    let strongest = found.first().map_or(0.0, |f| f.0);
    let near = crate::nearby::Nearby::new(centres);
    let apart_mm = 3.0 * block_mm;
    let mut peaks: Vec<Pose> = Vec::new();
    for (strength, pose) in found {
        if f64::from(strength) < FAINTEST_PEAK * f64::from(strongest) || peaks.len() >= MOST_PEAKS {
            break;
        }
        // The same copy shows at neighbouring turns and shifts, and whole pitches off.
        let is_new = peaks.iter().all(|p| {
            let is_other_turn = (p.theta_rad - pose.theta_rad).abs() * half_mm > 6.0 * block_mm;
            let between = (pose.shift() - p.shift()).rotated(-p.theta_rad);
            let carried = centres.iter().filter(|c| near.nearest(**c + between, apart_mm).is_some()).count();
            is_other_turn || (carried as f64) < SAME_COPY_SHARE * centres.len() as f64
        });
        if is_new {
            peaks.push(pose);
        }
    }
    peaks
}

/// Centres of symmetry: every clear gradient votes both ways at the distances of a feature's edges; block by block.
fn votes(reduced: &Reduced, radius_px: f64) -> Reduced {
    let (w, h, l): (_, _, &[f32]) = (reduced.width, reduced.height, &reduced.light);
    let radius = (radius_px / reduced.factor as f64) as f32;
    let mut votes = vec![0.0_f32; w * h];
    if w < 3 || h < 3 {
        return Reduced { light: votes.into(), ..*reduced };
    }
    let gradient = |i: usize| (l[i + 1] - l[i - 1], l[i + w] - l[i - w]);
    let mut sizes: Vec<f32> = (1..h - 1)
        .flat_map(|y| (1..w - 1).step_by(5).map(move |x| y * w + x))
        .map(|i| {
            let (x, y) = gradient(i);
            x.hypot(y)
        })
        .collect();
    sizes.sort_by(f32::total_cmp);
    let (floor, half) = (2.5 * sizes[sizes.len() / 2].min(sizes[sizes.len() * 97 / 100] / 4.0), sizes[sizes.len() * 9 / 10]);
    let shares: Vec<f32> = (0..12).map(|i| 0.5 + 0.05 * i as f32).collect();
    for y in 1..h - 1 {
        for x in 1..w - 1 {
            let (gx, gy) = gradient(y * w + x);
            let m = gx.hypot(gy);
            if m <= floor || m <= 0.0 {
                continue;
            }
            let weight = m / (m + half);
            for share in &shares {
                for way in [share * radius / m, -share * radius / m] {
                    let (vx, vy) = (x as f32 + way * gx + 0.5, y as f32 + way * gy + 0.5);
                    if vx >= 0.0 && vy >= 0.0 && (vx as usize) < w && (vy as usize) < h {
                        votes[vy as usize * w + vx as usize] += weight;
                    }
                }
            }
        }
    }
    Reduced { light: votes.into(), ..*reduced }
}
