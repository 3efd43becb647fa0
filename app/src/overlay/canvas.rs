//! What everything is drawn on: an opaque pixel map with anti-aliased lines, outlines and areas.

use super::text::{Faces, Type};
use crate::words;
use image::RgbImage;
use tiny_skia::{Color, FillRule, LineCap, LineJoin, Paint, Path, PathBuilder, Pixmap, PremultipliedColorU8, StrokeDash, Transform};

/// A place on a canvas, px from its upper left corner.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Xy {
    pub x: f32,
    pub y: f32,
}

impl Xy {
    pub const fn new(x: f32, y: f32) -> Self {
        Self { x, y }
    }

    pub fn by(self, dx: f32, dy: f32) -> Self {
        Self::new(self.x + dx, self.y + dy)
    }

    pub fn distance(self, other: Self) -> f32 {
        (self.x - other.x).hypot(self.y - other.y)
    }

    /// The point at share `t` of the way to `other`.
    pub fn towards(self, other: Self, t: f32) -> Self {
        Self::new(self.x + (other.x - self.x) * t, self.y + (other.y - self.y) * t)
    }
}

/// A rectangle on a canvas, px.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Area {
    pub x: f32,
    pub y: f32,
    pub w: f32,
    pub h: f32,
}

impl Area {
    pub const fn new(x: f32, y: f32, w: f32, h: f32) -> Self {
        Self { x, y, w, h }
    }

    pub const fn right(&self) -> f32 {
        self.x + self.w
    }

    pub const fn bottom(&self) -> f32 {
        self.y + self.h
    }

    pub const fn centre(&self) -> Xy {
        Xy::new(self.x + self.w / 2.0, self.y + self.h / 2.0)
    }

    pub fn overlaps(&self, other: &Self) -> bool {
        self.x < other.right() && other.x < self.right() && self.y < other.bottom() && other.y < self.bottom()
    }

    pub fn holds(&self, other: &Self) -> bool {
        self.x <= other.x && self.y <= other.y && other.right() <= self.right() && other.bottom() <= self.bottom()
    }

    /// The same area, `by` px wider on every side.
    pub const fn grown(&self, by: f32) -> Self {
        Self::new(self.x - by, self.y - by, self.w + 2.0 * by, self.h + 2.0 * by)
    }

    /// The same area, as much larger as it takes to hold a place.
    pub fn reaching(&self, p: Xy) -> Self {
        let (x, y) = (self.x.min(p.x), self.y.min(p.y));
        Self::new(x, y, self.right().max(p.x) - x, self.bottom().max(p.y) - y)
    }

    pub fn corners(&self) -> [Xy; 4] {
        [Xy::new(self.x, self.y), Xy::new(self.right(), self.y), Xy::new(self.right(), self.bottom()), Xy::new(self.x, self.bottom())]
    }
}

/// A colour and how much of it covers what lies below (0 to 1).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ink {
    pub rgb: [u8; 3],
    pub cover: f32,
}

impl Ink {
    pub const fn new(rgb: [u8; 3]) -> Self {
        Self { rgb, cover: 1.0 }
    }

    pub const fn covering(self, cover: f32) -> Self {
        Self { cover, ..self }
    }

    fn paint(self) -> Paint<'static> {
        let mut paint = Paint { anti_alias: true, ..Paint::default() };
        let [r, g, b] = self.rgb;
        paint.set_color_rgba8(r, g, b, (self.cover.clamp(0.0, 1.0) * 255.0).round() as u8);
        paint
    }
}

/// How a line is drawn.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pen {
    pub ink: Ink,
    pub width_px: f32,
    /// Lengths of the drawn and the left-out pieces, px.
    pub dash_px: Option<[f32; 2]>,
}

impl Pen {
    pub const fn new(ink: Ink, width_px: f32) -> Self {
        Self { ink, width_px, dash_px: None }
    }

    pub const fn dashed(self, on_px: f32, off_px: f32) -> Self {
        Self { dash_px: Some([on_px, off_px]), ..self }
    }
}

/// Whether the last point of a line is joined to the first.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ends {
    Open,
    Closed,
}

