//! Which feature is which site: poses of the pattern that explain what was found, and how surely the best beats the rest.
//!
//! Directions come from vectors between neighbouring features against those between neighbouring sites, shifts from a vote
//! over all (feature, site) differences, and each hypothesis is fitted and counted. The score of a hypothesis is a sum of log
//! odds over the sites in view, seen or not, against the chance that a feature lies there anyway: what is left over on both
//! sides counts (the decision rule of star-field matchers, Lang et al. 2010, doi:10.1088/0004-6256/139/5/1782, with the
//! chance density measured in this very picture).

mod beside;
mod looks;
mod pattern;
mod rivals;
mod votes;

use crate::find::ground::DEEPEST_SHADOW;
use crate::find::look::CoarseProfile;
use crate::nearby::Nearby;
use crate::pose::fit_rigid;
use beside::Ground;
use landfit_part::{PointMm, Pose};
pub use looks::{BareMetal, recognise_bare_metal};
use pattern::Places;
pub use pattern::{Kind, Pattern};
use rivals::{Count, Odds, rivals, strongest};
pub use rivals::{Difference, Rival};
use std::f64::consts::PI;
use std::num::NonZero;
use votes::{likely_shifts, likely_turns};

/// A feature of one side, in the bench frame, from any view of that side.
#[derive(Debug, Clone, Copy)]
pub struct Feature {
    /// Bench frame, mm.
    pub at_mm: PointMm,
    /// Index into the bench's views.
    pub view: usize,
    /// Strength against that of a typical feature of its view; above 0.
    pub strength: f64,
    /// Its coarse look.
    pub profile: CoarseProfile,
    /// Its outline.
    pub kind: Kind,
}

/// One way to lay the pattern over the features.
#[derive(Debug, Clone)]
pub struct Seating {
    /// Bench frame from the pattern's frame.
    pub bench_from_pattern: Pose,
    /// For each site the feature that lies there.
    pub features: Vec<Option<usize>>,
    /// Sites whose whole outline lies in view, by the caller's word.
    pub in_view: Vec<bool>,
    /// Log odds against chance.
    pub log_odds: f64,
}

impl Seating {
    /// How many sites in view have a feature.
    #[must_use]
    pub fn seen(&self) -> usize {
        self.features.iter().zip(&self.in_view).filter(|(f, v)| f.is_some() && **v).count()
    }

    /// How many sites lie in view.
    #[must_use]
    pub fn expected(&self) -> usize {
        self.in_view.iter().filter(|v| **v).count()
    }
}

/// What the features say about the pattern.
#[derive(Debug, Clone)]
pub struct Recognition {
    /// The seating with the best odds.
    pub best: Seating,
    /// The best other seating that the pattern can tell apart: another shift, turn or mirror image.
    pub rival: Option<Rival>,
    /// What the features of the best seating look like on the coarse scale.
    pub profile: CoarseProfile,
    /// How many features of the picture look like those, at sites or not.
    pub alike: usize,
    /// Features that look like those and lie where the pattern would go on, one step from a site, but has none.
    pub left_over: Vec<usize>,
}

/// Why no seating was found.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Unrecognised {
    /// Fewer than three features.
    TooFew,
    /// Features there are, but not at the pattern's distances.
    OtherSpacing {
        /// Middle distance between nearest features, mm.
        spacing_mm: f64,
    },
}

