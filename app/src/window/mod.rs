//! The window: pages as stages of the work, each in a file of its own. It draws what [`crate::state::shown`] holds and asks for what
//! the person wants; it measures nothing, reads no file while it draws and waits for nothing.

pub mod after_page;
pub mod align_page;
pub mod bench_page;
pub mod calibrate_ui;
mod landing;
pub mod look;
mod narrate;
pub mod open;
mod pace;
pub mod part_page;
mod picture_pane;
pub mod raster;
pub mod settings_page;
pub mod shot;
use crate::rehearsal_bench::RehearsalBench;
use crate::settings::{CameraSettings, ForThisRun, Settings, SourceChoice};
use crate::sound::Sound;
use crate::sources::{SourceOrder, source};
use crate::state::desk::Command;
use crate::state::job::JobState;
use crate::state::keys::{Focus, KeyChoice, Keys, Meant};
use crate::state::shown::{PictureState, Sentence, Shown, Tone};
use crate::words::{self, sentences};
use crate::worker::Worker;
use align_page::{AlignView, accept_id, align_page_ui, go_on_id, sentence_ui};
use bench_page::{CamerasSeen, FoundCamera};
use eframe::egui::{self, Align, Event, Key, Layout, RichText, Ui, Vec2};
use landfit_camera::{Knob, Knobs, Pixels};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Instant;

/// What is new is drawn once more after this, so that a layout that it changed has settled; while more keeps coming that does it.
const SETTLED_AFTER: std::time::Duration = std::time::Duration::from_millis(80);

/// What a page asks for.
#[derive(Debug, Clone, PartialEq)]
pub enum Ask {
    /// Of the desk.
    Desk(Command),
    /// Go on: what that means depends on the page.
    GoOn,
    /// The job is over; the next part.
    NextPart,
    /// A screw of the rehearsal turns, clockwise positive.
    Turn {
        /// Which.
        adjuster: usize,
        /// How far.
        turns: f64,
    },
    /// The rehearsal's optics swing in or out.
    Optics(bool),
    /// The rehearsal puts another part down.
    PutDown,
    /// Settings were changed.
    Settings(Box<Settings>),
    /// Pictures come from somewhere else.
    Source(SourceChoice),
    /// Which cameras are there?
    LookForCameras,
    /// The camera in use sends its pixels so, in this size.
    CameraFormat(Pixels, [usize; 2]),
    /// A knob of the camera in use.
    Knob(Knob, i64),
    /// A part that was made is written and taken.
    WritePart {
        /// The file's text.
        text: String,
        /// Where.
        file: PathBuf,
    },
}

/// What stands behind the window: the measuring thread, or in tests a desk without one.
pub trait Behind {
    /// What the pages show now.
    fn shown(&self) -> Arc<Shown>;
    /// Asks the desk for something.
    fn send(&mut self, command: Command);
    /// Takes pictures from somewhere else.
    fn take_source(&mut self, source: SourceOrder);
}

impl Behind for Worker {
    fn shown(&self) -> Arc<Shown> {
        Self::shown(self)
    }

    fn send(&mut self, command: Command) {
        Self::send(self, command);
    }

    fn take_source(&mut self, source: SourceOrder) {
        Self::take_source(self, source);
    }
}

/// The pages.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Page {
    /// Which part.
    Part,
    /// The work.
    Align,
    /// What is down.
    After,
    /// Which bench.
    Bench,
    /// What the person has set.
    Settings,
    /// The job and its reasons.
    Help,
}

impl Page {
    /// In the order of the work.
    pub const ALL: [Self; 6] = [Self::Part, Self::Align, Self::After, Self::Bench, Self::Settings, Self::Help];

    /// Its word.
    #[must_use]
    pub fn word(self) -> &'static str {
        Self::ALL.iter().position(|p| *p == self).and_then(|i| words::PAGES.get(i)).copied().unwrap_or("?")
    }

    /// The page of that word, in whatever case it is written.
    #[must_use]
    pub fn named(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|p| p.word().eq_ignore_ascii_case(word.trim()))
    }
}

/// Where settings are kept, and what is kept there.
pub struct Keeping {
    /// The file.
    pub file: PathBuf,
    /// What it holds.
    pub kept: Settings,
    /// What the command line set: none of it goes into the file.
    pub for_this_run: ForThisRun,
}

