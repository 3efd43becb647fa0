//! The shapes of one side that are not all discs of one size: their classes, where each lies in a picture, and the features
//! that look like them.

use crate::find::look::CoarseProfile;
use crate::find::outline::Outline;
use crate::find::print::Print;
use crate::find::shape_candidates::{ShapeCandidate, Sought, edge_directions, likely_turns, shape_candidates, shells};
use crate::side::{SideView, area_mm2};
use crate::view::PointPx;
use crate::which_site::{CLEARLY_ALIKE, Feature, Kind, Pattern, is_alike};
use landfit_part::{Part, PointMm, Pose, Side, wrap_angle_rad};
use nalgebra::{Matrix2, Vector2};
use std::f64::consts::FRAC_PI_2;

/// What stands at the sites of one side.
pub(crate) struct Shapes {
    /// One outline of each class, mm, the longer way along local y.
    classes: Vec<Outline>,
    /// For each site of the pattern its own outline, mm, in the axes of its kind.
    outlines: Vec<Outline>,
    /// For each site of the pattern its class and how it is turned in the part's frame.
    pub kinds: Vec<Kind>,
}

/// Outlines that differ by less than this share of their size are of one class: tolerances are as large.
const SAME_CLASS_SHARE: f64 = 0.1;
/// Share of what an outline is longer than wide by which it may be found off along itself.
pub(crate) const SLACK_SHARE: f64 = 0.15;
/// An outline turned by a quarter is another where it is longer than wide by so much and fits worse by more than the second …
const LONG_OVER_WIDE: f64 = 1.5;
const CLEARLY_BETTER_IF_LONG: f64 = 1.06;
/// … or than this where it is not.
const CLEARLY_BETTER: f64 = 1.3;
/// A cut outline of which less lies inside the picture shows too little to be judged.
const LEAST_SHARE_OF_CUT: f64 = 0.5;
/// Turns of one outline that differ by less are looked for together.
const SAME_TURN_RAD: f64 = 0.06;

impl Shapes {
    /// The shapes of a side; `None` where all are discs of one size, which are found and measured as such.
    pub fn of(side: Side, part: &Part, sites: &[usize]) -> Option<Self> {
        let mut shapes = Self { classes: Vec::new(), outlines: Vec::new(), kinds: Vec::new() };
        for &i in sites {
            let site = &part.sites[i];
            let centre_mm = (site.centre_mm(side) - site.at_mm).rotated(-site.angle_rad);
            let mut outline = Outline::of_pieces(site.pieces(side), centre_mm);
            let mut angle_rad = site.angle_rad;
            if outline.is_wide() {
                // In axes that are turned by a quarter the outline is turned back.
                outline = outline.quarter_turned().quarter_turned().quarter_turned();
                angle_rad += FRAC_PI_2;
            }
            let class = shapes.classes.iter().position(|c| c.is_like(&outline, SAME_CLASS_SHARE)).unwrap_or_else(|| {
                shapes.classes.push(outline.clone());
                shapes.classes.len() - 1
            });
            let [low, high] = outline.bounds();
            let slack_mm = SLACK_SHARE * ((high[1] - low[1]) - (high[0] - low[0])).max(0.0);
            shapes.kinds.push(Kind {
                class: class as u16,
                angle_rad: wrap_angle_rad(angle_rad),
                period_rad: outline.period_rad(),
                slack_mm,
            });
            shapes.outlines.push(outline);
        }
        let is_plain = shapes.classes.len() == 1 && shapes.classes[0].is_disc();
        (!is_plain).then_some(shapes)
    }

    /// Half the narrow side of a usual site, mm.
    pub fn narrow_half_mm(&self) -> f64 {
        let mut halves: Vec<f64> = self.outlines.iter().map(Outline::narrow_half).collect();
        halves.sort_by(f64::total_cmp);
        halves.get(halves.len() / 2).copied().unwrap_or(0.0)
    }

    /// Whether a site's outline is plain: it cannot tell half a turn.
    pub fn is_plain(&self, site: usize) -> bool {
        self.outlines[site].is_box()
    }

    /// How a site of the pattern lies in a view for a pose of the pattern.
    pub fn print(&self, view: &SideView, site: usize, pose: &Pose, centre_mm: PointMm) -> Print {
        let at_mm = pose.apply(centre_mm);
        let (axes, scale) = axes_px(&view.sight.px_per_mm(at_mm), self.kinds[site].angle_rad + pose.theta_rad);
        Print { at: view.plane_px(at_mm), axes, outline: self.outlines[site].scaled(scale[0], scale[1]) }
    }

