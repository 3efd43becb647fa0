//! Vias beside every land, in the same rows half a pitch on: they are not taken for the lands, and their traces do not pull these.

#![allow(clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

mod scene;

use landfit_part::Side;
use landfit_rehearsal::picture::{exposures, filed_optics};
use landfit_scene::{Arrangement, Clutter, Drawn, SceneKind, Ugly};
use landfit_vision::align::align;
use landfit_vision::answer::{Outcome, ReasonCode, Refusal};
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

/// Why a scene is refused.
fn refusal_of(drawn: &Drawn) -> Refusal {
    let pictures = exposures(&landfit_scene::render(&drawn.scene).expect("pictures"));
    match align(&pictures, &drawn.part, &filed_optics(&drawn.stated)).expect("a measurable bench").outcome {
        Outcome::Refused(refusal) => refusal,
        outcome => panic!("nothing tells the vias from what is meant: {outcome:?}"),
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
    let refusal = refusal_of(&drawn);
    assert_eq!(refusal.code, ReasonCode::AmbiguousShift);
    assert!(refusal.text.starts_with("Beside the lands others stand in the same rows (vias?)"), "{}", refusal.text);
}

#[test]
fn in_one_light_nothing_tells_which_two_of_balls_lands_and_vias_are_meant() {
    for seed in [301, 310] {
        let mut drawn = landfit_scene::draw(SceneKind::Arranged(Arrangement::OneLight), seed).expect("a scene");
        let pitch_mm = drawn.part.pitch_mm(Side::Part).expect("a pitch");
        let (pad, hole) = (drawn.scene.board_look.lands.as_ref().expect("lands").face, 0.7 * drawn.scene.board_look.mask.brightness);
        let via = |at_mm| Clutter::Via { at_mm, pad_mm: 0.45 * pitch_mm, hole_mm: 0.2 * pitch_mm, pad, hole };
        let beside = drawn.part.sites.iter().map(|s| via([s.at_mm.x + 0.5 * pitch_mm, s.at_mm.y + 0.5 * pitch_mm]));
        drawn.scene.clutter.extend(beside);
        let text = refusal_of(&drawn).text;
        assert!(text.contains("others stand in the same rows (vias?)"), "{seed}: {text}");
    }
}
