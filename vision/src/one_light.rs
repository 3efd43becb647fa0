//! Both sides in one picture in the same light: terminals and lands are two copies of one pattern in one set of features.
//!
//! The copies are looked for together, told apart by what each looks like, and then each side gets a plane of its own from which
//! the other side's light is taken away. From there on the sides are measured as under two lights. What the two copies' looks leave
//! open of the distance between them comes along as a doubt of its own.

mod bend;
mod copies;
mod far_apart;
mod places;

use crate::answer::{ReasonCode, Refusal};
use crate::plane::{Plane, share_light};
use crate::pose::fit_rigid;
use crate::side::{self, Seen, SideView};
use crate::view::{Optics, PointPx, ScaleSource, Sight};
use copies::{Both, Copy, Feature, Normal, STEP_PX, per_pose, step_of};
use landfit_part::{Part, PointMm, Pose, Side};
use nalgebra::{Matrix3, Matrix6, Vector3, Vector6};

/// How far a copy's look reaches, as a share of the designed radius, and beyond that, px: blur, and a mask opening.
const REACH_SHARE: f64 = 1.3;
const REACH_MORE_PX: f64 = 3.0;
/// At most so many sites are looked at while rival places are tried.
const SITES_FOR_TRIALS: usize = 40;
/// Blocks across a feature's radius while rival places are tried: an edge is as wide as the starts are apart.
const TRIAL_RADIUS_BLOCKS: f64 = 5.0;
/// Steps of looks and poses for each trial, and rounds with every feature settled for the best.
const TRIAL_STEPS: usize = 6;
const MOST_ROUNDS: usize = 25;
/// Steps with all sites, features of a copy alike: copies that nearly cancel wander before they find where they belong.
const MOST_STEPS: usize = 40;
/// Copies that move farther than this when every feature is settled for itself have run into each other, px: the rendered scenes' moved
/// by at most 2.
const MOST_SETTLED_PX: f64 = 3.0;
/// Places that move by less than this in a trial have come to rest, px; and with every feature settled those that have less than
/// this to go, by how fast their steps shrink.
const TRIAL_AT_REST_PX: f64 = 0.05;
const LEFT_TO_GO_PX: f64 = 0.05;
/// Copies that look less like their sides than this, of 2 for each pair of views, may be each other, or have traded light: of 72 rendered
/// ones that were right all had 0.86 and more, two that had 0.52 and 0.58 were 6 and 9 µm off with 2 stated, those that were swapped had
/// -0.8 and less.
const LEAST_LIKENESS: f64 = 0.7;
/// Copies nearer to each other than this, px, whose edges melt into one another, and which moved farther than this when every feature was
/// settled, have not come to rest by their looks: of three rendered ones one was 11 µm off with 4 stated.
const NEAR_PX: f64 = 1.5;
const MOST_SETTLED_OF_NEAR_PX: f64 = 1.5;
/// Near ones that look less like their sides than this may have traded light here and there: of ten rendered ones four were 10 to 35 µm off
/// with 2 to 3 stated; of 35 that look more like them none.
const LEAST_LIKENESS_OF_NEAR: f64 = 1.2;
/// Near ones that look less like their sides than this and of which a side bends by more than this, px, have traded light from one end to the
/// other: one rendered look with 1.2 and 0.18 was turned by 4.5 mrad, 28 µm off at a corner with 7.6 stated. Of 83 near ones that were right
/// five look less like their sides, and those bend by at most 0.08.
const LEAST_LIKENESS_OF_BENT: f64 = 1.6;
const MOST_BEND_PX: f64 = 0.12;
/// Where the features of a side usually lie further than this, px, from where its pose has them, they are the other side's here and there: two
/// rendered looks with 0.6 and 0.95 were 23 and 73 µm off; 70 that were right had at most 0.34.
const MOST_USUAL_MISS_PX: f64 = 0.45;
/// What settling every feature changes of the distance between the copies, and of the turn between them, is known to these shares (one
/// sigma): so that intervals hold the truth in rendered scenes, near ones and others.
const SHIFT_KNOWN_TO: f64 = 0.12;
const TURN_KNOWN_TO: f64 = 0.5;
/// Rounds that are gone on for once the copies have come to rest. Where they wander to, the picture leaves open. Over 128 rendered looks
/// whose moves of a round had shrunk to 0.05 px and less, copies wandered by 0.002 to 0.48 px more, and those of one look, which was 1 px off,
/// by as much in the last round as in the first.
const ROUNDS_AFTER_REST: usize = 8;
/// Copies that wander by more than this, px, and of whose moves the last is more than this share of the first, have not come to rest.
const MOST_WANDERED_PX: f64 = 0.15;
const MOST_LASTING_SHARE: f64 = 0.8;
/// Copies nearer to each other than this, px, are pushed by so much against each other, one way and the other, and settled again by so many
/// rounds once their looks are learned in so many steps. Where that does not lead back the picture leaves open where they are: two rendered
/// looks that were 24 and 35 µm off with 4 and 2 stated came back to 0.7 and 1.1 px, twelve of 13 right ones to 0.1 px and less.
const PUSHED_BELOW_PX: f64 = 2.5;
const PUSH_PX: f64 = 1.0;
const ROUNDS_AFTER_PUSH: usize = 6;
const LOOKS_AFTER_PUSH: usize = 3;
/// A side whose measured places are this share too far apart or too near was not cleaned of the other.
const MOST_ODD_SIZE: f64 = 0.001;
/// A distance between the copies that the picture leaves open by more than this, mm (one sigma), is not known.
const MOST_OPEN_MM: f64 = 0.004;
/// Starts that are looked at in full detail.
const MOST_FINE_TRIALS: usize = 4;
/// Trials within this share of the best one's remainder are looked at for which copy is which.
const AS_GOOD: f64 = 1.02;
/// An edge within this share of the designed radius is that side's outline.
const OUTLINE_WITHIN: f64 = 0.075;
/// Sides are seen again after the copies have been placed anew at most so often.
const MOST_LOOKS_AGAIN: usize = 3;

