//! Proposes where features of known outlines may lie: the light's steps along the whole outline, all of one sense.
//!
//! The direction of the pattern comes first, from the directions of the light's gradients against those of the designed
//! edges. Then each outline, turned so, is laid over every place of a coarse picture, and the gradients under it are summed
//! along its normals, each side of the shape weighing the same: a stripe that only runs along a lead's long sides gets half
//! of what a lead gets.

use super::look::{COARSE_RINGS, CoarseProfile};
use super::outline::{Outline, SIDES};
use crate::plane::{Plane, Reduced, reduce};
use crate::view::PointPx;
use nalgebra::{Matrix2, Vector2};
use std::f64::consts::{FRAC_PI_2, PI};

/// An outline to look for.
#[derive(Debug, Clone)]
pub struct Sought {
    /// About its centre, px, in local axes.
    pub outline: Outline,
    /// px of the plane from local px: unit columns.
    pub axes: Matrix2<f64>,
    /// How many of them the view may hold.
    pub expected: usize,
}

/// A place where an outline fits.
#[derive(Debug, Clone, Copy)]
pub struct ShapeCandidate {
    /// Which of the outlines.
    pub sought: usize,
    /// Its centre, px of the plane.
    pub at: PointPx,
    /// Share of the outline's steps that are there, 0 to 1.
    pub strength: f64,
    /// Brighter inside than outside.
    pub is_bright: bool,
    /// Light from deep inside the outline to outside of it.
    pub profile: CoarseProfile,
}

/// A narrow side of so many blocks to its half is resolved well enough.
const COARSE_HALF_BLOCKS: f64 = 3.5;
/// Weaker places than this share of a typical good one are clutter.
const WEAKEST_SHARE: f64 = 0.5;
/// Weaker places than this are noise.
const WEAKEST: f64 = 0.18;
/// Gradients below this multiple of the median gradient are noise and texture.
const NOISE_MULTIPLE: f32 = 2.0;
/// Points along an outline, at most about so many to each side.
const POINTS_PER_SIDE: f64 = 14.0;
/// A shell profile reaches this far outside, in half narrow sides; as a coarse profile of round features does.
const SHELLS_REACH: f64 = 0.45;

/// Proposes places for every outline, strongest first within each.
#[must_use]
pub fn shape_candidates(plane: &Plane, sought: &[Sought]) -> Vec<ShapeCandidate> {
    let mut levels: Vec<(usize, Reduced, Gradient)> = Vec::new();
    let mut found = Vec::new();
    for (index, one) in sought.iter().enumerate() {
        let factor = ((one.outline.narrow_half() / COARSE_HALF_BLOCKS) as usize).clamp(1, 24);
        if !levels.iter().any(|l| l.0 == factor) {
            let reduced = reduce(plane, factor);
            if reduced.width < 5 || reduced.height < 5 {
                continue;
            }
            let gradient = Gradient::of(&reduced);
            levels.push((factor, reduced, gradient));
        }
        let Some((_, reduced, gradient)) = levels.iter().find(|l| l.0 == factor) else { continue };
        found.extend(fitting_places(reduced, gradient, one).into_iter().map(|p| ShapeCandidate {
            sought: index,
            profile: shells(reduced, one, p.at),
            at: p.at,
            strength: f64::from(p.strength.abs()),
            is_bright: p.strength < 0.0,
        }));
    }
    found
}

