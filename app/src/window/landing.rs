//! The landing plot among the thimble strips, each where its adjuster stands on the bench.

use super::look::{self, Palette};
use super::picture_pane::PictureView;
use super::words;
use crate::overlay::thimble::{Graduation, HALF_SEEN_RAD, Place, graduations};
use crate::state::shown::{AlignPanel, Corner, Exposure, Landing, Strip};
use eframe::egui::{self, Align2, Color32, FontId, Painter, Pos2, Rect, Sense, Shape, Stroke, Ui, Vec2};
use std::f32::consts::TAU;

/// Room of a strip: width beside the plot, height above and below it, points.
const BESIDE: f32 = 104.0;
const ACROSS: f32 = 72.0;
const GAP: f32 = 8.0;
/// The same where text is so large that not all would be in view.
const LOW_ACROSS: f32 = 58.0;
const LOW_GAP: f32 = 5.0;
/// Where even that is too much, only the next one shows its thimble.
const ONE_LINE: f32 = 26.0;
/// A strip beside the plot needs so much of its height, points.
const LEAST_PLOT: f32 = 78.0;
/// The least that corner pictures leave to the landing plot, of the shorter side of their room.
const LEAST_PLOT_SHARE: f32 = 0.4;
/// Size of a corner picture that does not hold the worst site, of one that does.
const OTHERS_SHARE: f32 = 0.8;
/// Sizes of corner pictures that are tried, from all of the room to nothing.
const SIZES_TRIED: usize = 50;
/// Radius of the ring about the worst site, points: however sure it is, it is seen.
const LEAST_RING: f32 = 6.0;

/// Draws plot and strips into `rect`; corner pictures, where there are any, stand round the plot.
pub fn landing_ui(ui: &Ui, rect: Rect, panel: &AlignPanel, view: &PictureView, exposures: &[Exposure]) {
    let p = look::of(ui);
    let rows = Rows::fitting(&panel.strips, rect.height());
    let gap = rows.gap;
    let (above, below) = (rows.height(&|p| matches!(p, Place::Above(_))), rows.height(&|p| matches!(p, Place::Below(_))));
    let has = |place: Place| if panel.strips.iter().any(|s| s.place == place) { 1.0 } else { 0.0_f32 };
    let (left, right) = (has(Place::Left), has(Place::Right));
    let room = Vec2::new(rect.width() - 2.0 * left.max(right) * (BESIDE + gap), rect.height() - above - below);
    let side = room.x.min(room.y).max(60.0);
    let middle_y = rect.top() + above + side / 2.0;
    let plot = Rect::from_center_size(Pos2::new(rect.center().x, middle_y), Vec2::splat(side));
    let wide = side.max(250.0).min(rect.width());
    // Corner pictures have all the room between the strips.
    let area = if panel.corners.is_empty() { plot } else { Rect::from_center_size(plot.center(), Vec2::new(room.x.max(side), side)) };
    for strip in &panel.strips {
        let row = |top: f32| Rect::from_min_size(Pos2::new(plot.center().x - wide / 2.0, top), Vec2::new(wide, rows.of(strip)));
        let place = match strip.place {
            Place::Left => Rect::from_min_size(Pos2::new(area.left() - gap - BESIDE, area.top()), Vec2::new(BESIDE, side)),
            Place::Right => Rect::from_min_size(Pos2::new(area.right() + gap, area.top()), Vec2::new(BESIDE, side)),
            Place::Above(n) => row(plot.top() - rows.height(&|p| matches!(p, Place::Above(other) if other >= n))),
            Place::Below(n) => row(plot.bottom() + gap + rows.height(&|p| matches!(p, Place::Below(other) if other < n))),
        };
        strip_ui(ui, place, strip, p);
    }
    if panel.corners.is_empty() {
        plot_ui(ui, plot, panel.landing.as_ref(), p);
        return;
    }
    let (places, inner) = corner_places(area, &panel.corners);
    for (corner, place) in panel.corners.iter().zip(places) {
        corner_ui(ui, place, corner, view, exposures, p);
    }
    plot_ui(ui, inner, panel.landing.as_ref(), p);
}

/// How high the strips above and below the plot are.
struct Rows<'a> {
    strips: &'a [Strip],
    gap: f32,
    next: f32,
    others: f32,
}

