//! Sound, off at first: two notes that draw together until their beat is gone; a soft chord when it is good. Quiet without a sound card.

use crate::words;
use rodio::{ChannelCount, Sample, SampleRate, Source};
use std::f32::consts::TAU;
use std::num::{NonZeroU16, NonZeroU32};
use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};
use std::sync::mpsc::{Receiver, Sender, channel};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

/// Holds a sound card open until the receiver hears that it is over; fails at once where there is none.
type HoldOpen = fn(Arc<Beat>, &Receiver<()>) -> Result<(), String>;

/// After a card failed, another try comes so much later: it may have been plugged in meanwhile.
const AGAIN_AFTER: Duration = Duration::from_secs(10);

/// The player; nothing is opened before sound is wanted.
pub struct Sound {
    hold_open: HoldOpen,
    player: Option<Player>,
    failed: Option<Instant>,
    trouble: Option<String>,
}

/// The thread that holds the sound card open ends when this is dropped: opening one may take long, and the window waits for nothing.
struct Player {
    _open: Sender<()>,
    beat: Arc<Beat>,
    failed: Arc<Mutex<Option<String>>>,
}

impl Default for Sound {
    fn default() -> Self {
        Self { hold_open, player: None, failed: None, trouble: None }
    }
}

/// What the notes are to be, from the window to the sound thread.
#[derive(Debug, Default)]
struct Beat {
    /// Distance of the two notes, Hz, as the bits of an f32.
    apart_hz: AtomicU32,
    /// There is something to tell.
    sounds: AtomicBool,
    /// The chord.
    good: AtomicBool,
}

impl Sound {
    /// Sounds as the job stands: `nearness` is the worst miss over the allowance, `None` where nothing is known.
    pub fn play(&mut self, wanted: bool, nearness: Option<f64>, good: bool, now: Instant) {
        if !wanted {
            (self.player, self.failed, self.trouble) = (None, None, None);
            return;
        }
        let failed = self.player.as_ref().and_then(|p| p.failed.lock().unwrap_or_else(PoisonError::into_inner).clone());
        if failed.is_some() {
            (self.player, self.failed, self.trouble) = (None, Some(now), failed);
        }
        if self.player.is_none() && self.failed.is_none_or(|at| now.saturating_duration_since(at) >= AGAIN_AFTER) {
            self.player = self.open();
        }
        if let Some(player) = &self.player {
            player.beat.apart_hz.store(nearness.map_or(0.0, |n| apart_hz(n, good)).to_bits(), Ordering::Relaxed);
            player.beat.sounds.store(nearness.is_some(), Ordering::Relaxed);
            player.beat.good.store(good, Ordering::Relaxed);
        }
    }

    /// Why there is no sound.
    #[must_use]
    pub fn trouble(&self) -> Option<&str> {
        self.trouble.as_deref()
    }

    fn open(&self) -> Option<Player> {
        let (open, closed) = channel();
        let beat = Arc::new(Beat::default());
        let failed: Arc<Mutex<Option<String>>> = Arc::default();
        let (hold_open, of_thread, failing) = (self.hold_open, Arc::clone(&beat), Arc::clone(&failed));
        let run = move || {
            if let Err(why) = hold_open(of_thread, &closed) {
                *failing.lock().unwrap_or_else(PoisonError::into_inner) = Some(why);
            }
        };
        std::thread::Builder::new().name("landfit sound".into()).spawn(run).ok()?;
        Some(Player { _open: open, beat, failed })
    }
}

fn hold_open(beat: Arc<Beat>, closed: &Receiver<()>) -> Result<(), String> {
    let aside = LinesAside::put();
    let opened = rodio::DeviceSinkBuilder::open_default_sink();
    aside.tell();
    let mut sink = opened.map_err(|error| words::no_sound(&error.to_string()))?;
    sink.log_on_drop(false);
    sink.mixer().add(Notes { beat, phase: [0.0; 3], loud: 0.0, glided_hz: 0.0 });
    // Dropped, the sender says that it is over.
    let _ = closed.recv();
    Ok(())
}

/// ALSA prints on standard error what it tries and does not find, a dozen lines where there is no card. What it would print from this thread
/// goes into the log instead, for whoever asks with -v.
#[cfg(target_os = "linux")]
struct LinesAside(Option<std::rc::Rc<std::cell::RefCell<alsa::Output>>>);

#[cfg(target_os = "linux")]
impl LinesAside {
    fn put() -> Self {
        // Where not even that can be had, it prints.
        Self(alsa::Output::local_error_handler().ok())
    }

    fn tell(&self) {
        let Some(lines) = &self.0 else { return };
        lines.borrow().buffer_string(|text| {
            String::from_utf8_lossy(text).lines().for_each(|line| tracing::info!("ALSA: {line}"));
        });
    }
}

