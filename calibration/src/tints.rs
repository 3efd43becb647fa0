//! The camera's answer to each light, from pictures with one light on: tints, what of one light is left in the other's plane,
//! black and white level, and gamma from the fact that lights add.

use landfit_vision::picture::Samples;
use landfit_vision::plane::separate;
use landfit_vision::{Frame, Optics, Picture, RegionPx};

/// What a picture with one light on says of that light.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tint {
    /// Red, green, blue; the strongest is 1.
    pub rgb: [f64; 3],
    /// Standard deviation of the share of each channel over the picture: how even the light's colour is.
    pub spread: [f64; 3],
    /// Pixels it rests on.
    pub pixels: usize,
}

/// Why a picture says nothing of a light.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum TintError {
    /// Too little between dark and saturated.
    #[error("only {pixels} pixels are neither dark nor saturated: give the light so much that the picture is bright, but nowhere white")]
    TooFew {
        /// How many.
        pixels: usize,
    },
    /// Grey camera.
    #[error("the picture is grey: a monochrome camera has no tints; light the two sides in two exposures")]
    Grey,
    /// Pictures of unequal size.
    #[error("the pictures differ in size")]
    Size,
    /// The colour changes over the picture.
    #[error(
        "the colour varies by {spread:.2} over it: more than one light shows. Switch the others off, or name a region where only this one shows"
    )]
    Mixed {
        /// Standard deviation of the worst channel's share.
        spread: f64,
    },
    /// A region that the picture does not have.
    #[error(
        "the region reaches to column {right} and row {bottom}, outside the picture of {width} x {height} px, or is empty; it is x,y,width,height"
    )]
    Region {
        /// Column after its last.
        right: u64,
        /// Row after its last.
        bottom: u64,
        /// Of the picture.
        width: usize,
        /// Of the picture.
        height: usize,
    },
}

const LEAST_PIXELS: usize = 400;
/// Pixels darker than this share of full scale are left to black level and noise, brighter ones to saturation.
const DARK: f64 = 0.08;
const BRIGHT: f64 = 0.96;
/// A light's colour over grey, copper and mask stays within some hundredths; two lights over one scene vary by several tenths. A project
/// choice.
const MOST_SPREAD: f64 = 0.15;

/// Raw values as doubles, channel by channel.
fn raw(picture: &Picture) -> Vec<f64> {
    match &picture.samples {
        Samples::U8(v) => v.iter().map(|x| f64::from(*x)).collect(),
        Samples::U16(v) => v.iter().map(|x| f64::from(*x)).collect(),
    }
}

/// A rectangle of a picture, as a picture.
///
/// # Errors
/// A rectangle that is empty or reaches out of the picture.
pub fn cropped(picture: &Picture, region: RegionPx) -> Result<Picture, TintError> {
    let (right, bottom) = (u64::from(region.x) + u64::from(region.width), u64::from(region.y) + u64::from(region.height));
    let (width, height) = (picture.width_px, picture.height_px);
    if region.width == 0 || region.height == 0 || right > width as u64 || bottom > height as u64 {
        return Err(TintError::Region { right, bottom, width, height });
    }
    fn rows<T: Copy>(values: &[T], picture: &Picture, region: RegionPx) -> Vec<T> {
        let n = picture.channels;
        let row = |y: u32| {
            let from = n * ((region.y + y) as usize * picture.width_px + region.x as usize);
            values[from..from + n * region.width as usize].iter().copied()
        };
        (0..region.height).flat_map(row).collect()
    }
    let samples = match &picture.samples {
        Samples::U8(v) => Samples::U8(rows(v, picture, region)),
        Samples::U16(v) => Samples::U16(rows(v, picture, region)),
    };
    Ok(Picture { width_px: region.width as usize, height_px: region.height as usize, channels: picture.channels, samples })
}

/// The tint of the only light that shows in a picture.
///
/// # Errors
/// A grey picture, one that is dark or white nearly everywhere, or one in which more than one light shows.
pub fn tint(picture: &Picture, frame: &Frame) -> Result<Tint, TintError> {
    if picture.channels != 3 {
        return Err(TintError::Grey);
    }
    let white = frame.white.unwrap_or(picture.full_scale());
    let share = |v: f64| ((v - frame.black) / (white - frame.black)).clamp(0.0, 1.0);
    let values = raw(picture);
    let usable: Vec<[f64; 3]> = values
        .chunks_exact(3)
        .map(|c| [share(c[0]), share(c[1]), share(c[2])])
        .filter(|c| {
            let top = c.iter().copied().fold(0.0, f64::max);
            (DARK..BRIGHT).contains(&top)
        })
        .map(|c| c.map(|v| v.powf(frame.gamma)))
        .collect();
    if usable.len() < LEAST_PIXELS {
        return Err(TintError::TooFew { pixels: usable.len() });
    }
    let sum = usable.iter().fold([0.0; 3], |s, c| [s[0] + c[0], s[1] + c[1], s[2] + c[2]]);
    let top = sum.iter().copied().fold(0.0, f64::max);
    let rgb = sum.map(|s| s / top);
    let spread: [f64; 3] = std::array::from_fn(|k| {
        let off = usable.iter().map(|c| c[k] / c.iter().copied().fold(1e-9, f64::max) - rgb[k]);
        (off.map(|o| o * o).sum::<f64>() / usable.len() as f64).sqrt()
    });
    let worst = spread.iter().copied().fold(0.0, f64::max);
    if worst > MOST_SPREAD {
        return Err(TintError::Mixed { spread: worst });
    }
    Ok(Tint { rgb, spread, pixels: usable.len() })
}

