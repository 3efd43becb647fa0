//! Under which turns, mirrors and shifts a pattern looks the same.
//!
//! A motion is judged by the share of sites that it carries onto a site of the same look, with the shift that makes the
//! most of it: a part that was put down turned shows itself by its pattern alone, wherever it lies. Marks do not count.

use crate::{Part, PointMm, Shape, Side};
use std::collections::HashMap;
use std::f64::consts::{FRAC_PI_2, PI};

/// 5 % of the pitch: ball position tolerances of package drawings are of this size (0.05 mm at 0.8 mm and more), so a
/// pattern that differs by less cannot be relied on to tell a turn.
const SAME_PLACE_PITCHES: f64 = 0.05;

/// 15 %: balls of one size differ by as much within their tolerance (0.45 +0.05 -0.05 mm), so sizes closer than this
/// tell nothing.
const SAME_SIZE_SHARE: f64 = 0.15;

/// 5 degrees: turned pads that differ by less look alike.
const SAME_ANGLE_RAD: f64 = 5.0 * PI / 180.0;

/// A motion of the pattern, and how much of the pattern it carries onto itself.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Likeness {
    /// Whether the pattern is first mirrored, x to -x.
    pub mirrored: bool,
    /// Then turned so many quarter turns counter-clockwise about the origin, 0 to 3.
    pub quarter_turns: u8,
    /// Then shifted, mm.
    pub shift_mm: PointMm,
    /// The share of the side's sites that fall on a site of the same look, 0 to 1.
    pub share: f64,
}

/// The quarter turns (1, 2, 3) that carry every site of one side onto one of the same look. Empty for a pattern that
/// tells every turn apart.
#[must_use]
pub fn turns_that_look_the_same(part: &Part, side: Side) -> Vec<u8> {
    let pattern = Pattern::new(part, side);
    (1..4).filter(|turns| pattern.best(false, *turns).share >= 1.0).collect()
}

/// Whether one side's pattern looks the same in a mirror, whichever way the mirror stands (along, across or diagonal).
#[must_use]
pub fn mirror_looks_the_same(part: &Part, side: Side) -> bool {
    let pattern = Pattern::new(part, side);
    (0..4).any(|turns| pattern.best(true, turns).share >= 1.0)
}

/// Every quarter turn and mirror but the identity, each with its best shift: three turns, then four mirrors.
#[must_use]
pub fn turns_and_mirrors(part: &Part, side: Side) -> Vec<Likeness> {
    let pattern = Pattern::new(part, side);
    let motions = (1..4).map(|turns| (false, turns)).chain((0..4).map(|turns| (true, turns)));
    motions.map(|(mirrored, turns)| pattern.best(mirrored, turns)).collect()
}

/// The share of one side's sites that a plain shift carries onto a site of the same look.
#[must_use]
pub fn share_after_shift(part: &Part, side: Side, shift_mm: PointMm) -> f64 {
    let pattern = Pattern::new(part, side);
    pattern.share(&pattern.looks, shift_mm)
}

/// One piece as it looks: where it lies and what it is, whatever it is called in the file.
#[derive(Debug, Clone, PartialEq)]
struct Look {
    at_mm: PointMm,
    outline: Outline,
}

#[derive(Debug, Clone, PartialEq)]
enum Outline {
    Disc {
        diameter_mm: f64,
    },
    /// The longer side's direction, within half a turn; of a square, within a quarter.
    Long {
        kind: u8,
        long_mm: f64,
        short_mm: f64,
        angle_rad: f64,
    },
    /// Corners from the centroid.
    Corners(Vec<PointMm>),
}

struct Pattern {
    looks: Vec<Look>,
    sites: usize,
    same_place_mm: f64,
    pitch_mm: f64,
    /// Looks by the square of the plane that they lie in. Looked up, never iterated: the order is not defined.
    cells: HashMap<(i64, i64), Vec<usize>>,
}

impl Pattern {
    fn new(part: &Part, side: Side) -> Self {
        let sites: Vec<_> = part.sites.iter().filter(|s| !s.pieces(side).is_empty()).collect();
        let looks: Vec<Look> = sites
            .iter()
            .flat_map(|site| {
                site.pieces(side).iter().map(|piece| Look {
                    at_mm: site.at_mm + (piece.shift_mm + piece.shape.centroid_mm()).rotated(site.angle_rad),
                    outline: outline(&piece.shape, site.angle_rad),
                })
            })
            .collect();
        let pitch_mm = part.pitch_mm(side).unwrap_or(1.0);
        let same_place_mm = SAME_PLACE_PITCHES * pitch_mm;
        let mut cells: HashMap<(i64, i64), Vec<usize>> = HashMap::new();
        for (index, look) in looks.iter().enumerate() {
            cells.entry(cell(look.at_mm, pitch_mm)).or_default().push(index);
        }
        Self { sites: sites.len(), looks, same_place_mm, pitch_mm, cells }
    }

