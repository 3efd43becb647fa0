//! The Settings page, and the Help page.

use super::look;
use super::{Ask, words};
use crate::settings::{Ground, Settings, TEXT_PERCENT, usual_results_folder};
use crate::state::units::{Lengths, Turns};
use eframe::egui::{self, Key, RichText, ScrollArea, Ui, Vec2};
use std::path::PathBuf;

/// What the page remembers.
#[derive(Default)]
pub struct SettingsView {
    /// Which key is being set: the pedal's (false) or the accepting one (true).
    pub asking: Option<bool>,
    results: Option<String>,
    parts: Option<String>,
}

/// Draws the page; `sound_trouble` says why there is no sound.
pub fn settings_page_ui(ui: &mut Ui, settings: &Settings, view: &mut SettingsView, sound_trouble: Option<&str>) -> Vec<Ask> {
    let p = look::of(ui);
    let mut set = settings.clone();
    ScrollArea::vertical().auto_shrink([false, false]).show(ui, |ui| {
        ui.set_max_width(ui.available_width().min(860.0));
        choice(ui, words::GROUND, &mut set.ground, &[(Ground::Dark, words::GROUNDS[0].into()), (Ground::Light, words::GROUNDS[1].into())]);
        let sizes: Vec<(u32, String)> = TEXT_PERCENT.iter().map(|n| (*n, format!("{n} %"))).collect();
        choice(ui, words::TEXT_SIZE, &mut set.text_percent, &sizes);
        let units: Vec<(Lengths, String)> = Lengths::ALL.iter().map(|u| (*u, u.sign().to_owned())).collect();
        choice(ui, words::LENGTHS, &mut set.lengths, &units);
        choice(
            ui,
            words::MOVES_AS,
            &mut set.turns,
            &[(Turns::Divisions, words::MOVES[0].into()), (Turns::Readings, words::MOVES[1].into())],
        );
        ui.checkbox(&mut set.sound, words::SOUND);
        if let (true, Some(trouble)) = (set.sound, sound_trouble) {
            ui.label(RichText::new(trouble).color(p.quiet).size(look::SMALL));
        }
        key_ui(ui, words::PEDAL, &mut set.pedal_key, view, false);
        key_ui(ui, words::ACCEPT_KEY, &mut set.accept_key, view, true);
        ui.horizontal_wrapped(|ui| {
            let edit = look::text_line(ui, words::INITIALS, &mut set.initials, 90.0);
            let edit = ui.add(edit);
            let label = ui.label(words::INITIALS);
            let _ = edit.labelled_by(label.id);
        });
        set.light_commands.resize(words::LIGHT_COMMANDS.len().max(set.light_commands.len()), String::new());
        for (name, command) in words::LIGHT_COMMANDS.iter().zip(&mut set.light_commands) {
            ui.horizontal(|ui| {
                let edit = look::text_line(ui, name, command, 360.0);
                let edit = ui.add(edit);
                let label = ui.add(egui::Label::new(*name).wrap());
                let _ = edit.labelled_by(label.id);
            });
        }
        ui.label(RichText::new(words::LIGHT_COMMANDS_WHEN).color(p.quiet).size(look::SMALL));
        if set.light_commands.iter().all(String::is_empty) {
            set.light_commands.clear();
        }
        folder_ui(ui, words::RESULTS, &mut set.results, &mut view.results, &usual_results_folder().display().to_string());
        folder_ui(ui, words::PARTS, &mut set.parts, &mut view.parts, "");
    });
    if set == *settings { Vec::new() } else { vec![Ask::Settings(Box::new(set))] }
}

/// A choice of a few, by buttons.
pub fn choice<T: PartialEq + Copy>(ui: &mut Ui, name: &str, value: &mut T, of: &[(T, String)]) {
    ui.horizontal_wrapped(|ui| {
        ui.label(name);
        for (one, text) in of {
            let button = egui::Button::selectable(value == one, text).min_size(Vec2::splat(look::touch(ui.ctx())));
            let button = ui.add(button);
            button.widget_info(|| egui::WidgetInfo::selected(egui::Role::RadioButton, true, value == one, format!("{name}: {text}")));
            if button.clicked() {
                *value = *one;
            }
        }
    });
}

fn key_ui(ui: &mut Ui, name: &str, key: &mut String, view: &mut SettingsView, accepting: bool) {
    ui.horizontal_wrapped(|ui| {
        let asking = view.asking == Some(accepting);
        let text = if asking { words::PRESS_KEY.to_owned() } else { key.clone() };
        let button = ui.button(text);
        button.widget_info(|| egui::WidgetInfo::labeled(egui::Role::Button, true, format!("{name}: {key}")));
        if button.clicked() {
            view.asking = Some(accepting);
        }
        ui.label(name);
    });
}

/// The key that was pressed while one was asked for, where it may be one: not Enter, which scanners send, nor what moves the focus.
#[must_use]
pub fn key_that_may_be_set(key: Key) -> bool {
    !matches!(key, Key::Enter | Key::Tab | Key::Escape)
}

fn folder_ui(ui: &mut Ui, name: &str, folder: &mut Option<PathBuf>, typed: &mut Option<String>, default: &str) {
    ui.horizontal_wrapped(|ui| {
        let text = typed.get_or_insert_with(|| folder.as_ref().map_or_else(|| default.to_owned(), |f| f.display().to_string()));
        let edit = look::text_line(ui, name, text, 360.0);
        let edit = ui.add(edit);
        let label = ui.label(name);
        let edit = edit.labelled_by(label.id);
        if edit.lost_focus() {
            *folder = (!text.trim().is_empty() && text.trim() != default).then(|| PathBuf::from(text.trim()));
        }
    });
}

/// Draws the Help page: the job and its reasons.
pub fn help_page_ui(ui: &mut Ui) {
    let p = look::of(ui);
    ScrollArea::vertical().auto_shrink([false, false]).show(ui, |ui| {
        ui.set_max_width(ui.available_width().min(860.0));
        for (title, text) in words::HELP {
            ui.label(RichText::new(title).size(look::BODY * 1.15).color(p.text));
            ui.label(RichText::new(text).color(p.quiet));
            ui.add_space(6.0);
        }
        for caution in [words::CAUTION_LIGHT, words::CAUTION_TURN, words::CAUTION_PLACE, words::CAUTION_ESD, words::CAUTION_HOT] {
            ui.label(RichText::new(caution).color(p.text));
        }
    });
}
