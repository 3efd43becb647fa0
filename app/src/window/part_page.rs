//! The Part page: which part, drawn; what its file says, and what was seen of this very part and board.

use super::align_page::sentence_ui;
use super::look;
use super::{Ask, typed_number, words};
use crate::state::desk::Command;
use crate::state::shown::{PartPanel, Shown};
use eframe::egui::{self, Align, Pos2, Rect, RichText, ScrollArea, Sense, Shape, Stroke, Ui, Vec2};
use landfit_part::generate::{Depopulation, GridDrawing, ball_grid};
use landfit_part::{Piece, PointMm, Shape as PartShape, Side, Site, defaults, file};
use std::path::PathBuf;

/// What the page remembers.
#[derive(Default)]
pub struct PartView {
    /// The path as typed.
    pub path: String,
    grid: GridEntry,
    grid_trouble: String,
}

/// A ball grid as typed.
struct GridEntry {
    name: String,
    rows: String,
    columns: String,
    pitch_mm: String,
    ball_mm: String,
    file: String,
}

impl Default for GridEntry {
    fn default() -> Self {
        let text = str::to_owned;
        Self {
            name: text(words::MY_PART),
            rows: text("10"),
            columns: text("10"),
            pitch_mm: text("0.8"),
            ball_mm: String::new(),
            file: text(words::MY_PART_FILE),
        }
    }
}

/// Draws the page.
pub fn part_page_ui(ui: &mut Ui, shown: &Shown, view: &mut PartView) -> Vec<Ask> {
    let mut asks = Vec::new();
    let p = look::of(ui);
    let room = ui.available_rect_before_wrap();
    let drawing_side = if room.width() > 900.0 { room.height().min(0.5 * room.width()) } else { 0.0 };
    let words_rect = Rect::from_min_max(
        room.min,
        Pos2::new(room.right() - drawing_side - 16.0 * f32::from(u8::from(drawing_side > 0.0)), room.bottom()),
    );
    let mut there =
        ui.new_child(egui::UiBuilder::new().max_rect(words_rect).id_salt("part words").layout(egui::Layout::top_down(Align::LEFT)));
    ScrollArea::vertical().auto_shrink([false, false]).show(&mut there, |ui| {
        let panel = &shown.part;
        for (i, line) in panel.lines.iter().enumerate() {
            let size = if i == 0 { look::HEADLINE } else { look::BODY };
            ui.label(RichText::new(line).size(size).color(if i == 0 { p.text } else { p.quiet }));
        }
        ui.label(RichText::new(&panel.from).size(look::SMALL).color(p.quiet));
        if drawing_side == 0.0 {
            let side = ui.available_width().min(340.0);
            let (rect, _) = ui.allocate_exact_size(Vec2::splat(side), Sense::hover());
            drawing_ui(ui, rect, panel);
        }
        ui.add_space(6.0);
        ui.label(RichText::new(words::SEEN_OF_THIS).size(look::BODY * 1.15).color(p.text));
        if panel.seen.is_empty() {
            ui.label(RichText::new(words::NOTHING_SEEN).color(p.quiet));
        } else if panel.marked.is_empty() {
            ui.label(RichText::new(words::NOTHING_ODD).color(p.text));
        }
        panel.seen.iter().for_each(|s| sentence_ui(ui, s, p));
        for finding in &panel.findings {
            ui.label(RichText::new(finding).color(p.quiet).size(look::SMALL));
        }
        ui.label(RichText::new(words::CAUTION_ESD).color(p.quiet).size(look::SMALL));
        ui.add_space(8.0);
        path_ui(ui, [words::PART_FILE, words::TAKE_IT], &mut view.path, &mut |path| asks.push(Ask::Desk(Command::TakePart(path))));
        ui.label(RichText::new(words::DROP_HINT).color(p.quiet).size(look::SMALL));
        ui.add_space(8.0);
        grid_ui(ui, view, &mut asks);
    });
    if drawing_side > 0.0 {
        let rect = Rect::from_min_size(Pos2::new(room.right() - drawing_side, room.top()), Vec2::splat(drawing_side));
        drawing_ui(ui, rect, &shown.part);
    }
    asks
}

