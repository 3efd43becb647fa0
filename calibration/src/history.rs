//! The bench file's own memory: each calibration adds a `[[history]]` table that holds what was measured, with what ruler, from
//! which pictures, and the file as it was before, so that it can be brought back.
//!
//! The tables stand at the end of the file. What a table keeps of the former file is its text without its own history.

use landfit_part::FileError;
use toml_edit::{Array, ArrayOfTables, DocumentMut, InlineTable, Item, Table, Value};

/// One calibration, as the history tells it.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Entry {
    /// Date and time, as the program was told it: "2026-11-25 10:40".
    pub date: String,
    /// What was calibrated: "scale", "screws X".
    pub what: String,
    /// What gave the scale.
    pub ruler: String,
    /// Names and SHA-256 of the pictures.
    pub pictures: Vec<(String, String)>,
    /// What came out, by name with unit: ("um_per_px_x", 14.05).
    pub figures: Vec<(String, f64)>,
}

/// What an entry of the command that calibrates views and lens says was calibrated.
pub const SCALE: &str = "scale";

/// Entries that keep the former file: older ones keep their figures only, so that the file stays small.
const KEPT: usize = 20;

/// The text of `changed` with the history of `old` and one more entry, which keeps `old`.
///
/// # Errors
/// A text that is no TOML, or a `history` that is no list of tables.
pub fn recorded(old: &str, changed: &str, entry: &Entry, file: &str) -> Result<String, FileError> {
    let (former, mut tables) = split(old, file)?;
    let (head, _) = split(changed, file)?;
    let mut table = table_of(entry);
    table.insert("before", Item::Value(Value::from(former)));
    tables.push(table);
    Ok(joined(&head, tables))
}

/// The text of a bench file with one more entry of a measurement that changed nothing: a check of the day.
///
/// # Errors
/// As [`recorded`].
pub fn noted(text: &str, entry: &Entry, file: &str) -> Result<String, FileError> {
    let (head, mut tables) = split(text, file)?;
    tables.push(table_of(entry));
    Ok(joined(&head, tables))
}

/// What [`undone`] brings back.
#[derive(Debug, Clone, PartialEq)]
pub struct Undone {
    /// The file's former text.
    pub text: String,
    /// What had been calibrated then.
    pub what: String,
    /// When.
    pub date: String,
}

/// Takes back the last calibration: the file as it was before it; notes of checks made since then stay. `None` when the history
/// holds none that can be taken back.
///
/// # Errors
/// As [`recorded`].
pub fn undone(text: &str, file: &str) -> Result<Option<Undone>, FileError> {
    let (_, tables) = split(text, file)?;
    let all: Vec<Table> = tables.into_iter().collect();
    let Some(last) = all.iter().rposition(|t| t.get("before").and_then(Item::as_str).is_some()) else { return Ok(None) };
    let word = |key: &str| all[last].get(key).and_then(Item::as_str).unwrap_or("").to_owned();
    let (former, what, date) = (word("before"), word("what"), word("date"));
    let others = all.into_iter().enumerate().filter(|(i, _)| *i != last).map(|(_, t)| t).collect();
    Ok(Some(Undone { text: joined(&former, others), what, date }))
}

/// Every entry, oldest first; what cannot be read of one is left empty.
///
/// # Errors
/// As [`recorded`].
pub fn entries(text: &str, file: &str) -> Result<Vec<Entry>, FileError> {
    Ok(split(text, file)?.1.iter().map(entry_of).collect())
}

fn parsed(text: &str, file: &str) -> Result<DocumentMut, FileError> {
    text.parse().map_err(|error: toml_edit::TomlError| {
        let before = error.span().map_or("", |s| text.get(..s.start).unwrap_or(""));
        FileError::Syntax {
            file: file.to_owned(),
            line: 1 + before.matches('\n').count(),
            what: error.message().lines().next().unwrap_or("").to_owned(),
            near: String::new(),
        }
    })
}

/// The text without its history, and the history.
fn split(text: &str, file: &str) -> Result<(String, ArrayOfTables), FileError> {
    let mut document = parsed(text, file)?;
    match document.remove("history") {
        None => Ok((document.to_string(), ArrayOfTables::new())),
        Some(Item::ArrayOfTables(tables)) => Ok((document.to_string(), tables)),
        Some(_) => Err(FileError::Wrong {
            file: file.to_owned(),
            line: 1,
            key: "history".to_owned(),
            what: "must be [[history]] tables, as landfit calibrate writes them; rename what stands there".to_owned(),
        }),
    }
}

fn joined(head: &str, tables: ArrayOfTables) -> String {
    let mut text = head.to_owned();
    let with_text = tables.iter().filter(|t| t.contains_key("before")).count();
    let mut to_shed = with_text.saturating_sub(KEPT);
    for table in tables {
        let mut table = table;
        if to_shed > 0 && table.remove("before").is_some() {
            to_shed -= 1;
        }
        if !text.ends_with('\n') && !text.is_empty() {
            text.push('\n');
        }
        // One table alone, so that its place in the file does not depend on where it was read.
        table.set_position(None);
        table.decor_mut().clear();
        let mut one = DocumentMut::new();
        let mut list = ArrayOfTables::new();
        list.push(table);
        one.insert("history", Item::ArrayOfTables(list));
        text.push('\n');
        text.push_str(one.to_string().trim_start());
    }
    text
}

