//! Pictures of the simulated bench: the default look, and the way between the renderer's types and the finder's.
//!
//! The renderer shares no type with the finding that is tested against it, so what both call optics is copied here.

use crate::simulated::SimulatedBench;
use landfit_part::{Part, PointMm, Side};
use landfit_scene as scene;
use landfit_scene::{
    Blur, BoardLook, Clutter, Highlight, LandLook, Light, Noise, PartLook, Rendered, Ring, Scatter, Scene, SceneError, Sensor, Spot,
    Surface, TerminalLook, Uneven, Weave,
};
use landfit_vision::picture::{Picture, Samples};
use landfit_vision::{Lens, Optics, PointPx, RegionPx, View};
use nalgebra::Matrix3;

/// Renders the bench as it stands in the default look. Same bench and seed, same picture.
///
/// # Errors
/// See [`SceneError`].
pub fn render(bench: &SimulatedBench, part: &Part, seed: u64) -> Result<Rendered, SceneError> {
    scene::render(&scene(bench, part, seed))
}

/// The exposures as the finder takes them.
#[must_use]
pub fn exposures(rendered: &Rendered) -> Vec<Picture> {
    rendered.pictures.iter().map(exposure).collect()
}

fn exposure(picture: &scene::Picture) -> Picture {
    let samples = match &picture.samples {
        scene::Samples::U8(values) => Samples::U8(values.clone()),
        scene::Samples::U16(values) => Samples::U16(values.clone()),
    };
    Picture { width_px: picture.width_px, height_px: picture.height_px, channels: picture.channels, samples }
}

/// The renderer's optics from those of a bench file, for 8-bit colour pictures.
#[must_use]
pub fn rendered_optics(optics: &Optics) -> scene::Optics {
    let frame = scene::Frame {
        size_px: optics.frame.size_px,
        channels: 3,
        bits: 8,
        black: optics.frame.black,
        white: optics.frame.white.unwrap_or(255.0),
        gamma: optics.frame.gamma,
    };
    let lens = |l: Lens| scene::Lens { k1: l.k1, k2: l.k2, centre_px: [l.centre_px.x, l.centre_px.y], norm_px: l.norm_px };
    let region = |r: RegionPx| scene::RegionPx { x: r.x, y: r.y, width: r.width, height: r.height };
    let view = |v: &View| scene::View {
        shows: v.shows,
        exposure: v.exposure,
        region_px: v.region_px.map(region),
        tint: v.tint,
        px_from_mm: [0, 1, 2].map(|r| [0, 1, 2].map(|c| v.px_from_mm[(r, c)])),
    };
    scene::Optics { frame, lens: optics.lens.map(lens), views: optics.views.iter().map(view).collect() }
}

/// The bench file's optics from the renderer's.
#[must_use]
pub fn filed_optics(optics: &scene::Optics) -> Optics {
    let frame = landfit_vision::Frame {
        size_px: optics.frame.size_px,
        black: optics.frame.black,
        white: Some(optics.frame.white),
        gamma: optics.frame.gamma,
    };
    let lens = |l: scene::Lens| Lens { k1: l.k1, k2: l.k2, centre_px: PointPx::new(l.centre_px[0], l.centre_px[1]), norm_px: l.norm_px };
    let region = |r: scene::RegionPx| RegionPx { x: r.x, y: r.y, width: r.width, height: r.height };
    let view = |v: &scene::View| View {
        shows: v.shows,
        exposure: v.exposure,
        region_px: v.region_px.map(region),
        tint: v.tint,
        px_from_mm: Matrix3::from_fn(|r, c| v.px_from_mm[r][c]),
    };
    let views = optics.views.iter().map(view).collect();
    Optics { frame, lens: optics.lens.map(lens), views, scale: landfit_vision::ScaleSource::Bench }
}

/// The default look: balls under a ring light on a dark underside, tin-domed lands in green mask, some traces and vias.
/// Every value lies within the reference ranges that the renderer states.
#[must_use]
pub fn scene(bench: &SimulatedBench, part: &Part, seed: u64) -> Scene {
    let optics = rendered_optics(&bench.bench.optics);
    let light = |gradient| Light { gain: 1.4, gradient, blur: Blur::round(1.1) };
    let gradients = [[0.06, -0.04], [-0.05, 0.07]];
    let lights = (0..optics.views.len()).map(|v| light(gradients[v % 2])).collect();
    Scene {
        part: part.clone(),
        board: part.clone(),
        bench_from_part: bench.bench_from_part,
        bench_from_board: bench.bench_from_board,
        optics,
        lights,
        part_look: part_look(),
        board_look: board_look(),
        defects: Vec::new(),
        clutter: dog_bones(part),
        sensor: Sensor {
            noise: Some(Noise { full_well_e: 10_000.0, read_noise_e: 8.0 }),
            vignetting: 0.08,
            stray: 0.003,
            spoils: Vec::new(),
        },
        seed,
    }
}

