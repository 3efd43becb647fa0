//! A run's listing: a line for every stop, as CSV or TOML, written by `landfit calibrate run` and corrected by hand where the
//! reading differs.
//!
//! CSV has the columns `adjuster, thimble, reading, approach, picture`; TOML has a `[[stop]]` table with these keys for each.
//! In the place of `picture` there may be `x_mm, y_mm, theta_deg`: a place that was measured otherwise.

use super::Approach;
use super::reading::Thimble;
use super::run::Planned;
use std::collections::BTreeMap;
use std::fmt::Write as _;
use toml_edit::{DocumentMut, Item};

/// One line.
#[derive(Debug, Clone, PartialEq)]
pub struct Line {
    /// The adjuster's name.
    pub adjuster: String,
    /// How it is graduated.
    pub thimble: Thimble,
    /// The reading, turns.
    pub reading_turns: f64,
    /// In which way it was approached.
    pub approach: Approach,
    /// What shows where it stood.
    pub place: Place,
}

/// What shows where a stop stood.
#[derive(Debug, Clone, PartialEq)]
pub enum Place {
    /// Names of the pictures, in the order of exposure.
    Pictures(Vec<String>),
    /// Measured otherwise: x and y in mm, theta in degrees, bench frame.
    Pose([f64; 3]),
}

/// What is wrong with a listing, in one line.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{file}, line {line}: {what}")]
pub struct ListingError {
    /// The path as given.
    pub file: String,
    /// From 1.
    pub line: usize,
    /// What, and what to do.
    pub what: String,
}

/// The text of a listing for a planned run, ready to be filled in.
#[must_use]
pub fn listing(adjuster: &str, word: &str, thimble: &Thimble, planned: &[Planned]) -> String {
    let mut text = String::from(
        "# Set the readings in this order, coming to each from the side that is told (up: the reading rises), and take a picture of each.\n# Where a reading differs, write what the thimble really shows. Then: landfit calibrate screws THIS-FILE --bench ... --part ...\nadjuster,thimble,reading,approach,picture\n",
    );
    for (i, p) in planned.iter().enumerate() {
        let approach = if p.approach == Approach::Up { "up" } else { "down" };
        let reading = thimble.reading_from_turns(p.reading_turns);
        let _ = writeln!(text, "{adjuster},{word},{reading:.4},{approach},{adjuster}-{:02}.png", i + 1);
    }
    text
}

/// Reads a listing; a file name that ends in `.toml` is TOML, any other CSV.
///
/// # Errors
/// The first line that cannot be one.
pub fn parse(text: &str, file: &str) -> Result<Vec<Line>, ListingError> {
    let rows = if file.ends_with(".toml") { toml_rows(text, file)? } else { csv_rows(text, file)? };
    let lines: Vec<Line> = rows.iter().map(|(line, row)| one(row).map_err(|what| wrong(file, *line, what))).collect::<Result<_, _>>()?;
    if lines.is_empty() {
        return Err(wrong(file, 1, "holds no stops; landfit calibrate run writes a listing to fill in".to_owned()));
    }
    Ok(lines)
}

fn wrong(file: &str, line: usize, what: String) -> ListingError {
    ListingError { file: file.to_owned(), line, what }
}

type Row = BTreeMap<String, String>;

fn csv_rows(text: &str, file: &str) -> Result<Vec<(usize, Row)>, ListingError> {
    let mut reader = csv::ReaderBuilder::new().comment(Some(b'#')).trim(csv::Trim::All).flexible(true).from_reader(text.as_bytes());
    let head: Vec<String> = match reader.headers() {
        Ok(head) => head.iter().map(str::to_lowercase).collect(),
        Err(error) => return Err(wrong(file, 1, format!("is no CSV ({error})"))),
    };
    if !head.iter().any(|h| h == "reading") {
        return Err(wrong(file, 1, "has no column \"reading\"; the columns are adjuster,thimble,reading,approach,picture".to_owned()));
    }
    let mut rows = Vec::new();
    for record in reader.records() {
        let record =
            record.map_err(|error| wrong(file, error.position().map_or(1, |p| p.line() as usize), format!("is no CSV ({error})")))?;
        let line = record.position().map_or(1, |p| p.line() as usize);
        rows.push((line, head.iter().cloned().zip(record.iter().map(str::to_owned)).collect()));
    }
    Ok(rows)
}

