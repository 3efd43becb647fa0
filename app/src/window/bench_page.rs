//! The Bench page: which bench, where its pictures come from, what its thimbles read, what its calibration says.

use super::align_page::sentence_ui;
use super::calibrate_ui::{CalibrateView, begin_ui, calibrating_ui};
use super::look;
use super::part_page::path_ui;
use super::{Ask, typed_number, words};
use crate::settings::SourceChoice;
use crate::state::desk::Command;
use crate::state::shown::{Sentence, Shown, Tone};
use eframe::egui::{self, RichText, ScrollArea, Ui};
use landfit_camera::Pixels;
use landfit_camera::camera::{Device, KnobState};
use std::path::PathBuf;

/// What the page remembers.
#[derive(Default)]
pub struct BenchView {
    path: String,
    new_file: String,
    calibrate: CalibrateView,
    folder: String,
    /// The reading that is being typed: of which adjuster, and what stands there so far.
    typed: Option<(String, String)>,
}

/// A camera that was found.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FoundCamera {
    /// Its name.
    pub name: String,
    /// How it can send pictures: each form and size once.
    pub offers: Vec<(Pixels, [usize; 2])>,
    /// Why it does not say so.
    pub trouble: Option<String>,
}

impl FoundCamera {
    /// Asks a device what it offers: it may take a while.
    #[must_use]
    pub fn look(device: Device) -> Self {
        let (mut offers, mut trouble) = (Vec::new(), None);
        match landfit_camera::camera::offers(&device) {
            Ok(all) => {
                for offer in all.iter().filter(|o| o.is_whole()).map(|o| (o.pixels, o.size_px)) {
                    if !offers.contains(&offer) {
                        offers.push(offer);
                    }
                }
            }
            Err(error) => trouble = Some(format!("{error}: {}", error.advice())),
        }
        Self { name: device.name, offers, trouble }
    }
}

/// What is known of cameras.
#[derive(Debug, Clone, Default)]
pub struct CamerasSeen {
    /// Those that were found; `None` before anybody looked.
    pub found: Option<Vec<FoundCamera>>,
    /// The one in use.
    pub in_use: Option<String>,
    /// Its knobs.
    pub knobs: Option<KnobState>,
}

/// The camera in use: form and size of its pictures, its knobs, and what is kept from changing by itself.
fn camera_ui(ui: &mut Ui, cameras: &CamerasSeen, asks: &mut Vec<Ask>) {
    let p = look::of(ui);
    let (Some(name), Some(knobs)) = (&cameras.in_use, &cameras.knobs) else { return };
    if let Some(found) = cameras.found.iter().flatten().find(|c| c.name == *name) {
        if let Some(trouble) = &found.trouble {
            ui.label(RichText::new(trouble).color(p.quiet).size(look::SMALL));
        }
        ui.horizontal_wrapped(|ui| {
            ui.label(words::CAMERA_FORMAT);
            for (pixels, size_px) in &found.offers {
                if ui.button(words::camera_format(pixels.name(), *size_px)).clicked() {
                    asks.push(Ask::CameraFormat(*pixels, *size_px));
                }
            }
        });
    }
    for offered in &knobs.offered {
        ui.horizontal_wrapped(|ui| {
            let mut value = offered.value;
            let touch = look::touch(ui.ctx());
            let range = offered.least..=offered.most.max(offered.least);
            ui.spacing_mut().interact_size.y = touch;
            let slider = egui::Slider::new(&mut value, range).step_by(offered.step.max(1) as f64).text(offered.knob.name());
            if ui.add(slider).changed() {
                asks.push(Ask::Knob(offered.knob, value));
            }
        });
    }
    if !knobs.held.is_empty() {
        ui.label(RichText::new(words::held(&knobs.held)).color(p.quiet).size(look::SMALL));
    }
    for refused in &knobs.refused {
        sentence_ui(ui, &Sentence { tone: Tone::Mind, text: format!("{refused}.") }, p);
    }
}

/// Draws the page.
pub fn bench_page_ui(ui: &mut Ui, shown: &Shown, view: &mut BenchView, cameras: &CamerasSeen) -> Vec<Ask> {
    let p = look::of(ui);
    let mut asks = Vec::new();
    let panel = &shown.bench;
    ScrollArea::vertical().auto_shrink([false, false]).show(ui, |ui| {
        ui.set_max_width(ui.available_width().min(960.0));
        if let Some(calibrating) = &panel.calibrating {
            asks.extend(calibrating_ui(ui, shown, calibrating, &mut view.calibrate));
            return;
        }
        ui.label(RichText::new(&panel.name).size(look::HEADLINE).color(p.text));
        ui.label(RichText::new(&panel.from).size(look::SMALL).color(p.quiet));
        for line in &panel.lines {
            ui.label(RichText::new(line).color(p.quiet));
        }
        path_ui(ui, [words::BENCH_FILE, words::TAKE_IT], &mut view.path, &mut |path| asks.push(Ask::Desk(Command::TakeBench(path))));
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
            if cameras.found.as_ref().is_some_and(Vec::is_empty) {
                ui.label(RichText::new(words::NO_CAMERAS).color(p.quiet));
            }
            for FoundCamera { name, .. } in cameras.found.iter().flatten() {
                if ui.button(format!("{}: {name}", words::CAMERA)).clicked() {
                    asks.push(Ask::Source(SourceChoice::Camera(name.clone())));
                }
            }
        });
        camera_ui(ui, cameras, &mut asks);
        ui.horizontal_wrapped(|ui| {
            let label = ui.label(words::FOLDER);
            ui.add(look::text_line(ui, words::FOLDER, &mut view.folder, 300.0)).labelled_by(label.id);
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
            ui.horizontal(|ui| {
                ui.label(RichText::new(&adjuster.name).color(p.text));
                if adjuster.has_reading {
                    // While nobody types, it runs with the hand.
                    let typed = view.typed.take_if(|(name, _)| *name == adjuster.name).map(|(_, text)| text);
                    let mut text = typed.unwrap_or_else(|| adjuster.reading.clone().unwrap_or_default());
                    let name = words::reading_of(&adjuster.name);
                    let edit = ui.add(look::text_line(ui, &name, &mut text, 90.0));
                    edit.widget_info(|| egui::WidgetInfo::labeled(egui::Role::TextInput, true, &name));
                    if edit.changed() {
                        let reading = typed_number(&text);
                        asks.push(Ask::Desk(Command::Reading(adjuster.name.clone(), reading)));
                    }
                    if edit.lost_focus() && !text.trim().is_empty() && typed_number(&text).is_none() {
                        asks.push(Ask::Desk(Command::Say(words::no_reading(&adjuster.name, text.trim()))));
                    }
                    if edit.has_focus() {
                        view.typed = Some((adjuster.name.clone(), text));
                    }
                }
                ui.add(egui::Label::new(RichText::new(&adjuster.text).color(p.quiet).size(look::SMALL)).wrap());
            });
        }
        ui.add_space(8.0);
        for sentence in &panel.calibration {
            sentence_ui(ui, sentence, p);
        }
        ui.add_space(8.0);
        asks.extend(begin_ui(ui, panel, &mut view.calibrate));
        path_ui(ui, [words::WRITE_BENCH, words::WRITE_IT], &mut view.new_file, &mut |file| asks.push(Ask::Desk(Command::WriteBench(file))));
    });
    asks
}
