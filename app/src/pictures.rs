//! Reads pictures from files, with errors that name the file and the mend.

use anyhow::{Context, bail};
use image::{ImageReader, Limits};
use landfit_vision::Picture;
use landfit_vision::picture::Samples;
use std::path::Path;

/// No camera of this trade has more pixels along an edge; a header that claims more is damaged or hostile.
const MOST_EDGE_PX: u32 = 20_000;
/// Memory that decoding one picture may take, bytes.
const MOST_BYTES: u64 = 1 << 30;

/// Reads one picture: PNG, JPEG, BMP, TIFF or PNM, grey or colour, 8 or 16 bits.
///
/// # Errors
/// One sentence that names the file, what is wrong and what to do.
pub fn read(path: &Path) -> anyhow::Result<Picture> {
    let shown = path.display();
    let size = std::fs::metadata(path).with_context(|| format!("{shown} cannot be read; check the name and the rights"))?;
    if size.is_dir() {
        bail!("{shown} is a folder; name a picture file");
    }
    if size.len() == 0 {
        bail!("{shown} is empty; take the picture again");
    }
    let mut reader = ImageReader::open(path)
        .and_then(ImageReader::with_guessed_format)
        .with_context(|| format!("{shown} cannot be read; check the name and the rights"))?;
    if reader.format().is_none() {
        bail!("{shown} is no picture that landfit reads; store it as PNG, JPEG, BMP, TIFF or PNM");
    }
    let mut limits = Limits::default();
    limits.max_image_width = Some(MOST_EDGE_PX);
    limits.max_image_height = Some(MOST_EDGE_PX);
    limits.max_alloc = Some(MOST_BYTES);
    reader.limits(limits);
    let image = reader.decode().map_err(|error| match error {
        image::ImageError::Limits(_) => anyhow::anyhow!(
            "{shown} claims to be larger than {MOST_EDGE_PX} x {MOST_EDGE_PX} px or to need more than 1 GiB; its header is damaged, take the picture again"
        ),
        image::ImageError::Unsupported(what) => anyhow::anyhow!("{shown} is of a kind that landfit does not read ({what}); store it as PNG"),
        other => anyhow::anyhow!("{shown} is cut short or damaged ({other}); take the picture again"),
    })?;
    Ok(Picture::from(image))
}

/// The kind of a picture, as registration depends on it: depth, colour, and whether it was stored as JPEG (chroma at half
/// resolution shifts one colour against the other).
pub fn format(path: &Path, picture: &Picture) -> String {
    let depth = if matches!(picture.samples, Samples::U8(_)) { 8 } else { 16 };
    let colour = if picture.channels == 1 { "grey" } else { "rgb" };
    let name = path.extension().map(|e| e.to_string_lossy().to_lowercase()).unwrap_or_default();
    let stored = if name == "jpg" || name == "jpeg" { " jpeg" } else { "" };
    format!("{colour}{depth}{stored}")
}
