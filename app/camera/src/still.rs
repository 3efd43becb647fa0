//! Whether the picture has come to rest, and the average of the frames since.
//!
//! Frames are compared with the first one of the rest, not with the one before, so that a slow creep counts, too. In each of a
//! few tiles, and in each colour by itself (part and board are told apart by their light, and may move against each other),
//! the difference to that frame is explained by a shift, a change of brightness and an offset: linear least squares on the
//! picture's gradients (Lucas & Kanade 1981, one step). A shift too large for that is told by the edges not matching at all.

use crate::Frame;
use landfit_vision::Picture;
use landfit_vision::picture::Samples;
use nalgebra::{Matrix4, Vector4};
use std::sync::Arc;
use std::time::{Duration, Instant};

/// A shift in one tile and colour that counts as motion, px. A project choice: a twentieth of a small ball's radius in such
/// pictures, and several times the error of the estimate.
const MOVED_PX: f64 = 0.2;
/// ... and at least so many of its own standard errors, where little structure or much noise makes it uncertain: some 70
/// shifts are looked at for each frame, so that 3 would be exceeded by chance every fifth frame.
const MOVED_SIGMAS: f64 = 5.0;
/// What the strongest edges may differ by, as the shift in px that would explain it, before they are said not to match.
const MISMATCH_PX: f64 = 0.5;
/// Tiles across and down: a turn about the middle shifts every tile but none of the whole.
const TILES: [usize; 2] = [4, 3];
/// About so many points of a picture are compared: a few for each edge of a terminal, and under a millisecond.
const POINTS: f64 = 30_000.0;
/// So long nothing must have moved; the hand on a screw pauses for less (a project choice).
const STILL_AFTER: Duration = Duration::from_millis(250);
/// ... over at least so many frames.
const STILL_FRAMES: u32 = 3;
/// Frames that an average holds before the older ones lose half of their weight.
const AVERAGED_FRAMES: u32 = 32;
/// Gradients under so many values (of 255) for each px are noise, not structure.
const LEAST_GRADIENT: f64 = 4.0;
/// From a median of absolute values to a standard deviation, for a normal distribution.
const SIGMA_OF_MEDIAN: f64 = 1.4826;

/// Whether the picture is at rest.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Rest {
    /// It moves, or has not been at rest for long enough.
    Moving,
    /// It is at rest.
    Still {
        /// When the first frame of the rest was taken.
        since: Instant,
        /// Frames since, that one included.
        frames: u32,
    },
}

/// Watches frames come to rest. For streams; a picture that was stored is still by its nature.
#[derive(Debug, Default)]
pub struct Stillness {
    reference: Option<Reference>,
}

#[derive(Debug)]
struct Reference {
    taken: Instant,
    last: Instant,
    frames: u32,
    patterns: Vec<Pattern>,
    average: Option<Average>,
    /// The newest frame, while the average does not hold it yet.
    to_add: Option<Arc<Frame>>,
}

impl Stillness {
    /// Nothing seen yet.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Takes note of a frame; says whether the picture is at rest with it. The average takes it in later: see [`Self::gather`].
    pub fn push(&mut self, frame: &Arc<Frame>) -> Rest {
        match &mut self.reference {
            Some(reference) if reference.matches(frame) => reference.note(frame),
            _ => self.reference = Some(Reference::new(frame)),
        }
        self.rest()
    }

    /// Whether the picture was at rest with the last frame.
    #[must_use]
    pub fn rest(&self) -> Rest {
        match &self.reference {
            Some(r) if r.frames >= STILL_FRAMES && r.last.saturating_duration_since(r.taken) >= STILL_AFTER => {
                Rest::Still { since: r.taken, frames: r.frames }
            }
            _ => Rest::Moving,
        }
    }

    /// Adds the frame that was pushed last to the average: some milliseconds, for when nobody waits for what the frame shows. The next frame,
    /// or the average itself, makes up for it otherwise.
    pub fn gather(&mut self) {
        if let Some(reference) = &mut self.reference {
            reference.gather();
        }
    }

