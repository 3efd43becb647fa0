//! The ground beside features: how much light falls on a place, and whether a place without a feature is bare or covered. An empty place
//! looks as its ground does, or as the round pad that the feature left behind; a tool, a hair or a glint over it does not.

use crate::directions::directions;
use crate::median::upper_median;
use crate::plane::Plane;
use crate::view::PointPx;
use std::f64::consts::TAU;
use std::sync::LazyLock;

/// Directions in which the light about a place is told apart.
const SECTORS: usize = 12;
/// Sine and cosine of their middles.
static DIRECTIONS: LazyLock<[(f64, f64); SECTORS]> = LazyLock::new(|| directions(0.5));
/// Distances, as shares of a feature's radius, at which the ground beside it is seen.
const BESIDE: [f64; 3] = [1.25, 1.35, 1.45];
/// Inside of a feature, as a share of its radius: its blurred rim is left out.
const INSIDE: f64 = 0.8;

/// In shadow a feature is as much fainter as its ground, but where hardly any light falls it is no longer told from what separation leaves
/// of the other side's: less than this share of the usual light counts as this share.
pub const DEEPEST_SHADOW: f64 = 0.15;

/// Ground that differs from its neighbours' by more than this share of a feature's step of light is no bare ground. Of 2,138 rendered places
/// that lack a ball or a land one in a hundred differs by more than 0.04 to 0.06, those under a tool or a glint by 0.07 to 4.
const MOST_OFF: f64 = 0.08;
/// Light inside that differs in one direction by more than this share of that step is no bare place's: of the same places one in a hundred
/// by 0.13, under hairs and tools' edges 0.2 to 2.1.
const MOST_UNEVEN: f64 = 0.25;
/// The same of the ground beside, above the neighbours': rows end where other ground begins.
const MOST_UNEVEN_BESIDE: f64 = 0.3;

/// The light of the ground beside a feature.
#[derive(Debug, Clone, Copy)]
pub struct Ground {
    /// The middle one of all directions, so that what runs into the feature or stands beside it does not count.
    pub light: f64,
    /// By how much one direction differs from that, where it differs most.
    pub unevenness: f64,
}

impl Ground {
    /// Beside a feature of this radius, px. `None` where less than half of it is in the plane and not at full scale.
    #[must_use]
    pub fn beside(plane: &Plane, at: PointPx, radius_px: f64) -> Option<Self> {
        let of_direction = |(sin, cos): &(f64, f64)| {
            mean(BESIDE.iter().filter_map(|share| {
                let reach_px = share * radius_px;
                plane.known_light_at(at.x + reach_px * cos, at.y + reach_px * sin)
            }))
        };
        let means: Vec<f64> = DIRECTIONS.iter().filter_map(of_direction).collect();
        (means.len() >= SECTORS / 2).then(|| Self::of(&means))
    }

    fn of(means: &[f64]) -> Self {
        let light = upper_median(means.iter().copied()).unwrap_or(0.0);
        Self { light, unevenness: means.iter().fold(0.0, |most, m| most.max((m - light).abs())) }
    }
}

/// Whether something covers a place without a feature of this radius, px. `step` is the light by which features there differ from their
/// ground, `usual` the ground of those nearest.
#[must_use]
pub fn is_covered(plane: &Plane, at: PointPx, radius_px: f64, step: f64, usual: Ground) -> bool {
    Ground::beside(plane, at, radius_px).is_none_or(|ground| {
        (ground.light - usual.light).abs() > MOST_OFF * step || ground.unevenness > usual.unevenness + MOST_UNEVEN_BESIDE * step
    }) || unevenness_inside(plane, at, INSIDE * radius_px) > MOST_UNEVEN * step
}

/// By how much the mean light of a direction within `reach_px` differs from the middle one of all directions, where it differs most.
fn unevenness_inside(plane: &Plane, at: PointPx, reach_px: f64) -> f64 {
    let mut sums = [[0.0_f64; 2]; SECTORS];
    let span = reach_px.floor() as isize;
    for row in -span..=span {
        for column in -span..=span {
            let (dx, dy) = (column as f64, row as f64);
            if let Some(light) = plane.known_light_at(at.x + dx, at.y + dy).filter(|_| dx.hypot(dy) <= reach_px) {
                let sector = ((dy.atan2(dx) / TAU).rem_euclid(1.0) * SECTORS as f64) as usize;
                let sum = &mut sums[sector.min(SECTORS - 1)];
                *sum = [sum[0] + light, sum[1] + 1.0];
            }
        }
    }
    Ground::of(&sums.iter().filter(|s| s[1] > 0.0).map(|s| s[0] / s[1]).collect::<Vec<f64>>()).unevenness
}

fn mean(values: impl Iterator<Item = f64>) -> Option<f64> {
    let (n, sum) = values.fold((0.0, 0.0), |(n, sum), v| (n + 1.0, sum + v));
    (n > 0.0).then(|| sum / n)
}

#[cfg(test)]
mod tests {
    use super::*;

    const RADIUS_PX: f64 = 8.0;
    const MIDDLE: PointPx = PointPx { x: 20.0, y: 20.0 };

    fn plane(light: impl Fn(f64, f64) -> f64) -> Plane {
        Plane::of_light(41, 41, (0..41 * 41).map(|i| light((i % 41) as f64, (i / 41) as f64) as f32).collect())
    }

    fn covered(light: impl Fn(f64, f64) -> f64) -> bool {
        is_covered(&plane(light), MIDDLE, RADIUS_PX, 0.5, Ground { light: 0.2, unevenness: 0.4 })
    }

    #[test]
    fn bare_ground_and_the_pad_that_a_ball_left_are_not_covered() {
        assert!(!covered(|_, _| 0.2));
        assert!(!covered(|x, y| if (x - 20.0).hypot(y - 20.0) < 6.8 { 0.3 } else { 0.2 }));
        // Light that falls off over the picture, and a trace beside.
        assert!(!covered(|x, _| 0.2 + 0.001 * (x - 20.0)));
        assert!(!covered(|x, _| if x > 30.0 { 0.6 } else { 0.2 }));
    }

    #[test]
    fn a_tool_and_a_hair_cover_a_place() {
        assert!(covered(|_, _| 0.5), "all of it under a bright tool");
        assert!(covered(|_, _| 0.02), "under a dark one");
        assert!(covered(|x, y| if (x - y).abs() < 2.5 { 0.7 } else { 0.2 }), "under a hair");
        assert!(covered(|x, y| if x - y > 11.0 { 0.9 } else { 0.2 }), "a tool's edge beside it");
    }

    #[test]
    fn the_ground_is_that_beside_a_feature_whatever_runs_into_it() {
        let light = |x: f64, y: f64| if (x - 20.0).hypot(y - 20.0) < RADIUS_PX || (x > 20.0 && (y - 20.0).abs() < 4.0) { 0.7 } else { 0.2 };
        let ground = Ground::beside(&plane(light), MIDDLE, RADIUS_PX).expect("in the picture");
        assert!((ground.light - 0.2).abs() < 1e-6 && (ground.unevenness - 0.5).abs() < 0.01, "{ground:?}");
        assert!(Ground::beside(&plane(light), PointPx::new(0.0, 0.0), RADIUS_PX).is_none(), "three quarters of it are outside");
    }
}
