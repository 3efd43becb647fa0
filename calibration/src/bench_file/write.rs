//! Writes the bench file, whole or by changing what a calibration has learned and keeping all else.

use crate::bench::{Adjuster, Bench, CalibrationState, Motion, Reads, Sense, Stands};
use landfit_part::text_file::{Existing, load, save};
use landfit_part::{FileError, Pose};
use landfit_vision::{ScaleSource, View};
use nalgebra::Matrix3;
use std::fmt::Write as _;
use std::path::Path;
use toml_edit::{Array, DocumentMut, InlineTable, Item, Table, TableLike, Value};

pub(super) const NOT_CALIBRATED: &str = "not calibrated";
pub(super) const CALIBRATED: &str = "calibrated";

/// Writes a bench as a whole new file or not at all.
///
/// # Errors
/// `Exists` and `Unwritable`; `Wrong` where the bench could not be read back (adjusters that depend on each other, a
/// NaN): nothing is written then.
pub fn write(path: &Path, bench: &Bench, existing: Existing) -> Result<(), FileError> {
    let text = to_toml(bench);
    super::parse(&text, &path.display().to_string())?;
    save(path, &text, existing)
}

/// The text of a new bench file, with a word on each table. Reading it gives the same bench (angles to the last bits of
/// a radian).
#[must_use]
pub fn to_toml(bench: &Bench) -> String {
    let mut text = format!("schema = {}\nname = {}\n", super::SCHEMA, quoted(&bench.name));
    text.push_str(&calibration_table(bench.calibration));
    text.push_str(&optics_tables(bench));
    bench.adjusters.iter().for_each(|adjuster| text.push_str(&adjuster_table(adjuster)));
    if bench.aim != Pose::IDENTITY {
        text.push_str("\n# The offset to aim at: where parts must be put to lie right once they are down.\n");
        let _ = writeln!(text, "[aim]\nx_mm = {}\ny_mm = {}", number(bench.aim.x_mm), number(bench.aim.y_mm));
        let _ = writeln!(text, "theta_deg = {}", number(degrees(bench.aim.theta_rad)));
    }
    text
}

fn calibration_table(state: CalibrationState) -> String {
    match state {
        CalibrationState::Unsaid => String::new(),
        CalibrationState::NotCalibrated => format!(
            "\n# Nothing here was measured yet: the offsets are only as good as the guesses below.\n[calibration]\nstate = \"{NOT_CALIBRATED}\"\n"
        ),
        CalibrationState::Calibrated => format!("\n[calibration]\nstate = \"{CALIBRATED}\"\n"),
    }
}

fn optics_tables(bench: &Bench) -> String {
    let optics = &bench.optics;
    let frame = &optics.frame;
    let mut text = format!(
        "\n# The camera's pictures: size, and how raw values become light.\n[frame]\nsize_px = [{}, {}]\n",
        frame.size_px[0], frame.size_px[1]
    );
    let _ = writeln!(text, "black = {}", number(frame.black));
    if let Some(white) = frame.white {
        let _ = writeln!(text, "white = {}", number(white));
    }
    let _ = writeln!(text, "gamma = {}", number(frame.gamma));
    if let Some(lens) = &optics.lens {
        text.push_str("\n# Radial distortion of the lens.\n[lens]\n");
        let _ = writeln!(text, "k1 = {}\nk2 = {}", number(lens.k1), number(lens.k2));
        let _ = writeln!(text, "centre_px = {}\nnorm_px = {}", numbers(&[lens.centre_px.x, lens.centre_px.y]), number(lens.norm_px));
    }
    if let ScaleSource::Pattern { may_differ } = optics.scale {
        let _ = writeln!(
            text,
            "\n# The magnification is taken from the pattern's own pitch.\n[scale]\nfrom = \"pattern\"\nmay_differ = {}",
            number(may_differ)
        );
    }
    text.push_str("\n# What each light shows. px_from_mm maps bench mm (x right, y away from you) to px (x right, y down).\n");
    optics.views.iter().for_each(|view| text.push_str(&view_table(view)));
    text
}

