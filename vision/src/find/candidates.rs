//! Proposes where round features of a known radius may lie, whatever their polarity.
//!
//! Every pixel with a clear gradient votes along its gradient, both ways, at all distances a concentric feature can have its
//! edges at; votes meet at centres of symmetry only (the idea of Loy & Zelinsky 2003, doi:10.1109/TPAMI.2003.1217601, with
//! the radius known and both signs added).

use crate::median::quantile;
use crate::memory;
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
/// Distances and directions are counted in whole numbers of this part of a block.
const PER_BLOCK: i32 = 1 << BITS;
const BITS: i32 = 8;
/// One block in so many tells what gradients are usual.
const SAMPLED_STEP: usize = 23;

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
    let votes = smoothed_votes(reduced, radius);
    let mut peaks = local_maxima(&votes, width, height, (0.7 * radius).max(1.0) as usize);
    memory::give_back(votes);
    let typical = (expected / 2).min(peaks.len().saturating_sub(1));
    if typical < peaks.len() {
        let strength = peaks.select_nth_unstable_by(typical, |a, b| b.strength.total_cmp(&a.strength)).1.strength;
        peaks.retain(|p| p.strength >= WEAKEST_SHARE * strength);
    }
    peaks.sort_unstable_by(|a, b| b.strength.total_cmp(&a.strength).then(a.y.total_cmp(&b.y)).then(a.x.total_cmp(&b.x)));
    peaks.truncate(4 * expected + 200);
    for peak in &mut peaks {
        peak.x = reduced.plane_px(peak.x);
        peak.y = reduced.plane_px(peak.y);
    }
    peaks
}

/// How the light rises from block to block along one row (Sobel's weights); 0 at the picture's edge.
#[derive(Clone)]
struct Rises {
    x: Vec<f32>,
    y: Vec<f32>,
    squared: Vec<f32>,
}

/// Finds the rises of one row.
struct Sobel<'a> {
    reduced: &'a Reduced,
    row: usize,
    out: &'a mut Rises,
}

impl pulp::NullaryFnOnce for Sobel<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let (width, l): (_, &[f32]) = (self.reduced.width, &self.reduced.light);
        let n = width - 2;
        let line = |r: usize, shift: usize| &l[r * width + shift..][..n];
        let (ul, uc, ur) = (line(self.row - 1, 0), line(self.row - 1, 1), line(self.row - 1, 2));
        let (ml, mr) = (line(self.row, 0), line(self.row, 2));
        let (dl, dc, dr) = (line(self.row + 1, 0), line(self.row + 1, 1), line(self.row + 1, 2));
        let (gx, gy, g2) = (&mut self.out.x[1..=n], &mut self.out.y[1..=n], &mut self.out.squared[1..=n]);
        for c in 0..n {
            gx[c] = (ur[c] - ul[c]) + 2.0 * (mr[c] - ml[c]) + (dr[c] - dl[c]);
            gy[c] = (dl[c] - ul[c]) + 2.0 * (dc[c] - uc[c]) + (dr[c] - ur[c]);
            g2[c] = gx[c] * gx[c] + gy[c] * gy[c];
        }
    }
}

/// The squared rise that is surely no noise, and the rise at which a vote counts half.
fn clear_rise(reduced: &Reduced) -> (f32, f32) {
    let (width, l): (_, &[f32]) = (reduced.width, &reduced.light);
    let inner = width + 1..l.len() - width - 1;
    let mut sample: Vec<f32> = inner
        .step_by(SAMPLED_STEP)
        .filter(|i| (1..width - 1).contains(&(i % width)))
        .map(|i| {
            let x = (l[i - width + 1] - l[i - width - 1]) + 2.0 * (l[i + 1] - l[i - 1]) + (l[i + width + 1] - l[i + width - 1]);
            let y = (l[i + width - 1] - l[i - width - 1]) + 2.0 * (l[i + width] - l[i - width]) + (l[i + width + 1] - l[i - width + 1]);
            x * x + y * y
        })
        .filter(|m| *m > 0.0)
        .collect();
    let mut rise = |share: f64| quantile(&mut sample, share).map_or(0.0, f32::sqrt);
    let threshold = NOISE_MULTIPLE * rise(0.5).min(rise(0.97) / 4.0);
    (threshold * threshold, rise(0.9))
}

