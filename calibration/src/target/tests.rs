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
