//! The thread that looks through a source, and the one that watches it.
//!
//! The capture thread owns the source. A call into a driver may never come back, so nothing ever waits for that thread: the
//! watching thread looks at the clock, says "stalled", interrupts the call, and where even that does not help leaves the thread
//! behind, counted, and starts another one. A thread that was left behind finds its turn over when its call returns, drops
//! what it holds and ends.

use crate::interrupt::Interruptible;
use crate::{Frame, Latest, Open, Source, Trouble};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError, TryLockError};
use std::thread::{Builder, JoinHandle};
use std::time::{Duration, Instant};

/// How long one call may wait for a frame before the capture thread looks round.
const PATIENCE: Duration = Duration::from_millis(250);
/// A source that has not come back from a call for so long is said to be stalled: within the 2 s that the user is promised,
/// and longer than the slowest exposures of such cameras (about 0.5 s).
const STALLED_AFTER: Duration = Duration::from_millis(1500);
/// The call is then given up after so long in all.
const GIVEN_UP_AFTER: Duration = Duration::from_secs(3);
/// Opening and the first frame take longer: some cameras need two seconds and more from power-up to picture (experience with
/// webcams, no source).
const FIRST_GIVEN_UP_AFTER: Duration = Duration::from_secs(6);
/// Between two attempts to open: quick enough to be back within 3 s, slow enough to load nothing.
const REOPEN_EVERY: Duration = Duration::from_millis(500);
/// Single frames that are spoiled are counted; with no good one for so long they are said.
const SPOILED_FOR: Duration = Duration::from_millis(700);
/// How often the watching thread looks at the clock.
const WATCH_EVERY: Duration = Duration::from_millis(200);
/// How long the end of a feed waits for its threads.
const LEAVE_WITHIN: Duration = Duration::from_millis(500);
/// No more threads than this are left behind at a time; beyond, the feed waits for one of them.
const MOST_LEFT_BEHIND: u64 = 4;
/// A source that comes back with nothing sooner than this would make the thread spin.
const LEAST_WAIT: Duration = Duration::from_millis(10);

/// How things stand.
#[derive(Debug, Clone)]
pub enum FeedState {
    /// No picture yet, and no trouble.
    Looking,
    /// The last picture is what the source shows.
    Live {
        /// Since it was taken.
        age: Duration,
    },
    /// The last picture (there may be none yet) is old: this stands in the way.
    Old {
        /// Since the last good picture was taken; without one, since the feed was started.
        age: Duration,
        /// What stands in the way.
        trouble: Arc<Trouble>,
    },
}

/// What a feed has done so far.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Counts {
    /// Good frames.
    pub frames: u64,
    /// Frames that a newer one replaced before they were fetched.
    pub replaced: u64,
    /// Frames that were dropped because they were broken, cut short, repeated or dark.
    pub spoiled: u64,
    /// Times the source was opened.
    pub opened: u64,
    /// Capture threads that did not come back from a call, and were left behind.
    pub left_behind: u64,
    /// Those of them that are still there.
    pub still_behind: u64,
}

/// A source, looked through for as long as this stands.
pub struct Feed {
    shared: Arc<Shared>,
    watcher: Option<JoinHandle<()>>,
}

struct Shared {
    mailbox: Latest<Arc<Frame>>,
    now: Mutex<Now>,
    /// Told when the feed ends and when a pause may be cut short.
    woken: Condvar,
    changed: Box<dyn Fn() + Send + Sync>,
}

/// What is known at this moment.
struct Now {
    started: Instant,
    last: Option<Arc<Frame>>,
    trouble: Option<Arc<Trouble>>,
    spoiled: Option<(Instant, Arc<Trouble>)>,
    /// Since when no good frame has come, for the patience with spoiled ones.
    good_until: Instant,
    counts: Counts,
    /// Which capture thread's turn it is; another one that comes back finds its turn over.
    turn: u64,
    /// When the capture thread went into the call that it is in.
    call: Option<Call>,
    name: Option<String>,
    ending: bool,
}

#[derive(Clone, Copy)]
struct Call {
    since: Instant,
    /// Opening, or waiting for the first frame after it.
    first: bool,
}