/// A feature lies at a site when it is nearer than this share of the pitch.
const NEAR_SHARE: f64 = 0.22;
/// The first fit, from a vote good to half a bin and half a degree, may be off by more.
const FIRST_NEAR_SHARE: f64 = 0.36;
/// Of all turns and shifts, those with the most votes that are fitted; all of them where a comb of leads votes for many.
const MOST_FIRSTS: usize = 24;
/// Sites that settle a pose at first.
const MOST_SETTLERS: usize = 96;
/// Where so few of those have a feature, a corner of the pattern is in view, and all sites settle the pose.
const LEAST_SETTLERS: usize = 12;
/// Hypotheses that are scored after the first count.
const MOST_CLOSE_LOOKS: usize = 24;
/// How often a rival may take the best one's place.
const MOST_CHANGES_OF_MIND: usize = 4;
/// A feature that looks less like the others than this is another thing.
pub const LEAST_LIKENESS: f64 = 0.6;
/// Contrast below this share of the others' is another thing.
pub const LEAST_CONTRAST: f64 = 0.35;
/// Ground that is darker than this share of the features' contrast does not tell how much light falls on it.
const LEAST_GROUND: f64 = 0.1;
/// Likeness above which what is left of a cut feature may be one, and what is faint may be one in shadow.
pub(crate) const CLEARLY_ALIKE: f64 = 0.88;
/// However clean the picture, one site in 200 may lack its feature and one empty place in 300 may show one.
const MOST_SURE_SEEN: f64 = 0.995;
const LEAST_CHANCE: f64 = 0.0033;
/// Rivals that are further behind are not asked for copies beside them.
const MOST_BEHIND: f64 = 20.0;
/// Where every rival is further behind than this, the seating stands alone unless features are left over beside it.
const STANDS_ALONE: f64 = 10.0;
/// More features than this beside the sites are asked whether they are a copy's.
const MOST_BESIDE: usize = 4;

/// Where this side can be seen: told by the caller, who knows regions and sizes. Places are in the bench frame.
pub struct Window<V, P> {
    /// Whether a whole feature of a kind at a place lies inside a view.
    pub whole: V,
    /// Where a feature at a place would be cut by a view's edge: whether what is left of it shows the given look. `None` where
    /// the whole of it, or too little, lies in view, or where it cannot be told. Such a place counts as evidence: a row that
    /// should peep in at the edge and does not is no row.
    pub cut: P,
    /// What the views cover, mm².
    pub area_mm2: f64,
    /// Where the middle of the other side's pattern lies, if it is known and this side's may be there more than once: the
    /// nearest is meant.
    pub over: Option<PointMm>,
}

/// Finds the pattern among the features. Deterministic: ties go to the lower index.
///
/// # Errors
/// [`Unrecognised`] when there is nothing that could be laid over the features at all; a poor seating is still returned, the
/// caller judges it.
pub fn recognise<V, P>(features: &[Feature], pattern: &Pattern, window: &Window<V, P>) -> Result<Recognition, Unrecognised>
where
    V: Fn(PointMm, Kind) -> bool,
    P: Fn(PointMm, Kind, &CoarseProfile) -> Option<bool>,
{
    let near = Nearby::new(&features.iter().map(|f| f.at_mm).collect::<Vec<_>>());
    recognise_turned(features, pattern, window, &likely_turns(features, &near, pattern))
}

