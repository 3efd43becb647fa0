//! From a scene to its pictures and their truth, top-down.

use crate::canvas::Canvas;
use crate::scene::{Light, Scatter, Scene, SceneError, View};
use crate::sensor::{Picture, expose, vignette};
use crate::sight::Sight;
use crate::spoil::{spoil_light, spoil_picture};
use crate::truth::{DrawnSite, Truth, truth_of};
use crate::{blur, board_side, clutter, part_side, texture};
use landfit_part::Side;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;

/// Pictures and what they were made from.
#[derive(Debug, Clone)]
pub struct Rendered {
    /// One picture for every exposure.
    pub pictures: Vec<Picture>,
    /// What they were made from.
    pub truth: Truth,
}

/// Renders every exposure of a scene. The same scene gives the same bytes.
///
/// # Errors
/// [`SceneError`] when lights do not pair up with views, the frame is none, a homography is singular, a region leaves
/// the picture, a defect names an unknown site, or a number cannot be rendered.
pub fn render(scene: &Scene) -> Result<Rendered, SceneError> {
    let (light, truth) = render_light(scene)?;
    let pictures = light
        .iter()
        .enumerate()
        .map(|(exposure, light)| {
            let raw = expose(light, &scene.optics.frame, scene.sensor.noise, &mut stream(scene.seed, Stream::Noise(exposure)));
            spoil_picture(raw, &scene.sensor.spoils, &mut stream(scene.seed, Stream::Spoils(exposure)))
        })
        .collect();
    Ok(Rendered { pictures, truth })
}

/// The linear light on the sensor of every exposure, row by row, channels interleaved, before noise, clipping, gamma and
/// quantisation; and the truth.
///
/// # Errors
/// As [`render`].
pub fn render_light(scene: &Scene) -> Result<(Vec<Vec<f32>>, Truth), SceneError> {
    check(scene)?;
    let sights = (0..scene.optics.views.len()).map(|view| Sight::new(&scene.optics, view)).collect::<Result<Vec<_>, _>>()?;
    let sites = |side: Side| {
        let scatter = match side {
            Side::Part => scene.part_look.terminals.as_ref().map(|t| t.scatter),
            Side::Board => scene.board_look.lands.as_ref().map(|l| l.scatter),
        };
        let mut drawn = part_side::draw_sites(scene, side, &scatter.unwrap_or(Scatter::NONE), &mut stream(scene.seed, Stream::Sites(side)));
        if scatter.is_none() {
            drawn.iter_mut().for_each(|d| d.present = false);
        }
        drawn
    };
    let (terminals, lands) = (sites(Side::Part), sites(Side::Board));

    let frame = &scene.optics.frame;
    let [width, height] = frame.size_px.map(|n| n as usize);
    let n_exposures = scene.optics.views.iter().map(|v| v.exposure + 1).max().unwrap_or(0);
    let mut exposures = vec![vec![0.0_f32; width * height * frame.channels]; n_exposures];
    for (index, (view, light)) in scene.optics.views.iter().zip(&scene.lights).enumerate() {
        let drawn = match view.shows {
            Side::Part => &terminals,
            Side::Board => &lands,
        };
        let plane = view_light(scene, index, &sights[index], drawn);
        add_view(scene, view, light, &sights[index], &plane, &mut exposures[view.exposure]);
    }
    for light in &mut exposures {
        vignette(light, frame, &scene.sensor);
        spoil_light(light, frame, &scene.sensor.spoils);
    }
    let truth = truth_of(scene, &sights, &terminals, &lands);
    Ok((exposures, truth))
}

/// The light of one view on the pixels of its region, after the point-spread function.
fn view_light(scene: &Scene, index: usize, sight: &Sight, drawn: &[DrawnSite]) -> Vec<f32> {
    let (side, light) = (scene.optics.views[index].shows, &scene.lights[index]);
    let pose = scene.pose(side);
    let surface = match side {
        Side::Part => scene.part_look.body.as_ref().unwrap_or(&scene.part_look.surround),
        Side::Board => &scene.board_look.mask,
    };
    let mut canvas = Canvas::new(sight, blur::reach_px(&light.blur));
    texture::lay_surface(&mut canvas, sight, pose, surface, &mut stream(scene.seed, Stream::Texture(index)));
    let patches = match side {
        Side::Part => [clutter::below(scene, side), part_side::patches(scene, drawn)],
        Side::Board => [clutter::below(scene, side), board_side::patches(scene, drawn, &mut stream(scene.seed, Stream::Paste))],
    };
    for patch in patches.iter().flatten().chain(&clutter::above(scene, side)) {
        canvas.paint(sight, pose, patch);
    }
    canvas.resolve();
    blur::develop(&canvas, &light.blur)
}

