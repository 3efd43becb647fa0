//! Copies that lie farther from each other than they are measured: nothing is placed by them, but which way to bring them together is told.

use super::{ALL_SITES, LEAST_LIKENESS, Scene, Steps, TRIAL_STEPS, likeness_to_sides, places, seen_through};
use crate::answer::{HowFar, ReasonCode, Refusal, Way};
use crate::nearby::Nearby;
use crate::plane::Plane;
use crate::refusal::is_the_pattern;
use crate::side::{self, SideView, features_word};
use crate::view::PointPx;
use crate::whereabouts;
use crate::which_site::{Feature, Kind, Pattern, Window, recognise};
use landfit_part::{PointMm, Pose, Side};

/// Features nearer than this share of the pitch to a site of the first copy are that copy's.
const TAKEN_SHARE: f64 = 0.3;
/// What lies nearer to a site of the first copy than so many radii is blended with it, and shows neither way.
const BLENDED_RADII: f64 = 2.2;

/// Shifts of a copy, in pitches, that are held against what shows of it.
const MOST_SHIFTS: i32 = 12;
/// A shift that leaves so many sites and features more unexplained than the best is none.
const AS_GOOD: usize = 3;

/// One copy, in the part view's eyes.
struct Lies<'a> {
    pose: Pose,
    /// What may be its features.
    features: Vec<Feature>,
    /// Where nothing can be seen of it for the other copy.
    is_blended: &'a dyn Fn(PointMm) -> bool,
}

/// Why copies that lie far apart are not measured, and which way to move the one that lies off. `None` where no two copies show surely.
pub(super) fn refused(scene: &Scene, planes: &[Plane]) -> Option<Refusal> {
    let pattern = Pattern::new(scene.centres_mm[0].clone())?;
    let views = &scene.views[0];
    let features: Vec<Feature> = views.iter().flat_map(|v| side::features_of(v, &pattern)).collect();
    let first = sure_pose(&features, &pattern, views, &|_| false)?;
    let sites: Vec<PointMm> = pattern.centres_mm.iter().map(|c| first.apply(*c)).collect();
    let of_first = Nearby::new(&sites);
    let radius_mm = views.first().map(|v| v.radius_px / v.px_per_mm())?;
    let is_blended = |at: PointMm| of_first.nearest(at, BLENDED_RADII * radius_mm).is_some();
    let is_rest = |f: &Feature| of_first.nearest(f.at_mm, TAKEN_SHARE * pattern.pitch_mm).is_none();
    let rest: Vec<Feature> = features.iter().filter(|f| is_rest(f)).copied().collect();
    let second = sure_pose(&rest, &pattern, views, &is_blended)?;
    let apart_mm = first.apply(pattern.middle_mm()).distance(second.apply(pattern.middle_mm()));
    if apart_mm < places::MOST_PITCHES * pattern.pitch_mm {
        return None;
    }
    let copies = [Lies { pose: first, features, is_blended: &|_| false }, Lies { pose: second, features: rest, is_blended: &is_blended }];
    told(scene, planes, &pattern, &copies)
}

/// Where the pattern lies among the features, in the part view's eyes, by the odds that an answer needs.
fn sure_pose(features: &[Feature], pattern: &Pattern, views: &[SideView], is_blended: &dyn Fn(PointMm) -> bool) -> Option<Pose> {
    let window = Window {
        whole: |at: PointMm, kind: Kind| !is_blended(at) && side::view_that_holds(views, None, at, kind).is_some(),
        cut: |_: PointMm, _: Kind, _: &_| None,
        area_mm2: side::area_mm2(views),
        over: None,
    };
    let found = recognise(features, pattern, &window).ok()?;
    is_the_pattern(&found.best, pattern).then(|| pattern.nearest_turn(found.best.bench_from_pattern, 0.0))
}

/// The refusal with its way; `None` where no way is known.
fn told(scene: &Scene, planes: &[Plane], pattern: &Pattern, copies: &[Lies; 2]) -> Option<Refusal> {
    let views = &scene.views[0];
    let at_middle = view_middle(views.first()?);
    let off_mm = |lies: &Lies| lies.pose.apply(pattern.middle_mm()).distance(at_middle);
    let farther = usize::from(off_mm(&copies[1]) > off_mm(&copies[0]));
    let poses = as_good(&copies[farther], pattern, views);
    let is_out = |pose: &Pose| pattern.centres_mm.iter().any(|c| side::view_that_holds(views, None, pose.apply(*c), Kind::DISC).is_none());
    let runs_out = poses.iter().all(is_out);
    let best = poses.first().copied()?;
    let mut both = copies.each_ref().map(|c| c.pose);
    both[farther] = best;
    let side = which_is_the_part(scene, planes, &both).map(|part| if part == farther { Side::Part } else { Side::Board });
    // What is the board's is seen through the board's view.
    let (view, poses) = match side {
        Some(Side::Board) => {
            let pair = scene.pairs.first()?;
            let (part, board) = (scene.view(pair, 0)?, scene.view(pair, 1)?);
            (board, poses.iter().filter_map(|p| seen_through(p, &scene.centres_mm[1], part, board)).collect())
        }
        Some(Side::Part) | None => (views.first()?, poses),
    };
    let ways: Vec<PointMm> = poses.iter().map(|p| view_middle(view) - p.apply(pattern.middle_mm())).collect();
    let [(x, far_x), (y, far_y)] = [along(&ways, |w| w.x, pattern.pitch_mm), along(&ways, |w| w.y, pattern.pitch_mm)];
    let (by_mm, how_far) = (PointMm::new(x, y), [far_x, far_y]);
    let steps = whereabouts::steps_words(by_mm, how_far)?;
    let edge = if runs_out { ", and run out of the picture" } else { "" };
    let text = match side {
        Some(side) => {
            let other = if side == Side::Part { Side::Board } else { Side::Part };
            format!(
                "The {} lie too far from the {} to be measured in one light{edge}. Move the {} {steps}.",
                features_word(side),
                features_word(other),
                side.word()
            )
        }
        None => format!(
            "Terminals and lands lie too far from each other to be measured in one light, and which is which cannot be told. Move the one that lies off the middle {steps}."
        ),
    };
    let way = side.map(|side| Way { side, by_mm, how_far });
    Some(Refusal { way, ..Refusal::new(ReasonCode::OutOfView, None, text) })
}