/// Turns of a pattern, radians from nominal, likeliest first: where the directions of the light's gradients agree with those
/// of its edges. `edges` holds directions (bench frame at no turn, radians) with weights; `mm_from_px` brings gradients of the
/// picture into the bench frame. Quarter turns are not told apart: a turn t stands for t and its quarter turns.
#[must_use]
pub fn likely_turns(plane: &Plane, narrow_half_px: f64, edges: &[(f64, f64)], mm_from_px: &Matrix2<f64>) -> Vec<f64> {
    /// Bins to a quarter turn.
    const BINS: usize = 360;
    const STEP: f64 = FRAC_PI_2 / BINS as f64;
    /// Turns that are tried, from nominal.
    const MOST_TURN_RAD: f64 = 0.27;
    const MOST_TURNS: usize = 3;
    let factor = ((narrow_half_px / COARSE_HALF_BLOCKS) as usize).clamp(1, 8);
    let reduced = reduce(plane, factor);
    if reduced.width < 5 || reduced.height < 5 {
        return vec![0.0];
    }
    let gradient = Gradient::of(&reduced);
    let mut seen = vec![0.0_f64; BINS];
    for i in 0..gradient.x.len() {
        let m = f64::from(gradient.x[i]).hypot(f64::from(gradient.y[i]));
        if m > 0.05 {
            let v = mm_from_px * Vector2::new(f64::from(gradient.x[i]), f64::from(gradient.y[i]));
            let at = v.y.atan2(v.x).rem_euclid(FRAC_PI_2) / STEP;
            seen[at as usize % BINS] += m;
        }
    }
    let mut designed = vec![0.0_f64; BINS];
    for (direction, weight) in edges {
        designed[(direction.rem_euclid(FRAC_PI_2) / STEP) as usize % BINS] += weight;
    }
    // A direction is good to about a degree; what is even over all directions tells nothing.
    let spread = smoothed_round(&smoothed_round(&seen, 3), 3);
    let even = designed.iter().sum::<f64>() / BINS as f64;
    let score = |turn_bins: isize| -> f64 {
        (0..BINS).map(|i| (designed[i] - even) * spread[(i as isize + turn_bins).rem_euclid(BINS as isize) as usize]).sum()
    };
    let most = (MOST_TURN_RAD / STEP) as isize;
    let scores: Vec<f64> = (-most..=most).map(score).collect();
    let (least, highest) = scores.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(lo, hi), s| (lo.min(*s), hi.max(*s)));
    let is_flat = highest - least <= 0.05 * spread.iter().sum::<f64>() / BINS as f64 * designed.iter().sum::<f64>();
    if is_flat {
        // Round and oval things have no direction: a few turns cover what an oval tolerates.
        return vec![0.0, -0.12, 0.12];
    }
    let mut peaks: Vec<usize> = (0..scores.len())
        .filter(|&i| (i.saturating_sub(6)..(i + 7).min(scores.len())).all(|k| scores[k] < scores[i] || (scores[k] == scores[i] && k >= i)))
        .collect();
    peaks.sort_by(|a, b| scores[*b].total_cmp(&scores[*a]).then(a.cmp(b)));
    peaks.truncate(MOST_TURNS);
    peaks.into_iter().filter(|&p| scores[p] > least + 0.4 * (highest - least)).map(|p| (p as isize - most) as f64 * STEP).collect()
}

fn smoothed_round(values: &[f64], half: usize) -> Vec<f64> {
    let n = values.len();
    (0..n).map(|i| (0..=2 * half).map(|d| values[(i + n + d - half) % n]).sum::<f64>()).collect()
}

/// Gradients of a coarse picture, shortened so that one strong edge does not outweigh many.
struct Gradient {
    width: usize,
    height: usize,
    x: Vec<f32>,
    y: Vec<f32>,
}

impl Gradient {
    fn of(reduced: &Reduced) -> Self {
        let (width, height, l): (_, _, &[f32]) = (reduced.width, reduced.height, &reduced.light);
        let (mut x, mut y) = (vec![0.0_f32; width * height], vec![0.0_f32; width * height]);
        for row in 1..height - 1 {
            for c in 1..width - 1 {
                let at = |dx: isize, dy: isize| l[(row as isize + dy) as usize * width + (c as isize + dx) as usize];
                x[row * width + c] = (at(1, -1) - at(-1, -1)) + 2.0 * (at(1, 0) - at(-1, 0)) + (at(1, 1) - at(-1, 1));
                y[row * width + c] = (at(-1, 1) - at(-1, -1)) + 2.0 * (at(0, 1) - at(0, -1)) + (at(1, 1) - at(1, -1));
            }
        }
        let mut sample: Vec<f32> = (0..x.len()).step_by(5).map(|i| x[i].hypot(y[i])).filter(|m| *m > 0.0).collect();
        sample.sort_by(f32::total_cmp);
        let quantile = |q: f64| sample.get(((sample.len() as f64) * q) as usize).copied().unwrap_or(0.0);
        let threshold = NOISE_MULTIPLE * quantile(0.5).min(quantile(0.97) / 4.0);
        let half = quantile(0.95).max(1e-9);
        for i in 0..x.len() {
            let m = x[i].hypot(y[i]);
            let k = if m > threshold && m > 0.0 { 1.0 / (m + half) } else { 0.0 };
            x[i] *= k;
            y[i] *= k;
        }
        Self { width, height, x, y }
    }
}

struct Place {
    at: PointPx,
    strength: f32,
}

