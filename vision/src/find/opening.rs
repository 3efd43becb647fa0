//! How far an opening that lies off its land pulls the land's measured centre.
//!
//! A land is seen inside the opening of the solder mask, and the mask may lie off the copper by more than the gap between
//! them. On one side the land then borders on bare laminate, on the other on the mask, or the mask even covers its edge. All
//! lands of a board share that, so that it pulls all centres the same way and no lattice tells it. The mean picture of all
//! features shows it almost without noise: two discs, the land within the opening, each with its own centre, are fitted to it
//! by least squares (Levenberg–Marquardt; Marquardt 1963, doi:10.1137/0111030).

use super::look::Look;
use crate::plane::Plane;
use crate::view::PointPx;
use nalgebra::{SMatrix, SVector};

/// How far the true centres lie from the measured ones.
#[derive(Debug, Clone, Copy)]
pub struct Pull {
    /// To be added to every measured centre, px of the plane.
    pub shift_px: [f64; 2],
    /// Its standard uncertainty along each axis, px.
    pub u_px: f64,
}

/// At most so many features make the mean picture.
const MOST_FEATURES: usize = 64;
/// The mean picture reaches so far, as a share of the outline's radius: openings are a tenth to a third larger than lands.
const REACH: f64 = 1.75;
/// What lies further inside than this share of the radius is the land's own relief.
const INNER: f64 = 0.55;
/// The difference between laminate and mask, as a share of the step at the land's outline, below which there is no opening to fit.
const LEAST_OPENING: f64 = 0.05;
/// Share of the correction that stays in doubt: the model has sharp discs of even light, boards do not. Found on rendered lands.
const SHIFT_DOUBT: f64 = 0.25;
/// Further than this share of the radius no opening pulls a land.
const MOST_SHIFT: f64 = 0.15;
const MOST_STEPS: usize = 30;

const UNKNOWNS: usize = 12;
type Unknowns = SVector<f64, UNKNOWNS>;
/// Places of the unknowns: centre and radius of the land, then of the opening, px; light of the land, its slope along x and y
/// per px, of the laminate and of the mask; blur, px.
const LAND: usize = 0;
const LAND_RADIUS: usize = 2;
const OPENING: usize = 3;
const OPENING_RADIUS: usize = 5;
const LIGHT: usize = 6;
const SLOPE: usize = 7;
const LAMINATE: usize = 9;
const MASK: usize = 10;
const BLUR: usize = 11;

/// Fits land and opening to the mean picture of the features at `centres` (px of the plane). `None` where no opening shows, or
/// where the fit does not come to rest.
#[must_use]
pub fn pull(plane: &Plane, look: &Look, centres: &[PointPx]) -> Option<Pull> {
    let radius_px = look.outline_px;
    let mean = MeanPicture::of(plane, centres, radius_px);
    let inside = mean.light_at(radius_px * 0.7);
    let outside = mean.light_at(radius_px * REACH * 0.97);
    let mut best: Option<Fitted> = None;
    for (gap, away) in [(0.15, 0.0), (0.2, 1.0), (0.3, 1.0)] {
        let (x, y) = mean.brighter_way(radius_px * (1.0 + gap / 2.0), inside - outside);
        let start = Unknowns::from([
            0.0,
            0.0,
            radius_px,
            away * gap * radius_px * x,
            away * gap * radius_px * y,
            radius_px * (1.0 + gap),
            inside,
            0.0,
            0.0,
            outside + 0.25 * (inside - outside),
            outside,
            look.blur_px.max(0.8),
        ]);
        if let Some(fitted) = mean.fit(start)
            && best.as_ref().is_none_or(|b| fitted.variance < b.variance)
        {
            best = Some(fitted);
        }
    }
    let Fitted { unknowns: u, variance, inverse } = best?;
    // What is fitted must be a land of the size that shows, within an opening that it can lie in.
    let gap_px = u[OPENING_RADIUS] - u[LAND_RADIUS];
    let is_opening = (u[LAND_RADIUS] / radius_px - 1.0).abs() < 0.12
        && (0.03 * radius_px..(REACH - 1.0) * radius_px).contains(&gap_px)
        && (u[OPENING] - u[LAND]).hypot(u[OPENING + 1] - u[LAND + 1]) < 2.0 * gap_px
        && (u[LAMINATE] - u[MASK]).abs() > LEAST_OPENING * (u[LIGHT] - u[LAMINATE]).abs()
        && u[LAND].hypot(u[LAND + 1]) < MOST_SHIFT * radius_px;
    let own = (0.5 * variance * (inverse[(LAND, LAND)] + inverse[(LAND + 1, LAND + 1)])).max(0.0).sqrt();
    is_opening.then(|| Pull { shift_px: [u[LAND], u[LAND + 1]], u_px: own.hypot(SHIFT_DOUBT * u[LAND].hypot(u[LAND + 1])) })
}

/// What least squares found.
struct Fitted {
    unknowns: Unknowns,
    /// Of what is left over, light squared.
    variance: f64,
    /// Of the normal matrix.
    inverse: SMatrix<f64, UNKNOWNS, UNKNOWNS>,
}