    /// Looks within `reach_mm` (at most a pitch) of a place.
    fn near(&self, p: PointMm, reach_mm: f64) -> impl Iterator<Item = &Look> {
        let (cx, cy) = cell(p, self.pitch_mm);
        let around = (-1..=1).flat_map(move |dx| (-1..=1).map(move |dy| (cx + dx, cy + dy)));
        around.filter_map(|c| self.cells.get(&c)).flatten().map(|i| &self.looks[*i]).filter(move |l| l.at_mm.distance(p) <= reach_mm)
    }

    /// The share of `moved` looks that, shifted, fall on a look of this pattern that is like them.
    fn share(&self, moved: &[Look], shift_mm: PointMm) -> f64 {
        if moved.is_empty() {
            return 0.0;
        }
        let falls = |look: &&Look| self.near(look.at_mm + shift_mm, self.same_place_mm).any(|l| alike(&l.outline, &look.outline));
        #[allow(clippy::cast_precision_loss, reason = "counts of sites")]
        let share = moved.iter().filter(falls).count() as f64 / moved.len() as f64;
        share
    }

    /// The motion with the shift that carries the most: centroid on centroid, middle on middle or the origin kept, or
    /// any shift that from there puts a central site onto one of its neighbours.
    fn best(&self, mirrored: bool, quarter_turns: u8) -> Likeness {
        let moved: Vec<Look> = self.looks.iter().map(|look| moved(look, mirrored, quarter_turns)).collect();
        let mut best = Likeness { mirrored, quarter_turns, shift_mm: PointMm::ZERO, share: self.share(&moved, PointMm::ZERO) };
        if self.sites == 0 {
            return best;
        }
        let starts = [PointMm::ZERO, centroid(&self.looks) - centroid(&moved), middle(&self.looks) - middle(&moved)];
        let mut try_shift = |shift_mm: PointMm| {
            let share = self.share(&moved, shift_mm);
            if share > best.share || (share == best.share && shift_mm.norm() < best.shift_mm.norm() - 1e-9) {
                best = Likeness { shift_mm, share, ..best };
            }
        };
        let centre = centroid(&moved);
        let anchor = moved.iter().min_by(|a, b| a.at_mm.distance(centre).total_cmp(&b.at_mm.distance(centre)));
        for start in starts {
            try_shift(start);
            if let Some(anchor) = anchor {
                self.near(anchor.at_mm + start, self.pitch_mm).for_each(|l| try_shift(l.at_mm - anchor.at_mm));
            }
        }
        best
    }
}

#[allow(clippy::cast_possible_truncation, reason = "places are within 2 m, pitches above 1 µm; beyond, the cast saturates")]
fn cell(p: PointMm, size_mm: f64) -> (i64, i64) {
    ((p.x / size_mm).floor() as i64, (p.y / size_mm).floor() as i64)
}

fn centroid(looks: &[Look]) -> PointMm {
    #[allow(clippy::cast_precision_loss, reason = "counts of sites")]
    let share = 1.0 / looks.len() as f64;
    looks.iter().fold(PointMm::ZERO, |sum, l| sum + l.at_mm * share)
}

fn middle(looks: &[Look]) -> PointMm {
    let span = |get: fn(&Look) -> f64| {
        let (low, high) = looks.iter().map(get).fold((f64::INFINITY, f64::NEG_INFINITY), |(lo, hi), v| (lo.min(v), hi.max(v)));
        (low + high) / 2.0
    };
    PointMm::new(span(|l| l.at_mm.x), span(|l| l.at_mm.y))
}

fn outline(shape: &Shape, angle_rad: f64) -> Outline {
    let long = |kind: u8, width_mm: f64, length_mm: f64| {
        let along_rad = if width_mm >= length_mm { angle_rad } else { angle_rad + FRAC_PI_2 };
        Outline::Long { kind, long_mm: width_mm.max(length_mm), short_mm: width_mm.min(length_mm), angle_rad: along_rad }
    };
    match shape {
        Shape::Round { diameter_mm } => Outline::Disc { diameter_mm: *diameter_mm },
        // Rounded corners hardly show beside sharp ones; an oval of equal sides is a disc.
        Shape::Rect { width_mm, length_mm } | Shape::Rounded { width_mm, length_mm, .. } => long(0, *width_mm, *length_mm),
        Shape::Oval { width_mm, length_mm } if same_size(*width_mm, *length_mm) => {
            Outline::Disc { diameter_mm: (width_mm + length_mm) / 2.0 }
        }
        Shape::Oval { width_mm, length_mm } => long(1, *width_mm, *length_mm),
        Shape::Outline { corners_mm } => {
            let centre = shape.centroid_mm();
            Outline::Corners(corners_mm.iter().map(|c| (*c - centre).rotated(angle_rad)).collect())
        }
    }
}