/// Elsewhere nothing prints.
#[cfg(not(target_os = "linux"))]
struct LinesAside;

#[cfg(not(target_os = "linux"))]
impl LinesAside {
    const fn put() -> Self {
        Self
    }

    const fn tell(&self) {}
}

/// 12 beats a second far off, one and a half at the allowance, none when it is good: logarithmic, as the ear hears.
fn apart_hz(nearness: f64, good: bool) -> f32 {
    if good { 0.0 } else { (1.5 * (1.0 + nearness.max(0.0)).log2()).clamp(0.2, 12.0) as f32 }
}

const RATE_HZ: u32 = 44_100;
/// A quiet A below the middle of the keyboard, and its chord.
const NOTE_HZ: f32 = 220.0;
const LOUDEST: f32 = 0.06;

struct Notes {
    beat: Arc<Beat>,
    phase: [f32; 3],
    loud: f32,
    glided_hz: f32,
}

impl Iterator for Notes {
    type Item = Sample;

    fn next(&mut self) -> Option<Sample> {
        let good = self.beat.good.load(Ordering::Relaxed);
        let wanted = if self.beat.sounds.load(Ordering::Relaxed) { LOUDEST } else { 0.0 };
        // No clicks: loudness and pitch glide within a tenth of a second.
        let share = 10.0 / RATE_HZ as f32;
        self.loud += (wanted - self.loud) * share;
        self.glided_hz += (f32::from_bits(self.beat.apart_hz.load(Ordering::Relaxed)) - self.glided_hz) * share;
        let notes = if good { [NOTE_HZ, NOTE_HZ * 1.25, NOTE_HZ * 1.5] } else { [NOTE_HZ, NOTE_HZ + self.glided_hz, 0.0] };
        let mut sum = 0.0;
        for (phase, hz) in self.phase.iter_mut().zip(notes) {
            *phase = (*phase + hz / RATE_HZ as f32).fract();
            sum += if hz > 0.0 { (*phase * TAU).sin() } else { 0.0 };
        }
        Some(sum * self.loud)
    }
}

impl Source for Notes {
    fn current_span_len(&self) -> Option<usize> {
        None
    }

    fn channels(&self) -> ChannelCount {
        NonZeroU16::MIN
    }

    fn sample_rate(&self) -> SampleRate {
        NonZeroU32::new(RATE_HZ).unwrap_or(NonZeroU32::MIN)
    }

    fn total_duration(&self) -> Option<Duration> {
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_beat_slows_as_the_part_comes_nearer_and_is_gone_when_good() {
        let beats: Vec<f32> = [40.0, 5.0, 1.0, 0.3].iter().map(|n| apart_hz(*n, false)).collect();
        assert!(beats.windows(2).all(|w| w[0] > w[1]), "{beats:?}");
        assert!((beats[2] - 1.5).abs() < 1e-6 && apart_hz(0.3, true) == 0.0);
    }

    #[test]
    fn a_card_that_failed_is_tried_again_later_and_at_once_when_sound_is_asked_for_anew() {
        static TRIES: AtomicU32 = AtomicU32::new(0);
        let hold_open: HoldOpen = |_, _| {
            let _ = TRIES.fetch_add(1, Ordering::SeqCst);
            Err("none".into())
        };
        let mut sound = Sound { hold_open, ..Sound::default() };
        let begin = Instant::now();
        let tries_at = |sound: &mut Sound, after_s: u64| {
            // The thread that tries is over in no time; the next look at it finds that it failed.
            for _ in 0..20 {
                sound.play(true, Some(1.0), false, begin + Duration::from_secs(after_s));
                std::thread::sleep(Duration::from_millis(5));
            }
            TRIES.load(Ordering::SeqCst)
        };
        assert_eq!((tries_at(&mut sound, 0), tries_at(&mut sound, 9), tries_at(&mut sound, 11)), (1, 1, 2));
        assert_eq!(sound.trouble(), Some("none"));
        sound.play(false, None, false, begin);
        assert_eq!(sound.trouble(), None);
        assert_eq!(tries_at(&mut sound, 12), 3);
    }

    #[test]
    fn the_notes_are_quiet_and_silent_where_nothing_is_known() {
        let beat = Arc::new(Beat::default());
        let mut notes = Notes { beat: Arc::clone(&beat), phase: [0.0; 3], loud: 0.0, glided_hz: 0.0 };
        assert!((0..RATE_HZ).all(|_| notes.next() == Some(0.0)));
        beat.sounds.store(true, Ordering::Relaxed);
        let loudest = (0..RATE_HZ).filter_map(|_| notes.next()).fold(0.0_f32, |a, b| a.max(b.abs()));
        assert!(loudest > 0.02 && loudest < 0.2, "{loudest}");
    }
}
