//! Large parts that are seen by their corners.

#![allow(clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

mod scene;

use scene::answered_um;

#[test]
fn corners_are_found_among_seven_times_as_much_clutter() {
    // 35 to 47 of 300 features in faint light are lands of 1,150: the clutter's votes hid theirs ("no lands are seen").
    for seed in [2_047_518_522_497_276_588, 350_834_552_339_419_306, 7_650_190_218_678_623_699] {
        let (corner_um, half_width_um) = answered_um("corner-regions", seed);
        assert!(corner_um < half_width_um && half_width_um < 2.0, "{seed}: {corner_um} ± {half_width_um} µm");
    }
}
