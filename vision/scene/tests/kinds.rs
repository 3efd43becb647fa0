//! Every kind of scene is what it says.
#![allow(clippy::unwrap_used)]

use landfit_part::{PointMm, Side};
use landfit_scene::{Clutter, DefectKind, Drawn, Expectation, Samples, SceneKind, TerminalKind, Truth, Ugly, draw, render, render_light};

const SEEDS: std::ops::Range<u64> = 0..2;

fn each(kind: SceneKind, check: impl Fn(&Drawn, &Truth)) {
    for seed in SEEDS {
        let drawn = draw(kind, seed).unwrap();
        let (_, truth) = render_light(&drawn.scene).unwrap();
        check(&drawn, &truth);
    }
}

fn share_in_view(truth: &Truth, side: Side) -> f64 {
    let sites = truth.side(side);
    sites.iter().filter(|s| s.seen[0].in_view).count() as f64 / sites.len() as f64
}

#[test]
fn kinds_that_are_to_be_answered_show_every_site_of_the_part_that_the_finder_is_told() {
    for kind in SceneKind::ALL
        .into_iter()
        .filter(|k| k.expectation() == Expectation::Answer && !matches!(k, SceneKind::FarOffset | SceneKind::Arranged(_)))
    {
        for seed in 0..40 {
            let drawn = draw(kind, seed).unwrap();
            let ids = |part: &landfit_part::Part| part.sites.iter().map(|s| (s.id.clone(), s.at_mm.x, s.at_mm.y)).collect::<Vec<_>>();
            assert_eq!(ids(&drawn.part), ids(&drawn.scene.part));
            assert_eq!(ids(&drawn.part), ids(&drawn.scene.board));
            let sites = match kind {
                SceneKind::Terminals(TerminalKind::Three) => 3..=3,
                SceneKind::Terminals(_) => 4..=usize::MAX,
                _ => 24..=usize::MAX,
            };
            assert!(sites.contains(&drawn.part.sites.len()), "{kind:?} {seed}: {} sites", drawn.part.sites.len());
        }
        each(kind, |_, truth| {
            assert_eq!((share_in_view(truth, Side::Part), share_in_view(truth, Side::Board)), (1.0, 1.0), "{kind:?}");
        });
    }
}

#[test]
fn pictures_have_the_reference_size_and_are_neither_dark_nor_saturated_in_good_light() {
    for seed in SEEDS {
        let drawn = draw(SceneKind::GoodLight, seed).unwrap();
        let picture = render(&drawn.scene).unwrap().pictures.remove(0);
        assert_eq!((picture.width_px, picture.height_px, picture.channels), (1280, 960, 3));
        let Samples::U8(raw) = &picture.samples else { panic!("8 bits are the reference") };
        assert!(raw.iter().filter(|v| **v == 255).count() < 200);
        assert!(raw.iter().filter(|v| **v > 60).count() > 10_000);
    }
}

#[test]
fn low_light_stays_near_a_twentieth_of_full_scale() {
    for seed in SEEDS {
        let (light, _) = render_light(&draw(SceneKind::LowLight, seed).unwrap().scene).unwrap();
        let mut values = light[0].clone();
        values.sort_by(f32::total_cmp);
        let bright = values[values.len() - values.len() / 2000];
        assert!((0.015..0.055).contains(&bright), "{bright}");
    }
}

#[test]
fn the_two_pitches_are_what_their_names_say() {
    for (kind, pitch_mm) in [(SceneKind::Pitch04, 0.4), (SceneKind::Pitch127, 1.27)] {
        let drawn = draw(kind, 1).unwrap();
        assert!((drawn.part.pitch_mm(Side::Part).unwrap() - pitch_mm).abs() < 1e-9);
    }
}

