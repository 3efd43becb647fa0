//! What was accepted, kept whole: the pictures, the answer, part and bench, and hashes of them all, in a folder of its own.

use super::subject::{BenchFile, PartFile};
use crate::answer_json::{self, Moves};
use crate::commands::align::Answer;
use crate::words;
use crate::{overlay, pictures};
use anyhow::Context;
use image::ImageFormat;
use landfit_vision::Picture;
use serde_json::{Value, json};
use sha2::{Digest, Sha256};
use std::io::Cursor;
use std::path::{Path, PathBuf};

/// What the person says about it.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Said {
    /// Who.
    pub initials: String,
    /// Which piece.
    pub serial: String,
    /// Why it was accepted although it is not within and clear.
    pub reason: Option<String>,
    /// Where the first terminal was seen, where that was asked.
    pub first_seen: Option<&'static str>,
}

/// Everything that a result holds.
pub struct Whole<'a> {
    /// The exposures.
    pub pictures: &'a [Picture],
    /// The answer to them.
    pub answer: &'a Answer,
    /// The part file.
    pub part: &'a PartFile,
    /// The bench file.
    pub bench: &'a BenchFile,
    /// What the person said.
    pub said: &'a Said,
    /// Where the pictures came from, and which look of it this was.
    pub source: (&'a str, u64),
    /// When, as RFC 3339.
    pub time: &'a str,
    /// What became of it: "accepted", "withdrawn".
    pub state: &'a str,
}

/// Writes the result into a new folder in `folder`, or anew in the place of `again`; whole or not at all. Returns the folder.
///
/// # Errors
/// One sentence that names the folder.
pub fn keep(folder: &Path, again: Option<&Path>, whole: &Whole) -> anyhow::Result<PathBuf> {
    // It stays where it was first kept, whatever folder is set by now.
    let folder = again.and_then(Path::parent).unwrap_or(folder);
    let cannot = || words::result_not_kept(&folder.display().to_string());
    std::fs::create_dir_all(folder).with_context(cannot)?;
    let place = again.map_or_else(|| free_place(folder, whole), Path::to_path_buf);
    let made = tempfile::Builder::new().prefix(".landfit-").tempdir_in(folder).with_context(cannot)?;
    let mut files: Vec<(String, Vec<u8>)> = Vec::new();
    for (i, picture) in whole.pictures.iter().enumerate() {
        let name = if whole.pictures.len() == 1 { "picture.png".to_owned() } else { format!("picture-{i}.png") };
        files.push((name, png(picture)?));
    }
    files.push(("part.toml".into(), whole.part.text.clone().into_bytes()));
    files.push(("bench.toml".into(), whole.bench.text.clone().into_bytes()));
    let marked = overlay::draw(whole.pictures, whole.answer, &whole.part.part, &whole.bench.bench)?;
    let mut bytes = Vec::new();
    marked.write_to(&mut Cursor::new(&mut bytes), ImageFormat::Png)?;
    files.push(("marked.png".into(), bytes));
    let hashes: serde_json::Map<String, Value> = files.iter().map(|(name, bytes)| (name.clone(), json!(hash(bytes)))).collect();
    let object = json!({
        "schema": 1,
        "program": concat!("landfit ", env!("CARGO_PKG_VERSION")),
        "state": whole.state,
        "time": whole.time,
        "initials": whole.said.initials,
        "serial": whole.said.serial,
        "reason": whole.said.reason,
        "first_seen": whole.said.first_seen,
        "source": {"name": whole.source.0, "look": whole.source.1},
        "part": {"name": whole.part.part.name, "from": whole.part.from},
        "bench": {"name": whole.bench.bench.name, "from": whole.bench.from},
        "sha256": hashes,
        "answer": answer(whole),
    });
    files.push(("result.json".into(), serde_json::to_vec_pretty(&object)?));
    for (name, bytes) in &files {
        std::fs::write(made.path().join(name), bytes).with_context(cannot)?;
    }
    open_to_all(made.path()).with_context(cannot)?;
    take_place(made, &place).with_context(cannot)?;
    Ok(place)
}

/// Puts the finished folder in its place. An older state of the same result steps aside first, comes back if the new one cannot take its
/// place, and goes only when it has: whenever this ends, one of the two is there whole.
fn take_place(made: tempfile::TempDir, place: &Path) -> std::io::Result<()> {
    let aside = place.with_file_name(format!(".landfit-old-{}", place.file_name().unwrap_or_default().to_string_lossy()));
    let steps_aside = place.exists();
    if steps_aside {
        // Left by a run that ended between the two renames, and since then replaced by what stands in the place.
        if aside.exists() {
            std::fs::remove_dir_all(&aside)?;
        }
        std::fs::rename(place, &aside)?;
    }
    if let Err(error) = std::fs::rename(made.path(), place) {
        if steps_aside {
            std::fs::rename(&aside, place)?;
        }
        return Err(error);
    }
    // It lies elsewhere now: nothing is left to be removed.
    let _ = made.keep();
    if aside.exists() {
        // The result is kept; an old state that cannot be removed is no loss.
        let _ = std::fs::remove_dir_all(&aside);
    }
    Ok(())
}

/// The answer as `landfit align --json` prints it.
fn answer(whole: &Whole) -> Value {
    let moves = whole.answer.fit.as_ref().map(|(judgement, plan)| Moves { judgement, plan });
    answer_json::align(&whole.answer.alignment, moves, &whole.part.part, &whole.bench.bench, whole.answer.total_ms)
}

/// A temporary folder is its owner's alone; a result is an ordinary folder.
#[cfg(unix)]
fn open_to_all(folder: &Path) -> std::io::Result<()> {
    std::fs::set_permissions(folder, std::os::unix::fs::PermissionsExt::from_mode(0o755))
}

#[cfg(not(unix))]
fn open_to_all(_: &Path) -> std::io::Result<()> {
    Ok(())
}

/// "2026-11-26T13-40-12Z", with the serial number where there is one, and a count where that is taken.
fn free_place(folder: &Path, whole: &Whole) -> PathBuf {
    let plain: String = whole.said.serial.chars().map(|c| if c.is_alphanumeric() || c == '-' { c } else { '_' }).take(40).collect();
    let time = whole.time.replace(':', "-");
    let name = if plain.is_empty() { time } else { format!("{time}-{plain}") };
    let mut place = folder.join(&name);
    let mut count = 2;
    while place.exists() {
        place = folder.join(format!("{name}-{count}"));
        count += 1;
    }
    place
}

/// SHA-256, as hexadecimal digits.
#[must_use]
pub fn hash(bytes: &[u8]) -> String {
    Sha256::digest(bytes).iter().map(|b| format!("{b:02x}")).collect()
}

/// A picture as it is stored.
///
/// # Errors
/// When it cannot be.
pub fn png(picture: &Picture) -> anyhow::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    pictures::image_of(picture)?.write_to(&mut Cursor::new(&mut bytes), ImageFormat::Png).context(words::PICTURE_NOT_STORED)?;
    Ok(bytes)
}
