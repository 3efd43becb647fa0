//! Reads pictures from files, with errors that name the file and the mend.

use landfit_camera::{is_jpeg, read_picture};
use landfit_vision::Picture;
use landfit_vision::picture::Samples;
use std::path::Path;

/// Reads one picture: PNG, JPEG, BMP, TIFF or PNM, grey or colour, 8 or 16 bits.
///
/// # Errors
/// One sentence that names the file, what is wrong and what to do.
pub fn read(path: &Path) -> anyhow::Result<Picture> {
    Ok(read_picture(path)?)
}

/// The kind of a picture, as registration depends on it: depth, colour, and whether it was stored as JPEG (chroma at half
/// resolution shifts one colour against the other).
pub fn format(path: &Path, picture: &Picture) -> String {
    kind(picture, is_jpeg(path))
}

/// See [`format`]: of a picture that is no file any more.
pub fn kind(picture: &Picture, from_jpeg: bool) -> String {
    let depth = if matches!(picture.samples, Samples::U8(_)) { 8 } else { 16 };
    let colour = if picture.channels == 1 { "grey" } else { "rgb" };
    let stored = if from_jpeg { " jpeg" } else { "" };
    format!("{colour}{depth}{stored}")
}
