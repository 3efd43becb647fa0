//! `[scale] from = "pattern"`: each side takes its magnification from the pattern's known pitch.
//!
//! A zoom, or another distance, makes the picture larger or smaller about the point where the optical axis meets it, and about
//! no other: this is what the bench file's `px_from_mm` is multiplied with. That point is the lens centre where the bench file
//! has one, else the middle of the view's region, where optics are centred when nobody says otherwise. The bench frame stays in true mm,
//! so that moves and pivots need no other scale. Where both sides scale alike, an error of that point moves both sides alike.

use crate::answer::{ReasonCode, Refusal};
use crate::plane::{Plane, region_of};
use crate::pose::fit_similarity_general;
use crate::shapes::{Shapes, quarters_from};
use crate::side::{self, Seen, SideView, features_word};
use crate::view::{Optics, PointPx, Sight, View};
use crate::which_site::{Feature, Kind, Pattern, Window, recognise, recognise_turned};
use landfit_part::{Part, PointMm, Side};
use nalgebra::{Matrix2, Matrix3, Rotation2, Vector2, Vector3};
use std::num::NonZero;

/// Magnifications over the bench file's that are looked for: a zoom of ±30 % and a little more.
const SCALES: std::ops::RangeInclusive<f64> = 0.62..=1.55;
/// Sizes at which round features are looked for first; outlines of other shapes bear less.
const FIRST_SCALES: [f64; 3] = [0.75, 1.0, 1.3];
const FIRST_SCALES_OF_SHAPES: [f64; 7] = [0.66, 0.76, 0.87, 1.0, 1.15, 1.32, 1.48];
/// Scales nearer to each other than this are the same guess.
const SAME_SCALE: f64 = 0.02;
/// Nearest distances within this share of each other agree.
const AGREE: f64 = 0.06;
/// Rounds of measuring and scaling; the second is as a rule the last. Where outlines whose light falls towards their ends are placed by
/// where they should be, each round takes a third of the way only: three of 24 rendered looks at leads were on their way after seven rounds.
const MOST_ROUNDS: usize = 16;
/// A scale that changes by less than this moves no terminal of a 20 mm part by more than 0.2 µm, and those on both sides of its
/// middle in opposite ways, so that the pose stays.
const AT_REST: f64 = 2e-5;
/// Where a site or two are Good at one scale and not at the next, the scale goes to and fro by no more than this without end. After so many
/// rounds it is taken to do that; it is then as good as that, and the doubt that it brings to the pose is told.
const RESTLESS_AFTER: usize = 7;
const RESTLESS: f64 = 1e-3;
/// A pose is told at the pattern's origin; the middle of what is seen lies off it by no more than this in a picture of a usual bench, mm.
const OFF_ORIGIN_MM: f64 = 5.0;
/// Long outlines are found less closely along themselves: where the shank passes for a part of the foot, rows stand as far apart as at a scale
/// of 7 % more. The covariance along them is so many times that across.
const ALONG_COVARIANCE: f64 = 100.0;
/// Another scale whose seating comes as near to the best as this, in log odds, is another pitch that the picture allows.
const LEAST_MARGIN: f64 = 8.0;
/// How far the optical axis may be off its stated place, px, one sigma.
const AXIS_DOUBT_PX: f64 = 4.0;
/// Lands whose outline differs by more than this share from the part file's, at the pitch that the scale was taken from, are another
/// pattern's: etching takes or leaves up to 5 %.
const OTHER_SIZE: f64 = 0.14;

/// Both sides, seen at the scales that make them fit.
pub(crate) type Sides = (Result<Seen, Refusal>, Result<Seen, Refusal>);