/// The mean of many features' light about their centres, pixel by pixel.
struct MeanPicture {
    /// Place from the centre, px, and light.
    pixels: Vec<[f64; 3]>,
}

impl MeanPicture {
    fn of(plane: &Plane, centres: &[PointPx], radius_px: f64) -> Self {
        let reach = (REACH * radius_px).ceil() as isize;
        let edge = (2 * reach + 2) as usize;
        let mut sums = vec![[0.0_f64; 2]; edge * edge];
        for centre in centres.iter().step_by(centres.len().div_ceil(MOST_FEATURES).max(1)) {
            // Each pixel's light is shared among the four cells about its place.
            let (base_x, base_y) = (centre.x.floor(), centre.y.floor());
            let (part_x, part_y) = (1.0 - (centre.x - base_x), 1.0 - (centre.y - base_y));
            for row in -reach..=reach {
                for col in -reach..=reach {
                    let (x, y) = (base_x as isize + col, base_y as isize + row);
                    if x < 0 || y < 0 || x as usize >= plane.width || y as usize >= plane.height {
                        continue;
                    }
                    let i = y as usize * plane.width + x as usize;
                    if !plane.is_known(i) {
                        continue;
                    }
                    let light = f64::from(plane.light[i]);
                    // The pixel lies at col - (centre - base), between the cells col - 1 and col.
                    let cell = (row + reach) as usize * edge + (col + reach) as usize;
                    for (offset, weight) in [
                        (0, (1.0 - part_x) * (1.0 - part_y)),
                        (1, part_x * (1.0 - part_y)),
                        (edge, (1.0 - part_x) * part_y),
                        (edge + 1, part_x * part_y),
                    ] {
                        sums[cell + offset][0] += light * weight;
                        sums[cell + offset][1] += weight;
                    }
                }
            }
        }
        let pixels = (0..edge * edge)
            .filter(|&i| sums[i][1] > 0.0)
            .map(|i| [(i % edge) as f64 - reach as f64 - 1.0, (i / edge) as f64 - reach as f64 - 1.0, sums[i][0] / sums[i][1]])
            .filter(|[x, y, _]| (INNER * radius_px..REACH * radius_px).contains(&x.hypot(*y)))
            .collect();
        Self { pixels }
    }

    /// Mean light about a distance from the centre, px.
    fn light_at(&self, r_px: f64) -> f64 {
        let near = || self.pixels.iter().filter(|[x, y, _]| (x.hypot(*y) - r_px).abs() < 1.0);
        near().map(|p| p[2]).sum::<f64>() / near().count().max(1) as f64
    }

    /// Unit vector towards the side where the light at a distance is more like the inside's.
    fn brighter_way(&self, r_px: f64, step: f64) -> (f64, f64) {
        let near = self.pixels.iter().filter(|[x, y, _]| (x.hypot(*y) - r_px).abs() < 1.5);
        let (x, y) = near.fold((0.0, 0.0), |(sx, sy), [x, y, l]| (sx + x * l * step, sy + y * l * step));
        let norm = x.hypot(y).max(1e-300);
        (x / norm, y / norm)
    }

    /// Least squares from a start; `None` when they do not come to rest.
    fn fit(&self, start: Unknowns) -> Option<Fitted> {
        let squares = |u: &Unknowns| self.pixels.iter().map(|[x, y, l]| (l - light_and_slope(u, *x, *y).0).powi(2)).sum::<f64>();
        let (mut u, mut least, mut damping) = (start, squares(&start), 1e-3);
        let mut normal = SMatrix::<f64, UNKNOWNS, UNKNOWNS>::zeros();
        let mut is_at_rest = false;
        for _ in 0..MOST_STEPS {
            normal.fill(0.0);
            let mut right = Unknowns::zeros();
            for [x, y, l] in &self.pixels {
                let (light, slope) = light_and_slope(&u, *x, *y);
                normal.syger(1.0, &slope, &slope, 1.0);
                right += slope * (l - light);
            }
            normal.fill_upper_triangle_with_lower_triangle();
            let mut damped = normal;
            for i in 0..UNKNOWNS {
                damped[(i, i)] *= 1.0 + damping;
                damped[(i, i)] += 1e-12;
            }
            let step = damped.cholesky()?.solve(&right);
            let next = u + step;
            let after = squares(&next);
            if after < least {
                is_at_rest = least - after < 1e-4 * least;
                (u, least, damping) = (next, after, damping / 5.0);
            } else {
                damping *= 8.0;
                is_at_rest = damping > 1e6;
            }
            if is_at_rest {
                break;
            }
        }
        if !is_at_rest {
            return None;
        }
        let freedom = (self.pixels.len() as f64 - UNKNOWNS as f64).max(1.0);
        Some(Fitted { unknowns: u, variance: least / freedom, inverse: normal.try_inverse()? })
    }
}