/// The window's own state.
pub struct App {
    behind: Box<dyn Behind>,
    settings: Settings,
    /// `None` keeps no settings.
    keeping: Option<Keeping>,
    page: Page,
    align: AlignView,
    part: part_page::PartView,
    after: after_page::AfterView,
    bench: bench_page::BenchView,
    set: settings_page::SettingsView,
    keys: Keys,
    rehearsal: Option<RehearsalBench>,
    another: Box<dyn FnMut() -> Option<landfit_rehearsal::simulated::SimulatedBench>>,
    /// The cameras that were found; `None` before anybody looked.
    cameras: Arc<Mutex<Option<Vec<FoundCamera>>>>,
    /// Those of the camera in use.
    knobs: Option<Knobs>,
    sound: Sound,
    told_px: f32,
    /// Number of what was drawn last.
    drawn: Option<u64>,
    /// How many pictures the bench took for one look when last seen.
    exposures: Option<usize>,
    /// Counts the serial numbers that were scanned.
    serials: u64,
    /// The window's size, native points, where nobody resizes it: in pictures and tests.
    fixed_size: Option<Vec2>,
    /// What is measured of the drawing itself.
    pace: Option<pace::Pace>,
}

impl App {
    /// A window over what stands behind it. `another` puts the rehearsal's next part down.
    pub fn new(
        behind: Box<dyn Behind>,
        settings: Settings,
        keeping: Option<Keeping>,
        rehearsal: Option<RehearsalBench>,
        another: Box<dyn FnMut() -> Option<landfit_rehearsal::simulated::SimulatedBench>>,
    ) -> Self {
        Self {
            behind,
            settings,
            keeping,
            page: Page::Align,
            align: AlignView::default(),
            part: part_page::PartView::default(),
            after: after_page::AfterView::default(),
            bench: bench_page::BenchView::default(),
            set: settings_page::SettingsView::default(),
            keys: Keys::default(),
            rehearsal,
            another,
            cameras: Arc::default(),
            knobs: None,
            sound: Sound::default(),
            told_px: 0.0,
            drawn: None,
            exposures: None,
            serials: 0,
            fixed_size: None,
            pace: None,
        }
    }

    /// The window is of this size, native points, and stays so.
    #[must_use]
    pub const fn of_size(mut self, size: Vec2) -> Self {
        self.fixed_size = Some(size);
        self
    }

    /// Measures the drawing, and ends when that is done.
    fn measure_pace(&mut self, pace: pace::Pace) {
        self.pace = Some(pace);
    }

    /// Holds the knobs of the camera in use.
    pub fn hold_knobs(&mut self, knobs: Option<Knobs>) {
        self.knobs = knobs;
    }

    /// Opens a page.
    pub const fn open_page(&mut self, page: Page) {
        self.page = page;
    }

    /// The page that is open.
    #[cfg(test)]
    #[must_use]
    pub const fn page(&self) -> Page {
        self.page
    }

    /// What the person has set.
    #[must_use]
    pub const fn settings(&self) -> &Settings {
        &self.settings
    }

    /// What stands behind.
    pub fn behind(&mut self) -> &mut dyn Behind {
        &mut *self.behind
    }

