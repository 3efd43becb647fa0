//! Reads and writes the bench file (TOML), schema 1.
//!
//! Reading is strict in the tables that this file form knows, and lets tables of other writers be. Every arrangement
//! that the form can say is read and checked here; what is not yet measured is refused by who measures.

mod check;
mod write;

pub use write::{to_toml, update, updated_text, write};

use crate::bench::{Adjuster, Bench, CalibrationState, Motion, ReadingScale, Reads, Sense, Stands};
use landfit_part::file::schema;
use landfit_part::strict_toml::{Document, Field, Section};
use landfit_part::text_file::load;
use landfit_part::{FileError, Pose, Side};
use landfit_vision::{Frame, Lens, Optics, PointPx, RegionPx, ScaleSource, View};
use nalgebra::Matrix3;
use std::path::Path;

/// The newest form of the bench file that is read, and the one that is written.
pub const SCHEMA: u32 = 1;

const KEYS: [&str; 8] = ["schema", "name", "frame", "lens", "view", "adjuster", "scale", "aim"];

/// The ratio of the two sides' magnifications may be 2 % off the bench file's where `[scale]` does not say.
const MAY_DIFFER: f64 = 0.02;

/// Larger than any camera's picture; a longer side is a slip of the pen.
const MOST_PX: u32 = 65_535;

/// Reads a bench file.
///
/// # Errors
/// Whatever is wrong with the file, in one line.
pub fn read(path: &Path) -> Result<Bench, FileError> {
    parse(&load(path)?, &path.display().to_string())
}

/// Reads a bench from the text of its file; `file` is the name that errors give.
///
/// # Errors
/// Whatever is wrong with the text, in one line.
pub fn parse(text: &str, file: &str) -> Result<Bench, FileError> {
    let document = Document::parse(text, file)?;
    let root = document.root();
    if let (None, Some(body)) = (root.get("frame", ""), root.get("body_mm", "")) {
        return Err(body.wrong("is a key of part files, and [frame] is missing: this is a part file where a bench file is wanted"));
    }
    root.only_and_tables_of_others(&KEYS)?;
    schema(&root, SCHEMA)?;
    let name = root.need("name", "\"bench 2\"")?.text()?;
    let frame = frame(&root.need("frame", "")?.section()?)?;
    let lens = root.get("lens", "").map(|f| lens(&f.section()?, &frame)).transpose()?;
    let views = views(&root, &frame, lens.as_ref())?;
    let adjusters = adjusters(&root)?;
    Ok(Bench {
        name,
        optics: Optics { frame, lens, views, scale: scale(&root)? },
        adjusters,
        aim: aim(&root)?,
        calibration: calibration(&root)?,
    })
}

fn frame(section: &Section<'_>) -> Result<Frame, FileError> {
    section.only(&["size_px", "black", "white", "gamma"])?;
    let size_px = section.need("size_px", "[1280, 960]")?.list_of("two numbers of px, [width, height]", |f| f.whole(1, MOST_PX))?;
    let raw = |f: Field<'_>| f.number_where("a raw value from 0 to 65535", |v| (0.0..=65535.0).contains(&v));
    let black = section.get("black", "0").map_or(Ok(0.0), raw)?;
    let white_field = section.get("white", "255");
    let white = white_field.clone().map(raw).transpose()?;
    if let (Some(field), Some(white)) = (white_field, white)
        && white <= black
    {
        return Err(field.wrong(format!("is {white}, which is not above black ({black}); white is the raw value of full scale")));
    }
    let in_range = |v: f64| (0.1..=10.0).contains(&v);
    let gamma = section.get("gamma", "1.0").map_or(Ok(1.0), |f| f.number_where("a number from 0.1 to 10", in_range))?;
    Ok(Frame { size_px, black, white, gamma })
}

