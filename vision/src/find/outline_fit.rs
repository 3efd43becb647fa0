//! Measures features of any designed outline to a small part of a pixel, each with its covariance.
//!
//! Features of one group (same shape, same turn, same end towards the middle of the part) share a look: for each of the four
//! sides of the shape the light against the distance from the designed outline, modelled as a step with a slope inside it,
//! seen through a Gaussian blur. Where the step lies is fitted, side by side, to the light of all features of the group
//! together; what the sides disagree on is the group's common place and growth. Each feature is then fitted to that look:
//! place, growth, light inside with its slopes, light outside on each side. A heel that melts into the lead's slope has a low
//! step and a wide blur; it says little about the place along the lead, and the covariance says so.

use super::outline::{Outline, SIDES};
use super::side_edge::{SideEdge, SideProfile, normal_density, normal_share};
use crate::plane::Plane;
use crate::view::PointPx;
use nalgebra::{Matrix2, SMatrix, SVector, Vector2};

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

/// A measured feature.
#[derive(Debug, Clone, Copy)]
pub struct Fitted {
    /// Its centre, px of the plane.
    pub at: PointPx,
    /// Covariance, px², from the noise that the fit left over.
    pub covariance_px2: Matrix2<f64>,
    /// Contrast against that of the look; about 1, near 0 where nothing is.
    pub gain: f64,
    /// Standard uncertainty of the gain.
    pub gain_u: f64,
    /// How far the right and left side, and the far and near side, lie outside of the look's, px.
    pub growth_px: [f64; 2],
    /// Share of the light's variation in the band that the model explains, 0 to 1.
    pub explained: f64,
    /// Standard deviation of what is left over, light.
    pub left_over: f64,
}

/// Step of a side's profile, px.
const STEP_PX: f64 = 0.25;
/// How far outside and inside of the designed outline a side is looked at, px.
const OUTWARDS_PX: f64 = 6.0;
const INWARDS_PX: f64 = 8.0;
/// Blur before it is known.
const FIRST_BLUR_PX: f64 = 1.3;
/// Sharp corners round off over so many blurs along the edge.
const CORNER_BLURS: f64 = 2.2;
/// An edge with less than this share of the strongest side's step does not say where the shape ends.
const LEAST_STEP_SHARE: f64 = 0.15;
/// An edge blurred more than this many times the sharpest is a bend, not an outline.
const MOST_BLUR_RATIO: f64 = 2.0;

/// A pixel near an outline.
pub(super) struct Pixel {
    pub index: usize,
    pub distance: f64,
    pub side: usize,
    /// Outward normal in the plane's axes.
    normal: Vector2<f64>,
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
            let own_px = [0, 1].map(|end| shares[end] * self.edges[ends[end]].map_or(0.0, |e| e.at_u_px));
            let falling_px: f64 = (0..2).map(|end| shares[end] * self.falling_light_px(ends[end])).sum();
            place.shift_px[axis] = shares[0] * at_px[0] + shares[1] * at_px[1] + by_growth * grown;
            place.doubt_px[axis] = own_px[0].hypot(own_px[1]).hypot(OF_ONE_GROUP * by_growth * grown_u_px).hypot(OF_ONE_GROUP * falling_px);
            place.by_growth_px[axis] = OF_ITS_CLASS * by_growth * grown_u_px;
            place.by_falling_light_px[axis] = OF_ITS_CLASS * falling_px;
        }
        place
    }
}

/// What an edge's model leaves out, px: of two edges that are known better than this neither is believed more. A choice.
const EDGE_MODEL_PX: f64 = 0.1;

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
const NO_END_DOUBT: f64 = 0.2;

/// A face bends to both of its opposite sides or to neither: a bend that shows on one alone would move that edge against the other.
fn bent_alike(found: [Option<(SideEdge, Option<SideEdge>)>; SIDES]) -> [Option<SideEdge>; SIDES] {
    std::array::from_fn(|side| {
        let (straight, bent) = found[side]?;
        let is_other_bent = found[(side + 2) % SIDES].is_none_or(|(_, bent)| bent.is_some());
        Some(bent.filter(|_| is_other_bent).unwrap_or(straight))
    })
}

/// Ground of which next to nothing is seen may differ from the look's by so many steps: light of a trace beside lies in the pixels that are
/// left, and must not move the end.
const UNSEEN_GROUND_STEPS: f64 = 10.0;

