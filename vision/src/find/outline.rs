//! Designed outlines of any shape: how far a place is from the edge, which way the edge faces, and on which side of the shape
//! it lies. The same type serves in millimetres and in pixels.

use landfit_part::{Piece, PointMm, Shape};

/// What stands at a site, about its designed centre, in the site's local axes. Pieces do not overlap.
#[derive(Debug, Clone, PartialEq)]
pub struct Outline {
    pieces: Vec<Form>,
}

#[derive(Debug, Clone, PartialEq)]
enum Form {
    /// A rectangle along the axes, with rounded corners where `corner` is above 0: a disc, an oval, a sharp rectangle.
    Box { centre: [f64; 2], half: [f64; 2], corner: f64 },
    /// Corners anticlockwise (in axes whose y points up).
    Polygon { corners: Vec<[f64; 2]> },
}

/// The nearest point of an outline.
#[derive(Debug, Clone, Copy)]
pub struct Near {
    /// Distance to it, negative inside.
    pub distance: f64,
    /// The edge's outward normal there.
    pub normal: [f64; 2],
    /// 0 right, 1 far, 2 left, 3 near: where the normal points, in local axes.
    pub side: usize,
    /// Distance from it to the next sharp corner, along the edge.
    pub from_corner: f64,
    /// Distance to the next other piece.
    pub other_piece: f64,
}

/// A point of an outline.
#[derive(Debug, Clone, Copy)]
pub struct EdgePoint {
    /// Where, local axes.
    pub at: [f64; 2],
    /// Outward normal.
    pub normal: [f64; 2],
    /// As [`Near::side`].
    pub side: usize,
}

/// Sides of a shape.
pub const SIDES: usize = 4;

/// Corners that turn by less than this belong to a curve.
const SHARP_RAD: f64 = 0.35;
/// Outlines that share all but so much of their area look alike.
const ALIKE_SHARE: f64 = 0.3;
/// Segments of a quarter circle.
const ARC_STEPS: usize = 6;

impl Outline {
    /// The outline of a site's pieces about `centre_mm` (local axes), mm.
    #[must_use]
    pub fn of_pieces(pieces: &[Piece], centre_mm: PointMm) -> Self {
        let form = |piece: &Piece| {
            let at = piece.shift_mm - centre_mm;
            let boxed = |w: f64, l: f64, r: f64| Form::Box { centre: [at.x, at.y], half: [w / 2.0, l / 2.0], corner: r };
            match &piece.shape {
                Shape::Round { diameter_mm } => boxed(*diameter_mm, *diameter_mm, diameter_mm / 2.0),
                Shape::Rect { width_mm, length_mm } => boxed(*width_mm, *length_mm, 0.0),
                Shape::Rounded { width_mm, length_mm, radius_mm } => boxed(*width_mm, *length_mm, *radius_mm),
                Shape::Oval { width_mm, length_mm } => boxed(*width_mm, *length_mm, width_mm.min(*length_mm) / 2.0),
                Shape::Outline { corners_mm } => {
                    let mut corners: Vec<[f64; 2]> = corners_mm.iter().map(|c| [c.x + at.x, c.y + at.y]).collect();
                    if doubled_area(&corners) < 0.0 {
                        corners.reverse();
                    }
                    Form::Polygon { corners }
                }
            }
        };
        Self { pieces: pieces.iter().map(form).collect() }
    }

    /// Whether it is one disc.
    #[must_use]
    pub fn is_disc(&self) -> bool {
        matches!(self.pieces.as_slice(), [Form::Box { half: [x, y], corner, .. }] if x == y && corner == x)
    }

    /// Whether it is one piece that is the same half a turn round: a disc, a rectangle, sharp or rounded.
    #[must_use]
    pub fn is_box(&self) -> bool {
        matches!(self.pieces.as_slice(), [Form::Box { .. }])
    }

    /// Stretched along the local axes.
    #[must_use]
    pub fn scaled(&self, x: f64, y: f64) -> Self {
        let form = |form: &Form| match form {
            Form::Box { centre, half, corner } => {
                let half = [half[0] * x, half[1] * y];
                Form::Box { centre: [centre[0] * x, centre[1] * y], half, corner: (corner * (x + y) / 2.0).min(half[0]).min(half[1]) }
            }
            Form::Polygon { corners } => Form::Polygon { corners: corners.iter().map(|c| [c[0] * x, c[1] * y]).collect() },
        };
        Self { pieces: self.pieces.iter().map(form).collect() }
    }

