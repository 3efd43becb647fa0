//! Balls that lie over their lands in the picture, with lights that show some of each other: what that pulls all lands by is stated.

mod scene;

use scene::answered_um;

/// Leaks of 13 and 14 % that no step tells of: 3.6 and 6 µm off, 0.6 and 0.85 stated before.
#[test]
fn what_untold_light_pulls_is_no_more_than_is_stated() {
    for seed in [31_046, 34_059] {
        let (corner_um, half_width_um) = answered_um("over-lands-crosstalk", seed);
        assert!(corner_um > 2.0, "{seed}: mended elsewhere, choose another scene: {corner_um} ± {half_width_um} µm");
        assert!(corner_um < 1.5 * half_width_um, "{seed}: {corner_um} ± {half_width_um} µm");
    }
}
