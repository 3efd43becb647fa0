//! Measures one feature's centre to a small part of a pixel, with its covariance.
//!
//! In the band of pixels about the learned outline the light is modelled as
//!
//! ```text
//!   level outside, with a first harmonic in the angle φ
//! + gain(φ) · look(r), with a first and a second harmonic
//! + a radial slope inside, with a first harmonic
//! - gain · look'(r) · (δx cos φ + δy sin φ + r · growth)
//! ```
//!
//! A ring light that is brighter on one side, the highlight of a tin dome that sits off centre, a mask opening that is off its
//! land: they change the light on either side of the outline, not the place of the outline. They fall into the harmonics and
//! not into δ. The model is linear, so δ, growth and their covariance come from one least-squares solution, repeated about
//! the new place until the place stays. This is Gauss-Newton for the maximum-likelihood centre under white noise; its
//! covariance is the Cramér–Rao bound of this model.
//! Fewer unknowns are taken where the look bears fewer ([`super::look::Unknowns`]), and for rings the light of their dark middle if it is asked for.
//! The designs depend on the centre's place within a pixel only, so they are made once for each of 3 x 3 such places.

mod design;
mod products;
mod sectors;

pub use sectors::{SECTORS, WithoutSectors};

use super::look::Look;
use crate::plane::Plane;
use crate::view::PointPx;
use design::{Design, GAIN, Phase, SHIFT_X, SHIFT_Y, Solution};
use nalgebra::Matrix2;

/// A measured centre.
#[derive(Debug, Clone, Copy)]
pub struct Centre {
    /// Where it is, px of the plane.
    pub at: PointPx,
    /// Covariance, px², from the noise that the fit left over.
    pub covariance_px2: Matrix2<f64>,
    /// Brightness against the look learned from all features; about 1, near 0 where nothing is.
    pub gain: f64,
    /// Standard uncertainty of the gain.
    pub gain_u: f64,
    /// Radius over the learned radius; trustworthy near 1.
    pub size_ratio: f64,
    /// Share of the light's variation in the band that the model explains, 0 to 1.
    pub explained: f64,
    /// Standard deviation of what is left over, light.
    pub left_over: f64,
    /// What light that slopes inside the outline pulls an edge of the optics' blur, px along x and y, if it is not corrected: the
    /// model does, but with a blur that it can only guess. The same way for all features of a picture as a rule, so that it
    /// does not average out.
    pub slope_pull_px: [f64; 2],
    /// The same of light outside that is brighter on one side: what it would pull an edge that is located at a level.
    pub outside_pull_px: [f64; 2],
    /// Relative slope of the feature's light at its outline, per px along x and y.
    pub lean: [f64; 2],
    /// How much brighter one side of a ring's dark middle is than its mean, over the ring's step of light, along x and y; 0 where it was not
    /// asked for.
    pub middle: [f64; 2],
    /// How much steeper light rises towards one side inside the outline than at it, over a radius and the outline's step of light, along x and y; 0
    /// where nothing tells.
    pub inside: [f64; 2],
}

/// Places within a pixel, along each axis, for which a design is kept. A step no longer than `LINEAR_WITHIN` of their distance
/// needs no other. What the linear model leaves out, a step cubed over twelve squared blurs, is then 0.001 px at 1 px of blur.
const PHASES: usize = 3;
/// As few do for teachers: what is left out, 0.004 px, goes every way and averages out over them.
const TEACHING_PHASES: usize = 2;
/// The nearest of the places is within √½ of their distance.
const LINEAR_WITHIN: f64 = 0.8;
/// In noise the last steps go to and fro about the answer; further than this they wander.
const NOISE_STEP_PX: f64 = 0.4;
/// A fit that has not come to rest after so many steps is not a centre.
const MOST_STEPS: usize = 8;
/// Below this radius there are too few pixels to tell all unknowns from a shift.
pub const LEAST_RADIUS_FOR_ALL_UNKNOWNS_PX: f64 = 5.0;

/// Measures centres of features that share one look in one plane.
#[derive(Debug)]
pub struct CentreFinder<'a> {
    plane: &'a Plane,
    look: &'a Look,
    /// Relative slope of the features' light that is usual in this plane, per px along x and y.
    lean: [f64; 2],
    /// Places within a pixel, along each axis.
    phases: usize,
    designs: Vec<Option<Design>>,
    patch: Vec<f32>,
}

impl<'a> CentreFinder<'a> {
    /// A finder for one plane and one look; `lean` is the usual relative slope of the features' light, per px along x and y
    /// (0 where it is not known yet): where the light leans, a feature that is larger or moved changes it more on one side.
    #[must_use]
    pub fn new(plane: &'a Plane, look: &'a Look, lean: [f64; 2]) -> Self {
        Self::with_phases(plane, look, lean, PHASES)
    }

