//! The measuring thread: takes the newest look, measures it, does what the pages ask for, and publishes what they show.
//!
//! The newest look wins: what arrives while one is measured replaces what waited. Commands are never dropped.

use crate::rehearsal_bench::RehearsalBench;
use crate::sources::{RestTold, SourceOrder};
use crate::state::calibrating;
use crate::state::desk::{Command, Desk, Repose, Sight};
use crate::state::shown::Shown;
use crate::words;
use landfit_camera::{Feed, FeedState, Rest, Stillness, Trouble};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

/// Commands that may wait; a hand gives one or two a second.
const MOST_WAITING: usize = 64;

/// Longest wait for a look before commands and the age of the picture are seen to.
const PATIENCE: Duration = Duration::from_millis(50);

/// While what was accepted is watched, the mean of the rest is taken anew after so many frames: making it takes some milliseconds.
const FRAMES_PER_AVERAGE: u32 = 8;

enum Order {
    Command(Command),
    Source(SourceOrder),
}

/// The thread's handle; dropped, it ends the thread.
pub struct Worker {
    orders: SyncSender<Order>,
    shown: Arc<Mutex<Arc<Shown>>>,
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl Worker {
    /// Starts the thread with a source; `wake` is called with whatever is new to show.
    ///
    /// # Errors
    /// When the system gives no thread.
    pub fn start(mut desk: Desk, source: SourceOrder, wake: impl Fn(&Shown) + Send + Sync + 'static) -> std::io::Result<Self> {
        let (orders, inbox) = sync_channel(MOST_WAITING);
        let shown = Arc::new(Mutex::new(Arc::new(desk.shown())));
        let stop = Arc::new(AtomicBool::new(false));
        let (shown_there, stop_there) = (Arc::clone(&shown), Arc::clone(&stop));
        let run = move || work(desk, source, &inbox, &shown_there, &stop_there, &wake);
        let thread = std::thread::Builder::new().name("landfit measuring".into()).spawn(run)?;
        Ok(Self { orders, shown, stop, thread: Some(thread) })
    }

    /// What the pages show now.
    #[must_use]
    pub fn shown(&self) -> Arc<Shown> {
        Arc::clone(&self.shown.lock().unwrap_or_else(PoisonError::into_inner))
    }

    /// Asks for something. Waits only where 64 commands are before it.
    pub fn send(&self, command: Command) {
        let _ = self.orders.send(Order::Command(command));
    }

    /// Changes the source.
    pub fn take_source(&self, source: SourceOrder) {
        let _ = self.orders.send(Order::Source(source));
    }
}

impl Drop for Worker {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

fn work(
    mut desk: Desk,
    source: SourceOrder,
    inbox: &Receiver<Order>,
    shown: &Mutex<Arc<Shown>>,
    stop: &AtomicBool,
    wake: &(dyn Fn(&Shown) + Send + Sync),
) {
    let start = Instant::now();
    let now_s = || start.elapsed().as_secs_f64();
    let mut rehearsal = source.rehearsal;
    let mut name = source.name;
    let mut told_by = source.rest;
    let mut pairs = source.pairs;
    // A look was asked for while things moved: it is taken when they rest.
    let mut asked = false;
    let mut stillness = Stillness::new();
    let mut feed = Feed::start(source.open, || {});
    let mut told = String::new();
    // Whether this source has given any picture.
    let mut gave = false;
    while !stop.load(Ordering::Relaxed) {
        let mut changed = false;
        while let Ok(order) = inbox.try_recv() {
            changed = true;
            match order {
                Order::Command(command) => {
                    if matches!(command, Command::Accept(_) | Command::Calibrate(calibrating::Order::Take(_))) {
                        desk.average(stillness.average().filter(|_| told_by == RestTold::Frames && pairs.is_none()).map(Arc::new));
                    }
                    if pairs.is_some() && matches!(command, Command::GoOn) {
                        // What was turned shows only in the look that is to come.
                        asked = true;
                    } else {
                        desk.command(command, now_s(), &time_text());
                    }
                }
                Order::Source(source) => {
                    // The old capture thread ends before the new one asks for the same camera.
                    drop(feed);
                    (rehearsal, name, told_by, pairs) = (source.rehearsal, source.name, source.rest, source.pairs);
                    (asked, gave) = (false, false);
                    stillness.forget();
                    feed = Feed::start(source.open, || {});
                    desk.change_source();
                }
            }
        }
        // A stored look comes but once, and one of a watched folder stays the newest for long: another part or bench finds it there.
        let again = desk.take_unmeasured().filter(|_| told_by != RestTold::Frames);
        let frame = feed.take(PATIENCE).or(again);
        if let Some(pairs) = &pairs {
            if let Some(preview) = pairs.preview().map(Arc::new) {
                let rest = stillness.push(&preview);
                if asked && rest != Rest::Moving {
                    pairs.ask();
                    asked = false;
                }
                desk.preview(&preview, rest == Rest::Moving);
                changed = true;
            }
            changed |= desk.prompt(words::light_wanted(&pairs.wanted(), asked));
        }
        let (sight, text, advice) = said(&feed.state(), gave);
        if let FeedState::Old { trouble, .. } = feed.state()
            && matches!(*trouble, Trouble::Dark { .. })
        {
            desk.dark();
        }
        desk.source(&name, sight, &text, &advice);
        desk.rehearsal(rehearsal.as_ref().map(RehearsalBench::optics_in));
        changed |= text != told;
        told = text;
        if let Some(frame) = frame {
            gave = true;
            let rest = (pairs.is_none() && told_by == RestTold::Frames).then(|| stillness.push(&frame));
            let repose = match rest {
                None if pairs.is_some() || told_by == RestTold::EachLook => Repose::AtRest,
                None | Some(Rest::Still { .. }) => Repose::Still,
                Some(Rest::Moving) => Repose::Moving,
            };
            match rest {
                Some(Rest::Still { frames, .. }) if desk.wants_averages() => {
                    if frames.is_multiple_of(FRAMES_PER_AVERAGE) || !desk.has_average() {
                        desk.average(stillness.average().map(Arc::new));
                    }
                }
                _ => desk.average(None),
            }
            desk.look(&frame, repose, now_s());
            changed = true;
        }
        if changed {
            let new = Arc::new(desk.shown());
            *shown.lock().unwrap_or_else(PoisonError::into_inner) = Arc::clone(&new);
            wake(&new);
        }
        // Nobody waits for it now.
        stillness.gather();
    }
}

/// How the source is doing, in words; `gave`: it has given a picture before.
fn said(state: &FeedState, gave: bool) -> (Sight, String, String) {
    match state {
        FeedState::Looking | FeedState::Live { .. } => (Sight::Fresh, String::new(), String::new()),
        FeedState::Old { age, trouble } => {
            let old = words::old_for(if gave { age.as_secs_f64() } else { f64::INFINITY });
            (Sight::Old, format!("{old}: {trouble}"), trouble.advice().to_owned())
        }
    }
}

/// Now, as RFC 3339 in whole seconds.
#[must_use]
pub fn time_text() -> String {
    let now = time::OffsetDateTime::now_utc();
    let now = now.replace_nanosecond(0).unwrap_or(now);
    now.format(&time::format_description::well_known::Rfc3339).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::settings::Settings;
    use crate::sources::{Needs, paired};
    use crate::state::job::JobState;
    use crate::state::subject::{BenchFile, PartFile};
    use landfit_camera::{Desk as PairDesk, Frame, Source, Wanted};
    use landfit_rehearsal::scenario::Setting;
    use landfit_vision::Picture;

    /// Ends by itself: a test that waits for ever tells nothing.
    const PATIENCE_OF_TESTS: Duration = Duration::from_secs(60);

    /// A camera over a bench whose lights somebody switches as the desk asks for: dark before, then the exposure of that light.
    struct Lit {
        exposures: Vec<Picture>,
        pairs: PairDesk,
        on: usize,
    }

    impl Source for Lit {
        fn name(&self) -> String {
            "lit".into()
        }

        fn next(&mut self, _: Duration) -> Result<Option<Frame>, Trouble> {
            std::thread::sleep(Duration::from_millis(30));
            if let Wanted::Light { exposure, .. } = self.pairs.wanted() {
                self.on = exposure;
            }
            let pictures = vec![self.exposures[self.on].clone()];
            Ok(Some(Frame { pictures, taken: Instant::now(), from_jpeg: false, number: 0 }))
        }
    }

    /// A desk of a bench that lights part and board in turn, and the measuring thread over it.
    fn worker() -> (Worker, tempfile::TempDir) {
        let setting = Setting::named("all-on-the-part").unwrap();
        let results = tempfile::tempdir().unwrap();
        let settings = Settings { results: Some(results.path().to_owned()), ..Settings::default() };
        let desk = Desk::new(PartFile::of(&setting).unwrap(), BenchFile::of(&setting).unwrap(), settings).unwrap();
        let bench = RehearsalBench::new(setting.start(3).unwrap(), setting.part().unwrap(), 3);
        let (exposures, pairs) = (bench.render(1).unwrap(), PairDesk::new());
        assert_eq!(exposures.len(), 2);
        let lit = pairs.clone();
        let open = Box::new(move || Ok(Box::new(Lit { exposures: exposures.clone(), pairs: lit.clone(), on: 1 }) as Box<dyn Source>));
        let open = paired(open, Needs::of(&setting.bench().unwrap()), Vec::new(), pairs.clone());
        let order = SourceOrder { open, name: "lit".into(), rehearsal: None, rest: RestTold::Frames, pairs: Some(pairs), knobs: None };
        (Worker::start(desk, order, |_| {}).unwrap(), results)
    }

    /// A stored look: it comes once.
    struct Once(Option<Frame>);

    impl Source for Once {
        fn name(&self) -> String {
            "once".into()
        }

        fn next(&mut self, patience: Duration) -> Result<Option<Frame>, Trouble> {
            std::thread::sleep(patience.min(Duration::from_millis(20)));
            Ok(self.0.take())
        }
    }

    #[test]
    fn a_stored_look_is_measured_again_by_another_part_and_bench_file() {
        let setting = Setting::named("rotation-under-board").unwrap();
        let folder = tempfile::tempdir().unwrap();
        let (part_file, bench_file) = (folder.path().join("part.toml"), folder.path().join("bench.toml"));
        std::fs::write(&part_file, setting.part_toml).unwrap();
        std::fs::write(&bench_file, setting.bench_toml).unwrap();
        // Begun with a bench whose pictures have another size: the look does not go with it.
        let other = Setting::named("amber-and-cyan").unwrap();
        let settings = Settings { results: Some(folder.path().to_owned()), ..Settings::default() };
        let desk = Desk::new(PartFile::of(&other).unwrap(), BenchFile::of(&other).unwrap(), settings).unwrap();
        let bench = RehearsalBench::new(setting.start(3).unwrap(), setting.part().unwrap(), 3);
        let pictures = bench.render(1).unwrap();
        let open = Box::new(move || {
            let frame = Frame { pictures: pictures.clone(), taken: Instant::now(), from_jpeg: false, number: 0 };
            Ok(Box::new(Once(Some(frame))) as Box<dyn Source>)
        });
        let order = SourceOrder { open, name: "once".into(), rehearsal: None, rest: RestTold::EachLook, pairs: None, knobs: None };
        let worker = Worker::start(desk, order, |_| {}).unwrap();
        let _ = wait_for(&worker, "pictures that do not go with the bench", |s| s.trouble.is_some());
        worker.send(Command::TakeBench(bench_file));
        worker.send(Command::TakePart(part_file));
        let shown = wait_for(&worker, "a measured look", |s| s.align.landing.is_some());
        assert!(shown.align.state.is_some_and(|s| s != JobState::Looking), "{:?}", shown.align.headline);
    }

    fn wait_for(worker: &Worker, what: &str, is: impl Fn(&Shown) -> bool) -> Arc<Shown> {
        let start = Instant::now();
        loop {
            let shown = worker.shown();
            if is(&shown) {
                return shown;
            }
            assert!(start.elapsed() < PATIENCE_OF_TESTS, "{what}: {:?} {:?} {:?}", shown.prompt, shown.trouble, shown.picture_text);
            std::thread::sleep(Duration::from_millis(10));
        }
    }

    #[test]
    fn a_look_in_two_lights_is_taken_when_the_pedal_asks_for_it_and_never_by_itself() {
        let (worker, _results) = worker();
        let shown = wait_for(&worker, "a preview", |s| s.exposures.len() == 1);
        assert!(shown.align.landing.is_none() && shown.prompt.is_none());
        assert_eq!(shown.align.headline, words::GO_ON_TAKES_A_LOOK);
        std::thread::sleep(Duration::from_millis(600));
        let shown = worker.shown();
        assert!(shown.align.landing.is_none() && shown.prompt.is_none(), "nobody asked: {:?}", shown.prompt);
        worker.send(Command::GoOn);
        let shown = wait_for(&worker, "a look", |s| s.align.landing.is_some());
        assert_eq!(shown.exposures.len(), 2);
        assert!(shown.align.state.is_some_and(|s| s != JobState::Looking));
        let _ = wait_for(&worker, "no prompt any more", |s| s.prompt.is_none());
    }
}