const UNKNOWNS: usize = 14;
const SHIFT_X: usize = 0;
const SHIFT_Y: usize = 1;
/// Growth of the right and left side, and of the far and near side: a longer lead must not look moved where one end says more
/// than the other.
const GROWTH: usize = 2;
/// Slope of the light along the right and left side, and along the far and near side.
const SLOPES: usize = 4;
/// Light inside, at the right and left side, and at the far and near side.
const INSIDE: usize = 6;
/// Slope of the face's light from the left to the right side, and from the near to the far side: one slope for the levels on
/// both sides and for what lies between, so that a face that is brighter at one end does not look moved.
const ACROSS: usize = 8;
/// Light outside, on each side.
const OUTSIDE: usize = 10;
/// Light that is told from its model to less than this share of the step is not worth telling.
const LEAST_NOISE_SHARE: f64 = 1e-3;

/// A fit that has not come to rest after so many steps is not a centre.
const MOST_STEPS: usize = 8;
/// A step this short is rest, px.
const AT_REST_PX: f64 = 0.01;
/// In noise the last steps go to and fro about the answer; further than this they wander.
const NOISE_STEP_PX: f64 = 0.4;

/// Fits one feature to its group's look, from `print.at`. `None` when the fit does not come to rest within `most_shift_px`,
/// when less than half of the band is known, or when nothing stands there.
#[must_use]
pub fn fit(plane: &Plane, print: &Print, look: &GroupLook, most_shift_px: f64) -> Option<Fitted> {
    let mut print = print.clone();
    let start = print.at;
    for step_number in 1..=MOST_STEPS {
        let solved = solve(plane, &print, look)?;
        if solved.gain.abs() < 0.05 {
            return None;
        }
        let limit = 2.0;
        let step = Vector2::new(solved.unknowns[SHIFT_X], solved.unknowns[SHIFT_Y]) / solved.gain;
        let step = if step.norm() > limit { step * (limit / step.norm()) } else { step };
        let next = PointPx::new(print.at.x + step.x, print.at.y + step.y);
        if next.distance(start).partial_cmp(&most_shift_px).is_none_or(std::cmp::Ordering::is_gt) {
            return None;
        }
        let moved_px = step.norm();
        print.at = next;
        if moved_px < AT_REST_PX || step_number == MOST_STEPS {
            return (moved_px < NOISE_STEP_PX).then(|| solved.fitted(next));
        }
    }
    None
}

/// Contrast and fit at exactly `print.at`, without moving to a better place.
#[must_use]
pub fn probe(plane: &Plane, print: &Print, look: &GroupLook) -> Option<Fitted> {
    solve(plane, print, look).map(|s| s.fitted(print.at))
}

struct Solved {
    unknowns: SVector<f64, UNKNOWNS>,
    covariance: SMatrix<f64, UNKNOWNS, UNKNOWNS>,
    gain: f64,
    gain_u: f64,
    explained: f64,
    left_over: f64,
}

impl Solved {
    fn fitted(&self, at: PointPx) -> Fitted {
        let c = &self.covariance;
        let g2 = (self.gain * self.gain).max(1e-12);
        Fitted {
            at,
            covariance_px2: Matrix2::new(c[(0, 0)], c[(0, 1)], c[(1, 0)], c[(1, 1)]) / g2,
            gain: self.gain,
            gain_u: self.gain_u,
            growth_px: [0, 1].map(|axis| self.unknowns[GROWTH + axis] / self.gain),
            explained: self.explained,
            left_over: self.left_over,
        }
    }
}

