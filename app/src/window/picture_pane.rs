//! The exposures under their marks, with pan and zoom; and pieces of them, enlarged.

use super::landing::fitted;
use super::look;
use super::words;
use crate::overlay::canvas::{Ends, Stroke as Mark, Xy};
use crate::overlay::text::Face;
use crate::state::shown::{Exposure, Spot};
use eframe::egui::{
    self, Align2, Color32, ColorImage, FontFamily, FontId, Painter, Pos2, Rect, Sense, Shape, Stroke, TextureHandle, TextureOptions, Ui,
    UiBuilder, Vec2,
};
use std::sync::Arc;

/// What the view of the picture remembers.
#[derive(Default)]
pub struct PictureView {
    textures: Vec<(Arc<ColorImage>, TextureHandle)>,
    /// 1 shows all of it.
    zoom: f32,
    /// The middle of what is shown, px of the row of exposures.
    middle: Option<Pos2>,
    /// Marks are drawn.
    hidden_marks: bool,
    /// Screen px for one px of the picture, when last drawn.
    pub px: f32,
}

/// Most that a picture is enlarged: a pixel is then a fingertip.
const MOST_ZOOM: f32 = 24.0;

/// The pane's own buttons.
const BUTTONS: [(&str, &str); 4] = [("+", words::ENLARGE), ("−", words::REDUCE), ("1", words::WHOLE), ("×", words::MARKS)];
/// Between two exposures, px of theirs.
const EXPOSURES_APART_PX: f32 = 8.0;
/// Between the pane's buttons, and from them to its edge, points.
const BUTTON_GAP: f32 = 6.0;

/// Width and height of the exposures side by side, px of theirs.
fn row_px(exposures: &[Exposure]) -> (f32, f32) {
    exposures.iter().fold((0.0_f32, 1.0_f32), |(w, h), e| {
        let [ew, eh] = e.image.size.map(|n| n as f32);
        (w + ew + if w > 0.0 { EXPOSURES_APART_PX } else { 0.0 }, h.max(eh))
    })
}

/// How high a pane of this width need be, points: no more than shows the exposures as wide as the pane, and all of its buttons.
#[must_use]
pub fn height_for(width: f32, exposures: &[Exposure], touch: f32) -> f32 {
    let (w, h) = row_px(exposures);
    let buttons = BUTTONS.len() as f32 * (touch + BUTTON_GAP) + BUTTON_GAP;
    if exposures.is_empty() || w < 1.0 { f32::INFINITY } else { (width * h / w).max(buttons) + look::SMALL * 1.7 }
}

/// Where one exposure lies on the screen.
#[derive(Debug, Clone, Copy)]
struct Place {
    rect: Rect,
    /// Points for one px of the picture.
    scale: f32,
}

impl Place {
    fn at(self, p: Xy) -> Pos2 {
        // Pixel centres are whole numbers in the picture; on the screen a pixel begins at a whole number.
        self.rect.min + Vec2::new(p.x + 0.5, p.y + 0.5) * self.scale
    }
}

impl PictureView {
    /// Brings the textures up to date; each is made once and then written anew.
    pub fn take(&mut self, ctx: &egui::Context, exposures: &[Exposure]) {
        self.textures.truncate(exposures.len());
        for (i, exposure) in exposures.iter().enumerate() {
            match self.textures.get_mut(i) {
                Some((shown, _)) if Arc::ptr_eq(shown, &exposure.image) => {}
                Some((shown, texture)) => {
                    texture.set(Arc::clone(&exposure.image), options());
                    *shown = Arc::clone(&exposure.image);
                }
                None => {
                    let texture = ctx.load_texture(format!("exposure {i}"), Arc::clone(&exposure.image), options());
                    self.textures.push((Arc::clone(&exposure.image), texture));
                }
            }
        }
    }

