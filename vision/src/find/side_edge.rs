//! The light about one side of a shape as a function of the distance from its designed outline, and where the edge in it lies.

use nalgebra::{SMatrix, SVector};
use statrs::function::erf::erf;

/// The band about an edge, in blurs: what lies further outside may be another edge, of a mask opening say.
const BAND_OUT_BLURS: f64 = 1.8;
const BAND_IN_BLURS: f64 = 5.0;
/// The same where the ground goes on: further out its light differs by less than this share of the step.
const FREE_BAND_BLURS: f64 = 3.0;
const FREE_GROUND_SHARE: f64 = 0.03;

/// The light about one side of a shape: outside, and from the edge inwards `step + slope t + bend t²`, t = at - distance, all seen
/// through a Gaussian blur. A face that falls towards its edges like a dome's does so over its whole width: without the bend a low
/// step would be looked for further in.
#[derive(Debug, Clone, Copy)]
pub struct SideEdge {
    /// Light outside.
    pub outside: f64,
    /// Step of light from outside to inside, at the edge.
    pub step: f64,
    /// How the light rises further inside, per px.
    pub slope: f64,
    /// How that slope changes further inside: twice of it per px.
    pub bend: f64,
    /// Whether the light shows a bend.
    pub is_bent: bool,
    /// Where the edge is: px outside of the designed outline.
    pub at_px: f64,
    /// Its blur, a Gaussian's standard deviation, px.
    pub blur_px: f64,
    /// Standard uncertainty of `at_px`.
    pub at_u_px: f64,
    /// Pixels it was learned from.
    pub pixels: f64,
    /// How far outside of the edge the light is still that of the ground, in blurs.
    pub band_out_blurs: f64,
}

/// Mean light at distances from the outline.
#[derive(Debug, Clone, Default)]
pub(super) struct SideProfile {
    pub distance: Vec<f64>,
    pub light: Vec<f64>,
    pub weight: Vec<f64>,
}

pub(super) fn normal_density(x: f64) -> f64 {
    (-0.5 * x * x).exp() / std::f64::consts::TAU.sqrt()
}

pub(super) fn normal_share(x: f64) -> f64 {
    0.5 * (1.0 + erf(x / std::f64::consts::SQRT_2))
}

/// Shares of the slope that it may change by within a band: of a straight face none, of a bent one half.
const STRAIGHT: f64 = 1e-4;
const BENT: f64 = 0.5;
/// Steps of a profile that an edge shows on. A sharp edge along the picture's rows shows on one of each px: as many as it has unknowns
/// that nothing steadies, and two more.
const LEAST_BINS: f64 = 5.0;
/// A bend of more than so many of its uncertainties shows.
const CLEAR_BEND: f64 = 4.0;

impl SideEdge {
    /// Light at a distance from the designed outline.
    pub(super) fn light(&self, distance: f64) -> f64 {
        let t = self.at_px - distance;
        let z = t / self.blur_px;
        let (share, density) = (normal_share(z), normal_density(z));
        self.outside
            + (self.step + self.slope * t + self.bend * (t * t + self.blur_px * self.blur_px)) * share
            + (self.slope + self.bend * t) * self.blur_px * density
    }

    /// How the blurred face alone rises inwards at a distance, per px, without its step.
    pub(super) fn rise(&self, t: f64) -> f64 {
        let z = t / self.blur_px;
        (self.slope + 2.0 * self.bend * t) * normal_share(z) + 2.0 * self.bend * self.blur_px * normal_density(z)
    }

    /// How the light at a distance grows when the edge moves outwards, per px.
    pub(super) fn when_moved(&self, distance: f64) -> f64 {
        let t = self.at_px - distance;
        self.rise(t) + self.step * normal_density(t / self.blur_px) / self.blur_px
    }

    /// How steeply the light rises at the edge, per px.
    pub(super) fn steepness(&self) -> f64 {
        (self.step.abs() * normal_density(0.0) / self.blur_px).max(1e-9)
    }

    pub(super) fn holds(&self, distance: f64) -> bool {
        let t = self.at_px - distance;
        t >= -self.band_out_px() && t <= self.band_in_px()
    }

    /// How far inside of the edge its light is looked at, px.
    pub(super) fn band_in_px(&self) -> f64 {
        (BAND_IN_BLURS * self.blur_px).max(3.0)
    }