    /// Moved by a step, local axes.
    fn moved(&self, by: [f64; 2]) -> Self {
        let form = |form: &Form| match form {
            Form::Box { centre, half, corner } => {
                Form::Box { centre: [centre[0] + by[0], centre[1] + by[1]], half: *half, corner: *corner }
            }
            Form::Polygon { corners } => Form::Polygon { corners: corners.iter().map(|c| [c[0] + by[0], c[1] + by[1]]).collect() },
        };
        Self { pieces: self.pieces.iter().map(form).collect() }
    }

    /// Turned by a quarter anticlockwise.
    #[must_use]
    pub fn quarter_turned(&self) -> Self {
        let form = |form: &Form| match form {
            Form::Box { centre: [x, y], half: [w, l], corner } => Form::Box { centre: [-y, *x], half: [*l, *w], corner: *corner },
            Form::Polygon { corners } => Form::Polygon { corners: corners.iter().map(|[x, y]| [-y, *x]).collect() },
        };
        Self { pieces: self.pieces.iter().map(form).collect() }
    }

    /// Whether `other` covers the same place to within a share of its size.
    #[must_use]
    pub fn is_like(&self, other: &Self, share: f64) -> bool {
        let near = |a: [f64; 2], b: [f64; 2], by: f64| (a[0] - b[0]).hypot(a[1] - b[1]) <= by;
        let like = |a: &Form, b: &Form| match (a, b) {
            (Form::Box { centre: c, half: h, corner: r }, Form::Box { centre: d, half: k, corner: q }) => {
                let by = share * h[0].min(h[1]);
                near(*c, *d, by)
                    && (h[0] - k[0]).abs() <= share * h[0]
                    && (h[1] - k[1]).abs() <= share * h[1]
                    && (r - q).abs() <= 0.3 * h[0].min(h[1])
            }
            (Form::Polygon { corners: a }, Form::Polygon { corners: b }) => {
                let reach = a.iter().map(|c| c[0].hypot(c[1])).fold(0.0, f64::max);
                a.len() == b.len() && a.iter().all(|p| b.iter().any(|q| near(*p, *q, share * reach)))
            }
            _ => false,
        };
        self.pieces.len() == other.pieces.len() && self.pieces.iter().all(|a| other.pieces.iter().any(|b| like(a, b)))
    }

    /// The angle after which it covers nearly the same place, radians: 0 for a disc, a quarter, a half or a whole turn. A cut
    /// corner does not tell: seen coarsely such a shape fits either way.
    #[must_use]
    pub fn period_rad(&self) -> f64 {
        use std::f64::consts::{FRAC_PI_2, PI, TAU};
        // About its middle, not its centroid, which a cut corner moves.
        let [low, high] = self.bounds();
        let about_middle = self.moved([-(low[0] + high[0]) / 2.0, -(low[1] + high[1]) / 2.0]);
        let quarter = about_middle.quarter_turned();
        if self.is_disc() {
            0.0
        } else if about_middle.differs_from(&quarter) < ALIKE_SHARE {
            FRAC_PI_2
        } else if about_middle.differs_from(&quarter.quarter_turned()) < ALIKE_SHARE {
            PI
        } else {
            TAU
        }
    }

    /// The area that only one of two outlines covers, as a share of what both cover together; on a grid of places.
    fn differs_from(&self, other: &Self) -> f64 {
        const CELLS: i32 = 40;
        let reach = self.reach().max(other.reach());
        let (mut either, mut one) = (0.0, 0.0);
        for row in -CELLS..=CELLS {
            for col in -CELLS..=CELLS {
                let p = [col, row].map(|v| f64::from(v) / f64::from(CELLS) * reach);
                let (a, b) = (self.near(p).distance < 0.0, other.near(p).distance < 0.0);
                either += f64::from(u8::from(a || b));
                one += f64::from(u8::from(a != b));
            }
        }
        if either > 0.0 { one / either } else { 0.0 }
    }

    /// Whether it is longer along local x than along local y.
    #[must_use]
    pub fn is_wide(&self) -> bool {
        let [low, high] = self.bounds();
        high[0] - low[0] > 1.001 * (high[1] - low[1])
    }

