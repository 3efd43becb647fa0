//! The least error that any method could have.
#![allow(clippy::unwrap_used)]

mod small;

use landfit_part::{Pose, Side};
use landfit_scene::{Noise, Scene, Spoil, bound};
use std::f64::consts::PI;

/// Noise that hardly depends on the light: its standard deviation, of full scale, is 0.01.
const EVEN: Noise = Noise { full_well_e: 1e6, read_noise_e: 1e4 };

fn even_scene(sigma_px: f64) -> Scene {
    let mut scene = small::scene([240, 240], small::grid(3, 3, 0.9, 0.5, 0.4));
    for (view, tint) in scene.optics.views.iter_mut().zip([[1.0, 0.0, 0.0], [0.0, 0.0, 1.0]]) {
        view.tint = tint;
    }
    scene.lights.iter_mut().for_each(|l| l.blur.sigma_px = [sigma_px; 2]);
    scene.sensor.noise = Some(EVEN);
    scene
}

/// A disc of radius R and contrast A, its edge blurred to a Gaussian of σ, in white noise of variance s² a pixel: the squared slope of
/// the edge, integrated across it, is A²/(2√π σ), and along it cos² leaves πR; so the information on its place along one axis is
/// A² √π R / (2 σ s²). Brightness, background and size change the light evenly all round and take nothing away of it. A pixel's own
/// square adds 1/12 to σ².
fn closed_form_px(radius_px: f64, contrast: f64, sigma_px: f64, variance: f64) -> f64 {
    contrast.powi(2) * PI.sqrt() * radius_px / (2.0 * (sigma_px.powi(2) + 1.0 / 12.0).sqrt() * variance)
}

#[test]
fn discs_in_even_noise_are_known_as_the_closed_form_says() {
    for sigma_px in [1.0, 1.5] {
        let scene = even_scene(sigma_px);
        let found = bound(&scene).unwrap().unwrap();
        let variance = |light: f64| (light * 1e6 + 1e8) / 1e12 + (1.0_f64 / 255.0).powi(2) / 12.0;
        // 80 px per mm; nine discs a side.
        let part = 9.0 * closed_form_px(0.25 * 80.0, 0.4, sigma_px, variance(0.3)) * 80.0 * 80.0;
        let board = 9.0 * closed_form_px(0.20 * 80.0, 0.33, sigma_px, variance(0.3)) * 80.0 * 80.0;
        let expected_mm = (1.0 / part + 1.0 / board).sqrt();
        for axis in 0..2 {
            let sd_mm = found.offset_covariance[axis][axis].sqrt();
            assert!((sd_mm / expected_mm - 1.0).abs() < 0.03, "sigma {sigma_px}: {sd_mm} mm for {expected_mm}");
        }
        // Of nine discs, six stand 0.9 mm from the middle's axis each way: the turn's information is that of place times 12 x 0.9².
        let turn = |of_place: f64| of_place / 9.0 * 12.0 * 0.9 * 0.9;
        let expected_rad = (1.0 / turn(part) + 1.0 / turn(board)).sqrt();
        assert!((found.theta_rad() / expected_rad - 1.0).abs() < 0.03, "{} rad for {expected_rad}", found.theta_rad());
    }
}

#[test]
fn the_other_sides_unknown_light_costs_what_the_tints_share() {
    let apart = bound(&even_scene(1.0)).unwrap().unwrap();
    let mut scene = even_scene(1.0);
    // In equal noise the way that is left of a tint beside another is its sine.
    (scene.optics.views[0].tint, scene.optics.views[1].tint) = ([0.8, 0.0, 0.6], [0.0, 0.0, 1.0]);
    let leaking = bound(&scene).unwrap().unwrap();
    let part_and_board = |b: &landfit_scene::Bound| b.offset_covariance[0][0];
    // Both lose: 0.8² of the information is left of each.
    let ratio = part_and_board(&leaking) / part_and_board(&apart);
    assert!((ratio * 0.64 - 1.0).abs() < 0.03, "{ratio}");
}

#[test]
fn one_light_holds_less_the_nearer_the_two_sides_lie_together() {
    let seen_apart = |mm: f64| {
        let mut scene = even_scene(1.0);
        scene.optics.views.iter_mut().for_each(|v| v.tint = [0.5; 3]);
        scene.bench_from_part = Pose::new(mm, 0.0, 0.0);
        bound(&scene).unwrap().unwrap().centre_mm()
    };
    let (far, near) = (seen_apart(0.45), seen_apart(0.02));
    assert!(near > far && near.is_finite(), "{near} for {far}");
}

#[test]
fn pixels_that_are_not_raw_and_light_without_noise_have_no_bound() {
    let mut scene = even_scene(1.0);
    scene.sensor.spoils = vec![Spoil::Median];
    assert_eq!(bound(&scene).unwrap(), None);
    scene.sensor.spoils = vec![];
    scene.sensor.noise = None;
    assert_eq!(bound(&scene).unwrap(), None);
    assert_eq!(scene.pattern(Side::Part).sites.len(), 9);
}
