//! The exposure as the ground under the marks: dimmed and nearly grey, but still the picture. Quick, for live pictures.

use eframe::egui::{Color32, ColorImage};
use landfit_vision::picture::Samples;
use landfit_vision::{Frame, Picture};

/// What the bright places become, of 255; what is dark is lifted by this exponent; this share of the colour is kept.
const BRIGHTEST: f32 = 150.0;
const LIFT: f32 = 0.65;
const COLOUR: f32 = 0.35;

/// One exposure as the window shows it.
#[must_use]
pub fn ground(picture: &Picture, frame: &Frame) -> ColorImage {
    let n = picture.width_px * picture.height_px;
    let pixels = match &picture.samples {
        Samples::U8(raw) => toned(raw, picture.channels, &table(picture, frame, &|i| i as f64, spread(raw, picture.channels))),
        Samples::U16(raw) => {
            // The eye has no use for the lower bits.
            let high: Vec<u8> = raw.iter().map(|v| (v >> 8) as u8).collect();
            let scale = |i: usize| (i * 257) as f64;
            let narrow = frame.white.is_some_and(|w| w < 16_384.0);
            if narrow {
                let shift = frame.white.map_or(8, |w| (w.max(255.0).log2().ceil() as u32).saturating_sub(8));
                let fitted: Vec<u8> = raw.iter().map(|v| (v >> shift).min(255) as u8).collect();
                let back = |i: usize| ((i << shift) as f64).min(65_535.0);
                toned(&fitted, picture.channels, &table(picture, frame, &back, spread(&fitted, picture.channels)))
            } else {
                toned(&high, picture.channels, &table(picture, frame, &scale, spread(&high, picture.channels)))
            }
        }
    };
    let pixels = if pixels.len() == n { pixels } else { vec![Color32::BLACK; n] };
    ColorImage::new([picture.width_px, picture.height_px], pixels)
}

/// From coded value to brightness on the screen, by a table: the same for every pixel of one picture.
fn table(picture: &Picture, frame: &Frame, raw: &dyn Fn(usize) -> f64, spread: [u8; 2]) -> [f32; 256] {
    let white = frame.white.unwrap_or_else(|| picture.full_scale());
    let span = (white - frame.black).abs().max(1.0);
    let level = |i: usize| ((raw(i) - frame.black) / span) as f32;
    let (low, high) = (level(usize::from(spread[0])), level(usize::from(spread[1])));
    let range = (high - low).max(0.02);
    std::array::from_fn(|i| 10.0 + ((level(i) - low) / range).clamp(0.0, 1.15).powf(LIFT) * (BRIGHTEST - 10.0))
}

fn toned(raw: &[u8], channels: usize, table: &[f32; 256]) -> Vec<Color32> {
    if channels < 3 {
        return raw.iter().step_by(channels.max(1)).map(|v| Color32::from_gray(table[usize::from(*v)] as u8)).collect();
    }
    // In 256ths: a look-up for each value and one for their sum, and nothing else for each pixel. The brightest is 164, so sums stay below 65,536.
    let grey: Vec<u16> = (0..=3 * 255).map(|sum| (table[sum / 3] * (1.0 - COLOUR) * 256.0) as u16).collect();
    let colour: [u16; 256] = table.map(|bright| (bright * COLOUR * 256.0) as u16);
    let one = |rgb: &[u8]| {
        let grey = grey[usize::from(rgb[0]) + usize::from(rgb[1]) + usize::from(rgb[2])];
        let mixed = |v: u8| ((grey + colour[usize::from(v)]) >> 8) as u8;
        Color32::from_rgb(mixed(rgb[0]), mixed(rgb[1]), mixed(rgb[2]))
    };
    raw.chunks_exact(channels).map(one).collect()
}

/// The values that leave one pixel in a hundred below and three in two hundred above: glare is less.
fn spread(raw: &[u8], channels: usize) -> [u8; 2] {
    let mut counts = [0_u32; 256];
    let mut n = 0_u32;
    for pixel in raw.chunks_exact(channels.max(1)).step_by(7) {
        let grey = pixel.iter().map(|v| u32::from(*v)).sum::<u32>() / pixel.len() as u32;
        counts[grey as usize] += 1;
        n += 1;
    }
    let at = |share: f32| {
        let mut below = 0;
        let wanted = (n as f32 * share) as u32;
        counts.iter().position(|c| {
            below += c;
            below > wanted
        })
    };
    [at(0.01).unwrap_or(0) as u8, at(0.985).unwrap_or(255) as u8]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn dark_stays_dark_and_bright_is_dimmed_in_grey_and_colour_8_and_16_bits() {
        let frame = Frame { size_px: [100, 1], black: 0.0, white: None, gamma: 1.0 };
        for (channels, samples) in [
            (1, Samples::U8((0..100).map(|i| i * 2).collect())),
            (3, Samples::U8((0..300_u16).map(|i| (i / 3 * 2) as u8).collect())),
            (1, Samples::U16((0..100).map(|i| i * 512).collect())),
        ] {
            let picture = Picture { width_px: 100, height_px: 1, channels, samples };
            let shown = ground(&picture, &frame);
            assert_eq!(shown.size, [100, 1]);
            assert!(shown.pixels[0].r() < 20, "{:?}", shown.pixels[0]);
            assert!((120..=175).contains(&shown.pixels[99].r()), "{:?}", shown.pixels[99]);
        }
    }
}
