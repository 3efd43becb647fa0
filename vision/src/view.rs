//! What the bench file says of the optics: frame, lens and views, and the way between pixels and the bench frame.

use crate::picture::Picture;
use landfit_part::{PointMm, Side};
use nalgebra::{Matrix2, Matrix3, Vector3};

/// A position in a picture. (0, 0) is the centre of the upper left pixel; x right, y down.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct PointPx {
    /// Right, px.
    pub x: f64,
    /// Down, px.
    pub y: f64,
}

impl PointPx {
    /// A point from its two coordinates in px.
    #[must_use]
    pub const fn new(x: f64, y: f64) -> Self {
        Self { x, y }
    }

    /// Distance to `other`, px.
    #[must_use]
    pub fn distance(self, other: Self) -> f64 {
        (self.x - other.x).hypot(self.y - other.y)
    }
}

/// The pictures' size and how raw values become light.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Frame {
    /// Width and height, px.
    pub size_px: [u32; 2],
    /// Raw value of no light.
    pub black: f64,
    /// Raw value of full scale; `None` means that of the picture's own depth (255 or 65535).
    pub white: Option<f64>,
    /// light = ((raw - black) / (white - black)) ^ gamma.
    pub gamma: f64,
}

/// Radial distortion: p_seen = c + d (1 + k1 r² + k2 r⁴) norm, with d = (p - c) / norm and r = |d|.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lens {
    /// Third-order coefficient.
    pub k1: f64,
    /// Fifth-order coefficient.
    pub k2: f64,
    /// Centre of distortion, px.
    pub centre_px: PointPx,
    /// The radius, in px, at which r = 1.
    pub norm_px: f64,
}

/// A rectangle of raw pixels.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct RegionPx {
    /// Leftmost column.
    pub x: u32,
    /// Topmost row.
    pub y: u32,
    /// Columns.
    pub width: u32,
    /// Rows.
    pub height: u32,
}

impl RegionPx {
    /// The middle.
    #[must_use]
    pub fn middle(&self) -> PointPx {
        let middle = |from: u32, size: u32| f64::from(from) + (f64::from(size) - 1.0) / 2.0;
        PointPx::new(middle(self.x, self.width), middle(self.y, self.height))
    }

    /// Whether a pixel lies in it.
    #[must_use]
    pub fn contains(&self, [x, y]: [usize; 2]) -> bool {
        let is_within = |at: usize, from: u32, size: u32| at.checked_sub(from as usize).is_some_and(|beyond| beyond < size as usize);
        is_within(x, self.x, self.width) && is_within(y, self.y, self.height)
    }
}

/// One part of one exposure that shows one side in one light.
#[derive(Debug, Clone, PartialEq)]
pub struct View {
    /// The side that is seen.
    pub shows: Side,
    /// Which picture of the set, from 0.
    pub exposure: usize,
    /// Where in the picture; `None` is all of it.
    pub region_px: Option<RegionPx>,
    /// The camera's red, green and blue answer to this view's light, linear, up to a factor.
    pub tint: [f64; 3],
    /// Homography from bench-frame mm to lens-corrected px.
    pub px_from_mm: Matrix3<f64>,
}

/// Where the scale comes from.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum ScaleSource {
    /// The bench file's px_from_mm.
    Bench,
    /// Each view takes its magnification from the pattern's known pitch.
    Pattern {
        /// How far the ratio of the two sides' magnifications may be from the bench file's, as a fraction.
        may_differ: f64,
    },
}

/// All that the bench file says of how pictures come about.
#[derive(Debug, Clone, PartialEq)]
pub struct Optics {
    /// Size and levels of every picture.
    pub frame: Frame,
    /// Distortion, shared by all views.
    pub lens: Option<Lens>,
    /// Every view.
    pub views: Vec<View>,
    /// Where the scale comes from.
    pub scale: ScaleSource,
}

/// "this bench takes 2 pictures for one look, …": how many were given in place of that, and what to give.
fn count_text(given: usize, needed: usize) -> String {
    let pictures = |n: usize| if n == 1 { "1 picture".to_owned() } else { format!("{n} pictures") };
    let were = if given == 1 { "was" } else { "were" };
    let mend = match needed {
        1 => "give the one of this look",
        2 => "give those of both exposures, in the order of exposure",
        _ => "give one of every exposure, in the order of exposure",
    };
    format!("this bench takes {} for one look, but {} {were} given: {mend}", pictures(needed), pictures(given))
}

