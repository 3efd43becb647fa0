//! Parts from their drawing values.

pub mod leads;

use crate::grid::{Grid, MOST_ROWS_OR_COLUMNS, Place, PlaceError};
use crate::{Mark, Part, Piece, PointMm};
use std::collections::BTreeSet;

/// What the drawing of a ball grid says.
#[derive(Debug, Clone, PartialEq)]
pub struct GridDrawing {
    /// The part's name.
    pub name: String,
    /// Rows of the full grid.
    pub rows: u32,
    /// Columns of the full grid.
    pub columns: u32,
    /// Distance of neighbouring columns and rows, mm.
    pub pitch_mm: [f64; 2],
    /// Ball diameter, mm.
    pub ball_mm: f64,
    /// Land diameter, mm.
    pub land_mm: f64,
    /// Body along x and y, mm.
    pub body_mm: [f64; 2],
    /// Where the grid has no balls.
    pub depopulation: Depopulation,
    /// Marks of either side.
    pub marks: Vec<Mark>,
    /// The largest allowed miss, mm; `None` leaves it to the project's rule.
    pub accept_miss_mm: Option<f64>,
}

/// Where a grid has no balls.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Depopulation {
    /// Single sites ("A1") and blocks from corner to corner ("G7:K10").
    pub absent: Vec<String>,
    /// Rows and columns of an empty field in the middle.
    pub empty_middle: Option<[u32; 2]>,
    /// Only every other site, as on a chessboard, A1 among them: a staggered grid.
    pub staggered: bool,
    /// Balls missing along each edge from every corner: 1 leaves out the corner ball, 2 three balls, 3 six.
    pub empty_corners: u32,
}

/// What a drawing cannot mean.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum DrawingError {
    /// Rows or columns out of range.
    #[error("a grid of {rows} rows and {columns} columns cannot be made: both must be from 1 to {MOST_ROWS_OR_COLUMNS}, at most {most} sites", most = crate::file::MOST_SITES)]
    Count {
        /// As given.
        rows: u32,
        /// As given.
        columns: u32,
    },
    /// A size that is no size.
    #[error("the {what} is {value_mm} mm; it must be above 0 and at most 1000 mm")]
    Size {
        /// "ball", "pitch".
        what: &'static str,
        /// As given, mm.
        value_mm: f64,
    },
    /// Neighbours that would touch.
    #[error("{what}s of {size_mm} mm touch each other at a pitch of {pitch_mm} mm")]
    Touching {
        /// "ball" or "land".
        what: &'static str,
        /// Diameter, mm.
        size_mm: f64,
        /// The smaller pitch, mm.
        pitch_mm: f64,
    },
    /// Balls outside the body.
    #[error("the balls reach over {width_mm:.2} x {length_mm:.2} mm, more than the body of {} x {} mm", body_mm[0], body_mm[1])]
    BeyondBody {
        /// Extent of the balls along x, mm.
        width_mm: f64,
        /// Extent of the balls along y, mm.
        length_mm: f64,
        /// The body, mm.
        body_mm: [f64; 2],
    },
    /// A name that is no site of this grid.
    #[error(transparent)]
    Absent(#[from] PlaceError),
    /// An inner field that cannot lie in the middle.
    #[error(
        "an empty field of {inner_rows} x {inner_columns} cannot lie in the middle of {rows} x {columns}: in each direction both must be even or both odd, and the field smaller"
    )]
    Middle {
        /// As given.
        inner_rows: u32,
        /// As given.
        inner_columns: u32,
        /// As given.
        rows: u32,
        /// As given.
        columns: u32,
    },
    /// None, or more than a part may have.
    #[error("{count} terminals make no part; there are from 1 to {most}", most = crate::file::MOST_SITES)]
    Terminals {
        /// As given.
        count: u64,
    },
    /// Nothing left.
    #[error("no ball is left: every site of the grid is absent")]
    Nothing,
}

