//! What features of one group look like, those of the same shape, same turn and same end towards the middle of the part: for each of the
//! four sides of the shape the light against the distance from the designed outline, modelled as a step with a slope inside it, seen through
//! a Gaussian blur. Where the step lies is fitted, side by side, to the light of all features of the group together; what the sides disagree
//! on is the group's common place and growth.

use super::outline::{Outline, SIDES};
use super::print::{Print, for_pixels};
use super::side_edge::{SideEdge, SideProfile};
use crate::plane::Plane;

/// Where the edge of a side is looked for: px outside of the designed outline.
#[derive(Debug, Clone, Copy)]
pub struct Search {
    /// Middle of the range.
    pub about_px: f64,
    /// Half of it.
    pub reach_px: f64,
}

/// What the features of a group look like.
#[derive(Debug, Clone)]
pub struct GroupLook {
    /// Side by side: right, far, left, near, in local axes; `None` where a side does not tell where the shape ends.
    pub edges: [Option<SideEdge>; SIDES],
    profiles: [SideProfile; SIDES],
}

/// Where a group as a whole lies, against the places that its look was learned about.
#[derive(Debug, Clone, Copy)]
pub struct GroupPlace {
    /// Local px.
    pub shift_px: [f64; 2],
    /// Standard uncertainty along each local axis, shared by all features of the group, px.
    pub doubt_px: [f64; 2],
    /// What groups of the same shape share besides, each along its own local axes and with its sign, px: how much larger than designed
    /// the shapes are, where they are placed by one end, …
    pub by_growth_px: [f64; 2],
    /// … and how the light falls towards an end. Rows that face each other are moved by both to opposite sides.
    pub by_falling_light_px: [f64; 2],
}

impl GroupPlace {
    /// All of an axis' doubt, px.
    #[must_use]
    pub fn whole_doubt_px(&self, axis: usize) -> f64 {
        self.doubt_px[axis].hypot(self.by_growth_px[axis]).hypot(self.by_falling_light_px[axis])
    }
}

/// Step of a side's profile, px.
const STEP_PX: f64 = 0.25;
/// How far outside and inside of the designed outline a side is looked at, px.
const OUTWARDS_PX: f64 = 6.0;
const INWARDS_PX: f64 = 8.0;
/// Blur before it is known.
const FIRST_BLUR_PX: f64 = 1.3;
/// Sharp corners round off over so many blurs along the edge.
pub(super) const CORNER_BLURS: f64 = 2.2;
/// An edge with less than this share of the strongest side's step does not say where the shape ends.
const LEAST_STEP_SHARE: f64 = 0.15;
/// An edge blurred more than this many times the sharpest is a bend, not an outline.
const MOST_BLUR_RATIO: f64 = 2.0;

fn side_profiles<'a>(
    plane: &Plane,
    prints: impl Iterator<Item = &'a Print>,
    inwards: f64,
    outwards: f64,
    corner_px: f64,
) -> [SideProfile; SIDES] {
    let bins = ((inwards + outwards) / STEP_PX).ceil() as usize + 1;
    let mut sums = [(); SIDES].map(|()| vec![[0.0_f64; 3]; bins]);
    for print in prints {
        for_pixels(plane, print, inwards, outwards, corner_px, |p| {
            let bin = (((p.distance + inwards) / STEP_PX) as usize).min(bins - 1);
            let sum = &mut sums[p.side][bin];
            sum[0] += 1.0;
            sum[1] += p.distance;
            sum[2] += f64::from(plane.light[p.index]);
        });
    }
    sums.map(|side| {
        let seen: Vec<[f64; 3]> = side.into_iter().filter(|s| s[0] > 0.0).collect();
        SideProfile {
            distance: seen.iter().map(|s| s[1] / s[0]).collect(),
            light: seen.iter().map(|s| s[2] / s[0]).collect(),
            weight: seen.iter().map(|s| s[0]).collect(),
        }
    })
}