    /// Draws the window and does what was asked for.
    pub fn ui(&mut self, ui: &mut Ui) {
        let ctx = ui.ctx().clone();
        let native = self.fixed_size.unwrap_or_else(|| ctx.viewport_rect().size() * ctx.zoom_factor());
        let zoom = look::zoom(native, self.settings.text_percent);
        if (zoom - ctx.zoom_factor()).abs() > 1e-3 {
            ctx.set_zoom_factor(zoom);
        }
        look::set(&ctx, self.settings.ground);
        let shown = self.behind.shown();
        if self.drawn.replace(shown.number) != Some(shown.number) {
            ctx.request_repaint_after(SETTLED_AFTER);
        }
        self.see_exposures(&shown);
        if let Some((number, serial)) = &shown.serial
            && *number != self.serials
        {
            self.serials = *number;
            self.align.serial.clone_from(serial);
        }
        let mut asks = self.read_keys(&ctx, &shown);
        if self.page != Page::Align {
            // A hold that began before another page was opened ends there.
            let _ = self.align.hold.held(self.keys.is_accept_down(), false, ctx.input(|i| i.time));
        }
        egui::CentralPanel::default().frame(egui::Frame::new().fill(look::palette(self.settings.ground).ground).inner_margin(12.0)).show(
            ui,
            |ui| {
                self.top_ui(ui, &shown);
                for text in shown.trouble.iter().chain(&shown.prompt) {
                    let p = look::of(ui);
                    look::block(p).show(ui, |ui| {
                        ui.set_width(ui.available_width());
                        sentence_ui(ui, &Sentence { tone: Tone::Mind, text: text.clone() }, p);
                    });
                }
                asks.extend(match self.page {
                    Page::Part => part_page::part_page_ui(ui, &shown, &mut self.part),
                    Page::Align => align_page_ui(ui, &shown, &mut self.align),
                    Page::After => after_page::after_page_ui(ui, &shown, &mut self.after),
                    Page::Bench => {
                        let cameras = CamerasSeen {
                            found: self.cameras.lock().unwrap_or_else(PoisonError::into_inner).clone(),
                            in_use: match &self.settings.source {
                                SourceChoice::Camera(name) => Some(name.clone()),
                                _ => None,
                            },
                            knobs: self.knobs.as_ref().map(Knobs::state),
                        };
                        bench_page::bench_page_ui(ui, &shown, &mut self.bench, &cameras)
                    }
                    Page::Settings => settings_page::settings_page_ui(ui, &self.settings, &mut self.set, self.sound.trouble()),
                    Page::Help => {
                        settings_page::help_page_ui(ui);
                        Vec::new()
                    }
                });
            },
        );
        let px = self.align.picture.px;
        if px > 0.0 && (px / self.told_px.max(1e-6) - 1.0).abs() > 0.05 {
            self.told_px = px;
            self.behind.send(Command::PicturePx(px));
        }
        self.sound.play(self.settings.sound, heard(&shown), shown.align.state == Some(JobState::GoodToPlace), Instant::now());
        for ask in asks {
            self.answer(ask, &shown);
        }
    }

    /// A bench that takes another number of pictures for one look needs its source opened anew.
    fn see_exposures(&mut self, shown: &Shown) {
        let before = self.exposures.replace(shown.needs.exposures());
        if before.is_some_and(|n| n != shown.needs.exposures()) && self.settings.source != SourceChoice::Rehearsal {
            self.open_source(shown);
        }
    }

    /// The pages, and how picture and job stand.
    fn top_ui(&mut self, ui: &mut Ui, shown: &Shown) {
        let p = look::of(ui);
        ui.horizontal_wrapped(|ui| {
            ui.spacing_mut().item_spacing.x = 6.0;
            for page in Page::ALL {
                let selected = page == self.page;
                let text = RichText::new(page.word()).color(if selected { p.text } else { p.quiet });
                let button = egui::Button::selectable(selected, text).min_size(Vec2::new(0.0, look::touch(ui.ctx())));
                let response = ui.add(button);
                if selected {
                    let line = egui::Rect::from_min_max(
                        egui::Pos2::new(response.rect.left() + 6.0, response.rect.bottom() - 3.0),
                        egui::Pos2::new(response.rect.right() - 6.0, response.rect.bottom()),
                    );
                    ui.painter().rect_filled(line, 1.0, p.accent);
                }
                if response.clicked() {
                    self.page = page;
                }
            }
            let stands = format!("{}   |   {}   |   {}", shown.align.state_text, shown.picture_text, shown.source);
            let state = RichText::new(&stands).color(if shown.picture == PictureState::Old { p.text } else { p.quiet });
            let width =
                |ui: &Ui, text: &str| ui.painter().layout_no_wrap(text.to_owned(), egui::FontId::proportional(look::BODY), p.text).size().x;
            if ui.available_size_before_wrap().x > width(ui, &stands) + 12.0 {
                ui.with_layout(Layout::right_to_left(Align::Center), |ui| ui.label(state));
            } else {
                // A row of its own: it is never broken in its midst.
                ui.end_row();
                ui.label(state.size(look::SMALL));
            }
        });
        ui.add_space(4.0);
    }

