//! One plane of brightness from a decoded picture, and reading it between pixels.

use crate::picture::{BRIGHTNESS, Picture, Samples};
use rayon::prelude::*;

/// A plane of brightness, row by row. Pixel centres are whole numbers.
#[derive(Debug, Clone)]
pub(crate) struct Plane {
    pub width: usize,
    pub height: usize,
    pub values: Vec<f32>,
}

/// A plane scaled so that the bulk of the picture spans 0 to 1, and what that span was.
#[derive(Debug, Clone)]
pub(crate) struct Light {
    pub plane: Plane,
    /// The plane at half, a quarter, … of the size, for reading large sites without gaps between the samples.
    pub coarser: Vec<Plane>,
    /// 0.5 % and 99.5 % points of the brightness, fraction of full scale.
    pub range: [f32; 2],
}

/// Brightness of `picture`: the Rec. 601 luma of a colour picture, stretched so that its 0.5 % and 99.5 % points are 0 and 1.
pub(crate) fn light(picture: &Picture) -> Light {
    let scale = 1.0 / picture.full_scale() as f32;
    let grey = match &picture.samples {
        Samples::U8(raw) => grey(raw, picture.channels, scale),
        Samples::U16(raw) => grey(raw, picture.channels, scale),
    };
    let range = span(&grey);
    let gain = 1.0 / (range[1] - range[0]).max(1e-3);
    let values = grey.into_par_iter().map(|v| (v - range[0]) * gain).collect();
    let plane = Plane { width: picture.width_px, height: picture.height_px, values };
    let mut coarser: Vec<Plane> = Vec::new();
    while coarser.len() < 5 {
        let next = coarser.last().unwrap_or(&plane).halved();
        if next.width < 16 || next.height < 16 {
            break;
        }
        coarser.push(next);
    }
    Light { plane, coarser, range }
}

fn grey<T: Copy + Into<f32> + Sync>(raw: &[T], channels: usize, scale: f32) -> Vec<f32> {
    match channels {
        3 => {
            let [red, green, blue] = BRIGHTNESS.map(|b| b as f32);
            raw.par_chunks_exact(3).map(|c| (red * c[0].into() + green * c[1].into() + blue * c[2].into()) * scale).collect()
        }
        _ => raw.par_iter().map(|v| (*v).into() * scale).collect(),
    }
}

fn span(values: &[f32]) -> [f32; 2] {
    const BINS: usize = 1024;
    let mut counts = [0usize; BINS];
    for v in values {
        counts[((v * BINS as f32) as usize).min(BINS - 1)] += 1;
    }
    let tail = values.len() / 200;
    let reach = |bins: &[usize]| {
        let mut seen = 0;
        bins.iter()
            .position(|count| {
                seen += count;
                seen > tail
            })
            .unwrap_or(0)
    };
    let low = reach(&counts);
    counts.reverse();
    [low as f32 / BINS as f32, (BINS - reach(&counts)) as f32 / BINS as f32]
}

impl Plane {
    /// Whether `(x, y)` lies between the centres of four pixels.
    pub fn holds(&self, x: f64, y: f64) -> bool {
        x >= 0.0 && y >= 0.0 && x <= (self.width - 1) as f64 && y <= (self.height - 1) as f64
    }

    /// Brightness at `(x, y)` by bilinear interpolation; outside, that of the nearest border pixel.
    pub fn at(&self, x: f64, y: f64) -> f32 {
        let x = x.clamp(0.0, (self.width - 1) as f64) as f32;
        let y = y.clamp(0.0, (self.height - 1) as f64) as f32;
        let (x0, y0) = (x as usize, y as usize);
        let (x1, y1) = ((x0 + 1).min(self.width - 1), (y0 + 1).min(self.height - 1));
        let (fx, fy) = (x - x0 as f32, y - y0 as f32);
        let (top, bottom) = (y0 * self.width, y1 * self.width);
        let upper = self.values[top + x0] * (1.0 - fx) + self.values[top + x1] * fx;
        let lower = self.values[bottom + x0] * (1.0 - fx) + self.values[bottom + x1] * fx;
        upper * (1.0 - fy) + lower * fy
    }

    /// Every second pixel of every second row, each the mean of 3 x 3 pixels weighted 1 2 1; pixel `i` lies at pixel `2 i` of this plane.
    fn halved(&self) -> Self {
        let (width, height) = (self.width.div_ceil(2), self.height.div_ceil(2));
        let mut values = vec![0.0; width * height];
        values.par_chunks_exact_mut(width).enumerate().for_each(|(row, out)| {
            let rows = [(2 * row).saturating_sub(1), 2 * row, (2 * row + 1).min(self.height - 1)].map(|y| y * self.width);
            let column = |x: usize| self.values[rows[0] + x] + 2.0 * self.values[rows[1] + x] + self.values[rows[2] + x];
            for (i, value) in out.iter_mut().enumerate() {
                let x = 2 * i;
                *value = (column(x.saturating_sub(1)) + 2.0 * column(x) + column((x + 1).min(self.width - 1))) / 16.0;
            }
        });
        Self { width, height, values }
    }
}

impl Light {
    /// The plane whose pixels are no wider than `spacing_px`, and what full-size coordinates are multiplied by to read it.
    pub fn level(&self, spacing_px: f64) -> (&Plane, f64) {
        let level = (spacing_px.max(1.0).log2().floor() as usize).min(self.coarser.len());
        match level {
            0 => (&self.plane, 1.0),
            l => (&self.coarser[l - 1], 1.0 / f64::from(1u32 << l)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_coarser_plane_keeps_the_place_of_a_slope() {
        let (width_px, height_px) = (64, 48);
        let samples = (0..width_px * height_px).map(|i| (3 * (i % width_px)) as u8).collect();
        let light = light(&Picture { width_px, height_px, channels: 1, samples: Samples::U8(samples) });
        for (x, y) in [(20.0, 10.0), (31.5, 22.25)] {
            let (half, shrink) = light.level(2.0);
            assert!((half.at(x * shrink, y * shrink) - light.plane.at(x, y)).abs() < 1e-4);
        }
    }
}
