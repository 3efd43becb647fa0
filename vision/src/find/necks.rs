//! Where traces run into round lands: bare metal in the opening beside the land, which pulls the land's centre.
//!
//! On many boards all traces leave their lands the same way, so that no lattice tells the pull. A circle is laid through where the
//! light falls on most rays from the land's middle; the rays on which it falls further out run along a trace. What the trace covers
//! is then left out, as if it were saturated.

use super::look::Look;
use crate::directions::directions;
use crate::median::upper_median;
use crate::plane::{Plane, Saturated};
use crate::sites::{LARGEST_LAND, SMALLEST_LAND};
use crate::view::PointPx;
use nalgebra::{Matrix3, Vector3};
use std::collections::BTreeMap;
use std::f64::consts::TAU;
use std::sync::{Arc, LazyLock};

/// Rays from the middle of a land.
const RAYS: usize = 36;
/// A land ends where its light over the ground has fallen to this share of that in its middle: domes darken to half towards it.
const END_SHARE: f64 = 0.35;
/// No opening is wider than this many radii; a ray on which the light has not fallen there runs along metal.
const FARTHEST: f64 = 1.6;
/// Beside a land are so many of its radii, …
const BESIDE: [f64; 4] = [1.25, 1.32, 1.38, 1.45];
/// … and a ray on which the light there is brighter than on most by this share of the land's rise from its ground runs along a trace.
const STANDS_OUT: f64 = 0.1;
/// A trace is no wider than half its land; what more rays stand out on is an opening, paste, or the other side's light.
const MOST_BESIDE_RAYS: usize = 7;
/// Nor is light beside a land told from its own unless the way there is so many times as long as the edge is wide (a Gaussian's standard deviation).
const SHARP_EDGES: f64 = 2.0;
/// Ends that lie further out than the circle by this share of its radius, and by this, px, are those of a trace.
const BEYOND_SHARE: f64 = 0.12;
const BEYOND_PX: f64 = 1.0;
/// A trace is narrower than its land; more rays are an opening off its land, or a stain.
const MOST_RAYS: usize = 14;
/// So many rays about a sector are left out, too: what blur carries beyond it.
const MARGIN_RAYS: usize = 1;
/// A pull is worth a second look where the sectors' mean direction, each weighted with its share of the round, is longer than this.
/// Found on rendered lands: 0.05 pulls them by about a tenth of a pixel.
const WORTH_A_LOOK: f64 = 0.02;
/// At most so many lands tell whether it is worth it.
const MOST_ASKED: usize = 16;

/// A land and the rays that run along traces.
struct Necks {
    middle: PointPx,
    radius_px: f64,
    is_neck: [bool; RAYS],
}

/// The plane without the sectors in which traces run into the lands at `centres` (px of the plane); `None` where traces pull the lands
/// hardly, or not all the same way.
#[must_use]
pub fn without_necks(plane: &Plane, look: &Look, centres: &[PointPx]) -> Option<Plane> {
    let asked: Vec<PointPx> = centres.iter().copied().step_by(centres.len().div_ceil(MOST_ASKED).max(1)).collect();
    let (mut x, mut y) = (0.0, 0.0);
    for necks in asked.iter().filter_map(|at| Necks::about(plane, look, *at)) {
        for ray in (0..RAYS).filter(|&r| necks.is_neck[r]) {
            let (sin, cos) = DIRECTIONS[ray];
            (x, y) = (x + cos / RAYS as f64, y + sin / RAYS as f64);
        }
    }
    if f64::hypot(x, y) < WORTH_A_LOOK * asked.len() as f64 {
        return None;
    }
    let mut unknown: UnknownRows = BTreeMap::new();
    for necks in centres.iter().filter_map(|at| Necks::about(plane, look, *at)) {
        necks.leave_out(plane, look, &mut unknown);
    }
    let mut saturated = plane.saturated.as_deref().cloned().unwrap_or_else(|| Saturated::nowhere(plane.height));
    unknown.into_iter().for_each(|(y, row)| saturated.set_row(y, row.into_iter()));
    let mut without = plane.clone();
    without.saturated = Some(Arc::new(saturated));
    Some(without)
}

/// By row, which of its pixels tell nothing of the lands.
type UnknownRows = BTreeMap<usize, Vec<bool>>;

/// Sine and cosine of the rays' directions.
static DIRECTIONS: LazyLock<[(f64, f64); RAYS]> = LazyLock::new(|| directions(0.5));