/// Sees both sides, each at its own scale; `see_sides` sees them at given optics.
pub(crate) fn see_both(
    part: &Part,
    optics: &Optics,
    planes: &[Plane],
    may_differ: f64,
    see_sides: &dyn Fn(&Optics, &[Sight]) -> Sides,
) -> Sides {
    let both = |refusal: Refusal| (Err(refusal.clone()), Err(refusal));
    let mut scales = [1.0; 2];
    for (scale, side) in scales.iter_mut().zip([Side::Part, Side::Board]) {
        match coarse_scale(side, part, optics, planes) {
            Ok(Some(found)) => *scale = found,
            // Nothing to take a scale from: seeing the side at the bench file's scale says why.
            Ok(None) => {}
            Err(refusal) => return both(refusal),
        }
    }
    let mut before = [0.0; 2];
    for round in 1..=MOST_ROUNDS {
        let Some((magnified, sights)) = scaled(optics, scales) else { return both(no_scale()) };
        let (terminals, lands) = see_sides(&magnified, &sights);
        let (mut terminals, mut lands) = match (terminals, lands) {
            (Ok(terminals), Ok(lands)) => (terminals, lands),
            other => return other,
        };
        let (Some(of_part), Some(of_board)) = (terminals.size_over_design(), lands.size_over_design()) else {
            return (Ok(terminals), Ok(lands));
        };
        let changes = [of_part - 1.0, of_board - 1.0];
        let change = changes[0].abs().max(changes[1].abs());
        let is_to_and_fro = change < RESTLESS && changes.iter().zip(before).all(|(now, before)| now.abs() < AT_REST || now * before < 0.0);
        if change >= AT_REST && !(round >= RESTLESS_AFTER && is_to_and_fro) {
            scales = [scales[0] * of_part, scales[1] * of_board];
            before = changes;
            continue;
        }
        let ratio = scales[0] / scales[1] - 1.0;
        if ratio.abs() > may_differ {
            return both(sides_differ(ratio, may_differ));
        }
        if (lands.outline_ratio - 1.0).abs() > OTHER_SIZE {
            return both(other_size(lands.outline_ratio - 1.0));
        }
        // The axis' doubt moves the sides against each other by as much as they scale differently.
        let um_per_px = sights.first().map_or(0.0, |s| 1.0 / s.magnification_px_per_mm(lands.fit.to_from.shift()));
        let restless_mm = if change < AT_REST { 0.0 } else { change * OFF_ORIGIN_MM };
        let doubt = (ratio * AXIS_DOUBT_PX * um_per_px).powi(2) / 2.0 + restless_mm.powi(2);
        for (seen, scale) in [&mut terminals, &mut lands].into_iter().zip(scales) {
            seen.findings.scale = Some(scale);
            seen.fit.covariance += Matrix3::from_diagonal(&Vector3::new(doubt, doubt, 0.0));
        }
        return (Ok(terminals), Ok(lands));
    }
    both(no_scale())
}

/// The point about which a view's picture grows, lens-corrected px.
fn axis_px(view: &View, optics: &Optics) -> PointPx {
    optics.lens.map_or_else(|| region_of(view, &optics.frame).middle(), |lens| lens.centre_px)
}

/// The optics at other magnifications of the part's and the board's views, and the ways through them.
fn scaled(optics: &Optics, scales: [f64; 2]) -> Option<(Optics, Vec<Sight>)> {
    let scaled = at_scales(optics, scales);
    let sights = scaled.views.iter().map(|v| Sight::new(v, optics.lens)).collect::<Option<Vec<_>>>()?;
    Some((scaled, sights))
}

/// The optics with the part's and the board's views magnified by `scales` about the point where the optical axis meets each picture.
#[must_use]
pub fn at_scales(optics: &Optics, scales: [f64; 2]) -> Optics {
    let mut scaled = optics.clone();
    for view in &mut scaled.views {
        let axis = axis_px(view, optics);
        let by = if view.shows == Side::Part { scales[0] } else { scales[1] };
        view.px_from_mm = Matrix3::new(by, 0.0, (1.0 - by) * axis.x, 0.0, by, (1.0 - by) * axis.y, 0.0, 0.0, 1.0) * view.px_from_mm;
    }
    scaled
}