    /// A quicker finder that is right on the mean of many features, to 0.004 px on each.
    #[must_use]
    pub fn for_teachers(plane: &'a Plane, look: &'a Look, lean: [f64; 2]) -> Self {
        Self::with_phases(plane, look, lean, TEACHING_PHASES)
    }

    fn with_phases(plane: &'a Plane, look: &'a Look, lean: [f64; 2], phases: usize) -> Self {
        Self { plane, look, lean, phases, designs: (0..phases * phases).map(|_| None).collect(), patch: Vec::new() }
    }

    /// The centre nearest to `start` (px of the plane), or `None` when the fit does not come to rest within half a radius of
    /// it, when too much of the band lies outside the plane or is saturated, or when nothing stands there.
    pub fn measure(&mut self, start: PointPx) -> Option<Centre> {
        let most_shift_px = 0.5 * self.look.radius_px;
        let mut at = start;
        for step_number in 1..=MOST_STEPS {
            let phase = Phase::of(at, self.phases)?;
            let solution = self.solve(&phase)?;
            let gain = solution.unknowns[GAIN];
            if !gain.is_finite() || gain.abs() < 1e-6 {
                return None;
            }
            let limit = 0.3 * self.look.radius_px;
            let step = |i: usize| (solution.unknowns[i] / gain).clamp(-limit, limit);
            let next = PointPx::new(phase.centre.x + step(SHIFT_X), phase.centre.y + step(SHIFT_Y));
            if next.distance(start) > most_shift_px {
                return None;
            }
            // Within this the model is linear: the same answer comes from either of two neighbouring places.
            let at_rest = next.distance(phase.centre) < LINEAR_WITHIN / self.phases as f64;
            let moved_px = next.distance(at);
            at = next;
            if at_rest || (step_number == MOST_STEPS && moved_px < NOISE_STEP_PX) {
                return Some(solution.centre(at, gain, self.look));
            }
        }
        None
    }

    /// Brightness and fit at exactly `at`, without moving to a better place: what stands there, if anything. The place is not
    /// a measured one.
    pub fn probe(&mut self, at: PointPx) -> Option<Centre> {
        let phase = Phase::of(at, self.phases)?;
        let solution = self.solve(&phase)?;
        let gain = solution.unknowns[GAIN];
        gain.is_finite().then(|| solution.centre(at, gain, self.look))
    }

    fn solve(&mut self, phase: &Phase) -> Option<Solution> {
        let slot = &mut self.designs[phase.index];
        let design = slot.get_or_insert_with(|| Design::about(self.look, self.lean, phase));
        design.solve(self.plane, phase, &mut self.patch)
    }
}

#[cfg(test)]
mod tests {
    use super::super::look::Teacher;
    use super::*;
    use crate::plane::Saturated;
    use statrs::function::erf::erf;
    use std::sync::Arc;

    const BLUR: f64 = 1.1;

    fn disc(r: f64, radius: f64) -> f64 {
        0.5 * (1.0 - erf((r - radius) / (BLUR * 2.0_f64.sqrt())))
    }

    fn disc_slope(r: f64, radius: f64) -> f64 {
        -(-(r - radius).powi(2) / (2.0 * BLUR * BLUR)).exp() / (BLUR * std::f64::consts::TAU.sqrt())
    }

    /// Discs of radius 9 px whose brightness falls from one side to the other by `unevenness` of the mean at the rim; blurred
    /// after that, as optics do: blur[x f] = x blur[f] + σ² d blur[f]/dx.
    fn plane(centres: &[PointPx], unevenness: f64) -> Plane {
        let (width, height) = (200, 100);
        let slope = unevenness / 9.0;
        let light = (0..width * height)
            .map(|i| {
                let (x, y) = ((i % width) as f64, (i / width) as f64);
                let sum: f64 = centres
                    .iter()
                    .map(|c| {
                        let (dx, dy) = (x - c.x, y - c.y);
                        let r = dx.hypot(dy);
                        let along = dx * 0.6 + dy * 0.8;
                        0.4 * (disc(r, 9.0) * (1.0 + slope * along) + BLUR * BLUR * slope * disc_slope(r, 9.0) * along / r.max(1e-9))
                    })
                    .sum();
                (0.1 + sum) as f32
            })
            .collect();
        Plane::of_light(width, height, light)
    }

    fn teachers(centres: &[PointPx]) -> Vec<Teacher> {
        centres.iter().copied().map(Teacher::from).collect()
    }

    fn centres() -> Vec<PointPx> {
        (0..8)
            .map(|i| {
                PointPx::new(25.0 + 40.0 * f64::from(i % 4) + 0.13 * f64::from(i), 27.0 + 45.0 * f64::from(i / 4) + 0.37 * f64::from(i))
            })
            .collect()
    }

