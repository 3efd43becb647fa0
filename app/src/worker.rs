//! The measuring thread: takes the newest look, measures it, does what the pages ask for, and publishes what they show.
//!
//! The newest look wins: what arrives while one is measured replaces what waited. Commands are never dropped.

use crate::rehearsal_bench::RehearsalBench;
use crate::state::desk::{Command, Desk, Sight};
use crate::state::shown::Shown;
use crate::window::words;
use landfit_camera::{Feed, FeedState, Open, Rest, Stillness, Trouble};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

/// Commands that may wait; a hand gives one or two a second.
const MOST_WAITING: usize = 64;

/// Longest wait for a look before commands and the age of the picture are seen to.
const PATIENCE: Duration = Duration::from_millis(50);

/// Where pictures come from.
pub struct SourceOrder {
    /// Opens it, and opens it again.
    pub open: Open,
    /// What it is called.
    pub name: String,
    /// The bench whose screws the window turns, where it is the rehearsal.
    pub rehearsal: Option<RehearsalBench>,
    /// A stream, in which things move and come to rest; a picture that was stored is still by its nature.
    pub is_stream: bool,
}

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
    let mut is_stream = source.is_stream;
    let mut stillness = Stillness::new();
    let mut feed = Feed::start(source.open, || {});
    let mut told = String::new();
    while !stop.load(Ordering::Relaxed) {
        let mut changed = false;
        while let Ok(order) = inbox.try_recv() {
            changed = true;
            match order {
                Order::Command(command) => {
                    if matches!(command, Command::Accept(_)) {
                        desk.average(stillness.average().filter(|_| is_stream).map(Arc::new));
                    }
                    desk.command(command, now_s(), &time_text());
                }
                Order::Source(source) => {
                    // The old capture thread ends before the new one asks for the same camera.
                    drop(feed);
                    (rehearsal, name, is_stream) = (source.rehearsal, source.name, source.is_stream);
                    stillness.forget();
                    feed = Feed::start(source.open, || {});
                    desk.change_source();
                }
            }
        }
        let frame = feed.take(PATIENCE);
        let (sight, text, advice) = said(&feed.state());
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
            let still = !is_stream || stillness.push(&frame) != Rest::Moving;
            desk.look(&frame, still, now_s());
            changed = true;
        }
        if changed {
            let new = Arc::new(desk.shown());
            *shown.lock().unwrap_or_else(PoisonError::into_inner) = Arc::clone(&new);
            wake(&new);
        }
    }
}

fn said(state: &FeedState) -> (Sight, String, String) {
    match state {
        FeedState::Looking | FeedState::Live { .. } => (Sight::Fresh, String::new(), String::new()),
        FeedState::Old { age, trouble } => {
            (Sight::Old, format!("{}: {trouble}", words::old_for(age.as_secs_f64())), trouble.advice().to_owned())
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
