//! The pattern that is to be recognised: its places, what stands there, and which turns of it look the same.

use crate::nearby::Nearby;
use landfit_part::{PointMm, Pose, wrap_angle_rad};
use std::f64::consts::{FRAC_PI_2, PI};
use std::num::NonZero;

/// What a feature or a site shows: which outline, and how it is turned.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Kind {
    /// Features match sites of the same class only.
    pub class: u16,
    /// How it is turned, radians anticlockwise.
    pub angle_rad: f64,
    /// The turn after which it looks the same; 0 for a disc.
    pub period_rad: f64,
    /// A long outline is found less closely along itself: by so much more it may lie off, mm.
    pub slack_mm: f64,
}

/// Turns that differ by less match: a feature was found at a turn that is good to a few degrees.
const SAME_ANGLE_RAD: f64 = 0.3;

impl Kind {
    /// Discs of one size.
    pub const DISC: Self = Self { class: 0, angle_rad: 0.0, period_rad: 0.0, slack_mm: 0.0 };

    /// Turned by an angle, radians.
    #[must_use]
    pub fn turned(self, by_rad: f64) -> Self {
        if self.period_rad <= 0.0 { self } else { Self { angle_rad: wrap_angle_rad(self.angle_rad + by_rad), ..self } }
    }

    /// Its mirror image in a line along y.
    pub(super) fn mirrored(self) -> Self {
        Self { angle_rad: -self.angle_rad, ..self }
    }

    /// Whether it is turned as another of its class, to within an angle.
    #[must_use]
    pub fn is_turned_like(self, other: Self, within_rad: f64) -> bool {
        let off = self.angle_rad - other.angle_rad;
        self.period_rad <= 0.0 || (off - (off / self.period_rad).round() * self.period_rad).abs() <= within_rad
    }

    pub(super) fn agrees(self, other: Self) -> bool {
        self.class == other.class && self.is_turned_like(other, SAME_ANGLE_RAD)
    }
}

/// Things by place and kind.
pub(super) struct Places {
    pub(super) near: Nearby,
    kinds: Vec<Kind>,
    points: Vec<PointMm>,
    is_plain: bool,
}

impl Places {
    pub(super) fn new(places: &[PointMm], kinds: Vec<Kind>) -> Self {
        let is_plain = kinds.iter().all(|k| k.class == 0 && k.period_rad <= 0.0);
        Self { near: Nearby::new(places), kinds, points: places.to_vec(), is_plain }
    }

    /// Distance (mm) and index of the nearest one of a kind within `reach_mm`, and its slack along its longer way.
    pub(super) fn nearest(&self, at: PointMm, kind: Kind, reach_mm: f64) -> Option<(f64, usize)> {
        const SOME: NonZero<usize> = NonZero::new(8).unwrap();
        if self.is_plain {
            return self.near.nearest(at, reach_mm).filter(|_| kind.class == 0);
        }
        let lies_there = |i: usize| {
            let off = (self.points[i] - at).rotated(-kind.angle_rad);
            off.x.hypot((off.y.abs() - kind.slack_mm).max(0.0)) <= reach_mm
        };
        self.near.several(at, SOME).into_iter().find(|(_, i)| self.kinds[*i].agrees(kind) && lies_there(*i))
    }
}

/// A pattern to be recognised: the designed centres of one side, part frame, and which turns of it look the same.
#[derive(Debug, Clone)]
pub struct Pattern {
    /// Designed centres, part frame, mm; index = site.
    pub centres_mm: Vec<PointMm>,
    /// What stands at each.
    pub(super) kinds: Vec<Kind>,
    /// Smallest distance between two of them, mm.
    pub pitch_mm: f64,
    /// What nearness is a share of, mm: the pitch, or less where few sites stand further apart than they are wide.
    pub(super) nearness_mm: f64,
    /// Motions that carry the pattern onto itself, the identity first.
    pub same: Vec<Pose>,
    /// Whether the mirror image, turned somehow, is the pattern again.
    pub(super) mirror_is_same: bool,
    /// Vectors between nearest neighbours.
    pub(super) neighbours: Vec<PointMm>,
    /// The nearest others of all sites, distance (mm) and index, site by site, nearest first.
    nearest: Vec<(f64, usize)>,
    /// Where each site's begin, one more at the end.
    nearest_from: Vec<usize>,
    /// Centroid, mm.
    pub(super) centroid_mm: PointMm,
    /// About which a pattern turned by a quarter, and by half a turn, falls onto itself best, mm.
    turned_about_mm: [PointMm; 2],
}

