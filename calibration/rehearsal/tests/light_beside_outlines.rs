//! Light beside an outline: what it pulls is taken back, and an outline that nothing shows is not measured.

#![allow(clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

mod scene;

use landfit_rehearsal::kind;
use landfit_rehearsal::study::Look;
use landfit_scene::{SceneKind, Ugly};
use landfit_vision::align::align;
use landfit_vision::answer::{Outcome, ReasonCode};
use scene::{answered_um, assert_answered_within, refusal};

/// How far the offset of an answered scene is off, µm.
fn off_um(kind: SceneKind, seed: u64) -> f64 {
    look_off_um(&kind::draw(kind, seed).expect("a scene").look)
}

/// The same of a look.
fn look_off_um(look: &Look) -> f64 {
    match align(&look.pictures, &look.part, &look.optics).expect("a measurable bench").outcome {
        Outcome::Fit(fit) => 1000.0 * fit.offset.shift().distance(look.offset().shift()),
        outcome => panic!("the picture settles it: {outcome:?}"),
    }
}

#[test]
fn domes_that_fade_before_they_end_are_told_from_the_openings_about_them() {
    // A quarter of the radius, 50 µm, where the two are taken for one soft edge.
    assert!(off_um(SceneKind::Ugly(Ugly::TinDomes), 11_813_438_097_732_274_862) < 5.0);
}

#[test]
fn soft_edges_that_two_ways_of_measuring_place_elsewhere_are_unsure() {
    // 21 µm, with 1.9 stated, where light that slopes outside is taken for the lands' place; 11 by the other way.
    let (corner_um, half_width_um) = answered_um("highlights-off", 41_007);
    assert!(corner_um < half_width_um, "{corner_um} ± {half_width_um} µm");
    // 32 µm, with 13 stated.
    assert!(refusal(SceneKind::Ugly(Ugly::TinDomes), 136_907_452_100_278_506).text.contains("terminal H1 lies to ±"));
}

#[test]
fn a_film_on_domes_that_fade_at_their_rims_leaves_their_place_in_doubt() {
    // 10 µm off with 2.1 stated where the highlights, moved by the film, move the rims.
    let (corner_um, half_width_um) = answered_um("wet-flux", 720_911_609_546_182_257);
    assert!(corner_um < 1.5 * half_width_um && half_width_um < 12.0, "{corner_um} ± {half_width_um} µm");
}

#[test]
fn an_opening_off_its_land_does_not_move_it() {
    // 13.4 where its rim counts as the land's.
    assert!(off_um(SceneKind::Ugly(Ugly::UnevenRing), 1_651_098_526_989_452_129) < 2.0);
}

#[test]
fn the_rim_of_an_opening_is_not_one_of_the_edges_of_its_land() {
    // Square domes within wider openings: 42 where one rim of each opening passes for the land's edge and the land seems larger.
    let staggered = kind::named("staggered").expect("a kind");
    assert!(off_um(staggered, 17_850_328_339_884_340_939) < 3.0);
}

#[test]
fn balls_over_the_edges_of_lands_do_not_move_them_in_a_picture_of_half_resolution_colour() {
    // 2.4, and 0.03 degrees turned, where what is left of the balls' sharp edges passes for the lands' light.
    assert!(off_um(SceneKind::Ugly(Ugly::Chroma422), 17_756_977_127_131_979_216) < 1.0);
}

#[test]
fn rows_in_shadow_are_rows() {
    // Three pitches, 2.4 mm, where lands in shadow pass for none: the six rows in the light are seated over the picture's lower edge.
    assert!(off_um(SceneKind::Ugly(Ugly::Shadow), 16_776_557_328_899_104_114) < 1.0);
}

/// Pasted boards are refused, for a reason that holds these words.
fn assert_paste_refused(words: &str, seeds: &[u64]) {
    for seed in seeds {
        let refusal = refusal(SceneKind::Ugly(Ugly::Paste), *seed);
        assert_eq!(refusal.code, ReasonCode::AmbiguousShift);
        assert!(refusal.text.contains(words), "{}", refusal.text);
    }
}

#[test]
fn paste_is_not_taken_for_the_lands_under_it() {
    // Their own rims show as crescents only; answers about the paste were 31 to 66 µm off.
    let seeds = [16_086_806_571_407_691_697, 215_102_494_950_968_297, 11_762_301_360_247_680_463];
    assert_paste_refused("its edge is all that can be measured", &seeds);
    // Discs of 0.82 and 0.77 of the land's size, 36 and 32 off.
    assert_paste_refused("its edge is all that can be measured", &[59_058, 4_927_305_777_176_432_351]);
}

#[test]
fn where_paste_leaves_one_side_bare_that_side_tells_where_the_land_is() {
    // Where all that paste pulls is the usual share of the radius, 19 and 15 for the first two, and all are refused as too much in doubt.
    for (seed, most_um) in [(4, 3.0), (103, 5.0), (14, 2.0), (25, 2.0), (61, 5.0), (94, 2.0)] {
        let off_um = off_um(SceneKind::Ugly(Ugly::Paste), seed);
        assert!(off_um < most_um, "{seed}: {off_um}");
    }
}