impl<'a> Rows<'a> {
    /// As high as they are drawn best, or so low that all of them are in view with the plot.
    fn fitting(strips: &'a [Strip], height: f32) -> Self {
        let best = Self { strips, gap: GAP, next: ACROSS, others: ACROSS };
        let low = Self { gap: LOW_GAP, next: LOW_ACROSS, others: LOW_ACROSS, ..best };
        let fits = |rows: &Self| rows.height(&|_| true) + LEAST_PLOT <= height;
        if fits(&best) {
            best
        } else if fits(&low) {
            low
        } else {
            Self { others: ONE_LINE, ..low }
        }
    }

    fn of(&self, strip: &Strip) -> f32 {
        if strip.is_next { self.next } else { self.others }
    }

    /// Of the strips above and below the plot at such places, with the gap to what is next to each.
    fn height(&self, is: &dyn Fn(Place) -> bool) -> f32 {
        let is_row = |s: &&Strip| matches!(s.place, Place::Above(_) | Place::Below(_)) && is(s.place);
        self.strips.iter().filter(is_row).map(|s| self.of(s) + self.gap).sum()
    }
}

/// Where corner pictures stand in `area`, each at its true place about the part's middle: all to one scale, as large as leaves them apart from each
/// other and from the landing plot between them, and the worst one enlarged. Then the plot's own place.
fn corner_places(area: Rect, corners: &[Corner]) -> (Vec<Rect>, Rect) {
    let largest = corners.iter().fold([1e-3_f64; 2], |[w, h], c| [w.max(c.place_mm[2]), h.max(c.place_mm[3])]);
    let reach = corners.iter().fold([1e-3_f64; 2], |[x, y], c| [x.max(c.place_mm[0].abs()), y.max(c.place_mm[1].abs())]);
    let most = (f64::from(area.width()) / largest[0]).min(f64::from(area.height()) / largest[1]) as f32;
    let placed = |per_mm: f32| {
        let one = |corner: &Corner| {
            let [x, y, w, h] = corner.place_mm.map(|v| v as f32);
            let size = Vec2::new(w, h) * per_mm * if corner.is_worst { 1.0 } else { OTHERS_SHARE };
            let out = Vec2::new(x / reach[0] as f32, -y / reach[1] as f32);
            Rect::from_center_size(area.center() + out * (area.size() - size) / 2.0, size)
        };
        let places: Vec<Rect> = corners.iter().map(one).collect();
        let half = places.iter().fold(area.width().min(area.height()) / 2.0, |half, place| {
            let off = (place.center() - area.center()).abs() - place.size() / 2.0;
            half.min(off.x.max(off.y) - GAP)
        });
        let apart =
            places.iter().enumerate().all(|(i, a)| places[..i].iter().all(|b| !a.expand(GAP / 2.0).intersects(b.expand(GAP / 2.0))));
        (places, half, apart)
    };
    let wanted = LEAST_PLOT_SHARE / 2.0 * area.height().min(area.width());
    let fits = (0..=SIZES_TRIED).map(|k| placed(most * (1.0 - k as f32 / SIZES_TRIED as f32)));
    let (places, half, _) = fits.into_iter().find(|(_, half, apart)| *apart && *half >= wanted).unwrap_or_else(|| placed(0.0));
    (places, Rect::from_center_size(area.center(), Vec2::splat(2.0 * half.max(wanted))))
}

/// A corner picture with its label; the worst one has the bright edge.
fn corner_ui(ui: &Ui, place: Rect, corner: &Corner, view: &PictureView, exposures: &[Exposure], p: Palette) {
    let response = ui.interact(place, ui.scope_id().with(("corner", corner.exposure, &corner.label)), Sense::hover());
    response.widget_info(|| egui::WidgetInfo::labeled(egui::Role::Image, true, words::corner_picture(&corner.label)));
    let [x, y, w, h] = corner.cut_px;
    view.piece(ui, place, exposures, corner.exposure, Rect::from_min_size(Pos2::new(x, y), Vec2::new(w, h)));
    let (width, colour) = if corner.is_worst { (2.5, p.accent) } else { (1.0, p.faint) };
    ui.painter().rect_stroke(place, 2.0, Stroke::new(width, colour), egui::StrokeKind::Inside);
    let painter = ui.painter().with_clip_rect(place);
    let pad = Vec2::new(5.0, 1.0);
    let font = fitted(&painter, FontId::proportional(look::SMALL), &corner.label, place.width() - 2.0 * pad.x - 4.0);
    let galley = painter.layout_no_wrap(corner.label.clone(), font, look::DARK.text);
    // Along the outer edge: the inner one is where the next picture would go on.
    let size = galley.size() + 2.0 * pad;
    let top = if corner.place_mm[1] >= 0.0 { place.top() + 2.0 } else { place.bottom() - 2.0 - size.y };
    let plate = Rect::from_min_size(Pos2::new(place.left() + 2.0, top), size);
    painter.rect_filled(plate, 3.0, Color32::from_black_alpha(170));
    painter.galley(plate.min + pad, galley, look::DARK.text);
}