/// Two views, one of each side, that share light and region.
struct Pair {
    part: usize,
    board: usize,
}

/// The pairs of views whose lights cannot be separated.
#[must_use]
fn pairs(optics: &Optics) -> Vec<Pair> {
    let views = &optics.views;
    let of = |side: Side| (0..views.len()).filter(move |&i| views[i].shows == side);
    of(Side::Part)
        .flat_map(|part| of(Side::Board).map(move |board| Pair { part, board }))
        .filter(|p| share_light(&views[p.part], &views[p.board], &optics.frame))
        .collect()
}

/// Whether part and board share one light somewhere.
#[must_use]
pub(crate) fn is_shared(optics: &Optics) -> bool {
    !pairs(optics).is_empty()
}

/// Whether every shared light can be measured: each view has one partner and its very region.
#[must_use]
pub(crate) fn is_measurable(optics: &Optics) -> bool {
    let pairs = pairs(optics);
    pairs.iter().all(|p| {
        optics.views[p.part].region_px == optics.views[p.board].region_px
            && pairs.iter().filter(|q| q.part == p.part || q.board == p.board).count() == 1
    })
}

/// Both sides, or why one of them is not seen.
type SeenBoth = (Result<Seen, Refusal>, Result<Seen, Refusal>);

/// Sees both sides where they share their light. Where they cannot be measured, the way is told of copies that lie far from each other.
pub(crate) fn see_both(part: &Part, optics: &Optics, planes: &[Plane], sights: &[Sight]) -> SeenBoth {
    let sites: Vec<usize> =
        (0..part.sites.len()).filter(|&i| part.sites[i].pieces(Side::Part).len() * part.sites[i].pieces(Side::Board).len() > 0).collect();
    let scene = Scene {
        pairs: pairs(optics),
        views: [Side::Part, Side::Board].map(|side| side::side_views(side, part, None, optics, planes, sights)),
        centres_mm: [Side::Part, Side::Board].map(|side| sites.iter().map(|&i| part.sites[i].centre_mm(side)).collect()),
        pitch_mm: part.pitch_mm(Side::Part).unwrap_or(1.0),
    };
    let seen = see_copies(&scene, part, optics, planes, sights);
    let refusals = [&seen.0, &seen.1].map(|s| s.as_ref().err());
    if refusals.iter().all(Option::is_none) || refusals.iter().flatten().any(|r| r.way.is_some()) {
        return seen;
    }
    far_apart::refused(&scene, planes).map_or(seen, refused)
}

