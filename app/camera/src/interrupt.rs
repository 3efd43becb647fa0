//! A thread whose call into a driver can be cut short.
//!
//! On Unix a signal without any effect of its own makes a blocking call return "interrupted": poll(2) is never restarted after
//! a handler has run, whatever the handler's flags (signal(7)). Elsewhere there is no such thing, and the thread can only be
//! left behind.

use std::thread::{Builder, JoinHandle};
use std::time::{Duration, Instant};

/// How often the call is interrupted again: a signal that comes a moment before the call begins is lost on it.
const AGAIN_EVERY: Duration = Duration::from_millis(10);

/// A running thread.
pub struct Interruptible {
    thread: JoinHandle<()>,
}

impl Interruptible {
    /// Starts `work` in a thread of that name.
    ///
    /// # Errors
    /// When the operating system gives no thread.
    pub fn spawn(name: &str, work: impl FnOnce() + Send + 'static) -> std::io::Result<Self> {
        knock::prepare();
        Ok(Self { thread: Builder::new().name(name.into()).spawn(work)? })
    }

    /// Whether its work is done.
    pub fn is_finished(&self) -> bool {
        self.thread.is_finished()
    }

    /// Cuts short what it waits for, until it ends; gives the thread back where it does not end `within` that time.
    pub fn interrupt(self, within: Duration) -> Option<JoinHandle<()>> {
        let end = Instant::now() + within;
        while !self.thread.is_finished() {
            if Instant::now() >= end {
                return Some(self.thread);
            }
            knock::at(&self.thread);
            std::thread::sleep(AGAIN_EVERY);
        }
        // Joined so that its memory goes back at once; what it panicked about was said by whoever guards its calls.
        let _ = self.thread.join();
        None
    }
}

#[cfg(unix)]
mod knock {
    use std::os::unix::thread::JoinHandleExt;
    use std::sync::atomic::AtomicBool;
    use std::sync::{Arc, Once};

    /// "Urgent data on a socket": ignored unless asked for, and landfit has no sockets; so no other meaning gets in the way.
    const SIGNAL: nix::sys::signal::Signal = nix::sys::signal::Signal::SIGURG;

    /// A signal that is ignored interrupts nothing: it needs a handler, which does nothing but raise a flag nobody reads.
    pub fn prepare() {
        static ONCE: Once = Once::new();
        ONCE.call_once(|| {
            if let Err(error) = signal_hook::flag::register(SIGNAL as i32, Arc::new(AtomicBool::new(false))) {
                tracing::warn!("calls that hang cannot be cut short: {error}");
            }
        });
    }

    pub fn at(thread: &std::thread::JoinHandle<()>) {
        // The thread is not joined, so its id is its own, even where it has just ended.
        if let Err(error) = nix::sys::pthread::pthread_kill(thread.as_pthread_t(), SIGNAL) {
            tracing::debug!("{error}");
        }
    }
}

#[cfg(not(unix))]
mod knock {
    pub fn prepare() {}

    pub fn at(_: &std::thread::JoinHandle<()>) {}
}

#[cfg(all(test, unix))]
mod tests {
    use super::*;
    use nix::errno::Errno;
    use nix::poll::{PollFd, PollFlags, PollTimeout, poll};
    use std::os::fd::AsFd;
    use std::os::unix::net::UnixStream;

    #[test]
    fn a_thread_that_polls_for_ever_comes_back() {
        let (ours, theirs) = UnixStream::pair().unwrap();
        let thread = Interruptible::spawn("waits", move || {
            let mut waited_for = [PollFd::new(ours.as_fd(), PollFlags::POLLIN)];
            assert_eq!(poll(&mut waited_for, PollTimeout::NONE), Err(Errno::EINTR));
        });
        let thread = thread.unwrap();
        std::thread::sleep(Duration::from_millis(50));
        assert!(!thread.is_finished());
        assert!(thread.interrupt(Duration::from_secs(5)).is_none());
        drop(theirs);
    }

    #[test]
    fn a_thread_that_no_signal_reaches_is_given_back() {
        let thread = Interruptible::spawn("sleeps", || std::thread::sleep(Duration::from_millis(600))).unwrap();
        let left = thread.interrupt(Duration::from_millis(100)).unwrap();
        assert!(left.join().is_ok());
    }
}
