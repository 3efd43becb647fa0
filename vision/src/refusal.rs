//! Decides when the picture does not settle the offset, and says what was seen and what to do.
//!
//! The thresholds of the decision stand here, together.

mod light;
mod spacings;

use crate::answer::{Fit, ReasonCode, Refusal, SideFindings, SiteFinding, SiteState, Way};
use crate::find::look::Unknowns;
use crate::pose::PoseError;
use crate::side::{Outline, Seen, SideView, features_word, nothing_code};
use crate::view::Optics;
use crate::whereabouts;
use crate::which_site::{Difference, Feature, Pattern, Recognition, Rival, Seating, Unrecognised};
use landfit_part::{Part, PointMm, Side};
use light::light_trouble;
use spacings::Spacings;

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
const LEAST_SEEN_SHARE: f64 = 0.55;
/// Features whose usual distance differs from the pitch by more than this share stand at another pitch.
const OTHER_SPACING: f64 = 0.035;
/// Where more than this share of the features have a neighbour at the pitch, it is not another pattern's.
const AT_PITCH: f64 = 0.5;
/// Fewer sites than this are no row whose emptiness says something.
const LEAST_ROW: usize = 3;
/// More features of the same look beside the sites than this share of the sites: another pattern.
const MOST_LEFT_OVER_SHARE: f64 = 0.3;
/// Blur (standard deviation) above this share of the radius leaves no edge to measure. Lands of 2 px radius in usual blur reach 0.7,
/// and are measured to a few hundredths of a pixel.
const MOST_BLUR_SHARE: f64 = 0.75;
/// The same where nothing is seen, and where the pattern could not be settled anyway.
const MOST_BLUR_SHARE_UNSEEN: f64 = 0.4;
const MOST_BLUR_SHARE_UNSETTLED: f64 = 0.35;
/// Features with less than this share of the other side's contrast are its ghost: tints that are 2 % wrong leave 2 %.
const GHOST_SHARE: f64 = 0.04;
/// Where light that is too small to tell more leans by more than this share from the middle to the outline, one side of the outline has next
/// to none. Of 337 rendered looks of balls of 3 px radius one had 1.07 (a glint on balls as bright as their ground; 0.3 px off), all
/// others less than 0.56.
const MOST_LEAN_OVER_RIM: f64 = 0.8;
/// What lies on lands, or rims of openings that pass for theirs, and leaves their places in more doubt than this, mm, along each axis leaves
/// them unsettled: an interval of twice that is 14 µm and more, and those of which one was more lay up to 31 µm off. Of 220 rendered boards
/// with paste 6.
const MOST_RIM_DOUBT_MM: f64 = 0.007;

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

