//! Walking through TOML strictly, so that every error names the file, the line, the key and the mend.
//!
//! A [`Document`] holds the parsed text, a [`Section`] is one of its tables, a [`Field`] one value of a table. A field
//! is asked for with an example of what to write, which ends up in the error's text:
//!
//! ```
//! use landfit_part::strict_toml::Document;
//! let document = Document::parse("[grid]\nrows = 0\n", "part.toml")?;
//! let grid = document.root().need("grid", "")?.section()?;
//! let error = grid.need("rows", "16")?.whole(1, 500).unwrap_err();
//! assert_eq!(error.to_string(), "part.toml, line 2: [grid] rows must be a whole number from 1 to 500, not 0; e.g. rows = 16");
//! # Ok::<(), landfit_part::FileError>(())
//! ```

use crate::PointMm;
use crate::text_file::FileError;
use toml_edit::{Item, TableLike, Value};

/// 1 m: nothing in a part or bench file is longer, and larger numbers are mostly micrometres written as millimetres.
const LONGEST_MM: f64 = 1000.0;

/// A parsed TOML text with its file's name.
#[derive(Debug)]
pub struct Document {
    file: String,
    toml: toml_edit::Document<String>,
    /// Where each line ends, so that asking for the line of every site does not read the text again each time.
    line_ends: Vec<usize>,
}

/// One table of a document.
#[derive(Clone)]
pub struct Section<'a> {
    document: &'a Document,
    /// What stands before a key in an error: "", "[grid] ", "[grid] terminal.".
    prefix: String,
    table: &'a dyn TableLike,
    at: usize,
}

/// One value of a table, or one element of an array.
#[derive(Clone)]
pub struct Field<'a> {
    document: &'a Document,
    prefix: String,
    key: &'a str,
    example: &'a str,
    node: Node<'a>,
    at: usize,
}