    /// Draws the pane into `rect`.
    pub fn ui(&mut self, ui: &mut Ui, rect: Rect, exposures: &[Exposure], caption: &str, old: bool) {
        let p = look::of(ui);
        // The caption stands below: on the picture it would cover a label.
        let line = if caption.is_empty() { 0.0 } else { look::SMALL * 1.7 };
        let (rect, below) = rect.split_top_bottom_at_y(rect.bottom() - line);
        if !caption.is_empty() {
            let painter = ui.painter().with_clip_rect(below);
            let font = fitted(&painter, FontId::proportional(look::SMALL), caption, below.width());
            painter.text(below.left_center(), Align2::LEFT_CENTER, caption, font, p.quiet);
        }
        let response = ui.interact(rect, ui.scope_id().with("picture"), Sense::click_and_drag());
        response.widget_info(|| egui::WidgetInfo::labeled(egui::Role::Image, true, words::PICTURE));
        let painter = ui.painter().with_clip_rect(rect);
        painter.rect_filled(rect, 6.0, Color32::from_rgb(0x0C, 0x0D, 0x0F));
        let (width, height) = row_px(exposures);
        if exposures.is_empty() || width < 1.0 {
            painter.text(rect.center(), Align2::CENTER_CENTER, words::NO_LOOK_YET, FontId::proportional(look::BODY), look::DARK.quiet);
            return;
        }
        // Where the pane's own buttons would lie on the picture, it is shown beside them.
        let pane = rect;
        let beside = look::touch(ui.ctx()) + 2.0 * BUTTON_GAP;
        let rect = if rect.width() - (rect.height() / height * width).min(rect.width()) < 2.0 * beside && rect.width() > 4.0 * beside {
            rect.with_max_x(rect.right() - beside)
        } else {
            rect
        };
        let fitted = (rect.width() / width).min(rect.height() / height);
        // A window drawn together to nothing, or laid out for the first time.
        if !(fitted.is_finite() && fitted > 0.0) {
            return;
        }
        self.px = fitted * ui.pixels_per_point();
        self.zoom = if self.zoom.is_nan() { 1.0 } else { self.zoom.clamp(1.0, MOST_ZOOM) };
        let whole = Pos2::new(width / 2.0, height / 2.0);
        let mut middle = self.middle.unwrap_or(whole);
        if response.hovered() {
            let (scroll, pinch) = ui.input(|i| (i.smooth_scroll_delta().y, i.zoom_delta()));
            let by = pinch * (scroll / 240.0).exp();
            if (by - 1.0).abs() > 1e-4 {
                let scale = fitted * self.zoom;
                let under = ui.input(|i| i.pointer.hover_pos()).map_or(middle, |at| middle + (at - rect.center()) / scale);
                let zoomed = (self.zoom * by).clamp(1.0, MOST_ZOOM);
                middle = under + (middle - under) * (self.zoom / zoomed);
                self.zoom = zoomed;
            }
        }
        let scale = fitted * self.zoom;
        if response.dragged() {
            middle -= response.drag_delta() / scale;
        }
        // No further than the picture's edge at the pane's edge.
        let half = rect.size() / (2.0 * scale);
        middle = Pos2::new(held_within(middle.x, half.x, width), held_within(middle.y, half.y, height));
        self.middle = Some(middle);
        let mut left = 0.0;
        for (exposure, (_, texture)) in exposures.iter().zip(&self.textures) {
            let size = Vec2::new(exposure.image.size[0] as f32, exposure.image.size[1] as f32);
            let min = rect.center() + (Pos2::new(left, 0.0) - middle) * scale;
            let place = Place { rect: Rect::from_min_size(min, size * scale), scale };
            painter.image(texture.id(), place.rect, Rect::from_min_max(Pos2::ZERO, Pos2::new(1.0, 1.0)), Color32::WHITE);
            if !self.hidden_marks {
                draw(&painter, exposure.strokes.drawn.iter(), place, fitted);
            }
            left += size.x + EXPOSURES_APART_PX;
        }
        if old {
            // Not a colour alone: the word stands on the picture, and hatching lies over it.
            hatch(&painter, rect);
            plate(&painter, rect.center(), Align2::CENTER_CENTER, words::picture_state(crate::state::shown::PictureState::Old), p);
        }
        // In a room of their own, so that what follows the picture is laid below it and not below them.
        self.controls(&mut ui.new_child(UiBuilder::new().max_rect(pane).id_salt("of the picture")), pane);
    }