fn fitting_places(reduced: &Reduced, gradient: &Gradient, sought: &Sought) -> Vec<Place> {
    let (width, height) = (gradient.width, gradient.height);
    let response = response(gradient, sought, reduced.factor as f64);
    let mut peaks: Vec<(usize, usize, f32)> = Vec::new();
    for row in 1..height.saturating_sub(1) {
        for col in 1..width - 1 {
            let v = response[row * width + col];
            if f64::from(v.abs()) < WEAKEST {
                continue;
            }
            let is_highest = (row - 1..=row + 1).all(|r| {
                (col - 1..=col + 1).all(|c| {
                    let other = response[r * width + c] * v.signum();
                    other < v.abs() || (other == v.abs() && (r, c) >= (row, col))
                })
            });
            if is_highest {
                peaks.push((col, row, v));
            }
        }
    }
    peaks.sort_by(|a, b| b.2.abs().total_cmp(&a.2.abs()).then((a.1, a.0).cmp(&(b.1, b.0))));
    let mut kept: Vec<Place> = Vec::new();
    let most = 4 * sought.expected + 60;
    let back = sought.axes.try_inverse().unwrap_or_else(Matrix2::identity);
    let [low, high] = sought.outline.bounds();
    let half = [(high[0] - low[0]) / 2.0, (high[1] - low[1]) / 2.0];
    for (col, row, v) in peaks {
        let at = |dx: isize, dy: isize| response[(row as isize + dy) as usize * width + (col as isize + dx) as usize].abs();
        let x = reduced.plane_px(col as f64 + vertex(at(-1, 0), v.abs(), at(1, 0)));
        let y = reduced.plane_px(row as f64 + vertex(at(0, -1), v.abs(), at(0, 1)));
        // A place within the outline of a stronger one of the same sense is the same thing.
        let is_same = |k: &Place| {
            let d = back * Vector2::new(x - k.at.x, y - k.at.y);
            k.strength * v > 0.0 && d.x.abs() < 1.1 * half[0] && d.y.abs() < 1.1 * half[1]
        };
        if !kept.iter().any(is_same) {
            kept.push(Place { at: PointPx::new(x, y), strength: v });
        }
        if kept.len() >= 2 * most {
            break;
        }
    }
    let mut out = Vec::new();
    for sign in [-1.0_f32, 1.0] {
        let of_sign: Vec<Place> = kept.iter().filter(|p| p.strength * sign > 0.0).map(|p| Place { ..*p }).collect();
        let typical = of_sign.get((sought.expected / 2).min(of_sign.len().saturating_sub(1))).map_or(0.0, |p| f64::from(p.strength.abs()));
        out.extend(of_sign.into_iter().filter(|p| f64::from(p.strength.abs()) >= WEAKEST_SHARE * typical).take(most));
    }
    out
}

/// For every place the mean step outwards along the outline, each side weighing the same: negative where it is bright inside.
fn response(gradient: &Gradient, sought: &Sought, factor: f64) -> Vec<f32> {
    let (width, height) = (gradient.width, gradient.height);
    let [low, high] = sought.outline.bounds();
    let longest = (high[0] - low[0]).max(high[1] - low[1]);
    let points = sought.outline.points((longest / POINTS_PER_SIDE).max(factor));
    let mut per_side = [0usize; SIDES];
    points.iter().for_each(|p| per_side[p.side] += 1);
    let sides = per_side.iter().filter(|n| **n > 0).count().max(1);
    let mut sum = vec![0.0_f32; width * height];
    for p in &points {
        let offset = sought.axes * Vector2::new(p.at[0], p.at[1]) / factor;
        let normal = sought.axes * Vector2::new(p.normal[0], p.normal[1]);
        let weight = 1.0 / (per_side[p.side] * sides) as f64;
        let (nx, ny) = ((normal.x * weight) as f32, (normal.y * weight) as f32);
        let (dx, dy) = (offset.x.round() as isize, offset.y.round() as isize);
        let (x0, x1) = ((-dx).max(0), (width as isize - dx).min(width as isize));
        let (y0, y1) = ((-dy).max(0), (height as isize - dy).min(height as isize));
        for y in y0..y1 {
            if x1 <= x0 {
                break;
            }
            let to = y as usize * width;
            let from = (y + dy) as usize * width;
            let n = (x1 - x0) as usize;
            let (to, from) = (to + x0 as usize, from + (x0 + dx) as usize);
            let (gx, gy) = (&gradient.x[from..from + n], &gradient.y[from..from + n]);
            for ((s, gx), gy) in sum[to..to + n].iter_mut().zip(gx).zip(gy) {
                *s += nx * gx + ny * gy;
            }
        }
    }
    sum
}

