//! Proposes where round features of a known radius may lie, whatever their polarity.
//!
//! Every pixel with a clear gradient votes along its gradient, both ways, at all distances a concentric feature can have its
//! edges at; votes meet at centres of symmetry only (the idea of Loy & Zelinsky 2003, doi:10.1109/TPAMI.2003.1217601, with
//! the radius known and both signs added).

use crate::plane::Reduced;

/// A place where the light is symmetric about a point.
#[derive(Debug, Clone, Copy)]
pub struct Candidate {
    /// Column, px of the plane.
    pub x: f64,
    /// Row, px of the plane.
    pub y: f64,
    /// Votes that met here; comparable within one plane only.
    pub strength: f32,
}

/// Distances, as shares of the radius, at which a feature may show edges: from a highlight ring well inside the outline to
/// the outline itself with a tenth to spare for sizes that vary.
const EDGE_SHARES: std::ops::RangeInclusive<f64> = 0.4..=1.1;
/// Gradients below this multiple of the median gradient are noise and texture.
const NOISE_MULTIPLE: f32 = 2.5;
/// Peaks weaker than this share of a typical good one are clutter.
const WEAKEST_SHARE: f32 = 0.3;

/// Proposes centres, strongest first.
///
/// `radius_px` is the designed radius in px of the full plane, `expected` about how many features the view may hold.
#[must_use]
pub fn candidates(reduced: &Reduced, radius_px: f64, expected: usize) -> Vec<Candidate> {
    let (width, height) = (reduced.width, reduced.height);
    let radius = radius_px / reduced.factor as f64;
    if width < 5 || height < 5 {
        return Vec::new();
    }
    let gradient = Gradient::of(reduced);
    let votes = smooth(&vote(&gradient, radius), width, height);
    let mut peaks = local_maxima(&votes, width, height, (0.7 * radius).max(1.0) as usize);
    peaks.sort_by(|a, b| b.strength.total_cmp(&a.strength).then(a.y.total_cmp(&b.y)).then(a.x.total_cmp(&b.x)));
    let typical = peaks.get((expected / 2).min(peaks.len().saturating_sub(1))).map_or(0.0, |p| p.strength);
    peaks.retain(|p| p.strength >= WEAKEST_SHARE * typical);
    peaks.truncate(4 * expected + 200);
    for peak in &mut peaks {
        peak.x = reduced.plane_px(peak.x);
        peak.y = reduced.plane_px(peak.y);
    }
    peaks
}

struct Gradient {
    width: usize,
    height: usize,
    x: Vec<f32>,
    y: Vec<f32>,
    threshold: f32,
    /// Magnitude at which a vote counts half.
    half: f32,
}

impl Gradient {
    fn of(reduced: &Reduced) -> Self {
        let (width, height, l) = (reduced.width, reduced.height, &reduced.light);
        let (mut x, mut y) = (vec![0.0; width * height], vec![0.0; width * height]);
        for row in 1..height - 1 {
            let (up, mid, down) =
                (&l[(row - 1) * width..row * width], &l[row * width..(row + 1) * width], &l[(row + 1) * width..(row + 2) * width]);
            for c in 1..width - 1 {
                x[row * width + c] = (up[c + 1] - up[c - 1]) + 2.0 * (mid[c + 1] - mid[c - 1]) + (down[c + 1] - down[c - 1]);
                y[row * width + c] = (down[c - 1] - up[c - 1]) + 2.0 * (down[c] - up[c]) + (down[c + 1] - up[c + 1]);
            }
        }
        let mut sample: Vec<f32> = (0..x.len()).step_by(7).map(|i| x[i].hypot(y[i])).filter(|m| *m > 0.0).collect();
        sample.sort_by(f32::total_cmp);
        let quantile = |q: f64| sample.get(((sample.len() as f64) * q) as usize).copied().unwrap_or(0.0);
        Self { width, height, threshold: NOISE_MULTIPLE * quantile(0.5).min(quantile(0.97) / 4.0), half: quantile(0.9), x, y }
    }
}

fn vote(gradient: &Gradient, radius: f64) -> Vec<f32> {
    let (width, height) = (gradient.width, gradient.height);
    let mut votes = vec![0.0_f32; width * height];
    let steps = ((EDGE_SHARES.end() - EDGE_SHARES.start()) * radius).ceil().max(1.0) as usize;
    let distances: Vec<f32> = (0..=steps)
        .map(|i| (radius * (EDGE_SHARES.start() + (EDGE_SHARES.end() - EDGE_SHARES.start()) * i as f64 / steps as f64)) as f32)
        .collect();
    let threshold2 = gradient.threshold * gradient.threshold;
    for row in 1..height - 1 {
        for col in 1..width - 1 {
            let i = row * width + col;
            let (gx, gy) = (gradient.x[i], gradient.y[i]);
            let m2 = gx * gx + gy * gy;
            if m2 <= threshold2 || m2 == 0.0 {
                continue;
            }
            let m = m2.sqrt();
            let weight = m / (m + gradient.half);
            let (ux, uy) = (gx / m, gy / m);
            for &d in &distances {
                for way in [d, -d] {
                    let (x, y) = (col as f32 + way * ux + 0.5, row as f32 + way * uy + 0.5);
                    if x >= 0.0 && y >= 0.0 && (x as usize) < width && (y as usize) < height {
                        votes[y as usize * width + x as usize] += weight;
                    }
                }
            }
        }
    }
    votes
}

