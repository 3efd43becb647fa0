//! Where lands lie that are left bare on one side only: by that side of their rims.
//!
//! What lies on lands covers the other side and may run over it. The bare side's rim is the land's own: a circle through it, of a radius
//! near the designed one, has its middle where the land has.

use super::centre::Centre;
use super::look::Look;
use super::roundness::usual_light;
use crate::plane::Plane;
use nalgebra::{Matrix3, Vector3};
use std::f64::consts::TAU;

/// Directions round a land.
const WAYS: usize = 48;
/// Steps along one, px.
const STEP_PX: f64 = 0.5;
/// Where the rim is looked for, as shares of the designed radius.
const REACH: [f64; 2] = [0.75, 1.3];
/// Lands that are looked at, spread over those that are as usual.
const LANDS: usize = 48;
/// Cosine of the angle from the bare side's middle up to which the rim counts: 70 degrees.
const LEAST_COSINE: f64 = 0.34;
/// The rim of at least so many directions makes a circle.
const LEAST_WAYS: usize = WAYS / 4;
/// Standard deviation of where a direction's rim shows, px.
const RIM_NOISE_PX: f64 = 0.15;
/// Rims further off than this many of those are none.
const GATE: f64 = 4.0;
/// Standard deviation of lands' radii about the designed one, as a share of it.
const RADIUS_SHARE: f64 = 0.03;
/// The rim is looked for about the lands' supposed middles, and once more about those that it tells.
const ROUNDS: usize = 2;
/// Standard uncertainty of the middle along each axis: a share of the radius, and px for each squared px of the edge's width over the radius
/// in px. Found on 80 rendered boards with paste: off by 0.29 px RMS, the softer the rim the more.
const SHARE_OF_RADIUS: f64 = 0.010;
const OF_SOFT_EDGE: f64 = 1.4;

/// The circle through the bare side of the usual land's rim.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BareRim {
    /// From where the lands seem to be to its middle, px.
    pub off_px: [f64; 2],
    /// Standard uncertainty of that along each axis, px.
    pub doubt_px: f64,
    /// Its radius over the designed one.
    pub size_ratio: f64,
}

/// A circle: middle, px from where the lands seem to be, and radius, px.
type Circle = ([f64; 2], f64);
/// Where the rim shows in a direction from a middle: cosine, sine, distance in px.
type Rim = ([f64; 2], f64);

impl BareRim {
    /// The circle through the side of the rims that lies `towards` a direction (of any length) from the lands' supposed middles. `None`
    /// where no rim shows there, or none that is a part of a circle about as large as the land.
    #[must_use]
    pub fn on(plane: &Plane, look: &Look, centres: &[&Centre], towards: [f64; 2]) -> Option<Self> {
        let (mut off_px, mut size_ratio) = ([0.0; 2], 1.0);
        for _ in 0..ROUNDS {
            let rims = rims(plane, look, centres, off_px, towards);
            let ([x, y], radius_px) = circle(&rims, look.radius_px)?;
            off_px = [off_px[0] + x, off_px[1] + y];
            size_ratio = radius_px / look.radius_px;
        }
        let doubt_px = (SHARE_OF_RADIUS * look.radius_px).hypot(OF_SOFT_EDGE * look.edge_px.powi(2) / look.radius_px);
        (off_px[0].hypot(off_px[1]) < (REACH[1] - 1.0) * look.radius_px).then_some(Self { off_px, doubt_px, size_ratio })
    }
}

/// Where the usual land's rim shows on one side.
fn rims(plane: &Plane, look: &Look, centres: &[&Centre], off_px: [f64; 2], towards: [f64; 2]) -> Vec<Rim> {
    let chosen: Vec<&&Centre> = centres.iter().step_by(centres.len().div_ceil(LANDS).max(1)).collect();
    let nearest_px = REACH[0] * look.radius_px;
    let steps = ((REACH[1] - REACH[0]) * look.radius_px / STEP_PX) as usize + 1;
    let size = towards[0].hypot(towards[1]);
    let mut rims = Vec::new();
    for way in 0..WAYS {
        let (sin, cos) = (TAU * way as f64 / WAYS as f64).sin_cos();
        if (cos * towards[0] + sin * towards[1]) / size < LEAST_COSINE {
            continue;
        }
        let light = |step: usize| {
            let r = nearest_px + step as f64 * STEP_PX;
            usual_light(plane, &chosen, [off_px[0] + r * cos, off_px[1] + r * sin])
        };
        let lights: Option<Vec<f64>> = (0..steps).map(light).collect();
        rims.extend(lights.and_then(|lights| steepest_fall(&lights)).map(|step| ([cos, sin], nearest_px + step * STEP_PX)));
    }
    rims
}

