//! Measures every site in view: where its feature is, and whether what stands there is as it should be.

mod doubt;
mod glint;

pub(crate) use doubt::doubt_from_steps_px;
pub use doubt::{CommonDoubt, LARGEST_LAND, SMALLEST_LAND};

use crate::answer::{SiteState, SuspectKind};
use crate::find::centre::{Centre, CentreFinder};
use crate::find::deposit::{Deposit, size};
use crate::find::ground::{DEEPEST_SHADOW, Ground, is_covered};
use crate::find::look::{Look, Teacher, Unknowns};
use crate::find::necks::without_necks;
use crate::find::neighbours::Neighbours;
use crate::median::upper_median;
use crate::plane::Plane;
use crate::view::PointPx;
use doubt::{back_of_small_px, doubt_from_light, doubt_from_sectors_px, mean_of, pull_of_openings_px, two_rims_doubt_px};
use glint::back_from_glints_px;
use landfit_part::Side;
use nalgebra::Matrix2;

/// Where a site's feature should be, px of the plane.
#[derive(Debug, Clone, Copy)]
pub struct Expected {
    /// Index into the part's sites.
    pub site: usize,
    /// By the pose of the pattern, px of the plane.
    pub at: PointPx,
    /// Where a candidate was found near it, if one was.
    pub candidate: Option<PointPx>,
}

/// What features are by design, as the view shows them.
pub struct Disc {
    /// Radius, px.
    pub radius_px: f64,
    /// By how much the outline lies further out on its long way than on the mean, px: pixels need not be square.
    pub oblong_px: f64,
}

/// What was measured at a site.
#[derive(Debug, Clone, Copy)]
pub struct Measured {
    /// Index into the part's sites.
    pub site: usize,
    /// What stands there, before the lattice has told what is displaced.
    pub state: SiteState,
    /// Its centre and the covariance of it, px of the plane; `None` when absent, hidden, or too faint to be
    /// placed.
    pub centre: Option<(PointPx, Matrix2<f64>)>,
    /// Of that covariance, what others of its look share, px².
    pub shared_px2: Matrix2<f64>,
    /// Diameter over the one usual in this picture.
    pub size_ratio: f64,
}

impl Measured {
    /// A site that was judged, but not placed.
    #[must_use]
    pub fn unplaced(site: usize, state: SiteState, size_ratio: f64) -> Self {
        Self { site, state, centre: None, shared_px2: Matrix2::zeros(), size_ratio }
    }
}

/// What was measured in one view.
pub struct MeasuredView {
    /// One for each expected site, in their order.
    pub measured: Vec<Measured>,
    /// What a feature looks like here.
    pub look: Look,
    /// What all features share.
    pub common_doubt: CommonDoubt,
    /// Of that, what light pulls.
    pub light_doubt_px: f64,
    /// Whether something duller lies on them.
    pub carries_deposit: bool,
    /// Standard uncertainty, px, along each axis, of what that pulls.
    pub deposit_doubt_px: f64,
    /// Relative slope of the features' light on the mean, per px along x and y.
    pub lean: [f64; 2],
    /// What light that slopes inside the outlines, and light outside that is brighter on one side, would pull on the mean, px along x and y.
    pull_px: [[f64; 2]; 2],
    /// Standard uncertainty, px along each axis, of where lands lie if their rims and those of the openings about them pass for one.
    pub two_rims_doubt_px: f64,
    /// What the fits leave over on the mean, light squared.
    pub left_over: f64,
}

/// Below this share of the usual brightness nothing stands there.
const ABSENT_BELOW_GAIN: f64 = 0.35;
/// What looks like no feature but is above this share of the usual brightness is an odd one; what is darker is none.
const ODD_ABOVE_GAIN: f64 = 0.6;
/// Below this share of what the model usually explains, the feature is odd.
const ODD_BELOW_EXPLAINED: f64 = 0.6;
/// Sizes outside this range of the usual one are suspect: a fifth off in diameter is half off in solder volume.
const USUAL_SIZES: std::ops::RangeInclusive<f64> = 0.82..=1.2;
/// Likeness of the rings' light that a feature of another size must reach.
const LEAST_RESIZED_LIKENESS: f64 = 0.85;
/// A feature with this share of its disc saturated or off the plane cannot be judged.
const HIDDEN_ABOVE_SHARE: f64 = 0.4;

