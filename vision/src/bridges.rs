//! Tells terminals, or lands, that are joined by metal: the light along the way between neighbours against that of all other ways.

use crate::answer::{SiteFinding, SiteState, SuspectKind};
use crate::median::upper_median;
use crate::shapes::{Shapes, group_of};
use crate::side::SideView;
use crate::view::PointPx;
use crate::which_site::Pattern;
use landfit_part::{Motion, Part, PointMm, Pose, Side};
use std::cell::LazyCell;
use std::collections::BTreeMap;

/// A way is joined when it is further from the usual way's light than this many of the ways' scatter …
const SCATTERS: f64 = 6.0;
/// … and further than this share of the difference between terminals and the body between them.
const CONTRAST_SHARE: f64 = 0.25;
/// The same between lands: metal on the mask is as bright as they are, a trace that joins two of them under it is not.
const LAND_CONTRAST_SHARE: f64 = 0.7;
/// Where on a land its light is taken, as a share of the radius: a dome of tin shines in its middle and is dim at its rim.
const LAND_LIGHT_AT: f64 = 0.65;
/// The same of a ball, whose highlight may lie anywhere.
const RIMS_OF_BALLS: [f64; 4] = [0.0, 0.35, 0.65, 0.85];
/// So many others a terminal of a grid has within a pitch.
const MOST_NEIGHBOURS: usize = 4;
/// Fewer ways than this do not tell what is usual.
const LEAST_WAYS: usize = 6;
/// The same within one row of leads, where all see one ground.
const LEAST_WAYS_OF_ROW: usize = 4;
/// So many ways between discs, spread over the pattern, tell how bright these are.
const MOST_RIMS: usize = 96;

/// Marks the findings at both ends of every bridge.
#[allow(clippy::too_many_arguments, reason = "what is known of the side once it is fitted")]
pub(crate) fn mark(
    side: Side,
    views: &[SideView],
    part: &Part,
    bench_from_pattern: &Pose,
    pattern: &Pattern,
    shapes: Option<&Shapes>,
    sites: &[usize],
    findings: &mut [SiteFinding],
) {
    let least_share = if side == Side::Part { CONTRAST_SHARE } else { LAND_CONTRAST_SHARE };
    let mut finding_of: Vec<Option<usize>> = vec![None; part.sites.len()];
    for (i, finding) in findings.iter().enumerate() {
        finding_of[finding.site] = Some(i);
    }
    let ways = neighbour_ways(pattern);
    let bench_from_pattern = bench_from_pattern.motion();
    // Long terminals can be joined anywhere along themselves.
    let places: &[f64] = if shapes.is_some() { &[-0.6, -0.3, 0.0, 0.3, 0.6] } else { &[0.0] };
    for (view, place) in views.iter().flat_map(|v| places.iter().map(move |p| (v, *p))) {
        let rim_step = ways.len().div_ceil(MOST_RIMS).max(1);
        let light: Vec<Option<Way>> = ways
            .iter()
            .enumerate()
            .map(|(w, &(a, b))| {
                let radius = |i: usize| {
                    let piece = part.sites[sites[i]].pieces(side).first();
                    piece.and_then(|p| p.shape.diameter_mm()).unwrap_or(0.0) / 2.0
                };
                let Some(shapes) = shapes else {
                    let rims: &[f64] = match side {
                        _ if w % rim_step > 0 => &[],
                        Side::Part => &RIMS_OF_BALLS,
                        Side::Board => &[LAND_LIGHT_AT],
                    };
                    let (a, b) = ((pattern.centres_mm[a], radius(a)), (pattern.centres_mm[b], radius(b)));
                    return Way::between_discs(view, &bench_from_pattern, a, b, rims);
                };
                let (from, to) = shapes.parallel_way(a, b, pattern, place)?;
                Way::between_flat(view, &bench_from_pattern, from, to)
            })
            .collect();
        // Ways between the leads of one row see the same ground; between balls each has its own beside it.
        let row_of = |w: usize| shapes.map(|s| group_of(s, pattern, ways[w].0));
        // Asked only where a row has too few ways of its own.
        let of_all = LazyCell::new(|| Usual::of(light.iter(), LEAST_WAYS));
        let mut by_row = BTreeMap::new();
        for w in 0..ways.len() {
            let row = row_of(w);
            by_row
                .entry(row)
                .or_insert_with(|| Usual::of((0..ways.len()).filter(|&o| row_of(o) == row).map(|o| &light[o]), LEAST_WAYS_OF_ROW));
        }
        for (w, (way, &(a, b))) in light.iter().zip(&ways).enumerate() {
            let usual = by_row.get(&row_of(w)).and_then(Option::as_ref).or_else(|| of_all.as_ref());
            let ends = [a, b].map(|end| finding_of[sites[end]]);
            let is_hidden = |f: &usize| findings[*f].state == SiteState::Hidden;
            if way.as_ref().is_some_and(|w| usual.is_some_and(|u| u.is_joined(w, least_share))) && !ends.iter().flatten().any(is_hidden) {
                for f in ends.into_iter().flatten() {
                    if findings[f].state != SiteState::Absent {
                        findings[f].state = SiteState::Suspect(SuspectKind::Bridge);
                    }
                }
            }
        }
    }
}