/// What marks and labels are drawn on: pixels, or a list of strokes that a window draws at any size.
pub trait Surface {
    /// All of it.
    fn area(&self) -> Area;
    fn polyline(&mut self, points: &[Xy], ends: Ends, pen: Pen);
    fn fill(&mut self, corners: &[Xy], ink: Ink);
    fn disc(&mut self, centre: Xy, radius_px: f32, ink: Ink);
    /// One line of text; `at` is the left end of the middle of its capital letters.
    fn text(&mut self, faces: &Faces, look: Type, at: Xy, text: &str);

    fn line(&mut self, from: Xy, to: Xy, pen: Pen) {
        self.polyline(&[from, to], Ends::Open, pen);
    }

    fn fill_area(&mut self, area: &Area, ink: Ink) {
        self.fill(&area.corners(), ink);
    }
}

/// One stroke of a drawing that is kept as strokes; places and widths in px of the exposure.
#[derive(Debug, Clone, PartialEq)]
pub enum Stroke {
    Line { points: Vec<Xy>, ends: Ends, pen: Pen },
    Fill { corners: Vec<Xy>, ink: Ink },
    Disc { centre: Xy, radius_px: f32, ink: Ink },
    Text { at: Xy, look: Type, text: String },
}

/// A drawing that is kept as strokes.
#[derive(Debug, Clone, Default)]
pub struct Strokes {
    pub area: Area,
    pub drawn: Vec<Stroke>,
}

impl Surface for Strokes {
    fn area(&self) -> Area {
        self.area
    }

    fn polyline(&mut self, points: &[Xy], ends: Ends, pen: Pen) {
        self.drawn.push(Stroke::Line { points: points.to_vec(), ends, pen });
    }

    fn fill(&mut self, corners: &[Xy], ink: Ink) {
        self.drawn.push(Stroke::Fill { corners: corners.to_vec(), ink });
    }

    fn disc(&mut self, centre: Xy, radius_px: f32, ink: Ink) {
        self.drawn.push(Stroke::Disc { centre, radius_px, ink });
    }

    fn text(&mut self, _: &Faces, look: Type, at: Xy, text: &str) {
        self.drawn.push(Stroke::Text { at, look, text: text.to_owned() });
    }
}

/// An opaque picture that is being drawn.
pub struct Canvas {
    pixels: Pixmap,
}

impl Canvas {
    /// A canvas of one colour.
    ///
    /// # Errors
    /// When there is not that much memory, or a side is zero.
    pub fn filled(width_px: u32, height_px: u32, rgb: [u8; 3]) -> anyhow::Result<Self> {
        let mut pixels = Pixmap::new(width_px, height_px).ok_or_else(|| anyhow::anyhow!(words::not_drawn(width_px, height_px)))?;
        pixels.fill(Color::from_rgba8(rgb[0], rgb[1], rgb[2], 255));
        Ok(Self { pixels })
    }

    /// A canvas that starts as `picture`.
    ///
    /// # Errors
    /// As [`Canvas::filled`].
    pub fn over(picture: &RgbImage) -> anyhow::Result<Self> {
        let mut canvas = Self::filled(picture.width(), picture.height(), [0; 3])?;
        for (to, from) in canvas.pixels.pixels_mut().iter_mut().zip(picture.pixels()) {
            *to = opaque(from.0);
        }
        Ok(canvas)
    }

    pub fn ring(&mut self, centre: Xy, radius_px: f32, pen: Pen) {
        if let Some(path) = circle(centre, radius_px) {
            self.stroke(&path, pen);
        }
    }

    /// Lays `cover` (0 to 1) of a colour over one pixel; nothing happens outside the canvas.
    pub fn dab(&mut self, x: i64, y: i64, ink: Ink, cover: f32) {
        let (w, h) = (i64::from(self.pixels.width()), i64::from(self.pixels.height()));
        if !(0..w).contains(&x) || !(0..h).contains(&y) {
            return;
        }
        let pixel = &mut self.pixels.pixels_mut()[(y * w + x) as usize];
        let share = (cover * ink.cover).clamp(0.0, 1.0);
        let mix = |below: u8, above: u8| (f32::from(below) * (1.0 - share) + f32::from(above) * share).round() as u8;
        *pixel = opaque([mix(pixel.red(), ink.rgb[0]), mix(pixel.green(), ink.rgb[1]), mix(pixel.blue(), ink.rgb[2])]);
    }