fn lens(section: &Section<'_>, frame: &Frame) -> Result<Lens, FileError> {
    section.only(&["k1", "k2", "centre_px", "norm_px"])?;
    let coefficient = |key| section.get(key, "-0.03").map_or(Ok(0.0), |f| f.number_where("a number within ±10", |v| v.abs() <= 10.0));
    let px = |f: &Field<'_>| f.number_where("a number of px within ±65535", |v| v.abs() <= f64::from(MOST_PX));
    let [x, y] = section.need("centre_px", "[639.5, 479.5]")?.list_of("two numbers of px, [x, y]", px)?;
    let lens = Lens {
        k1: coefficient("k1")?,
        k2: coefficient("k2")?,
        centre_px: PointPx::new(x, y),
        norm_px: section.need("norm_px", "800.0")?.number_where("a number of px from 1 to 65535", |v| (1.0..=65535.0).contains(&v))?,
    };
    check::lens_does_not_fold(section, &lens, frame)?;
    Ok(lens)
}

fn views(root: &Section<'_>, frame: &Frame, lens: Option<&Lens>) -> Result<Vec<View>, FileError> {
    let sections = root.need("view", "[[view]]").map_err(|_| check::no_view(root, "no [[view]] at all", &KEYS))?.sections()?;
    let views = sections.iter().map(|section| view(section, frame, lens)).collect::<Result<Vec<_>, _>>()?;
    check::both_sides_are_seen(root, &views, &KEYS)?;
    check::exposures_have_no_gaps(&sections, &views)?;
    Ok(views)
}

fn view(section: &Section<'_>, frame: &Frame, lens: Option<&Lens>) -> Result<View, FileError> {
    section.only(&["shows", "exposure", "region_px", "tint", "px_from_mm"])?;
    let exposure = section.need("exposure", "0")?.whole(0, 99)?;
    let region_px = section.get("region_px", "[0, 0, 640, 960]").map(|f| region(&f, frame)).transpose()?;
    let tint_field = section.need("tint", "[0.80, 0.55, 0.08]")?;
    let channel = |f: &Field<'_>| f.number_where("a number from 0 to 1000000", |v| (0.0..=1e6).contains(&v));
    let tint = tint_field.list_of("three numbers, [red, green, blue]", channel)?;
    if tint.iter().sum::<f64>() <= 0.0 {
        return Err(tint_field.wrong("is all zero: such a light is not seen; a monochrome camera's is [1.0, 1.0, 1.0]"));
    }
    let matrix_field = section.need("px_from_mm", "[[80.0, 0.0, 639.5], [0.0, -80.0, 479.5], [0.0, 0.0, 1.0]]")?;
    let element = |f: &Field<'_>| f.number_where("a number", |v| v.abs() <= 1e9);
    let row = |f: &Field<'_>| f.list_of::<f64, 3>("three rows of three numbers", element);
    let rows: [[f64; 3]; 3] = matrix_field.list_of("three rows of three numbers", row)?;
    let view = View {
        shows: section.need("shows", "\"part\"")?.word(&[("part", Side::Part), ("board", Side::Board)])?,
        exposure: exposure as usize,
        region_px,
        tint,
        px_from_mm: Matrix3::from_fn(|r, c| rows[r][c]),
    };
    check::px_from_mm_can_be_inverted(&matrix_field, &view, frame, lens)?;
    Ok(view)
}

fn region(field: &Field<'_>, frame: &Frame) -> Result<RegionPx, FileError> {
    let [x, y, width, height] = field.list_of("four whole numbers of px, [x, y, width, height]", |f| f.whole(0, MOST_PX))?;
    let [frame_width, frame_height] = frame.size_px;
    if width == 0 || height == 0 {
        return Err(field.wrong("is empty: width and height must be at least 1 px"));
    }
    if x + width > frame_width || y + height > frame_height {
        return Err(field.wrong(format!(
            "reaches to column {} and row {}, outside the picture of {frame_width} x {frame_height} px; it is [x, y, width, height]",
            x + width,
            y + height
        )));
    }
    Ok(RegionPx { x, y, width, height })
}

