//! One plane of linear light for each view: separates the lights that a picture mixes, and reduces planes for finding.

use crate::memory;
pub use crate::memory::Light;
use crate::picture::{Picture, Samples};
use crate::view::{Frame, Optics, RegionPx, View};
use nalgebra::Vector3;
use std::ops::Range;
use std::sync::Arc;

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
    pub light: Light,
    /// One step of the camera's numbers, as light of this plane: the steps of the channels as separation combines them.
    pub step_of_light: f32,
    /// Where a channel is at full scale, so that the light is not known; `None` when it is nowhere. Planes of one region share it.
    pub saturated: Option<Arc<Saturated>>,
    /// Whether another side's light was taken off by a model of it: what that leaves beside the features is of no board.
    pub is_cleaned: bool,
    /// Whether a lossy codec has worked on blocks of the picture: what it leaves scatters places.
    pub is_in_blocks: bool,
    /// The light averaged over blocks, where that was done while separating it: the rows are at hand then.
    pub blocks: Option<Reduced>,
}

/// Two lights whose tints point less than this apart cannot be told apart: the noise of one would be blown up tenfold.
const LEAST_ANGLE_BETWEEN_TINTS_RAD: f64 = 0.1;

impl Plane {
    /// A plane of known light from the picture's upper left corner, row by row.
    #[must_use]
    pub fn of_light(width: usize, height: usize, light: Vec<f32>) -> Self {
        Self {
            origin_px: [0, 0],
            width,
            height,
            light: light.into(),
            step_of_light: 0.0,
            saturated: None,
            is_cleaned: false,
            is_in_blocks: false,
            blocks: None,
        }
    }

    /// Share of the pixels at full scale.
    #[must_use]
    pub fn saturated_share(&self) -> f64 {
        let pixels = (self.width * self.height).max(1) as f64;
        self.saturated.as_ref().map_or(0.0, |s| s.rows.iter().flatten().flatten().filter(|v| **v).count() as f64 / pixels)
    }

    /// Of some columns of row `y`, which are at full scale; `None` where none is.
    #[must_use]
    pub fn saturated_in(&self, y: usize, columns: Range<usize>) -> Option<&[bool]> {
        let row = self.saturated.as_ref()?.rows[y].as_ref()?;
        Some(&row[columns]).filter(|s| s.contains(&true))
    }

    /// The light between pixels, by its place in px of the plane; `None` where that is not between four of them.
    #[inline]
    #[must_use]
    pub fn light_at(&self, x: f64, y: f64) -> Option<f64> {
        let (i, fx, fy) = self.upper_left_of(x, y)?;
        let between = |pair: &[f32]| f64::from(pair[0]) * (1.0 - fx) + f64::from(pair[1]) * fx;
        Some(between(&self.light[i..i + 2]) * (1.0 - fy) + between(&self.light[i + self.width..i + self.width + 2]) * fy)
    }

    /// The same where all four pixels carry a known light.
    #[must_use]
    pub fn known_light_at(&self, x: f64, y: f64) -> Option<f64> {
        let (i, ..) = self.upper_left_of(x, y)?;
        [i, i + 1, i + self.width, i + self.width + 1].into_iter().all(|j| self.is_known(j)).then(|| self.light_at(x, y)).flatten()
    }

    /// Index of the pixel to the upper left of a place, and how far beyond it that lies along x and y.
    #[inline]
    fn upper_left_of(&self, x: f64, y: f64) -> Option<(usize, f64, f64)> {
        if !(x >= 0.0 && y >= 0.0) {
            return None;
        }
        // Of what is not negative, cutting off is rounding down; 32 bits, which hold any plane, are cut off the fastest.
        let (column, row) = (x as u32 as usize, y as u32 as usize);
        let is_between = column + 1 < self.width && row + 1 < self.height;
        is_between.then(|| (row * self.width + column, x - column as f64, y - row as f64))
    }