    /// The way between two neighbours of one look that face each other, at a share `place` of what they overlap along themselves:
    /// its two ends on their middle lines (part frame, mm), each with how far its outline reaches along the way. `None` where they
    /// do not face each other side by side.
    pub fn parallel_way(&self, a: usize, b: usize, pattern: &Pattern, place: f64) -> Option<((PointMm, f64), (PointMm, f64))> {
        let (ka, kb) = (self.kinds[a], self.kinds[b]);
        if ka.class != kb.class || !ka.is_turned_like(kb, SAME_TURN_RAD) {
            return None;
        }
        let (from, to) = (pattern.centres_mm[a], pattern.centres_mm[b]);
        let way = (to - from) * (1.0 / (to - from).norm());
        let local = way.rotated(-ka.angle_rad);
        let across = [-local.y, local.x];
        let half = self.outlines[a].reach_towards(across).min(self.outlines[b].reach_towards([across[0], across[1]]));
        let off = PointMm::new(across[0], across[1]).rotated(ka.angle_rad) * (place * half);
        let (reach_a, reach_b) = (self.outlines[a].reach_towards([local.x, local.y]), self.outlines[b].reach_towards([-local.x, -local.y]));
        Some(((from + off, reach_a), (to + off, reach_b)))
    }

    /// Whether an outline of a kind (turned in the bench frame) lies inside the view's plane, wholly.
    pub fn is_whole(&self, view: &SideView, at_mm: PointMm, kind: Kind) -> bool {
        let Some(class) = self.classes.get(kind.class as usize) else { return false };
        let at = view.plane_px(at_mm);
        let [low, high] = class.bounds();
        let per_mm = view.sight.px_per_mm(at_mm);
        let (sin, cos) = kind.angle_rad.sin_cos();
        // A disc reaches as far every way; a box to its corners.
        let corners: Vec<Vector2<f64>> = if class.is_disc() {
            let reach = per_mm * Vector2::new(high[0], 0.0);
            let r = reach.norm();
            vec![Vector2::new(r, r), Vector2::new(-r, -r)]
        } else {
            [[low[0], low[1]], [high[0], low[1]], [high[0], high[1]], [low[0], high[1]]]
                .map(|[x, y]| per_mm * Vector2::new(cos * x - sin * y, sin * x + cos * y))
                .to_vec()
        };
        corners.iter().all(|c| {
            let (x, y) = (at.x + c.x, at.y + c.y);
            x >= -0.5 && y >= -0.5 && x <= view.plane.width as f64 - 0.5 && y <= view.plane.height as f64 - 0.5
        })
    }

    /// Of several views together: each can hold no more features than fit into it at the pattern's pitch.
    pub fn features_in(&self, views: &[&SideView], turn_rad: f64, pitch_mm: f64) -> [Vec<Feature>; 2] {
        let mut by_sense: [Vec<Feature>; 2] = Default::default();
        for view in views {
            let fit_in = area_mm2(std::slice::from_ref(*view)) / pitch_mm.powi(2);
            for (all, found) in by_sense.iter_mut().zip(self.features(view, turn_rad, fit_in.ceil() as usize)) {
                all.extend(found);
            }
        }
        by_sense
    }

    /// Whether an outline that the view's edge cuts shows the given look; `None` where it is whole, or where half of it or more lies
    /// outside. Part of a feature looks like the edge of many things, so that only its absence is evidence.
    pub fn shows_cut(&self, view: &SideView, at_mm: PointMm, kind: Kind, look: &CoarseProfile) -> Option<bool> {
        let class = self.classes.get(kind.class as usize)?;
        if self.is_whole(view, at_mm, kind) {
            return None;
        }
        let (axes, scale) = axes_px(&view.sight.px_per_mm(at_mm), kind.angle_rad);
        let cut = Sought { outline: class.scaled(scale[0], scale[1]), axes, expected: 1 };
        let at = view.plane_px(at_mm);
        if share_inside(&cut, at, [view.plane.width, view.plane.height]) < LEAST_SHARE_OF_CUT {
            return None;
        }
        let profile = shells(&view.reduced, &cut, at);
        (profile.likeness(look) < CLEARLY_ALIKE && !is_alike(&profile, look)).then_some(false)
    }

    /// Turns of the pattern in the bench frame that the view's edges speak for, likeliest first; each stands for its quarter
    /// turns, too.
    pub fn likely_turns(&self, view: &SideView) -> Vec<f64> {
        let edges: Vec<(f64, f64)> = self.outlines.iter().zip(&self.kinds).flat_map(|(o, k)| edge_directions(o, k.angle_rad)).collect();
        let mm_from_px = view.middle_px_per_mm().try_inverse().unwrap_or_default();
        likely_turns(view.plane, view.radius_px, &edges, &mm_from_px)
    }