fn adjusters(root: &Section<'_>) -> Result<Vec<Adjuster>, FileError> {
    let Some(field) = root.get("adjuster", "") else { return Ok(Vec::new()) };
    let sections = field.sections()?;
    let adjusters = sections.iter().map(adjuster).collect::<Result<Vec<_>, _>>()?;
    check::names_are_unique(&sections, &adjusters)?;
    check::carriers_exist(&sections, &adjusters)?;
    check::directions_are_independent(&sections, &adjusters)?;
    Ok(adjusters)
}

fn adjuster(section: &Section<'_>) -> Result<Adjuster, FileError> {
    section.only(&[
        "name",
        "carries",
        "turn",
        "divisions",
        "backlash_turns",
        "readable_divisions",
        "reads",
        "reading_rises",
        "reading_per_turn",
        "reading_unit",
        "travel_turns",
        "stands",
        "rides_on",
    ])?;
    let name_field = section.need("name", "\"X\"")?;
    let name = name_field.text()?;
    if name.contains('=') {
        return Err(name_field.wrong("holds a =, which the command line needs for --last NAME=clockwise; leave it out"));
    }
    let divisions = section.get("divisions", "50").map(|f| f.whole(1, 100_000)).transpose()?;
    let words = [("divisions", Reads::Divisions), ("steps", Reads::Steps), ("none", Reads::None)];
    let reads = match section.get("reads", "\"divisions\"") {
        None => divisions.map_or(Reads::None, |_| Reads::Divisions),
        Some(field) => match field.word(&words)? {
            Reads::Divisions if divisions.is_none() => {
                return Err(
                    field.wrong("is \"divisions\", but there is no divisions key; add divisions = 50, or read \"steps\" or \"none\"")
                );
            }
            reads => reads,
        },
    };
    let turns = |v: f64| (0.0..=100.0).contains(&v);
    Ok(Adjuster {
        name,
        carries: section.need("carries", "\"board\"")?.word(&[("part", Side::Part), ("board", Side::Board)])?,
        turn: motion(&section.need("turn", "{ mm = [0.5, 0.0] }")?)?,
        divisions,
        backlash_turns: section
            .get("backlash_turns", "0.02")
            .map_or(Ok(0.0), |f| f.number_where("a number of turns from 0 to 100", turns))?,
        readable_divisions: section
            .get("readable_divisions", "0.5")
            .map_or(Ok(1.0), |f| f.number_where("a number of divisions above 0 and at most 1000", |v| v > 0.0 && v <= 1000.0))?,
        reads,
        reading_rises: section
            .get("reading_rises", "\"clockwise\"")
            .map_or(Ok(Sense::Clockwise), |f| f.word(&[("clockwise", Sense::Clockwise), ("anticlockwise", Sense::Anticlockwise)]))?,
        scale: reading_scale(section)?,
        travel_turns: section.get("travel_turns", "[-12.0, 12.0]").map(|f| travel(&f)).transpose()?,
        stands: section.get("stands", "\"right\"").map(|f| f.word(&STANDS)).transpose()?,
        rides_on: section.get("rides_on", "\"R\"").map(|f| f.text()).transpose()?,
    })
}

const STANDS: [(&str, Stands); 5] =
    [("right", Stands::Right), ("near", Stands::Near), ("left", Stands::Left), ("far", Stands::Far), ("top", Stands::Top)];

fn reading_scale(section: &Section<'_>) -> Result<ReadingScale, FileError> {
    let per_turn = section.get("reading_per_turn", "0.025").map_or(Ok(1.0), |f| {
        f.number_where("a number above 0 and at most 1000: what one turn adds to the reading", |v| v > 0.0 && v <= 1e3)
    })?;
    let unit = section.get("reading_unit", "\"in\"").map_or(Ok(String::new()), |f| f.text())?;
    Ok(ReadingScale { per_turn, unit })
}

