//! Blobs of either polarity and any size: extrema of differences of Gaussians over place and scale
//! (Lindeberg 1998, doi:10.1023/A:1008045108935), edges left out by the ratio of the Hessian's eigenvalues.

use super::light::Plane;
use crate::view::PointPx;
use rayon::prelude::*;

/// Whether something is brighter or darker than what surrounds it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Polarity {
    Bright,
    Dark,
}

impl Polarity {
    /// Of a feature that answers so: above zero where it is brighter.
    pub const fn of(answer: f64) -> Self {
        if answer > 0.0 { Self::Bright } else { Self::Dark }
    }

    /// By what light is multiplied so that the feature is the brighter: 1 or -1.
    pub const fn sign(self) -> f64 {
        match self {
            Self::Bright => 1.0,
            Self::Dark => -1.0,
        }
    }
}

/// A round-ish spot.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Blob {
    pub at: PointPx,
    /// Diameter of the disc that would answer most at this scale, px; blur included.
    pub diameter_px: f64,
    /// Size of the answer; about a quarter to a half of the contrast.
    pub strength: f32,
    pub polarity: Polarity,
    /// Whether it answers more than at the next finer and coarser scale. Speckle on a site may hide the site's own scale, so that
    /// blobs that are extrema in place only are kept, too.
    pub at_its_scale: bool,
}

/// Least answer that counts, in brightness of the stretched plane: a contrast of about 4 %.
const LEAST_STRENGTH: f32 = 0.012;
/// An answer must stand out of the level's noise by this factor, but a level full of sites is not noise: no more than this is asked.
const NOISE_FACTOR: f32 = 4.5;
const MOST_NOISE: f32 = 0.03;
/// Largest ratio of the Hessian's eigenvalues: a disc seen at 60 degrees has 4.
const ROUND: f32 = 6.0;
/// The same for leads and pads, which are up to four times as long as wide.
pub(crate) const LONG: f32 = 30.0;
/// The strongest so many are kept.
const MOST_BLOBS: usize = 40_000;
const ROOT2: f64 = std::f64::consts::SQRT_2;

/// Every blob of the plane, strongest first, from about 2 px across to a quarter of the shorter side.
pub(crate) fn blobs(plane: &Plane) -> Vec<Blob> {
    blobs_of(plane, ROUND)
}

/// As [`blobs`], with the largest ratio of the Hessian's eigenvalues given.
pub(crate) fn blobs_of(plane: &Plane, most_elongated: f32) -> Vec<Blob> {
    let mut found = Vec::new();
    // The picture is taken to be blurred by half a pixel as it is.
    let mut base = blurred(plane, (0.7f64 * 0.7 - 0.25).sqrt());
    let mut sigma = 0.7;
    let mut step = 1.0;
    let mut octave = 0;
    loop {
        let levels = if octave == 0 { 6 } else { 5 };
        let mut gaussians = vec![base];
        for _ in 1..levels {
            let last = &gaussians[gaussians.len() - 1];
            gaussians.push(blurred(last, sigma));
            sigma *= ROOT2;
        }
        let differences: Vec<Plane> = gaussians.windows(2).map(|g| difference(&g[0], &g[1])).collect();
        let lowest_sigma = sigma / ROOT2.powi(levels - 1);
        let first = usize::from(octave > 0);
        for k in first..differences.len() - 1 {
            let below = k.checked_sub(1).map(|i| &differences[i]);
            let least = (NOISE_FACTOR * noise(&differences[k])).clamp(LEAST_STRENGTH, MOST_NOISE);
            let beside = [below, Some(&differences[k + 1])];
            found.extend(extrema(least, beside, &differences[k], lowest_sigma * ROOT2.powi(k as i32), step, most_elongated));
        }
        // The next octave starts where its own sigma is 1 px: three steps (sigma 2) in the first octave, two in the others.
        let next = &gaussians[if octave == 0 { 3 } else { 2 }];
        if next.width.min(next.height) < 32 {
            break;
        }
        base = decimated(next);
        sigma = 1.0;
        step *= 2.0;
        octave += 1;
    }
    found.sort_by(|a: &Blob, b: &Blob| b.strength.total_cmp(&a.strength).then(a.at.y.total_cmp(&b.at.y)).then(a.at.x.total_cmp(&b.at.x)));
    found.truncate(MOST_BLOBS);
    found
}

