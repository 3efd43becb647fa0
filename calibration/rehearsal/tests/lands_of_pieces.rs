//! Lands that are made of several pieces.

#![allow(clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

mod scene;

use scene::answered_um;

#[test]
fn one_piece_of_a_land_is_not_taken_for_the_other() {
    // Features of a left piece on the right piece of the land before it stand half way between true ones: the vote's centre of mass lay between
    // both, and the answer was one piece, 0.76 mm, off with the last column told absent.
    let (corner_um, half_width_um) = answered_um("pieces", 3_435_398_415_346_869_054);
    assert!(corner_um < 2.0 && half_width_um < 4.0, "{corner_um} ± {half_width_um} µm");
}
