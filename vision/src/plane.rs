//! One plane of linear light for each view: separates the lights that a picture mixes, and reduces planes for finding.

use crate::memory;
use crate::picture::{Picture, Samples};
use crate::view::{Frame, Optics, RegionPx, View};
use nalgebra::Vector3;

/// The light of one view over its region of the picture.
#[derive(Debug, Clone)]
pub struct Plane {
    /// Column and row, in the picture, of the plane's upper left pixel.
    pub origin_px: [usize; 2],
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
    /// Linear light, row by row; 1 is full scale of the strongest channel of this view's tint.
    pub light: Vec<f32>,
    /// One step of the camera's numbers, as light of this plane: the steps of the channels as separation combines them.
    pub step_of_light: f32,
    /// True where a channel is at full scale, so that the light is not known; `None` when no pixel is.
    pub saturated: Option<Vec<bool>>,
    /// The light averaged over blocks, where that was done while separating it: the rows are at hand then.
    pub blocks: Option<Reduced>,
}

/// Two lights whose tints point less than this apart cannot be told apart: the noise of one would be blown up tenfold.
const LEAST_ANGLE_BETWEEN_TINTS_RAD: f64 = 0.1;

impl Drop for Plane {
    fn drop(&mut self) {
        memory::give_back(std::mem::take(&mut self.light));
    }
}

impl Plane {
    /// A plane of known light from the picture's upper left corner, row by row.
    #[must_use]
    pub const fn of_light(width: usize, height: usize, light: Vec<f32>) -> Self {
        Self { origin_px: [0, 0], width, height, light, step_of_light: 0.0, saturated: None, blocks: None }
    }

    /// Share of the pixels at full scale.
    #[must_use]
    pub fn saturated_share(&self) -> f64 {
        self.saturated.as_ref().map_or(0.0, |s| s.iter().filter(|&&v| v).count() as f64 / s.len().max(1) as f64)
    }

    /// Whether the pixel at index `i` carries a known light.
    #[inline]
    #[must_use]
    pub fn is_known(&self, i: usize) -> bool {
        self.saturated.as_ref().is_none_or(|s| !s[i])
    }
}

/// The region of a view in pixels, all of the frame when the bench file gives none.
#[must_use]
pub fn region_of(view: &View, frame: &Frame) -> RegionPx {
    view.region_px.unwrap_or(RegionPx { x: 0, y: 0, width: frame.size_px[0], height: frame.size_px[1] })
}

fn overlap(a: RegionPx, b: RegionPx) -> bool {
    a.x < b.x + b.width && b.x < a.x + a.width && a.y < b.y + b.height && b.y < a.y + a.height
}

fn unit(tint: [f64; 3]) -> Vector3<f64> {
    let v = Vector3::from(tint);
    v / v.max().max(f64::MIN_POSITIVE)
}

fn same_light(a: &Vector3<f64>, b: &Vector3<f64>) -> bool {
    a.cross(b).norm() < LEAST_ANGLE_BETWEEN_TINTS_RAD.sin() * a.norm() * b.norm()
}

/// Whether two views are lit by the same light in overlapping parts of the same picture.
#[must_use]
pub fn share_light(a: &View, b: &View, frame: &Frame) -> bool {
    a.exposure == b.exposure && overlap(region_of(a, frame), region_of(b, frame)) && same_light(&unit(a.tint), &unit(b.tint))
}

/// The three weights that give view `index`'s light from linear red, green and blue: its row of the pseudo-inverse of the
/// tints that meet in its region (least squares; Keshava & Mustard 2002 for the method's name, unmixing).
fn unmixing_weights(optics: &Optics, index: usize, channels: usize) -> [f64; 3] {
    let view = &optics.views[index];
    let own = unit(view.tint);
    if channels == 1 {
        return [1.0 / own.mean(), 0.0, 0.0];
    }
    let region = region_of(view, &optics.frame);
    let mut lights = vec![own];
    for other in &optics.views {
        let tint = unit(other.tint);
        let meets = other.exposure == view.exposure && overlap(region, region_of(other, &optics.frame));
        if meets && lights.len() < 3 && !lights.iter().any(|l| same_light(l, &tint)) {
            lights.push(tint);
        }
    }
    let tints = nalgebra::DMatrix::from_fn(3, lights.len(), |r, c| lights[c][r]);
    match tints.pseudo_inverse(1e-9) {
        Ok(inverse) => [inverse[(0, 0)], inverse[(0, 1)], inverse[(0, 2)]],
        Err(_) => [own.x, own.y, own.z].map(|v| v / own.norm_squared()),
    }
}

