//! What a rendered picture must obey, whatever the scene.

mod small;

use landfit_part::{Part, PointMm, Pose, Side};
use landfit_scene::{
    Blur, Clutter, Defect, DefectKind, Highlight, Noise, Ring, Samples, Scatter, Scene, SceneKind, Spot, draw, render, render_light,
};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// One white light on the part alone: a terminal's light is 1, all else is dark.
fn white_disc(diameter_px: f64, at_px: [f64; 2], sigma_px: f64) -> Scene {
    let mut scene = small::scene([64, 64], small::grid(1, 1, 1.0, diameter_px / 80.0, 0.3));
    scene.optics.views.truncate(1);
    scene.lights.truncate(1);
    scene.optics.views[0].tint = [1.0; 3];
    scene.optics.views[0].px_from_mm = [[80.0, 0.0, at_px[0]], [0.0, -80.0, at_px[1]], [0.0, 0.0, 1.0]];
    scene.lights[0].blur = Blur::round(sigma_px);
    scene.part_look.body.as_mut().unwrap().brightness = 0.0;
    scene.part_look.surround.brightness = 0.0;
    scene.part_look.terminals.as_mut().unwrap().face = 1.0;
    scene
}

/// Sum and centroid of one channel.
fn moments(scene: &Scene, channel: usize) -> (f64, [f64; 2]) {
    let (light, _) = render_light(scene).unwrap();
    let width = scene.optics.frame.size_px[0] as usize;
    let (mut sum, mut x, mut y) = (0.0, 0.0, 0.0);
    for (i, v) in light[0].iter().skip(channel).step_by(3).enumerate() {
        sum += f64::from(*v);
        x += f64::from(*v) * (i % width) as f64;
        y += f64::from(*v) * (i / width) as f64;
    }
    (sum, [x / sum, y / sum])
}

fn red_at(scene: &Scene, bench_mm: PointMm) -> f32 {
    let (light, _) = render_light(scene).unwrap();
    let h = scene.optics.views[0].px_from_mm;
    let (x, y) = (h[0][0] * bench_mm.x + h[0][2], h[1][1] * bench_mm.y + h[1][2]);
    light[0][3 * (y.round() as usize * scene.optics.frame.size_px[0] as usize + x.round() as usize)]
}

#[test]
fn the_same_scene_gives_the_same_bytes_and_another_seed_others() {
    let mut scene = draw(SceneKind::Defects, 5).unwrap().scene;
    let first = render(&scene).unwrap();
    assert_eq!(first.pictures, render(&scene).unwrap().pictures);
    scene.seed += 1;
    assert_ne!(first.pictures, render(&scene).unwrap().pictures);
}

#[test]
fn a_kind_and_a_seed_draw_one_scene() {
    let once = serde_json::to_string(&draw(SceneKind::ViasAndStains, 9).unwrap().scene).unwrap();
    assert_eq!(once, serde_json::to_string(&draw(SceneKind::ViasAndStains, 9).unwrap().scene).unwrap());
    assert_ne!(once, serde_json::to_string(&draw(SceneKind::ViasAndStains, 10).unwrap().scene).unwrap());
}

#[test]
fn the_flux_of_a_blurred_disc_is_its_area() {
    for (diameter_px, sigma_px) in [(5.0, 0.0), (9.7, 0.8), (23.3, 1.5), (12.0, 3.5)] {
        let (flux, _) = moments(&white_disc(diameter_px, [31.3, 30.9], sigma_px), 0);
        let area = std::f64::consts::PI * diameter_px * diameter_px / 4.0;
        // a sample's ramp, an eighth of a pixel wide, adds up to 0.01 px² to a convex outline, whatever its size
        assert!((flux - area).abs() < 0.01 + 5e-5 * area, "diameter {diameter_px}, sigma {sigma_px}: flux {flux}, area {area}");
    }
}

#[test]
fn the_centre_of_a_disc_is_unbiased_at_any_phase() {
    let mut rng = ChaCha8Rng::seed_from_u64(3);
    let mut sum = [0.0; 2];
    for _ in 0..60 {
        let at_px = [31.0 + rng.random::<f64>(), 31.0 + rng.random::<f64>()];
        let (_, centre) = moments(&white_disc(rng.random_range(8.0..30.0), at_px, rng.random_range(0.6..1.6)), 0);
        let off = (centre[0] - at_px[0]).hypot(centre[1] - at_px[1]);
        assert!(off < 1e-3, "off by {off} px at {at_px:?}");
        sum = [sum[0] + centre[0] - at_px[0], sum[1] + centre[1] - at_px[1]];
    }
    assert!(sum[0].hypot(sum[1]) / 60.0 < 1e-4, "off by {sum:?} px in sixty");
}

