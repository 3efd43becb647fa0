//! Where something else meets an outline: a trace that runs into a land, a stain or print across its edge.
//!
//! Each side of every outline is cut into short pieces. Just outside of the edge, pieces of one kind of side show the same light but for
//! what else lies there, so that the middle over all of them is the ground's. A piece that differs from it tells nothing of where the
//! shape ends, and is left out as if it were saturated: what a bright trace crosses looks longer than it is.

use super::outline_look::GroupLook;
use super::print::{Print, for_pixels};
use crate::median::upper_median;
use crate::plane::{Plane, Saturated};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

/// One outline, about where it lies, and how its like look.
pub struct Seen<'a> {
    /// Where it lies, to within a pixel.
    pub print: &'a Print,
    /// What its group looks like.
    pub look: &'a GroupLook,
    /// Its four sides' kinds, right, far, left, near: sides of one kind have the same ground before them.
    pub kinds: [u32; 4],
}

/// Length of a piece along its side, px.
const PIECE_PX: f64 = 2.0;
/// Where the light is looked at, in blurs outside of the edge: close by, where the narrowest opening is still open but outlines that are
/// placed a little off scatter more, and further out, where they do not.
const RINGS_BLURS: [std::ops::RangeInclusive<f64>; 2] = [0.0..=2.0, 0.9..=2.4];
/// A piece's light is another's where it differs by this share of the side's step …
const OTHER_SHARE: f64 = 0.2;
/// … and by more than so many scatters of the pieces that do not.
const OTHER_SCATTERS: f64 = 4.0;
/// Where more than this share of the pieces differ, nothing tells which of them show the ground.
const MOST_SHARE: f64 = 0.4;
/// What blur carries beyond a piece along its side, and across the edge, in blurs.
const MARGIN_BLURS: f64 = 1.0;
const INSIDE_BLURS: f64 = 3.0;
const OUTSIDE_BLURS: f64 = 6.0;
/// Light near a sharp corner is both sides'.
const CORNER_BLURS: f64 = 1.0;
/// Edges lie hardly further inside and outside of the designed outline, px.
const FURTHEST_PX: (f64, f64) = (3.0, 6.0);

/// What meets an outline meets less than this share of it.
const MOST_OF_OUTLINE: f64 = 0.5;

/// Index of the outline, side, and number of the piece along it.
type Piece = (usize, usize, i64);

/// The plane without the places where something else meets the outlines; `None` where nothing does.
#[must_use]
pub fn without_intruders(plane: &Plane, seen: &[Seen]) -> Option<Plane> {
    let mut unknown: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
    let pieces: BTreeSet<Piece> = RINGS_BLURS.iter().flat_map(|ring| intruded(plane, seen, ring)).collect();
    for (i, of_one) in seen.iter().enumerate() {
        let numbers: Vec<(usize, f64)> =
            pieces.range((i, 0, i64::MIN)..(i + 1, 0, i64::MIN)).map(|(_, side, n)| (*side, (*n as f64 + 0.5) * PIECE_PX)).collect();
        if numbers.is_empty() {
            continue;
        }
        let blur_px = of_one.look.blur_px();
        let (inwards, outwards) = FURTHEST_PX;
        let reach = 0.5 * PIECE_PX + MARGIN_BLURS * blur_px;
        for_pixels(plane, of_one.print, inwards + INSIDE_BLURS * blur_px, outwards + OUTSIDE_BLURS * blur_px, 0.0, |p| {
            let Some(edge) = of_one.look.edges[p.side] else { return };
            let out = (p.distance - edge.at_px) / blur_px;
            let along = p.local[usize::from(p.side % 2 == 0)];
            let is_met = numbers.iter().any(|(side, at)| *side == p.side && (along - at).abs() <= reach);
            if is_met && (-INSIDE_BLURS..=OUTSIDE_BLURS).contains(&out) {
                unknown.entry(p.index / plane.width).or_default().push(p.index % plane.width);
            }
        });
    }
    if unknown.is_empty() {
        return None;
    }
    let mut saturated = plane.saturated.as_deref().cloned().unwrap_or_else(|| Saturated::nowhere(plane.height));
    for (y, columns) in unknown {
        let mut row: Vec<bool> = (0..plane.width).map(|x| !plane.is_known(y * plane.width + x)).collect();
        columns.into_iter().for_each(|x| row[x] = true);
        saturated.set_row(y, row.into_iter());
    }
    let mut cleared = plane.clone();
    cleared.saturated = Some(Arc::new(saturated));
    Some(cleared)
}

