//! One feature as it should lie in a plane, and the pixels about its outline.

use super::outline::Outline;
use crate::plane::Plane;
use crate::view::PointPx;
use nalgebra::{Matrix2, Vector2};

/// One feature as it should lie.
#[derive(Debug, Clone)]
pub struct Print {
    /// Its centre, px of the plane.
    pub at: PointPx,
    /// px of the plane from local px: nearly unit columns.
    pub axes: Matrix2<f64>,
    /// About its centre, local px.
    pub outline: Outline,
}

/// A pixel near an outline.
pub(super) struct Pixel {
    pub index: usize,
    pub distance: f64,
    pub side: usize,
    /// Outward normal in the plane's axes.
    pub normal: Vector2<f64>,
    pub local: [f64; 2],
}

/// Calls `take` for every known pixel within the band about the outline, corners left out.
pub(super) fn for_pixels(plane: &Plane, print: &Print, inwards: f64, outwards: f64, corner_px: f64, mut take: impl FnMut(&Pixel)) {
    let Some(back) = print.axes.try_inverse() else { return };
    let narrow = print.outline.narrow_half();
    let (inwards, outwards) = (inwards.min(0.85 * narrow), outwards.min(0.6 * narrow + 2.0));
    let corner_px = corner_px.min(0.6 * narrow);
    let [low, high] = print.outline.bounds();
    let corners =
        [[low[0], low[1]], [high[0], low[1]], [high[0], high[1]], [low[0], high[1]]].map(|c| print.axes * Vector2::new(c[0], c[1]));
    let span = |axis: usize| corners.iter().map(|c| c[axis]).fold((f64::INFINITY, f64::NEG_INFINITY), |(lo, hi), v| (lo.min(v), hi.max(v)));
    let range = |centre: f64, (lo, hi): (f64, f64), size: usize| {
        let from = (centre + lo - outwards).floor().max(0.0) as usize;
        (from, ((centre + hi + outwards).ceil().max(-1.0) + 1.0).min(size as f64) as usize)
    };
    let ((x0, x1), (y0, y1)) = (range(print.at.x, span(0), plane.width), range(print.at.y, span(1), plane.height));
    for y in y0..y1 {
        let mut x = x0;
        while x < x1 {
            let local = back * Vector2::new(x as f64 - print.at.x, y as f64 - print.at.y);
            let near = print.outline.near([local.x, local.y]);
            let beyond = (near.distance - outwards).max(-inwards - near.distance);
            if beyond > 0.0 {
                // Distances change by no more than a pixel from one pixel to the next.
                x += (0.97 * beyond).max(1.0) as usize;
                continue;
            }
            let index = y * plane.width + x;
            if near.from_corner >= corner_px && near.other_piece > outwards + 1.0 && plane.is_known(index) {
                let normal = print.axes * Vector2::new(near.normal[0], near.normal[1]);
                take(&Pixel { index, distance: near.distance, side: near.side, normal, local: [local.x, local.y] });
            }
            x += 1;
        }
    }
}
