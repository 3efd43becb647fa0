//! Colour that is kept at half resolution (4:2:2, 4:2:0), as cameras and picture files do: what that leaves of each light in the other's plane.
//!
//! Such pictures hold brightness at every pixel, but what tells the lights apart only once for two of them. Coarse detail is told apart, fine
//! detail is brightness alone, of whichever light it is, and shows in both planes: beside a sharp edge of one light the other's plane is a
//! little too bright and a little too dark. Where balls lie with their edges over those of the lands that moves the lands' edges, and by
//! the same at all of them.
//!
//! For one axis and a detail of frequency f (cycles per px), h(f) is what stays of colour; lights P and L with shares b of the brightness show as
//!
//! > P' = h P + a (1 - h) (y_P P + y_L L)
//!
//! and likewise L', with the plane's answer a to equal steps of all three channels and the brightnesses y of the two lights. Of L',
//! a_L / a_P of (1 - G) P' is taken off, where G = h / (h + b (1 - h)) with b = a_P y_P: then no P is left in it at any frequency. That holds where
//! colour goes over linearly from pair to pair; where both of a pair have the same colour it is spread so first.

use crate::memory;
use crate::picture::{Picture, Samples};
use crate::plane::{Plane, region_of, share_light, unit, unmixing_weights};
use crate::view::Optics;

/// Brightness of red, green and blue: ITU-R BT.601, which JPEG files (JFIF 1.02) and the YUV of cameras follow.
const BRIGHTNESS: [f64; 3] = [0.299, 0.587, 0.114];

/// How one colour for two pixels has become one for each.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Spread {
    /// Both have it.
    Repeated,
    /// Linearly between the pairs' middles.
    Linear,
}

/// What averaging two pixels and spreading their colour linearly leaves of a detail, on the mean over its places.
fn left_of_colour(cycles_per_px: f64) -> f64 {
    (std::f64::consts::PI * cycles_per_px).cos().powi(4)
}

/// Takes off what half-resolution colour leaves of each light in the other's plane, where two lights mix in one region.
pub(crate) fn take_off(pictures: &[Picture], optics: &Optics, planes: &mut [Plane]) {
    // Brightness and colour are told apart in the camera's numbers: with a gamma they are no longer sums of light.
    if optics.frame.gamma != 1.0 {
        return;
    }
    for (exposure, picture) in pictures.iter().enumerate() {
        let pairs = mixed_in(optics, exposure);
        if pairs.is_empty() {
            continue;
        }
        let spreads = spreads(picture);
        if spreads == [None; 2] {
            continue;
        }
        for views in pairs {
            if let Some(shares) = Shares::of(optics, views) {
                if spreads.contains(&Some(Spread::Repeated)) {
                    shares.spread_linearly(planes, views, picture, optics, spreads);
                }
                shares.take_off(planes, views, spreads);
            }
        }
    }
}

/// Pairs of views that mix two lights in one region of a picture.
fn mixed_in(optics: &Optics, exposure: usize) -> Vec<[usize; 2]> {
    let frame = &optics.frame;
    let is_mixed = |i: usize, j: usize| {
        let (one, other) = (&optics.views[i], &optics.views[j]);
        let is_one_region = region_of(one, frame) == region_of(other, frame);
        [one, other].iter().all(|v| v.exposure == exposure) && is_one_region && !share_light(one, other, frame)
    };
    let n = optics.views.len();
    (0..n).flat_map(|i| (i + 1..n).map(move |j| [i, j])).filter(|[i, j]| is_mixed(*i, *j)).collect()
}

/// What brightness says of two lights.
struct Shares {
    /// The planes' answers to equal steps of all channels.
    answers: [f64; 2],
    /// Of each plane's fine detail, what is its own light's.
    own: [f64; 2],
}

/// A plane whose own light has less of the brightness than this tells nothing of that light's fine detail.
const LEAST_OWN: f64 = 0.1;

