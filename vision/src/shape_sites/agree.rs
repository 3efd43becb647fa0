//! What the groups' edges say together: one motion of the pattern and one growth of each class, and which edges are other things.

use crate::find::outline::Outline;
use crate::find::outline_look::{GroupLook, SIZE_SCATTER};
use crate::find::print::Print;
use crate::find::side_edge::SideEdge;
use crate::sites::LARGEST_LAND;
use nalgebra::{DMatrix, DVector, Vector2};
use std::collections::BTreeMap;

/// What the teachers of one group taught.
pub(super) struct Learned {
    pub key: (u16, i32, i32),
    /// One of the teachers.
    pub first: usize,
    /// Middle of their places, px of the plane.
    pub middle: Vector2<f64>,
    pub n: usize,
    pub look: GroupLook,
}

/// Etching takes from a land, or leaves on it, the same on all sides, to within this, px …
const EVENLY_ETCHED_PX: f64 = 0.5;

/// … and one that is longer but not wider by more, or larger than lands are made, has another edge (the rim of its opening) for one of its
/// own: by how much.
pub(super) fn oddly_grown_px(look: &GroupLook, outline: &Outline) -> f64 {
    let unevenly_px = look.grown_px(0).zip(look.grown_px(1)).map_or(0.0, |(across, along)| 0.5 * (along - across).abs());
    let too_much_px = |axis: usize| if are_alike(look, axis) { 0.0 } else { 0.5 * over_largest_px(look, outline, axis) };
    (unevenly_px.max(too_much_px(0)).max(too_much_px(1)) - EVENLY_ETCHED_PX).max(0.0)
}

/// The mean over all features that taught of what each group has one value of.
pub(super) fn mean_over_features(learned: &[Learned], of_groups: &[f64]) -> f64 {
    let n: usize = learned.iter().map(|l| l.n).sum();
    let sum: f64 = learned.iter().zip(of_groups).map(|(l, of_group)| l.n as f64 * of_group).sum();
    sum / n.max(1) as f64
}

/// Both sides of one face end in steps alike: none has less than this share of the other's, and the light outside differs by less than this
/// share of them. Choices: the rim of an opening and the edge of a land within it differed by 0.4 and by 0.25 of the step.
const LEAST_STEP_OF_ALIKE: f64 = 0.7;
const MOST_OUTSIDE_OF_ALIKE: f64 = 0.15;

/// Whether the two sides that face each other along an axis end alike: both at the land, or both at the rim of the opening.
fn are_alike(look: &GroupLook, axis: usize) -> bool {
    look.edges[axis].zip(look.edges[axis + 2]).is_none_or(|(a, b)| {
        let largest = a.step.abs().max(b.step.abs());
        (a.step / b.step).min(b.step / a.step) > LEAST_STEP_OF_ALIKE && (a.outside - b.outside).abs() < MOST_OUTSIDE_OF_ALIKE * largest
    })
}

/// How much wider (axis 0) or longer (1) the lands are seen than lands are made, px.
fn over_largest_px(look: &GroupLook, outline: &Outline, axis: usize) -> f64 {
    let [low, high] = outline.bounds();
    look.grown_px(axis).map_or(0.0, |grown_px| grown_px - (LARGEST_LAND - 1.0) * (high[axis] - low[axis]))
}

/// A rim is taken for an end where a trace as bright as the land crosses the gap between them: with the end, looked for where an even
/// etching has it, for the one of both rims that shows such an end more clearly.
pub(super) fn evenly_etched(look: GroupLook, outline: &Outline) -> GroupLook {
    let look = (0..2).fold(look, |look, axis| with_own_rims(look, outline, axis));
    let (Some(across_px), Some(along_px)) = (look.grown_px(0), look.grown_px(1)) else { return look };
    if along_px - across_px < 2.0 * EVENLY_ETCHED_PX {
        return look;
    }
    let reach_px = EVENLY_ETCHED_PX.max(AGAIN_PX);
    with_an_end_again(look, 1, (across_px, reach_px), |end, _| Some(end.step.abs()))
}