impl GroupLook {
    /// How much wider (axis 0) or longer (1) than designed the group's features are seen, px; `None` where a side does not tell.
    pub fn grown_px(&self, axis: usize) -> Option<f64> {
        Some(self.edges[axis]?.at_px + self.edges[axis + 2]?.at_px)
    }

    /// Learns the look about known places: of the sides that tell where the shape ends. `None` when no side shows an edge.
    #[must_use]
    pub fn learn<'a>(
        plane: &Plane,
        prints: impl Iterator<Item = &'a Print>,
        blur_px: Option<f64>,
        search: &[Search; SIDES],
    ) -> Option<Self> {
        let first = blur_px.unwrap_or(FIRST_BLUR_PX);
        let (nearest, farthest) =
            search.iter().fold((0.0_f64, 0.0_f64), |(lo, hi), s| (lo.min(s.about_px - s.reach_px), hi.max(s.about_px + s.reach_px)));
        let inwards = INWARDS_PX.max(4.0 * first - nearest);
        let outwards = OUTWARDS_PX.max(3.5 * first + farthest);
        let profiles = side_profiles(plane, prints, inwards, outwards, CORNER_BLURS * first);
        let fit = |side: usize, sign: f64| {
            let Search { about_px, reach_px } = search[side];
            SideEdge::fit(&profiles[side], first, about_px, reach_px, sign)
        };
        let either: [Option<(SideEdge, Option<SideEdge>)>; SIDES] = std::array::from_fn(|side| fit(side, 0.0));
        // The longer sides have the say on whether it is bright or dark.
        let sign = either
            .iter()
            .flatten()
            .map(|(straight, bent)| bent.unwrap_or(*straight))
            .map(|e| e.step * e.pixels.sqrt())
            .sum::<f64>()
            .signum();
        let found =
            std::array::from_fn(|side| either[side].filter(|(e, bent)| bent.unwrap_or(*e).step * sign > 0.0).or_else(|| fit(side, sign)));
        let edges = bent_alike(found);
        let look = Self { edges, profiles }.telling();
        look.edges.iter().any(Option::is_some).then_some(look)
    }

    /// Without the sides that do not tell where the shape ends.
    fn telling(self) -> Self {
        Self { edges: std::array::from_fn(|side| self.tells(side).copied()), ..self }
    }

    /// Looks again for the edge of a side, within `reach_px` about `about_px`; the side tells nothing when there is none.
    #[must_use]
    pub fn with_side_near(mut self, side: usize, about_px: f64, reach_px: f64) -> Self {
        let (blur_px, sign) = (self.blur_px(), self.step().signum());
        let is_other_bent = self.edges[(side + 2) % SIDES].is_none_or(|other| other.is_bent);
        let found = SideEdge::fit(&self.profiles[side], blur_px, about_px, reach_px, sign);
        let found = found.map(|(straight, bent)| bent.filter(|_| is_other_bent).unwrap_or(straight));
        self.edges[side] = found.filter(|e| (e.at_px - about_px).abs() <= reach_px);
        self.telling()
    }

    /// The same look about places that were moved by a local shift, px.
    #[must_use]
    pub fn moved(&self, shift_px: [f64; 2]) -> Self {
        let along = [shift_px[0], shift_px[1], -shift_px[0], -shift_px[1]];
        let edges = std::array::from_fn(|side| self.edges[side].map(|e| SideEdge { at_px: e.at_px - along[side], ..e }));
        Self { edges, ..self.clone() }
    }

    /// The same look about an outline that is as large as what it was learned from.
    #[must_use]
    pub fn centred(&self) -> Self {
        Self { edges: self.edges.map(|e| e.map(|e| SideEdge { at_px: 0.0, ..e })), ..self.clone() }
    }

    /// A look that was not learned: the same edge on every side.
    #[must_use]
    pub fn of_edge(edge: SideEdge) -> Self {
        Self { edges: [Some(edge); SIDES], profiles: Default::default() }
    }

    /// The strongest side's step of light; negative for dark features.
    #[must_use]
    pub fn step(&self) -> f64 {
        let steps = self.edges.iter().flatten().map(|e| e.step);
        steps.max_by(|a, b| a.abs().total_cmp(&b.abs())).unwrap_or(0.0)
    }

    /// Blur of the sharpest clear side, px.
    #[must_use]
    pub fn blur_px(&self) -> f64 {
        let clear = self.edges.iter().flatten().filter(|e| e.step.abs() >= 0.5 * self.step().abs());
        clear.map(|e| e.blur_px).fold(f64::INFINITY, f64::min)
    }

    /// Whether a side tells where the shape ends.
    fn tells(&self, side: usize) -> Option<&SideEdge> {
        let step = self.step();
        let blur_px = self.blur_px();
        let clear = |e: &&SideEdge| e.step * step.signum() >= LEAST_STEP_SHARE * step.abs() && e.blur_px <= MOST_BLUR_RATIO * blur_px;
        self.edges[side].as_ref().filter(clear)
    }

    /// How far falling light may have moved a side's edge against the steepest one's, px.
    fn falling_light_px(&self, side: usize) -> f64 {
        let steepest = self.edges.iter().flatten().map(SideEdge::steepness).fold(1e-9, f64::max);
        self.edges[side].map_or(0.0, |e| FALLING_LIGHT * self.step().abs() * (1.0 / e.steepness() - 1.0 / steepest))
    }

    /// All of an edge's doubt, px; infinite where a side does not tell.
    #[must_use]
    pub fn edge_doubt_px(&self, side: usize) -> f64 {
        self.edges[side].map_or(f64::INFINITY, |e| e.at_u_px.hypot(EDGE_MODEL_PX).hypot(self.falling_light_px(side)))
    }

    /// Where the group lies by its sides, and how far that is in doubt. Of two opposite sides that tell equally well, the middle; of
    /// one, its place less its growth: what all groups together say it is along each axis (px on each side, with its uncertainty), or
    /// else that of the other two sides; between these, each for what it is worth.
    #[must_use]
    pub fn place(&self, outline: &Outline, grown_by_all: [Option<(f64, f64)>; 2]) -> GroupPlace {
        let [low, high] = outline.bounds();
        let growth = |axis: usize| self.grown_px(axis).map(|both| 0.5 * both);
        let mut place = GroupPlace { shift_px: [0.0; 2], doubt_px: [0.0; 2], by_growth_px: [0.0; 2], by_falling_light_px: [0.0; 2] };
        for axis in 0..2 {
            let size_px = high[axis] - low[axis];
            if self.edges[axis].is_none() && self.edges[axis + 2].is_none() {
                place.doubt_px[axis] = NO_END_DOUBT * size_px;
                continue;
            }
            let by_other_sides = (growth(1 - axis).unwrap_or(0.0), ONE_END_DOUBT * size_px);
            let (grown, grown_u_px) = grown_by_all[axis].filter(|g| g.1 < by_other_sides.1).unwrap_or(by_other_sides);
            let ends = [axis, axis + 2];
            let [a, b] = ends.map(|side| 1.0 / self.edge_doubt_px(side).max(1e-6).powi(2));
            let g = 1.0 / grown_u_px.max(1e-6).powi(2);
            // Least squares over place s and growth: a = s + growth, b = growth - s, and what is known of the growth.
            let all = 4.0 * a * b + g * (a + b);
            let shares = [a * (2.0 * b + g) / all, -b * (2.0 * a + g) / all];
            let by_growth = (b - a) * g / all;
            let at_px = ends.map(|side| self.edges[side].map_or(0.0, |e| e.at_px));
            let of_end_px = |end: usize| shares[end] * self.edges[ends[end]].map_or(0.0, |e| e.at_u_px);
            let own_px = OF_GROUP_NOISE.sqrt() * of_end_px(0).hypot(of_end_px(1));
            let falling_px: f64 = (0..2).map(|end| shares[end] * self.falling_light_px(ends[end])).sum();
            place.shift_px[axis] = shares[0] * at_px[0] + shares[1] * at_px[1] + by_growth * grown;
            place.doubt_px[axis] = own_px.hypot(OF_ONE_GROUP * by_growth * grown_u_px).hypot(OF_ONE_GROUP * falling_px);
            place.by_growth_px[axis] = OF_ITS_CLASS * by_growth * grown_u_px;
            place.by_falling_light_px[axis] = OF_ITS_CLASS * falling_px;
        }
        place
    }
}