impl Shares {
    fn of(optics: &Optics, views: [usize; 2]) -> Option<Self> {
        let answers = views.map(|v| unmixing_weights(optics, v, 3).iter().sum::<f64>());
        let brightness = views.map(|v| unit(optics.views[v].tint).iter().zip(BRIGHTNESS).map(|(t, b)| t * b).sum::<f64>());
        let own = [0, 1].map(|i| answers[i] * brightness[i]);
        own.iter().all(|share| *share > LEAST_OWN).then_some(Self { answers, own })
    }

    /// Spreads colour that is repeated. A plane is its answer to brightness and what colour adds.
    fn spread_linearly(&self, planes: &mut [Plane], views: [usize; 2], picture: &Picture, optics: &Optics, spreads: [Option<Spread>; 2]) {
        let kernels = spreads.map(|spread| (spread == Some(Spread::Repeated)).then_some(FROM_PAIR_TO_PAIR));
        let brightness = brightness(picture, optics, views[0]);
        let of_brightness = fine_detail(&brightness, planes[views[0]].width, kernels);
        memory::give_back(brightness);
        for (view, answer) in views.into_iter().zip(self.answers) {
            let of_plane = fine_detail(&planes[view].light, planes[view].width, kernels);
            let fine = of_brightness.iter().zip(&of_plane);
            planes[view].light.to_mut().iter_mut().zip(fine).for_each(|(light, (b, p))| *light += answer as f32 * b - p);
            memory::give_back(of_plane);
        }
        memory::give_back(of_brightness);
    }

    fn take_off(&self, planes: &mut [Plane], views: [usize; 2], spreads: [Option<Spread>; 2]) {
        let fine = [0, 1].map(|i| {
            let plane = &planes[views[i]];
            fine_detail(&plane.light, plane.width, spreads.map(|spread| spread.map(|_| smoothing(self.own[i]))))
        });
        for (into, of) in [(0, 1), (1, 0)] {
            let share = (self.answers[into] / self.answers[of]) as f32;
            planes[views[into]].light.to_mut().iter_mut().zip(&fine[of]).for_each(|(light, fine)| *light -= share * fine);
        }
        fine.into_iter().for_each(memory::give_back);
    }
}

/// The brightness of a view's region, as linear light, row by row.
fn brightness(picture: &Picture, optics: &Optics, view: usize) -> Vec<f32> {
    let region = region_of(&optics.views[view], &optics.frame);
    let white = optics.frame.white.unwrap_or(picture.full_scale());
    let per_step = (1.0 / (white - optics.frame.black).max(1e-9)) as f32;
    let of_pixel = BRIGHTNESS.map(|b| b as f32 * per_step);
    let mut out = memory::take(region.width as usize * region.height as usize);
    // Colour at half resolution is told of 8 bits alone.
    let Samples::U8(raw) = &picture.samples else { return out };
    for (y, line) in out.chunks_exact_mut(region.width as usize).enumerate() {
        let from = ((region.y as usize + y) * picture.width_px + region.x as usize) * 3;
        for (out, p) in line.iter_mut().zip(raw[from..].chunks_exact(3)) {
            *out = f32::from(p[0]) * of_pixel[0] + f32::from(p[1]) * of_pixel[1] + f32::from(p[2]) * of_pixel[2];
        }
    }
    out
}

/// Taps of a smoothing kernel on either side of its middle: the next are below 0.003.
const REACH: usize = 5;
type Kernel = [f32; 2 * REACH + 1];

/// What spreads repeated colour linearly between the pairs' middles.
const FROM_PAIR_TO_PAIR: Kernel = [0.0, 0.0, 0.0, 0.0, 0.25, 0.5, 0.25, 0.0, 0.0, 0.0, 0.0];

/// The kernel whose transfer is G for a light with this share of its plane's fine detail.
fn smoothing(own: f64) -> Kernel {
    const FREQUENCIES: usize = 64;
    let transfer = |k: usize| {
        let h = left_of_colour(k as f64 / FREQUENCIES as f64);
        h / (h + own * (1.0 - h))
    };
    let at = |tap: usize| {
        let wave = |k: usize| (std::f64::consts::TAU * (k * tap) as f64 / FREQUENCIES as f64).cos();
        (0..FREQUENCIES).map(|k| transfer(k) * wave(k)).sum::<f64>() / FREQUENCIES as f64
    };
    let taps: [f64; 2 * REACH + 1] = std::array::from_fn(|i| at(i.abs_diff(REACH)));
    let sum: f64 = taps.iter().sum();
    taps.map(|tap| (tap / sum) as f32)
}