/// The look with one of the two ends along an axis looked for where a growth of so much has it, within so many px: the end of the higher
/// score against the other one, which stays.
fn with_an_end_again(
    look: GroupLook,
    axis: usize,
    (grown_px, reach_px): (f64, f64),
    score: impl Fn(&SideEdge, &SideEdge) -> Option<f64>,
) -> GroupLook {
    let again = |side: usize| {
        let other = look.edges[(side + 2) % 4]?;
        let again = look.clone().with_side_near(side, grown_px - other.at_px, reach_px);
        Some((score(&again.edges[side]?, &other)?, again))
    };
    let found = [again(axis), again(axis + 2)].into_iter().flatten().max_by(|a, b| a.0.total_cmp(&b.0));
    found.map_or(look, |f| f.1)
}

/// A face that falls towards its edges ends in a lower step than the rim of the opening about it: where a land is seen larger than lands
/// are made, one of two sides that face each other may be that rim. With the land's own edge, where it shows as high a step as the other
/// side's.
fn with_own_rims(look: GroupLook, outline: &Outline, axis: usize) -> GroupLook {
    if over_largest_px(&look, outline, axis) < (2.0 * EVENLY_ETCHED_PX).max(LEAST_GAP_BLURS * look.blur_px()) || are_alike(&look, axis) {
        return look;
    }
    let [low, high] = outline.bounds();
    let reach_px = AGAIN_PX.max((LARGEST_LAND - 1.0) * (high[axis] - low[axis]));
    with_an_end_again(look, axis, (0.0, reach_px), |end, other| Some(end.step / other.step).filter(|ratio| *ratio > LEAST_STEP_OF_OTHER))
}

/// Rims closer to each other than this pass for one, in blurs.
const LEAST_GAP_BLURS: f64 = 2.0;
/// The step at the edge of a face that falls is known to about this share, for the fall inside it takes its part. A choice.
const LEAST_STEP_OF_OTHER: f64 = 0.3;

/// For each class the largest doubt of its groups along each axis where a quarter of its teachers or more do not show both ends,
/// px; 0 elsewhere.
pub(super) fn unseen_ends(learned: &[Learned], prints: &[Print], grown: &dyn Fn(u16) -> Grown) -> BTreeMap<u16, [f64; 2]> {
    let mut unseen: BTreeMap<u16, [f64; 2]> = BTreeMap::new();
    for class in learned.iter().map(|l| l.key.0) {
        let of_class = || learned.iter().filter(move |l| l.key.0 == class);
        let all: usize = of_class().map(|l| l.n).sum();
        let axis_doubt = |axis: usize| {
            let without = || of_class().filter(move |l| l.look.edges[axis].is_none() || l.look.edges[axis + 2].is_none());
            let n: usize = without().map(|l| l.n).sum();
            let largest = without().map(|l| l.look.place(&prints[l.first].outline, grown(class)).whole_doubt_px(axis)).fold(0.0, f64::max);
            if 4 * n >= all { largest } else { 0.0 }
        };
        unseen.insert(class, [axis_doubt(0), axis_doubt(1)]);
    }
    unseen
}

/// A face seen shorter than this share of its design may have had its ends taken within it, where its light falls to them, …
const LEAST_MISSING: f64 = 0.08;
/// … if the edges are known no better than this on the mean, px: not at all below the first, wholly above the second. On 275 rendered parts of
/// three to eight feet 44 of these lengths and widths are seen shorter by more. Of 38 the edges are known to 0.25 px and better, and the feet
/// lie within 0.16 px; of four that were answered of the others, known to 0.26 to 0.43 px, two are 0.34 and 0.4 px off. One part of another
/// study whose edges are known to 0.66 px is 3.8 px off.
const KNOWN_TO_PX: [f64; 2] = [0.25, 0.6];
/// One of the ends may be right, and all that is missing lie beyond the other: the face lies half of that off. One standard uncertainty is this
/// share of it.
const OF_MISSING: f64 = 0.5;

