//! Which feature is which site: poses of the pattern that explain what was found, and how surely the best beats the rest.
//!
//! Directions come from vectors between neighbouring features against those between neighbouring sites, shifts from a vote
//! over all (feature, site) differences, and each hypothesis is fitted and counted. The score of a hypothesis is a sum of log
//! odds over the sites in view, seen or not, against the chance that a feature lies there anyway: what is left over on both
//! sides counts (the decision rule of star-field matchers, Lang et al. 2010, doi:10.1088/0004-6256/139/5/1782, with the
//! chance density measured in this very picture).

use crate::find::look::CoarseProfile;
use crate::nearby::Nearby;
use crate::pose::fit_rigid;
use landfit_part::{PointMm, Pose, wrap_angle_rad};
use rustc_hash::FxHashMap;
use std::f64::consts::{FRAC_PI_2, PI, TAU};
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
    fn mirrored(self) -> Self {
        Self { angle_rad: -self.angle_rad, ..self }
    }

    /// Whether it is turned as another of its class, to within an angle.
    #[must_use]
    pub fn is_turned_like(self, other: Self, within_rad: f64) -> bool {
        let off = self.angle_rad - other.angle_rad;
        self.period_rad <= 0.0 || (off - (off / self.period_rad).round() * self.period_rad).abs() <= within_rad
    }

    fn agrees(self, other: Self) -> bool {
        self.class == other.class && self.is_turned_like(other, SAME_ANGLE_RAD)
    }
}

/// Things by place and kind.
struct Places {
    near: Nearby,
    kinds: Vec<Kind>,
    points: Vec<PointMm>,
    is_plain: bool,
}

impl Places {
    fn new(places: &[PointMm], kinds: Vec<Kind>) -> Self {
        let is_plain = kinds.iter().all(|k| k.class == 0 && k.period_rad <= 0.0);
        Self { near: Nearby::new(places), kinds, points: places.to_vec(), is_plain }
    }

