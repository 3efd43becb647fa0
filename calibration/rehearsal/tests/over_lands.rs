//! Balls that lie over their lands in the picture, with lights that show some of each other: what that pulls all lands by is stated.

#![allow(clippy::panic, clippy::expect_used, reason = "a test fails by panicking")]

use landfit_rehearsal::study::{Finding, compare};
use landfit_rehearsal::{kind, scenario};

/// Leaks of 13 and 14 % that no step tells of: 3.6 and 6 µm off, 0.6 and 0.85 stated before.
#[test]
fn what_untold_light_pulls_is_no_more_than_is_stated() {
    let bench = scenario::default_bench().expect("the embedded bench");
    for seed in [31_046, 34_059] {
        let look = kind::draw(kind::named("over-lands-crosstalk").expect("a kind"), seed).expect("a scene").look;
        let answer = landfit_vision::align(&look.pictures, &look.part, &look.optics).expect("a measurable bench");
        let Finding::Answered(errors) = compare(&look, &answer, &bench, seed) else { panic!("{seed}: {:?}", answer.outcome) };
        assert!(errors.corner_um > 2.0, "{seed}: mended elsewhere, choose another scene: {errors:?}");
        assert!(errors.corner_um < 1.5 * errors.half_width_um, "{seed}: {errors:?}");
    }
}
