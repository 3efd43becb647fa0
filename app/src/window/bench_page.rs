//! The Bench page: which bench, where its pictures come from, what its thimbles read, what its calibration says.

use super::align_page::sentence_ui;
use super::look;
use super::part_page::path_ui;
use super::{Ask, words};
use crate::settings::SourceChoice;
use crate::state::desk::Command;
use crate::state::shown::Shown;
use eframe::egui::{self, RichText, ScrollArea, Ui, Vec2};
use std::path::PathBuf;

/// What the page remembers.
#[derive(Default)]
pub struct BenchView {
    path: String,
    folder: String,
    /// The reading that is being typed: of which adjuster, and what stands there so far.
    typed: Option<(String, String)>,
}

/// Draws the page.
pub fn bench_page_ui(ui: &mut Ui, shown: &Shown, view: &mut BenchView, cameras: Option<&[String]>) -> Vec<Ask> {
    let p = look::of(ui);
    let mut asks = Vec::new();
    let panel = &shown.bench;
    ScrollArea::vertical().auto_shrink([false, false]).show(ui, |ui| {
        ui.set_max_width(960.0);
        ui.label(RichText::new(&panel.name).size(look::HEADLINE).color(p.text));
        ui.label(RichText::new(&panel.from).size(look::SMALL).color(p.quiet));
        for line in &panel.lines {
            ui.label(RichText::new(line).color(p.quiet));
        }
        path_ui(ui, words::BENCH_FILE, &mut view.path, &mut |path| asks.push(Ask::Desk(Command::TakeBench(path))));
        ui.add_space(8.0);
        ui.label(RichText::new(words::SOURCE).size(look::BODY * 1.15).color(p.text));
        ui.label(RichText::new(&shown.source).color(p.text));
        if shown.picture == crate::state::shown::PictureState::Old {
            ui.label(RichText::new(&shown.picture_text).color(p.text));
            ui.label(RichText::new(&shown.picture_advice).color(p.quiet));
        }
        ui.horizontal_wrapped(|ui| {
            if ui.button(words::REHEARSAL_BENCH).clicked() {
                asks.push(Ask::Source(SourceChoice::Rehearsal));
            }
            if ui.button(words::LOOK_FOR_CAMERAS).clicked() {
                asks.push(Ask::LookForCameras);
            }
            if cameras.is_some_and(<[String]>::is_empty) {
                ui.label(RichText::new(words::NO_CAMERAS).color(p.quiet));
            }
            for name in cameras.unwrap_or_default() {
                if ui.button(format!("{}: {name}", words::CAMERA)).clicked() {
                    asks.push(Ask::Source(SourceChoice::Camera(name.clone())));
                }
            }
        });
        ui.horizontal_wrapped(|ui| {
            let label = ui.label(words::FOLDER);
            let edit = egui::TextEdit::singleline(&mut view.folder)
                .desired_width(300.0)
                .align(egui::Align2::LEFT_CENTER)
                .min_size(Vec2::new(0.0, look::touch(ui.ctx())));
            ui.add(edit).labelled_by(label.id);
            let named = !view.folder.trim().is_empty();
            if ui.add_enabled(named, egui::Button::new(words::WATCH_IT)).clicked() {
                asks.push(Ask::Source(SourceChoice::Watched(PathBuf::from(view.folder.trim()))));
            }
            if ui.add_enabled(named, egui::Button::new(words::SHOW_ITS_PICTURES)).clicked() {
                asks.push(Ask::Source(SourceChoice::Stored(PathBuf::from(view.folder.trim()))));
            }
        });
        ui.add_space(8.0);
        ui.label(RichText::new(words::READINGS).size(look::BODY * 1.15).color(p.text));
        for adjuster in &panel.adjusters {
            ui.horizontal_wrapped(|ui| {
                ui.label(RichText::new(&adjuster.name).color(p.text));
                if adjuster.has_reading {
                    // While nobody types, it runs with the hand.
                    let typed = view.typed.take_if(|(name, _)| *name == adjuster.name).map(|(_, text)| text);
                    let mut text = typed.unwrap_or_else(|| adjuster.reading.clone().unwrap_or_default());
                    let edit = egui::TextEdit::singleline(&mut text)
                        .desired_width(90.0)
                        .align(egui::Align2::LEFT_CENTER)
                        .min_size(Vec2::new(0.0, look::touch(ui.ctx())));
                    let edit = ui.add(edit);
                    edit.widget_info(|| egui::WidgetInfo::labeled(egui::Role::TextInput, true, words::reading_of(&adjuster.name)));
                    if edit.changed() {
                        let reading = text.trim().replace(',', ".").parse::<f64>().ok().filter(|v| v.is_finite());
                        asks.push(Ask::Desk(Command::Reading(adjuster.name.clone(), reading)));
                    }
                    if edit.has_focus() {
                        view.typed = Some((adjuster.name.clone(), text));
                    }
                }
                ui.label(RichText::new(&adjuster.text).color(p.quiet).size(look::SMALL));
            });
        }
        ui.add_space(8.0);
        for sentence in &panel.calibration {
            sentence_ui(ui, sentence, p);
        }
        ui.label(RichText::new(words::CALIBRATIONS).color(p.quiet).size(look::SMALL));
    });
    asks
}
