//! Leaves pictures, part, bench and truth in a folder, in the forms that the commands read.

use landfit_scene::Rendered;
use std::io;
use std::path::{Path, PathBuf};

/// Why nothing, or not all, was written.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum SaveError {
    /// The folder or a file in it cannot be written.
    #[error("cannot write {}: {reason}", path.display())]
    Write {
        /// Which.
        path: PathBuf,
        /// Why.
        reason: io::Error,
    },
    /// The folder holds somebody's own file of that name.
    #[error("{} is there already and comes from no rehearsal, and nothing was written; give a folder of its own", path.display())]
    Owned {
        /// Which.
        path: PathBuf,
    },
    /// A picture cannot be encoded.
    #[error("cannot encode {}: {reason}", path.display())]
    Encode {
        /// Which.
        path: PathBuf,
        /// Why.
        reason: image::ImageError,
    },
    /// The truth cannot be written as JSON.
    #[error("cannot write the truth: {0}")]
    Truth(#[from] serde_json::Error),
}

/// Writes the exposures as `NAME.png`, or `NAME-0.png`, `NAME-1.png`, … where there are several, into `folder`, which is
/// made if it is not there. Returns the paths in the order of exposure.
///
/// # Errors
/// See [`SaveError`].
pub fn save_pictures(folder: &Path, name: &str, rendered: &Rendered) -> Result<Vec<PathBuf>, SaveError> {
    make(folder)?;
    let one = |index: usize, picture: &landfit_scene::Picture| {
        let file = if rendered.pictures.len() == 1 { format!("{name}.png") } else { format!("{name}-{index}.png") };
        let path = folder.join(file);
        let too_short = || io::Error::new(io::ErrorKind::InvalidData, "the picture has too few values");
        let image = picture.to_image().ok_or_else(|| SaveError::Write { path: path.clone(), reason: too_short() })?;
        let mut bytes = Vec::new();
        image
            .write_to(&mut io::Cursor::new(&mut bytes), image::ImageFormat::Png)
            .map_err(|reason| SaveError::Encode { path: path.clone(), reason })?;
        write(&path, &bytes)?;
        Ok(path)
    };
    rendered.pictures.iter().enumerate().map(|(i, p)| one(i, p)).collect()
}

/// Writes `picture.png` (or several), `part.toml`, `bench.toml` and `truth.json` into `folder`.
///
/// # Errors
/// See [`SaveError`].
pub fn save_look(folder: &Path, rendered: &Rendered, part_toml: &str, bench_toml: &str) -> Result<Vec<PathBuf>, SaveError> {
    let truth = serde_json::to_string_pretty(&rendered.truth)?;
    spare(folder, "truth.json")?;
    let mut paths = save_pictures(folder, "picture", rendered)?;
    for (name, text) in [("part.toml", part_toml), ("bench.toml", bench_toml), ("truth.json", truth.as_str())] {
        let path = folder.join(name);
        write(&path, text.as_bytes())?;
        paths.push(path);
    }
    Ok(paths)
}

/// Makes the folder if it is not there.
fn make(folder: &Path) -> Result<(), SaveError> {
    let reason = match std::fs::create_dir_all(folder) {
        Ok(()) => return Ok(()),
        Err(_) if folder.is_file() => io::Error::new(io::ErrorKind::AlreadyExists, "it is a file; give the name of a folder"),
        Err(reason) => reason,
    };
    Err(SaveError::Write { path: folder.to_owned(), reason })
}

/// Leaves a folder alone that holds a part or bench file but not `sign`, the file that only rehearsals leave beside them: a bench file may
/// hold an hour's calibration.
///
/// # Errors
/// `Owned`, with the file.
pub(crate) fn spare(folder: &Path, sign: &str) -> Result<(), SaveError> {
    let own = ["bench.toml", "part.toml"].map(|name| folder.join(name)).into_iter().find(|path| path.exists());
    match own {
        Some(path) if !folder.join(sign).exists() => Err(SaveError::Owned { path }),
        _ => Ok(()),
    }
}

fn write(path: &Path, bytes: &[u8]) -> Result<(), SaveError> {
    std::fs::write(path, bytes).map_err(|reason| SaveError::Write { path: path.to_owned(), reason })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_folder_with_files_that_no_rehearsal_left_is_left_alone() {
        let folder = tempfile::tempdir().unwrap();
        assert!(spare(folder.path(), "truth.json").is_ok());
        std::fs::write(folder.path().join("bench.toml"), "calibrated").unwrap();
        let refused = spare(folder.path(), "truth.json").unwrap_err().to_string();
        assert!(refused.contains("bench.toml is there already") && refused.contains("nothing was written"), "{refused}");
        std::fs::write(folder.path().join("truth.json"), "{}").unwrap();
        assert!(spare(folder.path(), "truth.json").is_ok(), "a second rehearsal takes the place of the first");
    }

    #[test]
    fn a_file_where_a_folder_is_wanted_is_said() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("saved");
        std::fs::write(&file, "").unwrap();
        let refused = make(&file).unwrap_err().to_string();
        assert!(refused.ends_with("it is a file; give the name of a folder"), "{refused}");
    }
}
