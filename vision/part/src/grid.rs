//! Ball grids: how sites are called and where they lie.

use crate::{Piece, PointMm, Site};
use std::collections::BTreeSet;

/// Row letters leave out I, O, Q, S, X and Z (the JEDEC habit); after Y comes AA.
const ROW_LETTERS: &[u8; 20] = b"ABCDEFGHJKLMNPRTUVWY";

/// No grid has more rows or more columns.
pub const MOST_ROWS_OR_COLUMNS: u32 = 500;

/// A grid of equal sites, centred on the origin over its full rows and columns: A1 at the left and far corner, rows
/// A, B, … towards the operator, columns 1, 2, … to the right.
#[derive(Debug, Clone, PartialEq)]
pub struct Grid {
    /// Rows of the full grid.
    pub rows: u32,
    /// Columns of the full grid.
    pub columns: u32,
    /// Distance of neighbouring columns (x) and rows (y), mm.
    pub pitch_mm: [f64; 2],
    /// What stands at each site on the part.
    pub terminal: Vec<Piece>,
    /// What lies at each site on the board.
    pub land: Vec<Piece>,
    /// Places without a site, as row and column from 0. They never shift the grid.
    pub absent: BTreeSet<Place>,
}

/// A place of a grid: row from 0 (A) and column from 0 ("1").
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Place {
    /// From 0: row A.
    pub row: u32,
    /// From 0: column 1.
    pub column: u32,
}

/// Why a name is no place, or a block none of this grid.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum PlaceError {
    /// Not letters and then digits.
    #[error("\"{name}\" is no site's name; a site is called by row letters and column number, like C4")]
    NoName {
        /// As written.
        name: String,
    },
    /// A letter that rows never have.
    #[error("\"{name}\": no row is called {letter}; row letters leave out I, O, Q, S, X and Z")]
    NoRow {
        /// As written.
        name: String,
        /// The letter at fault.
        letter: char,
    },
    /// Below the last row or right of the last column.
    #[error("\"{name}\" lies outside the grid, whose last site is {last}")]
    Outside {
        /// As written.
        name: String,
        /// The last site of the full grid.
        last: String,
    },
}

impl Place {
    /// What the place is called: "A1", "AA12".
    #[must_use]
    pub fn name(self) -> String {
        let mut letters = Vec::new();
        let mut rest = self.row + 1;
        while rest > 0 {
            letters.push(char::from(ROW_LETTERS[((rest - 1) % 20) as usize]));
            rest = (rest - 1) / 20;
        }
        letters.iter().rev().collect::<String>() + &(self.column + 1).to_string()
    }

    /// The place called `name`, in capitals or small letters.
    ///
    /// # Errors
    /// `NoName`, `NoRow`.
    pub fn parse(name: &str) -> Result<Self, PlaceError> {
        let no_name = || PlaceError::NoName { name: name.chars().filter(|c| !c.is_control()).take(40).collect() };
        let trimmed = name.trim();
        let digits_from = trimmed.find(|c: char| c.is_ascii_digit()).ok_or_else(no_name)?;
        let (letters, digits) = trimmed.split_at(digits_from);
        // Two letters reach row 420, three row 8420: more than any grid has.
        if letters.is_empty() || letters.len() > 3 || digits.len() > 4 || digits.starts_with('0') {
            return Err(no_name());
        }
        let mut row = 0;
        for letter in letters.chars() {
            let upper = letter.to_ascii_uppercase();
            if !upper.is_ascii_uppercase() {
                return Err(no_name());
            }
            let index = ROW_LETTERS.iter().position(|l| char::from(*l) == upper);
            let index = index.ok_or_else(|| PlaceError::NoRow { name: trimmed.to_owned(), letter: upper })?;
            row = row * 20 + u32::try_from(index).unwrap_or(0) + 1;
        }
        let column: u32 = digits.parse().map_err(|_| no_name())?;
        Ok(Self { row: row - 1, column: column - 1 })
    }
}

impl Grid {
    /// Where a place lies, part frame.
    #[must_use]
    pub fn at_mm(&self, place: Place) -> PointMm {
        let from_middle = |index: u32, count: u32| f64::from(index) - f64::from(count - 1) / 2.0;
        let y = from_middle(place.row, self.rows) * self.pitch_mm[1];
        PointMm::new(from_middle(place.column, self.columns) * self.pitch_mm[0], if y == 0.0 { 0.0 } else { -y })
    }

    /// All places, row by row.
    pub fn places(&self) -> impl Iterator<Item = Place> + use<> {
        let columns = self.columns;
        (0..self.rows).flat_map(move |row| (0..columns).map(move |column| Place { row, column }))
    }

