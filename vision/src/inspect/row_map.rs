//! The way from the part's frame into a plain picture of its rows: a homography, for a hand-held camera is never quite square to them.

use crate::view::{PointPx, project};
use landfit_part::PointMm;
use nalgebra::{Matrix2, Matrix3, SMatrix, SVector, Vector2};

/// The axes of a scanner or a tilted picture differ by no more than this factor.
const MOST_UNEVEN: f64 = 1.15;
/// The axes of a part stay perpendicular but for this much (the cosine of the angle between them): more would lay one row a pitch over.
const MOST_SHEAR: f64 = 0.03;
/// Standard deviation of what a tilt does to the scale from the origin to the farthest site, where nothing is known of it: 10 degrees
/// before a lens of usual length, the part filling two thirds of the picture.
const PERSPECTIVE: f64 = 0.05;

/// px from mm.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Map(Matrix3<f64>);

/// The place of a point along a unit direction of the picture is that of another, as well as `u_px` says.
#[derive(Debug, Clone, Copy)]
pub(super) struct Seen {
    pub of: PointMm,
    pub along: Vector2<f64>,
    pub at: PointPx,
    pub u_px: f64,
}

impl Map {
    /// px from mm = `linear` p + `shift`; also a motion of the part frame.
    pub fn affine(linear: Matrix2<f64>, shift: Vector2<f64>) -> Self {
        Self(Matrix3::new(linear[(0, 0)], linear[(0, 1)], shift.x, linear[(1, 0)], linear[(1, 1)], shift.y, 0.0, 0.0, 1.0))
    }

    pub fn px(&self, p: PointMm) -> PointPx {
        let (x, y) = project(&self.0, p.x, p.y);
        PointPx::new(x, y)
    }

    /// What is seen at `q`; `None` at the horizon.
    pub fn mm(&self, q: PointPx) -> Option<PointMm> {
        let (x, y) = project(&self.0.try_inverse()?, q.x, q.y);
        (x.is_finite() && y.is_finite()).then(|| PointMm::new(x, y))
    }

    /// Derivative at a place, px per mm.
    pub fn px_per_mm(&self, p: PointMm) -> Matrix2<f64> {
        let h = &self.0;
        let w = h[(2, 0)] * p.x + h[(2, 1)] * p.y + h[(2, 2)];
        let q = self.px(p);
        let at = [q.x, q.y];
        Matrix2::from_fn(|i, j| (h[(i, j)] - at[i] * h[(2, j)]) / w)
    }

    /// `v` as it is seen at `p`, px.
    pub fn vector(&self, p: PointMm, v: PointMm) -> Vector2<f64> {
        self.px_per_mm(p) * Vector2::new(v.x, v.y)
    }

    /// The map without perspective that explains where lines lie best.
    pub fn fit(seen: &[Seen]) -> Option<Self> {
        let mut normal = SMatrix::<f64, 6, 6>::zeros();
        let mut right = SVector::<f64, 6>::zeros();
        for Seen { of: p, along, at, u_px } in seen {
            let row = SVector::<f64, 6>::from([along.x * p.x, along.x * p.y, along.y * p.x, along.y * p.y, along.x, along.y]);
            let weight = 1.0 / (u_px * u_px);
            normal += row * row.transpose() * weight;
            right += row * ((along.x * at.x + along.y * at.y) * weight);
        }
        let s = normal.cholesky()?.solve(&right);
        s.iter().all(|v| v.is_finite()).then(|| Self::affine(Matrix2::new(s[0], s[1], s[2], s[3]), Vector2::new(s[4], s[5])))
    }

    /// The homography that explains where lines lie best, from this one on (Gauss–Newton); perspective only as far as it shows.
    pub fn refined(&self, seen: &[Seen]) -> Option<Self> {
        let reach_mm = seen.iter().map(|s| s.of.norm()).fold(0.0, f64::max);
        let mut h = self.0 / self.0[(2, 2)];
        for _ in 0..3 {
            let map = Self(h);
            let mut normal = SMatrix::<f64, 8, 8>::zeros();
            let mut right = SVector::<f64, 8>::zeros();
            for Seen { of: p, along, at, u_px } in seen {
                let w = h[(2, 0)] * p.x + h[(2, 1)] * p.y + 1.0;
                let q = map.px(*p);
                let here = along.x * q.x + along.y * q.y;
                let [x, y] = [along.x, along.y];
                let row = SVector::<f64, 8>::from([x * p.x, x * p.y, x, y * p.x, y * p.y, y, -here * p.x, -here * p.y]) / w;
                let weight = 1.0 / (u_px * u_px);
                normal += row * row.transpose() * weight;
                right += row * ((x * at.x + y * at.y - here) * weight);
            }
            let prior = (reach_mm / PERSPECTIVE).powi(2);
            for k in [0, 1] {
                normal[(6 + k, 6 + k)] += prior;
                right[6 + k] -= prior * h[(2, k)];
            }
            let s = normal.cholesky()?.solve(&right);
            h += Matrix3::new(s[0], s[1], s[2], s[3], s[4], s[5], s[6], s[7], 0.0);
        }
        h.iter().all(|v| v.is_finite()).then_some(Self(h))
    }

    /// This map of what was moved by a shift, part frame.
    pub fn moved(&self, by_mm: PointMm) -> Self {
        self.after(&Self::affine(Matrix2::identity(), Vector2::new(by_mm.x, by_mm.y)))
    }

    /// This map of what a motion of the part frame has moved.
    pub fn after(&self, motion: &Self) -> Self {
        Self(self.0 * motion.0)
    }

    /// Whether a camera or a scanner may see a part so.
    pub fn is_plausible(&self) -> bool {
        let px_per_mm = self.px_per_mm(PointMm::ZERO);
        let stretch = px_per_mm.singular_values();
        let (x, y) = (px_per_mm.column(0), px_per_mm.column(1));
        let shear = x.dot(&y).abs() / (x.norm() * y.norm()).max(1e-12);
        stretch.min() > 1e-6 && stretch.max() <= MOST_UNEVEN * stretch.min() && shear <= MOST_SHEAR
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Two rows of eight at 0.8 mm, 6 mm apart, as a homography shows them.
    fn rows_seen(map: &Map) -> Vec<Seen> {
        let places = (0..8).flat_map(|k| [-3.0, 3.0].map(|y| PointMm::new(0.8 * f64::from(k) - 2.8, y)));
        let both_ways = |p: PointMm| [Vector2::x(), Vector2::y()].map(|along| Seen { of: p, along, at: map.px(p), u_px: 0.1 });
        places.flat_map(both_ways).collect()
    }

    #[test]
    fn a_tilt_is_found_again_and_a_straight_look_stays_straight() {
        let straight = Map::affine(Matrix2::new(0.9, -40.0, -40.0, -0.9), Vector2::new(320.0, 240.0));
        let mut tilted = straight;
        (tilted.0[(2, 0)], tilted.0[(2, 1)]) = (0.006, -0.004);
        for truth in [straight, tilted] {
            let seen = rows_seen(&truth);
            let found = Map::fit(&seen).and_then(|start| start.refined(&seen)).expect("a map");
            for s in &seen {
                assert!(found.px(s.of).distance(s.at) < 0.02, "{:?} {:?}", found.px(s.of), s.at);
            }
            assert!((found.0[(2, 0)] - truth.0[(2, 0)]).abs() < 1e-4, "{}", found.0);
            let back = found.mm(found.px(PointMm::new(1.5, 2.0))).expect("a place");
            assert!(back.distance(PointMm::new(1.5, 2.0)) < 1e-9);
        }
    }
}