/// Where light falls the fastest, in steps; `None` where it does at an end.
fn steepest_fall(lights: &[f64]) -> Option<f64> {
    let fall: Vec<f64> = lights.windows(3).map(|l| l[0] - l[2]).collect();
    let (at, _) = fall.iter().enumerate().max_by(|a, b| a.1.total_cmp(b.1))?;
    if at == 0 || at + 1 == fall.len() {
        return None;
    }
    let (before, here, after) = (fall[at - 1], fall[at], fall[at + 1]);
    let bend = before - 2.0 * here + after;
    (bend < 0.0).then(|| at as f64 + 1.0 + 0.5 * (before - after) / bend)
}

/// The circle through most of the rims, by least squares with the radius known to a few percent; `None` of too few.
fn circle(rims: &[Rim], radius_px: f64) -> Option<Circle> {
    let mut kept: Vec<Rim> = rims.to_vec();
    let mut circle = Vector3::zeros();
    for _ in 0..4 {
        if kept.len() < LEAST_WAYS || 2 * kept.len() < rims.len() {
            return None;
        }
        let known = (RADIUS_SHARE * radius_px).powi(-2);
        let mut normal = Matrix3::from_diagonal(&Vector3::new(0.0, 0.0, known));
        let mut right = Vector3::new(0.0, 0.0, known * radius_px);
        for ([cos, sin], distance_px) in &kept {
            let row = Vector3::new(*cos, *sin, 1.0) / RIM_NOISE_PX;
            normal += row * row.transpose();
            right += row * (*distance_px / RIM_NOISE_PX);
        }
        circle = normal.cholesky()?.solve(&right);
        let is_on =
            |([cos, sin], distance_px): &&Rim| (distance_px - circle.dot(&Vector3::new(*cos, *sin, 1.0))).abs() < GATE * RIM_NOISE_PX;
        kept = rims.iter().filter(is_on).copied().collect();
    }
    Some(([circle[0], circle[1]], circle[2]))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::find::drawn_lands::{RADIUS_PX, measured, share};

    /// The rim of lands with discs of `paste_light` over them that are off along x, and from where they seem to be to where they are, px.
    fn seen(paste_off_px: f64, paste_light: f64, towards: [f64; 2]) -> Option<([f64; 2], BareRim)> {
        let lands = measured(|x, y| {
            let of_land = 0.1 + 0.6 * share(x.hypot(y), RADIUS_PX);
            of_land + (paste_light - of_land) * share((x - paste_off_px).hypot(y), 0.9 * RADIUS_PX)
        });
        Some((lands.off_px(), BareRim::on(&lands.plane, &lands.look, &lands.centres(), towards)?))
    }

    #[test]
    fn the_bare_side_tells_how_far_what_lies_on_the_other_pulls() {
        for paste_off_px in [2.5, 4.0] {
            let ([x, y], rim) = seen(paste_off_px, 0.4, [-1.0, 0.0]).unwrap();
            assert!(x < -0.1, "paste pulls: {x}");
            assert!((rim.off_px[0] - x).hypot(rim.off_px[1] - y) < 0.15, "{paste_off_px}: {x} {y} {rim:?}");
            assert!((rim.size_ratio - 1.0).abs() < 0.03, "{rim:?}");
        }
    }

    #[test]
    fn the_covered_side_tells_of_another_disc() {
        let ([x, _], rim) = seen(4.0, 0.65, [1.0, 0.0]).unwrap();
        assert!(rim.off_px[0] - x > 2.0, "{x} {rim:?}");
        assert!(rim.size_ratio < 0.97, "{rim:?}");
    }

    #[test]
    fn no_rim_is_told_where_light_rises_outwards() {
        let lights: Vec<f64> = (0..12).map(f64::from).collect();
        assert_eq!(steepest_fall(&lights), None);
        assert_eq!(circle(&[], RADIUS_PX), None);
    }
}
