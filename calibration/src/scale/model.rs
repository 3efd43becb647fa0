//! Where a point of a target is seen, as a function of everything unknown: lens, views, and where the target lay.

use landfit_part::{PointMm, Pose};
use landfit_vision::view::project;
use landfit_vision::{Lens, PointPx};
use nalgebra::{DVector, Matrix2, Matrix3};

pub(super) const LENS: usize = 4;
pub(super) const VIEW: usize = 8;
pub(super) const PLACEMENT: usize = 3;

/// What turns the unknowns, all of size one, into px and mm.
#[derive(Debug, Clone)]
pub(super) struct Model {
    /// The picture's middle.
    pub middle_px: PointPx,
    /// The radius, px, at which r = 1.
    pub norm_px: f64,
    /// Middle and half extent, mm, of what each view saw of the bench frame.
    pub views_mm: Vec<(PointMm, f64)>,
    /// How often the target was put down.
    pub placements: usize,
}

/// What one observation depends on.
#[derive(Debug, Clone, Copy)]
pub(super) struct Where {
    pub view: usize,
    pub placement: usize,
}

impl Model {
    pub fn unknowns(&self) -> usize {
        LENS + VIEW * self.views_mm.len() + PLACEMENT * self.placements
    }

    pub const fn view_at(view: usize) -> usize {
        LENS + VIEW * view
    }

    pub fn placement_at(&self, placement: usize) -> usize {
        LENS + VIEW * self.views_mm.len() + PLACEMENT * placement
    }

    /// The indices of the unknowns that an observation depends on.
    pub fn touched(&self, at: Where) -> [usize; LENS + VIEW + PLACEMENT] {
        let (v, p) = (Self::view_at(at.view), self.placement_at(at.placement));
        std::array::from_fn(|i| {
            if i < LENS {
                i
            } else if i < LENS + VIEW {
                v + i - LENS
            } else {
                p + i - LENS - VIEW
            }
        })
    }

    pub fn lens(&self, unknowns: &DVector<f64>) -> Lens {
        let centre_px = PointPx::new(self.middle_px.x + unknowns[2] * self.norm_px, self.middle_px.y + unknowns[3] * self.norm_px);
        Lens { k1: unknowns[0], k2: unknowns[1], centre_px, norm_px: self.norm_px }
    }

    pub fn placement(&self, unknowns: &DVector<f64>, placement: usize) -> Pose {
        let at = self.placement_at(placement);
        Pose::new(unknowns[at], unknowns[at + 1], unknowns[at + 2])
    }

    /// Homography from bench-frame mm to lens-corrected px.
    pub fn px_from_mm(&self, unknowns: &DVector<f64>, view: usize) -> Matrix3<f64> {
        let (centre, half) = self.views_mm[view];
        let h = &unknowns.as_slice()[Self::view_at(view)..];
        let (n, m) = (self.norm_px, self.middle_px);
        let to = Matrix3::new(n, 0.0, m.x, 0.0, n, m.y, 0.0, 0.0, 1.0);
        let inner = Matrix3::new(h[0], h[1], h[2], h[3], h[4], h[5], h[6], h[7], 1.0);
        let from = Matrix3::new(1.0 / half, 0.0, -centre.x / half, 0.0, 1.0 / half, -centre.y / half, 0.0, 0.0, 1.0);
        let all = to * inner * from;
        all / all[(2, 2)]
    }

    /// Sets a view's unknowns to a homography.
    pub fn set_view(&self, unknowns: &mut DVector<f64>, view: usize, px_from_mm: &Matrix3<f64>) {
        let (centre, half) = self.views_mm[view];
        let (n, m) = (self.norm_px, self.middle_px);
        let to = Matrix3::new(1.0 / n, 0.0, -m.x / n, 0.0, 1.0 / n, -m.y / n, 0.0, 0.0, 1.0);
        let from = Matrix3::new(half, 0.0, centre.x, 0.0, half, centre.y, 0.0, 0.0, 1.0);
        let inner = to * px_from_mm * from;
        let inner = inner / inner[(2, 2)];
        let at = Self::view_at(view);
        for i in 0..VIEW {
            unknowns[at + i] = inner[(i / 3, i % 3)];
        }
    }

    /// Where a view sees a point of the bench frame, raw px.
    pub fn seen_from_bench(&self, unknowns: &DVector<f64>, view: usize, at: PointMm) -> PointPx {
        let h = &unknowns.as_slice()[Self::view_at(view)..];
        self.through(unknowns, h, view, at)
    }

