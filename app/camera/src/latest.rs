//! A mailbox with one place: the newest wins, so that nothing piles up before a slow reader.

use std::sync::{Condvar, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

/// A mailbox with one place.
#[derive(Debug)]
pub struct Latest<T> {
    place: Mutex<Place<T>>,
    filled: Condvar,
}

#[derive(Debug)]
struct Place<T> {
    item: Option<T>,
    replaced: u64,
}

impl<T> Default for Latest<T> {
    fn default() -> Self {
        Self::new()
    }
}

impl<T> Latest<T> {
    /// An empty mailbox.
    #[must_use]
    pub const fn new() -> Self {
        Self { place: Mutex::new(Place { item: None, replaced: 0 }), filled: Condvar::new() }
    }

    // A writer that panicked leaves a whole item or none: the place is good in either case.
    fn lock(&self) -> MutexGuard<'_, Place<T>> {
        self.place.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Stores `item`; gives the one that it replaced unfetched, and counts it.
    pub fn put(&self, item: T) -> Option<T> {
        let mut place = self.lock();
        let before = place.item.replace(item);
        place.replaced += u64::from(before.is_some());
        drop(place);
        self.filled.notify_one();
        before
    }

    /// Takes what is there, or waits at most `patience` for it.
    pub fn take(&self, patience: Duration) -> Option<T> {
        let place = self.lock();
        let (mut place, _) = self.filled.wait_timeout_while(place, patience, |p| p.item.is_none()).unwrap_or_else(PoisonError::into_inner);
        place.item.take()
    }

    /// How many items were replaced before anybody fetched them.
    pub fn replaced(&self) -> u64 {
        self.lock().replaced
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::Arc;
    use std::time::Instant;

    #[test]
    fn the_newest_takes_the_place_of_an_older_one_which_is_counted() {
        let mailbox = Latest::new();
        assert_eq!(mailbox.put(1), None);
        assert_eq!(mailbox.put(2), Some(1));
        assert_eq!((mailbox.take(Duration::ZERO), mailbox.take(Duration::ZERO)), (Some(2), None));
        assert_eq!(mailbox.replaced(), 1);
    }

    #[test]
    fn a_reader_waits_for_what_comes_and_no_longer_than_its_patience() {
        let mailbox = Arc::new(Latest::new());
        let began = Instant::now();
        assert_eq!(mailbox.take(Duration::from_millis(30)), None);
        assert!(began.elapsed() >= Duration::from_millis(30));
        let writer = std::thread::spawn({
            let mailbox = Arc::clone(&mailbox);
            move || {
                std::thread::sleep(Duration::from_millis(20));
                mailbox.put(7)
            }
        });
        assert_eq!(mailbox.take(Duration::from_secs(20)), Some(7));
        assert!(began.elapsed() < Duration::from_secs(10), "woken by the writer, not by the clock");
        assert_eq!(writer.join().unwrap(), None);
    }
}
