use super::*;
use landfit_vision::picture::Samples;

/// A picture of a plane figure under a map from px to mm, 5 x 5 samples a pixel and a little blur.
fn picture(width: usize, height: usize, dark: impl Fn(f64, f64) -> bool, mm_from_px: impl Fn(f64, f64) -> (f64, f64)) -> Picture {
    let mut values = vec![0u8; width * height];
    for y in 0..height {
        for x in 0..width {
            let mut sum = 0.0;
            for s in 0..49 {
                let (dx, dy) = (f64::from(s % 7) / 7.0 - 3.0 / 7.0, f64::from(s / 7) / 7.0 - 3.0 / 7.0);
                // Half again as wide as a pixel: a lens is no better.
                let (u, v) = mm_from_px(x as f64 + 1.5 * dx, y as f64 + 1.5 * dy);
                sum += f64::from(u8::from(!dark(u, v)));
            }
            values[y * width + x] = (30.0 + 190.0 * sum / 49.0).round() as u8;
        }
    }
    Picture { width_px: width, height_px: height, channels: 1, samples: Samples::U8(values) }
}

/// 20 px per mm, turned by 7 degrees, a little tilted; y up.
fn place(x: f64, y: f64) -> (f64, f64) {
    let (dx, dy) = ((x - 320.0) / 20.0, (240.0 - y) / 20.0);
    let depth = 1.0 + 0.002 * dx - 0.003 * dy;
    let (s, c) = 7f64.to_radians().sin_cos();
    ((c * dx + s * dy) / depth, (-s * dx + c * dy) / depth)
}

fn dot_at(pitch: f64, diameter: f64) -> impl Fn(f64, f64) -> bool {
    move |x, y| {
        let (i, j) = ((x / pitch).round(), (y / pitch).round());
        (x - i * pitch).hypot(y - j * pitch) < diameter / 2.0 && !(i == 2.0 && j == -1.0)
    }
}

/// Largest distance of the marks from where the picture was drawn from, px, up to whole steps of the origin.
fn worst_px(found: &Found, step: f64) -> f64 {
    let off = |s: &Spot| {
        let (x, y) = place(s.seen_px.x, s.seen_px.y);
        let nearest = |v: f64| (v / step - (v / step).round()) * step;
        (nearest(x).hypot(nearest(y))) * 20.0
    };
    found.spots.iter().map(off).fold(0.0, f64::max)
}

#[test]
fn dots_that_fill_the_picture_are_found_with_one_missing_and_placed_on_their_grid() {
    let shown = picture(640, 480, dot_at(1.2, 0.6), place);
    let found = find(&shown, &Target::square(1.2), &Expected::default()).expect("found");
    assert!(found.spots.len() > 400, "{}", found.spots.len());
    assert!((found.disc_mm - 0.6).abs() < 0.05, "{}", found.disc_mm);
    assert!(worst_px(&found, 1.2) < 0.03, "{}", worst_px(&found, 1.2));
    // Places on the target run as the picture does: x to the right, y up, turned by 7 degrees.
    let right: Vec<&Spot> = found.spots.iter().filter(|s| s.at_mm.y.abs() < 1e-9 && s.at_mm.x > 5.0).collect();
    assert!(!right.is_empty() && right.iter().all(|s| s.seen_px.x > 400.0));
}

#[test]
fn staggered_dots_are_told_from_square_ones() {
    let (pitch, row) = (1.6, 0.8);
    let staggered = move |x: f64, y: f64| {
        let j = (y / row).round();
        let shift = if j.rem_euclid(2.0) == 1.0 { pitch / 2.0 } else { 0.0 };
        let i = ((x - shift) / pitch).round();
        (x - shift - i * pitch).hypot(y - j * row) < 0.25
    };
    let shown = picture(640, 480, staggered, place);
    let found = find(&shown, &Target::staggered(pitch, row), &Expected::default()).expect("found");
    assert!(found.spots.len() > 300);
    let told = find(&shown, &Target::staggered(pitch, 1.1), &Expected::default()).expect_err("another lattice").to_string();
    assert!(told.contains("right target file"), "{told}");
}

#[test]
fn corners_of_a_checkerboard_are_found_without_being_told_where() {
    let board = |x: f64, y: f64| {
        let (i, j) = ((x / 1.5).floor(), (y / 1.5).floor());
        (-6.0..6.0).contains(&i) && (-5.0..5.0).contains(&j) && (i + j).rem_euclid(2.0) == 0.0
    };
    let shown = picture(640, 480, board, place);
    let found = find(&shown, &Target::Checkerboard { square_mm: 1.5 }, &Expected::default()).expect("found");
    assert_eq!(found.spots.len(), 11 * 9);
    assert!(worst_px(&found, 1.5) < 0.03, "{}", worst_px(&found, 1.5));
    assert_eq!(found.disc_mm, 0.0);
}

