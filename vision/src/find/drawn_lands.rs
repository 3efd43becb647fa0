//! Pictures of lands for tests, drawn from a formula.

use super::centre::{Centre, CentreFinder};
use super::look::{Look, Teacher};
use crate::plane::Plane;
use crate::view::PointPx;

/// Of the lands as designed, px.
pub const RADIUS_PX: f64 = 12.0;

/// How much of the light at a distance from a disc's middle is the disc's, through a little blur.
pub fn share(distance: f64, radius: f64) -> f64 {
    1.0 / (1.0 + ((distance - radius) * 1.6).exp())
}

/// Twenty lands alike, measured.
pub struct Lands {
    pub plane: Plane,
    pub look: Look,
    /// Where each is, and what was measured of it.
    measured: Vec<(PointPx, Centre)>,
}

impl Lands {
    pub fn centres(&self) -> Vec<&Centre> {
        self.measured.iter().map(|m| &m.1).collect()
    }

    /// From where they seem to be to where they are on the mean, px.
    pub fn off_px(&self) -> [f64; 2] {
        let n = self.measured.len() as f64;
        let mean = |get: fn(&PointPx) -> f64| self.measured.iter().map(|(at, c)| get(at) - get(&c.at)).sum::<f64>() / n;
        [mean(|p| p.x), mean(|p| p.y)]
    }
}

/// Lands 40 px apart; `light` is that of one by place from its middle, px.
pub fn measured(light: impl Fn(f64, f64) -> f64) -> Lands {
    let (width, height) = (240, 200);
    let place = |v: usize| (v as f64 + 0.37).rem_euclid(40.0) - 20.0;
    let value = |i: usize| light(place(i % width), place(i / width)) as f32;
    let plane = Plane::of_light(width, height, (0..width * height).map(value).collect());
    let places: Vec<PointPx> = (1..5)
        .flat_map(|row| (1..6).map(move |column| (40 * column - 20, 40 * row - 20)))
        .map(|(x, y)| PointPx::new(f64::from(x) - 0.37, f64::from(y) - 0.37))
        .collect();
    let teachers: Vec<Teacher> = places.iter().map(|p| (*p).into()).collect();
    let look = Look::learn(&plane, &teachers, RADIUS_PX).expect("lands of one look");
    let mut finder = CentreFinder::new(&plane, &look, [0.0; 2]);
    let measured: Vec<(PointPx, Centre)> = places.iter().filter_map(|p| Some((*p, finder.measure(*p)?))).collect();
    assert!(measured.len() > 10);
    Lands { plane, look, measured }
}
