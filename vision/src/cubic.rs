//! Two values as cubics of place: what a real lens adds to a flat map.

use nalgebra::{DMatrix, DVector};

/// Cubics of place, held constant beyond the places that they were fitted to.
#[derive(Debug, Clone)]
pub(crate) struct Cubic {
    centre: [f64; 2],
    half: [f64; 2],
    x: DVector<f64>,
    y: DVector<f64>,
}

impl Cubic {
    /// Coefficients of each value.
    pub const TERMS: usize = 10;

    /// Fits `values` at `places`, paired by index, by least squares; `ridge` holds back, by so much for each place, terms that the places do
    /// not tell apart. `None` where they do not and nothing holds them back.
    pub fn fitted(places: &[[f64; 2]], values: &[[f64; 2]], ridge: f64) -> Option<Self> {
        let span = |axis: usize| {
            let (lo, hi) = places.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(lo, hi), p| (lo.min(p[axis]), hi.max(p[axis])));
            ((lo + hi) / 2.0, ((hi - lo) / 2.0).max(1e-9))
        };
        let ((cu, hu), (cv, hv)) = (span(0), span(1));
        let zero = DVector::zeros(Self::TERMS);
        let mut cubic = Self { centre: [cu, cv], half: [hu, hv], x: zero.clone(), y: zero.clone() };
        let mut normal = DMatrix::from_diagonal_element(Self::TERMS, Self::TERMS, ridge * places.len() as f64);
        let (mut right_x, mut right_y) = (zero.clone(), zero);
        for (place, value) in places.iter().zip(values) {
            let terms = cubic.terms(*place);
            normal.ger(1.0, &terms, &terms, 1.0);
            right_x.axpy(value[0], &terms, 1.0);
            right_y.axpy(value[1], &terms, 1.0);
        }
        let solver = normal.cholesky()?;
        cubic.x = solver.solve(&right_x);
        cubic.y = solver.solve(&right_y);
        (cubic.x.iter().chain(cubic.y.iter()).all(|v| v.is_finite())).then_some(cubic)
    }

    /// Both values at a place.
    pub fn at(&self, place: [f64; 2]) -> [f64; 2] {
        let terms = self.terms(place);
        [self.x.dot(&terms), self.y.dot(&terms)]
    }

    fn terms(&self, [u, v]: [f64; 2]) -> DVector<f64> {
        let s = ((u - self.centre[0]) / self.half[0]).clamp(-1.1, 1.1);
        let t = ((v - self.centre[1]) / self.half[1]).clamp(-1.1, 1.1);
        DVector::from_row_slice(&[1.0, s, t, s * s, s * t, t * t, s * s * s, s * s * t, s * t * t, t * t * t])
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cubics_of_place_are_found_and_held_beyond() {
        let of = |[u, v]: [f64; 2]| [2.0 + u - 0.3 * u * v * v, -1.0 + 0.5 * v * v + 0.1 * u * u * u];
        let places: Vec<[f64; 2]> = (0..49).map(|i| [f64::from(i % 7) - 2.0, 0.5 * f64::from(i / 7)]).collect();
        let values: Vec<[f64; 2]> = places.iter().copied().map(of).collect();
        let cubic = Cubic::fitted(&places, &values, 0.0).expect("a fit");
        let miss = |place: [f64; 2]| {
            let ([a, b], [c, d]) = (cubic.at(place), of(place));
            (a - c).hypot(b - d)
        };
        assert!(places.iter().all(|p| miss(*p) < 1e-9) && miss([0.3, 1.7]) < 1e-9);
        assert_eq!(cubic.at([50.0, 1.0]), cubic.at([90.0, 1.0]));
    }

    #[test]
    fn places_on_two_rows_are_fitted_where_the_terms_are_held_back() {
        let places: Vec<[f64; 2]> = (0..20).map(|i| [f64::from(i / 2), f64::from(i % 2)]).collect();
        let values: Vec<[f64; 2]> = places.iter().map(|[u, v]| [u * u, u * v]).collect();
        let cubic = Cubic::fitted(&places, &values, 1e-9).expect("a fit");
        let misses = places.iter().zip(&values).map(|(p, v)| (cubic.at(*p)[0] - v[0]).hypot(cubic.at(*p)[1] - v[1]));
        assert!(misses.fold(0.0, f64::max) < 1e-5);
    }
}