/// A disc's share of the light at a place, and how that changes with the disc's centre and radius, and with the blur.
struct Disc {
    share: f64,
    slope: [f64; 3],
    per_blur: f64,
}

impl Disc {
    /// At a place from its centre, px.
    fn at(x: f64, y: f64, radius_px: f64, blur_px: f64) -> Self {
        let (r, blur_px) = ((x * x + y * y).sqrt().max(1e-9), blur_px.abs().max(0.3));
        let t = (radius_px - r) / blur_px;
        let density = (-0.5 * t * t).exp() / (blur_px * std::f64::consts::TAU.sqrt());
        Self { share: normal_share(t), slope: [density * x / r, density * y / r, density], per_blur: -density * t }
    }
}

/// Light of the land within its opening at a place from the mean picture's middle, px, and how it changes with each unknown.
fn light_and_slope(u: &Unknowns, x: f64, y: f64) -> (f64, Unknowns) {
    let land = Disc::at(x - u[LAND], y - u[LAND + 1], u[LAND_RADIUS], u[BLUR]);
    let opening = Disc::at(x - u[OPENING], y - u[OPENING + 1], u[OPENING_RADIUS], u[BLUR]);
    let over_laminate = u[LIGHT] + u[SLOPE] * x + u[SLOPE + 1] * y - u[LAMINATE];
    let within = u[LAMINATE] - u[MASK] + over_laminate * land.share;
    let mut slope = Unknowns::zeros();
    for i in 0..3 {
        slope[LAND + i] = opening.share * over_laminate * land.slope[i];
        slope[OPENING + i] = within * opening.slope[i];
    }
    slope[LIGHT] = opening.share * land.share;
    slope[SLOPE] = slope[LIGHT] * x;
    slope[SLOPE + 1] = slope[LIGHT] * y;
    slope[LAMINATE] = opening.share * (1.0 - land.share);
    slope[MASK] = 1.0 - opening.share;
    slope[BLUR] = opening.per_blur * within + opening.share * over_laminate * land.per_blur;
    (u[MASK] + opening.share * within, slope)
}

/// Share of a normal distribution below `t` standard deviations.
fn normal_share(t: f64) -> f64 {
    0.5 * (1.0 + statrs::function::erf::erf(t * std::f64::consts::FRAC_1_SQRT_2))
}

#[cfg(test)]
mod tests {
    use super::super::look::Teacher;
    use super::*;

    /// Lands of radius 10 px in openings of 12.5 px that lie `off` px beside them, mask 0.1, laminate 0.3, metal 0.6.
    fn board(off: (f64, f64), centres: &[PointPx]) -> Plane {
        let (width, height) = (200, 150);
        let share = |x: f64, y: f64, radius: f64| normal_share((radius - x.hypot(y)) / 1.1);
        let light = (0..width * height)
            .map(|i| {
                let (x, y) = ((i % width) as f64, (i / width) as f64);
                centres.iter().fold(0.1, |light, c| {
                    let (x, y) = (x - c.x, y - c.y);
                    light + share(x - off.0, y - off.1, 12.5) * (0.2 + 0.3 * share(x, y, 10.0))
                }) as f32
            })
            .collect();
        Plane::of_light(width, height, light)
    }

    fn centres() -> Vec<PointPx> {
        (0..6).map(|i| PointPx::new(35.0 + 62.2 * f64::from(i % 3), 40.3 + 66.0 * f64::from(i / 3))).collect()
    }

    #[test]
    fn a_land_is_found_within_an_opening_that_lies_off_it() {
        let truth = centres();
        let plane = board((2.4, -1.6), &truth);
        let look = Look::learn(&plane, &truth.iter().copied().map(Teacher::from).collect::<Vec<_>>(), 10.0).expect("an edge");
        // Measured 0.4 px towards the opening.
        let measured: Vec<PointPx> = truth.iter().map(|c| PointPx::new(c.x + 0.33, c.y - 0.22)).collect();
        let pull = pull(&plane, &look, &measured).expect("an opening");
        assert!((pull.shift_px[0] + 0.33).abs() < 0.04 && (pull.shift_px[1] - 0.22).abs() < 0.04, "{pull:?}");
        assert!(pull.u_px > 0.05 && pull.u_px < 0.2, "{pull:?}");
    }

    #[test]
    fn a_land_without_an_opening_is_left_alone() {
        let truth = centres();
        let (width, height) = (200, 150);
        let bare = |i: usize| {
            let near = truth.iter().map(|c| ((i % width) as f64 - c.x).hypot((i / width) as f64 - c.y)).fold(f64::INFINITY, f64::min);
            (0.1 + 0.5 * normal_share((10.0 - near) / 1.1)) as f32
        };
        let light = (0..width * height).map(bare).collect();
        let plane = Plane::of_light(width, height, light);
        let look = Look::learn(&plane, &truth.iter().copied().map(Teacher::from).collect::<Vec<_>>(), 10.0).expect("an edge");
        assert!(pull(&plane, &look, &truth).is_none_or(|p| p.shift_px[0].hypot(p.shift_px[1]) < 0.02));
    }
}