/// Votes of every clear edge, both ways along its rise, added up over 3 x 3 blocks with weights 1 2 1. What is beyond the last block
/// is of no meaning.
fn smoothed_votes(reduced: &Reduced, radius: f64) -> Vec<f32> {
    let (width, height) = (reduced.width, reduced.height);
    let widest = pulp::Arch::new();
    let margin = (EDGE_SHARES.end() * radius).ceil() as usize + 2;
    let padded = width + 2 * margin;
    let mut votes = memory::take_zeros(padded * (height + 2 * margin));
    let steps = ((EDGE_SHARES.end() - EDGE_SHARES.start()) * radius).ceil().max(1.0) as usize;
    let share = |i: usize| EDGE_SHARES.start() + (EDGE_SHARES.end() - EDGE_SHARES.start()) * i as f64 / steps as f64;
    let distances: Vec<i32> = (0..=steps).map(|i| (radius * share(i) * f64::from(PER_BLOCK)) as i32).flat_map(|d| [d, -d]).collect();
    let (threshold, half) = clear_rise(reduced);
    let none = Rises { x: vec![0.0; width], y: vec![0.0; width], squared: vec![0.0; width] };
    // The rows above, here and below.
    let mut rows = [none.clone(), none.clone(), none];
    let mut is_ridge = vec![false; width];
    widest.dispatch(Sobel { reduced, row: 1, out: &mut rows[2] });
    for row in 1..height - 1 {
        rows.rotate_left(1);
        if row + 2 < height {
            widest.dispatch(Sobel { reduced, row: row + 1, out: &mut rows[2] });
        } else {
            rows[2].squared.fill(0.0);
        }
        let [above, here, below] = &rows;
        widest.dispatch(Ridges { rows: [above, here, below], threshold, out: &mut is_ridge[1..width - 1] });
        let groups = is_ridge.chunks(GROUP).enumerate().filter(|(_, group)| group.contains(&true));
        let columns = groups.flat_map(|(g, group)| (g * GROUP..).zip(group)).filter(|(_, is_ridge)| **is_ridge);
        for (col, _) in columns {
            let size = here.squared[col].sqrt();
            let weight = size / (size + half);
            // In whole numbers, as they need no rounding; half a block more rounds the place.
            let per_unit = PER_BLOCK as f32 / size;
            let (ux, uy) = ((here.x[col] * per_unit) as i32, (here.y[col] * per_unit) as i32);
            let middle = |block: usize| (block + margin) as i32 * PER_BLOCK * PER_BLOCK + PER_BLOCK * PER_BLOCK / 2;
            let (x, y) = (middle(col), middle(row));
            for &d in &distances {
                let (at_x, at_y) = ((x + d * ux) >> (2 * BITS), (y + d * uy) >> (2 * BITS));
                votes[at_y as usize * padded + at_x as usize] += weight;
            }
        }
    }
    widest.dispatch(Smooth { votes: &mut votes, padded, margin, size: (width, height) });
    votes
}

/// Most groups of so many places hold no ridge and are passed over as one.
const GROUP: usize = 16;

/// Where in a row, but at its ends, the rise is clear and no less than those before and behind it, along its own direction to
/// the nearest eighth of a turn: an edge blurred over several blocks votes once.
struct Ridges<'a> {
    /// Above, here, below.
    rows: [&'a Rises; 3],
    threshold: f32,
    out: &'a mut [bool],
}

