//! The calibrations on the Bench page: which one, then what is wanted next, the live picture, and what the pictures say.

use super::align_page::{AlignView, rehearsal_ui, sentence_ui};
use super::look;
use super::picture_pane::PictureView;
use super::settings_page::choice;
use super::{Ask, typed_number, words};
use crate::state::calibrating::{Begin, Order, RunChoice, TargetChoice};
use crate::state::desk::Command;
use crate::state::shown::{BenchPanel, CalibratingPanel, PictureState, Shown};
use eframe::egui::{self, RichText, Sense, Ui, Vec2};
use landfit_calibration::guide::Lies;
use landfit_calibration::screws::reading::Thimble;
use landfit_calibration::screws::run::Extent;
use landfit_part::Side;

/// What the page remembers of them.
pub struct CalibrateView {
    which: Which,
    target: usize,
    pitch_mm: String,
    ruler_percent: String,
    adjuster: usize,
    thimble: usize,
    between: [String; 2],
    extent: Extent,
    lies: Lies,
    /// The reading as typed, and for which stop.
    reading: (String, String),
    picture: PictureView,
    /// The rehearsal's screws, which are turned here, too.
    hands: AlignView,
    trouble: Option<&'static str>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Which {
    Lights,
    Scale,
    Run,
    Day,
}

impl Default for CalibrateView {
    fn default() -> Self {
        Self {
            which: Which::Scale,
            target: 0,
            pitch_mm: "1".into(),
            ruler_percent: String::new(),
            adjuster: 0,
            thimble: 0,
            between: [String::new(), String::new()],
            extent: Extent::Short,
            lies: Lies::Anywhere,
            reading: Default::default(),
            picture: PictureView::default(),
            hands: AlignView::default(),
            trouble: None,
        }
    }
}

fn ask(order: Order) -> Ask {
    Ask::Desk(Command::Calibrate(order))
}

/// Which calibration is to begin, with what it needs to know.
pub fn begin_ui(ui: &mut Ui, panel: &BenchPanel, view: &mut CalibrateView) -> Vec<Ask> {
    let p = look::of(ui);
    let mut asks = Vec::new();
    ui.label(RichText::new(words::CALIBRATIONS).size(look::BODY * 1.15).color(p.text));
    if let Some(text) = &panel.calibrated {
        ui.label(RichText::new(text).color(p.text));
    }
    if !panel.has_file {
        ui.label(RichText::new(words::BENCH_HAS_NO_FILE).color(p.quiet));
        return asks;
    }
    let all = [
        (Which::Lights, words::CALIBRATE_LIGHTS.to_owned()),
        (Which::Scale, words::CALIBRATE_SCALE.to_owned()),
        (Which::Run, words::CALIBRATE_RUN.to_owned()),
        (Which::Day, words::CHECK_OF_DAY.to_owned()),
    ];
    choice(ui, words::WHICH_CALIBRATION, &mut view.which, &all);
    match view.which {
        Which::Lights => {}
        Which::Scale => {
            target_ui(ui, view);
            line_ui(ui, words::RULER_PERCENT, &mut view.ruler_percent);
        }
        Which::Day => {
            target_ui(ui, view);
            let lies = [(Lies::Anywhere, words::LIES_AS[0].to_owned()), (Lies::AgainstItsStop, words::LIES_AS[1].to_owned())];
            choice(ui, words::LIES, &mut view.lies, &lies);
        }
        Which::Run => {
            let adjusters: Vec<(usize, String)> = panel.adjusters.iter().enumerate().map(|(i, a)| (i, a.name.clone())).collect();
            choice(ui, words::ADJUSTER, &mut view.adjuster, &adjusters);
            let thimbles: Vec<(usize, String)> = thimbles().enumerate().map(|(i, name)| (i, name.to_owned())).collect();
            choice(ui, words::THIMBLE, &mut view.thimble, &thimbles);
            line_ui(ui, words::FROM_READING, &mut view.between[0]);
            line_ui(ui, words::TO_READING, &mut view.between[1]);
            let extents = [(Extent::Short, words::EXTENTS[0].to_owned()), (Extent::Full, words::EXTENTS[1].to_owned())];
            choice(ui, words::EXTENT, &mut view.extent, &extents);
        }
    }
    ui.horizontal_wrapped(|ui| {
        if ui.button(words::BEGIN).clicked() {
            match begin(panel, view) {
                Ok(begin) => {
                    view.trouble = None;
                    asks.push(ask(Order::Begin(Box::new(begin))));
                }
                Err(trouble) => view.trouble = Some(trouble),
            }
        }
        if ui.button(words::UNDO).clicked() {
            asks.push(ask(Order::Undo));
        }
    });
    if let Some(trouble) = view.trouble {
        sentence_ui(ui, &crate::state::shown::Sentence { tone: crate::state::shown::Tone::Mind, text: trouble.to_owned() }, p);
    }
    asks
}

/// Words of the thimbles: as the bench file has it, then the library's.
fn thimbles() -> impl Iterator<Item = &'static str> {
    std::iter::once(words::AS_FILED).chain(Thimble::NAMES.iter().map(|(name, _)| *name))
}