/// Measures the features of one side in one plane. `None` when no look can be learned from the expected places.
#[must_use]
pub fn measure(side: Side, plane: &Plane, disc: &Disc, expected: &[Expected]) -> Option<MeasuredView> {
    let found = measure_all(side, plane, disc, expected)?;
    if side == Side::Part || found.look.is_ring || plane.is_cleaned {
        return Some(found);
    }
    let beside_necks = |found: &MeasuredView| {
        let centres: Vec<PointPx> = found.measured.iter().filter_map(|m| Some(m.centre?.0)).collect();
        without_necks(plane, &found.look, &centres).and_then(|without| measure_all(side, &without, disc, expected))
    };
    let Some(again) = beside_necks(&found) else { return Some(found) };
    // Where they passed for something that lies on the lands, they had taught the look, too, and hidden some of themselves.
    let was_misled = found.carries_deposit && !again.carries_deposit;
    Some(if was_misled { beside_necks(&again).unwrap_or(again) } else { again })
}

/// Measures, and once more with fewer unknowns where light beside the outlines was taken for their place, or may be.
fn measure_all(side: Side, plane: &Plane, disc: &Disc, expected: &[Expected]) -> Option<MeasuredView> {
    let found = measure_with(Unknowns::All, side, plane, disc, expected)?;
    if found.look.unknowns != Unknowns::Few && leans_for_place(&found) {
        let few = measure_with(Unknowns::Few, side, plane, disc, expected).filter(|few| !leans_for_place(few));
        return few.or(Some(found));
    }
    if found.look.unknowns == Unknowns::All && found.look.is_wide() {
        return Some(match measure_with(Unknowns::Leans, side, plane, disc, expected) {
            Some(leans) => the_likelier(found, leans),
            None => found,
        });
    }
    Some(found)
}

/// Places by two sets of unknowns that differ by more than this on the mean, px, …
const MOST_DIFFERENT_PX: f64 = 0.3;
/// … are those with all unknowns where the others leave so many times as much over, light squared. Of 549 rendered looks of nine kinds 26 had
/// edges so wide that both were tried, and 21 of these differed by 0.11 at most. Of six that differ by more than 0.6, four leave 1.17 to 1.7
/// times as much over without a slope inside, and are better with it; two leave 1.03 and 1.04 times as much, and are better without, …
const LEAST_LEFT_OVER_WITHOUT: f64 = 1.1;
/// … and they are known to this share of the difference (one sigma): the better one was off by up to all of it.
const DIFFERENCE_KNOWN_TO: f64 = 0.5;

/// Of two ways to measure features with wide edges the one whose unknowns the light needs; where they differ, places are unsure.
fn the_likelier(all: MeasuredView, leans: MeasuredView) -> MeasuredView {
    let between = all.measured.iter().zip(&leans.measured).filter_map(|(a, b)| Some((a.centre?.0, b.centre?.0)));
    let between: Vec<[f64; 2]> = between.map(|(a, b)| [a.x - b.x, a.y - b.y]).collect();
    let count = between.len().max(1) as f64;
    let differ_px = size([0, 1].map(|axis| between.iter().map(|d| d[axis]).sum::<f64>() / count));
    let is_all_needed = leans.left_over > LEAST_LEFT_OVER_WITHOUT * all.left_over;
    let mut likelier = if differ_px > MOST_DIFFERENT_PX && is_all_needed { all } else { leans };
    if differ_px > MOST_DIFFERENT_PX {
        likelier.common_doubt.other_px = likelier.common_doubt.other_px.hypot(DIFFERENCE_KNOWN_TO * differ_px);
    }
    likelier
}

/// Beside a disc of paste that lies off its land's middle the light outside pulls by so many radii and more: 0.056 to 0.19 on three rendered
/// boards whose paste was taken for the lands.
const LEAST_PULL_BESIDE_DEPOSIT: f64 = 0.04;
/// Discs smaller than this share of their lands with such a pull are deposits, too: two rendered boards whose paste had 0.77 and 0.82 lay 32 and
/// 36 µm off; of some 2,600 others, 70 of them with paste, none has less than 0.93 beside a pull. …
const LARGEST_DEPOSIT: f64 = 0.9;
/// … Their edges are 0.13 of the radius wide; tin domes that fade before they end look as small, and have 0.3 and more.
const WIDEST_EDGE_OF_DEPOSIT: f64 = 0.2;