/// Light, row by row, less itself smoothed along x and y.
fn fine_detail(light: &[f32], width: usize, [along_x, along_y]: [Option<Kernel>; 2]) -> Vec<f32> {
    let height = light.len() / width.max(1);
    let mut fine = memory::take(light.len());
    let mut padded = vec![0.0_f32; width + 2 * REACH];
    let mut smooth = vec![0.0_f32; width];
    for y in 0..height {
        let row = |y: usize| &light[y * width..][..width];
        match along_y {
            None => smooth.copy_from_slice(row(y)),
            Some(kernel) => {
                smooth.fill(0.0);
                for (i, tap) in kernel.into_iter().enumerate() {
                    let beside = row((y + i).saturating_sub(REACH).min(height - 1));
                    smooth.iter_mut().zip(beside).for_each(|(sum, light)| *sum += tap * light);
                }
            }
        }
        if let Some(kernel) = along_x {
            padded[..REACH].fill(smooth[0]);
            padded[REACH..][..width].copy_from_slice(&smooth);
            padded[REACH + width..].fill(smooth[width - 1]);
            smooth.fill(0.0);
            for (i, tap) in kernel.into_iter().enumerate() {
                smooth.iter_mut().zip(&padded[i..]).for_each(|(sum, light)| *sum += tap * light);
            }
        }
        let out = &mut fine[y * width..][..width];
        out.iter_mut().zip(row(y)).zip(&smooth).for_each(|((out, light), smooth)| *out = light - smooth);
    }
    fine
}

/// Rows and columns that are looked at, spread over the picture.
const LINES: usize = 32;
/// Where colour is repeated, steps within pairs are less than this share, squared, of those between them.
const MOST_WITHIN_PAIRS: f64 = 0.1;
/// Where it is spread linearly, third differences about a pair's middle are no more than so many times what rounding leaves, squared (4:2:2 files
/// are rounded once more than others) …
const MOST_OVER_ROUNDING: f64 = 2.0;
/// … and less than this share of those between pairs.
const MOST_OF_OTHERS: f64 = 0.9;
/// Codecs work on blocks of this edge, px, at whose borders steps are their own …
const CODEC_BLOCK_PX: usize = 8;
/// … and where colour is whole, third differences over a border are more than so many times the others, squared: at half resolution only every
/// other border is one, and smoothed. Of 24 rendered pictures each as files of quality 60 to 95 these three say so of 4:2:0 in 75 to 100 %, of
/// 4:2:2 in 79 to 83 %, and never of whole colour, nor of pictures that were no such files.
const MOST_OVER_BORDERS: f64 = 4.0;

/// Whether and how a picture's colour was spread from half resolution along x and y, in pairs from the upper left.
fn spreads(picture: &Picture) -> [Option<Spread>; 2] {
    let Samples::U8(raw) = &picture.samples else { return [None; 2] };
    let (width, height) = (picture.width_px, picture.height_px);
    let pixel = |x: usize, y: usize| -> [f64; 3] { std::array::from_fn(|c| f64::from(raw[(y * width + x) * 3 + c])) };
    let lines = |n: usize| (0..LINES.min(n)).map(move |k| (2 * k + 1) * n / (2 * LINES.min(n)));
    let along_x = lines(height).map(|y| (0..width).map(|x| pixel(x, y)).collect());
    let along_y = lines(width).map(|x| (0..height).map(|y| pixel(x, y)).collect());
    [spread(along_x), spread(along_y)]
}

/// The mean squares of colour's differences along lines.
#[derive(Default)]
struct Differences {
    /// First differences, within and between pairs.
    first: [Mean; 2],
    /// Third differences, about the middle of a pair, about that between two, and over a border of the codec's blocks.
    third: [Mean; 3],
}

#[derive(Default, Clone, Copy)]
struct Mean {
    sum: f64,
    n: f64,
}

