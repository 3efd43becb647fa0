//! A decoded picture as the camera gave it: grey or colour, 8 or 16 bits.

/// Brightness of red, green and blue: ITU-R BT.601, which JPEG files (JFIF 1.02) and the YUV of cameras follow.
pub(crate) const BRIGHTNESS: [f64; 3] = [0.299, 0.587, 0.114];

/// The brightness of a colour.
#[inline(always)]
pub(crate) fn brightness(colour: [f64; 3]) -> f64 {
    colour.iter().zip(BRIGHTNESS).map(|(v, b)| v * b).sum()
}

/// Raw values, row by row, channels interleaved.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Samples {
    /// 8 bits a channel.
    U8(Vec<u8>),
    /// 16 bits a channel.
    U16(Vec<u16>),
}

/// A decoded picture.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Picture {
    /// Columns.
    pub width_px: usize,
    /// Rows.
    pub height_px: usize,
    /// 1 (grey) or 3 (red, green, blue).
    pub channels: usize,
    /// `width_px * height_px * channels` values.
    pub samples: Samples,
}

impl Picture {
    /// Raw value of full scale for this depth.
    #[must_use]
    pub const fn full_scale(&self) -> f64 {
        match self.samples {
            Samples::U8(_) => 255.0,
            Samples::U16(_) => 65535.0,
        }
    }
}

impl From<image::DynamicImage> for Picture {
    /// Keeps grey grey and 16 bits 16 bits; transparency is dropped.
    fn from(image: image::DynamicImage) -> Self {
        use image::ColorType::{L8, L16, La8, La16, Rgb16, Rgb32F, Rgba16, Rgba32F};
        let (width_px, height_px) = (image.width() as usize, image.height() as usize);
        let (channels, samples) = match image.color() {
            L8 | La8 => (1, Samples::U8(image.into_luma8().into_raw())),
            L16 | La16 => (1, Samples::U16(image.into_luma16().into_raw())),
            Rgb16 | Rgba16 | Rgb32F | Rgba32F => (3, Samples::U16(image.into_rgb16().into_raw())),
            _ => (3, Samples::U8(image.into_rgb8().into_raw())),
        };
        Self { width_px, height_px, channels, samples }
    }
}
