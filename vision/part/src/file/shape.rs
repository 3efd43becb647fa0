//! The shapes of the part file: one of five keys, and a shift.

use crate::strict_toml::{Field, Section};
use crate::text_file::FileError;
use crate::{Piece, PointMm, Shape};

const SHAPES: [&str; 5] = ["round_mm", "rect_mm", "rounded_mm", "oval_mm", "outline_mm"];
const KEYS: [&str; 6] = ["round_mm", "rect_mm", "rounded_mm", "oval_mm", "outline_mm", "shift_mm"];

/// Enough for any pad; the check for crossings grows with the square.
const MOST_CORNERS: usize = 500;

/// The pieces of a terminal or a land: one table or a list of tables.
pub(super) fn pieces(field: &Field<'_>) -> Result<Vec<Piece>, FileError> {
    field.one_or_more_sections()?.iter().map(piece).collect()
}

/// One piece.
pub(super) fn piece(section: &Section<'_>) -> Result<Piece, FileError> {
    section.only(&KEYS)?;
    let present: Vec<&str> = SHAPES.into_iter().filter(|key| section.get(key, "").is_some()).collect();
    let shape = match present[..] {
        ["round_mm"] => Shape::Round { diameter_mm: section.need("round_mm", "0.45")?.size_mm()? },
        ["rect_mm"] => {
            let [width_mm, length_mm] = section.need("rect_mm", "[0.22, 0.75]")?.sizes_mm("two sizes in mm, [width, length]")?;
            Shape::Rect { width_mm, length_mm }
        }
        ["rounded_mm"] => rounded(&section.need("rounded_mm", "[0.30, 0.80, 0.10]")?)?,
        ["oval_mm"] => {
            let [width_mm, length_mm] = section.need("oval_mm", "[0.30, 0.80]")?.sizes_mm("two sizes in mm, [width, length]")?;
            Shape::Oval { width_mm, length_mm }
        }
        ["outline_mm"] => outline(&section.need("outline_mm", "[[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]]")?)?,
        [] => return Err(section.wrong(format!("has no shape; write one of {}", SHAPES.join(", ")))),
        _ => return Err(section.wrong(format!("has more than one shape ({}); list several pieces as [{{…}}, {{…}}]", present.join(", ")))),
    };
    let shift_mm = section.get("shift_mm", "[0.0, 0.1]").map_or(Ok(PointMm::ZERO), |f| f.point_mm())?;
    Ok(Piece { shape, shift_mm })
}

fn rounded(field: &Field<'_>) -> Result<Shape, FileError> {
    let [width_mm, length_mm, radius_mm] = field.sizes_mm("three sizes in mm, [width, length, corner radius]")?;
    let most_mm = width_mm.min(length_mm) / 2.0;
    if radius_mm > most_mm {
        return Err(field.wrong(format!("has a corner radius of {radius_mm} mm, which is more than half the shorter side ({most_mm} mm)")));
    }
    Ok(Shape::Rounded { width_mm, length_mm, radius_mm })
}

fn outline(field: &Field<'_>) -> Result<Shape, FileError> {
    let corners_mm = field.list("a list of corners, [[x, y], …]")?.iter().map(Field::point_mm).collect::<Result<Vec<_>, _>>()?;
    if corners_mm.len() < 3 {
        return Err(field.wrong(format!("has {} corners; an outline needs at least 3", corners_mm.len())));
    }
    if corners_mm.len() > MOST_CORNERS {
        return Err(field.wrong(format!("has {} corners; an outline has at most {MOST_CORNERS}", corners_mm.len())));
    }
    if let Some((i, j)) = crossing(&corners_mm) {
        return Err(field.wrong(format!("crosses or touches itself: the edges after corners {} and {} meet", i + 1, j + 1)));
    }
    let shape = Shape::Outline { corners_mm };
    if shape.area_mm2() < 1e-9 {
        return Err(field.wrong("encloses no area; give the corners in order round the outline, each once"));
    }
    Ok(shape)
}

/// The first two edges, not neighbours, that have a point in common.
fn crossing(corners: &[PointMm]) -> Option<(usize, usize)> {
    let n = corners.len();
    let edge = |i: usize| (corners[i], corners[(i + 1) % n]);
    (0..n).flat_map(|i| (i + 2..n).map(move |j| (i, j))).filter(|(i, j)| !(*i == 0 && *j == n - 1)).find(|(i, j)| meet(edge(*i), edge(*j)))
}

fn meet((a, b): (PointMm, PointMm), (c, d): (PointMm, PointMm)) -> bool {
    let side = |p: PointMm, q: PointMm, r: PointMm| (q.x - p.x) * (r.y - p.y) - (q.y - p.y) * (r.x - p.x);
    let within =
        |p: PointMm, q: PointMm, r: PointMm| r.x >= p.x.min(q.x) && r.x <= p.x.max(q.x) && r.y >= p.y.min(q.y) && r.y <= p.y.max(q.y);
    let (sc, sd, sa, sb) = (side(a, b, c), side(a, b, d), side(c, d, a), side(c, d, b));
    let touches = (sc == 0.0 && within(a, b, c))
        || (sd == 0.0 && within(a, b, d))
        || (sa == 0.0 && within(c, d, a))
        || (sb == 0.0 && within(c, d, b));
    touches || (sc * sd < 0.0 && sa * sb < 0.0)
}