fn part_look() -> PartLook {
    let terminals = TerminalLook {
        face: 0.14,
        face_fall: 0.3,
        ring: Some(Ring { brightness: 0.52, radius: 0.68, width: 0.26, soft: 0.12 }),
        spot: Some(Spot { brightness: 0.40, radius: 0.16, soft: 0.08, at: [0.02, -0.03] }),
        uneven: Uneven { amount: 0.15, direction_rad: 0.8, second: 0.03, second_direction_rad: 0.2, drift_rad_per_mm: [0.03, -0.02] },
        scatter: Scatter { brightness: 0.05, size: 0.01, place_mm: 0.002 },
        residue: 1.2,
    };
    let body = Surface { brightness: 0.10, grain: 0.03, grain_mm: 0.05, mottle: 0.03, mottle_mm: 1.5, weave: None };
    PartLook { surround: Surface::plain(0.02), body: Some(body), terminals: Some(terminals), mark: 0.25 }
}

fn board_look() -> BoardLook {
    let weave = Weave { contrast: 0.03, pitch_mm: 0.5, angle_rad: 0.03 };
    let lands = LandLook {
        face: 0.45,
        face_fall: 0.35,
        highlight: Some(Highlight { gain: 0.15, at: [0.12, 0.08], sigma: 0.35 }),
        gap_mm: 0.05,
        gap: 0.09,
        opening_shift_mm: [0.01, -0.005],
        scatter: Scatter { brightness: 0.04, size: 0.01, place_mm: 0.001 },
        paste: None,
    };
    let mask = Surface { brightness: 0.10, grain: 0.02, grain_mm: 0.04, mottle: 0.03, mottle_mm: 2.0, weave: Some(weave) };
    BoardLook { mask, lands: Some(lands), mark: 0.4 }
}

/// Every fifth land with its trace to a via in the middle of four lands.
fn dog_bones(part: &Part) -> Vec<Clutter> {
    let Some(pitch_mm) = part.pitch_mm(Side::Board) else { return Vec::new() };
    let step = PointMm::new(pitch_mm / 2.0, -pitch_mm / 2.0);
    let starts = part.sites.iter().step_by(5).map(|s| s.centre_mm(Side::Board));
    starts
        .flat_map(|from| {
            let to = from + step;
            let trace = Clutter::Trace { points_mm: vec![[from.x, from.y], [to.x, to.y]], width_mm: 0.12, gain: 1.25 };
            let via = Clutter::Via { at_mm: [to.x, to.y], pad_mm: 0.36, hole_mm: 0.18, pad: 0.16, hole: 0.05 };
            [trace, via]
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scenario;
    use crate::screw::Mismatch;
    use landfit_part::Pose;

    fn bench() -> SimulatedBench {
        let offset = Pose::new(0.2, -0.1, 0.01);
        SimulatedBench::new(scenario::default_bench().unwrap(), offset, Pose::IDENTITY, &Mismatch::NONE, 1)
    }

    #[test]
    fn optics_survive_the_way_to_the_renderer_and_back() {
        let mut optics = scenario::default_bench().unwrap().optics;
        optics.lens = Some(Lens { k1: -0.03, k2: 0.01, centre_px: PointPx::new(640.0, 480.0), norm_px: 800.0 });
        optics.frame.white = Some(255.0);
        assert_eq!(filed_optics(&rendered_optics(&optics)), optics);
    }

    #[test]
    fn the_default_look_is_neither_dark_nor_saturated_and_the_same_for_the_same_seed() {
        let part = scenario::default_part().unwrap();
        let rendered = render(&bench(), &part, 7).unwrap();
        let pictures = exposures(&rendered);
        assert_eq!(pictures, exposures(&render(&bench(), &part, 7).unwrap()));
        assert_ne!(pictures, exposures(&render(&bench(), &part, 8).unwrap()));
        let Samples::U8(values) = &pictures[0].samples else { panic!("8 bits") };
        let saturated = values.iter().filter(|v| **v == 255).count() as f64 / values.len() as f64;
        assert!(saturated < 1e-3, "{saturated} saturated");
        assert!(values.iter().copied().max() > Some(120));
    }

    #[test]
    fn the_pictures_truth_is_the_benchs() {
        let bench = bench();
        let rendered = render(&bench, &scenario::default_part().unwrap(), 7).unwrap();
        let offset = rendered.truth.offset;
        assert!((offset.x_mm - 0.2).abs() < 1e-12 && (offset.theta_deg - 0.01_f64.to_degrees()).abs() < 1e-12);
    }
}