/// Adds up 3 x 3 neighbours with weights 1 2 1 in each direction.
fn smooth(votes: &[f32], width: usize, height: usize) -> Vec<f32> {
    let mut across = vec![0.0; votes.len()];
    for (out, row) in across.chunks_exact_mut(width).zip(votes.chunks_exact(width)) {
        for c in 1..width - 1 {
            out[c] = row[c - 1] + 2.0 * row[c] + row[c + 1];
        }
    }
    let mut both = vec![0.0; votes.len()];
    for r in 1..height - 1 {
        for c in 0..width {
            both[r * width + c] = across[(r - 1) * width + c] + 2.0 * across[r * width + c] + across[(r + 1) * width + c];
        }
    }
    both
}

fn local_maxima(votes: &[f32], width: usize, height: usize, reach: usize) -> Vec<Candidate> {
    let mut peaks = Vec::new();
    for row in 1..height - 1 {
        for col in 1..width - 1 {
            let v = votes[row * width + col];
            if v <= 0.0 || !is_highest(votes, width, height, (col, row), reach) {
                continue;
            }
            let at = |dx: isize, dy: isize| votes[(row as isize + dy) as usize * width + (col as isize + dx) as usize];
            peaks.push(Candidate {
                x: col as f64 + vertex(at(-1, 0), v, at(1, 0)),
                y: row as f64 + vertex(at(0, -1), v, at(0, 1)),
                strength: v,
            });
        }
    }
    peaks
}

/// Ties go to the first in reading order, so that a plateau gives one peak.
fn is_highest(votes: &[f32], width: usize, height: usize, (col, row): (usize, usize), reach: usize) -> bool {
    let v = votes[row * width + col];
    // The four next neighbours settle most cases before the whole square is read.
    for (c, r) in [(col - 1, row), (col + 1, row), (col, row - 1), (col, row + 1)] {
        if votes[r * width + c] > v {
            return false;
        }
    }
    for r in row.saturating_sub(reach)..=(row + reach).min(height - 1) {
        for c in col.saturating_sub(reach)..=(col + reach).min(width - 1) {
            let other = votes[r * width + c];
            if other > v || (other == v && (r, c) < (row, col)) {
                return false;
            }
        }
    }
    true
}

/// Where the parabola through three equally spaced values peaks, from the middle one.
fn vertex(before: f32, here: f32, after: f32) -> f64 {
    let bend = f64::from(before) - 2.0 * f64::from(here) + f64::from(after);
    if bend >= 0.0 { 0.0 } else { (0.5 * (f64::from(before) - f64::from(after)) / bend).clamp(-0.5, 0.5) }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn with_discs(paint: impl Fn(f64) -> f32, centres: &[(f64, f64)]) -> Reduced {
        let (width, height) = (64, 48);
        let mut light = vec![0.2_f32; width * height];
        for (i, l) in light.iter_mut().enumerate() {
            let (x, y) = ((i % width) as f64, (i / width) as f64);
            for &(cx, cy) in centres {
                let r = (x - cx).hypot(y - cy);
                if r < 6.0 {
                    *l = paint(r);
                }
            }
        }
        Reduced { factor: 1, width, height, light }
    }

    #[test]
    fn discs_and_rings_of_either_polarity_are_proposed_at_their_centres() {
        let centres = [(15.3, 14.8), (40.6, 30.2)];
        let looks: [fn(f64) -> f32; 3] = [|_| 0.7, |_| 0.05, |r| if r > 3.0 && r < 5.0 { 0.9 } else { 0.1 }];
        for paint in looks {
            let found = candidates(&with_discs(paint, &centres), 6.0, 2);
            assert!(found.len() >= 2);
            for &(cx, cy) in &centres {
                assert!(found[..2].iter().any(|c| (c.x - cx).hypot(c.y - cy) < 0.7), "{found:?}");
            }
        }
    }

    #[test]
    fn an_even_picture_proposes_nothing() {
        assert!(candidates(&with_discs(|_| 0.2, &[]), 6.0, 10).is_empty());
    }
}
