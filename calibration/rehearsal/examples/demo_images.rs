//! Renders the pictures of `demo-images/`, each with its part file, bench file and truth, into a folder:
//! `cargo run -p landfit-rehearsal --example demo_images -- DIR`.

use landfit_calibration::bench::Bench;
use landfit_calibration::bench_file;
use landfit_part::{Pose, Side, file};
use landfit_rehearsal::picture::scene;
use landfit_rehearsal::save::{save_look, save_pictures};
use landfit_rehearsal::screw::Mismatch;
use landfit_rehearsal::simulated::SimulatedBench;
use landfit_scene::{Blur, Defect, DefectKind, Light, Scene, View, render};
use landfit_vision::{Lens, PointPx, RegionPx, ScaleSource};
use nalgebra::Matrix3;
use std::error::Error;
use std::f64::consts::FRAC_PI_2;
use std::path::Path;

/// The part of all pictures. Three sites are empty beside A1's corner, so the pattern tells how the part is turned, and from which side it is seen.
const PART_TOML: &str = r#"schema = 1
# An invented part of a garden railway.
name = "Signal lamp driver, 8 x 8 balls"
body_mm = [7.0, 7.0]

[grid]
rows = 8
columns = 8
pitch_mm = [0.8, 0.8]
terminal = { round_mm = 0.45 }
land = { round_mm = 0.36 }
absent = ["A1", "A2", "A3"]

[accept]
miss_mm = 0.09
"#;

/// A part that is too large for one look: its corners are seen side by side.
const LARGE_PART_TOML: &str = r#"schema = 1
# An invented part of a garden railway.
name = "Timetable processor, 22 x 22 balls"
body_mm = [23.0, 23.0]

[grid]
rows = 22
columns = 22
pitch_mm = [1.0, 1.0]
terminal = { round_mm = 0.6 }
land = { round_mm = 0.5 }
absent = ["A1", "A2", "B1"]
"#;

/// The bench of all pictures: that of the rehearsal with a smaller camera, so that the pictures are small.
const BENCH_TOML: &str = include_str!("../data/small-bench.toml");

fn main() -> Result<(), Box<dyn Error>> {
    let folder = std::env::args().nth(1).ok_or("needs a folder")?;
    let folder = Path::new(&folder);
    let at = |name: &str| folder.join(name);

    save(&at("within"), &over_its_lands(Pose::new(0.003, -0.002, 0.01_f64.to_radians()), 11)?)?;
    save(&at("outside"), &over_its_lands(Pose::new(-0.42, 0.27, 1.9_f64.to_radians()), 12)?)?;

    let mut defects = over_its_lands(Pose::new(0.18, -0.31, -0.8_f64.to_radians()), 13)?;
    let on_part = |site: &str, kind| Defect { side: Side::Part, site: site.into(), kind };
    defects.defects = vec![on_part("C4", DefectKind::Missing), on_part("E6", DefectKind::Bridged { to: "E7".into(), width: 0.6 })];
    save(&at("missing-and-bridged"), &defects)?;

    save(&at("turned"), &over_its_lands(Pose::new(0.11, 0.06, FRAC_PI_2 + 0.6_f64.to_radians()), 14)?)?;

    arrangements(folder)?;

    let mut underside = photographed_from_below(over_its_lands(Pose::IDENTITY, 15)?);
    underside.defects = vec![on_part("F5", DefectKind::Missing)];
    save_without_bench(&at("underside"), &underside)?;
    Ok(())
}

/// One folder for each way in which a bench may look at the two sides.
fn arrangements(folder: &Path) -> Result<(), Box<dyn Error>> {
    let demo_bench = |name: &str| -> Result<Bench, Box<dyn Error>> {
        let mut bench = bench_file::parse(BENCH_TOML, "bench.toml")?;
        bench.name = name.into();
        Ok(bench)
    };
    let save = |name: &str, scene: &Scene, part: &str, bench: &Bench| {
        save_look(&folder.join(name), &render(scene)?, part, &bench_file::to_toml(bench)).map_err(Box::<dyn Error>::from)
    };

    let mut bench = demo_bench("Small demo bench, each side lit in turn")?;
    for (exposure, view) in bench.optics.views.iter_mut().enumerate() {
        (view.exposure, view.tint) = (exposure, [1.0; 3]);
    }
    let mut scene = on_bench(&bench, PART_TOML, Pose::new(0.21, 0.13, -1.1_f64.to_radians()), 21)?;
    scene.optics.frame.channels = 1;
    save("two-exposures", &scene, PART_TOML, &bench)?;

    let mut bench = demo_bench("Small demo bench, one light for both sides")?;
    bench.optics.views.iter_mut().for_each(|view| view.tint = [1.0; 3]);
    let mut scene = on_bench(&bench, PART_TOML, Pose::new(0.06, -0.09, 0.5_f64.to_radians()), 22)?;
    scene.optics.frame.channels = 1;
    scene.lights.iter_mut().for_each(|light| light.gain = 0.8);
    save("one-light", &scene, PART_TOML, &bench)?;

    let mut bench = demo_bench("Corner demo bench, four regions in turn")?;
    bench.optics.views = corner_views();
    let mut scene = on_bench(&bench, LARGE_PART_TOML, Pose::new(-0.17, 0.24, 0.4_f64.to_radians()), 23)?;
    scene.optics.frame.channels = 1;
    save("corner-regions", &scene, LARGE_PART_TOML, &bench)?;

    let mut bench = demo_bench("Small demo bench, looking from the side")?;
    bench.optics.lens = Some(Lens { k1: -0.04, k2: 0.0, centre_px: PointPx::new(399.5, 299.5), norm_px: 500.0 });
    for (view, tilt) in bench.optics.views.iter_mut().zip([7e-5, -5e-5]) {
        (view.px_from_mm[(2, 0)], view.px_from_mm[(2, 1)]) = (tilt, -0.6 * tilt);
    }
    save("tilt-and-lens", &on_bench(&bench, PART_TOML, Pose::new(-0.11, -0.32, 0.9_f64.to_radians()), 24)?, PART_TOML, &bench)?;

    let mut bench = demo_bench("Small demo bench with a zoom")?;
    bench.optics.scale = ScaleSource::Pattern { may_differ: 0.02 };
    let mut scene = on_bench(&bench, PART_TOML, Pose::new(0.27, 0.05, -0.7_f64.to_radians()), 25)?;
    // The zoom stands at 0.84, and the board is a little nearer than when the bench was calibrated.
    for (view, by) in scene.optics.views.iter_mut().zip([0.84, 0.846]) {
        for (row, axis) in [399.5, 299.5].into_iter().enumerate() {
            view.px_from_mm[row] = view.px_from_mm[row].map(|v| by * v);
            view.px_from_mm[row][2] += (1.0 - by) * axis;
        }
    }
    save("pattern-scale", &scene, PART_TOML, &bench)?;
    Ok(())
}

