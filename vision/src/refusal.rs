//! Decides when the picture does not settle the offset, and says what was seen and what to do: here of sides that are seated, in
//! [`seating`] which seating is one.

mod light;
mod seating;
mod spacings;

pub(crate) use seating::{Beside, accept, gaps_laid_over, is_the_pattern};

use crate::answer::{Fit, ReasonCode, Refusal, SideFindings, SiteFinding, SiteState};
use crate::find::look::Unknowns;
use crate::pose::PoseError;
use crate::side::{Outline, Seen, SideView, features_word, nothing_code};
use crate::view::Optics;
use crate::whereabouts;
use crate::which_site::{Feature, Pattern};
use landfit_part::{Part, Side};
use light::light_trouble;
use seating::{LEAST_SEEN_SHARE, MOST_BLUR_SHARE_UNSETTLED, runs_out};

/// Blur (standard deviation) above this share of the radius leaves no edge to measure. Lands of 2 px radius in usual blur reach 0.7,
/// and are measured to a few hundredths of a pixel.
const MOST_BLUR_SHARE: f64 = 0.75;
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
            format!("No edges of {} stand out as they should. Focus and light the {} side.", features_word(side), side.word()),
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
                "Something lies on the {features}, off to one side (solder paste?), and its edge is all that can be measured. Align over cleaned, bare lands."
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
            "Only {good} of the {} could be measured; three are needed. Clean, light and focus the {} side.",
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