/// Share of a light that is left in the plane of the view `index`, whose light was off in this picture: mean of what separation
/// gives there, over the brightness of the picture in the light that was on (view `lit`); `within` keeps to a part of the picture.
#[must_use]
pub fn crosstalk(picture: &Picture, optics: &Optics, lit: usize, index: usize, within: Option<RegionPx>) -> f64 {
    let mean = |view: usize| {
        let plane = separate(picture, optics, view);
        let is_within = |i: usize| {
            let at = [plane.origin_px[0] + i % plane.width, plane.origin_px[1] + i / plane.width];
            within.is_none_or(|region| region.contains(at))
        };
        let kept = plane.light.iter().enumerate().filter(|(i, _)| is_within(*i));
        let (sum, n) = kept.fold((0.0, 0.0), |(sum, n), (_, v)| (sum + f64::from(*v), n + 1.0));
        sum / f64::max(n, 1.0)
    };
    mean(index) / mean(lit).max(1e-9)
}

/// Black level and full scale as a dark picture and bright ones show them.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Levels {
    /// Mean raw value without light, hot pixels left out.
    pub black: f64,
    /// Standard deviation about it, raw.
    pub noise: f64,
}

/// The black level of a picture taken with the lens capped or all lights off.
#[must_use]
pub fn black_level(dark: &Picture) -> Levels {
    let mut values = raw(dark);
    values.sort_by(f64::total_cmp);
    let n = values.len().max(1);
    // Hot pixels left out; a mean, because steps of whole values hide where between two of them black lies.
    let kept = &values[..values.len() - values.len() / 100];
    let black = kept.iter().sum::<f64>() / kept.len().max(1) as f64;
    let noise = (values.iter().map(|v| (v - black).powi(2)).sum::<f64>() / n as f64).sqrt();
    Levels { black, noise }
}

/// The raw value that nothing exceeds although a share of more than `least_share` reaches it; `None` when none does.
#[must_use]
pub fn white_level(bright: &Picture, least_share: f64) -> Option<f64> {
    let mut values = raw(bright);
    values.sort_by(f64::total_cmp);
    let top = *values.last()?;
    let at_top = values.iter().rev().take_while(|v| **v == top).count();
    (at_top as f64 > least_share * values.len() as f64).then_some(top)
}