fn refused(refusal: Refusal) -> SeenBoth {
    (Err(refusal.clone()), Err(refusal))
}

fn see_copies(scene: &Scene, part: &Part, optics: &Optics, planes: &[Plane], sights: &[Sight]) -> SeenBoth {
    let see = |planes: &[Plane], side| side::see(side, None, part, optics, planes, sights).and_then(Seen::bare);
    let Some(seed) = places::seed(scene) else {
        return (see(planes, Side::Part), see(planes, Side::Board));
    };
    let Some(poses) = scene.best_start(planes, &places::starts(scene, &seed)) else {
        return refused(not_told_apart());
    };
    let stays = |seen: &Seen, pose: &Pose| seen.lies_as(pose, 0.3 * scene.pitch_mm);
    let boxed = |refusal: Refusal| Box::new(refused(refusal));
    // Whole pitches are told once each side has a plane of its own; a copy that was placed a pitch off is placed anew.
    let placed = |mut poses: [Pose; 2]| -> Result<Told, Box<SeenBoth>> {
        for _ in 0..MOST_LOOKS_AGAIN {
            let told = scene.placed(planes, poses).ok_or_else(|| boxed(not_settled()))?;
            let clean = told.clean(planes, scene);
            let (terminals, lands) = match (see(&clean, Side::Part), see(&clean, Side::Board)) {
                (Ok(terminals), Ok(lands)) => (terminals, lands),
                other => return Err(Box::new(other)),
            };
            if stays(&terminals, &told.poses[0]) && stays(&lands, &told.poses[1]) {
                return Ok(told);
            }
            poses = [terminals.pose_like(&told.poses[0]), lands.pose_like(&told.poses[1])];
        }
        Err(boxed(not_told_apart()))
    };
    let settled = |poses: [Pose; 2]| -> Result<(Told, f64), Box<SeenBoth>> {
        let placed = placed(poses)?;
        let before = placed.poses;
        let told = scene.settled(planes, placed).ok_or_else(|| boxed(not_settled()))?;
        let moved_px = scene.moved_px(&before, &told.poses);
        Ok((told, moved_px))
    };
    // Which copy is which was guessed from starts; once they are settled their looks are known.
    let told = settled(poses).and_then(|(told, moved_px)| {
        if told.likeness_to_sides() >= -LEAST_LIKENESS {
            return Ok((told, moved_px));
        }
        scene.swapped(&told.poses).ok_or_else(|| boxed(not_told_apart())).and_then(settled)
    });
    let (told, moved_px) = match told {
        Ok(told) => told,
        Err(seen) => return *seen,
    };
    let likeness = told.likeness_to_sides();
    if moved_px > MOST_SETTLED_PX {
        return refused(not_settled());
    }
    let is_near = scene.px_per_mm() * told.apart_mm < NEAR_PX;
    if likeness < if is_near { LEAST_LIKENESS_OF_NEAR } else { LEAST_LIKENESS } {
        return refused(not_told_apart());
    }
    if is_near && moved_px > MOST_SETTLED_OF_NEAR_PX {
        return refused(too_near(told.apart_mm));
    }
    if told.open_mm > MOST_OPEN_MM {
        return refused(too_near(told.apart_mm));
    }
    let clean = told.clean(planes, scene);
    let (mut terminals, mut lands) = match (see(&clean, Side::Part), see(&clean, Side::Board)) {
        (Ok(terminals), Ok(lands)) => (terminals, lands),
        other => return other,
    };
    let is_odd = |seen: &Seen| seen.size_over_design().is_none_or(|s| (s - 1.0).abs() > MOST_ODD_SIZE);
    let is_off = optics.scale == ScaleSource::Bench && (is_odd(&terminals) || is_odd(&lands));
    let is_torn = |seen: &Seen| seen.usual_miss_mm().is_none_or(|miss_mm| miss_mm * scene.px_per_mm() > MOST_USUAL_MISS_PX);
    if is_torn(&terminals) || is_torn(&lands) {
        return refused(not_settled());
    }
    let is_bent = |seen: &Seen| scene.px_per_mm() * bend::bend_mm(seen) > MOST_BEND_PX;
    if is_near && likeness < LEAST_LIKENESS_OF_BENT && (is_bent(&terminals) || is_bent(&lands)) {
        return refused(not_settled());
    }
    if is_off || !stays(&terminals, &told.poses[0]) || !stays(&lands, &told.poses[1]) {
        return refused(not_settled());
    }
    terminals.fit.covariance += told.covariance;
    lands.fit.covariance += told.covariance;
    (Ok(terminals), Ok(lands))
}