fn plot_ui(ui: &Ui, rect: Rect, landing: Option<&Landing>, p: Palette) {
    let response = ui.interact(rect, ui.scope_id().with("landing plot"), Sense::hover());
    response.widget_info(|| egui::WidgetInfo::labeled(egui::Role::Image, true, words::LANDING));
    let painter = ui.painter().with_clip_rect(rect);
    painter.rect_filled(rect, 6.0, p.raised);
    let centre = rect.center();
    let hair = Stroke::new(1.0, p.faint);
    painter.line_segment([rect.left_center(), rect.right_center()], hair);
    painter.line_segment([rect.center_top(), rect.center_bottom()], hair);
    let Some(landing) = landing else { return };
    let norm = |v: [f64; 2]| v[0].hypot(v[1]);
    let farthest = landing.points_mm.iter().map(|v| norm(*v)).fold(norm(landing.worst_mm) + landing.u_mm, f64::max);
    let span_mm = 1.06 * farthest.max(1.3 * landing.allowed_mm);
    // The ring about the worst one stays inside.
    let per_mm = f64::from(rect.width() / 2.0 - LEAST_RING - 1.0).max(1.0) / span_mm;
    let at = |v: [f64; 2]| centre + Vec2::new((v[0] * per_mm) as f32, (-v[1] * per_mm) as f32);
    let allowed = (landing.allowed_mm * per_mm) as f32;
    painter.circle_filled(centre, allowed, p.faint.gamma_multiply(0.35));
    painter.circle_stroke(centre, allowed, Stroke::new(2.0, p.text));
    let trail: Vec<Pos2> = landing.trail_mm.iter().map(|v| at(*v)).collect();
    if trail.len() > 1 {
        painter.add(Shape::line(trail.clone(), Stroke::new(1.5, p.quiet)));
        trail.iter().for_each(|at| {
            painter.circle_filled(*at, 1.8, p.quiet);
        });
    }
    let dot = (0.35 * rect.width() / (landing.points_mm.len().max(1) as f32).sqrt() / 6.0).clamp(1.0, 2.6);
    for point in &landing.points_mm {
        painter.circle_filled(at(*point), dot, p.terminal);
    }
    if let Some(left_mm) = landing.left_mm {
        let left = ((left_mm * per_mm) as f32).max(3.0);
        let circle: Vec<Pos2> = (0..=48).map(|i| centre + left * Vec2::angled(i as f32 / 48.0 * TAU)).collect();
        painter.extend(Shape::dashed_line(&circle, Stroke::new(1.5, p.quiet), 4.0, 3.0));
    }
    let ring = ((landing.u_mm * per_mm) as f32).max(LEAST_RING);
    painter.circle_stroke(at(landing.worst_mm), ring, Stroke::new(2.0, p.accent));
    if rect.width() < 140.0 {
        return;
    }
    let small = FontId::proportional(look::SMALL * 0.95);
    let pad = Vec2::new(6.0, 4.0);
    painter.text(rect.left_top() + pad, Align2::LEFT_TOP, words::AWAY, small.clone(), p.quiet);
    painter.text(rect.left_bottom() + Vec2::new(6.0, -4.0), Align2::LEFT_BOTTOM, words::ring(&landing.worst), small.clone(), p.quiet);
    painter.text(rect.right_bottom() + Vec2::new(-6.0, -4.0), Align2::RIGHT_BOTTOM, words::circle(&landing.allowed_text), small, p.quiet);
}