#[test]
fn a_smear_widens_the_light_along_its_direction_by_its_length_squared_over_twelve() {
    let spread = |smear_px: f64| {
        let mut scene = white_disc(10.0, [31.5, 31.5], 0.8);
        scene.lights[0].blur.smear_px = smear_px;
        let (light, _) = render_light(&scene).unwrap();
        let (mut sum, mut xx, mut yy) = (0.0, 0.0, 0.0);
        for (i, v) in light[0].iter().step_by(3).enumerate() {
            let (dx, dy) = ((i % 64) as f64 - 31.5, (i / 64) as f64 - 31.5);
            (sum, xx, yy) = (sum + f64::from(*v), xx + f64::from(*v) * dx * dx, yy + f64::from(*v) * dy * dy);
        }
        [xx / sum, yy / sum]
    };
    let (sharp, smeared) = (spread(0.0), spread(9.0));
    assert!((smeared[0] - sharp[0] - 81.0 / 12.0).abs() < 0.1, "{smeared:?} against {sharp:?}");
    assert!((smeared[1] - sharp[1]).abs() < 0.02, "{smeared:?} against {sharp:?}");
}

#[test]
fn the_lights_of_the_two_sides_add() {
    let both = small::scene([200, 200], small::grid(3, 3, 0.6, 0.3, 0.25));
    let one = |view: usize| {
        let mut scene = both.clone();
        scene.optics.views = vec![both.optics.views[view].clone()];
        scene.lights = vec![both.lights[view].clone()];
        render_light(&scene).unwrap().0.remove(0)
    };
    let (part, board) = (one(0), one(1));
    let (light, _) = render_light(&both).unwrap();
    assert!(light[0].iter().zip(part.iter().zip(&board)).all(|(sum, (p, b))| (sum - p - b).abs() < 1e-6));
}

#[test]
fn noise_follows_the_linear_model_of_emva_1288() {
    let noise = Noise { full_well_e: 10_000.0, read_noise_e: 8.0 };
    // 8 bits only where the noise spans a step; below that rounding is no longer a noise of its own
    for (bits, white, level) in
        [(16, 8000.0, 0.0), (16, 8000.0, 0.002), (16, 8000.0, 0.02), (16, 8000.0, 0.6), (8, 250.0, 0.1), (8, 250.0, 0.45), (8, 250.0, 0.8)]
    {
        let mut scene = white_disc(1.0, [-500.0, -500.0], 1.0);
        let black = if bits == 16 { 100.0 } else { 10.0 };
        let frame = &mut scene.optics.frame;
        (frame.size_px, frame.bits, frame.black, frame.white) = ([400, 300], bits, black, white);
        scene.part_look.body = None;
        scene.part_look.surround.brightness = level;
        scene.sensor.noise = Some(noise);
        let raw: Vec<f64> = match render(&scene).unwrap().pictures.remove(0).samples {
            Samples::U8(raw) => raw.into_iter().map(f64::from).collect(),
            Samples::U16(raw) => raw.into_iter().map(f64::from).collect(),
        };
        let n = raw.len() as f64;
        let mean = raw.iter().sum::<f64>() / n;
        let variance = raw.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1.0);
        let (span, dn_per_e) = (white - black, (white - black) / noise.full_well_e);
        // EMVA 1288 release 4.0, formula from memory: K² s_d² + 1/12 + K (mu_y - mu_dark)
        let expected = (dn_per_e * noise.read_noise_e).powi(2) + 1.0 / 12.0 + dn_per_e * level * span;
        // three standard errors of a mean and of a variance from 360,000 values
        assert!((mean - black - level * span).abs() < 3.0 * (expected / n).sqrt(), "{bits} bits, level {level}: mean {mean}");
        assert!(
            (variance / expected - 1.0).abs() < 3.0 * (2.0 / n).sqrt() + 2e-3,
            "{bits} bits, level {level}: {variance}, model {expected}"
        );
    }
}

fn with_defect(kind: DefectKind) -> (Scene, Scene) {
    let mut scene = small::scene([200, 200], small::grid(3, 3, 0.6, 0.3, 0.25));
    scene.optics.views[1].tint = [0.0, 0.0, 1.0];
    let plain = scene.clone();
    scene.defects = vec![Defect { side: Side::Part, site: "B2".into(), kind }];
    (plain, scene)
}

