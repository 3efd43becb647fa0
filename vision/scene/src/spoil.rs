//! What goes wrong on the way from the light to the file: shadow and glare before the sensor; in and after it sensors of one
//! colour per pixel, chroma stored at half resolution, codecs, sharpening and the like.
//!
//! The methods are the textbook ones, written down here as simply as they can be: demosaicing is bilinear, chroma is that of
//! ITU-R BT.601 in full range, averaged over its block and spread linearly, sharpening is an unsharp mask.

use crate::scene::Frame;
use crate::sensor::{Picture, Samples};
use rand::Rng;
use rand_chacha::ChaCha8Rng;
use serde::Serialize;

/// One thing that goes wrong.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub enum Spoil {
    /// Beyond a line through the picture so much of the light is left.
    Shadow {
        /// A point of the line, shares of the picture's width and height.
        through: [f64; 2],
        /// Direction into the shadow, radians from picture x towards picture y.
        towards_rad: f64,
        /// Half the width over which it sets in, px.
        soft_px: f64,
        /// What is left of the light in it.
        left: f64,
    },
    /// A spot of light on every channel, of Gaussian shape.
    Glare {
        /// Its middle, shares of the picture's width and height.
        at: [f64; 2],
        /// Standard deviations along picture x and y, px.
        sigma_px: [f64; 2],
        /// Light in its middle, share of full scale.
        light: f64,
    },
    /// One colour per pixel (red, green / green, blue), the others interpolated.
    OneColourPerPixel,
    /// Chroma kept once for a block of so many columns and rows.
    SharedChroma {
        /// Columns and rows of a block.
        block: [usize; 2],
    },
    /// A JPEG file of this quality on the way, chroma as the encoder has it.
    Jpeg {
        /// 1 to 100.
        quality: u8,
    },
    /// 0 to 255 written as 16 to 235.
    LimitedRange,
    /// An unsharp mask: so much of the difference to a 3 x 3 mean is added.
    Sharpened {
        /// Times the difference.
        amount: f64,
    },
    /// Each channel the median of its 3 x 3 pixels.
    Median,
    /// Every other row taken later: shifted by so many px.
    Interlaced {
        /// px to the right.
        shift_px: f64,
    },
    /// Pixels at full scale or at zero.
    DeadPixels {
        /// Share of all pixels.
        share: f64,
    },
    /// Bright and dark bands along the rows, from light that flickers while rows are read out.
    Bands {
        /// Light more or less, as a share.
        amount: f64,
        /// Rows of one bright and one dark band.
        period_px: f64,
    },
}

/// What changes the light before the sensor.
pub(crate) fn spoil_light(light: &mut [f32], frame: &Frame, spoils: &[Spoil]) {
    let [width, height] = frame.size_px.map(f64::from);
    for spoil in spoils {
        let change: Box<dyn Fn(f64, f64) -> (f64, f64)> = match *spoil {
            Spoil::Shadow { through, towards_rad, soft_px, left } => {
                let (s, c) = towards_rad.sin_cos();
                Box::new(move |x, y| {
                    let into_px = (x - through[0] * width) * c + (y - through[1] * height) * s;
                    let share = (0.5 + 0.5 * into_px / soft_px.max(0.5)).clamp(0.0, 1.0);
                    (1.0 - share * (1.0 - left), 0.0)
                })
            }
            Spoil::Glare { at, sigma_px, light } => Box::new(move |x, y| {
                let off = [(x - at[0] * width) / sigma_px[0], (y - at[1] * height) / sigma_px[1]];
                (1.0, light * (-0.5 * (off[0] * off[0] + off[1] * off[1])).exp())
            }),
            Spoil::Bands { amount, period_px } => Box::new(move |_, y| (1.0 + amount * (std::f64::consts::TAU * y / period_px).sin(), 0.0)),
            _ => continue,
        };
        let columns = frame.size_px[0] as usize;
        for (i, pixel) in light.chunks_exact_mut(frame.channels).enumerate() {
            let (times, plus) = change((i % columns) as f64, (i / columns) as f64);
            pixel.iter_mut().for_each(|v| *v = *v * times as f32 + plus as f32);
        }
    }
}