    /// The pane's own buttons, at its upper right.
    fn controls(&mut self, ui: &mut Ui, rect: Rect) {
        let touch = look::touch(ui.ctx());
        let mut at = rect.right_top() + Vec2::new(-touch - BUTTON_GAP, BUTTON_GAP);
        for (sign, name) in BUTTONS {
            let place = Rect::from_min_size(at, Vec2::splat(touch));
            if place.bottom() > rect.bottom() {
                break;
            }
            let button =
                egui::Button::new(egui::RichText::new(sign).size(look::BODY).color(look::DARK.text)).fill(Color32::from_black_alpha(150));
            let button = ui.put(place, button.selected(name == words::MARKS && !self.hidden_marks));
            button.widget_info(|| egui::WidgetInfo::labeled(egui::Role::Button, true, name));
            if button.on_hover_text(name).clicked() {
                match name {
                    words::ENLARGE => self.zoom = (self.zoom * 1.5).min(MOST_ZOOM),
                    words::REDUCE => self.zoom = (self.zoom / 1.5).max(1.0),
                    words::WHOLE => (self.zoom, self.middle) = (1.0, None),
                    _ => self.hidden_marks = !self.hidden_marks,
                }
            }
            at.y += touch + BUTTON_GAP;
        }
    }

    /// A piece of an exposure, filling `rect`: `cut` in px of the picture.
    pub fn piece(&self, ui: &Ui, rect: Rect, exposures: &[Exposure], exposure: usize, cut: Rect) {
        let (Some(shown), Some((_, texture))) = (exposures.get(exposure), self.textures.get(exposure)) else { return };
        let painter = ui.painter().with_clip_rect(rect);
        let size = Vec2::new(shown.image.size[0] as f32, shown.image.size[1] as f32);
        let scale = (rect.width() / cut.width()).min(rect.height() / cut.height());
        let min = rect.center() - cut.center().to_vec2() * scale;
        let place = Place { rect: Rect::from_min_size(min, size * scale), scale };
        painter.rect_filled(rect, 3.0, Color32::from_rgb(0x0C, 0x0D, 0x0F));
        painter.image(texture.id(), place.rect, Rect::from_min_max(Pos2::ZERO, Pos2::new(1.0, 1.0)), Color32::WHITE);
        // Labels would fill so small a piece: its own caption tells what it is.
        let lines = shown.strokes.drawn.iter().filter(|m| matches!(m, Mark::Line { .. }));
        draw(&painter, lines, place, (self.px / ui.pixels_per_point()).max(0.2) * 1.2);
    }

    /// One spot with its label below, in `rect`.
    pub fn spot(&self, ui: &Ui, rect: Rect, exposures: &[Exposure], spot: &Spot) {
        let p = look::of(ui);
        let line = look::SMALL * 1.5;
        let picture = Rect::from_min_max(rect.min, Pos2::new(rect.right(), rect.bottom() - line));
        let half = spot.half_px.max(4.0);
        let middle = Pos2::new(spot.centre_px[0] + 0.5, spot.centre_px[1] + 0.5);
        self.piece(ui, picture, exposures, spot.exposure, Rect::from_center_size(middle, Vec2::splat(2.0 * half)));
        ui.painter().rect_stroke(picture, 3.0, Stroke::new(2.0, p.mind), egui::StrokeKind::Inside);
        ui.painter().text(
            Pos2::new(rect.left(), rect.bottom()),
            Align2::LEFT_BOTTOM,
            &spot.label,
            FontId::proportional(look::SMALL),
            p.text,
        );
        let response = ui.interact(rect, ui.scope_id().with(("spot", &spot.label)), Sense::hover());
        response.widget_info(|| egui::WidgetInfo::labeled(egui::Role::Image, true, &spot.label));
    }
}

/// The middle of a view that reaches `half` to either side, moved so that it shows nothing beyond 0 and `all`.
fn held_within(middle: f32, half: f32, all: f32) -> f32 {
    // Written so that what is no number comes out as the middle of all.
    if 2.0 * half < all && middle.is_finite() { middle.max(half).min(all - half) } else { all / 2.0 }
}

fn options() -> TextureOptions {
    TextureOptions { magnification: egui::TextureFilter::Linear, ..TextureOptions::LINEAR }
}

