//! The same footprint again beside the one that is meant.

#![allow(clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

mod scene;

use scene::answered_um;

#[test]
fn the_footprint_under_the_balls_is_found_though_the_one_beside_it_votes_more_loudly() {
    // Balls cover half of each land. Five columns on, the pattern's two holes fall on each other, and the copy's columns lie a sixth of a pitch
    // off the lattice: the vote saw that seat and those beside it alone, and the answer was 2.5 mm off.
    let (corner_um, half_width_um) = answered_um("footprint-beside", 15_370_125_953_002_041_709);
    assert!(corner_um < 2.0 && half_width_um < 2.0, "{corner_um} ± {half_width_um} µm");
}