fn strip_ui(ui: &Ui, area: Rect, strip: &Strip, p: Palette) {
    let response = ui.interact(area, ui.scope_id().with(("strip", strip.adjuster)), Sense::hover());
    let amount = strip.amount.as_ref().map_or_else(String::new, |[n, what]| format!(" {n} {what} {}", strip.sense));
    let name = format!("{}: {}{amount}", strip.name, strip.word);
    response.widget_info(|| egui::WidgetInfo::labeled(egui::Role::Image, true, &name));
    let painter = ui.painter().with_clip_rect(area);
    let (ink, line) = if strip.is_next { (p.accent, 2.5) } else { (p.faint, 1.0) };
    painter.rect_filled(area, 6.0, p.raised);
    painter.rect_stroke(area, 6.0, Stroke::new(line, ink), egui::StrokeKind::Inside);
    let text = if strip.is_next { p.text } else { p.quiet };
    let low = area.height() < ACROSS;
    let inner = area.shrink(if low { 5.0 } else { 8.0 });
    let upright = matches!(strip.place, Place::Left | Place::Right);
    let short = upright && inner.height() < 110.0;
    let title = FontId::proportional(look::SMALL);
    let big = FontId::proportional(if upright && !short { 30.0 } else { 23.0 });
    let head = format!("{}: {}", strip.word, strip.name);
    let (digits, what) = strip.amount.as_ref().map_or(("", ""), |[n, what]| (n.as_str(), what.as_str()));
    let face;
    if upright {
        painter.text(inner.left_top(), Align2::LEFT_TOP, head, title.clone(), text);
        let words_height = if strip.amount.is_some() { 30.0 + 3.0 * look::SMALL } else { 4.0 };
        face = Rect::from_min_max(
            Pos2::new(inner.left(), inner.top() + look::SMALL * 1.4),
            Pos2::new(inner.right(), inner.bottom() - words_height),
        );
        if strip.amount.is_some() {
            let y = inner.bottom();
            painter.text(Pos2::new(inner.left(), y), Align2::LEFT_BOTTOM, &strip.sense, title.clone(), text);
            if !short {
                let font = fitted(&painter, title.clone(), what, inner.width());
                painter.text(Pos2::new(inner.left(), y - look::SMALL * 1.2), Align2::LEFT_BOTTOM, what, font, text);
            }
            let written = painter.text(
                Pos2::new(inner.left(), y - look::SMALL * if short { 1.1 } else { 2.3 }),
                Align2::LEFT_BOTTOM,
                digits,
                fitted(&painter, big, digits, inner.width()),
                text,
            );
            let x = written.right() + 4.0;
            if short && inner.right() - x > 30.0 {
                let font = fitted(&painter, title, what, inner.right() - x);
                painter.text(Pos2::new(x, written.bottom() - 3.0), Align2::LEFT_BOTTOM, what, font, text);
            }
        }
    } else if low {
        face = low_row_ui(&painter, inner, strip, text);
    } else {
        let across = 0.56 * inner.width();
        painter.text(inner.left_top(), Align2::LEFT_TOP, head, title.clone(), text);
        face =
            Rect::from_min_max(Pos2::new(inner.left(), inner.top() + look::SMALL * 1.4), Pos2::new(inner.left() + across, inner.bottom()));
        let x = face.right() + 12.0;
        painter.text(Pos2::new(x, inner.top() - 4.0), Align2::LEFT_TOP, digits, fitted(&painter, big, digits, inner.right() - x), text);
        painter.text(
            Pos2::new(x, inner.bottom() - look::SMALL * 1.1),
            Align2::LEFT_BOTTOM,
            what,
            fitted(&painter, title.clone(), what, inner.right() - x),
            text,
        );
        painter.text(Pos2::new(x, inner.bottom()), Align2::LEFT_BOTTOM, &strip.sense, title, text);
    }
    if face.height() > 12.0 && face.width() > 12.0 {
        face_ui(&painter.with_clip_rect(face), face, strip, p, upright);
    }
}

