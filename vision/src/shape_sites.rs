//! Measures every site of a side whose shapes are not discs of one size: where its feature is, and whether it is as it should be.

use crate::answer::{SiteState, SuspectKind};
use crate::find::intruders::{Seen, without_intruders};
use crate::find::outline_fit::{Fitted, GroupLook, GroupPlace, Print, SIZE_SCATTER, Search, edges_of_one, fit, probe};
use crate::find::side_edge::SideEdge;
use crate::plane::Plane;
use crate::shapes::SLACK_SHARE;
use crate::sites::{Expected, Measured};
use crate::view::{PointPx, ScaleSource};
use landfit_part::Side;
use nalgebra::{DMatrix, DVector, Matrix2, Vector2};
use std::collections::BTreeMap;

/// Where a site's feature should be, and how it should lie.
pub(crate) struct Target {
    pub expected: Expected,
    pub print: Print,
    /// Sites of the same group share a look.
    pub group: (u16, i32, i32),
}

/// What was measured in one view.
pub(crate) struct ShapesMeasured {
    /// One for each target, in their order.
    pub measured: Vec<Measured>,
    /// Blur of the features' edges, px.
    pub blur_px: f64,
    /// Standard uncertainty, px, along each axis, that all features share.
    pub common_doubt_px: f64,
    /// Usual width that is seen over the designed one.
    pub over_design: f64,
    /// What features share of their doubt.
    pub shared: Vec<SharedDoubt>,
}

/// One thing that is not known and moves several features together: each by so much for one standard uncertainty of it.
pub(crate) struct SharedDoubt {
    /// Site and px of the plane.
    pub moves: Moves,
}

/// By how much each of several is moved.
pub(crate) type Moves = Vec<(usize, Vector2<f64>)>;

/// Below this share of the usual contrast nothing stands there.
const ABSENT_BELOW_GAIN: f64 = 0.35;
/// The same for a pad that is the only one of its class: where it shows an outline.
const LONE_BELOW_GAIN: f64 = 0.1;
/// Below this share of what the model usually explains, the feature is odd.
const ODD_BELOW_EXPLAINED: f64 = 0.6;
/// Sizes outside this range of the usual one are suspect, as for round features.
const USUAL_SIZES: std::ops::RangeInclusive<f64> = 0.82..=1.2;
/// A feature with this share of its outline's box saturated or off the plane cannot be judged.
const HIDDEN_ABOVE_SHARE: f64 = 0.4;
/// Rounds of learning looks and measuring with them.
const ROUNDS: usize = 3;
/// Of the camera's rounding so much stays after averaging round all outlines, as for round features.
const STEPS_DOUBT: f64 = 0.3;