/// As [`recognise`], where the turns that come into question are known already: radians, bench frame from the pattern's.
///
/// # Errors
/// As [`recognise`].
pub fn recognise_turned<V, P>(
    features: &[Feature],
    pattern: &Pattern,
    window: &Window<V, P>,
    turns: &[f64],
) -> Result<Recognition, Unrecognised>
where
    V: Fn(PointMm, Kind) -> bool,
    P: Fn(PointMm, Kind, &CoarseProfile) -> Option<bool>,
{
    if features.len() < 3 {
        return Err(Unrecognised::TooFew);
    }
    let places: Vec<PointMm> = features.iter().map(|f| f.at_mm).collect();
    let near = Places::new(&places, features.iter().map(|f| f.kind).collect());
    let mut firsts: Vec<(f64, Pose)> = turns
        .iter()
        .flat_map(|&turn| likely_shifts(features, pattern, turn).into_iter().map(move |(votes, s)| (votes, Pose::new(s.x, s.y, turn))))
        .collect();
    if pattern.is_of_discs() {
        firsts.sort_by(|a, b| b.0.total_cmp(&a.0));
        firsts.truncate(MOST_FIRSTS);
    }
    // Each with the strength of the features it explains: few sites are soon laid over as many scraps of clutter.
    let mut explaining: Vec<(Pose, f64)> = Vec::new();
    for (_, first) in firsts {
        if let Some(pose) = settle(&places, &near, pattern, first) {
            let explained = matches(&near, pattern, &pose).iter().flatten().map(|&f| features[f].strength.min(1.0)).sum();
            explaining.push((pose, explained));
        }
    }
    explaining.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.theta_rad.total_cmp(&b.0.theta_rad)).then(a.0.x_mm.total_cmp(&b.0.x_mm)));
    let mut hypotheses: Vec<Pose> = explaining.into_iter().take(MOST_CLOSE_LOOKS).map(|(pose, _)| pose).collect();
    let Some(first) = hypotheses.first() else { return Err(other_spacing(features, &near.near)) };

    // What the sites' features look like is learned from the fullest seating, and what does not look so is another thing.
    let laid = matches(&near, pattern, first);
    let Some(profile) = CoarseProfile::median(&laid.iter().flatten().map(|&f| features[f].profile).collect::<Vec<_>>()) else {
        return Err(other_spacing(features, &near.near));
    };
    let alike: Vec<usize> = (0..features.len()).filter(|&i| is_alike(&features[i].profile, &profile)).collect();
    let alike_places: Vec<PointMm> = alike.iter().map(|&i| places[i]).collect();
    let alike_near = Places::new(&alike_places, alike.iter().map(|&i| features[i].kind).collect());
    let reach_mm = NEAR_SHARE * pattern.nearness_mm;
    // Whether a place is judged at all, and whether a feature is seen there.
    let glance = |at: PointMm, kind: Kind| {
        if (window.whole)(at, kind) { Some(alike_near.nearest(at, kind, reach_mm).is_some()) } else { (window.cut)(at, kind, &profile) }
    };
    let count = |pose: &Pose| Count::of(pattern.laid_by(pose).map(|(at, kind)| glance(at, kind)));

    let counts: Vec<Count> = hypotheses.iter().map(count).collect();
    // What no site explains is there by chance; features of the pattern that the picture's edge cuts are explained.
    let fullest = (0..counts.len()).max_by_key(|&i| (counts[i].seen, std::cmp::Reverse(i))).map_or(*first, |i| hypotheses[i]);
    let explained = matches(&alike_near, pattern, &fullest).iter().flatten().count();
    let chance =
        ((alike.len().saturating_sub(explained)) as f64 / window.area_mm2.max(1e-9) * PI * (NEAR_SHARE * pattern.nearness_mm).powi(2))
            .clamp(LEAST_CHANCE, 0.5);
    let top = counts.iter().max_by_key(|c| (c.seen, std::cmp::Reverse(c.expected))).copied().unwrap_or(Count { seen: 0, expected: 1 });
    let odds = Odds { seen: ((top.seen as f64 + 1.0) / (top.expected as f64 + 2.0)).clamp(0.5, MOST_SURE_SEEN), chance };
    let Some((best, best_odds)) =
        (0..hypotheses.len()).map(|i| (i, odds.log(counts[i]))).max_by(|a, b| a.1.total_cmp(&b.1).then(b.0.cmp(&a.0)))
    else {
        return Err(other_spacing(features, &near.near));
    };
    let (mut pose, mut best_odds) = (hypotheses[best], best_odds);
    // A rival that is the better one takes the place: the vote may have missed it among much clutter.
    let climb = |pose: &mut Pose, best_odds: &mut f64, hypotheses: &[Pose]| {
        let rival_of = |pose: &Pose, odds_of_pose| strongest(rivals(pattern, pose, hypotheses, &glance, &odds, odds_of_pose));
        let mut rival = rival_of(pose, *best_odds);
        for _ in 0..MOST_CHANGES_OF_MIND {
            let Some(better) = rival.filter(|r| r.margin < 0.0 && r.differs != Difference::Mirror) else { break };
            let Some(settled) = settle(&alike_places, &alike_near, pattern, better.bench_from_pattern) else { break };
            let settled_odds = odds.log(count(&settled));
            if settled_odds <= *best_odds {
                break;
            }
            (*pose, *best_odds) = (settled, settled_odds);
            rival = rival_of(pose, *best_odds);
        }
        rival
    };
    let mut rival = climb(&mut pose, &mut best_odds, &hypotheses);
    let next_places = pattern.next_places();
    // Features that look like the sites' and lie one step from a site, where neither the pattern nor a copy of it has one.
    let left_over = |pose: &Pose, copies: &[Pose]| -> Vec<usize> {
        let seatings = || [pose].into_iter().chain(copies);
        let used: std::collections::BTreeSet<usize> = seatings().flat_map(|p| matches(&alike_near, pattern, p)).flatten().collect();
        // The same thing may be found as another class, too.
        let taken = Nearby::new(&used.iter().map(|&i| alike_places[i]).collect::<Vec<_>>());
        let pattern_from_bench = pose.inverse();
        let is_beside = |i: usize| {
            let kind = features[alike[i]].kind.turned(-pose.theta_rad);
            next_places.nearest(pattern_from_bench.apply(alike_places[i]), kind, reach_mm).is_some()
        };
        let is_taken = |i: usize| taken.nearest(alike_places[i], reach_mm).is_some();
        (0..alike.len()).filter(|i| !used.contains(i) && is_beside(*i) && !is_taken(*i)).map(|i| alike[i]).collect()
    };
    let mut beside = left_over(&pose, &[]);
    if beside.len() > MOST_BESIDE {
        // Rows go on beside the sites: the vote may have preferred a copy's, which nothing covers.
        let far = pattern.far_steps().into_iter().filter_map(|step| {
            let moved = Pose::new(step.x, step.y, 0.0);
            settle(&alike_places, &alike_near, pattern, pose.after(&moved))
        });
        hypotheses.extend(far.filter(|far| odds.log(count(far)) > best_odds - MOST_BEHIND));
        rival = climb(&mut pose, &mut best_odds, &hypotheses);
        beside = left_over(&pose, &[]);
    }
    if let Some(over) = window.over {
        let away_mm = pose.apply(pattern.centroid_mm).distance(over);
        let stands_alone = rival.is_none_or(|r| r.margin > STANDS_ALONE) && beside.len() <= MOST_BESIDE;
        if !stands_alone || away_mm > 0.5 * pattern.extent_mm() {
            let ground = Ground {
                places: &alike_places,
                near: &alike_near,
                glance: &glance,
                odds: &odds,
                pitch_mm: pattern.pitch_mm,
                nearness_mm: pattern.nearness_mm,
            };
            let rivals_of = |pose: &Pose| rivals(pattern, pose, &hypotheses, &glance, &odds, odds.log(count(pose)));
            let among = beside::among_copies(&ground, pattern, pose, over, &rivals_of);
            if !among.copies.is_empty() {
                let chosen = settle(&alike_places, &alike_near, pattern, among.pose).unwrap_or(among.pose);
                (pose, best_odds, rival) = (chosen, odds.log(count(&chosen)), among.rival);
                beside = left_over(&pose, &among.copies);
            }
        }
    }
    let laid: Vec<Option<usize>> = matches(&alike_near, pattern, &pose).into_iter().map(|m| m.map(|i| alike[i])).collect();
    let in_view = pattern.laid_by(&pose).map(|(at, kind)| (window.whole)(at, kind)).collect();
    Ok(Recognition {
        best: Seating { bench_from_pattern: pose, features: laid, in_view, log_odds: best_odds },
        rival,
        profile,
        alike: alike.len(),
        left_over: beside,
    })
}