impl Feed {
    /// Looks through what `open` opens, and opens it again whenever it has ended. `changed` is called after each new frame and
    /// each change of the state, from another thread: it must not wait for anything.
    pub fn start(open: Open, changed: impl Fn() + Send + Sync + 'static) -> Self {
        let now = Now {
            started: Instant::now(),
            last: None,
            trouble: None,
            spoiled: None,
            good_until: Instant::now(),
            counts: Counts::default(),
            turn: 0,
            call: None,
            name: None,
            ending: false,
        };
        let shared = Arc::new(Shared { mailbox: Latest::new(), now: Mutex::new(now), woken: Condvar::new(), changed: Box::new(changed) });
        let watcher = {
            let shared = Arc::clone(&shared);
            Builder::new().name("feed watch".into()).spawn(move || watch(&shared, &Arc::new(Mutex::new(open))))
        };
        let watcher = watcher.map_err(|error| shared.set_trouble(failed(None, &error.to_string()))).ok();
        Self { shared, watcher }
    }

    /// The newest frame that has not been taken yet, or waits at most `patience` for it.
    pub fn take(&self, patience: Duration) -> Option<Arc<Frame>> {
        self.shared.mailbox.take(patience)
    }

    /// The last good frame, taken or not, old or not.
    pub fn latest(&self) -> Option<Arc<Frame>> {
        self.shared.lock().last.clone()
    }

    /// How things stand.
    pub fn state(&self) -> FeedState {
        let now = self.shared.lock();
        let age = now.last.as_ref().map_or(now.started, |f| f.taken).elapsed();
        match (&now.trouble, &now.last) {
            (Some(trouble), _) => FeedState::Old { age, trouble: Arc::clone(trouble) },
            (None, Some(_)) => FeedState::Live { age },
            (None, None) => FeedState::Looking,
        }
    }

    /// What was looked through last, as the person calls it.
    pub fn source_name(&self) -> Option<String> {
        self.shared.lock().name.clone()
    }

    /// The last frame that was dropped, when and why: single ones are no trouble yet.
    pub fn last_spoiled(&self) -> Option<(Instant, Arc<Trouble>)> {
        self.shared.lock().spoiled.clone()
    }

    /// What was done so far.
    pub fn counts(&self) -> Counts {
        let counts = self.shared.lock().counts;
        Counts { replaced: self.shared.mailbox.replaced(), ..counts }
    }
}

impl Drop for Feed {
    /// Waits at most half a second for the capture thread, then leaves it behind.
    fn drop(&mut self) {
        self.shared.lock().ending = true;
        self.shared.woken.notify_all();
        if let Some(watcher) = self.watcher.take() {
            // It neither panics nor waits for the source; were it to panic, there would be nothing left to do about it.
            let _ = watcher.join();
        }
    }
}

impl Shared {
    fn lock(&self) -> MutexGuard<'_, Now> {
        self.now.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn set_trouble(&self, trouble: Trouble) {
        tracing::info!("{trouble}");
        self.lock().trouble = Some(Arc::new(trouble));
        (self.changed)();
    }

    /// Waits, unless the feed ends or the turn of the caller is over; then says so.
    fn pause(&self, turn: u64, time: Duration) -> Turn {
        let over = |now: &Now| now.ending || now.turn != turn;
        let (now, _) = self.woken.wait_timeout_while(self.lock(), time, |now| !over(now)).unwrap_or_else(PoisonError::into_inner);
        if over(&now) { Turn::Over } else { Turn::Mine }
    }

    /// Notes that a call into the source begins.
    fn enter(&self, turn: u64, first: bool) -> Turn {
        let mut now = self.lock();
        if now.ending || now.turn != turn {
            return Turn::Over;
        }
        now.call = Some(Call { since: Instant::now(), first });
        Turn::Mine
    }

    /// Notes what a call brought.
    fn leave(&self, turn: u64, note: impl FnOnce(&mut Now) -> Heard) -> Turn {
        let mut now = self.lock();
        if now.ending || now.turn != turn {
            return Turn::Over;
        }
        now.call = None;
        let heard = note(&mut now);
        drop(now);
        if heard == Heard::News {
            (self.changed)();
        }
        Turn::Mine
    }
}

/// Whether a capture thread may go on.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Turn {
    Mine,
    Over,
}

/// Whether somebody should look.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Heard {
    News,
    Nothing,
}

fn failed(name: Option<&str>, what: &str) -> Trouble {
    Trouble::Failed { source_name: name.unwrap_or("the source").to_owned(), what: what.to_owned() }
}

