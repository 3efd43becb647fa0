//! From the bytes of a camera's frame to a picture.
//!
//! Colour from luma and colour differences after Recommendation ITU-R BT.601-7 (2011), 2.5.1 (weights 0.299, 0.587, 0.114) and
//! 2.5.3 (limited range: luma 16 to 235, differences 16 to 240 about 128); full range as JFIF (ITU-T T.871, 2011, clause 7) has it.
//! With b, r the colour differences in full range: R = Y + 1.402 r, G = Y - 0.344136 b - 0.714136 r, B = Y + 1.772 b.

use landfit_vision::Picture;
use landfit_vision::picture::Samples;

/// How a camera packs its pixels.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Pixels {
    /// Red, green, blue, 8 bits each.
    Rgb,
    /// Blue, green, red, 8 bits each.
    Bgr,
    /// 8 bits of grey.
    Grey,
    /// Luma for each pixel, colour for each pair.
    Yuyv,
    /// Luma for each pixel, colour for each four.
    Nv12,
    /// A JPEG for each frame.
    Mjpeg,
}

impl Pixels {
    /// All of them, the truest to the sensor first.
    pub const ALL: [Self; 6] = [Self::Rgb, Self::Bgr, Self::Grey, Self::Yuyv, Self::Nv12, Self::Mjpeg];

    /// The short name, as drivers list it.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Rgb => "RGB",
            Self::Bgr => "BGR",
            Self::Grey => "grey",
            Self::Yuyv => "YUYV",
            Self::Nv12 => "NV12",
            Self::Mjpeg => "MJPEG",
        }
    }

    /// What the packing does to a measurement, in plain words.
    #[must_use]
    pub const fn description(self) -> &'static str {
        match self {
            Self::Rgb | Self::Bgr => "every pixel whole",
            Self::Grey => "every pixel whole, no colour",
            Self::Yuyv => {
                "colour at half resolution across: lights of two colours may lie up to 0.08 px apart; calibrate in this very format"
            }
            Self::Nv12 => {
                "colour at half resolution both ways: lights of two colours may lie up to 0.08 px apart; calibrate in this very format"
            }
            Self::Mjpeg => {
                "compressed: fine edges suffer, colour usually at half resolution; choose another format where it is fast enough, or calibrate in this very one"
            }
        }
    }

    /// The format of that name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|p| p.name().eq_ignore_ascii_case(name))
    }

    /// Bytes of a whole frame; `None` where it varies.
    #[must_use]
    pub const fn frame_bytes(self, [w, h]: [usize; 2]) -> Option<usize> {
        match self {
            Self::Rgb | Self::Bgr => Some(w * h * 3),
            Self::Grey => Some(w * h),
            Self::Yuyv => Some(yuyv_row_bytes(w) * h),
            Self::Nv12 => Some(w * h + 2 * w.div_ceil(2) * h.div_ceil(2)),
            Self::Mjpeg => None,
        }
    }
}

/// Pixels come in pairs of four bytes; an odd last one still takes a pair.
const fn yuyv_row_bytes(width: usize) -> usize {
    width.div_ceil(2) * 4
}

/// What the camera's luma values mean.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Range {
    /// 16 is black, 235 white: what a driver that says nothing sends (V4L2, "default quantization" of Y'CbCr).
    Limited,
    /// 0 is black, 255 white.
    Full,
}

/// Unpacked picture, 8 bits a channel. `None` where `bytes` are too few.
#[must_use]
pub fn unpack(bytes: &[u8], pixels: Pixels, size_px: [usize; 2], range: Range) -> Option<Picture> {
    let [width_px, height_px] = size_px;
    let bytes = bytes.get(..pixels.frame_bytes(size_px)?)?;
    let (channels, values) = match pixels {
        Pixels::Mjpeg => return None,
        Pixels::Rgb => (3, bytes.to_vec()),
        Pixels::Bgr => (3, bytes.chunks_exact(3).flat_map(|p| [p[2], p[1], p[0]]).collect()),
        Pixels::Grey => (1, bytes.to_vec()),
        Pixels::Yuyv => (3, yuyv(bytes, width_px, &Mixer::new(range))),
        Pixels::Nv12 => (3, nv12(bytes, width_px, height_px, &Mixer::new(range))),
    };
    Some(Picture { width_px, height_px, channels, samples: Samples::U8(values) })
}

/// Fixed-point bits after the point: the sums stay within 32 bits and right to the last digit of 8.
const POINT: u32 = 16;
const HALF: i32 = 1 << (POINT - 1);

/// What each value adds to each colour.
struct Mixer {
    luma: [i32; 256],
    red_of_r: [i32; 256],
    green_of_r: [i32; 256],
    green_of_b: [i32; 256],
    blue_of_b: [i32; 256],
}

impl Mixer {
    fn new(range: Range) -> Self {
        let (black, luma_gain, difference_gain) = match range {
            Range::Limited => (16.0, 255.0 / 219.0, 255.0 / 224.0),
            Range::Full => (0.0, 1.0, 1.0),
        };
        let table = |zero: f64, gain: f64| {
            let mut table = [0; 256];
            for (v, entry) in table.iter_mut().enumerate() {
                *entry = ((v as f64 - zero) * gain * f64::from(1u32 << POINT)).round() as i32;
            }
            table
        };
        Self {
            luma: table(black, luma_gain),
            red_of_r: table(128.0, 1.402 * difference_gain),
            green_of_r: table(128.0, -0.714_136 * difference_gain),
            green_of_b: table(128.0, -0.344_136 * difference_gain),
            blue_of_b: table(128.0, 1.772 * difference_gain),
        }
    }

