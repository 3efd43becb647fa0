//! Every arrangement is what it says.
#![allow(clippy::unwrap_used)]

use landfit_part::{PointMm, Pose, Side};
use landfit_scene::{Arrangement, Drawn, SceneKind, View, draw, render_light};

fn drawn(arrangement: Arrangement, seed: u64) -> Drawn {
    draw(SceneKind::Arranged(arrangement), seed).unwrap()
}

fn project(view: &View, p: PointMm) -> [f64; 2] {
    let row = |r: usize| view.px_from_mm[r][0] * p.x + view.px_from_mm[r][1] * p.y + view.px_from_mm[r][2];
    [row(0) / row(2), row(1) / row(2)]
}

/// How far apart the two patterns' origins are seen, mm.
fn seen_apart_mm(drawn: &Drawn) -> f64 {
    let views = &drawn.scene.optics.views;
    let at = |side: usize, pose: &Pose| project(&views[side], pose.shift());
    let (part, board) = (at(0, &drawn.scene.bench_from_part), at(1, &drawn.scene.bench_from_board));
    let px_per_mm = views[1].px_from_mm[0][0].hypot(views[1].px_from_mm[1][0]);
    (part[0] - board[0]).hypot(part[1] - board[1]) / px_per_mm
}

#[test]
fn every_side_has_its_exposure_where_each_is_lit_in_turn() {
    for seed in 0..10 {
        for (arrangement, channels) in [(Arrangement::TwoExposures, 1), (Arrangement::TwoColourExposures, 3)] {
            let drawn = drawn(arrangement, seed);
            let mut exposures: Vec<usize> = drawn.scene.optics.views.iter().map(|v| v.exposure).collect();
            exposures.sort_unstable();
            assert_eq!((exposures, drawn.scene.optics.frame.channels), (vec![0, 1], channels));
        }
    }
}

#[test]
fn one_light_shows_the_sides_at_least_20_um_apart_and_at_rest_less() {
    for seed in 0..40 {
        let apart = drawn(Arrangement::OneLight, seed);
        let [part, board] = [0, 1].map(|v| apart.stated.views[v].clone());
        assert_eq!((part.exposure, part.tint, part.region_px), (board.exposure, board.tint, board.region_px));
        let pitch_mm = apart.part.pitch_mm(Side::Part).unwrap();
        assert!((0.0195..=0.51 * pitch_mm).contains(&seen_apart_mm(&apart)), "{}", seen_apart_mm(&apart));
        assert!(seen_apart_mm(&drawn(Arrangement::OneLightAtRest, seed)) < 0.0205);
    }
}

#[test]
fn every_corner_region_shows_some_of_a_part_of_1156_places_and_the_truth_counts_them() {
    for seed in 0..2 {
        let drawn = drawn(Arrangement::CornerRegions, seed);
        assert_eq!(drawn.scene.optics.views.len(), 8);
        assert!(drawn.part.sites.len() > 500);
        let (_, truth) = render_light(&drawn.scene).unwrap();
        for (side, counted) in [(Side::Part, truth.terminals_in_view), (Side::Board, truth.lands_in_view)] {
            let seen_in = |view: usize| truth.side(side).iter().filter(|s| s.seen.iter().any(|v| v.view == view && v.in_view)).count();
            let views: Vec<usize> = (0..8).filter(|v| drawn.scene.optics.views[*v].shows == side).map(seen_in).collect();
            assert!(views.iter().all(|n| (6..60).contains(n)), "{views:?}");
            assert_eq!(views.iter().sum::<usize>(), counted);
        }
    }
}

#[test]
fn a_shifted_region_is_stated_50_um_or_more_off_and_the_others_truly() {
    for seed in 0..10 {
        let drawn = drawn(Arrangement::ShiftedRegion, seed);
        let off_mm: Vec<f64> = drawn
            .stated
            .views
            .iter()
            .zip(&drawn.scene.optics.views)
            .map(|(stated, real)| {
                let (s, r) = (project(stated, PointMm::ZERO), project(real, PointMm::ZERO));
                (s[0] - r[0]).hypot(s[1] - r[1]) / real.px_from_mm[0][0].hypot(real.px_from_mm[1][0])
            })
            .collect();
        let (wrong, right): (Vec<f64>, Vec<f64>) = off_mm.into_iter().partition(|off| *off > 1e-9);
        assert!(wrong.len() == 2 && right.len() == 6 && wrong.iter().all(|off| (0.0495..0.081).contains(off)), "{wrong:?}");
    }
}

#[test]
fn a_zoom_scales_both_sides_nearly_alike_about_the_middle_of_the_picture() {
    let mut farthest = 0.0_f64;
    for seed in 0..30 {
        let drawn = drawn(Arrangement::PatternScale, seed);
        assert!(drawn.scale_from_pattern.is_some());
        let scales: Vec<f64> = drawn
            .stated
            .views
            .iter()
            .zip(&drawn.scene.optics.views)
            .map(|(stated, real)| {
                let scale = real.px_from_mm[0][0].hypot(real.px_from_mm[1][0]) / stated.px_from_mm[0][0].hypot(stated.px_from_mm[1][0]);
                let (s, r) = (project(stated, PointMm::new(1.0, 2.0)), project(real, PointMm::new(1.0, 2.0)));
                for (axis, middle) in [639.5, 479.5].into_iter().enumerate() {
                    assert!((r[axis] - middle - scale * (s[axis] - middle)).abs() < 1e-6);
                }
                scale
            })
            .collect();
        assert!((scales[0] / scales[1] - 1.0).abs() < 0.02 && (0.68..1.33).contains(&scales[1]), "{scales:?}");
        farthest = farthest.max((scales[0] - 1.0).abs());
    }
    assert!(farthest > 0.2, "{farthest}");
}

#[test]
fn tilts_and_lenses_differ_and_stay_within_their_ranges() {
    for seed in 0..20 {
        let drawn = drawn(Arrangement::TiltAndLens, seed);
        let lens = drawn.stated.lens.unwrap();
        assert!(lens.k1.abs() <= 0.05 && lens.k2.abs() <= 0.01);
        assert!(drawn.stated.views.iter().any(|v| v.px_from_mm[2][0] != 0.0 || v.px_from_mm[2][1] != 0.0));
    }
}
