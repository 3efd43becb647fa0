//! Text: two typefaces, measured, wrapped and drawn.

use super::canvas::{Canvas, Ink, Xy};
use crate::words;
use ab_glyph::{Font, FontRef, PxScale, ScaleFont, point};
use anyhow::Context;

/// The two typefaces.
pub struct Faces {
    text: FontRef<'static>,
    digits: FontRef<'static>,
}

/// Which typeface.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Face {
    /// For sentences.
    Text,
    /// All characters of one width: numbers that are compared stand still.
    Digits,
}

/// How a piece of text looks.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Type {
    pub face: Face,
    /// Of the em, px.
    pub size_px: f32,
    pub ink: Ink,
}

impl Type {
    pub const fn text(size_px: f32, ink: Ink) -> Self {
        Self { face: Face::Text, size_px, ink }
    }

    pub const fn digits(size_px: f32, ink: Ink) -> Self {
        Self { face: Face::Digits, size_px, ink }
    }

    /// From one line of text to the next, px.
    pub fn line_px(&self) -> f32 {
        (self.size_px * 1.32).ceil()
    }
}

impl Faces {
    /// The typefaces that the program carries.
    ///
    /// # Errors
    /// Only if the carried files are broken.
    pub fn load() -> anyhow::Result<Self> {
        let text = FontRef::try_from_slice(epaint_default_fonts::UBUNTU_LIGHT).context(words::TYPEFACES[0])?;
        let digits = FontRef::try_from_slice(epaint_default_fonts::HACK_REGULAR).context(words::TYPEFACES[1])?;
        Ok(Self { text, digits })
    }

    const fn font(&self, face: Face) -> &FontRef<'static> {
        match face {
            Face::Text => &self.text,
            Face::Digits => &self.digits,
        }
    }

    /// How far a line of text reaches, px.
    pub fn width_px(&self, look: Type, text: &str) -> f32 {
        let font = self.font(look.face);
        let font = font.as_scaled(scale(font, look.size_px));
        let mut last = None;
        text.chars().fold(0.0, |x, c| {
            let id = font.glyph_id(c);
            let kern = last.replace(id).map_or(0.0, |l| font.kern(l, id));
            x + kern + font.h_advance(id)
        })
    }

    /// Draws one line of text; `at` is the left end of the middle of its capital letters.
    pub fn draw(&self, canvas: &mut Canvas, look: Type, at: Xy, text: &str) {
        let font = self.font(look.face);
        let scaled = font.as_scaled(scale(font, look.size_px));
        // 0.70 and 0.73 of the em are the capital heights of the two typefaces.
        let cap = match look.face {
            Face::Text => 0.70,
            Face::Digits => 0.73,
        };
        // A whole baseline keeps the horizontal strokes of small letters sharp.
        let baseline = (at.y + look.size_px * cap / 2.0).round();
        let (mut x, mut last) = (at.x, None);
        for c in text.chars() {
            let id = scaled.glyph_id(c);
            x += last.replace(id).map_or(0.0, |l| scaled.kern(l, id));
            let glyph = id.with_scale_and_position(scaled.scale(), point(x, baseline));
            if let Some(outline) = font.outline_glyph(glyph) {
                let bounds = outline.px_bounds();
                let (left, top) = (bounds.min.x as i64, bounds.min.y as i64);
                outline.draw(|dx, dy, cover| canvas.dab(left + i64::from(dx), top + i64::from(dy), look.ink, stronger(cover)));
            }
            x += scaled.h_advance(id);
        }
    }

    /// Draws one line of text about the middle of `at`.
    pub fn draw_centred(&self, canvas: &mut Canvas, look: Type, at: Xy, text: &str) {
        self.draw(canvas, look, at.by(-self.width_px(look, text) / 2.0, 0.0), text);
    }

    /// Draws one line of text that ends at `at`.
    pub fn draw_ending(&self, canvas: &mut Canvas, look: Type, at: Xy, text: &str) {
        self.draw(canvas, look, at.by(-self.width_px(look, text), 0.0), text);
    }

    /// Breaks a text into lines no wider than `width_px`, between words, and inside a word only where it alone is wider.
    pub fn wrapped(&self, look: Type, width_px: f32, text: &str) -> Vec<String> {
        let mut lines = vec![String::new()];
        // A number keeps its unit beside it.
        let joined = text.replace(" µm", "\u{a0}µm").replace(" mm", "\u{a0}mm").replace("± ", "±\u{a0}");
        for word in joined.split([' ', '\n']).filter(|w| !w.is_empty()) {
            let line = lines.last().map(String::as_str).unwrap_or_default();
            let longer = if line.is_empty() { word.to_owned() } else { format!("{line} {word}") };
            if self.width_px(look, &longer) <= width_px {
                lines.pop();
                lines.push(longer);
                continue;
            }
            if line.is_empty() {
                lines.pop();
            }
            lines.extend(self.broken(look, width_px, word));
        }
        lines
    }

    fn broken(&self, look: Type, width_px: f32, word: &str) -> Vec<String> {
        let mut lines = vec![String::new()];
        for c in word.chars() {
            let line = lines.last().map(String::as_str).unwrap_or_default();
            let longer = format!("{line}{c}");
            if !line.is_empty() && self.width_px(look, &longer) > width_px {
                lines.push(c.to_string());
            } else {
                lines.pop();
                lines.push(longer);
            }
        }
        lines
    }
}

/// ab_glyph counts a size from the lowest to the highest letter, not by the em.
fn scale(font: &FontRef<'static>, size_px: f32) -> PxScale {
    let em = font.units_per_em().unwrap_or(1000.0);
    PxScale::from(size_px * font.height_unscaled() / em)
}

/// Light letters on a dark ground look thinner than they are: coverage is raised a little, in both typefaces alike.
fn stronger(cover: f32) -> f32 {
    cover.clamp(0.0, 1.0).powf(0.72)
}