/// What an edge's model leaves out, px: of two edges that are known better than this neither is believed more. A choice.
const EDGE_MODEL_PX: f64 = 0.1;

/// The same light tells where a group lies and where each of its features does: of the variance that its noise leaves in the group's place so
/// much counts, for what features have in common is in theirs, too. A choice: on 142 rendered looks of six kinds 91 to 100 % of the errors along
/// each axis lie within what is stated then.
const OF_GROUP_NOISE: f64 = 0.5;

/// Of what groups of one shape share, so much is the same for all, and so much each one's own (1 together, as variances): rows of one
/// part differ by about a third of what parts differ by, on rendered leads and pads.
const OF_ITS_CLASS: f64 = 0.95;
const OF_ONE_GROUP: f64 = 0.312;

/// Where only one end of a shape can be seen, its length is known to about this share: the length of a lead's foot has a
/// tolerance of a quarter of itself on package drawings (0.45 to 0.75 mm), even within one part of less.
const ONE_END_DOUBT: f64 = 0.06;

/// Sizes of one class scatter by so much of themselves, each: etching and cutting do that.
pub(crate) const SIZE_SCATTER: f64 = 0.02;

/// Light that falls towards an end as no slope and no bend does, as a share of the clearest step: it moves a low step further than a high
/// one, and two alike not at all. Found on rendered leads whose heel melts into the shank: 1.9 px off where the steps were 0.09 and 0.29.
const FALLING_LIGHT: f64 = 0.06;