/// All that stays while the copies are looked for.
struct Scene<'a> {
    pairs: Vec<Pair>,
    views: [Vec<SideView<'a>>; 2],
    centres_mm: [Vec<PointMm>; 2],
    pitch_mm: f64,
}

/// How a step is made: on every how manieth site, on planes reduced by how much, with pixels far off the model left out or not.
#[derive(Clone, Copy)]
struct Steps {
    stride: usize,
    factor: usize,
    reject: bool,
}

/// Every site, at full detail.
const ALL_SITES: Steps = Steps { stride: 1, factor: 1, reject: false };

/// A plane averaged over blocks.
fn coarse(plane: &Plane, factor: usize) -> Plane {
    let small = crate::plane::reduce(plane, factor);
    Plane { light: small.light, step_of_light: plane.step_of_light, ..Plane::of_light(small.width, small.height, Vec::new()) }
}

/// The copies, placed and told apart.
struct Told {
    poses: [Pose; 2],
    both: Vec<Both>,
    /// How far apart the copies are seen at the pattern's middle, mm.
    apart_mm: f64,
    /// Standard uncertainty of that from the unknown looks, mm.
    open_mm: f64,
    /// To be added to each side's own covariance, so that their sum holds what the looks leave open of the distance.
    covariance: Matrix3<f64>,
}