fn travel(field: &Field<'_>) -> Result<[f64; 2], FileError> {
    let end = |f: &Field<'_>| f.number_where("a number of turns within ±100000", |v| v.abs() <= 1e5);
    let [low, high] = field.list_of("two readings in turns, [lower end, upper end]", end)?;
    if low >= high {
        return Err(field.wrong(format!("runs from {low} to {high}; write the lower end first, and some travel between")));
    }
    Ok([low, high])
}

fn motion(field: &Field<'_>) -> Result<Motion, FileError> {
    let section = field.section()?;
    section.only(&["mm", "deg", "pivot_mm", "tilt_deg"])?;
    let (mm, deg, tilt) = (section.get("mm", "[0.5, 0.0]"), section.get("deg", "1.5"), section.get("tilt_deg", "[0.1, 0.0]"));
    let degrees = |f: &Field<'_>| f.number_where("a number of degrees within ±360", |v| v.abs() <= 360.0);
    let pivot = section.get("pivot_mm", "[0.0, 0.0]");
    match (mm, deg, tilt) {
        (Some(mm), None, None) => {
            if let Some(pivot) = pivot {
                return Err(pivot.wrong("belongs to turn = { deg = …, pivot_mm = [x, y] }; a move in mm has no pivot"));
            }
            let step_mm = mm.point_mm()?;
            check::moves(field, step_mm.norm())?;
            Ok(Motion::Shift { step_mm })
        }
        (None, Some(deg), None) => {
            let step_deg = degrees(&deg)?;
            check::moves(field, step_deg.abs())?;
            Ok(Motion::Rotation { step_rad: step_deg.to_radians(), pivot_mm: section.need("pivot_mm", "[0.4, -1.1]")?.point_mm()? })
        }
        (None, None, Some(tilt)) => {
            let [about_x, about_y] = tilt.list_of("two numbers of degrees, [about x, about y]", degrees)?;
            check::moves(field, about_x.hypot(about_y))?;
            Ok(Motion::Tilt { step_rad: [about_x.to_radians(), about_y.to_radians()] })
        }
        _ => Err(field.wrong("must hold just one of mm = [x, y], deg = … with pivot_mm = [x, y], tilt_deg = [about x, about y]")),
    }
}

fn scale(root: &Section<'_>) -> Result<ScaleSource, FileError> {
    let Some(field) = root.get("scale", "") else { return Ok(ScaleSource::Bench) };
    let section = field.section()?;
    section.only(&["from", "may_differ"])?;
    let share = |v: f64| v > 0.0 && v < 1.0;
    let may_differ =
        section.get("may_differ", "0.02").map_or(Ok(MAY_DIFFER), |f| f.number_where("a share above 0 and below 1 (0.02 is 2 %)", share))?;
    let words = [("bench", ScaleSource::Bench), ("pattern", ScaleSource::Pattern { may_differ })];
    section.get("from", "\"bench\"").map_or(Ok(ScaleSource::Bench), |f| f.word(&words))
}

fn aim(root: &Section<'_>) -> Result<Pose, FileError> {
    let Some(field) = root.get("aim", "") else { return Ok(Pose::IDENTITY) };
    let section = field.section()?;
    section.only(&["x_mm", "y_mm", "theta_deg"])?;
    let way = |key| section.get(key, "0.0").map_or(Ok(0.0), |f| f.way_mm());
    Ok(Pose::new(way("x_mm")?, way("y_mm")?, section.get("theta_deg", "0.0").map_or(Ok(0.0), |f| f.angle_rad())?))
}

/// `[calibration]` is its writer's own table, so anything else in it is let be.
fn calibration(root: &Section<'_>) -> Result<CalibrationState, FileError> {
    let state = root.get("calibration", "").and_then(|f| f.section().ok()).and_then(|s| s.get("state", "")).and_then(|f| f.text().ok());
    Ok(match state.as_deref() {
        Some(write::NOT_CALIBRATED) => CalibrationState::NotCalibrated,
        Some(write::CALIBRATED) => CalibrationState::Calibrated,
        _ => CalibrationState::Unsaid,
    })
}

#[cfg(test)]
mod tests;
