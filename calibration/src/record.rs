//! What calibrations leave in the bench file besides its values: when, with what, and how well it is known. Tables of this
//! program's own, which other readers pass over: `[calibration]` and `[uncertainty]`.

use crate::date::Date;
use landfit_part::FileError;
use landfit_part::strict_toml::{Document, Field, Section};
use nalgebra::{Matrix3, SMatrix};
use toml_edit::{Array, ArrayOfTables, DocumentMut, Item, Table, Value};

/// All that the bench file says of its own calibration. Uncertainties are standard ones (k = 1).
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Record {
    /// Day of the last calibration of anything.
    pub date: Option<Date>,
    /// Days after which a calibration is due again; the user's own rule.
    pub due_days: Option<f64>,
    /// What gave the scale.
    pub ruler: Option<Ruler>,
    /// In what kind of pictures: "rgb8", "grey8 jpeg".
    pub pixel_format: Option<String>,
    /// View by view.
    pub views: Vec<ViewUncertainty>,
    /// Part view against board view.
    pub registrations: Vec<RegistrationUncertainty>,
    /// Adjuster by adjuster.
    pub adjusters: Vec<AdjusterUncertainty>,
    /// What is known of heights.
    pub height: Option<Height>,
}

/// What gave the scale.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Ruler {
    /// What it is: "glass grid", "the screws X, Y", "the pattern's own pitch".
    pub name: String,
    /// Its serial number.
    pub serial: Option<String>,
    /// The number of its certificate.
    pub certificate: Option<String>,
    /// Until when that certificate holds.
    pub due: Option<Date>,
    /// Its relative standard uncertainty; `None` where nobody stated one, so that it counts as nothing.
    pub relative: Option<f64>,
}

impl Ruler {
    /// All that is known of it, in one line.
    #[must_use]
    pub fn words(&self) -> String {
        let mut text = self.name.clone();
        for (word, value) in [("serial", &self.serial), ("certificate", &self.certificate)] {
            if let Some(value) = value {
                text += &format!(", {word} {value}");
            }
        }
        if let Some(due) = self.due {
            text += &format!(", due {due}");
        }
        text
    }

    /// Whether its certificate had run out on a day.
    #[must_use]
    pub fn is_overdue(&self, on: Date) -> bool {
        self.due.is_some_and(|due| on > due)
    }
}

/// How well one view is known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ViewUncertainty {
    /// Index into the bench's views.
    pub view: usize,
    /// Of the scale, relative, without the ruler's.
    pub scale_relative: f64,
    /// Of the angle, radians.
    pub angle_rad: f64,
    /// Of a position, mean over the field, mm.
    pub field_mm: f64,
    /// Largest over the field, mm.
    pub field_largest_mm: f64,
    /// Residuals of the marks, px.
    pub rms_px: f64,
    /// The middle of the region, bench frame, mm: where errors of scale turn to nothing.
    pub middle_mm: [f64; 2],
    /// When it was calibrated.
    pub date: Option<Date>,
}

/// How well a part view is known against a board view.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RegistrationUncertainty {
    /// Index of the part view.
    pub part_view: usize,
    /// Index of the board view.
    pub board_view: usize,
    /// Covariance of (x mm, y mm, theta rad) at `middle_mm`.
    pub covariance: Matrix3<f64>,
    /// Bench frame, mm.
    pub middle_mm: [f64; 2],
    /// The same over all of the field, where the calibration told it.
    pub field: Option<FieldCovariance>,
    /// When it was calibrated.
    pub date: Option<Date>,
}

/// How far the part view may be off against the board view all over the field: covariance of the eight ways in which two views of
/// one plane can differ, scale, lens and tilt included, with all that they have in common left out.
///
/// At x = (X - middle) / half and y likewise a point seen by both differs by
/// `a (1, 0) + b (0, 1) + c (-y, x) + d (x, y) + e (x, -y) + f (y, x) + g (x², xy) + h (xy, y²)`: shift, turn, scale, the two ways of
/// stretching, and tilt about either axis; a to h in mm.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FieldCovariance {
    /// Of a to h, mm².
    pub covariance: SMatrix<f64, 8, 8>,
    /// Half of the field's extent, mm, by which places are divided.
    pub half_mm: f64,
}