fn table_of(entry: &Entry) -> Table {
    let mut table = Table::new();
    table.insert("date", Item::Value(entry.date.as_str().into()));
    table.insert("what", Item::Value(entry.what.as_str().into()));
    if !entry.ruler.is_empty() {
        table.insert("ruler", Item::Value(entry.ruler.as_str().into()));
    }
    if !entry.pictures.is_empty() {
        let picture = |(file, sha256): &(String, String)| {
            [("file", Value::from(file.as_str())), ("sha256", Value::from(sha256.as_str()))].into_iter().collect::<InlineTable>()
        };
        table.insert("pictures", Item::Value(Value::Array(entry.pictures.iter().map(picture).collect::<Array>())));
    }
    if !entry.figures.is_empty() {
        let figures: InlineTable = entry.figures.iter().map(|(k, v)| (k.as_str(), Value::from(*v))).collect();
        table.insert("figures", Item::Value(Value::InlineTable(figures)));
    }
    table
}

fn entry_of(table: &Table) -> Entry {
    let word = |key: &str| table.get(key).and_then(Item::as_str).unwrap_or("").to_owned();
    let pictures = table.get("pictures").and_then(Item::as_array).map_or_else(Vec::new, |list| {
        let of = |v: &Value| {
            let t = v.as_inline_table()?;
            Some((t.get("file")?.as_str()?.to_owned(), t.get("sha256")?.as_str()?.to_owned()))
        };
        list.iter().filter_map(of).collect()
    });
    let number = |v: &Value| v.as_float().or_else(|| v.as_integer().map(|i| i as f64));
    let figures = table
        .get("figures")
        .and_then(Item::as_inline_table)
        .map_or_else(Vec::new, |t| t.iter().filter_map(|(k, v)| Some((k.to_owned(), number(v)?))).collect());
    Entry { date: word("date"), what: word("what"), ruler: word("ruler"), pictures, figures }
}

#[cfg(test)]
mod tests {
    use super::*;

    const OLD: &str = "# my bench\nschema = 1\nname = \"b\"  # a comment\n\n[mine]\nkept = true\n";

    fn entry(what: &str) -> Entry {
        Entry {
            date: "2026-11-25 10:40".to_owned(),
            what: what.to_owned(),
            ruler: "a printed target".to_owned(),
            pictures: vec![("a.png".to_owned(), "00ff".to_owned())],
            figures: vec![("rms_px".to_owned(), 0.03)],
        }
    }

    #[test]
    fn undoing_brings_the_former_file_back_byte_for_byte_step_by_step() {
        let first = recorded(OLD, &OLD.replace("\"b\"", "\"c\""), &entry("scale"), "f").expect("TOML");
        let second = recorded(&first, &first.replace("\"c\"", "\"d\""), &entry("screws X"), "f").expect("TOML");
        assert!(second.contains("name = \"d\"  # a comment") && second.contains("# my bench"));
        let back = undone(&second, "f").expect("TOML").expect("something to take back");
        assert_eq!((back.text.as_str(), back.what.as_str()), (first.as_str(), "screws X"));
        let back = undone(&back.text, "f").expect("TOML").expect("something to take back");
        assert_eq!(back.text, OLD);
        assert_eq!(undone(OLD, "f").expect("TOML"), None);
    }

    #[test]
    fn entries_come_back_as_they_were_written_and_notes_are_no_step_to_undo() {
        let first = recorded(OLD, OLD, &entry("scale"), "f").expect("TOML");
        let noted = noted(&first, &entry("check of the day"), "f").expect("TOML");
        let all = entries(&noted, "f").expect("TOML");
        assert_eq!(all, [entry("scale"), entry("check of the day")]);
        let back = undone(&noted, "f").expect("TOML").expect("one");
        assert_eq!((back.what.as_str(), entries(&back.text, "f").expect("TOML").as_slice()), ("scale", &[entry("check of the day")][..]));
    }

    #[test]
    fn a_history_of_another_kind_is_refused() {
        let told = recorded("history = 3\n", OLD, &entry("scale"), "bench.toml").expect_err("refused").to_string();
        assert!(told.starts_with("bench.toml") && told.contains("history"), "{told}");
    }

    #[test]
    fn the_file_does_not_grow_without_end() {
        let mut text = OLD.to_owned();
        for _ in 0..40 {
            text = recorded(&text, &text, &entry("scale"), "f").expect("TOML");
        }
        assert_eq!(entries(&text, "f").expect("TOML").len(), 40);
        assert_eq!(text.matches("before = ").count(), KEPT);
    }
}