/// Pairs of nearest neighbours, each once.
fn neighbour_ways(pattern: &Pattern) -> Vec<(usize, usize)> {
    let mut ways: Vec<(usize, usize)> = Vec::new();
    for i in 0..pattern.centres_mm.len() {
        for (d, j) in pattern.nearest(i).iter().take(MOST_NEIGHBOURS) {
            if i < *j && *d < 1.2 * pattern.pitch_mm {
                ways.push((i, *j));
            }
        }
    }
    ways
}

/// The light of the free way between two terminals against the ground on both sides of it: at three places along the way,
/// each averaged across a quarter of the radius.
struct Way {
    along: [f64; 3],
    /// The brightest along the two terminals' radii, where the highlight of a ball lies, against the same ground; of flat
    /// terminals the light in their middle. `None` where it was not asked for.
    rim: Option<f64>,
}

impl Way {
    /// Between two discs: the light less that of the ground on both sides of the way. A stain or glare lightens the ground on
    /// both sides of the way as well; metal does not. `rims`: where the discs' own light is looked for, shares of the radius.
    fn between_discs(view: &SideView, bench_from_pattern: &Motion, a: (PointMm, f64), b: (PointMm, f64), rims: &[f64]) -> Option<Self> {
        let line = Line::between(view, bench_from_pattern, a, b)?;
        let (radius_a, radius_b) = (a.1, b.1);
        let half = line.length_mm / 2.0;
        let beside = [line.mean(half, half, 0.25 * radius_a)?, line.mean(half, -half, 0.25 * radius_a)?];
        let mut along = line.free_light()?;
        for light in &mut along {
            let off = beside.map(|b| *light - b);
            // Against the ground that it resembles more: at the rim of a glare one side is as bright as the way.
            *light = if off[0].abs() < off[1].abs() { off[0] } else { off[1] };
        }
        let mut rim: Option<f64> = None;
        for share in rims {
            let ends = [(share * radius_a, radius_a), (line.length_mm - share * radius_b, radius_b)];
            for (at, radius) in ends {
                let light = line.mean(at, 0.0, 0.25 * radius)?;
                rim = Some(rim.map_or(light, |most| most.max(light)));
            }
        }
        Some(Self { along, rim: rim.map(|rim| rim - 0.5 * (beside[0] + beside[1])) })
    }

    /// Between two flat terminals, bright or dark: the light itself, as all of a row see one ground.
    fn between_flat(view: &SideView, bench_from_part: &Motion, a: (PointMm, f64), b: (PointMm, f64)) -> Option<Self> {
        let line = Line::between(view, bench_from_part, a, b)?;
        let along = line.free_light()?;
        Some(Self { along, rim: Some(0.5 * (line.mean(0.0, 0.0, 0.25 * a.1)? + line.mean(line.length_mm, 0.0, 0.25 * b.1)?)) })
    }
}

