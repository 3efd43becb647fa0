//! The Align page: what to turn now, the picture, the landing plot among the thimbles, and accepting.

use super::landing::landing_ui;
use super::look::{self, Palette};
use super::picture_pane::{PictureView, height_for};
use super::{Ask, words};
use crate::state::desk::{Accepting, Command, LEAST_REASON};
use crate::state::hold::Hold;
use crate::state::job::JobState;
use crate::state::shown::{AlignPanel, PictureState, RehearsalPanel, Sentence, Shown, Tone};
use eframe::egui::{
    self, Align, Align2, Color32, FontId, Id, Layout, Pos2, Rect, RichText, ScrollArea, Sense, Shape, Stroke, Ui, UiBuilder, Vec2,
};

/// What the page remembers between two looks.
#[derive(Default)]
pub struct AlignView {
    /// The picture.
    pub picture: PictureView,
    /// The accepting hold.
    pub hold: Hold,
    /// The accepting key is down.
    pub key_down: bool,
    /// The reason as typed.
    pub reason: String,
    /// The serial number as typed or scanned.
    pub serial: String,
    /// The hold has ended and the person is asked where the first terminal was seen.
    pub asked: bool,
    /// When a screw's button was pressed, and the last click of its repeat.
    pressed: Option<(Id, f64, f64)>,
}

/// Names by which the keyboard filter knows the two controls that no Enter may press.
#[must_use]
pub fn go_on_id() -> Id {
    Id::unique("landfit go on")
}

/// See [`go_on_id`].
#[must_use]
pub fn accept_id() -> Id {
    Id::unique("landfit accept")
}

/// Draws the page and tells what the person asked for.
pub fn align_page_ui(ui: &mut Ui, shown: &Shown, view: &mut AlignView) -> Vec<Ask> {
    view.picture.take(ui.ctx(), &shown.exposures);
    let mut asks = Vec::new();
    let room = ui.available_rect_before_wrap();
    if room.width() >= 1000.0 && room.height() >= 520.0 {
        wide(ui, room, shown, view, &mut asks);
    } else {
        stacked(ui, shown, view, &mut asks);
    }
    if view.asked {
        ask_first(ui, shown, view, &mut asks);
    }
    asks
}

/// Three columns: words at the left, picture above landing plot in the middle, what to decide at the right.
fn wide(ui: &mut Ui, room: Rect, shown: &Shown, view: &mut AlignView, asks: &mut Vec<Ask>) {
    let gap = 12.0;
    let side = (0.265 * room.width()).max(300.0);
    let left = Rect::from_min_size(room.min, Vec2::new(side, room.height()));
    let right = Rect::from_min_size(Pos2::new(room.right() - side, room.top()), Vec2::new(side, room.height()));
    let middle = Rect::from_min_max(Pos2::new(left.right() + gap, room.top()), Pos2::new(right.left() - gap, room.bottom()));
    // Exposures side by side need less height; what they leave is the landing plot's.
    let height = (0.47 * room.height()).min(height_for(middle.width(), &shown.exposures, look::touch(ui.ctx())));
    let picture = Rect::from_min_size(middle.min, Vec2::new(middle.width(), height));
    let plot = Rect::from_min_max(Pos2::new(middle.left(), picture.bottom() + gap), middle.max);
    column(ui, left, "words", |ui| words_ui(ui, &shown.align));
    picture_ui(ui, picture, shown, view);
    landing_ui(ui, plot, &shown.align, &view.picture, &shown.exposures);
    let decide = decide_height(ui, shown).min(0.82 * room.height());
    let lower = Rect::from_min_max(Pos2::new(right.left(), right.bottom() - decide), right.max);
    let upper = Rect::from_min_max(right.min, Pos2::new(right.right(), lower.top() - gap));
    column(ui, upper, "in the way", |ui| in_the_way_ui(ui, shown, view));
    let mut there = ui.new_child(UiBuilder::new().max_rect(lower).id_salt("decide").layout(Layout::top_down(Align::LEFT)));
    decide_ui(&mut there, shown, view, asks);
}