#[test]
fn far_offsets_go_to_a_pitch_and_a_half_and_eight_degrees_and_keep_one_end_of_each_axis_in_view() {
    let (mut farthest, mut most_turned, mut cut) = (0.0_f64, 0.0_f64, 0);
    for seed in 0..40 {
        let drawn = draw(SceneKind::FarOffset, seed).unwrap();
        let offset = drawn.scene.offset();
        let pitches = offset.shift().norm() / drawn.part.pitch_mm(Side::Part).unwrap();
        assert!((0.49..=1.51).contains(&pitches) && offset.theta_rad.to_degrees().abs() < 8.01);
        (farthest, most_turned) = (farthest.max(pitches), most_turned.max(offset.theta_rad.to_degrees().abs()));
        if seed >= 6 {
            continue;
        }
        let (_, truth) = render_light(&drawn.scene).unwrap();
        for side in [Side::Part, Side::Board] {
            let [left, right, top, bottom] = beyond(&truth, side);
            assert!(!(left && right || top && bottom), "seed {seed}: both ends of an axis are out of view");
            assert!(share_in_view(&truth, side) > 0.5);
            cut += usize::from(share_in_view(&truth, side) < 1.0);
        }
    }
    assert!(farthest > 1.3 && most_turned > 7.0 && cut > 0, "{farthest} pitches, {most_turned} degrees, {cut} cut");
}

/// Whether any site's centre lies beyond the picture's left, right, upper, lower edge.
fn beyond(truth: &Truth, side: Side) -> [bool; 4] {
    let out = |test: fn([f64; 2]) -> bool| truth.side(side).iter().any(|s| test(s.seen[0].centre_px));
    [out(|p| p[0] < 0.0), out(|p| p[0] > 1279.0), out(|p| p[1] < 0.0), out(|p| p[1] > 959.0)]
}

#[test]
fn edges_out_of_view_are_out_on_all_four_sides() {
    each(SceneKind::EdgesOutOfView, |_, truth| {
        assert_eq!(beyond(truth, Side::Part), [true; 4]);
        assert_eq!(beyond(truth, Side::Board), [true; 4]);
    });
}

#[test]
fn defects_are_several_and_of_every_kind_over_some_seeds() {
    let mut seen = std::collections::BTreeSet::new();
    for seed in 0..20 {
        let drawn = draw(SceneKind::Defects, seed).unwrap();
        assert!(!drawn.scene.defects.is_empty());
        for d in &drawn.scene.defects {
            seen.insert(match &d.kind {
                DefectKind::Missing => {
                    if d.side == Side::Part {
                        "missing ball"
                    } else {
                        "missing land"
                    }
                }
                DefectKind::Bridged { .. } => "bridged",
                DefectKind::Size { ratio } if *ratio < 1.0 => "small",
                DefectKind::Size { .. } => "large",
                DefectKind::Displaced { .. } => "displaced",
                DefectKind::Hidden { .. } => "hidden",
            });
        }
    }
    assert_eq!(seen.len(), 7, "{seen:?}");
}

#[test]
fn a_bridge_joins_neighbours() {
    for seed in 0..20 {
        let drawn = draw(SceneKind::Defects, seed).unwrap();
        let part = &drawn.part;
        for d in &drawn.scene.defects {
            let DefectKind::Bridged { to, .. } = &d.kind else { continue };
            let at = |id: &str| part.sites[part.site_index(id).unwrap()].at_mm;
            assert!((at(&d.site).distance(at(to)) - part.pitch_mm(Side::Part).unwrap()).abs() < 1e-9);
        }
    }
}

#[test]
fn the_empty_kinds_lack_what_they_are_named_for() {
    each(SceneKind::NoPart, |_, truth| {
        assert!(truth.terminals.iter().all(|s| !s.present) && truth.lands.iter().all(|s| s.present));
    });
    each(SceneKind::NoLands, |_, truth| {
        assert!(truth.lands.iter().all(|s| !s.present) && truth.terminals.iter().all(|s| s.present));
    });
    each(SceneKind::Blank, |_, truth| assert!(truth.lands.iter().chain(&truth.terminals).all(|s| !s.present)));
}

