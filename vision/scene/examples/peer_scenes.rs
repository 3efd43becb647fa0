//! Writes small noise-free scenes for the peer: for each, NAME.json (scene and truth) and NAME.png (16 bits), into a folder.
//! `cargo run -p landfit-scene --example peer_scenes -- DIR`, then `python tests/renderer_peer/peer.py DIR`.

#[path = "../tests/small/mod.rs"]
mod small;

use landfit_part::{Mark, Piece, PointMm, Pose, Side};
use landfit_scene::{Blur, Clutter, Defect, DefectKind, Highlight, Lens, Ring, Scene, Spot, Surface, Uneven, render};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let folder = std::env::args().nth(1).ok_or("needs a folder")?;
    std::fs::create_dir_all(&folder)?;
    for (name, scene) in [("rings", rings()), ("tilted", tilted()), ("shapes", shapes()), ("smeared", smeared())] {
        let rendered = render(&scene)?;
        let data = serde_json::json!({ "scene": scene, "truth": rendered.truth });
        std::fs::write(format!("{folder}/{name}.json"), serde_json::to_string(&data)?)?;
        rendered.pictures[0].to_image().ok_or("no picture")?.save(format!("{folder}/{name}.png"))?;
    }
    Ok(())
}

fn sixteen_bits(mut scene: Scene) -> Scene {
    (scene.optics.frame.bits, scene.optics.frame.white) = (16, 65535.0);
    scene
}

/// Rings with spots under uneven light over domed lands in openings, on a turned part and board, with clutter and defects.
fn rings() -> Scene {
    let mut part = small::grid(3, 3, 0.5, 0.3, 0.25);
    part.marks.push(Mark { side: Side::Part, at_mm: PointMm::new(-0.8, 0.8), angle_rad: 0.2, piece: Piece::rect(0.15, 0.1) });
    part.marks.push(Mark { side: Side::Board, at_mm: PointMm::new(0.85, 0.8), angle_rad: 0.0, piece: Piece::round(0.2) });
    let mut scene = sixteen_bits(small::scene([168, 150], part));
    scene.bench_from_part = Pose::new(0.031, -0.022, 0.06);
    scene.bench_from_board = Pose::new(-0.05, 0.043, -0.03);
    scene.lights[0].blur = Blur { sigma_px: [0.8, 1.1], ..Blur::round(0.0) };
    scene.lights[0].gradient = [0.1, -0.07];
    scene.lights[1].gain = 0.9;
    (scene.sensor.vignetting, scene.sensor.stray) = (0.2, 0.005);
    if let Some(look) = &mut scene.part_look.terminals {
        look.face = 0.12;
        look.face_fall = 0.3;
        look.ring = Some(Ring { brightness: 0.6, radius: 0.7, width: 0.3, soft: 0.15 });
        look.spot = Some(Spot { brightness: 0.5, radius: 0.2, soft: 0.1, at: [0.05, -0.08] });
        look.uneven = Uneven { amount: 0.3, direction_rad: 1.0, second: 0.1, second_direction_rad: 0.4, drift_rad_per_mm: [0.2, -0.1] };
    }
    if let Some(look) = &mut scene.board_look.lands {
        look.face_fall = 0.4;
        look.highlight = Some(Highlight { gain: 0.3, at: [0.2, 0.1], sigma: 0.3 });
        (look.gap_mm, look.gap, look.opening_shift_mm) = (0.05, 0.05, [0.01, -0.015]);
    }
    let defect = |side, site: &str, kind| Defect { side, site: site.into(), kind };
    scene.defects = vec![
        defect(Side::Part, "A1", DefectKind::Missing),
        defect(Side::Part, "B2", DefectKind::Bridged { to: "B3".into(), width: 0.6 }),
        defect(Side::Part, "C1", DefectKind::Size { ratio: 0.7 }),
        defect(Side::Part, "C2", DefectKind::Displaced { by_mm: [0.05, 0.02] }),
        defect(Side::Part, "A3", DefectKind::Hidden { brightness: 0.3, sigma_mm: 0.1 }),
        defect(Side::Board, "C3", DefectKind::Missing),
    ];
    scene.clutter = vec![
        Clutter::Trace { points_mm: vec![[-0.5, -0.25], [0.3, -0.25], [0.9, -0.6]], width_mm: 0.08, gain: 1.4 },
        Clutter::Via { at_mm: [0.25, 0.25], pad_mm: 0.2, hole_mm: 0.1, pad: 0.4, hole: 0.02 },
        Clutter::Stroke { side: Side::Board, points_mm: vec![[-0.9, 0.2], [-0.9, 0.9], [-0.2, 0.9]], width_mm: 0.07, brightness: 0.5 },
        Clutter::Dot { side: Side::Part, at_mm: [0.25, -0.75], diameter_mm: 0.1, brightness: 0.4, soft_mm: 0.04 },
        Clutter::Circle { side: Side::Board, at_mm: [-0.25, 0.25], diameter_mm: 0.2, width_mm: 0.04, brightness: 0.3 },
        Clutter::Stain { side: Side::Board, lobes_mm: vec![[0.4, -0.4, 0.2], [0.6, -0.3, 0.15]], gain: 0.6, soft_mm: 0.1 },
        Clutter::Glare { side: Side::Part, at_mm: [-0.6, -0.6], sigma_mm: 0.06, brightness: 0.2 },
    ];
    scene
}

/// The same through a lens and a tilted plane, gamma-coded.
fn tilted() -> Scene {
    let mut scene = rings();
    scene.optics.lens = Some(Lens { k1: -0.06, k2: 0.01, centre_px: [80.0, 77.0], norm_px: 100.0 });
    scene.optics.views[0].px_from_mm = [[80.0, 1.5, 84.0], [1.0, -79.0, 74.0], [0.004, -0.006, 1.0]];
    scene.optics.views[1].px_from_mm = [[81.0, -1.0, 82.0], [0.5, -80.0, 75.5], [-0.003, 0.005, 1.0]];
    (scene.optics.frame.black, scene.optics.frame.white, scene.optics.frame.gamma) = (2000.0, 60000.0, 2.2);
    scene
}

/// Every shape of a part file.
fn shapes() -> Scene {
    let mut scene = sixteen_bits(small::scene([280, 160], small::shapes()));
    scene.part.body_centre_mm = PointMm::new(0.03, -0.02);
    scene.bench_from_part = Pose::new(0.02, 0.01, -0.04);
    scene.bench_from_board = Pose::new(-0.01, 0.02, 0.05);
    scene.part_look.surround = Surface::plain(0.01);
    if let Some(look) = &mut scene.board_look.lands {
        (look.gap_mm, look.gap) = (0.04, 0.3);
    }
    scene
}

/// Motion during the exposure.
fn smeared() -> Scene {
    let mut scene = rings();
    for light in &mut scene.lights {
        light.blur = Blur { sigma_px: [1.0, 1.0], smear_px: 6.0, smear_rad: 0.5 };
    }
    scene
}