    pub(super) fn band_out_px(&self) -> f64 {
        (self.band_out_blurs * self.blur_px).max(1.8)
    }

    /// With a wider band where nothing follows outside of the edge.
    fn with_free_ground(self, profile: &SideProfile) -> Self {
        let (mut weight, mut sum) = (0.0, 0.0);
        for ((d, l), n) in profile.distance.iter().zip(&profile.light).zip(&profile.weight) {
            if (BAND_OUT_BLURS..FREE_BAND_BLURS + 0.5).contains(&((d - self.at_px) / self.blur_px)) {
                weight += n;
                sum += n * (l - self.light(*d));
            }
        }
        let is_free = weight > 0.0 && (sum / weight).abs() < FREE_GROUND_SHARE * self.step.abs();
        Self { band_out_blurs: if is_free { FREE_BAND_BLURS } else { BAND_OUT_BLURS }, ..self }
    }

    /// Fits the edge to a profile, from the best of several starts: the highest step, of a sign (1 brighter inside, -1 darker,
    /// 0 either), within `reach_px` about `about_px`. `blur_px` steadies the blur where few pixels tell it. The edge of a straight face,
    /// and that of a bent one where the light shows a bend.
    pub(super) fn fit(profile: &SideProfile, blur_px: f64, about_px: f64, reach_px: f64, sign: f64) -> Option<(Self, Option<Self>)> {
        if profile.distance.len() < 8 {
            return None;
        }
        let start = (-12..=12)
            .map(|i| about_px + f64::from(i) / 12.0 * reach_px)
            .filter_map(|at_px| {
                let edge = Self {
                    outside: 0.0,
                    step: 0.0,
                    slope: 0.0,
                    bend: 0.0,
                    is_bent: false,
                    at_px,
                    blur_px,
                    at_u_px: 0.0,
                    pixels: 0.0,
                    band_out_blurs: BAND_OUT_BLURS,
                };
                edge.with_levels(profile)
            })
            .filter(|edge| edge.step * sign >= 0.0)
            .max_by(|a, b| a.step.abs().total_cmp(&b.step.abs()))?;
        // A bend that the light does not show would only make the place uncertain.
        let settled = |bend_share: f64| -> Option<(Self, f64)> {
            let (mut edge, mut bend_u) = (start, f64::INFINITY);
            for _ in 0..12 {
                let moved;
                (edge, moved, bend_u) = edge.stepped(profile, blur_px, (about_px, reach_px), bend_share)?;
                if moved < 1e-4 {
                    break;
                }
            }
            Some((edge, bend_u))
        };
        let straight = settled(STRAIGHT)?.0;
        let bent = settled(BENT).filter(|(edge, u)| edge.bend.abs() > CLEAR_BEND * u).map(|b| b.0);
        Some((straight.with_free_ground(profile), bent.map(|edge| Self { is_bent: true, ..edge.with_free_ground(profile) })))
    }

    /// Light levels on both sides of a given place, from plain means.
    fn with_levels(self, profile: &SideProfile) -> Option<Self> {
        let mean = |from: f64, to: f64| {
            let (mut w, mut s) = (0.0, 0.0);
            for ((d, l), n) in profile.distance.iter().zip(&profile.light).zip(&profile.weight) {
                if (from..to).contains(&(d - self.at_px)) {
                    w += n;
                    s += n * l;
                }
            }
            (w > 0.0).then(|| s / w)
        };
        let b = self.blur_px;
        let (outside, inside) = (mean(1.0 * b, 2.5 * b)?, mean(-2.5 * b, -b)?);
        Some(Self { outside, step: inside - outside, ..self })
    }

