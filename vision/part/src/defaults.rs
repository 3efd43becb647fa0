//! Usual ball and land sizes by pitch.
//!
//! The table is `data/bga_ball_land.csv`, whose first line names its source: ball sizes and land approximations of
//! IPC-7095 and IPC-7351B, most numbers from memory or quoted by third parties, as its last columns say row by row. They
//! are starting values for who has no drawing at hand, and every use is to be shown with its sentence.

use std::sync::LazyLock;

const TABLE: &str = include_str!("../data/bga_ball_land.csv");

/// Drawings give pitches and sizes to a hundredth; an inch pitch such as 1.27 is written in full.
const SAME_MM: f64 = 0.004;

/// One row of the table.
#[derive(Debug, Clone, PartialEq)]
pub struct Row {
    /// Nominal ball diameter, mm.
    pub ball_mm: f64,
    /// Nominal land diameter, mm.
    pub land_mm: f64,
    /// The pitches at which the ball is usual, mm.
    pub pitches_mm: Vec<f64>,
    /// How far the ball size is known.
    pub ball_known: Known,
    /// How far the land size is known.
    pub land_known: Known,
}

/// How far a number of the table is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Known {
    /// Seen in package drawings (balls) or in published tables (lands).
    Seen,
    /// From memory, and drawings that were seen agree.
    Agrees,
    /// From memory alone.
    Memory,
}

/// A ball, its land, and where they come from.
#[derive(Debug, Clone, PartialEq)]
pub struct Choice {
    /// Ball diameter, mm.
    pub ball_mm: f64,
    /// Land diameter, mm.
    pub land_mm: f64,
    /// One sentence on the source, to be shown with the values.
    pub source: String,
}

/// Why the table cannot help.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum NoDefault {
    /// No ball is listed for the pitch.
    #[error("no usual ball is listed for a pitch of {pitch_mm} mm (listed: {listed}); take ball and land from the drawing")]
    Pitch {
        /// What was asked for, mm.
        pitch_mm: f64,
        /// All listed pitches, mm, in words.
        listed: String,
    },
    /// No land is listed for the ball.
    #[error("no usual land is listed for a ball of {ball_mm} mm (listed: {listed}); take the land from the footprint drawing")]
    Ball {
        /// What was asked for, mm.
        ball_mm: f64,
        /// All listed balls, mm, in words.
        listed: String,
    },
}

/// The whole table, largest ball first.
#[must_use]
pub fn rows() -> &'static [Row] {
    static ROWS: LazyLock<Vec<Row>> = LazyLock::new(|| TABLE.lines().filter_map(row).collect());
    &ROWS
}

/// One line of the table; `None` for its source line and its heading. A test holds that no other line is lost.
fn row(line: &str) -> Option<Row> {
    let columns: Vec<&str> = line.split(',').collect();
    let [ball, _, _, pitches, _, land, _, _, ball_mark, land_mark] = columns[..] else { return None };
    Some(Row {
        ball_mm: ball.parse().ok()?,
        land_mm: land.parse().ok()?,
        pitches_mm: pitches.split(';').map(|p| p.parse().ok()).collect::<Option<_>>()?,
        ball_known: known(ball_mark),
        land_known: known(land_mark),
    })
}

fn known(mark: &str) -> Known {
    match (mark.starts_with("seen"), mark.contains("seen")) {
        (true, _) => Known::Seen,
        (false, true) => Known::Agrees,
        (false, false) => Known::Memory,
    }
}

/// The usual ball and land at a pitch.
///
/// Where several balls are listed for the pitch, the middle one is taken: the large ones are those of older or taller
/// parts, the small ones those of thin parts, so the middle is wrong by the least. Of two in the middle, the one that was
/// seen in package drawings is taken, else the larger. Only listed pitches have an answer; nothing is interpolated.
///
/// # Errors
/// `Pitch` where no ball is listed.
pub fn for_pitch(pitch_mm: f64) -> Result<Choice, NoDefault> {
    let usual: Vec<&Row> = rows().iter().filter(|row| row.pitches_mm.iter().any(|p| (p - pitch_mm).abs() <= SAME_MM)).collect();
    let middle = match usual.len() {
        0 => return Err(NoDefault::Pitch { pitch_mm, listed: in_words(&listed_pitches_mm()) }),
        n if n % 2 == 1 => usual[n / 2],
        n if usual[n / 2].ball_known == Known::Seen && usual[n / 2 - 1].ball_known != Known::Seen => usual[n / 2],
        n => usual[n / 2 - 1],
    };
    let which = match usual.len() {
        1 => format!("the one ball usual at {pitch_mm} mm pitch"),
        n => {
            let balls: Vec<f64> = usual.iter().map(|row| row.ball_mm).collect();
            format!("the middle one of {n} balls usual at {pitch_mm} mm pitch ({})", in_words(&balls))
        }
    };
    Ok(choice(middle, &which))
}

