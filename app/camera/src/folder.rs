//! A folder that another program or a camera's own software stores pictures in: each new look is taken up as it comes.

use crate::picture_file::{is_jpeg, is_named_as_picture, read_picture};
use crate::{Frame, Source, Trouble};
use landfit_vision::Picture;
use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant, SystemTime};

/// The folder is listed this often: quick beside a hand that stores pictures, and no load on a network drive.
const LIST_EVERY: Duration = Duration::from_millis(200);
/// A file whose size and time have not changed for so long is taken to be written whole.
const AT_REST: Duration = Duration::from_millis(300);
/// A file that is at rest and still no picture is said to be broken after so long: slow writers pause.
const BROKEN_AFTER: Duration = Duration::from_millis(1500);
/// Exposures of one look are stored within so long of each other; an older one is left over from a look that was given up.
/// A project choice: a person who switches lights by hand takes some seconds.
const ONE_LOOK: Duration = Duration::from_secs(30);

/// A watched folder.
pub struct WatchedFolder {
    folder: PathBuf,
    exposures: usize,
    known: HashMap<PathBuf, Seen>,
    /// Pictures of the look that is not complete yet, the oldest first, with the times of their files and whether those are JPEG.
    waiting: Vec<(Picture, SystemTime, bool)>,
    listed: Option<Instant>,
    /// Whether what was there at the start is known.
    begun: bool,
}

struct Seen {
    modified: SystemTime,
    bytes: u64,
    since: Instant,
    taken_up: bool,
}

/// What one file's listing says.
struct Listed {
    path: PathBuf,
    modified: SystemTime,
    bytes: u64,
}

impl WatchedFolder {
    /// Watches `folder`; each look is `exposures` files in the order of their times (then names).
    ///
    /// Of what is there already, the newest look is given first and the rest is left alone.
    #[must_use]
    pub fn new(folder: &Path, exposures: usize) -> Self {
        Self {
            folder: folder.to_path_buf(),
            exposures: exposures.max(1),
            known: HashMap::new(),
            waiting: Vec::new(),
            listed: None,
            begun: false,
        }
    }

    fn list(&self) -> Result<Vec<Listed>, Trouble> {
        let trouble = |cause: std::io::Error| Trouble::Folder { folder: self.folder.clone(), what: cause.to_string() };
        let mut files = Vec::new();
        for entry in std::fs::read_dir(&self.folder).map_err(trouble)? {
            let path = entry.map_err(trouble)?.path();
            if !is_named_as_picture(&path) {
                continue;
            }
            // A file that has gone since it was listed is no trouble.
            let Ok(about) = std::fs::metadata(&path) else { continue };
            if about.is_file() {
                files.push(Listed { path, modified: about.modified().unwrap_or(SystemTime::UNIX_EPOCH), bytes: about.len() });
            }
        }
        files.sort_by(|a, b| (a.modified, &a.path).cmp(&(b.modified, &b.path)));
        Ok(files)
    }

    /// Brings what is known up to date; gives the file that is next to be taken up.
    fn next_file(&mut self) -> Result<Option<Listed>, Trouble> {
        let files = self.list()?;
        let now = Instant::now();
        let first_time = !std::mem::replace(&mut self.begun, true);
        let newest = files.len().saturating_sub(self.exposures);
        for (i, file) in files.iter().enumerate() {
            let seen = self.known.entry(file.path.clone()).or_insert(Seen {
                modified: file.modified,
                bytes: file.bytes,
                since: now,
                taken_up: first_time && i < newest,
            });
            if (seen.modified, seen.bytes) != (file.modified, file.bytes) {
                // Written again under the same name: a new picture.
                *seen = Seen { modified: file.modified, bytes: file.bytes, since: now, taken_up: false };
            }
        }
        if self.known.len() > files.len() {
            let there: std::collections::HashSet<&PathBuf> = files.iter().map(|f| &f.path).collect();
            self.known.retain(|path, _| there.contains(path));
        }
        // In order: a later exposure never overtakes one that is still being written.
        let next = files.into_iter().find(|f| self.known.get(&f.path).is_some_and(|s| !s.taken_up));
        Ok(next.filter(|f| self.known.get(&f.path).is_some_and(|s| s.since.elapsed() >= AT_REST)))
    }

    /// Takes up one file; gives a frame when it completes a look.
    fn take_up(&mut self, file: &Listed) -> Result<Option<Frame>, Trouble> {
        let Some(seen) = self.known.get_mut(&file.path) else { return Ok(None) };
        let picture = match read_picture(&file.path) {
            Ok(picture) => picture,
            Err(_) if seen.since.elapsed() < BROKEN_AFTER => return Ok(None),
            Err(error) => {
                seen.taken_up = true;
                return Err(Trouble::File { what: error.to_string() });
            }
        };
        seen.taken_up = true;
        self.waiting.retain(|(_, at, _)| file.modified.duration_since(*at).is_ok_and(|apart| apart <= ONE_LOOK));
        self.waiting.push((picture, file.modified, is_jpeg(&file.path)));
        if self.waiting.len() < self.exposures {
            return Ok(None);
        }
        let from_jpeg = self.waiting.iter().any(|(.., jpeg)| *jpeg);
        let pictures = self.waiting.drain(..).map(|(picture, ..)| picture).collect();
        let age = file.modified.elapsed().unwrap_or_default();
        let taken = Instant::now().checked_sub(age).unwrap_or_else(Instant::now);
        Ok(Some(Frame { pictures, taken, from_jpeg, number: 0 }))
    }
}