/// Why pictures cannot be one look of a bench.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum Misfit {
    /// Too many or too few.
    #[error("{}", count_text(*given, *needed))]
    Count {
        /// Pictures given.
        given: usize,
        /// Exposures of the bench.
        needed: usize,
    },
    /// Another size than the bench's.
    #[error(
        "picture {} is {} x {} px, but this bench's frame is {} x {} px: take it with the bench's camera settings, or calibrate the bench for this size",
        index + 1, size_px[0], size_px[1], frame_px[0], frame_px[1]
    )]
    Size {
        /// Which picture, from 0.
        index: usize,
        /// Its columns and rows.
        size_px: [usize; 2],
        /// The frame's.
        frame_px: [u32; 2],
    },
}

impl Optics {
    /// How many pictures one look takes.
    #[must_use]
    pub fn exposures(&self) -> usize {
        self.views.iter().map(|v| v.exposure + 1).max().unwrap_or(0)
    }

    /// The pictures as they are, where each has the frame's size and there is one for each exposure: all else would be measured beyond
    /// their edges.
    ///
    /// # Errors
    /// See [`Misfit`].
    pub fn fitting<'a>(&self, pictures: &'a [Picture]) -> Result<&'a [Picture], Misfit> {
        if pictures.len() != self.exposures() {
            return Err(Misfit::Count { given: pictures.len(), needed: self.exposures() });
        }
        pictures.iter().enumerate().try_for_each(|(index, picture)| self.frame.fitting(picture, index))?;
        Ok(pictures)
    }
}

impl Frame {
    /// Whether a picture has this size; `index` is its number in the error.
    ///
    /// # Errors
    /// [`Misfit::Size`].
    pub fn fitting(&self, picture: &Picture, index: usize) -> Result<(), Misfit> {
        let size_px = [picture.width_px, picture.height_px];
        if size_px == self.size_px.map(|n| n as usize) { Ok(()) } else { Err(Misfit::Size { index, size_px, frame_px: self.size_px }) }
    }
}

impl Lens {
    /// Where the lens puts what an ideal lens would put at `ideal`.
    #[must_use]
    pub fn seen_from_ideal(&self, ideal: PointPx) -> PointPx {
        let (dx, dy) = ((ideal.x - self.centre_px.x) / self.norm_px, (ideal.y - self.centre_px.y) / self.norm_px);
        let r2 = dx * dx + dy * dy;
        let stretch = 1.0 + self.k1 * r2 + self.k2 * r2 * r2;
        PointPx::new(self.centre_px.x + dx * stretch * self.norm_px, self.centre_px.y + dy * stretch * self.norm_px)
    }

    /// The inverse of [`Lens::seen_from_ideal`], by Newton steps along the radius.
    #[must_use]
    pub fn ideal_from_seen(&self, seen: PointPx) -> PointPx {
        let (dx, dy) = ((seen.x - self.centre_px.x) / self.norm_px, (seen.y - self.centre_px.y) / self.norm_px);
        let seen_r = dx.hypot(dy);
        if seen_r < 1e-12 {
            return seen;
        }
        let mut r = seen_r;
        for _ in 0..20 {
            let r2 = r * r;
            let miss = r * (1.0 + self.k1 * r2 + self.k2 * r2 * r2) - seen_r;
            let slope = 1.0 + 3.0 * self.k1 * r2 + 5.0 * self.k2 * r2 * r2;
            if slope.abs() < 1e-9 {
                break;
            }
            let step = miss / slope;
            r -= step;
            if step.abs() < 1e-14 {
                break;
            }
        }
        let k = r / seen_r * self.norm_px;
        PointPx::new(self.centre_px.x + dx * k, self.centre_px.y + dy * k)
    }
}

/// Applies a homography to a point of the plane.
#[must_use]
pub fn project(h: &Matrix3<f64>, x: f64, y: f64) -> (f64, f64) {
    let v = h * Vector3::new(x, y, 1.0);
    (v.x / v.z, v.y / v.z)
}