/// One column that scrolls: a small window, or large text. What decides stands below, always in view.
fn stacked(ui: &mut Ui, shown: &Shown, view: &mut AlignView, asks: &mut Vec<Ask>) {
    let room = ui.available_rect_before_wrap();
    let bar = look::touch(ui.ctx()) + 8.0;
    let upper = Rect::from_min_max(room.min, Pos2::new(room.right(), room.bottom() - bar));
    let lower = Rect::from_min_max(Pos2::new(room.left(), upper.bottom() + 8.0), room.max);
    column(ui, upper, "all", |ui| {
        let width = ui.available_width();
        if width > 480.0 {
            let half = (width - 12.0) / 2.0;
            // All strips and what to do now are in view at once; less room than this scrolls.
            let height = (upper.height() - 6.0).max(200.0);
            let (rect, _) = ui.allocate_exact_size(Vec2::new(width, height), Sense::hover());
            column(ui, Rect::from_min_size(rect.min, Vec2::new(half, height)), "words", |ui| large_words_ui(ui, &shown.align));
            let plot = Rect::from_min_size(Pos2::new(rect.left() + half + 12.0, rect.top()), Vec2::new(half, height));
            landing_ui(ui, plot, &shown.align, &view.picture, &shown.exposures);
        } else {
            large_words_ui(ui, &shown.align);
            let (rect, _) = ui.allocate_exact_size(Vec2::new(width, 420.0), Sense::hover());
            landing_ui(ui, rect, &shown.align, &view.picture, &shown.exposures);
        }
        let (rect, _) = ui.allocate_exact_size(Vec2::new(width, (0.75 * width).min(420.0)), Sense::hover());
        picture_ui(ui, rect, shown, view);
        // Above all that comes and goes with the answer: no button may slip away under the hand that is about to press it.
        if let Some(rehearsal) = &shown.rehearsal {
            rehearsal_ui(ui, rehearsal, view, asks);
        }
        in_the_way_ui(ui, shown, view);
        accepted_ui(ui, shown, view, asks);
    });
    let mut there = ui.new_child(UiBuilder::new().max_rect(lower).id_salt("bar").layout(Layout::left_to_right(Align::Min)));
    buttons_ui(&mut there, &shown.align, view, asks);
}

fn column(ui: &mut Ui, rect: Rect, name: &str, add: impl FnOnce(&mut Ui)) {
    let mut there = ui.new_child(UiBuilder::new().max_rect(rect).id_salt(name).layout(Layout::top_down(Align::LEFT)));
    there.set_clip_rect(rect.expand(2.0).intersect(ui.clip_rect()));
    ScrollArea::vertical().id_salt(name).auto_shrink([false, false]).show(&mut there, |ui| {
        ui.set_width(ui.available_width());
        add(ui);
    });
}

fn picture_ui(ui: &mut Ui, rect: Rect, shown: &Shown, view: &mut AlignView) {
    let captions: Vec<&str> = shown.exposures.iter().map(|e| e.caption.as_str()).filter(|c| !c.is_empty()).collect();
    let mut caption = captions.join("   |   ");
    if let Some(magnification) = shown.align.magnification {
        caption = format!("{caption}   {}", words::miss_lines(magnification));
    }
    view.picture.ui(ui, rect, &shown.exposures, &caption, shown.picture == PictureState::Old);
}

/// The headline, the next move, and the sentences.
fn words_ui(ui: &mut Ui, panel: &AlignPanel) {
    now_ui(ui, panel);
    then_ui(ui, panel);
    caution_turn_ui(ui, panel);
    sentences_ui(ui, panel);
}

/// The same where little of it is in view at once: the caution stands at its step, before what the strips show, too.
fn large_words_ui(ui: &mut Ui, panel: &AlignPanel) {
    now_ui(ui, panel);
    caution_turn_ui(ui, panel);
    then_ui(ui, panel);
    sentences_ui(ui, panel);
}

fn now_ui(ui: &mut Ui, panel: &AlignPanel) {
    let p = look::of(ui);
    ui.spacing_mut().item_spacing.y = 5.0;
    if let Some(next) = &panel.next {
        if panel.headline != words::TURN_NEXT {
            ui.label(RichText::new(&panel.headline).size(look::HEADLINE).color(p.text));
        }
        ui.label(RichText::new(format!("{} {}", words::TURN_NEXT, next.name)).size(look::HEADLINE).color(p.text));
        ui.horizontal_wrapped(|ui| {
            ui.label(RichText::new(&next.digits).size(look::DIGITS).color(p.accent));
            ui.label(RichText::new(&next.unit).size(look::HEADLINE * 0.8).color(p.text));
        });
        ui.label(RichText::new(&next.sense).size(look::HEADLINE).color(p.text));
        for extra in &next.extra {
            ui.label(RichText::new(extra).size(look::BODY).color(p.quiet));
        }
    } else {
        ui.label(RichText::new(&panel.headline).size(look::HEADLINE * 1.15).color(p.text));
    }
}

