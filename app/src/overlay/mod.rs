//! The marked picture: the exposures with what was found on them, how far each site is off, and what to turn.
//!
//! From top to bottom: what part on which bench; the exposures side by side under their marks; the legend; then what was
//! seen, the landing plot among the thimbles, and what to do. A refusal has the exposures and its reason, large.

pub mod canvas;
mod column;
pub mod ink;
mod labels;
mod legend;
mod marks;
pub mod misses;
mod outline;
mod plot;
mod sheet;
mod shots;
pub mod text;
pub mod thimble;

pub use marks::first_site;

use crate::commands::align::Answer;
use crate::pictures;
use crate::words;
use canvas::{Area, Canvas, Ends, Pen, Strokes, Surface, Xy};
use image::{DynamicImage, RgbImage};
use landfit_calibration::bench::Bench;
use landfit_part::{Existing, Part, PointMm, Side};
use landfit_vision::answer::Outcome;
use landfit_vision::view::Sight;
use landfit_vision::{Picture, PointPx};
use sheet::{Desk, Sheet};
use std::path::Path;
use text::{Faces, Type};

/// Writes the marked picture as PNG, whole or not at all; exposures stand side by side.
///
/// # Errors
/// When the file cannot be written; the sentence names it.
pub fn write(path: &Path, shots: &[Picture], answer: &Answer, part: &Part, bench: &Bench) -> anyhow::Result<()> {
    let picture = draw(shots, answer, part, bench)?;
    let shown = path.display();
    if path.is_dir() {
        anyhow::bail!(words::is_a_folder(&shown.to_string()));
    }
    pictures::save_png(path, &DynamicImage::ImageRgb8(picture), Existing::Replace)
}

/// Draws the marked picture.
///
/// # Errors
/// Only when there is not enough memory for it.
pub fn draw(shots: &[Picture], answer: &Answer, part: &Part, bench: &Bench) -> anyhow::Result<RgbImage> {
    let faces = Faces::load()?;
    let sheet = Sheet::set(&faces, shots, answer, part, bench);
    let [w, h] = sheet.size_px;
    let mut canvas = Canvas::filled(w, h, ink::GROUND_RGB)?;
    let u = sheet.unit_px;
    faces.draw(&mut canvas, Type::text(17.0 * u, ink::QUIET), Xy::new(sheet.title.x, sheet.title.centre().y), &sheet.title_text);
    for (exposure, (shot, at)) in shots.iter().zip(&sheet.panels).enumerate() {
        let panel = panel(&faces, &sheet, shot, exposure, answer, part, bench)?;
        canvas.put(&panel, at.x as u32, at.y as u32);
    }
    for (exposure, at) in sheet.captions.iter().enumerate() {
        caption(&mut canvas, &faces, at, &sheet, exposure, shots.len(), bench);
    }
    match &sheet.desk {
        Desk::Refused { words, area } => words.draw(&mut canvas, area),
        Desk::Fit(desk) => {
            legend::draw(&mut canvas, &faces, &desk.legend_area, u, &desk.legend);
            desk.seen.draw(&mut canvas, &desk.seen_area);
            desk.to_do.draw(&mut canvas, &desk.to_do_area);
            plot::draw(
                &mut canvas,
                &faces,
                &desk.plot,
                u,
                &plot::Landing { part, misses: &desk.misses, judgement: desk.judgement, plan: desk.plan },
            );
            for strip in &desk.strips {
                if let Some(turn) = thimble::turn(bench, desk.plan, strip.adjuster) {
                    thimble::draw(&mut canvas, &faces, &strip.area, strip.place, u, &turn);
                }
            }
        }
    }
    Ok(canvas.into_picture())
}

/// How large a window draws the marks: so that lines and labels keep their size on the screen at any zoom.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MarkSize {
    /// Width of a thin line, px of the exposure.
    pub line_px: f32,
    /// Size of a label's text, px of the exposure.
    pub label_px: f32,
}

/// The marks over one exposure as strokes, and how many times the miss lines are magnified; `None` without a fit.
pub fn strokes(
    faces: &Faces,
    exposure: usize,
    size_px: [u32; 2],
    answer: &Answer,
    part: &Part,
    bench: &Bench,
    size: MarkSize,
) -> Option<(Strokes, u32)> {
    let misses = misses::Misses::of(answer, part, &bench.aim)?;
    let magnification = misses.magnification(part);
    let mut strokes = Strokes { area: Area::new(0.0, 0.0, size_px[0] as f32, size_px[1] as f32), drawn: Vec::new() };
    let marked = marks::Marked { answer, part, bench, misses: &misses, magnification, zoom: shots::Zoom(1.0), line_px: size.line_px };
    let (labels, sites) = marks::draw(&mut strokes, exposure, &marked);
    labels::draw(&mut strokes, faces, size.label_px, labels, &sites);
    Some((strokes, magnification))
}

