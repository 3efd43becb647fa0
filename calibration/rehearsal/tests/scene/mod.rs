//! What comes of one scene of the study.

#![allow(clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

use landfit_rehearsal::kind;
use landfit_scene::SceneKind;
use landfit_vision::align::align;
use landfit_vision::answer::{Outcome, Refusal};

/// Why a scene is refused.
pub fn refusal(kind: SceneKind, seed: u64) -> Refusal {
    let look = kind::draw(kind, seed).expect("a scene").look;
    match align(&look.pictures, &look.part, &look.optics).expect("a measurable bench").outcome {
        Outcome::Refused(refusal) => refusal,
        outcome => panic!("the picture does not settle it: {outcome:?}"),
    }
}