impl Mean {
    fn add(&mut self, value: f64) {
        self.sum += value;
        self.n += 1.0;
    }

    fn get(self) -> f64 {
        self.sum / self.n.max(1.0)
    }
}

/// How the colours blue - brightness and red - brightness were spread along lines.
fn spread(lines: impl Iterator<Item = Vec<[f64; 3]>>) -> Option<Spread> {
    const COLOURS: [usize; 2] = [2, 0];
    let mut of_colours: [Differences; 2] = Default::default();
    for line in lines {
        let brightness = |p: &[f64; 3]| p.iter().zip(BRIGHTNESS).map(|(v, b)| v * b).sum::<f64>();
        for (differences, channel) in of_colours.iter_mut().zip(COLOURS) {
            let colour: Vec<f64> = line.iter().map(|p| p[channel] - brightness(p)).collect();
            differences.add(&colour);
        }
    }
    let rounding = COLOURS.map(rounding_of_third);
    let all = |holds: &dyn Fn(&Differences, f64) -> bool| of_colours.iter().zip(rounding).all(|(d, r)| holds(d, r));
    if all(&|d, _| d.first[0].get() < MOST_WITHIN_PAIRS * d.first[1].get()) {
        return Some(Spread::Repeated);
    }
    let is_linear = |d: &Differences, rounding: f64| {
        let [pair, between, border] = d.third.map(Mean::get);
        pair < MOST_OVER_ROUNDING * rounding && pair < MOST_OF_OTHERS * between && border < MOST_OVER_BORDERS * between
    };
    all(&is_linear).then_some(Spread::Linear)
}

/// Mean square of a third difference (1, -3, 3, -1) of a colour whose channels are rounded to whole numbers.
fn rounding_of_third(channel: usize) -> f64 {
    let of_colour: f64 = (0..3).map(|c| (f64::from(u8::from(c == channel)) - BRIGHTNESS[c]).powi(2) / 12.0).sum();
    20.0 * of_colour
}