fn then_ui(ui: &mut Ui, panel: &AlignPanel) {
    let p = look::of(ui);
    for line in &panel.then {
        ui.label(RichText::new(line).color(p.quiet));
    }
}

fn caution_turn_ui(ui: &mut Ui, panel: &AlignPanel) {
    if panel.next.is_some() {
        ui.label(RichText::new(words::CAUTION_TURN).size(look::SMALL).color(look::of(ui).quiet));
    }
}

fn sentences_ui(ui: &mut Ui, panel: &AlignPanel) {
    let p = look::of(ui);
    ui.add_space(4.0);
    for sentence in panel.sentences.iter().filter(|s| s.tone == Tone::Mind) {
        sentence_ui(ui, sentence, p);
    }
    for sentence in panel.sentences.iter().filter(|s| s.tone != Tone::Mind) {
        sentence_ui(ui, sentence, p);
    }
    ui.label(RichText::new(&panel.expected).color(p.quiet).size(look::SMALL));
    ui.label(RichText::new(words::CAUTION_LIGHT).color(p.quiet).size(look::SMALL));
}

/// One sentence; what to mind has a mark of its own beside it.
pub fn sentence_ui(ui: &mut Ui, sentence: &Sentence, p: Palette) {
    // A number keeps its unit beside it.
    let mut text = sentence.text.replace("± ", "±\u{a0}").replace(" ±", "\u{a0}±");
    for unit in ["µm", "mm", "mil"] {
        text = text.replace(&format!(" {unit}"), &format!("\u{a0}{unit}"));
    }
    let sentence = &Sentence { tone: sentence.tone, text };
    match sentence.tone {
        Tone::Plain => {
            ui.label(RichText::new(&sentence.text).color(p.text));
        }
        Tone::Quiet => {
            ui.label(RichText::new(&sentence.text).color(p.quiet).size(look::SMALL));
        }
        Tone::Mind => {
            ui.horizontal_top(|ui| {
                let (rect, _) = ui.allocate_exact_size(Vec2::new(14.0, look::BODY * 1.3), Sense::hover());
                let (c, r) = (rect.center(), 6.0);
                let corners = vec![c + Vec2::new(0.0, -r), c + Vec2::new(r, 0.0), c + Vec2::new(0.0, r), c + Vec2::new(-r, 0.0)];
                ui.painter().add(Shape::convex_polygon(corners, p.mind, Stroke::NONE));
                ui.add(egui::Label::new(RichText::new(&sentence.text).color(p.text)).wrap());
            });
        }
    }
}

/// What stands in the way, enlarged, and what must be looked at.
fn in_the_way_ui(ui: &mut Ui, shown: &Shown, view: &mut AlignView) {
    let p = look::of(ui);
    let panel = &shown.align;
    if let Some(first) = &panel.confirm {
        look::block(p).show(ui, |ui| {
            sentence_ui(ui, &Sentence { tone: Tone::Mind, text: words::check_first(first) }, p);
        });
    }
    if panel.accepted.is_none() {
        ui.horizontal(|ui| {
            let label = ui.label(RichText::new(words::SERIAL).color(p.quiet).size(look::SMALL));
            ui.add(look::text_line(ui, words::SERIAL, &mut view.serial, ui.available_width())).labelled_by(label.id);
        });
    }
    let width = ui.available_width();
    let across = if width > 250.0 { 2 } else { 1 };
    let side = (width - 10.0 * (across as f32 - 1.0)) / across as f32;
    for pair in panel.spots.chunks(across) {
        ui.horizontal(|ui| {
            for spot in pair {
                let (rect, _) = ui.allocate_exact_size(Vec2::new(side, side.min(150.0) + look::SMALL * 1.5), Sense::hover());
                view.picture.spot(ui, rect, &shown.exposures, spot);
            }
        });
    }
}