/// What changes the raw values. Only 8-bit pictures are spoilt: a camera of more bits that does all this is not known.
pub(crate) fn spoil_picture(mut picture: Picture, spoils: &[Spoil], rng: &mut ChaCha8Rng) -> Picture {
    for spoil in spoils {
        let Samples::U8(raw) = &picture.samples else { return picture };
        let size = (picture.width_px, picture.height_px, picture.channels);
        let spoilt = match *spoil {
            Spoil::OneColourPerPixel => demosaiced(raw, size),
            Spoil::SharedChroma { block } => shared_chroma(raw, size, block),
            Spoil::Jpeg { quality } => through_jpeg(&picture, quality).unwrap_or_else(|| raw.clone()),
            Spoil::LimitedRange => raw.iter().map(|v| (16.0 + f64::from(*v) * 219.0 / 255.0).round() as u8).collect(),
            Spoil::Sharpened { amount } => {
                let mean = neighbourhoods(raw, size, |nine| nine.iter().map(|v| f64::from(*v)).sum::<f64>() / 9.0);
                raw.iter().zip(mean).map(|(v, m)| (f64::from(*v) + amount * (f64::from(*v) - m)).round().clamp(0.0, 255.0) as u8).collect()
            }
            Spoil::Median => neighbourhoods(raw, size, |nine| {
                let mut nine = *nine;
                nine.sort_unstable();
                nine[4]
            }),
            Spoil::Interlaced { shift_px } => interlaced(raw, size, shift_px),
            Spoil::DeadPixels { share } => {
                let mut spoilt = raw.clone();
                for _ in 0..(share * (size.0 * size.1) as f64) as usize {
                    let (at, value) = (rng.random_range(0..size.0 * size.1) * size.2, if rng.random_bool(0.5) { 255 } else { 0 });
                    // One colour's pixel is dead, not all three.
                    spoilt[at + rng.random_range(0..size.2)] = value;
                }
                spoilt
            }
            Spoil::Shadow { .. } | Spoil::Glare { .. } | Spoil::Bands { .. } => continue,
        };
        picture.samples = Samples::U8(spoilt);
    }
    picture
}

/// Columns, rows, channels.
type Size = (usize, usize, usize);

/// What each value's 3 x 3 neighbours of its channel give; the outermost pixels are repeated outwards.
fn neighbourhoods<T>(raw: &[u8], (width, height, channels): Size, of: impl Fn(&[u8; 9]) -> T) -> Vec<T> {
    let mut all = Vec::with_capacity(raw.len());
    for y in 0..height {
        for x in 0..width {
            for c in 0..channels {
                let nine = std::array::from_fn(|i| {
                    let (dx, dy) = (i % 3, i / 3);
                    let (x, y) = ((x + dx).saturating_sub(1).min(width - 1), (y + dy).saturating_sub(1).min(height - 1));
                    raw[(y * width + x) * channels + c]
                });
                all.push(of(&nine));
            }
        }
    }
    all
}

/// Keeps one colour of each pixel and takes the mean of the nearest ones of the others.
fn demosaiced(raw: &[u8], (width, height, channels): Size) -> Vec<u8> {
    if channels != 3 {
        return raw.to_vec();
    }
    let colour = |x: usize, y: usize| [[0, 1], [1, 2]][y % 2][x % 2];
    let mut spoilt = raw.to_vec();
    for y in 0..height {
        for x in 0..width {
            for c in (0..3).filter(|c| *c != colour(x, y)) {
                let (mut sum, mut n) = (0_u32, 0);
                for near_y in y.saturating_sub(1)..=(y + 1).min(height - 1) {
                    for near_x in x.saturating_sub(1)..=(x + 1).min(width - 1) {
                        if colour(near_x, near_y) == c {
                            sum += u32::from(raw[(near_y * width + near_x) * 3 + c]);
                            n += 1;
                        }
                    }
                }
                spoilt[(y * width + x) * 3 + c] = ((sum + n / 2) / n.max(1)) as u8;
            }
        }
    }
    spoilt
}

/// Brightness as it is, chroma averaged over blocks and spread linearly between the blocks' middles.
fn shared_chroma(raw: &[u8], (width, height, channels): Size, [across, down]: [usize; 2]) -> Vec<u8> {
    if channels != 3 {
        return raw.to_vec();
    }
    let pixel = |i: usize| [0, 1, 2].map(|c| f64::from(raw[3 * i + c]));
    let brightness = |[r, g, b]: [f64; 3]| 0.299 * r + 0.587 * g + 0.114 * b;
    let (columns, rows) = (width.div_ceil(across), height.div_ceil(down));
    let mut chroma = vec![[0.0_f64; 3]; columns * rows];
    for y in 0..height {
        for x in 0..width {
            let p = pixel(y * width + x);
            let sum = &mut chroma[y / down * columns + x / across];
            let y = brightness(p);
            (sum[0], sum[1], sum[2]) = (sum[0] + p[0] - y, sum[1] + p[2] - y, sum[2] + 1.0);
        }
    }
    let at = |column: isize, row: isize, which: usize| {
        let (column, row) = (column.clamp(0, columns as isize - 1) as usize, row.clamp(0, rows as isize - 1) as usize);
        let of = chroma[row * columns + column];
        of[which] / of[2].max(1.0)
    };
    let split = |v: usize, block: usize| {
        let place = (v as f64 + 0.5) / block as f64 - 0.5;
        (place.floor() as isize, place - place.floor())
    };
    let mut spoilt = raw.to_vec();
    for y in 0..height {
        for x in 0..width {
            let ((column, u), (row, v)) = (split(x, across), split(y, down));
            let spread = |which: usize| {
                let line = |row: isize| at(column, row, which) * (1.0 - u) + at(column + 1, row, which) * u;
                line(row) * (1.0 - v) + line(row + 1) * v
            };
            let (luma, red_less, blue_less) = (brightness(pixel(y * width + x)), spread(0), spread(1));
            let green_less = -(0.299 * red_less + 0.114 * blue_less) / 0.587;
            for (c, less) in [red_less, green_less, blue_less].into_iter().enumerate() {
                spoilt[(y * width + x) * 3 + c] = (luma + less).round().clamp(0.0, 255.0) as u8;
            }
        }
    }
    spoilt
}

