//! What calibrations leave in the bench file besides its values: when, with what, and how well it is known. Tables of this
//! program's own, which other readers pass over: `[calibration]` and `[uncertainty]`.

use landfit_part::FileError;
use landfit_part::strict_toml::{Document, Section};
use nalgebra::Matrix3;
use toml_edit::{Array, ArrayOfTables, DocumentMut, Item, Table, Value};

/// All that the bench file says of its own calibration. Uncertainties are standard ones (k = 1).
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Record {
    /// Date of the last calibration: "2026-11-25".
    pub date: Option<String>,
    /// Days after which it is due again; the user's own rule.
    pub due_days: Option<f64>,
    /// What gave the scale.
    pub ruler: Option<String>,
    /// Relative standard uncertainty of the ruler.
    pub ruler_relative: f64,
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
        (record.date, record.ruler, record.pixel_format) = (word("date")?, word("ruler")?, word("pixel_format")?);
        let days = |v: f64| v > 0.0 && v <= 1e5;
        record.due_days = section.get("due_days", "90").map(|f| f.number_where("a number of days above 0", days)).transpose()?;
        record.ruler_relative = size(&section, "ruler_relative")?;
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
        });
    }
    for r in list(&section, "registration")? {
        let at = r.need("covariance", "[xx, xy, xt, yy, yt, tt], mm and rad")?;
        let c: [f64; 6] =
            at.list_of("six numbers, xx, xy, xt, yy, yt, tt in mm and rad", |f| f.number_where("a number", |v| v.is_finite()))?;
        record.registrations.push(RegistrationUncertainty {
            part_view: r.need("part_view", "0")?.whole(0, 99)? as usize,
            board_view: r.need("board_view", "1")?.whole(0, 99)? as usize,
            covariance: Matrix3::new(c[0], c[1], c[2], c[1], c[3], c[4], c[2], c[4], c[5]),
            middle_mm: pair(&r, "middle_mm")?,
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

fn list<'a>(section: &Section<'a>, key: &'a str) -> Result<Vec<Section<'a>>, FileError> {
    section.get(key, "").map_or_else(|| Ok(Vec::new()), |f| f.sections())
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
        let words = [("date", &record.date), ("ruler", &record.ruler), ("pixel_format", &record.pixel_format)];
        for (key, value) in words.into_iter().filter_map(|(k, v)| Some((k, v.as_ref()?))) {
            table.insert(key, Item::Value(value.as_str().into()));
        }
        if let Some(days) = record.due_days {
            table.insert("due_days", Item::Value(days.into()));
        }
        if record.ruler_relative > 0.0 {
            table.insert("ruler_relative", Item::Value(record.ruler_relative.into()));
        }
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
    put(table, "view", record.views.iter().map(view_table).collect());
    put(table, "registration", record.registrations.iter().map(registration_table).collect());
    put(table, "adjuster", record.adjusters.iter().map(adjuster_table).collect());
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

fn put(table: &mut Table, key: &str, tables: Vec<Table>) {
    table.remove(key);
    if !tables.is_empty() {
        table.insert(key, Item::ArrayOfTables(tables.into_iter().collect::<ArrayOfTables>()));
    }
}

fn numbers(values: &[f64]) -> Item {
    Item::Value(Value::Array(values.iter().copied().collect::<Array>()))
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
    t
}

fn registration_table(r: &RegistrationUncertainty) -> Table {
    let mut t = Table::new();
    t.insert("part_view", Item::Value((r.part_view as i64).into()));
    t.insert("board_view", Item::Value((r.board_view as i64).into()));
    let c = &r.covariance;
    t.insert("covariance", numbers(&[c[(0, 0)], c[(0, 1)], c[(0, 2)], c[(1, 1)], c[(1, 2)], c[(2, 2)]]));
    t.insert("middle_mm", numbers(&r.middle_mm));
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
    t
}

/// How old a calibration is, against the user's own rule.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Age {
    /// Days since the last calibration.
    pub days: f64,
    /// Days after which it is due.
    pub due_days: f64,
}

impl Age {
    /// Whether the calibration is due.
    #[must_use]
    pub fn is_due(&self) -> bool {
        self.days > self.due_days
    }
}

/// Days from a date "2026-11-25…" on, in the calendar of today (H. Hinnant's days_from_civil, public domain, restated); `None`
/// where the text is no date.
#[must_use]
pub fn day_number(date: &str) -> Option<i64> {
    let mut fields = date.get(..10)?.split('-');
    let mut next = || fields.next()?.parse::<i64>().ok();
    let (y, m, d) = (next()?, next()?, next()?);
    if !(1..=12).contains(&m) || !(1..=31).contains(&d) {
        return None;
    }
    let y = if m <= 2 { y - 1 } else { y };
    let era = y.div_euclid(400);
    let of_era = y - era * 400;
    let of_year = (153 * ((m + 9) % 12) + 2) / 5 + d - 1;
    Some(era * 146_097 + of_era * 365 + of_era / 4 - of_era / 100 + of_year)
}

impl Record {
    /// How old the calibration is on a date; `None` where no rule was set or a date is missing.
    #[must_use]
    pub fn age(&self, today: &str) -> Option<Age> {
        let days = day_number(today)? - day_number(self.date.as_deref()?)?;
        Some(Age { days: days as f64, due_days: self.due_days? })
    }

    /// What is known of a view.
    #[must_use]
    pub fn view(&self, view: usize) -> Option<&ViewUncertainty> {
        self.views.iter().find(|v| v.view == view)
    }

    /// Puts what is known of a view in the place of what was.
    pub fn set_view(&mut self, known: ViewUncertainty) {
        self.views.retain(|v| v.view != known.view);
        self.views.push(known);
        self.views.sort_by_key(|v| v.view);
    }

    /// Puts a registration in the place of what was.
    pub fn set_registration(&mut self, known: RegistrationUncertainty) {
        self.registrations.retain(|r| (r.part_view, r.board_view) != (known.part_view, known.board_view));
        self.registrations.push(known);
    }

    /// Puts what is known of an adjuster in the place of what was.
    pub fn set_adjuster(&mut self, known: AdjusterUncertainty) {
        self.adjusters.retain(|a| a.name != known.name);
        self.adjusters.push(known);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const BENCH: &str = "schema = 1 # one\nname = \"b\"\n\n[calibration]\nstate = \"calibrated\" # by hand\n\n[mine]\na = 1\n";

    fn record() -> Record {
        Record {
            date: Some("2026-11-25".to_owned()),
            due_days: Some(90.0),
            ruler: Some("glass grid, serial 12".to_owned()),
            ruler_relative: 1e-5,
            pixel_format: Some("rgb8".to_owned()),
            views: vec![ViewUncertainty {
                view: 1,
                scale_relative: 1e-5,
                angle_rad: 0.0,
                field_mm: 2e-4,
                field_largest_mm: 5e-4,
                rms_px: 0.03,
                middle_mm: [0.1, -0.2],
            }],
            registrations: vec![RegistrationUncertainty {
                part_view: 0,
                board_view: 1,
                covariance: Matrix3::new(1e-8, 0.0, 1e-12, 0.0, 2e-8, 0.0, 1e-12, 0.0, 1e-10),
                middle_mm: [0.0, 0.5],
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
    fn days_are_counted_over_months_and_leap_years() {
        let days = |a: &str, b: &str| day_number(b).unwrap() - day_number(a).unwrap();
        assert_eq!(days("2026-11-25", "2026-12-01"), 6);
        assert_eq!(days("2024-02-28", "2024-03-01"), 2);
        assert_eq!(days("2025-02-28", "2025-03-01"), 1);
        assert_eq!(days("1999-12-31", "2000-01-01"), 1);
        assert_eq!(day_number("yesterday!"), None);
        let age = record().age("2027-03-01").expect("a rule");
        assert!(age.is_due() && (age.days - 96.0).abs() < 1e-9);
    }
}