#[test]
fn a_missing_ball_leaves_only_its_residue() {
    let (plain, scene) = with_defect(DefectKind::Missing);
    assert!((red_at(&plain, PointMm::ZERO) - 0.5).abs() < 1e-3);
    assert!((red_at(&scene, PointMm::ZERO) - 0.12).abs() < 1e-3);
    let truth = render_light(&scene).unwrap().1;
    assert_eq!(truth.terminals.iter().filter(|s| !s.present).map(|s| s.site.as_str()).collect::<Vec<_>>(), ["B2"]);
}

#[test]
fn a_missing_land_leaves_the_mask() {
    let mut scene = small::scene([200, 200], small::grid(3, 3, 0.6, 0.3, 0.25));
    scene.optics.views[0].tint = [0.0; 3];
    scene.optics.views[1].tint = [1.0; 3];
    assert!((red_at(&scene, PointMm::ZERO) - 0.45).abs() < 1e-3);
    scene.defects = vec![Defect { side: Side::Board, site: "B2".into(), kind: DefectKind::Missing }];
    assert!((red_at(&scene, PointMm::ZERO) - 0.12).abs() < 1e-3);
    assert!(!render_light(&scene).unwrap().1.lands[4].present);
}

#[test]
fn a_bridge_joins_two_balls_with_metal() {
    let (plain, scene) = with_defect(DefectKind::Bridged { to: "B3".into(), width: 0.6 });
    let between = PointMm::new(0.3, 0.0);
    assert!((red_at(&plain, between) - 0.1).abs() < 1e-3);
    assert!((red_at(&scene, between) - 0.5).abs() < 1e-3);
}

#[test]
fn a_small_and_a_large_ball_have_the_flux_of_their_size() {
    let (plain, _) = with_defect(DefectKind::Missing);
    let flux = |scene: &Scene| moments(scene, 0).0;
    let disc = 0.4 * std::f64::consts::PI * (0.15_f64 * 80.0).powi(2);
    for ratio in [0.7, 1.3] {
        let (_, scene) = with_defect(DefectKind::Size { ratio });
        let change = flux(&scene) - flux(&plain);
        assert!((change - disc * (ratio * ratio - 1.0)).abs() < 0.5, "ratio {ratio}: {change}");
        assert_eq!(render_light(&scene).unwrap().1.terminals[4].size_ratio, ratio);
    }
}

#[test]
fn a_displaced_ball_is_where_the_truth_says() {
    let mut scene = white_disc(20.0, [31.5, 31.5], 1.0);
    scene.defects = vec![Defect { side: Side::Part, site: "A1".into(), kind: DefectKind::Displaced { by_mm: [0.05, 0.03] } }];
    let (_, centre) = moments(&scene, 0);
    let truth = render_light(&scene).unwrap().1;
    let stated = truth.terminals[0].seen[0].centre_px;
    assert!((stated[0] - 35.5).abs() < 1e-9 && (stated[1] - 29.1).abs() < 1e-9, "{stated:?}");
    assert!((centre[0] - stated[0]).hypot(centre[1] - stated[1]) < 1e-3, "{centre:?}");
    assert_eq!(truth.terminals[0].lattice_mm, [0.0, 0.0]);
}

#[test]
fn a_hidden_ball_lies_under_saturated_pixels() {
    let (_, scene) = with_defect(DefectKind::Hidden { brightness: 2.0, sigma_mm: 0.15 });
    assert!(red_at(&scene, PointMm::ZERO) > 1.5);
    let picture = render(&scene).unwrap().pictures.remove(0);
    let Samples::U8(raw) = picture.samples else { panic!("8 bits were asked for") };
    assert!(raw.iter().step_by(3).filter(|v| **v == 255).count() > 200);
}

#[test]
fn scatter_leaves_the_least_squares_lattice_in_its_place() {
    let mut scene = small::scene([200, 200], small::grid(3, 3, 0.6, 0.3, 0.25));
    scene.bench_from_part = Pose::new(0.1, -0.05, 0.3);
    scene.part_look.terminals.as_mut().unwrap().scatter = Scatter { place_mm: 0.02, ..Scatter::NONE };
    let truth = render_light(&scene).unwrap().1;
    let (mut x, mut y, mut turn, mut spread) = (0.0, 0.0, 0.0, 0.0);
    for site in &truth.terminals {
        let (dx, dy) = (site.bench_mm[0] - site.lattice_mm[0], site.bench_mm[1] - site.lattice_mm[1]);
        (x, y) = (x + dx, y + dy);
        turn += (site.lattice_mm[0] - 0.1) * dy - (site.lattice_mm[1] + 0.05) * dx;
        spread += dx * dx + dy * dy;
    }
    assert!(x.abs() < 1e-12 && y.abs() < 1e-12 && turn.abs() < 1e-12, "{x} {y} {turn}");
    assert!((spread / 18.0).sqrt() > 0.008);
}

