//! The default balls and lands against the table's own limits and reductions (its first line names its source), read anew here.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a test fails by panicking")]

use landfit_part::defaults::{for_ball, for_pitch};

const TABLE: &str = include_str!("../vision/part/data/bga_ball_land.csv");

/// The numbers of a row: ball nominal, max, min; reduction in percent; land nominal, max, min; and the pitches.
fn rows() -> Vec<([f64; 7], Vec<f64>)> {
    let number = |text: &str| text.parse::<f64>().unwrap();
    let row = |line: &str| {
        let c: Vec<&str> = line.split(',').collect();
        ([0, 1, 2, 4, 5, 6, 7].map(|k| number(c[k])), c[3].split(';').map(number).collect())
    };
    TABLE.lines().skip(2).map(row).collect()
}

#[test]
fn every_listed_pitch_gets_a_ball_and_the_land_of_one_of_its_rows() {
    for pitch_mm in rows().into_iter().flat_map(|(_, pitches)| pitches) {
        let choice = for_pitch(pitch_mm).unwrap();
        let fits = rows().iter().any(|(n, pitches)| pitches.contains(&pitch_mm) && (n[0], n[4]) == (choice.ball_mm, choice.land_mm));
        assert!(fits, "pitch {pitch_mm}: {choice:?}");
    }
}

#[test]
fn every_land_is_the_ball_less_the_tables_reduction_and_inside_its_limits() {
    assert_eq!(rows().len(), 12);
    for ([ball_mm, ball_max_mm, ball_min_mm, reduction_percent, _, land_max_mm, land_min_mm], _) in rows() {
        let choice = for_ball(ball_mm).unwrap();
        assert!((ball_min_mm..=ball_max_mm).contains(&choice.ball_mm), "{choice:?}");
        assert!((land_min_mm..=land_max_mm).contains(&choice.land_mm), "{choice:?}");
        // The table rounds lands to 0.05 mm.
        let reduced_mm = ball_mm * (1.0 - reduction_percent / 100.0);
        assert!((choice.land_mm - reduced_mm).abs() <= 0.025 + 1e-9, "{choice:?}, reduced {reduced_mm}");
    }
}
