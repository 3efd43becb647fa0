//! Draws one page to a picture: no display, no graphics card, no camera; the rehearsal's bench at a stage of its work.

use super::open::{self, Args};
use super::raster::Raster;
use super::{App, Behind, Page, look};
use crate::pictures;
use crate::rehearsal_bench::{self, RehearsalBench};
use crate::settings::Settings;
use crate::sources::SourceOrder;
use crate::state::desk::{Accepting, Command, Desk, Repose, Sight};
use crate::state::shown::Shown;
use anyhow::{Context, bail};
use eframe::egui;
use landfit_calibration::moves::rough_turns;
use landfit_camera::Frame;
use landfit_part::{Existing, PointMm, Side};
use landfit_vision::{PointPx, view::Sight as Lines};
use std::cell::RefCell;
use std::path::Path;
use std::process::ExitCode;
use std::rc::Rc;
use std::sync::Arc;
use std::time::Instant;

/// A desk without a thread: what is asked for is done at once, and a look is taken when it is asked for.
pub struct AtOnce {
    desk: Desk,
    bench: RehearsalBench,
    shown: Arc<Shown>,
    looks: u64,
    /// Names of the sources that were asked for; pictures are the rehearsal's all the same.
    sources: Vec<String>,
    /// Why no new picture comes, and what to do about it.
    stalled: Option<(String, String)>,
}

/// The handle that the window holds, and its maker too.
#[derive(Clone)]
pub struct AtOnceHandle(pub Rc<RefCell<AtOnce>>);

impl AtOnce {
    /// Over a desk and the bench that it looks at.
    #[must_use]
    pub fn new(mut desk: Desk, bench: RehearsalBench) -> Self {
        let shown = Arc::new(desk.shown());
        let mut all = Self { desk, bench, shown, looks: 0, sources: Vec::new(), stalled: None };
        all.publish();
        all
    }

    /// Takes one look and measures it.
    ///
    /// # Errors
    /// When the scene cannot be drawn.
    pub fn look(&mut self) -> anyhow::Result<()> {
        self.looks += 1;
        let pictures = self.bench.render(self.looks)?;
        let frame = Arc::new(Frame { pictures, taken: Instant::now(), from_jpeg: false, number: self.looks });
        self.desk.look(&frame, Repose::Still, self.now_s());
        self.publish();
        Ok(())
    }

    /// Looks that follow each other by five seconds, as careful hands make them.
    fn now_s(&self) -> f64 {
        5.0 * self.looks as f64
    }

    /// Does what was asked for.
    pub fn command(&mut self, command: Command) {
        let now_s = self.now_s();
        self.desk.command(command, now_s, "2026-11-26T13:40:12Z");
        self.publish();
    }

    #[cfg(test)]
    /// Takes another part, and puts it on the bench in place of the one that lies there.
    pub fn put_part(&mut self, text: String) {
        self.desk.take_part(crate::state::subject::PartFile::parse(text, "made.toml".into()).unwrap());
        self.publish();
        self.bench = RehearsalBench::new(self.bench.truth(), (*self.desk.part.part).clone(), 1);
    }

    /// The bench that is looked at.
    #[cfg(test)]
    #[must_use]
    pub const fn bench(&self) -> &RehearsalBench {
        &self.bench
    }

    /// Takes in pictures from elsewhere.
    #[cfg(test)]
    pub fn look_at(&mut self, pictures: Vec<landfit_vision::Picture>) {
        self.looks += 1;
        let frame = Arc::new(Frame { pictures, taken: Instant::now(), from_jpeg: false, number: self.looks });
        self.desk.look(&frame, Repose::Still, self.now_s());
        self.publish();
    }

    /// Names of the sources that were asked for.
    #[cfg(test)]
    #[must_use]
    pub fn sources(&self) -> &[String] {
        &self.sources
    }

    /// Changes what is shown.
    #[cfg(test)]
    pub fn change_shown(&mut self, change: &dyn Fn(&mut Shown)) {
        let mut shown = (*self.shown).clone();
        change(&mut shown);
        self.shown = Arc::new(shown);
    }

    /// The desk, to hand it what the measuring thread would.
    #[cfg(test)]
    pub const fn desk_mut(&mut self) -> &mut Desk {
        &mut self.desk
    }

    /// The desk.
    #[cfg(test)]
    #[must_use]
    pub const fn desk(&self) -> &Desk {
        &self.desk
    }

