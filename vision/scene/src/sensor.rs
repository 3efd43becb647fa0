//! From light to raw values: vignetting, shot and read noise, clipping, gamma, quantisation.

use crate::scene::{Frame, Noise, Sensor};
use rand::Rng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Poisson, StandardNormal};

/// Raw values, row by row, channels interleaved.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Samples {
    /// 8 bits a channel.
    U8(Vec<u8>),
    /// 16 bits a channel.
    U16(Vec<u16>),
}

/// One rendered picture.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Picture {
    /// Columns.
    pub width_px: usize,
    /// Rows.
    pub height_px: usize,
    /// 1 (grey) or 3 (red, green, blue).
    pub channels: usize,
    /// `width_px * height_px * channels` values.
    pub samples: Samples,
}

impl Picture {
    /// The same picture as an image that can be written; `None` when its size and its data disagree.
    #[must_use]
    pub fn to_image(&self) -> Option<image::DynamicImage> {
        use image::{DynamicImage as D, ImageBuffer as B};
        let (w, h) = (u32::try_from(self.width_px).ok()?, u32::try_from(self.height_px).ok()?);
        Some(match (&self.samples, self.channels) {
            (Samples::U8(v), 1) => D::ImageLuma8(B::from_raw(w, h, v.clone())?),
            (Samples::U8(v), _) => D::ImageRgb8(B::from_raw(w, h, v.clone())?),
            (Samples::U16(v), 1) => D::ImageLuma16(B::from_raw(w, h, v.clone())?),
            (Samples::U16(v), _) => D::ImageRgb16(B::from_raw(w, h, v.clone())?),
        })
    }
}

/// Below this many electrons the Poisson distribution is drawn exactly; above it a Gaussian is as good.
const EXACT_BELOW_E: f32 = 50.0;

/// Adds what reaches every pixel and takes away what the lens loses towards the corners.
pub(crate) fn vignette(light: &mut [f32], frame: &Frame, sensor: &Sensor) {
    if sensor.vignetting == 0.0 && sensor.stray == 0.0 {
        return;
    }
    let [width, height] = frame.size_px.map(f64::from);
    let (cx, cy) = ((width - 1.0) / 2.0, (height - 1.0) / 2.0);
    let per_corner = 1.0 / (cx * cx + cy * cy).max(1.0);
    let row_len = frame.size_px[0] as usize * frame.channels;
    for (row, line) in light.chunks_exact_mut(row_len).enumerate() {
        let dy = row as f64 - cy;
        for (column, pixel) in line.chunks_exact_mut(frame.channels).enumerate() {
            let dx = column as f64 - cx;
            let passed = (1.0 - sensor.vignetting * (dx * dx + dy * dy) * per_corner) as f32;
            for v in pixel {
                *v = *v * passed + sensor.stray as f32;
            }
        }
    }
}

/// The picture that the sensor makes of linear light.
pub(crate) fn expose(light: &[f32], frame: &Frame, noise: Option<Noise>, rng: &mut ChaCha8Rng) -> Picture {
    let full_scale = if frame.bits == 16 { 65535.0 } else { 255.0 };
    let span = (frame.white - frame.black) as f32;
    let black = frame.black as f32;
    let gamma = 1.0 / frame.gamma as f32;
    let raw = light.iter().map(|light| {
        let seen = noise.map_or(*light, |n| with_noise(*light, n, rng)).clamp(black_limit(black, span), 1.0);
        let coded = if gamma == 1.0 { seen } else { seen.max(0.0).powf(gamma) };
        // half up; the cast below drops the fraction
        (black + span * coded).clamp(0.0, full_scale) + 0.5
    });
    let samples =
        if frame.bits == 16 { Samples::U16(raw.map(|v| v as u16).collect()) } else { Samples::U8(raw.map(|v| v as u8).collect()) };
    Picture { width_px: frame.size_px[0] as usize, height_px: frame.size_px[1] as usize, channels: frame.channels, samples }
}

/// Read noise below the black level is kept as far as raw values reach.
fn black_limit(black: f32, span: f32) -> f32 {
    if span > 0.0 { -black / span } else { 0.0 }
}

/// The linear model of EMVA 1288: variance in electrons = electrons + read noise².
fn with_noise(light: f32, noise: Noise, rng: &mut ChaCha8Rng) -> f32 {
    let (full, read) = (noise.full_well_e as f32, noise.read_noise_e as f32);
    let electrons = light.max(0.0) * full;
    let normal: f32 = rng.sample(StandardNormal);
    if electrons < EXACT_BELOW_E && electrons > 0.0 {
        let shot: f32 = Poisson::new(electrons).map_or(electrons, |p| rng.sample(p));
        return (shot + read * normal) / full;
    }
    (electrons + (electrons + read * read).sqrt() * normal) / full
}