/// Measures the features of one side in one plane. `None` when no look can be learned from the expected places.
pub(crate) fn measure(side: Side, scale_from: ScaleSource, whole: &Plane, targets: &[Target]) -> Option<ShapesMeasured> {
    let mut prints: Vec<Print> = targets.iter().map(|t| t.print.clone()).collect();
    let mut groups: BTreeMap<(u16, i32, i32), Vec<usize>> = BTreeMap::new();
    for (i, target) in targets.iter().enumerate() {
        groups.entry(target.group).or_default().push(i);
    }
    let mut of_class: BTreeMap<u16, usize> = BTreeMap::new();
    targets.iter().for_each(|t| *of_class.entry(t.group.0).or_default() += 1);
    let teaches = |i: usize| {
        // An exposed pad has no others to learn from, and its coarse place is coarse.
        if of_class[&targets[i].group.0] == 1 && targets.len() > FEW_SITES {
            return true;
        }
        let Target { expected, print, .. } = &targets[i];
        let near_px = (0.5 * print.outline.narrow_half()).max(2.0);
        // A long outline is found less closely along itself.
        let [low, high] = print.outline.bounds();
        let slack_px = SLACK_SHARE * ((high[1] - low[1]) - (high[0] - low[0])).max(0.0);
        let local = |c: PointPx| Some(print.axes.try_inverse()? * Vector2::new(c.x - expected.at.x, c.y - expected.at.y));
        expected.candidate.and_then(local).is_some_and(|off| off.x.hypot((off.y.abs() - slack_px).max(0.0)) < near_px)
    };
    let mut looks: BTreeMap<(u16, i32, i32), GroupLook> = BTreeMap::new();
    let mut places: BTreeMap<(u16, i32, i32), GroupPlace> = BTreeMap::new();
    let mut blur_px = None;
    let mut cleared: Option<Plane> = None;
    for round in 0..=ROUNDS {
        let plane = cleared.as_ref().unwrap_or(whole);
        let mut learned: Vec<Learned> = Vec::new();
        for (key, members) in &groups {
            let teachers: Vec<usize> = members.iter().copied().filter(|&i| teaches(i)).collect();
            let Some(first) = teachers.first() else { continue };
            let search = searches(&prints[*first], looks.get(key));
            if let Some(look) = GroupLook::learn(plane, teachers.iter().map(|&i| &prints[i]), blur_px, &search) {
                let look = if side == Side::Board { evenly_etched(look) } else { look };
                learned.push(Learned {
                    key: *key,
                    first: *first,
                    middle: middle_of(teachers.iter().map(|&i| prints[i].at)),
                    n: teachers.len(),
                    look,
                });
            }
        }
        let grown = agree(&mut learned, &prints);
        let grown = |class: u16| grown.get(&class).copied().unwrap_or([None; 2]);
        looks.clear();
        let unseen_px = unseen_ends(&learned, &prints, &grown);
        for Learned { key, first, look, .. } in learned {
            let mut place = look.place(&prints[first].outline, grown(key.0));
            if scale_from != ScaleSource::Bench {
                // Rows that show their outer ends alone are longer, or seen larger: as much in doubt as if nothing told.
                let GroupPlace { doubt_px, by_growth_px, by_falling_light_px, .. } = look.place(&prints[first].outline, [None; 2]);
                place = GroupPlace { doubt_px, by_growth_px, by_falling_light_px, ..place };
            }
            // Where other rows of the same leads do not show their ends, what passes for an end here is doubtful, too.
            if let Some(least_px) = unseen_px.get(&key.0) {
                let more_px = |axis: usize| ((0.7 * least_px[axis]).powi(2) - place.whole_doubt_px(axis).powi(2)).max(0.0).sqrt();
                place.doubt_px = std::array::from_fn(|axis| place.doubt_px[axis].hypot(more_px(axis)));
            }
            if side == Side::Board {
                let odd_px = oddly_grown_px(&look);
                place.doubt_px = place.doubt_px.map(|doubt_px| doubt_px.hypot(odd_px));
            }
            for &i in groups.get(&key).into_iter().flatten() {
                let by = prints[i].axes * Vector2::new(place.shift_px[0], place.shift_px[1]);
                prints[i].at = PointPx::new(prints[i].at.x + by.x, prints[i].at.y + by.y);
            }
            looks.insert(key, look.moved(place.shift_px));
            places.insert(key, place);
        }
        blur_px = usual_blur_px(&looks, &groups);
        if round == 0 {
            // The blur was not known when the looks were learned first.
            continue;
        }
        if round == 1 {
            cleared = without_intruders(whole, &seen_outlines(side, &prints, &looks, &groups));
        }
        let plane = cleared.as_ref().unwrap_or(whole);
        for (key, members) in &groups {
            let Some(look) = looks.get(key) else { continue };
            for &i in members.iter().filter(|&&i| teaches(i)) {
                let most_px = 0.5 * prints[i].outline.narrow_half();
                if let Some(found) = fit(plane, &prints[i], look, most_px).filter(|f| f.gain > 0.5) {
                    prints[i].at = found.at;
                }
            }
        }
    }
    let blur_px = blur_px?;
    let plane = cleared.as_ref().unwrap_or(whole);
    if !are_outlines(&looks, &groups) {
        return None;
    }
    let usual = Usual::of(&looks, &groups)?;
    let fallback = usual.look(blur_px);
    let mut fitted: Vec<Option<Fitted>> = vec![None; targets.len()];
    let mut look_of: Vec<&GroupLook> = vec![&fallback; targets.len()];
    for (key, members) in &groups {
        // A pad of its own class may be darker than the others; its own outline says that it is there.
        let is_alone = of_class[&key.0] == 1;
        let look = looks.get(key).filter(|l| usual.is_valid(l, is_alone)).unwrap_or(&fallback);
        for &i in members {
            look_of[i] = look;
            let narrow = prints[i].outline.narrow_half();
            let shifted =
                |p: PointPx| PointPx::new(p.x + prints[i].at.x - targets[i].print.at.x, p.y + prints[i].at.y - targets[i].print.at.y);
            let seen =
                targets[i].expected.candidate.filter(|c| !teaches(i) && c.distance(targets[i].expected.at) > 0.25 * narrow).map(shifted);
            fitted[i] = seen
                .and_then(|at| fit(plane, &Print { at, ..prints[i].clone() }, look, narrow))
                .or_else(|| fit(plane, &prints[i], look, 0.7 * narrow));
        }
    }
    let explained = usual_explained(&fitted);
    let measured = (0..targets.len())
        .map(|i| {
            let doubt_px = places.get(&targets[i].group).map_or([0.0; 2], |place| [0, 1].map(|axis| place.whole_doubt_px(axis)));
            judge((plane, whole), &targets[i], &prints[i], look_of[i], fitted[i].as_ref(), explained, doubt_px)
        })
        .collect();
    let slope = usual.step.abs() / (blur_px * std::f64::consts::TAU.sqrt());
    let steps_px = STEPS_DOUBT * f64::from(plane.step_of_light) / 12.0_f64.sqrt() / slope.max(1e-12);
    let over_design = usual_width_over_design(&looks, &groups, &prints);
    let shared = shared_doubts(&places, &groups, targets);
    Some(ShapesMeasured { measured, blur_px, common_doubt_px: steps_px, over_design, shared })
}