fn view_table(view: &View) -> String {
    let mut text = format!("[[view]]\nshows = \"{}\"\nexposure = {}\n", view.shows.word(), view.exposure);
    if let Some(r) = view.region_px {
        let _ = writeln!(text, "region_px = [{}, {}, {}, {}]", r.x, r.y, r.width, r.height);
    }
    let rows: Vec<String> = view.px_from_mm.row_iter().map(|row| numbers(&[row[0], row[1], row[2]])).collect();
    let _ = writeln!(text, "tint = {}\npx_from_mm = [{}]\n", numbers(&view.tint), rows.join(", "));
    text
}

fn adjuster_table(adjuster: &Adjuster) -> String {
    let mut text = format!("[[adjuster]]\nname = {}\ncarries = \"{}\"\n", quoted(&adjuster.name), adjuster.carries.word());
    let comment = match adjuster.turn {
        Motion::Shift { .. } => "mm right and mm away from you, for one clockwise turn",
        Motion::Rotation { .. } => "degrees anticlockwise, seen from above, for one clockwise turn; the pivot, mm",
        Motion::Tilt { .. } => "degrees about the x and the y axis, for one clockwise turn",
    };
    let _ = writeln!(text, "turn = {}  # {comment}", motion(adjuster.turn));
    if let Some(divisions) = adjuster.divisions {
        let _ = writeln!(text, "divisions = {divisions}");
    }
    let _ = writeln!(text, "backlash_turns = {}", number(adjuster.backlash_turns));
    if adjuster.readable_divisions != 1.0 {
        let _ = writeln!(text, "readable_divisions = {}", number(adjuster.readable_divisions));
    }
    match adjuster.reads {
        Reads::Steps => text.push_str("reads = \"steps\"\n"),
        Reads::None if adjuster.divisions.is_some() => text.push_str("reads = \"none\"\n"),
        Reads::None | Reads::Divisions => {}
    }
    if adjuster.reading_rises == Sense::Anticlockwise {
        text.push_str("reading_rises = \"anticlockwise\"\n");
    }
    if adjuster.scale.per_turn != 1.0 {
        let _ = writeln!(text, "reading_per_turn = {}", number(adjuster.scale.per_turn));
    }
    if !adjuster.scale.unit.is_empty() {
        let _ = writeln!(text, "reading_unit = {}", quoted(&adjuster.scale.unit));
    }
    if let Some(travel) = adjuster.travel_turns {
        let _ = writeln!(text, "travel_turns = {}", numbers(&travel));
    }
    if let Some(stands) = adjuster.stands {
        let _ = writeln!(text, "stands = \"{}\"", stands_word(stands));
    }
    if let Some(carrier) = &adjuster.rides_on {
        let _ = writeln!(text, "rides_on = {}", quoted(carrier));
    }
    text.push('\n');
    text
}

fn stands_word(stands: Stands) -> &'static str {
    super::STANDS.iter().find(|(_, s)| *s == stands).map_or("top", |(word, _)| word)
}

fn motion(motion: Motion) -> String {
    match motion {
        Motion::Shift { step_mm } => format!("{{ mm = {} }}", numbers(&[step_mm.x, step_mm.y])),
        Motion::Rotation { step_rad, pivot_mm } => {
            format!("{{ deg = {}, pivot_mm = {} }}", number(degrees(step_rad)), numbers(&[pivot_mm.x, pivot_mm.y]))
        }
        Motion::Tilt { step_rad } => format!("{{ tilt_deg = {} }}", numbers(&step_rad.map(degrees))),
    }
}