impl FieldCovariance {
    /// What each of a to h does at a place that lies at (x, y) mm from the middle: one column each.
    #[must_use]
    pub fn ways(&self, x_mm: f64, y_mm: f64) -> SMatrix<f64, 2, 8> {
        ways(x_mm / self.half_mm, y_mm / self.half_mm)
    }
}

/// The eight ways at a place in units of the field.
pub(crate) fn ways(x: f64, y: f64) -> SMatrix<f64, 2, 8> {
    SMatrix::<f64, 2, 8>::from_rows(&[
        nalgebra::RowSVector::from([1.0, 0.0, -y, x, x, y, x * x, x * y]),
        nalgebra::RowSVector::from([0.0, 1.0, x, y, -y, x, x * y, y * y]),
    ])
}

/// How well an adjuster is known.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct AdjusterUncertainty {
    /// Its name.
    pub name: String,
    /// Of the step, mm along and across, or radians.
    pub step: f64,
    /// Of the pivot, mm, on the worse axis; 0 for a shift.
    pub pivot_mm: f64,
    /// Of the play, turns.
    pub backlash_turns: f64,
    /// Half of peak to valley of the once-per-turn error, mm or radians.
    pub once_per_turn: f64,
    /// Standard deviation of the stops, mm or radians.
    pub repeatability: f64,
    /// "short" or "full".
    pub run: String,
    /// When it was calibrated.
    pub date: Option<Date>,
}

/// Height parallax of a lens that is not telecentric.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Height {
    /// From the lens's entrance pupil to the board, mm.
    pub distance_mm: f64,
    /// Terminals and lands differ in height from what the calibration saw by no more than this, mm.
    pub differs_mm: f64,
}

/// Reads the record from the text of a bench file; what is not there is left open.
///
/// # Errors
/// A value that cannot be one.
pub fn parse(text: &str, file: &str) -> Result<Record, FileError> {
    let document = Document::parse(text, file)?;
    let root = document.root();
    let mut record = Record::default();
    if let Some(field) = root.get("calibration", "") {
        let section = field.section()?;
        let word = |key: &str| section.get(key, "\"…\"").map(|f| f.text()).transpose();
        (record.date, record.pixel_format) = (day(&section, "date")?, word("pixel_format")?);
        let days = |v: f64| v > 0.0 && v <= 1e5;
        record.due_days = section.get("due_days", "90").map(|f| f.number_where("a number of days above 0", days)).transpose()?;
        record.ruler = ruler(&section)?;
    }
    let Some(field) = root.get("uncertainty", "") else { return Ok(record) };
    let section = field.section()?;
    for view in list(&section, "view")? {
        record.views.push(ViewUncertainty {
            view: view.need("view", "0")?.whole(0, 99)? as usize,
            scale_relative: size(&view, "scale_relative")?,
            angle_rad: size(&view, "angle_deg")?.to_radians(),
            field_mm: size(&view, "field_mm")?,
            field_largest_mm: size(&view, "field_largest_mm")?,
            rms_px: size(&view, "rms_px")?,
            middle_mm: pair(&view, "middle_mm")?,
            date: day(&view, "date")?,
        });
    }
    for r in list(&section, "registration")? {
        let at = r.need("covariance", "[xx, xy, xt, yy, yt, tt], mm and rad")?;
        record.registrations.push(RegistrationUncertainty {
            part_view: r.need("part_view", "0")?.whole(0, 99)? as usize,
            board_view: r.need("board_view", "1")?.whole(0, 99)? as usize,
            covariance: covariance::<3, 6>(&at, "six numbers, xx, xy, xt, yy, yt, tt in mm and rad")?,
            middle_mm: pair(&r, "middle_mm")?,
            field: field_covariance(&r)?,
            date: day(&r, "date")?,
        });
    }
    for a in list(&section, "adjuster")? {
        record.adjusters.push(AdjusterUncertainty {
            name: a.need("name", "\"X\"")?.text()?,
            step: size(&a, "step")?,
            pivot_mm: size(&a, "pivot_mm")?,
            backlash_turns: size(&a, "backlash_turns")?,
            once_per_turn: size(&a, "once_per_turn")?,
            repeatability: size(&a, "repeatability")?,
            run: a.get("run", "\"short\"").map(|f| f.text()).transpose()?.unwrap_or_default(),
            date: day(&a, "date")?,
        });
    }
    if let Some(field) = section.get("height", "") {
        let height = field.section()?;
        let positive = |v: f64| v > 0.0 && v < 1e5;
        let distance_mm = height.need("distance_mm", "100.0")?.number_where("a number of mm above 0", positive)?;
        record.height = Some(Height { distance_mm, differs_mm: size(&height, "differs_mm")? });
    }
    Ok(record)
}