/// A strip above or below the plot where there is little room: two lines of words beside the thimble, or one line of words. Gives the thimble's
/// place.
fn low_row_ui(painter: &Painter, inner: Rect, strip: &Strip, text: Color32) -> Rect {
    let title = FontId::proportional(look::SMALL);
    let (digits, what) = strip.amount.as_ref().map_or(("", ""), |[n, what]| (n.as_str(), what.as_str()));
    let head = format!("{}: {}", strip.word, strip.name);
    if inner.height() < ONE_LINE {
        let line = [head.as_str(), digits, what, &strip.sense].join(" ");
        let font = fitted(painter, title, &line, inner.width());
        painter.text(inner.left_center(), Align2::LEFT_CENTER, line, font, text);
        return Rect::NOTHING;
    }
    painter.text(inner.left_top(), Align2::LEFT_TOP, head, title.clone(), text);
    let (number, gap) = (FontId::proportional(23.0), 5.0);
    let width_of = |text: &str, font: &FontId| painter.layout_no_wrap(text.to_owned(), font.clone(), Color32::WHITE).size().x;
    // The words have what they need, the thimble the rest.
    let needed = (width_of(digits, &number) + gap + width_of(what, &title)).max(width_of(&strip.sense, &title));
    let across = (inner.width() - 10.0 - needed).clamp(0.36 * inner.width(), 0.5 * inner.width());
    let face =
        Rect::from_min_max(Pos2::new(inner.left(), inner.top() + look::SMALL * 1.25), Pos2::new(inner.left() + across, inner.bottom()));
    let x = face.right() + 10.0;
    let number = fitted(painter, number, digits, 0.5 * (inner.right() - x));
    let written = painter.text(Pos2::new(x, inner.top() - 3.0), Align2::LEFT_TOP, digits, number, text);
    let unit_x = written.right() + gap;
    let unit = fitted(painter, title.clone(), what, inner.right() - unit_x);
    painter.text(Pos2::new(unit_x, written.bottom() - 3.0), Align2::LEFT_BOTTOM, what, unit, text);
    painter.text(
        Pos2::new(x, inner.bottom()),
        Align2::LEFT_BOTTOM,
        &strip.sense,
        fitted(painter, title, &strip.sense, inner.right() - x),
        text,
    );
    face
}

/// The same type, smaller where the text would not fit.
pub fn fitted(painter: &Painter, font: FontId, text: &str, room: f32) -> FontId {
    let width = painter.layout_no_wrap(text.to_owned(), font.clone(), Color32::WHITE).size().x;
    if width <= room || width < 1.0 { font } else { FontId::new(font.size * (room / width).max(0.3), font.family) }
}

/// The piece of thimble that faces the eye: it runs as the hand turns, until the marked graduation stands at the sleeve's line.
fn face_ui(painter: &Painter, face: Rect, strip: &Strip, p: Palette, upright: bool) {
    let (half, width) = if upright { (face.height() / 2.0, face.width()) } else { (face.width() / 2.0, face.height()) };
    let sleeve_last = strip.place.sleeve_last();
    let sleeve = 0.24 * width;
    let at = |along: f32, across: f32| {
        let across = if sleeve_last { width - across } else { across };
        if upright {
            Pos2::new(face.left() + across, face.center().y + along)
        } else {
            Pos2::new(face.center().x + along, face.top() + across)
        }
    };
    let per_rad = half / HALF_SEEN_RAD.sin();
    // A cylinder as light from above shows it.
    let slices = 28;
    for i in 0..slices {
        let edge = |k: usize| -half + 2.0 * half * k as f32 / slices as f32;
        let middle = (edge(i) + edge(i + 1)) / 2.0;
        let lit = (1.0 - (middle / half * HALF_SEEN_RAD.sin()).powi(2)).max(0.0).sqrt();
        let shade = |from: Color32, to: Color32| mix(from, to, lit);
        let (low, high) = (mix(p.ground, p.raised, 0.2), p.control_hot);
        painter.rect_filled(Rect::from_two_pos(at(edge(i), 0.0), at(edge(i + 1) + 0.5, sleeve)), 0.0, shade(low, p.control));
        painter.rect_filled(Rect::from_two_pos(at(edge(i), sleeve), at(edge(i + 1) + 0.5, width)), 0.0, shade(low, high));
    }
    let tone = if strip.is_next { p.text } else { p.quiet };
    // The marked graduation is away from the line by what is left to turn.
    let goes = strip.left_turns as f32 * TAU * strip.clockwise;
    let seen = |angle: f32| (angle.abs() < HALF_SEEN_RAD).then(|| per_rad * angle.sin());
    match strip.divisions.filter(|n| *n > 0) {
        Some(n) => {
            let per_division = TAU / n as f32;
            // The number at the line now.
            let now = strip.target_division as f32 + goes / (per_division * strip.rising);
            for Graduation { number, angle_rad, length_share, is_numbered } in graduations(now, strip.rising, n, per_division * per_rad) {
                let Some(along) = seen(angle_rad) else { continue };
                let lit = (1.0 - (along / half).powi(2) * 0.75).max(0.15);
                let length = length_share * width;
                painter.line_segment([at(along, sleeve), at(along, sleeve + length)], Stroke::new(1.3, tone.gamma_multiply(lit)));
                if is_numbered && along.abs() < half - 7.0 {
                    let shown = number.rem_euclid(i64::from(n)).to_string();
                    painter.text(
                        at(along, 0.76 * width),
                        Align2::CENTER_CENTER,
                        shown,
                        FontId::monospace(12.5),
                        tone.gamma_multiply(lit.max(0.55)),
                    );
                }
            }
        }
        None => {
            for i in -14..=14 {
                if let Some(along) = seen(i as f32 * 0.095 - goes.rem_euclid(0.095)) {
                    painter.line_segment([at(along, sleeve + 4.0), at(along, width - 4.0)], Stroke::new(1.0, p.faint));
                }
            }
        }
    }
    let accent = if strip.is_next { p.accent } else { p.quiet };
    if strip.amount.is_some() {
        // Where the mark is: a wedge on the thimble's edge, at the rim of what is seen while it is farther round.
        let angle = (-goes).clamp(-HALF_SEEN_RAD * 0.98, HALF_SEEN_RAD * 0.98);
        let along = seen(angle).unwrap_or(0.0);
        let (tip, back) = (sleeve + 1.0, sleeve + 9.0);
        painter.add(Shape::convex_polygon(vec![at(along, tip), at(along - 5.0, back), at(along + 5.0, back)], accent, Stroke::NONE));
    }
    painter.line_segment([at(0.0, 0.0), at(0.0, sleeve)], Stroke::new(3.0, accent));
}