    /// Least and largest local coordinates.
    #[must_use]
    pub fn bounds(&self) -> [[f64; 2]; 2] {
        let mut bounds = [[f64::INFINITY; 2], [f64::NEG_INFINITY; 2]];
        let mut take = |p: [f64; 2]| {
            for axis in 0..2 {
                bounds[0][axis] = bounds[0][axis].min(p[axis]);
                bounds[1][axis] = bounds[1][axis].max(p[axis]);
            }
        };
        for form in &self.pieces {
            match form {
                Form::Box { centre: [x, y], half: [w, l], .. } => {
                    take([x - w, y - l]);
                    take([x + w, y + l]);
                }
                Form::Polygon { corners } => corners.iter().for_each(|c| take(*c)),
            }
        }
        bounds
    }

    /// Half the narrow side of the narrowest piece.
    #[must_use]
    pub fn narrow_half(&self) -> f64 {
        let of = |form: &Form| match form {
            Form::Box { half, .. } => half[0].min(half[1]),
            Form::Polygon { corners } => {
                let span = |axis: usize| {
                    let (lo, hi) =
                        corners.iter().map(|c| c[axis]).fold((f64::INFINITY, f64::NEG_INFINITY), |(lo, hi), v| (lo.min(v), hi.max(v)));
                    (hi - lo) / 2.0
                };
                span(0).min(span(1))
            }
        };
        self.pieces.iter().map(of).fold(f64::INFINITY, f64::min)
    }

    /// No point of the outline is further from the centre.
    #[must_use]
    pub fn reach(&self) -> f64 {
        let of = |form: &Form| match form {
            Form::Box { centre, half, corner } => centre[0].hypot(centre[1]) + (half[0] - corner).hypot(half[1] - corner) + corner,
            Form::Polygon { corners } => corners.iter().map(|c| c[0].hypot(c[1])).fold(0.0, f64::max),
        };
        self.pieces.iter().map(of).fold(0.0, f64::max)
    }

    /// The nearest point of the outline to `p`. Exact for pieces of any form.
    #[must_use]
    pub fn near(&self, p: [f64; 2]) -> Near {
        let mut best: Option<Near> = None;
        let mut other = f64::INFINITY;
        for form in &self.pieces {
            let near = match form {
                Form::Box { centre, half, corner } => near_box([p[0] - centre[0], p[1] - centre[1]], *half, *corner),
                Form::Polygon { corners } => near_polygon(p, corners),
            };
            match &best {
                Some(b) if b.distance <= near.distance => other = other.min(near.distance),
                _ => {
                    other = other.min(best.map_or(f64::INFINITY, |b| b.distance));
                    best = Some(near);
                }
            }
        }
        let nowhere = Near { distance: f64::INFINITY, normal: [1.0, 0.0], side: 0, from_corner: 0.0, other_piece: f64::INFINITY };
        best.map_or(nowhere, |b| Near { other_piece: other, ..b })
    }

    /// Points along the outline, at most `step` apart, at least five to a side.
    #[must_use]
    pub fn points(&self, step: f64) -> Vec<EdgePoint> {
        let mut out = Vec::new();
        for form in &self.pieces {
            let corners = polygon_of(form);
            for (i, a) in corners.iter().enumerate() {
                let b = corners[(i + 1) % corners.len()];
                let along = [b[0] - a[0], b[1] - a[1]];
                let length = along[0].hypot(along[1]);
                if length < 1e-12 {
                    continue;
                }
                let normal = [along[1] / length, -along[0] / length];
                let least = if corners.len() > 8 { 1 } else { 5 };
                let n = ((length / step).ceil() as usize).max(least);
                for k in 0..n {
                    let t = (k as f64 + 0.5) / n as f64;
                    out.push(EdgePoint { at: [a[0] + t * along[0], a[1] + t * along[1]], normal, side: side_of(normal) });
                }
            }
        }
        out
    }

    /// The half width from the centre towards a local direction: how far the outline reaches that way.
    #[must_use]
    pub fn reach_towards(&self, direction: [f64; 2]) -> f64 {
        let points = self.pieces.iter().flat_map(polygon_of);
        points.map(|c| c[0] * direction[0] + c[1] * direction[1]).fold(0.0, f64::max)
    }
}