fn ruler(section: &Section<'_>) -> Result<Option<Ruler>, FileError> {
    let word = |key: &str| section.get(key, "\"…\"").map(|f| f.text()).transpose();
    let Some(name) = word("ruler")? else {
        // What is said of a ruler that nobody named would be lost without a word.
        let of_none = ["ruler_serial", "ruler_certificate", "ruler_due", "ruler_relative"];
        return match of_none.into_iter().find_map(|key| section.get(key, "")) {
            Some(field) => Err(field.wrong("is said of a ruler that has no name: add ruler = \"what gave the scale\"".to_owned())),
            None => Ok(None),
        };
    };
    let relative = section.get("ruler_relative", "0.001").is_some().then(|| size(section, "ruler_relative")).transpose()?;
    let (serial, certificate) = (word("ruler_serial")?, word("ruler_certificate")?);
    Ok(Some(Ruler { name, serial, certificate, due: day(section, "ruler_due")?, relative }))
}

fn list<'a>(section: &Section<'a>, key: &'a str) -> Result<Vec<Section<'a>>, FileError> {
    section.get(key, "").map_or_else(|| Ok(Vec::new()), |f| f.sections())
}

fn day(section: &Section<'_>, key: &str) -> Result<Option<Date>, FileError> {
    let Some(field) = section.get(key, "\"2026-11-25\"") else { return Ok(None) };
    let text = field.text()?;
    Date::parse(&text)
        .map(Some)
        .ok_or_else(|| field.wrong(format!("is no day: write year-month-day, as in \"2026-11-25\", not \"{text}\"")))
}

/// Row and column of each number of a covariance as the file lists them: the upper triangle, row by row.
fn upper_triangle(side: usize) -> impl Iterator<Item = (usize, usize)> {
    (0..side).flat_map(move |row| (row..side).map(move |column| (row, column)))
}

fn covariance<const SIDE: usize, const NUMBERS: usize>(field: &Field<'_>, needed: &str) -> Result<SMatrix<f64, SIDE, SIDE>, FileError> {
    let values: [f64; NUMBERS] = field.list_of(needed, |f| f.number_where("a number", |v| v.is_finite()))?;
    let mut all = SMatrix::zeros();
    for ((row, column), value) in upper_triangle(SIDE).zip(values) {
        if row == column && value < 0.0 {
            return Err(field.wrong(format!("has {value} for a variance, which is 0 or more: {needed}")));
        }
        (all[(row, column)], all[(column, row)]) = (value, value);
    }
    Ok(all)
}