/// Share of what light that slopes would pull that stays in doubt along each axis on lands that carry a deposit, whose own light slopes, too: one of
/// some 300 rendered boards with paste lay 1.8 px off where it would pull by 0.64 px, one of 0.55 px 0.4 px off; 76 others have less than 0.14.
const OF_SLOPE_UNDER_DEPOSIT: f64 = 1.1;

impl MeasuredView {
    /// Whether what was measured lies on the lands and is not they: dark discs, each within a bright ring, or small ones, and brighter outside on
    /// one side. What is left bare of the lands is too little to place them by.
    #[must_use]
    pub fn shows_only_deposit(&self) -> bool {
        let [_, outside] = self.pull_px;
        let radius_px = self.look.radius_px;
        let is_small = self.look.outline_px < LARGEST_DEPOSIT * radius_px && self.look.edge_px < WIDEST_EDGE_OF_DEPOSIT * radius_px;
        (self.look.is_dark_in_a_ring() || is_small) && size(outside) > LEAST_PULL_BESIDE_DEPOSIT * radius_px
    }
}

/// Pulls of sloping light beyond this share of the radius are places taken for light: where blur is nearly as wide as features, one does as
/// well as the other. Of 340 rendered looks with one side out of focus one had 0.13 (and lay 1.5 px off), all others less than 0.05.
const MOST_SLOPE_PULL: f64 = 0.09;

/// Whether light seems to slope as it cannot.
fn leans_for_place(found: &MeasuredView) -> bool {
    let [slope, _] = found.pull_px;
    size(slope) > MOST_SLOPE_PULL * found.look.radius_px
}

fn measure_with(unknowns: Unknowns, side: Side, plane: &Plane, disc: &Disc, expected: &[Expected]) -> Option<MeasuredView> {
    let radius_px = disc.radius_px;
    let Settled { look, lean, drift_px } = settled_look(plane, radius_px, expected, unknowns)?;
    let mut finder = CentreFinder::new(plane, &look, lean);
    let mut probes: Vec<Option<Centre>> = Vec::with_capacity(expected.len());
    let centres: Vec<Option<Centre>> = expected
        .iter()
        .map(|e| {
            let at = PointPx::new(e.at.x + drift_px[0], e.at.y + drift_px[1]);
            // A feature far from its place in the lattice is displaced; start where it was seen.
            let start = e.candidate.filter(|c| c.distance(e.at) > 0.25 * radius_px).unwrap_or(at);
            let measured = finder.measure(start);
            probes.push(if measured.is_some() { None } else { finder.probe(at) });
            measured
        })
        .collect();
    let usual = Usual::of(&centres);
    let grounds = Grounds::of(plane, radius_px, expected, &centres, &usual);
    let judged = expected.iter().zip(centres.iter().zip(&probes));
    let mut measured: Vec<Measured> =
        judged.map(|(e, (c, probe))| judge(plane, &look, &usual, &grounds, e, c.as_ref(), probe.as_ref())).collect();
    let good: Vec<&Centre> = centres.iter().flatten().filter(|c| usual.holds(c)).collect();
    let deposit = if side == Side::Board && !plane.is_cleaned { Deposit::on(plane, &look, &good, disc.oblong_px) } else { None };
    let pull_px = [mean_of(&good, |c| c.slope_pull_px), mean_of(&good, |c| c.outside_pull_px)];
    let inside = mean_of(&good, |c| c.inside);
    let carries_deposit = deposit.is_some_and(|d| d.shows);
    // Light of what lies on the lands, and beside it, tells of no rims.
    let (beside_px, rise) = if carries_deposit { ([0.0; 2], [0.0; 2]) } else { (pull_px[1], inside) };
    let two_rims_doubt_px = two_rims_doubt_px(side, &look, (pull_px[0], beside_px), rise);
    let of_light = doubt_from_light(side, &look, (pull_px, inside, good.len()), two_rims_doubt_px);
    let light_doubt_px = of_light.along_axis_px();
    let back_px = match deposit {
        Some(deposit) if deposit.shows => deposit.pull_px,
        _ if side == Side::Board && !look.is_ring => pull_of_openings_px(&good),
        _ if side == Side::Part && look.unknowns == Unknowns::Few => back_of_small_px(&look, &good),
        _ if side == Side::Part && look.is_ring => back_from_glints_px(plane, &look, lean, &good),
        _ => [0.0; 2],
    };
    for (at, _) in measured.iter_mut().filter_map(|m| m.centre.as_mut()) {
        *at = PointPx::new(at.x + back_px[0], at.y + back_px[1]);
    }
    let of_slope_px = if carries_deposit { OF_SLOPE_UNDER_DEPOSIT * size(pull_px[0]) } else { 0.0 };
    let deposit_doubt_px = deposit.map_or(0.0, |d| d.doubt_px.hypot(of_slope_px));
    let of_sectors_px = if side == Side::Part { doubt_from_sectors_px(&mut finder, &good) } else { 0.0 };
    let other_px =
        of_light.other_px.hypot(doubt_from_steps_px(plane, look.step, look.edge_px)).hypot(deposit_doubt_px).hypot(of_sectors_px);
    let common_doubt = CommonDoubt { other_px, ..of_light };
    let lean = mean_of(&good, |c| c.lean);
    let left_over = good.iter().map(|c| c.left_over * c.left_over).sum::<f64>() / good.len().max(1) as f64;
    Some(MeasuredView {
        measured,
        common_doubt,
        light_doubt_px,
        look,
        carries_deposit,
        deposit_doubt_px,
        lean,
        pull_px,
        two_rims_doubt_px,
        left_over,
    })
}