/// Where no end can be seen, the place along is known to this share of the size: that of what the pattern's pose says.
pub(super) const NO_END_DOUBT: f64 = 0.2;

/// A face bends to both of its opposite sides or to neither: a bend that shows on one alone would move that edge against the other.
fn bent_alike(found: [Option<(SideEdge, Option<SideEdge>)>; SIDES]) -> [Option<SideEdge>; SIDES] {
    std::array::from_fn(|side| {
        let (straight, bent) = found[side]?;
        let is_other_bent = found[(side + 2) % SIDES].is_none_or(|(_, bent)| bent.is_some());
        Some(bent.filter(|_| is_other_bent).unwrap_or(straight))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    const BLUR: f64 = 1.1;

    #[test]
    fn a_bend_that_shows_at_one_side_alone_is_none() {
        let edge = |bend: f64| SideEdge {
            outside: 0.1,
            step: 0.3,
            slope: 0.0,
            bend,
            is_bent: bend.abs() > 0.0,
            at_px: 10.0 * bend,
            blur_px: BLUR,
            at_u_px: 0.01,
            pixels: 100.0,
            band_out_blurs: 3.0,
        };
        let (straight, bent) = ((edge(0.0), None), (edge(0.0), Some(edge(-0.01))));
        let is_bent = |found: [Option<(SideEdge, Option<SideEdge>)>; SIDES]| bent_alike(found).map(|e| e.map(|e| e.is_bent));
        assert_eq!(is_bent([Some(bent), Some(bent), Some(straight), None]), [Some(false), Some(true), Some(false), None]);
        assert_eq!(is_bent([Some(bent), None, Some(bent), Some(straight)]), [Some(true), None, Some(true), Some(false)]);
    }
}
