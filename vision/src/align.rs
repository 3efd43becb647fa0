//! The pipeline from the pictures of a bench to the offset: read this function first.

use crate::answer::{Alignment, Fit, Orientation, Outcome, Refusal, SideFindings};
use crate::free_scale::{self, Sides};
use crate::half_colour;
use crate::leak::{self, Leak};
use crate::offset::offset;
use crate::one_light;
use crate::over_lands;
use crate::picture::Picture;
use crate::plane::{Plane, separate_all};
use crate::refusal;
use crate::same_features::{self, Same};
use crate::side::{self, Seen};
use crate::stored::Stored;
use crate::swapped::{self, Swapped};
use crate::tint_fit::{self, TintOff};
use crate::unsure;
use crate::view::{Misfit, Optics, ScaleSource, Sight};
use landfit_part::{Part, Side, Site};
use nalgebra::Matrix3;

/// Why the input cannot be measured at all; bad input, not a picture that does not settle the offset.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum AlignError {
    /// Pictures that are no look of this bench.
    #[error(transparent)]
    Pictures(#[from] Misfit),
    /// A view's px_from_mm has no inverse.
    #[error("view {} has a px_from_mm that cannot be inverted: calibrate the bench again", view + 1)]
    SingularView {
        /// Index of the view.
        view: usize,
    },
    /// No view shows a side.
    #[error("no view of this bench shows the {side}: add a [[view]] with shows = \"{side}\"")]
    SideUnseen {
        /// "part" or "board".
        side: &'static str,
    },
    /// Fewer than three sites.
    #[error("the part has {} on the {side} side; three are needed to tell a turn from a shift", match sites { 1 => "1 site".to_owned(), n => format!("{n} sites") })]
    TooFewSites {
        /// Sites with a shape on that side.
        sites: usize,
        /// "part" or "board".
        side: &'static str,
    },
    /// Something the files describe that is not measured by this version.
    #[error("{what} cannot be measured by this version of landfit: {mend}")]
    NotMeasured {
        /// What it is.
        what: String,
        /// What can be done instead.
        mend: &'static str,
    },
}

/// Measures the offset of the part over its lands.
///
/// `pictures` are in the order of exposure and of the bench's frame size. Same input, same answer. Takes no clock, opens
/// nothing, prints nothing.
///
/// # Errors
/// [`AlignError`] when the input does not fit together; a picture that does not settle the offset is an answer, not an error.
pub fn align(pictures: &[Picture], part: &Part, optics: &Optics) -> Result<Alignment, AlignError> {
    let sights = check(pictures, part, optics)?;
    let leak::ToldBySteps { leaks, open } = leak::leaks(pictures, optics);
    let stored: Vec<Stored> = pictures.iter().map(Stored::of).collect();
    let shots = (pictures, stored.as_slice());
    let leaks = leak::told_by_fits(leaks, &open, |into, leaks| left_over(shots, part, (optics, &sights), into, leaks));
    let tints_off = tint_fit::tints_off(pictures, &stored, optics);
    let optics = &leak::with_leaks(optics, &leaks);
    let planes = planes(shots, part, optics, &sights);
    let (terminals, lands) = match optics.scale {
        ScaleSource::Bench => see_sides(part, optics, &planes, &sights),
        ScaleSource::Pattern { may_differ } => {
            let at_scale = |optics: &Optics, sights: &[Sight]| bare(see_sides(part, optics, &planes, sights));
            free_scale::see_both(part, optics, &planes, may_differ, &at_scale)
        }
    };
    Ok(match (terminals, lands) {
        (Ok(terminals), Ok(lands)) => match refusal::ghost(&terminals, &lands, part, optics) {
            None => {
                let colours = Colours { leaks: &leaks, tints_off: &tints_off, is_in_blocks: stored.iter().any(|s| s.in_blocks) };
                answer(part, optics, colours, terminals, lands, |optics| seen_with(shots, part, (optics, &sights)))
            }
            Some(refusal) => refused(refusal, terminals.findings, lands.findings),
        },
        sides => {
            let (terminals, lands) = bare(sides);
            let refusals =
                [refusal::beside_light(&terminals, &lands, part, optics), refusal::beside_light(&lands, &terminals, part, optics)];
            let refusal = refusals.into_iter().flatten().min_by_key(|r| r.code);
            let findings = |seen: Result<Seen, _>| seen.map(|s| s.findings).unwrap_or_default();
            refused(refusal.unwrap_or_else(refusal::nothing_seen), findings(terminals), findings(lands))
        }
    })
}