fn plate(painter: &Painter, at: Pos2, anchor: Align2, text: &str, _: look::Palette) {
    let galley = painter.layout_no_wrap(text.to_owned(), FontId::proportional(look::SMALL), look::DARK.text);
    let rect = anchor.anchor_size(at, galley.size()).expand2(Vec2::new(8.0, 4.0));
    painter.rect_filled(rect, 4.0, Color32::from_black_alpha(190));
    painter.galley(rect.min + Vec2::new(8.0, 4.0), galley, look::DARK.text);
}

fn hatch(painter: &Painter, rect: Rect) {
    let mut x = rect.left() - rect.height();
    while x < rect.right() {
        let ends = [Pos2::new(x, rect.bottom()), Pos2::new(x + rect.height(), rect.top())];
        painter.line_segment(ends, Stroke::new(1.5, Color32::from_rgba_unmultiplied(0xF2, 0xEF, 0xE6, 60)));
        x += 28.0;
    }
}

/// Draws marks; lines keep the width that they have where all of the picture is shown.
fn draw<'a>(painter: &Painter, marks: impl Iterator<Item = &'a Mark>, place: Place, fitted: f32) {
    let clip = painter.clip_rect();
    let seen = |points: &[Xy]| points.iter().any(|p| clip.expand(40.0).contains(place.at(*p)));
    let mut shapes = Vec::new();
    for mark in marks {
        match mark {
            Mark::Line { points, ends, pen } if seen(points) => {
                let mut places: Vec<Pos2> = thinned(points, place.scale).map(|p| place.at(p)).collect();
                let stroke = Stroke::new((pen.width_px * fitted).max(0.6), look::ink(pen.ink));
                if let Some([on, off]) = pen.dash_px {
                    if *ends == Ends::Closed
                        && let Some(first) = places.first().copied()
                    {
                        places.push(first);
                    }
                    shapes.extend(Shape::dashed_line(&places, stroke, on * fitted, off * fitted));
                } else if *ends == Ends::Closed {
                    shapes.push(Shape::closed_line(places, stroke));
                } else {
                    shapes.push(Shape::line(places, stroke));
                }
            }
            Mark::Fill { corners, ink } if seen(corners) => {
                let corners = corners.iter().map(|p| place.at(*p)).collect();
                shapes.push(Shape::convex_polygon(corners, look::ink(*ink), Stroke::NONE));
            }
            Mark::Disc { centre, radius_px, ink } if seen(&[*centre]) => {
                shapes.push(Shape::circle_filled(place.at(*centre), radius_px * place.scale, look::ink(*ink)));
            }
            Mark::Text { at, look: face, text } if seen(&[*at]) => {
                let family = if face.face == Face::Text { FontFamily::Proportional } else { FontFamily::Monospace };
                let font = FontId::new((face.size_px * place.scale).clamp(4.0, 90.0), family);
                painter.extend(shapes.drain(..));
                painter.text(place.at(*at), Align2::LEFT_CENTER, text, font, look::ink(face.ink));
            }
            _ => {}
        }
    }
    painter.extend(shapes);
}

/// Outlines of small sites need few corners.
fn thinned(points: &[Xy], scale: f32) -> impl Iterator<Item = Xy> {
    let step = if points.len() < 24 {
        1
    } else {
        let reach = points.iter().map(|p| p.distance(points[0])).fold(0.0, f32::max) * scale;
        if reach < 14.0 {
            4
        } else if reach < 40.0 {
            2
        } else {
            1
        }
    };
    points.iter().copied().step_by(step)
}

#[cfg(test)]
mod tests {
    use super::held_within;

    #[test]
    fn the_middle_of_a_view_stays_in_the_picture_and_is_always_a_number() {
        assert_eq!([-3.0, 20.0, 300.0].map(|m| held_within(m, 10.0, 100.0)), [10.0, 20.0, 90.0]);
        for (middle, half) in [(f32::NAN, 10.0), (20.0, f32::NAN), (20.0, f32::INFINITY), (20.0, 60.0)] {
            assert_eq!(held_within(middle, half, 100.0), 50.0);
        }
    }
}