/// For each site the feature that lies there for a pose of the pattern, whatever it looks like.
pub(crate) fn features_at(features: &[Feature], pattern: &Pattern, pose: &Pose) -> Vec<Option<usize>> {
    let places: Vec<PointMm> = features.iter().map(|f| f.at_mm).collect();
    matches(&Places::new(&places, features.iter().map(|f| f.kind).collect()), pattern, pose)
}

/// Whether a feature looks like the pattern's features: the same shape of profile, and not much fainter. In shadow it is as much fainter as
/// the ground beside it.
#[must_use]
pub fn is_alike(profile: &CoarseProfile, of_pattern: &CoarseProfile) -> bool {
    let likeness = profile.likeness(of_pattern);
    let share_of_contrast = profile.contrast() / of_pattern.contrast().max(1e-12);
    let share_of_light = || {
        let does_ground_tell = of_pattern.ground() > LEAST_GROUND * of_pattern.contrast();
        if does_ground_tell { (profile.ground() / of_pattern.ground()).clamp(DEEPEST_SHADOW, 1.0) } else { 1.0 }
    };
    likeness >= LEAST_LIKENESS
        && (share_of_contrast >= LEAST_CONTRAST || (likeness >= CLEARLY_ALIKE && share_of_contrast >= LEAST_CONTRAST * share_of_light()))
}