fn moved(look: &Look, mirrored: bool, quarter_turns: u8) -> Look {
    let turn = |p: PointMm| {
        let p = if mirrored { PointMm::new(-p.x, p.y) } else { p };
        // Exact, where sine and cosine would leave a last bit.
        match quarter_turns % 4 {
            0 => p,
            1 => PointMm::new(-p.y, p.x),
            2 => -p,
            _ => PointMm::new(p.y, -p.x),
        }
    };
    let outline = match &look.outline {
        Outline::Disc { diameter_mm } => Outline::Disc { diameter_mm: *diameter_mm },
        Outline::Long { kind, long_mm, short_mm, angle_rad } => {
            let mirrored_rad = if mirrored { PI - angle_rad } else { *angle_rad };
            Outline::Long {
                kind: *kind,
                long_mm: *long_mm,
                short_mm: *short_mm,
                angle_rad: mirrored_rad + FRAC_PI_2 * f64::from(quarter_turns),
            }
        }
        Outline::Corners(corners) => Outline::Corners(corners.iter().map(|c| turn(*c)).collect()),
    };
    Look { at_mm: turn(look.at_mm), outline }
}

fn same_size(a_mm: f64, b_mm: f64) -> bool {
    (a_mm - b_mm).abs() <= SAME_SIZE_SHARE * a_mm.max(b_mm)
}