/// Runs what may panic inside a library; a panic is a trouble like others.
fn guarded<T>(name: Option<&str>, work: impl FnOnce() -> Result<T, Trouble>) -> Result<T, Trouble> {
    catch_unwind(AssertUnwindSafe(work)).unwrap_or_else(|payload| {
        let what = payload.downcast_ref::<&str>().map(|s| (*s).to_owned());
        let what = what.or_else(|| payload.downcast_ref::<String>().cloned()).unwrap_or_else(|| "no reason given".to_owned());
        Err(failed(name, &what))
    })
}

impl Now {
    fn note_trouble(&mut self, trouble: Trouble) -> Heard {
        if self.trouble.as_deref() == Some(&trouble) {
            return Heard::Nothing;
        }
        // While a source cannot be opened because it is still in a stalled call, "stalled" is the truer word.
        if matches!(self.trouble.as_deref(), Some(Trouble::Stalled { .. }))
            && matches!(trouble, Trouble::Busy { .. })
            && self.counts.still_behind > 0
        {
            return Heard::Nothing;
        }
        tracing::info!("{trouble}");
        self.trouble = Some(Arc::new(trouble));
        Heard::News
    }

    fn note_frame(&mut self, frame: Arc<Frame>) {
        self.good_until = Instant::now();
        self.last = Some(frame);
        self.trouble = None;
    }

    fn note_spoiled(&mut self, trouble: Trouble) -> Heard {
        self.counts.spoiled += 1;
        self.spoiled = Some((Instant::now(), Arc::new(trouble.clone())));
        if self.good_until.elapsed() < SPOILED_FOR { Heard::Nothing } else { self.note_trouble(trouble) }
    }

    /// Nothing new. A folder that can be looked at again is no trouble any more; every other trouble ends with a good frame.
    fn note_nothing(&mut self) -> Heard {
        if matches!(self.trouble.as_deref(), Some(Trouble::Folder { .. })) {
            self.trouble = None;
            return Heard::News;
        }
        Heard::Nothing
    }
}

/// One capture thread's life: opens, looks, opens again, until its turn is over.
fn capture(shared: &Shared, open: &Mutex<Open>, turn: u64) {
    loop {
        if shared.enter(turn, true) == Turn::Over {
            return;
        }
        let opened = match open.try_lock() {
            Ok(mut open) => guarded(None, &mut **open),
            Err(TryLockError::Poisoned(open)) => guarded(None, || open.into_inner()()),
            // A thread that was left behind is still opening: there is nothing to open with until it is back.
            Err(TryLockError::WouldBlock) => return,
        };
        let after = match opened {
            Ok(source) => look(shared, source, turn),
            Err(trouble) => shared.leave(turn, |now| now.note_trouble(trouble)),
        };
        if after == Turn::Over || shared.pause(turn, REOPEN_EVERY) == Turn::Over {
            return;
        }
    }
}

/// Looks through one opened source until it ends.
fn look(shared: &Shared, mut source: Box<dyn Source>, turn: u64) -> Turn {
    let name = source.name();
    let mut after = shared.leave(turn, |now| {
        now.counts.opened += 1;
        now.name = Some(name.clone());
        // Frames that are spoiled from the start are given the same patience as those between good ones.
        now.good_until = Instant::now();
        Heard::Nothing
    });
    let mut first = true;
    while after == Turn::Mine && shared.enter(turn, first) == Turn::Mine {
        let began = Instant::now();
        let looked = guarded(Some(&name), || source.next(PATIENCE));
        let brought_nothing = !matches!(looked, Ok(Some(_)));
        first &= brought_nothing;
        let ends = matches!(&looked, Err(trouble) if trouble.ends_the_source());
        let mut fresh = None;
        after = shared.leave(turn, |now| match looked {
            Ok(Some(mut frame)) => {
                now.counts.frames += 1;
                frame.number = now.counts.frames;
                let frame = Arc::new(frame);
                fresh = Some(Arc::clone(&frame));
                now.note_frame(frame);
                Heard::Nothing
            }
            Ok(None) => now.note_nothing(),
            Err(trouble) if trouble.is_about_one_frame() => now.note_spoiled(trouble),
            Err(trouble) => now.note_trouble(trouble),
        });
        if let Some(frame) = fresh {
            shared.mailbox.put(frame);
            (shared.changed)();
        }
        if ends {
            break;
        }
        if brought_nothing && began.elapsed() < LEAST_WAIT && after == Turn::Mine {
            after = shared.pause(turn, LEAST_WAIT);
        }
    }
    // Closing may hang or panic as well as any other call into a driver.
    if shared.enter(turn, false) == Turn::Mine {
        let closed = guarded(Some(&name), || {
            drop(source);
            Ok(())
        });
        return shared.leave(turn, |now| closed.map_or_else(|trouble| now.note_trouble(trouble), |()| Heard::Nothing));
    }
    let _ = guarded(Some(&name), || {
        drop(source);
        Ok(())
    });
    Turn::Over
}