/// Split optics add: one view's light comes on top of what the exposure holds already, in every channel.
fn add_view(scene: &Scene, view: &View, light: &Light, sight: &Sight, plane: &[f32], exposure: &mut [f32]) {
    let frame = &scene.optics.frame;
    let [left, top, right, _] = sight.region_px();
    let region_width = (right - left) as usize + 1;
    let (left, top, width) = (left as usize, top as usize, frame.size_px[0] as usize);
    let (half_x, half_y) = (f64::from(frame.size_px[0]) / 2.0, f64::from(frame.size_px[1]) / 2.0);
    let tint: Vec<f32> = if frame.channels == 1 {
        vec![(view.tint.iter().sum::<f64>() / 3.0) as f32]
    } else {
        view.tint.iter().map(|t| *t as f32).collect()
    };
    for (row, line) in plane.chunks_exact(region_width).enumerate() {
        let start = ((top + row) * width + left) * frame.channels;
        let pixels = exposure[start..start + region_width * frame.channels].chunks_exact_mut(frame.channels);
        let from_row = light.gain * (1.0 + light.gradient[1] * ((top + row) as f64 + 0.5 - half_y) / half_y);
        let per_column = light.gain * light.gradient[0] / half_x;
        for (column, (pixel, v)) in pixels.zip(line).enumerate() {
            let fall = (from_row + per_column * ((left + column) as f64 + 0.5 - half_x)).max(0.0) as f32;
            for (channel, tint) in pixel.iter_mut().zip(&tint) {
                *channel += v * fall * tint;
            }
        }
    }
}

/// What each stream of random numbers is for: adding noise must not change the scatter.
enum Stream {
    Sites(Side),
    Paste,
    Texture(usize),
    Noise(usize),
    Spoils(usize),
}

fn stream(seed: u64, stream: Stream) -> ChaCha8Rng {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    rng.set_stream(match stream {
        Stream::Sites(Side::Part) => 1,
        Stream::Sites(Side::Board) => 2,
        Stream::Paste => 3,
        Stream::Texture(view) => 1_000 + view as u64,
        Stream::Noise(exposure) => 1_000_000 + exposure as u64,
        Stream::Spoils(exposure) => 2_000_000 + exposure as u64,
    });
    rng
}

fn check(scene: &Scene) -> Result<(), SceneError> {
    let (optics, frame) = (&scene.optics, &scene.optics.frame);
    if optics.views.len() != scene.lights.len() {
        return Err(SceneError::LightsForViews { views: optics.views.len(), lights: scene.lights.len() });
    }
    let [width, height] = frame.size_px;
    let is_picture = (1..=20_000).contains(&width) && (1..=20_000).contains(&height);
    if !is_picture || !matches!(frame.channels, 1 | 3) || !matches!(frame.bits, 8 | 16) {
        return Err(SceneError::Frame { width, height, channels: frame.channels, bits: frame.bits });
    }
    for defect in &scene.defects {
        let ids = match &defect.kind {
            crate::scene::DefectKind::Bridged { to, .. } => vec![&defect.site, to],
            _ => vec![&defect.site],
        };
        if let Some(site) = ids.into_iter().find(|id| scene.pattern(defect.side).site_index(id).is_none()) {
            return Err(SceneError::UnknownSite { site: site.clone() });
        }
    }
    check_values(scene)
}

fn check_values(scene: &Scene) -> Result<(), SceneError> {
    let frame = &scene.optics.frame;
    let mut values = vec![
        ("black", frame.black, -1e5..=1e5),
        ("white", frame.white, -1e5..=1e5),
        ("gamma", frame.gamma, 0.05..=20.0),
        ("vignetting", scene.sensor.vignetting, -1.0..=1.0),
        ("stray light", scene.sensor.stray, 0.0..=1.0),
    ];
    if let Some(noise) = scene.sensor.noise {
        values.push(("full well", noise.full_well_e, 1.0..=1e9));
        values.push(("read noise", noise.read_noise_e, 0.0..=1e6));
    }
    for light in &scene.lights {
        values.push(("gain", light.gain, 0.0..=1e3));
        values.push(("blur sigma", light.blur.sigma_px[0], 0.0..=500.0));
        values.push(("blur sigma", light.blur.sigma_px[1], 0.0..=500.0));
        values.push(("smear", light.blur.smear_px, 0.0..=500.0));
    }
    for pose in [&scene.bench_from_part, &scene.bench_from_board] {
        values.push(("x of a pose", pose.x_mm, -1e4..=1e4));
        values.push(("y of a pose", pose.y_mm, -1e4..=1e4));
        values.push(("theta of a pose", pose.theta_rad, -100.0..=100.0));
    }
    let outside = values.into_iter().find(|(_, value, range)| !range.contains(value));
    outside.map_or(Ok(()), |(what, value, _)| Err(SceneError::Value { what, value }))
}