/// A line for a path under its name, with the button that does it.
pub fn path_ui(ui: &mut Ui, [name, does]: [&str; 2], path: &mut String, take: &mut dyn FnMut(PathBuf)) {
    ui.horizontal_wrapped(|ui| {
        let label = ui.label(name);
        let width = (ui.available_width() - 130.0).clamp(120.0, 360.0);
        ui.add(look::text_line(ui, name, path, width)).labelled_by(label.id);
        let button = ui.add_enabled(!path.trim().is_empty(), egui::Button::new(does));
        button.widget_info(|| egui::WidgetInfo::labeled(egui::Role::Button, true, format!("{does}: {name}")));
        if button.clicked() {
            take(PathBuf::from(path.trim()));
        }
    });
}

fn grid_ui(ui: &mut Ui, view: &mut PartView, asks: &mut Vec<Ask>) {
    let p = look::of(ui);
    ui.label(RichText::new(words::MAKE_GRID).size(look::BODY * 1.15).color(p.text));
    let entry = &mut view.grid;
    let fields: [(&str, &mut String); 6] = [
        (words::GRID_NAME, &mut entry.name),
        (words::GRID_ROWS, &mut entry.rows),
        (words::GRID_COLUMNS, &mut entry.columns),
        (words::GRID_PITCH, &mut entry.pitch_mm),
        (words::GRID_BALL, &mut entry.ball_mm),
        (words::GRID_FILE, &mut entry.file),
    ];
    for (name, value) in fields {
        ui.horizontal_wrapped(|ui| {
            let edit = ui.add(look::text_line(ui, name, value, 150.0));
            let label = ui.label(name);
            let _ = edit.labelled_by(label.id);
        });
    }
    if ui.button(words::MAKE_GRID).clicked() {
        match made(entry) {
            Ok(ask) => {
                view.grid_trouble.clear();
                asks.push(ask);
            }
            Err(error) => view.grid_trouble = format!("{error:#}"),
        }
    }
    if !view.grid_trouble.is_empty() {
        sentence_ui(ui, &crate::state::shown::Sentence { tone: crate::state::shown::Tone::Mind, text: view.grid_trouble.clone() }, p);
    }
}

/// Makes the part of what was typed and asks for it to be written and taken.
fn made(entry: &GridEntry) -> anyhow::Result<Ask> {
    use anyhow::Context;
    let number = |text: &str, what: &str| typed_number(text).with_context(|| words::write_a_number(what));
    let count = |text: &str, what: &str| text.trim().parse::<u32>().with_context(|| words::write_a_whole_number(what));
    let pitch_mm = number(&entry.pitch_mm, words::GRID_PITCH)?;
    let (rows, columns) = (count(&entry.rows, words::GRID_ROWS)?, count(&entry.columns, words::GRID_COLUMNS)?);
    let choice = if entry.ball_mm.trim().is_empty() {
        defaults::for_pitch(pitch_mm)?
    } else {
        defaults::for_ball(number(&entry.ball_mm, words::GRID_BALL)?)?
    };
    let drawing = GridDrawing {
        name: entry.name.trim().to_owned(),
        rows,
        columns,
        pitch_mm: [pitch_mm; 2],
        ball_mm: choice.ball_mm,
        land_mm: choice.land_mm,
        body_mm: landfit_part::generate::guessed_body_mm(rows, columns, [pitch_mm; 2]),
        depopulation: Depopulation::default(),
        marks: Vec::new(),
        accept_miss_mm: None,
    };
    let part = ball_grid(&drawing)?;
    Ok(Ask::WritePart { text: file::to_toml(&part), file: PathBuf::from(entry.file.trim()) })
}

