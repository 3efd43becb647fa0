//! Part and bench as they were read: parsed, with their texts, so that a result can carry both whole.

use crate::commands::calibrated;
use crate::words;
use landfit_calibration::bench::Bench;
use landfit_calibration::bench_file;
use landfit_calibration::record::Record;
use landfit_part::Part;
use landfit_part::text_file::load;
use landfit_rehearsal::scenario::Setting;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// A part file.
#[derive(Debug, Clone)]
pub struct PartFile {
    /// What it says.
    pub part: Arc<Part>,
    /// Its text.
    pub text: String,
    /// Where it is from, as shown.
    pub from: String,
}

/// A bench file.
#[derive(Debug, Clone)]
pub struct BenchFile {
    /// What it says.
    pub bench: Arc<Bench>,
    /// What its calibrations have left in it.
    pub record: Arc<Record>,
    /// Its file; `None` of one that is built in.
    pub path: Option<PathBuf>,
    /// What of that could not be read, in a sentence.
    pub unread: Option<String>,
    /// Its text.
    pub text: String,
    /// Where it is from, as shown.
    pub from: String,
}

impl PartFile {
    /// Reads a part file.
    ///
    /// # Errors
    /// One sentence that names file, line and mend.
    pub fn read(path: &Path) -> anyhow::Result<Self> {
        let from = path.display().to_string();
        Self::parse(load(path)?, from)
    }

    /// Reads one from its text; `from` is where it is from, as shown.
    ///
    /// # Errors
    /// One sentence that names file, line and mend.
    pub fn parse(text: String, from: String) -> anyhow::Result<Self> {
        Ok(Self { part: Arc::new(landfit_part::file::parse(&text, &from)?), text, from })
    }

    /// The part of a rehearsal.
    ///
    /// # Errors
    /// Only if the embedded file is broken.
    pub fn of(setting: &Setting) -> anyhow::Result<Self> {
        Ok(Self { part: Arc::new(setting.part()?), text: setting.part_toml.to_owned(), from: words::built_in(setting.name) })
    }
}

impl BenchFile {
    /// Reads a bench file.
    ///
    /// # Errors
    /// One sentence that names file, line and mend.
    pub fn read(path: &Path) -> anyhow::Result<Self> {
        let from = path.display().to_string();
        let text = load(path)?;
        Ok(Self { path: Some(path.to_owned()), ..Self::parse(text, from)? })
    }

    /// Reads one from its text; `from` is where it is from, as shown.
    ///
    /// # Errors
    /// One sentence that names file, line and mend.
    pub fn parse(text: String, from: String) -> anyhow::Result<Self> {
        let bench = bench_file::parse(&text, &from)?;
        let (record, unread) = calibrated::record_of(&text, &from);
        Ok(Self { bench: Arc::new(bench), record: Arc::new(record), unread, path: None, text, from })
    }

    /// The bench of a rehearsal.
    ///
    /// # Errors
    /// Only if the embedded file is broken.
    pub fn of(setting: &Setting) -> anyhow::Result<Self> {
        let from = words::built_in(setting.name);
        Self::parse(setting.bench_toml.to_owned(), from)
    }
}