/// Changes a bench file to say what `bench` says, whole or not at all: see [`updated_text`].
///
/// # Errors
/// As reading and writing.
pub fn update(path: &Path, bench: &Bench) -> Result<(), FileError> {
    let text = updated_text(&load(path)?, &path.display().to_string(), bench)?;
    save(path, &text, Existing::Replace)
}

/// The text of a bench file changed to say what `bench` says, with comments, order and other writers' tables kept.
///
/// What a calibration learns may change: `black`, `white` and `gamma` of the frame, views' `px_from_mm` and `tint`, adjusters' `turn`,
/// `backlash_turns` and `reading_rises`, `[lens]`, `[aim]`, and `[calibration] state`. Values that are the same stay as they are written.
///
/// # Errors
/// As reading; `Wrong` where `bench` differs in anything else, for which a new file is the way.
pub fn updated_text(text: &str, file: &str, bench: &Bench) -> Result<String, FileError> {
    let old = super::parse(text, file)?;
    let syntax = |error: toml_edit::TomlError| FileError::Syntax {
        file: file.to_owned(),
        line: 1,
        what: error.message().to_owned(),
        near: String::new(),
    };
    let mut document: DocumentMut = text.parse().map_err(syntax)?;
    let root = document.as_table_mut();
    if let Some(table) = root.get_mut("frame").and_then(Item::as_table_like_mut) {
        let (was, now) = (old.optics.frame, bench.optics.frame);
        for (key, was, now) in
            [("black", Some(was.black), Some(now.black)), ("white", was.white, now.white), ("gamma", Some(was.gamma), Some(now.gamma))]
        {
            match now {
                _ if was == now => {}
                Some(value) => set(table, key, value.into()),
                None => drop(table.remove(key)),
            }
        }
    }
    for (index, (was, now)) in old.optics.views.iter().zip(&bench.optics.views).enumerate() {
        let Some(table) = element(root, "view", index) else { continue };
        if was.px_from_mm != now.px_from_mm {
            set(table, "px_from_mm", matrix(&now.px_from_mm));
        }
        if was.tint != now.tint {
            set(table, "tint", list(&now.tint));
        }
    }
    for (index, (was, now)) in old.adjusters.iter().zip(&bench.adjusters).enumerate() {
        let Some(table) = element(root, "adjuster", index) else { continue };
        if was.turn != now.turn {
            set(table, "turn", turn_value(now.turn));
        }
        if was.backlash_turns != now.backlash_turns {
            set(table, "backlash_turns", now.backlash_turns.into());
        }
        if was.reading_rises != now.reading_rises {
            let word = if now.reading_rises == Sense::Clockwise { "clockwise" } else { "anticlockwise" };
            set(table, "reading_rises", word.into());
        }
    }
    if old.optics.lens != bench.optics.lens {
        match &bench.optics.lens {
            None => drop(root.remove("lens")),
            Some(lens) => {
                let values = [
                    ("k1", lens.k1.into()),
                    ("k2", lens.k2.into()),
                    ("centre_px", list(&[lens.centre_px.x, lens.centre_px.y])),
                    ("norm_px", lens.norm_px.into()),
                ];
                set_all(root, "lens", values);
            }
        }
    }
    if old.aim != bench.aim {
        let aim = bench.aim;
        set_all(root, "aim", [("x_mm", aim.x_mm.into()), ("y_mm", aim.y_mm.into()), ("theta_deg", degrees(aim.theta_rad).into())]);
    }
    if old.calibration != bench.calibration {
        match bench.calibration {
            CalibrationState::Calibrated => set_all(root, "calibration", [("state", CALIBRATED.into())]),
            CalibrationState::NotCalibrated => set_all(root, "calibration", [("state", NOT_CALIBRATED.into())]),
            CalibrationState::Unsaid => drop(root.get_mut("calibration").and_then(Item::as_table_like_mut).and_then(|t| t.remove("state"))),
        }
    }
    let changed = document.to_string();
    if super::parse(&changed, file)? != as_it_reads_back(bench) {
        let what = "can be changed here only in what a calibration learns (the frame's black, white and gamma, views' px_from_mm and tint, adjusters' turn, backlash and reading, lens, aim); write a new file for the rest";
        return Err(FileError::Wrong { file: file.to_owned(), line: 1, key: "the bench".to_owned(), what: what.to_owned() });
    }
    Ok(changed)
}