/// The part as seen from above the board: terminals as hollow outlines, lands as small crosses; what stands in the way marked.
fn drawing_ui(ui: &Ui, rect: Rect, panel: &PartPanel) {
    let p = look::of(ui);
    let part = &panel.part;
    let response = ui.interact(rect, ui.scope_id().with("part drawing"), Sense::hover());
    response.widget_info(|| egui::WidgetInfo::labeled(egui::Role::Image, true, &part.name));
    let painter = ui.painter().with_clip_rect(rect);
    painter.rect_filled(rect, 6.0, p.raised);
    let inner = rect.shrink(18.0);
    let body = part.body_mm.map(|v| v as f32);
    let middle = part.body_centre_mm;
    let reach = part.sites.iter().fold((body[0] / 2.0, body[1] / 2.0), |(x, y), s| {
        let off = s.centre_mm(Side::Board) - middle;
        (x.max(off.x.abs() as f32 + 0.6), y.max(off.y.abs() as f32 + 0.6))
    });
    let scale = (inner.width() / (2.0 * reach.0)).min(inner.height() / (2.0 * reach.1));
    let at = |q: PointMm| {
        let off = q - middle;
        inner.center() + Vec2::new(off.x as f32, -off.y as f32) * scale
    };
    let outline = Rect::from_center_size(inner.center(), Vec2::new(body[0], body[1]) * scale);
    painter.rect_stroke(outline, 2.0, Stroke::new(1.5, p.quiet), egui::StrokeKind::Middle);
    for site in &part.sites {
        for piece in site.pieces(Side::Board) {
            piece_ui(&painter, site, piece, &at, scale, Stroke::new(1.0, p.land));
        }
        for piece in site.pieces(Side::Part) {
            piece_ui(&painter, site, piece, &at, scale, Stroke::new(1.6, p.terminal));
        }
    }
    for (site, word) in &panel.marked {
        let Some(site) = part.sites.get(*site) else { continue };
        let c = at(site.centre_mm(Side::Part));
        let r = (0.5 * scale).max(7.0);
        painter.line_segment([c + Vec2::new(-r, -r), c + Vec2::new(r, r)], Stroke::new(2.5, p.mind));
        painter.line_segment([c + Vec2::new(-r, r), c + Vec2::new(r, -r)], Stroke::new(2.5, p.mind));
        let text = format!("{} {word}", site.id);
        let galley = painter.layout_no_wrap(text, egui::FontId::proportional(look::SMALL), p.text);
        let plate = Rect::from_min_size(c + Vec2::new(r, -r), galley.size()).expand2(Vec2::new(5.0, 2.0));
        painter.rect_filled(plate, 3.0, p.ground);
        painter.galley(plate.min + Vec2::new(5.0, 2.0), galley, p.text);
    }
    if let Some((name, corner)) = crate::overlay::first_site(part, Side::Part) {
        let c = at(corner);
        let out = (c - inner.center()).normalized();
        let galley = painter.layout_no_wrap(name, egui::FontId::proportional(look::BODY), p.text);
        // Where the part is drawn small, its name would stand on the body's edge: that is covered.
        let plate = Rect::from_center_size(c + out * (0.75 * scale).max(12.0), galley.size());
        painter.rect_filled(plate.shrink2(Vec2::new(0.0, 3.0)), 2.0, p.raised);
        painter.galley(plate.min, galley, p.text);
    }
}

fn piece_ui(painter: &egui::Painter, site: &Site, piece: &Piece, at: &dyn Fn(PointMm) -> Pos2, scale: f32, stroke: Stroke) {
    let place = |local: PointMm| at(site.at_mm + (piece.shift_mm + local).rotated(site.angle_rad));
    let corners: Vec<PointMm> = match &piece.shape {
        PartShape::Round { diameter_mm } => {
            painter.circle_stroke(place(PointMm::ZERO), (*diameter_mm / 2.0) as f32 * scale, stroke);
            return;
        }
        PartShape::Outline { corners_mm } => corners_mm.clone(),
        other => {
            let [w, l] = other.extent_mm().map(|v| v / 2.0);
            vec![PointMm::new(-w, -l), PointMm::new(w, -l), PointMm::new(w, l), PointMm::new(-w, l)]
        }
    };
    painter.add(Shape::closed_line(corners.into_iter().map(place).collect(), stroke));
}