    /// The sites, row by row.
    #[must_use]
    pub fn sites(&self) -> Vec<Site> {
        self.places()
            .filter(|place| !self.absent.contains(place))
            .map(|place| Site {
                id: place.name(),
                at_mm: self.at_mm(place),
                angle_rad: 0.0,
                terminal: self.terminal.clone(),
                land: self.land.clone(),
            })
            .collect()
    }

    /// The places of "A1", or of the block "G7:K10" from corner to corner in any order.
    ///
    /// # Errors
    /// `NoName`, `NoRow`, `Outside`.
    pub fn block(&self, text: &str) -> Result<Vec<Place>, PlaceError> {
        let (one, other) = text.split_once(':').unwrap_or((text, text));
        let corner = |name: &str| -> Result<Place, PlaceError> {
            let place = Place::parse(name)?;
            if place.row >= self.rows || place.column >= self.columns {
                let last = Place { row: self.rows - 1, column: self.columns - 1 }.name();
                return Err(PlaceError::Outside { name: name.trim().to_owned(), last });
            }
            Ok(place)
        };
        let (a, b) = (corner(one)?, corner(other)?);
        let (rows, columns) = (a.row.min(b.row)..=a.row.max(b.row), a.column.min(b.column)..=a.column.max(b.column));
        Ok(rows.flat_map(|row| columns.clone().map(move |column| Place { row, column })).collect())
    }

    /// The absent places as blocks, each as wide and then as deep as it can be, from the far left corner.
    #[must_use]
    pub fn absent_blocks(&self) -> Vec<String> {
        let mut left = self.absent.clone();
        let mut blocks = Vec::new();
        while let Some(first) = left.first().copied() {
            let mut last = first;
            while left.contains(&Place { column: last.column + 1, ..last }) {
                last.column += 1;
            }
            while (first.column..=last.column).all(|column| left.contains(&Place { row: last.row + 1, column })) {
                last.row += 1;
            }
            for row in first.row..=last.row {
                for column in first.column..=last.column {
                    left.remove(&Place { row, column });
                }
            }
            blocks.push(if first == last { first.name() } else { format!("{}:{}", first.name(), last.name()) });
        }
        blocks
    }

    /// The grid that makes the first sites of a list exactly, and how many; `None` where no grid does.
    ///
    /// A grid file holds what a list of sites no longer says (rows, columns, pitch), so it is worked out from names and
    /// places, and taken only when it gives the very same sites back.
    #[must_use]
    pub fn of_sites(sites: &[Site]) -> Option<(Self, usize)> {
        let first = sites.first()?;
        let in_order = |pair: &[(Place, &Site)]| pair[0].0 < pair[1].0;
        let mut named: Vec<(Place, &Site)> = Vec::new();
        for site in sites {
            let Ok(place) = Place::parse(&site.id) else { break };
            let same = site.angle_rad == 0.0 && site.terminal == first.terminal && site.land == first.land && place.name() == site.id;
            if !same {
                break;
            }
            named.push((place, site));
            if named.len() > 1 && !in_order(&named[named.len() - 2..]) {
                named.pop();
                break;
            }
        }
        let x = axis(named.iter().map(|(p, s)| (p.column, s.at_mm.x)))?;
        let y = axis(named.iter().map(|(p, s)| (p.row, -s.at_mm.y)))?;
        let mut grid = Self {
            rows: y.count,
            columns: x.count,
            pitch_mm: [x.pitch_mm, y.pitch_mm],
            terminal: first.terminal.clone(),
            land: first.land.clone(),
            absent: BTreeSet::new(),
        };
        // Explicit sites with grid-like names may follow: the grid ends where a place no longer fits.
        let fits = named.iter().take_while(|(p, s)| p.row < grid.rows && p.column < grid.columns && grid.at_mm(*p) == s.at_mm).count();
        let present: BTreeSet<Place> = named.iter().take(fits).map(|(p, _)| *p).collect();
        grid.absent = grid.places().filter(|p| !present.contains(p)).collect();
        (fits > 1 && grid.sites() == sites[..fits]).then_some((grid, fits))
    }
}

/// Count and pitch along one axis of a grid.
struct Axis {
    count: u32,
    pitch_mm: f64,
}