    /// The mean of the frames of this rest, in the depth of the camera; `None` while the picture moves.
    pub fn average(&mut self) -> Option<Frame> {
        self.gather();
        let reference = self.reference.as_ref().filter(|_| self.rest() != Rest::Moving)?;
        Some(reference.average.as_ref()?.frame(reference.last))
    }

    /// Forgets everything: after a change of source or bench.
    pub fn forget(&mut self) {
        self.reference = None;
    }
}

impl Reference {
    fn new(frame: &Arc<Frame>) -> Self {
        Self {
            taken: frame.taken,
            last: frame.taken,
            frames: 1,
            patterns: frame.pictures.iter().map(Pattern::new).collect(),
            average: None,
            to_add: Some(Arc::clone(frame)),
        }
    }

    fn matches(&self, frame: &Frame) -> bool {
        self.patterns.len() == frame.pictures.len()
            && self.patterns.iter().zip(&frame.pictures).all(|(pattern, picture)| pattern.matches(picture))
    }

    fn note(&mut self, frame: &Arc<Frame>) {
        self.gather();
        self.last = frame.taken;
        self.frames += 1;
        self.to_add = Some(Arc::clone(frame));
    }

    fn gather(&mut self) {
        match (self.to_add.take(), &mut self.average) {
            (Some(frame), Some(average)) => average.add(&frame),
            (Some(frame), none) => *none = Some(Average::new(&frame)),
            (None, _) => {}
        }
    }
}

/// What one picture of the reference looks like at the points that are compared.
#[derive(Debug)]
struct Pattern {
    size_px: [usize; 2],
    channels: usize,
    /// Values of 255 that one raw step is.
    step: f64,
    patches: Vec<Patch>,
}

/// The points of one tile in one channel.
#[derive(Debug)]
struct Patch {
    points: Vec<Point>,
    /// Inverse of the normal matrix of [`Point::terms`]; `None` where the tile holds too little structure.
    inverse: Option<Matrix4<f64>>,
    /// Gradient (squared) from which on a point is one of the tile's strongest edges.
    strong: f64,
}

#[derive(Debug, Clone, Copy)]
struct Point {
    index: usize,
    value: f32,
    gradient: [f32; 2],
}

impl Point {
    /// What the difference is made of: shift right and down, brightness, offset.
    fn terms(&self) -> Vector4<f64> {
        Vector4::new(f64::from(self.gradient[0]), f64::from(self.gradient[1]), f64::from(self.value) / 255.0, 1.0)
    }

    fn gradient_squared(&self) -> f64 {
        let [x, y] = self.gradient.map(f64::from);
        x * x + y * y
    }
}

fn value_at(samples: &Samples, index: usize, step: f64) -> f64 {
    match samples {
        Samples::U8(v) => f64::from(v[index]) * step,
        Samples::U16(v) => f64::from(v[index]) * step,
    }
}

fn length(samples: &Samples) -> usize {
    match samples {
        Samples::U8(v) => v.len(),
        Samples::U16(v) => v.len(),
    }
}

impl Pattern {
    fn new(picture: &Picture) -> Self {
        let (w, h, channels) = (picture.width_px, picture.height_px, picture.channels);
        let step = 255.0 / picture.full_scale();
        let mut pattern = Self { size_px: [w, h], channels, step, patches: Vec::new() };
        if w < 3 || h < 3 || length(&picture.samples) < w * h * channels {
            return pattern;
        }
        let apart = ((w * h) as f64 / POINTS).sqrt().ceil().max(1.0) as usize;
        let at = |x: usize, y: usize, c: usize| value_at(&picture.samples, (y * w + x) * channels + c, step);
        for c in 0..channels {
            for tile in 0..TILES[0] * TILES[1] {
                let (i, j) = (tile % TILES[0], tile / TILES[0]);
                let columns = (i * w / TILES[0]).max(1)..((i + 1) * w / TILES[0]).min(w - 1);
                let rows = (j * h / TILES[1]).max(1)..((j + 1) * h / TILES[1]).min(h - 1);
                let point = |x: usize, y: usize| Point {
                    index: (y * w + x) * channels + c,
                    value: at(x, y, c) as f32,
                    gradient: [(at(x + 1, y, c) - at(x - 1, y, c)) as f32 / 2.0, (at(x, y + 1, c) - at(x, y - 1, c)) as f32 / 2.0],
                };
                let points = rows.step_by(apart).flat_map(|y| columns.clone().step_by(apart).map(move |x| (x, y)));
                pattern.patches.push(Patch::new(points.map(|(x, y)| point(x, y)).collect()));
            }
        }
        pattern
    }