impl Scene<'_> {
    fn view(&self, pair: &Pair, side: usize) -> Option<&SideView<'_>> {
        let index = [pair.part, pair.board][side];
        self.views[side].iter().find(|v| v.index == index)
    }

    /// One side's copy as a plane shows it that is reduced by `factor`.
    fn copy(&self, pair: &Pair, side: usize, pose: &Pose, factor: usize) -> Option<Copy> {
        let view = self.view(pair, side)?;
        let per_block = factor as f64;
        let radius_px = view.radius_px / per_block;
        let pitch_px = self.pitch_mm * view.px_per_mm() / per_block;
        let reach_px = (REACH_SHARE * radius_px + REACH_MORE_PX).min(0.5 * pitch_px.max(4.0));
        let block = |p: PointPx| PointPx::new((p.x - (per_block - 1.0) / 2.0) / per_block, (p.y - (per_block - 1.0) / 2.0) / per_block);
        let features = self.centres_mm[side]
            .iter()
            .map(|c| {
                let at_mm = pose.apply(*c);
                Feature::new(block(view.plane_px(at_mm)), per_pose(&(view.sight.px_per_mm(at_mm) / per_block), at_mm - pose.shift()))
            })
            .collect();
        Some(Copy::new(features, radius_px, reach_px))
    }

    /// Puts the copies' features where the poses have them; keeps looks and the features' own values.
    fn place(&self, pair: &Pair, both: &mut Both, poses: &[Pose; 2], factor: usize) -> Option<()> {
        for (side, pose) in poses.iter().enumerate() {
            let moved = self.copy(pair, side, pose, factor)?;
            for (f, m) in both.copies[side].features.iter_mut().zip(moved.features) {
                (f.at, f.per_pose) = (m.at, m.per_pose);
            }
        }
        Some(())
    }

    fn model(&self, pair: &Pair, plane: &Plane, poses: &[Pose; 2], factor: usize) -> Option<Both> {
        let copies = [self.copy(pair, 0, &poses[0], factor)?, self.copy(pair, 1, &poses[1], factor)?];
        let pitch_px = self.pitch_mm * self.view(pair, 0)?.px_per_mm() / factor as f64;
        Some(Both::new(plane, copies, pitch_px))
    }

    /// One step of looks and poses in all pairs together; `planes` pair up with the pairs.
    fn step(&self, planes: &[&Plane], both: &mut [Both], poses: &mut [Pose; 2], how: Steps) -> Option<Normal> {
        let mut sum = Normal { matrix: Matrix6::zeros(), right: Vector6::zeros() };
        for (plane, both) in planes.iter().zip(both.iter_mut()) {
            let one = both.solve_looks(plane, &|site| site % how.stride == 0, how.reject)?;
            sum.matrix += one.matrix;
            sum.right += one.right;
        }
        let step = both.iter().filter_map(|b| step_of(&sum, b)).min_by(|a, b| a.norm().total_cmp(&b.norm()))?;
        for (side, pose) in poses.iter_mut().enumerate() {
            let s = step.fixed_rows::<3>(3 * side);
            *pose = Pose::new(pose.x_mm + s[0], pose.y_mm + s[1], pose.theta_rad + s[2]);
        }
        for (pair, both) in self.pairs.iter().zip(both.iter_mut()) {
            self.place(pair, both, poses, how.factor)?;
        }
        Some(sum)
    }

    /// The start that explains the picture best, with its copies told apart.
    fn best_start(&self, planes: &[Plane], starts: &[[Pose; 2]]) -> Option<[Pose; 2]> {
        let radius_px = self.pairs.iter().filter_map(|p| self.view(p, 0)).map(|v| v.radius_px).fold(f64::INFINITY, f64::min);
        let factor = ((radius_px / TRIAL_RADIUS_BLOCKS) as usize).max(1);
        let how = Steps { stride: self.centres_mm[0].len().div_ceil(SITES_FOR_TRIALS).max(1), factor, reject: false };
        let coarse: Vec<Plane> = self.pairs.iter().map(|p| coarse(&planes[p.part], factor)).collect();
        let coarse: Vec<&Plane> = coarse.iter().collect();
        let mut tried: Vec<(f64, [Pose; 2])> = starts.iter().filter_map(|start| self.tried(&coarse, *start, how)).collect();
        tried.sort_by(|a, b| a.0.total_cmp(&b.0));
        // The likeliest again in full detail, where the outlines tell which copy is which.
        let fine: Vec<&Plane> = self.pairs.iter().map(|p| &planes[p.part]).collect();
        let fine_how = Steps { factor: 1, ..how };
        let mut distinct: Vec<[Pose; 2]> = Vec::new();
        for (_, poses) in tried {
            let is_known = distinct.iter().any(|d| (0..2).all(|s| d[s].shift().distance(poses[s].shift()) < 0.05 * self.pitch_mm));
            if !is_known && distinct.len() < MOST_FINE_TRIALS {
                distinct.push(poses);
            }
        }
        let mut tried: Vec<(f64, [Pose; 2], f64)> = Vec::new();
        for start in distinct {
            let mut poses = start;
            let Some(mut both) = self.models(&fine, &poses, 1) else { continue };
            if self.steps(&fine, &mut both, &mut poses, fine_how, TRIAL_STEPS).is_none() {
                continue;
            }
            let rest = self.remainder(&fine, &both, fine_how);
            let told = both.iter().map(|b| likeness_to_sides(&b.copies)).sum::<f64>();
            tried.push((rest, poses, told));
        }
        let best = tried.iter().map(|t| t.0).fold(f64::INFINITY, f64::min);
        let good: Vec<&(f64, [Pose; 2], f64)> = tried.iter().filter(|t| t.0 <= AS_GOOD * best).collect();
        let most = good.iter().copied().max_by(|a, b| a.2.total_cmp(&b.2))?;
        if most.2 > 0.0 {
            return Some(most.1);
        }
        // The other way round was no start of its own.
        if most.2 < 0.0 { self.swapped(&most.1) } else { None }
    }

    /// Each copy taken for the other side's: the same places through the other side's view.
    fn swapped(&self, poses: &[Pose; 2]) -> Option<[Pose; 2]> {
        let pair = self.pairs.first()?;
        let (part, board) = (self.view(pair, 0)?, self.view(pair, 1)?);
        Some([seen_through(&poses[1], &self.centres_mm[1], board, part)?, seen_through(&poses[0], &self.centres_mm[0], part, board)?])
    }

    /// Steps until the places stay, at most so many; whether they stayed.
    fn steps(&self, planes: &[&Plane], both: &mut [Both], poses: &mut [Pose; 2], how: Steps, most: usize) -> Option<bool> {
        for number in 0..most {
            let before = *poses;
            self.step(planes, both, poses, how)?;
            // The first step learns the looks, without which no place moves.
            if number > 0 && self.moved_px(&before, poses) < TRIAL_AT_REST_PX {
                return Some(true);
            }
        }
        Some(false)
    }

    fn px_per_mm(&self) -> f64 {
        self.views[0].first().map_or(1.0, SideView::px_per_mm)
    }

    /// How far the farthest feature of either copy moved, px.
    fn moved_px(&self, before: &[Pose; 2], after: &[Pose; 2]) -> f64 {
        let half_mm = self.centres_mm[0].iter().map(|c| c.norm()).fold(0.0, f64::max);
        let moved = |b: &Pose, a: &Pose| b.shift().distance(a.shift()) + (b.theta_rad - a.theta_rad).abs() * half_mm;
        self.px_per_mm() * moved(&before[0], &after[0]).max(moved(&before[1], &after[1]))
    }

    fn models(&self, planes: &[&Plane], poses: &[Pose; 2], factor: usize) -> Option<Vec<Both>> {
        self.pairs.iter().zip(planes).map(|(p, plane)| self.model(p, plane, poses, factor)).collect()
    }

    fn remainder(&self, planes: &[&Plane], both: &[Both], how: Steps) -> f64 {
        both.iter().zip(planes).map(|(b, plane)| b.remainder(plane, &|site| site % how.stride == 0)).sum()
    }

    /// Where a start leads to, and what it leaves over.
    fn tried(&self, planes: &[&Plane], start: [Pose; 2], how: Steps) -> Option<(f64, [Pose; 2])> {
        let mut poses = start;
        let mut both = self.models(planes, &poses, how.factor)?;
        self.steps(planes, &mut both, &mut poses, how, TRIAL_STEPS)?;
        let rest = self.remainder(planes, &both, how);
        Some((rest, poses))
    }

    /// Both copies with their looks and places, all features of a copy alike.
    fn placed(&self, planes: &[Plane], mut poses: [Pose; 2]) -> Option<Told> {
        let fine: Vec<&Plane> = self.pairs.iter().map(|p| &planes[p.part]).collect();
        let mut both = self.models(&fine, &poses, 1)?;
        if !self.steps(&fine, &mut both, &mut poses, ALL_SITES, MOST_STEPS)? {
            return None;
        }
        Some(Told { poses, both, apart_mm: 0.0, open_mm: f64::INFINITY, covariance: Matrix3::zeros() })
    }

    /// The same with every feature settled by itself, and what that leaves open.
    fn settled(&self, planes: &[Plane], told: Told) -> Option<Told> {
        let Told { poses: alike, mut both, .. } = told;
        let mut poses = alike;
        let fine: Vec<&Plane> = self.pairs.iter().map(|p| &planes[p.part]).collect();
        let (mut last, mut moved_before_px) = (None, f64::INFINITY);
        for _ in 0..MOST_ROUNDS {
            let before = poses;
            let normal = self.round(&fine, &mut both, &mut poses)?;
            let moved_px = self.moved_px(&before, &poses);
            let shrinks = (moved_px / moved_before_px).clamp(0.3, 0.97);
            let to_go_px = moved_px * shrinks / (1.0 - shrinks);
            if moved_before_px.is_finite() && to_go_px < LEFT_TO_GO_PX {
                last = Some((normal, to_go_px));
                break;
            }
            moved_before_px = moved_px;
        }
        let (normal, to_go_px) = last?;
        let mut ends = vec![self.wandered(&fine, &both, &poses)?];
        let whole = normal.matrix.try_inverse()?;
        let mut own = Matrix3::zeros();
        for (a, sign_a) in [(0, 1.0), (3, -1.0)] {
            for (b, sign_b) in [(0, 1.0), (3, -1.0)] {
                own += whole.fixed_view::<3, 3>(a, b) * (sign_a * sign_b);
            }
        }
        let pair = self.pairs.first()?;
        let (p, b) = (self.view(pair, 0)?, self.view(pair, 1)?);
        let seen_apart = p.plane_px(poses[0].shift()).distance(b.plane_px(poses[1].shift())) / p.px_per_mm();
        if seen_apart * p.px_per_mm() < PUSHED_BELOW_PX {
            for way in [1.0, -1.0] {
                let push = PointMm::new(way, way) * (PUSH_PX * std::f64::consts::FRAC_1_SQRT_2 / p.px_per_mm());
                ends.push(self.settled_after(&fine, &poses, push)?);
            }
        }
        let to_go_mm = to_go_px / p.px_per_mm();
        // What single features' own looks changed of the distance is known to a share of it.
        let apart = |p: &[Pose; 2]| (p[0].shift() - p[1].shift(), p[0].theta_rad - p[1].theta_rad);
        let ((was, was_rad), (is, is_rad)) = (apart(&alike), apart(&poses));
        let farthest_mm = ends.iter().map(|end| apart(end).0.distance(is)).fold(0.0, f64::max);
        let farthest_rad = ends.iter().map(|end| (apart(end).1 - is_rad).abs()).fold(0.0, f64::max);
        let doubt_mm2 = to_go_mm.powi(2) + (SHIFT_KNOWN_TO * was.distance(is)).powi(2) + farthest_mm.powi(2);
        let doubt_rad2 = (TURN_KNOWN_TO * (is_rad - was_rad)).powi(2) + farthest_rad.powi(2);
        own += Matrix3::from_diagonal(&Vector3::new(doubt_mm2, doubt_mm2, doubt_rad2));
        Some(Told { poses, both, apart_mm: seen_apart, open_mm: own[(0, 0)].max(own[(1, 1)]).sqrt(), covariance: own * 0.5 })
    }

    /// Settles every feature of both copies, then looks and poses.
    fn round(&self, planes: &[&Plane], both: &mut [Both], poses: &mut [Pose; 2]) -> Option<Normal> {
        for (plane, both) in planes.iter().zip(both.iter_mut()) {
            for side in [0, 1] {
                let noise = both.noise(plane, &both.left_over(plane));
                both.settle_features(plane, side, noise);
            }
        }
        self.step(planes, both, poses, Steps { reject: true, ..ALL_SITES })
    }

    /// Where copies come to rest when they start anew from where they are but for a push against each other, mm.
    fn settled_after(&self, planes: &[&Plane], at_rest: &[Pose; 2], push: PointMm) -> Option<[Pose; 2]> {
        let pushed = |pose: &Pose, share: f64| Pose::new(pose.x_mm + share * push.x, pose.y_mm + share * push.y, pose.theta_rad);
        let start = [pushed(&at_rest[0], 0.5), pushed(&at_rest[1], -0.5)];
        let mut both = self.models(planes, &start, 1)?;
        for _ in 0..LOOKS_AFTER_PUSH {
            for (plane, both) in planes.iter().zip(both.iter_mut()) {
                both.solve_looks(plane, &|_| true, false)?;
            }
        }
        let mut poses = start;
        for _ in 0..ROUNDS_AFTER_PUSH {
            self.round(planes, &mut both, &mut poses)?;
        }
        Some(poses)
    }

    /// Where copies that have come to rest are some rounds later; `None` where they turn out not to have.
    fn wandered(&self, planes: &[&Plane], both: &[Both], at_rest: &[Pose; 2]) -> Option<[Pose; 2]> {
        let (mut both, mut poses) = (both.to_vec(), *at_rest);
        let (mut first_px, mut last_px) = (None, 0.0);
        for _ in 0..ROUNDS_AFTER_REST {
            let before = poses;
            self.round(planes, &mut both, &mut poses)?;
            last_px = self.moved_px(&before, &poses);
            first_px.get_or_insert(last_px);
        }
        let is_lasting = last_px > MOST_LASTING_SHARE * first_px?;
        (!is_lasting || self.moved_px(at_rest, &poses) <= MOST_WANDERED_PX).then_some(poses)
    }
}