    fn read_keys(&mut self, ctx: &egui::Context, shown: &Shown) -> Vec<Ask> {
        let mut asks = Vec::new();
        if let Some(accepting) = self.set.asking {
            self.set_key(ctx, accepting, &mut asks);
            return asks;
        }
        let text_open = ctx.text_edit_focused();
        let focus = match self.page {
            _ if text_open => Focus::Text,
            Page::Align if shown.rehearsal.is_some() => Focus::Screws,
            _ => Focus::Elsewhere,
        };
        let focused = ctx.memory(|m| m.focused());
        let no_enter = focused.is_some_and(|id| id == go_on_id() || id == accept_id());
        let key = |name: &str, other: Key| Key::from_name(name).unwrap_or(other);
        let choice = KeyChoice { pedal: key(&self.settings.pedal_key, Key::Space), accept: key(&self.settings.accept_key, Key::F12) };
        let meant = ctx.input_mut(|i| {
            if i.events.iter().any(|e| matches!(e, Event::WindowFocused(false))) {
                self.keys.let_go();
            }
            let now_s = i.time;
            let meant = self.keys.read(&mut i.events, choice, focus, now_s);
            if no_enter {
                i.events.retain(|e| !matches!(e, Event::Key { key: Key::Enter, .. }));
            }
            meant
        });
        if self.keys.is_waiting() {
            ctx.request_repaint_after(std::time::Duration::from_millis(160));
        }
        for one in meant {
            match one {
                Meant::GoOn => asks.push(Ask::GoOn),
                Meant::Page(page) => self.page = Page::ALL.get(page).copied().unwrap_or(self.page),
                Meant::Scanned(_) if text_open => {}
                Meant::Scanned(code) => self.behind.send(Command::Scanned(code)),
                Meant::Turn { adjuster, clockwise, by_ten } => {
                    let click = shown.rehearsal.as_ref().and_then(|r| r.screws.get(adjuster)).map(|(_, click)| *click);
                    if let Some(click) = click {
                        let turns = click * if by_ten { 10.0 } else { 1.0 } * if clockwise { 1.0 } else { -1.0 };
                        asks.push(Ask::Turn { adjuster, turns });
                    }
                }
            }
        }
        self.align.key_down = self.keys.is_accept_down() && self.page == Page::Align;
        for file in ctx.input(|i| i.raw.dropped_files.clone()) {
            asks.push(dropped(file.path()));
        }
        asks
    }

    /// The next key that is pressed is the one.
    fn set_key(&mut self, ctx: &egui::Context, accepting: bool, asks: &mut Vec<Ask>) {
        let pressed = ctx.input_mut(|i| {
            let pressed = i.events.iter().find_map(|e| match e {
                Event::Key { key, pressed: true, repeat: false, .. } => Some(*key),
                _ => None,
            });
            if pressed.is_some() {
                i.events.retain(|e| !matches!(e, Event::Key { .. } | Event::Text(_)));
            }
            pressed
        });
        let Some(key) = pressed else { return };
        self.set.asking = None;
        // Its release belongs to no hold: the key means something else from now on.
        self.keys.let_go();
        if settings_page::key_that_may_be_set(key) {
            let mut set = self.settings.clone();
            let (one, other) = if accepting { (&mut set.accept_key, &set.pedal_key) } else { (&mut set.pedal_key, &set.accept_key) };
            if key.name() != other {
                key.name().clone_into(one);
                asks.push(Ask::Settings(Box::new(set)));
            }
        }
    }

    fn answer(&mut self, ask: Ask, shown: &Shown) {
        match ask {
            Ask::Desk(Command::Accept(accepting)) => {
                self.behind.send(Command::Accept(accepting));
            }
            Ask::Desk(command) => self.behind.send(command),
            Ask::GoOn => self.go_on(shown),
            Ask::NextPart => self.next_part(),
            Ask::Turn { adjuster, turns } => {
                if let Some(rehearsal) = &self.rehearsal {
                    rehearsal.turn(adjuster, turns);
                }
            }
            Ask::Optics(is_in) => {
                if let Some(rehearsal) = &self.rehearsal {
                    rehearsal.swing_optics(is_in);
                }
            }
            Ask::PutDown => self.next_part(),
            Ask::Settings(settings) => {
                self.settings = *settings;
                if let Some(keeping) = &mut self.keeping {
                    keeping.kept = keeping.for_this_run.without(&self.settings, &keeping.kept);
                    self.behind.send(Command::KeepSettings(Box::new(keeping.kept.clone()), keeping.file.clone()));
                }
                self.behind.send(Command::Settings(Box::new(self.settings.clone())));
            }
            Ask::Source(choice) => self.take_source(choice, shown),
            Ask::LookForCameras => self.look_for_cameras(),
            Ask::CameraFormat(pixels, size_px) => {
                let set = |camera: &mut CameraSettings| (camera.pixels, camera.size_px) = (Some(pixels.name().to_owned()), Some(size_px));
                self.set_camera(set, shown);
                let _ = self.open_source(shown);
            }
            Ask::Knob(knob, value) => {
                if let Some(knobs) = &self.knobs {
                    knobs.set(knob, value);
                }
                let set = |camera: &mut CameraSettings| {
                    let _ = camera.knobs.insert(knob.name().to_owned(), value);
                };
                self.set_camera(set, shown);
            }
            Ask::WritePart { text, file } => self.behind.send(Command::WritePart { text, file }),
        }
    }