    /// Whether `picture` shows the same, unmoved.
    fn matches(&self, picture: &Picture) -> bool {
        let same_form = self.size_px == [picture.width_px, picture.height_px] && self.channels == picture.channels;
        same_form
            && self.step == 255.0 / picture.full_scale()
            && length(&picture.samples) >= self.size_px[0] * self.size_px[1] * self.channels
            && self.patches.iter().all(|patch| patch.matches(&picture.samples, self.step))
    }
}

impl Patch {
    fn new(points: Vec<Point>) -> Self {
        let mut squares: Vec<f64> = points.iter().map(Point::gradient_squared).collect();
        squares.sort_by(f64::total_cmp);
        // The strongest tenth.
        let strong = squares.get(squares.len() * 9 / 10).copied().unwrap_or(0.0).max(LEAST_GRADIENT * LEAST_GRADIENT);
        let mut normal = Matrix4::zeros();
        for point in &points {
            let terms = point.terms();
            normal += terms * terms.transpose();
        }
        let structured = squares.last().is_some_and(|most| *most >= strong);
        Self { inverse: normal.try_inverse().filter(|_| structured), points, strong }
    }

    fn matches(&self, samples: &Samples, step: f64) -> bool {
        let Some(inverse) = self.inverse else { return true };
        let difference: Vec<f64> = self.points.iter().map(|p| f64::from(p.value) - value_at(samples, p.index, step)).collect();
        let mut right = Vector4::zeros();
        for (point, d) in self.points.iter().zip(&difference) {
            right += point.terms() * *d;
        }
        let found = inverse * right;
        let mut flat = Vec::with_capacity(difference.len());
        let (mut mismatch, mut edges) = (0.0, 0.0);
        for (point, d) in self.points.iter().zip(&difference) {
            let terms = point.terms();
            let without_light = d - found[2] * terms[2] - found[3];
            let square = point.gradient_squared();
            if square >= self.strong {
                mismatch += without_light * without_light;
                edges += square;
            }
            flat.push((d - found.dot(&terms)).abs());
        }
        let middle = flat.len() / 2;
        let noise = *flat.select_nth_unstable_by(middle, f64::total_cmp).1 * SIGMA_OF_MEDIAN;
        let moved = |i: usize| found[i].abs() > MOVED_PX.max(MOVED_SIGMAS * noise * inverse[(i, i)].max(0.0).sqrt());
        // Twice the noise's square: edges of bright discs hold more shot noise than the median point.
        let count = self.points.iter().filter(|p| p.gradient_squared() >= self.strong).count() as f64;
        let unexplained = (mismatch - 2.0 * noise * noise * count).max(0.0);
        !(moved(0) || moved(1) || unexplained > MISMATCH_PX * MISMATCH_PX * edges)
    }
}

/// Sums of frames.
#[derive(Debug)]
struct Average {
    shapes: Vec<Picture>,
    sums: Vec<Vec<u32>>,
    count: u32,
    number: u64,
}

impl Average {
    fn new(frame: &Frame) -> Self {
        let empty = |p: &Picture| {
            let samples = match p.samples {
                Samples::U8(_) => Samples::U8(Vec::new()),
                Samples::U16(_) => Samples::U16(Vec::new()),
            };
            Picture { samples, ..*p }
        };
        let mut average = Self {
            shapes: frame.pictures.iter().map(empty).collect(),
            sums: frame.pictures.iter().map(|p| vec![0; length(&p.samples)]).collect(),
            count: 0,
            number: 0,
        };
        average.add(frame);
        average
    }

