//! Decides which seating of the pattern settles which site is which, and says of one that does not what was seen and what to do.
//!
//! The thresholds of the decision stand here, together.

use super::light::light_trouble;
use super::spacings::Spacings;
use crate::answer::{ReasonCode, Refusal, Way};
use crate::side::{SideView, features_word, nothing_code};
use crate::view::Optics;
use crate::whereabouts;
use crate::which_site::{Difference, Feature, Pattern, Recognition, Rival, Seating, Unrecognised, is_alike};
use landfit_part::{Part, PointMm, Side};

/// The best seating must beat chance by this much: of about 10^5 turns and shifts tried, one in 10^6 scenes may pass by luck.
const LEAST_LOG_ODDS: f64 = 25.0;
/// The best seating must beat every other that the pattern can tell apart by this much, e^8 = 3000 to 1 for one alternative.
const LEAST_MARGIN: f64 = 8.0;
/// Four sites, shifted by a pitch, can leave no more than two of them unseen, and one where a mark stands beside: e^6.9 = 1000 to 1 that
/// it is not clutter. Only where nothing of the other sense of light comes near: of four dark notches the tongues between are three.
const LEAST_MARGIN_OF_FOUR: f64 = 6.9;
/// The same against the three other turns, which are fewer to be taken in by: e^6.9 = 1000 to 1.
const LEAST_TURN_MARGIN: f64 = 6.9;
/// Three sites, turned about the middle of two of them, differ in one site only: e^6 = 400 to 1 that it is not clutter.
const LEAST_TURN_MARGIN_OF_THREE: f64 = 6.0;
/// No part is ever seen as the part file's mirror image, unless the file is drawn from the wrong side: it is refused where the mirror
/// image fits better, not where what tells the two apart lies out of view.
const LEAST_MIRROR_MARGIN: f64 = 0.0;
/// Where no seating stands out, fewer than this share of sites show a feature, and this many times as many features lie
/// elsewhere, it is noise that was laid over: nothing is seen.
const DROWNED_BELOW_SHARE: f64 = 0.8;
const DROWNED_BY_TIMES: usize = 2;
/// Below this share of sites in view with a feature, it is another pattern: a third may be missing, not half.
pub(super) const LEAST_SEEN_SHARE: f64 = 0.55;
/// Features whose usual distance differs from the pitch by more than this share stand at another pitch.
const OTHER_SPACING: f64 = 0.035;
/// Where more than this share of the features have a neighbour at the pitch, it is not another pattern's.
const AT_PITCH: f64 = 0.5;
/// Fewer sites than this are no row whose emptiness says something.
const LEAST_ROW: usize = 3;
/// More features of the same look beside the sites than this share of the sites: another pattern.
const MOST_LEFT_OVER_SHARE: f64 = 0.3;
/// Blur (standard deviation) above this share of the radius is a reason where nothing is seen, and where the pattern could not be settled anyway.
const MOST_BLUR_SHARE_UNSEEN: f64 = 0.4;
pub(super) const MOST_BLUR_SHARE_UNSETTLED: f64 = 0.35;

/// What features of the other sense (bright for dark) make of the pattern.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Beside {
    /// Hardly any light.
    Faint,
    /// A part of the light or more, or nothing is known of it.
    Something,
}

/// Takes a recognition or says why it does not settle which site is which: because of the light, if that is so.
pub(crate) fn accept(
    side: Side,
    recognition: Result<Recognition, Unrecognised>,
    pattern: &Pattern,
    features: &[Feature],
    views: &[SideView],
    (part, optics): (&Part, &Optics),
    beside: Beside,
) -> Result<Recognition, Refusal> {
    settled(side, recognition, pattern, features, views, beside).map_err(|mut refusal| {
        // Where a pattern shimmers through, blur is a likelier reason than where nothing is seen at all.
        let is_unseen = matches!(refusal.code, ReasonCode::NoPart | ReasonCode::NoLands);
        let most_blur_share = if is_unseen { MOST_BLUR_SHARE_UNSEEN } else { MOST_BLUR_SHARE_UNSETTLED };
        if let Some(trouble) = light_trouble(views, most_blur_share).filter(|t| t.code < refusal.code) {
            return trouble;
        }
        let is_cut = refusal.code == ReasonCode::AmbiguousShift;
        if refusal.way.is_none() && (is_unseen || is_cut || refusal.code == ReasonCode::OutOfView) {
            let told = if is_cut { whereabouts::way_of_cut } else { whereabouts::way };
            refusal.way = told(side, features, pattern, views);
            match &refusal.way {
                // What shows is not called unseen; and whether its light is on is no question.
                Some(way) if is_unseen => refusal.text = few_in_view(side) + &whereabouts::words(way),
                Some(way) => refusal.text += &whereabouts::words(way),
                None if is_unseen => refusal.text += &whereabouts::unseen_words(side, part, optics),
                None => {}
            }
        }
        refusal
    })
}

