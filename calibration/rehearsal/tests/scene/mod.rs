//! What comes of one scene of the study.

#![allow(clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]
#![allow(dead_code, reason = "each test file asks for what it needs")]

use landfit_rehearsal::study::{Finding, compare};
use landfit_rehearsal::{kind, scenario};
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

/// Corner's error and half-width, µm.
pub fn answered_um(kind_name: &str, seed: u64) -> (f64, f64) {
    let look = kind::draw(kind::named(kind_name).expect("a kind"), seed).expect("a scene").look;
    let answer = align(&look.pictures, &look.part, &look.optics).expect("a measurable bench");
    match compare(&look, &answer, &scenario::default_bench().expect("a bench"), seed) {
        Finding::Answered(e) => (e.corner_um, e.half_width_um),
        finding => panic!("{kind_name} {seed} is to be answered: {finding:?}"),
    }
}

/// Checks that a scene is answered within its half-width, and that within so many µm.
pub fn assert_answered_within(kind_name: &str, seed: u64, most_half_width_um: f64) {
    let (corner_um, half_width_um) = answered_um(kind_name, seed);
    assert!(corner_um < half_width_um && half_width_um < most_half_width_um, "{kind_name} {seed}: {corner_um} ± {half_width_um} µm");
}
