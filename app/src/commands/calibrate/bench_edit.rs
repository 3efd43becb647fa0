//! A bench file that a calibration changes: read once, changed in memory, written whole with its history or not at all.

use anyhow::{Context, bail};
use landfit_calibration::bench::{Bench, CalibrationState};
use landfit_calibration::bench_file;
use landfit_calibration::date::Date;
use landfit_calibration::history::{self, Entry};
use landfit_calibration::record::{self, Record};
use landfit_part::Existing;
use landfit_part::text_file::{load, save};
use landfit_vision::Picture;
use sha2::{Digest, Sha256};
use std::path::{Path, PathBuf};

/// The file, what it says, and what it says of its calibration.
pub struct BenchEdit {
    path: PathBuf,
    text: String,
    pub bench: Bench,
    pub record: Record,
}

impl BenchEdit {
    /// Reads a bench file.
    pub fn open(path: &Path) -> anyhow::Result<Self> {
        let text = load(path)?;
        let file = path.display().to_string();
        let (bench, record) = (bench_file::parse(&text, &file)?, record::parse(&text, &file)?);
        Ok(Self { path: path.to_owned(), text, bench, record })
    }

    /// The bench file as it was read, whole.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Writes the changed bench, with the former one in its history.
    pub fn write(&mut self, entry: &Entry) -> anyhow::Result<()> {
        self.bench.calibration = CalibrationState::Calibrated;
        self.record.calibrated_on(day(&entry.date)?);
        self.write_as_it_is(entry)
    }

    /// Writes a bench of which nothing was calibrated, only a rule changed; the former file is in its history, too.
    pub fn write_as_it_is(&self, entry: &Entry) -> anyhow::Result<()> {
        let file = self.path.display().to_string();
        let values = bench_file::updated_text(&self.text, &file, &self.bench)?;
        let recorded = record::written(&values, &self.record, &file)?;
        let text = history::recorded(&self.text, &recorded, entry, &file)?;
        // What could not be read again is not written.
        bench_file::parse(&text, &file)?;
        record::parse(&text, &file)?;
        save(&self.path, &text, Existing::Replace)?;
        Ok(())
    }

    /// Adds a note to the history and changes nothing else.
    pub fn note(&self, entry: &Entry) -> anyhow::Result<()> {
        let text = history::noted(&self.text, entry, &self.path.display().to_string())?;
        save(&self.path, &text, Existing::Replace)?;
        Ok(())
    }

    /// The history so far.
    pub fn history(&self) -> anyhow::Result<Vec<Entry>> {
        Ok(history::entries(&self.text, &self.path.display().to_string())?)
    }

    /// Refuses a picture of another size than the bench's.
    pub fn check_size(&self, path: &Path, picture: &Picture) -> anyhow::Result<()> {
        let [w, h] = self.bench.optics.frame.size_px;
        if (picture.width_px, picture.height_px) != (w as usize, h as usize) {
            bail!(
                "{} is {} x {} px, but the bench's frame is {w} x {h} px: take it with the bench's camera settings, or make a bench file for this size",
                path.display(),
                picture.width_px,
                picture.height_px
            );
        }
        Ok(())
    }
}

/// Now, UTC: "2026-11-25 10:40", unless a date was given.
pub fn date(given: Option<&str>) -> anyhow::Result<String> {
    if let Some(given) = given {
        if Date::parse(given).is_none() {
            bail!("--date {given}: write year-month-day, as in 2026-11-25");
        }
        return Ok(given.to_owned());
    }
    let now = time::OffsetDateTime::now_utc();
    Ok(format!("{:04}-{:02}-{:02} {:02}:{:02}", now.year(), u8::from(now.month()), now.day(), now.hour(), now.minute()))
}

/// The day of a date that [`date`] gave.
pub fn day(date: &str) -> anyhow::Result<Date> {
    Date::parse(date).with_context(|| format!("{date} is no day; write year-month-day, as in 2026-11-25"))
}

/// Name and SHA-256 of every picture.
pub fn hashes(paths: &[PathBuf]) -> anyhow::Result<Vec<(String, String)>> {
    paths
        .iter()
        .map(|path| {
            let bytes = std::fs::read(path).with_context(|| format!("{} cannot be read", path.display()))?;
            let digest: String = Sha256::digest(&bytes).iter().map(|b| format!("{b:02x}")).collect();
            let name = path.file_name().map_or_else(String::new, |n| n.to_string_lossy().into_owned());
            Ok((name, digest))
        })
        .collect()
}