fn settled(
    side: Side,
    recognition: Result<Recognition, Unrecognised>,
    pattern: &Pattern,
    features: &[Feature],
    views: &[SideView],
    beside: Beside,
) -> Result<Recognition, Refusal> {
    let word = features_word(side);
    let recognition = match recognition {
        Ok(found) if found.best.log_odds >= least_log_odds(pattern) && found.best.expected() >= 3 => found,
        Ok(found) => return Err(unlikely(side, &found, pattern, features, views)),
        Err(_) => return Err(nothing_fits(side, pattern, features, views)),
    };
    let best = &recognition.best;
    let (seen, expected) = (best.seen(), best.expected());
    let share = seen as f64 / expected as f64;
    if share < LEAST_SEEN_SHARE {
        return Err(nothing_fits(side, pattern, features, views));
    }
    // One that is missing says nothing, however few there are.
    if expected - seen > 1 && share < 0.9 {
        // What looks like no site of the pattern, as leads' shanks do, stands at no pitch.
        let alike: Vec<Feature> = features.iter().filter(|f| is_alike(&f.profile, &recognition.profile)).copied().collect();
        // Where neighbours are missing, or clutter stands between rows, many agree on another distance, too; of another pattern few stand
        // at this one's pitch.
        let is_other_spacing = Spacings::of(&alike).is_some_and(|spacings| {
            spacings.even_mm().is_some_and(|s| (s / pattern.pitch_mm - 1.0).abs() > OTHER_SPACING)
                && spacings.share_at(pattern.pitch_mm) < AT_PITCH
        });
        if is_other_spacing {
            return Err(nothing_fits(side, pattern, &alike, views));
        }
    }
    let least_margin = |r: &Rival| match r.differs {
        Difference::Shift if pattern.centres_mm.len() == 4 && beside == Beside::Faint => LEAST_MARGIN_OF_FOUR,
        Difference::Shift => LEAST_MARGIN,
        Difference::Turn if pattern.centres_mm.len() == 3 => LEAST_TURN_MARGIN_OF_THREE,
        Difference::Turn => LEAST_TURN_MARGIN,
        Difference::Mirror => LEAST_MIRROR_MARGIN,
        Difference::Copy | Difference::Thing => LEAST_MARGIN,
    };
    if let Some(rival) = recognition.rival.filter(|r| r.margin < least_margin(r)) {
        if share < DROWNED_BELOW_SHARE && recognition.alike - seen.min(recognition.alike) > DROWNED_BY_TIMES * seen {
            return Err(nothing_fits(side, pattern, features, views));
        }
        // Where rows are cut off it is they that would tell.
        if rival.differs == Difference::Mirror
            && let Some(way) = whereabouts::way_of_cut(side, features, pattern, views)
        {
            return Err(runs_out(side, &way));
        }
        return Err(rivalled(side, rival.differs, best, pattern));
    }
    if let Some(row) = empty_outer_row(best, pattern) {
        return Err(Refusal::new(
            ReasonCode::WrongPattern,
            None,
            format!(
                "The whole {row} row of {word} is empty: {seen} of {expected} are seen. Check that this is the right part file and the right {}.",
                side.word()
            ),
        ));
    }
    let left_over = recognition.left_over.len();
    if left_over as f64 > (MOST_LEFT_OVER_SHARE * seen as f64).max(4.0) {
        return Err(Refusal::new(
            ReasonCode::WrongPattern,
            None,
            format!(
                "{left_over} features that look like {word} lie where the part file has none. Check that this is the right part file and the right {}.",
                side.word()
            ),
        ));
    }
    Ok(recognition)
}

