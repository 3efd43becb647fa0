//! The After page: measure again what is down, and what was kept.

use super::align_page::sentence_ui;
use super::look;
use super::{Ask, words};
use crate::state::desk::Command;
use crate::state::shown::Shown;
use eframe::egui::{self, RichText, ScrollArea, Ui};
use std::path::PathBuf;

/// What the page remembers.
#[derive(Default)]
pub struct AfterView {
    paths: String,
}

/// Draws the page.
pub fn after_page_ui(ui: &mut Ui, shown: &Shown, view: &mut AfterView) -> Vec<Ask> {
    let p = look::of(ui);
    let mut asks = Vec::new();
    ScrollArea::vertical().auto_shrink([false, false]).show(ui, |ui| {
        ui.set_max_width(ui.available_width().min(860.0));
        ui.label(RichText::new(words::AFTER_INTRO).color(p.quiet));
        ui.label(RichText::new(words::CAUTION_HOT).color(p.quiet).size(look::SMALL));
        ui.add_space(6.0);
        if ui.button(words::AFTER_LIVE).clicked() {
            asks.push(Ask::Desk(Command::MeasureLive));
        }
        ui.horizontal_wrapped(|ui| {
            let label = ui.label(words::AFTER_PICTURES);
            let width = (ui.available_width() - 140.0).clamp(140.0, 420.0);
            ui.add(look::text_line(ui, words::AFTER_PICTURES, &mut view.paths, width)).labelled_by(label.id);
            if ui.add_enabled(!view.paths.trim().is_empty(), egui::Button::new(words::READ_AGAIN)).clicked() {
                // Names that hold spaces are told apart by semicolons.
                let split: Vec<&str> =
                    if view.paths.contains(';') { view.paths.split(';').collect() } else { view.paths.split_whitespace().collect() };
                let paths = split.iter().map(|t| t.trim()).filter(|t| !t.is_empty()).map(PathBuf::from).collect();
                asks.push(Ask::Desk(Command::Measure(paths)));
            }
        });
        for sentence in &shown.after.measured {
            sentence_ui(ui, sentence, p);
        }
        ui.add_space(10.0);
        ui.label(RichText::new(words::KEPT).size(look::BODY * 1.15).color(p.text));
        if shown.after.kept.is_empty() {
            ui.label(RichText::new(words::NOTHING_KEPT).color(p.quiet));
        }
        for (text, folder) in shown.after.kept.iter().rev() {
            look::block(p).show(ui, |ui| {
                ui.label(RichText::new(text).color(p.text));
                ui.label(RichText::new(folder.display().to_string()).color(p.quiet).size(look::SMALL));
            });
        }
    });
    asks
}