/// Works out pitch and count from indices and positions: the middle of the full grid lies at 0.
fn axis(values: impl Iterator<Item = (u32, f64)>) -> Option<Axis> {
    let values: Vec<(u32, f64)> = values.collect();
    let low = values.iter().copied().min_by_key(|(index, _)| *index)?;
    let high = values.iter().copied().max_by_key(|(index, _)| *index)?;
    if high.0 == low.0 {
        // One row or column only: it is the whole grid when it lies in the middle; the pitch does not matter then.
        return (low.1 == 0.0 && low.0 == 0).then_some(Axis { count: 1, pitch_mm: 1.0 });
    }
    let raw_mm = (high.1 - low.1) / f64::from(high.0 - low.0);
    // The drawing's own figure has few digits; the difference of two positions has rounding in its last ones.
    let pitch_mm = (raw_mm * 1e9).round() / 1e9;
    let count = 2.0 * (f64::from(low.0) - low.1 / pitch_mm) + 1.0;
    let count = count.round();
    let in_range = pitch_mm > 0.0 && (f64::from(high.0 + 1)..=f64::from(MOST_ROWS_OR_COLUMNS)).contains(&count);
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a whole number from 1 to 500")]
    in_range.then_some(Axis { count: count as u32, pitch_mm })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn grid(rows: u32, columns: u32, absent: &[&str]) -> Grid {
        let mut grid = Grid {
            rows,
            columns,
            pitch_mm: [0.8, 0.65],
            terminal: vec![Piece::round(0.45)],
            land: vec![Piece::round(0.36)],
            absent: BTreeSet::new(),
        };
        grid.absent = absent.iter().flat_map(|text| grid.block(text).expect("block")).collect();
        grid
    }

    #[test]
    fn row_letters_leave_out_six_letters_and_go_on_with_two() {
        let rows: Vec<String> = (0..42).map(|row| Place { row, column: 0 }.name()).collect();
        assert_eq!(rows[..9], ["A1", "B1", "C1", "D1", "E1", "F1", "G1", "H1", "J1"]);
        assert_eq!(rows[18..22], ["W1", "Y1", "AA1", "AB1"]);
        assert_eq!(rows[39..42], ["AY1", "BA1", "BB1"]);
        assert!(rows.iter().all(|r| !r.contains(['I', 'O', 'Q', 'S', 'X', 'Z'])));
    }

    #[test]
    fn every_place_is_found_again_by_its_name() {
        for row in 0..500 {
            let place = Place { row, column: row * 3 % 500 };
            assert_eq!(Place::parse(&place.name()), Ok(place));
        }
        assert_eq!(Place::parse("aa12"), Ok(Place { row: 20, column: 11 }));
    }

    #[test]
    fn names_that_are_no_places_are_refused_with_the_reason() {
        for name in ["", "A", "1", "A0", "A01", "1A", "A1B", "A-1", "Ä1", "AAAA1", "A99999", "A 1"] {
            assert_eq!(Place::parse(name), Err(PlaceError::NoName { name: name.into() }), "{name}");
        }
        assert_eq!(Place::parse("I4"), Err(PlaceError::NoRow { name: "I4".into(), letter: 'I' }));
        assert_eq!(grid(2, 3, &[]).block("A1:C1"), Err(PlaceError::Outside { name: "C1".into(), last: "B3".into() }));
    }

    #[test]
    fn a1_lies_left_and_far_and_the_grid_about_the_origin() {
        let sites = grid(2, 3, &[]).sites();
        assert_eq!(sites[0].at_mm, PointMm::new(-0.8, 0.325));
        assert_eq!(sites[1].at_mm, PointMm::new(0.0, 0.325));
        assert_eq!((sites[5].id.as_str(), sites[5].at_mm), ("B3", PointMm::new(0.8, -0.325)));
    }

    #[test]
    fn absent_sites_do_not_shift_the_grid() {
        let full = grid(4, 4, &[]).sites();
        for site in grid(4, 4, &["A1:D1", "C3"]).sites() {
            assert!(full.contains(&site));
        }
    }

    #[test]
    fn absent_places_come_back_as_the_same_blocks() {
        let blocks = ["A1", "A4", "B2:C3", "D1"];
        assert_eq!(grid(4, 4, &blocks).absent_blocks(), blocks);
        assert_eq!(grid(4, 4, &["C3:B2"]).absent_blocks(), ["B2:C3"]);
    }

    #[test]
    fn a_grid_is_recognised_from_its_sites_even_without_its_outer_rows() {
        for absent in [&[][..], &["A1:A6"], &["A1:F1"], &["B2:E5", "A1"]] {
            let grid = grid(6, 6, absent);
            assert_eq!(Grid::of_sites(&grid.sites()), Some((grid.clone(), grid.sites().len())));
        }
    }

    #[test]
    fn sites_that_are_not_quite_a_grid_are_not_taken_for_one() {
        let mut sites = grid(4, 4, &[]).sites();
        sites[15].at_mm.x += 1e-6;
        assert!(Grid::of_sites(&sites).is_none_or(|(_, n)| n < 16));
        let mut turned = grid(4, 4, &[]).sites();
        turned[0].angle_rad = 0.1;
        assert!(Grid::of_sites(&turned).is_none());
    }
}
