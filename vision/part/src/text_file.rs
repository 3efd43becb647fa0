//! Text files read within bounds and written whole or not at all, and what can be wrong with them.

use std::fs::File;
use std::io::{Read, Write};
use std::path::Path;

/// 16 MB: four times a part of 20,000 explicit sites; a larger file is not one of ours and would only fill the memory.
const MOST_BYTES: u64 = 16 << 20;

/// What is wrong with a part or bench file. Every text is one line and names the file.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum FileError {
    /// The file cannot be opened or read.
    #[error("cannot read {file}: {reason}")]
    Unreadable {
        /// The path as given.
        file: String,
        /// The system's words.
        reason: String,
    },
    /// Larger than any part or bench file.
    #[error("{file} is larger than {limit_mb} MB, so it is no part or bench file")]
    TooLarge {
        /// The path as given.
        file: String,
        /// The limit, MB.
        limit_mb: u64,
    },
    /// Bytes that are not UTF-8.
    #[error("{file}, line {line}: not UTF-8 text; save the file as UTF-8 (is it a picture or a spreadsheet?)")]
    NotUtf8 {
        /// The path as given.
        file: String,
        /// The first line with such bytes.
        line: usize,
    },
    /// Not TOML.
    #[error("{file}, line {line}: not TOML: {what}, near `{near}`")]
    Syntax {
        /// The path as given.
        file: String,
        /// The line, from 1.
        line: usize,
        /// The parser's words.
        what: String,
        /// The line's text.
        near: String,
    },
    /// A key that is unknown, missing or holds what it may not.
    #[error("{file}, line {line}: {key} {what}")]
    Wrong {
        /// The path as given.
        file: String,
        /// The line, from 1.
        line: usize,
        /// The key, after its table: `[grid] pitch_mm`.
        key: String,
        /// What is wrong and how to mend it.
        what: String,
    },
    /// Another file is there already.
    #[error("{file} is there already, and nothing was written")]
    Exists {
        /// The path as given.
        file: String,
    },
    /// The file cannot be written; what was there before is untouched.
    #[error("cannot write {file}: {reason}; nothing was written")]
    Unwritable {
        /// The path as given.
        file: String,
        /// The system's words.
        reason: String,
    },
}

/// What to do with a file of the same name.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Existing {
    /// Leave it, write nothing, and say so.
    Keep,
    /// Put the new one in its place.
    Replace,
}

/// The whole text of a file.
///
/// # Errors
/// `Unreadable`, `TooLarge` above 16 MB, `NotUtf8`.
pub fn load(path: &Path) -> Result<String, FileError> {
    let file = path.display().to_string();
    let unreadable = |error: std::io::Error| FileError::Unreadable { file: file.clone(), reason: format!("{error}; check the name") };
    if path.is_dir() {
        return Err(FileError::Unreadable { file, reason: "it is a folder; name a file in it".to_owned() });
    }
    let mut bytes = Vec::new();
    File::open(path).map_err(unreadable)?.take(MOST_BYTES + 1).read_to_end(&mut bytes).map_err(unreadable)?;
    if bytes.len() as u64 > MOST_BYTES {
        return Err(FileError::TooLarge { file, limit_mb: MOST_BYTES >> 20 });
    }
    String::from_utf8(bytes).map_err(|error| {
        let good = &error.as_bytes()[..error.utf8_error().valid_up_to()];
        FileError::NotUtf8 { file, line: 1 + good.iter().filter(|b| **b == b'\n').count() }
    })
}

/// Writes `text` as a whole file: into a temporary file beside it, which then takes its name.
///
/// # Errors
/// `Exists` where a file is to be kept, `Unwritable` for all else; in both cases nothing has changed.
pub fn save(path: &Path, text: &str, existing: Existing) -> Result<(), FileError> {
    save_bytes(path, text.as_bytes(), existing)
}