/// Until something is accepted the room for a reason is kept, asked for or not: were it not, every button above would move by a row
/// whenever the picture comes to rest or loses it, and a click meant for one screw would turn another.
fn decide_height(ui: &Ui, shown: &Shown) -> f32 {
    let touch = look::touch(ui.ctx());
    let mut height = touch + 8.0 + touch;
    height += if shown.align.accepted.is_some() { 150.0 } else { 40.0 };
    if let Some(rehearsal) = &shown.rehearsal {
        height += 50.0 + rehearsal.screws.len().div_ceil(2) as f32 * (screw_button(ui) + 8.0) + touch + 34.0;
    }
    height
}

/// From the top the rehearsal's screws, at the foot what goes on and accepts, between them what changes.
fn decide_ui(ui: &mut Ui, shown: &Shown, view: &mut AlignView, asks: &mut Vec<Ask>) {
    if let Some(rehearsal) = &shown.rehearsal {
        rehearsal_ui(ui, rehearsal, view, asks);
    }
    accepted_ui(ui, shown, view, asks);
    let left = ui.max_rect().bottom() - look::touch(ui.ctx()) - ui.cursor().top();
    ui.add_space(left.max(0.0));
    ui.horizontal(|ui| buttons_ui(ui, &shown.align, view, asks));
}

/// What was accepted, or what keeps from it.
fn accepted_ui(ui: &mut Ui, shown: &Shown, view: &mut AlignView, asks: &mut Vec<Ask>) {
    let p = look::of(ui);
    let panel = &shown.align;
    ui.spacing_mut().item_spacing.y = 5.0;
    if let Some(accepted) = &panel.accepted {
        ui.label(RichText::new(&accepted.text).color(p.text).size(look::SMALL));
        if let Some(trouble) = &accepted.trouble {
            sentence_ui(ui, &Sentence { tone: Tone::Mind, text: trouble.clone() }, p);
        }
        let caution = if panel.state == Some(JobState::Placed) { words::CAUTION_HOT } else { words::CAUTION_PLACE };
        ui.label(RichText::new(caution).color(p.quiet).size(look::SMALL));
        ui.horizontal(|ui| {
            if ui.button(words::WITHDRAW).clicked() {
                asks.push(Ask::Desk(Command::Withdraw));
            }
            if ui.button(words::NEXT_PART).clicked() {
                asks.push(Ask::NextPart);
            }
        });
        return;
    }
    if let Some(why) = &panel.not_acceptable {
        ui.label(RichText::new(super::panel_text(why)).color(p.quiet).size(look::SMALL));
    }
    if panel.acceptable_with_reason || !view.reason.is_empty() {
        let label = ui.label(RichText::new(words::REASON).color(p.quiet).size(look::SMALL));
        ui.add(look::text_line(ui, words::REASON, &mut view.reason, ui.available_width())).labelled_by(label.id);
    }
}

/// Go on, and the hold that accepts.
fn buttons_ui(ui: &mut Ui, panel: &AlignPanel, view: &mut AlignView, asks: &mut Vec<Ask>) {
    let p = look::of(ui);
    let touch = look::touch(ui.ctx());
    let width = (ui.available_width() - 10.0).max(120.0);
    let (go_on, _) = ui.allocate_exact_size(Vec2::new(0.40 * width, touch), Sense::hover());
    let response = ui.interact(go_on, go_on_id(), Sense::click());
    button_look(ui, go_on, &response, words::GO_ON, p, false, 0.0);
    response.widget_info(|| egui::WidgetInfo::labeled(egui::Role::Button, true, words::GO_ON));
    if response.clicked() {
        asks.push(Ask::GoOn);
    }
    let (rect, _) = ui.allocate_exact_size(Vec2::new(0.60 * width, touch), Sense::hover());
    // A press that lasts is no click: only what may be dragged, too, is told of it until it ends.
    let response = ui.interact(rect, accept_id(), Sense::click_and_drag());
    let with_reason = panel.acceptable_with_reason && view.reason.trim().chars().count() >= LEAST_REASON;
    let allowed = panel.accepted.is_none() && !view.asked && (panel.not_acceptable.is_none() || with_reason);
    let now_s = ui.input(|i| i.time);
    let down = response.is_pointer_button_down_on() || view.key_down;
    if view.hold.held(down, allowed, now_s) {
        if panel.confirm.is_some() {
            view.asked = true;
        } else {
            asks.push(accept(view, None));
        }
    }
    let text = if view.hold.is_under_way() { words::KEEP_HOLDING } else { words::HOLD_TO_ACCEPT };
    button_look(ui, rect, &response, text, p, allowed, view.hold.share(now_s));
    response.widget_info(|| egui::WidgetInfo::labeled(egui::Role::Button, allowed, words::HOLD_TO_ACCEPT));
    if view.hold.is_under_way() {
        ui.ctx().request_repaint();
    }
}

