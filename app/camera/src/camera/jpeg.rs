//! The JPEG in a buffer that is longer than it: where it ends, whether it is whole, and what it shows.

use crate::picture_file::MOST_EDGE_PX;
use landfit_vision::Picture;
use landfit_vision::picture::Samples;
use zune_jpeg::JpegDecoder;
use zune_jpeg::zune_core::bytestream::ZCursor;
use zune_jpeg::zune_core::colorspace::ColorSpace;
use zune_jpeg::zune_core::options::DecoderOptions;

/// Why a buffer holds no whole JPEG.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Fault {
    /// It does not begin like one, or goes on like none.
    NotJpeg(String),
    /// It has no end.
    NoEnd,
}

/// The bytes of the JPEG at the beginning of `buffer`, its end mark with them (ITU-T T.81, annex B).
///
/// Drivers hand out whole buffers: what stands behind the end mark is left from earlier frames.
///
/// # Errors
/// When there is no end mark, or no JPEG.
pub fn whole(buffer: &[u8]) -> Result<&[u8], Fault> {
    if !buffer.starts_with(&[0xff, 0xd8]) {
        return Err(Fault::NotJpeg("it does not begin as a JPEG".into()));
    }
    let mut at = 2;
    let mut in_scan = false;
    loop {
        if in_scan {
            // Entropy-coded data: a mark is 0xff and neither a stuffed zero, a restart, nor another 0xff.
            let rest = buffer.get(at..).ok_or(Fault::NoEnd)?;
            at += rest.windows(2).position(|w| w[0] == 0xff && !matches!(w[1], 0x00 | 0xd0..=0xd7 | 0xff)).ok_or(Fault::NoEnd)?;
            in_scan = false;
        }
        let mark = buffer.get(at..at + 2).ok_or(Fault::NoEnd)?;
        match (mark[0], mark[1]) {
            (0xff, 0xff) => at += 1,
            (0xff, 0xd9) => return Ok(&buffer[..at + 2]),
            (0xff, 0x01 | 0xd0..=0xd8) => at += 2,
            (0xff, kind) => {
                let length = buffer.get(at + 2..at + 4).ok_or(Fault::NoEnd)?;
                at += 2 + usize::from(u16::from_be_bytes([length[0], length[1]]));
                in_scan = kind == 0xda;
            }
            _ => return Err(Fault::NotJpeg(format!("no mark at byte {at}"))),
        }
    }
}

/// Decodes a whole JPEG; grey stays grey.
///
/// Strictly: a lenient decoder fills what it cannot read with grey, and grey is a picture of something that is not there.
///
/// # Errors
/// What the decoder says.
pub fn decode(jpeg: &[u8]) -> Result<Picture, String> {
    let most = MOST_EDGE_PX as usize;
    let options = DecoderOptions::default().set_strict_mode(true).set_max_width(most).set_max_height(most);
    let mut decoder = JpegDecoder::new_with_options(ZCursor::new(jpeg), options);
    decoder.decode_headers().map_err(|e| e.to_string())?;
    let (grey, size) = (decoder.input_colorspace() == Some(ColorSpace::Luma), decoder.dimensions());
    decoder.set_options(options.jpeg_set_out_colorspace(if grey { ColorSpace::Luma } else { ColorSpace::RGB }));
    let values = decoder.decode().map_err(|e| e.to_string())?;
    let (width_px, height_px) = size.ok_or("it tells no size")?;
    let channels = if grey { 1 } else { 3 };
    if values.len() != width_px * height_px * channels {
        return Err(format!("{} values for {width_px}x{height_px} px", values.len()));
    }
    Ok(Picture { width_px, height_px, channels, samples: Samples::U8(values) })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn jpeg() -> Vec<u8> {
        let picture = image::RgbImage::from_fn(65, 43, |x, y| image::Rgb([(x * 3) as u8, (y * 5) as u8, (x ^ y) as u8]));
        let mut out = Vec::new();
        image::codecs::jpeg::JpegEncoder::new_with_quality(&mut out, 95).encode_image(&picture).unwrap();
        out
    }

    #[test]
    fn the_end_is_found_whatever_stands_behind_it() {
        let jpeg = jpeg();
        let mut buffer = jpeg.clone();
        buffer.extend([0xff, 0xd9, 1, 2, 3, 0xff, 0xd8]);
        assert_eq!(whole(&buffer).unwrap(), jpeg);
        let picture = decode(whole(&buffer).unwrap()).unwrap();
        assert_eq!((picture.width_px, picture.height_px, picture.channels), (65, 43, 3));
    }

    #[test]
    fn a_jpeg_cut_anywhere_has_no_end() {
        let jpeg = jpeg();
        for end in 2..jpeg.len() {
            assert!(whole(&jpeg[..end]).is_err(), "cut at {end}");
            // The rest of the buffer empty, as a new one is.
            let mut padded = jpeg[..end].to_vec();
            padded.resize(jpeg.len() + 100, 0);
            assert!(whole(&padded).is_err() || decode(whole(&padded).unwrap()).is_err(), "cut at {end}, padded");
        }
        assert_eq!(whole(b""), Err(Fault::NotJpeg("it does not begin as a JPEG".into())));
    }

    #[test]
    fn a_broken_one_is_an_error_and_never_a_panic() {
        let jpeg = jpeg();
        let mut refused = 0;
        for k in 0..400u64 {
            let mut broken = jpeg.clone();
            let at = (k * 7919 % (jpeg.len() as u64 - 2)) as usize;
            broken[at] ^= 1 << (k % 8);
            broken[at + 1] ^= 0x5a;
            refused += u32::from(whole(&broken).map_or(true, |j| decode(j).is_err()));
        }
        // Some changes of the entropy-coded data are another valid JPEG.
        assert!(refused > 40, "{refused} of 400 were noticed");
    }
}
