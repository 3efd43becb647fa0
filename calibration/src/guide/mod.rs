//! Leads through a calibration one step after the other: what is wanted next, what was found in what was given, and what came of it.
//!
//! A step is a value without files, cameras or windows. Whoever leads (a command, a page of the window) shows [`Wanted`], hands over
//! pictures or readings, and shows what comes back; nothing is put into the bench before the person says so. In their order:
//!
//! * [`LightsStep`]: the lights' colours, levels, gamma, and what the camera does by itself.
//! * [`ScaleStep`]: scale, tilt and lens of the views, and part view against board view.
//! * [`RunStep`]: what a screw or a jog control does, reading after reading.
//! * [`DayStep`]: whether all of it still holds.

mod day;
mod lights;
mod run;
mod scale;

pub use day::{DayError, DayResult, DayStep, Lies, RegistrationHolds, ViewHolds};
pub use lights::{LightsStep, Shot};
pub use run::{NextReading, RunResult, RunStep};
pub use scale::{LaidDown, LayError, ScaleResult, ScaleStep};

/// What is wanted next.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Wanted {
    /// In words, to the person: "Move the target so that it covers upper left, and take a picture".
    pub words: String,
    /// Whether the step gives a result without it.
    pub is_optional: bool,
}

impl Wanted {
    fn needed(words: impl Into<String>) -> Self {
        Self { words: words.into(), is_optional: false }
    }

    fn optional(words: impl Into<String>) -> Self {
        Self { words: words.into(), is_optional: true }
    }
}

#[cfg(test)]
mod tests;