    /// Mean of the misses over all features, and the largest, px.
    fn misses(unevenness: f64, start: (f64, f64)) -> (f64, f64) {
        let truth = centres();
        let plane = plane(&truth, unevenness);
        let look = Look::learn(&plane, &teachers(&truth), 9.0).expect("edge");
        let mut finder = CentreFinder::new(&plane, &look, [0.0; 2]);
        let (mut sum, mut worst) = ((0.0, 0.0), 0.0_f64);
        for t in &truth {
            let found = finder.measure(PointPx::new(t.x + start.0, t.y + start.1)).expect("a disc");
            sum = (sum.0 + found.at.x - t.x, sum.1 + found.at.y - t.y);
            worst = worst.max(found.at.distance(*t));
        }
        let n = truth.len() as f64;
        ((sum.0 / n).hypot(sum.1 / n), worst)
    }

    #[test]
    fn centres_are_right_at_every_place_within_a_pixel() {
        let (mean, worst) = misses(0.0, (0.8, -0.6));
        assert!(mean < 0.005 && worst < 0.02, "{mean} {worst}");
    }

    #[test]
    fn a_spot_across_all_rims_shows_in_what_its_sector_pulls() {
        let truth = centres();
        let bare = plane(&truth, 0.0);
        let spots: Vec<PointPx> = truth.iter().map(|c| PointPx::new(c.x - 8.0, c.y + 3.0)).collect();
        let lit = |i: usize| {
            let (x, y) = ((i % bare.width) as f64, (i / bare.width) as f64);
            spots.iter().map(|s| 0.4 * (-(x - s.x).hypot(y - s.y).powi(2) / 4.0).exp()).sum::<f64>() as f32
        };
        let spotted = Plane::of_light(bare.width, bare.height, bare.light.iter().enumerate().map(|(i, l)| l + lit(i)).collect());
        // How far their mean is off, and the largest that a sector pulls, px.
        let seen = |plane: &Plane| {
            let look = Look::learn(plane, &teachers(&truth), 9.0).expect("edge");
            let mut finder = CentreFinder::new(plane, &look, [0.0; 2]);
            let found: Vec<Centre> = truth.iter().map(|t| finder.measure(*t).expect("a disc")).collect();
            let off = |axis: fn(&PointPx) -> f64| found.iter().zip(&truth).map(|(c, t)| axis(&c.at) - axis(t)).sum::<f64>() / 8.0;
            let without = finder.without_sectors_px(&found.iter().collect::<Vec<_>>()).expect("whole outlines");
            (off(|p| p.x).hypot(off(|p| p.y)), without.by_px.iter().map(|by| by[0].hypot(by[1])).fold(0.0, f64::max))
        };
        let ((bare_off, bare_pull), (spotted_off, spotted_pull)) = (seen(&bare), seen(&spotted));
        assert!(bare_off < 0.02 && bare_pull < 0.05, "{bare_off} {bare_pull}");
        assert!(spotted_off > 0.05 && spotted_pull > 0.5 * spotted_off, "{spotted_off} {spotted_pull}");
    }

    #[test]
    fn light_from_one_side_does_not_pull_the_centre() {
        // An intensity centroid of these discs would lie unevenness * radius / 4 = 1.35 px off.
        let (mean, worst) = misses(0.6, (-0.5, 0.5));
        assert!(mean < 0.02 && worst < 0.05, "{mean} {worst}");
    }

    #[test]
    fn a_centre_at_the_edge_or_under_saturation_uses_what_is_known() {
        let truth = vec![PointPx::new(8.2, 50.4), PointPx::new(80.3, 50.2)];
        let mut plane = plane(&truth, 0.0);
        let look = Look::learn(&plane, &teachers(&truth[1..]), 9.0).expect("edge");
        let mut saturated = Saturated::nowhere(plane.height);
        for y in 40..45 {
            saturated.set_row(y, (0..plane.width).map(|x| (75..84).contains(&x)));
            let start = y * plane.width;
            plane.light.to_mut()[start + 75..start + 84].fill(1.0);
        }
        plane.saturated = Some(Arc::new(saturated));
        let mut finder = CentreFinder::new(&plane, &look, [0.0; 2]);
        for t in &truth {
            let found = finder.measure(PointPx::new(t.x + 0.4, t.y + 0.3)).expect("enough of it is known");
            assert!(found.at.distance(*t) < 0.03, "{:?} for {t:?}", found.at);
        }
        assert!(finder.measure(PointPx::new(-4.0, 50.0)).is_none(), "most of it lies outside");
    }

    #[test]
    fn an_empty_place_has_no_gain() {
        let truth = centres();
        let plane = plane(&truth, 0.0);
        let look = Look::learn(&plane, &teachers(&truth), 9.0).expect("edge");
        let probe = CentreFinder::new(&plane, &look, [0.0; 2]).probe(PointPx::new(45.0, 50.0)).expect("inside");
        assert!(probe.gain.abs() < 0.1, "{}", probe.gain);
    }
}