/// The line from one terminal to the other as the picture shows it: between neighbours it is straight there, too.
struct Line<'a> {
    view: &'a SideView<'a>,
    from: PointPx,
    per_mm: (f64, f64),
    length_mm: f64,
    /// Between the terminals, mm from the first one's centre.
    free_mm: (f64, f64),
    /// A quarter of the first terminal's radius, mm.
    half_width_mm: f64,
}

impl<'a> Line<'a> {
    /// `None` where the terminals leave hardly any way free.
    fn between(view: &'a SideView, bench_from_part: &Motion, (a, radius_a): (PointMm, f64), (b, radius_b): (PointMm, f64)) -> Option<Self> {
        let length_mm = a.distance(b);
        let free_mm = (radius_a, length_mm - radius_b);
        if free_mm.1 - free_mm.0 < 0.15 * length_mm {
            return None;
        }
        let [from, to] = [a, b].map(|p| view.plane_px(bench_from_part.apply(p)));
        let per_mm = ((to.x - from.x) / length_mm, (to.y - from.y) / length_mm);
        Some(Self { view, from, per_mm, length_mm, free_mm, half_width_mm: 0.25 * radius_a })
    }

    /// Mean light of five places across the line, mm from the first terminal's centre.
    fn mean(&self, along: f64, across: f64, half_width: f64) -> Option<f64> {
        let mut sum = 0.0;
        for i in -2..=2 {
            let across = across + f64::from(i) / 2.0 * half_width;
            let (x, y) = self.per_mm;
            sum += self.view.plane.light_at(self.from.x + along * x - across * y, self.from.y + along * y + across * x)?;
        }
        Some(sum / 5.0)
    }

    /// The light at three places of the free way; `None` where a glare hides one of them.
    fn free_light(&self) -> Option<[f64; 3]> {
        let at = |share: f64| {
            let along = self.free_mm.0 + share * (self.free_mm.1 - self.free_mm.0);
            let (x, y) = self.per_mm;
            let middle = PointPx::new(self.from.x + along * x, self.from.y + along * y);
            is_known_at(self.view, middle).then(|| self.mean(along, 0.0, self.half_width_mm)).flatten()
        };
        Some([at(0.3)?, at(0.5)?, at(0.7)?])
    }
}

/// Whether no pixel about a place is saturated: what separation makes of such a one is no light of this side.
fn is_known_at(view: &SideView, p: PointPx) -> bool {
    let (width, height) = (view.plane.width as isize, view.plane.height as isize);
    let (x, y) = (p.x.round() as isize, p.y.round() as isize);
    (-1..=1).all(|dy| {
        (-1..=1).all(|dx| {
            let (x, y) = (x + dx, y + dy);
            x >= 0 && y >= 0 && x < width && y < height && view.plane.is_known((y * width + x) as usize)
        })
    })
}

/// What ways look like where nothing joins.
struct Usual {
    middle: [f64; 3],
    scatter: [f64; 3],
    contrast: f64,
}

impl Usual {
    fn of<'a>(ways: impl Iterator<Item = &'a Option<Way>>, least: usize) -> Option<Self> {
        let seen: Vec<&Way> = ways.flatten().collect();
        if seen.len() < least {
            return None;
        }
        let (mut middle, mut scatter) = ([0.0; 3], [0.0; 3]);
        for i in 0..3 {
            middle[i] = upper_median(seen.iter().map(|w| w.along[i]))?;
            scatter[i] = 1.4826 * upper_median(seen.iter().map(|w| (w.along[i] - middle[i]).abs()))?;
        }
        let contrast = (upper_median(seen.iter().filter_map(|w| w.rim))? - middle[1]).abs();
        Some(Self { middle, scatter, contrast })
    }

    /// Every place along the way differs from the usual, all to the same side.
    fn is_joined(&self, way: &Way, least_share: f64) -> bool {
        let off: [f64; 3] = std::array::from_fn(|i| way.along[i] - self.middle[i]);
        (0..3).all(|i| off[i].signum() == off[0].signum() && off[i].abs() > (SCATTERS * self.scatter[i]).max(least_share * self.contrast))
    }
}