/// For each class how far its features may lie off the middle of ends that were taken within them, standard uncertainties along each axis, px.
pub(super) fn ends_within(learned: &[Learned], prints: &[Print], grown: &dyn Fn(u16) -> Grown) -> BTreeMap<u16, [f64; 2]> {
    let of_class = |class: u16| learned.iter().filter(move |l| l.key.0 == class);
    let doubt_px = |class: u16, axis: usize| {
        let known_to_px: Vec<f64> =
            of_class(class).flat_map(|l| [axis, axis + 2].map(|side| l.look.edges[side].map(|e| e.at_u_px))).flatten().collect();
        let (Some((grown_px, _)), Some(first)) = (grown(class)[axis], of_class(class).next()) else { return 0.0 };
        let [low, high] = prints[first.first].outline.bounds();
        let half_missing_px = -grown_px;
        if 2.0 * half_missing_px < LEAST_MISSING * (high[axis] - low[axis]) || known_to_px.is_empty() {
            return 0.0;
        }
        let mean_px = known_to_px.iter().sum::<f64>() / known_to_px.len() as f64;
        let [from, to] = KNOWN_TO_PX;
        OF_MISSING * half_missing_px * ((mean_px - from) / (to - from)).clamp(0.0, 1.0)
    };
    learned.iter().map(|l| (l.key.0, [0, 1].map(|axis| doubt_px(l.key.0, axis)))).collect()
}

/// An edge further than this from where all groups together put it, px, is looked for again …
const STRAY_PX: f64 = 0.7;
/// … within this of that place.
const AGAIN_PX: f64 = 0.9;

/// How far the two sides of a class lie outside of the designed outline, across and along, px each, with its standard uncertainty.
pub(super) type Grown = [Option<(f64, f64)>; 2];

/// Makes the groups agree: one motion of the whole pattern and one growth of each class across and along should explain where
/// all edges are. An edge that they do not explain is another thing (the shadow beside a foot, the rim of a mask opening): it
/// is looked for again near its place, and tells nothing when it is not there. Returns the growth of each class: rows that face
/// each other tell it by their outer ends alone.
pub(super) fn agree(learned: &mut [Learned], prints: &[Print]) -> BTreeMap<u16, Grown> {
    let joint = Joint::of(learned);
    let Some(mut solved) = joint.solve(learned, prints) else { return BTreeMap::new() };
    let mut is_again = false;
    // Fewer than two groups, or hardly more edges than unknowns, contradict nothing.
    if learned.len() > 1 && joint.edges(learned).count() > joint.unknowns() + 1 {
        let off_px = |g: usize, side: usize| {
            let edge = learned[g].look.edges[side].as_ref()?;
            let expected_px = joint.row(&learned[g], prints, side).dot(&solved.0);
            Some((edge.at_px - expected_px, expected_px))
        };
        let stray = |(g, side, _): (usize, usize, &SideEdge)| {
            let (off, expected_px) = off_px(g, side)?;
            let is_far = off.abs() > STRAY_PX.max(3.0 * Joint::edge_u_px(&learned[g], prints, side));
            let is_own_size = off_px(g, (side + 2) % 4).is_some_and(|(other, _)| (off - other).abs() < STRAY_PX);
            (is_far && !is_own_size).then_some((g, side, expected_px))
        };
        let strays: Vec<(usize, usize, f64)> = joint.edges(learned).filter_map(stray).collect();
        for (g, side, expected_px) in strays {
            learned[g].look = learned[g].look.clone().with_side_near(side, expected_px, AGAIN_PX);
            is_again = true;
        }
    }
    if is_again {
        let Some(again) = joint.solve(learned, prints) else { return BTreeMap::new() };
        solved = again;
    }
    let (solution, covariance) = solved;
    let scatter_px = |class: u16, axis: usize| {
        let of_class = || learned.iter().filter(move |l| l.key.0 == class);
        let n: usize = of_class().map(|l| l.n).sum();
        let [low, high] = of_class().next().map_or([[0.0; 2]; 2], |l| prints[l.first].outline.bounds());
        0.5 * SIZE_SCATTER * (high[axis] - low[axis]) / (n.max(1) as f64).sqrt()
    };
    let grown = |(i, class): (usize, &u16)| {
        let of_axis = |axis: usize| {
            let at = 3 + 2 * i + axis;
            Some((solution[at], covariance[(at, at)].max(0.0).sqrt().hypot(scatter_px(*class, axis))))
        };
        (*class, [of_axis(0), of_axis(1)])
    };
    joint.classes.iter().enumerate().map(grown).collect()
}

