//! How far the camera looks from the side, where the perspective of one picture tells it.
//!
//! A plane's homography holds the focal length and the plane's normal, if pixels are square and the optical axis meets the picture's
//! middle (Zhang 2000, doi:10.1109/34.888718, equations 3 and 4). A picture that was cut off centre does not do so, and one from far
//! away hardly holds either; both show in that the halves of the sites do not agree.

use super::warp::Warp;
use crate::view::PointPx;
use nalgebra::{Matrix3, Vector3};

/// Estimates from the two halves of the sites and from all differ by less, radians: 1.5 degrees.
const AGREE_RAD: f64 = 0.026;
/// Fewer sites than this to a half make no homography worth the name.
const LEAST_OF_HALF: usize = 12;

/// The angle between the optical axis and the normal of the sites' plane, radians; `None` where the picture does not tell it.
/// `mm` and `px` pair up by index.
pub(crate) fn tilt_rad(mm: &[[f64; 2]], px: &[PointPx], width_px: usize, height_px: usize) -> Option<f64> {
    let middle = [(width_px as f64 - 1.0) / 2.0, (height_px as f64 - 1.0) / 2.0];
    let of = |keep: &dyn Fn(usize) -> bool| {
        let (mm, px): (Vec<[f64; 2]>, Vec<PointPx>) =
            mm.iter().zip(px).enumerate().filter(|(i, _)| keep(*i)).map(|(_, (m, p))| (*m, *p)).unzip();
        (mm.len() >= LEAST_OF_HALF).then(|| Warp::fit(&mm, &px)).flatten().and_then(|w| w.flat().and_then(|h| tilt_of(h, middle)))
    };
    let all = of(&|_| true)?;
    let halves = [of(&|i| i % 2 == 0)?, of(&|i| i % 2 == 1)?];
    halves.iter().all(|half| (half - all).abs() < AGREE_RAD).then_some(all)
}

fn tilt_of(px_from_mm: &Matrix3<f64>, [x, y]: [f64; 2]) -> Option<f64> {
    let h = Matrix3::new(1.0, 0.0, -x, 0.0, 1.0, -y, 0.0, 0.0, 1.0) * px_from_mm;
    let (a, b) = (h.column(0), h.column(1));
    // Both columns are perpendicular and equally long once the focal length is taken out: two equations for 1 / f².
    let with_f = [a[0] * b[0] + a[1] * b[1], a[0].powi(2) + a[1].powi(2) - b[0].powi(2) - b[1].powi(2)];
    let without = [a[2] * b[2], a[2].powi(2) - b[2].powi(2)];
    let per_f2 = -(with_f[0] * without[0] + with_f[1] * without[1]) / (with_f[0].powi(2) + with_f[1].powi(2));
    if !per_f2.is_finite() || per_f2 <= 0.0 {
        return None;
    }
    let per_f = per_f2.sqrt();
    let ray = |c: nalgebra::VectorView3<'_, f64>| Vector3::new(c[0] * per_f, c[1] * per_f, c[2]);
    let normal = ray(h.fixed_view::<3, 1>(0, 0)).cross(&ray(h.fixed_view::<3, 1>(0, 1)));
    Some((normal.z.abs() / normal.norm()).clamp(-1.0, 1.0).acos())
}

#[cfg(test)]
mod tests {
    use super::*;
    use nalgebra::Rotation3;

    /// Where a camera of 900 px focal length sees a 10 x 10 grid that is tilted about an oblique axis, with errors of `noise` px.
    fn seen(tilt_deg: f64, noise: f64) -> (Vec<[f64; 2]>, Vec<PointPx>) {
        let turn = Rotation3::from_axis_angle(&nalgebra::Unit::new_normalize(Vector3::new(0.8, 0.6, 0.0)), tilt_deg.to_radians());
        let places: Vec<[f64; 2]> = (0..100).map(|i| [f64::from(i % 10) - 4.5, f64::from(i / 10) - 4.5]).collect();
        let pixel = |(i, p): (usize, &[f64; 2])| {
            let q = turn * Vector3::new(p[0], p[1], 0.0) + Vector3::new(0.3, -0.2, 22.0);
            let off = |k: usize| noise * (((i * k) % 17) as f64 / 8.0 - 1.0);
            PointPx::new(319.5 + 900.0 * q.x / q.z + off(7), 239.5 - 900.0 * q.y / q.z + off(11))
        };
        let px = places.iter().enumerate().map(pixel).collect();
        (places, px)
    }

    #[test]
    fn a_tilt_is_told_to_a_degree_and_a_picture_straight_from_above_is_left_open_or_flat() {
        for tilt_deg in [12.0, 25.0, 40.0] {
            let (mm, px) = seen(tilt_deg, 0.05);
            let told = tilt_rad(&mm, &px, 640, 480).expect("perspective enough").to_degrees();
            assert!((told - tilt_deg).abs() < 1.0, "{told} for {tilt_deg}");
        }
        let (mm, px) = seen(0.0, 0.3);
        assert!(tilt_rad(&mm, &px, 640, 480).is_none_or(|t| t.to_degrees() < 8.0));
    }

    #[test]
    fn a_few_sites_tell_no_tilt() {
        let (mm, px) = seen(30.0, 0.0);
        assert_eq!(tilt_rad(&mm[..20], &px[..20], 640, 480), None);
    }
}
