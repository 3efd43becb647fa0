//! What is left of every mark, drawn as lines from where the fit has it, magnified: a panel for each view, with what of its field no mark
//! has covered.

use crate::overlay::canvas::{Area, Canvas, Ends, Ink, Pen, Surface, Xy};
use crate::overlay::text::{Faces, Type};
use crate::pictures;
use image::DynamicImage;
use landfit_calibration::scale::{Residual, Windows};
use landfit_part::Existing;
use landfit_vision::RegionPx;
use std::path::Path;

/// The longest line is drawn about so long, px of the drawing.
const LONGEST_PX: f64 = 30.0;
const PANEL_PX: f32 = 900.0;
const MARGIN_PX: f32 = 20.0;
const HEAD_PX: f32 = 70.0;
/// Okabe-Ito: blue where used, vermilion where left out; each line ends in a ring, so that shape tells the mark from the line.
const USED: Ink = Ink::new([0, 114, 178]);
const LEFT_OUT: Ink = Ink::new([213, 94, 0]);
const BLACK: Ink = Ink::new([0, 0, 0]);
const UNCOVERED: Ink = Ink::new([0xE8, 0xE4, 0xDA]);

/// One view of the fit.
pub struct Panel {
    /// "board view 1".
    pub title: String,
    /// Raw px.
    pub region: RegionPx,
    /// Where marks were seen.
    pub windows: Windows,
}

/// Draws the residuals of every view, `panels` in the order of the fit's views, and writes the drawing.
pub fn write(path: &Path, residuals: &[Residual], panels: &[Panel]) -> anyhow::Result<()> {
    let faces = Faces::load()?;
    let mut lengths: Vec<f64> = residuals.iter().filter(|r| r.used).map(|r| r.off_px[0].hypot(r.off_px[1])).collect();
    lengths.sort_by(f64::total_cmp);
    let long = lengths.get(lengths.len() * 95 / 100).copied().unwrap_or(1.0).max(1e-6);
    // A round magnification, so that the drawing can be read.
    let magnify = 10f64.powf((LONGEST_PX / long).log10().floor());
    let height_of = |p: &Panel| PANEL_PX * p.region.height as f32 / p.region.width as f32;
    let tallest = panels.iter().map(height_of).fold(0.0, f32::max);
    let columns = panels.len().min(2);
    let rows = panels.len().div_ceil(2);
    let (step_x, step_y) = (PANEL_PX + MARGIN_PX, HEAD_PX + tallest + MARGIN_PX);
    let (w, h) = (MARGIN_PX + step_x * columns as f32, MARGIN_PX + step_y * rows as f32);
    let mut canvas = Canvas::filled(w.ceil() as u32, h.ceil() as u32, [255, 255, 255])?;
    for (view, panel) in panels.iter().enumerate() {
        let area =
            Area::new(MARGIN_PX + step_x * (view % 2) as f32, MARGIN_PX + HEAD_PX + step_y * (view / 2) as f32, PANEL_PX, height_of(panel));
        draw(&mut canvas, &faces, &area, panel, magnify, residuals.iter().filter(|r| r.view == view));
    }
    pictures::save_png(path, &DynamicImage::ImageRgb8(canvas.into_picture()), Existing::Replace)
}

fn draw<'a>(canvas: &mut Canvas, faces: &Faces, area: &Area, panel: &Panel, magnify: f64, residuals: impl Iterator<Item = &'a Residual>) {
    let scale = f64::from(area.w) / f64::from(panel.region.width);
    for (r, row) in panel.windows.marks.iter().enumerate() {
        let (w, h) = (area.w / row.len() as f32, area.h / panel.windows.marks.len() as f32);
        for (c, _) in row.iter().enumerate().filter(|(_, marks)| **marks == 0) {
            canvas.fill_area(&Area::new(area.x + w * c as f32, area.y + h * r as f32, w, h), UNCOVERED);
        }
    }
    canvas.polyline(&area.corners(), Ends::Closed, Pen::new(BLACK, 1.0));
    let (mut used, mut left_out) = (0, 0);
    for r in residuals {
        let at = |dx: f64, dy: f64| {
            let x = (r.seen_px.x - f64::from(panel.region.x)) * scale + dx;
            let y = (r.seen_px.y - f64::from(panel.region.y)) * scale + dy;
            Xy::new(area.x + x as f32, area.y + y as f32)
        };
        let ink = if r.used { USED } else { LEFT_OUT };
        if r.used {
            used += 1
        } else {
            left_out += 1
        }
        canvas.line(at(0.0, 0.0), at(magnify * r.off_px[0], magnify * r.off_px[1]), Pen::new(ink, 1.2));
        canvas.ring(at(0.0, 0.0), 1.6, Pen::new(ink, 1.0));
    }
    let bar_px = LONGEST_PX as f32;
    let legend = Type::text(22.0, BLACK);
    let top = area.y - HEAD_PX + 26.0;
    faces.draw(
        canvas,
        legend,
        Xy::new(area.x, top),
        &format!("{}: what is left of {used} marks, {magnify:.0} times its size", panel.title),
    );
    // The bar stands for so many px of the camera; the drawing may be larger or smaller than the picture, the lines are not.
    let words = format!("{} px", LONGEST_PX / magnify);
    canvas.line(Xy::new(area.x, top + 26.0), Xy::new(area.x + bar_px, top + 26.0), Pen::new(USED, 3.0));
    faces.draw(canvas, legend, Xy::new(area.x + bar_px + 10.0, top + 32.0), &words);
    let more = format!("ring: the mark; orange: {left_out} left out; shaded: field that no mark covered");
    faces.draw(canvas, legend, Xy::new(area.x + bar_px + 150.0, top + 32.0), &more);
}