/// Separates the light of view `index` from its picture.
///
/// light = Σ weight_c ((raw_c - black) / (white - black))^gamma over the channels. The picture must have the frame's size.
#[must_use]
pub fn separate(picture: &Picture, optics: &Optics, index: usize) -> Plane {
    separate_with_blocks(picture, optics, index, None)
}

/// As [`separate`], and averages the light over blocks of `factor` x `factor` px in the same pass.
#[must_use]
pub fn separate_with_blocks(picture: &Picture, optics: &Optics, index: usize, factor: Option<usize>) -> Plane {
    let frame = &optics.frame;
    let region = region_of(&optics.views[index], frame);
    let white = frame.white.unwrap_or(picture.full_scale());
    let weights = unmixing_weights(optics, index, picture.channels).map(|w| w as f32);
    let span = (white - frame.black).max(1e-9);
    let linear = |raw: u32| ((f64::from(raw) - frame.black) / span).max(0.0).powf(frame.gamma) as f32;
    // One table for each channel, weight and gamma in it: separating a pixel is three look-ups and two sums.
    let tables = |values: u32| -> [Vec<f32>; 3] { weights.map(|w| (0..values).map(|v| w * linear(v)).collect()) };
    // Without gamma, separating is three multiplications that the compiler does for many pixels at once.
    let (black, per_step) = (frame.black as f32, weights.map(|w| w / span as f32));
    let widest = pulp::Arch::new();
    let mut plane = match &picture.samples {
        Samples::U8(raw) if frame.gamma == 1.0 => {
            widest.dispatch(Linear { raw, picture, region, factor, black, weights: per_step, full: white.min(255.0) as u8 })
        }
        Samples::U16(raw) if frame.gamma == 1.0 => {
            widest.dispatch(Linear { raw, picture, region, factor, black, weights: per_step, full: white.min(65535.0) as u16 })
        }
        Samples::U8(raw) => mix(raw, picture, region, factor, &tables(1 << 8), white.min(255.0) as u8),
        Samples::U16(raw) => mix(raw, picture, region, factor, &tables(1 << 16), white.min(65535.0) as u16),
    };
    plane.step_of_light = (weights.iter().map(|w| w * w).sum::<f32>().sqrt()) / span as f32;
    plane
}

/// Separation without gamma: raw value of no light, and what one raw step of each channel adds to the light.
struct Linear<'a, T> {
    raw: &'a [T],
    picture: &'a Picture,
    region: RegionPx,
    factor: Option<usize>,
    black: f32,
    weights: [f32; 3],
    full: T,
}

/// For the widest vector registers that this machine has; the arithmetic, and so the answer, is the same on all.
impl<T: Copy + Ord + Into<f32>> pulp::NullaryFnOnce for Linear<'_, T> {
    type Output = Plane;

    #[inline(always)]
    fn call(self) -> Plane {
        let Self { black, weights: [red, green, blue], .. } = self;
        plane_of(
            self.raw,
            self.picture,
            self.region,
            self.factor,
            self.full,
            #[inline(always)]
            |row, out| {
                if self.picture.channels == 3 {
                    for (o, p) in out.iter_mut().zip(row.chunks_exact(3)) {
                        let (r, g, b): (f32, f32, f32) = (p[0].into(), p[1].into(), p[2].into());
                        *o = (r - black).max(0.0) * red + (g - black).max(0.0) * green + (b - black).max(0.0) * blue;
                    }
                } else {
                    for (o, &p) in out.iter_mut().zip(row) {
                        *o = (p.into() - black).max(0.0) * red;
                    }
                }
            },
        )
    }
}

fn mix<T: Copy + Ord + Into<usize>>(
    raw: &[T],
    picture: &Picture,
    region: RegionPx,
    factor: Option<usize>,
    tables: &[Vec<f32>; 3],
    full: T,
) -> Plane {
    plane_of(raw, picture, region, factor, full, |row, out| {
        if picture.channels == 3 {
            for (o, p) in out.iter_mut().zip(row.chunks_exact(3)) {
                *o = tables[0][p[0].into()] + tables[1][p[1].into()] + tables[2][p[2].into()];
            }
        } else {
            for (o, &p) in out.iter_mut().zip(row) {
                *o = tables[0][p.into()];
            }
        }
    })
}