#[test]
fn ring_and_spot_lie_where_the_look_says_and_the_ring_is_uneven() {
    let mut scene = white_disc(40.0, [31.5, 31.5], 0.0);
    scene.bench_from_part = Pose::new(0.0, 0.0, 0.7);
    let look = scene.part_look.terminals.as_mut().unwrap();
    look.face = 0.1;
    look.ring = Some(Ring { brightness: 0.5, radius: 0.7, width: 0.3, soft: 0.1 });
    look.spot = Some(Spot { brightness: 0.8, radius: 0.15, soft: 0.05, at: [0.0, 0.0] });
    look.uneven.amount = 0.4;
    look.uneven.direction_rad = std::f64::consts::FRAC_PI_2;
    assert!((red_at(&scene, PointMm::ZERO) - 0.8).abs() < 0.01);
    // brightest away from the operator, whichever way the part is turned
    let ring = 0.7 * 0.25;
    assert!((red_at(&scene, PointMm::new(0.0, ring)) - 0.7).abs() < 0.02);
    assert!((red_at(&scene, PointMm::new(0.0, -ring)) - 0.3).abs() < 0.02);
    assert!((red_at(&scene, PointMm::new(ring, 0.0)) - 0.5).abs() < 0.02);
}

#[test]
fn a_dome_shines_off_its_middle_and_loses_light_at_its_edge() {
    let mut scene = small::scene([64, 64], small::grid(1, 1, 1.0, 0.3, 0.5));
    scene.optics.views[0].tint = [0.0; 3];
    scene.optics.views[1].tint = [1.0; 3];
    let look = scene.board_look.lands.as_mut().unwrap();
    look.face_fall = 0.5;
    look.highlight = Some(Highlight { gain: 0.4, at: [0.4, 0.0], sigma: 0.2 });
    assert!((red_at(&scene, PointMm::new(0.1, 0.0)) - 0.45 * (1.0 - 0.5 * 0.16 + 0.4)).abs() < 0.02);
    assert!(red_at(&scene, PointMm::new(-0.22, 0.0)) < 0.45 * 0.7);
}

#[test]
fn clutter_shows_on_its_own_side() {
    let part = small::grid(1, 1, 1.0, 0.2, 0.2);
    let mut scene = small::scene([200, 200], Part { body_mm: [2.0, 2.0], ..part });
    scene.optics.views[0].tint = [1.0, 0.0, 0.0];
    scene.optics.views[1].tint = [0.0, 0.0, 1.0];
    let plain = render_light(&scene).unwrap().0.remove(0);
    let at = |light: &[f32], x: f64, y: f64| {
        let (column, row) = ((99.5 + 80.0 * x).round() as usize, (99.5 - 80.0 * y).round() as usize);
        [0, 2].map(|channel| light[3 * (row * 200 + column) + channel])
    };
    let all = [
        (Clutter::Trace { points_mm: vec![[-0.8, 0.5], [0.8, 0.5]], width_mm: 0.1, gain: 1.5 }, [0.0, 0.5], Side::Board),
        (Clutter::Via { at_mm: [0.5, 0.8], pad_mm: 0.3, hole_mm: 0.2, pad: 0.4, hole: 0.01 }, [0.5, 0.8], Side::Board),
        (
            Clutter::Stroke { side: Side::Part, points_mm: vec![[0.3, -0.6], [0.8, -0.6]], width_mm: 0.1, brightness: 0.4 },
            [0.5, -0.6],
            Side::Part,
        ),
        (Clutter::Dot { side: Side::Part, at_mm: [-0.6, 0.0], diameter_mm: 0.2, brightness: 0.3, soft_mm: 0.02 }, [-0.6, 0.0], Side::Part),
        (
            Clutter::Circle { side: Side::Board, at_mm: [0.0, -0.6], diameter_mm: 0.4, width_mm: 0.06, brightness: 0.3 },
            [0.2, -0.6],
            Side::Board,
        ),
        (Clutter::Stain { side: Side::Board, lobes_mm: vec![[0.7, 0.0, 0.2]], gain: 0.5, soft_mm: 0.05 }, [0.7, 0.0], Side::Board),
        (Clutter::Glare { side: Side::Part, at_mm: [0.6, 0.3], sigma_mm: 0.1, brightness: 0.5 }, [0.6, 0.3], Side::Part),
    ];
    for (clutter, [x, y], side) in all {
        scene.clutter = vec![clutter.clone()];
        let light = render_light(&scene).unwrap().0.remove(0);
        let (before, after) = (at(&plain, x, y), at(&light, x, y));
        let changed = before.iter().zip(&after).map(|(b, a)| (a - b).abs() > 0.03).collect::<Vec<_>>();
        assert_eq!(changed, [side == Side::Part, side == Side::Board], "{clutter:?}: {before:?} {after:?}");
    }
}