/// Of so many sites it is asked whether they fall onto others when the pattern is turned.
const MOST_ASKED_OF_TURN: usize = 64;

/// So few sites are laid over clutter easily.
const FEWEST_SITES: usize = 6;

/// Leads and pads in rows stand about this many of their widths apart.
const PITCH_OVER_WIDTH: f64 = 2.2;

/// Distinct steps to neighbours that are kept of an irregular pattern.
const MOST_NEIGHBOUR_STEPS: usize = 24;

/// Steps that a rival seating may be away: a square grid has 12 within two steps.
const MOST_NEAR_STEPS: usize = 32;

impl Pattern {
    /// The pattern of designed centres of discs of one size; `None` below three sites or when all fall together.
    #[must_use]
    pub fn new(centres_mm: Vec<PointMm>) -> Option<Self> {
        let kinds = vec![Kind::DISC; centres_mm.len()];
        Self::of_kinds(centres_mm, kinds)
    }

    /// The pattern of designed centres and of what stands at each; `None` below three sites, when all fall together, or when
    /// the two are not equally many.
    #[must_use]
    pub fn of_kinds(centres_mm: Vec<PointMm>, kinds: Vec<Kind>) -> Option<Self> {
        if kinds.len() != centres_mm.len() {
            return None;
        }
        const NEIGHBOURS: NonZero<usize> = NonZero::new(9).unwrap();
        if centres_mm.len() < 3 {
            return None;
        }
        let near = Nearby::new(&centres_mm);
        let mut pitch_mm = f64::INFINITY;
        let mut neighbours: Vec<PointMm> = Vec::new();
        let (mut nearest, mut nearest_from, mut around) = (Vec::with_capacity(NEIGHBOURS.get() * centres_mm.len()), vec![0], Vec::new());
        for centre in &centres_mm {
            near.several_into(*centre, NEIGHBOURS, &mut around);
            nearest.extend(around.iter().filter(|(d, _)| *d > 1e-9));
            nearest_from.push(nearest.len());
        }
        let nearest_of = |site: usize| &nearest[nearest_from[site]..nearest_from[site + 1]];
        for site in 0..centres_mm.len() {
            pitch_mm = nearest_of(site).first().map_or(pitch_mm, |n: &(f64, usize)| pitch_mm.min(n.0));
        }
        if !pitch_mm.is_finite() {
            return None;
        }
        for (site, centre) in centres_mm.iter().enumerate() {
            let Some((least, _)) = nearest_of(site).first() else { continue };
            for (_, i) in nearest_of(site).iter().filter(|(d, _)| *d <= 1.06 * least) {
                let step = centres_mm[*i] - *centre;
                if neighbours.len() < MOST_NEIGHBOUR_STEPS && !neighbours.iter().any(|n| n.distance(step) < 0.02 * pitch_mm) {
                    neighbours.push(step);
                }
            }
        }
        let centroid_mm = centres_mm.iter().fold(PointMm::ZERO, |s, c| s + *c) * (1.0 / centres_mm.len() as f64);
        let (same, mirror_is_same) = (Vec::new(), false);
        let mut pattern = Self {
            centres_mm,
            kinds,
            pitch_mm,
            nearness_mm: pitch_mm,
            same,
            mirror_is_same,
            neighbours,
            nearest,
            nearest_from,
            centroid_mm,
            turned_about_mm: [centroid_mm; 2],
        };
        pattern.turned_about_mm = [FRAC_PI_2, PI].map(|turn| pattern.turning_point(turn, &near));
        let is_same = |t: &Pose| {
            let motion = t.motion();
            pattern.coincides(&near, |c, k| (motion.apply(c), k.turned(t.theta_rad)))
        };
        pattern.same = pattern.quarter_turns().into_iter().filter(is_same).collect();
        // A pattern that is its own mirror image is so about its centroid, whatever it is turned about.
        let is_mirrored = |about: PointMm, t: &Pose| {
            let motion = t.motion();
            let mirrored = |c: PointMm| PointMm::new(2.0 * about.x - c.x, c.y);
            pattern.coincides(&near, |c, k| (motion.apply(mirrored(c)), k.mirrored().turned(t.theta_rad)))
        };
        pattern.mirror_is_same = [[centroid_mm; 2], pattern.turned_about_mm]
            .into_iter()
            .any(|about| turns_about(about).iter().any(|t| is_mirrored(about[1], t)));
        Some(pattern)
    }