    /// Whether the pixel at index `i` carries a known light.
    #[inline]
    #[must_use]
    pub fn is_known(&self, i: usize) -> bool {
        self.saturated.as_ref().is_none_or(|s| s.rows[i / self.width].as_ref().is_none_or(|row| !row[i % self.width]))
    }
}

/// Which pixels of a plane are at full scale.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Saturated {
    /// Row by row; `None` where none is.
    rows: Vec<Option<Box<[bool]>>>,
}

impl Saturated {
    /// Nowhere yet.
    #[must_use]
    pub fn nowhere(height: usize) -> Self {
        Self { rows: vec![None; height] }
    }

    /// Sets row `y`: whether each of its pixels is at full scale.
    pub fn set_row(&mut self, y: usize, row: impl Iterator<Item = bool>) {
        self.rows[y] = Some(row.collect());
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

pub(crate) fn unit(tint: [f64; 3]) -> Vector3<f64> {
    let v = Vector3::from(tint);
    v / v.max().max(f64::MIN_POSITIVE)
}

fn same_light(a: &Vector3<f64>, b: &Vector3<f64>) -> bool {
    a.cross(b).norm() < LEAST_ANGLE_BETWEEN_TINTS_RAD.sin() * a.norm() * b.norm()
}

/// Whether two views share pixels: overlapping parts of the same picture.
#[must_use]
pub fn share_pixels(a: &View, b: &View, frame: &Frame) -> bool {
    a.exposure == b.exposure && overlap(region_of(a, frame), region_of(b, frame))
}

/// Whether two views are lit by the same light in overlapping parts of the same picture.
#[must_use]
pub fn share_light(a: &View, b: &View, frame: &Frame) -> bool {
    share_pixels(a, b, frame) && same_light(&unit(a.tint), &unit(b.tint))
}

/// Pairs of views that mix two lights in one region of a picture.
pub(crate) fn mixed_pairs(optics: &Optics) -> impl Iterator<Item = [usize; 2]> {
    let is_mixed = |[i, j]: &[usize; 2]| {
        let (one, other) = (&optics.views[*i], &optics.views[*j]);
        let is_one_region = one.exposure == other.exposure && region_of(one, &optics.frame) == region_of(other, &optics.frame);
        is_one_region && !share_light(one, other, &optics.frame)
    };
    let n = optics.views.len();
    (0..n).flat_map(move |i| (i + 1..n).map(move |j| [i, j])).filter(is_mixed)
}

/// The three weights that give view `index`'s light from linear red, green and blue: its row of the pseudo-inverse of the
/// tints that meet in its region (least squares; Keshava & Mustard 2002 for the method's name, unmixing).
pub(crate) fn unmixing_weights(optics: &Optics, index: usize, channels: usize) -> [f64; 3] {
    let view = &optics.views[index];
    let own = unit(view.tint);
    if channels == 1 {
        return [1.0 / own.mean(), 0.0, 0.0];
    }
    let mut lights = vec![own];
    for other in &optics.views {
        let tint = unit(other.tint);
        if share_pixels(view, other, &optics.frame) && lights.len() < 3 && !lights.iter().any(|l| same_light(l, &tint)) {
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
    let [plane] = together(picture, optics, [Wanted { view: index, block_edge_px: None }]);
    plane
}

/// A light that is wanted of a picture.
#[derive(Clone, Copy)]
struct Wanted {
    /// Index into the bench's views.
    view: usize,
    /// Edge of the blocks that it is to be averaged over, px.
    block_edge_px: Option<usize>,
}

/// Separates the lights of all views, each from the picture of its exposure, and averages each over blocks of the edge, px, that
/// `block_edge_px` names for the view. Two lights that mix in one region are told apart in one pass.
#[must_use]
pub fn separate_all(pictures: &[Picture], optics: &Optics, block_edge_px: impl Fn(usize) -> Option<usize>) -> Vec<Plane> {
    let mut planes: Vec<Option<Plane>> = optics.views.iter().map(|_| None).collect();
    for view in 0..planes.len() {
        if planes[view].is_some() {
            continue;
        }
        let picture = &pictures[optics.views[view].exposure];
        let wanted = |view| Wanted { view, block_edge_px: block_edge_px(view) };
        let is_mixed = |other: &usize| {
            let (a, b) = (&optics.views[view], &optics.views[*other]);
            a.exposure == b.exposure && region_of(a, &optics.frame) == region_of(b, &optics.frame)
        };
        match (view + 1..planes.len()).filter(|other| planes[*other].is_none()).find(is_mixed) {
            Some(other) => {
                let [one, two] = together(picture, optics, [wanted(view), wanted(other)]);
                (planes[view], planes[other]) = (Some(one), Some(two));
            }
            None => {
                let [one] = together(picture, optics, [wanted(view)]);
                planes[view] = Some(one);
            }
        }
    }
    planes.into_iter().flatten().collect()
}

/// Separates the lights of views that have one picture and one region.
fn together<const N: usize>(picture: &Picture, optics: &Optics, wanted: [Wanted; N]) -> [Plane; N] {
    let frame = &optics.frame;
    let region = region_of(&optics.views[wanted[0].view], frame);
    let white = frame.white.unwrap_or(picture.full_scale());
    let span = (white - frame.black).max(1e-9);
    let weights = wanted.map(|w| unmixing_weights(optics, w.view, picture.channels).map(|weight| weight as f32));
    let block_edges_px = wanted.map(|w| w.block_edge_px);
    let mut planes = match &picture.samples {
        Samples::U8(raw) => {
            let lines = Lines { raw, picture, region, full: white.min(255.0) as u8 };
            separated(lines, weights, block_edges_px, frame, span, 1 << 8)
        }
        Samples::U16(raw) => {
            let lines = Lines { raw, picture, region, full: white.min(65535.0) as u16 };
            separated(lines, weights, block_edges_px, frame, span, 1 << 16)
        }
    };
    for (plane, weights) in planes.iter_mut().zip(weights) {
        plane.step_of_light = (weights.iter().map(|w| w * w).sum::<f32>().sqrt()) / span as f32;
    }
    planes
}

/// The raw values of a region of a picture, line by line, and the raw value of full scale.
struct Lines<'a, T> {
    raw: &'a [T],
    picture: &'a Picture,
    region: RegionPx,
    full: T,
}

impl<T> Lines<'_, T> {
    fn line(&self, y: usize) -> &[T] {
        let (channels, width) = (self.picture.channels, self.region.width as usize);
        let start = ((self.region.y as usize + y) * self.picture.width_px + self.region.x as usize) * channels;
        &self.raw[start..start + width * channels]
    }
}

/// `span` is that of raw values from no light to full scale, which are below `values`.
fn separated<T: Copy + Ord + Into<f32> + Into<usize>, const N: usize>(
    lines: Lines<T>,
    weights: [[f32; 3]; N],
    block_edges_px: [Option<usize>; N],
    frame: &Frame,
    span: f64,
    values: u32,
) -> [Plane; N] {
    let widest = pulp::Arch::new();
    // Without gamma, the light is a multiplication that the compiler does for many pixels at once; with it, a look-up.
    if frame.gamma == 1.0 {
        let (black, per_step) = (frame.black as f32, (1.0 / span) as f32);
        let light_of = |raw: T| (Into::<f32>::into(raw) - black).max(0.0) * per_step;
        return widest.dispatch(Separation { lines, weights, block_edges_px, light_of });
    }
    let light = |raw: u32| ((f64::from(raw) - frame.black) / span).max(0.0).powf(frame.gamma) as f32;
    let table: Vec<f32> = (0..values).map(light).collect();
    let light_of = |raw: T| table[Into::<usize>::into(raw)];
    widest.dispatch(Separation { lines, weights, block_edges_px, light_of })
}

/// The lights of a region of a picture, by the light of each raw value.
struct Separation<'a, T, F, const N: usize> {
    lines: Lines<'a, T>,
    weights: [[f32; 3]; N],
    block_edges_px: [Option<usize>; N],
    light_of: F,
}

/// For the widest vector registers that this machine has; the arithmetic, and so the answer, is the same on all.
impl<T: Copy + Ord, F: Fn(T) -> f32, const N: usize> pulp::NullaryFnOnce for Separation<'_, T, F, N> {
    type Output = [Plane; N];

