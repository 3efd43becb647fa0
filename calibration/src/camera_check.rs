//! What a camera does to its pictures that it should not: chroma at half resolution, sharpening, limited range, noise reduction,
//! automatic exposure. From two pictures of one still scene.

use landfit_vision::Picture;
use landfit_vision::picture::Samples;

/// One finding.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Finding {
    /// What.
    pub kind: Kind,
    /// The figure it rests on.
    pub figure: f64,
    /// What the figure would have to stay within.
    pub limit: f64,
}

/// What a camera may do.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// Colour differences have less fine detail than brightness.
    ChromaSubsampling,
    /// Noise of neighbours runs against each other.
    Sharpening,
    /// Values pile up at 16 and 235.
    LimitedRange,
    /// Noise of neighbours runs together.
    NoiseReduction,
    /// The second picture is brighter or darker all over.
    AutomaticExposure,
}

impl Kind {
    /// What it is and what to do about it.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::ChromaSubsampling => {
                "colour is stored at half resolution: choose an uncompressed or 4:4:4 format, or calibrate and work in this very format"
            }
            Self::Sharpening => "the camera sharpens: set sharpness to 0",
            Self::LimitedRange => "values run from 16 to 235 only: set the range to full, or black = 16 and white = 235 in [frame]",
            Self::NoiseReduction => {
                "the camera smooths noise (or makes colour from a mosaic): set noise reduction to 0 if it has such a control"
            }
            Self::AutomaticExposure => "brightness changed between the two pictures: switch automatic exposure and gain off",
        }
    }
}

/// Colour detail below this share of the brightness's is no full-resolution colour; independent channels give 2.
const LEAST_CHROMA_DETAIL: f64 = 0.5;
/// Neighbouring noise is independent in a plain picture; a share of this size is not chance over thousands of pixels.
const MOST_SMOOTH: f64 = 0.15;
const MOST_SHARP: f64 = 0.12;
const MOST_BRIGHTNESS_CHANGE: f64 = 0.01;

/// Judges two pictures of one still scene; what cannot be judged for want of noise or colour is left out.
#[must_use]
pub fn check(first: &Picture, second: &Picture) -> Vec<Finding> {
    let (a, b) = (planes(first), planes(second));
    let mut found = Vec::new();
    if a.len() != b.len() || a.iter().zip(&b).any(|(p, q)| p.len() != q.len()) || a[0].is_empty() {
        return found;
    }
    let (w, h) = (first.width_px, first.height_px);
    let green = if a.len() == 3 { 1 } else { 0 };
    let noise = |c: usize| -> Vec<f64> { a[c].iter().zip(&b[c]).map(|(x, y)| x - y).collect() };
    if a.len() == 3 {
        let detail = |v: &[f64]| detail(v, w, h);
        let of = |c: usize| -> Vec<f64> { noise(c).iter().zip(noise(green)).map(|(x, g)| x - g).collect() };
        let bright: Vec<f64> = (0..a[0].len()).map(|i| (0..3).map(|c| a[c][i] - b[c][i]).sum::<f64>() / 3.0).collect();
        let (chroma, luma) = (f64::midpoint(detail(&of(0)), detail(&of(2))), detail(&bright));
        // Of independent channels the mean has a third of a channel's noise, a difference twice it: six times.
        if luma > 1e-12 {
            let share = chroma / luma / 3.0;
            if share < LEAST_CHROMA_DETAIL {
                found.push(Finding { kind: Kind::ChromaSubsampling, figure: share, limit: LEAST_CHROMA_DETAIL });
            }
        }
    }
    if let Some(share) = neighbours(&noise(green), w, h) {
        if share < -MOST_SHARP {
            found.push(Finding { kind: Kind::Sharpening, figure: share, limit: -MOST_SHARP });
        }
        if share > MOST_SMOOTH {
            found.push(Finding { kind: Kind::NoiseReduction, figure: share, limit: MOST_SMOOTH });
        }
    }
    if matches!(first.samples, Samples::U8(_)) {
        let all = || a.iter().flatten();
        let n = all().count() as f64;
        let (low, high) = all().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(*v), h.max(*v)));
        let piled = |at: f64| all().filter(|v| **v == at).count() as f64 / n;
        if low >= 15.0 && high <= 236.0 && (piled(low) > 0.002 || piled(high) > 0.002) && (low <= 17.0 || high >= 234.0) {
            found.push(Finding { kind: Kind::LimitedRange, figure: high, limit: 255.0 });
        }
    }
    let mean = |p: &[Vec<f64>]| p.iter().flatten().sum::<f64>() / p.iter().map(Vec::len).sum::<usize>() as f64;
    let change = mean(&b) / mean(&a).max(1e-9) - 1.0;
    if change.abs() > MOST_BRIGHTNESS_CHANGE {
        found.push(Finding { kind: Kind::AutomaticExposure, figure: change, limit: MOST_BRIGHTNESS_CHANGE });
    }
    found
}