/// All outlines, where they are known to lie, with the kinds of their sides: before lands all ends have the same ground, and all long
/// sides; before leads, heels and toes have each their own.
fn seen_outlines<'a>(
    side: Side,
    prints: &'a [Print],
    looks: &'a BTreeMap<(u16, i32, i32), GroupLook>,
    groups: &BTreeMap<(u16, i32, i32), Vec<usize>>,
) -> Vec<Seen<'a>> {
    let mut seen = Vec::new();
    for (key, members) in groups {
        let Some(look) = looks.get(key) else { continue };
        let kind = |of_outline: usize| 4 * u32::from(key.0) + (if side == Side::Board { of_outline % 2 } else { of_outline }) as u32;
        let kinds = std::array::from_fn(kind);
        seen.extend(members.iter().map(|&i| Seen { print: &prints[i], look, kinds }));
    }
    seen
}

/// What the groups and their classes do not know of where they lie.
fn shared_doubts(
    places: &BTreeMap<(u16, i32, i32), GroupPlace>,
    groups: &BTreeMap<(u16, i32, i32), Vec<usize>>,
    targets: &[Target],
) -> Vec<SharedDoubt> {
    let moves = |key: &(u16, i32, i32), axis: usize, by_px: f64| -> Moves {
        let of = |i: &usize| (targets[*i].expected.site, targets[*i].print.axes.column(axis) * by_px);
        groups.get(key).into_iter().flatten().map(of).collect()
    };
    let mut shared: Vec<SharedDoubt> = Vec::new();
    let mut of_class: BTreeMap<(u16, usize, bool), Moves> = BTreeMap::new();
    for (key, place) in places {
        for axis in 0..2 {
            shared.push(SharedDoubt { moves: moves(key, axis, place.doubt_px[axis]) });
            for (is_growth, by_px) in [(true, place.by_growth_px[axis]), (false, place.by_falling_light_px[axis])] {
                of_class.entry((key.0, axis, is_growth)).or_default().extend(moves(key, axis, by_px));
            }
        }
    }
    shared.extend(of_class.into_values().map(|moves| SharedDoubt { moves }));
    shared.retain(|s| s.moves.iter().any(|(_, by)| by.norm() > 0.0));
    shared
}