/// Features that teach the look; they are spread over the pattern.
const TEACHERS: usize = 16;
/// As few tell where features lie on the mean, to a few hundredths of a pixel: the others join once that has come to rest.
const FIRST_TEACHERS: usize = 8;
/// Rounds of learning and measuring until the teachers' mean place stays.
const MOST_ROUNDS: usize = 8;
/// The linear growth holds within this, px.
const MOST_GROWN_PX: f64 = 1.0;
/// A mean place that moves less than this has come to rest, px.
const AT_REST_PX: f64 = 0.03;

/// A look that has come to rest.
struct Settled {
    look: Look,
    /// Usual relative slope of the features' light, per px.
    lean: [f64; 2],
    /// How far the teachers' mean place went from the expected one, px.
    drift_px: [f64; 2],
}

/// Learns the look about the expected places, measures the teachers with it, and learns again about the measured places,
/// until they stay: coarse places are all off to the same side where the light comes from one side.
fn settled_look(plane: &Plane, radius_px: f64, expected: &[Expected], unknowns: Unknowns) -> Option<Settled> {
    let seen: Vec<PointPx> =
        expected.iter().filter(|e| e.candidate.is_some_and(|c| c.distance(e.at) < 0.25 * radius_px)).map(|e| e.at).collect();
    let spread = |n: usize| -> Vec<PointPx> { seen.iter().copied().step_by(seen.len().div_ceil(n).max(1)).collect() };
    let first: Vec<Taught> = spread(FIRST_TEACHERS).into_iter().map(|at| Taught { expected: at, teacher: at.into() }).collect();
    let look = learn(plane, &first, radius_px, unknowns)?;
    let mut settled = Settled { look, lean: [0.0; 2], drift_px: [0.0; 2] };
    let mut taught = first;
    for _ in 0..MOST_ROUNDS {
        let before_px = settled.drift_px;
        let is_learned = settled.learn_again(plane, &mut taught, radius_px)?;
        if !is_learned || (settled.drift_px[0] - before_px[0]).hypot(settled.drift_px[1] - before_px[1]) < AT_REST_PX {
            break;
        }
    }
    let [x, y] = settled.drift_px;
    let moved = |at: PointPx| Taught { expected: at, teacher: PointPx::new(at.x + x, at.y + y).into() };
    settled.learn_again(plane, &mut spread(TEACHERS).into_iter().map(moved).collect(), radius_px)?;
    Some(settled)
}