/// Standard deviation of a level as its median absolute value tells it, from one pixel in seven.
fn noise(level: &Plane) -> f32 {
    let mut sizes: Vec<f32> = level.values.iter().step_by(7).map(|v| v.abs()).collect();
    let middle = sizes.len() / 2;
    *sizes.select_nth_unstable_by(middle, f32::total_cmp).1 * 1.4826
}

fn difference(fine: &Plane, coarse: &Plane) -> Plane {
    let values = fine.values.par_iter().zip(&coarse.values).map(|(a, b)| a - b).collect();
    Plane { width: fine.width, height: fine.height, values }
}

fn decimated(plane: &Plane) -> Plane {
    let (width, height) = (plane.width.div_ceil(2), plane.height.div_ceil(2));
    let values = (0..height).flat_map(|y| (0..width).map(move |x| plane.values[2 * y * plane.width + 2 * x])).collect();
    Plane { width, height, values }
}

/// The plane under a Gaussian of `sigma` px, borders continued by their own pixels.
pub(crate) fn blurred(plane: &Plane, sigma: f64) -> Plane {
    let reach = (3.0 * sigma).ceil() as usize;
    let mut kernel: Vec<f32> = (0..=2 * reach).map(|i| (-0.5 * ((i as f64 - reach as f64) / sigma).powi(2)).exp() as f32).collect();
    let sum: f32 = kernel.iter().sum();
    kernel.iter_mut().for_each(|k| *k /= sum);
    let (w, h) = (plane.width, plane.height);
    let mut across = vec![0.0f32; w * h];
    across.par_chunks_exact_mut(w).zip(plane.values.par_chunks_exact(w)).for_each(|(out, row)| {
        let mut padded = Vec::with_capacity(w + 2 * reach);
        padded.extend(std::iter::repeat_n(row[0], reach));
        padded.extend_from_slice(row);
        padded.extend(std::iter::repeat_n(row[w - 1], reach));
        for (i, k) in kernel.iter().enumerate() {
            for (o, v) in out.iter_mut().zip(&padded[i..i + w]) {
                *o += k * v;
            }
        }
    });
    let mut values = vec![0.0f32; w * h];
    values.par_chunks_exact_mut(w).enumerate().for_each(|(y, out)| {
        for (i, k) in kernel.iter().enumerate() {
            let from = (y + i).saturating_sub(reach).min(h - 1) * w;
            for (o, v) in out.iter_mut().zip(&across[from..from + w]) {
                *o += k * v;
            }
        }
    });
    Plane { width: w, height: h, values }
}

/// Extrema of `here` over its eight neighbours and the nine each above and below. `sigma` is the finer Gaussian's, px of this octave.
fn extrema(least: f32, [below, above]: [Option<&Plane>; 2], here: &Plane, sigma: f64, step: f64, most_elongated: f32) -> Vec<Blob> {
    let (w, h) = (here.width, here.height);
    if w < 3 || h < 3 {
        return Vec::new();
    }
    (1..h - 1)
        .into_par_iter()
        .flat_map_iter(|y| {
            (1..w - 1).filter_map(move |x| {
                let i = y * w + x;
                let v = here.values[i];
                if v.abs() < least || !beats_its_ring(here, i, v) {
                    return None;
                }
                let at_its_scale = [above, below].into_iter().flatten().all(|p| beats_all(p, i, v));
                if below.is_none() && !at_its_scale {
                    return None;
                }
                let at = |dx: isize, dy: isize| here.values[(i as isize + dy * w as isize + dx) as usize];
                let (dxx, dyy) = (at(1, 0) + at(-1, 0) - 2.0 * v, at(0, 1) + at(0, -1) - 2.0 * v);
                let dxy = (at(1, 1) + at(-1, -1) - at(1, -1) - at(-1, 1)) / 4.0;
                let (trace, det) = (dxx + dyy, dxx * dyy - dxy * dxy);
                if det <= 0.0 || trace * trace * most_elongated > det * (most_elongated + 1.0).powi(2) {
                    return None;
                }
                let (gx, gy) = ((at(1, 0) - at(-1, 0)) / 2.0, (at(0, 1) - at(0, -1)) / 2.0);
                let ox = (-(dyy * gx - dxy * gy) / det).clamp(-0.7, 0.7);
                let oy = (-(dxx * gy - dxy * gx) / det).clamp(-0.7, 0.7);
                let scale = below.zip(above).filter(|_| at_its_scale).map_or(0.0, |(b, a)| vertex(b.values[i], v, a.values[i]));
                // Midway between the two Gaussians' sigmas; a disc of radius r answers most at sigma = r / sqrt 2.
                let sigma_mid = sigma * 2f64.powf(0.25 + 0.5 * f64::from(scale));
                Some(Blob {
                    at: PointPx::new((x as f64 + f64::from(ox)) * step, (y as f64 + f64::from(oy)) * step),
                    diameter_px: 2.0 * ROOT2 * sigma_mid * step,
                    strength: v.abs(),
                    polarity: Polarity::of(f64::from(v)),
                    at_its_scale,
                })
            })
        })
        .collect()
}

