//! Which places of a picture lie nearest to one.

use crate::nearby::Nearby;
use crate::view::PointPx;
use landfit_part::PointMm;
use std::num::NonZero;

/// So many nearest others are a place's neighbours.
pub const NEIGHBOURS: usize = 6;
/// They, and the place itself.
const NEIGHBOURS_AND_ITSELF: NonZero<usize> = NonZero::new(NEIGHBOURS + 1).unwrap();

/// Places that answer which of them are a place's neighbours.
pub struct Neighbours {
    /// By place in px, as if these were mm: what is near is so in any unit.
    near: Nearby,
}

impl Neighbours {
    /// Of all places of one picture, px.
    #[must_use]
    pub fn of(places: impl Iterator<Item = PointPx>) -> Self {
        Self { near: Nearby::new(&places.map(unitless).collect::<Vec<_>>()) }
    }

    /// Indices of the places nearest to one, at most [`NEIGHBOURS`], nearest first; `but` is that of the place itself, where it is among them.
    #[must_use]
    pub fn about(&self, at: PointPx, but: Option<usize>) -> Vec<usize> {
        let several = self.near.several(unitless(at), NEIGHBOURS_AND_ITSELF);
        several.into_iter().map(|(_, i)| i).filter(|i| Some(*i) != but).take(NEIGHBOURS).collect()
    }
}

fn unitless(at: PointPx) -> PointMm {
    PointMm::new(at.x, at.y)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_nearest_are_told_without_the_place_itself() {
        let places = [0.0, 10.0, 21.0, 33.0, 46.0, 60.0, 75.0, 91.0].map(|x| PointPx::new(x, 5.0));
        let neighbours = Neighbours::of(places.into_iter());
        assert_eq!(neighbours.about(places[0], Some(0)), [1, 2, 3, 4, 5, 6]);
        assert_eq!(neighbours.about(PointPx::new(100.0, 0.0), None), [7, 6, 5, 4, 3, 2]);
        assert_eq!(Neighbours::of(places[..2].iter().copied()).about(places[0], Some(0)), [1]);
        assert!(Neighbours::of(std::iter::empty()).about(places[0], None).is_empty());
    }
}