fn accept(view: &mut AlignView, first_seen: Option<usize>) -> Ask {
    let accepting = Accepting { reason: view.reason.trim().to_owned(), serial: view.serial.clone(), first_seen };
    view.reason.clear();
    view.asked = false;
    Ask::Desk(Command::Accept(accepting))
}

fn button_look(ui: &Ui, rect: Rect, response: &egui::Response, text: &str, p: Palette, ready: bool, share: f32) {
    let painter = ui.painter();
    let fill = if response.hovered() { p.control_hot } else { p.control };
    painter.rect_filled(rect, 5.0, fill);
    if share > 0.0 {
        let filled = Rect::from_min_size(rect.min, Vec2::new(rect.width() * share, rect.height()));
        painter.rect_filled(filled, 5.0, p.faint);
    }
    let stroke = if response.has_focus() {
        Stroke::new(3.0, p.accent)
    } else if ready {
        Stroke::new(2.5, p.text)
    } else {
        Stroke::new(1.0, p.faint)
    };
    painter.rect_stroke(rect, 5.0, stroke, egui::StrokeKind::Inside);
    painter.text(rect.center(), Align2::CENTER_CENTER, text, FontId::proportional(look::BODY), p.text);
}

/// Where was the first terminal seen? Four places, as the part lies before the person.
fn ask_first(ui: &mut Ui, shown: &Shown, view: &mut AlignView, asks: &mut Vec<Ask>) {
    let p = look::of(ui);
    let first = shown.align.confirm.clone().unwrap_or_default();
    let mut chosen = None;
    let touch = look::touch(ui.ctx());
    let modal = egui::Modal::new(Id::unique("where seen")).frame(look::block(p).inner_margin(24.0)).show(ui.ctx(), |ui| {
        ui.set_width(380.0);
        ui.label(RichText::new(words::where_seen(&first)).size(look::HEADLINE).color(p.text));
        ui.label(RichText::new(words::WHERE_LOOK).color(p.quiet));
        for row in [[0, 1], [2, 3]] {
            ui.horizontal(|ui| {
                for corner in row {
                    let button = egui::Button::new(words::CORNERS[corner]).min_size(Vec2::new(180.0, touch));
                    if ui.add(button).clicked() {
                        chosen = Some(corner);
                    }
                }
            });
        }
        if ui.button(words::CANCEL).clicked() {
            view.asked = false;
        }
    });
    if modal.should_close() {
        view.asked = false;
    }
    if let Some(corner) = chosen {
        asks.push(accept(view, Some(corner)));
    }
}

/// Width of two screws side by side, points: a name stays beside its two buttons.
const MOST_OF_SCREWS: f32 = 380.0;

/// Edge of a screw's button, points: room for its arrow and the name of its key.
fn screw_button(ui: &Ui) -> f32 {
    look::touch(ui.ctx()).max(LEAST_WITH_KEY)
}

const LEAST_WITH_KEY: f32 = 50.0;
/// Height of a key's name, as a share of its button.
const KEY_SHARE: f32 = 0.25;