    /// Features of a view that look like the pattern's sites at a turn of it or its quarter turns: dark ones, then bright ones.
    fn features(&self, view: &SideView, turn_rad: f64, fit_in: usize) -> [Vec<Feature>; 2] {
        let per_mm = view.middle_px_per_mm();
        let (mut sought, mut kinds): (Vec<Sought>, Vec<Kind>) = (Vec::new(), Vec::new());
        for (class, outline) in self.classes.iter().enumerate() {
            let members: Vec<&Kind> = self.kinds.iter().filter(|k| k.class as usize == class).collect();
            for kind in &members {
                for quarter in 0..4 {
                    let turned = kind.turned(turn_rad + f64::from(quarter) * FRAC_PI_2);
                    if kinds.iter().any(|k| k.class == turned.class && k.is_turned_like(turned, SAME_TURN_RAD)) {
                        continue;
                    }
                    let (axes, scale) = axes_px(&per_mm, turned.angle_rad);
                    sought.push(Sought { outline: outline.scaled(scale[0], scale[1]), axes, expected: members.len().min(fit_in).max(1) });
                    kinds.push(turned);
                }
            }
        }
        let found = shape_candidates(view.plane, &sought);
        let middle = self.kinds.len().min(fit_in) / 2;
        // A pad that is hardly longer than wide, open at one end, fits about as well turned by a quarter: the pattern tells.
        let clearly_better = |class: u16| {
            let [low, high] = self.classes.get(class as usize).map_or([[0.0; 2]; 2], Outline::bounds);
            let is_long = high[1] - low[1] > LONG_OVER_WIDE * (high[0] - low[0]);
            if is_long { CLEARLY_BETTER_IF_LONG } else { CLEARLY_BETTER }
        };
        let by_sense = [false, true].map(|is_bright| {
            let of_sense = best_turned(found.iter().filter(|c| c.is_bright == is_bright).collect(), &kinds, view.radius_px, clearly_better);
            let mut strengths: Vec<f64> = of_sense.iter().map(|c| c.strength).collect();
            strengths.sort_by(|a, b| b.total_cmp(a));
            let typical = strengths.get(middle.min(strengths.len().saturating_sub(1))).copied().unwrap_or(0.0);
            (of_sense, typical)
        });
        // One measure for both senses, so that they compare.
        let typical = by_sense.iter().map(|s| s.1).fold(1e-9, f64::max);
        by_sense.map(|(of_sense, _)| {
            let feature = |c: &&ShapeCandidate| Feature {
                at_mm: view.mm(c.at),
                view: view.index,
                strength: c.strength / typical,
                profile: c.profile,
                kind: kinds[c.sought],
            };
            of_sense.iter().map(feature).collect()
        })
    }
}

/// A turn and the three quarter turns from it, radians.
pub(crate) fn quarters_from(turn_rad: f64) -> [f64; 4] {
    [0.0, 1.0, 2.0, 3.0].map(|quarters: f64| wrap_angle_rad(turn_rad + quarters * FRAC_PI_2))
}

/// Share of an outline's box, laid at `at`, that lies inside a plane of a size.
fn share_inside(sought: &Sought, at: PointPx, size_px: [usize; 2]) -> f64 {
    const ALONG: i32 = 12;
    let [low, high] = sought.outline.bounds();
    let place = |i: i32, axis: usize| low[axis] + (high[axis] - low[axis]) * (f64::from(i) + 0.5) / f64::from(ALONG);
    let inside = (0..ALONG * ALONG)
        .map(|i| sought.axes * Vector2::new(place(i % ALONG, 0), place(i / ALONG, 1)))
        .filter(|p| [at.x + p.x, at.y + p.y].iter().zip(size_px).all(|(v, size)| *v >= -0.5 && *v <= size as f64 - 0.5))
        .count();
    inside as f64 / f64::from(ALONG * ALONG)
}

/// Leaves out a candidate where the same outline turned otherwise fits clearly better at the same place.
///
/// `clearly_better` says of a class how many times stronger that is.
fn best_turned<'a>(
    candidates: Vec<&'a ShapeCandidate>,
    kinds: &[Kind],
    near_px: f64,
    clearly_better: impl Fn(u16) -> f64,
) -> Vec<&'a ShapeCandidate> {
    let is_beaten = |c: &ShapeCandidate| {
        candidates.iter().any(|o| {
            o.sought != c.sought
                && kinds[o.sought].class == kinds[c.sought].class
                && o.strength > clearly_better(kinds[o.sought].class) * c.strength
                && o.at.distance(c.at) < near_px
        })
    };
    candidates.iter().copied().filter(|c| !is_beaten(c)).collect()
}

/// Local axes that are turned by `angle_rad` in the bench frame, as unit columns in px, and how many px a mm is along each.
fn axes_px(px_per_mm: &Matrix2<f64>, angle_rad: f64) -> (Matrix2<f64>, [f64; 2]) {
    let (sin, cos) = angle_rad.sin_cos();
    let axes = px_per_mm * Matrix2::new(cos, -sin, sin, cos);
    let scale = [axes.column(0).norm().max(1e-12), axes.column(1).norm().max(1e-12)];
    (Matrix2::from_columns(&[axes.column(0) / scale[0], axes.column(1) / scale[1]]), scale)
}

/// Which sites share a look: those of one class and turn, whose same end points to the middle of the pattern.
pub(crate) fn group_of(shapes: &Shapes, pattern: &Pattern, site: usize) -> (u16, i32, i32) {
    let kind = shapes.kinds[site];
    let from_middle = (pattern.centres_mm[site] - pattern.middle_mm()).rotated(-kind.angle_rad);
    let [low, high] = shapes.outlines[site].bounds();
    let (w, l) = (high[0] - low[0], high[1] - low[1]);
    let facing = if l < 1.3 * w || from_middle.y.abs() < 0.5 * l { 0 } else { from_middle.y.signum() as i32 };
    (kind.class, (kind.angle_rad / SAME_TURN_RAD).round() as i32, facing)
}