    #[inline(always)]
    fn call(self) -> [Plane; N] {
        planes_of(&self.lines, self.weights, self.block_edges_px, self.light_of)
    }
}

#[inline(always)]
fn planes_of<T: Copy + Ord, const N: usize>(
    lines: &Lines<T>,
    weights: [[f32; 3]; N],
    block_edges_px: [Option<usize>; N],
    light_of: impl Fn(T) -> f32,
) -> [Plane; N] {
    let (width, height, channels) = (lines.region.width as usize, lines.region.height as usize, lines.picture.channels);
    let mut planes = block_edges_px.map(|_| memory::take(width * height));
    // Blocks of one pixel are the plane itself.
    let mut blocks = block_edges_px.map(|edge_px| edge_px.filter(|e| *e > 1).map(|edge_px| Blocks::new(edge_px, width, height)));
    let mut saturated: Option<Saturated> = None;
    // The light of the channels of one line: each is found once, however many lights it is part of.
    let mut linear = [0, 1, 2].map(|channel| vec![0.0_f32; if channel < channels { width } else { 0 }]);
    for y in 0..height {
        let line = lines.line(y);
        if channels == 3 {
            let [red, green, blue] = linear.each_mut().map(|l| &mut l[..width]);
            for (i, p) in line.chunks_exact(3).enumerate().take(width) {
                (red[i], green[i], blue[i]) = (light_of(p[0]), light_of(p[1]), light_of(p[2]));
            }
        } else {
            for (l, &p) in linear[0].iter_mut().zip(line) {
                *l = light_of(p);
            }
        }
        for ((plane, blocks), weights) in planes.iter_mut().zip(&mut blocks).zip(weights) {
            let out = &mut plane[y * width..][..width];
            if channels == 3 {
                let [red, green, blue] = linear.each_ref().map(|l| &l[..width]);
                for i in 0..width {
                    out[i] = red[i] * weights[0] + green[i] * weights[1] + blue[i] * weights[2];
                }
            } else {
                for (o, l) in out.iter_mut().zip(&linear[0]) {
                    *o = l * weights[0];
                }
            }
            if let Some(blocks) = blocks {
                blocks.add_row(y, out);
            }
        }
        let brightest = line.first().map(|&first| line.iter().fold(first, |most, &v| if v > most { v } else { most }));
        if brightest.is_some_and(|brightest| brightest >= lines.full) {
            let is_full = line.chunks_exact(channels).map(|p| p.iter().any(|v| *v >= lines.full));
            saturated.get_or_insert_with(|| Saturated::nowhere(height)).set_row(y, is_full);
        }
    }
    let saturated = saturated.map(Arc::new);
    let mut blocks = blocks.into_iter();
    planes.map(|light| Plane {
        origin_px: [lines.region.x as usize, lines.region.y as usize],
        width,
        height,
        light: light.into(),
        step_of_light: 0.0,
        is_cleaned: false,
        is_in_blocks: false,
        saturated: saturated.clone(),
        blocks: blocks.next().flatten().map(Blocks::reduced),
    })
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
    pub light: Light,
}