fn toml_rows(text: &str, file: &str) -> Result<Vec<(usize, Row)>, ListingError> {
    let line_at = |at: usize| 1 + text.get(..at).unwrap_or("").matches('\n').count();
    let document: DocumentMut = text.parse().map_err(|e: toml_edit::TomlError| {
        wrong(file, e.span().map_or(1, |s| line_at(s.start)), format!("is no TOML: {}", e.message().lines().next().unwrap_or("")))
    })?;
    let Some(stops) = document.get("stop").and_then(Item::as_array_of_tables) else {
        return Err(wrong(file, 1, "holds no [[stop]] tables".to_owned()));
    };
    let mut rows = Vec::new();
    let starts: Vec<usize> = text.match_indices("[[stop]]").map(|(at, _)| line_at(at)).collect();
    for (i, stop) in stops.iter().enumerate() {
        let value = |item: &Item| item.as_str().map_or_else(|| item.to_string().trim().to_owned(), str::to_owned);
        rows.push((starts.get(i).copied().unwrap_or(1), stop.iter().map(|(k, v)| (k.to_lowercase(), value(v))).collect()));
    }
    Ok(rows)
}

fn one(row: &Row) -> Result<Line, String> {
    let word = |key: &str| row.get(key).map(|v| v.trim()).filter(|v| !v.is_empty());
    let number = |key: &str, text: &str| -> Result<f64, String> {
        let value: f64 = text.parse().map_err(|_| format!("{key} \"{text}\" is no number; write figures with a point, as in 3.27"))?;
        if value.is_finite() { Ok(value) } else { Err(format!("{key} \"{text}\" is no finite number; write what the thimble shows")) }
    };
    let adjuster = word("adjuster").ok_or("names no adjuster")?.to_owned();
    let named = word("thimble").unwrap_or("turns");
    let thimble = if named == "turns" { Some(Thimble::turns(50)) } else { Thimble::named(named) };
    let thimble = thimble.ok_or_else(|| {
        let names: Vec<&str> = Thimble::NAMES.iter().map(|(n, _)| *n).collect();
        format!("there is no thimble \"{named}\"; there are turns, {}", names.join(", "))
    })?;
    let reading = number("reading", word("reading").ok_or("has no reading: write what the thimble shows")?)?;
    let approach = match word("approach") {
        Some("up") => Approach::Up,
        Some("down") => Approach::Down,
        other => return Err(format!("approach is \"{}\"; write up (the reading rose) or down", other.unwrap_or(""))),
    };
    let place = match (word("picture"), word("x_mm"), word("y_mm")) {
        (Some(names), _, _) => Place::Pictures(names.split(';').map(|n| n.trim().to_owned()).collect()),
        (None, Some(x), Some(y)) => {
            let theta = word("theta_deg").map_or(Ok(0.0), |t| number("theta_deg", t))?;
            Place::Pose([number("x_mm", x)?, number("y_mm", y)?, theta])
        }
        _ => return Err("has neither a picture nor x_mm and y_mm".to_owned()),
    };
    Ok(Line { adjuster, thimble, reading_turns: thimble.turns_from_reading(reading), approach, place })
}

#[cfg(test)]
mod tests {
    use super::super::run::{Extent, plan};
    use super::*;

    #[test]
    fn a_listing_is_read_as_it_was_written() {
        for (word, thimble) in Thimble::NAMES {
            let planned = plan(Extent::Short, 0.0, 12.0, &thimble);
            let lines = parse(&listing("X", word, &thimble, &planned), "run.csv").expect("a listing");
            assert_eq!(lines.len(), planned.len());
            for (l, p) in lines.iter().zip(&planned) {
                assert!((l.reading_turns - p.reading_turns).abs() < 2e-3 && l.approach == p.approach, "{word}: {l:?} {p:?}");
            }
        }
    }

    #[test]
    fn toml_says_the_same() {
        let text = "[[stop]]\nadjuster = \"X\"\nthimble = \"mm\"\nreading = 1.25\napproach = \"up\"\npicture = \"a.png\"\n";
        let lines = parse(text, "run.toml").expect("a listing");
        assert!((lines[0].reading_turns - 2.5).abs() < 1e-12);
        assert_eq!(lines[0].place, Place::Pictures(vec!["a.png".to_owned()]));
    }

    #[test]
    fn every_slip_names_its_line_and_what_to_do() {
        let head = "adjuster,thimble,reading,approach,x_mm,y_mm\n";
        for (row, part) in [
            ("X,mm,abc,up,0,0", "no number"),
            ("X,mm,NaN,up,0,0", "no finite number"),
            ("X,mm,,up,0,0", "no reading"),
            ("X,furlong,1,up,0,0", "no thimble"),
            ("X,mm,1,left,0,0", "write up"),
            (",mm,1,up,0,0", "no adjuster"),
            ("X,mm,1,up,,", "neither a picture"),
        ] {
            let told = parse(&format!("{head}X,mm,1.0,up,0,0\n{row}\n"), "run.csv").expect_err("refused").to_string();
            assert!(told.starts_with("run.csv, line 3: ") && told.contains(part), "{told}");
            assert!(!told.contains('\n'));
        }
        assert!(parse("a,b\n1,2\n", "run.csv").expect_err("refused").to_string().contains("reading"));
        assert!(parse(head, "run.csv").is_err());
        assert!(parse("[[stop]]\nreading = \n", "run.toml").is_err());
    }
}