#[test]
fn vignetting_gradient_and_stray_light_do_what_they_say() {
    let mut scene = white_disc(1.0, [-500.0, -500.0], 0.0);
    scene.part_look.body = None;
    scene.part_look.surround.brightness = 0.5;
    scene.lights[0].gradient = [0.2, 0.0];
    scene.sensor.vignetting = 0.3;
    scene.sensor.stray = 0.01;
    let (light, _) = render_light(&scene).unwrap();
    let red = |x: usize, y: usize| light[0][3 * (64 * y + x)];
    assert!((red(63, 63) - (0.5 * (1.0 + 0.2 * 31.5 / 32.0) * 0.7 + 0.01)).abs() < 1e-4);
    assert!((red(0, 0) - (0.5 * (1.0 - 0.2 * 31.5 / 32.0) * 0.7 + 0.01)).abs() < 1e-4);
}

#[test]
fn sixteen_bits_gamma_one_channel_and_two_exposures_are_rendered() {
    let mut scene = white_disc(1.0, [-500.0, -500.0], 0.0);
    scene.part_look.body = None;
    scene.part_look.surround.brightness = 0.25;
    scene.optics.views.push(landfit_scene::View { exposure: 1, tint: [0.5; 3], ..scene.optics.views[0].clone() });
    scene.lights.push(scene.lights[0].clone());
    let frame = &mut scene.optics.frame;
    (frame.channels, frame.bits, frame.black, frame.white, frame.gamma) = (1, 16, 100.0, 4095.0, 2.0);
    let pictures = render(&scene).unwrap().pictures;
    let first: Vec<u16> = pictures
        .iter()
        .map(|p| match &p.samples {
            Samples::U16(v) => v[1000],
            Samples::U8(_) => panic!("16 bits were asked for"),
        })
        .collect();
    assert_eq!(first, [(100.0 + 3995.0 * 0.5_f64).round() as u16, (100.0 + 3995.0 * 0.125_f64.sqrt()).round() as u16]);
    assert_eq!((pictures[0].channels, pictures.len()), (1, 2));
}

#[test]
fn a_region_shows_its_own_view_and_nothing_else() {
    let mut scene = white_disc(1.0, [-500.0, -500.0], 0.0);
    scene.part_look.body = None;
    scene.part_look.surround.brightness = 0.25;
    scene.optics.views[0].region_px = Some(landfit_scene::RegionPx { x: 10, y: 20, width: 30, height: 8 });
    let (light, _) = render_light(&scene).unwrap();
    assert_eq!(light[0].iter().step_by(3).filter(|v| (**v - 0.25).abs() < 1e-5).count(), 240);
    assert_eq!(light[0].iter().step_by(3).filter(|v| **v == 0.0).count(), 64 * 64 - 240);
}

#[test]
fn scenes_that_cannot_be_rendered_are_errors_with_their_reason() {
    type Spoil = fn(&mut Scene);
    let spoils: [(Spoil, &str); 8] = [
        (|s| drop(s.lights.pop()), "lights"),
        (|s| s.optics.frame.size_px = [0, 10], "0 x 10"),
        (|s| s.optics.frame.bits = 12, "12 bits"),
        (|s| s.optics.views[0].px_from_mm = [[0.0; 3]; 3], "inverted"),
        (|s| s.optics.views[0].px_from_mm[0][0] = f64::NAN, "inverted"),
        (|s| s.optics.views[0].region_px = Some(landfit_scene::RegionPx { x: 60, y: 0, width: 30, height: 8 }), "region"),
        (|s| s.defects = vec![Defect { side: Side::Part, site: "Z9".into(), kind: DefectKind::Missing }], "Z9"),
        (|s| s.bench_from_part.x_mm = f64::NAN, "x of a pose"),
    ];
    for (spoil, word) in spoils {
        let mut scene = white_disc(10.0, [31.5, 31.5], 1.0);
        spoil(&mut scene);
        let error = render(&scene).unwrap_err().to_string();
        assert!(error.contains(word), "{error} should name {word}");
    }
}