/// Fits the pose to the features nearest to the sites, first generously, then closely. `None` when fewer than three match.
fn settle(places: &[PointMm], near: &Places, pattern: &Pattern, first: Pose) -> Option<Pose> {
    let mut pose = first;
    // A spread-out part of the sites settles the pose; all of them only what is left.
    let some = pattern.centres_mm.len().div_ceil(MOST_SETTLERS);
    let pairs = |pose: &Pose, reach_mm: f64, stride: usize| -> (Vec<PointMm>, Vec<PointMm>) {
        let laid = pattern.laid_by(pose).zip(&pattern.centres_mm).step_by(stride);
        laid.filter_map(|((at, kind), c)| near.nearest(at, kind, reach_mm).map(|(_, i)| (*c, places[i]))).unzip()
    };
    for (share, stride) in [(FIRST_NEAR_SHARE, some), (NEAR_SHARE, some), (NEAR_SHARE, 1)] {
        let reach_mm = share * pattern.nearness_mm;
        let (mut from, mut to) = pairs(&pose, reach_mm, stride);
        if stride > 1 && from.len() < LEAST_SETTLERS {
            (from, to) = pairs(&pose, reach_mm, 1);
        }
        if from.len() < 3 {
            return None;
        }
        pose = fit_rigid(&from, &to).ok()?;
    }
    Some(pose)
}

fn matches(near: &Places, pattern: &Pattern, pose: &Pose) -> Vec<Option<usize>> {
    let reach_mm = NEAR_SHARE * pattern.nearness_mm;
    pattern.laid_by(pose).map(|(at, kind)| near.nearest(at, kind, reach_mm).map(|n| n.1)).collect()
}

fn other_spacing(features: &[Feature], near: &Nearby) -> Unrecognised {
    const TWO: NonZero<usize> = NonZero::new(2).unwrap();
    let mut distances: Vec<f64> = features.iter().filter_map(|f| near.several(f.at_mm, TWO).get(1).map(|n| n.0)).collect();
    distances.sort_by(f64::total_cmp);
    distances.get(distances.len() / 2).map_or(Unrecognised::TooFew, |&spacing_mm| Unrecognised::OtherSpacing { spacing_mm })
}

#[cfg(test)]
mod tests {
    use super::*;
    use landfit_part::wrap_angle_rad;
    use std::f64::consts::FRAC_PI_2;

    type Cut = fn(PointMm, Kind, &CoarseProfile) -> Option<bool>;

    fn everything() -> Window<impl Fn(PointMm, Kind) -> bool, Cut> {
        Window { whole: |_, _| true, cut: |_, _, _| None, area_mm2: 200.0, over: None }
    }

    fn grid(n: i32, pitch: f64) -> Vec<PointMm> {
        let half = f64::from(n - 1) / 2.0;
        (0..n * n).map(|i| PointMm::new((f64::from(i % n) - half) * pitch, (half - f64::from(i / n)) * pitch)).collect()
    }

