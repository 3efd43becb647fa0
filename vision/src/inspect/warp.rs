//! The way from a flat pattern into a picture: a homography, and a cubic for what a real lens adds to it.

use crate::cubic::Cubic;
use crate::view::{PointPx, project};
use nalgebra::{Matrix2, Matrix3, SMatrix, SymmetricEigen};

/// A smooth map from the plane of a pattern to pixels.
#[derive(Debug, Clone)]
pub(crate) struct Warp {
    px_from_uv: Matrix3<f64>,
    /// What is added to the homography, px.
    bend: Option<Cubic>,
}

/// A cubic needs so many points to a coefficient, and must take away so much of the scatter, to be believed.
const POINTS_PER_TERM: usize = 5;
const WORTHWHILE: f64 = 0.85;

impl Warp {
    /// Fits the map to pairs of pattern places and pixels, outliers left out; `None` below four points or when they lie on one line.
    pub fn fit(uv: &[[f64; 2]], px: &[PointPx]) -> Option<Self> {
        let first = Self::fit_all(uv, px)?;
        let mut residuals: Vec<f64> = uv.iter().zip(px).map(|(a, b)| first.px(a[0], a[1]).distance(*b)).collect();
        let limit = {
            let mut sorted = residuals.clone();
            sorted.sort_by(f64::total_cmp);
            (4.0 * sorted[sorted.len() / 2]).max(1e-6)
        };
        residuals.iter_mut().for_each(|r| *r = if *r > limit { f64::INFINITY } else { *r });
        let kept: Vec<usize> = (0..uv.len()).filter(|i| residuals[*i].is_finite()).collect();
        if kept.len() == uv.len() || kept.len() < 5 {
            return Some(first);
        }
        let (uv, px): (Vec<_>, Vec<_>) = kept.iter().map(|i| (uv[*i], px[*i])).unzip();
        Self::fit_all(&uv, &px).or(Some(first))
    }

    fn fit_all(uv: &[[f64; 2]], px: &[PointPx]) -> Option<Self> {
        let flat = Self { px_from_uv: homography(uv, px)?, bend: None };
        if uv.len() < Cubic::TERMS * POINTS_PER_TERM {
            return Some(flat);
        }
        let bent = Self { bend: bend(uv, px, &flat), ..flat.clone() };
        let freedom = (2.0 * uv.len() as f64 - 8.0) / (2.0 * (uv.len() - Cubic::TERMS) as f64);
        let better = bent.rms_px(uv, px) * freedom.sqrt() < WORTHWHILE * flat.rms_px(uv, px);
        Some(if better { bent } else { flat })
    }

    /// Where a place of the pattern is seen.
    pub fn px(&self, u: f64, v: f64) -> PointPx {
        let (x, y) = project(&self.px_from_uv, u, v);
        let Some(bend) = &self.bend else { return PointPx::new(x, y) };
        let [bend_x, bend_y] = bend.at([u, v]);
        PointPx::new(x + bend_x, y + bend_y)
    }

    /// d(px)/d(uv): columns are the steps along u and v.
    pub fn px_per_uv(&self, u: f64, v: f64, h: f64) -> Matrix2<f64> {
        let (a, b) = (self.px(u + h, v), self.px(u - h, v));
        let (c, d) = (self.px(u, v + h), self.px(u, v - h));
        Matrix2::new(a.x - b.x, c.x - d.x, a.y - b.y, c.y - d.y) / (2.0 * h)
    }

    /// The homography, px from pattern places, where it is all of the map.
    pub const fn flat(&self) -> Option<&Matrix3<f64>> {
        if self.bend.is_some() { None } else { Some(&self.px_from_uv) }
    }

    /// Root of the mean squared distance, px.
    pub fn rms_px(&self, uv: &[[f64; 2]], px: &[PointPx]) -> f64 {
        let sum: f64 = uv.iter().zip(px).map(|(a, b)| self.px(a[0], a[1]).distance(*b).powi(2)).sum();
        (sum / uv.len().max(1) as f64).sqrt()
    }

    /// Whether the horizon of the homography keeps well away from `(u, v)` as seen from `(u0, v0)`.
    pub fn is_before_horizon(&self, u: f64, v: f64, u0: f64, v0: f64) -> bool {
        let depth = |u: f64, v: f64| self.px_from_uv[(2, 0)] * u + self.px_from_uv[(2, 1)] * v + self.px_from_uv[(2, 2)];
        depth(u, v) / depth(u0, v0) > 0.2
    }
}

