//! The landing plot: every terminal's miss as a point about where it should land, and the allowance as a circle.

use super::canvas::{Area, Canvas, Ends, Pen, Surface, Xy};
use super::ink;
use super::misses::Misses;
use super::text::{Faces, Type};
use crate::words;
use crate::words::sentences;
use landfit_calibration::judgement::Judgement;
use landfit_calibration::moves::MovePlan;
use landfit_part::{Part, PointMm};

/// What the plot shows.
pub struct Landing<'a> {
    pub part: &'a Part,
    pub misses: &'a Misses<'a>,
    pub judgement: &'a Judgement,
    pub plan: &'a MovePlan,
}

/// Draws the plot into a square; `unit_px` is a pixel of a sheet of ordinary width.
pub fn draw(canvas: &mut Canvas, faces: &Faces, area: &Area, unit_px: f32, landing: &Landing) {
    let Landing { misses, judgement, plan, .. } = landing;
    let (u, centre, radius) = (unit_px, area.centre(), area.w / 2.0);
    let allowed_mm = misses.allowed_mm.max(1e-6);
    let fitted_mm = (judgement.miss_mm + judgement.u_mm).max(1.3 * allowed_mm);
    // A single stray may widen the plot, but not so far that all others are one point: then it is drawn at the rim.
    let stray_mm = misses.measured.iter().map(|m| m.board_mm.norm()).fold(0.0, f64::max).min(2.0 * fitted_mm);
    let span_mm = 1.12 * fitted_mm.max(stray_mm);
    let px_per_mm = f64::from(radius) / span_mm;
    let at = |mm: PointMm| {
        let r = mm.norm().max(1e-12);
        let inside = mm * (0.97 * span_mm / r).min(1.0);
        centre.by((inside.x * px_per_mm) as f32, (-inside.y * px_per_mm) as f32)
    };
    let allowed_px = (allowed_mm * px_per_mm) as f32;

    canvas.fill_area(area, ink::SHADE.covering(0.55));
    canvas.polyline(&area.corners(), Ends::Closed, Pen::new(ink::FAINT, u));
    let hair = Pen::new(ink::FAINT.covering(0.7), u);
    canvas.line(Xy::new(area.x, centre.y), Xy::new(area.right(), centre.y), hair);
    canvas.line(Xy::new(centre.x, area.y), Xy::new(centre.x, area.bottom()), hair);
    canvas.disc(centre, allowed_px, ink::FAINT.covering(0.30));
    canvas.ring(centre, allowed_px, Pen::new(ink::PAPER, 1.8 * u));

    // Points stand apart as far as there is room.
    let spread_px = misses.fitted.iter().map(|m| at(m.board_mm).distance(at(landing.judgement.to_go.shift()))).fold(0.0, f32::max);
    let dot = (0.45 * spread_px / (misses.fitted.len().max(1) as f32).sqrt()).clamp(0.7 * u, 2.4 * u);
    for miss in &misses.measured {
        let off_mm = misses.fitted.get(miss.site).map_or(0.0, |fitted| fitted.board_mm.distance(miss.board_mm));
        // One that left its place in the lattice must not be lost because its neighbours are drawn small.
        let radius_px = if off_mm > 0.3 * allowed_mm { 2.6 * u } else { dot };
        canvas.disc(at(miss.board_mm), radius_px, ink::TERMINAL.covering(0.75));
    }
    if misses.measured.is_empty() {
        misses.fitted.iter().for_each(|miss| canvas.disc(at(miss.board_mm), dot, ink::TERMINAL.covering(0.75)));
    }
    if !plan.moves.is_empty() {
        let left_px = ((plan.left_after.worst_miss_mm * px_per_mm) as f32).max(3.0 * u);
        canvas.ring(centre, left_px, Pen::new(ink::QUIET, 1.4 * u).dashed(3.0 * u, 2.5 * u));
    }
    if let Some(worst) = misses.fitted.get(judgement.site) {
        let place = at(worst.board_mm);
        let u_px = (judgement.u_mm * px_per_mm) as f32;
        // The ring is the uncertainty's own size where that can be seen.
        canvas.ring(place, u_px.max(5.0 * u), Pen::new(ink::MISS, 1.6 * u));
    }
    words(canvas, faces, area, u, landing, px_per_mm);
}

fn words(canvas: &mut Canvas, faces: &Faces, area: &Area, u: f32, landing: &Landing, px_per_mm: f64) {
    let Landing { judgement, part, plan, misses } = landing;
    let small = Type::text(14.0 * u, ink::QUIET);
    let (pad, line) = (9.0 * u, small.line_px());
    let mut corner = |right: bool, top: f32, look: Type, text: &str| {
        let width = faces.width_px(look, text);
        let x = if right { area.right() - pad - width } else { area.x + pad };
        let plate = Area::new(x - 0.3 * pad, top - line / 2.0, width + 0.6 * pad, line);
        canvas.fill_area(&plate, ink::SHADE.covering(0.72));
        faces.draw(canvas, look, Xy::new(x, top), text);
    };
    let (top, bottom) = (area.y + pad + 0.4 * line, area.bottom() - pad - 0.4 * line);
    corner(false, top, small, words::AWAY);
    corner(true, top, Type::text(14.0 * u, ink::PAPER), &words::circle_allowed(&sentences::short_length_text(misses.allowed_mm)));
    let worst = words::ring_worst(sentences::site_name(part, judgement.site));
    corner(false, bottom, Type::text(14.0 * u, ink::MISS), &worst);
    if !plan.moves.is_empty() {
        corner(true, bottom, small, &words::dashed_then(&sentences::short_length_text(plan.left_after.worst_miss_mm)));
    }
    scale_bar(canvas, faces, area, u, px_per_mm);
    let right = faces.width_px(small, words::RIGHT);
    faces.draw(canvas, small, Xy::new(area.right() - pad - right, area.centre().y - 0.7 * line), words::RIGHT);
}

/// A bar of a round length at the left, above the words of the lower edge.
fn scale_bar(canvas: &mut Canvas, faces: &Faces, area: &Area, u: f32, px_per_mm: f64) {
    let most_mm = 0.26 * f64::from(area.w) / px_per_mm;
    let Some(bar_mm) = round_length_mm(most_mm) else { return };
    let (x, y, w) = (area.x + 9.0 * u, area.bottom() - 40.0 * u, (bar_mm * px_per_mm) as f32);
    canvas.line(Xy::new(x, y), Xy::new(x + w, y), Pen::new(ink::QUIET, 2.4 * u));
    for end in [x, x + w] {
        canvas.line(Xy::new(end, y - 4.0 * u), Xy::new(end, y + 4.0 * u), Pen::new(ink::QUIET, 1.4 * u));
    }
    faces.draw(canvas, Type::text(14.0 * u, ink::QUIET), Xy::new(x, y - 13.0 * u), &bar_text(bar_mm));
}

/// The largest of 1, 2, 5 times a power of ten that is at most `most_mm`.
pub fn round_length_mm(most_mm: f64) -> Option<f64> {
    if !(most_mm.is_finite() && most_mm > 1e-5) {
        return None;
    }
    let decade = 10f64.powf(most_mm.log10().floor());
    [5.0, 2.0, 1.0].into_iter().map(|n| n * decade).find(|mm| *mm <= most_mm * (1.0 + 1e-9))
}

/// "50 µm", "2 mm".
pub fn bar_text(mm: f64) -> String {
    if mm < 0.9995 {
        let um = format!("{:.2}", mm * 1000.0);
        return format!("{} µm", um.trim_end_matches('0').trim_end_matches('.'));
    }
    format!("{mm:.0} mm")
}