    fn seen(places: &[PointMm], pose: Pose) -> Vec<Feature> {
        let profile = CoarseProfile { rings: [1.0, 1.0, 1.0, 0.9, 0.2, 0.1, 0.1] };
        places
            .iter()
            .enumerate()
            .map(|(i, p)| {
                // A coarse centre is a few hundredths of the pitch off, always the same way for the same feature.
                let wobble = PointMm::new((i as f64 * 1.7).sin() * 0.02, (i as f64 * 2.3).cos() * 0.02);
                Feature { at_mm: pose.apply(*p) + wobble, view: 0, strength: 1.0, profile, kind: Kind::DISC }
            })
            .collect()
    }

    #[test]
    fn a_full_grid_is_seated_with_a_wide_margin() {
        let places = grid(8, 0.8);
        let pattern = Pattern::new(places.clone()).expect("a pattern");
        assert_eq!(pattern.same.len(), 4);
        let truth = Pose::new(1.1, -0.7, 0.13);
        let found = recognise(&seen(&places, truth), &pattern, &everything()).expect("seated");
        let pose = pattern.nearest_turn(found.best.bench_from_pattern, 0.0);
        assert!((pose.x_mm - truth.x_mm).abs() < 0.02 && (pose.theta_rad - truth.theta_rad).abs() < 0.01, "{pose:?}");
        assert_eq!(found.best.seen(), 64);
        assert!(found.rival.expect("a shift").margin > 40.0);
    }

    #[test]
    fn a_missing_corner_tells_the_turn() {
        let mut places = grid(6, 1.0);
        places.remove(0);
        let pattern = Pattern::new(places.clone()).expect("a pattern");
        assert_eq!(pattern.same.len(), 1);
        let truth = Pose::new(0.2, 0.1, FRAC_PI_2 + 0.05);
        let found = recognise(&seen(&places, truth), &pattern, &everything()).expect("seated");
        assert!(wrap_angle_rad(found.best.bench_from_pattern.theta_rad - truth.theta_rad).abs() < 0.02);
        let rival = found.rival.expect("a rival");
        assert!(rival.margin > 8.0, "{rival:?}");
    }

    #[test]
    fn one_row_too_few_leaves_two_seatings_even() {
        let places = grid(8, 0.8);
        let pattern = Pattern::new(places.clone()).expect("a pattern");
        let found = recognise(&seen(&places[8..], Pose::IDENTITY), &pattern, &everything()).expect("seated");
        let rival = found.rival.expect("a shift");
        assert!(rival.margin.abs() < 1.0 && rival.differs == Difference::Shift, "{rival:?}");
    }

    #[test]
    fn features_at_another_pitch_do_not_pass_for_the_pattern() {
        let pattern = Pattern::new(grid(8, 0.8)).expect("a pattern");
        match recognise(&seen(&grid(8, 1.0), Pose::IDENTITY), &pattern, &everything()) {
            Err(Unrecognised::OtherSpacing { spacing_mm }) => assert!((spacing_mm - 1.0).abs() < 0.05),
            Ok(found) => assert!(found.best.seen() < 40, "{}", found.best.seen()),
            Err(other) => panic!("{other:?}"),
        }
    }

    #[test]
    fn clutter_and_missing_features_do_not_move_the_seating() {
        let places = grid(10, 0.8);
        let pattern = Pattern::new(places.clone()).expect("a pattern");
        let truth = Pose::new(-0.4, 0.9, -0.1);
        let kept: Vec<PointMm> = places.iter().enumerate().filter(|(i, _)| i % 3 != 0).map(|(_, p)| *p).collect();
        let mut features = seen(&kept, truth);
        let clutter: Vec<PointMm> = grid(9, 0.8).into_iter().map(|p| p + PointMm::new(0.07, -0.11)).collect();
        features.extend(seen(&clutter[..40], truth));
        let found = recognise(&features, &pattern, &everything()).expect("seated");
        let pose = pattern.nearest_turn(found.best.bench_from_pattern, 0.0);
        assert!(pose.shift().distance(truth.shift()) < 0.03, "{pose:?}");
        assert!(found.rival.expect("a shift").margin > 10.0);
    }