/// A feature that teaches, and where it was expected, px of the plane.
struct Taught {
    expected: PointPx,
    teacher: Teacher,
}

/// Learns a look; of all unknowns it takes those that it bears.
fn learn(plane: &Plane, taught: &[Taught], radius_px: f64, unknowns: Unknowns) -> Option<Look> {
    let look = Look::learn(plane, &taught.iter().map(|t| t.teacher).collect::<Vec<_>>(), radius_px)?;
    Some(match unknowns {
        Unknowns::All => look,
        fewer => Look { unknowns: fewer, ..look },
    })
}

impl Settled {
    /// Measures the teachers, keeps those that are as usual at their measured places, and learns from them. Whether any was;
    /// `None` when no look can be learned from them.
    fn learn_again(&mut self, plane: &Plane, taught: &mut Vec<Taught>, radius_px: f64) -> Option<bool> {
        let mut finder = CentreFinder::for_teachers(plane, &self.look, self.lean);
        let measured: Vec<Option<Centre>> = taught.iter().map(|t| finder.measure(t.teacher.at)).collect();
        let usual = Usual::of(&measured);
        let good: Vec<(PointPx, Centre)> =
            taught.iter().zip(measured).filter_map(|(t, c)| Some((t.expected, c.filter(|c| usual.holds(c))?))).collect();
        if good.is_empty() {
            return Some(false);
        }
        let n = good.len() as f64;
        let mean_of = |get: &dyn Fn(&(PointPx, Centre)) -> f64| good.iter().map(get).sum::<f64>() / n;
        self.drift_px = [mean_of(&|(e, c)| c.at.x - e.x), mean_of(&|(e, c)| c.at.y - e.y)];
        self.lean = [mean_of(&|(_, c)| c.lean[0]), mean_of(&|(_, c)| c.lean[1])];
        let mean_size = mean_of(&|(_, c)| c.size_ratio);
        let grown_px = |c: &Centre| ((c.size_ratio - mean_size) * self.look.outline_px).clamp(-MOST_GROWN_PX, MOST_GROWN_PX);
        *taught = good.iter().map(|(e, c)| Taught { expected: *e, teacher: Teacher { at: c.at, grown_px: grown_px(c) } }).collect();
        self.look = learn(plane, taught, radius_px, self.look.unknowns)?;
        Some(true)
    }
}

/// What is usual for the features of this picture.
struct Usual {
    gain: f64,
    explained: f64,
    size_ratio: f64,
}

impl Usual {
    fn of(centres: &[Option<Centre>]) -> Self {
        let middle = |get: fn(&Centre) -> f64| {
            let mut values: Vec<f64> = centres.iter().flatten().map(get).filter(|v| v.is_finite()).collect();
            values.sort_by(f64::total_cmp);
            // The upper half tells what is usual: with a third of the features missing the plain median drops.
            values.get(values.len() * 6 / 10).copied().unwrap_or(0.0)
        };
        Self { gain: middle(|c| c.gain), explained: middle(|c| c.explained), size_ratio: middle(|c| c.size_ratio) }
    }

    fn holds(&self, c: &Centre) -> bool {
        c.gain > 0.5 * self.gain && c.explained > 0.8 * self.explained
    }
}

/// The ground beside the features of this picture: it tells how much light falls on each.
struct Grounds {
    /// Beside sites that show a feature.
    beside: Vec<Ground>,
    /// These by where their sites are expected.
    near: Neighbours,
    /// Its usual light.
    usual: f64,
    radius_px: f64,
}

/// Features of this share of the usual brightness stand in the usual light.
const USUAL_GAIN: f64 = 0.7;