/// A ball grid from its drawing.
///
/// # Errors
/// What the drawing cannot mean, with its numbers.
pub fn ball_grid(drawing: &GridDrawing) -> Result<Part, DrawingError> {
    let &GridDrawing { rows, columns, pitch_mm, ball_mm, land_mm, body_mm, .. } = drawing;
    let count_range = 1..=MOST_ROWS_OR_COLUMNS;
    if !count_range.contains(&rows) || !count_range.contains(&columns) {
        return Err(DrawingError::Count { rows, columns });
    }
    let sizes = [
        ("pitch", pitch_mm[0]),
        ("pitch", pitch_mm[1]),
        ("ball", ball_mm),
        ("land", land_mm),
        ("body", body_mm[0]),
        ("body", body_mm[1]),
        ("allowed miss", drawing.accept_miss_mm.unwrap_or(1.0)),
    ];
    if let Some((what, value_mm)) = sizes.into_iter().find(|(_, v)| !(*v > 0.0 && *v <= 1000.0)) {
        return Err(DrawingError::Size { what, value_mm });
    }
    let smaller_mm = pitch_mm[0].min(pitch_mm[1]);
    for (what, size_mm) in [("ball", ball_mm), ("land", land_mm)] {
        if size_mm >= smaller_mm && rows * columns > 1 {
            return Err(DrawingError::Touching { what, size_mm, pitch_mm: smaller_mm });
        }
    }
    let mut grid =
        Grid { rows, columns, pitch_mm, terminal: vec![Piece::round(ball_mm)], land: vec![Piece::round(land_mm)], absent: BTreeSet::new() };
    grid.absent = absent(&grid, &drawing.depopulation)?;
    let sites = grid.sites();
    if sites.is_empty() {
        return Err(DrawingError::Nothing);
    }
    if sites.len() > crate::file::MOST_SITES {
        return Err(DrawingError::Count { rows, columns });
    }
    let reach = |get: fn(&PointMm) -> f64| 2.0 * sites.iter().map(|s| get(&s.at_mm).abs()).fold(0.0, f64::max) + ball_mm;
    let (width_mm, length_mm) = (reach(|p| p.x), reach(|p| p.y));
    // A hair of rounding must not refuse balls that reach just to the edge.
    if width_mm > body_mm[0] + 1e-9 || length_mm > body_mm[1] + 1e-9 {
        return Err(DrawingError::BeyondBody { width_mm, length_mm, body_mm });
    }
    Ok(Part {
        name: drawing.name.clone(),
        body_mm,
        body_centre_mm: PointMm::ZERO,
        sites,
        marks: drawing.marks.clone(),
        accept_miss_mm: drawing.accept_miss_mm,
    })
}

fn absent(grid: &Grid, depopulation: &Depopulation) -> Result<BTreeSet<Place>, DrawingError> {
    let (rows, columns) = (grid.rows, grid.columns);
    let mut absent = BTreeSet::new();
    for text in &depopulation.absent {
        absent.extend(grid.block(text)?);
    }
    if let Some([inner_rows, inner_columns]) = depopulation.empty_middle {
        let fits = |inner: u32, whole: u32| inner >= 1 && inner < whole && (whole - inner).is_multiple_of(2);
        if !fits(inner_rows, rows) || !fits(inner_columns, columns) {
            return Err(DrawingError::Middle { inner_rows, inner_columns, rows, columns });
        }
        let (first_row, first_column) = ((rows - inner_rows) / 2, (columns - inner_columns) / 2);
        let inside = |p: &Place| {
            (first_row..first_row + inner_rows).contains(&p.row) && (first_column..first_column + inner_columns).contains(&p.column)
        };
        absent.extend(grid.places().filter(inside));
    }
    if depopulation.staggered {
        absent.extend(grid.places().filter(|p| (p.row + p.column) % 2 == 1));
    }
    let from_corner = |p: &Place| p.row.min(rows - 1 - p.row) + p.column.min(columns - 1 - p.column);
    absent.extend(grid.places().filter(|p| from_corner(p) < depopulation.empty_corners));
    Ok(absent)
}