/// Averages `plane` over blocks of `factor` x `factor` px; what is left over at the right and lower edge is dropped.
///
/// A block's centre lies at `factor * i + (factor - 1) / 2` px of the plane. Blocks of one pixel share the plane's light.
#[must_use]
pub fn reduce(plane: &Plane, factor: usize) -> Reduced {
    if factor == 1 {
        return Reduced { factor, width: plane.width, height: plane.height, light: plane.light.clone() };
    }
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
        blocks.reduced()
    }
}

/// Averages rows of light over blocks, one row after the other.
struct Blocks {
    factor: usize,
    /// Columns and rows of blocks.
    width: usize,
    height: usize,
    /// Mean light of the blocks that are done.
    light: Vec<f32>,
    /// The sums of the columns over the rows of the present blocks.
    column_sums: Vec<f32>,
}

impl Blocks {
    fn new(factor: usize, width: usize, height: usize) -> Self {
        let (width, height) = (width / factor, height / factor);
        Self { factor, width, height, light: memory::take(width * height), column_sums: vec![0.0; width * factor] }
    }

    #[inline(always)]
    fn add_row(&mut self, y: usize, row: &[f32]) {
        let Self { factor, width, height, .. } = *self;
        let (block_row, within) = (y / factor, y % factor);
        if block_row >= height {
            return;
        }
        if within == 0 {
            self.column_sums.copy_from_slice(&row[..width * factor]);
        } else {
            for (sum, v) in self.column_sums.iter_mut().zip(row) {
                *sum += v;
            }
        }
        if within + 1 == factor {
            let out = &mut self.light[block_row * width..][..width];
            // The usual edges by themselves, as the compiler needs to know how many to add.
            match factor {
                2 => mean_of_blocks::<2>(&self.column_sums, out),
                3 => mean_of_blocks::<3>(&self.column_sums, out),
                4 => mean_of_blocks::<4>(&self.column_sums, out),
                5 => mean_of_blocks::<5>(&self.column_sums, out),
                6 => mean_of_blocks::<6>(&self.column_sums, out),
                _ => {
                    for (o, block) in out.iter_mut().zip(self.column_sums.chunks_exact(factor)) {
                        *o = block.iter().sum::<f32>() / (factor * factor) as f32;
                    }
                }
            }
        }
    }