/// What one scale makes of a side.
struct Tried {
    /// The scale at which the seated features fit.
    scale: f64,
    log_odds: f64,
}

/// One side's pattern, to be looked for at many scales.
struct Wanted<'a> {
    side: Side,
    part: &'a Part,
    optics: &'a Optics,
    planes: &'a [Plane],
    shapes: Option<Shapes>,
    pattern: Pattern,
}

/// What is found at one scale: features of one sense, and the turns of the pattern that come into question where shapes tell them.
struct Found {
    features: Vec<Feature>,
    turns: Option<[f64; 4]>,
}

impl Wanted<'_> {
    /// Optics, and the ways through them, with both sides at one scale.
    fn scaled(&self, scale: f64) -> Option<(Optics, Vec<Sight>)> {
        scaled(self.optics, [scale; 2])
    }

    /// Features that look like the pattern's: discs of either sense together, other shapes dark and bright.
    fn found(&self, views: &[SideView]) -> Vec<Found> {
        let Some(shapes) = &self.shapes else {
            return vec![Found { features: views.iter().flat_map(|v| side::features_of(v, &self.pattern)).collect(), turns: None }];
        };
        let seen: Vec<&SideView> = views.iter().filter(|v| v.can_show()).collect();
        let Some(turn) = seen.first().and_then(|v| shapes.likely_turns(v).first().copied()) else { return Vec::new() };
        let turns = Some(quarters_from(turn));
        shapes.features_in(&seen, turn, self.pattern.pitch_mm).map(|features| Found { features, turns }).into()
    }

    /// Distances at which features stand from each other when they are looked for at a scale, over those of the pattern.
    fn guesses(&self, first: f64) -> Vec<f64> {
        let Some((optics, sights)) = self.scaled(first) else { return Vec::new() };
        let views = side::side_views(self.side, self.part, self.shapes.as_ref(), &optics, self.planes, &sights);
        let usual_mm = usual_spacing_mm(&self.pattern.centres_mm);
        self.found(&views).iter().flat_map(|f| spacings_mm(&f.features)).map(|spacing_mm| first * spacing_mm / usual_mm).collect()
    }

    /// What the pattern, looked for at a scale, says of it.
    fn tried(&self, guess: f64) -> Option<Tried> {
        let (optics, sights) = self.scaled(guess)?;
        let shapes = self.shapes.as_ref();
        let views = side::side_views(self.side, self.part, shapes, &optics, self.planes, &sights);
        let window = Window {
            whole: |at: PointMm, kind: Kind| side::view_that_holds(&views, shapes, at, kind).is_some(),
            cut: |_: PointMm, _: Kind, _: &_| None,
            area_mm2: side::area_mm2(&views),
            over: None,
        };
        let best = |Found { features, turns }: Found| {
            let found = match turns {
                Some(turns) => recognise_turned(&features, &self.pattern, &window, &turns),
                None => recognise(&features, &self.pattern, &window),
            }
            .ok()?;
            let turn_rad = found.best.bench_from_pattern.theta_rad;
            let sites = self.pattern.sites().zip(&found.best.features);
            let seated = sites.filter_map(|((c, kind), f)| Some((c, features[(*f)?].at_mm, kind.turned(turn_rad))));
            Some(Tried { scale: guess * scale_across(seated)?, log_odds: found.best.log_odds })
        };
        self.found(&views).into_iter().filter_map(best).max_by(|a, b| a.log_odds.total_cmp(&b.log_odds))
    }
}