#[test]
fn the_wrong_parts_are_wrong_in_pitch_in_a_row_or_by_a_turn() {
    for seed in 0..20 {
        let pitch = |part: &landfit_part::Part| part.pitch_mm(Side::Part).unwrap();
        let wrong = draw(SceneKind::WrongPitch, seed).unwrap();
        assert!((pitch(&wrong.part) / pitch(&wrong.scene.part) - 1.0).abs() > 0.02);

        let short = draw(SceneKind::OneRowTooFew, seed).unwrap();
        assert!(short.scene.part.sites.len() < short.part.sites.len());
        assert_eq!(short.scene.board.sites.len(), short.part.sites.len());

        let turned = draw(SceneKind::Turned, seed).unwrap();
        assert!(turned.scene.offset().theta_rad.to_degrees().abs() > 80.0);
        // some ball of the turned part stands where the part file has none
        let quarters = (turned.scene.offset().theta_rad / std::f64::consts::FRAC_PI_2).round();
        let lands_on_none = |p: PointMm| {
            let p = p.rotated(quarters * std::f64::consts::FRAC_PI_2);
            turned.part.sites.iter().all(|s| s.at_mm.distance(p) > 1e-6)
        };
        assert!(turned.part.sites.iter().filter(|s| lands_on_none(s.at_mm)).count() >= 3);
    }
}

#[test]
fn the_bench_file_states_the_true_geometry_and_nearly_the_true_tints() {
    for seed in 0..20 {
        let drawn = draw(SceneKind::GoodLight, seed).unwrap();
        for (stated, real) in drawn.stated.views.iter().zip(&drawn.scene.optics.views) {
            assert_eq!(stated.px_from_mm, real.px_from_mm);
            let ratios: Vec<f64> = stated.tint.iter().zip(&real.tint).map(|(s, t)| s / t).collect();
            assert!(ratios.iter().all(|r| (r / ratios[0] - 1.0).abs() < 0.05), "{ratios:?}");
        }
    }
}

#[test]
fn names_of_kinds_differ() {
    let words: std::collections::BTreeSet<_> = SceneKind::ALL.iter().map(|k| k.word()).collect();
    assert_eq!(words.len(), SceneKind::ALL.len());
}

fn ugly(ugly: Ugly, seed: u64) -> Drawn {
    draw(SceneKind::Ugly(ugly), seed).unwrap()
}

#[test]
fn ugly_kinds_have_names_of_their_own_and_tell_the_finder_the_part_that_is_rendered() {
    let words: std::collections::BTreeSet<_> = Ugly::ALL.iter().map(|u| u.word()).chain(SceneKind::ALL.iter().map(|k| k.word())).collect();
    assert_eq!(words.len(), Ugly::ALL.len() + SceneKind::ALL.len());
    for kind in Ugly::ALL {
        for seed in 0..6 {
            let drawn = ugly(kind, seed);
            let places = |part: &landfit_part::Part| part.sites.iter().map(|s| (s.id.clone(), s.at_mm.x, s.at_mm.y)).collect::<Vec<_>>();
            assert_eq!(places(&drawn.part), places(&drawn.scene.part), "{kind:?} {seed}");
            assert_eq!(places(&drawn.part), places(&drawn.scene.board), "{kind:?} {seed}");
        }
    }
}

#[test]
fn motion_in_one_exposure_leaves_the_other_sharp() {
    for seed in SEEDS {
        let drawn = ugly(Ugly::MotionInOne, seed);
        assert_eq!(drawn.scene.optics.views.iter().map(|v| v.exposure).collect::<Vec<_>>(), [0, 1]);
        assert_eq!(drawn.stated.views.iter().map(|v| v.exposure).collect::<Vec<_>>(), [0, 1]);
        let mut smears: Vec<f64> = drawn.scene.lights.iter().map(|l| l.blur.smear_px).collect();
        smears.sort_by(f64::total_cmp);
        assert_eq!(smears, [0.0, 2.0]);
    }
}

#[test]
fn dark_balls_are_darker_than_the_body() {
    for seed in 0..20 {
        let look = ugly(Ugly::DarkBalls, seed).scene.part_look;
        let balls = look.terminals.unwrap();
        assert!(balls.ring.is_none() && balls.face < 0.5 * look.body.unwrap().brightness, "seed {seed}");
    }
}