fn planes(picture: &Picture) -> Vec<Vec<f64>> {
    let n = picture.channels;
    let of = |c: usize| match &picture.samples {
        Samples::U8(v) => v.iter().skip(c).step_by(n).map(|x| f64::from(*x)).collect(),
        Samples::U16(v) => v.iter().skip(c).step_by(n).map(|x| f64::from(*x)).collect(),
    };
    (0..n).map(of).collect()
}

/// Mean square of the differences between neighbours along rows: detail at the pixel's own scale.
fn detail(v: &[f64], w: usize, h: usize) -> f64 {
    let mut sum = 0.0;
    for y in 0..h {
        for x in 1..w {
            sum += (v[y * w + x] - v[y * w + x - 1]).powi(2);
        }
    }
    sum / (h * w.saturating_sub(1)).max(1) as f64
}

/// Correlation of neighbouring pixels; `None` without any noise.
fn neighbours(noise: &[f64], w: usize, h: usize) -> Option<f64> {
    let mean = noise.iter().sum::<f64>() / noise.len() as f64;
    let variance = noise.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / noise.len() as f64;
    if variance < 1e-9 {
        return None;
    }
    let mut sum = 0.0;
    for y in 0..h {
        for x in 1..w {
            sum += (noise[y * w + x] - mean) * (noise[y * w + x - 1] - mean);
        }
    }
    Some(sum / (h * w.saturating_sub(1)).max(1) as f64 / variance)
}

#[cfg(test)]
mod tests {
    use super::*;

    const W: usize = 96;
    const H: usize = 64;

    /// Noise of a fixed sequence over a ramp, channel by channel, 0 to 255 before it is made into a picture.
    fn noisy(seed: u64) -> Vec<[f64; 3]> {
        let mut state = seed;
        let mut uniform = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 11) as f64 / (1u64 << 53) as f64
        };
        (0..W * H)
            .map(|i| {
                let ramp = 40.0 + 120.0 * (i % W) as f64 / W as f64;
                [0, 1, 2].map(|_| ramp + 5.0 * ((0..6).map(|_| uniform()).sum::<f64>() - 3.0))
            })
            .collect()
    }

    fn picture(pixels: &[[f64; 3]]) -> Picture {
        let values = pixels.iter().flatten().map(|v| v.round().clamp(0.0, 255.0) as u8).collect();
        Picture { width_px: W, height_px: H, channels: 3, samples: Samples::U8(values) }
    }

    fn kinds(change: impl Fn(Vec<[f64; 3]>) -> Vec<[f64; 3]>) -> Vec<Kind> {
        check(&picture(&change(noisy(1))), &picture(&change(noisy(2)))).iter().map(|f| f.kind).collect()
    }

    fn filtered(p: &[[f64; 3]], weights: [f64; 3]) -> Vec<[f64; 3]> {
        (0..p.len())
            .map(|i| {
                let x = i % W;
                let (l, r) = (if x > 0 { i - 1 } else { i }, if x + 1 < W { i + 1 } else { i });
                [0, 1, 2].map(|c| weights[0] * p[l][c] + weights[1] * p[i][c] + weights[2] * p[r][c])
            })
            .collect()
    }

    #[test]
    fn a_plain_camera_is_found_innocent() {
        assert_eq!(kinds(|p| p), []);
    }

    #[test]
    fn each_fault_is_found_alone() {
        assert_eq!(kinds(|p| filtered(&p, [0.25, 0.5, 0.25])), [Kind::NoiseReduction]);
        assert_eq!(kinds(|p| filtered(&p, [-0.2, 1.4, -0.2])), [Kind::Sharpening]);
        let halved = |p: Vec<[f64; 3]>| {
            (0..p.len())
                .map(|i| {
                    let (x, y) = (i % W, i / W);
                    let mean = |c: usize| {
                        let (x0, y0) = (x / 2 * 2, y / 2 * 2);
                        [(0, 0), (1, 0), (0, 1), (1, 1)]
                            .iter()
                            .map(|(dx, dy)| p[(y0 + dy) * W + x0 + dx])
                            .map(|q| q[c] - (q[0] + q[1] + q[2]) / 3.0)
                            .sum::<f64>()
                            / 4.0
                    };
                    let luma = (p[i][0] + p[i][1] + p[i][2]) / 3.0;
                    [0, 1, 2].map(|c| luma + mean(c))
                })
                .collect()
        };
        assert!(kinds(halved).contains(&Kind::ChromaSubsampling));
        let limited =
            |p: Vec<[f64; 3]>| p.iter().map(|v| v.map(|x| (16.0 + (1.6 * x - 60.0) * 219.0 / 255.0).clamp(16.0, 235.0))).collect();
        assert!(kinds(limited).contains(&Kind::LimitedRange));
        let brighter: Vec<[f64; 3]> = noisy(2).iter().map(|v| v.map(|x| 1.05 * x)).collect();
        assert!(check(&picture(&noisy(1)), &picture(&brighter)).iter().any(|f| f.kind == Kind::AutomaticExposure));
    }
}