impl Told {
    /// How much better the first copies are the terminals than the other way round; 0 when it cannot be told.
    fn likeness_to_sides(&self) -> f64 {
        self.both.iter().map(|b| likeness_to_sides(&b.copies)).sum()
    }

    /// Every plane without the other side's light.
    fn clean(&self, planes: &[Plane], scene: &Scene) -> Vec<Plane> {
        let mut clean = planes.to_vec();
        for (pair, both) in scene.pairs.iter().zip(&self.both) {
            for (index, other) in [(pair.part, 1), (pair.board, 0)] {
                let plane = &mut clean[index];
                plane.blocks = None;
                plane.is_cleaned = true;
                both.copies[other].add_to(plane.light.to_mut(), plane.width, plane.height, -1.0);
            }
        }
        clean
    }
}

/// How much better the first copy is the terminals and the second the lands than the other way round; 0 when it cannot be told.
fn likeness_to_sides(copies: &[Copy; 2]) -> f64 {
    let radii = copies.each_ref().map(|c| c.radius_px);
    let looks = copies.each_ref().map(|c| Edges::of(&c.look));
    let as_is = looks[0].as_terminal(radii[0]) + looks[1].as_land(radii[1]);
    let swapped = looks[1].as_terminal(radii[0]) + looks[0].as_land(radii[1]);
    as_is - swapped
}

