//! Outlines as signed distances, mm: negative inside.

use landfit_part::{Piece, PointMm, Shape};

/// An outline in local axes.
#[derive(Debug, Clone)]
pub(crate) enum Outline {
    Disc {
        radius: f64,
    },
    Annulus {
        radius: f64,
        half_width: f64,
    },
    /// A rectangle of half extents with rounded corners.
    Box {
        half: [f64; 2],
        corner: f64,
    },
    Polygon {
        corners: Vec<PointMm>,
    },
    /// All points within half a width of a line.
    Line {
        points: Vec<PointMm>,
        half_width: f64,
    },
    /// Where the sum of the lobes' bells exceeds a half; the distance is only a measure of depth.
    Blob {
        lobes: Vec<[f64; 3]>,
    },
    /// A bell-shaped spot: depth is handled by its shade.
    Bell {
        sigma: f64,
    },
    /// Everything outside of another outline.
    Outside(Box<Self>),
    /// Another outline, pushed outwards by a distance (inwards when negative).
    Grown(Box<Self>, f64),
    /// Where an outline in these axes and one that is moved by a shift overlap.
    Both(Box<Self>, Box<Self>, PointMm),
}

impl Outline {
    /// The outline of a shape, scaled about its own centre.
    pub fn of_shape(shape: &Shape, scale: f64) -> Self {
        let rounded = |w: f64, l: f64, r: f64| Self::Box { half: [w * scale / 2.0, l * scale / 2.0], corner: r * scale };
        match shape {
            Shape::Round { diameter_mm } => Self::Disc { radius: diameter_mm * scale / 2.0 },
            Shape::Rect { width_mm, length_mm } => rounded(*width_mm, *length_mm, 0.0),
            Shape::Rounded { width_mm, length_mm, radius_mm } => rounded(*width_mm, *length_mm, *radius_mm),
            Shape::Oval { width_mm, length_mm } => rounded(*width_mm, *length_mm, width_mm.min(*length_mm) / 2.0),
            Shape::Outline { corners_mm } => {
                let centre = shape.centroid_mm();
                Self::Polygon { corners: corners_mm.iter().map(|c| centre + (*c - centre) * scale).collect() }
            }
        }
    }

    /// Half extents of a piece's shape.
    pub fn half_extent_mm(piece: &Piece) -> [f64; 2] {
        piece.shape.extent_mm().map(|e| (e / 2.0).max(1e-6))
    }

    /// Distance to the outline, mm, negative inside.
    #[inline]
    pub fn distance(&self, p: PointMm) -> f64 {
        match self {
            Self::Disc { radius } => length(p) - radius,
            Self::Annulus { radius, half_width } => (length(p) - radius).abs() - half_width,
            Self::Box { half, corner } => {
                let (qx, qy) = (p.x.abs() - half[0] + corner, p.y.abs() - half[1] + corner);
                length(PointMm::new(qx.max(0.0), qy.max(0.0))) + qx.max(qy).min(0.0) - corner
            }
            Self::Polygon { corners } => polygon_distance(corners, p),
            Self::Line { points, half_width } => line_distance(points, p) - half_width,
            Self::Blob { lobes } => {
                let mut sum = 0.0;
                for [x, y, r] in lobes {
                    let (u, v) = ((p.x - x) / r, (p.y - y) / r);
                    let depth = u * u + v * v;
                    // farther out a bell is below 1e-4 and not worth its exponential
                    if depth < 9.0 {
                        sum += (-depth).exp();
                    }
                }
                (0.5 - sum) * blob_size(lobes)
            }
            Self::Bell { sigma } => length(p) - 5.0 * sigma,
            Self::Outside(inner) => -inner.distance(p),
            Self::Grown(inner, by) => inner.distance(p) - by,
            Self::Both(here, moved, by) => here.distance(p).max(moved.distance(p - *by)),
        }
    }

    /// No point of the outline is farther from the origin than this, mm.
    pub fn reach(&self) -> f64 {
        match self {
            Self::Disc { radius } => *radius,
            Self::Annulus { radius, half_width } => radius + half_width,
            Self::Box { half, .. } => half[0].hypot(half[1]),
            Self::Polygon { corners } => corners.iter().map(|c| c.norm()).fold(0.0, f64::max),
            Self::Line { points, half_width } => points.iter().map(|c| c.norm()).fold(0.0, f64::max) + half_width,
            Self::Blob { lobes } => {
                // where the bells' sum falls to a twentieth, so that a ramp of 0.9 sizes still ends inside
                let far = (20.0 * lobes.len() as f64).ln().max(1.0).sqrt();
                lobes.iter().map(|[x, y, r]| x.hypot(*y) + far * r).fold(0.0, f64::max)
            }
            Self::Bell { sigma } => 5.0 * sigma,
            Self::Outside(_) => f64::INFINITY,
            Self::Grown(inner, by) => inner.reach() + by.max(0.0),
            Self::Both(here, _, _) => here.reach(),
        }
    }

    /// Whether `distance` bounds the true distance, so that cells may be skipped by it.
    pub const fn is_metric(&self) -> bool {
        !matches!(self, Self::Blob { .. })
    }
}

/// The largest lobe's radius: what a blob's depth is measured in.
pub(crate) fn blob_size(lobes: &[[f64; 3]]) -> f64 {
    lobes.iter().map(|l| l[2]).fold(0.0, f64::max)
}

/// Plain root: `hypot` guards against overflow that millimetres never reach, at several times the cost.
#[inline]
fn length(p: PointMm) -> f64 {
    (p.x * p.x + p.y * p.y).sqrt()
}

fn line_distance(points: &[PointMm], p: PointMm) -> f64 {
    if points.len() == 1 {
        return p.distance(points[0]);
    }
    points.windows(2).map(|ends| segment_distance(ends[0], ends[1], p)).fold(f64::INFINITY, f64::min)
}

#[inline]
fn segment_distance(a: PointMm, b: PointMm, p: PointMm) -> f64 {
    let (along, to_p) = (b - a, p - a);
    let length2 = along.x * along.x + along.y * along.y;
    let t = if length2 > 0.0 { ((to_p.x * along.x + to_p.y * along.y) / length2).clamp(0.0, 1.0) } else { 0.0 };
    length(to_p - along * t)
}

fn polygon_distance(corners: &[PointMm], p: PointMm) -> f64 {
    let mut nearest = f64::INFINITY;
    let mut inside = false;
    for (i, a) in corners.iter().enumerate() {
        let b = corners[(i + 1) % corners.len()];
        nearest = nearest.min(segment_distance(*a, b, p));
        if (a.y > p.y) != (b.y > p.y) && p.x < (b.x - a.x) * (p.y - a.y) / (b.y - a.y) + a.x {
            inside = !inside;
        }
    }
    if inside { -nearest } else { nearest }
}