impl Necks {
    /// `None` where no circle shows, or nothing runs into it.
    fn about(plane: &Plane, look: &Look, at: PointPx) -> Option<Self> {
        // Where traces taught the look, it may have taken a trace's end for the land's.
        let radius_px = look.outline_px.clamp(SMALLEST_LAND * look.radius_px, LARGEST_LAND * look.radius_px);
        let ground = {
            let mut ring: Vec<f64> = (0..RAYS).map(|ray| light(plane, at, ray, 1.4 * radius_px)).collect::<Option<_>>()?;
            ring.sort_by(f64::total_cmp);
            // Of dark lands metal is darker than the ground.
            if look.step > 0.0 { ring[RAYS / 3] } else { ring[RAYS - 1 - RAYS / 3] }
        };
        let inside = (0..RAYS).map(|ray| light(plane, at, ray, 0.35 * radius_px)).sum::<Option<f64>>()? / RAYS as f64;
        let level = ground + END_SHARE * (inside - ground);
        let ends: Vec<Option<f64>> = (0..RAYS).map(|ray| end_of_light(plane, at, ray, radius_px, level, inside > ground)).collect();
        let circle = circle_through(&ends, radius_px)?;
        let middle = PointPx::new(at.x + circle[0], at.y + circle[1]);
        let is_sharp = (BESIDE[0] - 1.0) * circle[2] > SHARP_EDGES * look.edge_px;
        let is_beside = is_sharp.then(|| traces_beside(plane, middle, circle[2], inside - ground)).flatten().unwrap_or([false; RAYS]);
        let beyond_px = BEYOND_PX.max(BEYOND_SHARE * circle[2]);
        let mut is_neck = [false; RAYS];
        for (ray, is_neck) in is_neck.iter_mut().enumerate() {
            *is_neck = is_beside[ray] || ends[ray].is_none_or(|end| off_circle(&circle, ray, end) > beyond_px);
        }
        let rays = is_neck.iter().filter(|n| **n).count();
        (2..=MOST_RAYS).contains(&rays).then_some(Self { middle, radius_px: circle[2], is_neck })
    }

    fn leave_out(&self, plane: &Plane, look: &Look, unknown: &mut UnknownRows) {
        let inner = self.radius_px - 3.0 * look.edge_px;
        let outer = Look::REACH * look.radius_px + 3.0;
        let is_near = |ray: usize| (0..=2 * MARGIN_RAYS).any(|i| self.is_neck[(ray + RAYS + i - MARGIN_RAYS) % RAYS]);
        let range = |centre: f64, size: usize| {
            let from = (centre - outer).floor().max(0.0) as usize;
            from..((centre + outer).ceil().max(-1.0) + 1.0).min(size as f64) as usize
        };
        for y in range(self.middle.y, plane.height) {
            for x in range(self.middle.x, plane.width) {
                let (dx, dy) = (x as f64 - self.middle.x, y as f64 - self.middle.y);
                let ray = ((dy.atan2(dx).rem_euclid(TAU) / TAU * RAYS as f64) as usize).min(RAYS - 1);
                if (inner..=outer).contains(&dx.hypot(dy)) && is_near(ray) {
                    let as_it_is = || (0..plane.width).map(|x| !plane.is_known(y * plane.width + x)).collect();
                    unknown.entry(y).or_insert_with(as_it_is)[x] = true;
                }
            }
        }
    }
}

/// Light on a ray at a distance from a place; `None` off the plane or where it is not known.
fn light(plane: &Plane, at: PointPx, ray: usize, distance: f64) -> Option<f64> {
    let (sin, cos) = DIRECTIONS[ray];
    plane.known_light_at(at.x + distance * cos, at.y + distance * sin)
}

/// Rays on which light stands out beyond the edge of a land that rises by `rise` above its ground: under a mask a trace is hardly brighter than
/// that. `None` where they are too many for traces.
fn traces_beside(plane: &Plane, middle: PointPx, radius_px: f64, rise: f64) -> Option<[bool; RAYS]> {
    let mean = |ray: usize| {
        let sum: Option<f64> = BESIDE.iter().map(|share| light(plane, middle, ray, share * radius_px)).sum();
        Some(sum? / BESIDE.len() as f64)
    };
    let beside: Vec<f64> = (0..RAYS).map(mean).collect::<Option<_>>()?;
    let usual = upper_median(beside.iter().copied())?;
    let stands_out: [bool; RAYS] = std::array::from_fn(|ray| (beside[ray] - usual) / rise > STANDS_OUT);
    (stands_out.iter().filter(|s| **s).count() <= MOST_BESIDE_RAYS).then_some(stands_out)
}

