//! Whether the outermost things of rows are bounded outwards as they are inwards: leads are, the gaps between them are not.
//!
//! Between n leads stand n - 1 gaps as evenly, as wide and as long as leads; with the open ground beyond both ends of the row
//! they pass for n + 1 leads half a pitch off. What is seen twice is told apart where the row ends: a lead ends there with an
//! edge, the ground goes on.

use crate::find::print::Print;
use crate::plane::Plane;
use crate::shapes::Shapes;
use crate::side::{SideView, view_that_holds};
use crate::which_site::Pattern;
use landfit_part::Pose;
use nalgebra::Vector2;

/// How a row ends at a site.
struct End {
    /// The site's local axis along which the row runs.
    axis: usize,
    /// 1 where the row ends on its positive side, -1 on the negative one.
    outwards: f64,
    /// How wide the gap to the site's neighbour is, mm.
    gap_mm: f64,
}

/// The site at the end of a row, as a view shows it.
struct RowEnd {
    print: Print,
    end: End,
    /// How far the light beside the sides that face along the row is taken, local px.
    depth_px: f64,
}

/// Neighbours in a row stand no further apart than this many times the shortest distance of the row.
const NEXT_IN_ROW: f64 = 1.5;
/// The next in a row lies beside it: no further along it than this share of the way across.
const BESIDE_SHARE: f64 = 0.25;
/// Of the gap, and of half the width, so much is looked at beside an edge.
const DEPTH_SHARE: f64 = 0.6;
/// A typical outer edge with less than this share of the inner one's step is none.
const LEAST_SHARE: f64 = 0.35;
/// Fewer ends tell nothing: one lead may be missing.
const LEAST_ENDS: usize = 2;

/// Whether most rows end with an edge as high as those between their members; true where too few ends are in view to tell.
pub(crate) fn are_bounded(views: &[SideView], shapes: &Shapes, pattern: &Pattern, pose: &Pose) -> bool {
    let ends = (0..pattern.centres_mm.len()).filter_map(|site| {
        let end = end_of_row(shapes, pattern, site)?;
        let at_mm = pose.apply(pattern.centres_mm[site]);
        let (view, _) = view_that_holds(views, Some(shapes), at_mm, shapes.kinds[site].turned(pose.theta_rad))?;
        let view = &views[view];
        let print = shapes.print(view, site, pose, pattern.centres_mm[site]);
        let [low, high] = print.outline.bounds();
        let depth_px = DEPTH_SHARE * ((high[end.axis] - low[end.axis]) / 2.0).min(end.gap_mm * view.px_per_mm());
        share_of_outer_edge(view.plane, &RowEnd { print, end, depth_px })
    });
    let mut shares: Vec<f64> = ends.collect();
    shares.sort_by(f64::total_cmp);
    shares.len() < LEAST_ENDS || shares[shares.len() / 2] > LEAST_SHARE
}

/// How a site's row ends there; `None` within a row and for sites that stand in none.
fn end_of_row(shapes: &Shapes, pattern: &Pattern, site: usize) -> Option<End> {
    let steps = || {
        pattern.nearest(site).iter().filter_map(|(_, other)| {
            let ((from, reach), (to, other_reach)) = shapes.parallel_way(site, *other, pattern, 0.0)?;
            let step = (to - from).rotated(-shapes.kinds[site].angle_rad);
            Some(([step.x, step.y], reach + other_reach))
        })
    };
    // A row runs the way in which the next site lies: outlines about as long as wide stand in it either way.
    let beside = |axis: usize| steps().filter(move |(step, _)| step[1 - axis].abs() < BESIDE_SHARE * step[axis].abs());
    let next = |axis: usize| beside(axis).map(|(step, reach)| (step[axis].abs(), reach)).min_by(|a, b| a.0.total_cmp(&b.0));
    let (axis, (shortest, reach)) =
        [0, 1].into_iter().filter_map(|axis| Some((axis, next(axis)?))).min_by(|a, b| a.1.0.total_cmp(&b.1.0))?;
    let has = |sign: f64| beside(axis).any(|(step, _)| step[axis] * sign > 0.0 && step[axis].abs() < NEXT_IN_ROW * shortest);
    let outwards = match (has(1.0), has(-1.0)) {
        (true, false) => -1.0,
        (false, true) => 1.0,
        _ => return None,
    };
    Some(End { axis, outwards, gap_mm: shortest - reach }).filter(|end| end.gap_mm > 0.0)
}

