//! What is left of every mark, drawn as lines from where the fit has it, magnified.

use anyhow::Context;
use landfit_calibration::scale::Residual;
use std::path::Path;
use tiny_skia::{Color, Paint, PathBuilder, Pixmap, Stroke, Transform};

/// The longest line is drawn about so long, px of the drawing.
const LONGEST_PX: f64 = 30.0;
const WIDTH_PX: f64 = 1200.0;

/// Draws the residuals over the field and writes the drawing; the frame's long side is 1200 px.
pub fn write(path: &Path, residuals: &[Residual], size_px: [u32; 2]) -> anyhow::Result<()> {
    let scale = WIDTH_PX / f64::from(size_px[0]);
    let (w, h) = (WIDTH_PX as u32, (f64::from(size_px[1]) * scale).ceil().max(1.0) as u32);
    let mut drawing = Pixmap::new(w, h).context("no room for the residuals' drawing")?;
    drawing.fill(Color::WHITE);
    let mut lengths: Vec<f64> = residuals.iter().filter(|r| r.used).map(|r| r.off_px[0].hypot(r.off_px[1])).collect();
    lengths.sort_by(f64::total_cmp);
    let long = lengths.get(lengths.len() * 95 / 100).copied().unwrap_or(1.0).max(1e-6);
    // A round magnification, so that the drawing can be read.
    let magnify = 10f64.powf((LONGEST_PX / long).log10().floor());
    tracing::info!("residuals are drawn {magnify:.0} times their size");
    for r in residuals {
        let (x, y) = (r.seen_px.x * scale, r.seen_px.y * scale);
        let mut line = PathBuilder::new();
        line.move_to(x as f32, y as f32);
        line.line_to((x + magnify * r.off_px[0]) as f32, (y + magnify * r.off_px[1]) as f32);
        line.push_circle(x as f32, y as f32, 1.6);
        let mut paint = Paint::default();
        // Okabe-Ito: blue where used, vermilion where left out.
        if r.used {
            paint.set_color_rgba8(0, 114, 178, 255)
        } else {
            paint.set_color_rgba8(213, 94, 0, 255)
        }
        paint.anti_alias = true;
        if let Some(line) = line.finish() {
            drawing.stroke_path(&line, &paint, &Stroke { width: 1.2, ..Stroke::default() }, Transform::identity(), None);
        }
    }
    let picture = image::RgbaImage::from_raw(w, h, drawing.data().to_vec()).context("no room for the residuals' drawing")?;
    image::DynamicImage::from(picture).to_rgb8().save(path).with_context(|| format!("{} cannot be written", path.display()))
}