fn bend(uv: &[[f64; 2]], px: &[PointPx], flat: &Warp) -> Option<Cubic> {
    let beyond = |(a, b): (&[f64; 2], &PointPx)| {
        let seen = flat.px(a[0], a[1]);
        [b.x - seen.x, b.y - seen.y]
    };
    Cubic::fitted(uv, &uv.iter().zip(px).map(beyond).collect::<Vec<_>>(), 0.0)
}

/// The homography of least algebraic error over normalised points (Hartley 1997, doi:10.1109/34.601246).
fn homography(uv: &[[f64; 2]], px: &[PointPx]) -> Option<Matrix3<f64>> {
    if uv.len() < 4 || uv.len() != px.len() {
        return None;
    }
    let to = px.iter().map(|p| [p.x, p.y]).collect::<Vec<_>>();
    let (n_from, n_to) = (normaliser(uv)?, normaliser(&to)?);
    let mut normal = SMatrix::<f64, 9, 9>::zeros();
    for (a, b) in uv.iter().zip(&to) {
        let (u, v) = project(&n_from, a[0], a[1]);
        let (x, y) = project(&n_to, b[0], b[1]);
        let rows = [[u, v, 1.0, 0.0, 0.0, 0.0, -x * u, -x * v, -x], [0.0, 0.0, 0.0, u, v, 1.0, -y * u, -y * v, -y]];
        for row in rows {
            let row = SMatrix::<f64, 9, 1>::from(row);
            normal += row * row.transpose();
        }
    }
    let eigen = SymmetricEigen::new(normal);
    let mut order: Vec<usize> = (0..9).collect();
    order.sort_by(|a, b| eigen.eigenvalues[*a].total_cmp(&eigen.eigenvalues[*b]));
    // Points on one line leave more than one direction free.
    if eigen.eigenvalues[order[1]] < 1e-9 * eigen.eigenvalues[order[8]] {
        return None;
    }
    let h = eigen.eigenvectors.column(order[0]);
    let h = Matrix3::new(h[0], h[1], h[2], h[3], h[4], h[5], h[6], h[7], h[8]);
    let h = n_to.try_inverse()? * h * n_from;
    let h = if h[(2, 2)].abs() > 1e-12 { h / h[(2, 2)] } else { h };
    h.iter().all(|v| v.is_finite()).then_some(h)
}

/// Moves points to their mean and scales their mean distance to the square root of two.
fn normaliser(points: &[[f64; 2]]) -> Option<Matrix3<f64>> {
    let n = points.len() as f64;
    let (cx, cy) = points.iter().fold((0.0, 0.0), |(x, y), p| (x + p[0] / n, y + p[1] / n));
    let spread = points.iter().map(|p| (p[0] - cx).hypot(p[1] - cy)).sum::<f64>() / n;
    let s = std::f64::consts::SQRT_2 / spread;
    s.is_finite().then(|| Matrix3::new(s, 0.0, -s * cx, 0.0, s, -s * cy, 0.0, 0.0, 1.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn grid(n: usize) -> Vec<[f64; 2]> {
        (0..n * n).map(|i| [(i % n) as f64, (i / n) as f64]).collect()
    }

    #[test]
    fn a_homography_is_recovered_from_four_points_and_from_many() {
        let h = Matrix3::new(20.0, -3.0, 100.0, 2.0, 18.0, 90.0, 0.001, -0.004, 1.0);
        for n in [2, 6] {
            let uv = grid(n);
            let px: Vec<_> = uv.iter().map(|p| project(&h, p[0], p[1])).map(|(x, y)| PointPx::new(x, y)).collect();
            let warp = Warp::fit(&uv, &px).expect("a fit");
            assert!(warp.rms_px(&uv, &px) < 1e-6);
        }
    }

    #[test]
    fn points_on_one_line_give_no_map() {
        let uv: Vec<_> = (0..9).map(|i| [f64::from(i), 0.0]).collect();
        let px: Vec<_> = (0..9).map(|i| PointPx::new(10.0 * f64::from(i), 5.0)).collect();
        assert!(Warp::fit(&uv, &px).is_none());
    }

    #[test]
    fn the_bend_of_a_lens_is_followed_and_an_outlier_is_not() {
        let uv = grid(12);
        let place = |p: &[f64; 2]| {
            let (x, y) = (20.0 * (p[0] - 5.5), 20.0 * (p[1] - 5.5));
            let stretch = 1.0 - 1e-6 * (x * x + y * y);
            PointPx::new(x * stretch, y * stretch)
        };
        let truth: Vec<_> = uv.iter().map(place).collect();
        let mut px = truth.clone();
        px[40].x += 6.0;
        let warp = Warp::fit(&uv, &px).expect("a fit");
        assert!(warp.rms_px(&uv, &truth) < 0.05, "{}", warp.rms_px(&uv, &truth));
    }
}