/// One exposure with its marks.
fn panel(
    faces: &Faces,
    sheet: &Sheet,
    shot: &Picture,
    exposure: usize,
    answer: &Answer,
    part: &Part,
    bench: &Bench,
) -> anyhow::Result<Canvas> {
    let tone = if matches!(sheet.desk, Desk::Fit(_)) { shots::QUIET } else { shots::PLAIN };
    let mut canvas = Canvas::over(&shots::ground(shot, &bench.optics.frame, tone, sheet.zoom))?;
    match &sheet.desk {
        Desk::Fit(desk) => {
            let marked = marks::Marked {
                answer,
                part,
                bench,
                misses: &desk.misses,
                magnification: desk.magnification,
                zoom: sheet.zoom,
                line_px: sheet.line_px(),
            };
            let (labels, sites) = marks::draw(&mut canvas, exposure, &marked);
            labels::draw(&mut canvas, faces, 16.0 * sheet.unit_px, labels, &sites);
        }
        Desk::Refused { .. } => reason_frame(&mut canvas, exposure, sheet, answer, bench),
    }
    Ok(canvas)
}

/// Frames the view that shows why there is no answer.
fn reason_frame(canvas: &mut Canvas, exposure: usize, sheet: &Sheet, answer: &Answer, bench: &Bench) {
    let Outcome::Refused(refusal) = &answer.alignment.outcome else { return };
    let Some(view) = refusal.view.and_then(|i| bench.optics.views.get(i)).filter(|v| v.exposure == exposure) else { return };
    let z = sheet.zoom.0;
    let whole = canvas.area();
    let area = view.region_px.map_or(whole, |r| Area::new(r.x as f32 * z, r.y as f32 * z, r.width as f32 * z, r.height as f32 * z));
    let u = sheet.unit_px;
    canvas.polyline(&area.grown(-4.0 * u).corners(), Ends::Closed, Pen::new(ink::PAPER, 2.5 * u).dashed(18.0 * u, 10.0 * u));
}

/// What an exposure shows, and a bar of a round length at its own scale.
fn caption(canvas: &mut Canvas, faces: &Faces, at: &Area, sheet: &Sheet, exposure: usize, n: usize, bench: &Bench) {
    let u = sheet.unit_px;
    let look = Type::text(15.0 * u, ink::QUIET);
    let y = at.centre().y;
    faces.draw(canvas, look, Xy::new(at.x, y), &caption_text(exposure, n, bench));
    let Some(view) = bench.optics.views.iter().find(|v| v.exposure == exposure) else { return };
    let Some(sight) = Sight::new(view, bench.optics.lens) else { return };
    let [w, h] = bench.optics.frame.size_px;
    let middle = sight.mm(PointPx::new(f64::from(w) / 2.0, f64::from(h) / 2.0));
    let px_per_mm = outline::Window { sight: &sight, zoom: sheet.zoom }.px_per_mm(PointMm::new(middle.x, middle.y));
    let Some(bar_mm) = plot::round_length_mm(0.14 * f64::from(at.w) / f64::from(px_per_mm)) else { return };
    let text = plot::bar_text(bar_mm);
    let bar_px = bar_mm as f32 * px_per_mm;
    let left = at.right() - bar_px;
    canvas.line(Xy::new(left, y), Xy::new(at.right(), y), Pen::new(ink::PAPER, 2.4 * u));
    for x in [left, at.right()] {
        canvas.line(Xy::new(x, y - 5.0 * u), Xy::new(x, y + 5.0 * u), Pen::new(ink::PAPER, 1.6 * u));
    }
    faces.draw_ending(canvas, Type::text(15.0 * u, ink::PAPER), Xy::new(left - 9.0 * u, y), &text);
}

/// "Picture 1 of 2: part view".
pub fn caption_text(exposure: usize, n: usize, bench: &Bench) -> String {
    let shows = |side: Side| bench.optics.views.iter().any(|v| v.exposure == exposure && v.shows == side);
    words::picture_of(exposure + 1, n, words::views_of(shows(Side::Part), shows(Side::Board)))
}

#[cfg(test)]
mod tests;
