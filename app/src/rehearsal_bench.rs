//! The rehearsal bench: a source of rendered pictures whose screws are turned on the screen.

use crate::words;
use landfit_camera::{Frame, Source, Trouble};
use landfit_part::Part;
use landfit_rehearsal::picture;
use landfit_rehearsal::simulated::SimulatedBench;
use landfit_rehearsal::study::scene_seed;
use landfit_vision::Picture;
use landfit_vision::picture::Samples;
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

/// Pictures that follow each other sooner than this would only warm the room: the eye sees ten a second as motion.
const LEAST_APART: Duration = Duration::from_millis(100);

/// While nothing is turned.
const IDLE_APART: Duration = Duration::from_millis(400);

/// So many looks after a turn follow each other quickly: the hand waits for the picture to rest.
const QUICK_LOOKS: u32 = 6;

/// What it is called.
pub const NAME: &str = words::REHEARSAL_BENCH;

/// What the thread that renders and the screen that turns share.
struct Table {
    bench: SimulatedBench,
    part: Part,
    optics_in: bool,
    turned: u64,
}

/// A simulated bench that several hold: the source renders it, the screen turns its screws.
#[derive(Clone)]
pub struct RehearsalBench {
    shared: Arc<(Mutex<Table>, Condvar)>,
    seed: u64,
}

impl RehearsalBench {
    /// `bench` with `part` on it, its optics in. Noise comes from `seed`.
    #[must_use]
    pub fn new(bench: SimulatedBench, part: Part, seed: u64) -> Self {
        let table = Table { bench, part, optics_in: true, turned: 0 };
        Self { shared: Arc::new((Mutex::new(table), Condvar::new())), seed }
    }

    /// Turns one screw.
    pub fn turn(&self, adjuster: usize, turns: f64) {
        self.change(|table| table.bench.turn(adjuster, turns));
    }

    /// Swings the optics in or out.
    pub fn swing_optics(&self, is_in: bool) {
        self.change(|table| table.optics_in = is_in);
    }

    /// Whether the optics are in.
    #[must_use]
    pub fn optics_in(&self) -> bool {
        self.table().optics_in
    }

    /// Puts another part down: the bench as `bench`, the optics in.
    pub fn put_down(&self, bench: SimulatedBench) {
        self.change(|table| {
            table.bench = bench;
            table.optics_in = true;
        });
    }

    /// The bench as it truly stands: what only a rehearsal knows.
    #[cfg(test)]
    #[must_use]
    pub fn truth(&self) -> SimulatedBench {
        self.table().bench.clone()
    }

    /// The source that renders this bench.
    #[must_use]
    pub fn source(&self) -> Box<dyn Source> {
        Box::new(Rendering { bench: self.clone(), number: 0, turned: u64::MAX, quick: QUICK_LOOKS, taken: None })
    }

    /// Renders one look.
    ///
    /// # Errors
    /// When the scene cannot be drawn.
    pub fn render(&self, number: u64) -> Result<Vec<Picture>, Trouble> {
        let (bench, part, optics_in) = {
            let table = self.table();
            (table.bench.clone(), table.part.clone(), table.optics_in)
        };
        if !optics_in {
            return Ok(unlit(&bench));
        }
        let rendered = picture::render(&bench, &part, scene_seed(self.seed, number as usize))
            .map_err(|e| Trouble::Refused { camera: NAME.to_owned(), what: e.to_string() })?;
        Ok(picture::exposures(&rendered))
    }

    fn table(&self) -> MutexGuard<'_, Table> {
        self.shared.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn change(&self, change: impl FnOnce(&mut Table)) {
        let mut table = self.table();
        change(&mut table);
        table.turned += 1;
        drop(table);
        self.shared.1.notify_all();
    }
}

/// What the camera sees while the optics are out: next to nothing.
fn unlit(bench: &SimulatedBench) -> Vec<Picture> {
    let [w, h] = bench.bench.optics.frame.size_px.map(|n| n as usize);
    let exposures = bench.bench.optics.exposures();
    let dark = Picture { width_px: w, height_px: h, channels: 3, samples: Samples::U8(vec![4; w * h * 3]) };
    vec![dark; exposures]
}

struct Rendering {
    bench: RehearsalBench,
    number: u64,
    turned: u64,
    quick: u32,
    taken: Option<Instant>,
}

impl Source for Rendering {
    fn name(&self) -> String {
        NAME.to_owned()
    }

    fn next(&mut self, patience: Duration) -> Result<Option<Frame>, Trouble> {
        let until = Instant::now() + patience;
        {
            let mut table = self.bench.table();
            loop {
                let apart = if table.turned == self.turned && self.quick == 0 { IDLE_APART } else { LEAST_APART };
                let Some(wait) = self.taken.map(|t| apart.saturating_sub(t.elapsed())).filter(|w| !w.is_zero()) else { break };
                let left = until.saturating_duration_since(Instant::now());
                if left.is_zero() {
                    return Ok(None);
                }
                table = self.bench.shared.1.wait_timeout(table, wait.min(left)).unwrap_or_else(PoisonError::into_inner).0;
            }
            self.quick = if table.turned == self.turned { self.quick.saturating_sub(1) } else { QUICK_LOOKS };
            self.turned = table.turned;
        }
        self.number += 1;
        let pictures = self.bench.render(self.number)?;
        let taken = Instant::now();
        self.taken = Some(taken);
        Ok(Some(Frame { pictures, taken, from_jpeg: false, number: self.number }))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use landfit_rehearsal::scenario::BENCHES;

    fn bench() -> RehearsalBench {
        let setting = BENCHES[0];
        RehearsalBench::new(setting.start(3).unwrap(), setting.part().unwrap(), 3)
    }

    #[test]
    fn looks_follow_each_other_with_noise_of_their_own_and_a_pause() {
        let bench = bench();
        let mut source = bench.source();
        let first = source.next(Duration::from_millis(50)).unwrap().unwrap();
        assert!(source.next(Duration::ZERO).unwrap().is_none(), "too soon");
        let second = source.next(Duration::from_secs(5)).unwrap().unwrap();
        assert_eq!((first.number, second.number), (1, 2));
        assert_ne!(first.pictures, second.pictures);
    }

    #[test]
    fn swinging_the_optics_out_leaves_the_dark_and_back_the_part() {
        let bench = bench();
        bench.swing_optics(false);
        let dark = bench.render(1).unwrap();
        let Samples::U8(values) = &dark[0].samples else { panic!("8 bits") };
        assert!(values.iter().all(|v| *v < 10));
        bench.swing_optics(true);
        assert_ne!(bench.render(2).unwrap(), dark);
    }
}