/// The watching thread's life: keeps one capture thread at work, says when it hangs, leaves it behind when it does not come back.
fn watch(shared: &Arc<Shared>, open: &Arc<Mutex<Open>>) {
    let mut behind: Vec<JoinHandle<()>> = Vec::new();
    let mut worker: Option<Interruptible> = None;
    loop {
        behind.retain(|thread| !thread.is_finished());
        let turn = {
            let mut now = shared.lock();
            now.counts.still_behind = behind.len() as u64;
            now.turn
        };
        if worker.as_ref().is_none_or(Interruptible::is_finished) && (behind.len() as u64) < MOST_LEFT_BEHIND {
            let (shared, open) = (Arc::clone(shared), Arc::clone(open));
            worker = Interruptible::spawn("capture", move || capture(&shared, &open, turn)).ok();
        }
        // Every pass takes this long, so a thread that cannot be started or ends at once is tried again without haste.
        if shared.pause(turn, WATCH_EVERY) == Turn::Over && shared.lock().ending {
            break;
        }
        let (call, name) = {
            let now = shared.lock();
            (now.call, now.name.clone())
        };
        let Some(call) = call else { continue };
        let silent = call.since.elapsed();
        if silent >= STALLED_AFTER {
            say_stalled(shared, name.as_deref(), silent);
        }
        let patience = if call.first { FIRST_GIVEN_UP_AFTER } else { GIVEN_UP_AFTER };
        if silent >= patience
            && let Some(stuck) = worker.take()
        {
            tracing::warn!("a call into {} has not come back for {:.1} s", name.as_deref().unwrap_or("the source"), silent.as_secs_f64());
            let mut now = shared.lock();
            now.turn += 1;
            now.call = None;
            drop(now);
            shared.woken.notify_all();
            if let Some(thread) = stuck.interrupt(LEAVE_WITHIN) {
                shared.lock().counts.left_behind += 1;
                behind.push(thread);
            }
        }
    }
    if let Some(worker) = worker
        && worker.interrupt(LEAVE_WITHIN).is_some()
    {
        tracing::warn!("the capture thread did not come back from a call, and is left behind");
    }
}

