//! Where a site's shapes are seen: designed outlines carried through pose and optics, and set on the measured centre.

use super::canvas::Xy;
use super::shots::Zoom;
use landfit_part::{Piece, PointMm, Pose, Shape, Side, Site};
use landfit_vision::PointPx;
use landfit_vision::view::Sight;
use std::f64::consts::TAU;

/// One view as the drawing looks through it.
pub struct Window<'a> {
    pub sight: &'a Sight,
    pub zoom: Zoom,
}

/// A site's outlines on a panel.
#[derive(Debug, Clone, Default)]
pub struct Drawn {
    pub centre: Xy,
    pub outlines: Vec<Vec<Xy>>,
    /// Of the circle about the centre that holds all outlines, px.
    pub reach_px: f32,
    /// Half the narrowest piece, px.
    pub narrow_px: f32,
}

impl Window<'_> {
    pub fn place(&self, bench_mm: PointMm) -> Xy {
        self.zoom.place(self.sight.px(bench_mm))
    }

    /// Outlines of what `side` shows at `site`, for a pattern at `pose`, `size` times as large as designed; set on
    /// `measured` where there is one.
    pub fn drawn(&self, site: &Site, side: Side, pose: &Pose, measured: Option<PointPx>, size: f64) -> Drawn {
        let designed = site.centre_mm(side);
        let predicted = self.place(pose.apply(designed));
        let centre = measured.map_or(predicted, |p| self.zoom.place(p));
        let outline = |piece: &Piece| -> Vec<Xy> {
            let corners = corners_mm(&piece.shape).into_iter().map(|c| {
                let on_part = site.at_mm + (piece.shift_mm + c).rotated(site.angle_rad);
                let sized = designed + (on_part - designed) * size;
                let seen = self.place(pose.apply(sized));
                seen.by(centre.x - predicted.x, centre.y - predicted.y)
            });
            corners.collect()
        };
        let outlines: Vec<Vec<Xy>> = site.pieces(side).iter().map(outline).collect();
        let reach_px = outlines.iter().flatten().map(|p| p.distance(centre)).fold(1.0, f32::max);
        let px_per_mm = self.px_per_mm(pose.apply(designed));
        let narrow_mm = site.pieces(side).iter().map(|p| p.shape.narrow_mm()).fold(f64::INFINITY, f64::min);
        let narrow_px = if narrow_mm.is_finite() { (narrow_mm * size / 2.0) as f32 * px_per_mm } else { reach_px };
        Drawn { centre, outlines, reach_px, narrow_px }
    }

    /// Pixels of the sheet to a millimetre about `p`: the mean of both axes.
    pub fn px_per_mm(&self, p: PointMm) -> f32 {
        let m = self.sight.px_per_mm(p);
        (m.determinant().abs().sqrt() as f32) * self.zoom.0
    }
}

/// Corners of a shape in its own axes, curves by enough points to look round.
fn corners_mm(shape: &Shape) -> Vec<PointMm> {
    const ROUND: usize = 40;
    match shape {
        Shape::Round { diameter_mm } => arc(PointMm::ZERO, diameter_mm / 2.0, 0.0, TAU, ROUND),
        Shape::Rect { width_mm, length_mm } => rounded(*width_mm, *length_mm, 0.0),
        Shape::Rounded { width_mm, length_mm, radius_mm } => rounded(*width_mm, *length_mm, *radius_mm),
        Shape::Oval { width_mm, length_mm } => rounded(*width_mm, *length_mm, width_mm.min(*length_mm) / 2.0),
        Shape::Outline { corners_mm } => corners_mm.clone(),
    }
}

fn rounded(width_mm: f64, length_mm: f64, radius_mm: f64) -> Vec<PointMm> {
    let (x, y) = (width_mm / 2.0 - radius_mm, length_mm / 2.0 - radius_mm);
    let steps = if radius_mm > 0.0 { 9 } else { 1 };
    let quarter = TAU / 4.0;
    [(x, y), (-x, y), (-x, -y), (x, -y)]
        .into_iter()
        .zip([0.0, 1.0, 2.0, 3.0])
        .flat_map(|((cx, cy), n)| arc(PointMm::new(cx, cy), radius_mm, n * quarter, quarter, steps))
        .collect()
}

fn arc(centre: PointMm, radius_mm: f64, from_rad: f64, by_rad: f64, steps: usize) -> Vec<PointMm> {
    // A whole circle must not meet its first point again.
    let parts = if by_rad >= TAU { steps } else { steps.saturating_sub(1).max(1) } as f64;
    (0..steps).map(|i| centre + PointMm::new(radius_mm, 0.0).rotated(from_rad + by_rad * i as f64 / parts)).collect()
}