/// The scale at which seated features fit best, told across long outlines rather than along them: designed place, the feature's, and how
/// it is turned there. `None` of too few.
fn scale_across(seated: impl Iterator<Item = (PointMm, PointMm, Kind)>) -> Option<f64> {
    let covariance_of = |kind: Kind| {
        let along = if kind.slack_mm > 0.0 { ALONG_COVARIANCE } else { 1.0 };
        let turn = *Rotation2::new(kind.angle_rad).matrix();
        turn * Matrix2::from_diagonal(&Vector2::new(1.0, along)) * turn.transpose()
    };
    let (places, covariances): (Vec<_>, Vec<_>) = seated.map(|(from, to, kind)| ((from, to), covariance_of(kind))).unzip();
    let (from, to): (Vec<_>, Vec<_>) = places.into_iter().unzip();
    fit_similarity_general(&from, &to, &covariances).ok().map(|fit| fit.scale)
}

/// The scale at which the pattern is recognised, good to a few thousandths; `None` when it is at none.
fn coarse_scale(side: Side, part: &Part, optics: &Optics, planes: &[Plane]) -> Result<Option<f64>, Refusal> {
    let sites: Vec<usize> = (0..part.sites.len()).filter(|&i| !part.sites[i].pieces(side).is_empty()).collect();
    let centres: Vec<PointMm> = sites.iter().map(|&i| part.sites[i].centre_mm(side)).collect();
    let shapes = Shapes::of(side, part, &sites);
    let kinds = shapes.as_ref().map_or_else(|| vec![Kind::DISC; centres.len()], |s| s.kinds.clone());
    let Some(pattern) = Pattern::of_kinds(centres, kinds) else { return Ok(None) };
    let wanted = Wanted { side, part, optics, planes, shapes, pattern };
    let first_scales = if wanted.shapes.is_some() { &FIRST_SCALES_OF_SHAPES[..] } else { &FIRST_SCALES[..] };
    let mut guesses: Vec<f64> = first_scales.iter().flat_map(|first| wanted.guesses(*first)).collect();
    if wanted.shapes.is_none() {
        // A lattice seen at another scale may pass for its own diagonal.
        let diagonal = std::f64::consts::SQRT_2;
        guesses.extend(guesses.clone().into_iter().flat_map(|g| [g * diagonal, g / diagonal]));
    }
    guesses.push(1.0);
    let mut tried: Vec<Tried> = Vec::new();
    let mut seen: Vec<f64> = Vec::new();
    for guess in guesses {
        if SCALES.contains(&guess) && seen.iter().all(|s| (guess / s - 1.0).abs() >= SAME_SCALE) {
            seen.push(guess);
            tried.extend(wanted.tried(guess));
        }
    }
    tried.sort_by(|a, b| b.log_odds.total_cmp(&a.log_odds));
    let Some(best) = tried.first() else { return Ok(None) };
    let rival = tried.iter().find(|t| (t.scale / best.scale - 1.0).abs() > 2.0 * SAME_SCALE && best.log_odds - t.log_odds < LEAST_MARGIN);
    match rival {
        Some(rival) if best.log_odds > 0.0 => Err(two_pitches(side, wanted.pattern.pitch_mm, best.scale / rival.scale)),
        _ => Ok(Some(best.scale)),
    }
}

/// The middle distance between nearest sites, mm.
fn usual_spacing_mm(centres: &[PointMm]) -> f64 {
    let mut nearest = nearest_mm(centres);
    nearest.sort_by(f64::total_cmp);
    nearest.get(nearest.len() / 2).copied().unwrap_or(1.0)
}

fn nearest_mm(points: &[PointMm]) -> Vec<f64> {
    const TWO: NonZero<usize> = NonZero::new(2).unwrap();
    let near = crate::nearby::Nearby::new(points);
    points.iter().filter_map(|p| near.several(*p, TWO).get(1).map(|n| n.0)).collect()
}

