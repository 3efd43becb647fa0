//! Opens the window: its options, what stands behind it, and what to do where there is no display.

use super::{App, Keeping, Page, look, narrate, pace, shot, words};
use crate::rehearsal_bench::RehearsalBench;
use crate::settings::{self, ForThisRun, Settings, SourceChoice};
use crate::sources::source;
use crate::state::desk::Desk;
use crate::state::shown::Shown;
use crate::state::subject::{BenchFile, PartFile};
use crate::worker::Worker;
use anyhow::Context;
use eframe::egui;
use landfit_rehearsal::scenario::{DEFAULT, Setting};
use landfit_rehearsal::simulated::SimulatedBench;
use std::path::PathBuf;
use std::process::ExitCode;
use std::sync::{Mutex, PoisonError};

/// One drawing for what is new. Asked for without any delay, egui draws twice, so that what was laid out anew may settle: with thirty looks a
/// second each look waited for the second drawing of the one before. [`App::ui`] has it settled when nothing new comes.
const AT_ONCE: std::time::Duration = std::time::Duration::from_nanos(1);

/// Without a command: the window, with a simulated bench unless pictures come from elsewhere.
#[derive(clap::Args, Debug, Clone)]
pub struct Args {
    /// The part file to begin with
    #[arg(long, value_name = "FILE")]
    pub part: Option<PathBuf>,
    /// The bench file to begin with
    #[arg(long, value_name = "FILE")]
    pub bench: Option<PathBuf>,
    /// The simulated bench to rehearse on (a wrong name lists them)
    #[arg(long, value_name = "BENCH")]
    pub on: Option<String>,
    /// Where everything random of the rehearsal comes from
    #[arg(long, value_name = "N", default_value_t = 1)]
    pub seed: u64,
    /// The folder for results, in place of the one that is set
    #[arg(long, value_name = "DIR")]
    pub results: Option<PathBuf>,
    /// Draw a page to a picture (PNG) and end; needs no display
    #[arg(long, value_name = "FILE", requires = "page")]
    pub shot: Option<PathBuf>,
    /// The page to draw, or to begin with: part, align, after, bench, settings, help
    #[arg(long, value_name = "NAME")]
    pub page: Option<String>,
    /// Size of the picture, px
    #[arg(long, value_name = "WxH", default_value = "1280x720", requires = "shot")]
    pub size: String,
    /// Size of text, percent
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(100..=200))]
    pub text: Option<u32>,
    /// Light ground in place of the dark one
    #[arg(long)]
    pub light: bool,
    /// Print what the Align page tells, one line of JSON whenever it changes: for scripts, or to have it read out
    #[arg(long)]
    pub narrate: bool,
    /// Show the rehearsal's bench 30 times a second, tell over so many looks how long each takes to the screen and what drawing costs, and end
    #[arg(long, value_name = "LOOKS", conflicts_with = "shot", value_parser = clap::value_parser!(u32).range(10..=100_000))]
    pub pace: Option<u32>,
    /// The stage of the rehearsal that the picture shows: begin, turning, good, placed, moved, old, far
    #[arg(long, value_name = "STAGE", default_value = "begin", requires = "shot")]
    pub stage: String,
}