fn side_of(normal: [f64; 2]) -> usize {
    if normal[0].abs() >= normal[1].abs() {
        if normal[0] >= 0.0 { 0 } else { 2 }
    } else if normal[1] >= 0.0 {
        1
    } else {
        3
    }
}

fn near_box(p: [f64; 2], half: [f64; 2], corner: f64) -> Near {
    let sign = [p[0], p[1]].map(|v| if v < 0.0 { -1.0 } else { 1.0 });
    let (ax, ay) = (p[0].abs() - (half[0] - corner), p[1].abs() - (half[1] - corner));
    let is_sharp = corner < 0.05 * half[0].min(half[1]);
    if ax > 0.0 && ay > 0.0 {
        let r = ax.hypot(ay);
        let normal = [sign[0] * ax / r, sign[1] * ay / r];
        return Near {
            distance: r - corner,
            normal,
            side: side_of(normal),
            from_corner: if is_sharp { 0.0 } else { f64::INFINITY },
            other_piece: f64::INFINITY,
        };
    }
    let (normal, distance, along) =
        if ax > ay { ([sign[0], 0.0], ax - corner, half[1] - p[1].abs()) } else { ([0.0, sign[1]], ay - corner, half[0] - p[0].abs()) };
    let from_corner = if is_sharp { along.max(0.0) } else { f64::INFINITY };
    Near { distance, normal, side: side_of(normal), from_corner, other_piece: f64::INFINITY }
}

fn near_polygon(p: [f64; 2], corners: &[[f64; 2]]) -> Near {
    let n = corners.len();
    let mut best = Near { distance: f64::INFINITY, normal: [1.0, 0.0], side: 0, from_corner: 0.0, other_piece: f64::INFINITY };
    let mut is_inside = false;
    for i in 0..n {
        let (a, b) = (corners[i], corners[(i + 1) % n]);
        let along = [b[0] - a[0], b[1] - a[1]];
        let length = along[0].hypot(along[1]);
        if length < 1e-12 {
            continue;
        }
        let (dx, dy) = (p[0] - a[0], p[1] - a[1]);
        let at = ((dx * along[0] + dy * along[1]) / length).clamp(0.0, length);
        let (ux, uy) = (along[0] / length, along[1] / length);
        let distance = (dx - at * ux).hypot(dy - at * uy);
        if (a[1] > p[1]) != (b[1] > p[1]) && p[0] < (b[0] - a[0]) * (p[1] - a[1]) / (b[1] - a[1]) + a[0] {
            is_inside = !is_inside;
        }
        if distance < best.distance {
            let gap = |is_sharp: bool, gap: f64| if is_sharp { gap } else { f64::INFINITY };
            let from_corner = gap(is_sharp(corners, i), at).min(gap(is_sharp(corners, (i + 1) % n), length - at));
            let normal = [uy, -ux];
            best = Near { distance, normal, side: side_of(normal), from_corner, other_piece: f64::INFINITY };
        }
    }
    if is_inside {
        best.distance = -best.distance;
    }
    best
}

fn is_sharp(corners: &[[f64; 2]], i: usize) -> bool {
    let n = corners.len();
    let (before, here, after) = (corners[(i + n - 1) % n], corners[i], corners[(i + 1) % n]);
    let turn = |a: [f64; 2], b: [f64; 2]| (b[1] - a[1]).atan2(b[0] - a[0]);
    landfit_part::wrap_angle_rad(turn(here, after) - turn(before, here)).abs() > SHARP_RAD
}

/// Corners anticlockwise; curves by short segments.
fn polygon_of(form: &Form) -> Vec<[f64; 2]> {
    match form {
        Form::Polygon { corners } => corners.clone(),
        Form::Box { centre, half, corner } => {
            let steps = if *corner > 0.0 { ARC_STEPS } else { 0 };
            let (x, y) = (half[0] - corner, half[1] - corner);
            [(x, y, 0.0), (-x, y, 1.0), (-x, -y, 2.0), (x, -y, 3.0)]
                .into_iter()
                .flat_map(|(cx, cy, quarter)| {
                    (0..=steps).map(move |i| {
                        let share = if steps == 0 { 0.5 } else { i as f64 / steps as f64 };
                        let (sin, cos) = ((quarter + share) * std::f64::consts::FRAC_PI_2).sin_cos();
                        [centre[0] + cx + corner * cos, centre[1] + cy + corner * sin]
                    })
                })
                .collect()
        }
    }
}

