//! The way between the bench frame and the raw pixels of one view.

use crate::scene::{Lens, Optics, SceneError};
use landfit_part::PointMm;

type Matrix = [[f64; 3]; 3];

/// The way through one view, lens and tilt included.
#[derive(Debug, Clone)]
pub(crate) struct Sight {
    px_from_mm: Matrix,
    mm_from_px: Matrix,
    lens: Option<Lens>,
    /// Left, top, right and lower limits of the region's pixel centres.
    region_px: [f64; 4],
}

impl Sight {
    pub fn new(optics: &Optics, view: usize) -> Result<Self, SceneError> {
        let px_from_mm = optics.views[view].px_from_mm;
        let mm_from_px = inverse(&px_from_mm).ok_or(SceneError::Singular { view })?;
        let [width, height] = optics.frame.size_px.map(f64::from);
        let region_px = match optics.views[view].region_px {
            None => [0.0, 0.0, width - 1.0, height - 1.0],
            Some(r) => {
                let (x, y) = (f64::from(r.x), f64::from(r.y));
                [x, y, x + f64::from(r.width) - 1.0, y + f64::from(r.height) - 1.0]
            }
        };
        let leaves = region_px[2] > width - 1.0 || region_px[3] > height - 1.0;
        if leaves || region_px[2] < region_px[0] || region_px[3] < region_px[1] {
            return Err(SceneError::Region { view });
        }
        Ok(Self { px_from_mm, mm_from_px, lens: optics.lens, region_px })
    }

    /// Left, top, right and lower limits of the region's pixel centres.
    pub const fn region_px(&self) -> [f64; 4] {
        self.region_px
    }

    /// Whether a disc lies wholly inside the region's pixels.
    pub fn region_holds(&self, centre_px: [f64; 2], reach_px: f64) -> bool {
        let [left, top, right, bottom] = self.region_px;
        let [x, y] = centre_px;
        x - reach_px >= left - 0.5 && y - reach_px >= top - 0.5 && x + reach_px <= right + 0.5 && y + reach_px <= bottom + 0.5
    }

    /// Where a bench-frame point is seen, raw px.
    pub fn px(&self, p: PointMm) -> [f64; 2] {
        let [x, y] = project(&self.px_from_mm, p.x, p.y);
        self.lens.map_or([x, y], |lens| distort(&lens, x, y))
    }

    /// The bench-frame point that is seen at raw px.
    pub fn mm(&self, px: [f64; 2]) -> PointMm {
        let [x, y] = self.lens.map_or(px, |lens| undistort(&lens, px));
        let [x, y] = project(&self.mm_from_px, x, y);
        PointMm::new(x, y)
    }

    /// mm of bench x and y per px of picture x, then per px of picture y.
    pub fn mm_steps(&self, px: [f64; 2]) -> [PointMm; 2] {
        let [x, y] = px;
        let (h, half) = (0.5, 1.0);
        [(self.mm([x + h, y]) - self.mm([x - h, y])) * half, (self.mm([x, y + h]) - self.mm([x, y - h])) * half]
    }

    /// The larger scale near a bench-frame point, px per mm.
    pub fn px_per_mm(&self, p: PointMm) -> f64 {
        let h = 0.05;
        let span = |a: PointMm, b: PointMm| {
            let ([ax, ay], [bx, by]) = (self.px(a), self.px(b));
            (ax - bx).hypot(ay - by) / (2.0 * h)
        };
        let along_x = span(PointMm::new(p.x + h, p.y), PointMm::new(p.x - h, p.y));
        let along_y = span(PointMm::new(p.x, p.y + h), PointMm::new(p.x, p.y - h));
        along_x.max(along_y)
    }

    /// Whether a straight line stays straight and equal steps stay equal: neither lens nor tilt.
    pub fn is_affine(&self) -> bool {
        self.lens.is_none() && self.px_from_mm[2][0] == 0.0 && self.px_from_mm[2][1] == 0.0
    }
}

fn project(h: &Matrix, x: f64, y: f64) -> [f64; 2] {
    let row = |r: [f64; 3]| r[0] * x + r[1] * y + r[2];
    let w = row(h[2]);
    [row(h[0]) / w, row(h[1]) / w]
}

fn inverse(m: &Matrix) -> Option<Matrix> {
    let minor = |r: usize, c: usize| {
        let (r1, r2, c1, c2) = ((r + 1) % 3, (r + 2) % 3, (c + 1) % 3, (c + 2) % 3);
        m[r1][c1] * m[r2][c2] - m[r1][c2] * m[r2][c1]
    };
    let determinant = (0..3).map(|c| m[0][c] * minor(0, c)).sum::<f64>();
    if !determinant.is_finite() || determinant.abs() < 1e-12 {
        return None;
    }
    let mut out = [[0.0; 3]; 3];
    for (r, row) in out.iter_mut().enumerate() {
        for (c, value) in row.iter_mut().enumerate() {
            *value = minor(c, r) / determinant;
        }
    }
    Some(out)
}

fn distort(lens: &Lens, x: f64, y: f64) -> [f64; 2] {
    let (dx, dy) = ((x - lens.centre_px[0]) / lens.norm_px, (y - lens.centre_px[1]) / lens.norm_px);
    let r2 = dx * dx + dy * dy;
    let stretch = (1.0 + lens.k1 * r2 + lens.k2 * r2 * r2) * lens.norm_px;
    [lens.centre_px[0] + dx * stretch, lens.centre_px[1] + dy * stretch]
}

/// Fixed-point steps: the distortions of bench lenses are far below the limit where these stop converging.
fn undistort(lens: &Lens, seen_px: [f64; 2]) -> [f64; 2] {
    let (sx, sy) = ((seen_px[0] - lens.centre_px[0]) / lens.norm_px, (seen_px[1] - lens.centre_px[1]) / lens.norm_px);
    let (mut dx, mut dy) = (sx, sy);
    for _ in 0..60 {
        let r2 = dx * dx + dy * dy;
        let stretch = 1.0 + lens.k1 * r2 + lens.k2 * r2 * r2;
        let (next_x, next_y) = (sx / stretch, sy / stretch);
        let step = (next_x - dx).abs() + (next_y - dy).abs();
        (dx, dy) = (next_x, next_y);
        if step < 1e-13 {
            break;
        }
    }
    [lens.centre_px[0] + dx * lens.norm_px, lens.centre_px[1] + dy * lens.norm_px]
}