    /// Few sites far apart would be laid over clutter at the reach of their pitch: theirs is that of usual rows of their width.
    pub(crate) fn judge_nearness_by_width(&mut self, width_mm: f64) {
        if self.centres_mm.len() <= FEWEST_SITES {
            self.nearness_mm = self.nearness_mm.min(PITCH_OVER_WIDTH * width_mm);
        }
    }

    /// Of all poses that look the same as `pose`, the one turned nearest to `nominal_rad`.
    #[must_use]
    pub fn nearest_turn(&self, pose: Pose, nominal_rad: f64) -> Pose {
        let off = |p: &Pose| wrap_angle_rad(p.theta_rad - nominal_rad).abs();
        self.same.iter().map(|s| pose.after(s)).min_by(|a, b| off(a).total_cmp(&off(b))).unwrap_or(pose)
    }

    /// Where sites are absent on one side alone, the centroid lies off the middle of the lattice, and a pattern turned about it would
    /// lie between the places; where rows are staggered, so it does about the middle. Of both, of the site nearest the middle, and of
    /// the points half way to its neighbours, the one about which most sites find another.
    fn turning_point(&self, turn: f64, near: &Nearby) -> PointMm {
        let turned = Pose::new(0.0, 0.0, turn).motion();
        let finds = |about: PointMm| -> usize {
            let asked = self.centres_mm.iter().step_by(self.centres_mm.len().div_ceil(MOST_ASKED_OF_TURN));
            asked.filter(|c| near.nearest(about + turned.apply(**c - about), 0.1 * self.pitch_mm).is_some()).count()
        };
        let mut best = (finds(self.centroid_mm), self.centroid_mm);
        let (low, high) = self.centres_mm.iter().fold((self.centroid_mm, self.centroid_mm), |(low, high), c| {
            (PointMm::new(low.x.min(c.x), low.y.min(c.y)), PointMm::new(high.x.max(c.x), high.y.max(c.y)))
        });
        let middle = (low + high) * 0.5;
        let nearest = (0..self.centres_mm.len())
            .min_by(|a, b| self.centres_mm[*a].distance(middle).total_cmp(&self.centres_mm[*b].distance(middle)))
            .unwrap_or(0);
        let site = self.centres_mm[nearest];
        let half_ways = self.nearest(nearest).iter().map(|(_, i)| (site + self.centres_mm[*i]) * 0.5);
        for about in [middle, site].into_iter().chain(half_ways) {
            let found = finds(about);
            if found > best.0 {
                best = (found, about);
            }
        }
        best.1
    }

    /// No turn, and the three others.
    pub(super) fn quarter_turns(&self) -> [Pose; 4] {
        turns_about(self.turned_about_mm)
    }

    /// The mirror image of a point in the line along y through the point that half turns are about.
    pub(super) fn mirror(&self, p: PointMm) -> PointMm {
        PointMm::new(2.0 * self.turned_about_mm[1].x - p.x, p.y)
    }

    fn coincides(&self, near: &Nearby, motion: impl Fn(PointMm, Kind) -> (PointMm, Kind)) -> bool {
        // The centroid of an outline with a cut corner lies off the middle: such a shape is turned about its middle all the same.
        let reach_mm = if self.is_of_discs() { 0.05 } else { 0.15 } * self.pitch_mm;
        self.sites().all(|(c, k)| {
            let (at, kind) = motion(c, k);
            near.nearest(at, reach_mm).is_some_and(|(_, i)| self.kinds[i].agrees(kind))
        })
    }