fn solve(plane: &Plane, print: &Print, look: &GroupLook) -> Option<Solved> {
    let blur_px = look.blur_px();
    let size = print.outline.reach().max(1.0);
    let (mut inwards, mut outwards) = (0.0_f64, 0.0_f64);
    for edge in look.edges.iter().flatten() {
        inwards = inwards.max(edge.band_in_px() - edge.at_px);
        outwards = outwards.max(edge.band_out_px() + edge.at_px);
    }
    let mut normal = SMatrix::<f64, UNKNOWNS, UNKNOWNS>::zeros();
    let mut right = SVector::<f64, UNKNOWNS>::zeros();
    let (mut sum, mut squares, mut n) = (0.0, 0.0, 0.0);
    // How much of the inside and of the outside is seen on each side.
    let mut seen = [[0.0_f64; 2]; SIDES];
    for_pixels(plane, print, inwards, outwards, CORNER_BLURS * blur_px, |p| {
        let Some(edge) = &look.edges[p.side] else { return };
        if !edge.holds(p.distance) {
            return;
        }
        let z = (edge.at_px - p.distance) / edge.blur_px;
        let inside_share = normal_share(z);
        let inside = edge.light(p.distance) - edge.outside * (1.0 - inside_share);
        let moved = edge.when_moved(p.distance);
        let mut row = SVector::<f64, UNKNOWNS>::zeros();
        row[SHIFT_X] = moved * p.normal.x;
        row[SHIFT_Y] = moved * p.normal.y;
        row[GROWTH + p.side % 2] = moved;
        row[INSIDE + p.side % 2] = inside;
        let along = p.local[usize::from(p.side % 2 == 0)];
        row[SLOPES + p.side % 2] = inside * along / size;
        row[OUTSIDE + p.side] = 1.0 - inside_share;
        // blur[x f] = x blur[f] + σ² d blur[f]/dx, as for round features.
        let outwards = if p.side < 2 { 1.0 } else { -1.0 };
        let steepness = (edge.outside + edge.step) * normal_density(z) / edge.blur_px + edge.rise(edge.at_px - p.distance);
        row[ACROSS + p.side % 2] = (inside * p.local[p.side % 2] - outwards * edge.blur_px.powi(2) * steepness) / size;
        let light = f64::from(plane.light[p.index]);
        normal.ger(1.0, &row, &row, 1.0);
        right.axpy(light, &row, 1.0);
        sum += light;
        squares += light * light;
        n += 1.0;
        seen[p.side] = [seen[p.side][0] + inside_share, seen[p.side][1] + 1.0 - inside_share];
    });
    if n < UNKNOWNS as f64 + 6.0 {
        return None;
    }
    // Unknowns without light of their own (a side that is not seen) must not make the rest unsolvable.
    let trace = normal.trace().max(1e-12);
    for i in 0..UNKNOWNS {
        normal[(i, i)] += 1e-10 * trace;
    }
    // What is known before looking counts against what the light leaves over, not against what a better picture would.
    let left_of_light = (squares - right.dot(&(normal.cholesky()?.solve(&right)))).max(0.0);
    let noise = (left_of_light / (n - UNKNOWNS as f64)).sqrt().max(LEAST_NOISE_SHARE * look.step().abs());
    // Where one end alone is seen, its length is taken to differ from the look's as the width does, to within what sizes scatter.
    let [low, high] = print.outline.bounds();
    let tolerance_px = 0.5 * SIZE_SCATTER * (high[0] - low[0]).max(high[1] - low[1]);
    let tie = (noise / tolerance_px.max(0.1)).powi(2);
    for (a, b, sign) in [(0, 0, 1.0), (1, 1, 1.0), (0, 1, -1.0), (1, 0, -1.0)] {
        normal[(GROWTH + a, GROWTH + b)] += sign * tie;
    }
    // Ground of which next to nothing is seen is as the look has it, roughly.
    for (side, edge) in look.edges.iter().enumerate() {
        if let Some(edge) = edge.as_ref().filter(|e| e.step != 0.0) {
            let stay = (noise / (UNSEEN_GROUND_STEPS * edge.step)).powi(2);
            normal[(OUTSIDE + side, OUTSIDE + side)] += stay;
            right[OUTSIDE + side] += stay * edge.outside;
        }
    }
    // Along an axis neither end of which tells anything, the place stays where it was expected, to within a part of the size.
    for axis in (0..2).filter(|&axis| look.edges[axis].is_none() && look.edges[axis + 2].is_none()) {
        let along = print.axes.column(axis).into_owned();
        let stay = (noise / (NO_END_DOUBT * (high[axis] - low[axis])).max(0.1)).powi(2);
        for r in 0..2 {
            for c in 0..2 {
                normal[(SHIFT_X + r, SHIFT_X + c)] += stay * along[r] * along[c];
            }
        }
    }
    let inverse = normal.cholesky()?.inverse();
    let unknowns = inverse * right;
    let left = (squares - unknowns.dot(&right)).max(0.0);
    let variance = left / (n - UNKNOWNS as f64);
    let total = (squares - sum * sum / n).max(1e-300);
    let (mut along, mut all) = (SVector::<f64, UNKNOWNS>::zeros(), 0.0);
    for (side, edge) in look.edges.iter().enumerate() {
        if let Some(e) = edge {
            // A step is seen as well as the less seen of what it is between: a trace hides what is outside of a land's end.
            let [inside, outside] = seen[side];
            let weight = inside * outside / (inside + outside).max(1.0);
            along[INSIDE + side % 2] += weight * e.step * (e.outside + e.step);
            along[OUTSIDE + side] -= weight * e.step;
            all += weight * e.step * e.step;
        }
    }
    let along = along / all.max(1e-300);
    let covariance = inverse * variance;
    Some(Solved {
        gain: along.dot(&unknowns),
        gain_u: (along.transpose() * covariance * along)[(0, 0)].max(0.0).sqrt(),
        unknowns,
        covariance,
        explained: (1.0 - left / total).clamp(0.0, 1.0),
        left_over: variance.sqrt(),
    })
}

