//! Reads pictures from files, with errors that name the file and the mend.

use image::{ImageReader, Limits};
use landfit_vision::Picture;
use std::path::{Path, PathBuf};

/// No camera of this trade has more pixels along an edge; a header that claims more is damaged or hostile.
pub(crate) const MOST_EDGE_PX: u32 = 20_000;
/// Memory that decoding one picture may take, bytes.
const MOST_BYTES: u64 = 1 << 30;

/// Why a file is no picture: one sentence that names the file, what is wrong and what to do.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
#[allow(missing_docs, reason = "the sentences say it")]
pub enum FileTrouble {
    #[error("{} cannot be read; check the name and the rights: {cause}", file.display())]
    Unreadable { file: PathBuf, cause: std::io::Error },
    #[error("{} is a folder; name a picture file", file.display())]
    Folder { file: PathBuf },
    #[error("{} is empty; take the picture again", file.display())]
    Empty { file: PathBuf },
    #[error("{} is no picture that landfit reads; store it as PNG, JPEG, BMP, TIFF or PNM", file.display())]
    NoPicture { file: PathBuf },
    #[error(
        "{} claims to be larger than {MOST_EDGE_PX} x {MOST_EDGE_PX} px or to need more than 1 GiB; its header is damaged, take the picture again",
        file.display()
    )]
    TooLarge { file: PathBuf },
    #[error("{} is of a kind that landfit does not read ({what}); store it as PNG", file.display())]
    Unsupported { file: PathBuf, what: String },
    #[error("{} is cut short or damaged ({what}); take the picture again", file.display())]
    Damaged { file: PathBuf, what: String },
}

/// Reads one picture: PNG, JPEG, BMP, TIFF or PNM, grey or colour, 8 or 16 bits.
///
/// # Errors
/// One sentence that names the file, what is wrong and what to do.
pub fn read_picture(path: &Path) -> Result<Picture, FileTrouble> {
    let file = || path.to_path_buf();
    let size = std::fs::metadata(path).map_err(|cause| FileTrouble::Unreadable { file: file(), cause })?;
    if size.is_dir() {
        return Err(FileTrouble::Folder { file: file() });
    }
    if size.len() == 0 {
        return Err(FileTrouble::Empty { file: file() });
    }
    let mut reader = ImageReader::open(path)
        .and_then(ImageReader::with_guessed_format)
        .map_err(|cause| FileTrouble::Unreadable { file: file(), cause })?;
    if reader.format().is_none() {
        return Err(FileTrouble::NoPicture { file: file() });
    }
    reader.limits(limits());
    let image = reader.decode().map_err(|error| match error {
        image::ImageError::Limits(_) => FileTrouble::TooLarge { file: file() },
        image::ImageError::Unsupported(what) => FileTrouble::Unsupported { file: file(), what: what.to_string() },
        other => FileTrouble::Damaged { file: file(), what: other.to_string() },
    })?;
    Ok(Picture::from(image))
}

/// What decoding may take, whatever a header claims.
pub(crate) fn limits() -> Limits {
    let mut limits = Limits::default();
    limits.max_image_width = Some(MOST_EDGE_PX);
    limits.max_image_height = Some(MOST_EDGE_PX);
    limits.max_alloc = Some(MOST_BYTES);
    limits
}

/// Whether a file's name says that it is JPEG.
#[must_use]
pub fn is_jpeg(path: &Path) -> bool {
    path.extension().is_some_and(|e| e.eq_ignore_ascii_case("jpg") || e.eq_ignore_ascii_case("jpeg"))
}

/// Whether a file's name says that it is a picture that [`read_picture`] may read.
#[must_use]
pub fn is_named_as_picture(path: &Path) -> bool {
    const ENDINGS: [&str; 10] = ["png", "jpg", "jpeg", "bmp", "tif", "tiff", "pnm", "ppm", "pgm", "pbm"];
    path.extension().and_then(|e| e.to_str()).is_some_and(|e| ENDINGS.iter().any(|known| known.eq_ignore_ascii_case(e)))
}