    fn add(&mut self, frame: &Frame) {
        if self.count >= AVERAGED_FRAMES {
            self.sums.iter_mut().flatten().for_each(|sum| *sum /= 2);
            self.count /= 2;
        }
        for (sums, picture) in self.sums.iter_mut().zip(&frame.pictures) {
            match &picture.samples {
                Samples::U8(v) => sums.iter_mut().zip(v).for_each(|(sum, v)| *sum += u32::from(*v)),
                Samples::U16(v) => sums.iter_mut().zip(v).for_each(|(sum, v)| *sum += u32::from(*v)),
            }
        }
        self.count += 1;
        self.number = frame.number;
    }

    fn frame(&self, taken: Instant) -> Frame {
        let mean = |sum: &u32| (sum + self.count / 2) / self.count;
        let picture = |(shape, sums): (&Picture, &Vec<u32>)| {
            let samples = match shape.samples {
                // A mean of 8-bit values is one.
                Samples::U8(_) => Samples::U8(sums.iter().map(|s| mean(s) as u8).collect()),
                Samples::U16(_) => Samples::U16(sums.iter().map(|s| mean(s) as u16).collect()),
            };
            Picture { samples, ..*shape }
        };
        Frame { pictures: self.shapes.iter().zip(&self.sums).map(picture).collect(), taken, from_jpeg: false, number: self.number }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SIZE: [usize; 2] = [320, 240];

    /// Noise without a dependency: a linear congruential generator (Knuth's MMIX constants), four uniform values summed.
    struct Noise(u64);
    impl Noise {
        fn next(&mut self, sigma: f64) -> f64 {
            let mut uniform = || {
                self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                (self.0 >> 33) as f64 / (1u64 << 31) as f64 - 0.5
            };
            // Four of variance 1/12 each.
            (uniform() + uniform() + uniform() + uniform()) * 3f64.sqrt() * sigma
        }
    }

    /// Discs on a lattice: red ones at `part`, blue ones at `board`, with noise of two values.
    fn look(noise: &mut Noise, part: [f64; 2], board: [f64; 2], light: f64, ms: u64, start: Instant) -> Frame {
        let disc = |x: f64, y: f64| {
            let (u, v) = (x.rem_euclid(24.0) - 12.0, y.rem_euclid(24.0) - 12.0);
            180.0 / (1.0 + ((u.hypot(v) - 6.0) * 2.0).exp()) + 20.0
        };
        let mut values = Vec::new();
        for y in 0..SIZE[1] {
            for x in 0..SIZE[0] {
                let (x, y) = (x as f64, y as f64);
                let colours = [disc(x - part[0], y - part[1]), 20.0, disc(x - board[0] + 5.0, y - board[1] + 5.0)];
                values.extend(colours.map(|v| (v * light + noise.next(2.0)).round().clamp(0.0, 255.0) as u8));
            }
        }
        let picture = Picture { width_px: SIZE[0], height_px: SIZE[1], channels: 3, samples: Samples::U8(values) };
        Frame { pictures: vec![picture], taken: start + Duration::from_millis(ms), from_jpeg: false, number: ms }
    }

    #[test]
    fn noise_and_a_flickering_lamp_are_no_motion() {
        let (mut noise, mut still, start) = (Noise(1), Stillness::new(), Instant::now());
        let mut rests = Vec::new();
        for k in 0..60 {
            let light = 1.0 + 0.02 * f64::from(k % 3);
            rests.push(still.push(&Arc::new(look(&mut noise, [0.0; 2], [0.0; 2], light, 33 * k as u64, start))));
        }
        assert!(matches!(rests[2], Rest::Moving), "three frames, but not long enough");
        assert!(
            rests[8..]
                .iter()
                .enumerate()
                .all(|(i, r)| matches!(r, Rest::Still { since, frames } if *since == start && *frames == i as u32 + 9))
        );
    }

    #[test]
    fn a_third_of_a_pixel_of_one_side_is_motion_and_so_is_a_slow_creep() {
        let start = Instant::now();
        for (part, board) in [([0.35, 0.0], [0.0, 0.0]), ([0.0, 0.0], [0.0, -0.35]), ([-1.0, 2.0], [0.0, 0.0]), ([7.0, 0.0], [7.0, 0.0])] {
            let (mut noise, mut still) = (Noise(2), Stillness::new());
            for k in 0..12 {
                still.push(&Arc::new(look(&mut noise, [0.0; 2], [0.0; 2], 1.0, 33 * k, start)));
            }
            assert!(matches!(still.rest(), Rest::Still { .. }));
            assert_eq!(still.push(&Arc::new(look(&mut noise, part, board, 1.0, 500, start))), Rest::Moving, "{part:?} {board:?}");
        }
        let (mut noise, mut still) = (Noise(3), Stillness::new());
        let mut longest = 0;
        for k in 0..60 {
            if let Rest::Still { frames, .. } =
                still.push(&Arc::new(look(&mut noise, [0.02 * k as f64, 0.0], [0.0; 2], 1.0, 33 * k, start)))
            {
                longest = longest.max(frames);
            }
        }
        assert!(longest < 16, "a creep of 0.02 px a frame was called still for {longest} frames");
    }

    #[test]
    fn a_turn_about_the_middle_is_motion() {
        let (mut still, start) = (Stillness::new(), Instant::now());
        let turned = |angle: f64, ms: u64| {
            let mut values = Vec::new();
            for y in 0..SIZE[1] {
                for x in 0..SIZE[0] {
                    let (u, v) = (x as f64 - 160.0, y as f64 - 120.0);
                    let (s, c) = angle.sin_cos();
                    values.push((128.0 + 60.0 * ((c * u + s * v) / 5.0).sin() * ((c * v - s * u) / 5.0).sin()).round() as u8);
                }
            }
            let picture = Picture { width_px: SIZE[0], height_px: SIZE[1], channels: 1, samples: Samples::U8(values) };
            Frame { pictures: vec![picture], taken: start + Duration::from_millis(ms), from_jpeg: false, number: 0 }
        };
        for k in 0..12 {
            still.push(&Arc::new(turned(0.0, 33 * k)));
        }
        assert!(matches!(still.rest(), Rest::Still { .. }));
        assert_eq!(still.push(&Arc::new(turned(0.25f64.to_radians(), 500))), Rest::Moving);
    }

    #[test]
    fn the_average_has_less_noise_and_no_bias() {
        let (mut noise, mut still, start) = (Noise(4), Stillness::new(), Instant::now());
        assert!(still.average().is_none());
        for k in 0..100 {
            still.push(&Arc::new(look(&mut noise, [0.0; 2], [0.0; 2], 1.0, 33 * k, start)));
        }
        let average = still.average().unwrap();
        let Samples::U8(values) = &average.pictures[0].samples else { panic!("8 bits stay 8 bits") };
        let green: Vec<f64> = values.iter().skip(1).step_by(3).map(|v| f64::from(*v)).collect();
        let mean = green.iter().sum::<f64>() / green.len() as f64;
        let spread = (green.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / green.len() as f64).sqrt();
        assert!((mean - 20.0).abs() < 0.1, "{mean}");
        // 2 / sqrt(16 at least) and the rounding's 0.29 together: 0.58.
        assert!(spread < 0.65, "{spread}");
        assert_eq!(average.number, 33 * 99);
    }

    #[test]
    fn pictures_of_any_form_are_taken() {
        let mut still = Stillness::new();
        let odd = [(0, 0, 1), (1, 1, 3), (2, 5, 1), (5, 4, 3)];
        for (width_px, height_px, channels) in odd {
            let picture = Picture { width_px, height_px, channels, samples: Samples::U16(vec![7; width_px * height_px * channels]) };
            let frame = Arc::new(Frame { pictures: vec![picture], taken: Instant::now(), from_jpeg: false, number: 1 });
            assert_eq!(still.push(&frame), Rest::Moving);
            assert_eq!(still.push(&frame), Rest::Moving);
        }
        assert_eq!(still.push(&Arc::new(Frame { pictures: Vec::new(), taken: Instant::now(), from_jpeg: false, number: 1 })), Rest::Moving);
    }
}
