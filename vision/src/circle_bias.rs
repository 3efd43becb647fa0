//! The centre of a circle's picture is not the picture of its centre: where optics tilt or bend, the outline lies off it.

use crate::directions::directions;
use crate::view::Sight;
use landfit_part::PointMm;
use nalgebra::{Matrix2, Vector2};
use std::sync::LazyLock;

/// Places round the outline at which the way through the optics is looked at.
const PLACES: usize = 16;

/// Sine and cosine of the directions to them.
static DIRECTIONS: LazyLock<[(f64, f64); PLACES]> = LazyLock::new(|| directions(0.0));

/// How far the outline of a circle about `centre` is seen off the picture of `centre` itself, px.
///
/// The outline is taken where it is seen, and the shift that brings an undistorted ellipse nearest to it, along the
/// outline's normals, is the answer: what a fit to the outline finds. For a tilted plane that is, to second order in
/// radius over distance, the centre of the ellipse (Heikkilä and Silven 1997, doi:10.1109/CVPR.1997.609468).
#[must_use]
pub(crate) fn outline_shift_px(sight: &Sight, centre: PointMm, radius_mm: f64) -> [f64; 2] {
    if sight.is_affine() {
        return [0.0; 2];
    }
    let middle = sight.px(centre);
    let px_per_mm = sight.px_per_mm(centre);
    let Some(normal_from_direction) = px_per_mm.try_inverse().map(|m| m.transpose()) else { return [0.0; 2] };
    let (mut matrix, mut right) = (Matrix2::<f64>::zeros(), Vector2::<f64>::zeros());
    for (sin, cos) in *DIRECTIONS {
        let direction = Vector2::new(cos, sin);
        let seen = sight.px(PointMm::new(centre.x + radius_mm * cos, centre.y + radius_mm * sin));
        let off = Vector2::new(seen.x - middle.x, seen.y - middle.y) - px_per_mm * direction * radius_mm;
        let normal = (normal_from_direction * direction).normalize();
        matrix += normal * normal.transpose();
        right += normal * normal.dot(&off);
    }
    matrix.try_inverse().map_or([0.0; 2], |inverse| (inverse * right).into())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::view::{Lens, PointPx, View};
    use landfit_part::Side;
    use nalgebra::Matrix3;

    /// `tests/check-values/perspective_bias.json`; its own SOURCE line says where the values come from.
    const CHECK: &str = include_str!("../../tests/check-values/perspective_bias.json");

    fn sight(px_from_mm: Matrix3<f64>, lens: Option<Lens>) -> Sight {
        Sight::new(&View { shows: Side::Part, exposure: 0, region_px: None, tint: [1.0; 3], px_from_mm }, lens).expect("invertible")
    }

    #[test]
    fn a_tilted_circle_is_seen_off_its_centre_by_the_checked_amounts() {
        let check: serde_json::Value = serde_json::from_str(CHECK).expect("JSON");
        let cases = check["circle"].as_array().expect("cases");
        assert_eq!(cases.len(), 4);
        for case in cases {
            let of = |name: &str| case[name].as_f64().expect("a number");
            let (tilt_rad, distance_mm) = (of("tilt_deg").to_radians(), of("distance_mm"));
            let (sin, cos) = tilt_rad.sin_cos();
            let px_per_mm = 80.0;
            let k = px_per_mm * distance_mm;
            let px_from_mm = Matrix3::new(k, 0.0, 0.0, 0.0, k * cos, 0.0, 0.0, sin, distance_mm);
            let [x, y] = outline_shift_px(&sight(px_from_mm, None), PointMm::ZERO, of("circle_radius_mm"));
            let seen_um = x.hypot(y) / px_per_mm * 1000.0;
            assert!((seen_um / of("bias_object_um") - 1.0).abs() < 2e-3, "{seen_um} for {case}");
            assert!(y < 0.0, "the nearer half is seen larger");
        }
    }

    #[test]
    fn straight_optics_shift_nothing_and_a_bending_lens_as_its_second_order_says() {
        let plain = Matrix3::new(80.0, 0.0, 640.0, 0.0, -80.0, 480.0, 0.0, 0.0, 1.0);
        let [x, y] = outline_shift_px(&sight(plain, None), PointMm::new(3.0, 2.0), 0.3);
        assert!(x.hypot(y) < 1e-6, "{x} {y}");

        let lens = Lens { k1: 0.05, k2: 0.0, centre_px: PointPx::new(640.0, 480.0), norm_px: 800.0 };
        let sight = sight(plain, Some(lens));
        let (centre, radius_mm) = (PointMm::new(5.0, 0.0), 0.3);
        let shift = outline_shift_px(&sight, centre, radius_mm);
        // The lens adds a r² times the way from its centre. To second order about a centre at x that is a x (3 u² + v²) along
        // the radius and 2 a x u v across it; its part along the normals of a circle of radius R is 3 a x R² cos φ, a plain shift.
        let expected_px = 3.0 * 0.05 / (10.0 * 10.0) * centre.x * radius_mm.powi(2) * 80.0;
        assert!((shift[0] / expected_px - 1.0).abs() < 0.05 && shift[1].abs() < 1e-6, "{shift:?}, {expected_px}");
    }
}
