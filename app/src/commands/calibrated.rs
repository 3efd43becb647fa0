//! What a bench file's calibration means for a measurement: its uncertainty, its picture format, its age.

use crate::pictures;
use anyhow::bail;
use landfit_calibration::budget::{Poses, budget};
use landfit_calibration::date::Date;
use landfit_calibration::record::{self, Record};
use landfit_part::Part;
use landfit_vision::answer::{Alignment, Outcome};
use landfit_vision::{Optics, Picture};
use std::path::PathBuf;

/// Refuses pictures of another format than the one that the registration was calibrated in: colour stored at half resolution, for
/// one, shifts part view against board view.
pub fn check_format(record: &Record, paths: &[PathBuf], shots: &[Picture]) -> anyhow::Result<()> {
    paths.iter().zip(shots).try_for_each(|(path, shot)| check_kind(record, &path.display().to_string(), &pictures::format(path, shot)))
}

/// The same of one picture, by its name and its format.
pub fn check_kind(record: &Record, picture: &str, format: &str) -> anyhow::Result<()> {
    match &record.pixel_format {
        Some(calibrated) if format != calibrated => bail!(
            "{picture} has the format {format}, but part view against board view was calibrated in {calibrated}: take it in that format, or calibrate scale in this one"
        ),
        _ => Ok(()),
    }
}

/// What a bench file says of its calibration; where it cannot be read, that it cannot: tables of that name by another writer are none of
/// our business, and what they hold is then unknown.
pub fn record_of(text: &str, file: &str) -> (Record, Option<String>) {
    match record::parse(text, file) {
        Ok(record) => (record, None),
        Err(error) => {
            let unread = format!("What the bench file says of its calibration's uncertainty cannot be read, and is not counted: {error}.");
            (Record::default(), Some(unread))
        }
    }
}

/// Adds what the calibration does not know to what the pictures do not tell, and warns where the calibration is due: with a refusal, too.
pub fn widen(alignment: &mut Alignment, part: &Part, optics: &Optics, record: &Record) {
    if let Outcome::Fit(fit) = &mut alignment.outcome {
        let poses = Poses { bench_from_part: fit.bench_from_part, bench_from_board: fit.bench_from_board };
        fit.covariance = budget(&fit.covariance, &poses, part, optics, record).covariance;
    }
    alignment.warnings.extend(warnings(record));
}

/// What is to be said of the calibration with every answer, as of today.
pub fn warnings(record: &Record) -> Vec<String> {
    let now = time::OffsetDateTime::now_utc();
    let today = format!("{:04}-{:02}-{:02}", now.year(), u8::from(now.month()), now.day());
    Date::parse(&today).map_or_else(Vec::new, |today| record.warnings(today))
}
