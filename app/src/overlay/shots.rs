//! The exposures as the ground under the marks: dimmed and nearly grey, but still the picture.

use super::canvas::Xy;
use image::{RgbImage, imageops};
use landfit_vision::picture::Samples;
use landfit_vision::{Frame, Picture, PointPx};

/// How strongly the picture shows.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tone {
    /// What the bright places become, of 255.
    brightest: f32,
    /// Share of the colour that is kept.
    colour: f32,
    /// Exponent on the light: below 1 it lifts what is dark.
    lift: f32,
}

/// Under marks.
pub const QUIET: Tone = Tone { brightest: 124.0, colour: 0.25, lift: 0.6 };
/// Where the picture itself is what must be looked at.
pub const PLAIN: Tone = Tone { brightest: 190.0, colour: 0.70, lift: 0.8 };

/// Pixels of the sheet for one of the picture.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Zoom(pub f32);

/// Below this width the row of exposures is enlarged by a whole number, px: marks need room.
const NARROWEST_ROW_PX: u32 = 1200;
/// Above this width it is made smaller by a whole number, px.
const WIDEST_ROW_PX: u32 = 7200;
/// Each picture at most four times as large as it is.
const MOST_ENLARGED: u32 = 4;

impl Zoom {
    /// The one for a row of `n` exposures of the same width.
    pub fn of_row(width_px: usize, height_px: usize, n: usize) -> Self {
        let longest = width_px.saturating_mul(n).max(height_px).max(1) as u32;
        if longest > WIDEST_ROW_PX {
            return Self(1.0 / longest.div_ceil(WIDEST_ROW_PX) as f32);
        }
        Self(NARROWEST_ROW_PX.div_ceil(longest).clamp(1, MOST_ENLARGED) as f32)
    }

    /// Where a raw pixel's place lies on the panel: pixel centres are whole numbers there, half ones here.
    pub fn place(self, p: PointPx) -> Xy {
        Xy::new((p.x as f32 + 0.5) * self.0, (p.y as f32 + 0.5) * self.0)
    }

    pub fn size_px(self, width_px: usize, height_px: usize) -> [u32; 2] {
        [width_px, height_px].map(|px| ((px as f32 * self.0).round() as u32).max(1))
    }
}

/// One exposure, toned and zoomed.
pub fn ground(picture: &Picture, frame: &Frame, tone: Tone, zoom: Zoom) -> RgbImage {
    let light = light(picture, frame);
    let [low, high] = spread(&light);
    let span = (high - low).max(0.02);
    let mut toned = RgbImage::new(picture.width_px as u32, picture.height_px as u32);
    for (to, rgb) in toned.pixels_mut().zip(&light) {
        let level = |v: f32| ((v - low) / span).clamp(0.0, 1.15).powf(tone.lift);
        let grey = rgb.iter().sum::<f32>() / 3.0;
        to.0 = rgb.map(|v| {
            let kept = level(grey) * (1.0 - tone.colour) + level(v) * tone.colour;
            (10.0 + kept * (tone.brightest - 10.0)).round().clamp(0.0, 255.0) as u8
        });
    }
    let [w, h] = zoom.size_px(picture.width_px, picture.height_px);
    if (w, h) == toned.dimensions() { toned } else { imageops::resize(&toned, w, h, imageops::FilterType::Triangle) }
}

/// Red, green and blue of every pixel between black (0) and full scale (1), as the camera coded them.
fn light(picture: &Picture, frame: &Frame) -> Vec<[f32; 3]> {
    let white = frame.white.unwrap_or_else(|| picture.full_scale());
    let span = (white - frame.black).abs().max(1.0);
    let level = |raw: f64| ((raw - frame.black) / span) as f32;
    let one = |values: &[f32]| match *values {
        [r, g, b] => [r, g, b],
        [grey, ..] => [grey; 3],
        [] => [0.0; 3],
    };
    let levels: Vec<f32> = match &picture.samples {
        Samples::U8(raw) => raw.iter().map(|v| level(f64::from(*v))).collect(),
        Samples::U16(raw) => raw.iter().map(|v| level(f64::from(*v))).collect(),
    };
    levels.chunks(picture.channels.max(1)).map(one).collect()
}

/// The grey levels that leave one pixel in a hundred below and three in two hundred above: glare is less.
fn spread(light: &[[f32; 3]]) -> [f32; 2] {
    // Every seventh pixel is plenty, and sorting all of a large picture is not.
    let mut greys: Vec<f32> = light.iter().step_by(7).map(|rgb| rgb.iter().sum::<f32>() / 3.0).collect();
    greys.sort_by(f32::total_cmp);
    let at = |share: f32| greys.get((greys.len() as f32 * share) as usize).copied().unwrap_or(0.0);
    [at(0.01), at(0.985)]
}