#[derive(Clone, Copy)]
enum Node<'a> {
    Value(&'a Value),
    Table(&'a toml_edit::Table),
    Tables(&'a toml_edit::ArrayOfTables),
}

impl Document {
    /// Parses `text`; `file` is the name that errors give.
    ///
    /// # Errors
    /// `Syntax` with the line where TOML ends being TOML.
    pub fn parse(text: &str, file: &str) -> Result<Self, FileError> {
        let line_ends: Vec<usize> = text.match_indices('\n').map(|(at, _)| at).collect();
        let document = toml_edit::Document::parse(text.to_owned());
        document.map(|toml| Self { file: file.to_owned(), toml, line_ends: line_ends.clone() }).map_err(|error| {
            let line = line_of(&line_ends, error.span().map_or(text.len(), |span| span.start));
            let near = text.lines().nth(line - 1).unwrap_or_default().trim();
            FileError::Syntax {
                file: file.to_owned(),
                line,
                what: error.message().trim().replace('\n', ", "),
                near: near.chars().filter(|c| !c.is_control()).take(60).collect(),
            }
        })
    }

    /// The table that holds everything.
    #[must_use]
    pub fn root(&self) -> Section<'_> {
        Section { document: self, prefix: String::new(), table: self.toml.as_table(), at: 0 }
    }

    fn wrong(&self, at: usize, key: String, what: String) -> FileError {
        FileError::Wrong { file: self.file.clone(), line: self.line_of(at), key, what }
    }

    fn line_of(&self, at: usize) -> usize {
        line_of(&self.line_ends, at)
    }
}

/// The line, from 1, on which byte `at` lies.
fn line_of(line_ends: &[usize], at: usize) -> usize {
    1 + line_ends.partition_point(|end| *end < at)
}

impl<'a> Section<'a> {
    /// The field called `key`; `example` is a value that would do, for errors.
    #[must_use]
    pub fn get(&self, key: &'a str, example: &'a str) -> Option<Field<'a>> {
        let (written, item) = self.table.get_key_value(key)?;
        let node = match item {
            Item::None => return None,
            Item::Value(value) => Node::Value(value),
            Item::Table(table) => Node::Table(table),
            Item::ArrayOfTables(tables) => Node::Tables(tables),
        };
        let at = written.span().or_else(|| item.span()).map_or(self.at, |span| span.start);
        Some(Field { document: self.document, prefix: self.prefix.clone(), key, example, node, at })
    }

    /// The field called `key`, which may not be left out.
    ///
    /// # Errors
    /// `Wrong` where it is missing, with the line at which its table begins.
    pub fn need(&self, key: &'a str, example: &'a str) -> Result<Field<'a>, FileError> {
        self.get(key, example).ok_or_else(|| {
            let mend = if example.is_empty() { format!("add [{key}]") } else { format!("add {key} = {example}") };
            self.wrong_key(key, format!("is missing; {mend}"))
        })
    }

    /// Refuses every key but those in `known`.
    ///
    /// # Errors
    /// `Wrong` at the first unknown key, with the known one that it is like.
    pub fn only(&self, known: &[&str]) -> Result<(), FileError> {
        self.refuse_unknown(known, |_| true)
    }

    /// Refuses every key but those in `known`, yet lets tables of other writers be.
    ///
    /// # Errors
    /// `Wrong` at the first unknown key that is no table.
    pub fn only_and_tables_of_others(&self, known: &[&str]) -> Result<(), FileError> {
        self.refuse_unknown(known, |item| !matches!(item, Item::Table(_) | Item::ArrayOfTables(_)))
    }

    fn refuse_unknown(&self, known: &[&str], refused: impl Fn(&Item) -> bool) -> Result<(), FileError> {
        for (key, item) in self.table.iter() {
            if known.contains(&key) || !refused(item) {
                continue;
            }
            let at = self.table.get_key_value(key).and_then(|(k, _)| k.span()).map_or(self.at, |span| span.start);
            let mend = nearest(key, known).map_or_else(
                || format!("known here: {}", known.join(", ")),
                |near| format!("did you mean {near}? Known here: {}", known.join(", ")),
            );
            let shown: String = key.chars().filter(|c| !c.is_control()).take(60).collect();
            return Err(self.document.wrong(at, format!("{}{shown}", self.prefix), format!("is an unknown key; {mend}")));
        }
        Ok(())
    }

    /// Names and lines of the tables that are not in `known`.
    #[must_use]
    pub fn tables_of_others(&self, known: &[&str]) -> Vec<(String, usize)> {
        self.table
            .iter()
            .filter(|(key, item)| !known.contains(key) && !item.is_value())
            .map(|(key, item)| (key.to_owned(), self.document.line_of(item.span().map_or(self.at, |s| s.start))))
            .collect()
    }

    /// The table of this section's tables of others whose name is most like `key`, if one is.
    #[must_use]
    pub fn like(&self, key: &str, known: &[&str]) -> Option<(String, usize)> {
        self.tables_of_others(known).into_iter().find(|(name, _)| nearest(name, &[key]).is_some())
    }

    /// An error about a key of this section, at the line where the section begins.
    #[must_use]
    pub fn wrong_key(&self, key: &str, what: impl Into<String>) -> FileError {
        self.document.wrong(self.at, format!("{}{key}", self.prefix), what.into())
    }

    /// An error about this section as a whole.
    #[must_use]
    pub fn wrong(&self, what: impl Into<String>) -> FileError {
        let name = self.prefix.trim_end_matches([' ', '.']);
        let name = if name.is_empty() { "the file" } else { name };
        self.document.wrong(self.at, name.to_owned(), what.into())
    }

    /// The line at which this section begins.
    #[must_use]
    pub fn line(&self) -> usize {
        self.document.line_of(self.at)
    }
}

/// The known key that `key` is most like; one that merely lacks its unit counts, too.
fn nearest<'k>(key: &str, known: &[&'k str]) -> Option<&'k str> {
    let lower = key.to_lowercase();
    let near = known.iter().map(|k| (strsim::damerau_levenshtein(&lower, k), *k)).min_by_key(|(distance, _)| *distance);
    near.filter(|(distance, k)| *distance <= 2.min(k.len() / 2))
        .map(|(_, k)| k)
        .or_else(|| known.iter().copied().find(|k| lower.len() >= 3 && (k.starts_with(&lower) || lower.starts_with(*k))))
}

impl<'a> Field<'a> {
    /// An error about this field; `what` follows the key's name.
    #[must_use]
    pub fn wrong(&self, what: impl Into<String>) -> FileError {
        self.document.wrong(self.at, format!("{}{}", self.prefix, self.key), what.into())
    }

