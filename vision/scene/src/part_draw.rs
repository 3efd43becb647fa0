//! Invented ball-grid parts.

use crate::ranges::{Pattern, Sizes};
use landfit_part::{Part, Piece, PointMm, Site};
use rand::Rng;
use rand_chacha::ChaCha8Rng;

/// The drawing values of a ball-grid part.
#[derive(Debug, Clone)]
pub(crate) struct GridPlan {
    pub rows: usize,
    pub columns: usize,
    pub pitch_mm: f64,
    pub ball_mm: f64,
    pub land_mm: f64,
    pub depopulation: Depopulation,
    pub body_margin_mm: f64,
    pub body_off_mm: [f64; 2],
}

/// Which places of the grid carry no ball.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Depopulation {
    None,
    /// Only the outer `rows` rows carry balls, and a centre block of `centre` x `centre`.
    Ring {
        rows: usize,
        centre: usize,
    },
    /// Triangles of `size` cut from the corners: A1's, then clockwise.
    Corners {
        size: [usize; 4],
    },
    /// An empty block in the middle.
    Hole {
        size: [usize; 2],
    },
}

impl GridPlan {
    /// A random plan at one of the given sizes.
    pub fn draw(ranges: &Pattern, sizes: &Sizes, rng: &mut ChaCha8Rng) -> Self {
        let rows = ranges.rows.draw_count(rng);
        // square parts are the commoner ones
        let columns = if rng.random_bool(0.6) { rows } else { ranges.columns.draw_count(rng) };
        Self {
            rows,
            columns,
            pitch_mm: sizes.pitch_mm,
            ball_mm: (sizes.ball_mm.draw(rng) * 100.0).round() / 100.0,
            land_mm: (sizes.land_mm.draw(rng) * 100.0).round() / 100.0,
            depopulation: Depopulation::draw(ranges, rng),
            body_margin_mm: ranges.body_margin_mm.draw(rng),
            body_off_mm: [ranges.body_off_mm.draw(rng), ranges.body_off_mm.draw(rng)],
        }
    }

    /// Whether the grid's place carries a ball.
    pub fn holds(&self, row: usize, column: usize) -> bool {
        let (from_right, from_bottom) = (self.columns - 1 - column, self.rows - 1 - row);
        match &self.depopulation {
            Depopulation::None => true,
            Depopulation::Ring { rows, centre } => {
                let depth = row.min(column).min(from_right).min(from_bottom);
                let is_central = |at: usize, n: usize| {
                    let size = (*centre).min(n) / 2 * 2 + n % 2;
                    *centre > 0 && at >= (n - size.min(n)) / 2 && at < (n + size.min(n)) / 2
                };
                depth < *rows || (is_central(row, self.rows) && is_central(column, self.columns))
            }
            Depopulation::Corners { size } => {
                let [a1, far_right, near_right, near_left] = *size;
                row + column >= a1
                    && row + from_right >= far_right
                    && from_bottom + from_right >= near_right
                    && from_bottom + column >= near_left
            }
            Depopulation::Hole { size } => {
                let in_hole = |at: usize, n: usize, hole: usize| {
                    let hole = hole.min(n.saturating_sub(4)) / 2 * 2 + n % 2;
                    at >= (n - hole) / 2 && at < (n + hole) / 2
                };
                !(in_hole(row, self.rows, size[0]) && in_hole(column, self.columns, size[1]))
            }
        }
    }

    /// The part.
    pub fn part(&self) -> Part {
        let pitch = self.pitch_mm;
        let mut sites = Vec::new();
        for row in 0..self.rows {
            for column in (0..self.columns).filter(|column| self.holds(row, *column)) {
                let x = (column as f64 - (self.columns - 1) as f64 / 2.0) * pitch;
                let y = ((self.rows - 1) as f64 / 2.0 - row as f64) * pitch;
                sites.push(Site {
                    id: format!("{}{}", row_letters(row), column + 1),
                    at_mm: PointMm::new(x, y),
                    angle_rad: 0.0,
                    terminal: vec![Piece::round(self.ball_mm)],
                    land: vec![Piece::round(self.land_mm)],
                });
            }
        }
        let body = |n: usize| (n - 1) as f64 * pitch + 2.0 * self.body_margin_mm;
        Part {
            name: format!("invented grid {} x {}, {pitch} mm", self.rows, self.columns),
            body_mm: [body(self.columns), body(self.rows)],
            body_centre_mm: PointMm::new(self.body_off_mm[0], self.body_off_mm[1]),
            sites,
            marks: Vec::new(),
            accept_miss_mm: None,
        }
    }
}

impl Depopulation {
    fn draw(ranges: &Pattern, rng: &mut ChaCha8Rng) -> Self {
        let dice: f64 = rng.random();
        if dice < ranges.full_share {
            Self::None
        } else if dice < ranges.full_share + ranges.ring_share {
            Self::Ring { rows: rng.random_range(2..=4), centre: if rng.random_bool(0.5) { rng.random_range(2..=6) } else { 0 } }
        } else if dice < ranges.full_share + ranges.ring_share + ranges.corner_share {
            let size = rng.random_range(1..=2);
            let a1 = if rng.random_bool(0.4) { size + 1 } else { size };
            Self::Corners { size: [a1, size, size, size] }
        } else {
            Self::Hole { size: [rng.random_range(2..=6), rng.random_range(2..=6)] }
        }
    }
}

/// A, B, … Y without I, O, Q, S, X, Z, then AA, AB, …: the JEDEC habit.
fn row_letters(row: usize) -> String {
    const LETTERS: &[u8] = b"ABCDEFGHJKLMNPRTUVWY";
    let letter = |i: usize| char::from(LETTERS[i % LETTERS.len()]).to_string();
    if row < LETTERS.len() { letter(row) } else { letter(row / LETTERS.len() - 1) + &letter(row) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn row_letters_leave_out_those_that_are_misread() {
        assert_eq!((row_letters(7), row_letters(8), row_letters(19), row_letters(20)), ("H".into(), "J".into(), "Y".into(), "AA".into()));
    }
}