#[inline(always)]
fn plane_of<T: Copy + Ord>(
    raw: &[T],
    picture: &Picture,
    region: RegionPx,
    factor: Option<usize>,
    full: T,
    mut one_row: impl FnMut(&[T], &mut [f32]),
) -> Plane {
    let (width, height) = (region.width as usize, region.height as usize);
    let (x0, y0) = (region.x as usize, region.y as usize);
    let channels = picture.channels;
    let row_of = |y: usize| {
        let start = ((y0 + y) * picture.width_px + x0) * channels;
        &raw[start..start + width * channels]
    };
    let mut light = memory::take(width * height);
    let mut saturated = None;
    let mut blocks = factor.map(|factor| Blocks::new(factor, width, height));
    for (y, out) in light.chunks_exact_mut(width.max(1)).enumerate() {
        let row = row_of(y);
        one_row(row, out);
        if let Some(blocks) = &mut blocks {
            blocks.add_row(y, out);
        }
        if row.iter().fold(row[0], |most, &v| if v > most { v } else { most }) >= full {
            let saturated = &mut saturated.get_or_insert_with(|| vec![false; width * height])[y * width..][..width];
            if channels == 3 {
                for (s, p) in saturated.iter_mut().zip(row.chunks_exact(3)) {
                    *s = p[0] >= full || p[1] >= full || p[2] >= full;
                }
            } else {
                for (s, &p) in saturated.iter_mut().zip(row) {
                    *s = p >= full;
                }
            }
        }
    }
    Plane { origin_px: [x0, y0], width, height, light, step_of_light: 0.0, saturated, blocks: blocks.map(|b| b.reduced) }
}

/// A plane averaged over square blocks, for looking at a coarser scale.
#[derive(Debug, Clone)]
pub struct Reduced {
    /// Edge of a block, px of the plane.
    pub factor: usize,
    /// Columns of blocks.
    pub width: usize,
    /// Rows of blocks.
    pub height: usize,
    /// Mean light of each block.
    pub light: Vec<f32>,
}

/// Averages `plane` over blocks of `factor` x `factor` px; what is left over at the right and lower edge is dropped.
///
/// A block's centre lies at `factor * i + (factor - 1) / 2` px of the plane.
#[must_use]
pub fn reduce(plane: &Plane, factor: usize) -> Reduced {
    pulp::Arch::new().dispatch(Reduce { plane, factor })
}

struct Reduce<'a> {
    plane: &'a Plane,
    factor: usize,
}

impl pulp::NullaryFnOnce for Reduce<'_> {
    type Output = Reduced;

    #[inline(always)]
    fn call(self) -> Reduced {
        let Self { plane, factor } = self;
        let mut blocks = Blocks::new(factor, plane.width, plane.height);
        for (y, row) in plane.light.chunks_exact(plane.width.max(1)).enumerate() {
            blocks.add_row(y, row);
        }
        blocks.reduced
    }
}

/// Averages rows of light over blocks, one row after the other.
struct Blocks {
    reduced: Reduced,
    /// The sums of the columns over the rows of the present blocks.
    column_sums: Vec<f32>,
}

impl Blocks {
    fn new(factor: usize, width: usize, height: usize) -> Self {
        let (width, height) = (width / factor, height / factor);
        Self { reduced: Reduced { factor, width, height, light: memory::take(width * height) }, column_sums: vec![0.0; width * factor] }
    }

    #[inline(always)]
    fn add_row(&mut self, y: usize, row: &[f32]) {
        let Reduced { factor, width, height, light } = &mut self.reduced;
        let (block_row, within) = (y / *factor, y % *factor);
        if block_row >= *height {
            return;
        }
        if within == 0 {
            self.column_sums.copy_from_slice(&row[..*width * *factor]);
        } else {
            for (sum, v) in self.column_sums.iter_mut().zip(row) {
                *sum += v;
            }
        }
        if within + 1 == *factor {
            let out = &mut light[block_row * *width..][..*width];
            // The usual edges by themselves, as the compiler needs to know how many to add.
            match *factor {
                2 => mean_of_blocks::<2>(&self.column_sums, out),
                3 => mean_of_blocks::<3>(&self.column_sums, out),
                4 => mean_of_blocks::<4>(&self.column_sums, out),
                5 => mean_of_blocks::<5>(&self.column_sums, out),
                6 => mean_of_blocks::<6>(&self.column_sums, out),
                _ => {
                    for (o, block) in out.iter_mut().zip(self.column_sums.chunks_exact(*factor)) {
                        *o = block.iter().sum::<f32>() / (*factor * *factor) as f32;
                    }
                }
            }
        }
    }
}

#[inline(always)]
fn mean_of_blocks<const EDGE: usize>(column_sums: &[f32], out: &mut [f32]) {
    for (o, block) in out.iter_mut().zip(column_sums.as_chunks::<EDGE>().0) {
        *o = block.iter().sum::<f32>() * (1.0 / (EDGE * EDGE) as f32);
    }
}