    /// An error that says what is needed and what was found.
    fn needs(&self, needed: &str) -> FileError {
        let example = if self.example.is_empty() { String::new() } else { format!("; e.g. {} = {}", self.key, self.example) };
        self.wrong(format!("must be {needed}, not {}{example}", self.found()))
    }

    /// What the file holds, for errors.
    fn found(&self) -> String {
        match self.node {
            Node::Table(_) => "a table".to_owned(),
            Node::Tables(_) => "a list of tables".to_owned(),
            Node::Value(Value::InlineTable(_)) => "a table {…}".to_owned(),
            Node::Value(value) => {
                // Short values are shown as written; long ones would bury the message.
                let written = value.span().and_then(|span| self.document.toml.raw().get(span));
                let shown = written.unwrap_or_default().replace(['\n', '\r'], " ");
                if (1..=40).contains(&shown.chars().count()) && !shown.chars().any(char::is_control) {
                    shown
                } else {
                    format!("a long {}", value.type_name())
                }
            }
        }
    }

    /// The line of the key.
    #[must_use]
    pub fn line(&self) -> usize {
        self.document.line_of(self.at)
    }

    /// A finite number.
    ///
    /// # Errors
    /// `Wrong` for anything else, NaN and infinities included.
    pub fn number(&self) -> Result<f64, FileError> {
        self.number_where("a number", |_| true)
    }

    /// A finite number for which `holds`; `needed` says it in words: "a number from 0 to 1".
    ///
    /// # Errors
    /// `Wrong` for anything else.
    pub fn number_where(&self, needed: &str, holds: impl Fn(f64) -> bool) -> Result<f64, FileError> {
        let Node::Value(value) = self.node else { return Err(self.needs(needed)) };
        // TOML writes 1 and 1.0 for the same length; both are meant.
        #[allow(clippy::cast_precision_loss, reason = "whole numbers beyond 2^53 are out of every range here")]
        let number = value.as_float().or_else(|| value.as_integer().map(|i| i as f64));
        match number {
            Some(number) if number.is_finite() && holds(number) => Ok(number),
            _ => Err(self.needs(needed)),
        }
    }

    /// A way in mm of either sign, at most 1 m.
    ///
    /// # Errors
    /// `Wrong` for anything else.
    pub fn way_mm(&self) -> Result<f64, FileError> {
        self.number_where("a number of mm within ±1000", |v| v.abs() <= LONGEST_MM)
    }

    /// A size in mm, above 0 and at most 1 m.
    ///
    /// # Errors
    /// `Wrong` for anything else.
    pub fn size_mm(&self) -> Result<f64, FileError> {
        self.number_where("a number of mm above 0 and at most 1000", |v| v > 0.0 && v <= LONGEST_MM)
    }

    /// A point in mm, both ways within 1 m.
    ///
    /// # Errors
    /// `Wrong` for anything else.
    pub fn point_mm(&self) -> Result<PointMm, FileError> {
        let [x, y] = self.list_of("two numbers of mm, [x, y]", Field::way_mm)?;
        Ok(PointMm::new(x, y))
    }

    /// Two sizes in mm.
    ///
    /// # Errors
    /// `Wrong` for anything else.
    pub fn sizes_mm<const N: usize>(&self, needed: &str) -> Result<[f64; N], FileError> {
        self.list_of(needed, Field::size_mm)
    }

    /// An angle in degrees, given back in radians, within two full turns.
    ///
    /// # Errors
    /// `Wrong` for anything else.
    pub fn angle_rad(&self) -> Result<f64, FileError> {
        Ok(self.number_where("a number of degrees within ±720", |v| v.abs() <= 720.0)?.to_radians())
    }

    /// A whole number from `least` to `most`.
    ///
    /// # Errors
    /// `Wrong` for anything else.
    pub fn whole(&self, least: u32, most: u32) -> Result<u32, FileError> {
        let Node::Value(value) = self.node else { return Err(self.needs("a whole number")) };
        value
            .as_integer()
            .and_then(|i| u32::try_from(i).ok())
            .filter(|i| (least..=most).contains(i))
            .ok_or_else(|| self.needs(&format!("a whole number from {least} to {most}")))
    }