    /// One Gauss-Newton step over outside, step, slope, place, blur and bend; also how far the place moved, and the standard
    /// uncertainty of the bend. `bend_share`: how far the slope may change within a band, as a share of what it may be.
    fn stepped(
        &self,
        profile: &SideProfile,
        first_blur_px: f64,
        (about_px, reach_px): (f64, f64),
        bend_share: f64,
    ) -> Option<(Self, f64, f64)> {
        let mut normal = SMatrix::<f64, 6, 6>::zeros();
        let mut right = SVector::<f64, 6>::zeros();
        let (mut left, mut pixels, mut bins) = (0.0, 0.0, 0.0);
        for ((&d, &l), &n) in profile.distance.iter().zip(&profile.light).zip(&profile.weight) {
            if !self.holds(d) {
                continue;
            }
            let t = self.at_px - d;
            let z = t / self.blur_px;
            let (share, density) = (normal_share(z), normal_density(z));
            let slopes = SVector::<f64, 6>::from([
                1.0,
                share,
                t * share + self.blur_px * density,
                self.rise(t) + self.step * density / self.blur_px,
                density * (self.slope - self.step * t / (self.blur_px * self.blur_px)) + 2.0 * self.bend * self.blur_px * share,
                (t * t + self.blur_px * self.blur_px) * share + t * self.blur_px * density,
            ]);
            let miss = l - self.light(d);
            normal += slopes * slopes.transpose() * n;
            right += slopes * (miss * n);
            left += n * miss * miss;
            pixels += n;
            bins += 1.0;
        }
        if bins < LEAST_BINS {
            return None;
        }
        let variance = (left / (bins - 6.0_f64).max(1.0)).max(1e-14);
        // Weak knowledge keeps few pixels from running away: blur within a quarter, slope within a fifth of the step over a half
        // band.
        let blur_weight = variance / (0.25 * first_blur_px).powi(2);
        let slope_sd = 0.2 * self.step.abs().max(1e-6) / (2.0 * first_blur_px);
        let slope_weight = variance / slope_sd.powi(2);
        normal[(4, 4)] += blur_weight;
        right[4] += blur_weight * (first_blur_px - self.blur_px);
        normal[(2, 2)] += slope_weight;
        right[2] -= slope_weight * self.slope;
        let bend_weight = variance / (bend_share * slope_sd / (2.0 * first_blur_px)).powi(2);
        normal[(5, 5)] += bend_weight;
        right[5] -= bend_weight * self.bend;
        let inverse = normal.try_inverse()?;
        let by = inverse * right;
        if by.iter().any(|v| !v.is_finite()) {
            return None;
        }
        let moved = by[3].clamp(-1.0, 1.0);
        let at_px = (self.at_px + moved).clamp(about_px - reach_px - 1.0, about_px + reach_px + 1.0);
        let edge = Self {
            outside: self.outside + by[0],
            step: self.step + by[1],
            slope: self.slope + by[2],
            bend: self.bend + by[5],
            is_bent: self.is_bent,
            at_px,
            blur_px: (self.blur_px + by[4].clamp(-0.4, 0.4)).clamp(0.3, 12.0),
            at_u_px: (inverse[(3, 3)] * variance).max(0.0).sqrt(),
            pixels,
            band_out_blurs: self.band_out_blurs,
        };
        Some((edge, (at_px - self.at_px).abs(), (inverse[(5, 5)] * variance).max(0.0).sqrt()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const BLUR: f64 = 1.2;

    #[test]
    fn the_light_of_an_edge_is_its_bent_face_seen_through_the_blur() {
        let edge = SideEdge {
            outside: 0.12,
            step: 0.2,
            slope: 0.03,
            bend: -0.004,
            is_bent: true,
            at_px: 0.4,
            blur_px: BLUR,
            at_u_px: 0.0,
            pixels: 0.0,
            band_out_blurs: BAND_OUT_BLURS,
        };
        let face = |t: f64| if t > 0.0 { edge.step + edge.slope * t + edge.bend * t * t } else { 0.0 };
        let blurred = |d: f64| {
            let steps = (-8000..8000).map(|i| (f64::from(i) + 0.5) * 0.001);
            edge.outside + steps.map(|x| face(edge.at_px - d + x) * normal_density(x / BLUR) / BLUR * 0.001).sum::<f64>()
        };
        for distance in [-5.0, -2.0, -0.3, 0.4, 1.0, 2.5] {
            assert!((edge.light(distance) - blurred(distance)).abs() < 1e-6, "at {distance}");
            let moved = |by: f64| SideEdge { at_px: edge.at_px + by, ..edge }.light(distance);
            assert!((edge.when_moved(distance) - (moved(1e-4) - moved(-1e-4)) / 2e-4).abs() < 1e-6, "moved at {distance}");
        }
    }
}
