//! Leads and pads as pieces of a plane that stand out of their surroundings: joined pixels above (or below) the mean light around
//! them, kept where they fill a rectangle. Where a lead's own light is uneven or a pitch is only a few pixels, blobs see more.

use super::features::{Blob, Polarity, blurred};
use super::light::Plane;
use crate::view::PointPx;
use image::{GrayImage, Luma};
use imageproc::contrast::adaptive_threshold;
use imageproc::region_labelling::{Connectivity, connected_components};

/// The mean light is taken over squares of these half sides, as shares of the picture's shorter side: about the pitch of many leads,
/// and the width of few large pads.
const AROUND: [f64; 2] = [1.0 / 24.0, 1.0 / 6.0];
/// Brightness of the stretched plane is told apart up to here, and as far below 0: few small bars are beyond its span.
const BRIGHTEST: f64 = 2.0;
/// Fewer pixels tell neither place nor width...
const LEAST_PX: f64 = 9.0;
/// ...and more than this share of the picture is no lead.
const MOST_SHARE: f64 = 0.05;
/// A rectangle of the same second moments is filled to this share at least: letters and traces are not.
const LEAST_FILL: f64 = 0.75;
/// Longer than so many widths is a trace.
const MOST_LONG: f64 = 12.0;

/// A plane as [`bars`] wants it: single pixels of noise join nothing.
pub(crate) fn smoothed(plane: &Plane) -> Plane {
    blurred(plane, 0.7)
}

/// Every bar of one sense that stands out by `contrast` of the stretched plane, the widest first; its width is the blob's diameter.
pub(crate) fn bars(smooth: &Plane, polarity: Polarity, contrast: f64) -> Vec<Blob> {
    let level = |v: f32| {
        let v = f64::from(if polarity == Polarity::Dark { 1.0 - v } else { v });
        ((v + BRIGHTEST - 1.0) / (2.0 * BRIGHTEST - 1.0) * 255.0).round().clamp(0.0, 255.0) as u8
    };
    let (width, height) = (smooth.width as u32, smooth.height as u32);
    let Some(grey) = GrayImage::from_raw(width, height, smooth.values.iter().map(|v| level(*v)).collect()) else { return Vec::new() };
    let mut found = Vec::new();
    for share in AROUND {
        let radius = (share * f64::from(width.min(height))).round().max(1.0) as u32;
        let standing_out = adaptive_threshold(&grey, radius, -(contrast / (2.0 * BRIGHTEST - 1.0) * 255.0).round() as i32);
        let labels = connected_components(&standing_out, Connectivity::Four, Luma([0]));
        let most_px = MOST_SHARE * labels.len() as f64;
        let bars = pieces(labels.as_raw(), smooth.width).into_iter().filter(|p| p.n <= most_px).filter_map(|p| p.rectangle());
        found.extend(bars.map(|(at, width_px)| Blob {
            at,
            diameter_px: width_px,
            strength: contrast as f32,
            polarity,
            at_its_scale: true,
        }));
    }
    found.sort_by(|a: &Blob, b| b.diameter_px.total_cmp(&a.diameter_px).then(a.at.y.total_cmp(&b.at.y)).then(a.at.x.total_cmp(&b.at.x)));
    found
}

/// Sums over the pixels of a piece.
#[derive(Debug, Clone, Copy, Default)]
struct Piece {
    n: f64,
    x: f64,
    y: f64,
    xx: f64,
    yy: f64,
    xy: f64,
    at_border: bool,
}

fn pieces(labels: &[u32], width: usize) -> Vec<Piece> {
    let count = labels.iter().max().map_or(0, |most| *most as usize);
    let mut pieces = vec![Piece::default(); count + 1];
    let height = labels.len() / width.max(1);
    for (i, label) in labels.iter().enumerate() {
        if *label == 0 {
            continue;
        }
        let (x, y) = (i % width, i / width);
        let p = &mut pieces[*label as usize];
        p.at_border |= x == 0 || y == 0 || x + 1 == width || y + 1 == height;
        let (x, y) = (x as f64, y as f64);
        p.n += 1.0;
        p.x += x;
        p.y += y;
        p.xx += x * x;
        p.yy += y * y;
        p.xy += x * y;
    }
    pieces
}

impl Piece {
    /// Middle and width of the rectangle of the same second moments, where the piece fills it.
    fn rectangle(&self) -> Option<(PointPx, f64)> {
        let Self { n, .. } = *self;
        if n < LEAST_PX || self.at_border {
            return None;
        }
        let (x, y) = (self.x / n, self.y / n);
        // A pixel is a square and adds a twelfth.
        let (xx, yy, xy) = (self.xx / n - x * x + 1.0 / 12.0, self.yy / n - y * y + 1.0 / 12.0, self.xy / n - x * y);
        let (middle, apart) = (0.5 * (xx + yy), (0.5 * (xx - yy)).hypot(xy));
        let [length_px, width_px] = [middle + apart, middle - apart].map(|v| (12.0 * v.max(0.0)).sqrt());
        (n >= LEAST_FILL * length_px * width_px && length_px <= MOST_LONG * width_px).then_some((PointPx::new(x, y), width_px))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bars_of_either_sense_are_found_and_a_letter_and_a_trace_are_not() {
        let (w, h) = (160, 120);
        let mut values = vec![0.4_f32; w * h];
        let mut fill = |x: std::ops::Range<usize>, y: std::ops::Range<usize>| {
            for row in y {
                values[row * w + x.start..row * w + x.end].fill(0.9);
            }
        };
        for k in 0..6 {
            fill(20 + 10 * k..25 + 10 * k, 30..45);
        }
        fill(10..150, 80..82);
        // An L whose arms are wider than the bars.
        fill(100..106, 30..60);
        fill(100..130, 54..60);
        let plane = Plane { width: w, height: h, values };
        let dark = Plane { values: plane.values.iter().map(|v| 1.0 - v).collect(), ..plane.clone() };
        for (plane, polarity) in [(plane, Polarity::Bright), (dark, Polarity::Dark)] {
            let found = bars(&smoothed(&plane), polarity, 0.1);
            for k in 0..6 {
                let at = PointPx::new(22.0 + 10.0 * f64::from(k), 37.0);
                let bar = found.iter().find(|b| b.at.distance(at) < 0.1).unwrap_or_else(|| panic!("bar {k}: {found:?}"));
                assert!((bar.diameter_px - 5.0).abs() < 1.1, "{bar:?}");
            }
            assert!(found.iter().all(|b| b.at.y > 36.0 && b.at.y < 38.0), "{found:?}");
        }
    }
}