/// A body for a grid whose drawing is not at hand: the balls' field and a pitch all round, rounded up to half
/// millimetres. A guess of this project; the body is drawn, and never measured against.
#[must_use]
pub fn guessed_body_mm(rows: u32, columns: u32, pitch_mm: [f64; 2]) -> [f64; 2] {
    let side = |count: u32, pitch_mm: f64| (f64::from(count + 1) * pitch_mm * 2.0 - 1e-9).ceil() / 2.0;
    [side(columns, pitch_mm[0]), side(rows, pitch_mm[1])]
}

#[cfg(test)]
mod tests {
    use super::*;

    fn drawing(rows: u32, columns: u32) -> GridDrawing {
        GridDrawing {
            name: "B".into(),
            rows,
            columns,
            pitch_mm: [0.8, 0.8],
            ball_mm: 0.45,
            land_mm: 0.35,
            body_mm: guessed_body_mm(rows, columns, [0.8, 0.8]),
            depopulation: Depopulation::default(),
            marks: Vec::new(),
            accept_miss_mm: None,
        }
    }

    fn ids(drawing: &GridDrawing) -> String {
        ball_grid(drawing).expect("part").sites.iter().map(|s| s.id.clone()).collect::<Vec<_>>().join(" ")
    }

    #[test]
    fn a_full_grid_has_all_its_balls_about_the_origin() {
        let part = ball_grid(&drawing(16, 16)).expect("part");
        assert_eq!(part.sites.len(), 256);
        assert!(part.sites[0].at_mm.distance(PointMm::new(-6.0, 6.0)) < 1e-12);
        assert_eq!(part.body_mm, [14.0, 14.0]);
        assert_eq!(part.sites[255].id, "T16");
    }

    #[test]
    fn corners_middle_and_named_sites_are_left_out() {
        let mut drawing = drawing(4, 4);
        drawing.depopulation =
            Depopulation { absent: vec!["A2".into()], empty_middle: Some([2, 2]), empty_corners: 1, ..Depopulation::default() };
        assert_eq!(ids(&drawing), "A3 B1 B4 C1 C4 D2 D3");
        drawing.depopulation = Depopulation { empty_corners: 2, ..Depopulation::default() };
        assert_eq!(ids(&drawing), "B2 B3 C2 C3");
    }

    #[test]
    fn a_staggered_grid_keeps_every_other_site() {
        let mut drawing = drawing(3, 3);
        drawing.depopulation.staggered = true;
        assert_eq!(ids(&drawing), "A1 A3 B2 C1 C3");
    }

    #[test]
    fn drawings_that_cannot_be_meant_are_refused_with_their_numbers() {
        let refused = |change: fn(&mut GridDrawing)| {
            let mut drawing = drawing(4, 4);
            change(&mut drawing);
            ball_grid(&drawing).expect_err("refused").to_string()
        };
        assert!(refused(|d| d.rows = 0).starts_with("a grid of 0 rows and 4 columns"));
        assert!(refused(|d| (d.rows, d.columns) = (500, 500)).contains("at most 20000 sites"));
        assert_eq!(refused(|d| d.pitch_mm[1] = 0.0), "the pitch is 0 mm; it must be above 0 and at most 1000 mm");
        assert_eq!(refused(|d| d.ball_mm = f64::NAN), "the ball is NaN mm; it must be above 0 and at most 1000 mm");
        assert_eq!(refused(|d| d.land_mm = 0.8), "lands of 0.8 mm touch each other at a pitch of 0.8 mm");
        assert_eq!(refused(|d| d.body_mm = [2.0, 4.0]), "the balls reach over 2.85 x 2.85 mm, more than the body of 2 x 4 mm");
        assert!(refused(|d| d.depopulation.absent = vec!["E1".into()]).contains("whose last site is D4"));
        assert!(refused(|d| d.depopulation.empty_middle = Some([1, 2])).contains("1 x 2 cannot lie in the middle of 4 x 4"));
        assert!(refused(|d| d.depopulation.absent = vec!["A1:D4".into()]).contains("no ball is left"));
    }
}