impl Grounds {
    fn of(plane: &Plane, radius_px: f64, expected: &[Expected], centres: &[Option<Centre>], usual: &Usual) -> Self {
        let shows = |c: &&Centre| c.gain > 2.0 * c.gain_u && c.explained > 0.8 * usual.explained;
        let showing = expected.iter().zip(centres).filter_map(|(e, c)| Some((e.at, c.as_ref().filter(shows)?.gain)));
        let grounds: Vec<(PointPx, f64, Ground)> =
            showing.filter_map(|(at, gain)| Some((at, gain, Ground::beside(plane, at, radius_px)?))).collect();
        let in_usual_light = grounds.iter().filter(|(_, gain, _)| *gain > USUAL_GAIN * usual.gain);
        let usual = upper_median(in_usual_light.map(|(.., ground)| ground.light)).unwrap_or(0.0);
        let near = Neighbours::of(grounds.iter().map(|(at, ..)| *at));
        Self { beside: grounds.into_iter().map(|(.., ground)| ground).collect(), near, usual, radius_px }
    }

    /// How much light falls on a place, over what is usual; 1 where that is not less, or where the ground is too dark to tell.
    fn share_of_light(&self, plane: &Plane, at: PointPx) -> f64 {
        let here = Ground::beside(plane, at, self.radius_px).filter(|_| self.usual > f64::from(plane.step_of_light));
        here.map_or(1.0, |here| (here.light / self.usual).clamp(DEEPEST_SHADOW, 1.0))
    }

    /// Whether something covers a place that shows no feature, where features rise above their ground by `step` in the usual light.
    fn is_covered(&self, plane: &Plane, at: PointPx, step: f64) -> bool {
        let near = self.near.about(at, None);
        let middle = |get: fn(&Ground) -> f64| upper_median(near.iter().map(|&i| get(&self.beside[i])));
        let (Some(light), Some(unevenness)) = (middle(|g| g.light), middle(|g| g.unevenness)) else { return false };
        is_covered(plane, at, self.radius_px, step, Ground { light, unevenness })
    }
}

/// `probe` tells what stands at the expected place where no centre came to rest: enough for presence, not for a place.
fn judge(
    plane: &Plane,
    look: &Look,
    usual: &Usual,
    grounds: &Grounds,
    expected: &Expected,
    centre: Option<&Centre>,
    probe: Option<&Centre>,
) -> Measured {
    let found = |state, c: &Centre, size_ratio| Measured {
        site: expected.site,
        state,
        centre: Some((c.at, c.covariance_px2)),
        shared_px2: Matrix2::zeros(),
        size_ratio,
    };
    let is_there = |c: &&Centre| {
        let least = ABSENT_BELOW_GAIN * usual.gain;
        c.gain > 2.0 * c.gain_u && (c.gain > least || c.gain > least * grounds.share_of_light(plane, expected.at))
    };
    let is_alike = |c: &&Centre| c.explained > ODD_BELOW_EXPLAINED * usual.explained;
    if let Some(c) = centre.filter(is_there).filter(is_alike) {
        let size_ratio = c.size_ratio / usual.size_ratio.max(0.1);
        if (size_ratio - 1.0).abs() < 0.08 {
            return found(SiteState::Good, c, size_ratio);
        }
    }
    // Far from the usual size the outline lies outside the band: look again at every size.
    if let Some((c, size_ratio)) = resized(plane, look, usual, expected.candidate.unwrap_or(expected.at)) {
        let state = match size_ratio {
            r if USUAL_SIZES.contains(&r) => SiteState::Good,
            r if r < 1.0 => SiteState::Suspect(SuspectKind::Small),
            _ => SiteState::Suspect(SuspectKind::Large),
        };
        return found(state, &c, size_ratio);
    }
    match centre.filter(is_there) {
        Some(c) if is_alike(&c) || c.gain > ODD_ABOVE_GAIN * usual.gain => found(SiteState::Suspect(SuspectKind::Odd), c, 1.0),
        _ if probe.filter(is_there).is_some_and(|p| is_alike(&p)) => Measured::unplaced(expected.site, SiteState::Good, 1.0),
        _ => {
            let is_hidden = unknown_share(plane, expected.at, look.radius_px) > HIDDEN_ABOVE_SHARE
                || grounds.is_covered(plane, expected.at, look.step.abs() * usual.gain);
            let state = if is_hidden { SiteState::Hidden } else { SiteState::Absent };
            Measured::unplaced(expected.site, state, 1.0)
        }
    }
}

