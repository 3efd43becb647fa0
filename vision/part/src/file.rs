//! Reads and writes the part file (TOML), schema 1.
//!
//! Reading is strict: an unknown key, a missing one, a number that cannot be meant or two sites of one name are refused
//! with file, line, key and the mend. Tables that this file form does not know belong to other writers and are let be.

mod shape;
mod write;

pub use write::{to_toml, write};

use crate::grid::{Grid, MOST_ROWS_OR_COLUMNS, Place};
use crate::strict_toml::{Document, Field, Section};
use crate::text_file::{FileError, load};
use crate::{Mark, Part, PointMm, Side, Site};
use std::collections::{BTreeSet, HashMap};
use std::path::Path;

/// The newest form of the part file that is read, and the one that is written.
pub const SCHEMA: u32 = 1;

/// No part has more sites; the largest ball grids made have a few thousand.
pub const MOST_SITES: usize = 20_000;

const TABLES: [&str; 8] = ["schema", "name", "body_mm", "body_centre_mm", "grid", "site", "mark", "accept"];

/// Reads a part file.
///
/// # Errors
/// Whatever is wrong with the file, in one line.
pub fn read(path: &Path) -> Result<Part, FileError> {
    parse(&load(path)?, &path.display().to_string())
}

/// Reads a part from the text of its file; `file` is the name that errors give.
///
/// # Errors
/// Whatever is wrong with the text, in one line.
pub fn parse(text: &str, file: &str) -> Result<Part, FileError> {
    let document = Document::parse(text, file)?;
    let root = document.root();
    if let (None, Some(frame)) = (root.get("body_mm", ""), root.get("frame", "")) {
        return Err(frame.wrong("is a table of bench files, and body_mm is missing: this is a bench file where a part file is wanted"));
    }
    root.only_and_tables_of_others(&TABLES)?;
    schema(&root, SCHEMA)?;
    let part = Part {
        name: root.need("name", "\"BGA256 0.8\"")?.text()?,
        body_mm: root.need("body_mm", "[14.0, 14.0]")?.sizes_mm("two sizes in mm, [x, y]")?,
        body_centre_mm: root.get("body_centre_mm", "[0.0, 0.0]").map_or(Ok(PointMm::ZERO), |f| f.point_mm())?,
        sites: sites(&root)?,
        marks: marks(&root)?,
        accept_miss_mm: accept(&root)?,
    };
    Ok(part)
}

/// Names and lines of the tables that belong to other writers (or are misspelt).
///
/// # Errors
/// `Syntax` where the text is no TOML.
pub fn tables_of_others(text: &str, file: &str) -> Result<Vec<(String, usize)>, FileError> {
    Ok(Document::parse(text, file)?.root().tables_of_others(&TABLES))
}

/// Refuses files of a newer form than `newest`.
///
/// # Errors
/// `Wrong` for a newer form, or for what is no form at all.
pub fn schema(root: &Section<'_>, newest: u32) -> Result<(), FileError> {
    let Some(field) = root.get("schema", "1") else { return Ok(()) };
    let found = field.whole(1, u32::MAX)?;
    if found > newest {
        return Err(field.wrong(format!("is {found}: the file was written for a newer landfit; this one reads schema {newest}")));
    }
    Ok(())
}

fn sites(root: &Section<'_>) -> Result<Vec<Site>, FileError> {
    // Line of each id, to name both places of a duplicate; never iterated.
    let mut lines: HashMap<String, usize> = HashMap::new();
    let mut sites = Vec::new();
    if let Some(field) = root.get("grid", "") {
        let section = field.section()?;
        let grid = grid(&section)?;
        sites = grid.sites();
        lines.extend(sites.iter().map(|site| (site.id.clone(), section.line())));
    }
    if let Some(field) = root.get("site", "") {
        for section in field.sections()? {
            if sites.len() == MOST_SITES {
                return Err(section.wrong(format!("is one too many: a part has at most {MOST_SITES} sites")));
            }
            sites.push(site(&section, &mut lines)?);
        }
    }
    if sites.is_empty() {
        let like = ["grid", "site"].iter().find_map(|key| root.like(key, &TABLES).map(|(name, line)| (name, line, key)));
        let mend = like.map_or_else(
            || "add a [grid] or [[site]] tables".to_owned(),
            |(name, line, key)| format!("the table \"{name}\" in line {line} is not known: is {key} meant?"),
        );
        return Err(root.wrong_key("[grid]", format!("and [[site]] leave no site at all; {mend}")));
    }
    Ok(sites)
}