impl Drop for Reduced {
    fn drop(&mut self) {
        memory::give_back(std::mem::take(&mut self.light));
    }
}

impl Reduced {
    /// Where a position in blocks lies, px of the plane.
    #[must_use]
    pub fn plane_px(&self, block: f64) -> f64 {
        block * self.factor as f64 + (self.factor as f64 - 1.0) / 2.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::view::ScaleSource;
    use landfit_part::Side;
    use nalgebra::Matrix3;

    fn two_tints() -> Optics {
        let view = |shows, tint| View { shows, exposure: 0, region_px: None, tint, px_from_mm: Matrix3::identity() };
        Optics {
            frame: Frame { size_px: [4, 2], black: 0.0, white: None, gamma: 1.0 },
            lens: None,
            views: vec![view(Side::Part, [0.8, 0.5, 0.1]), view(Side::Board, [0.1, 0.6, 0.9])],
            scale: ScaleSource::Bench,
        }
    }

    #[test]
    fn two_lights_in_one_picture_are_told_apart() {
        let optics = two_tints();
        let (a, b) = (0.4, 0.25);
        let (ta, tb) = (unit(optics.views[0].tint), unit(optics.views[1].tint));
        let raw: Vec<u16> = (0..8).flat_map(|_| (0..3).map(|c| ((a * ta[c] + b * tb[c]) * 65535.0_f64).round() as u16)).collect();
        let picture = Picture { width_px: 4, height_px: 2, channels: 3, samples: Samples::U16(raw) };
        for (index, expected) in [(0, a), (1, b)] {
            let plane = separate(&picture, &optics, index);
            assert_eq!(plane.light.len(), 8);
            assert!(plane.light.iter().all(|&v| (f64::from(v) - expected).abs() < 1e-4), "{:?}", plane.light);
            assert!(plane.saturated.is_none());
        }
    }

    #[test]
    fn gamma_and_black_level_are_undone() {
        let mut optics = two_tints();
        optics.views.truncate(1);
        optics.views[0].tint = [1.0; 3];
        optics.frame = Frame { size_px: [2, 1], black: 10.0, white: Some(210.0), gamma: 2.2 };
        let picture = Picture { width_px: 2, height_px: 1, channels: 1, samples: Samples::U8(vec![110, 210]) };
        let plane = separate(&picture, &optics, 0);
        assert!((f64::from(plane.light[0]) - 0.5_f64.powf(2.2)).abs() < 1e-6);
        assert_eq!(plane.saturated, Some(vec![false, true]));
    }

    #[test]
    fn reducing_keeps_the_mean_and_the_place() {
        let light: Vec<f32> = (0..36).map(|i| (i % 6) as f32).collect();
        let plane = Plane::of_light(6, 6, light);
        let small = reduce(&plane, 3);
        assert_eq!((small.width, small.height), (2, 2));
        assert_eq!(small.light, vec![1.0, 4.0, 1.0, 4.0]);
        assert!((small.plane_px(0.0) - 1.0).abs() < 1e-12, "the first block of three is centred on pixel 1");
    }

    /// `tests/check-values/unmix_two_colours.json`; its own SOURCE line says where the values come from.
    #[test]
    fn two_lights_are_separated_as_in_the_checked_example() {
        let check: serde_json::Value = serde_json::from_str(include_str!("../../tests/check-values/unmix_two_colours.json")).expect("JSON");
        let number = |v: &serde_json::Value| v.as_f64().expect("a number");
        let tint = |light: usize| [0, 1, 2].map(|channel| number(&check["M"][channel][light]));
        let mut optics = two_tints();
        optics.frame.size_px = [1, 1];
        for (light, view) in optics.views.iter_mut().enumerate() {
            view.tint = tint(light);
        }
        let raw: Vec<u16> = (0..3).map(|c| (number(&check["rgb"][c]) * 65535.0).round() as u16).collect();
        let picture = Picture { width_px: 1, height_px: 1, channels: 3, samples: Samples::U16(raw) };
        for light in 0..2 {
            // A plane's light is that of the tint's strongest channel.
            let strongest = tint(light).into_iter().fold(0.0, f64::max);
            let expected = number(&check["true_abundance"][light]) * strongest;
            let found = f64::from(separate(&picture, &optics, light).light[0]);
            assert!((found - expected).abs() < 2e-5, "light {light}: {found}, {expected}");
            let weights = unmixing_weights(&optics, light, 3);
            for (channel, weight) in weights.into_iter().enumerate() {
                let expected = number(&check["pinv"][light][channel]) * strongest;
                assert!((weight - expected).abs() < 1e-9, "light {light}, channel {channel}: {weight}, {expected}");
            }
        }
    }
}