/// Gamma from three pictures of one scene, with the one light on, with the other, and with both: the exponent under which the
/// first two add up to the third. Returns it with its standard uncertainty from the pixels' scatter.
///
/// # Errors
/// Pictures of unequal size, or too few pixels that are bright in all three and saturated in none.
pub fn gamma(one: &Picture, other: &Picture, both: &Picture, black: f64) -> Result<(f64, f64), TintError> {
    let pictures = [one, other, both].map(raw);
    if pictures.iter().any(|p| p.len() != pictures[0].len()) {
        return Err(TintError::Size);
    }
    let white = both.full_scale();
    let share = |v: f64| (v - black) / (white - black);
    let usable: Vec<[f64; 3]> = (0..pictures[0].len())
        .map(|i| [0, 1, 2].map(|k| share(pictures[k][i])))
        .filter(|v| v.iter().all(|x| (DARK..BRIGHT).contains(x)))
        .collect();
    if usable.len() < LEAST_PIXELS {
        return Err(TintError::TooFew { pixels: usable.len() });
    }
    // Where the sum of all is right; one root, for a^g + b^g - c^g falls with g where a, b < c.
    let off = |g: f64| usable.iter().map(|v| v[0].powf(g) + v[1].powf(g) - v[2].powf(g)).sum::<f64>() / usable.len() as f64;
    let (mut low, mut high) = (0.2, 6.0);
    for _ in 0..60 {
        let middle = (low + high) / 2.0;
        if off(middle) > 0.0 { low = middle } else { high = middle }
    }
    let g = (low + high) / 2.0;
    let slope = (off(g + 1e-4) - off(g - 1e-4)) / 2e-4;
    let scatter = usable.iter().map(|v| (v[0].powf(g) + v[1].powf(g) - v[2].powf(g)).powi(2)).sum::<f64>() / usable.len() as f64;
    Ok((g, (scatter / usable.len() as f64).sqrt() / slope.abs().max(1e-9)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use landfit_part::Side;
    use landfit_vision::{ScaleSource, View};
    use nalgebra::Matrix3;

    const FRAME: Frame = Frame { size_px: [64, 48], black: 0.0, white: None, gamma: 1.0 };

    /// A ramp of a light of this tint, coded with a gamma over a black level.
    fn lit(lights: &[([f64; 3], f64)], gamma: f64, black: f64) -> Picture {
        let mut values = Vec::new();
        for i in 0..64 * 48 {
            for c in 0..3 {
                let mut light = 0.0;
                for (n, (tint, strength)) in lights.iter().enumerate() {
                    let ramp = if n == 0 { f64::from(i % 64) / 64.0 } else { 1.0 - f64::from(i / 64) / 60.0 };
                    light += tint[c] * strength * (0.3 + 0.7 * ramp);
                }
                values.push((black + (65535.0 - black) * light.min(1.0).powf(1.0 / gamma)) as u16);
            }
        }
        Picture { width_px: 64, height_px: 48, channels: 3, samples: Samples::U16(values) }
    }

    const AMBER: [f64; 3] = [1.0, 0.6, 0.1];
    const CYAN: [f64; 3] = [0.1, 0.65, 1.0];

    #[test]
    fn a_tint_is_that_of_the_light_alone() {
        let found = tint(&lit(&[(AMBER, 0.8)], 1.0, 0.0), &FRAME).expect("a tint");
        for (a, b) in found.rgb.iter().zip(AMBER) {
            assert!((a - b).abs() < 1e-3, "{found:?}");
        }
        assert!(found.spread.iter().all(|s| *s < 1e-3));
        assert!(matches!(tint(&lit(&[(AMBER, 0.05)], 1.0, 0.0), &FRAME), Err(TintError::TooFew { .. })));
        let grey = Picture { width_px: 2, height_px: 2, channels: 1, samples: Samples::U8(vec![9; 4]) };
        assert_eq!(tint(&grey, &FRAME), Err(TintError::Grey));
    }

    #[test]
    fn a_region_where_one_light_shows_gives_its_tint_and_a_picture_of_both_is_refused() {
        // Amber on the left half, cyan on the right.
        let (amber, cyan) = (lit(&[(AMBER, 0.8)], 1.0, 0.0), lit(&[(CYAN, 0.8)], 1.0, 0.0));
        let (Samples::U16(a), Samples::U16(c)) = (&amber.samples, &cyan.samples) else { panic!("16 bits") };
        let both: Vec<u16> = (0..a.len()).map(|i| if (i / 3) % 64 < 32 { a[i] } else { c[i] }).collect();
        let both = Picture { samples: Samples::U16(both), ..amber.clone() };
        assert!(matches!(tint(&both, &FRAME), Err(TintError::Mixed { .. })));
        let left = RegionPx { x: 1, y: 2, width: 30, height: 44 };
        let right = RegionPx { x: 33, ..left };
        for (region, is) in [(left, AMBER), (right, CYAN)] {
            let found = tint(&cropped(&both, region).expect("inside"), &FRAME).expect("a tint");
            assert!(found.rgb.iter().zip(is).all(|(a, b)| (a - b).abs() < 1e-3), "{found:?}");
        }
        for (x, width) in [(40, 30), (0, 0), (u32::MAX, 2)] {
            assert!(matches!(cropped(&both, RegionPx { x, width, ..left }), Err(TintError::Region { .. })));
        }
    }

    #[test]
    fn lights_add_under_the_true_gamma_only() {
        for (true_gamma, black) in [(1.0, 0.0), (2.2, 0.0), (1.8, 3000.0)] {
            let (a, b) = ((AMBER, 0.45), (CYAN, 0.4));
            let (found, u) =
                gamma(&lit(&[a], true_gamma, black), &lit(&[(CYAN, 0.0), b], true_gamma, black), &lit(&[a, b], true_gamma, black), black)
                    .expect("a gamma");
            assert!((found - true_gamma).abs() < 0.01 && u < 0.01, "{found} {u}");
        }
    }

    #[test]
    fn a_wrong_tint_shows_as_crosstalk() {
        let view = |shows, tint| View { shows, exposure: 0, region_px: None, tint, px_from_mm: Matrix3::identity() };
        let optics = |amber| Optics {
            frame: FRAME,
            lens: None,
            views: vec![view(Side::Part, amber), view(Side::Board, CYAN)],
            scale: ScaleSource::Bench,
        };
        let picture = lit(&[(AMBER, 0.8)], 1.0, 0.0);
        assert!(crosstalk(&picture, &optics(AMBER), 0, 1, None).abs() < 1e-3);
        let corner = RegionPx { x: 40, y: 20, width: 20, height: 20 };
        for within in [None, Some(corner)] {
            assert!(crosstalk(&picture, &optics([1.0, 0.4, 0.1]), 0, 1, within).abs() > 0.02);
        }
    }

    #[test]
    fn levels_are_read_from_dark_and_saturated_pictures() {
        let dark = Picture { width_px: 3, height_px: 1, channels: 1, samples: Samples::U8(vec![15, 16, 17]) };
        assert!((black_level(&dark).black - 16.0).abs() < 1e-9);
        let bright = Picture { width_px: 4, height_px: 1, channels: 1, samples: Samples::U8(vec![235, 235, 100, 20]) };
        assert_eq!(white_level(&bright, 0.05), Some(235.0));
        assert_eq!(white_level(&bright, 0.6), None);
    }
}