/// All places, whole pitches apart, at which a copy explains what shows about as well as it can, the best first: rows that lie out of
/// view, or on the other copy's, would tell them apart.
fn as_good(lies: &Lies, pattern: &Pattern, views: &[SideView]) -> Vec<Pose> {
    let reach_mm = TAKEN_SHARE * pattern.pitch_mm;
    let near = Nearby::new(&lies.features.iter().map(|f| f.at_mm).collect::<Vec<_>>());
    let sites = |pose: &Pose| -> Vec<PointMm> { pattern.centres_mm.iter().map(|c| pose.apply(*c)).collect() };
    let own: Vec<PointMm> =
        sites(&lies.pose).into_iter().filter_map(|at| near.nearest(at, reach_mm)).map(|(_, f)| lies.features[f].at_mm).collect();
    let is_judged = |at: PointMm| !(lies.is_blended)(at) && side::view_that_holds(views, None, at, Kind::DISC).is_some();
    let unexplained = |pose: &Pose| {
        let sites = sites(pose);
        let missing = sites.iter().filter(|at| is_judged(**at) && near.nearest(**at, reach_mm).is_none()).count();
        let laid = Nearby::new(&sites);
        missing + own.iter().filter(|at| laid.nearest(**at, reach_mm).is_none()).count()
    };
    let across_mm = 2.0 * pattern.centres_mm.iter().map(|c| c.distance(pattern.middle_mm())).fold(0.0, f64::max);
    let most = ((across_mm / pattern.pitch_mm).ceil() as i32).min(MOST_SHIFTS);
    let mut tried: Vec<(usize, Pose)> = (-most..=most)
        .flat_map(|i| (-most..=most).map(move |j| PointMm::new(f64::from(i), f64::from(j)) * pattern.pitch_mm))
        .map(|step| {
            let shift = lies.pose.shift() + step.rotated(lies.pose.theta_rad);
            let pose = Pose::new(shift.x, shift.y, lies.pose.theta_rad);
            (unexplained(&pose), pose)
        })
        .collect();
    tried.sort_by_key(|t| t.0);
    let least = tried.first().map_or(0, |t| t.0);
    tried.into_iter().take_while(|t| t.0 <= least + AS_GOOD).map(|t| t.1).collect()
}

/// What ways have in common along one axis: about so far, so far at least, or nothing (0).
fn along(ways: &[PointMm], of: fn(&PointMm) -> f64, pitch_mm: f64) -> (f64, HowFar) {
    let (low, high) = ways.iter().map(of).fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)));
    if high - low < pitch_mm {
        (f64::midpoint(low, high), HowFar::About)
    } else if low > 0.0 {
        (low, HowFar::AtLeast)
    } else if high < 0.0 {
        (high, HowFar::AtLeast)
    } else {
        (0.0, HowFar::Unknown)
    }
}

fn view_middle(view: &SideView) -> PointMm {
    view.mm(PointPx::new((view.plane.width as f64 - 1.0) / 2.0, (view.plane.height as f64 - 1.0) / 2.0))
}

/// Which of the copies looks like the terminals; `None` where their looks do not tell.
fn which_is_the_part(scene: &Scene, planes: &[Plane], copies: &[Pose; 2]) -> Option<usize> {
    let fine: Vec<&Plane> = scene.pairs.iter().map(|p| &planes[p.part]).collect();
    let pair = scene.pairs.first()?;
    let (part, board) = (scene.view(pair, 0)?, scene.view(pair, 1)?);
    let mut poses = [copies[0], seen_through(&copies[1], &scene.centres_mm[1], part, board)?];
    let mut both = scene.models(&fine, &poses, 1)?;
    scene.steps(&fine, &mut both, &mut poses, Steps { ..ALL_SITES }, TRIAL_STEPS)?;
    let likeness: f64 = both.iter().map(|b| likeness_to_sides(&b.copies)).sum();
    (likeness.abs() > LEAST_LIKENESS).then_some(usize::from(likeness < 0.0))
}