/// The middle over all groups whose both long sides are seen; 1 where none is.
fn usual_width_over_design(
    looks: &BTreeMap<(u16, i32, i32), GroupLook>,
    groups: &BTreeMap<(u16, i32, i32), Vec<usize>>,
    prints: &[Print],
) -> f64 {
    let of_group = |(key, look): (&(u16, i32, i32), &GroupLook)| {
        let members = groups.get(key)?;
        let [low, high] = prints[*members.first()?].outline.bounds();
        Some(std::iter::repeat_n(1.0 + look.grown_px(0)? / (high[0] - low[0]), members.len()))
    };
    let mut ratios: Vec<f64> = looks.iter().filter_map(of_group).flatten().collect();
    ratios.sort_by(f64::total_cmp);
    ratios.get(ratios.len() / 2).copied().unwrap_or(1.0)
}

/// Where the sides of a group are looked for: about where they were in the round before, or at first over what sizes and poses may
/// be off.
fn searches(print: &Print, before: Option<&GroupLook>) -> [Search; 4] {
    let [low, high] = print.outline.bounds();
    let by_narrow_px = (0.4 * print.outline.narrow_half()).clamp(1.5, 5.0);
    std::array::from_fn(|side| {
        let half_px = 0.5 * (high[side % 2] - low[side % 2]);
        let wide = Search { about_px: 0.0, reach_px: by_narrow_px.max((0.2 * half_px).min(8.0)) };
        before.map_or(wide, |look| look.edges[side].map_or(wide, |e| Search { about_px: e.at_px, reach_px: SETTLED_REACH_PX }))
    })
}

/// Fewer sites than this are few.
const FEW_SITES: usize = 12;
/// An edge that was found once is not looked for further away, px.
const SETTLED_REACH_PX: f64 = 1.5;

/// Whether most of the looks show an outline. Where few sites say where the pattern is, three sides of it must be seen: a place
/// that only shows an edge or two is another thing. Among many, a stripe with two sides is a lead of a heel and toe unseen.
fn are_outlines(looks: &BTreeMap<(u16, i32, i32), GroupLook>, groups: &BTreeMap<(u16, i32, i32), Vec<usize>>) -> bool {
    let (mut shown, mut all) = (0, 0);
    let least_sides = if groups.values().map(Vec::len).sum::<usize>() < FEW_SITES { 3 } else { 2 };
    for (key, members) in groups {
        all += members.len();
        if looks.get(key).is_some_and(|look| look.edges.iter().flatten().count() >= least_sides) {
            shown += members.len();
        }
    }
    2 * shown > all
}

/// What the teachers of one group taught.
struct Learned {
    key: (u16, i32, i32),
    /// One of the teachers.
    first: usize,
    /// Middle of their places, px of the plane.
    middle: Vector2<f64>,
    n: usize,
    look: GroupLook,
}

fn middle_of(places: impl Iterator<Item = PointPx>) -> Vector2<f64> {
    let (mut sum, mut n) = (Vector2::zeros(), 0.0);
    for p in places {
        sum += Vector2::new(p.x, p.y);
        n += 1.0;
    }
    sum / f64::max(n, 1.0)
}

/// Etching takes from a land, or leaves on it, the same on all sides, to within this, px …
const EVENLY_ETCHED_PX: f64 = 0.5;