fn doubled_area(corners: &[[f64; 2]]) -> f64 {
    (0..corners.len())
        .map(|i| {
            let (a, b) = (corners[i], corners[(i + 1) % corners.len()]);
            a[0] * b[1] - b[0] * a[1]
        })
        .sum()
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::{FRAC_PI_2, PI, TAU};

    fn of(shape: Shape) -> Outline {
        Outline::of_pieces(&[Piece { shape, shift_mm: PointMm::ZERO }], PointMm::ZERO)
    }

    fn cut() -> Outline {
        let corners_mm = [(-1.0, -2.0), (1.0, -2.0), (1.0, 2.0), (-0.4, 2.0), (-1.0, 1.4)].map(|(x, y)| PointMm::new(x, y)).to_vec();
        of(Shape::Outline { corners_mm })
    }

    #[test]
    fn distances_and_sides_are_those_of_the_shape() {
        let rect = of(Shape::Rect { width_mm: 2.0, length_mm: 6.0 });
        let inside = rect.near([0.6, 1.0]);
        assert!((inside.distance + 0.4).abs() < 1e-12 && inside.side == 0 && (inside.from_corner - 2.0).abs() < 1e-12);
        let beyond = rect.near([0.5, -3.5]);
        assert!((beyond.distance - 0.5).abs() < 1e-12 && beyond.side == 3);
        let corner = rect.near([2.0, 4.0]);
        assert!((corner.distance - 2.0_f64.sqrt()).abs() < 1e-12 && corner.from_corner == 0.0);
        let disc = of(Shape::Round { diameter_mm: 2.0 });
        assert!((disc.near([0.3, 0.4]).distance + 0.5).abs() < 1e-12 && disc.near([0.3, 0.4]).from_corner.is_infinite());
        let corner = cut().near([-1.0, 2.0]);
        assert!((corner.distance - 0.6 / 2.0_f64.sqrt()).abs() < 1e-9);
        assert!((cut().near([0.9, 0.0]).distance + 0.1).abs() < 1e-12);
    }

    #[test]
    fn turns_after_which_a_shape_looks_the_same() {
        assert_eq!(of(Shape::Round { diameter_mm: 1.0 }).period_rad(), 0.0);
        assert_eq!(of(Shape::Rect { width_mm: 1.0, length_mm: 1.0 }).period_rad(), FRAC_PI_2);
        assert_eq!(of(Shape::Oval { width_mm: 1.0, length_mm: 2.0 }).period_rad(), PI);
        assert_eq!(cut().period_rad(), PI, "a cut corner does not tell");
        let corners_mm = [(-1.0, -2.0), (1.0, -2.0), (1.0, -1.0), (0.0, -1.0), (0.0, 2.0), (-1.0, 2.0)];
        assert_eq!(of(Shape::Outline { corners_mm: corners_mm.map(|(x, y)| PointMm::new(x, y)).to_vec() }).period_rad(), TAU);
    }

    #[test]
    fn points_lie_on_the_outline_and_face_outwards() {
        for outline in [cut(), of(Shape::Oval { width_mm: 1.0, length_mm: 3.0 }), of(Shape::Rect { width_mm: 1.0, length_mm: 3.0 })] {
            let points = outline.points(0.1);
            assert!((0..SIDES).all(|side| points.iter().any(|p| p.side == side)));
            for p in points {
                assert!(outline.near(p.at).distance.abs() < 0.02);
                assert!(outline.near([p.at[0] + 0.05 * p.normal[0], p.at[1] + 0.05 * p.normal[1]]).distance > 0.02);
            }
        }
    }

    #[test]
    fn two_pieces_know_of_each_other() {
        let half = |x: f64| Piece { shape: Shape::Rect { width_mm: 0.4, length_mm: 1.0 }, shift_mm: PointMm::new(x, 0.0) };
        let both = Outline::of_pieces(&[half(-0.5), half(0.5)], PointMm::ZERO);
        let near = both.near([0.2, 0.0]);
        assert!((near.distance - 0.1).abs() < 1e-12 && (near.other_piece - 0.5).abs() < 1e-12 && near.side == 2);
        assert_eq!(both.period_rad(), PI);
    }
}