    #[test]
    fn a_pattern_with_an_empty_corner_is_turned_about_the_middle_of_its_lattice() {
        let mut places = grid(10, 1.0);
        places.retain(|p| !(p.x < -1.5 && p.y > 1.5));
        let pattern = Pattern::new(places).expect("a pattern");
        assert!(pattern.middle_mm().norm() > 0.2, "the centroid lies off the middle: {:?}", pattern.middle_mm());
        for turn in pattern.quarter_turns() {
            let lies_on = |c: &&PointMm| pattern.centres_mm.iter().any(|o| o.distance(turn.apply(**c)) < 0.01);
            assert!(pattern.centres_mm.iter().filter(lies_on).count() >= 75, "{turn:?}");
        }
    }

    #[test]
    fn a_grid_of_eight_by_nine_looks_the_same_after_half_a_turn_alone() {
        let places: Vec<PointMm> = (0..72).map(|i| PointMm::new(f64::from(i % 9), f64::from(i / 9))).collect();
        let pattern = Pattern::new(places.clone()).expect("a pattern");
        assert_eq!(pattern.same.len(), 2);
        // A quarter turn still leads from place to place.
        let lies_on = |c: &&PointMm| places.iter().any(|o| o.distance(pattern.quarter_turns()[1].apply(**c)) < 0.01);
        assert!(places.iter().filter(lies_on).count() >= 50);
    }

    #[test]
    fn a_staggered_grid_is_turned_onto_its_own_places() {
        let places: Vec<PointMm> = (0..99)
            .map(|i| (i / 11, i % 11))
            .map(|(row, column)| PointMm::new(0.8 * f64::from(column) + if row % 2 == 1 { 0.4 } else { 0.0 }, -0.7 * f64::from(row)))
            .collect();
        let pattern = Pattern::new(places.clone()).expect("a pattern");
        let half = pattern.quarter_turns()[2];
        let lies_on = |c: &&PointMm| places.iter().any(|o| o.distance(half.apply(**c)) < 0.01);
        assert!(places.iter().filter(lies_on).count() >= 90);
        // However the vote goes, the seat that explains all is found.
        for truth in [Pose::new(0.1, 0.2, 0.01), Pose::new(-0.3, 0.1, PI - 0.01)] {
            let found = recognise(&seen(&places, truth), &pattern, &everything()).expect("seated");
            assert!(found.best.seen() == 99 && found.best.bench_from_pattern.shift().distance(truth.shift()) < 0.05, "{:?}", found.best);
        }
    }

    #[test]
    fn six_among_much_clutter_are_seated() {
        let places: Vec<PointMm> = (0..6).map(|i| PointMm::new(f64::from(i % 3) * 0.5 - 0.5, 0.25 - f64::from(i / 3) * 0.5)).collect();
        let pattern = Pattern::new(places.clone()).expect("a pattern");
        let truth = Pose::new(0.45, 0.3, -0.01);
        let mut features = seen(&places, truth);
        // Nearer to each other than the sites are: none of the six nearest of any site is another site.
        let other = CoarseProfile { rings: [0.1, 0.12, 0.1, 0.14, 0.1, 0.13, 0.12] };
        for i in 0..90 {
            let (row, column) = (f64::from(i / 10), f64::from(i % 10));
            let at_mm = PointMm::new(-0.5 + 0.2 * column + 0.05 * (1.3 * row).sin(), -0.5 + 0.2 * row + 0.05 * (1.9 * column).cos());
            features.push(Feature { at_mm, view: 0, strength: 0.5, profile: other, kind: Kind::DISC });
        }
        let found = recognise(&features, &pattern, &everything()).expect("seated");
        let pose = pattern.nearest_turn(found.best.bench_from_pattern, 0.0);
        assert!(pose.shift().distance(truth.shift()) < 0.05 && found.best.seen() == 6, "{pose:?}, {} seen", found.best.seen());
    }