/// Pictures, and how each was stored.
type Shots<'a> = (&'a [Picture], &'a [Stored]);

/// The light of each view, told apart from the others.
fn planes((pictures, stored): Shots, part: &Part, optics: &Optics, sights: &[Sight]) -> Vec<Plane> {
    let mut planes = separate_all(pictures, optics, |view| side::block_edge_px(part, optics, sights, view));
    half_colour::take_off(pictures, stored, optics, &mut planes);
    for (plane, view) in planes.iter_mut().zip(&optics.views) {
        plane.is_in_blocks = stored[view.exposure].in_blocks;
    }
    planes
}

/// What the fits of the side that view `into` shows leave over, light squared, with these leaks taken off.
fn left_over(shots: Shots, part: &Part, (optics, sights): (&Optics, &[Sight]), into: usize, leaks: &[Leak]) -> Option<f64> {
    let side = optics.views[into].shows;
    let optics = &leak::with_leaks(optics, leaks);
    let planes = planes(shots, part, optics, sights);
    side::see(side, None, part, optics, &planes, sights).and_then(Seen::bare).ok()?.left_over
}

/// The offset by other optics; `None` where a side is not seen by them.
fn seen_with(shots: Shots, part: &Part, (optics, sights): (&Optics, &[Sight])) -> Option<Fit> {
    let planes = planes(shots, part, optics, sights);
    let (Ok(mut terminals), Ok(mut lands)) = bare(see_sides(part, optics, &planes, sights)) else { return None };
    Some(offset_nominally_turned(&mut terminals, &mut lands))
}

/// The offset, with the part's pose turned to the nominal turn.
fn offset_nominally_turned(terminals: &mut Seen, lands: &mut Seen) -> Fit {
    side::turn_to(lands, 0.0);
    side::turn_to(terminals, lands.fit.to_from.theta_rad);
    offset(&terminals.fit, &lands.fit)
}

/// What the picture tells of how well the lights are told apart.
struct Colours<'a> {
    /// What was taken off.
    leaks: &'a [Leak],
    tints_off: &'a [TintOff],
    /// Whether a lossy codec has worked on blocks of a picture.
    is_in_blocks: bool,
}

/// Sides whose features something hides are not seen.
fn bare((terminals, lands): Sides) -> Sides {
    (terminals.and_then(Seen::bare), lands.and_then(Seen::bare))
}

/// Each side by itself where their lights are told apart, both together where they are not.
fn see_sides(part: &Part, optics: &Optics, planes: &[Plane], sights: &[Sight]) -> Sides {
    if one_light::is_shared(optics) {
        return one_light::see_both(part, optics, planes, sights);
    }
    let terminals = side::see(Side::Part, None, part, optics, planes, sights);
    let over = terminals.as_ref().ok().map(|seen| &seen.fit.to_from);
    let lands = side::see(Side::Board, over, part, optics, planes, sights);
    (terminals, lands)
}

fn refused(refusal: Refusal, terminals: SideFindings, lands: SideFindings) -> Alignment {
    Alignment { outcome: Outcome::Refused(refusal), warnings: Vec::new(), orientation: Orientation::Open, terminals, lands }
}