/// A pair of views for each corner of the large part: the part's in the first exposure, the board's in the second.
fn corner_views() -> Vec<landfit_vision::View> {
    let px_per_mm = 62.0;
    let mut views = Vec::new();
    for (column, row, right, far) in [(0, 0, -1.0, 1.0), (1, 0, 1.0, 1.0), (0, 1, -1.0, -1.0), (1, 1, 1.0, -1.0)] {
        let region = RegionPx { x: 400 * column, y: 300 * row, width: 400, height: 300 };
        let middle_px = [f64::from(region.x) + 199.5, f64::from(region.y) + 149.5];
        for (exposure, shows, off_px) in [(0, Side::Part, 2.5), (1, Side::Board, -3.0)] {
            let px_from_mm = Matrix3::new(
                px_per_mm,
                0.4,
                middle_px[0] + off_px - px_per_mm * right * 10.0 - 0.4 * far * 10.0,
                0.4,
                -px_per_mm,
                middle_px[1] - off_px + px_per_mm * far * 10.0 - 0.4 * right * 10.0,
                0.0,
                0.0,
                1.0,
            );
            views.push(landfit_vision::View { shows, exposure, region_px: Some(region), tint: [1.0; 3], px_from_mm });
        }
    }
    views
}

/// The part at `offset` over its lands, in the rehearsal's default look.
fn over_its_lands(offset: Pose, seed: u64) -> Result<Scene, Box<dyn Error>> {
    on_bench(&bench_file::parse(BENCH_TOML, "bench.toml")?, PART_TOML, offset, seed)
}

fn on_bench(bench: &Bench, part_toml: &str, offset: Pose, seed: u64) -> Result<Scene, Box<dyn Error>> {
    let bench_from_board = Pose::new(0.12, -0.08, 0.4_f64.to_radians());
    let stands = SimulatedBench::new(bench.clone(), bench_from_board.after(&offset), bench_from_board, &Mismatch::NONE, seed);
    Ok(scene(&stands, &file::parse(part_toml, "part.toml")?, seed))
}

/// The same part lying on its back under a camera held by hand: mirrored, turned, a little from the side, in white light.
fn photographed_from_below(mut scene: Scene) -> Scene {
    let (sin, cos) = 12.0_f64.to_radians().sin_cos();
    let px_per_mm = 66.0;
    let px_from_mm = [[-px_per_mm * cos, px_per_mm * sin, 396.0], [-px_per_mm * sin, -px_per_mm * cos, 305.0], [0.004, -0.003, 1.0]];
    scene.optics.views = vec![View { shows: Side::Part, exposure: 0, region_px: None, tint: [1.0, 0.96, 0.9], px_from_mm }];
    scene.lights = vec![Light { gain: 1.2, gradient: [0.15, -0.1], blur: Blur::round(1.3) }];
    scene.bench_from_part = Pose::IDENTITY;
    scene
}

fn save(folder: &Path, scene: &Scene) -> Result<(), Box<dyn Error>> {
    save_look(folder, &render(scene)?, PART_TOML, BENCH_TOML)?;
    Ok(())
}

/// A plain photograph has no bench.
fn save_without_bench(folder: &Path, scene: &Scene) -> Result<(), Box<dyn Error>> {
    let rendered = render(scene)?;
    save_pictures(folder, "picture", &rendered)?;
    std::fs::write(folder.join("part.toml"), PART_TOML)?;
    std::fs::write(folder.join("truth.json"), serde_json::to_string_pretty(&rendered.truth)?)?;
    Ok(())
}