    fn go_on(&mut self, shown: &Shown) {
        match self.page {
            Page::Align if shown.align.accepted.is_some() => self.page = Page::After,
            Page::Align => self.behind.send(Command::GoOn),
            Page::After => {
                if shown.align.accepted.is_some() {
                    self.next_part();
                }
                self.page = Page::Align;
            }
            Page::Part | Page::Bench | Page::Settings | Page::Help => self.page = Page::Align,
        }
    }

    fn next_part(&mut self) {
        self.behind.send(Command::NextPart);
        self.align.serial.clear();
        self.align.reason.clear();
        if let Some(rehearsal) = &self.rehearsal
            && let Some(bench) = (self.another)()
        {
            rehearsal.put_down(bench);
        }
    }

    /// Lists the cameras in a thread of its own: a device that hangs must not hang the window.
    fn look_for_cameras(&self) {
        let list = Arc::clone(&self.cameras);
        let look = move || {
            let found: Vec<FoundCamera> = landfit_camera::cameras().into_iter().map(FoundCamera::look).collect();
            *list.lock().unwrap_or_else(PoisonError::into_inner) = Some(found);
        };
        let _ = std::thread::Builder::new().name("landfit cameras".into()).spawn(look);
    }

    fn take_source(&mut self, choice: SourceChoice, shown: &Shown) {
        let before = std::mem::replace(&mut self.settings.source, choice);
        if self.open_source(shown) {
            self.answer(Ask::Settings(Box::new(self.settings.clone())), shown);
        } else {
            self.settings.source = before;
        }
    }

    /// Opens what the settings say; tells whether it can be had.
    fn open_source(&mut self, shown: &Shown) -> bool {
        match source(&self.settings, &shown.needs, self.rehearsal.as_ref()) {
            Ok(order) => {
                self.knobs = order.knobs.clone();
                self.behind.take_source(order);
                true
            }
            Err(error) => {
                self.behind.send(Command::Say(format!("{error:#}")));
                false
            }
        }
    }

    /// Changes how the camera in use is set, and keeps it.
    fn set_camera(&mut self, change: impl FnOnce(&mut CameraSettings), shown: &Shown) {
        let SourceChoice::Camera(name) = self.settings.source.clone() else { return };
        change(self.settings.cameras.entry(name).or_default());
        self.answer(Ask::Settings(Box::new(self.settings.clone())), shown);
    }
}

impl eframe::App for App {
    fn ui(&mut self, ui: &mut Ui, frame: &mut eframe::Frame) {
        if let Some(pace) = &mut self.pace {
            pace.frame(&self.behind.shown(), frame.info().cpu_usage, ui.ctx());
        }
        Self::ui(self, ui);
    }
}

/// A file that was dropped on the window: a picture is measured; part and bench files are told apart by their names.
fn dropped(path: &Path) -> Ask {
    let lower = |part: Option<&std::ffi::OsStr>| part.map(|p| p.to_string_lossy().to_lowercase()).unwrap_or_default();
    if landfit_camera::is_named_as_picture(path) {
        return Ask::Desk(Command::Measure(vec![path.to_owned()]));
    }
    let is_bench = lower(path.file_stem()).contains("bench");
    Ask::Desk(if is_bench { Command::TakeBench(path.to_owned()) } else { Command::TakePart(path.to_owned()) })
}

/// A number as it was typed, with a point or a comma.
fn typed_number(text: &str) -> Option<f64> {
    text.trim().replace(',', ".").parse::<f64>().ok().filter(|v| v.is_finite())
}

/// What sounds: nothing where the picture does not tell how things are now.
fn heard(shown: &Shown) -> Option<f64> {
    shown.align.nearness.filter(|_| shown.picture != PictureState::Old)
}

/// What keeps from accepting, as a sentence.
fn panel_text(why: &str) -> String {
    format!("{}.", sentences::capital(why))
}

#[cfg(test)]
mod calibrate_tests;
#[cfg(test)]
mod control_tests;
#[cfg(test)]
mod snapshot_tests;
#[cfg(test)]
mod tests;