/// Where a look is steep: (distance px, slope over the steepest, with its sign).
struct Edges {
    edges: Vec<(f64, f64)>,
}

impl Edges {
    fn of(look: &[f64]) -> Self {
        let slope: Vec<f64> = (0..look.len()).map(|i| look[(i + 2).min(look.len() - 1)] - look[i.saturating_sub(2)]).collect();
        let steepest = slope.iter().fold(1e-12, |m: f64, s| m.max(s.abs()));
        let edges = (2..slope.len().saturating_sub(1))
            .filter(|&i| slope[i].abs() >= 0.2 * steepest && slope[i].abs() > slope[i - 1].abs() && slope[i].abs() >= slope[i + 1].abs())
            .map(|i| (i as f64 * STEP_PX, slope[i] / steepest))
            .collect();
        Self { edges }
    }

    /// The strongest edge near a radius, 0 to 1.
    fn outline(&self, radius_px: f64) -> f64 {
        self.edges.iter().filter(|e| (e.0 / radius_px - 1.0).abs() < OUTLINE_WITHIN).map(|e| e.1.abs()).fold(0.0, f64::max)
    }

    /// A second edge of the other sense inside: a highlight ring.
    fn ring(&self) -> f64 {
        let up = self.edges.iter().map(|e| e.1).fold(0.0, f64::max);
        let down = self.edges.iter().map(|e| -e.1).fold(0.0, f64::max);
        up.min(down)
    }