/// … and one that is longer but not wider by more has another edge (the rim of its opening) for one of its own: by how much.
fn oddly_grown_px(look: &GroupLook) -> f64 {
    let odd_px = look.grown_px(0).zip(look.grown_px(1)).map_or(0.0, |(across, along)| 0.5 * (along - across).abs());
    (odd_px - EVENLY_ETCHED_PX).max(0.0)
}

/// A rim is taken for an end where a trace as bright as the land crosses the gap between them: with the end, looked for where an even
/// etching has it, for the one of both rims that shows such an end more clearly.
fn evenly_etched(look: GroupLook) -> GroupLook {
    let (Some(across_px), Some(along_px)) = (look.grown_px(0), look.grown_px(1)) else { return look };
    if along_px - across_px < 2.0 * EVENLY_ETCHED_PX {
        return look;
    }
    let again = |side: usize| {
        let other_px = look.edges[(side + 2) % 4]?.at_px;
        let again = look.clone().with_side_near(side, across_px - other_px, EVENLY_ETCHED_PX.max(AGAIN_PX));
        again.edges[side].map(|edge| (edge.step.abs(), again))
    };
    let found = [again(1), again(3)].into_iter().flatten().max_by(|a, b| a.0.total_cmp(&b.0));
    found.map_or(look, |f| f.1)
}