/// The way between the bench frame and raw pixels of one view, lens and tilt included.
#[derive(Debug, Clone)]
pub struct Sight {
    px_from_mm: Matrix3<f64>,
    mm_from_px: Matrix3<f64>,
    lens: Option<Lens>,
}

impl Sight {
    /// The way through one view; `None` when px_from_mm cannot be inverted.
    #[must_use]
    pub fn new(view: &View, lens: Option<Lens>) -> Option<Self> {
        let mm_from_px = view.px_from_mm.try_inverse()?;
        mm_from_px.iter().all(|v| v.is_finite()).then_some(Self { px_from_mm: view.px_from_mm, mm_from_px, lens })
    }

    /// Where a bench-frame point is seen, raw px.
    #[must_use]
    pub fn px(&self, p: PointMm) -> PointPx {
        let (x, y) = project(&self.px_from_mm, p.x, p.y);
        let ideal = PointPx::new(x, y);
        self.lens.map_or(ideal, |l| l.seen_from_ideal(ideal))
    }

    /// The bench-frame point that is seen at raw px `p`.
    #[must_use]
    pub fn mm(&self, p: PointPx) -> PointMm {
        let ideal = self.lens.map_or(p, |l| l.ideal_from_seen(p));
        let (x, y) = project(&self.mm_from_px, ideal.x, ideal.y);
        PointMm::new(x, y)
    }

    /// d(raw px)/d(mm) at a bench-frame point: columns are the steps along x and y.
    #[must_use]
    pub fn px_per_mm(&self, p: PointMm) -> Matrix2<f64> {
        let h = 1e-4;
        let (a, b) = (self.px(PointMm::new(p.x + h, p.y)), self.px(PointMm::new(p.x - h, p.y)));
        let (c, d) = (self.px(PointMm::new(p.x, p.y + h)), self.px(PointMm::new(p.x, p.y - h)));
        Matrix2::new(a.x - b.x, c.x - d.x, a.y - b.y, c.y - d.y) / (2.0 * h)
    }

    /// Whether it neither bends nor tilts: circles are seen as ellipses about the pictures of their centres.
    #[must_use]
    pub(crate) fn is_affine(&self) -> bool {
        self.lens.is_none_or(|lens| lens.k1 == 0.0 && lens.k2 == 0.0) && self.px_from_mm[(2, 0)] == 0.0 && self.px_from_mm[(2, 1)] == 0.0
    }

    /// How many px a mm is about a place of the bench frame, the geometric mean of all ways.
    #[must_use]
    pub fn magnification_px_per_mm(&self, p: PointMm) -> f64 {
        self.px_per_mm(p).determinant().abs().sqrt()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn undoing_the_lens_gives_the_ideal_point_back() {
        let lens = Lens { k1: -0.05, k2: 0.01, centre_px: PointPx::new(639.5, 479.5), norm_px: 800.0 };
        for (x, y) in [(0.0, 0.0), (1279.0, 959.0), (639.5, 479.5), (100.0, 800.0)] {
            let p = PointPx::new(x, y);
            assert!(lens.ideal_from_seen(lens.seen_from_ideal(p)).distance(p) < 1e-9);
        }
    }

    #[test]
    fn a_wrong_number_of_pictures_is_said_as_a_sentence_with_what_to_give() {
        let said = |given, needed| Misfit::Count { given, needed }.to_string();
        assert_eq!(said(2, 1), "this bench takes 1 picture for one look, but 2 pictures were given: give the one of this look");
        assert_eq!(
            said(1, 2),
            "this bench takes 2 pictures for one look, but 1 picture was given: give those of both exposures, in the order of exposure"
        );
        assert!(said(2, 4).ends_with("give one of every exposure, in the order of exposure"));
    }

    #[test]
    fn a_view_carries_points_there_and_back() {
        let px_from_mm = Matrix3::new(80.0, 1.0, 640.0, 0.5, -80.0, 480.0, 1e-4, -2e-4, 1.0);
        let view = View { shows: Side::Part, exposure: 0, region_px: None, tint: [1.0; 3], px_from_mm };
        let sight = Sight::new(&view, None).expect("invertible");
        let p = PointMm::new(3.0, -2.0);
        assert!(sight.mm(sight.px(p)).distance(p) < 1e-9);
    }
}