    /// Whether it is of discs alone, which look the same however they are turned.
    pub(super) fn is_of_discs(&self) -> bool {
        self.kinds.iter().all(|k| k.period_rad <= 0.0)
    }

    /// Each site's place, part frame, mm, and kind.
    pub(crate) fn sites(&self) -> impl Iterator<Item = (PointMm, Kind)> + '_ {
        self.centres_mm.iter().copied().zip(self.kinds.iter().copied())
    }

    /// A site's nearest others, distance (mm) and index, nearest first.
    pub(crate) fn nearest(&self, site: usize) -> &[(f64, usize)] {
        &self.nearest[self.nearest_from[site]..self.nearest_from[site + 1]]
    }

    /// Where a pose lays each site, and how that turns what stands there.
    pub(super) fn laid_by(&self, pose: &Pose) -> impl Iterator<Item = (PointMm, Kind)> + '_ {
        let (motion, turn_rad) = (pose.motion(), pose.theta_rad);
        self.sites().map(move |(c, k)| (motion.apply(c), k.turned(turn_rad)))
    }

    /// Centroid of the sites, part frame, mm.
    pub(crate) const fn middle_mm(&self) -> PointMm {
        self.centroid_mm
    }

    /// The shorter of the ways across all places along x and y, mm.
    pub(super) fn extent_mm(&self) -> f64 {
        let across = |get: fn(&PointMm) -> f64| {
            let (low, high) =
                self.centres_mm.iter().map(get).fold((f64::INFINITY, f64::NEG_INFINITY), |(lo, hi), v| (lo.min(v), hi.max(v)));
            high - low
        };
        across(|c| c.x).min(across(|c| c.y))
    }

    /// No step, the steps to neighbours, and all that two of them make: where rows are staggered, a step along a row is two.
    /// Two steps that all but undo each other (to a pad in the middle and back to the row across) are no step.
    pub(super) fn near_steps(&self) -> Vec<PointMm> {
        let ones = || self.neighbours.iter().copied();
        let mut steps = vec![PointMm::ZERO];
        for step in ones().chain(ones().flat_map(|a| ones().map(move |b| a + b))) {
            let is_new = steps.iter().all(|s| s.distance(step) > 0.02 * self.pitch_mm);
            if steps.len() < MOST_NEAR_STEPS && step.norm() > 0.5 * self.pitch_mm && is_new {
                steps.push(step);
            }
        }
        steps
    }

    /// Steps along each row of neighbours, from the third on and as far as sites reach.
    pub(super) fn far_steps(&self) -> Vec<PointMm> {
        let reach = |along: PointMm| {
            let places = self.centres_mm.iter().map(|c| (c.x * along.x + c.y * along.y) / along.norm().powi(2));
            let (low, high) = places.fold((f64::INFINITY, f64::NEG_INFINITY), |(lo, hi), v| (lo.min(v), hi.max(v)));
            (high - low).round() as usize
        };
        self.neighbours.iter().flat_map(|&along| (3..=reach(along)).map(move |n| along * n as f64)).collect()
    }

    /// Every place at which a site's row goes on, either way, sites themselves among them, part frame.
    pub(super) fn next_places(&self) -> Places {
        let (mut places, mut kinds) = (Vec::new(), Vec::new());
        for (site, (centre, kind)) in self.sites().enumerate() {
            let around = self.nearest(site);
            let least = around.first().map_or(0.0, |n| n.0);
            for (_, i) in around.iter().filter(|(d, _)| *d <= 1.06 * least) {
                let step = self.centres_mm[*i] - centre;
                for place in [centre + step, centre - step] {
                    places.push(place);
                    kinds.push(kind);
                }
            }
        }
        Places::new(&places, kinds)
    }
}

/// No turn, and the three others: quarter turns about the first place, the half turn about the second.
fn turns_about([quarter, half]: [PointMm; 2]) -> [Pose; 4] {
    [(0.0, half), (FRAC_PI_2, quarter), (PI, half), (-FRAC_PI_2, quarter)].map(|(turn, about)| {
        let shift = about - about.rotated(turn);
        Pose::new(shift.x, shift.y, turn)
    })
}
