//! How long a look takes from the arrival of its picture to the screen, and what drawing costs the thread that draws: measured in the real
//! window at 30 pictures a second (`landfit --pace N`).

use crate::rehearsal_bench::RehearsalBench;
use crate::sources::{RestTold, SourceOrder};
use crate::state::shown::Shown;
use eframe::egui;
use landfit_camera::{Frame, Source, Trouble};
use landfit_rehearsal::study::Spread;
use landfit_vision::Picture;
use std::sync::Arc;
use std::time::{Duration, Instant};

/// From picture to picture.
const APART: Duration = Duration::from_nanos(1_000_000_000 / 30);
/// Looks that are drawn beforehand and shown one after the other: each with grain of its own, as a camera gives them.
const LOOKS: u64 = 4;
/// Looks before the clock runs: fonts, textures, and what is kept from picture to picture are there then.
const LOOKS_BEFORE: usize = 30;

/// Looks of the rehearsal's bench as it stands, 30 a second.
///
/// # Errors
/// When the scene cannot be drawn.
pub fn source(bench: &RehearsalBench) -> anyhow::Result<SourceOrder> {
    let looks = Arc::new((1..=LOOKS).map(|number| bench.render(number)).collect::<Result<Vec<_>, _>>()?);
    let open = Box::new(move || Ok(Box::new(Steady { looks: Arc::clone(&looks), due: Instant::now(), number: 0 }) as Box<dyn Source>));
    Ok(SourceOrder { open, name: "30 looks a second".into(), rehearsal: None, rest: RestTold::Frames, pairs: None, knobs: None })
}

struct Steady {
    looks: Arc<Vec<Vec<Picture>>>,
    due: Instant,
    number: u64,
}

impl Source for Steady {
    fn name(&self) -> String {
        "30 looks a second".into()
    }

    fn next(&mut self, _: Duration) -> Result<Option<Frame>, Trouble> {
        let pictures = self.looks[(self.number % LOOKS) as usize].clone();
        self.due += APART;
        std::thread::sleep(self.due.saturating_duration_since(Instant::now()));
        self.number += 1;
        Ok(Some(Frame { pictures, taken: self.due, from_jpeg: false, number: self.number }))
    }
}

/// What is measured while the window runs.
pub struct Pace {
    wanted: usize,
    seen: usize,
    /// The look that is being drawn: when its picture came, and when drawing began.
    drawing: Option<(Instant, Instant)>,
    newest: Option<Instant>,
    first: Option<(Instant, u64)>,
    last_number: u64,
    to_screen_ms: Vec<f64>,
    drawing_ms: Vec<f64>,
    cpu_before_ns: Option<u64>,
}

impl Pace {
    /// To be measured over so many looks.
    #[must_use]
    pub const fn over(wanted: usize) -> Self {
        Self {
            wanted,
            seen: 0,
            drawing: None,
            newest: None,
            first: None,
            last_number: 0,
            to_screen_ms: Vec::new(),
            drawing_ms: Vec::new(),
            cpu_before_ns: None,
        }
    }

    /// Called where the drawing of a frame begins; `before_s` is what the frame before took to be laid out and painted: what a look took is
    /// known when the next one is drawn, and nothing is drawn for the measuring's sake. Ends the program when
    /// all was measured, and tells.
    pub fn frame(&mut self, shown: &Shown, before_s: Option<f32>, ctx: &egui::Context) {
        let now = Instant::now();
        let cpu_ns = thread_cpu_ns();
        if let (Some((came, began)), Some(took_s)) = (self.drawing.take(), before_s) {
            self.seen += 1;
            if self.seen > LOOKS_BEFORE {
                self.to_screen_ms.push((began.duration_since(came).as_secs_f64() + f64::from(took_s)) * 1e3);
                if let (Some(before), Some(cpu)) = (self.cpu_before_ns, cpu_ns) {
                    self.drawing_ms.push(cpu.saturating_sub(before) as f64 / 1e6);
                }
            }
        }
        self.cpu_before_ns = cpu_ns;
        if let Some((came, number)) = shown.taken
            && self.newest != Some(came)
        {
            self.newest = Some(came);
            self.drawing = Some((came, now));
            self.last_number = number;
            if self.seen == LOOKS_BEFORE && self.first.is_none() {
                self.first = Some((came, number));
            }
        }
        if self.to_screen_ms.len() >= self.wanted {
            let _ = crate::commands::print_lines(&self.told());
            ctx.send_viewport_cmd(egui::ViewportCommand::Close);
            self.wanted = usize::MAX;
        }
    }

    fn told(&self) -> Vec<String> {
        let came = self.first.map_or(0, |(_, number)| self.last_number.saturating_sub(number)).max(1);
        let seconds = self.first.map_or(0.0, |(at, _)| at.elapsed().as_secs_f64()).max(1e-9);
        let looks = self.to_screen_ms.len();
        let to_screen = Spread::of(self.to_screen_ms.clone());
        let mut lines = vec![
            format!("{looks} looks of {came} pictures in {seconds:.1} s: {:.1} looks a second on the screen", looks as f64 / seconds),
            format!(
                "picture's arrival to its answer on the screen: {:.1} ms median, {:.1} ms 95th percentile",
                to_screen.median, to_screen.p95
            ),
        ];
        if !self.drawing_ms.is_empty() {
            let drawing = Spread::of(self.drawing_ms.clone());
            lines.push(format!(
                "CPU of the drawing thread a frame, painting included: {:.1} ms median, {:.1} ms 95th percentile",
                drawing.median, drawing.p95
            ));
        }
        lines
    }
}

/// CPU time of this thread: the first field of schedstat (Linux, Documentation/scheduler/sched-stats.rst). `None` elsewhere.
pub fn thread_cpu_ns() -> Option<u64> {
    std::fs::read_to_string("/proc/thread-self/schedstat").ok()?.split_whitespace().next()?.parse().ok()
}
