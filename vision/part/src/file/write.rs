//! Writes the part file.

use crate::grid::Grid;
use crate::text_file::{Existing, FileError, save};
use crate::{Mark, Part, Piece, PointMm, Shape, Site};
use std::fmt::Write as _;
use std::path::Path;

/// Writes a part as a whole file or not at all.
///
/// # Errors
/// `Exists` and `Unwritable`; `Wrong` where the part could not be read back (two sites of one name, a NaN): nothing is
/// written then.
pub fn write(path: &Path, part: &Part, existing: Existing) -> Result<(), FileError> {
    let text = to_toml(part);
    super::parse(&text, &path.display().to_string())?;
    save(path, &text, existing)
}

/// The text of the part's file. Sites that form a grid are written as a grid; reading the text gives the same part
/// (angles to the last bits of a radian).
#[must_use]
pub fn to_toml(part: &Part) -> String {
    let mut text = String::new();
    let mut line = |written: String| {
        text.push_str(&written);
        text.push('\n');
    };
    line(format!("schema = {}", super::SCHEMA));
    line(format!("name = {}", quoted(&part.name)));
    line(format!("body_mm = {}", numbers(&part.body_mm)));
    if part.body_centre_mm != PointMm::ZERO {
        line(format!("body_centre_mm = {}", point(part.body_centre_mm)));
    }
    let (grid, in_grid) = Grid::of_sites(&part.sites).map_or((None, 0), |(grid, count)| (Some(grid), count));
    if let Some(grid) = grid {
        line(grid_table(&grid));
    }
    part.sites[in_grid..].iter().map(site_table).for_each(&mut line);
    part.marks.iter().map(mark_table).for_each(&mut line);
    if let Some(miss_mm) = part.accept_miss_mm {
        line(format!("\n[accept]\nmiss_mm = {}", number(miss_mm)));
    }
    text
}

fn grid_table(grid: &Grid) -> String {
    let mut text = format!(
        "\n[grid]\nrows = {}\ncolumns = {}\npitch_mm = {}\nterminal = {}\nland = {}",
        grid.rows,
        grid.columns,
        numbers(&grid.pitch_mm),
        pieces(&grid.terminal),
        pieces(&grid.land)
    );
    if !grid.absent.is_empty() {
        let blocks: Vec<String> = grid.absent_blocks().iter().map(|b| quoted(b)).collect();
        // Ten to a line keeps a wreath of blocks readable.
        let lines: Vec<String> = blocks.chunks(10).map(|chunk| chunk.join(", ")).collect();
        let list = if lines.len() == 1 { lines[0].clone() } else { format!("\n    {},\n", lines.join(",\n    ")) };
        let _ = write!(text, "\nabsent = [{list}]");
    }
    text
}

fn site_table(site: &Site) -> String {
    let mut text = format!("\n[[site]]\nid = {}\nat_mm = {}", quoted(&site.id), point(site.at_mm));
    text.push_str(&angle(site.angle_rad));
    let _ = write!(text, "\nterminal = {}\nland = {}", pieces(&site.terminal), pieces(&site.land));
    text
}

fn mark_table(mark: &Mark) -> String {
    let angle = angle(mark.angle_rad);
    format!("\n[[mark]]\nside = \"{}\"\nat_mm = {}{angle}\nshape = {}", mark.side.word(), point(mark.at_mm), piece(&mark.piece))
}

fn angle(angle_rad: f64) -> String {
    if angle_rad == 0.0 { String::new() } else { format!("\nangle_deg = {}", number(degrees_that_read_back(angle_rad))) }
}

/// The degrees with the fewest digits that read back as `angle_rad`.
fn degrees_that_read_back(angle_rad: f64) -> f64 {
    let deg = angle_rad.to_degrees();
    let short = (deg * 1e9).round() / 1e9;
    [short, deg, deg.next_up(), deg.next_down()].into_iter().find(|d| d.to_radians() == angle_rad).unwrap_or(deg)
}

fn pieces(pieces: &[Piece]) -> String {
    match pieces {
        [one] => piece(one),
        several => format!("[{}]", several.iter().map(piece).collect::<Vec<_>>().join(", ")),
    }
}

fn piece(piece: &Piece) -> String {
    let shape = match &piece.shape {
        Shape::Round { diameter_mm } => format!("round_mm = {}", number(*diameter_mm)),
        Shape::Rect { width_mm, length_mm } => format!("rect_mm = {}", numbers(&[*width_mm, *length_mm])),
        Shape::Rounded { width_mm, length_mm, radius_mm } => format!("rounded_mm = {}", numbers(&[*width_mm, *length_mm, *radius_mm])),
        Shape::Oval { width_mm, length_mm } => format!("oval_mm = {}", numbers(&[*width_mm, *length_mm])),
        Shape::Outline { corners_mm } => {
            format!("outline_mm = [{}]", corners_mm.iter().map(|p| point(*p)).collect::<Vec<_>>().join(", "))
        }
    };
    let shift = if piece.shift_mm == PointMm::ZERO { String::new() } else { format!(", shift_mm = {}", point(piece.shift_mm)) };
    format!("{{ {shape}{shift} }}")
}

fn point(p: PointMm) -> String {
    numbers(&[p.x, p.y])
}

fn numbers(values: &[f64]) -> String {
    format!("[{}]", values.iter().map(|v| number(*v)).collect::<Vec<_>>().join(", "))
}

/// The shortest figures that read back as the same number.
fn number(value: f64) -> String {
    toml_edit::Value::from(value).to_string()
}

fn quoted(text: &str) -> String {
    toml_edit::Value::from(text).to_string()
}