/// How far out the light of a ray falls to a level; `None` where it does not before the farthest.
fn end_of_light(plane: &Plane, at: PointPx, ray: usize, radius_px: f64, level: f64, is_bright: bool) -> Option<f64> {
    const STEP_PX: f64 = 0.5;
    let sign = if is_bright { 1.0 } else { -1.0 };
    let (mut before, mut distance) = (f64::INFINITY, 0.5 * radius_px);
    while distance < FARTHEST * radius_px {
        let over = sign * (light(plane, at, ray, distance)? - level);
        if over <= 0.0 {
            let part = if before.is_finite() { before / (before - over) } else { 1.0 };
            return Some(distance - STEP_PX * (1.0 - part));
        }
        (before, distance) = (over, distance + STEP_PX);
    }
    None
}

/// How far a ray's end lies outside of a circle (x, y, radius).
fn off_circle(circle: &Vector3<f64>, ray: usize, end: f64) -> f64 {
    let (sin, cos) = DIRECTIONS[ray];
    (end * cos - circle[0]).hypot(end * sin - circle[1]) - circle[2]
}

/// The circle (x, y, radius) through most of the ends, from the place that the rays start at; `None` where half of them have none.
fn circle_through(ends: &[Option<f64>], radius_px: f64) -> Option<Vector3<f64>> {
    if 2 * ends.iter().flatten().count() < RAYS {
        return None;
    }
    let mut circle = Vector3::new(0.0, 0.0, radius_px);
    for step in 0..16 {
        let (mut normal, mut right) = (Matrix3::<f64>::zeros(), Vector3::<f64>::zeros());
        for (ray, end) in ends.iter().enumerate() {
            let Some(end) = end else { continue };
            let off = off_circle(&circle, ray, *end);
            let (sin, cos) = DIRECTIONS[ray];
            let row = Vector3::new(cos, sin, 1.0);
            // Least absolute misses at first, then ever less weight for what strays.
            let weight = if step < 8 { 1.0 / off.abs().max(0.2) } else { 1.0 / (1.0 + (off / 0.4).powi(2)) };
            normal += row * row.transpose() * weight;
            right += row * (off * weight);
        }
        circle += normal.try_inverse()? * right;
    }
    (circle.xy().norm() < 0.6 * radius_px && (0.6..1.5).contains(&(circle[2] / radius_px))).then_some(circle)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::find::look::Teacher;

    /// A disc of 9 px in an opening, with a bar of 8 px that runs 6 px out of it, up and to the right.
    fn land(has_trace: bool) -> Plane {
        let size = 80;
        let soft = |d: f64| 0.5 * (1.0 - statrs::function::erf::erf(d / 1.7));
        let light = (0..size * size)
            .map(|i| {
                let (x, y) = ((i % size) as f64 - 40.0, (i / size) as f64 - 40.0);
                let (along, across) = ((x - y) / 2.0_f64.sqrt(), (x + y) / 2.0_f64.sqrt());
                let bar = soft(across.abs() - 4.0) * soft(along - 15.0) * soft(-along);
                let disc = soft(x.hypot(y) - 9.0);
                (0.1 + 0.5 * if has_trace { disc.max(0.9 * bar) } else { disc }) as f32
            })
            .collect();
        Plane::of_light(size, size, light)
    }

    #[test]
    fn a_trace_is_left_out_from_wherever_it_pulled_the_land_to() {
        for (dx, dy) in [(0.0, 0.0), (2.0, -2.0), (-1.5, -2.0)] {
            let plane = land(true);
            let at = PointPx::new(40.0 + dx, 40.0 + dy);
            let look = Look::learn(&land(false), &[Teacher::from(PointPx::new(40.0, 40.0))], 9.0).expect("an outline");
            let necks = Necks::about(&plane, &look, at).expect("a trace");
            assert!(necks.middle.distance(PointPx::new(40.0, 40.0)) < 0.3, "{:?} from {at:?}", necks.middle);
            let without = without_necks(&plane, &look, &[at]).expect("a pull");
            let known = |x: usize, y: usize| without.is_known(y * without.width + x);
            assert!(!known(49, 31) && !known(47, 33) && known(31, 49) && known(31, 31) && known(40, 40));
        }
    }

    #[test]
    fn a_land_without_a_trace_stays_whole() {
        let plane = land(false);
        let look = Look::learn(&plane, &[Teacher::from(PointPx::new(40.0, 40.0))], 9.0).expect("an outline");
        assert!(without_necks(&plane, &look, &[PointPx::new(40.6, 39.5)]).is_none());
    }
}