    /// What the pages show.
    #[must_use]
    pub fn shown(&self) -> Arc<Shown> {
        Arc::clone(&self.shown)
    }

    /// The source stands still: no new picture comes, for this reason.
    pub fn stall(&mut self, text: &str, advice: &str) {
        self.stalled = Some((text.to_owned(), advice.to_owned()));
        self.publish();
    }

    fn publish(&mut self) {
        match &self.stalled {
            Some((text, advice)) => self.desk.source(rehearsal_bench::NAME, Sight::Old, text, advice),
            None => self.desk.source(rehearsal_bench::NAME, Sight::Fresh, "", ""),
        }
        self.desk.rehearsal(Some(self.bench.optics_in()));
        self.shown = Arc::new(self.desk.shown());
    }

    /// Turns what is told, whole moves, until nothing more is told or `most_rounds` are over. Hands that set what they are told.
    ///
    /// # Errors
    /// When a scene cannot be drawn.
    pub fn follow(&mut self, most_rounds: usize) -> anyhow::Result<usize> {
        for round in 0..most_rounds {
            self.look()?;
            self.look()?;
            let told = self.desk.job().to_turn().first().map(|(m, left)| (m.adjuster, *left, m.play.take_up_turns().unwrap_or(0.0)));
            let Some((adjuster, left, take_up)) = told else { return Ok(round) };
            self.bench.turn(adjuster, left + take_up * left.signum());
        }
        Ok(most_rounds)
    }
}

impl Behind for AtOnceHandle {
    fn shown(&self) -> Arc<Shown> {
        self.0.borrow().shown()
    }

    fn send(&mut self, command: Command) {
        self.0.borrow_mut().command(command);
    }

    fn take_source(&mut self, source: SourceOrder) {
        let mut behind = self.0.borrow_mut();
        behind.sources.push(source.name);
        behind.desk.change_source();
        behind.publish();
    }
}

/// Draws the page and writes the picture, whole or not at all.
///
/// # Errors
/// One sentence that names the file or the option.
pub fn write(args: &Args, page: Page, file: &Path) -> anyhow::Result<ExitCode> {
    let picture = drawn(args, page)?;
    pictures::save_png(file, &image::DynamicImage::ImageRgba8(picture), Existing::Replace)?;
    crate::commands::print_lines(&[format!("wrote {}", file.display())])?;
    Ok(ExitCode::SUCCESS)
}

/// Draws the page at the stage that was asked for.
///
/// # Errors
/// One sentence that names the option, or what the stage lacks.
pub fn drawn(args: &Args, page: Page) -> anyhow::Result<image::RgbaImage> {
    let size = size(&args.size)?;
    let settings = open::for_this_run(args).over(Settings::default());
    // What a picture accepts is kept nowhere.
    let results = tempfile::tempdir().context("no temporary folder can be made")?;
    let settings = Settings { results: Some(results.path().to_owned()), ..settings };
    let laid = open::lay(args, settings.clone())?;
    let mut behind = AtOnce::new(laid.desk, laid.rehearsal);
    stage(&mut behind, &args.stage)?;
    let handle = AtOnceHandle(Rc::new(RefCell::new(behind)));
    // The folder of this run has another name each time.
    let settings = Settings { results: None, ..settings };
    let mut app = App::new(Box::new(handle.clone()), settings, None, None, Box::new(|| None))
        .of_size(egui::Vec2::new(size[0] as f32, size[1] as f32));
    app.open_page(page);
    picture(&mut app, size, &mut || handle.0.borrow_mut().look())
}

pub fn stage(behind: &mut AtOnce, name: &str) -> anyhow::Result<()> {
    behind.look()?;
    behind.look()?;
    match name {
        "begin" => {}
        "turning" => {
            let _ = behind.follow(1)?;
            behind.look()?;
            behind.look()?;
            // Half of what is told: the strip is on its way.
            let told = behind.desk.job().to_turn().first().map(|(m, left)| (m.adjuster, *left));
            if let Some((adjuster, left)) = told {
                behind.bench.turn(adjuster, 0.6 * left);
            }
            behind.look()?;
        }
        "good" => {
            let _ = behind.follow(12)?;
        }
        "placed" => {
            accepted(behind)?;
            behind.bench.swing_optics(false);
            behind.look()?;
        }
        "moved" => {
            accepted(behind)?;
            behind.bench.turn(0, 0.2);
            behind.look()?;
        }
        "far" => {
            far_off(behind)?;
            behind.look()?;
        }
        "old" => behind.stall("old picture, 3 s: the camera was unplugged", "Plug it in again; it comes back by itself."),
        _ => bail!("there is no stage {name:?}; they are begin, turning, good, placed, moved, old, far"),
    }
    Ok(())
}