/// Both sides are seated: turns the part's pose to the nominal turn, and takes the offset unless the part is turned round, the
/// lights are swapped or show one side, something hides the features, or it is too unsure to be judged. `seen_with` gives the offset by other optics.
fn answer(
    part: &Part,
    optics: &Optics,
    colours: Colours,
    mut terminals: Seen,
    mut lands: Seen,
    seen_with: impl Fn(&Optics) -> Option<Fit>,
) -> Alignment {
    let Colours { leaks, tints_off, is_in_blocks } = colours;
    let mut fit = offset_nominally_turned(&mut terminals, &mut lands);
    if let Some(refusal) = covered(part, &terminals, &lands) {
        let findings = |seen: Seen| seen.bare().map(|seen| seen.findings).unwrap_or_default();
        return refused(refusal, findings(terminals), findings(lands));
    }
    // Where the part's mark was seen and the file gives the board none, the board lies as it nominally does.
    let board_is_told = !lands.looks_same_turned || (terminals.is_told_by_mark && !lands.has_marks);
    let orientation = if !terminals.looks_same_turned && board_is_told { Orientation::Settled } else { Orientation::Open };
    let mut warnings = Vec::from_iter(leak::warning(optics, leaks).or_else(|| tint_fit::warning(optics, tints_off)));
    warnings.append(&mut terminals.warnings);
    warnings.append(&mut lands.warnings);
    let told_apart = !one_light::is_shared(optics) && optics.scale == ScaleSource::Bench;
    let swapped = told_apart.then(|| swapped::signs((part, optics), leaks, &terminals, &lands)).flatten();
    let has_sign = swapped.is_some();
    let swapped = match swapped {
        Some(Swapped::Surely(refusal)) => Some(refusal),
        Some(Swapped::Perhaps(warning)) => {
            warnings.push(warning);
            None
        }
        None => None,
    };
    let same = match told_apart.then(|| same_features::compare(part, &terminals.findings, &lands.findings, has_sign)).flatten() {
        Some(Same::One(refusal)) => Some(refusal),
        Some(Same::Shared(doubt_mm)) => {
            (0..2).for_each(|axis| fit.covariance[(axis, axis)] += doubt_mm.powi(2));
            None
        }
        None => None,
    };
    let findings = (&terminals.findings, &lands.findings);
    let crossed = if told_apart {
        over_lands::doubt((part, optics), (tints_off, leaks), is_in_blocks, findings, &fit, seen_with)
    } else {
        Matrix3::zeros()
    };
    fit.covariance += crossed;
    let refusal = swapped
        .or(same)
        .or_else(|| refusal::turned(&fit, &terminals, &lands))
        .or_else(|| refusal::hardly_there(Side::Part, &terminals.findings))
        .or_else(|| refusal::hardly_there(Side::Board, &lands.findings))
        .or_else(|| unsure::too_unsure(part, &fit, &crossed));
    let outcome = refusal.map_or(Outcome::Fit(fit), Outcome::Refused);
    Alignment { outcome, warnings, orientation, terminals: terminals.findings, lands: lands.findings }
}

/// Why something on one side's features is in the way of an answer; what hides them may be the other side in both lights.
fn covered(part: &Part, terminals: &Seen, lands: &Seen) -> Option<Refusal> {
    let covered = terminals.covered.as_ref().or(lands.covered.as_ref())?;
    match same_features::compare(part, &terminals.findings, &lands.findings, false) {
        Some(Same::One(refusal)) => Some(refusal),
        _ => Some(covered.clone()),
    }
}

fn check(pictures: &[Picture], part: &Part, optics: &Optics) -> Result<Vec<Sight>, AlignError> {
    optics.fitting(pictures)?;
    for side in [Side::Part, Side::Board] {
        if !optics.views.iter().any(|v| v.shows == side) {
            return Err(AlignError::SideUnseen { side: side.word() });
        }
        let sites = part.sites.iter().filter(|s| !s.pieces(side).is_empty()).count();
        if sites < 3 {
            return Err(AlignError::TooFewSites { sites, side: side.word() });
        }
    }
    check_measured(part, optics)?;
    optics.views.iter().enumerate().map(|(view, v)| Sight::new(v, optics.lens).ok_or(AlignError::SingularView { view })).collect()
}

/// Refuses, with words, what the files may say and this version does not measure.
fn check_measured(part: &Part, optics: &Optics) -> Result<(), AlignError> {
    if one_light::is_shared(optics)
        && let Some(site) = part.sites.iter().find(|s| !is_disc(s))
    {
        return Err(AlignError::NotMeasured {
            what: format!("site {} has a shape that is no single disc; with one light for both sides it", site.id),
            mend: "light the two sides in two colours or in two exposures",
        });
    }
    if !one_light::is_measurable(optics) {
        return Err(AlignError::NotMeasured {
            what: "a bench whose part and board share one light in regions that overlap in part".into(),
            mend: "give both views the same region_px, or light the two sides in two colours or in two exposures",
        });
    }
    Ok(())
}

fn is_disc(site: &Site) -> bool {
    [Side::Part, Side::Board].into_iter().all(|side| {
        let pieces = site.pieces(side);
        pieces.len() <= 1 && pieces.iter().all(|p| p.shape.diameter_mm().is_some())
    })
}