fn grid(section: &Section<'_>) -> Result<Grid, FileError> {
    section.only(&["rows", "columns", "pitch_mm", "terminal", "land", "absent"])?;
    let mut grid = Grid {
        rows: section.need("rows", "16")?.whole(1, MOST_ROWS_OR_COLUMNS)?,
        columns: section.need("columns", "16")?.whole(1, MOST_ROWS_OR_COLUMNS)?,
        pitch_mm: section.need("pitch_mm", "[0.8, 0.8]")?.sizes_mm("two distances in mm, [x, y]")?,
        terminal: shape::pieces(&section.need("terminal", "{ round_mm = 0.45 }")?)?,
        land: shape::pieces(&section.need("land", "{ round_mm = 0.36 }")?)?,
        absent: BTreeSet::new(),
    };
    nothing_at_all(section, &grid.terminal, &grid.land)?;
    if let Some(field) = section.get("absent", "[\"A1\", \"G7:K10\"]") {
        let needed = "a list of sites (\"A1\") and blocks (\"G7:K10\")";
        let mut absent: BTreeSet<Place> = BTreeSet::new();
        for entry in field.list(needed)? {
            absent.extend(grid.block(&entry.text()?).map_err(|error| entry.wrong(format!("cannot be meant: {error}")))?);
        }
        grid.absent = absent;
    }
    let count = grid.rows as usize * grid.columns as usize - grid.absent.len();
    if count > MOST_SITES {
        return Err(section.wrong_key("rows", format!("times columns leaves {count} sites; a part has at most {MOST_SITES}")));
    }
    Ok(grid)
}

fn site(section: &Section<'_>, lines: &mut HashMap<String, usize>) -> Result<Site, FileError> {
    section.only(&["id", "at_mm", "angle_deg", "terminal", "land"])?;
    let id_field = section.need("id", "\"17\"")?;
    let id = id_field.text()?;
    if let Some(line) = lines.insert(id.clone(), id_field.line()) {
        return Err(id_field.wrong(format!("is \"{id}\" a second time (first in line {line}); every site needs a name of its own")));
    }
    let site = Site {
        id,
        at_mm: section.need("at_mm", "[-7.7, 6.25]")?.point_mm()?,
        angle_rad: angle(section)?,
        terminal: shape::pieces(&section.need("terminal", "{ rect_mm = [0.22, 0.75] }")?)?,
        land: shape::pieces(&section.need("land", "{ rect_mm = [0.28, 1.40] }")?)?,
    };
    nothing_at_all(section, &site.terminal, &site.land)?;
    Ok(site)
}

fn nothing_at_all(section: &Section<'_>, terminal: &[crate::Piece], land: &[crate::Piece]) -> Result<(), FileError> {
    if terminal.is_empty() && land.is_empty() {
        return Err(section.wrong_key("terminal", "and land are both empty; a site has at least one of them"));
    }
    Ok(())
}

fn angle(section: &Section<'_>) -> Result<f64, FileError> {
    section.get("angle_deg", "90.0").map_or(Ok(0.0), |f: Field<'_>| f.angle_rad())
}

fn marks(root: &Section<'_>) -> Result<Vec<Mark>, FileError> {
    let Some(field) = root.get("mark", "") else { return Ok(Vec::new()) };
    let read = |section: Section<'_>| -> Result<Mark, FileError> {
        section.only(&["side", "at_mm", "angle_deg", "shape"])?;
        Ok(Mark {
            side: section.need("side", "\"part\"")?.word(&[("part", Side::Part), ("board", Side::Board)])?,
            at_mm: section.need("at_mm", "[-6.3, 6.3]")?.point_mm()?,
            angle_rad: angle(&section)?,
            piece: shape::piece(&section.need("shape", "{ round_mm = 0.3 }")?.section()?)?,
        })
    };
    field.sections()?.into_iter().map(read).collect()
}

fn accept(root: &Section<'_>) -> Result<Option<f64>, FileError> {
    let Some(field) = root.get("accept", "") else { return Ok(None) };
    let section = field.section()?;
    section.only(&["miss_mm"])?;
    section.get("miss_mm", "0.09").map(|f| f.size_mm()).transpose()
}

#[cfg(test)]
mod tests;