#[test]
fn paste_that_may_be_the_land_as_well_is_refused() {
    // Discs as bright as their lands, of which either may be the land; a crescent beside paste as dark as the ground: 23 to 32 off.
    let seeds = [9_312_401_283_962_730_586, 17_628_796_249_593_350_595, 11_460_958_642_485_910_925];
    assert_paste_refused("hides where their rims are", &seeds);
    // Light that slopes steeply over what lies there, 22 off with 13 stated.
    assert_paste_refused("hides where their rims are", &[11_785_731_093_343_453_236]);
}

#[test]
fn a_circle_larger_than_the_land_is_not_its_bare_rim() {
    // 14, 11 and 12 % larger: 30, 27 and 32 off with 9, 14 and 12 stated.
    assert_paste_refused("hides where their rims are", &[7_453_683_886_159_892_190, 8_111_493_485_680_627_388, 51_077]);
}

#[test]
fn a_circle_that_lies_away_from_the_bare_side_is_not_its_rim() {
    // 22 off with 11 stated, and 38 with 14 where paste is as dark as the ground.
    assert_paste_refused("hides where their rims are", &[64_389, 17_393_960_006_296_504_612]);
}

#[test]
fn rims_of_lands_and_openings_that_melt_into_one_edge_are_refused() {
    // 13 off with 3 stated: light that seems to slope across an edge twice as wide as the terminals'.
    let refusal = refusal(SceneKind::OffCentre, 59_014);
    assert_eq!(refusal.code, ReasonCode::AmbiguousShift);
    assert!(refusal.text.contains("pass for one"), "{}", refusal.text);
}

#[test]
fn bare_lands_whose_light_leans_at_the_rim_are_not_pulled_back_from_paste() {
    // 8 and 6 where the lean is taken for a crescent.
    for seed in [36, 20] {
        let off_um = off_um(SceneKind::Ugly(Ugly::GammaUntold), seed);
        assert!(off_um < 1.5, "{seed}: {off_um}");
    }
}

#[test]
fn a_glare_band_shows_no_leak_that_is_not_there() {
    // 14, and 25 at the farthest corner, where a fifth of the steps shares a ratio by chance.
    assert!(off_um(SceneKind::Ugly(Ugly::Glare), 11_897_032_452_982_401_141) < 4.0);
}

#[test]
fn highlights_off_the_middle_are_not_taken_for_place() {
    // A pixel's noise in the middle of domes passed for the inner edge of a ring, and glints for the dark middles of rings: 4.8 with 0.8 stated.
    assert!(off_um(SceneKind::Ugly(Ugly::HighlightsOff), 13_927_691_920_785_664_053) < 1.5);
}

#[test]
fn a_slope_inside_is_not_taken_for_place_across_a_wide_edge() {
    // Blurred by 4.8 px and lit from one side, beside the cut-off flank of a neighbour that passed for a sharp edge: 12 with 5 stated.
    assert!(off_um(SceneKind::Ugly(Ugly::UnequalFocus), 20_231) < 5.0);
}

#[test]
fn light_is_not_taken_for_place_where_blur_is_nearly_as_wide_as_lands() {
    // 19 where it is.
    assert!(off_um(SceneKind::Ugly(Ugly::UnequalFocus), 98_215_095_171_774_358) < 2.0);
}

#[test]
fn small_balls_that_shine_on_one_side_only_are_refused() {
    let refusal = refusal(SceneKind::Ugly(Ugly::SmallBalls), 15_763_448_776_490_654_319);
    assert_eq!(refusal.code, ReasonCode::TooBlurred);
    assert!(refusal.text.contains("shine on one side only"), "{}", refusal.text);
}

#[test]
fn small_balls_half_over_their_lands_leak_no_light() {
    // 32 where they are taken for light that leaks. Placed to 16 µm, they are answered where the part file allows for it.
    let mut look = kind::draw(SceneKind::Ugly(Ugly::SmallBalls), 10_292_147_827_745_138_376).expect("a scene").look;
    look.part.accept_miss_mm = Some(look.part.allowance().miss_mm);
    let off_um = look_off_um(&look);
    assert!(off_um < 6.0, "{off_um}");
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

#[test]
fn sharp_rims_of_openings_that_are_off_their_lands_are_not_the_lands() {
    // Rims 1.25 times as wide as the lands within them, whose domes lie off to one side: 27 µm off, 2.4 stated.
    let refusal = refusal(SceneKind::Defects, 17_352_155_448_648_257_225);
    assert!(refusal.text.contains("pass for one: their places cannot be told"), "{}", refusal.text);
}

#[test]
fn domes_that_lie_off_in_their_openings_are_refused() {
    // Rims 1.2 times as wide as the domes within them, which lie 3 px off: 27 µm off, 8.6 stated.
    let refusal = refusal(SceneKind::UnevenRing, 22_045);
    assert!(refusal.text.contains("pass for one: their places cannot be told"), "{}", refusal.text);
}

#[test]
fn noise_in_the_middle_of_soft_lands_is_no_ring() {
    // Taken for rings by their middles' few pixels, of which neither necks nor openings are looked for, they were 3.5 µm off with 0.7 stated.
    assert_answered_within("shadow", 6_605_436_782_061_013_482, 3.0);
}