#[test]
fn a_footprint_beside_stands_one_to_two_pitches_away_and_shows_a_row_at_least() {
    let mut on_the_lattice = 0;
    for seed in 0..20 {
        let drawn = ugly(Ugly::FootprintBeside, seed);
        let at = drawn
            .scene
            .clutter
            .iter()
            .find_map(|c| if let Clutter::Footprint { at_mm: [x, y] } = c { Some(PointMm::new(*x, *y)) } else { None })
            .unwrap();
        let places: Vec<PointMm> = drawn.part.sites.iter().map(|s| s.centre_mm(Side::Board)).collect();
        let nearest = places.iter().flat_map(|p| places.iter().map(move |q| p.distance(*q + at))).fold(f64::INFINITY, f64::min);
        let pitches = nearest / drawn.part.pitch_mm(Side::Board).unwrap();
        assert!((0.999..2.1).contains(&pitches), "seed {seed}: {pitches} pitches");
        on_the_lattice += usize::from((pitches - 1.0).abs() < 1e-6);
        // The picture has light where the neighbour's lands are: more pixels change than a row covers when it is taken away.
        if seed < 4 {
            let (with, _) = render_light(&drawn.scene).unwrap();
            let mut alone = drawn.scene.clone();
            alone.clutter.retain(|c| !matches!(c, Clutter::Footprint { .. }));
            let (without, truth) = render_light(&alone).unwrap();
            let changed =
                with[0].chunks_exact(3).zip(without[0].chunks_exact(3)).filter(|(a, b)| (0..3).any(|c| a[c] - b[c] > 0.02)).count();
            let px_per_land = 0.5 * std::f64::consts::FRAC_PI_4 * (0.2_f64 / 0.014).powi(2);
            assert!(changed as f64 > 4.0 * px_per_land, "seed {seed}: {changed} px");
            assert_eq!(share_in_view(&truth, Side::Board), 1.0);
        }
    }
    assert!((4..=16).contains(&on_the_lattice), "{on_the_lattice} of 20 carry on the lattice");
}

#[test]
fn hairs_and_tools_lie_on_top_of_balls_and_lands() {
    for (clutter, side) in [
        (Clutter::Fibre { side: Side::Part, points_mm: vec![[-9.0, 0.0], [9.0, 0.0]], width_mm: 0.5, brightness: 0.01 }, Side::Part),
        (
            Clutter::Tool {
                side: Side::Board,
                corners_mm: vec![[-9.0, -0.3], [9.0, -0.3], [9.0, 0.3], [-9.0, 0.3]],
                brightness: 0.01,
                soft_mm: 0.0,
            },
            Side::Board,
        ),
    ] {
        let mut scene = draw(SceneKind::GoodLight, 1).unwrap().scene;
        scene.clutter = vec![clutter];
        let (light, truth) = render_light(&scene).unwrap();
        // Under it no ball or land of the row nearest to the middle shows: the strongest channel of its light is that of the thing.
        let pose = scene.pose(side);
        let row = scene.pattern(side).sites.iter().filter(|s| s.centre_mm(side).y.abs() < 0.05);
        for site in row {
            let seen = truth.side(side).iter().find(|t| t.site == site.id).unwrap();
            let [x, y] = seen.seen[0].centre_px.map(|v| v.round() as usize);
            let view = scene.optics.views.iter().position(|v| v.shows == side).unwrap();
            let strongest = (0..3).max_by(|a, b| scene.optics.views[view].tint[*a].total_cmp(&scene.optics.views[view].tint[*b])).unwrap();
            let other = scene.optics.views[1 - view].tint[strongest];
            let most = 0.01 * scene.optics.views[view].tint[strongest] + other * 0.9 + 0.02;
            assert!(f64::from(light[0][(y * 1280 + x) * 3 + strongest]) < most, "{side:?} {} at {x}, {y} under {pose:?}", site.id);
        }
    }
}