fn alike(a: &Outline, b: &Outline) -> bool {
    match (a, b) {
        (Outline::Disc { diameter_mm: a }, Outline::Disc { diameter_mm: b }) => same_size(*a, *b),
        (
            Outline::Long { kind, long_mm, short_mm, angle_rad },
            Outline::Long { kind: other_kind, long_mm: other_long_mm, short_mm: other_short_mm, angle_rad: other_rad },
        ) => {
            let period_rad = if same_size(*long_mm, *short_mm) { FRAC_PI_2 } else { PI };
            let apart_rad = (angle_rad - other_rad).rem_euclid(period_rad);
            kind == other_kind
                && same_size(*long_mm, *other_long_mm)
                && same_size(*short_mm, *other_short_mm)
                && apart_rad.min(period_rad - apart_rad) <= SAME_ANGLE_RAD
        }
        (Outline::Corners(a), Outline::Corners(b)) => {
            let size_mm = a.iter().map(|p| p.norm()).fold(0.0, f64::max);
            let has = |list: &[PointMm], p: &PointMm| list.iter().any(|q| q.distance(*p) <= SAME_SIZE_SHARE * size_mm);
            a.iter().all(|p| has(b, p)) && b.iter().all(|p| has(a, p))
        }
        _ => false,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::generate::{Depopulation, GridDrawing, ball_grid, guessed_body_mm};
    use crate::{Piece, Site};

    fn grid(rows: u32, columns: u32, absent: &[&str]) -> Part {
        ball_grid(&GridDrawing {
            name: "B".into(),
            rows,
            columns,
            pitch_mm: [0.8, 0.8],
            ball_mm: 0.45,
            land_mm: 0.35,
            body_mm: guessed_body_mm(rows, columns, [0.8, 0.8]),
            depopulation: Depopulation { absent: absent.iter().map(|s| (*s).to_owned()).collect(), ..Depopulation::default() },
            marks: Vec::new(),
            accept_miss_mm: None,
        })
        .expect("part")
    }

    #[test]
    fn a_full_square_grid_looks_the_same_under_every_turn_and_mirror() {
        let part = grid(16, 16, &[]);
        for side in [Side::Part, Side::Board] {
            assert_eq!(turns_that_look_the_same(&part, side), [1, 2, 3]);
            assert!(mirror_looks_the_same(&part, side));
        }
    }

    #[test]
    fn an_oblong_grid_looks_the_same_half_way_round_only() {
        assert_eq!(turns_that_look_the_same(&grid(8, 12, &[]), Side::Part), [2]);
    }

    #[test]
    fn one_absent_corner_tells_every_turn_but_not_the_mirror() {
        let part = grid(10, 10, &["A1"]);
        assert_eq!(turns_that_look_the_same(&part, Side::Part), [0u8; 0]);
        assert!(mirror_looks_the_same(&part, Side::Part), "the diagonal through A1 is a mirror");
        for likeness in turns_and_mirrors(&part, Side::Part).iter().filter(|l| !l.mirrored) {
            assert!((likeness.share - 98.0 / 99.0).abs() < 1e-12, "{likeness:?}");
        }
        assert!(!mirror_looks_the_same(&grid(10, 10, &["A2"]), Side::Part));
    }

    #[test]
    fn a_grid_without_its_first_row_looks_the_same_turned_and_shifted() {
        let part = grid(10, 10, &["A1:A10"]);
        assert_eq!(turns_that_look_the_same(&part, Side::Part), [2]);
        let half = turns_and_mirrors(&part, Side::Part)[1];
        assert!(half.shift_mm.distance(PointMm::new(0.0, -0.8)) < 1e-9, "{half:?}");
    }

    #[test]
    fn a_shift_by_a_pitch_leaves_one_column_over() {
        let part = grid(16, 16, &[]);
        assert_eq!(share_after_shift(&part, Side::Part, PointMm::new(0.8, 0.0)), 15.0 / 16.0);
        assert_eq!(share_after_shift(&part, Side::Part, PointMm::new(0.4, 0.0)), 0.0);
        assert_eq!(share_after_shift(&part, Side::Part, PointMm::ZERO), 1.0);
    }

    #[test]
    fn a_single_larger_ball_tells_the_turn_on_its_own_side_only() {
        let mut part = grid(6, 6, &[]);
        part.sites[0].terminal = vec![Piece::round(0.6)];
        assert!(turns_that_look_the_same(&part, Side::Part).is_empty());
        assert_eq!(turns_that_look_the_same(&part, Side::Board), [1, 2, 3]);
        part.sites[0].terminal = vec![Piece::round(0.47)];
        assert_eq!(turns_that_look_the_same(&part, Side::Part), [1, 2, 3], "5 % lie within the balls' own tolerance");
    }

    fn pads_on_four_sides(angle_of_last_rad: f64) -> Part {
        let mut part = grid(1, 1, &[]);
        part.sites = (0..4u8)
            .flat_map(|side| {
                (0..5u8).map(move |i| {
                    let turn_rad = f64::from(side) * FRAC_PI_2;
                    Site {
                        id: format!("{}", side * 5 + i + 1),
                        at_mm: PointMm::new(f64::from(i) - 2.0, -4.0).rotated(turn_rad),
                        angle_rad: turn_rad,
                        terminal: vec![Piece::rect(0.25, 0.8)],
                        land: vec![Piece::rect(0.28, 1.4)],
                    }
                })
            })
            .collect();
        if let Some(last) = part.sites.last_mut() {
            last.angle_rad += angle_of_last_rad;
        }
        part
    }

    #[test]
    fn rectangles_turn_with_their_sites() {
        assert_eq!(turns_that_look_the_same(&pads_on_four_sides(0.0), Side::Part), [1, 2, 3]);
        assert_eq!(turns_that_look_the_same(&pads_on_four_sides(PI), Side::Part), [1, 2, 3], "a rectangle looks the same half way round");
        assert!(turns_that_look_the_same(&pads_on_four_sides(FRAC_PI_2), Side::Part).is_empty());
        assert!(mirror_looks_the_same(&pads_on_four_sides(0.0), Side::Part));
    }

    #[test]
    fn an_outline_tells_the_mirror() {
        let mut part = grid(1, 1, &[]);
        let corners_mm = [(0.0, 0.0), (3.0, 0.0), (3.0, 0.5), (0.5, 0.5), (0.5, 2.0), (0.0, 2.0)].map(|(x, y)| PointMm::new(x, y)).to_vec();
        part.sites[0].terminal = vec![Piece { shape: Shape::Outline { corners_mm }, shift_mm: PointMm::ZERO }];
        assert!(turns_that_look_the_same(&part, Side::Part).is_empty());
        assert!(!mirror_looks_the_same(&part, Side::Part));
    }

    #[test]
    fn twenty_thousand_sites_take_no_square_of_time() {
        let part = grid(140, 140, &["A1"]);
        let started = std::time::Instant::now();
        assert!(turns_that_look_the_same(&part, Side::Part).is_empty());
        // A square of 19,599 sites would be 4·10⁸ comparisons for each of some 30 shifts: minutes.
        assert!(started.elapsed().as_secs() < 20);
    }
}