fn field_covariance(section: &Section<'_>) -> Result<Option<FieldCovariance>, FileError> {
    let Some(field) = section.get("field_covariance", "36 numbers") else { return Ok(None) };
    let covariance = covariance::<8, 36>(&field, "36 numbers of mm², the upper triangle of eight by eight, row by row")?;
    let half_mm = section.need("field_half_mm", "10.0")?.number_where("a number of mm above 0", |v| v > 0.0 && v <= 1e4)?;
    Ok(Some(FieldCovariance { covariance, half_mm }))
}

fn size(section: &Section<'_>, key: &str) -> Result<f64, FileError> {
    section.get(key, "0.001").map_or(Ok(0.0), |f| f.number_where("a number of 0 or more", |v| (0.0..=1e6).contains(&v)))
}

fn pair(section: &Section<'_>, key: &str) -> Result<[f64; 2], FileError> {
    section
        .get(key, "[0.0, 0.0]")
        .map_or(Ok([0.0; 2]), |f| f.list_of("two numbers of mm", |f| f.number_where("a number of mm", |v| v.is_finite() && v.abs() <= 1e4)))
}

/// The text of a bench file with this record in the place of the one it has; all else is kept.
///
/// # Errors
/// A text that is no TOML.
pub fn written(text: &str, record: &Record, file: &str) -> Result<String, FileError> {
    let syntax = |error: toml_edit::TomlError| FileError::Syntax {
        file: file.to_owned(),
        line: 1,
        what: error.message().lines().next().unwrap_or("").to_owned(),
        near: String::new(),
    };
    let mut document: DocumentMut = text.parse().map_err(syntax)?;
    let calibration = document.entry("calibration").or_insert_with(|| Item::Table(Table::new()));
    if let Some(table) = calibration.as_table_like_mut() {
        let mut set = |key: &str, value: Option<Value>| match value {
            Some(mut value) => {
                // The comment beside it stays.
                if let Some(old) = table.get(key).and_then(Item::as_value) {
                    *value.decor_mut() = old.decor().clone();
                }
                table.insert(key, Item::Value(value));
            }
            None => drop(table.remove(key)),
        };
        let word = |value: &Option<String>| value.as_deref().map(Value::from);
        let day = |value: Option<Date>| value.map(|d| Value::from(d.to_string()));
        set("date", day(record.date));
        set("pixel_format", word(&record.pixel_format));
        set("due_days", record.due_days.map(Value::from));
        let ruler = record.ruler.as_ref();
        set("ruler", ruler.map(|r| Value::from(r.name.as_str())));
        set("ruler_serial", ruler.and_then(|r| word(&r.serial)));
        set("ruler_certificate", ruler.and_then(|r| word(&r.certificate)));
        set("ruler_due", ruler.and_then(|r| day(r.due)));
        set("ruler_relative", ruler.and_then(|r| r.relative).map(Value::from));
    }
    // Keys that others put beside ours stay.
    let uncertainty = document.entry("uncertainty").or_insert_with(|| {
        let mut table = Table::new();
        table.decor_mut().set_prefix("\n# How well all of this is known: standard uncertainties (k = 1), written by landfit calibrate.\n");
        Item::Table(table)
    });
    let Some(table) = uncertainty.as_table_mut() else {
        let what = "must be a table, [uncertainty]; rename what stands there".to_owned();
        return Err(FileError::Wrong { file: file.to_owned(), line: 1, key: "uncertainty".to_owned(), what });
    };
    table.set_implicit(false);
    // Taken out and put back last, so that writing the same twice gives the same text.
    let height = table.remove("height");
    set_tables(table, "view", record.views.iter().map(view_table).collect());
    set_tables(table, "registration", record.registrations.iter().map(registration_table).collect());
    set_tables(table, "adjuster", record.adjusters.iter().map(adjuster_table).collect());
    if let Some(known) = record.height {
        let mut t = Table::new();
        t.insert("distance_mm", Item::Value(known.distance_mm.into()));
        t.insert("differs_mm", Item::Value(known.differs_mm.into()));
        table.insert("height", Item::Table(t));
    } else if let Some(height) = height {
        table.insert("height", height);
    }
    Ok(document.to_string())
}