/// The rehearsal's screws: a click is a division; held, it goes on turning.
pub fn rehearsal_ui(ui: &mut Ui, rehearsal: &RehearsalPanel, view: &mut AlignView, asks: &mut Vec<Ask>) {
    let p = look::of(ui);
    ui.label(RichText::new(words::REHEARSAL).color(p.quiet).size(look::SMALL));
    ui.spacing_mut().item_spacing = Vec2::new(6.0, 6.0);
    let touch = screw_button(ui);
    let pair_width = (ui.available_width().min(MOST_OF_SCREWS) - 6.0) / 2.0;
    let screws: Vec<(usize, &(String, f64))> = rehearsal.screws.iter().enumerate().collect();
    for pair in screws.chunks(2) {
        ui.horizontal(|ui| {
            for (adjuster, (name, click)) in pair {
                for clockwise in [false, true] {
                    let sense = if clockwise {
                        landfit_calibration::bench::Sense::Clockwise
                    } else {
                        landfit_calibration::bench::Sense::Anticlockwise
                    };
                    let word = crate::words::sentences::sense_word(sense);
                    let (rect, _) = ui.allocate_exact_size(Vec2::new(touch, touch), Sense::hover());
                    let response = ui.interact(rect, ui.scope_id().with((adjuster, clockwise)), Sense::click_and_drag());
                    button_look(ui, rect, &response, "", p, false, 0.0);
                    let key = words::SCREW_KEYS.get(*adjuster).map(|keys| keys[usize::from(clockwise)]);
                    let arrow = if key.is_some() { rect.with_max_y(rect.max.y - 0.2 * touch) } else { rect };
                    turn_arrow(ui, arrow, clockwise, p.text);
                    if let Some(key) = key {
                        let foot = rect.center_bottom() - Vec2::new(0.0, 0.06 * touch);
                        ui.painter().text(foot, Align2::CENTER_BOTTOM, key, FontId::proportional(KEY_SHARE * touch), p.quiet);
                    }
                    let label = format!("{name} {word}");
                    response.widget_info(|| egui::WidgetInfo::labeled(egui::Role::Button, true, &label));
                    let clicks = clicks(ui, &response, view);
                    if clicks > 0 {
                        let sign = if clockwise { 1.0 } else { -1.0 };
                        asks.push(Ask::Turn { adjuster: *adjuster, turns: sign * click * f64::from(clicks) });
                    }
                    if !clockwise {
                        let room = Vec2::new((pair_width - 2.0 * touch - 12.0).max(14.0), touch);
                        let (rect, _) = ui.allocate_exact_size(room, Sense::hover());
                        ui.painter().text(rect.center(), Align2::CENTER_CENTER, name, FontId::proportional(look::BODY), p.text);
                    }
                }
            }
        });
    }
    ui.horizontal(|ui| {
        let (text, to) = if rehearsal.optics_in { (words::OPTICS_OUT, false) } else { (words::OPTICS_IN, true) };
        if ui.button(text).clicked() {
            asks.push(Ask::Optics(to));
        }
        if !rehearsal.optics_in || ui.available_width() > 150.0 {
            let another = egui::Button::new(RichText::new(words::PUT_DOWN_ANOTHER).size(look::SMALL));
            if ui.add(another).clicked() {
                asks.push(Ask::PutDown);
            }
        }
    });
}

/// How many clicks a button gives now: one when pressed, more while it is held.
fn clicks(ui: &Ui, response: &egui::Response, view: &mut AlignView) -> u32 {
    /// Held so long before it repeats, and so long between two clicks, s.
    const FIRST_S: f64 = 0.4;
    const NEXT_S: f64 = 0.05;
    let now_s = ui.input(|i| i.time);
    if response.is_pointer_button_down_on() {
        ui.ctx().request_repaint();
        return match view.pressed {
            Some((id, since, last)) if id == response.id => {
                if now_s - since < FIRST_S {
                    return 0;
                }
                let due = ((now_s - last.max(since + FIRST_S - NEXT_S)) / NEXT_S).floor().clamp(0.0, 5.0);
                if due >= 1.0 {
                    view.pressed = Some((id, since, now_s));
                }
                due as u32
            }
            _ => {
                view.pressed = Some((response.id, now_s, now_s));
                1
            }
        };
    }
    let was = view.pressed.is_some_and(|(id, ..)| id == response.id);
    if was {
        view.pressed = None;
        return 0;
    }
    // From the keyboard or an assistive tool: no pointer was down.
    u32::from(response.clicked())
}

/// Three quarters of a circle with a head: the sense of a turn.
fn turn_arrow(ui: &Ui, rect: Rect, clockwise: bool, colour: Color32) {
    let (centre, radius) = (rect.center(), 0.22 * rect.height());
    let sign = if clockwise { 1.0 } else { -1.0 };
    let at = |turn: f32| centre + radius * Vec2::angled((-0.25 + sign * turn) * std::f32::consts::TAU);
    let points: Vec<Pos2> = (0..=24).map(|i| at(-0.30 + 0.55 * i as f32 / 24.0)).collect();
    let (tip, before) = (at(0.29), at(0.21));
    ui.painter().add(Shape::line(points, Stroke::new(2.2, colour)));
    let along = (tip - before).normalized();
    let across = Vec2::new(-along.y, along.x);
    let back = tip - along * 0.8 * radius;
    ui.painter().add(Shape::convex_polygon(
        vec![tip + along * 0.2 * radius, back + across * 0.55 * radius, back - across * 0.55 * radius],
        colour,
        Stroke::NONE,
    ));
}
