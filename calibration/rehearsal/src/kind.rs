//! Looks drawn from the renderer's kinds of scenes.

use crate::picture::{exposures, filed_optics};
use crate::presence::Lacking;
use crate::scenario;
use crate::study::{Expected, Least, Look};
use landfit_calibration::bench::{Bench, CalibrationState};
use landfit_part::{FileError, Pose};
use landfit_scene::{Arrangement, Code, Expectation, Rendered, SceneError, SceneKind, SiteTruth, TerminalKind, Ugly};
use landfit_vision::ScaleSource;
use landfit_vision::answer::ReasonCode;

/// A look of a kind, with the rendering that it came from.
#[derive(Debug, Clone)]
pub struct Drawn {
    /// What is measured, and the truth.
    pub look: Look,
    /// The pictures with the whole truth.
    pub rendered: Rendered,
}

/// Draws and renders a look of a kind. Same kind and seed, same look.
///
/// # Errors
/// See [`SceneError`].
pub fn draw(kind: SceneKind, seed: u64) -> Result<Drawn, SceneError> {
    let drawn = landfit_scene::draw(kind, seed)?;
    let rendered = landfit_scene::render(&drawn.scene)?;
    let mut optics = filed_optics(&drawn.stated);
    if let Some(may_differ) = drawn.scale_from_pattern {
        optics.scale = ScaleSource::Pattern { may_differ };
    }
    let missing = |sites: &[SiteTruth]| sites.iter().filter(|s| !s.present).filter_map(|s| drawn.part.site_index(&s.site)).collect();
    let lacking = Lacking { terminals: missing(&rendered.truth.terminals), lands: missing(&rendered.truth.lands) };
    let codes = |codes: Vec<Code>| codes.into_iter().map(reason).collect();
    let look = Look {
        part: drawn.part,
        optics,
        pictures: exposures(&rendered),
        bench_from_part: drawn.scene.bench_from_part,
        bench_from_board: drawn.scene.bench_from_board,
        lacking,
        expected: match drawn.expectation {
            Expectation::Answer => Expected::Answer,
            Expectation::Refuse(codes_of_kind) => Expected::Refusal(codes(codes_of_kind)),
            Expectation::Either(codes_of_kind) => Expected::Either(codes(codes_of_kind)),
        },
        least: None,
    };
    Ok(Drawn { look, rendered })
}

/// The look of a kind together with the least error that any method could have on it, where that can be told. Takes some twenty
/// renderings.
///
/// # Errors
/// See [`SceneError`].
pub fn look_with_bound(kind: SceneKind, seed: u64) -> Result<Look, SceneError> {
    let least = landfit_scene::bound(&landfit_scene::draw(kind, seed)?.scene)?
        .map(|bound| Least { centre_um: 1000.0 * bound.centre_mm(), theta_rad: bound.theta_rad() });
    Ok(Look { least, ..draw(kind, seed)?.look })
}

/// The bench that a drawn look would be measured on: its optics, and the default bench's adjusters.
///
/// # Errors
/// Only if the embedded bench is broken.
pub fn bench_of(kind: SceneKind, seed: u64, look: &Look) -> Result<Bench, FileError> {
    Ok(Bench {
        name: format!("Rendered bench: {}, seed {seed}", kind.word()),
        optics: look.optics.clone(),
        adjusters: scenario::default_bench()?.adjusters,
        aim: Pose::IDENTITY,
        calibration: CalibrationState::Calibrated,
    })
}

/// Every kind, the ugly ones last.
pub fn all() -> impl Iterator<Item = SceneKind> {
    SceneKind::ALL.into_iter().chain(ugly())
}

/// Good light, each spoilt by one thing.
pub fn ugly() -> impl Iterator<Item = SceneKind> {
    Ugly::ALL.into_iter().map(SceneKind::Ugly)
}

/// The kind called `word`, as [`SceneKind::word`] has it.
#[must_use]
pub fn named(word: &str) -> Option<SceneKind> {
    all().find(|k| k.word() == word)
}

