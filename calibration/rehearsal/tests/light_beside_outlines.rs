//! Light beside an outline: what it pulls is taken back, and an outline that nothing shows is not measured.

#![allow(clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

use landfit_rehearsal::kind;
use landfit_scene::{SceneKind, Ugly};
use landfit_vision::align::align;
use landfit_vision::answer::{Outcome, ReasonCode};

#[test]
fn domes_that_fade_before_they_end_are_refused() {
    let look = kind::draw(SceneKind::Ugly(Ugly::TinDomes), 11_813_438_097_732_274_862).expect("a scene").look;
    let answer = align(&look.pictures, &look.part, &look.optics).expect("a measurable bench");
    let Outcome::Refused(refusal) = answer.outcome else { panic!("the rims cannot be seen: {:?}", answer.outcome) };
    assert_eq!(refusal.code, ReasonCode::TooBlurred);
    assert!(refusal.text.contains("fade so softly") && refusal.text.contains("light them from more sides"), "{}", refusal.text);
}

/// Median distance, px, of the lands' places from where they are, along each axis.
fn lands_off_px(kind: SceneKind, seed: u64) -> [f64; 2] {
    let drawn = kind::draw(kind, seed).expect("a scene");
    let answer = align(&drawn.look.pictures, &drawn.look.part, &drawn.look.optics).expect("a measurable bench");
    let truth = &drawn.rendered.truth.lands;
    let off = answer.lands.sites.iter().filter_map(|s| {
        let seen = truth[s.site].seen.iter().find(|seen| seen.view == s.view)?.centre_px;
        s.centre_px.map(|at| [at.x - seen[0], at.y - seen[1]])
    });
    let off: Vec<[f64; 2]> = off.collect();
    [0, 1].map(|axis| {
        let mut along: Vec<f64> = off.iter().map(|o| o[axis]).collect();
        along.sort_by(f64::total_cmp);
        along[along.len() / 2]
    })
}

#[test]
fn openings_that_are_off_their_lands_pull_by_less_than_the_light_outside_tells() {
    let scenes = [
        (SceneKind::ViasAndStains, 3_027_679_781_246_915_249),
        (SceneKind::UnevenRing, 11_236_989_008_702_698_916),
        (SceneKind::OffCentre, 3_878_526_613_435_206_165),
    ];
    let off_px = scenes.map(|(kind, seed)| {
        let [x, y] = lands_off_px(kind, seed);
        x.hypot(y)
    });
    // 0.10, 0.11 and 0.17 where all of the light outside is taken for light.
    assert!(off_px.iter().sum::<f64>() / 3.0 < 0.075, "{off_px:?}");
}
