//! Pictures that were stored before, given one look after the other.

use crate::picture_file::{is_jpeg, read_picture};
use crate::{Frame, Source, Trouble};
use std::path::PathBuf;
use std::time::{Duration, Instant};

/// A stored set: files in the order of the exposures, one look after the other.
pub struct StoredSet {
    looks: Vec<Vec<PathBuf>>,
    next: usize,
    every: Duration,
    due: Instant,
}

impl StoredSet {
    /// Looks of `exposures` files each, in the order given; the next one comes `every` after the last, and the last one stays.
    ///
    /// # Errors
    /// When the number of files is not a whole number of looks. Files are read when their turn comes.
    pub fn new(files: Vec<PathBuf>, exposures: usize, every: Duration) -> Result<Self, Trouble> {
        let exposures = exposures.max(1);
        if files.is_empty() || !files.len().is_multiple_of(exposures) {
            return Err(Trouble::Uneven { files: files.len(), exposures });
        }
        Ok(Self { looks: files.chunks(exposures).map(<[_]>::to_vec).collect(), next: 0, every, due: Instant::now() })
    }
}

impl Source for StoredSet {
    fn name(&self) -> String {
        let first = &self.looks[0][0];
        let folder = first.parent().filter(|p| !p.as_os_str().is_empty()).map_or_else(|| "this folder".into(), |p| p.display().to_string());
        match self.looks.len() {
            1 => first.display().to_string(),
            n => format!("{n} stored looks in {folder}"),
        }
    }

    fn next(&mut self, patience: Duration) -> Result<Option<Frame>, Trouble> {
        let Some(files) = self.looks.get(self.next) else {
            std::thread::sleep(patience);
            return Ok(None);
        };
        let wait = self.due.saturating_duration_since(Instant::now());
        std::thread::sleep(wait.min(patience));
        if wait > patience {
            return Ok(None);
        }
        // Counted before reading: a file that cannot be read is said once, and the next look gets its turn.
        self.next += 1;
        self.due = Instant::now() + self.every;
        let pictures = files.iter().map(|f| read_picture(f)).collect::<Result<Vec<_>, _>>();
        let pictures = pictures.map_err(|error| Trouble::File { what: error.to_string() })?;
        Ok(Some(Frame { pictures, taken: Instant::now(), from_jpeg: files.iter().any(|f| is_jpeg(f)), number: 0 }))
    }
}