fn ring(w: usize, i: usize) -> [usize; 8] {
    [i - w - 1, i - w, i - w + 1, i - 1, i + 1, i + w - 1, i + w, i + w + 1]
}

/// Ties go to the first pixel in reading order, so that a flat top of two pixels is one blob.
fn beats_its_ring(here: &Plane, i: usize, v: f32) -> bool {
    ring(here.width, i).into_iter().all(|j| {
        let other = if v > 0.0 { here.values[j] } else { -here.values[j] };
        v.abs() > other || (j > i && v.abs() >= other)
    })
}

fn beats_all(level: &Plane, i: usize, v: f32) -> bool {
    let least = |j: usize| if v > 0.0 { v >= level.values[j] } else { v <= level.values[j] };
    least(i) && ring(level.width, i).into_iter().all(least)
}

/// Place of the vertex of the parabola through three neighbours, -0.5 … 0.5.
fn vertex(a: f32, b: f32, c: f32) -> f32 {
    let bend = a + c - 2.0 * b;
    if bend.abs() < 1e-9 { 0.0 } else { ((a - c) / (2.0 * bend)).clamp(-0.5, 0.5) }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Discs of contrast 0.5 drawn with 4 x 4 samples a pixel.
    fn discs(size: usize, centres: &[(f64, f64, f64)], sign: f32) -> Plane {
        let mut values = vec![0.5; size * size];
        for y in 0..size {
            for x in 0..size {
                for (cx, cy, d) in centres {
                    let inside = (0..16).filter(|s| {
                        let (sx, sy) = (x as f64 + f64::from(s % 4) / 4.0 - 0.375, y as f64 + f64::from(s / 4) / 4.0 - 0.375);
                        (sx - cx).hypot(sy - cy) < d / 2.0
                    });
                    values[y * size + x] += sign * 0.5 * inside.count() as f32 / 16.0;
                }
            }
        }
        Plane { width: size, height: size, values }
    }

    #[test]
    fn a_disc_of_any_size_and_polarity_is_one_blob_at_its_centre() {
        for d in [3.0, 5.0, 9.0, 20.0, 47.0] {
            for sign in [-1.0, 1.0] {
                let found = blobs(&discs(160, &[(80.3, 78.6, d)], sign));
                let strong: Vec<_> = found.iter().filter(|b| b.strength > 0.05 && b.at_its_scale).collect();
                let best = strong.first().unwrap_or_else(|| panic!("nothing at {d}"));
                assert!(best.at.distance(PointPx::new(80.3, 78.6)) < 0.15 + 0.01 * d, "{d}: {best:?}");
                assert!((best.diameter_px / d).ln().abs() < 0.35, "{d}: {best:?}");
                assert_eq!(best.polarity, Polarity::of(f64::from(sign)));
            }
        }
    }

    #[test]
    fn a_straight_edge_is_no_blob_but_for_its_stairs_of_single_pixels() {
        let mut plane = discs(120, &[], 1.0);
        for (i, v) in plane.values.iter_mut().enumerate() {
            *v = ((i % 120) as f32 - 40.0 - 0.3 * (i / 120) as f32).clamp(-0.8, 0.8);
        }
        let inner =
            blobs(&plane).into_iter().filter(|b| b.strength > 0.05 && b.diameter_px > 3.0 && b.at.y > 20.0 && b.at.y < 100.0).count();
        assert_eq!(inner, 0);
    }
}
