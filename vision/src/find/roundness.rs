//! How far features are longer one way than across it, the same way on all of them: discs are round, but what lies half beside a land and
//! passes for a part of it makes the whole oblong.

use super::centre::Centre;
use super::look::Look;
use crate::median::upper_median;
use crate::plane::Plane;

/// Directions in which the outline is looked for.
const WAYS: usize = 16;
/// Steps of a way, px.
const STEP_PX: f64 = 0.5;
/// Features that are looked at, spread over those that are as usual.
const FEATURES: usize = 24;
/// The linear model of a shifted outline holds no further, px.
const FURTHEST_PX: f64 = 3.0;
/// A way is looked at from the outline to so many widths of its edge, either way.
const EDGES: f64 = 2.5;

/// By how much the outline lies further out on its long way than on the mean, px: the second harmonic of where it lies round the usual
/// feature. That is the median over features along every way, so that a hair or a trace at some of them does not count. `None` where too
/// little lies in the plane.
#[must_use]
pub fn elongation_px(plane: &Plane, look: &Look, centres: &[&Centre]) -> Option<f64> {
    let reach_px = (EDGES * look.edge_px).clamp(2.0, 0.5 * look.radius_px.max(4.0));
    let steps = (2.0 * reach_px / STEP_PX) as usize + 1;
    let radii: Vec<f64> = (0..steps).map(|i| look.outline_px - reach_px + i as f64 * STEP_PX).collect();
    let chosen: Vec<&&Centre> = centres.iter().step_by(centres.len().div_ceil(FEATURES).max(1)).collect();
    let mut harmonic = [0.0; 2];
    for way in 0..WAYS {
        let angle = std::f64::consts::TAU * way as f64 / WAYS as f64;
        let (sin, cos) = angle.sin_cos();
        let lights: Vec<Option<f64>> = radii.iter().map(|r| usual_light(plane, &chosen, [r * cos, r * sin])).collect();
        let out_px = outline_beyond(look, &radii, &lights)?;
        let twice = 2.0 * angle;
        harmonic[0] += 2.0 / WAYS as f64 * out_px * twice.cos();
        harmonic[1] += 2.0 / WAYS as f64 * out_px * twice.sin();
    }
    Some(harmonic[0].hypot(harmonic[1]))
}

/// The light so many px from features' middles that is usual over them: what lies at some of them only does not count.
pub(super) fn usual_light(plane: &Plane, centres: &[&&Centre], [x, y]: [f64; 2]) -> Option<f64> {
    upper_median(centres.iter().filter_map(|c| plane.known_light_at(c.at.x + x, c.at.y + y)))
}

/// By how much the outline lies beyond the look's on one way, px, by least squares with level and contrast as they are there; `None` where
/// the light does not tell.
fn outline_beyond(look: &Look, radii: &[f64], lights: &[Option<f64>]) -> Option<f64> {
    let (mut normal, mut right) = (nalgebra::Matrix3::<f64>::zeros(), nalgebra::Vector3::<f64>::zeros());
    for (r, light) in radii.iter().zip(lights) {
        let Some(light) = light else { continue };
        let (usual, slope) = look.at(*r as f32);
        let row = nalgebra::Vector3::new(1.0, f64::from(usual), -f64::from(slope));
        normal += row * row.transpose();
        right += row * *light;
    }
    let fit = normal.lu().solve(&right)?;
    let out_px = fit[2] / fit[1];
    out_px.is_finite().then(|| out_px.clamp(-FURTHEST_PX, FURTHEST_PX))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::find::centre::CentreFinder;
    use crate::find::look::Teacher;
    use crate::view::PointPx;

    /// How much longer features seem whose half axes are `radii` px, one of them crossed by a hair.
    fn elongation_of(radii: [f64; 2]) -> f64 {
        let (width, height) = (200, 160);
        let light = |i: usize| {
            let (x, y) = ((i % width) as f64 + 0.3, (i / width) as f64 + 0.6);
            let r = ((x.rem_euclid(40.0) - 20.0) / radii[0]).hypot((y.rem_euclid(40.0) - 20.0) / radii[1]);
            let hair = if (y - 20.0).abs() < 1.0 { 0.2 } else { 0.0 };
            (0.1 + hair + 0.5 / (1.0 + ((r - 1.0) * 20.0).exp())) as f32
        };
        let plane = Plane::of_light(width, height, (0..width * height).map(light).collect());
        let places: Vec<PointPx> = (0..20).map(|i| PointPx::new(f64::from(40 * (i % 5)) + 19.7, f64::from(40 * (i / 5)) + 19.4)).collect();
        let look = Look::learn(&plane, &places.iter().map(|p| Teacher::from(*p)).collect::<Vec<_>>(), 12.0).unwrap();
        let mut finder = CentreFinder::new(&plane, &look, [0.0; 2]);
        let centres: Vec<Centre> = places.iter().filter_map(|p| finder.measure(*p)).collect();
        elongation_px(&plane, &look, &centres.iter().collect::<Vec<_>>()).unwrap()
    }

    #[test]
    fn round_features_are_not_longer_one_way_and_oblong_ones_are_by_half_the_difference() {
        assert!(elongation_of([12.0, 12.0]) < 0.03, "{}", elongation_of([12.0, 12.0]));
        assert!((elongation_of([12.4, 11.6]) - 0.4).abs() < 0.05, "{}", elongation_of([12.4, 11.6]));
    }
}