/// Mean light on shells about the outline, from deep inside to half a half-width outside.
pub(crate) fn shells(reduced: &Reduced, sought: &Sought, at: PointPx) -> CoarseProfile {
    let factor = reduced.factor as f64;
    let narrow = sought.outline.narrow_half();
    let back = sought.axes.try_inverse().unwrap_or_else(Matrix2::identity);
    let half = (factor - 1.0) / 2.0;
    let reach = (sought.outline.reach() + SHELLS_REACH * narrow) / factor;
    let (cx, cy) = ((at.x - half) / factor, (at.y - half) / factor);
    let (mut sums, mut counts) = ([0.0_f32; COARSE_RINGS], [0.0_f32; COARSE_RINGS]);
    let range = |c: f64, size: usize| {
        let from = (c - reach).floor().max(0.0) as usize;
        from..((c + reach).ceil().max(-1.0) + 1.0).min(size as f64) as usize
    };
    for y in range(cy, reduced.height) {
        for x in range(cx, reduced.width) {
            let local = back * Vector2::new((x as f64 - cx) * factor, (y as f64 - cy) * factor);
            let depth = sought.outline.near([local.x, local.y]).distance / narrow;
            let ring = ((depth + 1.0).max(0.0) / (1.0 + SHELLS_REACH) * COARSE_RINGS as f64) as usize;
            if ring < COARSE_RINGS {
                sums[ring] += reduced.light[y * reduced.width + x];
                counts[ring] += 1.0;
            }
        }
    }
    let mut rings = [0.0; COARSE_RINGS];
    let mut last = sums.iter().sum::<f32>() / counts.iter().sum::<f32>().max(1.0);
    for i in (0..COARSE_RINGS).rev() {
        rings[i] = if counts[i] > 0.0 { sums[i] / counts[i] } else { last };
        last = rings[i];
    }
    CoarseProfile { rings }
}

fn vertex(before: f32, here: f32, after: f32) -> f64 {
    let bend = f64::from(before) - 2.0 * f64::from(here) + f64::from(after);
    if bend >= 0.0 { 0.0 } else { (0.5 * (f64::from(before) - f64::from(after)) / bend).clamp(-0.5, 0.5) }
}

/// Directions of an outline's edges, radians within half a turn, with their lengths.
#[must_use]
pub fn edge_directions(outline: &Outline, angle_rad: f64) -> Vec<(f64, f64)> {
    let [low, high] = outline.bounds();
    let step = (high[0] - low[0]).max(high[1] - low[1]) / 16.0;
    outline.points(step).into_iter().map(|p| ((p.normal[1].atan2(p.normal[0]) + angle_rad).rem_euclid(PI), 1.0)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use landfit_part::{Piece, PointMm};

    /// Bars of 8 x 24 px, turned, in even light.
    fn bars(centres: &[(f64, f64)], turn: f64, inside: f32) -> Plane {
        let (width, height) = (240, 160);
        let (sin, cos) = turn.sin_cos();
        let light = (0..width * height)
            .map(|i| {
                let (x, y) = ((i % width) as f64, (i / width) as f64);
                let depth = |(cx, cy): &(f64, f64)| {
                    let (dx, dy) = (x - cx, y - cy);
                    (4.0 - (cos * dx + sin * dy).abs()).min(12.0 - (-sin * dx + cos * dy).abs())
                };
                let deepest = centres.iter().map(depth).fold(f64::NEG_INFINITY, f64::max);
                0.3 + (inside - 0.3) * (0.5 + deepest / 2.0).clamp(0.0, 1.0) as f32
            })
            .collect();
        Plane::of_light(width, height, light)
    }

    fn bar(turn: f64) -> Sought {
        let (sin, cos) = turn.sin_cos();
        let outline = Outline::of_pieces(&[Piece::rect(8.0, 24.0)], PointMm::ZERO);
        Sought { outline, axes: Matrix2::new(cos, -sin, sin, cos), expected: 3 }
    }

    #[test]
    fn bars_of_either_sense_are_proposed_at_their_centres() {
        let centres = [(60.0, 60.0), (80.0, 61.0), (150.0, 100.0)];
        for inside in [0.9, 0.02] {
            let found = shape_candidates(&bars(&centres, 0.1, inside), &[bar(0.1)]);
            let of_sense: Vec<_> = found.iter().filter(|c| c.is_bright == (inside > 0.3)).collect();
            for (x, y) in centres {
                assert!(of_sense[..3].iter().any(|c| c.at.distance(PointPx::new(x, y)) < 1.0), "{of_sense:?}");
            }
        }
    }

    #[test]
    fn the_turn_shows_in_the_gradients() {
        let centres: Vec<(f64, f64)> = (0..8).map(|i| (30.0 + 22.0 * f64::from(i), 60.0 + 3.0 * f64::from(i))).collect();
        let edges = edge_directions(&bar(0.0).outline, 0.0);
        for turn in [-0.12, 0.0, 0.1] {
            let turns = likely_turns(&bars(&centres, turn, 0.8), 4.0, &edges, &Matrix2::identity());
            assert!((turns[0] - turn).abs() < 0.02, "{turns:?} for {turn}");
        }
    }
}
