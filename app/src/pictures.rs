//! Reads pictures from files, with errors that name the file and the mend.

use anyhow::Context;
use image::{DynamicImage, ImageBuffer, ImageFormat};
use landfit_camera::{is_jpeg, read_picture};
use landfit_part::Existing;
use landfit_vision::Picture;
use landfit_vision::picture::Samples;
use std::io::{BufWriter, Write};
use std::path::Path;

/// Reads one picture: PNG, JPEG, BMP, TIFF or PNM, grey or colour, 8 or 16 bits.
///
/// # Errors
/// One sentence that names the file, what is wrong and what to do.
pub fn read(path: &Path) -> anyhow::Result<Picture> {
    Ok(read_picture(path)?)
}

/// Writes a picture as PNG, whole or not at all.
///
/// # Errors
/// One sentence that names the file.
pub fn save_png(path: &Path, image: &DynamicImage, existing: Existing) -> anyhow::Result<()> {
    let cannot = || format!("{} cannot be written; check the folder, its rights and the room on the disk", path.display());
    let folder = path.parent().filter(|f| !f.as_os_str().is_empty()).unwrap_or_else(|| Path::new("."));
    // Written beside its place and then renamed, so that nobody ever meets half a picture; dropped, it removes itself.
    let mut builder = tempfile::Builder::new();
    builder.prefix(".landfit-").suffix(".part");
    // A temporary file is its owner's alone; the picture is an ordinary file with the rights that the user's mask leaves.
    #[cfg(unix)]
    builder.permissions(std::os::unix::fs::PermissionsExt::from_mode(0o666));
    let mut file = builder.tempfile_in(folder).with_context(cannot)?;
    let mut out = BufWriter::new(file.as_file_mut());
    image.write_to(&mut out, ImageFormat::Png).with_context(cannot)?;
    out.flush().with_context(cannot)?;
    drop(out);
    let kept = match existing {
        Existing::Replace => file.persist(path),
        Existing::Keep => file.persist_noclobber(path),
    };
    kept.map(drop).map_err(|e| e.error).with_context(cannot)
}

/// A picture as the image library has it.
///
/// # Errors
/// When it holds fewer values than pixels.
pub fn image_of(picture: &Picture) -> anyhow::Result<DynamicImage> {
    let (w, h) = (picture.width_px as u32, picture.height_px as u32);
    let image = match (&picture.samples, picture.channels) {
        (Samples::U8(v), 1) => ImageBuffer::from_raw(w, h, v.clone()).map(DynamicImage::ImageLuma8),
        (Samples::U8(v), _) => ImageBuffer::from_raw(w, h, v.clone()).map(DynamicImage::ImageRgb8),
        (Samples::U16(v), 1) => ImageBuffer::from_raw(w, h, v.clone()).map(DynamicImage::ImageLuma16),
        (Samples::U16(v), _) => ImageBuffer::from_raw(w, h, v.clone()).map(DynamicImage::ImageRgb16),
    };
    image.context("the picture holds fewer values than pixels")
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