fn set_tables(table: &mut Table, key: &str, tables: Vec<Table>) {
    table.remove(key);
    if !tables.is_empty() {
        table.insert(key, Item::ArrayOfTables(tables.into_iter().collect::<ArrayOfTables>()));
    }
}

fn numbers(values: &[f64]) -> Item {
    Item::Value(Value::Array(values.iter().copied().collect::<Array>()))
}

fn triangle<const SIDE: usize>(covariance: &SMatrix<f64, SIDE, SIDE>) -> Item {
    numbers(&upper_triangle(SIDE).map(|at| covariance[at]).collect::<Vec<_>>())
}

fn figures(table: &mut Table, values: &[(&str, f64)]) {
    for (key, value) in values {
        // Three figures say all that an uncertainty can say.
        let rounded = format!("{value:.3e}").parse::<f64>().unwrap_or(*value);
        table.insert(key, Item::Value(rounded.into()));
    }
}

fn view_table(v: &ViewUncertainty) -> Table {
    let mut t = Table::new();
    t.insert("view", Item::Value((v.view as i64).into()));
    let values = [
        ("scale_relative", v.scale_relative),
        ("angle_deg", v.angle_rad.to_degrees()),
        ("field_mm", v.field_mm),
        ("field_largest_mm", v.field_largest_mm),
        ("rms_px", v.rms_px),
    ];
    figures(&mut t, &values);
    t.insert("middle_mm", numbers(&v.middle_mm));
    insert_day(&mut t, v.date);
    t
}

fn insert_day(table: &mut Table, date: Option<Date>) {
    if let Some(date) = date {
        table.insert("date", Item::Value(date.to_string().into()));
    }
}

fn registration_table(r: &RegistrationUncertainty) -> Table {
    let mut t = Table::new();
    t.insert("part_view", Item::Value((r.part_view as i64).into()));
    t.insert("board_view", Item::Value((r.board_view as i64).into()));
    t.insert("covariance", triangle(&r.covariance));
    t.insert("middle_mm", numbers(&r.middle_mm));
    if let Some(field) = &r.field {
        t.insert("field_covariance", triangle(&field.covariance));
        t.insert("field_half_mm", Item::Value(field.half_mm.into()));
    }
    insert_day(&mut t, r.date);
    t
}

fn adjuster_table(a: &AdjusterUncertainty) -> Table {
    let mut t = Table::new();
    t.insert("name", Item::Value(a.name.as_str().into()));
    let values = [
        ("step", a.step),
        ("pivot_mm", a.pivot_mm),
        ("backlash_turns", a.backlash_turns),
        ("once_per_turn", a.once_per_turn),
        ("repeatability", a.repeatability),
    ];
    figures(&mut t, &values);
    if !a.run.is_empty() {
        t.insert("run", Item::Value(a.run.as_str().into()));
    }
    insert_day(&mut t, a.date);
    t
}

/// How old a calibration is, against the user's own rule.
#[derive(Debug, Clone, PartialEq)]
pub struct Age {
    /// What is oldest: "scale of view 1", "screw X".
    pub what: String,
    /// Days since it was calibrated; below zero where the file's day is yet to come.
    pub days: i64,
    /// Days after which it is due; `None` without a rule.
    pub due_days: Option<f64>,
}

impl Age {
    /// Whether the calibration is due.
    #[must_use]
    pub fn is_due(&self) -> bool {
        self.due_days.is_some_and(|due| self.days as f64 > due)
    }
}

impl Record {
    /// Notes that something was calibrated on a day. What has no day of its own keeps the former one: it was not calibrated now.
    pub fn calibrated_on(&mut self, today: Date) {
        if let Some(former) = self.date {
            let views = self.views.iter_mut().map(|v| &mut v.date);
            let registrations = self.registrations.iter_mut().map(|r| &mut r.date);
            let adjusters = self.adjusters.iter_mut().map(|a| &mut a.date);
            views.chain(registrations).chain(adjusters).for_each(|date| *date = date.or(Some(former)));
        }
        self.date = Some(today);
    }