fn through_jpeg(picture: &Picture, quality: u8) -> Option<Vec<u8>> {
    let mut bytes = Vec::new();
    image::codecs::jpeg::JpegEncoder::new_with_quality(&mut bytes, quality).encode_image(&picture.to_image()?).ok()?;
    let decoded = image::load_from_memory_with_format(&bytes, image::ImageFormat::Jpeg).ok()?;
    Some(if picture.channels == 3 { decoded.into_rgb8().into_raw() } else { decoded.into_luma8().into_raw() })
}

fn interlaced(raw: &[u8], (width, height, channels): Size, shift_px: f64) -> Vec<u8> {
    let mut spoilt = raw.to_vec();
    for y in (1..height).step_by(2) {
        for x in 0..width {
            let from = (x as f64 - shift_px).clamp(0.0, width as f64 - 1.0);
            let (left, part) = (from.floor() as usize, from - from.floor());
            let right = (left + 1).min(width - 1);
            for c in 0..channels {
                let at = |x: usize| f64::from(raw[(y * width + x) * channels + c]);
                spoilt[(y * width + x) * channels + c] = (at(left) * (1.0 - part) + at(right) * part).round() as u8;
            }
        }
    }
    spoilt
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;

    const SIZE: [usize; 2] = [24, 16];

    fn spoilt(paint: impl Fn(usize, usize) -> [u8; 3], spoil: Spoil) -> Vec<u8> {
        let [width_px, height_px] = SIZE;
        let raw = (0..width_px * height_px).flat_map(|i| paint(i % width_px, i / width_px)).collect();
        let picture = Picture { width_px, height_px, channels: 3, samples: Samples::U8(raw) };
        match spoil_picture(picture, &[spoil], &mut ChaCha8Rng::seed_from_u64(1)).samples {
            Samples::U8(raw) => raw,
            Samples::U16(_) => unreachable!("8 bits stay 8 bits"),
        }
    }

    #[test]
    fn an_even_picture_stays_what_it_is_through_all_that_only_moves_edges() {
        let even = [90, 120, 60];
        for spoil in [
            Spoil::OneColourPerPixel,
            Spoil::SharedChroma { block: [2, 2] },
            Spoil::Sharpened { amount: 1.0 },
            Spoil::Median,
            Spoil::Interlaced { shift_px: 1.5 },
        ] {
            let raw = spoilt(|_, _| even, spoil.clone());
            let worst = raw.chunks_exact(3).flat_map(|p| [0, 1, 2].map(|c| p[c].abs_diff(even[c]))).max().unwrap_or(255);
            assert!(worst <= 1, "{spoil:?}: {worst}");
        }
        assert_eq!(spoilt(|_, _| [0, 255, 100], Spoil::LimitedRange)[..3], [16, 235, 102]);
    }

    #[test]
    fn a_colour_edge_is_blurred_by_shared_chroma_and_a_brightness_edge_is_not() {
        let colour = |x: usize| if x < 11 { [200, 50, 50] } else { [50, 50, 200] };
        let raw = spoilt(|x, _| colour(x), Spoil::SharedChroma { block: [2, 1] });
        let red = |x: usize| i32::from(raw[3 * (5 * SIZE[0] + x)]);
        assert!(red(8) > red(10) && red(10) > red(12) && red(10) < 190, "{} {} {}", red(8), red(10), red(12));
        let grey = spoilt(|x, _| if x < 11 { [40; 3] } else { [180; 3] }, Spoil::SharedChroma { block: [2, 1] });
        assert_eq!((grey[3 * 10], grey[3 * 11]), (40, 180));
    }

    #[test]
    fn one_colour_per_pixel_keeps_that_colour_and_means_the_others() {
        let raw = spoilt(|x, _| [(x * 10) as u8, 0, 0], Spoil::OneColourPerPixel);
        let red = |x: usize, y: usize| raw[3 * (y * SIZE[0] + x)];
        assert_eq!((red(4, 4), red(5, 4), red(5, 5)), (40, 50, 50), "a ramp is interpolated rightly");
    }

    #[test]
    fn shadow_and_glare_change_the_light_where_they_lie() {
        let frame = Frame { size_px: [20, 10], channels: 1, bits: 8, black: 0.0, white: 255.0, gamma: 1.0 };
        let mut light = vec![0.5_f32; 200];
        let shadow = Spoil::Shadow { through: [0.5, 0.5], towards_rad: 0.0, soft_px: 1.0, left: 0.4 };
        spoil_light(&mut light, &frame, &[shadow, Spoil::Glare { at: [0.0, 0.0], sigma_px: [2.0, 2.0], light: 0.3 }]);
        assert!((light[0] - 0.8).abs() < 1e-6 && (light[9 * 20 + 19] - 0.2).abs() < 1e-6, "{} {}", light[0], light[199]);
    }
}