/// Turns the screws until no more than a corner of the side that they carry is in view.
fn far_off(behind: &mut AtOnce) -> anyhow::Result<()> {
    let (part, bench) = (Arc::clone(&behind.desk.part.part), Arc::clone(&behind.desk.bench.bench));
    let fit = &behind.desk.job().found().context("this rehearsal's first look gives no answer")?.fit;
    for (side, lies) in [(Side::Board, fit.bench_from_board), (Side::Part, fit.bench_from_part)] {
        let Some(view) = bench.optics.views.iter().find(|v| v.shows == side) else { continue };
        let Some(sight) = Lines::new(view, bench.optics.lens) else { continue };
        // Two rows and two columns stay in view.
        let pitch_mm = part.pitch_mm(side).unwrap_or(1.0);
        let corner = sight.mm(PointPx::new(f64::from(bench.optics.frame.size_px[0]), 0.0));
        let centres = || part.sites.iter().map(|s| lies.apply(s.centre_mm(side)));
        let left = centres().map(|c| c.x).fold(f64::INFINITY, f64::min);
        let near = centres().map(|c| c.y).fold(f64::INFINITY, f64::min);
        let by_mm = PointMm::new(corner.x - left - 1.45 * pitch_mm, corner.y - near - 1.45 * pitch_mm);
        let turns = rough_turns(side, by_mm, &bench.adjusters);
        for (adjuster, turns) in &turns {
            behind.bench.turn(*adjuster, *turns);
        }
        if !turns.is_empty() {
            return Ok(());
        }
    }
    bail!("no screws of this bench shift anything")
}

/// Follows what is told until the part is accepted.
fn accepted(behind: &mut AtOnce) -> anyhow::Result<()> {
    let _ = behind.follow(12)?;
    let sees_it_right = behind.desk.expected_first();
    behind.command(Command::Accept(Accepting { serial: "0042".into(), first_seen: sees_it_right, ..Accepting::default() }));
    let align = &behind.shown.align;
    if let Some(accepted) = &align.accepted {
        return accepted.trouble.as_ref().map_or(Ok(()), |trouble| bail!("{trouble}"));
    }
    let why = align.not_acceptable.clone().or_else(|| behind.shown.trouble.clone()).unwrap_or_default();
    bail!("this rehearsal does not come so far that its part is accepted ({why}); another --on or --seed may")
}

fn size(text: &str) -> anyhow::Result<[u32; 2]> {
    let sides = text.split_once('x').and_then(|(w, h)| Some([w.trim().parse().ok()?, h.trim().parse().ok()?]));
    sides
        .filter(|s: &[u32; 2]| s.iter().all(|n| (320..=7680).contains(n)))
        .with_context(|| format!("--size {text}: write WIDTHxHEIGHT, each from 320 to 7680, as in 1280x720"))
}

/// Passes until sizes and textures have settled, with a look between them, so that labels are set for the picture's true size.
///
/// # Errors
/// When a look fails.
pub fn picture(app: &mut App, size_px: [u32; 2], look: &mut dyn FnMut() -> anyhow::Result<()>) -> anyhow::Result<image::RgbaImage> {
    const PASSES: usize = 8;
    let ctx = egui::Context::default();
    let mut raster = Raster::default();
    let mut last = None;
    for pass in 0..PASSES {
        let zoom = ctx.zoom_factor();
        let rect = egui::Rect::from_min_size(egui::Pos2::ZERO, egui::Vec2::new(size_px[0] as f32, size_px[1] as f32) / zoom);
        let input = egui::RawInput { screen_rect: Some(rect), time: Some(pass as f64 * 0.1), ..egui::RawInput::default() };
        let mut output = ctx.run_ui(input, |ui| app.ui(ui));
        raster.take(&output.textures_delta);
        output.textures_delta.clear();
        if pass == 3 {
            look()?;
        }
        last = Some(output);
    }
    let Some(output) = last else { bail!("nothing was drawn") };
    let primitives = ctx.tessellate(output.shapes, output.pixels_per_point);
    Ok(raster.draw(&primitives, output.pixels_per_point, size_px, look::palette(app.settings().ground).ground))
}