    /// Distance (mm) and index of the nearest one of a kind within `reach_mm`, and its slack along its longer way.
    fn nearest(&self, at: PointMm, kind: Kind, reach_mm: f64) -> Option<(f64, usize)> {
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

/// A pattern to be recognised: the designed centres of one side, part frame, and which turns of it look the same.
#[derive(Debug, Clone)]
pub struct Pattern {
    /// Designed centres, part frame, mm; index = site.
    pub centres_mm: Vec<PointMm>,
    /// What stands at each.
    kinds: Vec<Kind>,
    /// Smallest distance between two of them, mm.
    pub pitch_mm: f64,
    /// What nearness is a share of, mm: the pitch, or less where few sites stand further apart than they are wide.
    nearness_mm: f64,
    /// Motions that carry the pattern onto itself, the identity first.
    pub same: Vec<Pose>,
    /// Whether the mirror image, turned somehow, is the pattern again.
    mirror_is_same: bool,
    /// Vectors between nearest neighbours.
    neighbours: Vec<PointMm>,
    /// For each site its nearest others, distance (mm) and index, nearest first.
    nearest: Vec<Vec<(f64, usize)>>,
    /// Centroid, mm.
    centroid_mm: PointMm,
    /// About which a turned pattern falls onto itself best, mm.
    turned_about_mm: PointMm,
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

/// Another way to lay the pattern.
#[derive(Debug, Clone, Copy)]
pub struct Rival {
    /// Log odds of the best seating against this one.
    pub margin: f64,
    /// In what it differs.
    pub differs: Difference,
    /// Where it lays the pattern; for a mirror image that of the pattern before mirroring.
    pub bench_from_pattern: Pose,
}

/// In what a rival seating differs from the best.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Difference {
    /// Shifted, by a pitch as a rule.
    Shift,
    /// Turned by quarter turns.
    Turn,
    /// The pattern's mirror image.
    Mirror,
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

/// So few sites are laid over clutter easily.
const FEWEST_SITES: usize = 6;
/// Leads and pads in rows stand about this many of their widths apart.
const PITCH_OVER_WIDTH: f64 = 2.2;
/// A feature lies at a site when it is nearer than this share of the pitch.
const NEAR_SHARE: f64 = 0.22;
/// The first fit, from a vote good to half a bin and half a degree, may be off by more.
const FIRST_NEAR_SHARE: f64 = 0.36;
/// Neighbour vectors may differ from the design's length by this share (scale error and coarse centres).
const LENGTH_TOLERANCE: f64 = 0.13;
/// Bin of the vote over shifts, as a share of the pitch.
const SHIFT_BIN_SHARE: f64 = 0.25;
/// At most so many features vote for shifts with all sites; all are counted afterwards.
const MOST_VOTERS: usize = 120;
/// At most so many features vote for turns, each with its neighbours: a thousand votes or more.
const MOST_TURN_VOTERS: usize = 160;
/// Turns that are looked at closely.
const MOST_TURNS: usize = 8;
/// Shifts of each turn that are looked at closely.
const MOST_SHIFTS: usize = 5;
/// Of all turns and shifts, those with the most votes that are fitted; all of them where a comb of leads votes for many.
const MOST_FIRSTS: usize = 24;
/// Fewer sites than this vote one by one.
const FEW_SITES: usize = 12;
/// Sites that settle a pose at first.
const MOST_SETTLERS: usize = 96;
/// Where so few of those have a feature, a corner of the pattern is in view, and all sites settle the pose.
const LEAST_SETTLERS: usize = 12;
/// Hypotheses that are scored after the first count.
const MOST_CLOSE_LOOKS: usize = 24;
/// How often a rival may take the best one's place.
const MOST_CHANGES_OF_MIND: usize = 4;
/// Distinct steps to neighbours that are kept of an irregular pattern.
const MOST_NEIGHBOUR_STEPS: usize = 24;
/// Steps that a rival seating may be away: a square grid has 12 within two steps.
const MOST_NEAR_STEPS: usize = 32;
/// A feature that looks less like the others than this is another thing.
pub const LEAST_LIKENESS: f64 = 0.6;
/// Contrast below this share of the others' is another thing.
pub const LEAST_CONTRAST: f64 = 0.35;
/// However clean the picture, one site in 200 may lack its feature and one empty place in 300 may show one.
const MOST_SURE_SEEN: f64 = 0.995;
const LEAST_CHANCE: f64 = 0.0033;

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
        let nearest: Vec<Vec<(f64, usize)>> =
            centres_mm.iter().map(|c| near.several(*c, NEIGHBOURS).into_iter().filter(|(d, _)| *d > 1e-9).collect()).collect();
        for of_site in &nearest {
            pitch_mm = of_site.first().map_or(pitch_mm, |n| pitch_mm.min(n.0));
        }
        if !pitch_mm.is_finite() {
            return None;
        }
        for (centre, of_site) in centres_mm.iter().zip(&nearest) {
            let Some((least, _)) = of_site.first() else { continue };
            for (_, i) in of_site.iter().filter(|(d, _)| *d <= 1.06 * least) {
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
            centroid_mm,
            turned_about_mm: centroid_mm,
        };
        pattern.turned_about_mm = pattern.turning_point(&near);
        pattern.same =
            pattern.quarter_turns().into_iter().filter(|t| pattern.coincides(&near, |c, k| (t.apply(c), k.turned(t.theta_rad)))).collect();
        let mirrored = |t: &Pose, c: PointMm, k: Kind| (t.apply(pattern.mirror(c)), k.mirrored().turned(t.theta_rad));
        pattern.mirror_is_same = pattern.quarter_turns().iter().any(|t| pattern.coincides(&near, |c, k| mirrored(t, c, k)));
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
    /// lie between the places: of centroid and middle of the extents the one about which more sites find another.
    fn turning_point(&self, near: &Nearby) -> PointMm {
        let (low, high) = self.centres_mm.iter().fold((self.centroid_mm, self.centroid_mm), |(low, high), c| {
            (PointMm::new(low.x.min(c.x), low.y.min(c.y)), PointMm::new(high.x.max(c.x), high.y.max(c.y)))
        });
        let middle = (low + high) * 0.5;
        if middle.distance(self.centroid_mm) < 0.02 * self.pitch_mm {
            return self.centroid_mm;
        }
        let finds = |about: PointMm| -> usize {
            let turned = |turn: f64, c: PointMm| about + (c - about).rotated(turn);
            let falls_on =
                |turn: f64| self.centres_mm.iter().filter(|c| near.nearest(turned(turn, **c), 0.1 * self.pitch_mm).is_some()).count();
            falls_on(FRAC_PI_2) + falls_on(PI)
        };
        if finds(middle) > finds(self.centroid_mm) { middle } else { self.centroid_mm }
    }

    /// No turn, and the three others.
    fn quarter_turns(&self) -> [Pose; 4] {
        [0.0, FRAC_PI_2, PI, -FRAC_PI_2].map(|turn| {
            let shift = self.turned_about_mm - self.turned_about_mm.rotated(turn);
            Pose::new(shift.x, shift.y, turn)
        })
    }

    /// The mirror image of a point in the line along y through the point that turns are about.
    fn mirror(&self, p: PointMm) -> PointMm {
        PointMm::new(2.0 * self.turned_about_mm.x - p.x, p.y)
    }

    fn coincides(&self, near: &Nearby, motion: impl Fn(PointMm, Kind) -> (PointMm, Kind)) -> bool {
        // The centroid of an outline with a cut corner lies off the middle: such a shape is turned about its middle all the same.
        let is_plain = self.kinds.iter().all(|k| k.period_rad <= 0.0);
        let reach_mm = if is_plain { 0.05 } else { 0.15 } * self.pitch_mm;
        self.sites().all(|(c, k)| {
            let (at, kind) = motion(c, k);
            near.nearest(at, reach_mm).is_some_and(|(_, i)| self.kinds[i].agrees(kind))
        })
    }

    fn sites(&self) -> impl Iterator<Item = (PointMm, Kind)> + '_ {
        self.centres_mm.iter().copied().zip(self.kinds.iter().copied())
    }

    /// For each site its nearest others, distance (mm) and index, nearest first.
    pub(crate) fn nearest(&self) -> &[Vec<(f64, usize)>] {
        &self.nearest
    }

    /// Where a pose lays each site, and how that turns what stands there.
    fn laid_by(&self, pose: &Pose) -> impl Iterator<Item = (PointMm, Kind)> + '_ {
        let (motion, turn_rad) = (pose.motion(), pose.theta_rad);
        self.sites().map(move |(c, k)| (motion.apply(c), k.turned(turn_rad)))
    }

    /// Centroid of the sites, part frame, mm.
    pub(crate) const fn middle_mm(&self) -> PointMm {
        self.centroid_mm
    }

    /// No step, the steps to neighbours, and all that two of them make: where rows are staggered, a step along a row is two.
    /// Two steps that all but undo each other (to a pad in the middle and back to the row across) are no step.
    fn near_steps(&self) -> Vec<PointMm> {
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

    /// Every place at which a site's row goes on, either way, sites themselves among them, part frame.
    fn next_places(&self) -> Places {
        let (mut places, mut kinds) = (Vec::new(), Vec::new());
        for ((centre, kind), around) in self.sites().zip(&self.nearest) {
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
    if pattern.kinds.iter().all(|k| k.period_rad <= 0.0) {
        firsts.sort_by(|a, b| b.0.total_cmp(&a.0));
        firsts.truncate(MOST_FIRSTS);
    }
    // Each with the strength of the features it explains: few sites are soon laid over as many scraps of clutter.
    let mut hypotheses: Vec<(Pose, f64)> = Vec::new();
    for (_, first) in firsts {
        if let Some(pose) = settle(&places, &near, pattern, first) {
            let explained = matches(&near, pattern, &pose).iter().flatten().map(|&f| features[f].strength.min(1.0)).sum();
            hypotheses.push((pose, explained));
        }
    }
    hypotheses.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.theta_rad.total_cmp(&b.0.theta_rad)).then(a.0.x_mm.total_cmp(&b.0.x_mm)));
    hypotheses.truncate(MOST_CLOSE_LOOKS);
    let Some(first) = hypotheses.first() else { return Err(other_spacing(features, &near.near)) };

    // What the sites' features look like is learned from the fullest seating, and what does not look so is another thing.
    let laid = matches(&near, pattern, &first.0);
    let Some(profile) = CoarseProfile::median(&laid.iter().flatten().map(|&f| features[f].profile).collect::<Vec<_>>()) else {
        return Err(other_spacing(features, &near.near));
    };
    let alike: Vec<usize> = (0..features.len()).filter(|&i| is_alike(&features[i].profile, &profile)).collect();
    let alike_near = Places::new(&alike.iter().map(|&i| places[i]).collect::<Vec<_>>(), alike.iter().map(|&i| features[i].kind).collect());
    let reach_mm = NEAR_SHARE * pattern.nearness_mm;
    // Whether a place is judged at all, and whether a feature is seen there.
    let glance = |at: PointMm, kind: Kind| {
        if (window.whole)(at, kind) { Some(alike_near.nearest(at, kind, reach_mm).is_some()) } else { (window.cut)(at, kind, &profile) }
    };
    let count = |pose: &Pose| Count::of(pattern.laid_by(pose).map(|(at, kind)| glance(at, kind)));

    let counts: Vec<Count> = hypotheses.iter().map(|(pose, _)| count(pose)).collect();
    // What no site explains is there by chance; features of the pattern that the picture's edge cuts are explained.
    let fullest = (0..counts.len()).max_by_key(|&i| (counts[i].seen, std::cmp::Reverse(i))).map_or(first.0, |i| hypotheses[i].0);
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
    let (mut pose, mut best_odds) = (hypotheses[best].0, best_odds);
    let mut rival = strongest_rival(pattern, &pose, &hypotheses, &glance, &odds, best_odds);
    // A rival that is the better one takes the place: the vote may have missed it among much clutter.
    for _ in 0..MOST_CHANGES_OF_MIND {
        let Some(better) = rival.filter(|r| r.margin < 0.0 && r.differs != Difference::Mirror) else { break };
        let alike_places: Vec<PointMm> = alike.iter().map(|&i| places[i]).collect();
        let Some(settled) = settle(&alike_places, &alike_near, pattern, better.bench_from_pattern) else { break };
        let settled_odds = odds.log(count(&settled));
        if settled_odds <= best_odds {
            break;
        }
        (pose, best_odds) = (settled, settled_odds);
        rival = strongest_rival(pattern, &pose, &hypotheses, &glance, &odds, best_odds);
    }
    let laid: Vec<Option<usize>> = matches(&alike_near, pattern, &pose).into_iter().map(|m| m.map(|i| alike[i])).collect();
    let used: std::collections::BTreeSet<usize> = laid.iter().flatten().copied().collect();
    let pattern_from_bench = pose.inverse();
    let next_places = pattern.next_places();
    let is_beside = |i: usize| {
        let kind = features[i].kind.turned(-pose.theta_rad);
        next_places.nearest(pattern_from_bench.apply(places[i]), kind, reach_mm).is_some()
    };
    // The same thing may be found as another class, too.
    let taken = Nearby::new(&used.iter().map(|&i| places[i]).collect::<Vec<_>>());
    let is_taken = |i: usize| taken.nearest(places[i], reach_mm).is_some();
    let left_over = alike.iter().copied().filter(|&i| !used.contains(&i) && is_beside(i) && !is_taken(i)).collect();
    let in_view = pattern.laid_by(&pose).map(|(at, kind)| (window.whole)(at, kind)).collect();
    Ok(Recognition {
        best: Seating { bench_from_pattern: pose, features: laid, in_view, log_odds: best_odds },
        rival,
        profile,
        alike: alike.len(),
        left_over,
    })
}

/// For each site the feature that lies there for a pose of the pattern, whatever it looks like.
pub(crate) fn features_at(features: &[Feature], pattern: &Pattern, pose: &Pose) -> Vec<Option<usize>> {
    let places: Vec<PointMm> = features.iter().map(|f| f.at_mm).collect();
    matches(&Places::new(&places, features.iter().map(|f| f.kind).collect()), pattern, pose)
}

/// Whether a feature looks like the pattern's features: the same shape of profile, and not much fainter.
#[must_use]
pub fn is_alike(profile: &CoarseProfile, of_pattern: &CoarseProfile) -> bool {
    profile.likeness(of_pattern) >= LEAST_LIKENESS && profile.contrast() >= LEAST_CONTRAST * of_pattern.contrast()
}

#[derive(Debug, Clone, Copy)]
struct Count {
    seen: usize,
    expected: usize,
}

impl Count {
    fn of(glances: impl Iterator<Item = Option<bool>>) -> Self {
        let mut count = Self { seen: 0, expected: 0 };
        for is_seen in glances.flatten() {
            count.expected += 1;
            count.seen += usize::from(is_seen);
        }
        count
    }
}

/// How likely a site shows its feature, and how likely a feature lies at a place by chance.
#[derive(Debug, Clone, Copy)]
struct Odds {
    seen: f64,
    chance: f64,
}

impl Odds {
    fn log(&self, count: Count) -> f64 {
        let unseen = count.expected - count.seen;
        count.seen as f64 * (self.seen / self.chance).ln() + unseen as f64 * ((1.0 - self.seen) / (1.0 - self.chance)).ln()
    }
}

fn likely_turns(features: &[Feature], near: &Nearby, pattern: &Pattern) -> Vec<f64> {
    const BINS: usize = 720;
    const NEAREST: NonZero<usize> = NonZero::new(7).unwrap();
    /// Few sites, scattered clutter all about them: the next site is not among the six nearest features.
    const NEAREST_OF_FEW: NonZero<usize> = NonZero::new(48).unwrap();
    let nearest = if pattern.centres_mm.len() <= FEW_SITES { NEAREST_OF_FEW } else { NEAREST };
    let period = TAU / pattern.same.len().max(1) as f64;
    let steps: Vec<(f64, f64)> = pattern.neighbours.iter().map(|n| (n.norm(), n.y.atan2(n.x))).collect();
    let mut votes: Vec<(f64, f64)> = Vec::new();
    for feature in features.iter().step_by(features.len().div_ceil(MOST_TURN_VOTERS).max(1)) {
        for (length, i) in near.several(feature.at_mm, nearest) {
            if length < 1e-9 {
                continue;
            }
            let v = features[i].at_mm - feature.at_mm;
            let angle = v.y.atan2(v.x);
            for (designed, designed_angle) in &steps {
                if (length / designed - 1.0).abs() < LENGTH_TOLERANCE {
                    votes.push(((angle - designed_angle).rem_euclid(period), feature.strength.min(1.0) * features[i].strength.min(1.0)));
                }
            }
        }
    }
    let mut bins = vec![0.0; BINS];
    let bin_of = |angle: f64| ((angle / period * BINS as f64) as usize).min(BINS - 1);
    for (angle, weight) in &votes {
        bins[bin_of(*angle)] += weight;
    }
    // Half the width, in bins, over which one direction's votes spread.
    let half = ((1.5_f64.to_radians() / period * BINS as f64).round() as usize).max(1);
    let smooth: Vec<f64> = (0..BINS).map(|i| (0..=2 * half).map(|d| bins[(i + BINS + d - half) % BINS]).sum()).collect();
    let highest = smooth.iter().copied().fold(0.0, f64::max);
    let mut peaks: Vec<usize> = (0..BINS)
        .filter(|&i| {
            smooth[i] >= 0.3 * highest
                && smooth[i] > 0.0
                && (1..=2 * half).all(|d| smooth[(i + d) % BINS] < smooth[i] && smooth[(i + BINS - d) % BINS] <= smooth[i])
        })
        .collect();
    peaks.sort_by(|a, b| smooth[*b].total_cmp(&smooth[*a]).then(a.cmp(b)));
    peaks.truncate(MOST_TURNS);
    peaks
        .into_iter()
        .map(|peak| {
            let middle = (peak as f64 + 0.5) / BINS as f64 * period;
            let off = |angle: f64| (angle - middle + period / 2.0).rem_euclid(period) - period / 2.0;
            let (mut sum, mut weight) = (0.0, 0.0);
            for (angle, w) in &votes {
                let d = off(*angle);
                if d.abs() < 2.0_f64.to_radians() {
                    sum += w * d;
                    weight += w;
                }
            }
            wrap_angle_rad(middle + if weight > 0.0 { sum / weight } else { 0.0 })
        })
        .collect()
}

/// Shifts of the turned pattern, each with its votes.
fn likely_shifts(features: &[Feature], pattern: &Pattern, turn: f64) -> Vec<(f64, PointMm)> {
    let turned: Vec<PointMm> = pattern.centres_mm.iter().map(|c| c.rotated(turn)).collect();
    let kinds: Vec<Kind> = pattern.kinds.iter().map(|k| k.turned(turn)).collect();
    if turned.len() <= FEW_SITES && pattern.kinds.iter().any(|k| k.period_rad > 0.0) {
        return shifts_of_few(features, &turned, &kinds, pattern.nearness_mm);
    }
    let bin_mm = SHIFT_BIN_SHARE * pattern.pitch_mm;
    let stride = features.len().div_ceil(MOST_VOTERS);
    let voters: Vec<&Feature> = features.iter().step_by(stride.max(1)).collect();
    let bounds = |points: &mut dyn Iterator<Item = PointMm>| {
        points.fold((PointMm::new(f64::INFINITY, f64::INFINITY), PointMm::new(f64::NEG_INFINITY, f64::NEG_INFINITY)), |(lo, hi), p| {
            (PointMm::new(lo.x.min(p.x), lo.y.min(p.y)), PointMm::new(hi.x.max(p.x), hi.y.max(p.y)))
        })
    };
    let (f_lo, f_hi) = bounds(&mut voters.iter().map(|f| f.at_mm));
    let (c_lo, c_hi) = bounds(&mut turned.iter().copied());
    let low = f_lo - c_hi - PointMm::new(2.0 * bin_mm, 2.0 * bin_mm);
    let span = (f_hi - c_lo) - low;
    let (columns, rows) = ((span.x / bin_mm) as usize + 4, (span.y / bin_mm) as usize + 4);
    if columns.saturating_mul(rows) > 4_000_000 {
        return Vec::new();
    }
    let mut votes = vec![0.0_f32; columns * rows];
    for voter in voters {
        let weight = voter.strength.min(1.0) as f32;
        let from = voter.at_mm - low;
        for (c, _) in turned.iter().zip(&kinds).filter(|(_, k)| k.agrees(voter.kind)) {
            let (x, y) = (((from.x - c.x) / bin_mm) as usize, ((from.y - c.y) / bin_mm) as usize);
            votes[y * columns + x] += weight;
        }
    }
    let sum3 =
        |x: usize, y: usize| -> f32 { (y - 1..=y + 1).map(|r| votes[r * columns + x - 1..=r * columns + x + 1].iter().sum::<f32>()).sum() };
    let mut sums = vec![0.0_f32; columns * rows];
    for y in 1..rows - 1 {
        for x in 1..columns - 1 {
            sums[y * columns + x] = sum3(x, y);
        }
    }
    let highest = sums.iter().copied().fold(0.0, f32::max);
    let mut peaks: Vec<(f32, usize, usize)> = Vec::new();
    for y in 1..rows - 1 {
        for x in 1..columns - 1 {
            let v = sums[y * columns + x];
            if v < 0.4 * highest || v <= 0.0 {
                continue;
            }
            let highest_here = (y - 1..=y + 1).all(|r| {
                (x - 1..=x + 1).all(|c| {
                    let other = sums[r * columns + c];
                    other < v || (other == v && (r, c) >= (y, x))
                })
            });
            if highest_here {
                peaks.push((v, x, y));
            }
        }
    }
    peaks.sort_by(|a, b| b.0.total_cmp(&a.0).then((a.2, a.1).cmp(&(b.2, b.1))));
    peaks.truncate(MOST_SHIFTS);
    peaks
        .into_iter()
        .map(|(peak, x, y)| {
            // The votes' centre of mass in the 3 x 3 bins places the peak within a bin.
            let (mut sx, mut sy, mut s) = (0.0, 0.0, 0.0);
            for r in y - 1..=y + 1 {
                for c in x - 1..=x + 1 {
                    let v = f64::from(votes[r * columns + c]);
                    sx += v * (c as f64 + 0.5);
                    sy += v * (r as f64 + 0.5);
                    s += v;
                }
            }
            (f64::from(peak), low + PointMm::new(sx / s, sy / s) * bin_mm)
        })
        .collect()
}

/// Every difference between a feature and a site that others agree with, the most agreed first: bins would mix a lead's foot with
/// the slope behind it.
fn shifts_of_few(features: &[Feature], turned: &[PointMm], kinds: &[Kind], nearness_mm: f64) -> Vec<(f64, PointMm)> {
    let strongest = &features[..features.len().min(MOST_VOTERS)];
    let differences: Vec<(PointMm, f64)> = strongest
        .iter()
        .flat_map(|f| turned.iter().zip(kinds).filter(|(_, k)| k.agrees(f.kind)).map(|(c, _)| (f.at_mm - *c, f.strength.min(1.0))))
        .collect();
    let near_mm = 0.5 * NEAR_SHARE * nearness_mm;
    let mut agreed: Vec<(f64, usize)> = (0..differences.len())
        .map(|i| (differences.iter().filter(|d| d.0.distance(differences[i].0) < near_mm).map(|d| d.1).sum(), i))
        .collect();
    agreed.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
    let mut shifts: Vec<(f64, PointMm)> = Vec::new();
    for (votes, i) in agreed {
        if shifts.len() < 2 * MOST_SHIFTS && shifts.iter().all(|s| s.1.distance(differences[i].0) > near_mm) {
            shifts.push((votes, differences[i].0));
        }
    }
    shifts
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

/// The other seatings that matter most: a step to a neighbour, each turn and mirror image that the pattern can tell apart,
/// those with a step, and whatever else the vote proposed.
fn strongest_rival(
    pattern: &Pattern,
    pose: &Pose,
    hypotheses: &[(Pose, f64)],
    glance: &impl Fn(PointMm, Kind) -> Option<bool>,
    odds: &Odds,
    best_odds: f64,
) -> Option<Rival> {
    // Rivals on the same lattice ask for the same places again and again.
    let mut known: FxHashMap<(i32, i32, u16, i32), Option<bool>> = FxHashMap::default();
    let step_mm = 0.1 * pattern.nearness_mm;
    let bench_from_pattern = pose.motion();
    let mut glance_once = |place: PointMm, kind: Kind| {
        let turn = if kind.period_rad > 0.0 { (kind.angle_rad.rem_euclid(kind.period_rad) / 0.1) as i32 } else { 0 };
        let key = ((place.x / step_mm).round() as i32, (place.y / step_mm).round() as i32, kind.class, turn);
        *known.entry(key).or_insert_with(|| glance(bench_from_pattern.apply(place), kind.turned(pose.theta_rad)))
    };
    let mut strongest: Option<Rival> = None;
    let mut consider = |log_odds: f64, differs: Difference, bench_from_pattern: Pose| {
        let margin = best_odds - log_odds;
        if strongest.is_none_or(|r| margin < r.margin) {
            strongest = Some(Rival { margin, differs, bench_from_pattern });
        }
    };
    for step in pattern.near_steps() {
        for turn in pattern.quarter_turns() {
            let is_same_turn = pattern.same.iter().any(|s| (wrap_angle_rad(s.theta_rad - turn.theta_rad)).abs() < 1e-6);
            let is_zero = step == PointMm::ZERO;
            let moved = Pose::new(turn.x_mm + step.x, turn.y_mm + step.y, turn.theta_rad);
            if !is_same_turn || (turn.theta_rad == 0.0 && !is_zero) {
                let differs = if is_same_turn { Difference::Shift } else { Difference::Turn };
                let count = Count::of(pattern.laid_by(&moved).map(|(at, kind)| glance_once(at, kind)));
                consider(odds.log(count), differs, pose.after(&moved));
            }
            if !pattern.mirror_is_same {
                let motion = moved.motion();
                let mirrored = |(c, k): (PointMm, Kind)| (motion.apply(pattern.mirror(c)), k.mirrored().turned(moved.theta_rad));
                let count = Count::of(pattern.sites().map(mirrored).map(|(c, k)| glance_once(c, k)));
                consider(odds.log(count), Difference::Mirror, pose.after(&moved));
            }
        }
    }
    let pattern_from_bench = pose.inverse();
    for (other, _) in hypotheses {
        let difference = pattern_from_bench.after(other);
        let looks_same = pattern.same.iter().any(|s| {
            let rest = s.inverse().after(&difference);
            rest.apply(pattern.centroid_mm).distance(pattern.centroid_mm) < 0.5 * pattern.pitch_mm && rest.theta_rad.abs() < 0.2
        });
        if !looks_same {
            let turned = (difference.theta_rad / FRAC_PI_2).round() != 0.0;
            let log_odds = odds.log(Count::of(pattern.laid_by(other).map(|(at, kind)| glance(at, kind))));
            consider(log_odds, if turned { Difference::Turn } else { Difference::Shift }, *other);
        }
    }
    strongest
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

    type Cut = fn(PointMm, Kind, &CoarseProfile) -> Option<bool>;

    fn everything() -> Window<impl Fn(PointMm, Kind) -> bool, Cut> {
        Window { whole: |_, _| true, cut: |_, _, _| None, area_mm2: 200.0 }
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

    #[test]
    fn two_features_are_too_few() {
        let pattern = Pattern::new(grid(3, 0.8)).expect("a pattern");
        assert_eq!(recognise(&seen(&grid(3, 0.8)[..2], Pose::IDENTITY), &pattern, &everything()).unwrap_err(), Unrecognised::TooFew);
    }
}
