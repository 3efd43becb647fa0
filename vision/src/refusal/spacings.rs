//! How far features stand from each other, whatever they are: what tells another pattern from a blurred or a dark one.

use crate::which_site::Feature;
use landfit_part::PointMm;

/// Features that are asked how far their neighbours stand.
const MOST_ASKED: usize = 64;
/// Distances that differ by less than this share are the same.
const SAME_DISTANCE: f64 = 0.04;

/// How far strong features stand from their four nearest neighbours, mm.
pub(super) struct Spacings {
    asked: Vec<Vec<f64>>,
}

impl Spacings {
    /// `None` below nine strong features.
    pub fn of(features: &[Feature]) -> Option<Self> {
        let strong: Vec<PointMm> = features.iter().filter(|f| f.strength > 0.6).map(|f| f.at_mm).collect();
        if strong.len() < 9 {
            return None;
        }
        let near = crate::nearby::Nearby::new(&strong);
        let five = std::num::NonZero::new(5)?;
        let asked = strong
            .iter()
            .step_by(strong.len().div_ceil(MOST_ASKED))
            .map(|p| near.several(*p, five).into_iter().skip(1).map(|n| n.0).collect())
            .collect();
        Some(Self { asked })
    }

    fn agreeing(&self, distance: f64) -> usize {
        self.asked.iter().filter(|of| of.iter().any(|d| (d / distance - 1.0).abs() < SAME_DISTANCE)).count()
    }

    /// Share of the features with a neighbour at a distance.
    pub fn share_at(&self, distance: f64) -> f64 {
        self.agreeing(distance) as f64 / self.asked.len() as f64
    }

    /// The distance at which most features have one of their four nearest neighbours, mm, if they agree on one; the shortest of
    /// those with as many. A via close by is some features' nearest neighbour, but hardly most features' second to fourth, too.
    pub fn even_mm(&self) -> Option<f64> {
        let mut distances: Vec<(usize, f64)> = self.asked.iter().flatten().map(|&d| (self.agreeing(d), d)).collect();
        distances.sort_by(|a, b| b.0.cmp(&a.0).then(a.1.total_cmp(&b.1)));
        let (most, shortest) = *distances.first()?;
        let mut same: Vec<f64> = self.asked.iter().flatten().copied().filter(|d| (d / shortest - 1.0).abs() < SAME_DISTANCE).collect();
        same.sort_by(f64::total_cmp);
        (most * 10 >= self.asked.len() * 7).then(|| same[same.len() / 2])
    }
}