    fn as_terminal(&self, radius_px: f64) -> f64 {
        self.outline(radius_px).max(self.ring())
    }

    fn as_land(&self, radius_px: f64) -> f64 {
        self.outline(radius_px) * (1.0 - self.ring())
    }
}

fn refusal(text: String) -> Refusal {
    Refusal { code: ReasonCode::AmbiguousShift, view: None, turn_deg: None, text, way: None }
}

fn not_told_apart() -> Refusal {
    refusal("Terminals and lands are seen in one light and cannot be told apart. Light the two sides in turn or in two colours, or move the part aside by half a pitch to see which is which.".into())
}

fn not_settled() -> Refusal {
    refusal("Terminals and lands are seen in one light and so near to each other that their light cannot be told apart. Light the two sides in turn or in two colours, or move the part aside and look again.".into())
}

fn too_near(apart_mm: f64) -> Refusal {
    refusal(format!(
        "Terminals and lands are seen {apart_mm:.3} mm apart in one light, too near to each other to tell by how much. Light the two sides in turn or in two colours."
    ))
}

/// The pose in another view's eyes: what lies at `pose` seen through `from` lies at the answer seen through `to`.
fn seen_through(pose: &Pose, centres_mm: &[PointMm], from: &SideView, to: &SideView) -> Option<Pose> {
    let places: Vec<PointMm> = centres_mm.iter().map(|c| to.mm(from.plane_px(pose.apply(*c)))).collect();
    fit_rigid(centres_mm, &places).ok()
}