/// For each class the largest doubt of its groups along each axis where a quarter of its teachers or more do not show both ends,
/// px; 0 elsewhere.
fn unseen_ends(learned: &[Learned], prints: &[Print], grown: &dyn Fn(u16) -> Grown) -> BTreeMap<u16, [f64; 2]> {
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

/// An edge further than this from where all groups together put it, px, is looked for again …
const STRAY_PX: f64 = 0.7;
/// … within this of that place.
const AGAIN_PX: f64 = 0.9;

/// How far the two sides of a class lie outside of the designed outline, across and along, px each, with its standard uncertainty.
type Grown = [Option<(f64, f64)>; 2];

/// Makes the groups agree: one motion of the whole pattern and one growth of each class across and along should explain where
/// all edges are. An edge that they do not explain is another thing (the shadow beside a foot, the rim of a mask opening): it
/// is looked for again near its place, and tells nothing when it is not there. Returns the growth of each class: rows that face
/// each other tell it by their outer ends alone.
fn agree(learned: &mut [Learned], prints: &[Print]) -> BTreeMap<u16, Grown> {
    let joint = Joint::of(learned);
    let Some(mut solved) = joint.solve(learned, prints) else { return BTreeMap::new() };
    let mut is_again = false;
    // Fewer than two groups, or hardly more edges than unknowns, contradict nothing.
    if learned.len() > 1 && joint.edges(learned).count() > joint.unknowns() + 1 {
        let strays: Vec<(usize, usize, f64)> = joint
            .edges(learned)
            .filter_map(|(g, side, e)| {
                let expected_px = joint.row(&learned[g], prints, side).dot(&solved.0);
                ((e.at_px - expected_px).abs() > STRAY_PX.max(3.0 * Joint::edge_u_px(&learned[g], prints, side))).then_some((
                    g,
                    side,
                    expected_px,
                ))
            })
            .collect();
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

fn usual_blur_px(looks: &BTreeMap<(u16, i32, i32), GroupLook>, groups: &BTreeMap<(u16, i32, i32), Vec<usize>>) -> Option<f64> {
    let mut blurs: Vec<f64> = looks
        .iter()
        .flat_map(|(key, look)| {
            let blur_px = look.blur_px();
            std::iter::repeat_n(blur_px, groups.get(key).map_or(1, Vec::len))
        })
        .filter(|b| b.is_finite())
        .collect();
    blurs.sort_by(f64::total_cmp);
    blurs.get(blurs.len() / 2).copied()
}

/// What is usual for the features of this picture, over all groups.
struct Usual {
    step: f64,
    outside: f64,
}

impl Usual {
    fn of(looks: &BTreeMap<(u16, i32, i32), GroupLook>, groups: &BTreeMap<(u16, i32, i32), Vec<usize>>) -> Option<Self> {
        let mut steps: Vec<(f64, f64)> = Vec::new();
        for (key, look) in looks {
            let outside = look.edges.iter().flatten().max_by(|a, b| a.step.abs().total_cmp(&b.step.abs())).map_or(0.0, |e| e.outside);
            steps.extend(std::iter::repeat_n((look.step(), outside), groups.get(key).map_or(1, Vec::len)));
        }
        steps.sort_by(|a, b| a.0.total_cmp(&b.0));
        steps.get(steps.len() / 2).map(|&(step, outside)| Self { step, outside })
    }

    fn is_valid(&self, look: &GroupLook, is_alone: bool) -> bool {
        let least = if is_alone { LONE_BELOW_GAIN } else { ABSENT_BELOW_GAIN };
        let shows_outline = look.edges.iter().flatten().count() >= 3;
        look.step() * self.step.signum() > least * self.step.abs() && (!is_alone || shows_outline)
    }

    /// A look for places where none could be learned.
    fn look(&self, blur_px: f64) -> GroupLook {
        let edge = SideEdge {
            outside: self.outside,
            step: self.step,
            slope: 0.0,
            bend: 0.0,
            is_bent: false,
            at_px: 0.0,
            blur_px,
            at_u_px: 0.0,
            pixels: 0.0,
            band_out_blurs: 1.8,
        };
        GroupLook::of_edge(edge)
    }
}

fn usual_explained(fitted: &[Option<Fitted>]) -> f64 {
    let mut values: Vec<f64> = fitted.iter().flatten().map(|f| f.explained).collect();
    values.sort_by(f64::total_cmp);
    values.get(values.len() * 6 / 10).copied().unwrap_or(0.0)
}

/// `plane` is without what meets outlines, `whole` is with it.
fn judge(
    (plane, whole): (&Plane, &Plane),
    target: &Target,
    print: &Print,
    look: &GroupLook,
    fitted: Option<&Fitted>,
    explained: f64,
    doubt_px: [f64; 2],
) -> Measured {
    let site = target.expected.site;
    let narrow_px = 2.0 * print.outline.narrow_half();
    let shared = || print.axes * Matrix2::from_diagonal(&Vector2::new(doubt_px[0].powi(2), doubt_px[1].powi(2))) * print.axes.transpose();
    let found = |state, f: &Fitted, size_ratio| {
        let shared_px2 = shared();
        Measured { site, state, centre: Some((f.at, f.covariance_px2 + shared_px2)), shared_px2, size_ratio }
    };
    let is_there = |f: &&Fitted| f.gain > ABSENT_BELOW_GAIN && f.gain > 2.0 * f.gain_u;
    let is_alike = |f: &&Fitted| f.explained > ODD_BELOW_EXPLAINED * explained;
    if let Some(f) = fitted.filter(is_there).filter(is_alike) {
        let size_ratio = 1.0 + 2.0 * f.growth_px[0] / narrow_px;
        if (size_ratio - 1.0).abs() < 0.1 {
            return found(SiteState::Good, f, size_ratio);
        }
    }
    // Its sides lie outside the narrow band: look for each of them over a longer way.
    let start = target
        .expected
        .candidate
        .map_or(print.at, |c| PointPx::new(c.x + print.at.x - target.print.at.x, c.y + print.at.y - target.print.at.y));
    if let Some((f, size_ratio)) = resized(plane, &Print { at: start, ..print.clone() }, look) {
        let state = match size_ratio {
            r if USUAL_SIZES.contains(&r) => SiteState::Good,
            r if r < 1.0 => SiteState::Suspect(SuspectKind::Small),
            _ => SiteState::Suspect(SuspectKind::Large),
        };
        let f = f.filter(|f| f.gain > ABSENT_BELOW_GAIN && f.explained > ODD_BELOW_EXPLAINED * explained);
        match (&f, state) {
            (Some(f), _) => return found(state, f, size_ratio),
            // All four sides are there, at another distance: enough for the size, not for a place.
            (None, SiteState::Suspect(_)) => return Measured::unplaced(site, state, size_ratio),
            (None, _) => {}
        }
    }
    match fitted.filter(is_there) {
        Some(f) if is_alike(&f) || f.gain > 0.6 => found(SiteState::Suspect(SuspectKind::Odd), f, 1.0),
        _ if probe(plane, print, look).as_ref().filter(is_there).is_some_and(|p| is_alike(&p)) => {
            Measured::unplaced(site, SiteState::Good, 1.0)
        }
        _ => {
            let is_hidden = unknown_share(whole, print) > HIDDEN_ABOVE_SHARE;
            let state = if is_hidden { SiteState::Hidden } else { SiteState::Absent };
            Measured::unplaced(site, state, 1.0)
        }
    }
}

/// A feature of the usual look but of another size, all four sides of which are seen: its fit where it comes to rest, and the
/// geometric mean of its two sizes over the usual.
fn resized(plane: &Plane, print: &Print, look: &GroupLook) -> Option<(Option<Fitted>, f64)> {
    let sides = edges_of_one(plane, print, look);
    let [low, high] = print.outline.bounds();
    let mut ratio = [1.0; 2];
    let mut shift = [0.0; 2];
    for axis in 0..2 {
        let size = high[axis] - low[axis];
        let usual = |side: usize| look.edges[side].map_or(0.0, |e| e.at_px);
        let (Some(a), Some(b)) = (sides[axis], sides[axis + 2]) else { return None };
        ratio[axis] = (size + a + b) / (size + usual(axis) + usual(axis + 2)).max(1.0);
        shift[axis] = 0.5 * (a - b);
    }
    let by = print.axes * Vector2::new(shift[0], shift[1]);
    let sized = Print {
        at: PointPx::new(print.at.x + by.x, print.at.y + by.y),
        outline: print.outline.scaled(ratio[0].clamp(0.3, 2.0), ratio[1].clamp(0.3, 2.0)),
        ..print.clone()
    };
    // The look's own growth is in its edges already.
    let f = fit(plane, &sized, &look.centred(), 0.5 * print.outline.narrow_half());
    Some((f, (ratio[0] * ratio[1]).sqrt()))
}

/// Share of the outline's inside that is saturated or off the plane.
fn unknown_share(plane: &Plane, print: &Print) -> f64 {
    let Some(back) = print.axes.try_inverse() else { return 1.0 };
    let reach = print.outline.reach().ceil();
    let (mut unknown, mut all) = (0.0, 0.0);
    let step = (reach / 40.0).max(1.0);
    let n = (reach / step) as i32;
    for row in -n..=n {
        for col in -n..=n {
            let (dx, dy) = (f64::from(col) * step, f64::from(row) * step);
            let local = back * Vector2::new(dx, dy);
            if print.outline.near([local.x, local.y]).distance > 0.0 {
                continue;
            }
            all += 1.0;
            let (x, y) = ((print.at.x + dx).round(), (print.at.y + dy).round());
            let is_inside = x >= 0.0 && y >= 0.0 && (x as usize) < plane.width && (y as usize) < plane.height;
            if !is_inside || !plane.is_known(y as usize * plane.width + x as usize) {
                unknown += 1.0;
            }
        }
    }
    if all > 0.0 { unknown / all } else { 1.0 }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::find::outline::Outline;
    use landfit_part::{Piece, PointMm};
    use statrs::function::erf::erf;

    /// Two rows of three bars, 16 px wide, whose toes lie 16.5 px out of the places where bars of 30 px should lie; no heel is seen.
    fn bars() -> (Plane, [PointPx; 6]) {
        let centres = [(40.0, 45.0), (80.0, 45.0), (120.0, 45.0), (40.0, 135.0), (80.0, 135.0), (120.0, 135.0)];
        let share = |x: f64| 0.5 * (1.0 + erf(x / (1.2 * std::f64::consts::SQRT_2)));
        let (width, height) = (160, 180);
        let light = (0..width * height)
            .map(|i| {
                let (x, y) = ((i % width) as f64, (i / width) as f64);
                let bar = |(cx, cy): (f64, f64)| {
                    let outwards = if cy < 90.0 { cy - y } else { y - cy };
                    (share(x - cx + 8.0) - share(x - cx - 8.0)) * (share(outwards + 40.0) - share(outwards - 16.5))
                };
                (0.1 + 0.5 * centres.iter().map(|c| bar(*c)).sum::<f64>()) as f32
            })
            .collect();
        (Plane::of_light(width, height, light), centres.map(|(x, y)| PointPx::new(x, y)))
    }

    #[test]
    fn rows_that_face_each_other_tell_by_their_toes_how_much_longer_they_are() {
        let (plane, centres) = bars();
        let outline = Outline::of_pieces(&[Piece::rect(16.0, 30.0)], PointMm::ZERO);
        let target = |(site, centre): (usize, &PointPx)| {
            let at = PointPx::new(centre.x + 0.4, centre.y - 0.6);
            // Local y points to the middle.
            let (sign, turn) = if centre.y < 90.0 { (1.0, 0) } else { (-1.0, 52) };
            let print = Print { at, axes: Matrix2::identity() * sign, outline: outline.clone() };
            Target { expected: Expected { site, at, candidate: Some(at) }, print, group: (0, turn, -1) }
        };
        let targets: Vec<Target> = centres.iter().enumerate().map(target).collect();
        let found = measure(Side::Part, ScaleSource::Bench, &plane, &targets).expect("rows");
        for (m, centre) in found.measured.iter().zip(&centres) {
            let (at, covariance) = m.centre.expect("a place");
            assert!(at.distance(*centre) < 0.2, "{at:?} for {centre:?}");
            assert!(covariance[(1, 1)].sqrt() < 1.0, "as well known as sizes scatter: {covariance}");
        }
    }

    #[test]
    fn a_trace_that_crosses_the_gap_about_a_land_does_not_make_it_longer() {
        let share = |x: f64| 0.5 * (1.0 + erf(x / (1.1 * std::f64::consts::SQRT_2)));
        let (width, height) = (100, 160);
        let light = (0..width * height)
            .map(|i| {
                let (x, y) = ((i % width) as f64 - 50.0, (i / width) as f64 - 80.0);
                let land = (share(x + 14.0) - share(x - 14.0)) * (share(y + 37.0) - share(y - 37.0));
                // As bright as the land up to the rim of the opening, where the mask covers it.
                let trace = (share(x + 9.0) - share(x - 9.0)) * (share(y - 37.0) - share(y - 42.5));
                (0.2 + 0.15 * (land + trace)) as f32
            })
            .collect();
        let plane = Plane::of_light(width, height, light);
        let outline = Outline::of_pieces(&[Piece::rect(28.0, 74.0)], PointMm::ZERO);
        let print = Print { at: PointPx::new(50.0, 80.0), axes: Matrix2::identity(), outline };
        let plain = GroupLook::learn(&plane, [&print].into_iter(), Some(1.1), &searches(&print, None)).expect("edges");
        let along_px = |look: &GroupLook| look.edges[1].expect("an end").at_px - look.edges[3].expect("an end").at_px;
        assert!(along_px(&plain).abs() > 4.0, "the rim is the clearer of both ends: {}", along_px(&plain));
        let look = evenly_etched(plain);
        assert!(along_px(&look).abs() < 0.5, "{}", along_px(&look));
    }
}