/// Refuses a side whose features are far fainter than the other's: what separation leaves of the other side's light shows a
/// pattern at the same place, and would be taken for a part that sits perfectly.
pub(crate) fn ghost(terminals: &Seen, lands: &Seen, part: &Part, optics: &Optics) -> Option<Refusal> {
    let faint = |side: Side, percent: f64| {
        let what = match side {
            Side::Part => "No part is seen: what shows in its light is the lands' own pattern",
            Side::Board => "No lands are seen: what shows in their light is the terminals' own pattern",
        };
        Refusal::new(
            nothing_code(side),
            None,
            format!(
                "{what}, {percent:.1} % as strong. Bring it under the optics, and check the lights' tints in the bench file.{}",
                whereabouts::unseen_words(side, part, optics)
            ),
        )
    };
    let ratio = terminals.contrast / lands.contrast.max(1e-12);
    if ratio < GHOST_SHARE {
        Some(faint(Side::Part, 100.0 * ratio))
    } else if ratio > 1.0 / GHOST_SHARE {
        Some(faint(Side::Board, 100.0 / ratio))
    } else {
        None
    }
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
    // Where neighbours are missing, or clutter stands between rows, many agree on another distance, too; of another pattern few stand
    // at this one's pitch.
    let is_other_spacing = || {
        Spacings::of(features).is_some_and(|spacings| {
            spacings.even_mm().is_some_and(|s| (s / pattern.pitch_mm - 1.0).abs() > OTHER_SPACING)
                && spacings.share_at(pattern.pitch_mm) < AT_PITCH
        })
    };
    // One that is missing says nothing, however few there are.
    let are_missing = expected - seen > 1 && share < 0.9;
    if share < LEAST_SEEN_SHARE || (are_missing && is_other_spacing()) {
        return Err(nothing_fits(side, pattern, features, views));
    }
    let least_margin = |r: &Rival| match r.differs {
        Difference::Shift if pattern.centres_mm.len() == 4 && beside == Beside::Faint => LEAST_MARGIN_OF_FOUR,
        Difference::Shift => LEAST_MARGIN,
        Difference::Turn if pattern.centres_mm.len() == 3 => LEAST_TURN_MARGIN_OF_THREE,
        Difference::Turn => LEAST_TURN_MARGIN,
        Difference::Mirror => LEAST_MIRROR_MARGIN,
        Difference::Copy => LEAST_MARGIN,
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

/// A refusal of a side that is seated but cannot be measured: with the way into view, if rows are cut off.
pub(crate) fn with_way_of_cut(mut refusal: Refusal, side: Side, features: &[Feature], pattern: &Pattern, views: &[SideView]) -> Refusal {
    if refusal.way.is_none() && refusal.code == nothing_code(side) {
        refusal.way = whereabouts::way_of_cut(side, features, pattern, views);
        if let Some(way) = &refusal.way {
            refusal.text += &whereabouts::words(way);
        }
    }
    refusal
}

fn few_in_view(side: Side) -> String {
    format!("The {} run out of the picture, and too few are in view to tell which they are.", features_word(side))
}

/// A side that is cut off by the picture's edge, in a way that leaves its turn open.
fn runs_out(side: Side, way: &Way) -> Refusal {
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

/// The refusal of one side, if it has one. A view that is dark in a picture whose other side is seen is empty, not badly lit.
pub(crate) fn beside_light(side: &Result<Seen, Refusal>, other: &Result<Seen, Refusal>, part: &Part, optics: &Optics) -> Option<Refusal> {
    let refused = side.as_ref().err()?;
    let dark = refused.view.filter(|_| refused.code == ReasonCode::TooDark && other.is_ok()).map(|v| &optics.views[v]);
    let Some(dark) = dark.filter(|d| optics.views.iter().any(|v| v.shows != d.shows && v.exposure == d.exposure)) else {
        return Some(refused.clone());
    };
    let (word, other_word) = match dark.shows {
        Side::Part => ("No part is", "lands"),
        Side::Board => ("No lands are", "part"),
    };
    Some(Refusal::new(
        nothing_code(dark.shows),
        refused.view,
        format!(
            "{word} seen: nothing shows in that light, while the {other_word} can be seen in the same picture. Bring the {} under the optics, and check that its light is on.{}",
            dark.shows.word(),
            whereabouts::unseen_words(dark.shows, part, optics)
        ),
    ))
}

/// A rim that is in doubt by more than this share of the radius (standard uncertainty) is no outline to measure: one rendered board in
/// 400 is so, and its answer was a quarter of the radius off.
const MOST_HIDDEN_RIM_SHARE: f64 = 0.1;

/// Refuses a picture whose features' outlines are blurred beyond measuring, or fade before they end.
pub(crate) fn sharp_enough(side: Side, views: &[SideView], outlines: &[Outline]) -> Result<(), Refusal> {
    if outlines.is_empty() {
        return Err(Refusal::new(
            nothing_code(side),
            None,
            format!("No edges of {} can be seen. Focus and light the {} side.", features_word(side), side.word()),
        ));
    }
    for outline in outlines {
        let Some(view) = views.iter().find(|v| v.index == outline.view) else { continue };
        if let Some(text) = what_blurs(outline, view.radius_px, features_word(side)) {
            return Err(Refusal::new(ReasonCode::TooBlurred, Some(outline.view), text));
        }
    }
    Ok(())
}

/// Why outlines of features of a radius, px, cannot be measured, if so.
fn what_blurs(outline: &Outline, radius_px: f64, features: &str) -> Option<String> {
    let Outline { blur_px, hidden_rim_px, unknowns, lean_over_rim, .. } = outline;
    if *hidden_rim_px > MOST_HIDDEN_RIM_SHARE * radius_px {
        return Some(format!(
            "The {features} are bright in the middle and fade so softly that where they end cannot be told (to ± {:.1} px). Focus, and light them from more sides.",
            2.0 * hidden_rim_px
        ));
    }
    if *unknowns == Unknowns::Few && *lean_over_rim > MOST_LEAN_OVER_RIM {
        return Some(format!(
            "The {features} shine on one side only, so that where they end on the other cannot be told. Light them from more sides, and so that they stand out from what is beside them."
        ));
    }
    (*blur_px > MOST_BLUR_SHARE * radius_px).then(|| {
        format!(
            "The outlines of the {features} are blurred over {blur_px:.0} px, where one is {:.0} px across. Focus, and wait until nothing moves.",
            2.0 * radius_px
        )
    })
}

/// Refuses lands of which what lies on them leaves too little to see, or that it makes far wider than they are, and such as are hardly told
/// from the openings about them.
pub(crate) fn bare_enough(side: Side, outlines: &[Outline]) -> Result<(), Refusal> {
    let features = features_word(side);
    for outline in outlines {
        let text = if outline.is_of_deposit {
            format!(
                "Something dark lies on the {features}, off to one side (solder paste?), and its edge is all that can be measured. Align over cleaned, bare lands."
            )
        } else if outline.deposit_doubt_mm > MOST_RIM_DOUBT_MM {
            format!(
                "What lies on the {features} (solder paste?) hides where their rims are: their places cannot be told to better than ± {:.0} µm. Align over cleaned, bare lands.",
                2e3 * outline.deposit_doubt_mm
            )
        } else if outline.two_rims_doubt_mm > MOST_RIM_DOUBT_MM {
            format!(
                "The rims of the {features} and of the openings about them pass for one: their places cannot be told to better than ± {:.0} µm. Focus, and light them so that they stand out from what is beside them.",
                2e3 * outline.two_rims_doubt_mm
            )
        } else {
            continue;
        };
        return Err(Refusal::new(ReasonCode::AmbiguousShift, Some(outline.view), text));
    }
    Ok(())
}

/// Refuses a side of which a closer look shows too few features at the sites: noise, or a blurred shimmer, was laid over.
pub(crate) fn enough_seen(side: Side, views: &[SideView], findings: &[SiteFinding]) -> Result<(), Refusal> {
    let judged = findings.iter().filter(|f| f.state != SiteState::Hidden).count();
    let seen = findings.iter().filter(|f| !matches!(f.state, SiteState::Hidden | SiteState::Absent)).count();
    if seen as f64 >= LEAST_SEEN_SHARE * judged as f64 {
        return Ok(());
    }
    Err(light_trouble(views, MOST_BLUR_SHARE_UNSETTLED).unwrap_or_else(|| {
        Refusal::new(
            nothing_code(side),
            None,
            format!(
                "Only {seen} of {judged} {} can be made out. Clean, light and focus the {} side, and check that this is the right part file.",
                features_word(side),
                side.word()
            ),
        )
    }))
}

/// Refuses when the part lies a quarter or half turn round; where one of the sides is cut off, what would tell that may be out of view.
pub(crate) fn turned(fit: &Fit, terminals: &Seen, lands: &Seen) -> Option<Refusal> {
    let quarters = (fit.offset.theta_rad / std::f64::consts::FRAC_PI_2).round();
    let cut = [(Side::Part, terminals), (Side::Board, lands)].into_iter().find_map(|(side, seen)| Some((side, seen.way_if_cut?)));
    (quarters != 0.0).then(|| {
        if let Some((side, way)) = cut {
            return runs_out(side, &way);
        }
        let turn_deg = if quarters.abs() > 1.5 { 180.0 } else { 90.0 * quarters };
        let words = if turn_deg == 180.0 {
            "half a turn round".to_owned()
        } else {
            format!("a quarter turn {}", if turn_deg > 0.0 { "anticlockwise" } else { "clockwise" })
        };
        let text = format!("The part is turned: {words}, seen from above. Put it down, pick it up the right way, and look again.");
        Refusal { turn_deg: Some(turn_deg), ..Refusal::new(ReasonCode::Turned, None, text) }
    })
}

/// A side of which this share of the sites in view or less is there, more than two being absent, is another pattern of which some places
/// agree by chance: of leads at another pitch, half. Of parts with balls taken off on purpose a third may be absent.
const LEAST_THERE: f64 = 0.6;

/// Refuses when too few of a side's sites are where the part file has them, once each was looked at closely.
pub(crate) fn hardly_there(side: Side, findings: &SideFindings) -> Option<Refusal> {
    let in_view = findings.sites.len();
    let absent = findings.sites.iter().filter(|s| s.state == SiteState::Absent).count();
    ((in_view - absent) as f64 / in_view.max(1) as f64 <= LEAST_THERE && absent > 2).then(|| {
        let (word, seen) = (features_word(side), in_view - absent);
        Refusal::new(
            ReasonCode::WrongPattern,
            None,
            format!(
                "Only {seen} of {in_view} {word} stand where the part file has them. Check that this is the right part file and the right {}.",
                side.word()
            ),
        )
    })
}

pub(crate) fn wrong_scale(side: Side, off: f64) -> Refusal {
    Refusal::new(
        ReasonCode::WrongPattern,
        None,
        format!(
            "The {} stand {:.1} % {} apart than the part file says. Check the part file's pitch and the bench file's magnification.",
            features_word(side),
            100.0 * off.abs(),
            if off > 0.0 { "further" } else { "less far" }
        ),
    )
}

pub(crate) fn odd_scale_words(side: Side, off: f64) -> String {
    format!(
        "The {} stand {:.2} % {} apart than the part file says: the camera may have moved, or the bench file is another bench's.",
        features_word(side),
        100.0 * off.abs(),
        if off > 0.0 { "further" } else { "less far" }
    )
}

pub(crate) fn too_few_good(side: Side, good: usize) -> Refusal {
    Refusal::new(
        nothing_code(side),
        None,
        format!(
            "Only {good} {} could be measured; three are needed. Clean, light and focus the {} side.",
            features_word(side),
            side.word()
        ),
    )
}

/// Features so few that any of them may be another thing lie to each other otherwise than designed, by so many mm per axis.
pub(crate) fn disagreeing(side: Side, measured: usize, scatter_mm: f64) -> Refusal {
    let features = features_word(side);
    Refusal::new(
        ReasonCode::AmbiguousShift,
        None,
        format!(
            "The {measured} {features} that are seen lie off each other by {:.0} µm against the part file, and nothing tells which of them is off. Clean, light and focus the {} side, check for bent or moved {features}, and look again.",
            1e3 * scatter_mm,
            side.word()
        ),
    )
}

pub(crate) fn no_fit(side: Side, error: &PoseError) -> Refusal {
    Refusal::new(
        ReasonCode::WrongPattern,
        None,
        format!("The {} do not lie as the part file says ({error}). Check the part file and the {}.", features_word(side), side.word()),
    )
}

pub(crate) fn no_pattern(side: Side) -> Refusal {
    Refusal::new(
        ReasonCode::WrongPattern,
        None,
        format!("The part file's {} all lie at one place. Correct the part file.", features_word(side)),
    )
}

pub(crate) fn nothing_seen() -> Refusal {
    Refusal::new(ReasonCode::NoPart, None, "Nothing is seen. Check light and focus.".into())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::find::look::CoarseProfile;
    use crate::which_site::Kind;
    use landfit_part::PointMm;
    use nalgebra::Matrix2;

    fn findings(there: usize, absent: usize) -> SideFindings {
        let states = std::iter::repeat_n(SiteState::Good, there).chain(std::iter::repeat_n(SiteState::Absent, absent));
        let finding = |(site, state)| SiteFinding {
            site,
            state,
            view: 0,
            centre_px: None,
            centre_mm: None,
            covariance_mm2: Matrix2::zeros(),
            noise_mm2: Matrix2::zeros(),
            size_ratio: 1.0,
        };
        SideFindings { sites: states.enumerate().map(finding).collect(), scale: None }
    }

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

    #[test]
    fn paste_that_hides_where_lands_end_is_refused() {
        let doubtful = |deposit_doubt_mm| Outline { carries_deposit: true, deposit_doubt_mm, ..Outline::plain(0, 1.0, 1.1) };
        assert_eq!(bare_enough(Side::Board, &[doubtful(0.0), doubtful(0.0069)]), Ok(()));
        let refusal = bare_enough(Side::Board, &[doubtful(0.0), doubtful(0.015)]).expect_err("a refusal");
        assert_eq!(refusal.code, ReasonCode::AmbiguousShift);
        assert!(refusal.text.contains("± 30 µm") && refusal.text.ends_with("Align over cleaned, bare lands."), "{}", refusal.text);
    }

    #[test]
    fn three_that_do_not_lie_as_designed_are_refused_with_how_far() {
        let refusal = disagreeing(Side::Part, 3, 0.051);
        assert_eq!(refusal.code, ReasonCode::AmbiguousShift);
        assert!(
            refusal.text.starts_with("The 3 terminals that are seen lie off each other by 51 µm against the part file"),
            "{}",
            refusal.text
        );
    }

    #[test]
    fn lands_that_are_hardly_told_from_their_openings_are_refused() {
        let doubtful = |two_rims_doubt_mm| Outline { two_rims_doubt_mm, ..Outline::plain(0, 1.0, 1.1) };
        assert_eq!(bare_enough(Side::Board, &[doubtful(0.0), doubtful(0.0069)]), Ok(()));
        let refusal = bare_enough(Side::Board, &[doubtful(0.0077)]).expect_err("a refusal");
        assert_eq!(refusal.code, ReasonCode::AmbiguousShift);
        assert!(refusal.text.contains("pass for one: their places cannot be told to better than ± 15 µm."), "{}", refusal.text);
    }

    #[test]
    fn domes_that_fade_before_they_end_are_refused_with_what_to_do() {
        let outline = |hidden_rim_px| Outline { hidden_rim_px, ..Outline::plain(0, 1.0, 1.0) };
        assert_eq!(what_blurs(&outline(1.9), 20.0, "lands"), None);
        let text = what_blurs(&outline(2.1), 20.0, "lands").expect("a reason");
        assert_eq!(
            text,
            "The lands are bright in the middle and fade so softly that where they end cannot be told (to ± 4.2 px). Focus, and light them from more sides."
        );
    }

    #[test]
    fn a_third_of_the_balls_absent_is_told_and_half_of_the_leads_is_another_part() {
        assert_eq!(hardly_there(Side::Part, &findings(200, 100)), None);
        let refusal = hardly_there(Side::Part, &findings(29, 23)).expect("a refusal");
        assert_eq!(refusal.code, ReasonCode::WrongPattern);
        assert!(refusal.text.starts_with("Only 29 of 52 terminals stand where the part file has them."), "{}", refusal.text);
        assert_eq!(hardly_there(Side::Board, &findings(0, 0)), None);
    }
}