    /// What was calibrated, and when. Where nothing has a day of its own all is as old as the last calibration; where something has, the
    /// last calibration was its, and says nothing of the rest.
    fn calibrations(&self) -> Vec<(String, Option<Date>)> {
        let views = self.views.iter().map(|v| (format!("scale of view {}", v.view + 1), v.date));
        let registrations = self.registrations.iter();
        let registrations = registrations.map(|r| (format!("view {} against view {}", r.part_view + 1, r.board_view + 1), r.date));
        let screws = self.adjusters.iter().map(|a| (format!("screw {}", a.name), a.date));
        let mut all: Vec<_> = views.chain(registrations).chain(screws).collect();
        if all.is_empty() {
            all.push(("last calibration".to_owned(), self.date));
        }
        if all.iter().all(|(_, date)| date.is_none()) {
            all.iter_mut().for_each(|(_, date)| *date = self.date);
        }
        all
    }

    /// How old the oldest of the calibrations is; `None` where no day is known. A new run of one screw makes nothing else younger.
    #[must_use]
    pub fn age(&self, today: Date) -> Option<Age> {
        let oldest = self.calibrations().into_iter().filter_map(|(what, date)| Some((what, date?))).min_by_key(|(_, date)| *date);
        oldest.map(|(what, date)| Age { what, days: today.days_since(date), due_days: self.due_days })
    }

    /// What is to be said of the calibration with every answer: that it is due, that its day is unknown or yet to come, that its ruler's
    /// certificate had run out when it was made.
    #[must_use]
    pub fn warnings(&self, today: Date) -> Vec<String> {
        let mut warnings = Vec::new();
        let calibrations = self.calibrations();
        let newest = calibrations.iter().filter_map(|(what, date)| Some((what.as_str(), (*date)?))).max_by_key(|(_, date)| *date);
        let newest = newest.into_iter().chain(self.date.map(|date| ("last calibration", date))).max_by_key(|(_, date)| *date);
        if let Some((what, date)) = newest.filter(|(_, date)| *date > today) {
            warnings.push(format!(
                "The bench file's calibration ({what}) is dated {} days ahead of this computer's clock: one of the two clocks was wrong; mend the clock, or calibrate again.",
                date.days_since(today)
            ));
        }
        if let Some((age, due)) = self.age(today).filter(Age::is_due).and_then(|age| Some((age.clone(), age.due_days?))) {
            warnings.push(format!(
                "Calibration due: {} is {} days old and was due after {due:.0}. Check it (landfit calibrate day) or calibrate again.",
                age.what, age.days
            ));
        }
        let undated: Vec<&str> = calibrations.iter().filter(|(_, date)| date.is_none()).map(|(what, _)| what.as_str()).collect();
        if self.due_days.is_some() && !undated.is_empty() {
            warnings.push(format!(
                "The bench file does not say when this was calibrated: {}. Whether it is due cannot be told; calibrate it again, or give it its date.",
                undated.join(", ")
            ));
        }
        if let Some((ruler, due, on)) = self.ruler.as_ref().zip(self.scale_date()).and_then(|(r, on)| Some((r, r.due?, on)))
            && ruler.is_overdue(on)
        {
            warnings.push(format!(
                "The scale was taken on {on} from {}, whose certificate ran out on {due}: have it certified and calibrate scale again.",
                ruler.name
            ));
        }
        warnings
    }

    /// When the ruler was used last.
    fn scale_date(&self) -> Option<Date> {
        self.views.iter().filter_map(|v| v.date).max().or(self.date)
    }

    /// Relative standard uncertainty of the ruler; nothing where none is stated.
    #[must_use]
    pub fn ruler_relative(&self) -> f64 {
        self.ruler.as_ref().and_then(|r| r.relative).unwrap_or(0.0)
    }