/// What stands as evenly as the side's features has no edge where their rows end: it is the gaps between others.
pub(crate) fn gaps_laid_over(side: Side) -> Refusal {
    let word = features_word(side);
    Refusal::new(
        ReasonCode::WrongPattern,
        None,
        format!(
            "Only the gaps between {word} stand as the part file has the {word}: the rows show another number of them. Check that this is the right part file and the right {}.",
            side.word()
        ),
    )
}

/// Whether a seating is the pattern and no chance, by the odds that an answer needs; which of its seatings may stay open.
pub(crate) fn is_the_pattern(seating: &Seating, pattern: &Pattern) -> bool {
    seating.log_odds >= least_log_odds(pattern) && seating.seen() as f64 >= LEAST_SEEN_SHARE * seating.expected() as f64
}

/// Three to five sites cannot reach the usual odds: they must all but all be seen instead, three where hardly anything else is.
fn least_log_odds(pattern: &Pattern) -> f64 {
    match pattern.centres_mm.len() {
        3 => 3.0 * 4.8,
        n @ 4..=6 => LEAST_LOG_ODDS.min(4.2 * n as f64),
        _ => LEAST_LOG_ODDS,
    }
}

fn unlikely(side: Side, found: &Recognition, pattern: &Pattern, features: &[Feature], views: &[SideView]) -> Refusal {
    if let Some(cut) = cut_axis(&found.best, pattern)
        .filter(|_| found.best.seen() as f64 >= LEAST_SEEN_SHARE * found.best.expected() as f64 && found.best.expected() >= 3)
    {
        return out_of_view(side, cut);
    }
    nothing_fits(side, pattern, features, views)
}

/// Nothing could be laid over the features: because of the light, because nothing is there, or because it is another pattern.
fn nothing_fits(side: Side, pattern: &Pattern, features: &[Feature], views: &[SideView]) -> Refusal {
    let word = features_word(side);
    if let Some(spacing_mm) = Spacings::of(features).and_then(|s| s.even_mm()) {
        let is_its_own = (spacing_mm / pattern.pitch_mm - 1.0).abs() <= OTHER_SPACING;
        if is_its_own && whereabouts::way_of_cut(side, features, pattern, views).is_some() {
            return Refusal::new(ReasonCode::OutOfView, views.first().map(|v| v.index), few_in_view(side));
        }
        let check = format!("Check that this is the right part file, the right {} and the right bench file.", side.word());
        let text = if is_its_own {
            format!(
                "Features stand {spacing_mm:.2} mm apart, as the part file has the {word}, but too few of them fit its rows at once. Clean the place, light it evenly and look again. {check}"
            )
        } else {
            format!("Features stand {spacing_mm:.2} mm apart; the part file puts the {word} {:.2} mm apart. {check}", pattern.pitch_mm)
        };
        return Refusal::new(ReasonCode::WrongPattern, None, text);
    }
    let what = match side {
        Side::Part => "No part is seen. Pick the part up, bring it over the board and switch its light on.",
        Side::Board => "No lands are seen. Bring the board's land pattern under the optics and switch its light on.",
    };
    Refusal::new(nothing_code(side), views.first().map(|v| v.index), what.into())
}

fn few_in_view(side: Side) -> String {
    format!("The {} run out of the picture, and too few are in view to tell which they are.", features_word(side))
}

/// A side that is cut off by the picture's edge, in a way that leaves its turn open.
pub(super) fn runs_out(side: Side, way: &Way) -> Refusal {
    let text = format!(
        "The {} run out of the picture, and those in view do not tell how they are turned.{}",
        features_word(side),
        whereabouts::words(way)
    );
    Refusal { way: Some(*way), ..Refusal::new(ReasonCode::OutOfView, None, text) }
}

fn rivalled(side: Side, differs: Difference, best: &Seating, pattern: &Pattern) -> Refusal {
    let word = features_word(side);
    match differs {
        Difference::Mirror => Refusal::new(
            ReasonCode::WrongPattern,
            None,
            format!("The {word} fit the part file's mirror image better. Check that the part file is drawn as seen from above."),
        ),
        Difference::Copy => Refusal::new(
            ReasonCode::AmbiguousShift,
            None,
            format!(
                "The same {word} are there more than once, and the other side lies about as near to two of them. Move the board until the part stands over the {word} that it is meant for."
            ),
        ),
        Difference::Thing => Refusal::new(
            ReasonCode::AmbiguousShift,
            None,
            format!(
                "Beside the {word} others stand in the same rows (vias?), and they look alike or neither looks like bare metal: which are the {word} cannot be told. Light the {} so that bare metal stands out, and look again.",
                side.word()
            ),
        ),
        Difference::Turn => Refusal::new(
            ReasonCode::AmbiguousShift,
            None,
            format!(
                "Two turns of the pattern explain the {word} about equally well. Bring all {word} into view, or clean the place and look again."
            ),
        ),
        Difference::Shift => match cut_axis(best, pattern) {
            Some(cut) => out_of_view(side, cut),
            None => Refusal::new(
                ReasonCode::AmbiguousShift,
                None,
                format!(
                    "Two seatings one pitch apart explain the {word} about equally well: {} of {} are seen. Look at the outer rows: is one missing, or one too many, or is this another part file?",
                    best.seen(),
                    best.expected()
                ),
            ),
        },
    }
}