fn target_ui(ui: &mut Ui, view: &mut CalibrateView) {
    let targets: Vec<(usize, String)> = words::TARGETS.iter().enumerate().map(|(i, t)| (i, (*t).to_owned())).collect();
    choice(ui, words::TARGET, &mut view.target, &targets);
    if view.target < 3 {
        line_ui(ui, words::TARGET_PITCH, &mut view.pitch_mm);
    }
}

fn line_ui(ui: &mut Ui, name: &str, text: &mut String) -> egui::Response {
    ui.horizontal_wrapped(|ui| {
        let edit = ui.add(look::text_line(ui, name, text, 110.0));
        let label = ui.label(name);
        edit.labelled_by(label.id)
    })
    .inner
}

/// What was chosen, where it is said well enough.
fn begin(panel: &BenchPanel, view: &CalibrateView) -> Result<Begin, &'static str> {
    let target = || -> Result<TargetChoice, &'static str> {
        let pitch = || typed_number(&view.pitch_mm).ok_or(words::TARGET_MM);
        Ok(match view.target {
            0 => TargetChoice::Dots(pitch()?),
            1 => TargetChoice::Staggered(pitch()?),
            2 => TargetChoice::Checkerboard(pitch()?),
            3 => TargetChoice::OwnSides,
            4 => TargetChoice::OneSide(Side::Part),
            _ => TargetChoice::OneSide(Side::Board),
        })
    };
    Ok(match view.which {
        Which::Lights => Begin::Lights,
        Which::Scale => {
            let empty = view.ruler_percent.trim().is_empty();
            let limit = if empty { None } else { Some(typed_number(&view.ruler_percent).ok_or(words::RULER_LIMIT)?) };
            Begin::Scale(target()?, limit)
        }
        Which::Day => Begin::Day(target()?, view.lies),
        Which::Run => {
            let adjuster = panel.adjusters.get(view.adjuster).ok_or(words::WHICH_SCREW)?.name.clone();
            let thimble = thimbles().nth(view.thimble).ok_or(words::WHICH_THIMBLE)?.to_owned();
            let [from, to] = view.between.each_ref().map(|t| typed_number(t).ok_or(words::TWO_READINGS));
            Begin::Run(RunChoice { adjuster, thimble, between: [from?, to?], extent: view.extent })
        }
    })
}

/// A calibration under way: what is wanted, beside the live picture.
pub fn calibrating_ui(ui: &mut Ui, shown: &Shown, panel: &CalibratingPanel, view: &mut CalibrateView) -> Vec<Ask> {
    let p = look::of(ui);
    let mut asks = Vec::new();
    view.picture.take(ui.ctx(), &shown.exposures);
    ui.label(RichText::new(&panel.title).size(look::HEADLINE).color(p.text));
    let wanted = panel.wanted.as_deref().unwrap_or(words::NOTHING_MORE);
    ui.label(RichText::new(wanted).size(look::BODY * 1.15).color(p.text));
    if !panel.progress.is_empty() {
        ui.label(RichText::new(&panel.progress).color(p.quiet));
    }
    let width = ui.available_width();
    let (rect, _) = ui.allocate_exact_size(Vec2::new(width, (0.5 * width).min(340.0)), Sense::hover());
    view.picture.ui(ui, rect, &shown.exposures, &shown.picture_text, shown.picture == PictureState::Old);
    ui.horizontal_wrapped(|ui| {
        let reading = panel.reading.map(|asked| {
            if view.reading.0 != panel.progress {
                view.reading = (panel.progress.clone(), format!("{asked:.4}"));
            }
            let _ = line_ui(ui, words::SET_READING, &mut view.reading.1);
            typed_number(&view.reading.1)
        });
        let readable = reading.is_none_or(|r| r.is_some());
        if ui.add_enabled(panel.wanted.is_some() && readable, egui::Button::new(words::TAKE_PICTURE)).clicked() {
            asks.push(ask(Order::Take(reading.flatten())));
        }
        if panel.can_pass_over && ui.button(words::PASS_OVER).clicked() {
            asks.push(ask(Order::PassOver));
        }
        if ui.add_enabled(panel.can_take_back, egui::Button::new(words::TAKE_BACK)).clicked() {
            asks.push(ask(Order::TakeBack));
        }
    });
    for sentence in panel.said.iter().chain(&panel.result) {
        sentence_ui(ui, sentence, p);
    }
    ui.horizontal_wrapped(|ui| {
        if ui.add_enabled(panel.can_keep, egui::Button::new(words::KEEP_IT)).clicked() {
            asks.push(ask(Order::Keep));
        }
        if ui.button(words::LEAVE_IT).clicked() {
            asks.push(ask(Order::Leave));
        }
    });
    if let (Some(rehearsal), Some(_)) = (&shown.rehearsal, panel.reading) {
        rehearsal_ui(ui, rehearsal, &mut view.hands, &mut asks);
    }
    ui.label(RichText::new(words::CAUTION_LIGHT).color(p.quiet).size(look::SMALL));
    asks
}
