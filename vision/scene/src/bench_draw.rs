//! Random optics, lights and poses, and whether everything lies in view.

use crate::ranges::Ranges;
use crate::scene::{Blur, Frame, Light, Optics, SceneError, View};
use crate::sight::Sight;
use landfit_part::{Part, PointMm, Pose, Side, Site};
use rand::Rng;
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;

/// Two lights in one colour picture: part first, board second.
pub(crate) fn draw_optics(ranges: &Ranges, um_per_px: f64, rng: &mut ChaCha8Rng) -> Optics {
    let camera = &ranges.camera;
    let [width, height] = camera.size_px.map(f64::from);
    let quarters = if rng.random_bool(camera.quarter_turn_share) { rng.random_range(1..4) } else { 0 };
    let turn_rad = camera.turn_deg.draw(rng).to_radians() + f64::from(quarters) * std::f64::consts::FRAC_PI_2;
    let middle_px = [width / 2.0 - 0.5 + camera.centre_px.draw(rng), height / 2.0 - 0.5 + camera.centre_px.draw(rng)];
    let px_per_mm = 1000.0 / um_per_px;
    let squeeze = camera.squeeze.draw(rng);
    let pair = &ranges.light.pairs[rng.random_range(0..ranges.light.pairs.len())];
    let mut view = |shows: Side, base: [f64; 3]| {
        let turn_rad = turn_rad + 0.5 * camera.registration_deg.draw(rng).to_radians();
        let px_per_mm = px_per_mm * (1.0 + 0.5 * camera.registration_scale.draw(rng));
        let [cx, cy] = middle_px.map(|c| c + 0.5 * camera.registration_px.draw(rng));
        let (s, c) = turn_rad.sin_cos();
        let (kx, ky) = (px_per_mm * (1.0 + squeeze), px_per_mm);
        let px_from_mm = [[kx * c, -kx * s, cx], [-ky * s, -ky * c, cy], [0.0, 0.0, 1.0]];
        let strength = ranges.light.tint_strength.draw(rng);
        let tint = base.map(|b| strength * (b + (1.0 - b) * ranges.light.crosstalk.draw(rng)));
        View { shows, exposure: 0, region_px: None, tint, px_from_mm }
    };
    let views = vec![view(Side::Part, pair.part), view(Side::Board, pair.board)];
    let frame = Frame { size_px: camera.size_px, channels: 3, bits: 8, black: 0.0, white: 255.0, gamma: 1.0 };
    Optics { frame, lens: None, views }
}

/// One light for each view, equally sharp but for the optics' own differences.
pub(crate) fn draw_lights(ranges: &Ranges, n_views: usize, rng: &mut ChaCha8Rng) -> Vec<Light> {
    let sigma_px = ranges.camera.blur_px.draw(rng);
    (0..n_views)
        .map(|_| {
            let mut side = || sigma_px * ranges.camera.blur_ratio.draw(rng);
            let sigma_px = [side(), side()];
            let gradient = [ranges.light.gradient.draw(rng), ranges.light.gradient.draw(rng)];
            Light { gain: 1.0, gradient, blur: Blur { sigma_px, ..Blur::round(0.0) } }
        })
        .collect()
}

/// What the bench file says of true optics: the same but for the tints' own error and their free factor.
pub(crate) fn state_optics(ranges: &Ranges, optics: &Optics, rng: &mut ChaCha8Rng) -> Optics {
    let mut stated = optics.clone();
    for view in &mut stated.views {
        let factor = rng.random_range(0.8..1.2);
        view.tint = view.tint.map(|t| {
            let error = ranges.light.tint_error * rng.sample::<f64, _>(StandardNormal);
            (t * factor * (1.0 + error) * 10_000.0).round() / 10_000.0
        });
    }
    stated
}

/// Half the narrow side of the widest of a site's pieces, mm.
pub(crate) fn reach_mm(site: &Site, side: Side) -> f64 {
    site.pieces(side).iter().map(|p| p.shape.narrow_mm() / 2.0).fold(0.0, f64::max)
}

/// How far one side's outlines reach beyond the picture's left, upper, right and lower edges, px; negative where they
/// stay inside.
pub(crate) fn overhang_px(optics: &Optics, side: Side, part: &Part, pose: &Pose) -> Result<[f64; 4], SceneError> {
    let [width, height] = optics.frame.size_px.map(f64::from);
    let mut worst = [f64::NEG_INFINITY; 4];
    for (index, view) in optics.views.iter().enumerate().filter(|(_, v)| v.shows == side) {
        let sight = Sight::new(optics, index)?;
        debug_assert_eq!(view.shows, side);
        let px_per_mm = sight.px_per_mm(PointMm::ZERO);
        for site in &part.sites {
            let [x, y] = sight.px(pose.apply(site.centre_mm(side)));
            let reach = px_per_mm * reach_mm(site, side);
            let beyond = [-0.5 - (x - reach), -0.5 - (y - reach), x + reach - (width - 0.5), y + reach - (height - 0.5)];
            for (w, b) in worst.iter_mut().zip(beyond) {
                *w = w.max(b);
            }
        }
    }
    Ok(worst)
}
