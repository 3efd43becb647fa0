//! Reads pictures from files, with errors that name the file and the mend.

use anyhow::{Context, bail};
use image::{DynamicImage, ImageBuffer, ImageFormat};
use landfit_camera::{is_jpeg, is_named_as_picture, read_picture};
use landfit_part::Existing;
use landfit_part::text_file::save_bytes;
use landfit_vision::Picture;
use landfit_vision::picture::Samples;
use std::io::Cursor;
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
    let is_png = path.extension().is_some_and(|e| e.eq_ignore_ascii_case("png"));
    if is_named_as_picture(path) && !is_png {
        bail!("{}: a PNG picture is to be written there; give it a name that ends in .png", path.display());
    }
    let mut bytes = Vec::new();
    image.write_to(&mut Cursor::new(&mut bytes), ImageFormat::Png).with_context(|| format!("cannot write {}", path.display()))?;
    Ok(save_bytes(path, &bytes, existing)?)
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