/// The same for what is no text.
///
/// # Errors
/// As [`save`].
pub fn save_bytes(path: &Path, bytes: &[u8], existing: Existing) -> Result<(), FileError> {
    let file = path.display().to_string();
    let unwritable = |error: &std::io::Error| FileError::Unwritable { file: file.clone(), reason: error.to_string() };
    if path.is_dir() {
        return Err(FileError::Unwritable { file, reason: "it is a folder".to_owned() });
    }
    let folder = match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    };
    let mut builder = tempfile::Builder::new();
    builder.prefix(".landfit-").suffix(".tmp");
    // A temporary file is its owner's alone by default, which is wrong for one that stays.
    #[cfg(unix)]
    builder.permissions(std::os::unix::fs::PermissionsExt::from_mode(0o666));
    let mut temporary = builder.tempfile_in(folder).map_err(|error| {
        let reason = if folder.is_dir() {
            format!("no file can be made in its folder ({})", plain(&error))
        } else {
            "its folder is not there".to_owned()
        };
        FileError::Unwritable { file: file.clone(), reason }
    })?;
    temporary.write_all(bytes).and_then(|()| temporary.as_file().sync_all()).map_err(|error| unwritable(&error))?;
    match existing {
        Existing::Replace => temporary.persist(path),
        Existing::Keep => temporary.persist_noclobber(path),
    }
    .map(|_| ())
    .map_err(|error| match error.error.kind() {
        std::io::ErrorKind::AlreadyExists => FileError::Exists { file: file.clone() },
        _ => unwritable(&error.error),
    })
}

/// The system's words without the temporary file's name, which means nothing to the reader.
fn plain(error: &std::io::Error) -> String {
    let words = error.to_string();
    words.split(" at path ").next().map_or_else(|| error.kind().to_string(), str::to_owned)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_is_kept_unless_it_may_be_replaced() {
        let folder = tempfile::tempdir().expect("folder");
        let path = folder.path().join("a.toml");
        save(&path, "first", Existing::Keep).expect("new file");
        let refused = save(&path, "second", Existing::Keep).expect_err("exists");
        assert_eq!(refused, FileError::Exists { file: path.display().to_string() });
        assert_eq!(load(&path).expect("text"), "first");
        save(&path, "second", Existing::Replace).expect("replaced");
        assert_eq!(load(&path).expect("text"), "second");
        assert_eq!(std::fs::read_dir(folder.path()).expect("folder").count(), 1, "no temporary file stays behind");
    }

    #[cfg(target_os = "linux")]
    #[test]
    fn a_folder_that_takes_no_files_is_named_in_one_line() {
        // /proc takes no files even from root, whom permissions would not stop.
        let text = save(Path::new("/proc/a.toml"), "x", Existing::Replace).expect_err("no files in /proc").to_string();
        assert!(text.starts_with("cannot write /proc/a.toml: no file can be made in its folder ("), "{text}");
        assert!(text.ends_with("; nothing was written") && !text.contains('\n'), "{text}");
    }

    #[test]
    fn a_missing_folder_and_a_folder_as_target_are_told_apart() {
        let folder = tempfile::tempdir().expect("folder");
        let missing = save(&folder.path().join("no/a.toml"), "x", Existing::Keep).expect_err("no folder").to_string();
        assert!(missing.contains("its folder is not there"), "{missing}");
        let target = save(folder.path(), "x", Existing::Replace).expect_err("a folder").to_string();
        assert!(target.contains("it is a folder"), "{target}");
    }

    #[test]
    fn missing_files_folders_and_bytes_that_are_no_text_are_refused() {
        let folder = tempfile::tempdir().expect("folder");
        let missing = load(&folder.path().join("b.toml")).expect_err("missing").to_string();
        assert!(missing.starts_with("cannot read ") && missing.contains("b.toml: No such file"), "{missing}");
        let a_folder = load(folder.path()).expect_err("a folder").to_string();
        assert!(a_folder.contains("it is a folder; name a file"), "{a_folder}");
        let path = folder.path().join("c.toml");
        std::fs::write(&path, b"name = \"a\"\n\xff\xfe").expect("written");
        assert_eq!(load(&path).expect_err("bytes"), FileError::NotUtf8 { file: path.display().to_string(), line: 2 });
    }

    #[test]
    fn a_file_without_end_is_not_read_to_the_end() {
        let folder = tempfile::tempdir().expect("folder");
        let path = folder.path().join("d.toml");
        File::create(&path).and_then(|f| f.set_len(MOST_BYTES + 1)).expect("sparse file");
        assert!(matches!(load(&path), Err(FileError::TooLarge { limit_mb: 16, .. })));
    }
}