/// The step of light at the outer side over that at the inner one; `None` where the inner side shows none or too little is
/// known.
fn share_of_outer_edge(plane: &Plane, of_row: &RowEnd) -> Option<f64> {
    let [outer, inner] = [1.0, -1.0].map(|sign| step(plane, of_row, sign * of_row.end.outwards));
    let (outer, inner) = (outer?, inner?);
    (inner.abs() > 1e-6).then(|| outer / inner)
}

/// Light inside less light outside of one side along the row (1: the positive one), over the middle of its length.
fn step(plane: &Plane, RowEnd { print, end, depth_px }: &RowEnd, side: f64) -> Option<f64> {
    const ACROSS: i32 = 4;
    const ALONG: i32 = 8;
    const MIDDLE_SHARE: f64 = 0.6;
    let [low, high] = print.outline.bounds();
    let (out, beside) = (end.axis, 1 - end.axis);
    let edge = if side > 0.0 { high[out] } else { low[out] };
    let (middle, half_length) = ((low[beside] + high[beside]) / 2.0, MIDDLE_SHARE * (high[beside] - low[beside]) / 2.0);
    let mean = |sign: f64| {
        let (mut sum, mut n) = (0.0, 0);
        for i in 1..=ACROSS {
            for k in -ALONG..=ALONG {
                let mut local = Vector2::zeros();
                local[out] = edge + side * sign * depth_px * (0.2 + 0.8 * f64::from(i) / f64::from(ACROSS));
                local[beside] = middle + half_length * f64::from(k) / f64::from(ALONG);
                let off = print.axes * local;
                let (x, y) = ((print.at.x + off.x).round(), (print.at.y + off.y).round());
                if x >= 0.0 && y >= 0.0 && (x as usize) < plane.width && (y as usize) < plane.height {
                    let i = y as usize * plane.width + x as usize;
                    if plane.is_known(i) {
                        sum += f64::from(plane.light[i]);
                        n += 1;
                    }
                }
            }
        }
        (2 * n > ACROSS * (2 * ALONG + 1)).then(|| sum / f64::from(n))
    };
    Some(mean(-1.0)? - mean(1.0)?)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::find::outline::Outline;
    use crate::view::PointPx;
    use landfit_part::{Piece, PointMm};
    use nalgebra::Matrix2;

    /// Five bright bars of 10 x 30 px, 20 px apart, the first at 30 px.
    fn bars() -> Plane {
        let (width, height) = (160, 60);
        let bar = |x: f64| (0..5).any(|i| (x - 30.0 - 20.0 * f64::from(i)).abs() < 5.0);
        let light = (0..width * height)
            .map(|i| if bar((i % width) as f64) && ((i / width) as f64 - 30.0).abs() < 15.0 { 0.6 } else { 0.1 })
            .collect();
        Plane::of_light(width, height, light)
    }

    fn share(x: f64, outwards: f64) -> f64 {
        let outline = Outline::of_pieces(&[Piece::rect(10.0, 30.0)], PointMm::ZERO);
        let print = Print { at: PointPx::new(x, 30.0), axes: Matrix2::identity(), outline };
        share_of_outer_edge(&bars(), &RowEnd { print, end: End { axis: 0, outwards, gap_mm: 10.0 }, depth_px: 3.0 }).expect("an inner edge")
    }

    #[test]
    fn bars_end_with_an_edge_and_the_ground_beyond_them_does_not() {
        assert!((share(30.0, -1.0) - 1.0).abs() < 0.01 && (share(110.0, 1.0) - 1.0).abs() < 0.01);
        assert!(share(20.0, -1.0).abs() < 0.01 && share(120.0, 1.0).abs() < 0.01);
    }
}