    /// What is known of a view.
    #[must_use]
    pub fn view(&self, view: usize) -> Option<&ViewUncertainty> {
        self.views.iter().find(|v| v.view == view)
    }

    /// Sets what is known of a view, in the place of what was.
    pub fn set_view(&mut self, known: ViewUncertainty) {
        set(&mut self.views, known, |v| v.view);
    }

    /// Sets what is known of a part view against a board view, in the place of what was.
    pub fn set_registration(&mut self, known: RegistrationUncertainty) {
        set(&mut self.registrations, known, |r| (r.part_view, r.board_view));
    }

    /// Sets what is known of an adjuster, in the place of what was.
    pub fn set_adjuster(&mut self, known: AdjusterUncertainty) {
        set(&mut self.adjusters, known, |a| a.name.clone());
    }
}

/// The one of the same key gives way; all are in the order of their keys, whichever was calibrated last.
fn set<T, K: Ord>(all: &mut Vec<T>, known: T, key: impl Fn(&T) -> K) {
    all.retain(|one| key(one) != key(&known));
    all.push(known);
    all.sort_by_key(key);
}

#[cfg(test)]
mod tests {
    use super::*;

    const BENCH: &str = "schema = 1 # one\nname = \"b\"\n\n[calibration]\nstate = \"calibrated\" # by hand\n\n[mine]\na = 1\n";

    fn record() -> Record {
        Record {
            date: Date::parse("2026-11-25"),
            due_days: Some(90.0),
            ruler: Some(Ruler {
                name: "glass grid".to_owned(),
                serial: Some("12".to_owned()),
                certificate: Some("K-345".to_owned()),
                due: Date::parse("2027-03-31"),
                relative: Some(1e-5),
            }),
            pixel_format: Some("rgb8".to_owned()),
            views: vec![ViewUncertainty {
                view: 1,
                scale_relative: 1e-5,
                angle_rad: 0.0,
                field_mm: 2e-4,
                field_largest_mm: 5e-4,
                rms_px: 0.03,
                middle_mm: [0.1, -0.2],
                date: Date::parse("2026-11-25"),
            }],
            registrations: vec![RegistrationUncertainty {
                part_view: 0,
                board_view: 1,
                covariance: Matrix3::new(1e-8, 0.0, 1e-12, 0.0, 2e-8, 0.0, 1e-12, 0.0, 1e-10),
                middle_mm: [0.0, 0.5],
                field: Some(FieldCovariance { covariance: SMatrix::from_fn(|r, c| 1e-9 * (1 + r * c) as f64), half_mm: 8.5 }),
                date: None,
            }],
            adjusters: vec![AdjusterUncertainty { name: "X".to_owned(), step: 2e-5, run: "short".to_owned(), ..Default::default() }],
            height: Some(Height { distance_mm: 100.0, differs_mm: 0.2 }),
        }
    }

    #[test]
    fn a_record_comes_back_from_the_file_and_nothing_else_changes() {
        let text = written(BENCH, &record(), "b.toml").expect("TOML");
        assert!(text.contains("schema = 1 # one") && text.contains("# by hand") && text.contains("[mine]\na = 1"), "{text}");
        assert_eq!(parse(&text, "b.toml").expect("a record"), record());
        let again = written(&text, &record(), "b.toml").expect("TOML");
        assert_eq!(again, text);
        assert_eq!(parse(BENCH, "b.toml").expect("a record"), Record::default());
    }

    #[test]
    fn a_value_that_cannot_be_one_is_named_with_its_line() {
        let told = parse("[calibration]\ndue_days = -3\n", "b.toml").expect_err("refused").to_string();
        assert!(told.starts_with("b.toml, line 2") && told.contains("due_days"), "{told}");
    }

