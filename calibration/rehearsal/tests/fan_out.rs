//! Vias beside every land, in the same rows half a pitch on: they are not taken for the lands, and their traces do not pull these.

#![allow(clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

mod scene;

use landfit_rehearsal::picture::{exposures, filed_optics};
use landfit_scene::{Clutter, SceneKind, Ugly};
use landfit_vision::align::align;
use landfit_vision::answer::{Outcome, ReasonCode};
use scene::assert_answered_within;

#[test]
fn drilled_vias_beside_all_lands_are_not_taken_for_them() {
    // Stronger than the lands, and all there: 460 to 707 µm off with 4 to 8 stated.
    for seed in [45, 63, 75, 91, 94, 117] {
        assert_answered_within("fan-out", seed, 1.0);
    }
}

#[test]
fn traces_from_all_lands_pull_none_of_them() {
    // Two to five µm off with 0.5 to 1.3 stated, where each side of the pattern has its own way to the vias.
    for seed in [31, 52, 56, 82, 102] {
        assert_answered_within("fan-out", seed, 1.5);
    }
}

#[test]
fn vias_that_look_as_their_lands_do_are_said_to_leave_it_open() {
    let mut drawn = landfit_scene::draw(SceneKind::Ugly(Ugly::FanOut), 91).expect("a scene");
    let lands = drawn.scene.board_look.lands.as_ref().expect("lands");
    let (face, diameter_mm) = (lands.face, drawn.part.sites[0].land[0].shape.narrow_mm());
    for clutter in &mut drawn.scene.clutter {
        if let Clutter::Via { pad_mm, hole_mm, pad, hole, .. } = clutter {
            (*pad_mm, *hole_mm, *pad, *hole) = (diameter_mm, 0.5 * diameter_mm, face, face);
        }
    }
    let pictures = exposures(&landfit_scene::render(&drawn.scene).expect("pictures"));
    match align(&pictures, &drawn.part, &filed_optics(&drawn.stated)).expect("a measurable bench").outcome {
        Outcome::Refused(refusal) => {
            assert_eq!(refusal.code, ReasonCode::AmbiguousShift);
            assert!(refusal.text.starts_with("Beside the lands others stand in the same rows (vias?)"), "{}", refusal.text);
        }
        outcome => panic!("nothing tells filled vias from lands: {outcome:?}"),
    }
}
