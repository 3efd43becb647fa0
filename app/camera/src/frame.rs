//! One look through the optics, and what gives looks.

use crate::Trouble;
use landfit_vision::Picture;
use std::time::{Duration, Instant};

/// One look: one picture for each exposure, in the bench's order.
#[derive(Debug, Clone)]
pub struct Frame {
    /// The pictures, in the order of the bench's exposures.
    pub pictures: Vec<Picture>,
    /// When the last of them was taken, as well as the source knows.
    pub taken: Instant,
    /// Whether they were read from JPEG files, which hold colour at half resolution. What a camera sends is its format's own matter.
    pub from_jpeg: bool,
    /// Counts the frames of one [`crate::Feed`] from 1, over every reopening; what a source writes here is overwritten.
    pub number: u64,
}

/// Something that gives one look after the other.
pub trait Source: Send {
    /// What the person calls it: the camera's name, the folder's path.
    fn name(&self) -> String;

    /// Waits at most `patience` for the next frame; `Ok(None)`: nothing new yet.
    ///
    /// # Errors
    /// What stands in the way. Whether the source has to be opened again is for [`Trouble::ends_the_source`] to say.
    fn next(&mut self, patience: Duration) -> Result<Option<Frame>, Trouble>;
}

/// Opens a source; called again whenever the last one has ended.
pub type Open = Box<dyn FnMut() -> Result<Box<dyn Source>, Trouble> + Send>;

/// A source whose pictures must have one size: that of the bench file.
struct OfOneSize {
    inner: Box<dyn Source>,
    wanted_px: [usize; 2],
}

/// Opens what `open` opens, and refuses pictures of any size but `size_px` (width, height) in words.
#[must_use]
pub fn expecting(size_px: [usize; 2], mut open: Open) -> Open {
    Box::new(move || Ok(Box::new(OfOneSize { inner: open()?, wanted_px: size_px }) as Box<dyn Source>))
}

impl Source for OfOneSize {
    fn name(&self) -> String {
        self.inner.name()
    }

    fn next(&mut self, patience: Duration) -> Result<Option<Frame>, Trouble> {
        let frame = self.inner.next(patience)?;
        match frame.as_ref().and_then(|f| f.pictures.iter().find(|p| [p.width_px, p.height_px] != self.wanted_px)) {
            Some(p) => Err(Trouble::WrongSize { source_name: self.name(), sent_px: [p.width_px, p.height_px], wanted_px: self.wanted_px }),
            None => Ok(frame),
        }
    }
}