/// One motion of the pattern and two growths of each class.
struct Joint {
    classes: Vec<u16>,
    middle: Vector2<f64>,
    reach: f64,
}

impl Joint {
    fn of(learned: &[Learned]) -> Self {
        let mut classes: Vec<u16> = learned.iter().map(|l| l.key.0).collect();
        classes.dedup();
        let middle = learned.iter().fold(Vector2::zeros(), |sum, l| sum + l.middle) / learned.len().max(1) as f64;
        let reach = learned.iter().map(|l| (l.middle - middle).norm()).fold(1.0, f64::max);
        Self { classes, middle, reach }
    }

    fn unknowns(&self) -> usize {
        3 + 2 * self.classes.len()
    }

    /// Group, side and edge of all edges that were learned.
    fn edges<'a>(&self, learned: &'a [Learned]) -> impl Iterator<Item = (usize, usize, &'a SideEdge)> {
        let of_group =
            |(g, l): (usize, &'a Learned)| l.look.edges.iter().enumerate().filter_map(move |(side, e)| Some((g, side, e.as_ref()?)));
        learned.iter().enumerate().flat_map(of_group)
    }

    /// How far an edge may lie off what the class' growth says: its own noise, and the sizes of the few that it was learned from.
    fn edge_u_px(l: &Learned, prints: &[Print], side: usize) -> f64 {
        let [low, high] = prints[l.first].outline.bounds();
        let size_px = high[side % 2] - low[side % 2];
        l.look.edge_doubt_px(side).hypot(0.5 * SIZE_SCATTER * size_px / (l.n.max(1) as f64).sqrt())
    }

    /// How an edge's place answers to the unknowns.
    fn row(&self, l: &Learned, prints: &[Print], side: usize) -> DVector<f64> {
        let local = [[1.0, 0.0], [0.0, 1.0], [-1.0, 0.0], [0.0, -1.0]][side];
        let normal = prints[l.first].axes * Vector2::new(local[0], local[1]);
        let arm = (l.middle - self.middle) / self.reach;
        let mut row = DVector::<f64>::zeros(self.unknowns());
        row[0] = normal.x;
        row[1] = normal.y;
        row[2] = normal.y * arm.x - normal.x * arm.y;
        let class = self.classes.iter().position(|c| *c == l.key.0).unwrap_or(0);
        row[3 + 2 * class + side % 2] = 1.0;
        row
    }

    /// The unknowns and their covariance.
    fn solve(&self, learned: &[Learned], prints: &[Print]) -> Option<(DVector<f64>, DMatrix<f64>)> {
        let edges: Vec<(DVector<f64>, f64, f64)> = self
            .edges(learned)
            .map(|(g, side, e)| (self.row(&learned[g], prints, side), e.at_px, Self::edge_u_px(&learned[g], prints, side)))
            .collect();
        // Hardly more edges than unknowns contradict nothing, and none of them is to be believed less.
        let is_robust = edges.len() > self.unknowns() + 1;
        // Where it lies is known to some px, how it is grown to fewer.
        let known = DVector::from_fn(self.unknowns(), |i, _| if i < 3 { 1.0 / 9.0 } else { 1.0 / 4.0 });
        let mut solution = DVector::<f64>::zeros(self.unknowns());
        let mut covariance = DMatrix::zeros(self.unknowns(), self.unknowns());
        for step in 0..20 {
            let mut normal = DMatrix::from_diagonal(&known);
            let mut right = DVector::<f64>::zeros(self.unknowns());
            for (row, at_px, u_px) in &edges {
                let miss = at_px - row.dot(&solution);
                // Least absolute misses at first, then ever less weight for what strays.
                let robust = match step {
                    _ if !is_robust => 1.0,
                    0..8 => 1.0 / miss.abs().max(0.2),
                    _ => 1.0 / (1.0 + (miss / 0.5).powi(2)),
                };
                normal += row * row.transpose() * (robust / u_px.powi(2));
                right += row * (at_px * robust / u_px.powi(2));
            }
            covariance = normal.try_inverse()?;
            solution = &covariance * right;
        }
        Some((solution, covariance))
    }
}