    /// Two full grids of which the second goes on where the first ends, seen whole or cut off after three columns.
    fn two_grids(pitch: f64, columns_of_second: i32) -> Vec<PointMm> {
        let first = grid(8, pitch);
        let second =
            first.iter().filter(|p| p.x < (f64::from(columns_of_second) - 4.0) * pitch).map(|p| *p + PointMm::new(8.0 * pitch, 0.0));
        first.iter().copied().chain(second).collect()
    }

    fn window_over(over: PointMm, right_mm: f64) -> Window<impl Fn(PointMm, Kind) -> bool, Cut> {
        Window { whole: move |at: PointMm, _| at.x < right_mm, cut: |_, _, _| None, area_mm2: 200.0, over: Some(over) }
    }

    #[test]
    fn of_two_grids_on_one_lattice_the_one_nearer_to_the_other_side_is_meant() {
        let pattern = Pattern::new(grid(8, 0.8)).expect("a pattern");
        for (columns, right_mm) in [(8, 100.0), (3, 5.6)] {
            let features = seen(&two_grids(0.8, columns), Pose::IDENTITY);
            let alone = recognise(&features, &pattern, &Window { over: None, ..window_over(PointMm::ZERO, right_mm) }).expect("seated");
            assert!(alone.rival.expect("a shift").margin < 1.0, "without the other side nothing tells");
            for (over, at) in [(PointMm::new(0.5, 0.3), 0.0), (PointMm::new(6.1, -0.4), 6.4)] {
                if at > 0.0 && columns < 8 {
                    continue;
                }
                let found = recognise(&features, &pattern, &window_over(over, right_mm)).expect("seated");
                let middle = found.best.bench_from_pattern.apply(pattern.middle_mm());
                assert!(middle.distance(PointMm::new(at, 0.0)) < 0.05, "{columns} columns, {over:?}: {middle:?}");
                assert!(found.rival.is_none_or(|r| r.margin > 8.0), "{:?}", found.rival);
                assert!(found.left_over.is_empty(), "{:?}", found.left_over);
            }
        }
    }

    #[test]
    fn half_way_between_two_grids_nothing_is_meant() {
        let pattern = Pattern::new(grid(8, 0.8)).expect("a pattern");
        let found =
            recognise(&seen(&two_grids(0.8, 8), Pose::IDENTITY), &pattern, &window_over(PointMm::new(3.3, 0.0), 100.0)).expect("seated");
        let rival = found.rival.expect("the other grid");
        assert!(rival.differs == Difference::Copy && rival.margin < 1.0, "{rival:?}");
    }

    #[test]
    fn a_row_that_may_be_either_grids_is_not_taken_for_either() {
        // Both ends of the lattice along x are cut off: seven columns of a grid of eight, and a copy that shows two, or one less.
        let pattern = Pattern::new(grid(8, 0.8)).expect("a pattern");
        let places: Vec<PointMm> = (0..80).map(|i| PointMm::new(f64::from(i % 10) * 0.8, f64::from(i / 10) * 0.8)).collect();
        let within = |at: PointMm, _: Kind| at.x > -0.3 && at.x < 7.5;
        let window = Window { whole: within, cut: |_, _, _: &CoarseProfile| None, area_mm2: 200.0, over: Some(PointMm::new(2.5, 2.8)) };
        let found = recognise(&seen(&places, Pose::IDENTITY), &pattern, &window).expect("seated");
        assert!(found.rival.expect("a shift").margin < 8.0, "{:?}", found.rival);
    }

    #[test]
    fn two_features_are_too_few() {
        let pattern = Pattern::new(grid(3, 0.8)).expect("a pattern");
        assert_eq!(recognise(&seen(&grid(3, 0.8)[..2], Pose::IDENTITY), &pattern, &everything()).unwrap_err(), Unrecognised::TooFew);
    }
}