/// The pattern's axis ("x" or "y") of which both ends are out of view.
fn cut_axis(best: &Seating, pattern: &Pattern) -> Option<&'static str> {
    let ends = |get: fn(&PointMm) -> f64| {
        let seen = pattern.centres_mm.iter().zip(&best.in_view).filter(|(_, v)| **v).map(|(c, _)| get(c));
        let (low, high) = seen.fold((f64::INFINITY, f64::NEG_INFINITY), |(lo, hi), v| (lo.min(v), hi.max(v)));
        let beyond = |test: &dyn Fn(f64) -> bool| pattern.centres_mm.iter().any(|c| test(get(c)));
        beyond(&|v| v < low - 0.5 * pattern.pitch_mm) && beyond(&|v| v > high + 0.5 * pattern.pitch_mm)
    };
    if ends(|c| c.x) {
        Some("x")
    } else if ends(|c| c.y) {
        Some("y")
    } else {
        None
    }
}

/// An outermost row or column of the pattern that is in view and shows nothing at all: single terminals go missing, whole rows
/// belong to another part.
fn empty_outer_row(best: &Seating, pattern: &Pattern) -> Option<&'static str> {
    let directions = [("right", 1.0, 0.0), ("left", -1.0, 0.0), ("far", 0.0, 1.0), ("near", 0.0, -1.0)];
    directions.into_iter().find_map(|(name, x, y)| {
        let along = |c: &PointMm| c.x * x + c.y * y;
        let outermost = pattern.centres_mm.iter().map(along).fold(f64::NEG_INFINITY, f64::max);
        let row: Vec<usize> =
            (0..pattern.centres_mm.len()).filter(|&i| along(&pattern.centres_mm[i]) > outermost - 0.3 * pattern.pitch_mm).collect();
        let in_view = row.iter().filter(|&&i| best.in_view[i]).count();
        let is_empty = row.iter().all(|&i| !best.in_view[i] || best.features[i].is_none());
        (in_view >= LEAST_ROW && is_empty).then_some(name)
    })
}

fn out_of_view(side: Side, axis: &str) -> Refusal {
    let across = if axis == "x" { "left and right" } else { "near and far" };
    Refusal::new(
        ReasonCode::OutOfView,
        None,
        format!(
            "Both the {across} ends of the {} are out of view, so that a whole pitch cannot be told. Move the {} until one outer row and one outer column are seen.",
            features_word(side),
            side.word()
        ),
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::find::look::CoarseProfile;
    use crate::which_site::Kind;

    #[test]
    fn features_at_the_pitch_that_fit_no_rows_are_not_said_to_stand_at_another() {
        let grid = |pitch_mm: f64| (0..36).map(move |i| PointMm::new(f64::from(i % 6) * pitch_mm, f64::from(i / 6) * pitch_mm));
        let pattern = Pattern::new(grid(0.8).collect()).expect("a pattern");
        let text = |pitch_mm: f64| {
            let profile = CoarseProfile { rings: [1.0; 7] };
            let feature = |at_mm| Feature { at_mm, view: 0, strength: 1.0, profile, kind: Kind::DISC };
            nothing_fits(Side::Part, &pattern, &grid(pitch_mm).map(feature).collect::<Vec<_>>(), &[]).text
        };
        assert!(text(0.8).starts_with("Features stand 0.80 mm apart, as the part file has the terminals, but too few"), "{}", text(0.8));
        assert!(text(1.0).starts_with("Features stand 1.00 mm apart; the part file puts the terminals 0.80 mm apart."), "{}", text(1.0));
    }
}