/// Opens the window, or draws one page.
///
/// # Errors
/// One sentence that names what is wrong.
pub fn run(args: &Args) -> anyhow::Result<ExitCode> {
    let page = match &args.page {
        Some(name) => {
            let all = || Page::ALL.map(Page::word).join(", ").to_lowercase();
            Some(Page::named(name).with_context(|| format!("there is no page {name:?}; they are {}", all()))?)
        }
        None => None,
    };
    if let Some(file) = &args.shot {
        return shot::write(args, page.unwrap_or(Page::Align), file);
    }
    if !has_display() {
        if args.part.is_some() || args.bench.is_some() {
            anyhow::bail!(
                "there is no display here to open the window on, and --part and --bench are for the window; landfit align measures by them"
            );
        }
        tell("There is no display here, so the rehearsal runs in the terminal. On a desk, landfit opens its window.");
        return crate::commands::rehearse::without_window(&setting(args)?, args.seed);
    }
    let settings_file = settings::file();
    let kept = Settings::read(&settings_file)?;
    let for_this_run = for_this_run(args);
    let settings = for_this_run.over(kept.clone());
    let laid = lay(args, settings.clone())?;
    let rehearsal = laid.rehearsal.clone();
    let setting = setting(args)?;
    let first_seed = args.seed;
    let options = eframe::NativeOptions {
        viewport: egui::ViewportBuilder::default()
            .with_title(words::TITLE)
            .with_app_id("landfit")
            .with_inner_size([1280.0, 720.0])
            .with_min_inner_size([640.0, 400.0]),
        ..eframe::NativeOptions::default()
    };
    let mut trouble = None;
    let ended = eframe::run_native(
        "landfit",
        options,
        Box::new(|created| {
            look::set(&created.egui_ctx, settings.ground);
            let ctx = created.egui_ctx.clone();
            let needs = laid.desk.needs();
            let source = if args.pace.is_some() {
                pace::source(&rehearsal)
            } else {
                source(&settings, &needs, Some(&rehearsal)).or_else(|error| {
                    trouble = Some(format!("{error:#}"));
                    source(&Settings { source: SourceChoice::Rehearsal, ..settings.clone() }, &needs, Some(&rehearsal))
                })
            }?;
            let knobs = source.knobs.clone();
            let told = Mutex::new(String::new());
            let narrate = args.narrate;
            let wake = move |shown: &Shown| {
                if narrate {
                    narrated(shown, &mut told.lock().unwrap_or_else(PoisonError::into_inner));
                }
                ctx.request_repaint_after(AT_ONCE);
            };
            let worker = Worker::start(laid.desk, source, wake)?;
            let mut seed = first_seed;
            let another = Box::new(move || {
                seed += 1;
                setting.start(seed).ok()
            });
            let keeping = Keeping { file: settings_file, kept, for_this_run };
            let mut app = App::new(Box::new(worker), settings, Some(keeping), Some(rehearsal), another);
            app.hold_knobs(knobs);
            if let Some(looks) = args.pace {
                app.measure_pace(pace::Pace::over(looks as usize));
            }
            if let Some(page) = page {
                app.open_page(page);
            }
            if let Some(text) = trouble.take() {
                app.behind().send(crate::state::desk::Command::Say(text));
            }
            Ok(Box::new(app))
        }),
    );
    match ended {
        Ok(()) => Ok(ExitCode::SUCCESS),
        Err(error) => {
            tell(&format!("The window cannot be opened ({error}), so the rehearsal runs in the terminal."));
            crate::commands::rehearse::without_window(&self::setting(args)?, args.seed)
        }
    }
}

/// What is laid out before the window opens.
pub struct Laid {
    /// The desk.
    pub desk: Desk,
    /// The rehearsal's bench; pictures may come from elsewhere all the same.
    pub rehearsal: RehearsalBench,
}

/// Part and bench as the options say, else those of the rehearsal; and the rehearsal's bench.
///
/// # Errors
/// One sentence that names the file.
pub fn lay(args: &Args, settings: Settings) -> anyhow::Result<Laid> {
    let setting = setting(args)?;
    let part = args.part.as_deref().map_or_else(|| PartFile::of(&setting), PartFile::read)?;
    let bench = args.bench.as_deref().map_or_else(|| BenchFile::of(&setting), BenchFile::read)?;
    let simulated: SimulatedBench = setting.start(args.seed)?;
    let rehearsal = RehearsalBench::new(simulated, setting.part()?, args.seed);
    Ok(Laid { desk: Desk::new(part, bench, settings)?, rehearsal })
}

/// What the command line sets for this run.
#[must_use]
pub fn for_this_run(args: &Args) -> ForThisRun {
    ForThisRun { results: args.results.clone(), text_percent: args.text, ground: args.light.then_some(settings::Ground::Light) }
}

/// The setting of the rehearsal.
///
/// # Errors
/// Where there is none of that name.
pub fn setting(args: &Args) -> anyhow::Result<Setting> {
    args.on.as_deref().map_or(Ok(DEFAULT), crate::commands::rehearse::setting)
}

/// Prints what is told where it differs from what was told last.
fn narrated(shown: &Shown, told: &mut String) {
    let line = narrate::line(shown);
    if line != *told {
        let _ = crate::commands::print_lines(std::slice::from_ref(&line));
        *told = line;
    }
}

/// Whether there is a display to open a window on.
fn has_display() -> bool {
    let named = |name: &str| std::env::var_os(name).is_some_and(|v| !v.is_empty());
    !cfg!(target_os = "linux") || named("DISPLAY") || named("WAYLAND_DISPLAY") || named("WAYLAND_SOCKET")
}

#[allow(clippy::print_stderr, reason = "said before there is a window, or in place of one")]
fn tell(text: &str) {
    eprintln!("landfit: {text}");
}
