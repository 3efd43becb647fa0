//! Where the pattern is seated among the features of a side's views.

use super::bare_metal::bare_metal_of;
use super::{SideView, area_mm2, features_of, view_that_holds};
use crate::answer::{ReasonCode, Refusal};
use crate::find::look::CoarseProfile;
use crate::plane::Plane;
use crate::refusal::{self, Beside};
use crate::row_ends;
use crate::shapes::{Shapes, quarters_from};
use crate::view::Optics;
use crate::which_site::{Feature, Kind, Pattern, Recognition, Seating, Window, recognise_bare_metal, recognise_turned};
use landfit_part::{Part, PointMm, Side};

/// Log odds that are no further apart do not tell bright from dark.
const EVEN_ODDS: f64 = 8.0;
/// The other sense is faint where what it explains of the light is less than this share.
const FAINT_SHARE: f64 = 0.25;
/// Separation leaves up to so much of the other side's light: tints that are 2 % wrong leave 2 %.
const GHOST_SHARE: f64 = 0.02;
/// So many sites stand in rows, the gaps of which may pass for them.
const LEAST_OF_ROWS: usize = 10;
/// Turns of a pattern of shapes that are tried, each with its quarter turns.
const MOST_TURNS_OF_SHAPES: usize = 3;

/// Discs of one size: features first, then the pattern among them.
pub(super) fn seat_discs(
    side: Side,
    over: Option<PointMm>,
    pattern: &Pattern,
    views: &[SideView],
    described: (&Part, &Optics),
) -> Result<(Vec<Feature>, Recognition), Refusal> {
    let features: Vec<Feature> = views.iter().flat_map(|v| features_of(v, pattern)).collect();
    let window = Window {
        whole: |at: PointMm, _: Kind| view_that_holds(views, None, at, Kind::DISC).is_some(),
        cut: |at: PointMm, _: Kind, look: &CoarseProfile| views.iter().find_map(|v| v.shows_cut(at, look)),
        area_mm2: area_mm2(views),
        over,
    };
    let bare_metal = bare_metal_of(side, views);
    let recognise = |features: &[Feature]| recognise_bare_metal(features, pattern, &window, bare_metal);
    let accept =
        |recognition, features: &[Feature]| refusal::accept(side, recognition, pattern, features, views, described, Beside::Something);
    let recognition = recognise(&features);
    let contrast = recognition.as_ref().ok().map(|r| r.profile.contrast());
    let refusal = match accept(recognition, &features) {
        Ok(recognition) => return Ok((features, recognition)),
        Err(refusal) => refusal,
    };
    // Few sites are soon laid over as much of what hardly stands out.
    let least_contrast = least_clear_contrast(&features, pattern);
    if contrast.is_none_or(|contrast| contrast >= least_contrast) {
        return Err(refusal);
    }
    let clear: Vec<Feature> = features.into_iter().filter(|f| f.profile.contrast() >= least_contrast).collect();
    let recognition = accept(recognise(&clear), &clear).map_err(|_| refusal)?;
    Ok((clear, recognition))
}

/// What stands out by less than this share of a typical feature is clutter.
const CLEAR_SHARE: f64 = 0.25;

/// How much clear features stand out at least; half as many as the pattern has tell, those that stand out most.
fn least_clear_contrast(features: &[Feature], pattern: &Pattern) -> f64 {
    let mut contrasts: Vec<f64> = features.iter().map(|f| f.profile.contrast()).collect();
    contrasts.sort_by(|a, b| b.total_cmp(a));
    CLEAR_SHARE * contrasts.get(pattern.centres_mm.len() / 2).copied().unwrap_or(0.0)
}

/// A seat of a pattern of shapes, and the features that it is made of.
type Seat = (Vec<Feature>, Recognition);

/// A pattern of shapes to be seated, and the views in which.
struct Wanted<'a> {
    side: Side,
    over: Option<PointMm>,
    pattern: &'a Pattern,
    shapes: &'a Shapes,
    views: &'a [SideView<'a>],
    /// Fainter features are what separation leaves of the other side's light.
    least_contrast: f64,
    described: (&'a Part, &'a Optics),
}

/// A refusal, and the log odds of the seat that it was said of.
struct Refused {
    log_odds: f64,
    refusal: Refusal,
}

/// What a turn yields: seats that are accepted, the better sense first, and the refusals with the best odds.
#[derive(Default)]
struct AtTurn {
    seats: Vec<Seat>,
    refused: Option<Refused>,
    /// Of those that the picture leaves open by a pitch, when none was accepted before it.
    left_open: Option<Refused>,
}