    /// A text of one line that says something.
    ///
    /// # Errors
    /// `Wrong` for anything else: other types, empty texts, control characters.
    pub fn text(&self) -> Result<String, FileError> {
        let needed = "a text of one line in quotation marks";
        let Node::Value(value) = self.node else { return Err(self.needs(needed)) };
        let text = value.as_str().ok_or_else(|| self.needs(needed))?;
        if text.trim().is_empty() || text.chars().any(char::is_control) || text.chars().count() > 200 {
            return Err(self.needs("a text of one line, not empty and at most 200 characters"));
        }
        Ok(text.to_owned())
    }

    /// One of a few words.
    ///
    /// # Errors
    /// `Wrong` for anything else, with all the words.
    pub fn word<T: Copy>(&self, words: &[(&str, T)]) -> Result<T, FileError> {
        let found = match self.node {
            Node::Value(value) => value.as_str(),
            _ => None,
        };
        words.iter().find(|(word, _)| Some(*word) == found).map(|(_, meant)| *meant).ok_or_else(|| {
            let list = words.iter().map(|(word, _)| format!("\"{word}\"")).collect::<Vec<_>>();
            let shown = match found {
                Some(text) => format!("{text:?}").chars().take(60).collect(),
                None => self.found(),
            };
            self.wrong(format!("must be {}, not {shown}", list.join(" or ")))
        })
    }