/// The least share of a kind's looks where an answer is due that should be answered, rightly and usefully.
#[must_use]
pub const fn least_settled(kind: SceneKind) -> f64 {
    match kind {
        // Much of the picture is hidden, or both sides share their light, or three outlines are all there is.
        SceneKind::Ugly(Ugly::ThirdMissing | Ugly::Shadow | Ugly::Glare | Ugly::WetFlux | Ugly::FootprintBeside)
        | SceneKind::Arranged(Arrangement::OneLight)
        | SceneKind::Terminals(TerminalKind::Three) => 0.9,
        _ => 0.95,
    }
}

const fn reason(code: Code) -> ReasonCode {
    match code {
        Code::TooDark => ReasonCode::TooDark,
        Code::TooBlurred => ReasonCode::TooBlurred,
        Code::NoPart => ReasonCode::NoPart,
        Code::NoLands => ReasonCode::NoLands,
        Code::OutOfView => ReasonCode::OutOfView,
        Code::Turned => ReasonCode::Turned,
        Code::WrongPattern => ReasonCode::WrongPattern,
        Code::AmbiguousShift => ReasonCode::AmbiguousShift,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use landfit_part::Side;
    use landfit_scene::DefectKind;
    use landfit_vision::answer::{SiteFinding, SiteState, SuspectKind};
    use std::collections::BTreeSet;

    #[test]
    fn codes_keep_their_words_on_the_way_to_the_finder() {
        for code in [Code::TooDark, Code::TooBlurred, Code::NoPart, Code::NoLands, Code::OutOfView, Code::Turned, Code::WrongPattern] {
            assert_eq!(code.word(), reason(code).word());
        }
    }

    #[test]
    fn kinds_are_found_by_their_words() {
        assert!(all().all(|k| named(k.word()) == Some(k)));
        assert_eq!(named("no such kind"), None);
    }

    #[test]
    fn a_saved_bench_reads_back_as_it_was() {
        let drawn = draw(SceneKind::GoodLight, 5).unwrap();
        let bench = bench_of(SceneKind::GoodLight, 5, &drawn.look).unwrap();
        let text = landfit_calibration::bench_file::to_toml(&bench);
        assert_eq!(landfit_calibration::bench_file::parse(&text, "bench.toml").unwrap(), bench);
        let part_text = landfit_part::file::to_toml(&drawn.look.part);
        let part = landfit_part::file::parse(&part_text, "part.toml").unwrap();
        assert_eq!(part.sites.len(), drawn.look.part.sites.len());
    }

    #[test]
    fn lands_that_metal_joins_are_named_and_no_others() {
        let (mut joined, mut told) = (0, 0);
        for kind in [SceneKind::Defects, named("lead-defects").unwrap()] {
            for seed in 0..8 {
                let look = draw(kind, seed).unwrap().look;
                let bridges: BTreeSet<String> = landfit_scene::draw(kind, seed)
                    .unwrap()
                    .scene
                    .defects
                    .iter()
                    .filter(|d| d.side == Side::Board)
                    .filter_map(|d| match &d.kind {
                        DefectKind::Bridged { to, .. } => Some([d.site.clone(), to.clone()]),
                        _ => None,
                    })
                    .flatten()
                    .collect();
                let seen = landfit_vision::align(&look.pictures, &look.part, &look.optics).unwrap();
                let is_bridged = |f: &&SiteFinding| f.state == SiteState::Suspect(SuspectKind::Bridge);
                let found: BTreeSet<String> =
                    seen.lands.sites.iter().filter(is_bridged).map(|f| look.part.sites[f.site].id.clone()).collect();
                assert!(found.is_subset(&bridges), "{kind:?} {seed}: {found:?}, joined are {bridges:?}");
                joined += bridges.len();
                told += found.len();
            }
        }
        assert!(joined >= 8 && told == joined, "{told} of {joined} joined lands were named");
    }
}
