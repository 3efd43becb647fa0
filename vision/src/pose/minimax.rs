//! The motion that makes the largest miss as small as it can be.

use super::{Moments, PoseError, check_pairs, pose_about, turned_by};
use landfit_part::{PointMm, Pose};
use std::f64::consts::FRAC_PI_2;

/// A fit that minimises the largest miss.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Minimax {
    /// Carries the first set's frame to the second's.
    pub to_from: Pose,
    /// The largest distance that is left, mm.
    pub worst_mm: f64,
}

/// Fits the rotation and shift that carry `from` onto `to` with the least largest distance.
///
/// One bad point moves this fit as far as it can, so it is for designed or checked places. The least is sought near the
/// least-squares turn, where misses that are small beside the pattern leave just one. O(n) for each of about 60 turns.
///
/// # Errors
/// As [`super::fit_rigid`].
///
/// For a given turn the best shift is the centre of the smallest circle round the differences (Welzl 1991,
/// doi:10.1007/BFb0038202, from memory). Its radius grows with the turn as the rim's points move outward, each in the share
/// that it holds the circle with; the turn is where that sum changes sign.
pub fn fit_minimax(from: &[PointMm], to: &[PointMm]) -> Result<Minimax, PoseError> {
    check_pairs(from, to)?;
    let moments = Moments::of(from, to, |_| 1.0)?;
    let (a, b) = (moments.from_centre, moments.to_centre);
    let around = |theta_rad: f64| {
        let turn = turned_by(theta_rad);
        let differences: Vec<PointMm> = from.iter().zip(to).map(|(p, q)| (*q - b) - turn(*p - a)).collect();
        smallest_circle(&differences)
    };
    let grows_with_turn = |theta_rad: f64| {
        let circle = around(theta_rad);
        let growth = |&(i, share): &(usize, f64)| {
            let carried = (from[i] - a).rotated(theta_rad);
            let (outward, step) = ((to[i] - b) - carried - circle.centre_mm, PointMm::new(carried.y, -carried.x));
            share * (outward.x * step.x + outward.y * step.y)
        };
        circle.rim.iter().map(growth).sum::<f64>() > 0.0
    };
    let reach_mm = from.iter().map(|p| (*p - a).norm()).fold(0.0, f64::max);
    let start = moments.theta_rad();
    // The misses at the start fit a circle of radius r. A turn by d alone spreads the points over a circle of at least
    // d * reach / 2, and radii of sums are at most sums of radii: beyond d = 4 r / reach the circle is larger than r.
    let half_width = (4.0 * around(start).radius_mm / reach_mm).min(FRAC_PI_2);
    let (mut low, mut high) = (start - half_width, start + half_width);
    // The radius is convex in the turn while misses are small beside the pattern, so its slope changes sign once.
    // Sixty halvings leave nothing of the bracket.
    for _ in 0..60 {
        let middle = f64::midpoint(low, high);
        if grows_with_turn(middle) { high = middle } else { low = middle }
    }
    let fit_at = |theta_rad: f64| {
        let to_from = pose_about(a, b + around(theta_rad).centre_mm, theta_rad);
        Minimax { to_from, worst_mm: from.iter().zip(to).map(|(p, q)| to_from.apply(*p).distance(*q)).fold(0.0, f64::max) }
    };
    // Misses as large as the pattern may leave several least places: never take one that is worse than the start.
    let (found, plain) = (fit_at(f64::midpoint(low, high)), fit_at(start));
    Ok(if found.worst_mm <= plain.worst_mm { found } else { plain })
}

struct Circle {
    centre_mm: PointMm,
    radius_mm: f64,
    /// The points that hold it, by index, with their shares: the centre is their mean, weighted so.
    rim: Vec<(usize, f64)>,
}

impl Circle {
    fn holds(&self, p: PointMm) -> bool {
        self.centre_mm.distance(p) <= self.radius_mm * (1.0 + 1e-12) + 1e-15
    }

    fn on_one(points: &[PointMm], i: usize) -> Self {
        Self { centre_mm: points[i], radius_mm: 0.0, rim: vec![(i, 1.0)] }
    }

    fn on_two(points: &[PointMm], i: usize, j: usize) -> Self {
        let centre_mm = (points[i] + points[j]) * 0.5;
        Self { centre_mm, radius_mm: centre_mm.distance(points[i]), rim: vec![(i, 0.5), (j, 0.5)] }
    }

    /// The circle through three points, or the one on the farthest two where they lie in a row.
    fn on_three(points: &[PointMm], [i, j, k]: [usize; 3]) -> Self {
        let (p, u, v) = (points[i], points[j] - points[i], points[k] - points[i]);
        let area2 = u.x * v.y - u.y * v.x;
        let (u2, v2) = (u.x * u.x + u.y * u.y, v.x * v.x + v.y * v.y);
        let arm = PointMm::new(v.y * u2 - u.y * v2, u.x * v2 - v.x * u2) * (0.5 / area2);
        if area2 == 0.0 || !arm.x.is_finite() || !arm.y.is_finite() {
            let farther = |a: Self, b: Self| if b.radius_mm > a.radius_mm { b } else { a };
            return farther(farther(Self::on_two(points, i, j), Self::on_two(points, i, k)), Self::on_two(points, j, k));
        }
        let share_j = (arm.x * v.y - arm.y * v.x) / area2;
        let share_k = (u.x * arm.y - u.y * arm.x) / area2;
        Self { centre_mm: p + arm, radius_mm: arm.norm(), rim: vec![(i, 1.0 - share_j - share_k), (j, share_j), (k, share_k)] }
    }
}

/// The smallest circle that holds every point: points are added one by one, and one that lies outside is on the rim.
fn smallest_circle(points: &[PointMm]) -> Circle {
    let mut circle = Circle::on_one(points, 0);
    for i in 1..points.len() {
        if circle.holds(points[i]) {
            continue;
        }
        circle = Circle::on_one(points, i);
        for j in 0..i {
            if circle.holds(points[j]) {
                continue;
            }
            circle = Circle::on_two(points, i, j);
            for k in 0..j {
                if !circle.holds(points[k]) {
                    circle = Circle::on_three(points, [i, j, k]);
                }
            }
        }
    }
    circle
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_smallest_circle_rests_on_two_or_three_points() {
        let square = [(0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0), (0.5, 0.4)].map(|(x, y)| PointMm::new(x, y));
        let circle = smallest_circle(&square);
        assert!(circle.centre_mm.distance(PointMm::new(0.5, 0.5)) < 1e-12);
        assert!((circle.radius_mm - 0.5_f64.sqrt()).abs() < 1e-12);
        let in_a_row = [0.0, 3.0, 1.0, 2.0].map(|x| PointMm::new(x, x));
        assert!((smallest_circle(&in_a_row).radius_mm - 1.5 * 2.0_f64.sqrt()).abs() < 1e-12);
        let triangle = [(0.0, 0.0), (2.0, 0.0), (0.8, 1.9)].map(|(x, y)| PointMm::new(x, y));
        let circle = smallest_circle(&triangle);
        let mean = circle.rim.iter().fold(PointMm::ZERO, |sum, &(i, share)| sum + triangle[i] * share);
        assert!(circle.rim.len() == 3 && mean.distance(circle.centre_mm) < 1e-12);
    }
}