/// Distances at which many features have their nearest neighbour, the commonest first, at most three.
fn spacings_mm(features: &[Feature]) -> Vec<f64> {
    let mut found = Vec::new();
    for least_strength in [0.6, 0.3] {
        let strong: Vec<PointMm> = features.iter().filter(|f| f.strength > least_strength).map(|f| f.at_mm).collect();
        let mut distances = nearest_mm(&strong);
        distances.sort_by(f64::total_cmp);
        for _ in 0..2 {
            let agreeing = |d: f64| distances.iter().filter(|o| (*o / d - 1.0).abs() < AGREE).count();
            let Some(commonest) = distances.iter().copied().max_by_key(|d| agreeing(*d)) else { break };
            let same: Vec<f64> = distances.iter().copied().filter(|d| (d / commonest - 1.0).abs() < AGREE).collect();
            found.push(same[same.len() / 2]);
            distances.retain(|d| (d / commonest - 1.0).abs() >= AGREE);
        }
    }
    found
}

fn refusal(text: String) -> Refusal {
    Refusal::new(ReasonCode::WrongPattern, None, text)
}

fn no_scale() -> Refusal {
    refusal("No magnification makes terminals and lands stand as the part file says. Check that this is the right part file, and set the zoom nearer to the bench file's.".into())
}

fn sides_differ(ratio: f64, may_differ: f64) -> Refusal {
    refusal(format!(
        "By their pitch the terminals are seen {:.1} % {} than the lands, against the bench file; {:.1} % is allowed. Check that the part has the pitch of the part file and of the lands, or calibrate the bench again.",
        100.0 * ratio.abs(),
        if ratio > 0.0 { "larger" } else { "smaller" },
        100.0 * may_differ
    ))
}

fn other_size(off: f64) -> Refusal {
    refusal(format!(
        "At the part file's pitch the lands are {:.0} % {} than the part file says: this may be a pattern of another pitch. Check the part file, or set the zoom to the bench file's and use its scale.",
        100.0 * off.abs(),
        if off > 0.0 { "larger" } else { "smaller" }
    ))
}

fn two_pitches(side: Side, pitch_mm: f64, ratio: f64) -> Refusal {
    refusal(format!(
        "The {} could stand {pitch_mm:.2} mm or {:.2} mm apart: with the scale taken from the pattern the picture allows both. Bring all of them into view, or use the bench file's scale.",
        features_word(side),
        pitch_mm * ratio
    ))
}

#[cfg(test)]
mod tests {
    use super::*;
    use landfit_part::Pose;
    use std::f64::consts::FRAC_PI_2;

    /// A row of upright leads and one of lying ones, turned and 10 % larger; each is `along_mm` too far from the middle along itself.
    fn leads(along_mm: f64) -> Vec<(PointMm, PointMm, Kind)> {
        let motion = Pose::new(0.3, -0.2, 0.1).motion();
        let lead = |at: PointMm, angle_rad: f64| {
            let kind = Kind { angle_rad, slack_mm: 0.2, ..Kind::DISC };
            let off = PointMm::new(0.0, along_mm).rotated(angle_rad);
            (at, motion.apply(at * 1.1 + off), Kind { angle_rad: angle_rad + 0.1, ..kind })
        };
        let along = |i: i32| f64::from(i) * 0.5 - 1.5;
        (0..7).flat_map(|i| [lead(PointMm::new(along(i), 3.0), 0.0), lead(PointMm::new(-3.0, along(i)), FRAC_PI_2)]).collect()
    }

    #[test]
    fn scale_is_told_across_leads_and_little_along_them() {
        let scale = |along_mm: f64| scale_across(leads(along_mm).into_iter()).expect("two rows");
        assert!((scale(0.0) - 1.1).abs() < 1e-9, "{}", scale(0.0));
        let alike = leads(0.2).into_iter().map(|(from, to, kind)| (from, to, Kind { slack_mm: 0.0, ..kind }));
        let plain = scale_across(alike).expect("two rows");
        assert!((scale(0.2) - 1.1).abs() < 0.2 * (plain - 1.1).abs(), "{} {plain}", scale(0.2));
        assert_eq!(scale_across(leads(0.0).into_iter().take(1)), None);
    }
}