/// The bench with its angles as degrees in a file give them back: the last bits of a radian can differ.
fn as_it_reads_back(bench: &Bench) -> Bench {
    let through_degrees = |angle_rad: f64| degrees(angle_rad).to_radians();
    let mut bench = bench.clone();
    bench.aim.theta_rad = through_degrees(bench.aim.theta_rad);
    for adjuster in &mut bench.adjusters {
        match &mut adjuster.turn {
            Motion::Shift { .. } => {}
            Motion::Rotation { step_rad, .. } => *step_rad = through_degrees(*step_rad),
            Motion::Tilt { step_rad } => *step_rad = step_rad.map(through_degrees),
        }
    }
    bench
}

/// The `index`-th table of a list, written either way.
fn element<'a>(root: &'a mut Table, key: &str, index: usize) -> Option<&'a mut dyn TableLike> {
    match root.get_mut(key)? {
        Item::ArrayOfTables(tables) => tables.get_mut(index).map(|t| t as &mut dyn TableLike),
        Item::Value(Value::Array(array)) => array.get_mut(index)?.as_inline_table_mut().map(|t| t as &mut dyn TableLike),
        _ => None,
    }
}

/// Puts a value in the place of another and keeps the spaces and the comment round it.
fn set(table: &mut dyn TableLike, key: &str, mut value: Value) {
    if let Some(old) = table.get(key).and_then(Item::as_value) {
        *value.decor_mut() = old.decor().clone();
    }
    match table.get_mut(key) {
        Some(item) => *item = Item::Value(value),
        None => drop(table.insert(key, Item::Value(value))),
    }
}

fn set_all<const N: usize>(root: &mut Table, key: &str, values: [(&str, Value); N]) {
    let item = root.entry(key).or_insert_with(|| Item::Table(Table::new()));
    if let Some(table) = item.as_table_like_mut() {
        values.into_iter().for_each(|(key, value)| set(table, key, value));
    }
}

fn list(values: &[f64]) -> Value {
    Value::Array(values.iter().copied().collect::<Array>())
}

fn matrix(m: &Matrix3<f64>) -> Value {
    Value::Array(m.row_iter().map(|row| list(&[row[0], row[1], row[2]])).collect::<Array>())
}

fn turn_value(motion: Motion) -> Value {
    let pairs = match motion {
        Motion::Shift { step_mm } => vec![("mm", list(&[step_mm.x, step_mm.y]))],
        Motion::Rotation { step_rad, pivot_mm } => vec![("deg", degrees(step_rad).into()), ("pivot_mm", list(&[pivot_mm.x, pivot_mm.y]))],
        Motion::Tilt { step_rad } => vec![("tilt_deg", list(&step_rad.map(degrees)))],
    };
    Value::InlineTable(pairs.into_iter().collect::<InlineTable>())
}

/// The degrees with the fewest digits that read back as `angle_rad`.
fn degrees(angle_rad: f64) -> f64 {
    let deg = angle_rad.to_degrees();
    let short = (deg * 1e9).round() / 1e9;
    [short, deg, deg.next_up(), deg.next_down()].into_iter().find(|d| d.to_radians() == angle_rad).unwrap_or(deg)
}

fn numbers(values: &[f64]) -> String {
    format!("[{}]", values.iter().map(|v| number(*v)).collect::<Vec<_>>().join(", "))
}

/// The shortest figures that read back as the same number.
fn number(value: f64) -> String {
    Value::from(value).to_string()
}

fn quoted(text: &str) -> String {
    Value::from(text).to_string()
}