    fn rgb(&self, y: u8, b: u8, r: u8) -> [u8; 3] {
        let (y, b, r) = (self.luma[usize::from(y)] + HALF, usize::from(b), usize::from(r));
        [y + self.red_of_r[r], y + self.green_of_r[r] + self.green_of_b[b], y + self.blue_of_b[b]].map(|v| (v >> POINT).clamp(0, 255) as u8)
    }
}

/// Both pixels of a pair take the pair's colour: where in the pair it was sampled differs from camera to camera, which is for
/// the calibration of this format to find out.
fn yuyv(bytes: &[u8], width: usize, mixer: &Mixer) -> Vec<u8> {
    let mut out = Vec::with_capacity(bytes.len() / 2 * 3);
    for row in bytes.chunks_exact(yuyv_row_bytes(width).max(4)) {
        let (pairs, odd) = row.split_at(width / 2 * 4);
        for p in pairs.chunks_exact(4) {
            let (one, two) = (mixer.rgb(p[0], p[1], p[3]), mixer.rgb(p[2], p[1], p[3]));
            out.extend_from_slice(&[one[0], one[1], one[2], two[0], two[1], two[2]]);
        }
        if let [y, b, _, r] = *odd {
            out.extend_from_slice(&mixer.rgb(y, b, r));
        }
    }
    out
}

fn nv12(bytes: &[u8], width: usize, height: usize, mixer: &Mixer) -> Vec<u8> {
    let (luma, colour) = bytes.split_at(width * height);
    let colour_row = 2 * width.div_ceil(2);
    let mut out = Vec::with_capacity(width * height * 3);
    for (i, y) in luma.iter().enumerate() {
        let at = i / width / 2 * colour_row + i % width / 2 * 2;
        out.extend_from_slice(&mixer.rgb(*y, colour[at], colour[at + 1]));
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn values(picture: Picture) -> Vec<u8> {
        match picture.samples {
            Samples::U8(v) => v,
            Samples::U16(_) => panic!("8 bits"),
        }
    }

    fn one(y: u8, b: u8, r: u8, range: Range) -> [u8; 3] {
        let all = values(unpack(&[y, b, y, r], Pixels::Yuyv, [2, 1], range).unwrap());
        assert_eq!(all[..3], all[3..]);
        [all[0], all[1], all[2]]
    }

    #[test]
    fn colour_bars_come_out_as_the_recommendation_has_them() {
        // BT.601 limited range codes of 75 % bars (white, yellow, cyan, green, magenta, red, blue, black), as computed from the
        // recommendation's equations; widely printed, too.
        let bars = [
            ([180, 128, 128], [191, 191, 191]),
            ([162, 44, 142], [191, 191, 0]),
            ([131, 156, 44], [0, 191, 191]),
            ([112, 72, 58], [0, 191, 0]),
            ([84, 184, 198], [191, 0, 191]),
            ([65, 100, 212], [191, 0, 0]),
            ([35, 212, 114], [0, 0, 191]),
            ([16, 128, 128], [0, 0, 0]),
        ];
        for ([y, b, r], wanted) in bars {
            let got = one(y, b, r, Range::Limited);
            assert!(got.iter().zip(wanted).all(|(a, b)| a.abs_diff(b) <= 1), "{got:?} for {wanted:?}");
        }
        assert_eq!(one(235, 128, 128, Range::Limited), [255; 3]);
        assert_eq!(one(255, 128, 128, Range::Full), [255; 3]);
        assert_eq!(one(0, 128, 128, Range::Full), [0; 3]);
    }

    #[test]
    fn every_value_is_the_rounded_formula() {
        for range in [Range::Limited, Range::Full] {
            let (black, ly, lc) = if range == Range::Limited { (16.0, 255.0 / 219.0, 255.0 / 224.0) } else { (0.0, 1.0, 1.0) };
            for y in (0..=255u8).step_by(3) {
                for b in (0..=255u8).step_by(5) {
                    for r in (0..=255u8).step_by(5) {
                        let (l, u, v) = ((f64::from(y) - black) * ly, (f64::from(b) - 128.0) * lc, (f64::from(r) - 128.0) * lc);
                        let exact = [l + 1.402 * v, l - 0.344_136 * u - 0.714_136 * v, l + 1.772 * u];
                        for (got, exact) in one(y, b, r, range).iter().zip(exact) {
                            // 0.501: the tables round at the 16th binary place.
                            assert!((f64::from(*got) - exact.clamp(0.0, 255.0)).abs() <= 0.501, "{y} {b} {r} {range:?}: {got} for {exact}");
                        }
                    }
                }
            }
        }
    }

    #[test]
    fn odd_sizes_and_every_packing_are_unpacked() {
        let odd = values(unpack(&[10, 128, 20, 128, 30, 128, 0, 128], Pixels::Yuyv, [3, 1], Range::Full).unwrap());
        assert_eq!(odd, [10, 10, 10, 20, 20, 20, 30, 30, 30]);
        assert_eq!(values(unpack(&[1, 2, 3], Pixels::Bgr, [1, 1], Range::Full).unwrap()), [3, 2, 1]);
        assert_eq!(values(unpack(&[7, 8, 9], Pixels::Grey, [3, 1], Range::Full).unwrap()), [7, 8, 9]);
        let nv12 = values(unpack(&[10, 20, 30, 40, 50, 60, 128, 128, 128, 128], Pixels::Nv12, [3, 2], Range::Full).unwrap());
        assert_eq!(nv12, [10, 10, 10, 20, 20, 20, 30, 30, 30, 40, 40, 40, 50, 50, 50, 60, 60, 60]);
        assert!(unpack(&[1, 2, 3], Pixels::Yuyv, [2, 1], Range::Full).is_none(), "too few bytes");
    }
}