    fn through(&self, unknowns: &DVector<f64>, h: &[f64], view: usize, at: PointMm) -> PointPx {
        let (centre, half) = self.views_mm[view];
        let (u, v) = ((at.x - centre.x) / half, (at.y - centre.y) / half);
        let depth = h[6] * u + h[7] * v + 1.0;
        let (x, y) = ((h[0] * u + h[1] * v + h[2]) / depth, (h[3] * u + h[4] * v + h[5]) / depth);
        let (dx, dy) = (x - unknowns[2], y - unknowns[3]);
        let r2 = dx * dx + dy * dy;
        let bend = unknowns[0] * r2 + unknowns[1] * r2 * r2;
        PointPx::new(self.middle_px.x + (x + dx * bend) * self.norm_px, self.middle_px.y + (y + dy * bend) * self.norm_px)
    }

    /// Where a point of the target is seen, raw px.
    pub fn seen(&self, unknowns: &DVector<f64>, at: Where, target_mm: PointMm) -> PointPx {
        let bench = self.placement(unknowns, at.placement).apply(target_mm);
        self.seen_from_bench(unknowns, at.view, bench)
    }

    /// How far the middle of a disc's picture lies from the picture of its middle, px: what tilt and lens do to a disc.
    ///
    /// The centre of the projected area to second order, R²/8 ∇²f + R²/4 Σ ∂f ∂ln|J|; for a homography it is the centre of the
    /// ellipse (Heikkilä & Silvén, CVPR 1997).
    pub fn disc_bias_px(&self, unknowns: &DVector<f64>, at: Where, centre_mm: PointMm, diameter_mm: f64) -> [f64; 2] {
        let radius = diameter_mm / 2.0;
        if radius <= 0.0 {
            return [0.0; 2];
        }
        let f = |x: f64, y: f64| {
            let p = self.seen(unknowns, at, PointMm::new(centre_mm.x + radius * x, centre_mm.y + radius * y));
            [p.x, p.y]
        };
        // All in units of the radius, so that R drops out.
        let grid: [[[f64; 2]; 3]; 3] = std::array::from_fn(|i| std::array::from_fn(|j| f(i as f64 - 1.0, j as f64 - 1.0)));
        let slopes = |i: usize, j: usize| -> Matrix2<f64> {
            // One-sided towards the middle at the rim would cost order; the far points are asked for instead.
            let (x, y) = (i as f64 - 1.0, j as f64 - 1.0);
            let (a, b, c, d) = (f(x + 1.0, y), f(x - 1.0, y), f(x, y + 1.0), f(x, y - 1.0));
            Matrix2::new(a[0] - b[0], c[0] - d[0], a[1] - b[1], c[1] - d[1]) / 2.0
        };
        let middle = slopes(1, 1);
        let log = |m: Matrix2<f64>| m.determinant().abs().ln();
        let grows = [(log(slopes(2, 1)) - log(slopes(0, 1))) / 2.0, (log(slopes(1, 2)) - log(slopes(1, 0))) / 2.0];
        std::array::from_fn(|k| {
            let bend = grid[2][1][k] + grid[0][1][k] + grid[1][2][k] + grid[1][0][k] - 4.0 * grid[1][1][k];
            bend / 8.0 + (middle[(k, 0)] * grows[0] + middle[(k, 1)] * grows[1]) / 4.0
        })
    }

    /// The bench-frame point that a view sees at raw px.
    pub fn bench_from_seen(&self, unknowns: &DVector<f64>, view: usize, seen: PointPx) -> Option<PointMm> {
        let ideal = self.lens(unknowns).ideal_from_seen(seen);
        let inverse = self.px_from_mm(unknowns, view).try_inverse()?;
        let (x, y) = project(&inverse, ideal.x, ideal.y);
        (x.is_finite() && y.is_finite()).then_some(PointMm::new(x, y))
    }

    /// d(raw px)/d(bench mm) of a view at a bench-frame point.
    pub fn px_per_mm(&self, unknowns: &DVector<f64>, view: usize, at: PointMm) -> Matrix2<f64> {
        let h = 1e-4 * self.views_mm[view].1;
        let p = |dx: f64, dy: f64| self.seen_from_bench(unknowns, view, PointMm::new(at.x + dx, at.y + dy));
        let (a, b, c, d) = (p(h, 0.0), p(-h, 0.0), p(0.0, h), p(0.0, -h));
        Matrix2::new(a.x - b.x, c.x - d.x, a.y - b.y, c.y - d.y) / (2.0 * h)
    }
}
