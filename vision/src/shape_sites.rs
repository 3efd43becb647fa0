//! Measures every site of a side whose shapes are not discs of one size: where its feature is, and whether it is as it should be.

mod agree;
mod judge;

use crate::find::intruders::{Seen, without_intruders};
use crate::find::outline_fit::{Fitted, fit};
use crate::find::outline_look::{GroupLook, GroupPlace, Search};
use crate::find::print::Print;
use crate::find::side_edge::SideEdge;
use crate::plane::Plane;
use crate::shapes::SLACK_SHARE;
use crate::sites::{Expected, Measured, doubt_from_steps_px};
use crate::view::{PointPx, ScaleSource};
use agree::{Learned, agree, ends_within, evenly_etched, mean_over_features, oddly_grown_px, unseen_ends};
use judge::{brightness_about, judge, usual_explained};
use landfit_part::Side;
use nalgebra::Vector2;
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
/// A pad of its own class with a step of this share of the usual one and of the other sign is no dull one.
const LEAST_REVERSED: f64 = 0.5;
/// Rounds of learning looks and measuring with them.
const ROUNDS: usize = 3;

/// Measures the features of one side in one plane. `None` when no look can be learned from the expected places.
pub(crate) fn measure(side: Side, scale_from: ScaleSource, whole: &Plane, targets: &[Target]) -> Option<ShapesMeasured> {
    let mut prints: Vec<Print> = targets.iter().map(|t| t.print.clone()).collect();
    let mut groups: BTreeMap<(u16, i32, i32), Vec<usize>> = BTreeMap::new();
    let keys = keys_of_looks(side, targets);
    for (i, key) in keys.iter().enumerate() {
        groups.entry(*key).or_default().push(i);
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
    let mut of_openings_px = 0.0;
    for round in 0..=ROUNDS {
        let plane = cleared.as_ref().unwrap_or(whole);
        let mut learned: Vec<Learned> = Vec::new();
        for (key, members) in &groups {
            let teachers: Vec<usize> = members.iter().copied().filter(|&i| teaches(i)).collect();
            let Some(first) = teachers.first() else { continue };
            let search = searches(&prints[*first], looks.get(key));
            if let Some(look) = GroupLook::learn(plane, teachers.iter().map(|&i| &prints[i]), blur_px, &search) {
                let look = if side == Side::Board { evenly_etched(look, &prints[*first].outline) } else { look };
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
        let within_px = ends_within(&learned, &prints, &grown);
        let odd_px: Vec<f64> =
            learned.iter().map(|l| if side == Side::Board { oddly_grown_px(&l.look, &prints[l.first].outline) } else { 0.0 }).collect();
        // Openings lie off their lands all the same way.
        of_openings_px = mean_over_features(&learned, &odd_px);
        for (Learned { key, first, look, .. }, odd_px) in learned.into_iter().zip(odd_px) {
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
            if let Some(within_px) = within_px.get(&key.0) {
                place.doubt_px = [0, 1].map(|axis| place.doubt_px[axis].hypot(within_px[axis]));
            }
            place.doubt_px = place.doubt_px.map(|doubt_px| doubt_px.hypot(odd_px));
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
        // Traces run into lands. Of leads, whose heels and toes have each another ground, too few pieces tell what is usual.
        if round == 1 && side == Side::Board {
            cleared = without_intruders(whole, &seen_lands(&prints, &looks, &groups));
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
    if looks.iter().any(|(key, look)| of_class[&key.0] == 1 && usual.is_reversed(look)) {
        return None;
    }
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
    let light = brightness_about(&fitted, explained);
    let measured = (0..targets.len())
        .map(|i| {
            let doubt_px = places.get(&keys[i]).map_or([0.0; 2], |place| [0, 1].map(|axis| place.whole_doubt_px(axis)));
            judge((plane, whole), &targets[i], &prints[i], look_of[i], fitted[i].as_ref(), (explained, light[i]), doubt_px)
        })
        .collect();
    let steps_px = doubt_from_steps_px(plane, usual.step, blur_px);
    let over_design = usual_width_over_design(&looks, &groups, &prints);
    let shared = shared_doubts(&places, &groups, targets);
    Some(ShapesMeasured { measured, blur_px, common_doubt_px: steps_px.hypot(of_openings_px), over_design, shared })
}

/// Fewer lands than this have each their own look: where they differ in length by more than the blur hides, the look of both has the ends
/// of neither.
const LEAST_LANDS_OF_LOOK: usize = 3;

/// Which targets share a look: a group, of lands only where there are enough of them; the others have each their own.
fn keys_of_looks(side: Side, targets: &[Target]) -> Vec<(u16, i32, i32)> {
    let mut of_group: BTreeMap<(u16, i32, i32), usize> = BTreeMap::new();
    targets.iter().for_each(|t| *of_group.entry(t.group).or_default() += 1);
    let key = |(i, target): (usize, &Target)| {
        let (class, turn, facing) = target.group;
        let has_own = side == Side::Board && of_group[&target.group] < LEAST_LANDS_OF_LOOK;
        // A third number that no group has: which way it faces is -1, 0 or 1.
        if has_own { (class, turn, 3 * (i as i32 + 1) + facing) } else { target.group }
    };
    targets.iter().enumerate().map(key).collect()
}

/// All lands, where they are known to lie: before all ends of a class there is the same ground, and before all long sides.
fn seen_lands<'a>(
    prints: &'a [Print],
    looks: &'a BTreeMap<(u16, i32, i32), GroupLook>,
    groups: &BTreeMap<(u16, i32, i32), Vec<usize>>,
) -> Vec<Seen<'a>> {
    let mut seen = Vec::new();
    for (key, members) in groups {
        let Some(look) = looks.get(key) else { continue };
        let kinds = [0, 1, 0, 1].map(|axis| 2 * u32::from(key.0) + axis);
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

fn middle_of(places: impl Iterator<Item = PointPx>) -> Vector2<f64> {
    let (mut sum, mut n) = (Vector2::zeros(), 0.0);
    for p in places {
        sum += Vector2::new(p.x, p.y);
        n += 1.0;
    }
    sum / f64::max(n, 1.0)
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
        // One of two sides that face each other says nothing of the place between them.
        let is_held = (0..2).any(|axis| look.edges[axis].is_some() && look.edges[axis + 2].is_some());
        is_held && look.step() * self.step.signum() > least * self.step.abs() && (!is_alone || shows_outline)
    }

    /// Whether it is an outline as clear as the usual ones and of the other sign: pads are all brighter than the body, or all darker. What was
    /// taken for the others is the ground between them.
    fn is_reversed(&self, look: &GroupLook) -> bool {
        look.edges.iter().all(Option::is_some) && -look.step() * self.step.signum() > LEAST_REVERSED * self.step.abs()
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::find::outline::Outline;
    use landfit_part::{Piece, PointMm};
    use nalgebra::Matrix2;
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
        let look = evenly_etched(plain, &print.outline);
        assert!(along_px(&look).abs() < 0.5, "{}", along_px(&look));
    }
}