    #[test]
    fn the_oldest_calibration_counts_and_a_new_run_of_a_screw_makes_the_scale_no_younger() {
        let day = |text: &str| Date::parse(text).expect("a day");
        let mut record = record();
        assert_eq!(record.age(day("2027-03-01")).expect("days").days, 96);
        record.views[0].date = Some(day("2026-08-01"));
        let age = record.age(day("2026-11-26")).expect("days");
        assert!((age.what.as_str(), age.days, age.is_due()) == ("scale of view 2", 117, true), "{age:?}");
        let told = record.warnings(day("2026-11-26")).join(" ");
        assert!(told.contains("Calibration due: scale of view 2 is 117 days old and was due after 90"), "{told}");
        // Not the oldest: one that was calibrated since then is yet to come.
        assert!(record.warnings(day("2026-11-20")).join(" ").contains("is dated 5 days ahead"));
        record.due_days = None;
        assert_eq!(record.warnings(day("2036-11-26")), Vec::<String>::new());
        record.ruler = Some(Ruler { due: Some(day("2026-07-31")), ..record.ruler.expect("named") });
        assert!(record.warnings(day("2026-11-26")).join(" ").contains("whose certificate ran out on 2026-07-31"));
    }

    #[test]
    fn what_has_no_day_does_not_become_new_when_something_else_is_calibrated() {
        let day = |text: &str| Date::parse(text).expect("a day");
        let mut record = Record { date: Some(day("2026-01-01")), due_days: Some(90.0), ..record() };
        record.views[0].date = None;
        record.calibrated_on(day("2026-11-25"));
        record.set_adjuster(AdjusterUncertainty { name: "X".to_owned(), date: Some(day("2026-11-25")), ..Default::default() });
        let age = record.age(day("2026-11-26")).expect("days");
        assert_eq!((age.what.as_str(), age.days), ("scale of view 2", 329));
        // Nor where no day was ever noted: then nobody knows.
        let mut record = Record { date: None, ..record };
        (record.views[0].date, record.registrations[0].date) = (None, None);
        record.calibrated_on(day("2026-11-25"));
        let told = record.warnings(day("2026-11-26")).join(" ");
        assert!(told.contains("does not say when this was calibrated: scale of view 2, view 1 against view 2."), "{told}");
    }

    #[test]
    fn the_order_of_calibrations_does_not_show_in_the_file() {
        let named = |name: &str| AdjusterUncertainty { name: name.to_owned(), ..Default::default() };
        let in_order = |names: [&str; 3]| {
            let mut record = Record::default();
            names.into_iter().for_each(|n| record.set_adjuster(named(n)));
            written("", &record, "b.toml").expect("TOML")
        };
        assert_eq!(in_order(["X", "Y", "R"]), in_order(["R", "X", "Y"]));
    }

    #[test]
    fn days_and_covariances_that_cannot_be_are_named() {
        for (text, part) in [
            ("[calibration]\ndate = \"soon\"\n", "line 2"),
            ("[calibration]\nruler = \"r\"\nruler_due = \"2026-02-30\"\n", "ruler_due"),
            (
                "[[uncertainty.registration]]\npart_view = 0\nboard_view = 1\ncovariance = [0,0,0,0,0,0]\nfield_covariance = [1.0]\n",
                "36 numbers",
            ),
            ("[calibration]\nruler_relative = 0.001\n", "ruler_relative is said of a ruler that has no name"),
            ("[[uncertainty.registration]]\npart_view = 0\nboard_view = 1\ncovariance = [1,0,0,-1,0,0]\n", "has -1 for a variance"),
            (
                &format!(
                    "[[uncertainty.registration]]\npart_view = 0\nboard_view = 1\ncovariance = [0,0,0,0,0,0]\nfield_half_mm = 5\nfield_covariance = [{}-0.5]\n",
                    "0, ".repeat(35)
                ),
                "has -0.5 for a variance",
            ),
        ] {
            let told = parse(text, "b.toml").expect_err("refused").to_string();
            assert!(told.starts_with("b.toml, line ") && told.contains(part), "{told}");
        }
    }
}