#[test]
fn two_targets_in_view_are_refused() {
    let two = |x: f64, y: f64| {
        let dot = dot_at(1.2, 0.6);
        (x.abs() > 2.5 && x < 12.0 && x > -14.0) && if x > 0.0 { dot(x, y) } else { dot((x + 0.4) * 0.8, (y + 0.3) * 0.8) }
    };
    let shown = picture(640, 480, two, place);
    let told = find(&shown, &Target::square(1.2), &Expected::default()).expect_err("two").to_string();
    assert!(told.contains("two targets"), "{told}");
}

#[test]
fn a_picture_without_a_target_is_said() {
    let empty = picture(320, 240, |_, _| false, place);
    for target in [Target::square(1.0), Target::Checkerboard { square_mm: 1.0 }] {
        assert!(matches!(find(&empty, &target, &Expected::default()), Err(FindError::None(_))));
    }
}

#[test]
fn two_checkerboards_and_two_patterns_in_view_are_refused() {
    let board = |x: f64, y: f64, (columns, rows): (f64, f64)| {
        let (i, j) = ((x / 1.2).floor(), (y / 1.2).floor());
        (0.0..columns).contains(&i) && (0.0..rows).contains(&j) && (i + j).rem_euclid(2.0) == 0.0
    };
    let two =
        |x: f64, y: f64| board(x + 10.0, y + 6.0, (7.0, 9.0)) || board(x * 0.99 - 0.1 * y - 1.5, y * 0.99 + 0.1 * x + 6.0, (6.0, 8.0));
    let told = find(&picture(640, 480, two, place), &Target::Checkerboard { square_mm: 1.2 }, &Expected::default()).expect_err("two");
    assert!(matches!(told, FindError::Two { .. }), "{told}");
    let text = "name = \"p\"\nbody_mm = [9.0, 9.0]\n[grid]\nrows = 6\ncolumns = 7\npitch_mm = [1.2, 1.2]\nterminal = { round_mm = 0.6 }\nland = { round_mm = 0.6 }\nabsent = [\"A1\"]\n";
    let part = landfit_part::file::parse(text, "p.toml").expect("a part");
    let dark = |x: f64, y: f64| part.sites.iter().any(|s| (s.at_mm.x - x).hypot(s.at_mm.y - y) < 0.3);
    let target = Target::Pattern { part: Box::new(part.clone()), side: Side::Board };
    let one = picture(640, 480, |x, y| dark(x + 5.0, y), place);
    assert_eq!(find(&one, &target, &Expected::default()).expect("one").spots.len(), 41);
    let two = picture(640, 480, |x, y| dark(x + 5.0, y) || dark(x - 5.0, y + 0.5), place);
    let told = find(&two, &target, &Expected::default()).expect_err("two");
    assert!(matches!(&told, FindError::Open(text) if text.contains("more than once")), "{told}");
}

#[test]
fn a_target_of_another_pitch_is_told_by_what_is_expected_of_the_scale() {
    let shown = picture(640, 480, dot_at(1.2, 0.6), place);
    let right = find(&shown, &Target::square(1.2), &Expected::default()).expect("found");
    let wrong = find(&shown, &Target::square(1.0), &Expected::default()).expect("looks the same");
    let um = |found: &Found| {
        let (a, b) = (found.spots[0], found.spots[found.spots.len() - 1]);
        1000.0 * a.at_mm.distance(b.at_mm) / a.seen_px.distance(b.seen_px)
    };
    let nominal = Nominal::stated(um(&right) * 1.05);
    assert_eq!(nominal.check(&right), Ok(()));
    let told = nominal.check(&wrong).expect_err("another pitch").to_string();
    assert!(told.contains("were stated: is it the right target file or pitch?"), "{told}");
}

#[test]
fn what_lies_beyond_a_gap_goes_on_or_is_another_target() {
    let mark = |i: i32, k: i32, by: f64| {
        let (x, y) = (f64::from(i) + by, f64::from(k));
        let depth = 1.0 + 0.004 * x - 0.003 * y;
        Mark { cell: [i, k], at: PointPx::new(100.0 + 20.0 * x / depth, 300.0 - 20.0 * y / depth), u_px: 0.05, diameter_px: 0.0 }
    };
    let two = |by: f64| -> Vec<Mark> {
        let beyond = (13..20).flat_map(|i| (0..8).map(move |k| (i, k, by)));
        (0..9).flat_map(|i| (0..8).map(move |k| (i, k, 0.0))).chain(beyond).map(|(i, k, by)| mark(i, k, by)).collect()
    };
    let counts = |marks: &[Mark]| pieces(marks).iter().map(Vec::len).collect::<Vec<_>>();
    assert_eq!(counts(&two(0.0)), [72, 56]);
    assert_eq!(counts(&(0..9).map(|i| mark(3 * i, 0, 0.0)).collect::<Vec<_>>()), [9]);
    for (by, is_one) in [(0.0, true), (0.1, true), (0.5, false), (-0.4, false)] {
        let parts = pieces(&two(by));
        assert_eq!(goes_on(&parts[0], &parts[1]), is_one, "{by}");
    }
}