/// Where the four sides of one feature show their steps, px outside of the designed outline, looked for over a long way: along
/// strips through its middle. `None` for a side without a step of the look's sense and at least a third of its height, and for
/// shapes that are not one box.
#[must_use]
pub fn edges_of_one(plane: &Plane, print: &Print, look: &GroupLook) -> [Option<f64>; SIDES] {
    if !print.outline.is_box() {
        return [None; SIDES];
    }
    let blur_px = look.blur_px().min(3.0);
    std::array::from_fn(|side| {
        // A side that does not tell in the look has the sense of the others.
        let usual = look.edges[side].map_or(look.step(), |e| e.step);
        edge_along_strip(plane, print, side, usual, blur_px)
    })
}

fn edge_along_strip(plane: &Plane, print: &Print, side: usize, usual_step: f64, blur_px: f64) -> Option<f64> {
    const STRIP_SHARE: f64 = 0.35;
    const ACROSS: i32 = 4;
    let [low, high] = print.outline.bounds();
    let half = |axis: usize| 0.5 * (high[axis] - low[axis]);
    let axis = side % 2;
    let (out, across) = (print.axes.column(axis) * if side < 2 { 1.0 } else { -1.0 }, print.axes.column(1 - axis).into_owned());
    let strip = STRIP_SHARE * half(1 - axis);
    let light = |t: f64| {
        let (mut sum, mut n) = (0.0, 0.0);
        for k in -ACROSS..=ACROSS {
            let off = out * t + across * (f64::from(k) / f64::from(ACROSS) * strip);
            let (x, y) = ((print.at.x + off.x).round(), (print.at.y + off.y).round());
            if x >= 0.0 && y >= 0.0 && (x as usize) < plane.width && (y as usize) < plane.height {
                let i = y as usize * plane.width + x as usize;
                if plane.is_known(i) {
                    sum += f64::from(plane.light[i]);
                    n += 1.0;
                }
            }
        }
        (n > 0.0).then(|| sum / n)
    };
    let from = 0.2 * half(axis);
    let to = 1.35 * half(axis) + 3.0;
    let steps = ((to - from) / 0.5) as usize;
    let profile: Vec<Option<f64>> = (0..=steps).map(|i| light(from + 0.5 * i as f64)).collect();
    let reach = (2.0 * 2.0 * blur_px).ceil() as usize;
    let gap = blur_px.round() as usize;
    let mean = |range: std::ops::Range<usize>| {
        let values: Vec<f64> = profile[range].iter().copied().flatten().collect();
        (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
    };
    let best = (reach..profile.len().saturating_sub(reach))
        .filter_map(|i| {
            let (inside, outside) = (mean(i - reach..i - gap + 1)?, mean(i + gap..i + reach + 1)?);
            Some((from + 0.5 * i as f64 - half(axis), (inside - outside) / usual_step))
        })
        .max_by(|a, b| a.1.total_cmp(&b.1))?;
    (best.1 > 0.33).then_some(best.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use landfit_part::{Piece, PointMm};

    const BLUR: f64 = 1.1;
    const WIDE: [Search; SIDES] = [Search { about_px: 0.0, reach_px: 2.5 }; SIDES];

    /// Rectangles of 18 x 60 px, turned; the end on local -y melts into something half as bright.
    fn plane(prints: &[Print], heel: f64) -> Plane {
        let (width, height) = (260, 200);
        let share = |x: f64| normal_share(x / BLUR);
        let light = (0..width * height)
            .map(|i| {
                let (x, y) = ((i % width) as f64, (i / width) as f64);
                let sum: f64 = prints
                    .iter()
                    .map(|p| {
                        let l = p.axes.try_inverse().unwrap() * Vector2::new(x - p.at.x, y - p.at.y);
                        let across = share(l.x + 9.0) - share(l.x - 9.0);
                        let foot = share(l.y + 30.0) - share(l.y - 30.0);
                        let shank = share(l.y + 50.0) - share(l.y + 30.0);
                        0.5 * across * (foot * (1.0 + 0.004 * l.y) + heel * shank)
                    })
                    .sum();
                (0.1 + sum) as f32
            })
            .collect();
        Plane::of_light(width, height, light)
    }

    fn prints(turn: f64) -> Vec<Print> {
        let (sin, cos) = turn.sin_cos();
        let outline = Outline::of_pieces(&[Piece::rect(18.4, 60.6)], PointMm::ZERO);
        (0..5)
            .map(|i| {
                let t = f64::from(i);
                let at = PointPx::new(45.0 + 38.0 * t + 0.13 * t, 100.0 + 0.37 * t + 38.0 * t * turn);
                Print { at, axes: Matrix2::new(cos, -sin, sin, cos), outline: outline.clone() }
            })
            .collect()
    }

    fn moved(prints: &[Print], by: f64) -> Vec<Print> {
        prints.iter().map(|p| Print { at: PointPx::new(p.at.x + by, p.at.y - 0.7 * by), ..p.clone() }).collect()
    }

    #[test]
    fn rectangles_are_placed_to_a_hundredth_of_a_pixel_whatever_melts_into_one_end() {
        for (turn, heel) in [(0.0, 0.0), (0.07, 0.0), (0.07, 0.5)] {
            let truth = prints(turn);
            let plane = plane(&truth, heel);
            let start = moved(&truth, 0.8);
            let look = GroupLook::learn(&plane, start.iter(), None, &WIDE).expect("edges");
            let place = look.place(&truth[0].outline, [None; 2]);
            let placed: Vec<Print> = start
                .iter()
                .map(|p| {
                    let by = p.axes * Vector2::new(place.shift_px[0], place.shift_px[1]);
                    Print { at: PointPx::new(p.at.x + by.x, p.at.y + by.y), ..p.clone() }
                })
                .collect();
            let look = GroupLook::learn(&plane, placed.iter(), None, &WIDE).expect("edges");
            for (p, t) in placed.iter().zip(&truth) {
                let found = fit(&plane, p, &look, 8.0).expect("a rectangle");
                assert!(found.at.distance(t.at) < 0.02, "{:?} for {:?}, turn {turn}, heel {heel}", found.at, t.at);
                assert!((found.gain - 1.0).abs() < 0.02 && found.growth_px[0].abs() < 0.05, "{found:?}");
            }
        }
    }

    #[test]
    fn an_empty_place_has_no_gain() {
        let truth = prints(0.0);
        let plane = plane(&truth[..4], 0.0);
        let look = GroupLook::learn(&plane, truth[..4].iter(), None, &WIDE).expect("edges");
        let found = probe(&plane, &truth[4], &look).expect("inside");
        assert!(found.gain.abs() < 0.1, "{}", found.gain);
    }

    #[test]
    fn a_short_and_moved_feature_shows_where_its_sides_are() {
        let truth = prints(0.0);
        let plane = plane(&truth, 0.0);
        let look = GroupLook::learn(&plane, truth.iter(), None, &WIDE).expect("edges");
        let larger = Print { outline: truth[2].outline.scaled(1.2, 1.1), ..moved(&truth[2..3], 1.0)[0].clone() };
        let sides = edges_of_one(&plane, &larger, &look);
        let expected = [-1.84 - 0.2 - 1.0, -3.03 - 0.3 + 0.7, -1.84 - 0.2 + 1.0, -3.03 - 0.3 - 0.7];
        for (found, expected) in sides.iter().zip(expected) {
            assert!((found.expect("a side") - expected).abs() < 0.8, "{sides:?}");
        }
    }

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
