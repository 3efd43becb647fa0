//! How far a small offset carries the sites of a pattern: misses, and the circle that bounds the pattern.

use landfit_part::{Part, PointMm, Pose, Side};

/// Miss of a site whose terminal's designed centre is `p`, for an offset that is `to_go` away from where it should be:
/// R(theta) p + (x, y) - p, mm.
pub fn miss_vector_mm(to_go: &Pose, p: PointMm) -> PointMm {
    to_go.apply(p) - p
}

/// The sites of a pattern as far as misses go. |R p + d - p| is convex in p, so the worst site is a corner of the hull.
#[derive(Debug, Clone)]
pub struct Reach {
    /// Index of the site and its terminal's designed centre, part frame; the corners of the convex hull.
    corners: Vec<(usize, PointMm)>,
    /// Centre of the smallest circle round all sites: a turn about it has the least worst miss.
    pub centre_mm: PointMm,
    /// Radius of that circle, mm; never zero, so that a turn always counts.
    pub radius_mm: f64,
}

impl Reach {
    /// The reach of a part's sites; `None` without a site or with one that is not finite.
    pub fn of(part: &Part) -> Option<Self> {
        let places: Vec<(usize, PointMm)> = part.sites.iter().enumerate().map(|(i, s)| (i, s.centre_mm(Side::Part))).collect();
        if places.is_empty() || places.iter().any(|(_, p)| !(p.x.is_finite() && p.y.is_finite())) {
            return None;
        }
        let corners = hull(places);
        let (centre_mm, radius_mm) = smallest_circle(&corners);
        // A single site cannot tell a turn; 1 mm keeps the turn from being free.
        Some(Self { corners, centre_mm, radius_mm: if radius_mm > 1e-6 { radius_mm } else { 1.0 } })
    }

    /// The site with the largest miss and that miss in mm; the first in the part's order where several are equal.
    pub fn worst(&self, to_go: &Pose) -> (usize, f64) {
        let mut worst = (usize::MAX, f64::NEG_INFINITY);
        for (site, p) in &self.corners {
            let miss_mm = miss_vector_mm(to_go, *p).norm();
            let equal = (miss_mm - worst.1).abs() <= 1e-9;
            if (equal && *site < worst.0) || (!equal && miss_mm > worst.1) {
                worst = (*site, miss_mm);
            }
        }
        worst
    }

    /// What a solver makes small: the miss at the circle's centre and the turn's arc at its rim, mm.
    pub fn residual_mm(&self, to_go: &Pose) -> [f64; 3] {
        let at_centre = miss_vector_mm(to_go, self.centre_mm);
        [at_centre.x, at_centre.y, self.radius_mm * to_go.theta_rad]
    }
}

/// Corners of the convex hull (Andrew's monotone chain, 1979); collinear sites keep their two ends.
fn hull(mut places: Vec<(usize, PointMm)>) -> Vec<(usize, PointMm)> {
    places.sort_by(|a, b| a.1.x.total_cmp(&b.1.x).then(a.1.y.total_cmp(&b.1.y)).then(a.0.cmp(&b.0)));
    places.dedup_by(|a, b| a.1 == b.1);
    if places.len() < 3 {
        return places;
    }
    let half = |points: &mut dyn Iterator<Item = (usize, PointMm)>| {
        let mut chain: Vec<(usize, PointMm)> = Vec::new();
        for p in points {
            while let [.., a, b] = chain.as_slice() {
                if cross(b.1 - a.1, p.1 - a.1) > 0.0 {
                    break;
                }
                chain.pop();
            }
            chain.push(p);
        }
        chain.pop();
        chain
    };
    let mut corners = half(&mut places.iter().copied());
    corners.extend(half(&mut places.iter().rev().copied()));
    corners
}

fn cross(a: PointMm, b: PointMm) -> f64 {
    a.x * b.y - a.y * b.x
}

/// The smallest circle round the corners, by the incremental method of Welzl (1991) without the shuffle: hulls are small.
fn smallest_circle(corners: &[(usize, PointMm)]) -> (PointMm, f64) {
    let points: Vec<PointMm> = corners.iter().map(|c| c.1).collect();
    let outside = |circle: (PointMm, f64), p: PointMm| circle.0.distance(p) > circle.1 * (1.0 + 1e-12) + 1e-12;
    let mut circle = (points.first().copied().unwrap_or(PointMm::ZERO), 0.0);
    for i in 1..points.len() {
        if !outside(circle, points[i]) {
            continue;
        }
        circle = (points[i], 0.0);
        for j in 0..i {
            if !outside(circle, points[j]) {
                continue;
            }
            circle = circle_on_two(points[i], points[j]);
            for k in 0..j {
                if outside(circle, points[k]) {
                    circle = circle_on_three(points[i], points[j], points[k]);
                }
            }
        }
    }
    circle
}

fn circle_on_two(a: PointMm, b: PointMm) -> (PointMm, f64) {
    ((a + b) * 0.5, a.distance(b) / 2.0)
}

fn circle_on_three(a: PointMm, b: PointMm, c: PointMm) -> (PointMm, f64) {
    let (u, v) = (b - a, c - a);
    let d = 2.0 * cross(u, v);
    if d.abs() < 1e-12 {
        let longest = [(a, b), (b, c), (a, c)].into_iter().max_by(|p, q| p.0.distance(p.1).total_cmp(&q.0.distance(q.1)));
        return longest.map_or((a, 0.0), |(p, q)| circle_on_two(p, q));
    }
    let (uu, vv) = (u.x * u.x + u.y * u.y, v.x * v.x + v.y * v.y);
    let from_a = PointMm::new((v.y * uu - u.y * vv) / d, (u.x * vv - v.x * uu) / d);
    (a + from_a, from_a.norm())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn numbered(points: &[(f64, f64)]) -> Vec<(usize, PointMm)> {
        points.iter().enumerate().map(|(i, p)| (i, PointMm::new(p.0, p.1))).collect()
    }

    #[test]
    fn the_hull_of_a_square_grid_is_its_four_corners() {
        let grid: Vec<(f64, f64)> = (0..5).flat_map(|r| (0..5).map(move |c| (f64::from(c), f64::from(r)))).collect();
        let mut corners: Vec<usize> = hull(numbered(&grid)).iter().map(|c| c.0).collect();
        corners.sort_unstable();
        assert_eq!(corners, [0, 4, 20, 24]);
    }

    #[test]
    fn the_smallest_circle_holds_every_point_and_touches_two() {
        let points = numbered(&[(0.0, 0.0), (4.0, 0.0), (4.0, 2.0), (0.0, 2.0), (6.0, 1.0)]);
        let (centre, radius) = smallest_circle(&points);
        assert!(points.iter().all(|p| centre.distance(p.1) <= radius + 1e-9));
        let touching = points.iter().filter(|p| (centre.distance(p.1) - radius).abs() < 1e-9).count();
        assert!(touching >= 2, "{touching} points on the rim");
        assert!((radius - 3.083_333).abs() < 1e-5, "by hand: through (0,0), (0,2), (6,1): 37/12; found {radius}");
    }

    #[test]
    fn a_row_of_sites_and_a_single_site_have_a_reach() {
        assert_eq!(hull(numbered(&[(0.0, 0.0), (1.0, 0.0), (2.0, 0.0)])).len(), 2);
        assert_eq!(hull(numbered(&[(3.0, 1.0)])).len(), 1);
    }
}