fn mix(from: Color32, to: Color32, share: f32) -> Color32 {
    let one = |a: u8, b: u8| (f32::from(a) + (f32::from(b) - f32::from(a)) * share).round() as u8;
    Color32::from_rgb(one(from.r(), to.r()), one(from.g(), to.g()), one(from.b(), to.b()))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn corner(x: f64, y: f64, is_worst: bool) -> Corner {
        Corner { exposure: 0, cut_px: [0.0, 0.0, 10.0, 10.0], place_mm: [x, y, 6.0, 5.0], is_worst, label: "A1 12 µm".into() }
    }

    #[test]
    fn corner_pictures_stand_where_the_part_has_them_clear_of_each_other_and_of_the_plot_and_the_worst_is_enlarged() {
        let four = [(-14.0, 14.0), (14.0, 14.0), (-14.0, -14.0), (14.0, -14.0)];
        let six = [(-20.0, 9.0), (0.0, 9.0), (20.0, 9.0), (-20.0, -9.0), (0.0, -9.0), (20.0, -9.0)];
        for (places_mm, size) in
            [(&four[..], [342.0, 222.0]), (&four[..], [160.0, 160.0]), (&six[..], [342.0, 222.0]), (&six[..], [520.0, 400.0])]
        {
            let area = Rect::from_min_size(Pos2::new(40.0, 300.0), Vec2::from(size));
            let corners: Vec<Corner> = places_mm.iter().enumerate().map(|(i, (x, y))| corner(*x, *y, i == 3)).collect();
            let (places, plot) = corner_places(area, &corners);
            assert!(area.contains_rect(plot) && plot.width() >= 0.39 * size[0].min(size[1]), "{plot:?}");
            for (i, place) in places.iter().enumerate() {
                assert!(area.expand(0.1).contains_rect(*place), "{place:?}");
                assert!(!place.intersects(plot) && places[..i].iter().all(|other| !place.intersects(*other)), "{place:?}");
                let off = place.center() - area.center();
                let (x, y) = places_mm[i];
                assert!(f64::from(off.x) * x >= 0.0 && f64::from(off.y) * y <= 0.0 && (x != 0.0 || off.x.abs() < 0.1), "{off:?}");
                assert!((place.width() / places[3].width() - if i == 3 { 1.0 } else { OTHERS_SHARE }).abs() < 1e-3);
            }
            assert!(places[3].width() > 0.2 * size[0].min(size[1]), "{:?}", places[3]);
        }
    }
}