impl Source for WatchedFolder {
    fn name(&self) -> String {
        format!("the folder {}", self.folder.display())
    }

    fn next(&mut self, patience: Duration) -> Result<Option<Frame>, Trouble> {
        let end = Instant::now() + patience;
        loop {
            let wait = self.listed.map_or(Duration::ZERO, |at| (at + LIST_EVERY).saturating_duration_since(Instant::now()));
            let left = end.saturating_duration_since(Instant::now());
            std::thread::sleep(wait.min(left));
            if wait > left {
                return Ok(None);
            }
            let found = self.next_file();
            // Also after a trouble: the next look at the folder waits for its turn.
            self.listed = Some(Instant::now());
            if let Some(file) = found?
                && let Some(frame) = self.take_up(&file)?
            {
                return Ok(Some(frame));
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const PATIENCE: Duration = Duration::from_secs(5);

    /// Writes a grey picture of one value, first under another name: a whole file appears at once.
    fn store(folder: &Path, name: &str, value: u8) {
        let hidden = folder.join("being-written");
        image::GrayImage::from_pixel(4, 3, image::Luma([value])).save_with_format(&hidden, image::ImageFormat::Png).unwrap();
        std::fs::rename(hidden, folder.join(name)).unwrap();
    }

    fn values(frame: &Frame) -> Vec<u8> {
        let value = |p: &Picture| match &p.samples {
            landfit_vision::picture::Samples::U8(v) => v[0],
            landfit_vision::picture::Samples::U16(_) => panic!("8 bits were stored"),
        };
        frame.pictures.iter().map(value).collect()
    }

    #[test]
    fn the_newest_look_is_taken_up_at_first_and_then_each_new_one() {
        let folder = tempfile::tempdir().unwrap();
        for (name, value) in [("a.png", 1), ("b.png", 2), ("c.png", 3), ("d.png", 4)] {
            store(folder.path(), name, value);
            std::thread::sleep(Duration::from_millis(15));
        }
        std::fs::write(folder.path().join("notes.txt"), "no picture").unwrap();
        let mut watched = WatchedFolder::new(folder.path(), 2);
        assert_eq!(values(&watched.next(PATIENCE).unwrap().unwrap()), [3, 4]);
        store(folder.path(), "e.png", 5);
        assert!(watched.next(Duration::from_millis(700)).unwrap().is_none(), "half a look is none");
        store(folder.path(), "f.png", 6);
        assert_eq!(values(&watched.next(PATIENCE).unwrap().unwrap()), [5, 6]);
    }

    #[test]
    fn a_picture_written_again_under_the_same_name_is_a_new_one() {
        let folder = tempfile::tempdir().unwrap();
        store(folder.path(), "live.png", 1);
        let mut watched = WatchedFolder::new(folder.path(), 1);
        assert_eq!(values(&watched.next(PATIENCE).unwrap().unwrap()), [1]);
        assert!(watched.next(Duration::from_millis(500)).unwrap().is_none());
        store(folder.path(), "live.png", 9);
        assert_eq!(values(&watched.next(PATIENCE).unwrap().unwrap()), [9]);
    }

    #[test]
    fn a_file_that_is_half_written_is_waited_for_and_one_that_stays_so_is_said_by_name() {
        let folder = tempfile::tempdir().unwrap();
        store(folder.path(), "whole.png", 1);
        let bytes = std::fs::read(folder.path().join("whole.png")).unwrap();
        let mut watched = WatchedFolder::new(folder.path(), 1);
        assert!(watched.next(PATIENCE).unwrap().is_some());
        std::fs::write(folder.path().join("half.png"), &bytes[..bytes.len() / 2]).unwrap();
        assert!(watched.next(Duration::from_millis(900)).unwrap().is_none(), "it may still be written");
        let trouble = watched.next(PATIENCE).unwrap_err();
        assert!(trouble.to_string().contains("half.png is cut short or damaged"), "{trouble}");
        assert!(!trouble.ends_the_source());
        store(folder.path(), "next.png", 7);
        assert_eq!(values(&watched.next(PATIENCE).unwrap().unwrap()), [7], "the next one gets its turn");
    }

    #[test]
    fn a_folder_that_is_not_there_is_said_and_taken_up_when_it_comes() {
        let above = tempfile::tempdir().unwrap();
        let folder = above.path().join("pictures");
        let mut watched = WatchedFolder::new(&folder, 1);
        let trouble = watched.next(Duration::from_millis(50)).unwrap_err();
        assert!(trouble.to_string().contains("pictures cannot be read"), "{trouble}");
        std::fs::create_dir(&folder).unwrap();
        store(&folder, "first.png", 3);
        assert_eq!(values(&watched.next(PATIENCE).unwrap().unwrap()), [3]);
    }
}