/// The usual ball and land for neighbours that stand apart by what no drawing calls a pitch, as across a staggered grid:
/// those of the next listed pitch below, which leave more room between neighbours, not less.
///
/// # Errors
/// `Pitch` where all listed pitches are larger.
pub fn for_distance(distance_mm: f64) -> Result<Choice, NoDefault> {
    let below = listed_pitches_mm().into_iter().find(|pitch_mm| *pitch_mm <= distance_mm + SAME_MM);
    for_pitch(below.unwrap_or(distance_mm))
}

/// Every pitch of the table once, mm, largest first.
fn listed_pitches_mm() -> Vec<f64> {
    let mut listed: Vec<f64> = rows().iter().flat_map(|row| row.pitches_mm.clone()).collect();
    listed.sort_by(|a, b| b.total_cmp(a));
    listed.dedup();
    listed
}

/// The usual land of a ball.
///
/// # Errors
/// `Ball` where the ball is not listed.
pub fn for_ball(ball_mm: f64) -> Result<Choice, NoDefault> {
    let row = rows()
        .iter()
        .find(|row| (row.ball_mm - ball_mm).abs() <= SAME_MM)
        .ok_or_else(|| NoDefault::Ball { ball_mm, listed: in_words(&rows().iter().map(|row| row.ball_mm).collect::<Vec<_>>()) })?;
    Ok(choice(row, &format!("the usual land of a {ball_mm} mm ball")))
}

fn choice(row: &Row, which: &str) -> Choice {
    let words = |known: Known, seen: &'static str| match known {
        Known::Seen => seen,
        Known::Agrees => "from memory, as in package drawings that were seen",
        Known::Memory => "from memory",
    };
    let source = format!(
        "{which}, after the tables of IPC-7095 and IPC-7351B (ball {}; land {}); the drawing's own figures are better",
        words(row.ball_known, "as seen in package drawings"),
        words(row.land_known, "as quoted by a third party")
    );
    Choice { ball_mm: row.ball_mm, land_mm: row.land_mm, source }
}

fn in_words(values_mm: &[f64]) -> String {
    values_mm.iter().map(f64::to_string).collect::<Vec<_>>().join(", ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_row_of_the_table_is_read() {
        assert!(TABLE.starts_with("# SOURCE: "));
        assert_eq!(rows().len(), TABLE.lines().count() - 2);
        assert_eq!(rows()[4].pitches_mm, [1.0, 0.8]);
    }

    #[test]
    fn the_middle_ball_is_taken_and_of_two_the_one_seen_in_drawings() {
        // Worked out by hand from the table's lines.
        for (pitch_mm, ball_mm, land_mm) in [
            (1.5, 0.75, 0.55),
            (1.27, 0.75, 0.55),
            (1.0, 0.55, 0.40),
            (0.8, 0.45, 0.35),
            (0.75, 0.40, 0.30),
            (0.65, 0.35, 0.30),
            (0.5, 0.30, 0.25),
            (0.4, 0.25, 0.20),
            (0.25, 0.15, 0.13),
        ] {
            let choice = for_pitch(pitch_mm).expect("listed");
            assert_eq!((choice.ball_mm, choice.land_mm), (ball_mm, land_mm), "pitch {pitch_mm}");
        }
    }

    #[test]
    fn the_sentence_says_what_was_seen_and_what_is_from_memory() {
        assert_eq!(
            for_pitch(0.8).expect("listed").source,
            "the middle one of 5 balls usual at 0.8 mm pitch (0.55, 0.5, 0.45, 0.4, 0.3), after the tables of IPC-7095 and IPC-7351B \
             (ball from memory, as in package drawings that were seen; land from memory); the drawing's own figures are better"
        );
        assert!(for_pitch(0.5).expect("listed").source.contains("(ball as seen in package drawings; land as quoted by a third party)"));
    }

    #[test]
    fn across_a_staggered_grid_the_ball_of_the_next_pitch_below_is_taken() {
        assert_eq!(for_distance(0.5_f64.hypot(0.5)), for_pitch(0.65));
        assert_eq!(for_distance(0.8), for_pitch(0.8));
        assert!(for_distance(0.2).is_err() && for_distance(f64::NAN).is_err());
    }

    #[test]
    fn an_unlisted_pitch_or_ball_asks_for_the_drawing() {
        let text = for_pitch(0.9).expect_err("unlisted").to_string();
        assert_eq!(
            text,
            "no usual ball is listed for a pitch of 0.9 mm (listed: 1.5, 1.27, 1, 0.8, 0.75, 0.65, 0.5, 0.4, 0.35, 0.3, 0.25); take ball and land from the drawing"
        );
        assert!(for_pitch(f64::NAN).is_err());
        assert!(for_ball(0.46).expect_err("unlisted").to_string().contains("a ball of 0.46 mm"));
        assert_eq!(for_ball(0.5).expect("listed").land_mm, 0.4);
    }
}