    /// Puts a whole canvas on this one, its upper left corner at whole pixels; what does not fit is left out.
    pub fn put(&mut self, other: &Self, x: u32, y: u32) {
        let (w, h) = (self.pixels.width(), self.pixels.height());
        let columns = other.pixels.width().min(w.saturating_sub(x)) as usize;
        for row in 0..other.pixels.height().min(h.saturating_sub(y)) {
            let from = (row * other.pixels.width()) as usize;
            let to = ((y + row) * w + x) as usize;
            let source = other.pixels.pixels()[from..from + columns].to_vec();
            self.pixels.pixels_mut()[to..to + columns].copy_from_slice(&source);
        }
    }

    pub fn into_picture(self) -> RgbImage {
        let (w, h) = (self.pixels.width(), self.pixels.height());
        let bytes = self.pixels.pixels().iter().flat_map(|p| [p.red(), p.green(), p.blue()]).collect();
        RgbImage::from_raw(w, h, bytes).unwrap_or_default()
    }

    fn stroke(&mut self, path: &Path, pen: Pen) {
        let dash = pen.dash_px.and_then(|[on, off]| StrokeDash::new(vec![on.max(0.5), off.max(0.5)], 0.0));
        let line_cap = if dash.is_some() { LineCap::Butt } else { LineCap::Round };
        let stroke = tiny_skia::Stroke { width: pen.width_px, line_cap, line_join: LineJoin::Round, dash, ..tiny_skia::Stroke::default() };
        self.pixels.stroke_path(path, &pen.ink.paint(), &stroke, Transform::identity(), None);
    }
}

impl Surface for Canvas {
    fn area(&self) -> Area {
        Area::new(0.0, 0.0, self.pixels.width() as f32, self.pixels.height() as f32)
    }

    fn polyline(&mut self, points: &[Xy], ends: Ends, pen: Pen) {
        let Some(path) = path(points, ends) else { return };
        self.stroke(&path, pen);
    }

    fn fill(&mut self, corners: &[Xy], ink: Ink) {
        let Some(path) = path(corners, Ends::Closed) else { return };
        self.pixels.fill_path(&path, &ink.paint(), FillRule::Winding, Transform::identity(), None);
    }

    fn disc(&mut self, centre: Xy, radius_px: f32, ink: Ink) {
        if let Some(path) = circle(centre, radius_px) {
            self.pixels.fill_path(&path, &ink.paint(), FillRule::Winding, Transform::identity(), None);
        }
    }

    fn text(&mut self, faces: &Faces, look: Type, at: Xy, text: &str) {
        faces.draw(self, look, at, text);
    }
}

fn opaque(rgb: [u8; 3]) -> PremultipliedColorU8 {
    PremultipliedColorU8::from_rgba(rgb[0], rgb[1], rgb[2], 255).unwrap_or(PremultipliedColorU8::TRANSPARENT)
}

/// Places far outside any canvas make the rasteriser's fixed-point numbers overflow: such a line is left out.
const FARTHEST_PX: f32 = 30_000.0;

fn path(points: &[Xy], ends: Ends) -> Option<Path> {
    let (first, rest) = points.split_first()?;
    if points.iter().any(|p| !(p.x.abs() < FARTHEST_PX && p.y.abs() < FARTHEST_PX)) {
        return None;
    }
    let mut builder = PathBuilder::new();
    builder.move_to(first.x, first.y);
    for p in rest {
        builder.line_to(p.x, p.y);
    }
    if ends == Ends::Closed {
        builder.close();
    }
    builder.finish()
}

fn circle(centre: Xy, radius_px: f32) -> Option<Path> {
    let usable = radius_px > 0.05 && radius_px < FARTHEST_PX && centre.x.abs() < FARTHEST_PX && centre.y.abs() < FARTHEST_PX;
    usable.then(|| PathBuilder::from_circle(centre.x, centre.y, radius_px)).flatten()
}