impl pulp::NullaryFnOnce for Ridges<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        /// tan of a sixteenth of a turn.
        const STEEP: f32 = 0.414_213_56;
        let n = self.out.len();
        let [above, here, below] = self.rows.map(|row| [0, 1, 2].map(|shift| &row.squared[shift..][..n]));
        let (gx, gy, out) = (&self.rows[1].x[1..][..n], &self.rows[1].y[1..][..n], &mut self.out[..n]);
        for c in 0..n {
            // Every neighbour is read, so that the compiler chooses among them for many places at once.
            let (left, squared, right) = (here[0][c], here[1][c], here[2][c]);
            let (up_left, up, up_right) = (above[0][c], above[1][c], above[2][c]);
            let (down_left, down, down_right) = (below[0][c], below[1][c], below[2][c]);
            let (x, y) = (gx[c].abs(), gy[c].abs());
            let is_falling = gx[c] * gy[c] > 0.0;
            let slanted = if is_falling { (up_left, down_right) } else { (up_right, down_left) };
            let steep = if x <= STEEP * y { (up, down) } else { slanted };
            let (before, behind) = if y <= STEEP * x { (left, right) } else { steep };
            out[c] = (squared > self.threshold) & (squared >= before) & (squared >= behind);
        }
    }
}

/// Adds votes up in their own memory, without their margins: a row is written before all those that are still to be read.
struct Smooth<'a> {
    votes: &'a mut [f32],
    padded: usize,
    margin: usize,
    size: (usize, usize),
}

impl pulp::NullaryFnOnce for Smooth<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let (width, height) = self.size;
        let mut down = vec![0.0_f32; width + 2];
        for row in 0..height {
            let line = |r: usize| &self.votes[(row + self.margin + r - 1) * self.padded + self.margin - 1..][..width + 2];
            for (((d, a), b), c) in down.iter_mut().zip(line(0)).zip(line(1)).zip(line(2)) {
                *d = a + 2.0 * b + c;
            }
            let (left, middle, right) = (&down[..width], &down[1..=width], &down[2..]);
            let out = &mut self.votes[row * width..][..width];
            for (((o, a), b), c) in out.iter_mut().zip(left).zip(middle).zip(right) {
                *o = a + 2.0 * b + c;
            }
        }
    }
}

fn local_maxima(votes: &[f32], width: usize, height: usize, reach: usize) -> Vec<Candidate> {
    let mut peaks = Vec::new();
    // The four next neighbours settle most cases before the whole square is read.
    let mut unbeaten = vec![false; width - 2];
    for row in 1..height - 1 {
        pulp::Arch::new().dispatch(Unbeaten { votes, width, row, out: &mut unbeaten });
        for col in (1..width - 1).filter(|&col| unbeaten[col - 1]) {
            if !is_highest(votes, width, height, (col, row), reach) {
                continue;
            }
            let at = |row: usize, col: usize| votes[row * width + col];
            let v = at(row, col);
            peaks.push(Candidate {
                x: col as f64 + vertex(at(row, col - 1), v, at(row, col + 1)),
                y: row as f64 + vertex(at(row - 1, col), v, at(row + 1, col)),
                strength: v,
            });
        }
    }
    peaks
}

/// Which places of a row have votes, and no fewer than their four next neighbours.
struct Unbeaten<'a> {
    votes: &'a [f32],
    width: usize,
    row: usize,
    out: &'a mut [bool],
}

impl pulp::NullaryFnOnce for Unbeaten<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let n = self.width - 2;
        let line = |r: usize, shift: usize| &self.votes[r * self.width + shift..][..n];
        let (up, left, middle) = (line(self.row - 1, 1), line(self.row, 0), line(self.row, 1));
        let (right, down) = (line(self.row, 2), line(self.row + 1, 1));
        let out = &mut self.out[..n];
        for c in 0..n {
            let v = middle[c];
            out[c] = (up[c] <= v) & (left[c] <= v) & (right[c] <= v) & (down[c] <= v) & (v > 0.0);
        }
    }
}

/// Ties go to the first in reading order, so that a plateau gives one peak.
fn is_highest(votes: &[f32], width: usize, height: usize, (col, row): (usize, usize), reach: usize) -> bool {
    let v = votes[row * width + col];
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
        Reduced { factor: 1, width, height, light: light.into() }
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