    /// The elements of an array, each a field of the same name at its own line.
    ///
    /// # Errors
    /// `Wrong` where it is no array; `needed` says in words what it should be.
    pub fn list(&self, needed: &str) -> Result<Vec<Field<'a>>, FileError> {
        let Node::Value(Value::Array(array)) = self.node else { return Err(self.needs(needed)) };
        Ok(array
            .iter()
            .map(|value| {
                let at = value.span().map_or(self.at, |span| span.start);
                Field {
                    document: self.document,
                    prefix: self.prefix.clone(),
                    key: self.key,
                    example: self.example,
                    node: Node::Value(value),
                    at,
                }
            })
            .collect())
    }

    /// An array of exactly `N` elements, each read by `read`.
    ///
    /// # Errors
    /// `Wrong` where it is no array, of another length, or an element is refused.
    pub fn list_of<T, const N: usize>(&self, needed: &str, read: impl Fn(&Field<'a>) -> Result<T, FileError>) -> Result<[T; N], FileError> {
        let values = self.list(needed)?.iter().map(read).collect::<Result<Vec<_>, _>>()?;
        <[T; N]>::try_from(values).map_err(|_| self.needs(needed))
    }

    /// The field as a table, `[key]` or `key = { … }`.
    ///
    /// # Errors
    /// `Wrong` where it is none.
    pub fn section(&self) -> Result<Section<'a>, FileError> {
        match self.node {
            Node::Table(table) => Ok(self.as_section(table, format!("[{}] ", self.key), self.at)),
            Node::Value(Value::InlineTable(table)) => {
                let prefix = if self.prefix.is_empty() { format!("[{}] ", self.key) } else { format!("{}{}.", self.prefix, self.key) };
                Ok(self.as_section(table, prefix, self.at))
            }
            Node::Tables(_) => Err(self.wrong(format!("may be there once: write [{}] instead of [[{}]]", self.key, self.key))),
            Node::Value(_) => Err(self.needs("a table")),
        }
    }

    /// The field as a list of tables: `[[key]]` again and again, or an array of `{ … }`.
    ///
    /// # Errors
    /// `Wrong` where it is none.
    pub fn sections(&self) -> Result<Vec<Section<'a>>, FileError> {
        match self.node {
            Node::Tables(tables) => Ok(tables
                .iter()
                .map(|table| self.as_section(table, format!("[[{}]] ", self.key), table.span().map_or(self.at, |s| s.start)))
                .collect()),
            Node::Value(Value::Array(array)) => array
                .iter()
                .map(|value| {
                    let at = value.span().map_or(self.at, |span| span.start);
                    let prefix =
                        if self.prefix.is_empty() { format!("[[{}]] ", self.key) } else { format!("{}{}.", self.prefix, self.key) };
                    let table = value.as_inline_table().ok_or_else(|| self.needs("a list of tables {…}"))?;
                    Ok(self.as_section(table, prefix, at))
                })
                .collect(),
            Node::Table(_) => Err(self.wrong(format!("is a list: write [[{}]] instead of [{}]", self.key, self.key))),
            Node::Value(_) => Err(self.needs("a list of tables")),
        }
    }

    /// The field as one table or as an array of tables.
    ///
    /// # Errors
    /// `Wrong` where it is neither.
    pub fn one_or_more_sections(&self) -> Result<Vec<Section<'a>>, FileError> {
        match self.node {
            Node::Table(_) | Node::Value(Value::InlineTable(_)) => Ok(vec![self.section()?]),
            Node::Tables(_) | Node::Value(Value::Array(_)) => self.sections(),
            Node::Value(_) => Err(self.needs("a table {…} or a list of tables")),
        }
    }

    fn as_section(&self, table: &'a dyn TableLike, prefix: String, at: usize) -> Section<'a> {
        Section { document: self.document, prefix, table, at }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn number_error(text: &str) -> String {
        let document = Document::parse(text, "a.toml").expect("TOML");
        document.root().need("v", "0.5").and_then(|f| f.size_mm()).expect_err("refused").to_string()
    }

    #[test]
    fn a_syntax_error_gives_the_line_and_its_text() {
        let text = Document::parse("name = \"x\"\n[grid\nrows = 1\n", "a.toml").expect_err("no TOML").to_string();
        assert!(text.starts_with("a.toml, line 2: not TOML: ") && text.ends_with("near `[grid`"), "{text}");
        let twice = Document::parse("a = 1\nb = 2\na = 3\n", "a.toml").expect_err("twice").to_string();
        assert_eq!(twice, "a.toml, line 3: not TOML: duplicate key, near `a = 3`");
    }

    #[test]
    fn numbers_that_are_none_are_refused_as_written() {
        let needed = "a.toml, line 2: v must be a number of mm above 0 and at most 1000, not";
        for (written, shown) in
            [("nan", "nan"), ("inf", "inf"), ("-inf", "-inf"), ("0.0", "0.0"), ("-1", "-1"), ("1e9", "1e9"), ("\"0.4\"", "\"0.4\"")]
        {
            assert_eq!(number_error(&format!("\nv = {written}\n")), format!("{needed} {shown}; e.g. v = 0.5"));
        }
        assert_eq!(number_error("\nv = { a = 1 }\n"), format!("{needed} a table {{…}}; e.g. v = 0.5"));
        assert_eq!(number_error("\n[v]\n"), format!("{needed} a table; e.g. v = 0.5"));
    }

    #[test]
    fn a_whole_number_may_stand_for_a_length() {
        let document = Document::parse("v = 2", "a.toml").expect("TOML");
        assert_eq!(document.root().need("v", "").and_then(|f| f.size_mm()), Ok(2.0));
    }

    #[test]
    fn an_unknown_key_is_named_with_the_one_it_is_like() {
        let unknown = |key: &str| {
            let text = format!("# head\n{key} = 1\n");
            let document = Document::parse(&text, "a.toml").expect("TOML");
            document.root().only(&["pitch_mm", "rows"]).expect_err("unknown").to_string()
        };
        for key in ["ptich_mm", "pitch", "Pitch_MM", "pitch_mm_"] {
            assert_eq!(unknown(key), format!("a.toml, line 2: {key} is an unknown key; did you mean pitch_mm? Known here: pitch_mm, rows"));
        }
        assert_eq!(unknown("colour"), "a.toml, line 2: colour is an unknown key; known here: pitch_mm, rows");
    }

    #[test]
    fn windows_line_ends_and_a_byte_order_mark_do_not_move_the_lines() {
        let document = Document::parse("\u{feff}name = \"x\"\r\nrows = 0\r\n", "a.toml").expect("TOML");
        let error = document.root().need("rows", "1").and_then(|f| f.whole(1, 9)).expect_err("zero").to_string();
        assert!(error.starts_with("a.toml, line 2: rows must be a whole number from 1 to 9, not 0"), "{error}");
    }
}