/// A feature of the usual look but of another size at `at`: its centre, and its size over the usual.
fn resized(plane: &Plane, look: &Look, usual: &Usual, at: PointPx) -> Option<(Centre, f64)> {
    let likeness = scaled_likeness(plane, look, at);
    if likeness.likeness < LEAST_RESIZED_LIKENESS || likeness.contrast < ABSENT_BELOW_GAIN {
        return None;
    }
    let scaled = look.scaled(likeness.scale);
    let centre = CentreFinder::new(plane, &scaled, [0.0; 2]).measure(at)?;
    let is_clear = centre.gain > ABSENT_BELOW_GAIN * usual.gain && centre.explained > ODD_BELOW_EXPLAINED * usual.explained;
    is_clear.then(|| (centre, likeness.scale * centre.size_ratio.clamp(0.85, 1.15) / usual.size_ratio.max(0.1)))
}

/// Share of the disc about `at` that is saturated or off the plane.
fn unknown_share(plane: &Plane, at: PointPx, radius_px: f64) -> f64 {
    let (mut unknown, mut all) = (0.0, 0.0);
    let reach = radius_px.ceil() as isize;
    for dy in -reach..=reach {
        for dx in -reach..=reach {
            if (dx * dx + dy * dy) as f64 > radius_px * radius_px {
                continue;
            }
            all += 1.0;
            let (x, y) = (at.x.round() as isize + dx, at.y.round() as isize + dy);
            let inside = x >= 0 && y >= 0 && (x as usize) < plane.width && (y as usize) < plane.height;
            if !inside || !plane.is_known(y as usize * plane.width + x as usize) {
                unknown += 1.0;
            }
        }
    }
    unknown / all
}

/// How well the learned look, scaled, fits the mean light on rings about a place.
struct ScaledLikeness {
    scale: f64,
    /// Correlation over the rings, weighted by their area.
    likeness: f64,
    /// Contrast over that of the look at this scale.
    contrast: f64,
}

/// The best of all scales within 0.45 to 1.6.
///
/// The linear growth of [`CentreFinder`] holds near 1 only; a ball of two thirds is far outside its reach.
fn scaled_likeness(plane: &Plane, look: &Look, at: PointPx) -> ScaledLikeness {
    let reach = look.radius_px * 1.45;
    let bins = reach.ceil() as usize + 1;
    let (mut sums, mut counts) = (vec![0.0; bins], vec![0.0; bins]);
    let span = reach.ceil() as isize;
    let (cx, cy) = (at.x.round() as isize, at.y.round() as isize);
    for y in (cy - span).max(0)..=(cy + span).min(plane.height as isize - 1) {
        for x in (cx - span).max(0)..=(cx + span).min(plane.width as isize - 1) {
            let i = y as usize * plane.width + x as usize;
            let bin = (x as f64 - at.x).hypot(y as f64 - at.y).round() as usize;
            if bin < bins && plane.is_known(i) {
                sums[bin] += f64::from(plane.light[i]);
                counts[bin] += 1.0;
            }
        }
    }
    let at_scale = |scale: f64| {
        let (mut w, mut a, mut b, mut aa, mut bb, mut ab) = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0);
        for i in 0..bins {
            if counts[i] > 0.0 {
                let (x, y) = (sums[i] / counts[i], f64::from(look.at((i as f64 / scale) as f32).0));
                w += counts[i];
                a += counts[i] * x;
                b += counts[i] * y;
                aa += counts[i] * x * x;
                bb += counts[i] * y * y;
                ab += counts[i] * x * y;
            }
        }
        let (va, vb) = (aa / w - (a / w).powi(2), bb / w - (b / w).powi(2));
        if va > 0.0 && vb > 0.0 {
            ScaledLikeness { scale, likeness: (ab / w - a / w * b / w) / (va * vb).sqrt(), contrast: (va / vb).sqrt() }
        } else {
            ScaledLikeness { scale, likeness: -1.0, contrast: 0.0 }
        }
    };
    (46..=160)
        .step_by(2)
        .map(|percent| at_scale(f64::from(percent) / 100.0))
        .max_by(|a, b| a.likeness.total_cmp(&b.likeness).then(b.scale.total_cmp(&a.scale)))
        .unwrap_or(ScaledLikeness { scale: 1.0, likeness: -1.0, contrast: 0.0 })
}