impl Differences {
    fn add(&mut self, colour: &[f64]) {
        let place = |x: usize| x % CODEC_BLOCK_PX;
        for (x, pair) in colour.windows(2).enumerate().filter(|(x, _)| place(*x) + 2 <= CODEC_BLOCK_PX) {
            self.first[x % 2].add((pair[1] - pair[0]).powi(2));
        }
        for (x, four) in colour.windows(4).enumerate() {
            let squared = (four[0] - 3.0 * four[1] + 3.0 * four[2] - four[3]).powi(2);
            if place(x) + 4 <= CODEC_BLOCK_PX {
                self.third[(x + 1) % 2].add(squared);
            } else if place(x) + 2 == CODEC_BLOCK_PX {
                self.third[2].add(squared);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plane::separate_all;
    use crate::view::{Frame, View};
    use landfit_part::Side;
    use nalgebra::Matrix3;

    const SIZE: usize = 96;
    const TINTS: [[f64; 3]; 2] = [[0.15, 0.69, 0.81], [0.95, 0.17, 0.09]];

    /// Blurred discs of the first light on ground that is lit evenly by the second.
    fn pixel(x: usize, y: usize) -> [f64; 3] {
        let from_middle = |v: usize| (v % 24) as f64 - 11.3;
        let disc = 0.5 * (1.0 - statrs::function::erf::erf((from_middle(x).hypot(from_middle(y)) - 7.0) / 1.3));
        std::array::from_fn(|c| 200.0 * disc * TINTS[0][c] + 60.0 * TINTS[1][c])
    }

    /// The picture with the colour of blocks of pixels averaged and given to each pixel as `share` says: of its own block and of the next along
    /// each axis.
    fn picture(block: [usize; 2], share: f64) -> Picture {
        let brightness = |p: [f64; 3]| p.iter().zip(BRIGHTNESS).map(|(v, b)| v * b).sum::<f64>();
        let colour = |column: usize, row: usize, c: usize| {
            let of = (0..block[0] * block[1]).map(|i| pixel(column * block[0] + i % block[0], row * block[1] + i / block[0]));
            of.map(|p| p[c] - brightness(p)).sum::<f64>() / (block[0] * block[1]) as f64
        };
        // The block of a pixel, and the nearest beside it.
        let blocks = |v: usize, axis: usize| {
            let (own, last) = (v / block[axis], SIZE / block[axis] - 1);
            let next = if block[axis] == 1 {
                own
            } else if v.is_multiple_of(2) {
                own.saturating_sub(1)
            } else {
                (own + 1).min(last)
            };
            [(own, share), (next, 1.0 - share)]
        };
        let mut raw = Vec::with_capacity(SIZE * SIZE * 3);
        for (x, y) in (0..SIZE * SIZE).map(|i| (i % SIZE, i / SIZE)) {
            for c in 0..3 {
                let near = blocks(x, 0).into_iter().flat_map(|(column, a)| blocks(y, 1).map(|(row, b)| a * b * colour(column, row, c)));
                raw.push((brightness(pixel(x, y)) + near.sum::<f64>()).round().clamp(0.0, 255.0) as u8);
            }
        }
        Picture { width_px: SIZE, height_px: SIZE, channels: 3, samples: Samples::U8(raw) }
    }

    fn optics(gamma: f64) -> Optics {
        let view = |shows, tint| View { shows, exposure: 0, region_px: None, tint, px_from_mm: Matrix3::identity() };
        Optics {
            frame: Frame { size_px: [SIZE as u32; 2], black: 0.0, white: None, gamma },
            lens: None,
            views: vec![view(Side::Part, TINTS[0]), view(Side::Board, TINTS[1])],
            scale: crate::ScaleSource::Bench,
        }
    }

    /// How far the board's plane is from even, over the step of the discs: the largest difference before and after.
    fn leaks(picture: &Picture, optics: &Optics) -> [f32; 2] {
        let mut planes = separate_all(std::slice::from_ref(picture), optics, |_| None);
        let uneven = |planes: &[Plane]| {
            let (least, most) = planes[1].light.iter().fold((f32::MAX, f32::MIN), |(a, b), v| (a.min(*v), b.max(*v)));
            (most - least) / (200.0 / 255.0)
        };
        let before = uneven(&planes);
        take_off(std::slice::from_ref(picture), optics, &mut planes);
        [before, uneven(&planes)]
    }

    #[test]
    fn how_colour_was_spread_is_seen() {
        use Spread::{Linear, Repeated};
        let cases = [
            ([1, 1], 1.0, [None, None]),
            ([2, 1], 0.75, [Some(Linear), None]),
            ([1, 2], 0.75, [None, Some(Linear)]),
            ([2, 2], 0.75, [Some(Linear); 2]),
            ([2, 1], 1.0, [Some(Repeated), None]),
            ([2, 2], 1.0, [Some(Repeated); 2]),
        ];
        for (block, share, expected) in cases {
            assert_eq!(spreads(&picture(block, share)), expected, "{block:?} {share}");
        }
    }

    #[test]
    fn sharp_edges_of_one_light_show_less_in_the_others_plane() {
        for (block, share) in [([2, 1], 0.75), ([2, 2], 0.75), ([2, 1], 1.0), ([2, 2], 1.0)] {
            let [before, after] = leaks(&picture(block, share), &optics(1.0));
            assert!(before > 0.05 && after < 0.6 * before, "{block:?} {share}: {before} {after}");
        }
    }

    #[test]
    fn pictures_of_whole_colour_and_of_another_gamma_stay_as_they_are() {
        let [before, after] = leaks(&picture([1, 1], 1.0), &optics(1.0));
        assert_eq!(before, after);
        let [before, after] = leaks(&picture([2, 1], 0.75), &optics(2.2));
        assert_eq!(before, after);
    }

    #[test]
    fn a_kernel_keeps_even_light_and_holds_all_of_its_transfer() {
        let kernel = smoothing(0.4);
        assert!((kernel.iter().sum::<f32>() - 1.0).abs() < 1e-6);
        assert!(kernel[0].abs() < 0.003 && kernel[REACH] > 0.3, "{kernel:?}");
    }
}