fn say_stalled(shared: &Shared, name: Option<&str>, silent: Duration) {
    let mut now = shared.lock();
    if matches!(now.trouble.as_deref(), Some(Trouble::Stalled { .. })) {
        return;
    }
    let since_good = now.last.as_ref().map_or(silent, |f| f.taken.elapsed());
    let trouble = Trouble::Stalled { source_name: name.unwrap_or("the camera").to_owned(), silent: since_good.max(silent) };
    let heard = now.note_trouble(trouble);
    drop(now);
    if heard == Heard::News {
        (shared.changed)();
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
    use std::sync::mpsc::{Receiver, Sender, channel};

    /// What a made-up source does next.
    enum Act {
        Give,
        Nothing,
        Fail(Trouble),
        Panic,
        /// Blocks until told, deaf to signals.
        Hang(Receiver<()>),
    }

    struct Made(Receiver<Act>);

    impl Source for Made {
        fn name(&self) -> String {
            "made-up camera".into()
        }

        fn next(&mut self, patience: Duration) -> Result<Option<Frame>, Trouble> {
            match self.0.recv_timeout(patience) {
                Ok(Act::Give) => Ok(Some(Frame { pictures: Vec::new(), taken: Instant::now(), from_jpeg: false, number: 99 })),
                Ok(Act::Nothing) | Err(_) => Ok(None),
                Ok(Act::Fail(trouble)) => Err(trouble),
                Ok(Act::Panic) => panic!("broken inside"),
                Ok(Act::Hang(until)) => {
                    let _ = until.recv();
                    Ok(None)
                }
            }
        }
    }

    /// A feed whose every opening takes the next receiver, in turn.
    fn feed(sources: Vec<Receiver<Act>>) -> (Feed, Arc<AtomicU64>) {
        let mut sources = sources.into_iter();
        let open: Open = Box::new(move || {
            sources.next().map(|s| Box::new(Made(s)) as Box<dyn Source>).ok_or(Trouble::NotConnected { camera: "made-up camera".into() })
        });
        let changes = Arc::new(AtomicU64::new(0));
        let told = Arc::clone(&changes);
        let count = move || {
            told.fetch_add(1, Ordering::Relaxed);
        };
        (Feed::start(open, count), changes)
    }

    fn script() -> (Sender<Act>, Receiver<Act>) {
        channel()
    }

    fn trouble(feed: &Feed) -> Option<String> {
        match feed.state() {
            FeedState::Old { trouble, .. } => Some(trouble.to_string()),
            FeedState::Looking | FeedState::Live { .. } => None,
        }
    }

    /// Long limits, so that a busy machine fails no test: the promised times are kept in tests/fake_camera.rs.
    fn within(secs: f64, mut holds: impl FnMut() -> bool) -> bool {
        let end = Instant::now() + Duration::from_secs_f64(secs);
        while Instant::now() < end {
            if holds() {
                return true;
            }
            std::thread::sleep(Duration::from_millis(5));
        }
        false
    }

    const LONG: Duration = Duration::from_secs(20);

    #[test]
    fn frames_are_numbered_and_the_newest_wins() {
        let (act, source) = script();
        let (feed, changes) = feed(vec![source]);
        assert!(matches!(feed.state(), FeedState::Looking));
        for _ in 0..3 {
            act.send(Act::Give).unwrap();
        }
        assert!(within(20.0, || feed.counts().frames == 3));
        assert_eq!(feed.take(LONG).unwrap().number, 3);
        assert!(feed.take(Duration::ZERO).is_none(), "taken once");
        assert_eq!(feed.latest().unwrap().number, 3);
        assert_eq!(feed.counts().replaced, 2);
        assert!(matches!(feed.state(), FeedState::Live { .. }));
        assert!(within(20.0, || changes.load(Ordering::Relaxed) >= 3));
        act.send(Act::Nothing).unwrap();
    }

    #[test]
    fn a_source_that_ends_is_said_at_once_and_opened_again_and_the_last_picture_is_kept_as_old() {
        let ((first, a), (second, b)) = (script(), script());
        let (feed, _) = feed(vec![a, b]);
        first.send(Act::Give).unwrap();
        first.send(Act::Fail(Trouble::Unplugged { camera: "made-up camera".into() })).unwrap();
        assert!(within(20.0, || trouble(&feed).as_deref() == Some("made-up camera was unplugged")));
        assert_eq!(feed.latest().unwrap().number, 1);
        second.send(Act::Give).unwrap();
        assert!(within(20.0, || matches!(feed.state(), FeedState::Live { .. })));
        assert_eq!(feed.latest().unwrap().number, 2);
        assert_eq!(feed.counts().opened, 2);
    }

    #[test]
    fn one_spoiled_frame_is_counted_and_many_are_said() {
        let (act, source) = script();
        let (feed, _) = feed(vec![source]);
        let broken = || Act::Fail(Trouble::Broken { camera: "made-up camera".into(), what: "no end".into() });
        act.send(Act::Give).unwrap();
        act.send(broken()).unwrap();
        assert!(within(20.0, || feed.counts().spoiled == 1));
        assert!(matches!(feed.state(), FeedState::Live { .. }));
        assert!(feed.last_spoiled().is_some());
        assert!(within(20.0, || {
            act.send(broken()).unwrap();
            std::thread::sleep(Duration::from_millis(30));
            trouble(&feed).as_deref() == Some("made-up camera sends broken pictures (no end)")
        }));
        act.send(Act::Give).unwrap();
        assert!(within(20.0, || matches!(feed.state(), FeedState::Live { .. })));
        assert_eq!(feed.counts().opened, 1, "broken frames are no reason to open the camera again");
    }

    #[test]
    fn a_panic_inside_is_said_and_outlived() {
        let ((first, a), (second, b)) = (script(), script());
        let (feed, _) = feed(vec![a, b]);
        first.send(Act::Panic).unwrap();
        assert!(within(20.0, || trouble(&feed).is_some_and(|t| t.contains("broken inside"))));
        second.send(Act::Give).unwrap();
        assert!(within(20.0, || matches!(feed.state(), FeedState::Live { .. })));
    }

    #[test]
    fn a_call_that_never_returns_is_said_left_behind_and_replaced() {
        let ((first, a), (second, b)) = (script(), script());
        let (feed, _) = feed(vec![a, b]);
        first.send(Act::Give).unwrap();
        assert!(feed.take(LONG).is_some());
        let (end, until) = channel();
        first.send(Act::Hang(until)).unwrap();
        let hung = Instant::now();
        assert!(
            within(20.0, || trouble(&feed).is_some_and(|t| t.starts_with("made-up camera has sent no picture for "))),
            "{:?}",
            feed.state()
        );
        assert!(within(20.0, || feed.counts().left_behind == 1));
        second.send(Act::Give).unwrap();
        assert!(within(20.0, || matches!(feed.state(), FeedState::Live { .. })), "{:?} after {:?}", feed.state(), hung.elapsed());
        assert_eq!(feed.counts().still_behind, 1);
        end.send(()).unwrap();
        assert!(within(20.0, || feed.counts().still_behind == 0), "it ends as soon as its call returns");
        assert_eq!(feed.latest().unwrap().number, 2, "what it brings is not shown");
    }

    #[test]
    fn a_call_that_returns_late_goes_on() {
        let (act, source) = script();
        let (feed, _) = feed(vec![source]);
        act.send(Act::Give).unwrap();
        let (end, until) = channel();
        act.send(Act::Hang(until)).unwrap();
        assert!(within(20.0, || trouble(&feed).is_some()));
        end.send(()).unwrap();
        act.send(Act::Give).unwrap();
        assert!(within(20.0, || matches!(feed.state(), FeedState::Live { .. })));
        assert_eq!((feed.counts().opened, feed.counts().left_behind), (1, 0));
    }

    #[test]
    fn the_end_waits_for_nobody() {
        let (act, source) = script();
        let (feed, _) = feed(vec![source]);
        let (end, until) = channel();
        act.send(Act::Hang(until)).unwrap();
        std::thread::sleep(Duration::from_millis(100));
        let began = Instant::now();
        drop(feed);
        assert!(began.elapsed() < Duration::from_secs(5), "{:?}", began.elapsed());
        end.send(()).unwrap();
    }

    #[test]
    fn a_source_that_returns_at_once_does_not_spin() {
        struct Hasty(Arc<AtomicU64>);
        impl Source for Hasty {
            fn name(&self) -> String {
                "hasty".into()
            }
            fn next(&mut self, _: Duration) -> Result<Option<Frame>, Trouble> {
                self.0.fetch_add(1, Ordering::Relaxed);
                Ok(None)
            }
        }
        let calls = Arc::new(AtomicU64::new(0));
        let counted = Arc::clone(&calls);
        let feed = Feed::start(Box::new(move || Ok(Box::new(Hasty(Arc::clone(&counted))))), || ());
        std::thread::sleep(Duration::from_millis(500));
        drop(feed);
        assert!((1..=60).contains(&calls.load(Ordering::Relaxed)), "{calls:?}");
    }

    #[test]
    fn a_source_that_cannot_be_opened_is_tried_twice_a_second() {
        let tries = Arc::new(AtomicU64::new(0));
        let ready = Arc::new(AtomicBool::new(false));
        let open: Open = Box::new({
            let (tries, ready) = (Arc::clone(&tries), Arc::clone(&ready));
            move || {
                tries.fetch_add(1, Ordering::Relaxed);
                if ready.load(Ordering::Relaxed) {
                    let (act, source) = script();
                    act.send(Act::Give).unwrap();
                    // The sender lives on, so that the source waits as long as it is asked to.
                    std::mem::forget(act);
                    return Ok(Box::new(Made(source)) as Box<dyn Source>);
                }
                Err(Trouble::NoCamera)
            }
        });
        let feed = Feed::start(open, || ());
        assert!(within(20.0, || trouble(&feed).as_deref() == Some("no camera is connected")));
        std::thread::sleep(Duration::from_millis(1200));
        assert!((1..=5).contains(&tries.load(Ordering::Relaxed)), "{tries:?}");
        ready.store(true, Ordering::Relaxed);
        assert!(within(20.0, || matches!(feed.state(), FeedState::Live { .. })));
    }
}