/// The pieces whose light is another's, within a ring about the outlines, in blurs.
fn intruded(plane: &Plane, seen: &[Seen], ring: &std::ops::RangeInclusive<f64>) -> Vec<Piece> {
    // Light over the step, by kind of side.
    let mut by_kind: BTreeMap<u32, Vec<(Piece, f64)>> = BTreeMap::new();
    for (i, of_one) in seen.iter().enumerate() {
        let blur_px = of_one.look.blur_px();
        let mut sums: BTreeMap<(usize, i64), [f64; 2]> = BTreeMap::new();
        let (inwards, outwards) = FURTHEST_PX;
        for_pixels(plane, of_one.print, inwards, outwards + ring.end() * blur_px, CORNER_BLURS * blur_px, |p| {
            let Some(edge) = of_one.look.edges[p.side] else { return };
            if ring.contains(&((p.distance - edge.at_px) / blur_px)) {
                let along = p.local[usize::from(p.side % 2 == 0)];
                let sum = sums.entry((p.side, (along / PIECE_PX).floor() as i64)).or_default();
                *sum = [sum[0] + 1.0, sum[1] + f64::from(plane.light[p.index])];
            }
        });
        let step = of_one.look.step().abs().max(1e-9);
        for ((side, n), sum) in sums {
            by_kind.entry(of_one.kinds[side]).or_default().push(((i, side, n), sum[1] / sum[0] / step));
        }
    }
    let mut of_outline: BTreeMap<usize, usize> = BTreeMap::new();
    by_kind.values().flatten().for_each(|((i, ..), _)| *of_outline.entry(*i).or_default() += 1);
    let mut found: Vec<Piece> = Vec::new();
    for pieces in by_kind.into_values() {
        let middle = upper_median(pieces.iter().map(|p| p.1)).unwrap_or(0.0);
        let scatter = 1.4826 * upper_median(pieces.iter().map(|p| (p.1 - middle).abs())).unwrap_or(0.0);
        let limit = OTHER_SHARE.max(OTHER_SCATTERS * scatter);
        let others: Vec<Piece> = pieces.iter().filter(|p| (p.1 - middle).abs() > limit).map(|p| p.0).collect();
        if (others.len() as f64) < MOST_SHARE * pieces.len() as f64 {
            found.extend(others);
        }
    }
    // Where most of an outline has other light, it is other ground.
    let mut met: BTreeMap<usize, usize> = BTreeMap::new();
    found.iter().for_each(|(i, ..)| *met.entry(*i).or_default() += 1);
    found.retain(|(i, ..)| (met[i] as f64) < MOST_OF_OUTLINE * of_outline[i] as f64);
    found
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::find::outline::Outline;
    use crate::find::outline_fit::fit;
    use crate::find::outline_look::Search;
    use crate::view::PointPx;
    use landfit_part::{Piece, PointMm};
    use nalgebra::Matrix2;
    use statrs::function::erf::erf;

    const WIDE: [Search; 4] = [Search { about_px: 0.0, reach_px: 2.5 }; 4];

    /// Five lands of 20 x 60 px in a row; into two of them a trace as bright as they are runs from below, through the opening.
    fn lands() -> (Plane, Vec<Print>) {
        let share = |x: f64| 0.5 * (1.0 + erf(x / (1.2 * std::f64::consts::SQRT_2)));
        let bar = |x: f64, half: f64| share(x + half) - share(x - half);
        let outline = Outline::of_pieces(&[Piece::rect(20.0, 60.0)], PointMm::ZERO);
        let print = |i: i32| Print {
            at: PointPx::new(30.0 + 40.2 * f64::from(i), 60.0 + 0.3 * f64::from(i)),
            axes: Matrix2::identity(),
            outline: outline.clone(),
        };
        let prints: Vec<Print> = (0..5).map(print).collect();
        let (width, height) = (220, 120);
        let light = (0..width * height).map(|i| {
            let (x, y) = ((i % width) as f64, (i / width) as f64);
            let metal = prints.iter().enumerate().map(|(n, p)| {
                let (x, y) = (x - p.at.x, y - p.at.y);
                let trace = if n % 2 == 1 { bar(x, 6.0) * (share(y - 30.0) - share(y - 32.5)) } else { 0.0 };
                bar(x, 10.0) * bar(y, 30.0) + trace
            });
            (0.1 + 0.2 * metal.sum::<f64>()) as f32
        });
        (Plane::of_light(width, height, light.collect()), prints)
    }

    #[test]
    fn a_trace_that_runs_into_a_land_does_not_move_it() {
        let (plane, prints) = lands();
        let look = GroupLook::learn(&plane, prints.iter(), Some(1.2), &WIDE).expect("edges");
        let seen: Vec<Seen> = prints.iter().map(|print| Seen { print, look: &look, kinds: [0, 1, 0, 1] }).collect();
        let cleared = without_intruders(&plane, &seen).expect("traces");
        let off = |plane: &Plane| {
            let look = GroupLook::learn(plane, prints.iter(), Some(1.2), &WIDE).expect("edges");
            prints.iter().map(|p| fit(plane, p, &look, 8.0).expect("a land").at.distance(p.at)).fold(0.0, f64::max)
        };
        assert!(off(&plane) > 0.5, "the traces pull: {}", off(&plane));
        assert!(off(&cleared) < 0.1, "{}", off(&cleared));
        let plain: Vec<Seen> = prints.iter().step_by(2).map(|print| Seen { print, look: &look, kinds: [0, 1, 0, 1] }).collect();
        assert!(without_intruders(&plane, &plain).is_none(), "lands without traces");
    }
}