    fn reduced(self) -> Reduced {
        Reduced { factor: self.factor, width: self.width, height: self.height, light: self.light.into() }
    }
}

#[inline(always)]
fn mean_of_blocks<const EDGE: usize>(column_sums: &[f32], out: &mut [f32]) {
    for (o, block) in out.iter_mut().zip(column_sums.as_chunks::<EDGE>().0) {
        *o = block.iter().sum::<f32>() * (1.0 / (EDGE * EDGE) as f32);
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
    fn two_lights_in_one_pass_are_those_of_two_passes() {
        for gamma in [1.0, 2.2] {
            let mut optics = two_tints();
            (optics.frame.size_px, optics.frame.gamma) = ([37, 9], gamma);
            let raw: Vec<u8> = (0..37 * 9 * 3).map(|i: usize| if i == 100 { 255 } else { (i * 37 % 251) as u8 }).collect();
            let picture = Picture { width_px: 37, height_px: 9, channels: 3, samples: Samples::U8(raw) };
            let planes = separate_all(std::slice::from_ref(&picture), &optics, |view| Some(view + 2));
            for (view, plane) in planes.iter().enumerate() {
                let alone = separate(&picture, &optics, view);
                assert_eq!((&plane.light, &plane.saturated), (&alone.light, &alone.saturated), "gamma {gamma}, view {view}");
                assert_eq!((0..37 * 9).find(|i| !plane.is_known(*i)), Some(33));
                assert_eq!(plane.blocks.as_ref().map(|b| &b.light), Some(&reduce(&alone, view + 2).light));
            }
            assert_eq!(planes.len(), 2);
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
        assert_eq!(plane.saturated_in(0, 0..2), Some([false, true].as_slice()));
        assert_eq!((plane.saturated_in(0, 0..1), plane.saturated_share()), (None, 0.5));
    }

    #[test]
    fn reducing_keeps_the_mean_and_the_place() {
        let light: Vec<f32> = (0..36).map(|i| (i % 6) as f32).collect();
        let plane = Plane::of_light(6, 6, light);
        let small = reduce(&plane, 3);
        assert_eq!((small.width, small.height), (2, 2));
        assert_eq!(*small.light, [1.0, 4.0, 1.0, 4.0]);
        assert!((small.plane_px(0.0) - 1.0).abs() < 1e-12, "the first block of three is centred on pixel 1");
        let same = reduce(&plane, 1);
        assert_eq!(same.light.as_ptr(), plane.light.as_ptr(), "blocks of one pixel are the plane itself");
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