/// Other shapes: the turn first, from the directions of edges, then features of the designed outlines at that turn, bright or
/// dark, then the pattern among them. A turn at which every site in view is seen settles it; else the others are tried, too: rows
/// of leads turned a little pass for themselves half a pitch on. The seats of the best turn first, of each the better sense first;
/// the refusal with the best odds when none is accepted.
pub(super) fn seat_shapes(
    (side, over): (Side, Option<PointMm>),
    pattern: &Pattern,
    shapes: &Shapes,
    views: &[SideView],
    least_contrast: f64,
    described: (&Part, &Optics),
) -> Result<Vec<Seat>, Refusal> {
    let wanted = Wanted { side, over, pattern, shapes, views, least_contrast, described };
    let seen: Vec<&SideView> = views.iter().filter(|v| v.can_show()).collect();
    let mut turns: Vec<f64> = Vec::new();
    for turn in seen.iter().flat_map(|v| shapes.likely_turns(v)) {
        if turns.iter().all(|t| (t - turn).abs() > 0.02) {
            turns.push(turn);
        }
    }
    turns.truncate(MOST_TURNS_OF_SHAPES);
    let mut tried: Vec<AtTurn> = Vec::new();
    for turn in turns.into_iter().chain(seen.is_empty().then_some(0.0)) {
        tried.push(wanted.seats_at(turn, &seen));
        if tried.iter().flat_map(|t| &t.seats).any(|(_, seat)| seat.best.seen() == seat.best.expected()) {
            break;
        }
    }
    let best_odds = |turn: &AtTurn| turn.seats.iter().map(|(_, seat)| seat.best.log_odds).fold(f64::NEG_INFINITY, f64::max);
    tried.sort_by(|a, b| best_odds(b).total_cmp(&best_odds(a)));
    let (mut seats, mut refused, mut left_open) = (Vec::new(), None, None);
    for turn in tried {
        seats.extend(turn.seats);
        refused = better_of(refused, turn.refused);
        left_open = better_of(left_open, turn.left_open);
    }
    // The gaps between leads stand as evenly as leads, one fewer: where those are left open by a pitch, these settle nothing.
    if let Some(open) = left_open {
        let is_no_better = |(_, seat): &Seat| seat.best.log_odds < open.log_odds + EVEN_ODDS;
        if pattern.centres_mm.len() >= LEAST_OF_ROWS && seats.iter().any(is_no_better) {
            return Err(open.refusal);
        }
        refused = better_of(refused, Some(open));
    }
    if seats.is_empty() { Err(refused.map_or_else(refusal::nothing_seen, |r| r.refusal)) } else { Ok(seats) }
}

impl Wanted<'_> {
    /// What a turn and its quarter turns yield.
    fn seats_at(&self, turn: f64, seen: &[&SideView]) -> AtTurn {
        let &Wanted { side, over, pattern, shapes, views, least_contrast, described } = self;
        let window = Window {
            whole: |at: PointMm, kind: Kind| view_that_holds(views, Some(shapes), at, kind).is_some(),
            cut: |at: PointMm, kind: Kind, look: &CoarseProfile| views.iter().find_map(|v| shapes.shows_cut(v, at, kind, look)),
            area_mm2: area_mm2(views),
            over,
        };
        let turns = quarters_from(turn);
        let mut seatings = shapes.features_in(seen, turn, pattern.pitch_mm).map(|mut features| {
            features.retain(|f| f.profile.contrast() > least_contrast);
            let found = recognise_turned(&features, pattern, &window, &turns);
            let log_odds = found.as_ref().map_or(f64::NEG_INFINITY, |f| f.best.log_odds);
            let light = found.as_ref().map_or(0.0, |f| light_of(&f.best, &features));
            (log_odds, light, features, found)
        });
        // Where both senses fit about as well (few sites do), the one that explains more of the light goes first.
        let [a, b] = [&seatings[0], &seatings[1]].map(|s| (s.0, s.1));
        let is_second_better = if (a.0 - b.0).abs() < EVEN_ODDS { b.1 > a.1 } else { b.0 > a.0 };
        if is_second_better {
            seatings.reverse();
        }
        let all_light = a.1 + b.1;
        let mut yielded = AtTurn::default();
        for (log_odds, light, features, found) in seatings {
            let beside = if all_light < (1.0 + FAINT_SHARE) * light { Beside::Faint } else { Beside::Something };
            let accepted = refusal::accept(side, found, pattern, &features, views, described, beside).and_then(|recognition| {
                let ends = row_ends::are_bounded(views, shapes, pattern, &recognition.best.bench_from_pattern);
                if ends { Ok(recognition) } else { Err(refusal::gaps_laid_over(side)) }
            });
            match accepted {
                Ok(recognition) => yielded.seats.push((features, recognition)),
                Err(refusal) => {
                    let is_open = refusal.code == ReasonCode::AmbiguousShift && yielded.seats.is_empty() && yielded.left_open.is_none();
                    let place = if is_open { &mut yielded.left_open } else { &mut yielded.refused };
                    *place = better_of(place.take(), Some(Refused { log_odds, refusal }));
                }
            }
        }
        yielded
    }
}

/// The one with the better odds; of equal odds the first.
fn better_of(first: Option<Refused>, other: Option<Refused>) -> Option<Refused> {
    match (first, other) {
        (Some(first), Some(other)) if other.log_odds > first.log_odds => Some(other),
        (first, other) => first.or(other),
    }
}

/// How much light a seating explains: strength and contrast of its features, summed.
fn light_of(seating: &Seating, features: &[Feature]) -> f64 {
    seating.features.iter().flatten().map(|&f| features[f].strength * features[f].profile.contrast()).sum()
}

/// Contrast below which a feature is what separation leaves of the other side's light: a share of the spread of that light.
pub(super) fn least_contrast(side: Side, optics: &Optics, planes: &[Plane]) -> f64 {
    let spread = |plane: &Plane| {
        let mut light: Vec<f32> = plane.light.iter().copied().step_by(37).collect();
        light.sort_by(f32::total_cmp);
        let at = |q: f64| light.get((light.len() as f64 * q) as usize).copied().unwrap_or(0.0);
        f64::from(at(0.99) - at(0.3))
    };
    let others = optics.views.iter().zip(planes).filter(|(v, _)| v.shows != side).map(|(_, plane)| spread(plane));
    GHOST_SHARE * others.fold(0.0, f64::max)
}
