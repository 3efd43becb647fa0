//! Where pictures come from while the window is open: a camera, a watched folder, a stored set.

use landfit_vision::Picture;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Condvar, Mutex, PoisonError};
use std::time::{Duration, Instant};

/// One look: one picture for each exposure, in the bench's order.
#[derive(Debug)]
pub struct Frame {
    /// One for each exposure.
    pub pictures: Vec<Picture>,
    /// When the last of them was taken.
    pub taken: Instant,
    /// Counts the looks of a source.
    pub number: u64,
}

/// Why there is no picture.
#[derive(Debug, Clone, thiserror::Error)]
#[non_exhaustive]
pub enum Trouble {
    /// In the source's own words.
    #[error("{0}")]
    Said(String),
}

impl Trouble {
    /// What the person can do about it.
    #[must_use]
    pub const fn advice(&self) -> &'static str {
        ""
    }
}

/// Something that gives looks.
pub trait Source: Send {
    /// What it is called on the screen.
    fn name(&self) -> String;
    /// Waits at most `patience` for the next look; `Ok(None)`: nothing new yet.
    ///
    /// # Errors
    /// When the source gives no more looks.
    fn next(&mut self, patience: Duration) -> Result<Option<Frame>, Trouble>;
}

/// Opens a source, and opens it again after trouble.
pub type Open = Box<dyn FnMut() -> Result<Box<dyn Source>, Trouble> + Send>;

/// How the looks come.
#[derive(Debug, Clone)]
pub enum FeedState {
    /// None yet.
    Looking,
    /// They come.
    Live {
        /// Of the newest.
        age: Duration,
    },
    /// They do not come any more.
    Old {
        /// Of the newest.
        age: Duration,
        /// Why.
        trouble: Arc<Trouble>,
    },
}

/// A mailbox for one item: the newest wins.
#[derive(Debug)]
pub struct Latest<T> {
    place: Mutex<Option<T>>,
    arrived: Condvar,
}

impl<T> Default for Latest<T> {
    fn default() -> Self {
        Self { place: Mutex::new(None), arrived: Condvar::new() }
    }
}

impl<T> Latest<T> {
    /// Puts an item in; returns the one that nobody took.
    pub fn put(&self, item: T) -> Option<T> {
        let old = self.place.lock().unwrap_or_else(PoisonError::into_inner).replace(item);
        self.arrived.notify_one();
        old
    }

    /// Waits at most `patience` for an item.
    pub fn take(&self, patience: Duration) -> Option<T> {
        let place = self.place.lock().unwrap_or_else(PoisonError::into_inner);
        let (mut place, _) = self.arrived.wait_timeout_while(place, patience, |p| p.is_none()).unwrap_or_else(PoisonError::into_inner);
        place.take()
    }
}

#[derive(Default)]
struct Shared {
    mailbox: Latest<Arc<Frame>>,
    latest: Mutex<Option<Arc<Frame>>>,
    trouble: Mutex<Option<Arc<Trouble>>>,
    stop: AtomicBool,
}

/// The capture thread.
pub struct Feed {
    shared: Arc<Shared>,
}

impl Feed {
    /// Starts it; `changed` is called after every look and every trouble.
    pub fn start(mut open: Open, changed: impl Fn() + Send + Sync + 'static) -> Self {
        let shared = Arc::new(Shared::default());
        let of_thread = Arc::clone(&shared);
        let run = move || {
            let set = |trouble: Option<Trouble>| {
                *of_thread.trouble.lock().unwrap_or_else(PoisonError::into_inner) = trouble.map(Arc::new);
                changed();
            };
            while !of_thread.stop.load(Ordering::Relaxed) {
                let mut source = match open() {
                    Ok(source) => source,
                    Err(trouble) => {
                        set(Some(trouble));
                        std::thread::sleep(Duration::from_millis(500));
                        continue;
                    }
                };
                while !of_thread.stop.load(Ordering::Relaxed) {
                    match source.next(Duration::from_millis(200)) {
                        Ok(None) => {}
                        Ok(Some(frame)) => {
                            let frame = Arc::new(frame);
                            *of_thread.latest.lock().unwrap_or_else(PoisonError::into_inner) = Some(Arc::clone(&frame));
                            let _ = of_thread.mailbox.put(frame);
                            set(None);
                        }
                        Err(trouble) => {
                            set(Some(trouble));
                            break;
                        }
                    }
                }
            }
        };
        let _ = std::thread::Builder::new().name("landfit capture".into()).spawn(run);
        Self { shared }
    }

    /// Waits at most `patience` for a look that was not taken yet.
    #[must_use]
    pub fn take(&self, patience: Duration) -> Option<Arc<Frame>> {
        self.shared.mailbox.take(patience)
    }

    /// The newest look.
    #[must_use]
    pub fn latest(&self) -> Option<Arc<Frame>> {
        self.shared.latest.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// How the looks come.
    #[must_use]
    pub fn state(&self) -> FeedState {
        let trouble = self.shared.trouble.lock().unwrap_or_else(PoisonError::into_inner).clone();
        match (self.latest(), trouble) {
            (Some(frame), None) => FeedState::Live { age: frame.taken.elapsed() },
            (Some(frame), Some(trouble)) => FeedState::Old { age: frame.taken.elapsed(), trouble },
            (None, Some(trouble)) => FeedState::Old { age: Duration::MAX, trouble },
            (None, None) => FeedState::Looking,
        }
    }
}

impl Drop for Feed {
    fn drop(&mut self) {
        self.shared.stop.store(true, Ordering::Relaxed);
    }
}
